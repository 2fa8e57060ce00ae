//! When something happens: start, end and duration of a single event, rate of repeating ones.

use super::MeasureError;
use super::ring::Measured;
use super::series::{LinearFit, Sample, Series, least_squares};
use crate::math::robust::{SPREAD, median_f64};
use crate::optics::MEDIAN_VARIANCE;

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
    /// Where the part seems to rest between both, as it does where there are several events: first and
    /// last time in seconds of the longest such stretch.
    pub pause_s: Option<[f64; 2]>,
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
    let (before_slope, after_slope) = (before.slope, after.slope);
    let (before, after) = (before.level, after.level);
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
    let values = || forward.iter().map(|s| s.value);
    let whole = values().fold(f64::NEG_INFINITY, f64::max) - values().fold(f64::INFINITY, f64::min);
    // Time runs backward towards the end.
    let after_slope = Measured { value: -after_slope.value, ..after_slope };
    let both = mean(before_slope, after_slope);
    let mut crept = 0.0;
    for (slope, sure, which) in [
        (before_slope, CREEPS, "at the start"),
        (after_slope, CREEPS, "at the end"),
        (both, BOTH_CREEP, "before and after"),
    ] {
        let way = slope.value.abs() * length;
        if slope.value.abs() <= sure * slope.sigma {
            continue;
        }
        if way > CREPT * whole {
            return Err(MeasureError::refused(
                format!(
                    "the part does not rest {which}: it creeps there too, by {:.2} of all its motion in \
                     the time between",
                    way / whole
                ),
                "choose a part of the clip in which it rests before and after",
            ));
        }
        crept = f64::max(crept, way);
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
            sigma: libm::hypot(libm::hypot(before.sigma, after.sigma), crept),
        },
        pause_s: pause(forward, (start.crossing_s, end.crossing_s)),
    })
}

/// The longest stretch of 8 samples or more between two times that lie within 5 of their uncertainty of
/// the first of them, while the motion as a whole goes on at several times their slope: a turning point
/// is shorter, a slow motion has the slope of all.
fn pause(samples: &[Sample], (from, to): (f64, f64)) -> Option<[f64; 2]> {
    let inner: Vec<&Sample> =
        samples.iter().filter(|s| s.time_s >= from && s.time_s <= to).collect();
    let way: f64 = inner.windows(2).map(|w| (w[1].value - w[0].value).abs()).sum();
    let speed = way / (to - from);
    let mut best: Option<[f64; 2]> = None;
    // Of long stretches it matters little where exactly they are looked at.
    for (i, first) in inner.iter().enumerate().step_by(REST / 2) {
        let near = |s: &&&Sample| (s.value - first.value).abs() < CROSSING * s.sigma;
        let Some((before, last)) = inner[i..].iter().take_while(near).enumerate().last() else {
            continue;
        };
        let run = before + 1;
        let long = last.time_s - first.time_s;
        let slow = (last.value - first.value).abs() < PAUSES * speed * long;
        if run >= REST && slow && best.is_none_or(|b| long > b[1] - b[0]) {
            best = Some([first.time_s, last.time_s]);
        }
    }
    // At its edges an event is slow anyway.
    let inside = |b: &[f64; 2]| b[0] > from && b[1] < to && b[1] - b[0] > LONG * (to - from);
    best.filter(inside)
}

/// Slope of a pause in that of the whole motion, and how much of the event it takes at the least: a bow
/// that rises by 350 of its uncertainty stays within 5 of that at its top for a tenth.
const PAUSES: f64 = 0.25;
const LONG: f64 = 0.15;

/// Largest scatter of samples at rest in units of their own uncertainty.
const RESTLESS: f64 = 3.0;
/// Uncertainties of a slope at which what should rest creeps, of both rests together at which it does,
/// and the part of the whole motion that it would creep in the event's time from which that is no rest.
const CREEPS: f64 = 4.0;
const BOTH_CREEP: f64 = 2.5;
const CREPT: f64 = 0.25;
/// Samples next to the motion, and their scatter in that of the rest, from which the motion dies away
/// rather than ends.
const BESIDE: usize = 16;
const DYING: f64 = 2.0;

