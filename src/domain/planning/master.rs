//! The best prices, from the linear programme over candidates and rows
//! (column and row generation, as textbooks on set packing have it).
//!
//! The programme starts with few candidates and no limits. In turn, limits
//! that its solution breaks are added, and candidates that would lower its
//! cost at its prices. When neither is left the prices are the best there
//! are; whenever it stops before, the best bound so far holds as well.

use super::improve::Occupancy;
use super::model::{Model, does_two};
use super::plan::Budget;
use super::prices::{Prices, Suggested, THOUSANDTHS, Valued};
use super::rows::Rows;
use super::simplex::Simplex;
use std::collections::{BTreeMap, BTreeSet};

/// The most candidates that enter the programme at a time.
const MOST_ENTERING: usize = 300;

/// Of each set, so many.
const MOST_OF_A_SET: usize = 3;

/// Rounds of adding candidates.
const ROUNDS: usize = 200;

/// Rounds of adding limits for the same candidates.
const ROUNDS_OF_LIMITS: usize = 40;

/// Pivots at a time; many times what is usual.
const MOST_PIVOTS: usize = 20_000;

/// By how much a limit has to be broken to be added.
const BROKEN: f64 = 1e-3;

/// What the programme says.
#[derive(Debug, Clone, Default)]
pub(super) struct Relaxed {
    /// No choice costs less, in whole units.
    pub(super) bound: i64,
    /// By candidate, the least in thousandths that a choice with it can cost.
    pub(super) with_each: Vec<i64>,
    /// Candidates with how much of them the programme takes.
    pub(super) shares: Vec<(usize, f64)>,
}

impl Relaxed {
    /// The candidates, those that the prices find best first; of equal ones
    /// those that the programme takes.
    pub(super) fn liked(&self) -> Vec<usize> {
        let taken: BTreeSet<usize> = self.shares.iter().map(|(index, _)| *index).collect();
        let mut liked: Vec<usize> =
            (0..self.with_each.len()).filter(|index| self.with_each[*index] < i64::MAX).collect();
        liked.sort_by_key(|index| (self.with_each[*index], !taken.contains(index), *index));
        liked
    }
}

struct Master<'m, 'a> {
    model: &'m Model<'a>,
    rows: &'m Rows,
    programme: Simplex,
    /// By task of the snapshot, its row.
    of_task: BTreeMap<usize, usize>,
    /// By row of limits, the slots that are in the programme.
    cells: Vec<BTreeMap<usize, usize>>,
    /// By place and three of its tasks, the row by which one visit does two of them.
    threes: BTreeMap<(usize, u32), usize>,
    /// By candidate, whether it is in the programme.
    entered: BTreeSet<usize>,
    /// By column of the programme, the candidate.
    candidate: Vec<Option<usize>>,
    /// What exceeding a limit costs.
    dear: f64,
}

/// The bound of the best prices found, beginning with what is chosen now and
/// ending early where the bound is enough.
pub(super) fn relaxed(
    model: &Model<'_>,
    rows: &Rows,
    present: &Occupancy,
    budget: &mut dyn Budget,
) -> Relaxed {
    let mut master = Master::new(model, rows);
    let mut prices = Prices::nought(model, rows);
    let enough = present.cost(model).min(model.enough);
    let mut valued = prices.valued();
    let mut best =
        Relaxed { bound: valued.bound(), with_each: prices.with_each(&valued), shares: Vec::new() };
    let mut best_value = valued.value;
    let chosen = present.chosen.iter().flatten().map(|chosen| chosen.candidate);
    master.enter(chosen.chain(valued.picked()).collect());
    for _ in 0..ROUNDS {
        if best.bound >= enough || budget.spent() {
            break;
        }
        let optimal = master.solve(budget);
        let suggested = master.duals();
        prices.set(&suggested);
        valued = prices.valued();
        if valued.value > best_value {
            best_value = valued.value;
            best.bound = valued.bound();
            best.with_each = prices.with_each(&valued);
        }
        best.shares = master.shares();
        let entering = master.worth_entering(&prices, &valued, &suggested.shares);
        if entering.is_empty() || !optimal {
            break;
        }
        master.enter(entering);
    }
    best
}

#[expect(clippy::cast_precision_loss, reason = "costs stay far below 2^53")]
const fn float(whole: i64) -> f64 {
    whole as f64
}

