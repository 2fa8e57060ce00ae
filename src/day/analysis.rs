//! What a series of displacements tells: speed, an event, ringing, repetition.

use serde::Serialize;

use crate::frame::convert::round_usize;
use crate::measure::events::{Event, Repeating, event, repeating, rises};
use crate::measure::ring::{
    Measured, Mode, RingDown, natural_hz, parabola_peak, ring_down, too_fast,
};
use crate::measure::{MeasureError, Motion, Series};

/// What was looked for: found, or the reason why not.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Sought<T> {
    /// Found.
    Found(T),
    /// Not found, and why.
    Refused(String),
}

impl<T> Sought<T> {
    fn of(result: Result<T, MeasureError>) -> Self {
        match result {
            Ok(found) => Self::Found(found),
            Err(why) => Self::Refused(why.to_string()),
        }
    }

    /// What was found.
    pub fn found(&self) -> Option<&T> {
        match self {
            Self::Found(found) => Some(found),
            Self::Refused(_) => None,
        }
    }
}

/// A ring-down and the part it was fitted to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ringing {
    /// First time of the part, in seconds from the trigger; amplitudes and phases are at this time.
    pub from_s: f64,
    /// Its last time.
    pub to_s: f64,
    /// Samples a second: what rings at this less or more a frequency looks like that frequency.
    pub rate_hz: f64,
    /// Frequency without damping of each mode, in hertz; `None` where the damping is not known.
    pub natural_hz: Vec<Option<f64>>,
    /// Largest speed of each mode, 2 pi f A, in the displacement's unit a second.
    pub peak_speed: Vec<Measured>,
    /// The fit.
    #[serde(flatten)]
    pub fit: RingDown,
}

impl Ringing {
    /// The fitted displacement at a time.
    pub(super) fn at(&self, time_s: f64) -> f64 {
        let t = time_s - self.from_s;
        let wave = |m: &Mode| {
            let decay = libm::exp(-t * m.decay_per_s.value);
            let angle = std::f64::consts::TAU * m.frequency_hz.value * t - m.phase;
            m.amplitude.value * decay * libm::cos(angle)
        };
        self.fit.offset.value + self.fit.modes.iter().map(wave).sum::<f64>()
    }
}

/// How the series is to be looked at.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Looks {
    /// Part of the clip in which the event is, first and last frame's times; `None`: all.
    pub event_s: Option<(f64, f64)>,
    /// Part that rings; `None`: from the largest displacement on.
    pub ring_s: Option<(f64, f64)>,
    /// Most modes of a ring-down.
    pub modes: usize,
    /// Frames on each side from which speed is taken; `None`: 2 to 12, by the ringing's frequency.
    pub window: Option<usize>,
}

/// All that the series tells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// One event: rest, motion, rest.
    pub event: Sought<Event>,
    /// Ringing that dies away.
    pub ring_down: Sought<Ringing>,
    /// Events that repeat: each rise through the middle of the range.
    pub repeating: Sought<Repeating>,
    /// Largest speed, in the displacement's unit a second; `None` where it is noise alone.
    pub peak_speed: Option<Measured>,
    /// Largest acceleration, in the displacement's unit a second squared; `None` as above.
    pub peak_acceleration: Option<Measured>,
    /// Frames on each side that speed was taken from.
    pub window: usize,
    /// Speed and acceleration at each sample of the series.
    #[serde(skip)]
    pub motion: Vec<Motion>,
}

/// Phase in radians over the half window up to which a cubic keeps an oscillation's speed.
const SHORT: f64 = 0.6;
/// Uncertainties below which a largest speed or acceleration tells nothing.
const TOLD: f64 = 2.0;
/// Samples that tell an oscillation that is too fast from noise.
const TELLING: usize = 24;
/// Frames on each side without an oscillation to go by.
const USUAL: usize = 4;

