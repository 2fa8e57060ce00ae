//! Photon transfer: gain and read noise from the noise of dark and flat stacks.
//!
//! Model (linear camera model of EMVA 1288, release 3.1): mean `m = m_dark + K e`, temporal variance
//! `v = v_dark + K (m - m_dark)`, `v_dark = K^2 s^2 + 1/12`; `e` electrons, `K` DN/e-, `s` read
//! noise in e-, 1/12 DN^2 the rounding to whole DN. `K` is the slope through the origin of
//! `v - v_dark` against `m - m_dark`, up to 70 % of saturation; `s = sqrt(v_dark - 1/12) / K`.
//!
//! Variances are those of each pixel over time, so the pixels' own gains do not count; from 8
//! frames on pixels are sorted by mean into bins, fewer frames make one point a stack. Every bin weighs as its degrees of freedom, as in the standard and
//! not by 1/v^2: then the bright bins decide, where a wrong dark variance matters least. That is
//! the trap of a quiet sensor behind a coarse step: below 0.24 DN^2 a measured dark variance means
//! little (the standard's floor). The read noise is then given as the bound that floor allows.
//!
//! Left out: pixels that reached saturation or whose mean lies within 3 sigma of it, and pixels
//! 5 sigma above their bin's typical variance. Lamp flicker must be divided out in the stack.
//! Standard uncertainties: `2 v^2 / dof` for each variance, carried through, and widened where the
//! points scatter more than that.

use super::SensorError;
use super::robust::typical_variance;
use super::stack::StackStats;
use crate::frame::{NoiseModel, Plane};
use crate::record::Warning;

/// Bins of each channel of a stack.
const BINS: usize = 32;
/// Pixels a bin should have at least.
const BIN_PIXELS: usize = 64;
/// Frames from which on pixels are sorted by mean: the whole-numbered samples of two frames with
/// an even sum differ by an even number, so a mean tells of its variance.
const LEAST_TO_BIN: usize = 8;
/// Share of saturation up to which the line is fitted (EMVA 1288).
const FIT_SHARE: f64 = 0.7;
/// Variance of rounding to whole numbers, in DN^2.
pub const QUANTISATION: f64 = 1.0 / 12.0;
/// Dark variance in DN^2 below which rounding hides the read noise (EMVA 1288).
pub const LEAST_DARK_VARIANCE: f64 = 0.24;
/// Residual of a point, as a share of the largest, at which the line is called bent.
const BENT: f64 = 0.05;

/// One point of the photon transfer curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TransferPoint {
    /// Mean level in DN above dark.
    pub signal: f64,
    /// Temporal variance in DN^2.
    pub variance: f64,
    /// Degrees of freedom of that variance.
    pub dof: f64,
}

/// Gain and read noise with their standard uncertainties.
#[derive(Debug, Clone, PartialEq)]
pub struct PhotonTransfer {
    /// Gain in e-/DN and read noise in e-.
    pub model: NoiseModel,
    /// Standard uncertainty of the gain in e-/DN.
    pub gain_sigma: f64,
    /// Standard uncertainty of the read noise in e-.
    pub read_noise_sigma: f64,
    /// System gain K in DN/e-, the inverse of the gain.
    pub k_dn_per_e: f64,
    /// Temporal variance in the dark in DN^2, rounding included.
    pub dark_variance: f64,
    /// Whether the read noise is only an upper bound, because rounding hides it.
    pub quantisation_limited: bool,
    /// The points, in order of signal.
    pub points: Vec<TransferPoint>,
    /// How many of them the line was fitted to.
    pub fitted: usize,
    /// Largest residual of a fitted point, as a share of the largest variance fitted.
    pub bend: f64,
}

/// Measures gain and read noise.
///
/// `dark` is a stack of raw darks; `flats` are stacks of even light, one or more levels, raw or
/// above dark; `white` is saturation in raw DN.
///
/// # Errors
/// [`SensorError::Refused`] where no unsaturated pixel shows light, or the variance does not grow
/// with it; [`SensorError::Shape`] where the stacks differ in shape.
pub fn photon_transfer(
    dark: &StackStats,
    flats: &[&StackStats],
    white: f32,
) -> Result<PhotonTransfer, SensorError> {
    let variances: Vec<f32> = dark.variance.iter().flat_map(|p| p.data().iter().copied()).collect();
    let dark_point = TransferPoint {
        signal: 0.0,
        variance: typical_variance(&variances, dark.dof()),
        dof: variances.len() as f64 * dark.dof(),
    };
    let mut points = Vec::new();
    let mut levels = Vec::new();
    for flat in flats {
        flat.shape.check("the flat", &dark.shape)?;
        let first = points.len();
        for c in 0..flat.mean.len() {
            bin(flat, c, &dark.mean[c], white, &mut points);
        }
        levels.extend(pooled(&points[first..]));
    }
    let full = saturation(levels, f64::from(white) - mean_of(&dark.mean));
    fit(&dark_point, points, full)
}