#[expect(clippy::cast_possible_truncation, reason = "a price beyond the range is cut off")]
fn thousandths(price: f64) -> i64 {
    (price * float(THOUSANDTHS)).round() as i64
}

impl<'m, 'a> Master<'m, 'a> {
    fn new(model: &'m Model<'a>, rows: &'m Rows) -> Self {
        let mut programme = Simplex::default();
        let mut candidate = Vec::new();
        let of_task = model.active.iter().map(|task| {
            candidate.push(None);
            (*task, programme.add_equation(float(model.left_out[*task])))
        });
        let of_task = of_task.collect();
        let dearest = model.active.iter().map(|task| model.left_out[*task]).max().unwrap_or(0);
        Self {
            model,
            rows,
            programme,
            of_task,
            cells: vec![BTreeMap::new(); rows.room.len()],
            threes: BTreeMap::new(),
            entered: BTreeSet::new(),
            candidate,
            dear: float(dearest) * 4.0,
        }
    }

    fn enter(&mut self, candidates: Vec<usize>) {
        for index in candidates {
            if !self.entered.insert(index) {
                continue;
            }
            let candidate = &self.model.candidates[index];
            let mut amounts: BTreeMap<usize, i64> =
                candidate.tasks.iter().map(|(task, _)| (self.of_task[task], 1)).collect();
            for used in self.rows.uses(index) {
                for (_, row) in self.cells[used.row].range(used.range.from..used.range.to) {
                    *amounts.entry(*row).or_default() += used.amount;
                }
            }
            amounts.extend(self.threes_of(candidate.place, candidate.set).map(|row| (row, 1)));
            let amounts = amounts.into_iter().map(|(row, amount)| (row, float(amount))).collect();
            self.programme.add_column(float(candidate.cost.total()), amounts);
            self.candidate.push(Some(index));
        }
    }

    /// Solves the programme, adding the limits that its solution breaks.
    fn solve(&mut self, budget: &mut dyn Budget) -> bool {
        for _ in 0..ROUNDS_OF_LIMITS {
            if !self.programme.minimise(MOST_PIVOTS, budget) {
                return false;
            }
            let broken = self.broken();
            let threes = self.broken_threes();
            if broken.is_empty() && threes.is_empty() {
                return true;
            }
            for (place, three) in threes {
                self.limit_three(place, three);
            }
            for (row, slot) in broken {
                self.limit(row, slot);
            }
        }
        true
    }

    /// Limits that the solution breaks: of each stretch the one broken most.
    fn broken(&self) -> Vec<(usize, usize)> {
        let mut changes: Vec<BTreeMap<usize, f64>> = vec![BTreeMap::new(); self.rows.room.len()];
        for (index, share) in self.shares() {
            for used in self.rows.uses(index) {
                *changes[used.row].entry(used.range.from).or_default() += share * float(used.amount);
                *changes[used.row].entry(used.range.to).or_default() -= share * float(used.amount);
            }
        }
        let mut broken = Vec::new();
        for (row, changes) in changes.iter().enumerate() {
            let mut reached = 0.0;
            let mut worst: Option<(f64, usize)> = None;
            let mut from = 0;
            for (slot, change) in changes {
                // Where fewer can be had at some slot before the next change.
                let room = self.rows.room[row][from..*slot].iter().enumerate().min_by_key(|(_, room)| **room);
                if let Some((at, room)) = room {
                    let over = reached - float(*room);
                    if over <= BROKEN {
                        broken.extend(worst.take().map(|(_, slot)| (row, slot)));
                    } else if worst.is_none_or(|(most, _)| over > most)
                        && !self.cells[row].contains_key(&(from + at))
                    {
                        worst = Some((over, from + at));
                    }
                }
                reached += change;
                from = *slot;
            }
            broken.extend(worst.map(|(_, slot)| (row, slot)));
        }
        broken
    }

    /// The rows of threes of which a set does two.
    fn threes_of(&self, place: usize, set: u32) -> impl Iterator<Item = usize> {
        let here = self.threes.range((place, 0)..=(place, u32::MAX));
        here.filter(move |((_, three), _)| does_two(set, *three)).map(|(_, row)| *row)
    }

