//! Pieces of the template, sampled twice as finely, ready to be moved.
//!
//! The fit needs the template at any sub-pixel place, and its gradient. An eight-tap kernel on the
//! template itself misplaces detail above 0.4 cycles a pixel by some 0.02 px, several times the
//! error that a well lit, finely textured clip allows. So each tile of the template is brought to
//! a grid of half pixels through its spectrum (a tapered 64-pixel window, zeros added above its
//! highest frequency), where the same number of taps is exact to 8e-4; slopes are differences over
//! seven of its samples.
//!
//! Layout: 72 x 72 half-pixel samples, the first one 2 px left of and above the tile's corner;
//! in each row the samples of even number first, then those of odd number, so that the taps of
//! neighbouring pixels lie side by side. Memory: 62 kB a tile.

use rayon::prelude::*;
use rustfft::num_complex::Complex32;

use super::held::Held;
use super::template::Average;
use super::{PixelNoise, TILE, variance};
use crate::frame::Plane;
use crate::frame::convert::{clamp_index, signed, to_f32};
use crate::math::fft2::{Fft2, Rings, Scratch};
use crate::math::resample::power_at;
use crate::math::wide::{Wide, wide};

/// Half-pixel samples of a patch along each axis.
pub const SIDE: usize = 72;
/// Samples of one parity in a row.
pub const HALF: usize = SIDE / 2;
/// Half-pixel samples before the tile's first pixel.
pub const AHEAD: usize = 4;
/// Side of the window whose spectrum is taken.
const WINDOW: usize = 64;
/// Pixels of the window before the tile.
const LEAD: usize = 16;
/// Side of the window on the grid of half pixels.
const FINE: usize = 2 * WINDOW;
/// Half-pixel samples of the window before the patch.
const FIRST: usize = 2 * LEAD - AHEAD;
/// Half-pixel samples that a slope looks at to either side.
const REACH: usize = 3;
/// Pixels over which the window fades at each side.
const FADE: usize = 14;
/// Pixels at the border of the template that are not used.
const BORDER: usize = 4;
/// Most that is taken off for a frame's own noise, as a part of the information.
const MOST_OWN: f64 = 3.0;
/// A tile with fewer still pixels than this is not used.
const FEWEST: usize = 16;

/// One tile of the template.
#[derive(Debug, Clone)]
pub struct Patch {
    /// Left column and top row of the tile in the template.
    pub corner: [usize; 2],
    /// Values, in the layout above.
    pub value: Vec<f32>,
    /// Slope along x, per pixel.
    pub slope_x: Vec<f32>,
    /// Slope along y, per pixel.
    pub slope_y: Vec<f32>,
    /// 1 for still pixels, 0 for others; `TILE` rows of `TILE`.
    pub still: Vec<f32>,
    /// Of each group of frames: the cells that something hides, a bit each (see
    /// [`super::hidden::Cover::tile`]); empty where nothing does.
    pub hidden: Vec<u64>,
    /// Information on x plus that on y, in 1/px^2.
    pub information: f64,
    /// Where that information lies, from the middle of the tile's first pixel: what a turn moves it by is
    /// the move there. In tiles that an edge or something that moves cuts it is not the tile's middle.
    pub middle: [f64; 2],
    /// How strongly a frame is drawn to where it was put when the template was made, because its
    /// own noise is part of the template: a part of the information.
    pub own: f64,
    /// The part of the information that is only the noise of the template itself, alike along all
    /// directions.
    pub noise: f64,
    /// How what lies still on the sensor draws a frame to itself, where it does.
    pub held: Option<Box<Held>>,
}

/// Patches for the tiles of `template` that have still pixels, row by row; of the tiles, those that
/// say most first, those beyond the part `enough` of all information are left out. `average`
/// is what the template was made of, where the frames to be fitted are part of it.
#[must_use]
pub fn patches(
    template: &Plane,
    still: &[u8],
    noise: &PixelNoise,
    (average, enough): (Option<&Average>, f64),
) -> Vec<Patch> {
    spread_patches(template, still, noise, (average, enough), Amount::ALL)
}

/// Of which tiles patches are made, where there are many.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// This many at the most: of each square of neighbouring tiles the one that says most, so that
    /// they lie all over the picture.
    pub spread: usize,
    /// And then those that say most, until all together hold this information, x and y added up, in
    /// 1/px^2.
    pub information: f64,
}

