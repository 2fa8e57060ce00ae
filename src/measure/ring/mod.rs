//! Ring-down: frequency, damping and amplitude of decaying oscillations.
//!
//! ```text
//! x(t) = offset + sum_k exp(-(t - t0) / tau_k) (C_k cos(w_k (t - t0)) + S_k sin(w_k (t - t0)))
//! ```
//!
//! Start: highest peak of the zero-padded (8x) spectrum under a Hann window, tau from its width in
//! time. Then variable projection (Golub and Pereyra 1973, in Kaufman's form): offset, C and S are
//! solved for exactly at each step, frequency and damping go by Levenberg and Marquardt. A further
//! mode is added while the residual's spectrum has a peak above 13 times its noise. Uncertainties
//! from the Jacobian, widened by the misfit and by what neighbouring residuals have in common.
//!
//! Refused: fewer than two cycles, frequencies above 0.4 of the sampling rate (aliasing), and
//! oscillations that do not stand out of the noise. Where the motion hardly decays within the
//! record, a bound to the time constant is given instead of a value.

use std::f64::consts::{PI, TAU};

use rustfft::num_complex::Complex64;

use super::MeasureError;
use super::series::{Series, inverse};
use crate::frame::convert::round_usize;
use crate::math::fft::plan_forward;
use crate::math::linear::solve;

/// Share of the sampling rate above which a frequency is refused.
pub const HIGHEST: f64 = 0.4;
/// Cycles that a record must hold.
pub const CYCLES: f64 = 2.0;
/// A time constant above this many records is not resolved.
const LONGEST: f64 = 5.0;
/// Power of a spectral peak in units of its noise from which it counts: exp(-13) is 2e-6, times
/// the number of independent frequencies a false alarm in about 500 records.
const PEAK: f64 = 13.0;
/// Zero padding of the spectrum.
const PADDING: usize = 8;
/// Steps at the most.
const STEPS: usize = 60;

/// A value and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Standard uncertainty, in the same unit.
    pub sigma: f64,
}

/// One decaying oscillation.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Mode {
    /// Damped frequency in hertz, as seen.
    pub frequency_hz: Measured,
    /// Damping 1/tau in 1/s as fitted; below zero where the amplitude grows.
    pub decay_per_s: Measured,
    /// Time in seconds in which the amplitude falls to 1/e; `None` where the record is too short
    /// to tell.
    pub tau_s: Option<Measured>,
    /// Where `tau_s` is `None`: it is longer than this, in seconds (k = 2).
    pub tau_above_s: Option<f64>,
    /// Damping ratio `1 / sqrt(1 + (w tau)^2)`, `None` as `tau_s`.
    pub damping_ratio: Option<Measured>,
    /// Amplitude at the record's start, in the unit of the displacement.
    pub amplitude: Measured,
    /// Phase at the record's start in radians: displacement `amplitude cos(w t - phase)`.
    pub phase: f64,
}

impl Mode {
    /// Speed of its first swing through rest if it did not decay, `2 pi f A`, in the unit of the
    /// displacement a second.
    #[must_use]
    pub fn peak_speed(&self) -> Measured {
        let (f, a) = (self.frequency_hz, self.amplitude);
        let value = TAU * f.value * a.value;
        Measured { value, sigma: value * libm::hypot(f.sigma / f.value, a.sigma / a.value) }
    }
}

/// A ring-down.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RingDown {
    /// The oscillations, the largest first.
    pub modes: Vec<Mode>,
    /// Rest position.
    pub offset: Measured,
    /// Squared misfit a degree of freedom, 1 where the uncertainties given are right.
    pub misfit: f64,
    /// Power of the strongest peak left in the residual, in units of its noise; above 13 something
    /// is left that was not fitted.
    pub residual_peak: f64,
    /// What to know of the result.
    pub warnings: Vec<String>,
}

/// Logarithmic decrement `ln(first / last) / cycles` of amplitudes from the rest position.
/// Source: encyclopedia, "Logarithmic decrement".
#[must_use]
pub fn log_decrement(first: f64, last: f64, cycles: f64) -> f64 {
    libm::log(first / last) / cycles
}

/// Damping ratio from the logarithmic decrement: `d / sqrt(4 pi^2 + d^2)`; good to about 0.5.
#[must_use]
pub fn damping_of_decrement(decrement: f64) -> f64 {
    decrement / libm::hypot(TAU, decrement)
}

/// Quality factor `1 / (2 zeta)`.
#[must_use]
pub fn quality(damping_ratio: f64) -> f64 {
    0.5 / damping_ratio
}

