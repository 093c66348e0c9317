//! Candidate visits: for every set of tasks that can share one, each start
//! on the grid at which it obeys every rule that does not depend on what
//! else is planned.
//!
//! A visit's tasks follow one another without a pause, those that run by
//! themselves last, and one purge follows them. The visit begins in a
//! maintenance window for all of its tasks; every part of it that is not
//! running by itself lies whole within one occurrence of such a window, the
//! same or, after a part that runs by itself, another. At most one visit at a
//! time is at a place. Bookings give way only where the claim on them lies in
//! such windows and the promised notice can still be kept; those that have
//! begun never do.

use super::model::{Candidate, Claim, Model, Part, SetCandidates, Take, timing};
use super::plan::{RuleFamily, VisitCost};
use super::slots::Range;
use super::snapshot::{Place, Task};
use crate::domain::booking::claims::LONGEST_CLAIM;
use crate::domain::booking::record::Status;
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::merge;
use crate::domain::ids::ThingId;
use std::collections::{BTreeMap, BTreeSet};

/// The most tasks that share a visit.
pub const MOST_TASKS_IN_A_VISIT: usize = 4;

/// The most tasks of a place for which every joint visit is considered; of
/// more, only pairs and the visits of all neighbours in order.
pub const MOST_TASKS_JOINED_FREELY: usize = 7;

/// The most starts of all sets that are looked at; where there are more,
/// tasks are joined less freely. About a second's work.
const MOST_STARTS: usize = 600_000;

/// What bookings stand where, by resource.
struct Standing {
    by_resource: BTreeMap<ThingId, Vec<(Interval, usize)>>,
    costs: Vec<i64>,
    begun: Vec<bool>,
}

impl Standing {
    fn new(model: &Model<'_>) -> Self {
        let mut by_resource: BTreeMap<ThingId, Vec<(Interval, usize)>> = BTreeMap::new();
        let (mut costs, mut begun) = (Vec::new(), Vec::new());
        for (index, booking) in model.snapshot.bookings.iter().enumerate() {
            costs.push(model.snapshot.weights.displacement(
                booking.work.length().num_minutes(),
                booking.work.start(),
                model.now,
                booking.equal_opening,
                booking.status == Status::Tentative,
            ));
            let first = booking.claims.iter().map(|claim| claim.interval.start()).min();
            begun.push(first.unwrap_or(booking.work.start()).min(booking.work.start()) <= model.now);
            if booking.status != Status::Cancelled {
                for claim in &booking.claims {
                    by_resource.entry(claim.resource).or_default().push((claim.interval, index));
                }
            }
        }
        for list in by_resource.values_mut() {
            list.sort_unstable();
        }
        Self { by_resource, costs, begun }
    }
}

/// A claim in the making, with the thing for the bookings on it.
#[derive(Clone, Copy)]
struct Wanted {
    thing: ThingId,
    range: Range,
}

/// What holds for one set of tasks, whatever the start.
struct Joint {
    tasks: Vec<usize>,
    /// Occurrences for all of them, with the whole slots in each.
    windows: Vec<(usize, Range)>,
    /// When bookings may be asked to give way, joined.
    giving_way: Vec<Interval>,
    purge: usize,
}

/// Lists every candidate of the model.
pub(super) fn enumerate(model: &mut Model<'_>) {
    let standing = Standing::new(model);
    for (place, joining) in joinings(model).into_iter().enumerate() {
        model.cut |= joining.cuts(model.places[place].tasks.len());
        for set in joining.sets(model.places[place].tasks.len()) {
            let joint = joint(model, place, set);
            let mut found = Vec::new();
            let mut tried = BTreeSet::new();
            for (window, inside) in &joint.windows {
                for start in inside.from..inside.to {
                    if tried.contains(&start) {
                        continue;
                    }
                    if let Some(candidate) = candidate(model, &standing, place, set, &joint, *window, start) {
                        tried.insert(start);
                        found.push(model.candidates.len());
                        model.candidates.push(candidate);
                    }
                }
            }
            if !found.is_empty() {
                model.places[place].sets.push(SetCandidates { set, candidates: found });
            }
        }
    }
}

/// Which of a place's tasks may share a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Joining {
    /// Any, up to so many.
    Any(usize),
    /// Any two, and three that are neighbours in order.
    Pairs,
    /// Two that are neighbours in order.
    Neighbours,
}

impl Joining {
    const fn of(tasks: usize) -> Self {
        if tasks <= MOST_TASKS_JOINED_FREELY { Self::Any(MOST_TASKS_IN_A_VISIT) } else { Self::Pairs }
    }

