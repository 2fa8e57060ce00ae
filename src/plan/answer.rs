//! The answer to a question about a shot: rows of a plan, or the table of a sweep.

use serde::Serialize;

use super::advice::Caution;
use super::quantity::Quantity;

/// How a row's value came about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Source {
    /// Given.
    Given,
    /// Assumed, as nothing was given.
    Assumed,
    /// Worked out.
    Computed,
}

/// One quantity of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// The quantity's key.
    pub quantity: Quantity,
    /// Its name for people.
    pub name: &'static str,
    /// Its value in `unit`.
    pub value: f64,
    /// Unit of `value`; empty for plain numbers.
    pub unit: &'static str,
    /// Value and unit for people.
    pub shown: String,
    /// Given, assumed or worked out.
    pub source: Source,
    /// The formula's name, where it was worked out.
    pub formula: Option<String>,
    /// What else to know of it.
    pub note: Option<String>,
}

/// A plan: all that follows from what was given.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// The quantities known, in a fixed order.
    pub rows: Vec<Row>,
    /// What is wrong or risky in this plan.
    pub warnings: Vec<String>,
}

impl Plan {
    /// The value of a quantity in the unit of its kind; `None` where it does not follow.
    #[must_use]
    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        self.rows.iter().find(|r| r.quantity == quantity).map(|r| r.value)
    }
}

/// One value of a sweep and what follows from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepRow {
    /// The value that was given.
    pub value: f64,
    /// The values of the table's columns; `None` where one does not follow.
    pub results: Vec<Option<f64>>,
    /// The same for people.
    pub shown: Vec<String>,
    /// Why there is no plan for this value.
    pub fault: Option<String>,
    /// Warnings of this plan.
    pub warnings: Vec<String>,
}

/// A table over several values of one quantity.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sweep {
    /// The quantity with several values.
    pub quantity: Quantity,
    /// Unit of its values.
    pub unit: &'static str,
    /// The quantities that change with it, and follow from it.
    pub columns: Vec<Quantity>,
    /// A row a value, in the order given.
    pub rows: Vec<SweepRow>,
}

/// The answer to a question about a shot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanReport {
    /// The plan, where every quantity has one value.
    pub plan: Option<Plan>,
    /// The table, where one has several.
    pub sweep: Option<Sweep>,
    /// The quantity that was asked for.
    pub wanted: Option<Quantity>,
    /// A small plot of the table in text, a line each.
    pub plot: Vec<String>,
    /// Cautions on safety.
    pub cautions: Vec<Caution>,
}
