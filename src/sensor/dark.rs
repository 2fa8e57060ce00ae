//! The master dark: what each pixel shows without light.
//!
//! Model: `level(x, y) = smooth + row + column + pixel` in DN, black level included; the pixel
//! term is shrunk by how much of it is noise (`pattern`). Its standard uncertainty is stated per
//! plane: `sqrt(t n / (t + n) + n (1/B^2 + 1/H + 1/W))`, with `t` the variance of the sensor's
//! own pixel pattern and `n = temporal variance / count`. That uncertainty is a fixed pattern in
//! every frame the dark is taken from: averaging frames does not lower it.
//!
//! Order: made of raw frames taken with the lens covered, at the exposure of the clip.
//! Cost: a few passes over one plane. Source of the numbers: own prototype and arithmetic.
//! Limit: below 2 ms dark current is far under the read noise; above, a master of another exposure or
//! temperature is scaled by the clip's hot pixels (`rescale`).

use serde::{Deserialize, Serialize};

use super::defects::{DefectMap, mark_blinking, mark_hot};
use super::pattern::split;
use super::robust::{median, typical_variance};
use super::stack::StackStats;
use super::transfer::{LEAST_DARK_VARIANCE, QUANTISATION};
use super::{SensorError, Shape};
use crate::frame::convert::to_f32;
use crate::frame::units::Duration;
use crate::frame::{NoiseModel, Plane};
use crate::record::Warning;

pub use super::pattern::FixedPattern;

/// Number of darks that leaves 1 e- where the read noise is 8 e-.
pub const GOOD_COUNT: usize = 64;

/// Share of defective pixels above which the whole sensor is in doubt.
const MANY_DEFECTS: f64 = 0.01;

/// Level as a share of full scale from which frames are hardly black: cameras write black at 1 to 10 %
/// of it (common practice, no source).
const BRIGHT: f64 = 0.25;

/// Deviations above 0 DN below which a level has been cut off.
const CUT_OFF: f32 = 2.0;

/// What the sensor shows without light.
#[derive(Debug, Clone, PartialEq)]
pub struct MasterDark {
    /// Shape of the frames it was made of.
    pub shape: Shape,
    /// Number of those.
    pub count: usize,
    /// Their exposure, where known.
    pub exposure: Option<Duration>,
    /// Best estimate of the dark level in DN, black level included; one plane a channel.
    pub level: Vec<Plane>,
    /// Temporal variance in DN^2; one plane a channel.
    pub variance: Vec<Plane>,
    /// Typical temporal variance of a channel in DN^2, quantisation (1/12) included.
    pub temporal: Vec<f64>,
    /// Variances of the fixed pattern of each channel, in DN^2.
    pub pattern: Vec<FixedPattern>,
    /// Hot and blinking pixels.
    pub defects: DefectMap,
    /// How it was scaled to another exposure or temperature; not kept in files.
    pub scaled: Option<DarkScale>,
}

/// How a dark was scaled (`rescale`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DarkScale {
    /// Factor on the dark current of pixels that stand out.
    pub factor: f64,
    /// Its standard uncertainty.
    pub sigma: f64,
    /// Pixels that told it.
    pub told_by: usize,
    /// Pixels that were scaled.
    pub scaled: usize,
    /// What is uncertain for it, rms over all pixels in DN; an upper bound.
    pub uncertain_dn: f64,
}