    /// The next that joins less.
    const fn less(self) -> Option<Self> {
        match self {
            Self::Any(MOST_TASKS_IN_A_VISIT) => Some(Self::Any(MOST_TASKS_IN_A_VISIT - 1)),
            Self::Any(_) => Some(Self::Pairs),
            Self::Pairs => Some(Self::Neighbours),
            Self::Neighbours => None,
        }
    }

    /// Whether a visit of more of so many tasks is not considered.
    const fn cuts(self, tasks: usize) -> bool {
        match self {
            Self::Any(most) => tasks > most,
            Self::Pairs | Self::Neighbours => tasks > 2,
        }
    }

    /// The sets, as bits.
    fn sets(self, tasks: usize) -> Vec<u32> {
        let count = tasks.min(32);
        let neighbours = |many: usize| {
            let first = 0..(count + 1).saturating_sub(many);
            first.map(move |first| ((1_u32 << many) - 1) << first)
        };
        let pairs = || {
            let other = move |one: usize| (one + 1..count).map(move |other| 1_u32 << one | 1 << other);
            (0..count).flat_map(other)
        };
        match self {
            Self::Any(most) => (1_u32..1 << count).filter(|set| set.count_ones() as usize <= most).collect(),
            Self::Pairs => neighbours(1).chain(pairs()).chain(neighbours(3)).collect(),
            Self::Neighbours => neighbours(1).chain(neighbours(2)).collect(),
        }
    }
}

/// How tasks are joined at each place: as freely as the number of starts to
/// look at permits, less freely first where there are most.
fn joinings(model: &Model<'_>) -> Vec<Joining> {
    let mut of: Vec<Joining> = model.places.iter().map(|place| Joining::of(place.tasks.len())).collect();
    let starts: Vec<usize> = (0..of.len()).map(|place| starts_at(model, place)).collect();
    let size = |place: usize, joining: Joining| {
        starts[place].saturating_mul(joining.sets(model.places[place].tasks.len()).len())
    };
    let mut sizes: Vec<usize> = of.iter().enumerate().map(|(place, joining)| size(place, *joining)).collect();
    while sizes.iter().sum::<usize>() > MOST_STARTS {
        let most =
            (0..of.len()).filter(|place| of[*place].less().is_some()).max_by_key(|place| sizes[*place]);
        let Some((place, less)) = most.and_then(|place| Some((place, of[place].less()?))) else { break };
        of[place] = less;
        sizes[place] = size(place, less);
    }
    of
}

/// Slots at which a visit to a place could begin as far as windows go.
fn starts_at(model: &Model<'_>, place: usize) -> usize {
    let at = &model.places[place];
    let tasks: Vec<&Task> = at.tasks.iter().map(|task| &model.snapshot.tasks[*task]).collect();
    let windows = model.snapshot.windows.iter();
    let suiting = windows.filter(|window| tasks.iter().any(|task| window.suits(at.place, &task.task)));
    let inside = merge(suiting.map(|window| window.interval).collect());
    if !model.rules.hold(RuleFamily::Windows) {
        return model.slots.count;
    }
    inside
        .into_iter()
        .map(|interval| model.slots.inside(interval))
        .map(|range| range.to.saturating_sub(range.from))
        .sum()
}

fn joint(model: &Model<'_>, place: usize, set: u32) -> Joint {
    let snapshot = model.snapshot;
    let at = &model.places[place];
    let tasks: Vec<usize> =
        at.tasks.iter().enumerate().filter(|(bit, _)| set >> bit & 1 == 1).map(|(_, task)| *task).collect();
    let everywhere = Range { from: 0, to: model.slots.count };
    let mut giving_way = Vec::new();
    let suiting =
        snapshot.windows.iter().enumerate().filter(|(_, window)| {
            tasks.iter().all(|task| window.suits(at.place, &snapshot.tasks[*task].task))
        });
    let mut windows: Vec<(usize, Range)> = Vec::new();
    for (index, window) in suiting {
        let inside = model.slots.inside(window.interval);
        if !inside.is_empty() {
            windows.push((index, inside));
        }
        if window.may_displace(model.now) {
            giving_way.push(window.interval);
        }
    }
    windows.sort_by_key(|(index, range)| (range.from, range.to, *index));
    if !model.rules.hold(RuleFamily::Windows) {
        windows = vec![(usize::MAX, everywhere)];
        giving_way.push(snapshot.horizon);
    }
    if !model.rules.hold(RuleFamily::Notice) {
        giving_way.push(snapshot.horizon);
    }
    let boxed = matches!(at.place, Place::Glovebox(_));
    let purge = tasks.iter().map(|task| model.slots.length(snapshot.tasks[*task].purge)).max();
    Joint { tasks, windows, giving_way: merge(giving_way), purge: purge.filter(|_| boxed).unwrap_or(0) }
}