/// Level and spread of samples at rest; the spread is never below the uncertainties told.
fn rest(samples: &[Sample]) -> (Measured, f64) {
    let mut values: Vec<f64> = samples.iter().map(|s| s.value).collect();
    let centre = median_f64(&mut values).unwrap_or(0.0);
    let mut off: Vec<f64> = samples.iter().map(|s| (s.value - centre).abs()).collect();
    let seen = SPREAD * median_f64(&mut off).unwrap_or(0.0);
    let mut given: Vec<f64> = samples.iter().map(|s| s.sigma).collect();
    let told = median_f64(&mut given).unwrap_or(0.0);
    let spread = seen.max(told);
    let sigma = spread * (MEDIAN_VARIANCE / samples.len() as f64).sqrt();
    (Measured { value: centre, sigma }, spread)
}

/// How a part rests beside an event: its level, and its slope, in the displacement's unit a second.
struct Rest {
    level: Measured,
    slope: Measured,
}

/// The first edge of a motion, and the rest before it.
fn edge(samples: &[Sample], interval: f64, which: &str) -> Result<(Edge, Rest), MeasureError> {
    let begin = &samples[..REST.min(samples.len())];
    let (level, spread) = rest(begin);
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
    let still = &samples[..first - IN_A_ROW];
    let (level, lasting) = rest(still);
    let beside = &still[still.len().saturating_sub(BESIDE)..];
    let squares: f64 = beside.iter().map(|s| (s.value - level.value).powi(2)).sum();
    let scatter = (squares / beside.len() as f64).sqrt();
    if scatter > DYING * spread {
        return Err(MeasureError::refused(
            format!(
                "the motion has no {which}: next to it the part still moves by {:.1} times its scatter \
                 further off",
                scatter / spread
            ),
            "what dies away is a ring-down; choose a part of the clip with one event",
        ));
    }
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
    Ok((Edge { time_s, crossing_s, onset }, Rest { level, slope: slope(still, lasting) }))
}

/// The weighted mean of two values.
fn mean(a: Measured, b: Measured) -> Measured {
    let [p, q] = [a, b].map(|m| 1.0 / (m.sigma * m.sigma));
    Measured { value: (p * a.value + q * b.value) / (p + q), sigma: 1.0 / (p + q).sqrt() }
}

/// Slope of samples that scatter by this much.
fn slope(samples: &[Sample], spread: f64) -> Measured {
    let from = samples[0].time_s;
    let rows = samples.iter().map(|s| (vec![1.0, s.time_s - from], s.value, spread));
    least_squares(rows, 2).map_or(Measured { value: 0.0, sigma: f64::INFINITY }, |f| Measured {
        value: f.value[1],
        sigma: f.sigma(1),
    })
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
    Ok(Repeating {
        rate_hz: Measured { value: 1.0 / period, sigma: period_sigma / (period * period) },
        jitter_s,
        limp_s: limp(times_s, sigma_s)?,
        count: n,
    })
}

/// Mean interval after even events minus that after odd ones: -4 times the amplitude c of
/// `t = a + b i + (-1)^i c`. Its uncertainty comes from the scatter about that fit where it is larger
/// than what each time is known to.
fn limp(times_s: &[f64], sigma_s: f64) -> Result<Measured, MeasureError> {
    let rows = times_s.iter().enumerate().map(|(i, &t)| {
        let turn = if i % 2 == 0 { 1.0 } else { -1.0 };
        (vec![1.0, i as f64, turn], t, sigma_s)
    });
    let fit = least_squares(rows, 3)
        .ok_or_else(|| MeasureError::refused("the times cannot be fitted", "check them"))?;
    let wide = fit.misfit().max(1.0).sqrt();
    Ok(Measured { value: -4.0 * fit.value[2], sigma: 4.0 * wide * fit.sigma(2) })
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
#[path = "events_tests.rs"]
mod tests;