fn mean_of(planes: &[Plane]) -> f64 {
    let n: usize = planes.iter().map(|p| p.data().len()).sum();
    planes.iter().flat_map(|p| p.data()).map(|&v| f64::from(v)).sum::<f64>() / n.max(1) as f64
}

/// Adds the points of channel `c` of a stack of flats.
fn bin(flat: &StackStats, c: usize, dark: &Plane, white: f32, points: &mut Vec<TransferPoint>) {
    let mut pixels: Vec<(f32, f32)> = Vec::with_capacity(dark.data().len());
    let values = flat.mean[c].data().iter().zip(flat.variance[c].data());
    for ((&max, &dark), (&mean, &variance)) in
        flat.max[c].data().iter().zip(dark.data()).zip(values)
    {
        let signal = if flat.above_dark { mean } else { mean - dark };
        if max < white && signal + dark + 3.0 * variance.sqrt() < white {
            pixels.push((signal, variance));
        }
    }
    // Stable: means in steps of 1/count have many ties, and where the variance (or chance) broke
    // them the bins would be sorted by variance.
    pixels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let most = if flat.count < LEAST_TO_BIN { 1 } else { BINS };
    let bins = (pixels.len() / BIN_PIXELS).clamp(1, most);
    for b in 0..bins {
        let part = &pixels[b * pixels.len() / bins..(b + 1) * pixels.len() / bins];
        if part.is_empty() {
            continue;
        }
        let n = part.len() as f64;
        let variances: Vec<f32> = part.iter().map(|p| p.1).collect();
        points.push(TransferPoint {
            signal: part.iter().map(|p| f64::from(p.0)).sum::<f64>() / n,
            variance: typical_variance(&variances, flat.dof()),
            dof: n * flat.dof(),
        });
    }
}

/// Signal in DN above dark at which the sensor is full: where the variance turns down from one
/// level to the next if it does, else `white`.
///
/// Levels are whole stacks: inside a stack of even light pixels of less gain have less variance
/// too, which is no saturation.
fn saturation(mut levels: Vec<TransferPoint>, white: f64) -> f64 {
    levels.sort_by(|a, b| a.signal.total_cmp(&b.signal));
    let top = levels.iter().max_by(|a, b| a.variance.total_cmp(&b.variance));
    match (top, levels.last()) {
        (Some(top), Some(last)) if last.variance < 0.8 * top.variance => top.signal,
        _ => white,
    }
}

/// The points of one stack as one.
fn pooled(points: &[TransferPoint]) -> Option<TransferPoint> {
    let dof: f64 = points.iter().map(|p| p.dof).sum();
    let mean = |of: &dyn Fn(&TransferPoint) -> f64| {
        points.iter().map(|p| p.dof * of(p)).sum::<f64>() / dof
    };
    (dof > 0.0).then(|| TransferPoint {
        signal: mean(&|p| p.signal),
        variance: mean(&|p| p.variance),
        dof,
    })
}

/// Fits the line to points of the curve; `full` is saturation in DN above dark.
///
/// `dark` is the point without light: its signal is not used.
///
/// # Errors
/// [`SensorError::Refused`] as for [`photon_transfer`].
pub fn fit(
    dark: &TransferPoint,
    mut points: Vec<TransferPoint>,
    full: f64,
) -> Result<PhotonTransfer, SensorError> {
    points.retain(|p| p.signal > 0.0 && p.dof > 0.0);
    points.sort_by(|a, b| a.signal.total_cmp(&b.signal));
    let below = points.iter().filter(|p| p.signal <= FIT_SHARE * full).count();
    // A single bright level is better than none: it was kept clear of saturation pixel by pixel.
    let fitted = if below > 0 { below } else { points.iter().filter(|p| p.signal < full).count() };
    let used = &points[..fitted];
    let (mut sxx, mut sxy, mut sx) = (0.0, 0.0, 0.0);
    for p in used {
        sxx += p.dof * p.signal * p.signal;
        sxy += p.dof * p.signal * (p.variance - dark.variance);
        sx += p.dof * p.signal;
    }
    let k = sxy / sxx;
    if !(k.is_finite() && k > 0.0) {
        return Err(SensorError::Refused(format!(
            "photon transfer: {fitted} of {} levels lie above dark and below saturation, and their \
             noise does not grow with light: take flats at half of full scale",
            points.len()
        )));
    }
    let dark_sigma = (2.0 / dark.dof).sqrt() * dark.variance;
    let (mut from_points, mut chi2, mut worst, mut largest) = (0.0, 0.0, 0.0_f64, 0.0_f64);
    for p in used {
        let sigma2 = 2.0 * p.variance * p.variance / p.dof;
        let residual = p.variance - dark.variance - k * p.signal;
        from_points += (p.dof * p.signal / sxx) * (p.dof * p.signal / sxx) * sigma2;
        chi2 += residual * residual / sigma2.max(f64::MIN_POSITIVE);
        worst = worst.max(residual.abs());
        largest = largest.max(p.variance - dark.variance);
    }
    let scatter = if fitted > 1 { chi2 / (fitted as f64 - 1.0) } else { 1.0 };
    let k_sigma =
        (from_points * scatter.max(1.0) + (sx / sxx * dark_sigma) * (sx / sxx * dark_sigma)).sqrt();

    let limited = dark.variance < LEAST_DARK_VARIANCE;
    let net = dark.variance.max(LEAST_DARK_VARIANCE) - QUANTISATION;
    let read = net.sqrt() / k;
    let mut read_sigma = read * (dark_sigma / (2.0 * net)).hypot(k_sigma / k);
    if limited {
        let straight = (dark.variance - QUANTISATION).max(0.0).sqrt() / k;
        read_sigma = read_sigma.hypot(read - straight);
    }
    Ok(PhotonTransfer {
        model: NoiseModel { gain_e_per_dn: 1.0 / k, read_noise_e: read },
        gain_sigma: k_sigma / (k * k),
        read_noise_sigma: read_sigma,
        k_dn_per_e: k,
        dark_variance: dark.variance,
        quantisation_limited: limited,
        points,
        fitted,
        bend: worst / largest.max(f64::MIN_POSITIVE),
    })
}

