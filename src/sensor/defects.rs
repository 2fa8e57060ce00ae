//! Pixels that do not do their work: hot, blinking, dead, odd.
//!
//! * hot: the dark level lies more than 6 robust deviations from what surroundings, row and column
//!   say; for Gaussian pixels a false alarm in 10^8 (algorithm note; arithmetic: 2 x 10^-9).
//! * blinking, often: the sample variance, turned into a normal deviate by the cube root of
//!   Wilson and Hilferty (1931), lies more than 5 above the plane's typical variance. Prototype,
//!   300,000 pixels: false alarms 3e-6 for 16 frames, none for 64; a pixel that is up by 7.5 sigma
//!   for 30 % of the time is found in 0.990 (16 frames) to 1.000 (64) of cases.
//! * blinking, rarely: more samples were clipped than chance and passing particles explain
//!   (Poisson, 1e-6), and the largest lies above `mean + (sqrt(2 ln N) + 5) sigma`.
//! * dead: response of 0.05 or less; odd: response below 0.5 or above 1.5 of its surroundings.
//!
//! Limits: a blinker that was quiet during the darks is not found; where dark current is visible
//! (exposures of many milliseconds) warm pixels look like blinkers.

use serde::{Deserialize, Serialize};

use super::robust::variance_deviate;
use super::stack::{LEAST_TO_CLIP, StackStats};
use crate::frame::Plane;
use crate::frame::convert::to_f32;

/// Robust deviations at which a pixel is hot.
pub const HOT_SIGMAS: f32 = 6.0;
/// Normal deviates at which a variance is too large.
pub const BLINK_SIGMAS: f64 = 5.0;
/// Response at or below which a pixel is dead.
pub const DEAD_RESPONSE: f32 = 0.05;
/// Response against the surroundings outside which a pixel is odd.
pub const ODD_RESPONSE: (f32, f32) = (0.5, 1.5);
/// Chance at which a number of clipped samples stops being chance.
const CHANCE: f64 = 1e-6;

/// What is wrong with a pixel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DefectKind {
    /// Bright (or low) in the dark.
    Hot,
    /// Changes its dark level.
    Blinking,
    /// Does not answer to light.
    Dead,
    /// Answers quite unlike its surroundings.
    Odd,
}

impl DefectKind {
    /// Its bit in a [`DefectMap`].
    #[must_use]
    pub fn bit(self) -> u8 {
        match self {
            Self::Hot => 1,
            Self::Blinking => 2,
            Self::Dead => 4,
            Self::Odd => 8,
        }
    }
}

/// How many pixels have which defect; one pixel may have several.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct DefectCounts {
    /// Pixels with any defect.
    pub any: usize,
    /// Hot ones.
    pub hot: usize,
    /// Blinking ones.
    pub blinking: usize,
    /// Dead ones.
    pub dead: usize,
    /// Odd ones.
    pub odd: usize,
}

/// Which pixels are defective: one byte of [`DefectKind::bit`]s a pixel and plane.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DefectMap {
    width: usize,
    height: usize,
    planes: Vec<Vec<u8>>,
}

impl DefectMap {
    /// A map without defects.
    #[must_use]
    pub fn new(width: usize, height: usize, planes: usize) -> Self {
        Self { width, height, planes: vec![vec![0; width * height]; planes] }
    }

    /// A map from its bytes; `None` where their number does not fit.
    #[must_use]
    pub fn from_bits(width: usize, height: usize, planes: Vec<Vec<u8>>) -> Option<Self> {
        let n = width.checked_mul(height)?;
        planes.iter().all(|p| p.len() == n).then_some(Self { width, height, planes })
    }

    /// Width in pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Number of planes.
    #[must_use]
    pub fn planes(&self) -> usize {
        self.planes.len()
    }

    /// The bytes of plane `p`, row by row; 0 is a good pixel. Empty where there is no such plane.
    #[must_use]
    pub fn bits(&self, p: usize) -> &[u8] {
        self.planes.get(p).map_or(&[], Vec::as_slice)
    }

    /// Marks pixel `i` (row by row) of plane `p`; out of range is ignored.
    pub fn mark(&mut self, p: usize, i: usize, kind: DefectKind) {
        if let Some(b) = self.planes.get_mut(p).and_then(|q| q.get_mut(i)) {
            *b |= kind.bit();
        }
    }

    /// Adds another map's defects; `false` and no change where the sizes differ.
    pub fn merge(&mut self, other: &Self) -> bool {
        if (self.width, self.height, self.planes.len())
            != (other.width, other.height, other.planes.len())
        {
            return false;
        }
        for (a, b) in self.planes.iter_mut().flatten().zip(other.planes.iter().flatten()) {
            *a |= b;
        }
        true
    }

    /// Counts by kind.
    #[must_use]
    pub fn counts(&self) -> DefectCounts {
        let mut c = DefectCounts::default();
        for &b in self.planes.iter().flatten().filter(|&&b| b != 0) {
            c.any += 1;
            c.hot += usize::from(b & DefectKind::Hot.bit() != 0);
            c.blinking += usize::from(b & DefectKind::Blinking.bit() != 0);
            c.dead += usize::from(b & DefectKind::Dead.bit() != 0);
            c.odd += usize::from(b & DefectKind::Odd.bit() != 0);
        }
        c
    }
}

