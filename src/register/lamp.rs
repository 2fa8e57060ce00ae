//! The light of frames as a lamp on the mains gives it: a ripple with a slow change below it.
//!
//! A frame's light is measured on its own ([`super::fit`]) and carries noise of its own. Over a
//! stretch of frames it is fitted by
//!
//! ```text
//! L(t) = c0 + c1 u + c2 u^2 + sum_h a_h cos(2 pi h f t) + b_h sin(2 pi h f t)        h = 1, 2, 3
//!        + u (a cos(2 pi f t) + b sin(2 pi f t))                                    u = -1 to 1
//! ```
//!
//! with f twice the mains' frequency (the lamp does not care for the sign of the current), searched
//! within 1 % of it, and harmonics above 0.45 of the frame rate left out; the last line tells how far
//! f still is from the truth, and takes up a slow change of the ripple. Least squares, once more without what lies 5 deviations
//! out.
//!
//! Where the fit explains the data, what is left is white, and no larger than what a frame's light is
//! uncertain by; where light really changed, it is not. Noise alone makes neighbours' residuals
//! differ by `2 s^2` on average, and light that changes at random from frame to frame, or from one to
//! the next and back, does so too: so s^2 is also held against the uncertainty that the fit of each
//! frame states, and the smaller one counts. The part of the residual's variance beyond
//! s^2 is kept, so that the result is `fit + k (measured - fit)` with `k = 1 - s^2 / variance`, 0 to 1.
//! Where k is above 0.3, no lamp explains the data, and they stay as measured; so does a frame 5
//! deviations out (a flash).
//!
//! Cost: a few multiplications a frame and frequency tried. Sources: 1 % is the tolerance of the
//! mains' frequency in EN 50160, 4.2.1 (from memory); a ripple at twice that frequency: common
//! practice, no source. The weight k is the linear estimate of least mean square error.
//! Lamps of different phase: the same for the coefficients of light that is uneven over the frame
//! ([`super::uneven`], [`lamp_parts`]).

use serde::{Deserialize, Serialize};

use crate::math::linear::solve;
use crate::math::robust::{SPREAD, median_f64};

/// Frames fitted together at the most: a quadratic follows what is slow over so many.
const STRETCH: usize = 400;
/// Frames below which nothing is fitted.
const LEAST: usize = 20;
/// Harmonics of the ripple.
const HARMONICS: usize = 3;
/// Terms of a fit at the most: slow change, harmonics, and how the first of them grows.
const MOST_TERMS: usize = 3 + 2 * HARMONICS + 2;
/// How far the mains may be from its nominal frequency.
const TOLERANCE: f64 = 0.01;
/// Deviations beyond which a frame's light is its own.
const OUT: f64 = 5.0;
/// Part of the residuals that may be no noise before the fit is given up.
const MOST_KEPT: f64 = 0.3;
/// Measured light scatters by up to this many times what its fit states (parts that move, detail that
/// the template lacks), and by this part of it that nobody sees.
const SCATTER: f64 = 3.0;
const UNSEEN: f64 = 0.001;
/// Part of the ripple's amplitude that may be left by a fit that still explains it, whatever it is.
const LITTLE: f64 = 0.05;
/// Ripple is reported from this multiple of its uncertainty on.
const SIGNIFICANT: f64 = 5.0;

/// What the lamp was found to do.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ripple {
    /// Frequency of the ripple in hertz.
    pub hz: f64,
    /// Amplitude of its fundamental relative to the mean.
    pub amplitude: f64,
}

/// The light of each frame with its noise taken out as far as a lamp explains it, and the ripple
/// where there is one. `times` in s; light relative and its standard uncertainty, `None` where it was
/// not measured (such frames get none). `mains` in Hz, `None`: 50 or 60, whichever explains more.
#[must_use]
pub fn lamp_light(
    times: &[f64],
    light: &[Option<(f64, f64)>],
    mains: Option<f64>,
) -> (Vec<Option<f64>>, Option<Ripple>) {
    let n = light.len().min(times.len());
    let parts = n.div_ceil(STRETCH).max(1);
    let mut out: Vec<Option<f64>> = light.iter().map(|l| l.map(|l| l.0)).collect();
    let mut ripple: Option<Ripple> = None;
    for p in 0..parts {
        let range = p * n / parts..(p + 1) * n / parts;
        let at: Vec<usize> = range.filter(|&i| light[i].is_some()).collect();
        let measured: Vec<(f64, f64)> =
            at.iter().filter_map(|&i| Some((times[i], light[i]?.0))).collect();
        let sigma: Vec<f64> = at.iter().filter_map(|&i| Some(light[i]?.1)).collect();
        let Some((values, found)) = stretch(&measured, &sigma, mains) else { continue };
        for (&i, v) in at.iter().zip(values) {
            out[i] = Some(v);
        }
        ripple = ripple.or(found);
    }
    (out, ripple)
}

