//! Planning a shot: from what is known to what follows, with reasons.
//!
//! ```
//! use hushframe::plan::{PlanInput, Quantity, run};
//! let mut input = PlanInput::default();
//! input.set("frames-across", "20")?;
//! input.set("event-length", "1.5ms")?;
//! let report = run(&input)?;
//! let rate = report.plan.as_ref().and_then(|p| p.value(Quantity::Rate)).unwrap_or(0.0);
//! assert!((rate - 13_333.3).abs() < 0.1);
//! # Ok::<(), hushframe::plan::PlanError>(())
//! ```
//!
//! Every formula is a row of one table ([`optics`](crate::optics) holds the formulas' sources);
//! laws with one unknown are solved until nothing new follows, so any quantity can be asked for by
//! giving enough of the others. Given values that contradict each other, and wishes that no
//! camera can fulfil, are errors that name the values. Nothing here prints.

mod advice;
mod answer;
mod chart;
mod error;
mod law;
mod laws;
mod more_laws;
mod needs;
mod quantity;
mod solve;
mod text;

use std::collections::{BTreeMap, BTreeSet};

pub use advice::Caution;
pub use answer::{Plan, PlanReport, Row, Source, Sweep, SweepRow};
pub use error::PlanError;
pub use quantity::{About, Kind, Quantity};
pub use text::{figures, parse, show};

use laws::law;
use solve::{Origin, State};

use crate::frame::units::FrameRate;

/// Most values of a sweep.
const MOST_VALUES: usize = 1000;

/// What is known: quantities by name, at most one of them with several values.
#[derive(Debug, Clone, Default)]
pub struct PlanInput {
    given: BTreeMap<Quantity, f64>,
    /// The rates as exact fractions.
    rates: BTreeMap<Quantity, FrameRate>,
    sweep: Option<(Quantity, Vec<f64>)>,
    wanted: Option<Quantity>,
}

impl PlanInput {
    /// Asks for one quantity, by option or key: it is an error where it does not follow, and the
    /// plot of a sweep shows it.
    ///
    /// # Errors
    /// Where there is no such quantity.
    pub fn find(&mut self, key: &str) -> Result<(), PlanError> {
        let quantity = Quantity::of_key(key).ok_or_else(|| unknown(key, |_| true))?;
        self.wanted = Some(quantity);
        Ok(())
    }

    /// Gives a quantity as people write it: option or key ("event-length"), value with unit
    /// ("1.5ms") or several values with commas between them ("1000,2000,5000").
    ///
    /// # Errors
    /// Where the name, a number or its unit is wrong, or a second quantity has several values.
    pub fn set(&mut self, key: &str, text: &str) -> Result<(), PlanError> {
        let quantity = Quantity::of_key(key)
            .filter(|q| q.option().is_some())
            .ok_or_else(|| unknown(key, |q| q.option().is_some()))?;
        let values: Vec<f64> = text
            .split(',')
            .map(|t| parse(quantity, t))
            .collect::<Result<_, _>>()
            .map_err(|e: PlanError| {
                // "0,3 m/s": two digits' groups and one unit are more likely one number.
                let parts: Vec<&str> = text.split(',').collect();
                let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
                let comma = matches!(parts[..], [a, b] if digits(a)
                    && b.starts_with(|c: char| c.is_ascii_digit()));
                match e {
                    PlanError::Value { option, why } if comma => PlanError::Value {
                        option,
                        why: format!(
                            "{why}; commas separate several values, each with its unit: a decimal \
                             has a point"
                        ),
                    },
                    other => other,
                }
            })?;
        if values.len() > 1 {
            return self.sweep_over(quantity, values);
        }
        if let Ok(rate) = text.parse::<FrameRate>()
            && quantity.about().kind == Kind::Rate
        {
            self.rates.insert(quantity, rate);
        }
        self.given.extend(values.first().map(|&v| (quantity, v)));
        Ok(())
    }

    /// Gives a quantity as a number in the unit of its kind ([`Kind::unit`]).
    ///
    /// # Errors
    /// Where the value is outside the quantity's range.
    pub fn give(&mut self, quantity: Quantity, value: f64) -> Result<(), PlanError> {
        text::in_range(quantity, value)
            .map_err(|why| PlanError::Value { option: quantity.about().key.to_owned(), why })?;
        self.given.insert(quantity, value);
        Ok(())
    }

