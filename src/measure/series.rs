//! A displacement over time: the samples, their times and uncertainties, speed and acceleration.

use super::MeasureError;
use crate::math::linear::solve;
use crate::math::robust::median_f64;

/// One sample of a motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Time in seconds.
    pub time_s: f64,
    /// Displacement, in pixels or any one unit.
    pub value: f64,
    /// Its standard uncertainty in the same unit, above zero.
    pub sigma: f64,
}

/// Samples in order of time; gaps are allowed.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    samples: Vec<Sample>,
    interval_s: f64,
}

/// Speed and acceleration at a sample, with standard uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Time in seconds.
    pub time_s: f64,
    /// Unit of the displacement a second.
    pub velocity: f64,
    /// Its standard uncertainty.
    pub velocity_sigma: f64,
    /// Unit of the displacement a second squared.
    pub acceleration: f64,
    /// Its standard uncertainty.
    pub acceleration_sigma: f64,
    /// Whether as many samples lie before as after: at the ends of a series they do not.
    pub centred: bool,
}

impl Series {
    /// A series of at least 8 samples whose times rise and whose numbers are finite, with
    /// uncertainties above zero.
    ///
    /// # Errors
    /// [`MeasureError::Input`] naming the first sample that is not.
    pub fn new(samples: Vec<Sample>) -> Result<Self, MeasureError> {
        if samples.len() < 8 {
            return Err(MeasureError::input(
                format!("the series has {} samples", samples.len()),
                "measure at least 8 frames",
            ));
        }
        for (i, s) in samples.iter().enumerate() {
            let finite = s.time_s.is_finite() && s.value.is_finite() && s.sigma.is_finite();
            let rises = i == 0 || s.time_s > samples[i - 1].time_s;
            if !(finite && rises && s.sigma > 0.0) {
                return Err(MeasureError::input(
                    format!("sample {i} is {} +- {} at {} s", s.value, s.sigma, s.time_s),
                    "give finite values with rising times and uncertainties above zero",
                ));
            }
        }
        let mut steps: Vec<f64> = samples.windows(2).map(|w| w[1].time_s - w[0].time_s).collect();
        let interval_s = median_f64(&mut steps).unwrap_or(0.0);
        Ok(Self { samples, interval_s })
    }

    /// A series without gaps from values at an even rate, all known to `sigma`; the first at time
    /// 0. Errors as [`Series::new`].
    ///
    /// # Errors
    /// See [`Series::new`].
    pub fn even(values: &[f64], rate: f64, sigma: f64) -> Result<Self, MeasureError> {
        let at = |(i, &value): (usize, &f64)| Sample { time_s: i as f64 / rate, value, sigma };
        Self::new(values.iter().enumerate().map(at).collect())
    }

    /// The same series with times for a rolling shutter: row `row` of the part that was measured
    /// is read `row * row_time_s` seconds after the frame began.
    #[must_use]
    pub fn delayed(mut self, row: f64, row_time_s: f64) -> Self {
        for s in &mut self.samples {
            s.time_s += row * row_time_s;
        }
        self
    }

    /// The samples.
    #[must_use]
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Median time between samples, in seconds.
    #[must_use]
    pub fn interval_s(&self) -> f64 {
        self.interval_s
    }

    /// Samples a second.
    #[must_use]
    pub fn rate(&self) -> f64 {
        1.0 / self.interval_s
    }

    /// Time from the first to the last sample, in seconds.
    #[must_use]
    pub fn length_s(&self) -> f64 {
        self.samples[self.samples.len() - 1].time_s - self.samples[0].time_s
    }

    /// The samples from `from_s` (included) to `to_s` (left out).
    ///
    /// # Errors
    /// Where fewer than 8 are left.
    pub fn between(&self, from_s: f64, to_s: f64) -> Result<Self, MeasureError> {
        let inside = |s: &&Sample| s.time_s >= from_s && s.time_s < to_s;
        Self::new(self.samples.iter().filter(inside).copied().collect())
    }

