//! Electrons and noise: the linear camera model, averaging, references.
//!
//! ```text
//! e = eta p,   signal_DN = K e,   variance_DN = K^2 d^2 + 1/12 + K^2 e
//! ```
//!
//! p photons, eta quantum efficiency, e electrons, K gain in DN an electron, d temporal dark noise
//! in electrons. Source: EMVA 1288 release 3.1 (2016), formulas as in the open reference
//! implementation (EMVA1288/emva1288, process/results.py); the SNR equation is from memory and
//! agrees with it. (`frame::NoiseModel` has the inverse gain, electrons a DN.)

/// Signal over temporal noise at `electrons`: `e / sqrt(d^2 + 1/(12 K^2) + e)`.
/// Pass an infinite gain to leave out quantisation.
#[must_use]
pub fn signal_to_noise(electrons: f64, read_noise_e: f64, gain_dn_per_e: f64) -> f64 {
    let steps = 1.0 / (12.0 * gain_dn_per_e * gain_dn_per_e);
    electrons / (read_noise_e * read_noise_e + steps + electrons).sqrt()
}

/// A ratio of amplitudes in decibels: `20 log10`.
#[must_use]
pub fn decibel(ratio: f64) -> f64 {
    20.0 * libm::log10(ratio)
}

/// Photons at which signal equals noise: `(sigma_dark / K + 1/2) / eta`, sigma_dark in DN.
#[must_use]
pub fn threshold_photons(efficiency: f64, read_noise_e: f64, gain_dn_per_e: f64) -> f64 {
    let dark = (gain_dn_per_e * gain_dn_per_e * read_noise_e * read_noise_e + 1.0 / 12.0).sqrt();
    (dark / gain_dn_per_e + 0.5) / efficiency
}

/// Saturation over threshold; both in electrons (or both in photons).
#[must_use]
pub fn dynamic_range(full_well_e: f64, threshold_e: f64) -> f64 {
    full_well_e / threshold_e
}

/// Gain in DN an electron from two levels of light: the difference of the temporal variances over
/// the difference of the means (DN). One step of a photon transfer curve.
#[must_use]
pub fn gain_dn_per_e(bright: (f64, f64), dark: (f64, f64)) -> f64 {
    (bright.1 - dark.1) / (bright.0 - dark.0)
}

/// Spatial variance of the mean of `frames` frames without what temporal noise leaves in it;
/// `None` where nothing is left ("below detection").
fn spatial_variance(spatial_sigma: f64, temporal_variance: f64, frames: f64) -> Option<f64> {
    let v = spatial_sigma * spatial_sigma - temporal_variance / frames;
    (v > 0.0).then_some(v)
}

/// Dark signal non-uniformity in electrons, from the spatial standard deviation (DN) of the mean
/// of `frames` dark frames and their temporal variance (DN^2); `None` below detection.
#[must_use]
pub fn dark_signal_non_uniformity_e(
    spatial_sigma: f64,
    temporal_variance: f64,
    frames: f64,
    gain_dn_per_e: f64,
) -> Option<f64> {
    spatial_variance(spatial_sigma, temporal_variance, frames).map(|v| v.sqrt() / gain_dn_per_e)
}

/// Photo response non-uniformity in per cent of the `signal` (DN above black), from the bright
/// (near 50 % of saturation) and the dark stack: each (spatial standard deviation of the mean
/// frame, temporal variance). `None` below detection.
#[must_use]
pub fn response_non_uniformity_percent(
    bright: (f64, f64),
    dark: (f64, f64),
    frames: f64,
    signal: f64,
) -> Option<f64> {
    let b = spatial_variance(bright.0, bright.1, frames)?;
    let d = spatial_variance(dark.0, dark.1, frames).unwrap_or(0.0);
    (b > d).then(|| 100.0 * (b - d).sqrt() / signal)
}

/// Noise left by averaging `frames` frames, relative to one: `1 / sqrt(N)`. Fixed pattern stays.
#[must_use]
pub fn averaged_noise(frames: f64) -> f64 {
    1.0 / frames.sqrt()
}

/// Variance of a median of many normal values over that of their mean: pi/2, so a median needs 1.57
/// times the frames. Theory of order statistics (a post in circulation says 2.36, wrongly).
pub const MEDIAN_VARIANCE: f64 = std::f64::consts::FRAC_PI_2;

/// Factor on the noise of a frame limited by dark noise after a mean of `frames` darks has been
/// subtracted: `sqrt(1 + 1/N)`.
#[must_use]
pub fn dark_noise_factor(frames: f64) -> f64 {
    (1.0 + 1.0 / frames).sqrt()
}

/// Dark frames needed so that subtracting their mean adds at most the part `increase` to the
/// noise: `1 / ((1 + x)^2 - 1)`, rounded up. Residual 1/sqrt(N): calculator page
/// tools.gera.services, "Dark Frame Count Optimization"; the rest is arithmetic.
#[must_use]
pub fn dark_count(increase: f64) -> f64 {
    (1.0 / ((1.0 + increase) * (1.0 + increase) - 1.0)).ceil()
}

/// Relative noise of a mean of `frames` even fields of `electrons` each: `1 / sqrt(N e)`.
#[must_use]
pub fn flat_noise(frames: f64, electrons: f64) -> f64 {
    1.0 / (frames * electrons).sqrt()
}

