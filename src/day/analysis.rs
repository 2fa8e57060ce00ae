//! What a series of displacements tells: speed, an event, ringing, repetition.

use serde::Serialize;

use crate::frame::convert::round_usize;
use crate::measure::events::{Event, Repeating, event, repeating, rises};
use crate::measure::ring::{Measured, Mode, RingDown, natural_hz, ring_down};
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
            let decay = m.tau_s.map_or(1.0, |tau| libm::exp(-t / tau.value));
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
    /// Largest speed, in the displacement's unit a second.
    pub peak_speed: Option<Measured>,
    /// Largest acceleration, in the displacement's unit a second squared.
    pub peak_acceleration: Option<Measured>,
    /// Frames on each side that speed was taken from.
    pub window: usize,
    /// Speed and acceleration at each sample of the series.
    #[serde(skip)]
    pub motion: Vec<Motion>,
}

/// Phase in radians over the half window up to which a cubic keeps an oscillation's speed.
const SHORT: f64 = 0.6;
/// Frames on each side without an oscillation to go by.
const USUAL: usize = 4;

/// Looks at a series in all ways.
pub(super) fn tell(series: &Series, looks: &Looks) -> Told {
    let part = |range: Option<(f64, f64)>| match range {
        Some((a, b)) => series.between(a, b + 0.5 * series.interval_s()),
        None => Ok(series.clone()),
    };
    let ring = Sought::of(part(looks.ring_s).and_then(|s| {
        let free = if looks.ring_s.is_some() { s } else { after_the_blow(&s)? };
        ringing(&free, looks)
    }));
    let dies = ring.found().is_some_and(|r| r.fit.modes.iter().all(|m| m.tau_s.is_some()));
    let repeats = if dies {
        Sought::Refused("it rings and dies away: see the ring-down".to_owned())
    } else {
        Sought::of(trains(series))
    };
    let window = looks.window.unwrap_or_else(|| {
        let fastest = ring
            .found()
            .map(|r| r.fit.modes.iter().map(|m| m.frequency_hz.value).fold(0.0, f64::max));
        fastest.map_or(USUAL, |f| {
            round_usize(SHORT * series.rate() / (std::f64::consts::TAU * f)).clamp(2, 12)
        })
    });
    // A cubic keeps the speed of an oscillation but overshoots where a motion sets in; a parabola
    // does not, and flattens instead.
    let degree = if ring.found().is_some() { 3 } else { 2 };
    let motion = series.motion(window, degree).unwrap_or_default();
    let peak = |value: fn(&Motion) -> (f64, f64)| {
        let best = motion.iter().map(value).max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
        Some(Measured { value: best.0, sigma: best.1 })
    };
    Told {
        event: Sought::of(part(looks.event_s).and_then(|s| event(&s))),
        ring_down: ring,
        repeating: repeats,
        peak_speed: peak(|m| (m.velocity, m.velocity_sigma)),
        peak_acceleration: peak(|m| (m.acceleration, m.acceleration_sigma)),
        window,
        motion,
    }
}

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
        natural_hz: fit
            .modes
            .iter()
            .map(|m| Some(natural_hz(m.frequency_hz.value, m.damping_ratio?.value)))
            .collect(),
        peak_speed: fit.modes.iter().map(Mode::peak_speed).collect(),
        fit,
    })
}