/// Parts of a series over a stretch of frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    /// The frames.
    pub frames: std::ops::Range<usize>,
    /// Each frame's value without noise, and the part of it that changes slowly: what a lamp does
    /// is the difference. Both are there for frames without a measured value too.
    pub values: Vec<(f64, f64)>,
    /// Whether slow change and lamp explain the data.
    pub explained: bool,
    /// Cosine and sine of the ripple at [`Parts::hz`], against the middle of the stretch.
    pub wave: [f64; 2],
    /// Their standard uncertainty.
    pub sigma: f64,
    /// Frequency of the ripple in hertz.
    pub hz: f64,
}

impl Parts {
    /// Whether the ripple stands out of the noise.
    #[must_use]
    pub fn significant(&self) -> bool {
        libm::hypot(self.wave[0], self.wave[1]) > SIGNIFICANT * self.sigma
    }
}

/// What [`lamp_light`] finds, in its parts: one for each stretch; `None` where there is nothing to
/// go by.
#[must_use]
pub fn lamp_parts(times: &[f64], series: &[Option<f64>], mains: Option<f64>) -> Vec<Option<Parts>> {
    let n = series.len().min(times.len());
    let parts = n.div_ceil(STRETCH).max(1);
    let one = |p: usize| {
        let frames = p * n / parts..(p + 1) * n / parts;
        let measured: Vec<(f64, f64)> =
            frames.clone().filter_map(|i| Some((times[i], series[i]?))).collect();
        let Found { fit, rest, inside, kept } = fitted(&measured, mains)?;
        // At least one period, or it could as well be a trend.
        if 2.0 * fit.half * fit.hz < 1.0 || fit.harmonics == 0 {
            return None;
        }
        let mut known = rest.iter().zip(&inside);
        let value = |i: usize| {
            let (now, slow) = (fit.at(times[i]), fit.slow(times[i]));
            let rest = series[i].and_then(|_| known.next());
            (now + rest.map_or(0.0, |(r, &ok)| if ok { kept * r } else { *r }), slow)
        };
        Some(Parts {
            values: frames.clone().map(value).collect(),
            frames,
            explained: kept <= MOST_KEPT
                || fit.left.sqrt() < LITTLE * libm::hypot(*fit.terms.get(3)?, *fit.terms.get(4)?),
            wave: [*fit.terms.get(3)?, *fit.terms.get(4)?],
            sigma: (2.0 * fit.left / measured.len() as f64).sqrt(),
            hz: fit.hz,
        })
    };
    (0..parts).map(one).collect()
}

/// Times that a frequency is tuned at the most; it has settled when it moves by less than this part of a
/// turn over the stretch.
const TUNED: usize = 16;
const SETTLED: f64 = 1e-4;

/// A fit and what it leaves.
struct Found {
    fit: Fit,
    rest: Vec<f64>,
    inside: Vec<bool>,
    kept: f64,
}

/// One stretch: times and light of its frames, in order, and what each light is uncertain by.
fn stretch(
    measured: &[(f64, f64)],
    sigma: &[f64],
    mains: Option<f64>,
) -> Option<(Vec<f64>, Option<Ripple>)> {
    let Found { fit, rest, inside, kept } = fitted(measured, mains)?;
    let kept = kept.max(beyond(&rest, &inside, &allowed(measured, sigma)));
    if kept > MOST_KEPT {
        return None;
    }
    let values = measured
        .iter()
        .zip(rest.iter().zip(&inside))
        .map(|(&(_, v), (r, &ok))| if ok { v - (1.0 - kept) * r } else { v })
        .collect();
    Some((values, fit.ripple(measured.len())))
}