/// Even fields of `electrons` each needed so that dividing by their mean adds at most the part
/// `increase` to the noise of a pixel whose signal is `snr` times its noise; rounded up.
#[must_use]
pub fn flat_count(increase: f64, snr: f64, electrons: f64) -> f64 {
    let allowed = (1.0 + increase) * (1.0 + increase) - 1.0;
    // A count that is whole but for rounding must not become one more.
    (snr * snr / (allowed * electrons) - 1e-9).ceil()
}

/// Dark current at `celsius` from `at` degrees: doubles every `doubling` kelvin (5 to 8 K; A.
/// Theuwissen, harvestimaging.com, Sept 2009). In the unit of `current`.
#[must_use]
pub fn dark_current(current: f64, at: f64, celsius: f64, doubling: f64) -> f64 {
    current * libm::exp2((celsius - at) / doubling)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, expected: f64, within: f64) {
        assert!((got - expected).abs() <= within, "{got}, not {expected}");
    }

    #[test]
    fn the_linear_model() {
        // EMVA 1288 model, worked with a general-purpose array library: K 0.5, d 8, eta 0.6.
        for (photons, snr, within) in [
            (100.0, 5.38, 5e-3),
            (500.0, 15.7, 0.05),
            (2000.0, 33.7, 0.05),
            (20_000.0, 109.3, 0.05),
        ] {
            near(signal_to_noise(0.6 * photons, 8.0, 0.5), snr, within);
        }
        near(decibel(signal_to_noise(60.0, 8.0, 0.5)), 14.6, 0.05);
        near(decibel(signal_to_noise(300.0, 8.0, 0.5)), 23.9, 0.05);
        let least = threshold_photons(0.6, 8.0, 0.5);
        near(least, 14.20, 0.02);
        near(f64::sqrt(20_000.0), 141.4, 0.05);
        near(decibel(f64::sqrt(20_000.0)), 43.0, 0.05);
        let range = dynamic_range(20_000.0 / 0.6, least);
        near(range, 2347.0, 3.0);
        near(decibel(range), 67.4, 0.05);
        near(0.25 * 64.0 + 1.0 / 12.0, 16.083, 5e-4);
        near(gain_dn_per_e((1100.0, 530.0), (100.0, 16.083)), 0.5139, 5e-5);
    }

    #[test]
    fn non_uniformity() {
        // EMVA 1288 (reference implementation), worked by hand: 16 frames, K 0.5.
        near(dark_signal_non_uniformity_e(1.2, 16.08, 16.0, 0.5).unwrap(), 1.32, 5e-3);
        assert_eq!(dark_signal_non_uniformity_e(0.9, 16.08, 16.0, 0.5), None);
        let prnu = response_non_uniformity_percent((12.0, 530.0), (1.2, 16.08), 16.0, 1000.0);
        near(prnu.unwrap(), 1.05, 5e-3);
    }

    #[test]
    fn averaging() {
        // Statistics: N, factor, dB.
        for (n, factor, db) in
            [(4.0, 2.0, 6.0), (16.0, 4.0, 12.0), (25.0, 5.0, 14.0), (100.0, 10.0, 20.0)]
        {
            near(1.0 / averaged_noise(n), factor, 1e-12);
            near(decibel(factor), db, 0.05);
        }
    }

    #[test]
    fn a_median_needs_more_frames_than_a_mean() {
        use rand::SeedableRng as _;
        use rand_distr::{Distribution as _, StandardNormal};
        // AAVSO post by R. Corlan, 11 Jan 2005: efficiency about 0.65; theory 0.637. Simulated:
        // 1.49 for 9 frames, 1.55 for 25, 1.56 for 101 (own simulation in another language).
        near(1.0 / MEDIAN_VARIANCE, 0.65, 0.015);
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        for (frames, ratio) in [(9_usize, 1.49), (25, 1.55), (101, 1.56)] {
            let (mut median, mut mean) = (0.0, 0.0);
            for _ in 0..6000 {
                let mut v: Vec<f64> =
                    (0..frames).map(|_| StandardNormal.sample(&mut rng)).collect();
                mean += (v.iter().sum::<f64>() / frames as f64).powi(2);
                v.sort_by(f64::total_cmp);
                median += v[frames / 2].powi(2);
            }
            near(median / mean, ratio, 0.06);
        }
    }

    #[test]
    fn counts_of_references() {
        // 1/((1+x)^2 - 1) rounded up; residual 1/sqrt(N) is tools.gera.services'.
        for (x, n) in [(0.05, 10.0), (0.02, 25.0), (0.01, 50.0), (0.005, 100.0)] {
            near(dark_count(x), n, 0.0);
        }
        near(dark_noise_factor(16.0), 1.031, 5e-4);
        near(averaged_noise(16.0), 0.25, 1e-12);
        near(averaged_noise(100.0), 0.10, 1e-12);
        // Flats of 10000 electrons: 1.0 %, 0.25 %, 0.10 %.
        for (n, percent) in [(1.0, 1.0), (16.0, 0.25), (100.0, 0.10)] {
            near(100.0 * flat_noise(n, 10_000.0), percent, 1e-12);
        }
        for (snr, n) in [(20.0, 2.0), (50.0, 13.0), (100.0, 50.0)] {
            near(flat_count(0.01, snr, 10_000.0), n, 0.0);
        }
    }

    #[test]
    fn dark_current_doubles() {
        // 25 to 40 degrees for doublings of 6, 7, 8 K (powers of two).
        for (doubling, factor) in [(6.0, 5.66), (7.0, 4.42), (8.0, 3.67)] {
            near(dark_current(1.0, 25.0, 40.0, doubling), factor, 5e-3);
        }
        // 100 electrons a second in 50 us.
        near(100.0 * 50e-6, 0.005, 1e-12);
    }
}
