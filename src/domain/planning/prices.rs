//! A bound from prices on what the places share (Lagrangian relaxation; the
//! textbook subgradient method).
//!
//! People's time, boxes that may be closed, shared resources and stock each
//! get a price a slot instead of a limit. At given prices every place again
//! finds its cheapest way alone, and the sum of these, less the price of all
//! there is, is a bound for any prices that are not negative. Prices and
//! bounds are whole thousandths of a cost unit, so that the bound is exact.

use super::model::{Candidate, Model};
use super::plan::Budget;
use super::slots::Range;
use std::collections::{BTreeMap, BTreeSet};

/// Thousandths in a unit of cost.
const THOUSANDTHS: i64 = 1000;

/// Rounds of adjusting the prices.
const ROUNDS: usize = 400;

/// Rounds without a better bound before the steps are halved.
const PATIENCE: usize = 12;

/// The most tasks of a place for which prices are tried at all.
const MOST_TASKS: usize = 12;

/// A row of limits, one a slot, that uses are counted against.
struct Row {
    room: Vec<i64>,
    price: Vec<i64>,
    /// Prices added up to each slot.
    before: Vec<i64>,
}

/// A use of a row over a range of slots.
#[derive(Clone, Copy)]
struct Use {
    row: usize,
    range: Range,
    amount: i64,
}

/// Prices, and the bound they give.
pub(super) struct Prices<'m, 'a> {
    /// No choice costs less, in whole units.
    pub(super) bound: i64,
    model: &'m Model<'a>,
    rows: Vec<Row>,
    uses: Vec<Vec<Use>>,
}

/// Prices adjusted against the cost of a present choice. `None` where a place
/// has too many tasks, or nothing is shared.
pub(super) fn adjusted<'m, 'a>(
    model: &'m Model<'a>,
    cost: i64,
    budget: &mut dyn Budget,
) -> Option<Prices<'m, 'a>> {
    if model.places.iter().any(|place| place.tasks.len() > MOST_TASKS) {
        return None;
    }
    let mut prices = Prices::new(model);
    if prices.rows.is_empty() {
        return None;
    }
    let cost = cost * THOUSANDTHS;
    let mut best: Option<(i64, Vec<Vec<i64>>)> = None;
    let (mut pace, mut idle) = (1.0_f64, 0);
    for _ in 0..ROUNDS {
        let (value, picked) = prices.value();
        if best.as_ref().is_none_or(|(found, _)| value > *found) {
            best = Some((value, prices.rows.iter().map(|row| row.price.clone()).collect()));
            idle = 0;
        } else {
            idle += 1;
        }
        if idle > PATIENCE {
            (pace, idle) = (pace / 2.0, 0);
        }
        let reached = value > cost - THOUSANDTHS;
        if reached || pace < 0.005 || budget.spent() || !prices.adjust(&picked, pace, cost - value) {
            break;
        }
    }
    let (value, best) = best?;
    for (row, price) in prices.rows.iter_mut().zip(best) {
        row.price = price;
        row.add_up();
    }
    // Costs are whole units: a fraction above one means the next.
    prices.bound = -(-value).div_euclid(THOUSANDTHS);
    Some(prices)
}

impl Row {
    fn new(room: Vec<i64>) -> Self {
        let count = room.len();
        Self { room, price: vec![0; count], before: vec![0; count + 1] }
    }

    fn add_up(&mut self) {
        for slot in 0..self.price.len() {
            self.before[slot + 1] = self.before[slot] + self.price[slot];
        }
    }
}

impl<'m, 'a> Prices<'m, 'a> {
    fn new(model: &'m Model<'a>) -> Self {
        let mut prices =
            Self { bound: i64::MIN, model, rows: Vec::new(), uses: vec![Vec::new(); model.candidates.len()] };
        prices.people();
        prices.gases();
        prices.shared_resources();
        prices.stock();
        prices
    }

    fn add(&mut self, room: Vec<i64>) -> usize {
        self.rows.push(Row::new(room));
        self.rows.len() - 1
    }

    fn listed(&self) -> Vec<usize> {
        let sets = self.model.places.iter().flat_map(|place| &place.sets);
        sets.flat_map(|set| set.candidates.iter().copied()).collect()
    }

