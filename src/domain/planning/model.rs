//! A snapshot in the planner's own terms: numbered slots, resources and
//! people, and the list of candidate visits with what each takes and costs.

use super::candidates;
use super::plan::{RuleFamily, VisitCost};
use super::slots::{Range, SlotSet, Slots};
use super::snapshot::{Place, Request, Snapshot, Task};
use super::weights::by_day;
use crate::domain::calendar::Interval;
use crate::domain::facility::WorkingGas;
use crate::domain::ids::ThingId;
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};

/// The rules that are enforced.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Rules {
    dropped: BTreeSet<RuleFamily>,
}

impl Rules {
    /// All of them.
    pub(super) const fn all() -> Self {
        Self { dropped: BTreeSet::new() }
    }

    /// Whether a kind of rule is enforced.
    pub(super) fn hold(&self, family: RuleFamily) -> bool {
        !self.dropped.contains(&family)
    }

    /// Without these kinds of rule.
    pub(super) fn without(families: impl IntoIterator<Item = RuleFamily>) -> Self {
        Self { dropped: families.into_iter().collect() }
    }
}

/// A resource over a range of slots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Claim {
    pub(super) resource: usize,
    pub(super) range: Range,
}

/// A stretch in which people are at work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) task: usize,
    pub(super) range: Range,
    pub(super) need: usize,
    /// People who can do it, as far as nothing else is planned.
    pub(super) eligible: Vec<usize>,
}

/// An amount of stock taken at a slot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Take {
    pub(super) item: usize,
    pub(super) slot: usize,
    pub(super) amount: i64,
}

/// A candidate visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Candidate {
    pub(super) place: usize,
    /// Which of the place's tasks, bit by bit.
    pub(super) set: u32,
    /// Its tasks in order, with the whole range of each.
    pub(super) tasks: Vec<(usize, Range)>,
    pub(super) range: Range,
    pub(super) purge: Range,
    pub(super) window: usize,
    /// What it claims; the place itself and the boxes it closes among them.
    pub(super) claims: Vec<Claim>,
    /// Boxes closed, by index.
    pub(super) closes: Vec<(usize, Range)>,
    pub(super) parts: Vec<Part>,
    pub(super) takes: Vec<Take>,
    pub(super) displaced: Vec<usize>,
    pub(super) cost: VisitCost,
}

/// The candidates for one set of a place's tasks, cheapest first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SetCandidates {
    pub(super) set: u32,
    pub(super) candidates: Vec<usize>,
}

/// A place with its tasks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ModelPlace {
    pub(super) place: Place,
    pub(super) tasks: Vec<usize>,
    pub(super) sets: Vec<SetCandidates>,
}

impl ModelPlace {
    /// The place itself as a resource, which one visit at a time takes; `None`
    /// where no candidate does.
    pub(super) fn resource(&self, model: &Model<'_>) -> Option<usize> {
        let thing = match self.place {
            Place::Glovebox(glovebox) => glovebox.into(),
            Place::Elsewhere(thing) => thing,
        };
        model.resources.get(&thing).copied()
    }
}

/// The most tasks of a place for which every three are looked at.
const MOST_TASKS_BY_THREES: usize = 20;

impl ModelPlace {
    /// Every three of the place's tasks, as bits. At most one visit does two
    /// of the three, which linear programmes do not see by themselves.
    pub(super) fn threes(&self) -> impl Iterator<Item = u32> + use<> {
        let count = if self.tasks.len() > MOST_TASKS_BY_THREES { 0 } else { self.tasks.len() };
        (0..count).flat_map(move |one| {
            (one + 1..count)
                .flat_map(move |two| (two + 1..count).map(move |three| 1_u32 << one | 1 << two | 1 << three))
        })
    }
}

/// Whether a set of tasks does two of three.
pub(super) const fn does_two(set: u32, three: u32) -> bool {
    (set & three).count_ones() >= 2
}

/// One working gas: how many more of its boxes may be closed in each slot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct GasRoom {
    pub(super) room: Vec<i32>,
}

/// One stock item: levels from slots on, rising or falling.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ItemLevels {
    pub(super) levels: Vec<(usize, i64)>,
}

