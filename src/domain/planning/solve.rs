//! From a snapshot to a plan or a refusal: the order of the steps.

use super::exact;
use super::explain;
use super::improve::{self, Occupancy};
use super::model::{Model, Rules};
use super::plan::{Budget, Plan, Refusal, Stopped, Unplaced};
use super::prices;
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

/// Steps of improvement without a gain, before there are prices.
const SHORT_PATIENCE: usize = 60;
/// The same once the bound is known.
const PATIENCE: usize = 400;
/// The same once nothing else is left to try, where time counts.
const LONG_PATIENCE: usize = 1_000_000;

/// Constructs, improves, bounds and, where the budget allows, proves.
pub(super) fn search(model: &Model<'_>, seed: u64, budget: &mut dyn Budget) -> Found {
    let bounds = exact::Bounds::new(model);
    let mut lower_bound = bounds.total();
    let mut occupancy = improve::construct(model);
    let mut spent = improve::improve(model, &mut occupancy, lower_bound, seed, SHORT_PATIENCE, budget);
    let ended = |occupancy: Occupancy, lower_bound: i64| {
        let cost = occupancy.cost(model);
        let stopped = if cost <= lower_bound { Stopped::Proved } else { Stopped::BudgetSpent };
        Found { occupancy, cost, lower_bound: lower_bound.min(cost), stopped }
    };
    if spent || occupancy.cost(model) <= lower_bound {
        return ended(occupancy, lower_bound);
    }
    let prices = prices::adjusted(model, occupancy.cost(model), budget);
    lower_bound = prices.as_ref().map_or(lower_bound, |prices| prices.bound.max(lower_bound));
    spent = improve::improve(model, &mut occupancy, lower_bound, seed.wrapping_add(1), PATIENCE, budget);
    if spent || occupancy.cost(model) <= lower_bound {
        return ended(occupancy, lower_bound);
    }
    let mut found = exact::prove(model, &bounds, occupancy, prices.as_ref(), budget);
    if found.stopped != Stopped::Proved && budget.left().is_some() {
        let seed = seed.wrapping_add(2);
        improve::improve(model, &mut found.occupancy, found.lower_bound, seed, LONG_PATIENCE, budget);
        found.cost = found.occupancy.cost(model);
        if found.cost <= found.lower_bound {
            found.stopped = Stopped::Proved;
        }
    }
    found
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