    /// Of any group of people no more can be asked for at once than are at
    /// work; the groups weighed are everybody and those of each competence.
    fn people(&mut self) {
        let model = self.model;
        let everybody: Vec<usize> = (0..model.at_work.len()).collect();
        let words: BTreeSet<_> =
            model.active.iter().filter_map(|t| model.snapshot.tasks[*t].competence.as_ref()).collect();
        let able = words.into_iter().map(|word| {
            let people = everybody.iter().copied();
            people
                .filter(|p| model.snapshot.people[*p].competences.iter().any(|held| held.word == *word))
                .collect::<Vec<_>>()
        });
        let groups: BTreeSet<Vec<usize>> = able.chain([everybody.clone()]).collect();
        for group in groups {
            let room = (0..model.slots.count).map(|slot| {
                let here = Range { from: slot, to: slot + 1 };
                i64::try_from(group.iter().filter(|p| model.at_work[**p].all(here)).count())
                    .unwrap_or(i64::MAX)
            });
            let row = self.add(room.collect());
            for index in self.listed() {
                for part in model.candidates[index].parts.iter().filter(|part| part.need > 0) {
                    if part.eligible.iter().all(|person| group.contains(person)) {
                        let amount = i64::try_from(part.need).unwrap_or(i64::MAX);
                        self.uses[index].push(Use { row, range: part.range, amount });
                    }
                }
            }
        }
    }

    fn gases(&mut self) {
        let model = self.model;
        let first = self.rows.len();
        for gas in &model.gases {
            let row = gas.room.iter().map(|room| i64::from(*room)).collect();
            self.add(row);
        }
        for index in self.listed() {
            for (closed, range) in &model.candidates[index].closes {
                let Some(gas) = model.gas_of_box[*closed] else { continue };
                // What is closed anyway is not closed once more.
                let otherwise = &model.box_closed[*closed];
                let ranges = if otherwise.any(*range) {
                    let slots = (range.from..range.to).map(|slot| Range { from: slot, to: slot + 1 });
                    slots.filter(|slot| !otherwise.any(*slot)).collect()
                } else {
                    vec![*range]
                };
                self.uses[index].extend(ranges.into_iter().map(|range| Use {
                    row: first + gas,
                    range,
                    amount: 1,
                }));
            }
        }
    }

    /// Resources that candidates of more than one place claim.
    fn shared_resources(&mut self) {
        let model = self.model;
        let listed = self.listed();
        let mut places: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
        for index in &listed {
            for claim in &model.candidates[*index].claims {
                places.entry(claim.resource).or_default().insert(model.candidates[*index].place);
            }
        }
        places.retain(|_, at| at.len() > 1);
        let rows: BTreeMap<usize, usize> =
            places.keys().map(|resource| (*resource, self.add(vec![1; model.slots.count]))).collect();
        for index in listed {
            for claim in &model.candidates[index].claims {
                if let Some(row) = rows.get(&claim.resource) {
                    self.uses[index].push(Use { row: *row, range: claim.range, amount: 1 });
                }
            }
        }
    }

    /// Stock: a row a level, with one slot for all that is taken while the
    /// level or an earlier one holds.
    fn stock(&mut self) {
        let model = self.model;
        let listed = self.listed();
        for (item, levels) in model.items.iter().enumerate() {
            for (number, (_, level)) in levels.levels.iter().enumerate() {
                let until = levels.levels.get(number + 1).map(|(until, _)| *until);
                let row = self.add(vec![*level]);
                for index in &listed {
                    let takes = model.candidates[*index].takes.iter();
                    let amount: i64 = takes
                        .filter(|take| take.item == item && until.is_none_or(|until| take.slot < until))
                        .map(|take| take.amount)
                        .sum();
                    if amount > 0 {
                        self.uses[*index].push(Use { row, range: Range { from: 0, to: 1 }, amount });
                    }
                }
            }
        }
    }

    /// A candidate's cost with what it uses paid for.
    fn priced(&self, index: usize, candidate: &Candidate) -> i64 {
        let paid = self.uses[index].iter().map(|used| {
            let row = &self.rows[used.row];
            used.amount * (row.before[used.range.to] - row.before[used.range.from])
        });
        candidate.cost.total() * THOUSANDTHS + paid.sum::<i64>()
    }