/// The best fit to a stretch.
fn fitted(measured: &[(f64, f64)], mains: Option<f64>) -> Option<Found> {
    let n = measured.len();
    let (first, last) = (measured.first()?.0, measured.last()?.0);
    if n < LEAST || last <= first {
        return None;
    }
    let rate = (n - 1) as f64 / (last - first);
    let nominal = mains.map_or_else(|| vec![100.0, 120.0], |m| vec![2.0 * m]);
    let all = vec![true; n];
    let mut best: Option<Fit> = None;
    for f0 in nominal {
        // A step of a 32nd of a turn over the stretch.
        let step = 1.0 / (32.0 * (last - first));
        let steps = crate::frame::convert::floor_usize((TOLERANCE * f0 / step).min(1000.0));
        for j in 0..=2 * steps {
            let hz = f0 + (j as f64 - steps as f64) * step;
            let fit = Fit::new(measured, &all, (hz, rate));
            if let Some(fit) = fit
                && best.as_ref().is_none_or(|b| fit.left < b.left)
            {
                best = Some(fit);
            }
        }
    }
    let first_fit = best?;
    let residual = |fit: &Fit| -> Vec<f64> {
        measured.iter().map(|&(t, v)| v - fit.at(t)).collect::<Vec<f64>>()
    };
    let inside = within(&residual(&first_fit))?;
    // Terms that grow over the stretch take up some of a wrong frequency, so steps next to each other
    // leave nearly the same, and chance decides between them; from either it goes to one place.
    let mut fit = first_fit;
    for _ in 0..TUNED {
        let (from, to) = (fit.hz, fit.tuned());
        let Some(next) = Fit::new(measured, &inside, (to, rate)) else { break };
        fit = next;
        if (to - from).abs() * (last - first) < SETTLED {
            break;
        }
    }
    let rest = residual(&fit);
    let inside = within(&rest)?;
    let kept = kept_part(&rest, &inside);
    Some(Found { fit, rest, inside, kept })
}

/// Which residuals are within 5 deviations, by their median.
fn within(residual: &[f64]) -> Option<Vec<bool>> {
    let mut sizes: Vec<f64> = residual.iter().map(|r| r.abs()).collect();
    let limit = OUT * SPREAD * median_f64(&mut sizes)?;
    Some(residual.iter().map(|r| r.abs() <= limit).collect())
}

/// Part of the residuals that is no noise: 0 where neighbours differ as much as they would if all
/// were independent.
fn kept_part(residual: &[f64], inside: &[bool]) -> f64 {
    let (mut squares, mut n) = (0.0, 0.0);
    let (mut steps, mut pairs) = (0.0, 0.0);
    for (i, r) in residual.iter().enumerate().filter(|(i, _)| inside[*i]) {
        squares += r * r;
        n += 1.0;
        if i > 0 && inside[i - 1] {
            steps += (r - residual[i - 1]).powi(2);
            pairs += 1.0;
        }
    }
    if squares <= 0.0 || pairs < 1.0 {
        return 1.0;
    }
    (1.0 - (0.5 * steps / pairs) / (squares / n)).clamp(0.0, 1.0)
}

/// Variance that measured light may have about the truth.
fn allowed(measured: &[(f64, f64)], sigma: &[f64]) -> Vec<f64> {
    let both = measured.iter().zip(sigma);
    both.map(|((_, v), s)| (SCATTER * s).powi(2) + (UNSEEN * v).powi(2)).collect()
}

/// Part of the residuals' variance that is beyond what is allowed.
fn beyond(residual: &[f64], inside: &[bool], allowed: &[f64]) -> f64 {
    let all = residual.iter().zip(allowed).zip(inside).filter(|(_, ok)| **ok);
    let (squares, noise) = all.fold((0.0, 0.0), |(s, n), ((r, a), _)| (s + r * r, n + a));
    if squares > noise { 1.0 - noise / squares } else { 0.0 }
}

/// A fitted stretch.
#[derive(Debug, Clone)]
struct Fit {
    hz: f64,
    harmonics: usize,
    middle: f64,
    half: f64,
    terms: Vec<f64>,
    /// Mean squared residual.
    left: f64,
}