impl Amount {
    /// All tiles.
    pub const ALL: Self = Self { spread: usize::MAX, information: f64::INFINITY };
}

/// The same of some of the tiles.
#[must_use]
pub fn spread_patches(
    template: &Plane,
    still: &[u8],
    noise: &PixelNoise,
    (average, enough): (Option<&Average>, f64),
    amount: Amount,
) -> Vec<Patch> {
    let (w, h) = (template.width(), template.height());
    let corners: Vec<[usize; 2]> =
        (0..h).step_by(TILE).flat_map(|y| (0..w).step_by(TILE).map(move |x| [x, y])).collect();
    // Which tiles matter is told from plain differences first: a patch is dear.
    let mut scored: Vec<Scored> = corners
        .into_par_iter()
        .map(|c| (c, rough_information(template, still, noise, c)))
        .filter(|&(_, i)| i > 0.0)
        .collect();
    scored.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let total: f64 = scored.iter().map(|s| s.1).sum();
    let mut sum = 0.0;
    scored.retain(|s| {
        let wanted = sum < enough * total;
        sum += s.1;
        wanted
    });
    // What the noise of the template itself looks like is no information.
    let clean = |&([x, y], information): &Scored| {
        let middle = (y + TILE / 2).min(h - 1) * w + (x + TILE / 2).min(w - 1);
        let noise = average.map_or(0.0, |a| f64::from(a.noise_gain / a.seen(middle)));
        (information - noise * (TILE * TILE) as f64).max(0.0)
    };
    let (mut kept, rest) = spread(scored, [w, h], amount.spread);
    let mut known: f64 = kept.iter().map(clean).sum();
    kept.extend(rest.into_iter().take_while(|s| {
        let wanted = known < amount.information;
        known += clean(s);
        wanted
    }));
    let mut kept: Vec<[usize; 2]> = kept.into_iter().map(|s| s.0).collect();
    kept.sort_unstable_by_key(|c| [c[1], c[0]]);
    let maker = Maker::new(template, noise, average);
    kept.into_par_iter()
        .map_init(MakerScratch::default, |scratch, corner| {
            maker.make(still_tile(template, still, corner), corner, scratch)
        })
        .collect()
}

/// A tile's corner and its information.
pub(super) type Scored = ([usize; 2], f64);

/// The first tile of each square of tiles, and the others; the squares as small as `most` of them
/// allow.
pub(super) fn spread(
    tiles: Vec<Scored>,
    size: [usize; 2],
    most: usize,
) -> (Vec<Scored>, Vec<Scored>) {
    let along = size.map(|n| n.div_ceil(TILE));
    let squares = |side: usize| along[0].div_ceil(side) * along[1].div_ceil(side);
    let side = (1..=along[0].max(along[1])).find(|&s| squares(s) <= most).unwrap_or(1);
    let mut taken = vec![false; squares(side)];
    let across = along[0].div_ceil(side);
    tiles.into_iter().partition(|([x, y], _)| {
        let at = (y / TILE / side) * across + x / TILE / side;
        !std::mem::replace(&mut taken[at], true)
    })
}

/// The still pixels of a tile, those near the template's border left out.
fn still_tile(template: &Plane, still: &[u8], corner: [usize; 2]) -> Vec<f32> {
    let (w, h) = (template.width(), template.height());
    let mut out = vec![0.0; TILE * TILE];
    for (i, line) in out.chunks_exact_mut(TILE).enumerate() {
        let y = corner[1] + i;
        if y < BORDER || y + BORDER >= h {
            continue;
        }
        for (j, o) in line.iter_mut().enumerate() {
            let x = corner[0] + j;
            if x >= BORDER && x + BORDER < w {
                *o = f32::from(still[y * w + x]);
            }
        }
    }
    out
}