/// Looks at a series in all ways.
pub(super) fn tell(series: &Series, looks: &Looks) -> Told {
    let part = |range: Option<(f64, f64)>| match range {
        Some((a, b)) => series.between(a, b + 0.5 * series.interval_s()),
        None => Ok(series.clone()),
    };
    let free = part(looks.ring_s)
        .and_then(|s| if looks.ring_s.is_some() { Ok(s) } else { after_the_blow(&s) });
    let hasty = free.as_ref().is_ok_and(|s| s.samples().len() >= TELLING && too_fast(s));
    let ring = Sought::of(free.and_then(|s| ringing(&s, looks)));
    // Where the free part is too short, all of it may tell how fast it swings.
    let whole = match &ring {
        Sought::Refused(_) => {
            ring_down(series, looks.modes.max(1)).ok().filter(swings_fast(series))
        }
        Sought::Found(_) => None,
    };
    let fit = ring.found().map(|r| &r.fit).or(whole.as_ref());
    let modes = fit.map_or(&[][..], |fit| &fit.modes);
    let repeats = if hasty {
        Sought::Refused(
            "it moves too fast for the rate to be counted: see the ring-down".to_owned(),
        )
    } else if ring.found().is_some_and(|r| r.fit.modes.iter().all(|m| m.tau_s.is_some())) {
        Sought::Refused("it rings and dies away: see the ring-down".to_owned())
    } else {
        Sought::of(trains(series))
    };
    // Phase from frame to frame of the fastest oscillation.
    let phase = modes.iter().map(|m| m.frequency_hz.value).fold(0.0, f64::max)
        * std::f64::consts::TAU
        / series.rate();
    let window = looks.window.unwrap_or(if modes.is_empty() {
        USUAL
    } else {
        round_usize(SHORT / phase).clamp(2, 12)
    });
    // A cubic keeps the speed of an oscillation but overshoots where a motion sets in; a parabola
    // does not, and flattens instead.
    let degree = if modes.is_empty() { 2 } else { 3 };
    let motion = series.motion(window, degree).unwrap_or_default();
    let [flat_speed, flat_acceleration] = flattened(window, degree, phase);
    let peak = |value: fn(&Motion) -> (f64, f64), flat: f64| {
        peak(&motion, window, value)
            .filter(|_| !hasty)
            .map(|p| Measured { sigma: libm::hypot(p.sigma, flat * p.value), ..p })
            .filter(|p| p.value.abs() > TOLD * p.sigma)
    };
    Told {
        event: Sought::of(part(looks.event_s).and_then(|s| event(&s))),
        repeating: repeats,
        peak_speed: peak(|m| (m.velocity, m.velocity_sigma), flat_speed),
        peak_acceleration: peak(|m| (m.acceleration, m.acceleration_sigma), flat_acceleration),
        ring_down: ring,
        window,
        motion,
    }
}

/// Whether an oscillation is so fast that the usual window flattens it.
fn swings_fast(series: &Series) -> impl Fn(&RingDown) -> bool {
    let usual = SHORT * series.rate() / (std::f64::consts::TAU * USUAL as f64);
    move |fit| fit.modes.iter().any(|m| m.frequency_hz.value > usual)
}

/// By what part the largest speed and acceleration of an oscillation may come out low, whose phase goes
/// on by so many radians from frame to frame: what the polynomial flattens, and what a parabola through
/// three frames misses of a peak that lies midway between two of them.
fn flattened(half: usize, degree: usize, phase: f64) -> [f64; 2] {
    if phase <= 0.0 {
        return [0.0; 2];
    }
    let middle = half + 4;
    let local = |wave: fn(f64) -> f64| {
        let values: Vec<f64> =
            (0..=2 * middle).map(|i| wave(phase * (i as f64 - middle as f64))).collect();
        let motion = Series::even(&values, 1.0, 1.0).and_then(|s| s.motion(half, degree));
        motion.ok().and_then(|m| m.get(middle).copied())
    };
    let top = |x: f64| libm::cos(x * phase);
    let missed = 1.0 - parabola_peak(top(1.5), top(0.5), top(0.5)).1;
    let low = |kept: Option<f64>| kept.map_or(1.0, |k| 1.0 / k.clamp(0.1, 1.0) - 1.0) + missed;
    [
        low(local(libm::sin).map(|m| m.velocity / phase)),
        low(local(libm::cos).map(|m| -m.acceleration / (phase * phase))),
    ]
}

