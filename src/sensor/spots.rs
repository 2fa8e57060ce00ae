//! Single pixels that stand out of a clip's own frames, for clips without black frames.
//!
//! Hot pixels lie still on the sensor and are the sharpest thing in every frame, so a registration
//! that does not know them holds on to them. A lens draws nothing as sharp. With m the mean of a pixel
//! over frames, n_1 to n_8 the means of its nearest neighbours of the same colour, all in DN, and s the
//! standard error of m, a pixel is a spot where
//!
//! ```text
//! m - max n > max( 5 (max n - min n), 6 s, 1 DN )      hot, or the same below min n: dead
//! ```
//!
//! early in the clip and late in it. A point of light that the lens spreads by 0.5 px rms (a Gaussian
//! over square pixels) is above the brightest of its neighbours by 4.3 times what these differ among
//! themselves, by 5.5 at 0.45 px (arithmetic); one that moves with the rig is in another pixel later.
//!
//! Order: raw samples, before anything is subtracted. Edges: fewer neighbours; corners are not asked.
//! Cost: two stacks and one look at every pixel, once a clip. Source: none, worked out here.
//! **Limits**: what is weaker than the texture around it is not found, nor are two hot pixels side by
//! side; a pattern that is weak and everywhere needs black frames. A point of light sharper than 0.45 px
//! is taken for a spot where rig and scene rest for the whole clip.

use rayon::prelude::*;

use super::{DefectKind, DefectMap, StackStats};
use crate::frame::convert::{index_in, signed, to_f32};
use crate::frame::{Layout, Plane};

/// How far a spot stands out, in differences of its neighbours among themselves.
const STEEP: f32 = 5.0;
/// And in standard errors of its own mean.
const SURE: f32 = 6.0;
/// And in DN.
const LEAST_DN: f32 = 1.0;
/// Neighbours that are asked at the least: an edge has five.
const FEWEST: usize = 5;
/// Where this share of the pixels stands out, it is what was filmed.
const MOST_SHARE: f64 = 0.01;

/// Pixels that stand out early and late in a clip; `None` where there are none, or so many that they must
/// be the scene.
#[must_use]
pub fn spots(halves: &[StackStats; 2], layout: Layout) -> Option<DefectMap> {
    let step = if matches!(layout, Layout::Mosaic(_)) { 2 } else { 1 };
    let shape = halves[0].shape;
    let mut map = DefectMap::new(shape.width, shape.height, shape.channels);
    for p in 0..shape.channels {
        let [early, late] = halves.each_ref().map(|stats| Half::of(stats, p));
        let found: Vec<(usize, DefectKind)> = (0..shape.height)
            .into_par_iter()
            .flat_map_iter(|y| (0..shape.width).map(move |x| (x, y)))
            .filter_map(|(x, y)| {
                let kind = early.stands_out((x, y), step)?;
                let again = late.stands_out((x, y), step) == Some(kind);
                again.then_some((y * shape.width + x, kind))
            })
            .collect();
        for (i, kind) in found {
            map.mark(p, i, kind);
        }
    }
    let pixels = (shape.width * shape.height * shape.channels) as f64;
    let share = map.counts().any as f64 / pixels.max(1.0);
    (share > 0.0 && share <= MOST_SHARE).then_some(map)
}

/// One plane of half a clip.
struct Half<'a> {
    mean: &'a Plane,
    variance: &'a Plane,
    /// What a variance is multiplied by for the square of six standard errors.
    sure: f32,
}

impl<'a> Half<'a> {
    fn of(stats: &'a StackStats, p: usize) -> Self {
        let sure = SURE * SURE / to_f32(stats.count as f64);
        Self { mean: &stats.mean[p], variance: &stats.variance[p], sure }
    }