/// Information of a tile from central differences; 0 where too few pixels are still.
pub(super) fn rough_information(
    template: &Plane,
    still: &[u8],
    noise: &PixelNoise,
    corner: [usize; 2],
) -> f64 {
    let size = [template.width(), template.height()];
    let [(x0, x1), (y0, y1)] = [0, 1].map(|a| {
        let end = (corner[a] + TILE).min(size[a].saturating_sub(BORDER));
        (corner[a].max(BORDER).min(end), end)
    });
    if x0 == x1 {
        return 0.0;
    }
    let mut sums = [0.0; TILE];
    for y in y0..y1 {
        let part = |y: usize| &template.row(y)[x0..x1];
        let at = y * size[0] + x0;
        wide(RoughRow {
            row: &template.row(y)[x0 - 1..=x1],
            above: part(y - 1),
            below: part(y + 1),
            still: &still[at..at + x1 - x0],
            coefficients: [noise.slope, noise.floor],
            factor: noise.factor.as_ref().map(|f| &f.data()[at..at + x1 - x0]),
            sums: &mut sums,
        });
    }
    let row = |y: usize| still[y * size[0]..][x0..x1].iter().map(|&s| usize::from(s));
    let count: usize = (y0..y1).flat_map(row).sum();
    if count < FEWEST { 0.0 } else { f64::from(sums.iter().sum::<f32>()) }
}

/// What a row of a tile adds to its information, as one piece of work.
struct RoughRow<'a> {
    /// The row with one pixel more on either side.
    row: &'a [f32],
    above: &'a [f32],
    below: &'a [f32],
    still: &'a [u8],
    /// Slope and floor of the noise.
    coefficients: [f32; 2],
    factor: Option<&'a [f32]>,
    sums: &'a mut [f32; TILE],
}

impl Wide for RoughRow<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { row, above, below, still, coefficients, factor, sums } = self;
        let (n, middle) = (still.len(), row.get(1..).unwrap_or_default());
        let along = row.iter().zip(row.get(2..).unwrap_or_default());
        let slopes = along.zip(above.iter().zip(below));
        let pixels = sums[..n].iter_mut().zip(still).zip(middle).zip(slopes);
        let add = |s: &mut f32, still: u8, value: f32, slopes: [f32; 2], factor: f32| {
            let square = slopes[0] * slopes[0] + slopes[1] * slopes[1];
            *s += f32::from(still) * 0.25 * square / variance(coefficients, value, factor);
        };
        match factor {
            None => {
                for (((s, &m), &v), ((l, r), (a, b))) in pixels {
                    add(s, m, v, [r - l, b - a], 1.0);
                }
            }
            Some(factor) => {
                for ((((s, &m), &v), ((l, r), (a, b))), &f) in pixels.zip(factor) {
                    add(s, m, v, [r - l, b - a], f);
                }
            }
        }
    }
}

/// Makes patches, one after another.
struct Maker<'a> {
    template: &'a Plane,
    noise: &'a PixelNoise,
    average: Option<&'a Average>,
    rings: Rings,
    /// What is left in each ring of white noise and of what lies still on the sensor.
    left: [[f32; Rings::COUNT]; 2],
    small: Fft2,
    large: Fft2,
    window: Vec<f32>,
}

/// Working memory of one thread.
#[derive(Default)]
struct MakerScratch {
    pixels: Vec<f32>,
    spectrum: Vec<Complex32>,
    padded: Vec<Complex32>,
    fine: Vec<f32>,
    fft: Scratch,
}

impl<'a> Maker<'a> {
    fn new(template: &'a Plane, noise: &'a PixelNoise, average: Option<&'a Average>) -> Self {
        let window = (0..WINDOW)
            .map(|i| {
                let from_edge = i.min(WINDOW - 1 - i);
                if from_edge >= FADE {
                    1.0
                } else {
                    let phase = std::f64::consts::PI * (from_edge as f64 + 0.5) / FADE as f64;
                    to_f32(0.5 - 0.5 * libm::cos(phase))
                }
            })
            .collect();
        let small = Fft2::new(WINDOW, WINDOW);
        let rings = Rings::new(&small);
        let left = average.map_or([[1.0; Rings::COUNT]; 2], |a| {
            [a.noise_power, a.held_power()]
                .map(|left| rings.mean_of(&small, |f| power_at(&left, f)))
        });
        Self { template, noise, average, rings, left, small, large: Fft2::new(FINE, FINE), window }
    }