    /// Speed and acceleration at every sample, by weighted least squares of a polynomial of degree
    /// 2 or 3 through the `2 half + 1` samples around it (at the ends: the first or last ones).
    ///
    /// Savitzky and Golay's principle for samples at any times. A parabola is quieter but flattens
    /// an oscillation: the speed comes out low by `(w h)^2 / 10` at the angular frequency w, h the
    /// half window in seconds; a cubic does not do this to that order. What polynomials of higher
    /// degree through the same samples say otherwise is part of the uncertainty: a cubic of a
    /// parabola's speed, beyond its own noise, and one of degree 4 of the acceleration, noise and all,
    /// as few samples cannot tell the one from the other. At the ends of the series, where all samples
    /// lie on one side, what a polynomial of degree 4 says of the speed counts in the same way.
    ///
    /// # Errors
    /// Where `half` is below 2, the window is longer than the series, or the degree another one.
    pub fn motion(&self, half: usize, degree: usize) -> Result<Vec<Motion>, MeasureError> {
        let n = self.samples.len();
        let size = half.saturating_mul(2).saturating_add(1);
        if half < 2 || size > n || !(2..=3).contains(&degree) {
            return Err(MeasureError::input(
                format!("{half} samples on each side of {n}, degree {degree}, give no speed"),
                "take 2 or more on each side, fewer than the series has, and degree 2 or 3",
            ));
        }
        (0..n)
            .map(|i| {
                let from = i.saturating_sub(half).min(n - size);
                let window = &self.samples[from..from + size];
                self.local(i - from, window, degree).ok_or_else(|| {
                    MeasureError::input(
                        format!("the samples around {} s are too close", self.samples[i].time_s),
                        "check the times",
                    )
                })
            })
            .collect()
    }

    /// At sample `at` of a window of them.
    fn local(&self, at: usize, window: &[Sample], degree: usize) -> Option<Motion> {
        let (scale, time_s) = (self.interval_s, window[at].time_s);
        let centred = 2 * at + 1 == window.len();
        let rows = window.iter().map(|s| {
            let u = (s.time_s - time_s) / scale;
            ([1.0, u, u * u, u * u * u, u * u * u * u], s.value, s.sigma)
        });
        let of = |degree: usize| {
            least_squares(
                rows.clone().map(|(row, v, s)| (row[..=degree].to_vec(), v, s)),
                degree + 1,
            )
        };
        let fit = of(degree)?;
        let (cubic, fourth) = (of(3), of(4));
        let own = |i: usize| fit.covariance[i][i].max(0.0);
        let apart = |i: usize, higher: &Option<LinearFit>| {
            higher.as_ref().map_or(0.0, |h| (h.value[i] - fit.value[i]).powi(2))
        };
        // The variance of a difference of nested fits is that of their variances.
        let noise = cubic.as_ref().map_or(0.0, |h| (h.covariance[1][1] - own(1)).max(0.0));
        let one_sided = if centred { 0.0 } else { apart(1, &fourth) };
        let speed = own(1) + (apart(1, &cubic) - noise).max(0.0) + one_sided;
        let acceleration = own(2) + apart(2, &fourth);
        Some(Motion {
            time_s,
            velocity: fit.value[1] / scale,
            velocity_sigma: speed.sqrt() / scale,
            acceleration: 2.0 * fit.value[2] / (scale * scale),
            acceleration_sigma: 2.0 * acceleration.sqrt() / (scale * scale),
            centred,
        })
    }
}

/// A weighted linear fit: parameters, their covariance, the sum of squared misfits.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LinearFit {
    pub value: Vec<f64>,
    pub covariance: Vec<Vec<f64>>,
    /// Sum of squared residuals in units of sigma.
    pub chi2: f64,
    pub count: usize,
}

impl LinearFit {
    /// Standard uncertainty of parameter `i` by the samples' own uncertainties.
    pub(super) fn sigma(&self, i: usize) -> f64 {
        self.covariance[i][i].max(0.0).sqrt()
    }

    /// Misfit a degree of freedom.
    pub(super) fn misfit(&self) -> f64 {
        self.chi2 / (self.count.saturating_sub(self.value.len())).max(1) as f64
    }
}

/// Fits `value = row . parameters` to rows of (row, value, sigma). `None` where it is singular.
pub(super) fn least_squares(
    rows: impl Iterator<Item = (Vec<f64>, f64, f64)> + Clone,
    n: usize,
) -> Option<LinearFit> {
    let mut normal = vec![vec![0.0; n]; n];
    let mut right = vec![0.0; n];
    for (row, value, sigma) in rows.clone() {
        let w = 1.0 / (sigma * sigma);
        for i in 0..n {
            right[i] += w * row[i] * value;
            for j in 0..n {
                normal[i][j] += w * row[i] * row[j];
            }
        }
    }
    let value = solve(normal.clone(), right)?;
    let covariance = inverse(&normal)?;
    let (mut chi2, mut count) = (0.0, 0);
    for (row, y, sigma) in rows {
        let model: f64 = row.iter().zip(&value).map(|(a, b)| a * b).sum();
        chi2 += ((y - model) / sigma).powi(2);
        count += 1;
    }
    Some(LinearFit { value, covariance, chi2, count })
}

