//! From a choice of candidates to visits that say why they are where they are.

use super::improve::{Chosen, Occupancy};
use super::model::{Candidate, Model};
use super::plan::{Attendance, Displaced, NextBest, PlacedTask, Visit};
use super::snapshot::Occupied;
use super::weights::PERSON_HOUR;
use crate::domain::booking::record::Status;
use crate::domain::calendar::Interval;
use crate::domain::ids::{GloveboxId, ThingId};
use std::collections::BTreeMap;

/// The visits of a choice.
pub(super) fn visits(model: &Model<'_>, occupancy: &Occupancy) -> Vec<Visit> {
    let things: BTreeMap<usize, ThingId> =
        model.resources.iter().map(|(thing, index)| (*index, *thing)).collect();
    let mut others = occupancy.clone();
    let mut visits = Vec::new();
    for place in 0..model.places.len() {
        for chosen in &occupancy.chosen[place] {
            others.release(model, chosen);
            let next_best = next_best(model, &others, chosen);
            others = occupancy.clone();
            visits.push(visit(model, &things, chosen, next_best));
        }
    }
    visits
}

fn visit(
    model: &Model<'_>,
    things: &BTreeMap<usize, ThingId>,
    chosen: &Chosen,
    next_best: Option<NextBest>,
) -> Visit {
    let candidate = &model.candidates[chosen.candidate];
    let snapshot = model.snapshot;
    let place = model.places[candidate.place].place;
    // The place itself is among them: one visit at a time is at a box, a supply or a room.
    let claims = candidate
        .claims
        .iter()
        .map(|claim| Occupied {
            resource: things[&claim.resource],
            interval: model.slots.interval(claim.range),
        })
        .collect();
    let closes: Vec<(GloveboxId, Interval)> = candidate
        .closes
        .iter()
        .map(|(index, range)| (snapshot.boxes[*index].id, model.slots.interval(*range)))
        .collect();
    let displaced: Vec<Displaced> = candidate
        .displaced
        .iter()
        .map(|index| {
            let booking = &snapshot.bookings[*index];
            let cost = snapshot.weights.displacement(
                booking.work.length().num_minutes(),
                booking.work.start(),
                model.now,
                booking.equal_opening,
                booking.status == Status::Tentative,
            );
            Displaced { booking: booking.id, cost }
        })
        .collect();
    Visit {
        place,
        interval: model.slots.interval(candidate.range),
        window: snapshot.windows[candidate.window].window,
        tasks: placed(model, candidate, chosen),
        purge: (!candidate.purge.is_empty()).then(|| model.slots.interval(candidate.purge)),
        claims,
        closes,
        displaced,
        cost: candidate.cost,
        reasons: reasons(model, candidate, next_best),
        next_best,
    }
}

fn placed(model: &Model<'_>, candidate: &Candidate, chosen: &Chosen) -> Vec<PlacedTask> {
    let of = |task: usize| {
        let parts = candidate.parts.iter().zip(&chosen.crew).filter(move |(part, _)| part.task == task);
        parts.map(|(part, crew)| Attendance {
            interval: model.slots.interval(part.range),
            people: crew.iter().map(|person| model.snapshot.people[*person].id).collect(),
        })
    };
    candidate
        .tasks
        .iter()
        .map(|(task, range)| PlacedTask {
            id: model.snapshot.tasks[*task].id,
            interval: model.slots.interval(*range),
            attended: of(*task).collect(),
        })
        .collect()
}

/// The cheapest other start for the same tasks that fits the rest of the plan.
fn next_best(model: &Model<'_>, others: &Occupancy, chosen: &Chosen) -> Option<NextBest> {
    let own = &model.candidates[chosen.candidate];
    let set = model.places[own.place].sets.iter().find(|set| set.set == own.set)?;
    let other = set.candidates.iter().map(|index| &model.candidates[*index]).find(|candidate| {
        candidate.range.from != own.range.from && others.fits(model, candidate).is_some()
    })?;
    let start = model.slots.at(other.range.from);
    Some(NextBest { start, more: other.cost.total() - own.cost.total() })
}

