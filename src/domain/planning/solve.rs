//! From a snapshot to a plan or a refusal: the order of the steps.

use super::exact;
use super::explain;
use super::improve::{self, Occupancy};
use super::model::{Model, Rules};
use super::plan::{Budget, Plan, Refusal, Stopped, Unplaced};
use super::refuse;
use super::snapshot::{Request, Snapshot};
use chrono::{DateTime, Utc};

/// The outcome of a search.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) occupancy: Occupancy,
    pub(super) cost: i64,
    pub(super) lower_bound: i64,
    pub(super) stopped: Stopped,
}

/// Places the due tasks of a snapshot, as well as the budget allows.
///
/// Tasks that people's safety depends on, with a date to act by within the
/// horizon, and pinned tasks are placed or the plan is refused; the others are
/// left out where that counts for less. With a budget that does not measure
/// time the answer depends on the arguments only.
pub fn propose(
    snapshot: &Snapshot,
    request: &Request,
    now: DateTime<Utc>,
    seed: u64,
    budget: &mut dyn Budget,
) -> Result<Plan, Box<Refusal>> {
    let model = Model::build(snapshot, request, now, Rules::all(), |_| true);
    let found = search(&model, seed, budget);
    let missing = refuse::missing(&model, &found.occupancy);
    if !missing.is_empty() {
        let proved = found.stopped == Stopped::Proved;
        return Err(Box::new(refuse::refusal(snapshot, request, now, &missing, proved)));
    }
    let mut visits = explain::visits(&model, &found.occupancy);
    visits.sort_by_key(|visit| (visit.interval, visit.place));
    let unplaced = unplaced(&model, &found.occupancy);
    Ok(Plan {
        visits,
        unplaced,
        cost: found.cost,
        lower_bound: found.lower_bound,
        stopped: found.stopped,
        candidates_cut: model.cut,
        seed,
    })
}

/// Constructs, improves, bounds and, where the budget allows, proves.
pub(super) fn search(model: &Model<'_>, seed: u64, budget: &mut dyn Budget) -> Found {
    let bounds = exact::Bounds::new(model);
    let lower_bound = bounds.total();
    let mut occupancy = improve::construct(model);
    let spent = improve::improve(model, &mut occupancy, lower_bound, seed, budget);
    let cost = occupancy.cost(model);
    if cost <= lower_bound {
        return Found { occupancy, cost, lower_bound: cost, stopped: Stopped::Proved };
    }
    if spent {
        return Found { occupancy, cost, lower_bound, stopped: Stopped::BudgetSpent };
    }
    exact::prove(model, &bounds, occupancy, budget)
}

fn unplaced(model: &Model<'_>, occupancy: &Occupancy) -> Vec<Unplaced> {
    let missing = refuse::left_out(model, occupancy);
    missing
        .into_iter()
        .map(|task| Unplaced {
            id: model.snapshot.tasks[task].id,
            cost: model.left_out[task],
            reason: explain::why_left_out(model, task),
        })
        .collect()
}