    fn sweep_over(&mut self, quantity: Quantity, values: Vec<f64>) -> Result<(), PlanError> {
        if let Some((other, _)) = self.sweep.as_ref().filter(|s| s.0 != quantity) {
            return Err(PlanError::Input(format!(
                "both the {other} and the {quantity} have several values: only one may"
            )));
        }
        if values.len() > MOST_VALUES {
            return Err(PlanError::Input(format!(
                "the {quantity} has {} values: give at most {MOST_VALUES}",
                values.len()
            )));
        }
        self.sweep = Some((quantity, values));
        Ok(())
    }
}

/// No such quantity: with those that are like it, or all that could have been named.
fn unknown(name: &str, may: impl Fn(&Quantity) -> bool) -> PlanError {
    let like: Vec<Quantity> = Quantity::like(name).into_iter().filter(&may).collect();
    let names: Vec<String> = if like.is_empty() {
        Quantity::ALL.iter().filter(|q| may(q)).map(|q| q.name()).collect()
    } else {
        like.iter().map(|q| format!("{} ({q})", q.name())).collect()
    };
    PlanError::Unknown { name: name.to_owned(), names: names.join(", ") }
}

/// Works out all that follows.
///
/// # Errors
/// Where nothing is given, values contradict each other, or a wish is impossible. In a sweep a
/// fault of one value is in its row; only when no value has a plan is it an error.
pub fn run(input: &PlanInput) -> Result<PlanReport, PlanError> {
    let cautions = advice::cautions();
    if let Some((quantity, values)) = &input.sweep {
        let sweep = sweep(input, *quantity, values)?;
        if let Some(q) = input.wanted.filter(|q| q != quantity && !sweep.columns.contains(q)) {
            return Err(PlanError::Missing(format!(
                "{q} does not change with the {quantity}, or does not follow from what is given: \
                 ask for it with a single value to see which"
            )));
        }
        let plot = chart::choose(&sweep, input.wanted).map(|q| chart::bars(&sweep, q));
        return Ok(PlanReport {
            plan: None,
            sweep: Some(sweep),
            wanted: input.wanted,
            plot: plot.unwrap_or_default(),
            cautions,
        });
    }
    if input.given.is_empty() {
        return Err(PlanError::Input(
            "nothing is given to plan with: begin with --magnification, --pixel-pitch, --rate or \
             --event-length"
                .to_owned(),
        ));
    }
    let plan = plan(&input.given, &input.rates)?;
    if let Some(wanted) = input.wanted.filter(|&q| plan.value(q).is_none()) {
        return Err(PlanError::Missing(missing(&plan, wanted)));
    }
    let wanted = input.wanted;
    Ok(PlanReport { plan: Some(plan), sweep: None, wanted, plot: Vec::new(), cautions })
}

/// What to give for a quantity that does not follow.
fn missing(plan: &Plan, wanted: Quantity) -> String {
    let name = |q: &Quantity| match q.option() {
        Some(option) => format!("{q} ({option})"),
        None => q.to_string(),
    };
    let way = |w: &BTreeSet<Quantity>| w.iter().map(name).collect::<Vec<_>>().join(" and ");
    let ways: Vec<String> = needs::missing(plan, wanted).iter().map(way).collect();
    if ways.is_empty() {
        return format!("the {wanted} does not follow from what is given");
    }
    format!("the {wanted} does not follow from what is given: give the {}", ways.join("; or the "))
}

