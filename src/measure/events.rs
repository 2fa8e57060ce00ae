//! When something happens: start, end and duration of a single event, rate of repeating ones.

use super::MeasureError;
use super::ring::Measured;
use super::series::{LinearFit, Sample, Series, least_squares};
use crate::math::robust::{SPREAD, median_f64};

/// Standard deviations from rest at which a motion is said to have begun.
const CROSSING: f64 = 5.0;
/// Samples in a row that must be beyond it.
const IN_A_ROW: usize = 3;
/// Samples at rest that are needed on either side of an event.
const REST: usize = 8;
/// Samples after the crossing that the hinge is fitted to.
const RISE: usize = 4;

/// How a motion sets in, as fitted to the first samples after rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Onset {
    /// At once at full speed.
    Linear,
    /// From rest, gathering speed.
    Quadratic,
}

/// One end of an event.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Edge {
    /// Time in seconds, by the hinge's fit; its uncertainty is never below that of a time known to
    /// lie within one frame.
    pub time_s: Measured,
    /// Time in seconds of the first sample (last one, for the end) beyond 5 standard deviations
    /// from rest.
    pub crossing_s: f64,
    /// How the motion set in (or ran out).
    pub onset: Onset,
}

/// A single event: rest, motion, rest.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Event {
    /// Where it starts.
    pub start: Edge,
    /// Where it ends.
    pub end: Edge,
    /// Duration in seconds.
    pub duration_s: Measured,
    /// Displacement from the first rest to the second.
    pub travel: Measured,
}

/// Finds the one event of a series: it rests, moves, and rests again (at the same or another
/// place) for at least 8 samples on each side.
///
/// # Errors
/// [`MeasureError::Refused`] where nothing moves by 5 standard deviations for 3 samples, or it
/// does not rest before and after.
pub fn event(series: &Series) -> Result<Event, MeasureError> {
    let forward = series.samples();
    let backward: Vec<Sample> =
        forward.iter().rev().map(|s| Sample { time_s: -s.time_s, ..*s }).collect();
    let interval = series.interval_s();
    let (start, before) = edge(forward, interval, "start")?;
    let (back, after) = edge(&backward, interval, "end")?;
    let end = Edge {
        time_s: Measured { value: -back.time_s.value, ..back.time_s },
        crossing_s: -back.crossing_s,
        onset: back.onset,
    };
    let length = end.time_s.value - start.time_s.value;
    if length <= 0.0 {
        return Err(MeasureError::refused(
            format!("the motion would end {:.3e} s before it starts", -length),
            "choose a part of the clip with one event",
        ));
    }
    Ok(Event {
        start,
        end,
        duration_s: Measured {
            value: length,
            sigma: libm::hypot(start.time_s.sigma, end.time_s.sigma),
        },
        travel: Measured {
            value: after.value - before.value,
            sigma: libm::hypot(before.sigma, after.sigma),
        },
    })
}

/// Largest scatter of samples at rest in units of their own uncertainty.
const RESTLESS: f64 = 5.0;

/// Level and spread of samples at rest; the spread is never below the uncertainties told.
fn rest(samples: &[Sample]) -> (Measured, f64) {
    let mut values: Vec<f64> = samples.iter().map(|s| s.value).collect();
    let centre = median_f64(&mut values).unwrap_or(0.0);
    let mut off: Vec<f64> = samples.iter().map(|s| (s.value - centre).abs()).collect();
    let seen = SPREAD * median_f64(&mut off).unwrap_or(0.0);
    let mut given: Vec<f64> = samples.iter().map(|s| s.sigma).collect();
    let told = median_f64(&mut given).unwrap_or(0.0);
    let spread = seen.max(told);
    (Measured { value: centre, sigma: spread / (samples.len() as f64).sqrt() }, spread)
}

