//! Construction and improvement: place after place takes its best answer to
//! what the others have taken; then a few places at a time are emptied and
//! filled again, in an order and with slips drawn from a seeded sequence.

use super::model::{Candidate, Model};
use super::plan::Budget;
use super::slots::{Range, SlotSet};

/// A sequence that looks like chance and is the same for one seed
/// (splitmix64; S. Vigna's public-domain reference, from memory).
#[derive(Debug, Clone)]
pub(super) struct Sequence(u64);

impl Sequence {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    const fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `bound`, which is not nought.
    pub(super) fn below(&mut self, bound: usize) -> usize {
        let bound = u64::try_from(bound).unwrap_or(u64::MAX).max(1);
        usize::try_from(self.next() % bound).unwrap_or(0)
    }

    fn shuffle(&mut self, list: &mut [usize]) {
        for last in (1..list.len()).rev() {
            list.swap(last, self.below(last + 1));
        }
    }
}

/// A candidate chosen, with the people for each of its parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Chosen {
    pub(super) candidate: usize,
    pub(super) crew: Vec<Vec<usize>>,
}

/// What is taken so far.
#[derive(Debug, Clone)]
pub(super) struct Occupancy {
    resources: Vec<SlotSet>,
    free_people: Vec<SlotSet>,
    gas_room: Vec<Vec<i32>>,
    stock_left: Vec<Vec<i64>>,
    /// The people in the order they are asked: those who can do least first.
    order: Vec<usize>,
    /// By place.
    pub(super) chosen: Vec<Vec<Chosen>>,
}

impl Occupancy {
    /// Nothing planned yet.
    pub(super) fn empty(model: &Model<'_>) -> Self {
        let mut order: Vec<usize> = (0..model.at_work.len()).collect();
        order.sort_by_key(|person| (model.snapshot.people[*person].competences.len(), *person));
        Self {
            resources: model.taken.clone(),
            free_people: model.at_work.clone(),
            gas_room: model.gases.iter().map(|gas| gas.room.clone()).collect(),
            stock_left: model
                .items
                .iter()
                .map(|item| item.levels.iter().map(|(_, level)| *level).collect())
                .collect(),
            order,
            chosen: vec![Vec::new(); model.places.len()],
        }
    }

    /// Whether all that a candidate takes is still there, people excepted.
    fn has_room(&self, model: &Model<'_>, candidate: &Candidate) -> bool {
        let taken = |claim: &super::model::Claim| self.resources[claim.resource].any(claim.range);
        !candidate.claims.iter().any(taken)
            && self.gas_allows(model, candidate)
            && self.stock_allows(model, candidate)
    }

    /// Whether a choice with its people can be put in.
    pub(super) fn allows(&self, model: &Model<'_>, chosen: &Chosen) -> bool {
        let candidate = &model.candidates[chosen.candidate];
        let open = self.open_tasks(model, candidate.place);
        let staffed = candidate.parts.iter().zip(&chosen.crew).all(|(part, people)| {
            let free =
                |person: &usize| part.eligible.contains(person) && self.free_people[*person].all(part.range);
            people.len() == part.need && people.iter().all(free)
        });
        candidate.set & !open == 0 && staffed && self.has_room(model, candidate)
    }

    /// The people for a candidate, where all that it takes is still there.
    pub(super) fn fits(&self, model: &Model<'_>, candidate: &Candidate) -> Option<Vec<Vec<usize>>> {
        if !self.has_room(model, candidate) {
            return None;
        }
        let mut crew = Vec::with_capacity(candidate.parts.len());
        for part in &candidate.parts {
            let free =
                self.order.iter().copied().filter(|person| {
                    part.eligible.contains(person) && self.free_people[*person].all(part.range)
                });
            let people: Vec<usize> = free.take(part.need).collect();
            if people.len() < part.need {
                return None;
            }
            crew.push(people);
        }
        Some(crew)
    }