/// The visit of a set of tasks at a start, where it obeys the rules.
fn candidate(
    model: &mut Model<'_>,
    standing: &Standing,
    place: usize,
    set: u32,
    joint: &Joint,
    window: usize,
    start: usize,
) -> Option<Candidate> {
    let snapshot = model.snapshot;
    let mut at = start;
    let (mut tasks, mut parts, mut pieces) = (Vec::new(), Vec::new(), Vec::new());
    for index in &joint.tasks {
        let task = &snapshot.tasks[*index];
        let begun = at;
        for (length, attended) in [(task.attended, true), (task.unattended, false), (task.finish, true)] {
            let range = Range { from: at, to: at + model.slots.length(length) };
            at = range.to;
            if attended && !range.is_empty() {
                parts.push((*index, range));
                pieces.push(range);
            }
        }
        tasks.push((*index, Range { from: begun, to: at }));
    }
    let purge = Range { from: at, to: at + joint.purge };
    if !purge.is_empty() {
        pieces.push(purge);
    }
    let range = Range { from: start, to: purge.to };
    if range.is_empty() || range.to > model.slots.count || tasks.iter().any(|(_, range)| range.is_empty()) {
        return None;
    }
    let inside = |piece: Range| joint.windows.iter().any(|(_, window)| window.covers(piece));
    let home = joint.windows.iter().find(|(index, _)| *index == window)?.1;
    let first = pieces.first().copied().unwrap_or(range);
    if !home.covers(first) || !pieces.iter().all(|piece| inside(*piece)) {
        return None;
    }
    let asked = tasks.iter().all(|(index, range)| as_asked(model, place, &snapshot.tasks[*index], *range));
    let kept_free = purge.is_empty()
        || tasks.iter().all(|(index, _)| is_free(model, place, &snapshot.tasks[*index], purge));
    if !asked || !kept_free || model.slots.interval(range).length() > LONGEST_CLAIM {
        return None;
    }
    let parts = staffed(model, &parts)?;
    let (claims, closes, displaced) = free(model, standing, place, joint, &tasks, purge, range)?;
    let cost = cost(model, standing, &tasks, purge, &displaced);
    let takes = takes(model, &tasks);
    Some(Candidate { place, set, tasks, range, purge, window, claims, closes, parts, takes, displaced, cost })
}

/// Whether a task at a range meets its deadline, its pin and what is kept free.
fn as_asked(model: &Model<'_>, place: usize, task: &Task, range: Range) -> bool {
    let interval = model.slots.interval(range);
    if model.rules.hold(RuleFamily::ActBy) && task.deadline(model.now).is_some_and(|by| interval.end() > by) {
        return false;
    }
    if !model.rules.hold(RuleFamily::WhatIf) {
        return true;
    }
    let pinned = model.request.pins.iter().filter(|pin| pin.task == task.id);
    is_free(model, place, task, range) && pinned.into_iter().all(|pin| pin.start == interval.start())
}

/// Whether a range of a task, or of the purge after it, lies in no time kept free of it.
fn is_free(model: &Model<'_>, place: usize, task: &Task, range: Range) -> bool {
    let interval = model.slots.interval(range);
    !model.rules.hold(RuleFamily::WhatIf)
        || model.request.forbids.iter().all(|forbid| {
            let concerned = forbid.task.is_none_or(|id| id == task.id)
                && forbid.place.is_none_or(|at| at == model.places[place].place);
            !concerned || !forbid.interval.overlaps(&interval)
        })
}

/// The attended parts with the people who could do them, where there are enough.
fn staffed(model: &Model<'_>, parts: &[(usize, Range)]) -> Option<Vec<Part>> {
    let mut staffed = Vec::with_capacity(parts.len());
    for (index, range) in parts {
        let task = &model.snapshot.tasks[*index];
        let until = model.slots.at(range.to);
        let competence = task.competence.as_ref().filter(|_| model.rules.hold(RuleFamily::Competence));
        let eligible: Vec<usize> = (0..model.at_work.len())
            .filter(|person| {
                model.at_work[*person].all(*range)
                    && model.snapshot.people[*person].is_competent(competence, until)
            })
            .collect();
        // With neither rule, nobody is missing either.
        let asked = model.rules.hold(RuleFamily::WorkingTime) || model.rules.hold(RuleFamily::Competence);
        let need = if asked { usize::from(task.people) } else { 0 };
        if eligible.len() < need {
            return None;
        }
        staffed.push(Part { task: *index, range: *range, need, eligible });
    }
    Some(staffed)
}

type Freed = (Vec<Claim>, Vec<(usize, Range)>, Vec<usize>);

