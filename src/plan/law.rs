//! A formula of a plan, and how it is solved for any of its quantities that has a solution.

use super::quantity::Quantity;

/// How quantities hang together.
#[derive(Debug, Clone, Copy)]
pub(super) enum Relation {
    /// `factor * product of q^power = 1`: solved for any one of its quantities.
    Product(f64, &'static [(Quantity, f64)]),
    /// `result = f(of)`; `back` solves for some of `of`, by index.
    Function {
        result: Quantity,
        of: &'static [Quantity],
        f: fn(&[f64]) -> f64,
        back: &'static [(usize, Inverse)],
    },
}

/// Solves for one argument, given the result and all arguments (the wanted one is ignored).
pub(super) type Inverse = fn(f64, &[f64]) -> f64;

/// A formula with its name.
#[derive(Debug, Clone, Copy)]
pub(super) struct Law {
    /// The formula as people write it.
    pub formula: &'static str,
    /// How it is called and where it is from.
    pub name: &'static str,
    pub relation: Relation,
    /// Relative difference from which given values contradict the law; `None`: not checked.
    pub tolerance: Option<f64>,
}

impl Law {
    /// All its quantities.
    pub(super) fn terms(&self) -> Vec<Quantity> {
        match self.relation {
            Relation::Product(_, powers) => powers.iter().map(|p| p.0).collect(),
            Relation::Function { result, of, .. } => {
                std::iter::once(result).chain(of.iter().copied()).collect()
            }
        }
    }

    /// The value of `wanted` where `known` tells all others; `None` where the law cannot be
    /// solved for it.
    pub(super) fn solve(
        &self,
        wanted: Quantity,
        known: impl Fn(Quantity) -> Option<f64>,
    ) -> Option<f64> {
        match self.relation {
            Relation::Product(factor, powers) => {
                let mut rest = factor;
                let mut own = None;
                for &(q, power) in powers {
                    if q == wanted {
                        own = Some(power);
                    } else {
                        rest *= libm::pow(known(q)?, power);
                    }
                }
                Some(libm::pow(rest, -1.0 / own?))
            }
            Relation::Function { result, of, f, back } => {
                let values = |blank: Option<Quantity>| -> Option<Vec<f64>> {
                    of.iter()
                        .map(|&q| if blank == Some(q) { Some(0.0) } else { known(q) })
                        .collect()
                };
                if wanted == result {
                    // "Below detection" has no value, and is none.
                    return Some(f(&values(None)?)).filter(|value| !value.is_nan());
                }
                let index = of.iter().position(|&q| q == wanted)?;
                let inverse = back.iter().find(|b| b.0 == index)?.1;
                Some(inverse(known(result)?, &values(Some(wanted))?))
                    .filter(|value| !value.is_nan())
            }
        }
    }

    /// The same with one length in micrometres where the formula has metres.
    pub(super) const fn micrometres(self) -> Self {
        match self.relation {
            Relation::Product(factor, powers) => {
                Self { relation: Relation::Product(factor * 1e-6, powers), ..self }
            }
            Relation::Function { .. } => self,
        }
    }
}

pub(super) const fn product(
    formula: &'static str,
    name: &'static str,
    factor: f64,
    powers: &'static [(Quantity, f64)],
) -> Law {
    Law { formula, name, relation: Relation::Product(factor, powers), tolerance: Some(0.01) }
}

pub(super) const fn function(
    formula: &'static str,
    name: &'static str,
    result: Quantity,
    of: &'static [Quantity],
    f: fn(&[f64]) -> f64,
) -> Law {
    Law {
        formula,
        name,
        relation: Relation::Function { result, of, f, back: &[] },
        tolerance: None,
    }
}