    fn make(&self, still: Vec<f32>, corner: [usize; 2], scratch: &mut MakerScratch) -> Patch {
        let (template, noise) = (self.template, self.noise);
        let mean = self.cut(template, corner, &mut scratch.pixels);
        self.small.forward(&scratch.pixels, &mut scratch.spectrum, &mut scratch.fft);
        let ([own, noise_part], held) = self.own(&scratch.spectrum, corner, mean);
        self.fine(scratch);
        let [value, slope_x, slope_y] = samples(&scratch.fine, mean);
        let (mut information, mut moment) = (0.0, [0.0; 2]);
        for (i, line) in still.chunks_exact(TILE).enumerate() {
            for (j, &m) in line.iter().enumerate() {
                if m > 0.0 {
                    let at = (2 * i + AHEAD) * SIDE + j + AHEAD / 2;
                    let pixel = (corner[1] + i) * template.width() + corner[0] + j;
                    let square = slope_x[at] * slope_x[at] + slope_y[at] * slope_y[at];
                    let own = f64::from(square / noise.variance(value[at], pixel).max(1e-12));
                    information += own;
                    moment = [moment[0] + own * j as f64, moment[1] + own * i as f64];
                }
            }
        }
        Patch {
            corner,
            value,
            slope_x,
            slope_y,
            still,
            hidden: Vec::new(),
            information,
            middle: if information > 0.0 {
                moment.map(|m| m / information)
            } else {
                [(TILE as f64 - 1.0) / 2.0; 2]
            },
            own,
            noise: noise_part,
            held,
        }
    }

    /// The parts of a tile's information that come from a frame's own noise in the template, and from
    /// all noise that is left in it; and what lies still on the sensor, where it draws.
    ///
    /// The template's power is `Q = S^2 / (S + N)`, N the noise of the average; so
    /// `S = (Q + sqrt(Q^2 + 4 Q N)) / 2`. Information on a shift goes with `f^2 S^2 / (S + N)`,
    /// the pull of own noise with `f^2 S N / (S + N)`, and `S^2 N / (S + N)^2` of the power is noise. A
    /// pattern of power P that lies still, of which the mean has kept `c P` (c^2 of its power, part of N),
    /// draws with `f^2 S c P / (S + N)`.
    fn own(
        &self,
        spectrum: &[Complex32],
        corner: [usize; 2],
        mean: f32,
    ) -> ([f64; 2], Option<Box<Held>>) {
        let Some(average) = self.average else { return ([0.0; 2], None) };
        let (w, h) = (self.template.width(), self.template.height());
        let middle = |c: usize, length: usize| (c + TILE / 2).min(length - 1);
        let at = middle(corner[1], h) * w + middle(corner[0], w);
        let from_middle = [(corner[0], w), (corner[1], h)]
            .map(|(c, n)| c as f64 + 0.5 * (TILE as f64 - n as f64));
        let seen = average.seen(at);
        let squares: f32 = self.window.iter().map(|w| w * w).sum();
        let white = squares * squares * self.noise.variance(mean, at) / seen;
        let held = squares * squares * self.noise.held(at);
        let (mut pull, mut left_in, mut all) = (0.0_f64, 0.0_f64, 0.0_f64);
        let mut draws = [0.0; Rings::COUNT];
        let powers = self.rings.mean_power(spectrum);
        let left = self.left[0].iter().zip(&self.left[1]);
        let rings = powers.iter().zip(self.rings.counts()).zip(left);
        for (r, ((&q, &count), (own_left, held_left))) in rings.enumerate() {
            let own = white * own_left;
            let n = own + held * held_left;
            let s = 0.5 * (q + (q * q + 4.0 * q * n).sqrt());
            let f = (r as f64 + 0.5).powi(2) * f64::from(count * s / (s + n).max(1e-30));
            pull += f * f64::from(own);
            draws[r] = f * f64::from(held * held_left.sqrt());
            left_in += f * f64::from(s * n / (s + n).max(1e-30));
            all += f * f64::from(s);
        }
        if all == 0.0 {
            return ([0.0; 2], None);
        }
        let held = Held::of(average.centre(from_middle), draws.map(|d| d / all)).map(Box::new);
        ([(pull / all).min(MOST_OWN), left_in / all], held)
    }