    /// For each subset of a place's tasks the least that doing it costs at
    /// the prices, with the set done first; and the cheapest candidate of each set.
    #[expect(clippy::type_complexity, reason = "a table and what it was made from, used in this file only")]
    fn table(&self, place: usize) -> (Vec<(i64, Option<usize>)>, Vec<(usize, i64, usize)>) {
        let at = &self.model.places[place];
        let cheapest: Vec<(usize, i64, usize)> = at
            .sets
            .iter()
            .map(|set| {
                let priced = set
                    .candidates
                    .iter()
                    .map(|index| (self.priced(*index, &self.model.candidates[*index]), *index));
                let (cost, index) = priced.min().expect("a set has candidates");
                (set.set as usize, cost, index)
            })
            .collect();
        let mut table = vec![(0, None); 1 << at.tasks.len()];
        for subset in 1_usize..table.len() {
            let bit = subset.trailing_zeros() as usize;
            let out = self.model.left_out[at.tasks[bit]] * THOUSANDTHS;
            let mut least = (table[subset & (subset - 1)].0 + out, None);
            for (number, (set, cost, _)) in cheapest.iter().enumerate() {
                if set >> bit & 1 == 1 && set & !subset == 0 && table[subset & !set].0 + cost < least.0 {
                    least = (table[subset & !set].0 + cost, Some(number));
                }
            }
            table[subset] = least;
        }
        (table, cheapest)
    }

    /// The price of all there is.
    fn of_everything(&self) -> i64 {
        let rows = self.rows.iter();
        rows.map(|row| row.price.iter().zip(&row.room).map(|(price, room)| price * room).sum::<i64>()).sum()
    }

    /// The bound at the prices, and the candidates that make it.
    fn value(&self) -> (i64, Vec<usize>) {
        let mut picked = Vec::new();
        let mut value = -self.of_everything();
        for place in 0..self.model.places.len() {
            let (table, cheapest) = self.table(place);
            let mut left = table.len() - 1;
            value += table[left].0;
            while left != 0 {
                match table[left].1 {
                    Some(number) => {
                        let (set, _, index) = cheapest[number];
                        picked.push(index);
                        left &= !set;
                    }
                    None => left &= left - 1,
                }
            }
        }
        (value, picked)
    }

    /// Raises the price of what is asked for too much and lowers that of the
    /// rest. False where nothing is to change.
    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "any price will do")]
    fn adjust(&mut self, picked: &[usize], pace: f64, gap: i64) -> bool {
        let mut over: Vec<Vec<i64>> =
            self.rows.iter().map(|row| row.room.iter().map(|room| -room).collect()).collect();
        for index in picked {
            for used in &self.uses[*index] {
                over[used.row][used.range.from..used.range.to].iter_mut().for_each(|by| *by += used.amount);
            }
        }
        let mut square = 0.0;
        for (row, over) in self.rows.iter().zip(&over) {
            for (price, over) in row.price.iter().zip(over) {
                if *over > 0 || *price > 0 {
                    square += (*over as f64).powi(2);
                }
            }
        }
        if square <= 0.0 {
            return false;
        }
        let step = pace * gap as f64 / square;
        for (row, over) in self.rows.iter_mut().zip(&over) {
            for (price, over) in row.price.iter_mut().zip(over) {
                *price = (*price + (step * *over as f64) as i64).max(0);
            }
            row.add_up();
        }
        true
    }

    /// Whether each candidate can be part of a choice that costs less than `cost`.
    pub(super) fn alive(&self, cost: i64) -> Vec<bool> {
        let most = (cost - 1) * THOUSANDTHS;
        let mut alive = vec![false; self.model.candidates.len()];
        let (value, _) = self.value();
        for (place, at) in self.model.places.iter().enumerate() {
            let (table, _) = self.table(place);
            let all = table.len() - 1;
            let others = value - table[all].0;
            for set in &at.sets {
                let rest = table[all & !(set.set as usize)].0;
                for index in &set.candidates {
                    let with = self.priced(*index, &self.model.candidates[*index]) + rest + others;
                    alive[*index] = with <= most;
                }
            }
        }
        alive
    }
}