/// Marks hot pixels of plane `p`: `residual` is the dark level less its surroundings, `sigma` its
/// robust deviation, all in DN.
pub(super) fn mark_hot(map: &mut DefectMap, p: usize, residual: &Plane, sigma: f32) {
    let limit = HOT_SIGMAS * sigma;
    for (i, q) in residual.data().iter().enumerate() {
        if q.abs() > limit {
            map.mark(p, i, DefectKind::Hot);
        }
    }
}

/// Marks blinking pixels of plane `p` of a dark stack; `typical` is the plane's usual temporal
/// variance in DN^2.
pub(super) fn mark_blinking(map: &mut DefectMap, p: usize, stats: &StackStats, typical: f64) {
    if stats.count < LEAST_TO_CLIP || typical <= 0.0 {
        return;
    }
    let dof = stats.dof();
    let n = stats.count as f64;
    let least = unlikely_count(n * stats.rejected_share());
    let reach = to_f32(((2.0 * n.ln()).sqrt() + 5.0) * typical.sqrt());
    let planes = stats.mean[p].data().iter().zip(stats.variance[p].data());
    let tops = stats.max[p].data().iter().zip(&stats.rejected[p]);
    for (i, ((&mean, &variance), (&max, &rejected))) in planes.zip(tops).enumerate() {
        let often = variance_deviate(f64::from(variance) / typical, dof) > BLINK_SIGMAS;
        let rarely = rejected >= least && max > mean + reach;
        if often || rarely {
            map.mark(p, i, DefectKind::Blinking);
        }
    }
}

/// Smallest count of at least 2 that a Poisson number of mean `expected` reaches with a
/// probability below [`CHANCE`].
fn unlikely_count(expected: f64) -> u16 {
    let mut term = libm::exp(-expected);
    let mut tail = 1.0 - term;
    let mut k = 1_u16;
    while (k < 2 || tail > CHANCE) && k < u16::MAX {
        term *= expected / f64::from(k);
        tail -= term;
        k += 1;
    }
    k
}

/// Marks dead and odd pixels of plane `p`: `response` and the same smoothed, mean 1.
pub(super) fn mark_response(map: &mut DefectMap, p: usize, response: &Plane, smooth: &Plane) {
    for (i, (&r, &s)) in response.data().iter().zip(smooth.data()).enumerate() {
        if r.is_nan() || r <= DEAD_RESPONSE {
            map.mark(p, i, DefectKind::Dead);
        } else if r < ODD_RESPONSE.0 * s || r > ODD_RESPONSE.1 * s {
            map.mark(p, i, DefectKind::Odd);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::sensor::{StackOptions, collect};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn poisson_counts_by_hand() {
        // No clipping at all elsewhere: two is already no chance.
        assert_eq!(unlikely_count(0.0), 2);
        // Mean 0.128: P(>= 4) about 0.128^4 / 24 = 1.1e-5, P(>= 5) about 2.9e-7.
        assert_eq!(unlikely_count(0.128), 5);
    }

    #[test]
    fn counts_and_merging() {
        let mut a = DefectMap::new(3, 2, 1);
        a.mark(0, 1, DefectKind::Hot);
        let mut b = DefectMap::new(3, 2, 1);
        b.mark(0, 1, DefectKind::Dead);
        b.mark(0, 5, DefectKind::Odd);
        b.mark(7, 99, DefectKind::Odd);
        assert!(a.merge(&b));
        assert_eq!(a.counts(), DefectCounts { any: 2, hot: 1, blinking: 0, dead: 1, odd: 1 });
        assert!(!a.merge(&DefectMap::new(2, 2, 1)));
    }

    #[test]
    fn blinkers_are_found_and_spikes_are_not_taken_for_them() {
        // Read noise 8 DN; every 97th pixel is up by 60 DN for 30 % of the time, and 0.2 % of all
        // samples carry a spike of 300 DN.
        let (w, h, count) = (128, 96, 64);
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let normal = Normal::new(100.0_f32, 8.0).unwrap();
        let read = |_| -> Result<Samples, String> {
            let value = |i: usize, rng: &mut ChaCha8Rng| {
                let mut v = normal.sample(rng);
                if i.is_multiple_of(97) && rng.random_bool(0.3) {
                    v += 60.0;
                }
                if rng.random_bool(0.002) {
                    v += 300.0;
                }
                crate::frame::convert::round_u16(v)
            };
            let data = (0..w * h).map(|i| value(i, &mut rng)).collect();
            Ok(Samples { width: w, height: h, channels: 1, bits: 16, data })
        };
        let stats = collect(count, read, &StackOptions::default()).unwrap();
        let mut map = DefectMap::new(w, h, 1);
        let typical = crate::sensor::robust::typical_variance(stats.variance[0].data(), 63.0);
        assert!((typical / (64.0 + 1.0 / 12.0) - 1.0).abs() < 0.02, "{typical}");
        mark_blinking(&mut map, 0, &stats, typical);
        let there = (0..w * h).filter(|i| i % 97 == 0).count();
        let found = (0..w * h).filter(|i| i % 97 == 0 && map.bits(0)[*i] != 0).count();
        let wrong = (0..w * h).filter(|i| i % 97 != 0 && map.bits(0)[*i] != 0).count();
        assert!(found * 100 >= there * 99, "{found} of {there}");
        assert!(wrong <= 2, "{wrong} good pixels called blinking");
    }
}