/// Units in words: person-hours with at most two decimals.
pub(super) fn in_person_hours(units: i64) -> String {
    let (whole, hundredths) = (units / PERSON_HOUR, (units % PERSON_HOUR).abs());
    let sign = if units < 0 && whole == 0 { "-" } else { "" };
    let text = format!("{sign}{whole}.{hundredths:02}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    format!("{short} person-hour{}", if short == "1" { "" } else { "s" })
}

fn reasons(model: &Model<'_>, candidate: &Candidate, next_best: Option<NextBest>) -> Vec<String> {
    let snapshot = model.snapshot;
    let mut reasons = Vec::new();
    for (index, range) in &candidate.tasks {
        let task = &snapshot.tasks[*index];
        let interval = model.slots.interval(*range);
        let name = format!("{} on {}", task.task, task.subject_tag);
        reasons.push(match task.act_by {
            Some(by) if interval.end() <= by => {
                format!("{name} is done {} before it has to be.", days(by - interval.end()))
            }
            Some(by) => format!("{name} is {} late.", days(interval.end() - by)),
            None => format!("{name} has no date by which it has to be done."),
        });
        if let Some(earliest) = task.earliest.filter(|earliest| *earliest > interval.start()) {
            reasons.push(format!("{name} gives up {} of its life.", days(earliest - interval.start())));
        }
        if !task.unattended.is_zero() {
            reasons.push(format!("{name} runs by itself between its attended parts."));
        }
    }
    let count = candidate.tasks.len();
    if count > 1 {
        let saved = i64::try_from(count - 1).unwrap_or(0) * snapshot.weights.visit;
        let purges = candidate.tasks.iter().filter(|(index, _)| !snapshot.tasks[*index].purge.is_zero());
        let purges = i64::try_from(purges.count()).unwrap_or(0);
        let saved = saved + (purges - 1).max(0) * snapshot.weights.purge;
        reasons.push(format!("Doing {count} tasks in one visit saves {}.", in_person_hours(saved)));
    }
    reasons.push(match candidate.displaced.len() {
        0 => "No booking has to give way.".to_owned(),
        1 => format!("One booking gives way, counted as {}.", in_person_hours(candidate.cost.displaced)),
        more => {
            format!("{more} bookings give way, counted as {}.", in_person_hours(candidate.cost.displaced))
        }
    });
    reasons.push(match next_best {
        None => "No other start fits the rest of the plan.".to_owned(),
        Some(next) if next.more == 0 => {
            format!("A start at {} would be as good.", next.start.format("%FT%TZ"))
        }
        Some(next) => format!(
            "The next best start, {}, counts for {} more by itself.",
            next.start.format("%FT%TZ"),
            in_person_hours(next.more)
        ),
    });
    reasons
}

fn days(length: chrono::TimeDelta) -> String {
    match (length.num_days(), length.num_hours()) {
        (0, 0) => "less than an hour".to_owned(),
        (0, 1) => "1 hour".to_owned(),
        (0, hours) => format!("{hours} hours"),
        (1, _) => "1 day".to_owned(),
        (days, _) => format!("{days} days"),
    }
}

/// Whether some start for a task obeys every rule that does not depend on what
/// else is planned.
pub(super) fn is_possible(model: &Model<'_>, task: usize) -> bool {
    model.candidates.iter().any(|candidate| candidate.tasks.iter().any(|(t, _)| *t == task))
}

/// That a task has no place, with the rules in its way.
pub(super) fn no_place(model: &Model<'_>, task: usize, in_the_way: &[String]) -> String {
    let task = &model.snapshot.tasks[task];
    format!("No place for {} on {}: {}.", task.task, task.subject_tag, in_the_way.join("; "))
}

/// Why a task is left out.
pub(super) fn why_left_out(model: &Model<'_>, task: usize) -> String {
    let place = model.places.iter().find(|place| place.tasks.contains(&task));
    let bit = place.and_then(|place| place.tasks.iter().position(|other| *other == task)).unwrap_or(0);
    let worth = |set: &&super::model::SetCandidates| bit < 32 && set.set >> bit & 1 == 1;
    let useful = place.is_some_and(|place| place.sets.iter().any(|set| worth(&set)));
    let possible = is_possible(model, task);
    let name = format!("{} on {}", model.snapshot.tasks[task].task, model.snapshot.tasks[task].subject_tag);
    if useful {
        format!("{name} fits nowhere beside the rest of the plan at less than leaving it out counts for.")
    } else if possible {
        format!("Wherever {name} fits, it counts for more than leaving it out.")
    } else {
        format!("No start for {name} obeys every rule within the horizon.")
    }
}
