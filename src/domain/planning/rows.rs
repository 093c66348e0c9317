//! What places share, as rows of limits: people's time, boxes that may be
//! closed, resources, places themselves, and stock. A row has one limit a
//! slot, against which the uses of the chosen candidates are counted.
//!
//! The rows are necessary, and but for who does what they are enough: where
//! people differ, a choice within the rows may still find nobody.

use super::model::Model;
use super::slots::{Range, SlotSet};
use std::collections::{BTreeMap, BTreeSet};

/// The most groups of people that get a row of their own.
const MOST_GROUPS: usize = 24;

/// A use of a row over a range of slots.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Use {
    pub(super) row: usize,
    pub(super) range: Range,
    pub(super) amount: i64,
}

/// The rows, and by candidate what it uses of them.
#[derive(Debug)]
pub(super) struct Rows {
    /// By row, the limit in each slot.
    pub(super) room: Vec<Vec<i64>>,
    uses: Vec<Use>,
    /// By candidate, where its uses begin in the list.
    first: Vec<usize>,
}

impl Rows {
    /// The rows of a model; only candidates that are listed in a set count.
    pub(super) fn of(model: &Model<'_>) -> Self {
        let mut writing = Writing {
            model,
            listed: listed(model),
            room: Vec::new(),
            uses: vec![Vec::new(); model.candidates.len()],
        };
        writing.people();
        writing.gases();
        writing.resources();
        writing.stock();
        let mut first = vec![0];
        for uses in &writing.uses {
            first.push(first.last().copied().unwrap_or(0) + uses.len());
        }
        Self { room: writing.room, uses: writing.uses.concat(), first }
    }

    /// What a candidate uses.
    pub(super) fn uses(&self, candidate: usize) -> &[Use] {
        &self.uses[self.first[candidate]..self.first[candidate + 1]]
    }
}

/// The candidates that are listed in a set, place by place.
fn listed(model: &Model<'_>) -> Vec<usize> {
    let sets = model.places.iter().flat_map(|place| &place.sets);
    sets.flat_map(|set| set.candidates.iter().copied()).collect()
}

struct Writing<'m, 'a> {
    model: &'m Model<'a>,
    listed: Vec<usize>,
    room: Vec<Vec<i64>>,
    uses: Vec<Vec<Use>>,
}

impl Writing<'_, '_> {
    fn add(&mut self, room: Vec<i64>) -> usize {
        self.room.push(room);
        self.room.len() - 1
    }

    /// Of any group of people no more can be asked for at once than are at
    /// work; the groups weighed are everybody, those of each competence, and
    /// those of either of several.
    fn people(&mut self) {
        let model = self.model;
        for group in groups(model) {
            let room = (0..model.slots.count).map(|slot| {
                let here = Range { from: slot, to: slot + 1 };
                let at_work = group.iter().filter(|person| model.at_work[**person].all(here));
                i64::try_from(at_work.count()).unwrap_or(i64::MAX)
            });
            let row = self.add(room.collect());
            for index in &self.listed {
                for part in model.candidates[*index].parts.iter().filter(|part| part.need > 0) {
                    if part.eligible.iter().all(|person| group.contains(person)) {
                        let amount = i64::try_from(part.need).unwrap_or(i64::MAX);
                        self.uses[*index].push(Use { row, range: part.range, amount });
                    }
                }
            }
        }
    }

    fn gases(&mut self) {
        let model = self.model;
        let first = self.room.len();
        for gas in &model.gases {
            self.add(gas.room.iter().map(|room| i64::from(*room)).collect());
        }
        for index in &self.listed {
            for (closed, range) in &model.candidates[*index].closes {
                let Some(gas) = model.gas_of_box[*closed] else { continue };
                let ranges = not_otherwise(&model.box_closed[*closed], *range);
                let row = first + gas;
                self.uses[*index].extend(ranges.into_iter().map(|range| Use { row, range, amount: 1 }));
            }
        }
    }