    fn stands_out(&self, (x, y): (usize, usize), step: isize) -> Option<DefectKind> {
        let (width, height) = (self.mean.width(), self.mean.height());
        let (mut least, mut most, mut n) = (f32::INFINITY, f32::NEG_INFINITY, 0);
        for (dx, dy) in [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)] {
            let near =
                index_in(signed(x) + step * dx, width).zip(index_in(signed(y) + step * dy, height));
            if let Some((i, j)) = near {
                let v = self.mean.at(i, j);
                (least, most, n) = (least.min(v), most.max(v), n + 1);
            }
        }
        let own = self.mean.at(x, y);
        let steep = (STEEP * (most - least)).max(LEAST_DN);
        let beyond = (own - most).max(least - own);
        let sure =
            n >= FEWEST && beyond > steep && beyond * beyond > self.sure * self.variance.at(x, y);
        sure.then_some(if own > most { DefectKind::Hot } else { DefectKind::Dead })
    }
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;

    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;

    use super::*;
    use crate::frame::convert::round_u16;
    use crate::frame::{Mosaic, Samples};
    use crate::sensor::{StackOptions, collect};

    const SIZE: (usize, usize) = (64, 48);

    /// Half a clip of 16 frames: `scene` in DN, with noise of 6 DN over a black level of 160.
    fn half(seed: u64, scene: impl Fn(usize, usize) -> f64) -> StackStats {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let (width, height) = SIZE;
        let read = |_| {
            let data = (0..width * height)
                .map(|i| {
                    let noise: f64 = rng.sample(StandardNormal);
                    round_u16(to_f32(160.0 + scene(i % width, i / width) + 6.0 * noise))
                })
                .collect();
            Ok::<_, Infallible>(Samples { width, height, channels: 1, bits: 16, data })
        };
        collect(16, read, &StackOptions::default()).unwrap()
    }

    /// Waves that a lens can draw, of 20 DN.
    fn texture(x: f64, y: f64) -> f64 {
        60.0 + 20.0 * libm::sin(0.7 * x + 0.3 * y) * libm::cos(0.5 * y - 0.2 * x)
    }

    /// A point of light of 900 DN in all, spread by `blur` px rms over square pixels.
    fn point(x: f64, y: f64, blur: f64) -> f64 {
        let part = |d: f64| {
            let edge = |e: f64| libm::erf(e / (blur * core::f64::consts::SQRT_2));
            0.5 * (edge(d + 0.5) - edge(d - 0.5))
        };
        900.0 * part(x) * part(y)
    }

    fn at(x: usize, y: usize) -> usize {
        y * SIZE.0 + x
    }

    #[test]
    fn a_pixel_that_stands_out_early_and_late_is_found() {
        let halves = [1.0, 4.0].map(|drift| {
            half(u64::from(drift > 2.0), |x, y| {
                let (fx, fy) = (x as f64, y as f64);
                let hot = if (x, y) == (20, 17) { 400.0 } else { 0.0 };
                let edge = if (x, y) == (63, 30) { 500.0 } else { 0.0 };
                // Lies elsewhere later, as the scene does.
                let speck = point(fx - 40.0 - drift, fy - 9.0, 0.3);
                let light = texture(fx - drift, fy) + hot + edge + speck;
                if (x, y) == (33, 40) { -40.0 } else { light }
            })
        });
        let map = spots(&halves, Layout::Mono).unwrap();
        let bits = map.bits(0);
        assert_eq!(bits[at(20, 17)], DefectKind::Hot.bit());
        assert_eq!(bits[at(63, 30)], DefectKind::Hot.bit(), "at the edge");
        assert_eq!(map.counts().any, map.counts().hot + map.counts().dead);
        assert_eq!(map.counts().hot, 2, "nothing else, neither noise nor the speck that moved");
    }

    #[test]
    fn a_point_of_light_as_a_lens_draws_it_is_left_alone() {
        for blur in [0.5, 0.7, 1.2] {
            let halves =
                [3, 4].map(|seed| half(seed, |x, y| point(x as f64 - 30.0, y as f64 - 20.0, blur)));
            assert_eq!(spots(&halves, Layout::Mono), None, "{blur} px");
        }
        // Sharper than any lens draws it.
        let halves =
            [3, 4].map(|seed| half(seed, |x, y| point(x as f64 - 30.0, y as f64 - 20.0, 0.2)));
        assert_eq!(spots(&halves, Layout::Mono).unwrap().counts().hot, 1);
    }

    #[test]
    fn colours_of_a_mosaic_are_compared_with_their_own() {
        // Red sites are far brighter than the others, as in warm light.
        let mosaic = Mosaic::Rggb;
        let halves = [5, 6].map(|seed| {
            half(seed, |x, y| {
                let light = [400.0, 200.0, 20.0][mosaic.colour(x, y)];
                if (x, y) == (21, 18) { light + 300.0 } else { light }
            })
        });
        let map = spots(&halves, Layout::Mosaic(mosaic)).unwrap();
        assert_eq!(map.counts().any, 1);
        assert_eq!(map.bits(0)[at(21, 18)], DefectKind::Hot.bit());
    }

    #[test]
    fn rare_samples_of_a_crushed_black_are_no_spots() {
        // Black, but for one sample in a hundred.
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (width, height) = SIZE;
        let mut read = |_| {
            let data = (0..width * height).map(|_| if rng.random_bool(0.01) { 40 } else { 0 });
            let data = data.collect();
            Ok::<_, Infallible>(Samples { width, height, channels: 1, bits: 16, data })
        };
        let halves = [(); 2].map(|()| collect(16, &mut read, &StackOptions::default()).unwrap());
        assert_eq!(spots(&halves, Layout::Mono), None);
    }

    #[test]
    fn a_scene_made_of_spots_is_no_fault_of_the_sensor() {
        let halves = [8, 9]
            .map(|seed| half(seed, |x, y| if x % 4 == 0 && y % 4 == 0 { 900.0 } else { 50.0 }));
        assert_eq!(spots(&halves, Layout::Mono), None);
    }
}
