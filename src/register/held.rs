//! What dark frames left on the sensor draws frames to itself.
//!
//! A master of N dark frames is off by the noise of their mean, and by the same in every frame it is
//! taken from ([`PixelNoise::held`](super::PixelNoise::held)). Such a pattern is in the frame, and in the
//! template, blurred by how the scene moved; it pulls a frame to where the two lie upon each other.
//! Its power P is known before any frame is seen, and so is what is left of it in the mean of frames that were
//! moved by s:
//!
//! ```text
//! c(f)^2 P,   c(f) = |mean over frames of exp(2 pi i f s)|
//! ```
//!
//! That is noise of the template, which its Wiener filter takes out where it outweighs the scene
//! ([`super::wiener`]); what is left pulls, by ring of frequencies, and that is taken off each step of the
//! fit. In the test below (11 e- of texture at most, 8 e- of read noise, 16 darks) shifts follow 0.41 of the
//! motion without it and 1.04 with it, where 1.00 do without a pattern (printed in it by hand).
//!
//! **Limits**: power is taken as white. Where the pattern would have more than half of all information
//! only that half is taken off, and shifts follow a part of the motion.

use crate::frame::convert::to_f32;
use crate::math::fft2::Rings;
use crate::math::resample::{FREQUENCIES, NoisePower, WHITE};

/// It is looked after from this part of the information on.
const LEAST: f64 = 0.002;
/// And taken off up to this part: more would leave nothing that holds a frame.
const MOST: f64 = 0.5;

/// How what lies still on the sensor draws a frame to where it and the template lie upon each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Where the scene lies then: its mean place in the frames of the template.
    centre: [f64; 2],
    /// The pull of each ring of frequencies near there, as a part of the information.
    rings: [f32; Rings::COUNT],
}

impl Held {
    /// `None` where the pull of all `rings`, as parts of the information, does not matter.
    pub(super) fn of(centre: [f64; 2], rings: [f64; Rings::COUNT]) -> Option<Self> {
        let share: f64 = rings.iter().sum();
        let by = share.min(MOST) / share;
        (share > LEAST).then(|| Self { centre, rings: rings.map(|r| to_f32(r * by)) })
    }

    /// Its pull near its centre, as a part of the information.
    #[must_use]
    pub fn share(&self) -> f64 {
        f64::from(self.rings.iter().sum::<f32>())
    }

    /// What draws a frame with the scene at `shift`, in pixels: times the information it is the pull.
    ///
    /// Waves of one length along all directions draw as `2 J1(k d) / (k d)` of what they would if that grew
    /// with the distance d.
    #[must_use]
    pub fn draws(&self, shift: [f64; 2]) -> [f64; 2] {
        let away = [0, 1].map(|a| shift[a] - self.centre[a]);
        let distance = libm::hypot(away[0], away[1]);
        let part = |(ring, &pull): (usize, &f32)| {
            let x = std::f64::consts::TAU * Rings::frequency(ring) * distance;
            let less = if x > 1e-3 { 2.0 * libm::j1(x) / x } else { 1.0 };
            f64::from(pull) * less
        };
        let all: f64 = self.rings.iter().enumerate().map(part).sum();
        away.map(|d| all * d)
    }
}

/// What is left, at each frequency, of the power of a still picture in the mean of its copies that were
/// moved by `shifts`: the square of the mean wave, half of it that of the waves that run the other way
/// across. White without copies.
#[must_use]
pub fn still_power(shifts: impl Iterator<Item = [f64; 2]>) -> NoisePower {
    let mut n = 0.0;
    // Of waves along both ways: cosine and sine.
    let mut sums = [[[0.0_f64; 4]; FREQUENCIES]; FREQUENCIES];
    for shift in shifts {
        n += 1.0;
        let [xs, ys] = shift.map(|s| {
            let turn = std::f64::consts::PI / FREQUENCIES as f64 * s;
            std::array::from_fn::<_, FREQUENCIES, _>(|k| {
                [libm::cos(turn * k as f64), libm::sin(turn * k as f64)]
            })
        });
        for (line, [cx, sx]) in sums.iter_mut().zip(xs) {
            for (sum, [cy, sy]) in line.iter_mut().zip(ys) {
                let (same, cross) = (cx * cy, sx * sy);
                let waves = [same - cross, sx * cy + cx * sy, same + cross, sx * cy - cx * sy];
                sum.iter_mut().zip(waves).for_each(|(s, w)| *s += w);
            }
        }
    }
    if n == 0.0 {
        return WHITE;
    }
    let power = |waves: [f64; 4]| to_f32(waves.iter().map(|w| w * w).sum::<f64>() / (2.0 * n * n));
    sums.map(|line| line.map(power))
}