    /// Resources that two visits can both want: those of more than one place,
    /// and the places themselves.
    fn resources(&mut self) {
        let model = self.model;
        let mut places: BTreeMap<usize, BTreeSet<usize>> = BTreeMap::new();
        for index in &self.listed {
            for claim in &model.candidates[*index].claims {
                places.entry(claim.resource).or_default().insert(model.candidates[*index].place);
            }
        }
        places.retain(|resource, at| {
            at.len() > 1 || at.iter().any(|place| model.places[*place].resource(model) == Some(*resource))
        });
        let rows: BTreeMap<usize, usize> =
            places.keys().map(|resource| (*resource, self.add(vec![1; model.slots.count]))).collect();
        for index in &self.listed {
            for claim in &model.candidates[*index].claims {
                if let Some(row) = rows.get(&claim.resource) {
                    self.uses[*index].push(Use { row: *row, range: claim.range, amount: 1 });
                }
            }
        }
    }

    /// Stock: a row a level, with one slot for all that is taken while the
    /// level or an earlier one holds. Amounts are told in the largest measure
    /// that divides all of them, so that rows of every kind count alike.
    fn stock(&mut self) {
        let model = self.model;
        let of_one_slot = Range { from: 0, to: 1 };
        for (item, levels) in model.items.iter().enumerate() {
            let taken = |index: &usize| {
                model.candidates[*index].takes.iter().filter(move |take| take.item == item && take.amount > 0)
            };
            let measure =
                self.listed.iter().flat_map(taken).fold(0, |measure, take| gcd(measure, take.amount));
            if measure == 0 {
                continue;
            }
            for (number, (_, level)) in levels.levels.iter().enumerate() {
                let until = levels.levels.get(number + 1).map(|(until, _)| *until);
                let row = self.add(vec![level.max(&0) / measure]);
                for index in &self.listed {
                    let before = taken(index).filter(|take| until.is_none_or(|until| take.slot < until));
                    let amount: i64 = before.map(|take| take.amount / measure).sum();
                    if amount > 0 {
                        self.uses[*index].push(Use { row, range: of_one_slot, amount });
                    }
                }
            }
        }
    }
}

const fn gcd(one: i64, other: i64) -> i64 {
    let (mut one, mut other) = (one, other);
    while other != 0 {
        (one, other) = (other, one % other);
    }
    one
}

/// The pieces of a range in which a box is not closed anyway.
fn not_otherwise(closed: &SlotSet, range: Range) -> Vec<Range> {
    if !closed.any(range) {
        return vec![range];
    }
    let slots = (range.from..range.to).map(|slot| Range { from: slot, to: slot + 1 });
    slots.filter(|slot| !closed.any(*slot)).collect()
}

/// Groups of people: everybody, and those of any of some competences.
fn groups(model: &Model<'_>) -> Vec<Vec<usize>> {
    let everybody: Vec<usize> = (0..model.at_work.len()).collect();
    let words: BTreeSet<_> =
        model.active.iter().filter_map(|t| model.snapshot.tasks[*t].competence.as_ref()).collect();
    let able: BTreeSet<BTreeSet<usize>> = words
        .into_iter()
        .map(|word| {
            let held =
                |p: &usize| model.snapshot.people[*p].competences.iter().any(|held| held.word == *word);
            everybody.iter().copied().filter(held).collect()
        })
        .collect();
    let mut groups = able.clone();
    groups.insert(everybody.into_iter().collect());
    let mut last = groups.clone();
    while groups.len() < MOST_GROUPS {
        let joined: BTreeSet<BTreeSet<usize>> =
            last.iter().flat_map(|group| able.iter().map(move |one| group | one)).collect();
        last = joined.difference(&groups).cloned().collect();
        if last.is_empty() {
            break;
        }
        groups.extend(last.iter().take(MOST_GROUPS).cloned());
    }
    groups.into_iter().filter(|group| !group.is_empty()).map(|group| group.into_iter().collect()).collect()
}
