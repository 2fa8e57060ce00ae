//! Texture that is a function of real coordinates: cubic B-splines over a lattice of random numbers.
//!
//! `n(u, v) = sum c[i][j] b(u - i) b(v - j)`, `c` independent and uniform, `b` the cubic B-spline.
//! Its spectrum is that of `b`, `sinc(f)^4` in amplitude with `f` in cycles a lattice step: zero
//! at one cycle a step and below 0.0023 beyond. At a step of 2.9 px it is therefore band-limited
//! below 0.35 cycles a pixel, and a shifted picture is made by evaluating at shifted
//! coordinates, without any resampling. Repeats after 256 steps. 16 products a value.

use rand::Rng as _;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use crate::frame::Plane;
use crate::frame::convert::{floor_isize, ring_index, signed, to_f32};

/// Steps after which the lattice repeats, a power of two.
const SIDE: usize = 256;
/// Standard deviation of a unit-variance lattice after the spline: `integral b^2` = 151/315.
const SPREAD: f32 = 151.0 / 315.0;

/// Finest lattice step in pixels that keeps a picture below 0.35 cycles a pixel.
pub const FINEST_STEP_PX: f64 = 2.9;

/// Random texture of mean 0 and standard deviation 1 over the plane.
#[derive(Debug, Clone)]
pub struct SplineNoise {
    lattice: Vec<f32>,
}

impl SplineNoise {
    /// The texture of `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let half = 3.0_f32.sqrt() / SPREAD;
        let lattice = (0..SIDE * SIDE).map(|_| (rng.random::<f32>() * 2.0 - 1.0) * half).collect();
        Self { lattice }
    }

    /// The value at (u, v), in lattice steps.
    #[must_use]
    pub fn at(&self, u: f64, v: f64) -> f32 {
        let (i, wu) = weights(u);
        let (j, wv) = weights(v);
        let columns = [0, 1, 2, 3].map(|k| ring_index(i + k, SIDE - 1));
        let mut sum = 0.0;
        for (k, w) in (0..).zip(wv) {
            let start = ring_index(j + k, SIDE - 1) * SIDE;
            let row = &self.lattice[start..start + SIDE];
            let line = row[columns[0]] * wu[0]
                + row[columns[1]] * wu[1]
                + row[columns[2]] * wu[2]
                + row[columns[3]] * wu[3];
            sum += line * w;
        }
        sum
    }
}

/// First of the four lattice places around `u`, and the B-spline's weights there.
#[inline]
fn weights(u: f64) -> (isize, [f32; 4]) {
    let floor = floor_isize(u);
    let t = to_f32(u - floor as f64);
    let s = 1.0 - t;
    let (t2, s2) = (t * t, s * s);
    let w = [
        s2 * s / 6.0,
        (3.0 * t2 * t - 6.0 * t2 + 4.0) / 6.0,
        (3.0 * s2 * s - 6.0 * s2 + 4.0) / 6.0,
        t2 * t / 6.0,
    ];
    (floor - 1, w)
}

/// A still texture for test scenes: mean `mean`, standard deviation about `contrast`, three
/// sizes of grain from 2.9 px up; values may leave 0..1.
#[must_use]
pub fn grain(size: (usize, usize), mean: f32, contrast: f32, seed: u64) -> Plane {
    let noise = [0, 1, 2].map(|k| SplineNoise::new(seed.wrapping_mul(31).wrapping_add(k)));
    let octaves = [(2.9, 0.5_f32), (6.3, 0.6), (17.0, 0.62)];
    Plane::from_fn(size.0, size.1, |x, y| {
        let (x, y) = (signed(x) as f64, signed(y) as f64);
        let sum: f32 =
            noise.iter().zip(octaves).map(|(n, (step, a))| a * n.at(x / step, y / step)).sum();
        mean + contrast * sum
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_sum_to_one_and_are_the_spline() {
        for t in [0.0, 0.25, 0.5, 0.99] {
            let (i, w) = weights(7.0 + t);
            assert_eq!(i, 6);
            assert!((w.iter().sum::<f32>() - 1.0).abs() < 1e-6);
        }
        // B-spline at its knots: 1/6, 2/3, 1/6 (handbook).
        let (_, w) = weights(3.0);
        assert!((w[0] - 1.0 / 6.0).abs() < 1e-7 && (w[1] - 2.0 / 3.0).abs() < 1e-7);
    }

    #[test]
    fn the_texture_is_normal_in_size_and_band_limited() {
        let noise = SplineNoise::new(5);
        let row: Vec<f64> = (0..4096)
            .map(|k| f64::from(noise.at(f64::from(k % 64) * 0.345 + 0.1, f64::from(k / 64) * 1.7)))
            .collect();
        let mean = row.iter().sum::<f64>() / 4096.0;
        let var = row.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / 4095.0;
        assert!(mean.abs() < 0.15 && (var - 1.0).abs() < 0.2, "{mean} {var}");
        // Power above 0.38 cycles a sample on lines of step 1/2.9, Hann window, against all power.
        let (mut high, mut all) = (0.0, 0.0);
        let n = 512;
        let line: Vec<f64> = (0..n)
            .map(|k| {
                let hann = 0.5 - 0.5 * libm::cos(std::f64::consts::TAU * f64::from(k) / 512.0);
                hann * f64::from(noise.at(f64::from(k) / FINEST_STEP_PX, 0.37))
            })
            .collect();
        for bin in 1..256 {
            let (mut re, mut im) = (0.0, 0.0);
            for (k, v) in (0..n).zip(&line) {
                let a = std::f64::consts::TAU * f64::from(bin * k % n) / 512.0;
                re += v * libm::cos(a);
                im += v * libm::sin(a);
            }
            let power = re * re + im * im;
            all += power;
            if bin > 194 {
                high += power;
            }
        }
        assert!(high / all < 1e-4, "{}", high / all);
    }
}