    fn gas_allows(&self, model: &Model<'_>, candidate: &Candidate) -> bool {
        if candidate.closes.len() > 1 {
            let mut trial = self.gas_room.clone();
            shut(model, candidate, &mut trial, 1);
            return trial.iter().all(|room| room.iter().all(|left| *left >= 0));
        }
        candidate.closes.iter().all(|(index, range)| {
            let Some(gas) = model.gas_of_box[*index] else { return true };
            slots_shut(model, *index, *range).all(|slot| self.gas_room[gas][slot] > 0)
        })
    }

    fn stock_allows(&self, model: &Model<'_>, candidate: &Candidate) -> bool {
        if candidate.takes.is_empty() {
            return true;
        }
        let mut left = self.stock_left.clone();
        take(model, candidate, &mut left, 1);
        candidate.takes.iter().all(|taken| left[taken.item].iter().all(|left| *left >= 0))
    }

    /// Puts a candidate in.
    pub(super) fn put(&mut self, model: &Model<'_>, index: usize, crew: Vec<Vec<usize>>) {
        let candidate = &model.candidates[index];
        for claim in &candidate.claims {
            self.resources[claim.resource].insert(claim.range);
        }
        for (part, people) in candidate.parts.iter().zip(&crew) {
            for person in people {
                self.free_people[*person].remove(part.range);
            }
        }
        shut(model, candidate, &mut self.gas_room, 1);
        take(model, candidate, &mut self.stock_left, 1);
        self.chosen[candidate.place].push(Chosen { candidate: index, crew });
    }

    /// Takes everything at a place out.
    pub(super) fn clear(&mut self, model: &Model<'_>, place: usize) -> Vec<Chosen> {
        let removed = std::mem::take(&mut self.chosen[place]);
        for chosen in &removed {
            self.release(model, chosen);
        }
        removed
    }

    /// Frees what a choice took; the caller drops it from the list.
    pub(super) fn release(&mut self, model: &Model<'_>, chosen: &Chosen) {
        let candidate = &model.candidates[chosen.candidate];
        for claim in &candidate.claims {
            self.resources[claim.resource].remove(claim.range);
        }
        for (part, people) in candidate.parts.iter().zip(&chosen.crew) {
            for person in people {
                self.free_people[*person].insert(part.range);
            }
        }
        shut(model, candidate, &mut self.gas_room, -1);
        take(model, candidate, &mut self.stock_left, -1);
    }

    /// What a place costs now: its visits and what it leaves out.
    pub(super) fn cost_of(&self, model: &Model<'_>, place: usize) -> i64 {
        let mut covered = 0_u32;
        let mut cost = 0;
        for chosen in &self.chosen[place] {
            let candidate = &model.candidates[chosen.candidate];
            covered |= candidate.set;
            cost += candidate.cost.total();
        }
        let tasks = model.places[place].tasks.iter().enumerate();
        cost + tasks
            .filter(|(bit, _)| *bit >= 32 || covered >> bit & 1 == 0)
            .map(|(_, task)| model.left_out[*task])
            .sum::<i64>()
    }

    /// What everything costs now.
    pub(super) fn cost(&self, model: &Model<'_>) -> i64 {
        (0..model.places.len()).map(|place| self.cost_of(model, place)).sum()
    }

    /// The tasks of a place that no visit covers, as bits.
    fn open_tasks(&self, model: &Model<'_>, place: usize) -> u32 {
        let count = model.places[place].tasks.len().min(32);
        let all = if count == 32 { u32::MAX } else { (1 << count) - 1 };
        self.chosen[place].iter().fold(all, |open, chosen| open & !model.candidates[chosen.candidate].set)
    }

