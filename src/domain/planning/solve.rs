//! From a snapshot to a plan or a refusal: the order of the steps.

use super::exact;
use super::explain;
use super::improve::{self, Occupancy};
use super::master::{self, Relaxed};
use super::model::{Model, Rules};
use super::must::{self, Begun, Question};
use super::part::Part;
use super::plan::{Budget, Plan, Refusal, Stopped, Unplaced};
use super::prices::{THOUSANDTHS, whole_units};
use super::refuse;
use super::rows::Rows;
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
    let must = Question::of_all(snapshot, request, now);
    let (missing, proved, begun) = must.placed(budget);
    if !missing.is_empty() {
        return Err(Box::new(refuse::refusal(&must, &missing, proved, budget)));
    }
    let model = Model::build(snapshot, request, now, Rules::all(), |_| true);
    let found = search(&model, Some(&begun), seed, budget);
    let mut visits = explain::visits(&model, &found.occupancy);
    visits.sort_by_key(|visit| (visit.interval, visit.place));
    let unplaced = unplaced(&model, &found.occupancy, &must, budget);
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

/// How long to improve a choice step by step: steps without a gain, steps in
/// all, and one part in so many of the time.
#[derive(Debug, Clone, Copy)]
struct Improving {
    patience: usize,
    steps: u64,
    parts: u32,
}

/// Before there are prices.
const IMPROVING_BEFORE: Improving = Improving { patience: 30, steps: 100, parts: 20 };
/// Once the bound is known.
const IMPROVING_AFTER: Improving = Improving { patience: 50, steps: 300, parts: 10 };
/// Steps without a gain once nothing else is left to try, where time counts.
const LONG_PATIENCE: usize = 1_000_000;

fn improve_for(
    how_long: Improving,
    model: &Model<'_>,
    occupancy: &mut Occupancy,
    bound: i64,
    seed: u64,
    budget: &mut dyn Budget,
) {
    let mut part = Part::new(budget, how_long.steps, how_long.parts);
    improve::improve(model, occupancy, bound, seed, how_long.patience, &mut part);
}

/// Constructs, improves, bounds and, where the budget allows, proves. Where
/// visits for all that must be placed are given, the choice leaves none out.
pub(super) fn search(
    model: &Model<'_>,
    begun: Option<&[Begun]>,
    seed: u64,
    budget: &mut dyn Budget,
) -> Found {
    let bounds = exact::Bounds::new(model);
    let mut lower_bound = bounds.total();
    let mut occupancy = improve::construct(model);
    if let Some(begun) = begun.filter(|begun| !begun.is_empty()) {
        let other = must::begun_with(model, begun);
        if other.cost(model) < occupancy.cost(model) {
            occupancy = other;
        }
    }
    improve_for(IMPROVING_BEFORE, model, &mut occupancy, lower_bound, seed, budget);
    budget.reached(occupancy.cost(model), lower_bound);
    if budget.spent() || lower_bound >= occupancy.cost(model).min(model.enough) {
        return found(model, occupancy, lower_bound, Stopped::BudgetSpent);
    }
    let rows = Rows::of(model);
    let relaxed = master::relaxed(model, &rows, &occupancy, budget);
    lower_bound = relaxed.bound.max(lower_bound);
    let rounded = improve::rounded(model, &relaxed.shares);
    if rounded.cost(model) < occupancy.cost(model) {
        occupancy = rounded;
    }
    improve_for(IMPROVING_AFTER, model, &mut occupancy, lower_bound, seed.wrapping_add(1), budget);
    budget.reached(occupancy.cost(model), lower_bound);
    if budget.spent() || lower_bound >= occupancy.cost(model).min(model.enough) {
        return found(model, occupancy, lower_bound, Stopped::BudgetSpent);
    }
    let (bound, stopped) = ladder(model, &bounds, &mut occupancy, &relaxed, budget);
    lower_bound = bound.max(lower_bound);
    if occupancy.cost(model) > lower_bound && budget.left().is_some() {
        let seed = seed.wrapping_add(2);
        improve::improve(model, &mut occupancy, lower_bound, seed, LONG_PATIENCE, budget);
    }
    found(model, occupancy, lower_bound, stopped)
}

fn found(model: &Model<'_>, occupancy: Occupancy, lower_bound: i64, otherwise: Stopped) -> Found {
    let cost = occupancy.cost(model);
    let stopped = if cost <= lower_bound { Stopped::Proved } else { otherwise };
    Found { occupancy, cost, lower_bound: lower_bound.min(cost), stopped }
}

/// Candidates on the first rung.
const FIRST_RUNG: usize = 150;

/// Searches exactly among the candidates that the prices find best, twice as
/// many each time. A choice with any other candidate costs at least what the
/// prices say of the first one left out; once that is no less than what is
/// reached, the choice is the best of all.
fn ladder(
    model: &Model<'_>,
    bounds: &exact::Bounds,
    occupancy: &mut Occupancy,
    relaxed: &Relaxed,
    budget: &mut dyn Budget,
) -> (i64, Stopped) {
    let liked = relaxed.liked();
    let mut rank = vec![usize::MAX; model.candidates.len()];
    for (number, candidate) in liked.iter().enumerate() {
        rank[*candidate] = number;
    }
    let mut lower_bound = relaxed.bound;
    let mut rung = FIRST_RUNG;
    loop {
        let most = (occupancy.cost(model) - 1) * THOUSANDTHS;
        let allowed = |index: usize| rank[index] < rung && relaxed.with_each[index] <= most;
        let searched = exact::search(model, bounds, occupancy, &allowed, budget);
        let first_left_out = liked.get(rung).map(|index| whole_units(relaxed.with_each[*index]));
        lower_bound = searched.bound.min(first_left_out.unwrap_or(i64::MAX)).max(lower_bound);
        budget.reached(occupancy.cost(model), lower_bound);
        let done = lower_bound >= occupancy.cost(model).min(model.enough) || rung >= liked.len();
        if done || searched.stopped != Stopped::Proved || budget.spent() {
            return (lower_bound, searched.stopped);
        }
        rung *= 2;
    }
}

/// The most tasks left out of which is asked what rules are in their way.
const MOST_LOOKED_INTO: usize = 12;

fn unplaced(
    model: &Model<'_>,
    occupancy: &Occupancy,
    asked: &Question<'_>,
    budget: &mut dyn Budget,
) -> Vec<Unplaced> {
    let missing = refuse::left_out(model, occupancy);
    let mut looked_into = 0;
    let mut reason = |task: usize| {
        let nowhere = !explain::is_possible(model, task);
        if nowhere && looked_into < MOST_LOOKED_INTO {
            looked_into += 1;
            let in_the_way = refuse::alone_in_the_way(asked, task, budget).unwrap_or_default();
            if !in_the_way.is_empty() {
                return explain::no_place(model, task, &in_the_way);
            }
        }
        explain::why_left_out(model, task)
    };
    missing
        .into_iter()
        .map(|task| Unplaced {
            id: model.snapshot.tasks[task].id,
            cost: model.left_out[task],
            reason: reason(task),
        })
        .collect()
}
