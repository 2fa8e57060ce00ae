//! The noise taken out of an average of frames.
//!
//! The mean of the frames brought to one pose keeps some noise; its gradient, which the fit
//! lives on, keeps more. So each 64-pixel tile is passed through a Wiener filter of its own,
//! `S / (S + N)` by frequency ring, before it is used as a model. N is what moving the frames has left
//! of white noise in that ring: most of it in coarse detail. Its mean over all frequencies in place of
//! that leaves noise where the information is (`steadying -- "25 e-"`, brick 1.33 times the bound for
//! 1.29).

use rayon::prelude::*;

use super::PixelNoise;
use super::template::Average;
use super::tracks::tile_size;
use crate::frame::convert::{clamp_index, signed};
use crate::frame::{Plane, spare};
use crate::math::fft2::{Fft2, Rings, Scratch};
use crate::math::resample::power_at;
use crate::math::window::hann;

/// Takes the noise out of an average of frames, tile by tile.
#[must_use]
pub fn wiener(average: &Average, noise: &PixelNoise) -> Plane {
    let p = &average.mean;
    let (w, h) = (p.width(), p.height());
    let side = tile_size(w, h).0;
    let half = side / 2;
    let fft = Fft2::new(side, side);
    // Square root of Hann in and out: the overlapping squares add up to one.
    let window: Vec<f32> = hann(side).into_iter().map(f32::sqrt).collect();
    let strip_count = h.div_ceil(half) + 1;
    let rings = Rings::new(&fft);
    let left = [average.noise_power, average.held_power()]
        .map(|left| rings.mean_of(&fft, |f| power_at(&left, f)));
    let strips: Vec<Vec<f32>> = (0..strip_count)
        .into_par_iter()
        .map(|ty| {
            let mut strip = spare::values_of(side * w, 0.0);
            let (fft, window) = (&fft, &window[..]);
            let mut tile = TileFilter { fft, rings: (&rings, &left), window, average, noise };
            for tx in 0..w.div_ceil(half) + 1 {
                let corner = [signed(tx * half) - signed(half), signed(ty * half) - signed(half)];
                tile.add(corner, &mut strip);
            }
            strip
        })
        .collect();
    let mut out = Plane::filled(w, h, 0.0);
    for (ty, strip) in strips.into_iter().enumerate() {
        for (i, line) in strip.chunks_exact(w).enumerate() {
            if let Some(y) = (ty * half + i).checked_sub(half).filter(|&y| y < h) {
                for (o, v) in out.row_mut(y).iter_mut().zip(line) {
                    *o += v;
                }
            }
        }
        spare::keep_values(strip);
    }
    out
}

/// Filters one tile at a time.
struct TileFilter<'a> {
    fft: &'a Fft2,
    /// The rings, and what is left in each of white noise and of what lies still on the sensor.
    rings: (&'a Rings, &'a [[f32; Rings::COUNT]; 2]),
    window: &'a [f32],
    average: &'a Average,
    noise: &'a PixelNoise,
}

impl TileFilter<'_> {
    fn add(&mut self, corner: [isize; 2], strip: &mut [f32]) {
        let p = &self.average.mean;
        let (w, side) = (p.width(), self.window.len());
        let mut pixels = Vec::with_capacity(side * side);
        for row in 0..side {
            let line = p.row(clamp_index(corner[1] + signed(row), p.height()));
            pixels.extend((0..side).map(|c| line[clamp_index(corner[0] + signed(c), w)]));
        }
        let mean = pixels.iter().sum::<f32>() / pixels.len() as f32;
        for (line, &wy) in pixels.chunks_exact_mut(side).zip(self.window) {
            for (v, &wx) in line.iter_mut().zip(self.window) {
                *v = (*v - mean) * wx * wy;
            }
        }
        let centre = clamp_index(corner[1] + signed(side / 2), p.height()) * w
            + clamp_index(corner[0] + signed(side / 2), w);
        let seen = self.average.seen(centre);
        let squares: f32 = self.window.iter().map(|w| w * w).sum();
        let white = squares * squares * self.noise.variance(mean, centre) / seen;
        let mut spectrum = Vec::new();
        let mut scratch = Scratch::default();
        self.fft.forward(&pixels, &mut spectrum, &mut scratch);
        let held = squares * squares * self.noise.held(centre);
        let (rings, [noise_left, held_left]) = self.rings;
        let mut keep = rings.mean_power(&spectrum);
        for (k, (left, held_left)) in keep.iter_mut().zip(noise_left.iter().zip(held_left)) {
            let noise = white * left + held * held_left;
            *k = if *k > 0.0 { ((*k - noise) / *k).max(0.0) } else { 0.0 };
        }
        let scale = 1.0 / (side * side) as f32;
        for (v, r) in spectrum.iter_mut().zip(rings.each()) {
            *v *= keep[r] * scale;
        }
        self.fft.inverse(&mut spectrum, &mut pixels, &mut scratch);
        for ((line, target), &wy) in
            pixels.chunks_exact(side).zip(strip.chunks_exact_mut(w)).zip(self.window)
        {
            for (c, (v, &wx)) in line.iter().zip(self.window).enumerate() {
                if let Some(x) = crate::frame::convert::index_in(corner[0] + signed(c), w) {
                    target[x] += (v + mean * wx * wy) * wx * wy;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::template::{Posed, average};
    use super::*;
    use crate::frame::convert::to_f32;
    use crate::frame::{Coding, FixedPlane, NoiseModel};
    use crate::math::turn::Turn;
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;
    use rand_distr::{Distribution, Normal};

    /// Rms that is left of the mean of frames of an empty scene that were moved by half a pixel, by
    /// what the filter takes for their noise; and rms before.
    fn left(as_white: bool) -> (f32, f32) {
        let noise = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let (mut rng, one) = (ChaCha12Rng::seed_from_u64(3), Normal::new(0.0_f32, 1.0).unwrap());
        let spread = noise.variance(200.0, 0).sqrt();
        let frames: Vec<FixedPlane> = (0..6)
            .map(|_| {
                let seen = Plane::from_fn(256, 256, |_, _| 200.0 + spread * one.sample(&mut rng));
                FixedPlane::from_plane(&seen, None, Coding::for_white(1000.0))
            })
            .collect();
        let posed: Vec<Posed<'_>> = frames
            .iter()
            .map(|frame| Posed {
                frame,
                shift: [0.5; 2],
                turn: Turn::NONE,
                light: 1.0,
                hidden: None,
            })
            .collect();
        let mut mean = average(&posed, 256, 256);
        if as_white {
            let flat = mean.noise_gain;
            mean.noise_power.iter_mut().flatten().for_each(|p| *p = flat);
        }
        let rms = |p: &Plane| {
            let inner: Vec<f32> = (32..224).flat_map(|y| p.row(y)[32..224].to_vec()).collect();
            let middle = inner.iter().sum::<f32>() / inner.len() as f32;
            let squares: f32 = inner.iter().map(|v| (v - middle).powi(2)).sum();
            to_f32(f64::from(squares / inner.len() as f32).sqrt())
        };
        (rms(&wiener(&mean, &noise)), rms(&mean.mean))
    }

    #[test]
    fn noise_of_moved_frames_is_known_by_frequency() {
        let ((known, before), (as_white, _)) = (left(false), left(true));
        // The mean over all frequencies is too little for coarse detail.
        assert!(known < 0.3 * before, "{known} {before}");
        assert!(known < 0.6 * as_white, "{known} {as_white} {before}");
    }
}