/// The first edge of a motion, and the level before it.
fn edge(samples: &[Sample], interval: f64, which: &str) -> Result<(Edge, Measured), MeasureError> {
    let begin = &samples[..REST.min(samples.len())];
    let (mut level, spread) = rest(begin);
    let told = begin.iter().map(|s| s.sigma).fold(0.0, f64::max);
    if spread > RESTLESS * told {
        return Err(MeasureError::refused(
            format!(
                "the {REST} frames at the {which} do not rest: they scatter by {:.0} times their \
                 uncertainty",
                spread / told
            ),
            "take a longer part of the clip",
        ));
    }
    let far = |s: &Sample| (s.value - level.value).abs() > CROSSING * spread;
    let first = samples.windows(IN_A_ROW).position(|w| w.iter().all(far)).ok_or_else(|| {
        let most = samples.iter().map(|s| (s.value - level.value).abs()).fold(0.0, f64::max);
        MeasureError::refused(
            format!(
                "no event is seen: no {IN_A_ROW} frames in a row are further from the rest at the \
                 {which} than {CROSSING} of its noise, one is {:.1}",
                most / spread
            ),
            "where something moves, choose another region, or a part of the clip with the event",
        )
    })?;
    if first < REST {
        return Err(MeasureError::refused(
            format!("only {first} frames of rest are at the {which}, wanted {REST}"),
            "take a longer part of the clip",
        ));
    }
    (level, _) = rest(&samples[..first - IN_A_ROW]);
    let crossing_s = samples[first].time_s;
    let window = &samples[..(first + RISE).min(samples.len())];
    let (time, onset) = hinge(window, first, interval).ok_or_else(|| {
        MeasureError::refused(
            format!("the {which} of the motion cannot be fitted"),
            "choose a part of the clip with one event",
        )
    })?;
    // A time known only to lie in a frame: 1/sqrt(12) of the interval (GUM 4.3.7).
    let floor = interval / f64::sqrt(12.0);
    let time_s = Measured { value: time.value, sigma: time.sigma.max(floor) };
    Ok((Edge { time_s, crossing_s, onset }, level))
}

/// Fits rest followed by a linear or quadratic rise. Where the samples do not tell which it is, the time
/// is between both, and its uncertainty holds how far they lie apart: each counts by its likelihood
/// (Burnham and Anderson, "Model Selection and Multimodel Inference", 2nd edition 2002, section 4.3).
///
/// Where neither fits at all (a flight after a bounce sets in at once and slows down), both terms
/// together do.
fn hinge(window: &[Sample], first: usize, interval: f64) -> Option<(Measured, Onset)> {
    let linear = hinge_of(window, first, interval, &[1]);
    let quadratic = hinge_of(window, first, interval, &[2]);
    let free = window.len().saturating_sub(3).max(1) as f64;
    let least = |h: &Option<(Measured, f64)>| h.map_or(f64::INFINITY, |h| h.1);
    let misses = least(&linear).min(least(&quadratic));
    if misses > MISSES * free
        && let Some((both, left)) = hinge_of(window, first, interval, &[1, 2])
        && left < misses / MISSES
    {
        return Some((both, Onset::Linear));
    }
    let ((l, far_l), (q, far_q)) = match (linear, quadratic) {
        (Some(l), Some(q)) => (l, q),
        (Some((l, _)), None) => return Some((l, Onset::Linear)),
        (None, q) => return q.map(|(q, _)| (q, Onset::Quadratic)),
    };
    // Where neither fits by the samples' own noise, what the better one misses counts as noise.
    let noise = (far_l.min(far_q) / window.len().saturating_sub(3).max(1) as f64).max(1.0);
    let share = 1.0 / (1.0 + libm::exp(0.5 * (far_q - far_l) / noise));
    let value = (1.0 - share) * l.value + share * q.value;
    let variance = |m: Measured| m.sigma.powi(2) + (m.value - value).powi(2);
    let sigma = ((1.0 - share) * variance(l) + share * variance(q)).sqrt();
    let onset = if far_q < far_l { Onset::Quadratic } else { Onset::Linear };
    Some((Measured { value, sigma }, onset))
}

/// Misfit from which a hinge does not fit, and how much less another must miss.
const MISSES: f64 = 4.0;