/// Time constant in seconds `1 / (zeta w_n)` of a natural frequency in hertz.
#[must_use]
pub fn time_constant_s(damping_ratio: f64, natural_hz: f64) -> f64 {
    1.0 / (damping_ratio * TAU * natural_hz)
}

/// Natural frequency from the damped one: `f_d / sqrt(1 - zeta^2)`.
#[must_use]
pub fn natural_hz(damped_hz: f64, damping_ratio: f64) -> f64 {
    damped_hz / (1.0 - damping_ratio * damping_ratio).sqrt()
}

/// Least standard uncertainty in hertz of the frequency of an undamped tone of amplitude `a` in
/// white noise `sigma`, `n` samples over `length_s` seconds:
/// `sqrt(3) / (pi T sqrt(eta n))`, `eta = a^2 / (2 sigma^2)` (Kay, from memory).
#[must_use]
pub fn tone_bound_hz(a: f64, sigma: f64, n: f64, length_s: f64) -> f64 {
    let eta = a * a / (2.0 * sigma * sigma);
    f64::sqrt(3.0) / (PI * length_s * (eta * n).sqrt())
}

/// Vertex of a parabola through three neighbouring values: offset in steps from the middle one,
/// and its height. J. O. Smith, "Quadratic Interpolation of Spectral Peaks".
#[must_use]
pub fn parabola_peak(before: f64, at: f64, after: f64) -> (f64, f64) {
    let d = 0.5 * (before - after) / (before - 2.0 * at + after);
    (d, at - 0.25 * (before - after) * d)
}

/// Fits up to `most_modes` decaying oscillations to all of `series`; let it begin half a period
/// or more after the blow, so that only ringing is in it.
///
/// # Errors
/// [`MeasureError::Refused`] where nothing rings, fewer than two cycles are there, or the
/// frequency is above 0.4 of the rate; [`MeasureError::Input`] where `most_modes` is 0.
pub fn ring_down(series: &Series, most_modes: usize) -> Result<RingDown, MeasureError> {
    if most_modes == 0 {
        return Err(MeasureError::input("0 modes are asked for", "ask for 1 or more"));
    }
    let problem = Problem::new(series);
    let mut modes: Vec<[f64; 2]> = Vec::new();
    let mut residual: Vec<f64> = problem.values.clone();
    let mut fit = None;
    let mut left = 0.0;
    for k in 0..=most_modes {
        let peak = problem.peak(&residual);
        left = peak.power;
        if peak.power < PEAK || k == most_modes {
            break;
        }
        if k == 0 {
            accept(series, peak.frequency_hz)?;
        }
        let mut tried = modes.clone();
        tried.push([peak.frequency_hz, problem.decay(&residual, peak.frequency_hz)]);
        let Some(done) = problem.settle(&tried) else { break };
        // A further mode must stay where it can be told from the others and from the record.
        let sound = done.modes.iter().all(|m| {
            m[0] * series.length_s() >= 1.0 && m[0] < HIGHEST * series.rate() && m[1].is_finite()
        });
        if k > 0 && !sound {
            break;
        }
        modes.clone_from(&done.modes);
        residual.clone_from(&done.residual);
        fit = Some(done);
    }
    let fit = fit.ok_or_else(|| {
        MeasureError::refused(
            format!("no oscillation stands out of the noise (peak {left:.1}, wanted {PEAK})"),
            "choose a part of the clip that rings, or a larger region",
        )
    })?;
    accept(series, fit.modes[0][0])?;
    problem.report(&fit, left).ok_or_else(|| {
        MeasureError::refused("the fit is singular", "choose a longer part of the clip")
    })
}

/// Whether what stands out of the noise most is an oscillation so near half the rate that it may be the
/// alias of a faster one.
#[must_use]
pub fn too_fast(series: &Series) -> bool {
    let problem = Problem::new(series);
    let peak = problem.peak(&problem.values);
    peak.power >= PEAK && peak.frequency_hz > HIGHEST * series.rate()
}

/// Refuses frequencies that the record cannot hold.
fn accept(series: &Series, frequency_hz: f64) -> Result<(), MeasureError> {
    let cycles = frequency_hz * series.length_s();
    if cycles < CYCLES {
        return Err(MeasureError::refused(
            format!(
                "{cycles:.1} cycles of {frequency_hz:.3} Hz are in the record, wanted {CYCLES}"
            ),
            "measure a longer part of the clip",
        ));
    }
    if frequency_hz > HIGHEST * series.rate() {
        return Err(MeasureError::refused(
            format!(
                "{frequency_hz:.1} Hz is near half the rate of {:.1} a second: it may be the alias \
                 of a higher frequency",
                series.rate()
            ),
            format!("film at {:.0} fps or more", 5.0 * frequency_hz),
        ));
    }
    Ok(())
}

