//! How even a sensor is, and how many references that calls for.
//!
//! Model (EMVA 1288, release 3.1): of a stack of `L` frames the mean frame has spatial variance
//! `S`, of which `v / L` is left-over temporal noise `v`; `s^2 = S - v / L`. Dark signal
//! non-uniformity `DSNU = sqrt(s_dark^2) / K` in e-; photo response non-uniformity
//! `PRNU = sqrt(s_lit^2 - s_dark^2) / (m_lit - m_dark)`, relative, at about half of saturation.
//! A difference that comes out negative is below detection and not zero: `None`.
//!
//! Counts of references: a mean of `N` darks raises the noise of a dark-limited pixel to
//! `sqrt(1 + 1/N)`; a master of `N` flats of `S` electrons has relative noise `1 / sqrt(N S)`.
//! Arithmetic.

use super::stack::StackStats;
use crate::frame::Plane;
use crate::frame::convert::round_usize;

/// `s^2` in DN^2 of a mean frame with spatial variance `spatial`, made of `frames` frames with
/// temporal variance `temporal` (DN^2); may be negative.
#[must_use]
pub fn spatial_variance(spatial: f64, temporal: f64, frames: usize) -> f64 {
    spatial - temporal / frames.max(1) as f64
}

/// Dark signal non-uniformity in e-, from `s^2` of the dark stack and K in DN/e-; `None` below
/// detection.
#[must_use]
pub fn dsnu_e(dark: f64, k_dn_per_e: f64) -> Option<f64> {
    (dark > 0.0 && k_dn_per_e > 0.0).then(|| dark.sqrt() / k_dn_per_e)
}

/// Relative photo response non-uniformity from `s^2` of a lit and a dark stack (DN^2) and the
/// lit level in DN above dark; `None` below detection.
#[must_use]
pub fn prnu(lit: f64, dark: f64, signal: f64) -> Option<f64> {
    (lit > dark && signal > 0.0).then(|| (lit - dark).sqrt() / signal)
}

/// `s^2` of channel `p` of a stack in DN^2, over the whole picture: the lens's vignetting counts
/// as unevenness, so a lit stack should be of bare, even light. `None` where there is no such
/// channel.
#[must_use]
pub fn of_stack(stats: &StackStats, p: usize) -> Option<f64> {
    let (_, spatial) = mean_and_variance(stats.mean.get(p)?);
    let (temporal, _) = mean_and_variance(stats.variance.get(p)?);
    Some(spatial_variance(spatial, temporal, stats.count))
}

fn mean_and_variance(plane: &Plane) -> (f64, f64) {
    let n = plane.data().len().max(1) as f64;
    let mean = plane.data().iter().map(|&v| f64::from(v)).sum::<f64>() / n;
    let squares: f64 = plane.data().iter().map(|&v| (f64::from(v) - mean).powi(2)).sum();
    (mean, squares / n)
}

/// Darks that raise the noise of a dark-limited pixel by no more than `increase` (0.01 is 1 %).
#[must_use]
pub fn darks_for(increase: f64) -> usize {
    let room = (1.0 + increase) * (1.0 + increase) - 1.0;
    if room > 0.0 { round_usize((1.0 / room).ceil()) } else { usize::MAX }
}

/// Flats of `electrons` each that raise the noise of a pixel of signal to noise ratio `snr` by no
/// more than `increase` (0.01 is 1 %).
#[must_use]
pub fn flats_for(increase: f64, snr: f64, electrons: f64) -> usize {
    let room = ((1.0 + increase) * (1.0 + increase) - 1.0) * electrons;
    if room > 0.0 { round_usize((snr * snr / room).ceil()) } else { usize::MAX }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::sensor::{StackOptions, collect};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    #[test]
    fn the_worked_example() {
        // EMVA 1288 release 3.1 formulas; the numbers are arithmetic: mean-dark spatial deviation
        // 1.2 DN, temporal variance 16.08, 16 frames, K 0.5; bright 12 DN, 530, signal 1000 DN.
        let dark = spatial_variance(1.2 * 1.2, 16.08, 16);
        assert!((dark - 0.435).abs() < 1e-9);
        assert!((dsnu_e(dark, 0.5).unwrap() - 1.32).abs() < 0.005);
        let lit = spatial_variance(12.0 * 12.0, 530.0, 16);
        assert!((prnu(lit, dark, 1_000.0).unwrap() - 0.0105).abs() < 5e-5);
        assert_eq!(dsnu_e(spatial_variance(0.9, 16.08, 16), 0.5), None);
    }

    #[test]
    fn counts_of_references() {
        // N >= 1 / ((1 + x)^2 - 1): 5 % -> 10, 2 % -> 25, 1 % -> 50, 0.5 % -> 100 (arithmetic).
        assert_eq!([0.05, 0.02, 0.01, 0.005].map(darks_for), [10, 25, 50, 100]);
        // Flats of 10000 e- for 1 %: SNR 20 -> 2, 50 -> 13, 100 -> 50 (arithmetic).
        assert_eq!([20.0, 50.0, 100.0].map(|snr| flats_for(0.01, snr, 1e4)), [2, 13, 50]);
        // 16 darks add 3.1 %.
        assert!(((1.0_f64 + 1.0 / 16.0).sqrt() - 1.031).abs() < 5e-4 && darks_for(0.031) <= 16);
        assert_eq!(darks_for(0.0), usize::MAX);
    }

    #[test]
    fn a_made_pattern_is_found_under_the_noise() {
        // Pattern 1.5 DN, read noise 4 DN, 16 frames.
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let pattern: Vec<f32> =
            (0..128 * 96).map(|_| 100.0 + 1.5 * normal.sample(&mut rng)).collect();
        let read = |_| -> Result<Samples, String> {
            let value = |p: &f32, rng: &mut ChaCha8Rng| {
                crate::frame::convert::round_u16(p + 4.0 * normal.sample(rng))
            };
            let data = pattern.iter().map(|p| value(p, &mut rng)).collect();
            Ok(Samples { width: 128, height: 96, channels: 1, bits: 16, data })
        };
        let stats = collect(16, read, &StackOptions::default()).unwrap();
        let s2 = of_stack(&stats, 0).unwrap();
        assert!((s2 / 2.25 - 1.0).abs() < 0.06, "{s2}");
        assert!(of_stack(&stats, 1).is_none());
    }
}