impl MasterDark {
    /// Makes a master of a stack of raw darks.
    ///
    /// # Errors
    /// [`SensorError::Refused`] where the stack had a dark subtracted already.
    pub fn from_stack(stats: &StackStats, exposure: Option<Duration>) -> Result<Self, SensorError> {
        if stats.above_dark {
            return Err(SensorError::Refused(
                "a master dark is made of raw frames, but these had a dark taken off: \
                 sum them up as they are"
                    .to_owned(),
            ));
        }
        let shape = stats.shape;
        let mut dark = Self {
            shape,
            count: stats.count,
            exposure,
            level: Vec::new(),
            variance: stats.variance.clone(),
            temporal: Vec::new(),
            pattern: Vec::new(),
            defects: DefectMap::new(shape.width, shape.height, shape.channels),
            scaled: None,
        };
        for (p, mean) in stats.mean.iter().enumerate() {
            let temporal = typical_variance(stats.variance[p].data(), stats.dof());
            let noise = temporal / stats.count as f64;
            let parts = split(mean, noise);
            let sigma = parts.scale.max(to_f32(noise.sqrt()));
            // Below that the step of 1 DN decides how a pixel comes out and how much it varies.
            let cut_off = dark.cut_off(mean, p);
            let least = match cut_off {
                true => LEAST_DARK_VARIANCE.sqrt(),
                false if temporal < LEAST_DARK_VARIANCE => QUANTISATION.sqrt(),
                false => 0.0,
            };
            mark_hot(&mut dark.defects, p, &parts.residual, sigma.max(to_f32(least)));
            if !cut_off {
                mark_blinking(&mut dark.defects, p, stats, temporal.max(LEAST_DARK_VARIANCE));
            }
            dark.level.push(parts.estimate);
            dark.temporal.push(temporal);
            dark.pattern.push(parts.pattern);
        }
        Ok(dark)
    }

    /// Whether the camera cut black off at 0 in channel `p` of this level, as most pixels have it: what lies
    /// within two deviations of it has lost the lower part of its noise.
    fn cut_off(&self, level: &Plane, p: usize) -> bool {
        let variance = median(&mut self.variance[p].data().to_vec());
        let middle = median(&mut level.data().to_vec());
        middle < CUT_OFF * variance.max(to_f32(LEAST_DARK_VARIANCE)).sqrt()
    }

    /// Standard uncertainty of the level of a pixel in DN, as a root mean square over channels.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        self.sigma_for(self.count)
    }

    /// The same had there been `count` darks.
    #[must_use]
    pub fn sigma_for(&self, count: usize) -> f64 {
        let scaling = self.scaled.map_or(0.0, |s| s.uncertain_dn.powi(2));
        (self.left_by(count) + scaling).sqrt()
    }

    /// Variance of what the noise of the darks left in each pixel, in DN^2, as a mean over channels; without
    /// what scaling it to another exposure may have left, of which only a bound is known.
    #[must_use]
    pub fn left(&self) -> f64 {
        self.left_by(self.count)
    }

    fn left_by(&self, count: usize) -> f64 {
        let times = count.max(1) as f64 / self.count.max(1) as f64;
        let sum: f64 = self.pattern.iter().map(|p| p.sigma_with(times)).map(|s| s * s).sum();
        sum / self.pattern.len().max(1) as f64
    }

    /// Typical temporal noise of a dark frame in DN, as a root mean square over channels.
    #[must_use]
    pub fn temporal_noise(&self) -> f64 {
        (self.temporal.iter().sum::<f64>() / self.temporal.len().max(1) as f64).sqrt()
    }

    /// Mean dark level of channel `p` in DN; 0 where there is no such channel.
    #[must_use]
    pub fn mean_level(&self, p: usize) -> f64 {
        self.level.get(p).map_or(0.0, |l| {
            l.data().iter().map(|&v| f64::from(v)).sum::<f64>() / l.data().len().max(1) as f64
        })
    }

    /// Mean dark level of all channels in DN.
    #[must_use]
    pub fn mean(&self) -> f64 {
        let channels = self.level.len();
        (0..channels).map(|p| self.mean_level(p)).sum::<f64>() / channels.max(1) as f64
    }

    /// What a person should know of it; in electrons where `noise` is known, else in DN.
    #[must_use]
    pub fn warnings(&self, noise: Option<&NoiseModel>) -> Vec<Warning> {
        let mut out = Vec::new();
        if self.count < GOOD_COUNT {
            let (factor, unit) = noise.map_or((1.0, "DN"), |n| (n.gain_e_per_dn, "e-"));
            let (now, then) = (self.sigma() * factor, self.sigma_for(GOOD_COUNT) * factor);
            out.push(Warning::new(
                "few-darks",
                format!(
                    "{} darks leave {} {unit} of fixed pattern; {GOOD_COUNT} would leave {}",
                    self.count,
                    figures(now),
                    figures(then)
                ),
                format!("record {GOOD_COUNT} darks with the lens covered, at the clip's exposure"),
            ));
        }
        if let Some(s) = self.scaled {
            out.push(Warning::new(
                "dark-scaled",
                format!(
                    "hot pixels of the clip show {:.3} +- {:.3} times the dark current of the \
                     darks: {} pixels that stand out were scaled by that, which leaves up to \
                     {:.2} DN uncertain",
                    s.factor, s.sigma, s.scaled, s.uncertain_dn
                ),
                "take darks at the clip's exposure and temperature",
            ));
        }
        if self.level.iter().enumerate().any(|(p, level)| self.cut_off(level, p)) {
            out.push(Warning::new(
                "black-cut-off",
                "the darks lie so near 0 DN that the camera cut off part of their noise: their level is too \
                 high by that, and blinking pixels are not looked for",
                "raise the camera's black level (offset), so that darks hardly ever show 0",
            ));
        }
        let level = (0..self.level.len()).map(|p| self.mean_level(p)).fold(0.0, f64::max);
        let full = f64::from(self.shape.bits).exp2() - 1.0;
        if level > BRIGHT * full {
            out.push(Warning::new(
                "bright-dark",
                format!(
                    "the dark reference has a level of {level:.0} DN, {:.0} % of full scale: black \
                     frames lie below 10 % as a rule",
                    100.0 * level / full
                ),
                "see that these are the black frames, not even ones, and that the lens was covered",
            ));
        }
        let defects = self.defects.counts();
        let pixels = self.shape.width * self.shape.height * self.shape.channels;
        let share = defects.any as f64 / pixels.max(1) as f64;
        if share > MANY_DEFECTS {
            out.push(Warning::new(
                "many-defects",
                format!("{} pixels ({:.1} %) are hot or blinking", defects.any, 100.0 * share),
                "see that no light got in while the darks were taken",
            ));
        }
        out
    }
}