    /// Fills a place with the best that fits what the others have taken.
    /// With `slips`, a set's second-best start is now and then taken for the best.
    pub(super) fn fill(&mut self, model: &Model<'_>, place: usize, slips: Option<&mut Sequence>) {
        let mut slips = slips;
        loop {
            let open = self.open_tasks(model, place);
            let mut options: Vec<(u32, usize, Vec<Vec<usize>>)> = Vec::new();
            for set in model.places[place].sets.iter().filter(|set| set.set & !open == 0) {
                let mut skip = slips.as_deref_mut().map_or(0, |drawn| usize::from(drawn.below(8) == 0));
                for index in &set.candidates {
                    if let Some(crew) = self.fits(model, &model.candidates[*index]) {
                        if skip == 0 {
                            options.push((set.set, *index, crew));
                            break;
                        }
                        skip -= 1;
                    }
                }
            }
            let priced: Vec<(u32, i64)> =
                options.iter().map(|(set, index, _)| (*set, model.candidates[*index].cost.total())).collect();
            let Some(best) = first_of_best(model, place, open, &priced) else { return };
            let (_, index, crew) = options.swap_remove(best);
            self.put(model, index, crew);
        }
    }
}

fn slots_shut<'m>(model: &'m Model<'_>, index: usize, range: Range) -> impl Iterator<Item = usize> + 'm {
    let closed = &model.box_closed[index];
    (range.from..range.to).filter(move |slot| !closed.any(Range { from: *slot, to: slot + 1 }))
}

fn shut(model: &Model<'_>, candidate: &Candidate, room: &mut [Vec<i32>], by: i32) {
    for (index, range) in &candidate.closes {
        if let Some(gas) = model.gas_of_box[*index] {
            for slot in slots_shut(model, *index, *range) {
                room[gas][slot] -= by;
            }
        }
    }
}

fn take(model: &Model<'_>, candidate: &Candidate, left: &mut [Vec<i64>], by: i64) {
    for taken in &candidate.takes {
        let levels = &model.items[taken.item].levels;
        for (level, left) in left[taken.item].iter_mut().enumerate() {
            // A level holds until the next begins.
            if levels.get(level + 1).is_none_or(|(until, _)| *until > taken.slot) {
                *left -= taken.amount * by;
            }
        }
    }
}

/// The most open tasks for which every way to join them is weighed.
const MOST_WEIGHED: u32 = 10;

/// Of the options, by their sets and costs, one that the cheapest way to deal
/// with the open tasks takes; `None` where leaving all out is cheapest.
fn first_of_best(model: &Model<'_>, place: usize, open: u32, options: &[(u32, i64)]) -> Option<usize> {
    let tasks = &model.places[place].tasks;
    let left_out = |set: u32| -> i64 {
        (0..32).filter(|bit| set >> bit & 1 == 1).map(|bit: usize| model.left_out[tasks[bit]]).sum()
    };
    if open.count_ones() > MOST_WEIGHED {
        let saving = |(set, cost): &(u32, i64)| (left_out(*set) - cost) / i64::from(set.count_ones());
        let best =
            options.iter().enumerate().max_by_key(|(index, option)| (saving(option), usize::MAX - index));
        return best.filter(|(_, option)| saving(option) > 0).map(|(index, _)| index);
    }
    let bits: Vec<u32> = (0..32).filter(|bit| open >> bit & 1 == 1).collect();
    let spread = |small: usize| {
        bits.iter()
            .enumerate()
            .filter(|(i, _)| small >> i & 1 == 1)
            .fold(0_u32, |set, (_, bit)| set | 1 << bit)
    };
    let size = 1_usize << bits.len();
    let mut best: Vec<(i64, Option<usize>)> = vec![(0, None); size];
    let packed = |set: u32| {
        bits.iter()
            .enumerate()
            .filter(|(_, bit)| set >> **bit & 1 == 1)
            .fold(0_usize, |all, (i, _)| all | 1 << i)
    };
    let options: Vec<(usize, i64)> = options.iter().map(|(set, cost)| (packed(*set), *cost)).collect();
    for small in 1..size {
        let lowest = small & small.wrapping_neg();
        let mut here = (best[small & !lowest].0 + left_out(spread(lowest)), None);
        for (index, (set, cost)) in options.iter().enumerate() {
            if set & lowest != 0 && set & !small == 0 && best[small & !set].0 + cost < here.0 {
                here = (best[small & !set].0 + cost, Some(index));
            }
        }
        best[small] = here;
    }
    // Walk down to the first set that is taken, past tasks that are left out.
    let mut small = size - 1;
    while small != 0 {
        match best[small].1 {
            Some(index) => return Some(index),
            None => small &= small - 1,
        }
    }
    None
}