impl PhotonTransfer {
    /// Signal to noise ratio of one pixel in one frame at `electrons` e-:
    /// `e / sqrt(s^2 + 1 / (12 K^2) + e)`.
    #[must_use]
    pub fn snr(&self, electrons: f64) -> f64 {
        let read = self.model.read_noise_e;
        let rounding = QUANTISATION / (self.k_dn_per_e * self.k_dn_per_e);
        electrons / (read * read + rounding + electrons).sqrt()
    }

    /// What a person should know of it.
    #[must_use]
    pub fn warnings(&self) -> Vec<Warning> {
        let mut out = Vec::new();
        if self.quantisation_limited {
            out.push(Warning::new(
                "read-noise-hidden",
                format!(
                    "the dark variance is {:.3} DN^2, below {LEAST_DARK_VARIANCE}: the step of 1 DN \
                     hides the read noise, {:.1} e- is an upper bound",
                    self.dark_variance, self.model.read_noise_e
                ),
                "record with more bits or more analogue gain to know it",
            ));
        }
        if self.bend > BENT {
            out.push(Warning::new(
                "transfer-bent",
                format!(
                    "variance against level is off a straight line by {:.0} % of its top",
                    100.0 * self.bend
                ),
                "see that the camera records linear values, without curve, sharpening or denoising",
            ));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::frame::convert::{round_u16, to_f32};
    use crate::sensor::{StackOptions, collect};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal, Poisson};

    const W: usize = 96;
    const H: usize = 64;

    /// `count` frames of K `k` DN/e-, read noise `read` e-, black 100 DN, `light` e- at the
    /// centre falling to 60 % at one side, pixel gains of 1 %, 3 % lamp flicker.
    fn stack(count: usize, k: f64, read: f64, light: f64, seed: u64) -> StackStats {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0_f64, 1.0).unwrap();
        let mut gains_rng = ChaCha8Rng::seed_from_u64(99);
        let gains: Vec<f64> =
            (0..W * H).map(|_| 1.0 + 0.01 * normal.sample(&mut gains_rng)).collect();
        let black = [Plane::filled(W, H, 100.0)];
        let frame = |j: usize| -> Result<Samples, String> {
            let lamp = 1.0 + 0.03 * libm::sin(j as f64);
            let value = |i: usize, rng: &mut ChaCha8Rng| {
                let mean = light * lamp * gains[i] * (1.0 - 0.4 * (i % W) as f64 / W as f64);
                let shot = if mean > 0.0 { Poisson::new(mean).unwrap().sample(rng) } else { 0.0 };
                round_u16(to_f32(100.0 + k * (shot + read * normal.sample(rng))))
            };
            let data = (0..W * H).map(|i| value(i, &mut rng)).collect();
            Ok(Samples { width: W, height: H, channels: 1, bits: 16, data })
        };
        let lit = light > 0.0;
        let options = StackOptions {
            subtract: lit.then_some(&black[..]),
            even_light: lit,
            ..Default::default()
        };
        collect(count, frame, &options).unwrap()
    }

