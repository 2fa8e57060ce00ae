//! What is missing for a quantity that was asked for.

use std::collections::BTreeSet;

use super::answer::Plan;
use super::law::{Law, Relation};
use super::laws::laws;
use super::quantity::Quantity;
use super::solve::has_usual_value;

impl Law {
    /// Whether the law can be solved for `wanted`, given all its other quantities.
    fn solves(&self, wanted: Quantity) -> bool {
        match self.relation {
            Relation::Product(_, powers) => powers.iter().any(|p| p.0 == wanted),
            Relation::Function { result, of, back, .. } => {
                let index = of.iter().position(|&q| q == wanted);
                result == wanted || index.is_some_and(|i| back.iter().any(|b| b.0 == i))
            }
        }
    }

    /// Its quantities but `wanted` that are not known and have no usual value. The longest
    /// recording is that of the recording's length, as `solve` takes it.
    fn open(&self, wanted: Quantity, plan: &Plan) -> Vec<Quantity> {
        let terms = self.terms();
        let known = |q: Quantity| plan.value(q).is_some() || terms.contains(&q);
        let all = terms
            .iter()
            .copied()
            .filter(|&q| q != wanted && plan.value(q).is_none() && !has_usual_value(q, known));
        all.map(|q| if q == Quantity::LongestRecord { Quantity::RecordTime } else { q })
            .filter(|&q| q != wanted)
            .collect()
    }
}

/// Ways to `wanted`: for each, the quantities that are still to be given; the shortest first, at
/// most three.
pub(super) fn missing(plan: &Plan, wanted: Quantity) -> Vec<BTreeSet<Quantity>> {
    let same = wanted == Quantity::RecordTime;
    let mut ways: Vec<BTreeSet<Quantity>> = laws()
        .filter(|law| law.solves(wanted) || (same && law.solves(Quantity::LongestRecord)))
        .filter_map(|law| {
            let mut open = BTreeSet::new();
            for q in law.open(wanted, plan) {
                // What cannot be given itself is opened up by the law that gives it.
                if q.option().is_some() {
                    open.insert(q);
                } else {
                    open.extend(inside(plan, q)?);
                }
            }
            (!open.contains(&wanted)).then_some(open)
        })
        .collect();
    if wanted == Quantity::Exposure {
        // The limit that `solve` takes from a blur that is allowed.
        let all = [Quantity::BlurLimit, Quantity::EventSpeed, Quantity::Scale];
        ways.insert(0, all.into_iter().filter(|&q| plan.value(q).is_none()).collect());
    }
    ways.retain(|w| !w.is_empty());
    ways.sort_by_key(BTreeSet::len);
    ways.dedup();
    ways.truncate(3);
    ways
}

/// What can be given for `result`, which is only ever worked out.
fn inside(plan: &Plan, result: Quantity) -> Option<BTreeSet<Quantity>> {
    laws()
        .filter(|law| law.solves(result))
        .filter_map(|law| {
            let open = law.open(result, plan);
            open.iter().all(|q| q.option().is_some()).then(|| open.into_iter().collect())
        })
        .min_by_key(BTreeSet::len)
}