/// Everything the search needs.
#[derive(Debug)]
pub(super) struct Model<'a> {
    pub(super) snapshot: &'a Snapshot,
    pub(super) request: &'a Request,
    pub(super) now: DateTime<Utc>,
    pub(super) rules: Rules,
    pub(super) slots: Slots,
    /// Tasks of the snapshot that are to be placed, by their index in it.
    pub(super) active: Vec<usize>,
    /// What leaving a task out costs, by index in the snapshot.
    pub(super) left_out: Vec<i64>,
    pub(super) must: Vec<bool>,
    pub(super) places: Vec<ModelPlace>,
    pub(super) candidates: Vec<Candidate>,
    pub(super) resources: BTreeMap<ThingId, usize>,
    pub(super) taken: Vec<SlotSet>,
    /// Slots in which each person can work.
    pub(super) at_work: Vec<SlotSet>,
    pub(super) gases: Vec<GasRoom>,
    /// The gas of each box, by index, where it has a minimum.
    pub(super) gas_of_box: Vec<Option<usize>>,
    /// Slots in which each box is closed otherwise.
    pub(super) box_closed: Vec<SlotSet>,
    pub(super) items: Vec<ItemLevels>,
    pub(super) item_of: BTreeMap<&'a str, usize>,
    /// Whether joint visits were left out of the candidates.
    pub(super) cut: bool,
    /// A bound that answers all that is asked.
    pub(super) enough: i64,
}

impl<'a> Model<'a> {
    /// Builds the model for those tasks that `wanted` picks.
    pub(super) fn build(
        snapshot: &'a Snapshot,
        request: &'a Request,
        now: DateTime<Utc>,
        rules: Rules,
        wanted: impl Fn(&Task) -> bool,
    ) -> Self {
        let slots = Slots::new(snapshot.horizon, now, snapshot.grid);
        let active: Vec<usize> = (0..snapshot.tasks.len())
            .filter(|index| {
                let task = &snapshot.tasks[*index];
                !request.left_out.contains(&task.id) && wanted(task)
            })
            .collect();
        let mut model = Self {
            snapshot,
            request,
            now,
            rules,
            slots,
            left_out: vec![0; snapshot.tasks.len()],
            must: vec![false; snapshot.tasks.len()],
            active,
            places: Vec::new(),
            candidates: Vec::new(),
            resources: BTreeMap::new(),
            taken: Vec::new(),
            at_work: Vec::new(),
            gases: Vec::new(),
            gas_of_box: Vec::new(),
            box_closed: Vec::new(),
            items: Vec::new(),
            item_of: BTreeMap::new(),
            cut: false,
            enough: i64::MAX,
        };
        model.number_resources();
        model.people();
        model.gases();
        model.stock();
        model.places();
        candidates::enumerate(&mut model);
        model.price_leaving_out();
        model.keep_useful();
        model
    }

    /// The index of a resource.
    pub(super) fn resource(&mut self, thing: ThingId) -> usize {
        let next = self.resources.len();
        let index = *self.resources.entry(thing).or_insert(next);
        if index == next {
            self.taken.push(SlotSet::none(self.slots.count));
        }
        index
    }

    fn number_resources(&mut self) {
        for occupied in &self.snapshot.taken {
            let index = self.resource(occupied.resource);
            if self.rules.hold(RuleFamily::Claims) {
                let range = self.slots.touching(occupied.interval);
                self.taken[index].insert(range);
            }
        }
    }

    fn people(&mut self) {
        for worker in &self.snapshot.people {
            let mut set = SlotSet::none(self.slots.count);
            if self.rules.hold(RuleFamily::WorkingTime) {
                // Joined first, so that a slot across two stretches that touch counts.
                for interval in crate::domain::calendar::interval::merge(worker.working.clone()) {
                    set.insert(self.slots.inside(interval));
                }
                for interval in &worker.absent {
                    set.remove(self.slots.touching(*interval));
                }
            } else {
                set.insert(Range { from: 0, to: self.slots.count });
            }
            if self.rules.hold(RuleFamily::Claims) {
                let busy = self.snapshot.taken.iter().filter(|taken| taken.resource == worker.id.into());
                for taken in busy {
                    set.remove(self.slots.touching(taken.interval));
                }
            }
            self.at_work.push(set);
        }
    }

    fn gases(&mut self) {
        let snapshot = self.snapshot;
        self.box_closed = vec![SlotSet::none(self.slots.count); snapshot.boxes.len()];
        for closed in &snapshot.closed {
            if let Some(index) = snapshot.boxes.iter().position(|b| b.id == closed.glovebox) {
                self.box_closed[index].insert(self.slots.touching(closed.interval));
            }
        }
        let mut minima: BTreeMap<WorkingGas, u32> = BTreeMap::new();
        for minimum in &snapshot.open_minimum {
            let least = minima.entry(minimum.gas).or_default();
            *least = minimum.boxes.max(*least);
        }
        let numbered: BTreeMap<WorkingGas, usize> = minima.keys().copied().zip(0..).collect();
        self.gas_of_box = snapshot.boxes.iter().map(|b| numbered.get(&b.gas).copied()).collect();
        for (gas, least) in minima {
            let room = (0..self.slots.count).map(|slot| {
                let here = Range { from: slot, to: slot + 1 };
                let open = snapshot.boxes.iter().zip(&self.box_closed);
                let open = open.filter(|(b, closed)| b.gas == gas && !closed.any(here)).count();
                i32::try_from(open).unwrap_or(i32::MAX) - i32::try_from(least).unwrap_or(i32::MAX)
            });
            let room = if self.rules.hold(RuleFamily::OpenMinimum) {
                room.map(|room| room.max(0)).collect()
            } else {
                vec![i32::MAX / 2; self.slots.count]
            };
            self.gases.push(GasRoom { room });
        }
    }