/// Two figures after the point for small numbers, one for those from 1 on.
fn figures(x: f64) -> String {
    if x < 0.995 { format!("{x:.2}") } else { format!("{x:.1}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
    use crate::frame::convert::round_u16;
    use crate::sensor::{StackOptions, collect};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// Dark level 200 DN, columns 3 DN, pixels `fpn` DN, read noise 8 DN; (0, 5) is hot.
    fn made(count: usize, fpn: f32, seed: u64) -> (Plane, MasterDark) {
        let (w, h) = (96, 80);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let columns: Vec<f32> = (0..w).map(|_| 3.0 * normal.sample(&mut rng)).collect();
        let mut truth =
            Plane::from_fn(w, h, |x, _| 200.0 + columns[x] + fpn * normal.sample(&mut rng));
        truth.set(0, 5, 900.0);
        let read = |_| -> Result<Samples, String> {
            let data =
                truth.data().iter().map(|v| round_u16(v + 8.0 * normal.sample(&mut rng))).collect();
            Ok(Samples { width: w, height: h, channels: 1, bits: 16, data })
        };
        let stats = collect(count, read, &StackOptions::default()).unwrap();
        let dark = MasterDark::from_stack(&stats, None).unwrap();
        (truth, dark)
    }

    fn rms(a: &Plane, b: &Plane) -> f64 {
        let sum: f64 =
            a.data().iter().zip(b.data()).map(|(x, y)| f64::from((x - y) * (x - y))).sum();
        (sum / a.data().len() as f64).sqrt()
    }

    #[test]
    fn lies_within_its_own_uncertainty_of_the_truth() {
        for (count, fpn) in [(16, 12.0), (16, 1.0), (40, 0.0), (64, 4.0)] {
            let (truth, dark) = made(count, fpn, 3);
            let ratio = rms(&truth, &dark.level[0]) / dark.sigma();
            // Without any pixel pattern only the structure terms are left, which overlap: the
            // statement is then a little too large, never too small.
            let least = if fpn > 0.0 { 0.93 } else { 0.8 };
            assert!((least..1.07).contains(&ratio), "{count} darks, pattern {fpn}: {ratio}");
            assert!((dark.temporal_noise() / (64.0_f64 + 1.0 / 12.0).sqrt() - 1.0).abs() < 0.02);
            assert_ne!(dark.defects.bits(0)[5 * 96], 0, "the hot pixel");
            assert!(dark.defects.counts().any <= 2);
        }
    }

    /// 64 darks in whole DN: level, pixel pattern and read noise in DN; pixel (20, 30) is hot by 8 DN.
    fn coarse(level: f32, pattern: f32, read: f32, seed: u64) -> MasterDark {
        let (w, h) = (96, 80);
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let normal = Normal::new(0.0_f32, 1.0).unwrap();
        let mut truth = Plane::from_fn(w, h, |_, _| level + pattern * normal.sample(&mut rng));
        truth.set(20, 30, level + 8.0);
        let read = |_| -> Result<Samples, String> {
            let data = truth.data().iter().map(|v| round_u16(v + read * normal.sample(&mut rng)));
            Ok(Samples { width: w, height: h, channels: 1, bits: 8, data: data.collect() })
        };
        let stats = collect(64, read, &StackOptions::default()).unwrap();
        MasterDark::from_stack(&stats, None).unwrap()
    }

    #[test]
    fn a_quiet_sensor_behind_a_coarse_step_has_no_more_defects_than_it_has() {
        for (level, pattern, read) in [
            (4.3, 0.12, 0.15),
            (4.3, 0.1, 0.15),
            (4.0, 0.2, 0.2),
            (4.2, 0.1, 0.1),
            (4.0, 0.1, 0.25),
        ] {
            let dark = coarse(level, pattern, read, 8);
            let found = dark.defects.counts();
            assert!(found.any <= 4, "{level} {pattern} {read}: {found:?}");
            assert_ne!(dark.defects.bits(0)[30 * 96 + 20], 0, "the hot pixel: {level} {read}");
            let said = dark.warnings(None);
            assert!(said.iter().all(|w| w.kind != "black-cut-off"), "{level}: {said:?}");
        }
    }

    #[test]
    fn black_that_is_cut_off_is_said_and_makes_no_defects() {
        for (level, read) in [(0.0, 3.0), (-3.0, 3.0), (0.0, 0.3)] {
            let dark = coarse(level, 0.8, read, 9);
            let found = dark.defects.counts();
            // A pixel of a level high enough is not cut off, and stands out; a third of all did.
            assert!(found.any <= 40, "{level} {read}: {found:?}");
            let said = dark.warnings(None);
            assert!(said.iter().any(|w| w.kind == "black-cut-off"), "{level} {read}: {said:?}");
        }
    }

    #[test]
    fn the_warning_says_what_more_darks_would_do() {
        // Averaging N darks leaves r / sqrt(N): 8 / 4 = 2.0 and 8 / 8 = 1.0 (arithmetic), where
        // the sensor's own pattern is large and nothing can be shrunk.
        let (_, dark) = made(16, 40.0, 5);
        let warnings = dark.warnings(Some(&NoiseModel { gain_e_per_dn: 1.0, read_noise_e: 8.0 }));
        assert_eq!(warnings[0].kind, "few-darks");
        assert_eq!(warnings[0].text, "16 darks leave 2.0 e- of fixed pattern; 64 would leave 1.0");
        let (_, dark) = made(64, 4.0, 5);
        assert!(dark.warnings(None).is_empty());
    }

    #[test]
    fn an_even_field_in_its_place_is_noticed() {
        let (_, mut dark) = made(64, 4.0, 5);
        // Of 16 bits: 15000 DN lie below a quarter of 65535, 20000 above.
        for (added, noticed) in [(14_800.0, false), (19_800.0, true)] {
            let level = dark.mean_level(0);
            dark.level[0].data_mut().iter_mut().for_each(|v| *v += 200.0 + added - to_f32(level));
            let kinds: Vec<_> = dark.warnings(None).into_iter().map(|w| w.kind).collect();
            assert_eq!(kinds.contains(&"bright-dark".into()), noticed, "{kinds:?}");
        }
    }
}
