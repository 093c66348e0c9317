//! Lower bounds, and the exact search.
//!
//! Places hinder each other only through people, gases, supplies and stock.
//! Left to itself each place has a cheapest way to deal with its tasks; the
//! sum of these is a bound. A candidate that would raise the bound to what is
//! already reached cannot be part of a better plan and is dropped. The places
//! that still hinder each other form groups; each group is a mixed-integer
//! programme of its own (one variable a candidate, one a task left out, one a
//! person at a part), solved by branch and bound.

use super::improve::{Chosen, Occupancy};
use super::model::{Candidate, Model};
use super::plan::{Budget, Stopped};
use std::collections::{BTreeMap, BTreeSet};

mod programme;

/// The most tasks of a place for which the bound weighs every way to join them.
const MOST_WEIGHED: usize = 12;

/// The most candidates of a group that a programme is tried with; beyond
/// them its first relaxation alone takes longer than people wait.
const MOST_CANDIDATES: usize = 6_000;

/// What each place costs at least, for any subset of its tasks.
#[derive(Debug)]
pub(super) struct Bounds {
    places: Vec<PlaceBound>,
}

#[derive(Debug)]
enum PlaceBound {
    /// By subset of the tasks.
    Table(Vec<i64>),
    /// By task, the least share of any visit.
    Shares(Vec<i64>),
}

impl PlaceBound {
    fn of(model: &Model<'_>, place: usize) -> Self {
        let at = &model.places[place];
        let cheapest = at.sets.iter().filter_map(|set| {
            let first = set.candidates.first()?;
            Some((set.set as usize, model.candidates[*first].cost.total()))
        });
        if at.tasks.len() > MOST_WEIGHED {
            let mut shares: Vec<i64> = at.tasks.iter().map(|task| model.left_out[*task]).collect();
            for (set, cost) in cheapest {
                let share = cost / i64::from(set.count_ones());
                for (bit, least) in shares.iter_mut().enumerate().take(32) {
                    if set >> bit & 1 == 1 {
                        *least = share.min(*least);
                    }
                }
            }
            return Self::Shares(shares);
        }
        let cheapest: Vec<(usize, i64)> = cheapest.collect();
        let mut table = vec![0; 1 << at.tasks.len()];
        for subset in 1_usize..table.len() {
            let bit = subset.trailing_zeros() as usize;
            let mut least = table[subset & (subset - 1)] + model.left_out[at.tasks[bit]];
            for (set, cost) in &cheapest {
                if set >> bit & 1 == 1 && set & !subset == 0 {
                    least = least.min(table[subset & !set] + cost);
                }
            }
            table[subset] = least;
        }
        Self::Table(table)
    }

    /// The bound without those tasks.
    fn without(&self, set: u32) -> i64 {
        match self {
            Self::Table(table) => table[(table.len() - 1) & !(set as usize)],
            Self::Shares(shares) => {
                let rest = shares.iter().enumerate();
                rest.filter(|(bit, _)| *bit >= 32 || set >> bit & 1 == 0).map(|(_, share)| share).sum()
            }
        }
    }
}

impl Bounds {
    pub(super) fn new(model: &Model<'_>) -> Self {
        Self { places: (0..model.places.len()).map(|place| PlaceBound::of(model, place)).collect() }
    }

    /// The bound for all.
    pub(super) fn total(&self) -> i64 {
        self.places.iter().map(|place| place.without(0)).sum()
    }
}

/// Places that hinder each other, with the candidates still to be weighed.
struct Group {
    places: Vec<usize>,
    candidates: Vec<usize>,
}

/// What an exact search among some candidates says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Searched {
    /// No choice among them costs less.
    pub(super) bound: i64,
    pub(super) stopped: Stopped,
}