/// Time of the hinge of `a + b (t - t0)_+^power`, of one power or several, and the sum of squares
/// there.
fn hinge_of(
    window: &[Sample],
    first: usize,
    interval: f64,
    powers: &[i32],
) -> Option<(Measured, f64)> {
    let crossing = window[first].time_s;
    let fit = |t0: f64| -> Option<LinearFit> {
        let rows = window.iter().map(|s| {
            let u = ((s.time_s - t0) / interval).max(0.0);
            let row = std::iter::once(1.0).chain(powers.iter().map(|&p| u.powi(p))).collect();
            (row, s.value, s.sigma)
        });
        least_squares(rows, 1 + powers.len())
    };
    let chi = |t0: f64| fit(t0).map_or(f64::INFINITY, |f| f.chi2);
    // Coarse search in tenths of a frame, from well before the crossing, then a golden section.
    let steps: Vec<f64> =
        (0..=120).map(|i| crossing + (f64::from(i) * 0.1 - 10.0) * interval).collect();
    let best = steps.iter().copied().min_by(|&a, &b| chi(a).total_cmp(&chi(b)))?;
    let (mut low, mut high) = (best - 0.1 * interval, best + 0.1 * interval);
    let golden = 0.5 * (f64::sqrt(5.0) - 1.0);
    for _ in 0..30 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if chi(a) < chi(b) {
            high = b;
        } else {
            low = a;
        }
    }
    let t0 = 0.5 * (low + high);
    let done = fit(t0)?;
    // Standard uncertainty by the rise of chi^2 (profile): second difference over half a frame.
    let h = 0.25 * interval;
    let bend = (chi(t0 + h) + chi(t0 - h) - 2.0 * done.chi2) / (h * h);
    let sigma = if bend > 0.0 { (2.0 / bend).sqrt() } else { interval };
    let wide = done.misfit().max(1.0).sqrt();
    Some((Measured { value: t0, sigma: sigma * wide }, done.chi2))
}

/// A train of repeating events.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Repeating {
    /// Events a second.
    pub rate_hz: Measured,
    /// Scatter (standard deviation) of the events about an even train, in seconds.
    pub jitter_s: f64,
    /// Mean interval after even events minus mean interval after odd ones, in seconds: 0 for a
    /// train that does not limp.
    pub limp_s: Measured,
    /// How many events.
    pub count: usize,
}

/// Rate and regularity of events at `times_s`, in order, each known to `sigma_s`.
///
/// Straight line through (number, time): `u(P) = s sqrt(12 / (N (N^2 - 1)))`, s the larger of
/// `sigma_s` and the scatter found.
///
/// # Errors
/// Where there are fewer than 3 events or their times do not rise.
pub fn repeating(times_s: &[f64], sigma_s: f64) -> Result<Repeating, MeasureError> {
    let n = times_s.len();
    if n < 3 {
        return Err(MeasureError::refused(
            format!(
                "{n} event{} cannot tell a rate and its regularity, wanted 3",
                if n == 1 { "" } else { "s" }
            ),
            "take a longer part of the clip",
        ));
    }
    if !(sigma_s > 0.0 && times_s.windows(2).all(|w| w[1] > w[0])) {
        return Err(MeasureError::input(
            "the times of the events do not rise, or their uncertainty is not above zero",
            "give them in order",
        ));
    }
    let rows = times_s.iter().enumerate().map(|(i, &t)| (vec![1.0, i as f64], t, sigma_s));
    let line = least_squares(rows, 2)
        .ok_or_else(|| MeasureError::refused("the times cannot be fitted", "check them"))?;
    let jitter_s = (line.misfit()).sqrt() * sigma_s;
    let sigma = jitter_s.max(sigma_s);
    let count = n as f64;
    let period = line.value[1];
    let period_sigma = sigma * (12.0 / (count * (count * count - 1.0))).sqrt();
    let intervals: Vec<f64> = times_s.windows(2).map(|w| w[1] - w[0]).collect();
    let mean = |from: usize| {
        let own: Vec<f64> = intervals.iter().skip(from).step_by(2).copied().collect();
        own.iter().sum::<f64>() / own.len().max(1) as f64
    };
    // Neighbouring intervals share an event: the difference of their means has about
    // sqrt(8 / number of intervals) times the uncertainty of one time.
    let limp_sigma = sigma_s * (8.0 / intervals.len() as f64).sqrt();
    Ok(Repeating {
        rate_hz: Measured { value: 1.0 / period, sigma: period_sigma / (period * period) },
        jitter_s,
        limp_s: Measured { value: mean(0) - mean(1), sigma: limp_sigma },
        count: n,
    })
}

