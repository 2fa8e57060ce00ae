//! From what is given to all that follows: laws are applied until nothing new comes out.

use std::collections::{BTreeMap, BTreeSet};

use super::error::PlanError;
use super::law::Law;
use super::laws::{law, laws};
use super::quantity::{Kind, Quantity};
use super::text::{in_range, show};
use crate::optics;

/// Where a value is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Origin {
    Given,
    /// A usual value, as none was given.
    Assumed(&'static str),
    /// From what is wished for, as large or small as it may be.
    Limit(&'static str),
    /// By the law of this number.
    Law(usize),
}

/// A value that is known.
#[derive(Debug, Clone)]
pub(super) struct Known {
    pub value: f64,
    pub origin: Origin,
    /// The given and assumed quantities it rests on.
    pub roots: BTreeSet<Quantity>,
}

/// All that is known, and what was found odd on the way.
#[derive(Debug, Clone, Default)]
pub(super) struct State {
    pub known: BTreeMap<Quantity, Known>,
    pub warnings: Vec<String>,
}

/// A usual value for what was not given: quantity, value, which of the known it is for, and why.
struct Assumption {
    quantity: Quantity,
    value: Value,
    when: &'static [Quantity],
    /// Where one of these is known it is to be worked out.
    unless: &'static [Quantity],
    why: &'static str,
}

enum Value {
    Number(f64),
    SameAs(Quantity),
}

const ASSUMPTIONS: &[Assumption] = &[
    Assumption {
        quantity: Quantity::Pupil,
        value: Value::Number(1.0),
        when: &[Quantity::FNumber],
        unless: &[],
        why: "1 unless given",
    },
    Assumption {
        quantity: Quantity::Wavelength,
        value: Value::Number(0.55),
        when: &[Quantity::EffectiveFNumber],
        unless: &[],
        why: "green light unless given",
    },
    Assumption {
        quantity: Quantity::Index,
        value: Value::Number(1.0),
        when: &[Quantity::Aperture],
        unless: &[],
        why: "air unless given",
    },
    Assumption {
        quantity: Quantity::Circle,
        value: Value::SameAs(Quantity::PixelPitch),
        when: &[Quantity::FNumber, Quantity::PixelPitch],
        unless: &[],
        why: "one pixel unless given",
    },
    Assumption {
        quantity: Quantity::Bits,
        value: Value::Number(12.0),
        when: &[Quantity::Width, Quantity::Height, Quantity::Rate],
        unless: &[],
        why: "12 bits, packed, unless given",
    },
    Assumption {
        quantity: Quantity::DarkGrowth,
        value: Value::Number(1.0),
        when: &[Quantity::DarkCurrent, Quantity::Exposure],
        unless: &[Quantity::WarmerBy],
        why: "at the dark current's own temperature unless given",
    },
    Assumption {
        quantity: Quantity::Averaged,
        value: Value::Number(1.0),
        when: &[Quantity::FlatSignal, Quantity::AveragedSignalToNoise],
        unless: &[],
        why: "one frame unless given",
    },
];

/// Numbers of frames: where less than one would do, one does.
const COUNTS: [Quantity; 3] = [Quantity::Averaged, Quantity::Darks, Quantity::Flats];
const ONE: &str = "one is enough";

/// Whether a number is assumed for a quantity where nothing is given, as far as others are `known`.
pub(super) fn has_usual_value(q: Quantity, known: impl Fn(Quantity) -> bool) -> bool {
    ASSUMPTIONS.iter().any(|a| {
        a.quantity == q
            && matches!(a.value, Value::Number(_))
            && a.when.iter().all(|&w| known(w))
            && !a.unless.iter().any(|&u| known(u))
    })
}

impl State {
    /// Everything that follows from `given`.
    pub(super) fn solve(given: &BTreeMap<Quantity, f64>) -> Result<Self, PlanError> {
        let mut state = Self::default();
        for (&q, &value) in given {
            state.insert(q, value, Origin::Given, BTreeSet::from([q]));
        }
        both_apertures(given)?;
        state.propagate()?;
        state.wish_for_blur()?;
        for a in ASSUMPTIONS {
            let value = match a.value {
                Value::Number(x) => Some(x),
                Value::SameAs(q) => state.value(q),
            };
            let wanted = a.when.iter().all(|&q| state.value(q).is_some())
                && a.unless.iter().all(|&q| state.value(q).is_none());
            if let (Some(value), true, None) = (value, wanted, state.value(a.quantity)) {
                state.insert(
                    a.quantity,
                    value,
                    Origin::Assumed(a.why),
                    BTreeSet::from([a.quantity]),
                );
                state.propagate()?;
            }
        }
        state.recording()?;
        state.contradictions()?;
        state.impossible()?;
        Ok(state)
    }

    /// The value of a quantity.
    pub(super) fn value(&self, q: Quantity) -> Option<f64> {
        self.known.get(&q).map(|k| k.value)
    }

    pub(super) fn is_given(&self, q: Quantity) -> bool {
        self.known.get(&q).is_some_and(|k| k.origin == Origin::Given)
    }

    fn insert(&mut self, q: Quantity, value: f64, origin: Origin, roots: BTreeSet<Quantity>) {
        self.known.insert(q, Known { value, origin, roots });
    }

    /// Applies laws with one unknown until there are none.
    fn propagate(&mut self) -> Result<(), PlanError> {
        while let Some((index, q, value)) = self.next_step() {
            let roots = law(index).map_or_else(BTreeSet::new, |l| self.roots(l));
            if COUNTS.contains(&q) && value < 1.0 {
                self.insert(q, 1.0, Origin::Limit(ONE), roots);
                continue;
            }
            if let Err(why) = in_range(q, value) {
                return Err(PlanError::Impossible {
                    what: format!("{why}: it would follow from {}", self.list(&roots)),
                    remedy: "change one of them".to_owned(),
                });
            }
            self.insert(q, value, Origin::Law(index), roots);
        }
        Ok(())
    }

    /// The first law that gives something new.
    fn next_step(&self) -> Option<(usize, Quantity, f64)> {
        laws().enumerate().find_map(|(index, law)| {
            let terms = law.terms();
            let mut unknown = terms.iter().filter(|q| !self.known.contains_key(q));
            let (&q, None) = (unknown.next()?, unknown.next()) else { return None };
            let value = law.solve(q, |t| self.value(t))?;
            Some((index, q, value))
        })
    }

    /// What the known terms of a law rest on.
    fn roots(&self, law: &Law) -> BTreeSet<Quantity> {
        let terms = law.terms();
        terms.iter().filter_map(|q| self.known.get(q)).flat_map(|k| k.roots.clone()).collect()
    }

    /// "rate 1000 fps, event length 1.5 ms": for messages.
    fn list(&self, roots: &BTreeSet<Quantity>) -> String {
        let items: Vec<String> = roots
            .iter()
            .filter_map(|&q| Some(format!("{q} {}", show(q.about().kind, self.value(q)?))))
            .collect();
        items.join(", ")
    }

    /// A limit to the blur sets the exposure where nothing else does.
    fn wish_for_blur(&mut self) -> Result<(), PlanError> {
        let (Some(limit), None) = (self.value(Quantity::BlurLimit), self.value(Quantity::Exposure))
        else {
            return Ok(());
        };
        let (Some(scale), Some(speed)) =
            (self.value(Quantity::Scale), self.value(Quantity::EventSpeed))
        else {
            return Ok(());
        };
        let wanted = optics::longest_exposure_s(limit, scale, speed);
        let mut roots = BTreeSet::from([Quantity::BlurLimit]);
        for q in [Quantity::Scale, Quantity::EventSpeed] {
            roots.extend(self.known.get(&q).into_iter().flat_map(|k| k.roots.clone()));
        }
        let whole = self.value(Quantity::Interval).filter(|&i| wanted > i);
        let (value, why) = match whole {
            Some(interval) => (interval, "the whole frame interval; the blur would allow more"),
            None => (wanted, "the longest that keeps the blur within its limit: limit x s / v"),
        };
        if let Err(why) = in_range(Quantity::Exposure, value) {
            return Err(PlanError::Impossible {
                what: format!("{why}: it would follow from {}", self.list(&roots)),
                remedy: "allow more blur or a lower magnification".to_owned(),
            });
        }
        self.insert(Quantity::Exposure, value, Origin::Limit(why), roots);
        self.propagate()
    }

    /// A recording is as long as the memory holds where nobody said how long it is, and the memory as
    /// large as it needs where nobody said how large that is. Where both are given the recording may
    /// be shorter.
    fn recording(&mut self) -> Result<(), PlanError> {
        let (asked, longest) = (Quantity::RecordTime, Quantity::LongestRecord);
        let (to, from, why) = match (self.value(asked), self.value(longest)) {
            (None, Some(_)) => (asked, longest, "as long as the memory holds"),
            (Some(_), None) => (longest, asked, "the memory is to hold the recording"),
            _ => return Ok(()),
        };
        let Some(known) = self.known.get(&from).cloned() else { return Ok(()) };
        self.insert(to, known.value, Origin::Limit(why), known.roots);
        self.propagate()
    }

    /// Says that a recording fits the memory, where both are known.
    pub(super) fn fits_memory(&self) -> Option<String> {
        let longest = self.known.get(&Quantity::LongestRecord)?;
        // Where the memory follows from the recording it fits by itself.
        (!longest.roots.contains(&Quantity::RecordTime))
            .then(|| format!("it fits the memory, which holds {}", show(Kind::Time, longest.value)))
    }

    /// Laws whose terms are all known but do not agree.
    fn contradictions(&mut self) -> Result<(), PlanError> {
        for law in laws() {
            let Some(tolerance) = law.tolerance else { continue };
            let terms = law.terms();
            // One frame does better than what was wished for.
            if terms
                .iter()
                .any(|q| self.known.get(q).is_some_and(|k| k.origin == Origin::Limit(ONE)))
            {
                continue;
            }
            let first = terms[0];
            let (Some(value), Some(expected)) =
                (self.value(first), law.solve(first, |q| self.value(q)))
            else {
                continue;
            };
            let off = (expected / value - 1.0).abs();
            let nominal = tolerance > 0.05;
            let kind = first.about().kind;
            if off > tolerance {
                let roots = self.roots(law);
                return Err(PlanError::Contradiction {
                    what: format!(
                        "{} do not fit together: by {} ({}) the {first} would be {}, not {}",
                        self.list(&roots),
                        law.name,
                        law.formula,
                        show(kind, expected),
                        show(kind, value)
                    ),
                    remedy: if nominal {
                        "check binning, crop and tube lens, or leave one of them out".to_owned()
                    } else {
                        "leave one of them out and it is worked out from the others".to_owned()
                    },
                });
            }
            if nominal && off > 0.01 && first == Quantity::Scale {
                self.warnings.push(format!(
                    "object size of a pixel {} is used; pitch over magnification would give {}: \
                     a measured scale goes before an engraved magnification",
                    show(kind, value),
                    show(kind, expected)
                ));
            }
        }
        Ok(())
    }

    /// What no camera can do.
    fn impossible(&self) -> Result<(), PlanError> {
        use Quantity::{
            Exposure, FullWell, Interval, LongestRecord, Memory, Rate, RecordTime, Signal,
        };
        let shown = |q: Quantity| show(q.about().kind, self.value(q).unwrap_or(0.0));
        if let (Some(exposure), Some(interval)) = (self.value(Exposure), self.value(Interval))
            && exposure > interval * (1.0 + 1e-9)
        {
            return Err(PlanError::Impossible {
                what: format!(
                    "exposure {} is longer than the time from frame to frame, {} at {}",
                    shown(Exposure),
                    shown(Interval),
                    shown(Rate)
                ),
                remedy: format!(
                    "expose for at most {}, or take at most {} fps",
                    shown(Interval),
                    super::text::figures(1.0 / exposure, 4)
                ),
            });
        }
        if let (Some(time), Some(longest)) = (self.value(RecordTime), self.value(LongestRecord))
            && time > longest * (1.0 + 1e-6)
        {
            return Err(PlanError::Impossible {
                what: format!(
                    "a recording of {} does not fit the memory of {}, which holds {}",
                    shown(RecordTime),
                    shown(Memory),
                    shown(LongestRecord)
                ),
                remedy: "record for less time, or with fewer pixels or frames a second".to_owned(),
            });
        }
        if let (Some(signal), Some(full)) = (self.value(Signal), self.value(FullWell))
            && signal > full
        {
            return Err(PlanError::Impossible {
                what: format!(
                    "{} in a pixel are more than its full well of {}",
                    shown(Signal),
                    shown(FullWell)
                ),
                remedy: "expose less, or give a larger full well".to_owned(),
            });
        }
        Ok(())
    }
}

/// A lens marked with an f-number and an objective marked with an NA are two ways to say one thing.
fn both_apertures(given: &BTreeMap<Quantity, f64>) -> Result<(), PlanError> {
    if given.contains_key(&Quantity::FNumber) && given.contains_key(&Quantity::Aperture) {
        return Err(PlanError::Contradiction {
            what: "an f-number and a numerical aperture are both given".to_owned(),
            remedy: "give the f-number for a lens, the numerical aperture for an objective"
                .to_owned(),
        });
    }
    Ok(())
}