    #[test]
    fn sixteen_and_sixteen_frames_give_both_to_two_percent() {
        // The worked example: K 0.5 DN/e-, read noise 8 e-; dark variance 0.25 * 64 + 1/12 =
        // 16.083 DN^2 (EMVA 1288 linear model).
        let dark = stack(16, 0.5, 8.0, 0.0, 1);
        let flat = stack(16, 0.5, 8.0, 5_000.0, 2);
        let t = photon_transfer(&dark, &[&flat], 4_095.0).unwrap();
        assert!((t.k_dn_per_e / 0.5 - 1.0).abs() < 0.02, "{t:?}");
        assert!((t.model.gain_e_per_dn / 2.0 - 1.0).abs() < 0.02);
        assert!((t.model.read_noise_e / 8.0 - 1.0).abs() < 0.02, "{}", t.model.read_noise_e);
        assert!((t.dark_variance / 16.083 - 1.0).abs() < 0.02, "{}", t.dark_variance);
        // The stated uncertainties cover what was missed (4 sigma, one draw).
        assert!((t.model.gain_e_per_dn - 2.0).abs() < 4.0 * t.gain_sigma, "{t:?}");
        assert!((t.model.read_noise_e - 8.0).abs() < 4.0 * t.read_noise_sigma, "{t:?}");
        assert!(t.gain_sigma < 0.02 && t.read_noise_sigma < 0.1);
        assert!(t.warnings().is_empty(), "{:?}", t.warnings());
    }

    #[test]
    fn the_quick_check_by_hand() {
        // Bright 1100 DN, dark 100 DN, variances 530 and 16.083: K = 513.917 / 1000.
        let dark = TransferPoint { signal: 0.0, variance: 16.083, dof: 1e6 };
        let bright = TransferPoint { signal: 1000.0, variance: 530.0, dof: 1e6 };
        let t = fit(&dark, vec![bright], 4_095.0).unwrap();
        assert!((t.k_dn_per_e - 0.513_917).abs() < 1e-9);
        assert!((t.model.read_noise_e - 16.0_f64.sqrt() / 0.513_917).abs() < 1e-3);
    }

    #[test]
    fn signal_to_noise_of_the_worked_example() {
        // K 0.5, read noise 8 e-, quantum efficiency 0.6: 100 photons -> 60 e-, 5.38; 500 -> 15.7;
        // 2000 -> 33.7; 20000 -> 109.3 (EMVA 1288 SNR equation, arithmetic).
        let dark = TransferPoint { signal: 0.0, variance: 16.0 + 1.0 / 12.0, dof: 1e6 };
        let bright = TransferPoint { signal: 1000.0, variance: 516.0 + 1.0 / 12.0, dof: 1e6 };
        let t = fit(&dark, vec![bright], 4_095.0).unwrap();
        for (photons, snr, within) in [
            (100.0, 5.38, 0.005),
            (500.0, 15.7, 0.05),
            (2_000.0, 33.7, 0.05),
            (20_000.0, 109.3, 0.05),
        ] {
            assert!(
                (t.snr(0.6 * photons) - snr).abs() < within,
                "{photons}: {}",
                t.snr(0.6 * photons)
            );
        }
    }

    #[test]
    fn rounding_that_hides_the_read_noise_is_said() {
        let dark = TransferPoint { signal: 0.0, variance: 0.11, dof: 1e6 };
        let bright = TransferPoint { signal: 100.0, variance: 2.11, dof: 1e6 };
        let t = fit(&dark, vec![bright], 250.0).unwrap();
        assert!(t.quantisation_limited);
        // sqrt(0.24 - 1/12) / 0.02 = 19.8.
        assert!((t.model.read_noise_e - 19.79).abs() < 0.01);
        assert_eq!(t.warnings()[0].kind, "read-noise-hidden");
    }

    #[test]
    fn saturated_levels_do_not_count() {
        let dark = stack(8, 0.5, 8.0, 0.0, 3);
        let mut flats = vec![stack(8, 0.5, 8.0, 1_000.0, 4), stack(8, 0.5, 8.0, 4_000.0, 5)];
        let mut full = stack(8, 0.5, 8.0, 9_000.0, 6);
        let clip = |v: &mut f32| *v = v.min(2_047.0);
        full.max[0].data_mut().iter_mut().for_each(clip);
        flats.push(full);
        let flats: Vec<&StackStats> = flats.iter().collect();
        let t = photon_transfer(&dark, &flats, 2_047.0).unwrap();
        assert!((t.k_dn_per_e / 0.5 - 1.0).abs() < 0.02, "{}", t.k_dn_per_e);
    }

    #[test]
    fn flats_without_light_are_refused() {
        let dark = stack(8, 0.5, 8.0, 0.0, 7);
        let text = photon_transfer(&dark, &[&dark], 4_095.0).unwrap_err().to_string();
        assert!(text.contains("does not grow with light") || text.contains("lie above"), "{text}");
    }
}