/// A first choice: must-be-placed and hardly placeable places first.
pub(super) fn construct(model: &Model<'_>) -> Occupancy {
    let mut occupancy = Occupancy::empty(model);
    let mut order: Vec<usize> = (0..model.places.len()).collect();
    order.sort_by_key(|place| {
        let at = &model.places[*place];
        let must = at.tasks.iter().any(|task| model.must[*task]);
        let candidates: usize = at.sets.iter().map(|set| set.candidates.len()).sum();
        (!must, candidates, *place)
    });
    for place in order {
        occupancy.fill(model, place, None);
    }
    occupancy
}

/// A choice that takes what a relaxation takes most of, as far as it fits, and
/// fills up what is left.
pub(super) fn rounded(model: &Model<'_>, shares: &[(usize, f64)]) -> Occupancy {
    let mut occupancy = Occupancy::empty(model);
    let mut shares = shares.to_vec();
    shares.sort_by(|one, other| other.1.total_cmp(&one.1).then(one.0.cmp(&other.0)));
    for (index, _) in shares {
        let candidate = &model.candidates[index];
        let open = candidate.set & !occupancy.open_tasks(model, candidate.place) == 0;
        if let (true, Some(crew)) = (open, occupancy.fits(model, candidate)) {
            occupancy.put(model, index, crew);
        }
    }
    for place in 0..model.places.len() {
        occupancy.fill(model, place, None);
    }
    occupancy
}

/// Improves a choice until it costs `bound`, nothing better has been found in
/// `patience` steps, or the budget is spent.
pub(super) fn improve(
    model: &Model<'_>,
    occupancy: &mut Occupancy,
    bound: i64,
    seed: u64,
    patience: usize,
    budget: &mut dyn Budget,
) {
    let mut drawn = Sequence::new(seed);
    let places = model.places.len();
    let mut cost = occupancy.cost(model);
    let mut idle = 0;
    while cost > bound && idle < patience && places > 0 {
        if budget.spent() {
            return;
        }
        idle += 1;
        let mut emptied = neighbourhood(model, occupancy, &mut drawn);
        let mut trial = occupancy.clone();
        for place in &emptied {
            drop(trial.clear(model, *place));
        }
        drawn.shuffle(&mut emptied);
        for place in &emptied {
            trial.fill(model, *place, Some(&mut drawn));
        }
        let found = trial.cost(model);
        if found <= cost {
            if found < cost {
                idle = 0;
            }
            cost = found;
            *occupancy = trial;
        }
    }
}

/// Two to five places: one that costs more than it would alone, and others.
fn neighbourhood(model: &Model<'_>, occupancy: &Occupancy, drawn: &mut Sequence) -> Vec<usize> {
    let places = model.places.len();
    let mut one = drawn.below(places);
    // Of two, the dearer one more often: that is where something is to gain.
    let other = drawn.below(places);
    if occupancy.cost_of(model, other) > occupancy.cost_of(model, one) {
        one = other;
    }
    let mut emptied = vec![one];
    let wanted = 1 + drawn.below(5);
    for _ in 0..wanted {
        let next = drawn.below(places);
        if !emptied.contains(&next) {
            emptied.push(next);
        }
    }
    emptied
}