/// The strongest oscillation of a residual.
struct Peak {
    frequency_hz: f64,
    /// Power over the power of the noise at one frequency.
    power: f64,
}

/// A series prepared for fitting: times from its start, values, uncertainties.
struct Problem {
    times: Vec<f64>,
    values: Vec<f64>,
    sigmas: Vec<f64>,
    length: f64,
    interval: f64,
}

/// A settled fit.
struct Settled {
    /// Frequency in hertz and damping 1/tau in 1/s of each mode.
    modes: Vec<[f64; 2]>,
    /// offset, then C and S of each mode.
    linear: Vec<f64>,
    residual: Vec<f64>,
    /// Covariance of (offset, C, S ..., f, g, ...), from the samples' uncertainties.
    covariance: Vec<Vec<f64>>,
    chi2: f64,
}

impl Problem {
    fn new(series: &Series) -> Self {
        let s = series.samples();
        let start = s[0].time_s;
        Self {
            times: s.iter().map(|s| s.time_s - start).collect(),
            values: s.iter().map(|s| s.value).collect(),
            sigmas: s.iter().map(|s| s.sigma).collect(),
            length: series.length_s(),
            interval: series.interval_s(),
        }
    }

    /// Highest peak of the spectrum of `residual` (its mean taken off, Hann, zero-padded).
    fn peak(&self, residual: &[f64]) -> Peak {
        let slots = round_usize(self.length / self.interval) + 1;
        let n = (slots * PADDING).next_power_of_two();
        let mean = residual.iter().sum::<f64>() / residual.len() as f64;
        let mut line = vec![Complex64::default(); n];
        let mut noise = 0.0;
        for ((&t, &v), &s) in self.times.iter().zip(residual).zip(&self.sigmas) {
            // Half a slot off both ends: no sample has weight 0.
            let slot = round_usize(t / self.interval);
            let w = 0.5 - 0.5 * libm::cos(TAU * (slot as f64 + 0.5) / slots as f64);
            line[slot.min(n - 1)] += w * (v - mean);
            noise += w * w * s * s;
        }
        plan_forward(n).process(&mut line);
        // Below one and a half cycles a record only drifts.
        let lowest = round_usize(1.5 * n as f64 / slots as f64);
        let power = |k: usize| line[k].norm_sqr();
        let best = (lowest..n / 2).max_by(|&a, &b| power(a).total_cmp(&power(b))).unwrap_or(lowest);
        let log = |k: usize| libm::log(power(k) + 1e-300);
        let offset = if best > 0 && best + 1 < n {
            parabola_peak(log(best - 1), log(best), log(best + 1)).0.clamp(-0.5, 0.5)
        } else {
            0.0
        };
        let offset = if offset.is_finite() { offset } else { 0.0 };
        Peak {
            frequency_hz: (best as f64 + offset) / (n as f64 * self.interval),
            power: power(best) / noise,
        }
    }

    /// Damping in 1/s from the amplitudes of the two halves of the record at one frequency.
    fn decay(&self, residual: &[f64], frequency: f64) -> f64 {
        let half = |late: bool| {
            let mut sum = Complex64::default();
            let mut n = 0.0;
            for (&t, &v) in self.times.iter().zip(residual) {
                if (t > 0.5 * self.length) == late {
                    let phase = -TAU * frequency * t;
                    sum += Complex64::new(libm::cos(phase), libm::sin(phase)) * v;
                    n += 1.0;
                }
            }
            sum.norm() / f64::max(n, 1.0)
        };
        let (early, late) = (half(false), half(true));
        let rate = libm::log((early + 1e-300) / (late + 1e-300)) / (0.5 * self.length);
        rate.clamp(0.01 / self.length, 20.0 / self.length)
    }

    /// Decay, cosine and sine of a mode at a time.
    fn wave(mode: [f64; 2], t: f64) -> (f64, f64) {
        let e = libm::exp(-mode[1] * t);
        let phase = TAU * mode[0] * t;
        (e * libm::cos(phase), e * libm::sin(phase))
    }