/// The largest of values with their uncertainties, where its window has as many samples before as after;
/// between frames, by a parabola. Of values as large as their noise allows the one that is surely large
/// counts. `None` where it is noise: below 5 of the least uncertainty.
///
/// The largest of n values that could as well be the largest, by their noise, lies `s sqrt(2 ln n)` above
/// the true one as a rule (the leading term of the expected maximum of n normal deviates), so that much
/// is part of its uncertainty. Neighbours share samples: a window counts as one.
fn peak(motion: &[Motion], half: usize, value: fn(&Motion) -> (f64, f64)) -> Option<Measured> {
    let all: Vec<(f64, f64)> = motion.iter().filter(|m| m.centred).map(value).collect();
    let between = |i: usize| {
        let (own, sigma) = all[i];
        let around = i.checked_sub(1).map(|k| all[k].0).zip(all.get(i + 1).map(|v| v.0));
        let top = around.filter(|(a, b)| a.abs().max(b.abs()) < own.abs());
        (top.map_or(own, |(before, after)| parabola_peak(before, own, after).1), sigma)
    };
    let sure = |v: &(f64, f64)| v.0.abs() - v.1;
    let (best, sigma) = (0..all.len()).map(between).max_by(|a, b| sure(a).total_cmp(&sure(b)))?;
    let least = all.iter().map(|v| v.1).fold(f64::INFINITY, f64::min);
    let rivals = all.iter().filter(|v| v.0.abs() + RIVAL * v.1 > best.abs()).count() as f64;
    let n = (rivals / (2 * half + 1) as f64).max(1.0);
    let wide = (1.0 + 2.0 * libm::log(n)).sqrt();
    (best.abs() > SEEN * least).then_some(Measured { value: best, sigma: sigma * wide })
}

/// Uncertainties within which another value may be the largest.
const RIVAL: f64 = 3.0;
/// And above which something moves at all.
const SEEN: f64 = 5.0;

fn trains(series: &Series) -> Result<Repeating, MeasureError> {
    let found = rises(series, 0.5)?;
    let times: Vec<f64> = found.iter().map(|m| m.value).collect();
    let sigma = found.iter().map(|m| m.sigma).fold(0.0, f64::max);
    repeating(&times, sigma)
}

/// How far, in its uncertainties, a part that is held may seem to move.
const HELD: f64 = 5.0;

/// The part from just after the largest displacement from where it comes to rest; where it was
/// held there, from when it was let go.
fn after_the_blow(series: &Series) -> Result<Series, MeasureError> {
    let s = series.samples();
    let tail = &s[s.len() - s.len() / 4 - 1..];
    let rest = tail.iter().map(|s| s.value).sum::<f64>() / tail.len() as f64;
    let blow = (0..s.len())
        .max_by(|&a, &b| (s[a].value - rest).abs().total_cmp(&(s[b].value - rest).abs()))
        .unwrap_or(0);
    let held = |i: &usize| (s[*i].value - s[blow].value).abs() < HELD * s[*i].sigma;
    let last = (blow..s.len()).take_while(held).last().unwrap_or(blow);
    let from = s.get(last + 1).unwrap_or(&s[last]).time_s;
    // What never moves has no such place: then it is looked at as a whole.
    series.between(from, f64::INFINITY).or_else(|_| Ok(series.clone()))
}