#[cfg(test)]
mod tests {
    use super::super::block::{Block, register};
    use super::super::{PixelNoise, RegisterSettings};
    use super::*;
    use crate::frame::{Coding, FixedPlane, NoiseModel, Plane};
    use rand::SeedableRng;
    use rand_chacha::ChaCha12Rng;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn two_copies_a_pixel_apart_leave_a_cosine() {
        // |(1 + exp(2 pi i f)) / 2|^2 = cos^2(pi f), f = i / 16.
        let left = still_power([[3.0, 7.5], [4.0, 7.5]].into_iter());
        for (i, line) in left.iter().enumerate() {
            let expected = libm::cos(std::f64::consts::PI * i as f64 / 16.0).powi(2);
            assert!(line.iter().all(|p| (f64::from(*p) - expected).abs() < 1e-6), "{i} {line:?}");
        }
        // Moved along one diagonal: waves along it keep nothing that those across keep.
        let left = still_power([[0.0, 0.0], [4.0, 4.0]].into_iter());
        // f = (2, 2) / 16: along 1 turn, cos^2(pi) = 1; across none, 1.
        assert!((left[2][2] - 1.0).abs() < 1e-6, "{}", left[2][2]);
        // f = (1, 1) / 16: along half a turn, nothing; across all.
        assert!((left[1][1] - 0.5).abs() < 1e-6, "{}", left[1][1]);
    }

    #[test]
    fn waves_draw_less_far_away() {
        let mut rings = [0.0; Rings::COUNT];
        rings[11] = 0.3;
        let held = Held::of([1.0, 2.0], rings).unwrap();
        let near = held.draws([1.001, 2.0]);
        assert!((near[0] - 0.3e-3).abs() < 1e-7 && near[1] == 0.0, "{near:?}");
        // The first zero of J1, 3.8317 (Abramowitz and Stegun, Handbook of Mathematical Functions (1964),
        // table 9.5).
        let zero = 3.8317 / std::f64::consts::TAU / Rings::frequency(11);
        let far = held.draws([1.0, 2.0 + zero]);
        assert!(far[1].abs() < 1e-4, "{far:?}");
        // More than half of what holds a frame is not taken off, and a little is nothing.
        rings[11] = 3.0;
        assert!((Held::of([0.0; 2], rings).unwrap().share() - MOST).abs() < 1e-6);
        rings[11] = 0.001;
        assert!(Held::of([0.0; 2], rings).is_none());
    }

    const SIZE: usize = 192;

    /// Dim frames of a scene that trembles under what dark frames left, `left` e- in each pixel, and the true
    /// shifts.
    fn clip(left: f32) -> (Vec<FixedPlane>, Vec<[f64; 2]>) {
        let one = Normal::new(0.0_f32, 1.0).unwrap();
        let mut rng = ChaCha12Rng::seed_from_u64(17);
        let fixed = Plane::from_fn(SIZE, SIZE, |_, _| left * one.sample(&mut rng));
        (0..48_u32)
            .map(|k| {
                let t = f64::from(k);
                let p = [0.6 * libm::sin(1.1 * t), 0.6 * libm::cos(1.7 * t)];
                let seen = Plane::from_fn(SIZE, SIZE, |x, y| {
                    let (u, v) = (x as f64 - p[0], y as f64 - p[1]);
                    let light = 14.0
                        + 7.0 * libm::sin(0.35 * u + 0.1 * v) * libm::cos(0.1 * u - 0.4 * v)
                        + 4.0 * libm::sin(0.11 * u + 0.002 * u * v);
                    let sigma = to_f32((light + 64.0).sqrt());
                    to_f32(light) + fixed.at(x, y) + sigma * one.sample(&mut rng)
                });
                (FixedPlane::from_plane(&seen, None, Coding::for_white(200.0)), p)
            })
            .unzip()
    }

    /// How much of the true motion the poses follow, and their rms error along an axis.
    fn followed(block: &Block, truth: &[[f64; 2]]) -> (f64, f64) {
        let (mut along, mut all, mut off, mut n) = (0.0, 0.0, 0.0, 0.0);
        let poses: Vec<_> = block.poses.iter().map(|p| p.unwrap().shift).collect();
        for a in 0..2 {
            let mean = |v: &[[f64; 2]]| v.iter().map(|s| s[a]).sum::<f64>() / v.len() as f64;
            let (m, t) = (mean(&poses), mean(truth));
            for (p, q) in poses.iter().zip(truth) {
                let (p, q) = (p[a] - m, q[a] - t);
                along += p * q;
                all += q * q;
                off += (p - q) * (p - q);
                n += 1.0;
            }
        }
        (along / all, (off / n).sqrt())
    }

    #[test]
    fn what_is_known_to_be_left_no_longer_draws() {
        // 16 darks leave 8 / 4 = 2 e- (see `sensor::dark`).
        let (frames, truth) = clip(2.0);
        let lent: Vec<_> = frames.iter().map(Some).collect();
        let plain = PixelNoise::new(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 });
        let known = PixelNoise { held: 4.0, ..plain.clone() };
        let with = |noise: &PixelNoise| {
            followed(&register(&lent, noise, &RegisterSettings::default()).unwrap(), &truth)
        };
        let (before, after) = (with(&plain), with(&known));
        let clean: Vec<_> = clip(0.0).0;
        let clean: Vec<_> = clean.iter().map(Some).collect();
        let best = register(&clean, &plain, &RegisterSettings::default()).unwrap();
        let best = followed(&best, &truth);
        assert!(before.0 < 0.5 && (after.0 - 1.0).abs() < 0.1, "{before:?} {after:?} {best:?}");
        assert!(after.1 < 1.3 * best.1, "{before:?} {after:?} {best:?}");
    }
}