impl Fit {
    fn new(measured: &[(f64, f64)], used: &[bool], (hz, rate): (f64, f64)) -> Option<Self> {
        let (first, last) = (measured.first()?.0, measured.last()?.0);
        let harmonics = (1..=HARMONICS).take_while(|&h| h as f64 * hz < 0.45 * rate).count();
        let mut fit = Self {
            hz,
            harmonics,
            middle: 0.5 * (first + last),
            half: 0.5 * (last - first),
            terms: Vec::new(),
            left: 0.0,
        };
        let size = fit.size();
        let mut matrix = vec![vec![0.0; size]; size];
        let mut right = vec![0.0; size];
        let mut count = 0;
        for (&(t, v), _) in measured.iter().zip(used).filter(|(_, u)| **u) {
            let basis = fit.basis(t);
            for (i, a) in basis.iter().take(size).enumerate() {
                for (m, b) in matrix[i].iter_mut().zip(&basis) {
                    *m += a * b;
                }
                right[i] += a * v;
            }
            count += 1;
        }
        if count < 2 * size {
            return None;
        }
        // A stretch much shorter than a period cannot tell ripple from trend: the smallest amount
        // of stiffness keeps the terms finite there and changes nothing elsewhere.
        for (i, row) in matrix.iter_mut().enumerate() {
            row[i] *= 1.0 + 1e-9;
        }
        fit.terms = solve(matrix, right)?;
        let squares = measured.iter().zip(used).filter(|(_, u)| **u);
        fit.left = squares.map(|(&(t, v), _)| (v - fit.at(t)).powi(2)).sum::<f64>()
            / f64::from(u32::try_from(count).ok()?);
        Some(fit)
    }

    /// Terms of the fit.
    fn size(&self) -> usize {
        3 + 2 * self.harmonics + if self.harmonics > 0 { 2 } else { 0 }
    }

    /// What the terms are multiplied with at a time; 0 beyond them.
    fn basis(&self, t: f64) -> [f64; MOST_TERMS] {
        let u = (t - self.middle) / self.half;
        let mut out = [0.0; MOST_TERMS];
        out[..3].copy_from_slice(&[1.0, u, u * u]);
        for h in 1..=self.harmonics {
            let phase = std::f64::consts::TAU * h as f64 * self.hz * (t - self.middle);
            (out[1 + 2 * h], out[2 + 2 * h]) = (libm::cos(phase), libm::sin(phase));
        }
        if self.harmonics > 0 {
            let last = self.size() - 2;
            (out[last], out[last + 1]) = (u * out[3], u * out[4]);
        }
        out
    }

    fn at(&self, t: f64) -> f64 {
        self.basis(t).iter().zip(&self.terms).map(|(a, b)| a * b).sum()
    }

    /// The part that no lamp makes.
    fn slow(&self, t: f64) -> f64 {
        self.basis(t).iter().zip(&self.terms).take(3).map(|(a, b)| a * b).sum()
    }

    /// The frequency at which nothing would be left to the terms that grow over the stretch.
    fn tuned(&self) -> f64 {
        let &[_, _, _, c, s, .., uc, us] = self.terms.as_slice() else { return self.hz };
        let turn = (s * uc - c * us) / (c * c + s * s).max(1e-300);
        let step = turn / (std::f64::consts::TAU * self.half);
        // No further than to the next one tried.
        let most = 1.0 / (64.0 * self.half);
        self.hz + step.clamp(-most, most)
    }