    /// Rows of the Jacobian in (offset, C, S ..., f, g ...), f and g scaled by 1/length.
    fn row(&self, modes: &[[f64; 2]], linear: &[f64], t: f64) -> Vec<f64> {
        let mut row = vec![1.0];
        for &m in modes {
            let (c, s) = Self::wave(m, t);
            row.extend([c, s]);
        }
        for k in 0..modes.len() {
            let (c, s) = (row[1 + 2 * k], row[2 + 2 * k]);
            let (a, b) = (linear[1 + 2 * k], linear[2 + 2 * k]);
            let in_time = t / self.length;
            row.push(TAU * in_time * (b * c - a * s));
            row.push(-in_time * (a * c + b * s));
        }
        row
    }

    /// Offset, C and S for given modes, residual and sum of squares.
    fn project(&self, modes: &[[f64; 2]]) -> Option<(Vec<f64>, Vec<f64>, f64)> {
        let n = 1 + 2 * modes.len();
        let blank = vec![0.0; n];
        let rows: Vec<Vec<f64>> = self.times.iter().map(|&t| self.row(modes, &blank, t)).collect();
        let (mut normal, mut right) = (vec![vec![0.0; n]; n], vec![0.0; n]);
        for ((row, &v), &s) in rows.iter().zip(&self.values).zip(&self.sigmas) {
            accumulate(&mut normal, &mut right, &row[..n], (v, 1.0 / (s * s)));
        }
        let linear = solve(normal, right)?;
        let mut chi2 = 0.0;
        let residual = rows
            .iter()
            .zip(&self.values)
            .zip(&self.sigmas)
            .map(|((row, &v), &s)| {
                let r = v - row.iter().zip(&linear).map(|(a, b)| a * b).sum::<f64>();
                chi2 += (r / s) * (r / s);
                r
            })
            .collect();
        Some((linear, residual, chi2))
    }

    /// Normal equations of a full step at the projected point.
    fn full_step(&self, modes: &[[f64; 2]], linear: &[f64], residual: &[f64]) -> Normal {
        let n = 1 + 4 * modes.len();
        let mut out = Normal { matrix: vec![vec![0.0; n]; n], right: vec![0.0; n] };
        for ((&t, &r), &s) in self.times.iter().zip(residual).zip(&self.sigmas) {
            let row = self.row(modes, linear, t);
            accumulate(&mut out.matrix, &mut out.right, &row, (r, 1.0 / (s * s)));
        }
        out
    }

    /// Levenberg and Marquardt on frequency and damping of all modes.
    fn settle(&self, start: &[[f64; 2]]) -> Option<Settled> {
        let mut modes = start.to_vec();
        let (mut linear, mut residual, mut chi2) = self.project(&modes)?;
        let first = 1 + 2 * modes.len();
        let mut damping = 1e-3;
        for _ in 0..STEPS {
            let normal = self.full_step(&modes, &linear, &residual);
            let mut damped = normal.matrix.clone();
            for (i, row) in damped.iter_mut().enumerate().skip(first) {
                row[i] *= 1.0 + damping;
            }
            let step = solve(damped, normal.right)?;
            let mut moved = modes.clone();
            for (k, m) in moved.iter_mut().enumerate() {
                m[0] += step[first + 2 * k] / self.length;
                m[1] += step[first + 2 * k + 1] / self.length;
            }
            match self.project(&moved) {
                Some((l, r, c)) if c <= chi2 => {
                    let settled = chi2 - c <= 1e-9 * chi2;
                    (modes, linear, residual, chi2) = (moved, l, r, c);
                    damping = f64::max(damping * 0.2, 1e-12);
                    if settled {
                        break;
                    }
                }
                _ => damping *= 8.0,
            }
            if damping > 1e12 {
                break;
            }
        }
        let normal = self.full_step(&modes, &linear, &residual);
        let covariance = inverse(&normal.matrix)?;
        Some(Settled { modes, linear, residual, covariance, chi2 })
    }

    /// Factor on all uncertainties: misfit, and what neighbouring residuals share.
    fn widening(&self, fit: &Settled) -> (f64, f64) {
        let parameters = 1 + 4 * fit.modes.len();
        let n = fit.residual.len();
        let misfit = fit.chi2 / n.saturating_sub(parameters).max(1) as f64;
        let norm: f64 = fit.residual.iter().map(|r| r * r).sum();
        let noise = 2.0 / (n as f64).sqrt();
        let mut shared = 1.0;
        for lag in 1..=10.min(n / 4) {
            let product: f64 = fit.residual.windows(lag + 1).map(|w| w[0] * w[lag]).sum();
            let rho = product / norm;
            if rho < noise {
                break;
            }
            shared += 2.0 * rho;
        }
        (misfit, (misfit.max(1.0) * shared).sqrt())
    }