/// Inverse of a small symmetric matrix; `None` where it is singular.
pub(super) fn inverse(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    (0..n)
        .map(|i| {
            let unit = (0..n).map(|j| if i == j { 1.0 } else { 0.0 }).collect();
            solve(matrix.to_vec(), unit)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nonsense_is_refused_with_its_number() {
        let text = Series::even(&[0.0; 5], 100.0, 1.0).unwrap_err().to_string();
        assert!(text.contains("5 samples") && text.contains("at least 8"), "{text}");
        assert!(Series::even(&[f64::NAN; 9], 100.0, 1.0).is_err());
        assert!(Series::even(&[0.0; 9], 100.0, 0.0).is_err());
    }

    #[test]
    fn speed_of_a_throw() {
        // x = 2 + 30 t - 4 t^2 exactly, with a gap: v = 30 - 8 t, a = -8.
        let at = |i: u32| {
            let t = f64::from(i) * 1e-3;
            Sample { time_s: t, value: 2.0 + 30.0 * t - 4.0 * t * t, sigma: 0.01 }
        };
        let series = Series::new((0..40).filter(|i| *i != 17).map(at).collect()).unwrap();
        for m in series.motion(4, 2).unwrap() {
            assert!((m.velocity - (30.0 - 8.0 * m.time_s)).abs() < 1e-6);
            assert!((m.acceleration + 8.0).abs() < 1e-4);
        }
    }

    #[test]
    fn speed_of_a_sine_within_one_per_cent_and_its_uncertainty() {
        // x = sin(2 pi 100 t) at 10000 fps: peak speed 2 pi f A = 628.3; window +-4 frames.
        let values: Vec<f64> =
            (0..200).map(|i| libm::sin(std::f64::consts::TAU * 0.01 * f64::from(i))).collect();
        let series = Series::even(&values, 1e4, 1e-3).unwrap();
        let peak = |half: usize, degree: usize| {
            let motion = series.motion(half, degree).unwrap();
            motion[20..180].iter().map(|m| m.velocity).fold(0.0, f64::max)
        };
        assert!((peak(4, 3) / 628.32 - 1.0).abs() < 0.001, "{}", peak(4, 3));
        // A parabola over a third of a cycle is low by (w h)^2 / 10, here 3.6 to 4 %.
        let wide =
            series.motion(10, 2).unwrap()[20..180].iter().map(|m| m.velocity).fold(0.0, f64::max);
        assert!((1.0 - wide / 628.32 - 0.039).abs() < 0.006, "{wide}");
        // Savitzky-Golay slope over 9 points: sigma / (dt sqrt(60)) (sum of squares of -4..4); to that
        // comes what a parabola misses.
        let still = Series::even(&[0.0; 40], 1e4, 1e-3).unwrap().motion(4, 2).unwrap();
        let expected = 1e-3 * 1e4 / f64::sqrt(60.0);
        assert!((still[20].velocity_sigma / expected - 1.0).abs() < 1e-9);
        let wide = series.motion(10, 2).unwrap()[100];
        let off = (wide.velocity - 628.32).abs();
        assert!((0.7..1.4).contains(&(wide.velocity_sigma / off)), "{off}: {wide:?}");
        let off = (series.motion(10, 2).unwrap()[75].acceleration - 628.32_f64.powi(2)).abs();
        let told = series.motion(10, 2).unwrap()[75].acceleration_sigma;
        assert!((0.7..1.4).contains(&(told / off)), "{off}: {told}");
        for (half, degree) in [(1, 2), (4, 1), (4, 4), (100, 2)] {
            assert!(series.motion(half, degree).is_err());
        }
    }

    #[test]
    fn at_the_ends_of_a_series_the_uncertainty_holds_what_one_side_cannot_tell() {
        // A swing of 6 px, 16 frames a cycle, from a zero crossing on: 2356 px/s at the most.
        let place = |i: u32| 6.0 * libm::sin(std::f64::consts::TAU * f64::from(i) / 16.0);
        let values: Vec<f64> = (0..64).map(place).collect();
        for (half, degree) in [(4, 2), (2, 2), (3, 3)] {
            let motion = Series::even(&values, 1000.0, 0.02).unwrap().motion(half, degree).unwrap();
            let centred = motion.iter().filter(|m| m.centred).count();
            assert_eq!(centred, 64 - 2 * half);
            let first = motion[0];
            let off = (first.velocity - 2356.2).abs();
            assert!(off < 2.0 * first.velocity_sigma, "{half} {degree}: {off}, {first:?}");
        }
    }

    #[test]
    fn a_rolling_shutter_delays_the_row() {
        let series = Series::even(&[0.0; 8], 1000.0, 1.0).unwrap().delayed(300.0, 1e-6);
        assert!((series.samples()[2].time_s - 2.3e-3).abs() < 1e-12);
    }
}