    fn broken_threes(&self) -> Vec<(usize, u32)> {
        let mut by_place: BTreeMap<usize, Vec<(u32, f64)>> = BTreeMap::new();
        for (index, share) in self.shares() {
            let candidate = &self.model.candidates[index];
            by_place.entry(candidate.place).or_default().push((candidate.set, share));
        }
        let mut broken = Vec::new();
        for (place, taken) in by_place {
            // Only where visits are taken in part, and more than two of them.
            if taken.len() < 3 || taken.iter().all(|(_, share)| *share > 1.0 - BROKEN) {
                continue;
            }
            let over = |three: &u32| {
                let two = taken.iter().filter(|(set, _)| does_two(*set, *three));
                two.map(|(_, share)| share).sum::<f64>() > 1.0 + BROKEN
            };
            broken.extend(self.model.places[place].threes().filter(over).map(|three| (place, three)));
        }
        broken
    }

    fn limit_three(&mut self, place: usize, three: u32) {
        let does_two = |index: &usize| {
            let candidate = &self.model.candidates[*index];
            candidate.place == place && does_two(candidate.set, three)
        };
        let columns = self.candidate.iter().enumerate();
        let used: Vec<(usize, f64)> = columns
            .filter(|(_, index)| index.as_ref().is_some_and(does_two))
            .map(|(column, _)| (column, 1.0))
            .collect();
        let number = self.programme.add_limit(1.0, self.dear, &used);
        self.candidate.extend([None, None]);
        self.threes.insert((place, three), number);
    }

    fn limit(&mut self, row: usize, slot: usize) {
        let mut used = Vec::new();
        for (column, index) in self.candidate.iter().enumerate() {
            let Some(index) = index else { continue };
            let here = self
                .rows
                .uses(*index)
                .iter()
                .filter(|used| used.row == row && used.range.from <= slot && slot < used.range.to);
            let amount: i64 = here.map(|used| used.amount).sum();
            if amount > 0 {
                used.push((column, float(amount)));
            }
        }
        let number = self.programme.add_limit(float(self.rows.room[row][slot]), self.dear, &used);
        self.candidate.extend([None, None]);
        self.cells[row].insert(slot, number);
    }

    /// The programme's duals as prices.
    fn duals(&self) -> Suggested {
        let price = |row: usize| thousandths(-self.programme.dual(row));
        let cells = self.cells.iter().enumerate();
        Suggested {
            cells: cells
                .flat_map(|(row, cells)| cells.iter().map(move |(slot, number)| (row, *slot, price(*number))))
                .collect(),
            shares: self.of_task.iter().map(|(task, row)| (*task, -price(*row))).collect(),
            threes: self.threes.iter().map(|((place, three), row)| (*place, *three, price(*row))).collect(),
        }
    }

    fn shares(&self) -> Vec<(usize, f64)> {
        let all = self.programme.solution();
        all.filter_map(|(column, share)| Some((self.candidate[column]?, share))).collect()
    }

    /// Candidates that would lower the programme's cost, the best of each set first.
    fn worth_entering(
        &self,
        prices: &Prices<'_, '_>,
        valued: &Valued,
        shares: &BTreeMap<usize, i64>,
    ) -> Vec<usize> {
        let mut worth: Vec<(i64, usize)> = Vec::new();
        for (place, (at, offers)) in self.model.places.iter().zip(&valued.offers).enumerate() {
            for (set, offer) in at.sets.iter().zip(offers) {
                let tasks = &self.model.candidates[offer.candidate].tasks;
                let threes = self.threes_of(place, set.set).map(|row| thousandths(self.programme.dual(row)));
                let share = tasks.iter().map(|(task, _)| shares[task]).sum::<i64>() + threes.sum::<i64>();
                if offer.priced >= share - THOUSANDTHS / 100 {
                    continue;
                }
                let mut best: Vec<(i64, usize)> = set
                    .candidates
                    .iter()
                    .map(|index| (prices.priced(*index) - share, *index))
                    .filter(|(reduced, index)| *reduced < -THOUSANDTHS / 100 && !self.entered.contains(index))
                    .collect();
                best.sort_unstable();
                worth.extend(best.into_iter().take(MOST_OF_A_SET));
            }
        }
        worth.sort_unstable();
        worth.truncate(MOST_ENTERING);
        worth.into_iter().map(|(_, index)| index).collect()
    }
}