    /// The ripple, where it stands out of what is left.
    fn ripple(&self, n: usize) -> Option<Ripple> {
        let (mean, a, b) = (self.terms.first()?, self.terms.get(3)?, self.terms.get(4)?);
        let amplitude = libm::hypot(*a, *b) / mean;
        let sigma = (2.0 * self.left / n as f64).sqrt() / mean;
        // At least one period, or it could as well be a trend.
        let seen = 2.0 * self.half * self.hz >= 1.0;
        (seen && amplitude > SIGNIFICANT * sigma).then_some(Ripple { hz: self.hz, amplitude })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// Light of `n` frames at `rate`, measured to `sigma`; and the truth.
    fn clip(
        (n, rate): (usize, f64),
        sigma: f64,
        light: impl Fn(f64) -> f64,
    ) -> (Vec<f64>, Vec<Option<f64>>, Vec<f64>) {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let normal = Normal::new(0.0, sigma).unwrap();
        let times: Vec<f64> = (0..n).map(|i| i as f64 / rate).collect();
        let truth: Vec<f64> = times.iter().map(|&t| light(t)).collect();
        let measured = truth.iter().map(|v| Some(v + normal.sample(&mut rng))).collect();
        (times, measured, truth)
    }

    /// What was measured, each to `sigma`.
    fn to(sigma: f64, measured: &[Option<f64>]) -> Vec<Option<(f64, f64)>> {
        measured.iter().map(|v| v.map(|v| (v, sigma))).collect()
    }

    fn rms(found: &[Option<f64>], truth: &[f64]) -> f64 {
        let sum: f64 = found.iter().zip(truth).map(|(f, t)| (f.unwrap() - t).powi(2)).sum();
        (sum / truth.len() as f64).sqrt()
    }

    #[test]
    fn a_ripple_of_30_percent_is_known_better_than_frame_by_frame() {
        let lamp = |hz: f64| {
            move |t: f64| {
                let p = std::f64::consts::TAU * hz * t;
                1.0 + 0.3 * (p + 0.7).sin() + 0.04 * (2.0 * p).cos() + 0.1 * t
            }
        };
        for (n, rate, hz) in [(200, 1000.0, 100.0), (300, 5000.0, 100.3), (1200, 2000.0, 119.6)] {
            let (times, measured, truth) = clip((n, rate), 0.003, lamp(hz));
            let (found, ripple) = lamp_light(&times, &to(0.003, &measured), None);
            assert!(rms(&found, &truth) < 0.4 * 0.003, "{hz} Hz: {}", rms(&found, &truth));
            let ripple = ripple.expect("a ripple");
            assert!((ripple.hz - hz).abs() < 1.0 && (ripple.amplitude - 0.3).abs() < 0.02);
        }
    }

    #[test]
    fn a_real_change_and_a_flash_are_kept() {
        let (times, mut measured, truth) =
            clip((200, 1000.0), 0.002, |t| if t < 0.09 { 1.0 } else { 1.25 });
        let (found, _) = lamp_light(&times, &to(0.002, &measured), Some(50.0));
        assert!(rms(&found, &truth) < 0.0023, "{}", rms(&found, &truth));
        measured = times.iter().map(|t| Some(1.0 + 0.001 * (t * 9e4).sin())).collect();
        measured[120] = Some(1.5);
        let (found, ripple) = lamp_light(&times, &to(0.001, &measured), Some(50.0));
        assert!((found[120].unwrap() - 1.5).abs() < 1e-12 && ripple.is_none());
    }

    #[test]
    fn light_that_changes_from_frame_to_frame_is_kept() {
        // To the fit all of these are white: only what a light is uncertain by tells them from noise.
        let spread = Normal::new(0.0, 1.0).unwrap();
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let random: Vec<f64> = (0..60).map(|_| spread.sample(&mut rng)).collect();
        let frame = |t: f64| crate::frame::convert::floor_usize(t * 500.0 + 0.5);
        let other = |t: f64| if frame(t) % 2 == 0 { 0.8 } else { 1.0 };
        let lamp = |t: f64| 1.0 + 0.15 * (std::f64::consts::TAU * 240.0 * t).cos();
        let tenth = |t: f64| 1.0 + 0.1 * random[frame(t)];
        let little = |t: f64| 1.0 + 0.02 * random[frame(t)];
        let all: [&dyn Fn(f64) -> f64; 4] = [&other, &lamp, &tenth, &little];
        for (which, light) in all.into_iter().enumerate() {
            let (times, measured, truth) = clip((60, 500.0), 0.001, light);
            let (found, _) = lamp_light(&times, &to(0.001, &measured), None);
            assert!(rms(&found, &truth) < 0.0015, "{which}: {}", rms(&found, &truth));
        }
    }

    #[test]
    fn too_little_is_left_alone() {
        let (times, mut measured, _) = clip((12, 1000.0), 0.01, |_| 1.0);
        assert_eq!(lamp_light(&times, &to(0.01, &measured), None).0, measured);
        measured[3] = None;
        assert_eq!(lamp_light(&times, &to(0.01, &measured), None), (measured, None));
        assert_eq!(lamp_light(&[], &[], None), (vec![], None));
    }
}
