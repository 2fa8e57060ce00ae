//! A small plot of a sweep in text.

use super::answer::Sweep;
use super::quantity::Quantity;
use super::text::{figures, show};
use crate::frame::convert::round_usize;

/// Longest bar in characters.
const LONGEST: f64 = 40.0;
/// Largest over smallest value from which bars are logarithmic.
const LOGARITHMIC: f64 = 30.0;

/// What a person most likely asks a sweep for, in that order.
const INTEREST: &[Quantity] = &[
    Quantity::Blur,
    Quantity::FramesAcross,
    Quantity::FramesPerCycle,
    Quantity::LensDepth,
    Quantity::ObjectiveDepth,
    Quantity::FieldWidth,
    Quantity::RecordTime,
    Quantity::AveragedSignalToNoise,
    Quantity::SignalToNoise,
    Quantity::SlowDown,
    Quantity::Exposure,
    Quantity::Rate,
    Quantity::Scale,
];

/// The column to be plotted: the one asked for, else the one of most interest, else the first.
pub(super) fn choose(sweep: &Sweep, wanted: Option<Quantity>) -> Option<Quantity> {
    wanted
        .into_iter()
        .chain(INTEREST.iter().copied())
        .find(|q| sweep.columns.contains(q))
        .or_else(|| sweep.columns.first().copied())
}

/// Lines of a bar plot of one column over the swept quantity; none where nothing can be plotted.
pub(super) fn bars(sweep: &Sweep, column: Quantity) -> Vec<String> {
    let Some(at) = sweep.columns.iter().position(|&q| q == column) else { return Vec::new() };
    let value = |i: usize| sweep.rows[i].results[at].filter(|v| v.is_finite() && *v >= 0.0);
    let all: Vec<f64> = (0..sweep.rows.len()).filter_map(value).collect();
    let most = all.iter().copied().fold(0.0, f64::max);
    let least = all.iter().copied().filter(|v| *v > 0.0).fold(f64::INFINITY, f64::min);
    if most <= 0.0 {
        return Vec::new();
    }
    let log = most / least > LOGARITHMIC;
    let length = |v: f64| {
        if log {
            // A tenth of the plot is left for the smallest.
            let part = libm::log(v / least) / libm::log(most / least);
            if v > 0.0 { LONGEST * (0.1 + 0.9 * part) } else { 0.0 }
        } else {
            LONGEST * v / most
        }
    };
    let kind = sweep.quantity.about().kind;
    let labels: Vec<String> = sweep.rows.iter().map(|r| show(kind, r.value)).collect();
    let wide = labels.iter().map(|l| l.chars().count()).max().unwrap_or(0);
    let mut out = vec![format!(
        "{column} over {}{}",
        sweep.quantity,
        if log { " (bars are logarithmic)" } else { "" }
    )];
    for (i, label) in labels.iter().enumerate() {
        let bar = value(i).map_or(String::new(), |v| "#".repeat(round_usize(length(v))));
        let text = match value(i) {
            Some(v) => show(column.about().kind, figures(v, 4).parse().unwrap_or(v)),
            None => "-".to_owned(),
        };
        out.push(format!("  {label:>wide$} |{bar} {text}"));
    }
    out
}