fn ringing(series: &Series, looks: &Looks) -> Result<Ringing, MeasureError> {
    let fit = ring_down(series, looks.modes)?;
    let s = series.samples();
    Ok(Ringing {
        from_s: s[0].time_s,
        to_s: s[s.len() - 1].time_s,
        rate_hz: series.rate(),
        natural_hz: fit
            .modes
            .iter()
            .map(|m| Some(natural_hz(m.frequency_hz.value, m.damping_ratio?.value)))
            .collect(),
        peak_speed: fit.modes.iter().map(Mode::peak_speed).collect(),
        fit,
    })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution as _, StandardNormal};

    use super::*;

    /// What 300 samples tell, 0.02 px uncertain each, 1000 a second.
    fn told(place: impl Fn(f64) -> f64, seed: u64) -> Told {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let values: Vec<f64> = (0..300)
            .map(|i| {
                let e: f64 = StandardNormal.sample(&mut rng);
                place(f64::from(i)) + 0.02 * e
            })
            .collect();
        tell(&Series::even(&values, 1000.0, 0.02).unwrap(), &Looks { modes: 1, ..Looks::default() })
    }

    #[test]
    fn noise_has_no_largest_speed() {
        for seed in 0..30 {
            let told = told(|_| 3.0, seed);
            assert_eq!((told.peak_speed, told.peak_acceleration), (None, None), "{seed}");
        }
    }

    #[test]
    fn the_largest_of_many_speeds_is_as_uncertain_as_that() {
        // An even speed of 40 px/s over all frames: the largest of 300 is above it by noise.
        let mut squares = 0.0;
        for seed in 0..60 {
            let v = told(|i| 0.04 * i, seed).peak_speed.unwrap();
            squares += ((v.value - 40.0) / v.sigma).powi(2) / 60.0;
        }
        assert!((0.2..1.3).contains(&squares), "{squares}");
    }

    #[test]
    fn a_swing_is_as_fast_as_it_is_wherever_the_clip_begins() {
        for start in [0.0, 0.25, 0.5, 0.7] {
            let swing = |i: f64| 6.0 * libm::sin(std::f64::consts::TAU * (i / 16.0 + start));
            let v = told(swing, 7).peak_speed.unwrap();
            let off = (v.value.abs() - 2356.2).abs();
            assert!(off < 2.5 * v.sigma && off < 0.03 * 2356.2, "{start}: {v:?}");
        }
    }

    #[test]
    fn a_fast_ring_states_what_so_few_frames_cannot_tell() {
        // 8 down to 4 frames a cycle, dying away over 90 frames: 2 pi f A at its first swing.
        for cycle in [8.0, 6.0, 5.0, 4.2] {
            for start in [0.0, 0.3, 0.6] {
                let ring = |i: f64| {
                    let angle = std::f64::consts::TAU * (i / cycle + start);
                    6.0 * libm::exp(-i / 90.0) * libm::cos(angle)
                };
                let told = told(ring, 9);
                // From the first frame with a whole window on.
                let speed = |t: f64| {
                    let angle = std::f64::consts::TAU * (t / cycle + start);
                    6.0 * libm::exp(-t / 90.0) * libm::sin(angle).abs()
                };
                let fine = (0..2000).map(|k| speed(told.window as f64 + 0.01 * f64::from(k)));
                let truth = 1000.0 * std::f64::consts::TAU / cycle * fine.fold(0.0, f64::max);
                // At four frames a cycle nothing is told.
                assert!(told.peak_speed.is_some() || cycle < 5.0, "{cycle} {start}");
                let Some(v) = told.peak_speed else { continue };
                let off = (v.value.abs() - truth).abs();
                assert!(off < 2.0 * v.sigma, "{cycle} {start}: {v:?} for {truth}");
            }
        }
    }

    #[test]
    fn what_is_too_fast_for_the_rate_is_not_counted_and_has_no_speed() {
        for cycle in [2.4, 2.2] {
            let ring =
                |i: f64| 6.0 * libm::exp(-i / 90.0) * libm::cos(std::f64::consts::TAU * i / cycle);
            let told = told(ring, 9);
            assert!(matches!(&told.ring_down, Sought::Refused(w) if w.contains("near half")));
            assert!(matches!(&told.repeating, Sought::Refused(w) if w.contains("too fast")));
            assert_eq!((told.peak_speed, told.peak_acceleration), (None, None));
        }
    }
}