/// What a visit claims and whom it displaces, where nothing that never gives
/// way is in its own.
fn free(
    model: &mut Model<'_>,
    standing: &Standing,
    place: usize,
    joint: &Joint,
    tasks: &[(usize, Range)],
    purge: Range,
    range: Range,
) -> Option<Freed> {
    let snapshot = model.snapshot;
    let here = model.places[place].place;
    let (mut wanted, mut own, mut closes) = (Vec::new(), Vec::new(), Vec::new());
    let mut close = |glovebox, range: Range, wanted: &mut Vec<Wanted>, own: &mut Vec<Wanted>| {
        let Some(index) = snapshot.boxes.iter().position(|b| b.id == glovebox) else { return };
        closes.push((index, range));
        own.push(Wanted { thing: glovebox.into(), range });
        wanted.extend(snapshot.boxes[index].resources().into_iter().map(|thing| Wanted { thing, range }));
    };
    for (index, range) in tasks {
        let task = &snapshot.tasks[*index];
        wanted.extend(task.occupies.iter().map(|thing| Wanted { thing: *thing, range: *range }));
        for glovebox in &task.closes {
            close(*glovebox, *range, &mut wanted, &mut own);
        }
        if let Some(supply) = task.regenerates_from.filter(|_| model.rules.hold(RuleFamily::OneRegeneration))
        {
            wanted.push(Wanted { thing: supply.into(), range: *range });
        }
    }
    match here {
        Place::Glovebox(glovebox) => {
            if !purge.is_empty() {
                close(glovebox, purge, &mut wanted, &mut own);
            }
            own.push(Wanted { thing: glovebox.into(), range });
        }
        Place::Elsewhere(thing) => own.push(Wanted { thing, range }),
    }
    let displaced = displaced(model, standing, joint, &wanted)?;
    wanted.extend(own);
    let mut claims: Vec<Claim> =
        wanted.iter().map(|w| Claim { resource: model.resource(w.thing), range: w.range }).collect();
    claims = joined(claims);
    if claims.iter().any(|claim| model.taken[claim.resource].any(claim.range)) {
        return None;
    }
    let shut = closes.iter().all(|(index, range)| {
        let Some(gas) = model.gas_of_box[*index] else { return true };
        (range.from..range.to).all(|slot| {
            let already = model.box_closed[*index].any(Range { from: slot, to: slot + 1 });
            already || model.gases[gas].room[slot] > 0
        })
    });
    shut.then_some((claims, closes, displaced))
}

/// Claims on one resource that touch or overlap, joined.
fn joined(mut claims: Vec<Claim>) -> Vec<Claim> {
    claims.sort_unstable();
    let mut joined: Vec<Claim> = Vec::with_capacity(claims.len());
    for claim in claims {
        match joined.last_mut() {
            Some(last) if last.resource == claim.resource && claim.range.from <= last.range.to => {
                last.range.to = last.range.to.max(claim.range.to);
            }
            _ => joined.push(claim),
        }
    }
    joined
}

/// The bookings that would have to give way; `None` where one must not.
fn displaced(model: &Model<'_>, standing: &Standing, joint: &Joint, wanted: &[Wanted]) -> Option<Vec<usize>> {
    let mut displaced = BTreeSet::new();
    for claim in wanted {
        let Some(list) = standing.by_resource.get(&claim.thing) else { continue };
        let interval = model.slots.interval(claim.range);
        for (booked, index) in list.iter().take_while(|(booked, _)| booked.start() < interval.end()) {
            let Some(shared) = booked.intersection(&interval) else { continue };
            if standing.begun[*index] || !joint.giving_way.iter().any(|when| when.covers(&shared)) {
                return None;
            }
            displaced.insert(*index);
        }
    }
    Some(displaced.into_iter().collect())
}

fn cost(
    model: &Model<'_>,
    standing: &Standing,
    tasks: &[(usize, Range)],
    purge: Range,
    displaced: &[usize],
) -> VisitCost {
    let weights = &model.snapshot.weights;
    let mut cost = VisitCost {
        setup: weights.visit + if purge.is_empty() { 0 } else { weights.purge },
        displaced: displaced.iter().map(|index| standing.costs[*index]).sum(),
        ..VisitCost::default()
    };
    for (index, range) in tasks {
        let (late, wasted) =
            timing(&model.snapshot.tasks[*index], model.slots.interval(*range), model.snapshot);
        cost.late += late;
        cost.wasted += wasted;
    }
    cost
}

fn takes(model: &Model<'_>, tasks: &[(usize, Range)]) -> Vec<Take> {
    let needs = tasks.iter().flat_map(|(index, range)| {
        model.snapshot.tasks[*index].consumables.iter().map(move |need| (need, range.from))
    });
    needs
        .filter_map(|(need, slot)| {
            let item = *model.item_of.get(need.item.as_str())?;
            Some(Take { item, slot, amount: need.thousandths })
        })
        .collect()
}