    fn report(&self, fit: &Settled, residual_peak: f64) -> Option<RingDown> {
        let (misfit, wide) = self.widening(fit);
        let sigma = |i: usize| fit.covariance[i][i].max(0.0).sqrt() * wide;
        let first = 1 + 2 * fit.modes.len();
        let mut modes: Vec<Mode> = Vec::new();
        for (k, m) in fit.modes.iter().enumerate() {
            let (c, s) = (fit.linear[1 + 2 * k], fit.linear[2 + 2 * k]);
            let amplitude = libm::hypot(c, s);
            let (cc, ss, cs) = (
                fit.covariance[1 + 2 * k][1 + 2 * k],
                fit.covariance[2 + 2 * k][2 + 2 * k],
                fit.covariance[1 + 2 * k][2 + 2 * k],
            );
            let spread = (c * c * cc + 2.0 * c * s * cs + s * s * ss).max(0.0).sqrt() / amplitude;
            let decay = Measured { value: m[1], sigma: sigma(first + 2 * k + 1) / self.length };
            let frequency = Measured { value: m[0], sigma: sigma(first + 2 * k) / self.length };
            modes.push(Mode {
                frequency_hz: frequency,
                amplitude: Measured { value: amplitude, sigma: spread * wide },
                phase: libm::atan2(s, c),
                ..self.damping(frequency, decay)
            });
        }
        modes.sort_by(|a, b| b.amplitude.value.total_cmp(&a.amplitude.value));
        let mut warnings = Vec::new();
        if misfit > 2.0 {
            warnings.push(format!(
                "the fit misses the samples by {:.1} times their uncertainty: uncertainties are \
                 widened; choose a part that only rings",
                misfit.sqrt()
            ));
        }
        if residual_peak > PEAK {
            warnings.push(format!(
                "an oscillation {residual_peak:.0} times above the noise is left over: allow one \
                 more mode"
            ));
        }
        if let Some(m) = modes.iter().find(|m| m.decay_per_s.value < -3.0 * m.decay_per_s.sigma) {
            warnings.push(format!(
                "the oscillation at {:.1} Hz grows: something drives it, and it has no damping to tell; \
                 choose a part of the clip in which it is free",
                m.frequency_hz.value
            ));
        } else if modes.iter().any(|m| m.tau_s.is_none()) {
            warnings
                .push("the record is too short to tell the damping: only a bound is given".into());
        }
        let offset = Measured { value: *fit.linear.first()?, sigma: sigma(0) };
        Some(RingDown { modes, offset, misfit, residual_peak, warnings })
    }

    /// Time constant and damping ratio, or a bound. Frequency is handed through; the amplitude is
    /// filled in by the caller.
    fn damping(&self, frequency: Measured, decay: Measured) -> Mode {
        let mut mode = Mode {
            frequency_hz: frequency,
            decay_per_s: decay,
            tau_s: None,
            tau_above_s: None,
            damping_ratio: None,
            amplitude: Measured { value: 0.0, sigma: 0.0 },
            phase: 0.0,
        };
        let least = 1.0 / (LONGEST * self.length);
        if decay.value > least && decay.value > 3.0 * decay.sigma {
            let tau = 1.0 / decay.value;
            mode.tau_s = Some(Measured { value: tau, sigma: tau * decay.sigma / decay.value });
            let w = TAU * frequency.value;
            let ratio = decay.value / libm::hypot(w, decay.value);
            // d ratio / d decay = w^2 / (w^2 + g^2)^(3/2); the frequency's share is far smaller.
            let slope = w * w / libm::pow(w * w + decay.value * decay.value, 1.5);
            mode.damping_ratio = Some(Measured { value: ratio, sigma: slope * decay.sigma });
        } else {
            // A decay below zero is noise, or it grows: neither makes the bound a bolder one.
            mode.tau_above_s = Some(1.0 / (decay.value.max(0.0) + 2.0 * decay.sigma));
        }
        mode
    }
}

/// Normal equations.
struct Normal {
    matrix: Vec<Vec<f64>>,
    right: Vec<f64>,
}

fn accumulate(matrix: &mut [Vec<f64>], right: &mut [f64], row: &[f64], (value, w): (f64, f64)) {
    for (i, &a) in row.iter().enumerate() {
        right[i] += w * a * value;
        for (j, &b) in row.iter().enumerate() {
            matrix[i][j] += w * a * b;
        }
    }
}

#[cfg(test)]
mod tests;