/// Times at which the series rises through the middle of its range, by interpolation between the
/// two samples; `hysteresis` is the part of the range (0 to 1) it must fall below the middle
/// before the next one counts.
///
/// # Errors
/// Where the series does not move by 10 times its uncertainty.
pub fn rises(series: &Series, hysteresis: f64) -> Result<Vec<Measured>, MeasureError> {
    let s = series.samples();
    let mut values: Vec<f64> = s.iter().map(|s| s.value).collect();
    values.sort_unstable_by(f64::total_cmp);
    let (low, high) = (values[values.len() / 50], values[values.len() - 1 - values.len() / 50]);
    let mut sigmas: Vec<f64> = s.iter().map(|s| s.sigma).collect();
    let sigma = median_f64(&mut sigmas).unwrap_or(0.0);
    if high - low < 10.0 * sigma {
        return Err(MeasureError::refused(
            format!("it moves by only {:.1} of its noise, wanted 10", (high - low) / sigma),
            "choose another region",
        ));
    }
    let middle = 0.5 * (low + high);
    let armed_below = middle - hysteresis.clamp(0.0, 1.0) * 0.5 * (high - low);
    let mut armed = false;
    let mut out = Vec::new();
    for w in s.windows(2) {
        armed |= w[0].value < armed_below;
        if armed && w[0].value < middle && w[1].value >= middle {
            let slope = (w[1].value - w[0].value) / (w[1].time_s - w[0].time_s);
            out.push(Measured {
                value: w[0].time_s + (middle - w[0].value) / slope,
                sigma: libm::hypot(w[0].sigma, w[1].sigma) / f64::sqrt(2.0) / slope,
            });
            armed = false;
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution as _, StandardNormal};

    /// A ramp from rest to rest between two times, sampled with noise.
    fn ramp(from: f64, to: f64, seed: u64) -> Series {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let values: Vec<f64> = (0..200)
            .map(|i| {
                let t = f64::from(i) / 5000.0;
                let e: f64 = StandardNormal.sample(&mut rng);
                7.0 * ((t - from) / (to - from)).clamp(0.0, 1.0) + 0.02 * e
            })
            .collect();
        Series::even(&values, 5000.0, 0.02).unwrap()
    }

    #[test]
    fn a_snap_lasts_as_long_as_it_lasts() {
        let frame = 1.0 / 5000.0;
        let mut within = 0;
        for seed in 0..40 {
            let from = 0.0121 + 1e-5 * f64::from(u32::try_from(seed).unwrap());
            let e = event(&ramp(from, from + 0.0024, seed)).unwrap();
            let off = e.duration_s.value - 0.0024;
            assert!(off.abs() < frame, "duration off by {off}");
            within += usize::from(off.abs() < 2.0 * e.duration_s.sigma);
            assert!((e.travel.value - 7.0).abs() < 5.0 * e.travel.sigma);
            assert!((e.start.time_s.value - from).abs() < frame);
            // Two rectangular times: 0.082 ms at 5000 fps (GUM 4.3.7).
            assert!((e.duration_s.sigma - 0.082e-3).abs() < 1e-6);
        }
        assert!(within >= 38, "k = 2 covers {within} of 40");
    }

    #[test]
    fn what_gathers_speed_is_told_from_what_jumps() {
        let values: Vec<f64> =
            (0..120).map(|i| (f64::from(i) - 40.3).clamp(0.0, 30.0).powi(2) * 0.01).collect();
        let e = event(&Series::even(&values, 1000.0, 1e-3).unwrap()).unwrap();
        assert_eq!(e.start.onset, Onset::Quadratic);
        assert!((e.start.time_s.value - 0.0403).abs() < 2e-4, "{e:?}");
        assert!((e.end.time_s.value - 0.0703).abs() < 4e-4, "{e:?}");
    }

    #[test]
    fn a_flight_after_a_bounce_ends_where_it_lands() {
        // A relay at 8000 frames a second: closing at 5.2 to 6.8 ms, flights of 1.1 and 0.7 ms; the last
        // one, 1.68 px high, lands at 8.6 ms between two frames.
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let place = |t: f64| {
            let flight = |from: f64, length: f64, high: f64| {
                let v = (t - from) / length;
                if (0.0..1.0).contains(&v) { -high * 4.0 * v * (1.0 - v) } else { 0.0 }
            };
            let closing = 14.0 * ((t - 5.2) / 1.6).clamp(0.0, 1.0).powi(2);
            closing + flight(6.8, 1.1, 4.9) + flight(7.9, 0.7, 1.68)
        };
        for k in 0..10 {
            let late = 0.0125 * f64::from(k);
            let values: Vec<f64> = (0..160)
                .map(|i| {
                    let e: f64 = StandardNormal.sample(&mut rng);
                    place(f64::from(i) / 8.0 - late) + 0.015 * e
                })
                .collect();
            let e = event(&Series::even(&values, 8000.0, 0.015).unwrap()).unwrap();
            let off = 1e3 * e.end.time_s.value - 8.6 - late;
            // Within two standard uncertainties, that of a time known to lie in one frame.
            assert!(off.abs() < 2e3 * e.end.time_s.sigma, "{off} ms at {late}: {e:?}");
            assert!(off.abs() < 0.05, "{off} ms at {late}: {e:?}");
        }
    }

    #[test]
    fn no_event_and_no_rest_are_refused() {
        let still = Series::even(&[1.0; 50], 1000.0, 0.1).unwrap();
        assert!(event(&still).unwrap_err().to_string().contains("no event is seen"));
        let values: Vec<f64> = (0..60).map(|i| f64::from(i).min(30.0)).collect();
        let text = event(&Series::even(&values, 1000.0, 0.01).unwrap()).unwrap_err().to_string();
        assert!(text.contains("do not rest"), "{text}");
        let values: Vec<f64> = (0..60).map(|i| (f64::from(i) - 5.0).clamp(0.0, 30.0)).collect();
        let text = event(&Series::even(&values, 1000.0, 0.3).unwrap()).unwrap_err().to_string();
        assert!(text.contains("frames of rest") || text.contains("do not rest"), "{text}");
    }

    #[test]
    fn a_train_of_events() {
        // Six events a second (arithmetic), every second one 2 ms late.
        let times: Vec<f64> =
            (0..13).map(|i| f64::from(i) / 6.0 + if i % 2 == 1 { 2e-3 } else { 0.0 }).collect();
        let r = repeating(&times, 1e-4).unwrap();
        assert!((r.rate_hz.value - 6.0).abs() < 0.01 && r.count == 13);
        assert!((r.limp_s.value - 4e-3).abs() < 1e-9, "{r:?}");
        assert!((r.jitter_s - 1e-3).abs() < 2e-4, "{r:?}");
        assert!(repeating(&times[..2], 1e-4).is_err());
        // u(P) = s sqrt(12 / (N (N^2 - 1))), N = 13, s = 0.1 ms, on an even train.
        let even: Vec<f64> = (0..13).map(|i| f64::from(i) / 6.0).collect();
        let r = repeating(&even, 1e-4).unwrap();
        let expected = 1e-4 * f64::sqrt(12.0 / (13.0 * 168.0)) * 36.0;
        assert!((r.rate_hz.sigma / expected - 1.0).abs() < 1e-9);
    }

    #[test]
    fn rises_are_found_between_samples() {
        let values: Vec<f64> = (0..500)
            .map(|i| libm::sin(std::f64::consts::TAU * (f64::from(i) / 50.0 - 0.1)))
            .collect();
        let times = rises(&Series::even(&values, 1000.0, 0.01).unwrap(), 0.5).unwrap();
        assert_eq!(times.len(), 10);
        for (i, t) in times.iter().enumerate() {
            assert!((t.value - (i as f64 + 0.1) / 20.0).abs() < 2e-4, "{t:?}");
        }
        assert!(rises(&Series::even(&[0.0; 9], 1.0, 0.1).unwrap(), 0.5).is_err());
    }
}