    /// The windowed surroundings of a tile, less their mean, which is given back.
    fn cut(&self, template: &Plane, corner: [usize; 2], pixels: &mut Vec<f32>) -> f32 {
        pixels.clear();
        for i in 0..WINDOW {
            let y = clamp_index(signed(corner[1] + i) - signed(LEAD), template.height());
            let row = template.row(y);
            pixels.extend(
                (0..WINDOW).map(|j| {
                    row[clamp_index(signed(corner[0] + j) - signed(LEAD), template.width())]
                }),
            );
        }
        let mean = pixels.iter().sum::<f32>() / pixels.len() as f32;
        for (line, &wy) in pixels.chunks_exact_mut(WINDOW).zip(&self.window) {
            for (v, &wx) in line.iter_mut().zip(&self.window) {
                *v = (*v - mean) * wx * wy;
            }
        }
        mean
    }

    /// The windowed surroundings on the grid of half pixels: those rows that [`half_pixels`] asks
    /// for.
    fn fine(&self, scratch: &mut MakerScratch) {
        let (n, top) = (WINDOW, WINDOW / 2);
        let scale = 1.0 / (n * n) as f32;
        scratch.padded.clear();
        scratch.padded.resize(self.large.spectrum_len(), Complex32::default());
        for kx in 0..=top {
            // The highest frequency stands for both its signs.
            let scale = if kx == top { 0.5 * scale } else { scale };
            let from = &scratch.spectrum[kx * n..(kx + 1) * n];
            let to = &mut scratch.padded[kx * FINE..(kx + 1) * FINE];
            let shares = to[..top].iter_mut().zip(&from[..top]);
            shares.for_each(|(t, f)| *t = f * scale);
            let shares = to[top + n + 1..].iter_mut().zip(&from[top + 1..]);
            shares.for_each(|(t, f)| *t = f * scale);
            to[top] = from[top] * (0.5 * scale);
            to[top + n] = to[top];
        }
        let rows = FIRST - REACH..FIRST + SIDE + REACH;
        self.large.inverse_rows(&mut scratch.padded, rows, &mut scratch.fine, &mut scratch.fft);
    }
}

/// Values (and `mean` added to them) and slopes of a patch in their layout, read off a grid of half
/// pixels whose rows begin [`REACH`] above the patch.
fn samples(fine: &[f32], mean: f32) -> [Vec<f32>; 3] {
    let mut out = [0; 3].map(|_| Vec::with_capacity(SIDE * SIDE));
    let lines = |y: usize| &fine[y * FINE + FIRST - REACH..][..SIDE + 2 * REACH];
    let mut line = [[0.0; SIDE]; 3];
    for y in REACH..REACH + SIDE {
        let row = lines(y);
        let near: [&[f32]; 7] = std::array::from_fn(|d| &lines(y + d - REACH)[REACH..][..SIDE]);
        for (x, v) in line[0].iter_mut().enumerate() {
            *v = near[REACH][x] + mean;
        }
        for (v, s) in line[1].iter_mut().zip(row.windows(7)) {
            *v = slope(|d| s[d]);
        }
        for (x, v) in line[2].iter_mut().enumerate() {
            *v = slope(|d| near[d][x]);
        }
        for (out, line) in out.iter_mut().zip(&line) {
            for parity in 0..2 {
                out.extend(line[parity..].iter().step_by(2));
            }
        }
    }
    out
}