    fn stock(&mut self) {
        if !self.rules.hold(RuleFamily::Stock) {
            return;
        }
        let mut levels: Vec<_> = self.snapshot.stock.iter().collect();
        levels.sort_by_key(|level| (&level.item, level.from));
        for level in levels {
            let next = self.items.len();
            let index = *self.item_of.entry(level.item.as_str()).or_insert(next);
            if index == next {
                self.items.push(ItemLevels { levels: vec![(0, level.thousandths)] });
                continue;
            }
            // A visit that begins earlier in the same slot still finds the level before.
            let ahead = Interval::new(level.from, self.snapshot.horizon.end());
            let slot = ahead.map_or(self.slots.count, |ahead| self.slots.inside(ahead).from);
            let list = &mut self.items[index].levels;
            match list.last_mut() {
                Some(last) if last.0 >= slot => last.1 = level.thousandths,
                _ => list.push((slot, level.thousandths)),
            }
        }
    }

    fn places(&mut self) {
        let mut by_place: BTreeMap<Place, Vec<usize>> = BTreeMap::new();
        for index in &self.active {
            by_place.entry(self.snapshot.tasks[*index].place).or_default().push(*index);
        }
        for (place, mut tasks) in by_place {
            // The order within a visit: what runs by itself last, so that it
            // can run on into the night.
            tasks.sort_by_key(|index| {
                let task = &self.snapshot.tasks[*index];
                (task.unattended, task.purge, task.id)
            });
            self.places.push(ModelPlace { place, tasks, sets: Vec::new() });
        }
    }

    /// What leaving each task out costs. For one that must be placed this is
    /// more than anything else together could cost.
    fn price_leaving_out(&mut self) {
        let snapshot = self.snapshot;
        for index in &self.active {
            let task = &snapshot.tasks[*index];
            let pinned = self.request.pins.iter().any(|pin| pin.task == task.id);
            self.must[*index] = task.must_be_placed(snapshot.horizon) || pinned;
            self.left_out[*index] = left_out_cost(task, snapshot);
        }
        let dearest = self.places.iter().flat_map(|place| &place.sets).map(|set| {
            let costs = set.candidates.iter().map(|index| self.candidates[*index].cost.total());
            costs.max().unwrap_or(0)
        });
        let everything: i64 =
            dearest.sum::<i64>() + self.active.iter().map(|t| self.left_out[*t]).sum::<i64>();
        for index in &self.active {
            if self.must[*index] {
                self.left_out[*index] = everything + 1;
            }
        }
    }

    /// Makes nothing count but leaving a task out, one unit each: what is
    /// left to find is whether all can be placed, so that a bound of one says no.
    pub(super) fn only_placing_counts(&mut self) {
        self.enough = 1;
        for candidate in &mut self.candidates {
            candidate.cost = VisitCost::default();
        }
        for task in &self.active {
            self.left_out[*task] = 1;
        }
    }

    /// Drops candidates that cost no less than leaving their tasks out, and
    /// sorts the rest by cost.
    fn keep_useful(&mut self) {
        let (candidates, left_out) = (&self.candidates, &self.left_out);
        for place in &mut self.places {
            for set in &mut place.sets {
                set.candidates.retain(|index| {
                    let candidate = &candidates[*index];
                    let otherwise: i64 = candidate.tasks.iter().map(|(task, _)| left_out[*task]).sum();
                    candidate.cost.total() < otherwise
                });
                set.candidates.sort_by_key(|index| (candidates[*index].cost.total(), *index));
            }
            place.sets.retain(|set| !set.candidates.is_empty());
        }
    }
}

/// What leaving out a task counts for that need not be placed.
pub(super) fn left_out_cost(task: &Task, snapshot: &Snapshot) -> i64 {
    let end = snapshot.horizon.end();
    let late = task.act_by.map_or(0, |by| by_day(task.late_day(&snapshot.weights), end - by));
    snapshot.weights.left_out + late
}

/// What the start and the end of a task count for: lateness, and unused life.
pub(super) fn timing(task: &Task, interval: Interval, snapshot: &Snapshot) -> (i64, i64) {
    let weights = &snapshot.weights;
    let late = task.act_by.map_or(0, |by| by_day(task.late_day(weights), interval.end() - by));
    let early = task.earliest.map_or(0, |from| by_day(weights.wasted_day, from - interval.start()));
    (late, early)
}