/// Finds the best choice among the candidates that `allowed` lets through and
/// those chosen now, group by group, as far as the budget allows.
pub(super) fn search(
    model: &Model<'_>,
    bounds: &Bounds,
    occupancy: &mut Occupancy,
    allowed: &dyn Fn(usize) -> bool,
    budget: &mut dyn Budget,
) -> Searched {
    let everything = Group { places: (0..model.places.len()).collect(), candidates: Vec::new() };
    let mut open = vec![everything];
    let mut all = Searched { bound: 0, stopped: Stopped::Proved };
    while let Some(group) = open.pop() {
        let bound: i64 = group.places.iter().map(|place| bounds.places[*place].without(0)).sum();
        let cost: i64 = group.places.iter().map(|place| occupancy.cost_of(model, *place)).sum();
        if cost <= bound {
            all.bound += cost;
            continue;
        }
        let mut candidates = promising(model, bounds, &group.places, cost - bound);
        candidates.retain(|index| allowed(*index));
        // What is chosen now may stay, and must not meet another group's new choice.
        let chosen = group.places.iter().flat_map(|place| &occupancy.chosen[*place]);
        candidates.extend(chosen.map(|chosen| chosen.candidate));
        candidates.sort_unstable();
        candidates.dedup();
        let parts = groups(model, &group.places, candidates);
        if parts.len() > 1 {
            open.extend(parts);
            continue;
        }
        let whole = parts.into_iter().next().unwrap_or(group);
        let mut answer = if whole.candidates.len() > MOST_CANDIDATES {
            programme::Answer { bound, better: None, stopped: Stopped::BudgetSpent }
        } else {
            programme::solve(model, &whole.places, &whole.candidates, occupancy, budget)
        };
        if let Some(better) = answer.better.take()
            && !replace(model, occupancy, &whole.places, better)
        {
            answer = programme::Answer { bound, better: None, stopped: Stopped::SolverGaveUp };
        }
        let now: i64 = whole.places.iter().map(|place| occupancy.cost_of(model, *place)).sum();
        all.bound += if answer.stopped == Stopped::Proved { now } else { answer.bound.max(bound).min(now) };
        if answer.stopped != Stopped::Proved {
            all.stopped = answer.stopped;
        }
    }
    all
}

/// Puts a group's better choice in; false, with all as it was, where it does
/// not fit after all, because the solver took rounding too lightly.
fn replace(model: &Model<'_>, occupancy: &mut Occupancy, places: &[usize], better: Vec<Chosen>) -> bool {
    let mut trial = occupancy.clone();
    for place in places {
        drop(trial.clear(model, *place));
    }
    for chosen in better {
        if !trial.allows(model, &chosen) {
            return false;
        }
        trial.put(model, chosen.candidate, chosen.crew);
    }
    *occupancy = trial;
    true
}

/// The candidates of some places that could be part of a plan better than one
/// whose cost lies `gap` above the bound.
fn promising(model: &Model<'_>, bounds: &Bounds, places: &[usize], gap: i64) -> Vec<usize> {
    let mut kept = Vec::new();
    for place in places {
        let bound = &bounds.places[*place];
        let alone = bound.without(0);
        for set in &model.places[*place].sets {
            let rest = bound.without(set.set);
            // Sorted by cost: the first that raises the bound too far ends it.
            let worth = set
                .candidates
                .iter()
                .take_while(|index| model.candidates[**index].cost.total() + rest - alone < gap);
            kept.extend(worth.copied());
        }
    }
    kept
}

/// The place that leads another's group.
fn top(leader: &BTreeMap<usize, usize>, mut place: usize) -> usize {
    while leader[&place] != place {
        place = leader[&place];
    }
    place
}

/// Splits places into those whose candidates can hinder each other.
fn groups(model: &Model<'_>, places: &[usize], candidates: Vec<usize>) -> Vec<Group> {
    let mut leader: BTreeMap<usize, usize> = places.iter().map(|place| (*place, *place)).collect();
    // What each candidate touches, by kind, number and slot.
    let mut touched: BTreeMap<(u8, usize, usize), usize> = BTreeMap::new();
    for index in &candidates {
        let candidate = &model.candidates[*index];
        let mut join = |key: (u8, usize, usize)| {
            let first = *touched.entry(key).or_insert(candidate.place);
            let (one, other) = (top(&leader, first), top(&leader, candidate.place));
            if one != other {
                leader.insert(one.max(other), one.min(other));
            }
        };
        touches(model, candidate, &mut join);
    }
    let mut by_leader: BTreeMap<usize, Group> = BTreeMap::new();
    for place in places {
        let group = by_leader
            .entry(top(&leader, *place))
            .or_insert_with(|| Group { places: Vec::new(), candidates: Vec::new() });
        group.places.push(*place);
    }
    for index in candidates {
        let at = top(&leader, model.candidates[index].place);
        by_leader.get_mut(&at).expect("every place has its group").candidates.push(index);
    }
    by_leader.into_values().collect()
}

/// Everything in which a candidate can meet one of another place.
fn touches(model: &Model<'_>, candidate: &Candidate, join: &mut dyn FnMut((u8, usize, usize))) {
    for claim in &candidate.claims {
        (claim.range.from..claim.range.to).for_each(|slot| join((0, claim.resource, slot)));
    }
    for part in candidate.parts.iter().filter(|part| part.need > 0) {
        for person in &part.eligible {
            (part.range.from..part.range.to).for_each(|slot| join((1, *person, slot)));
        }
    }
    for (index, range) in &candidate.closes {
        if let Some(gas) = model.gas_of_box[*index] {
            (range.from..range.to).for_each(|slot| join((2, gas, slot)));
        }
    }
    let items: BTreeSet<usize> = candidate.takes.iter().map(|take| take.item).collect();
    for item in items {
        join((3, item, 0));
    }
}