/// Slope per pixel from seven samples half a pixel apart, `at(3)` the middle one: 2 % low at 0.4
/// cycles a pixel. A slope that is somewhat off makes a step somewhat too long or short; where the
/// steps end is told by the values alone.
#[inline(always)]
fn slope(at: impl Fn(usize) -> f32) -> f32 {
    (45.0 * (at(4) - at(2)) - 9.0 * (at(5) - at(1)) + (at(6) - at(0))) / 30.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::NoiseModel;

    #[test]
    fn few_tiles_lie_all_over_the_picture_and_the_first_of_a_square_is_kept() {
        let all: Vec<Scored> =
            (0..6).rev().flat_map(|y| (0..9).map(move |x| ([x * TILE, y * TILE], 1.0))).collect();
        let size = [9 * TILE, 6 * TILE];
        assert_eq!(spread(all.clone(), size, usize::MAX), (all.clone(), Vec::new()));
        // 54 tiles in squares of 3 x 3: six squares, and of each the first one in the list.
        let (few, rest) = spread(all, size, 6);
        let want = [[0, 5], [3, 5], [6, 5], [0, 2], [3, 2], [6, 2]].map(|c| c.map(|v| v * TILE));
        assert_eq!(few.iter().map(|s| s.0).collect::<Vec<_>>(), want);
        assert_eq!(rest.len(), 48);
    }

    #[test]
    fn a_tile_that_is_cut_tells_of_the_part_that_is_left() {
        // An even texture; of the first tile only the right quarter is still, of the second all.
        let p = Plane::from_fn(4 * TILE, 4 * TILE, |x, y| {
            let (x, y) = (x as f64, y as f64);
            to_f32(100.0 + 20.0 * libm::sin(1.1 * x + 0.7 * y) * libm::cos(0.9 * y - 0.4 * x))
        });
        let still: Vec<u8> = (0..16 * TILE * TILE)
            .map(|i| u8::from(i % (4 * TILE) >= TILE + 3 * TILE / 4))
            .collect();
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let all = patches(&p, &still, &noise, (None, 1.0));
        let of = |corner: [usize; 2]| all.iter().find(|p| p.corner == corner).unwrap().middle;
        let (cut, whole) = (of([TILE, TILE]), of([2 * TILE, TILE]));
        let half = (TILE as f64 - 1.0) / 2.0;
        assert!((cut[0] - (half + 3.0 * TILE as f64 / 8.0)).abs() < 1.0, "{cut:?}");
        assert!((cut[1] - half).abs() < 2.0, "{cut:?}");
        assert!(whole.iter().all(|m| (m - half).abs() < 1.5), "{whole:?}");
    }

    #[test]
    fn tiles_are_added_until_they_know_enough() {
        // Contrast grows to the right.
        let p = Plane::from_fn(320, 256, |x, y| {
            let (x, y) = (x as f64, y as f64);
            to_f32(100.0 + 0.1 * x * libm::sin(0.5 * x + 0.2 * y) * libm::cos(0.4 * y))
        });
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let some = |information: f64| {
            let amount = Amount { spread: 20, information };
            spread_patches(&p, &vec![1; 320 * 256], &noise, (None, 1.0), amount)
        };
        let known = |p: &[Patch]| p.iter().map(|p| p.information).sum::<f64>();
        let (few, all) = (some(0.0), some(f64::INFINITY));
        assert_eq!((few.len(), all.len()), (20, 80));
        let wanted = 0.5 * (known(&few) + known(&all));
        let half = some(wanted);
        assert!(half.len() > 20 && half.len() < 60, "{}", half.len());
        // Tiles are chosen by plain differences, which see less than there is.
        assert!(known(&half) > wanted && known(&half) < 1.3 * wanted, "{}", known(&half) / wanted);
        let right = |p: &&Patch| p.corner[0] >= 160;
        assert!(half.iter().filter(right).count() > 3 * half.len() / 5);
    }

    #[test]
    fn half_pixels_and_slopes_are_those_of_a_wave() {
        // 0.43 cycles a pixel along x: no short kernel holds it.
        let wave = |x: f64, y: f64| 100.0 + 40.0 * libm::sin(2.7 * x + 0.9 * y);
        let p = Plane::from_fn(160, 128, |x, y| to_f32(wave(x as f64, y as f64)));
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let all = patches(&p, &vec![1; 160 * 128], &noise, (None, 1.0));
        assert_eq!(all.len(), 20);
        let patch = all.iter().find(|p| p.corner == [64, 32]).unwrap();
        let (mut value, mut slope) = (0.0_f64, 0.0_f64);
        for row in 0..SIDE {
            for column in 0..SIDE {
                let at = row * SIDE + (column % 2) * HALF + column / 2;
                let x = 64.0 + (column as f64 - AHEAD as f64) / 2.0;
                let y = 32.0 + (row as f64 - AHEAD as f64) / 2.0;
                value = value.max((f64::from(patch.value[at]) - wave(x, y)).abs());
                let truth = 2.7 * 40.0 * libm::cos(2.7 * x + 0.9 * y);
                slope = slope.max((f64::from(patch.slope_x[at]) - truth).abs());
            }
        }
        // Of an amplitude of 40, and of a slope of 108 per pixel: what the window's edge lets
        // through next to the highest frequency.
        assert!(value < 2.0, "{value}");
        println!("{value} {slope}");
        assert!(slope < 12.0, "{slope}");
    }
}
