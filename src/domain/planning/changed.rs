//! What has changed since a plan was made that keeps it from being adopted.

use super::plan::{Plan, Visit};
use super::record::{Basis, ProposedPlan};
use super::snapshot::{Occupied, PlannedBooking, Snapshot};
use super::validate::broken_rules;
use crate::domain::booking::record::Status;
use crate::domain::ids::BookingId;
use chrono::{DateTime, Utc};

/// Something that has changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// Stable code.
    pub code: &'static str,
    /// A sentence.
    pub detail: String,
    /// The booking it is about, if it is about one.
    pub booking: Option<BookingId>,
}

impl Change {
    fn new(code: &'static str, detail: String) -> Self {
        Self { code, detail, booking: None }
    }
}

/// Everything in the way of a plan as things are now. `basis` is how its due
/// items stand in `snapshot`, which is about those alone.
///
/// Bookings that were to give way and are gone are no hindrance; they are
/// taken off the plan that is handed back.
pub fn since(
    proposed: &ProposedPlan,
    snapshot: &Snapshot,
    basis: &[Basis],
    now: DateTime<Utc>,
) -> Result<Plan, Vec<Change>> {
    let mut changes = Vec::new();
    for visit in &proposed.plan.visits {
        tasks(proposed, visit, basis, &mut changes);
        if visit.interval.start() < now {
            let detail =
                format!("the visit of {} should have begun already", visit.interval.start().format("%FT%TZ"));
            changes.push(Change::new("visit_past", detail));
        }
        taken(visit, snapshot, &mut changes);
    }
    let plan = with_those_who_still_give_way(&proposed.plan, snapshot, &mut changes);
    if changes.is_empty() {
        // Whatever else a rule may say by now: notice, working time, stock, boxes that stay open.
        let broken = broken_rules(snapshot, &proposed.scope.request, now, &plan);
        changes.extend(broken.into_iter().map(|detail| Change::new("rule_broken", detail)));
    }
    if changes.is_empty() { Ok(plan) } else { Err(changes) }
}

fn tasks(proposed: &ProposedPlan, visit: &Visit, basis: &[Basis], changes: &mut Vec<Change>) {
    for placed in &visit.tasks {
        let Some(before) = proposed.basis_of(placed.id) else { continue };
        let name = format!("{} on {}", before.task, before.subject_tag);
        let change = match basis.iter().find(|one| one.due_item == placed.id) {
            None => ("due_item_gone", format!("{name} is no longer a due item, or on the calendar already")),
            Some(one) if one.last_service != before.last_service => {
                ("done_meanwhile", format!("{name} was done meanwhile, or its record was changed"))
            }
            Some(one) if one.rule_version != before.rule_version => {
                ("rule_changed", format!("the upkeep rule for {name} was changed"))
            }
            Some(_) => continue,
        };
        changes.push(Change::new(change.0, change.1));
    }
}

fn taken(visit: &Visit, snapshot: &Snapshot, changes: &mut Vec<Change>) {
    let clash = |claim: &Occupied| {
        snapshot
            .taken
            .iter()
            .any(|one| one.resource == claim.resource && one.interval.overlaps(&claim.interval))
    };
    let crew = visit.tasks.iter().flat_map(|task| &task.attended).flat_map(|part| {
        part.people.iter().map(|person| Occupied { resource: (*person).into(), interval: part.interval })
    });
    if visit.claims.iter().copied().chain(crew).any(|claim| clash(&claim)) {
        let start = visit.interval.start().format("%FT%TZ");
        let detail = format!(
            "what the visit of {start} needs was taken meanwhile, by work under way or another visit"
        );
        changes.push(Change::new("taken", detail));
    }
}

/// The plan with the bookings that are in its way now; those that were not
/// meant to give way are changes.
fn with_those_who_still_give_way(plan: &Plan, snapshot: &Snapshot, changes: &mut Vec<Change>) -> Plan {
    let mut plan = plan.clone();
    for visit in &mut plan.visits {
        let start = visit.interval.start().format("%FT%TZ").to_string();
        let in_the_way: Vec<&PlannedBooking> = snapshot
            .bookings
            .iter()
            .filter(|booking| booking.status != Status::Cancelled && meets(booking, &visit.claims))
            .collect();
        for booking in &in_the_way {
            if visit.displaced.iter().all(|displaced| displaced.booking != booking.id) {
                let from = booking.work.start().format("%FT%TZ");
                let detail = format!(
                    "a booking from {from} that was not meant to give way meets the visit of {start}"
                );
                let booking = Some(booking.id);
                changes.push(Change { booking, ..Change::new("booked_meanwhile", detail) });
            }
        }
        let before = visit.displaced.len();
        visit.displaced.retain(|displaced| in_the_way.iter().any(|booking| booking.id == displaced.booking));
        let gone = before - visit.displaced.len();
        if gone > 0 {
            let spared = visit.cost.displaced - visit.displaced.iter().map(|one| one.cost).sum::<i64>();
            visit.cost.displaced -= spared;
            plan.cost -= spared;
            visit.reasons.push(match gone {
                1 => "Since it was proposed, one of these bookings was cancelled or moved away.".to_owned(),
                more => {
                    format!("Since it was proposed, {more} of these bookings were cancelled or moved away.")
                }
            });
        }
    }
    plan.lower_bound = plan.lower_bound.min(plan.cost);
    plan
}

fn meets(booking: &PlannedBooking, claims: &[Occupied]) -> bool {
    booking.claims.iter().any(|own| {
        claims.iter().any(|claim| claim.resource == own.resource && claim.interval.overlaps(&own.interval))
    })
}