fn plan(
    given: &BTreeMap<Quantity, f64>,
    rates: &BTreeMap<Quantity, FrameRate>,
) -> Result<Plan, PlanError> {
    let state = State::solve(given)?;
    let lens = state.value(Quantity::LensDepth).is_some();
    let of_objectives = [Quantity::ObjectiveDepth, Quantity::OtherDepth];
    let airy = state.value(Quantity::AiryRadius).map(|radius| 2.0 * radius);
    let diffracted = airy.zip(state.value(Quantity::Circle)).is_some_and(|(airy, c)| airy > c);
    let rows = state
        .known
        .iter()
        // A lens has the depth of field of a lens, and what diffraction alone leaves; the other formulas
        // are for objectives.
        .filter(|(q, _)| !(lens && of_objectives.contains(q)))
        .map(|(&quantity, known)| {
            let about = quantity.about();
            let (source, formula, mut note) = match known.origin {
                Origin::Given => (Source::Given, None, None),
                Origin::Assumed(why) => (Source::Assumed, None, Some(why.to_owned())),
                Origin::Limit(why) => (Source::Computed, None, Some(why.to_owned())),
                Origin::Law(i) => {
                    let words = law(i).map(|law| format!("{}: {}", law.name, law.formula));
                    (Source::Computed, words, None)
                }
            };
            let mut shown = show(about.kind, known.value);
            match quantity {
                // Formulas differ by tens of per cent: one figure is what they are good for.
                Quantity::LensDepth
                | Quantity::ObjectiveDepth
                | Quantity::WaveDepth
                | Quantity::OtherDepth => {
                    shown = format!("about {}", show(about.kind, one_figure(known.value)));
                    if quantity == Quantity::LensDepth && diffracted {
                        let words = "by the circle alone, and the Airy disc is larger than that";
                        note = Some(words.to_owned());
                    }
                }
                Quantity::SlowDown => note = exact_slow_down(rates).or(note),
                Quantity::RecordFrames => shown = show(about.kind, known.value.floor()),
                Quantity::RecordTime if known.origin == Origin::Given => {
                    note = state.fits_memory();
                }
                // What is to be taken is taken whole.
                Quantity::Averaged | Quantity::Darks | Quantity::Flats | Quantity::MedianNeeds
                    if matches!(known.origin, Origin::Law(_)) =>
                {
                    // Not 11 for what is 10 but for the last digit.
                    let whole = libm::ceil(known.value * (1.0 - 1e-9));
                    if (whole - known.value).abs() > 1e-6 {
                        note = Some(format!("rounded up from {}", figures(known.value, 3)));
                    }
                    shown = show(about.kind, whole);
                }
                _ => {}
            }
            Row {
                quantity,
                name: about.words,
                value: known.value,
                unit: about.kind.unit(),
                shown,
                source,
                formula,
                note,
            }
        })
        .collect();
    Ok(Plan { rows, warnings: advice::warnings(&state) })
}

/// Rounded to one significant figure.
fn one_figure(x: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(x)));
    if x > 0.0 { (x / power).round() * power } else { x }
}

fn exact_slow_down(rates: &BTreeMap<Quantity, FrameRate>) -> Option<String> {
    let ratio = rates.get(&Quantity::Rate)?.ratio(*rates.get(&Quantity::Playback)?)?;
    (ratio.den() > 1).then(|| format!("exactly {ratio}"))
}

fn sweep(input: &PlanInput, quantity: Quantity, values: &[f64]) -> Result<Sweep, PlanError> {
    let plans: Vec<Result<Plan, PlanError>> = values
        .iter()
        .map(|&v| {
            let mut given = input.given.clone();
            given.insert(quantity, v);
            plan(&given, &BTreeMap::new())
        })
        .collect();
    let good: Vec<&Plan> = plans.iter().filter_map(|p| p.as_ref().ok()).collect();
    if good.is_empty()
        && let Some(Err(e)) = plans.first()
    {
        return Err(e.clone());
    }
    let changes = |&q: &Quantity| {
        let mut all = good.iter().map(|p| p.value(q));
        let first = all.next().flatten();
        q != quantity
            && (all.any(|v| v != first) || (good.len() == 1 && first.is_some()))
            && !input.given.contains_key(&q)
    };
    let columns: Vec<Quantity> = Quantity::ALL.iter().copied().filter(|q| changes(q)).collect();
    let rows = values
        .iter()
        .zip(&plans)
        .map(|(&value, p)| {
            let row = |q: &Quantity| p.as_ref().ok()?.rows.iter().find(|r| r.quantity == *q);
            SweepRow {
                value,
                results: columns.iter().map(|q| row(q).map(|r| r.value)).collect(),
                shown: columns
                    .iter()
                    .map(|q| row(q).map_or_else(String::new, |r| r.shown.clone()))
                    .collect(),
                fault: p.as_ref().err().map(ToString::to_string),
                warnings: p.as_ref().map_or_else(|_| Vec::new(), |p| p.warnings.clone()),
            }
        })
        .collect();
    Ok(Sweep { quantity, unit: quantity.about().kind.unit(), columns, rows })
}

#[cfg(test)]
mod tests;
