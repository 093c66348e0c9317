//! Putting a plan on the calendar: all of it, or nothing and what has changed
//! since it was made.

use super::keep::Precondition;
use super::plan_snapshot::{self, Weigh};
use super::propose_plan::note as note_plan;
use super::{Error, Result, Tx, book, keep, run_booking, visits};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::booking::{Booking, Owner, PlannedClaim, Progress, Status, Why};
use crate::domain::facility::Stored;
use crate::domain::ids::{BookingId, GloveboxId, PersonId, PlanId, VisitId};
use crate::domain::names::Reference;
use crate::domain::planning::changed;
use crate::domain::planning::record::{Adoption, MaintenanceVisit, ProposedPlan, Scope};
use crate::domain::planning::{Place, Visit};
use crate::store::kept::Kept as _;
use crate::store::{bookings, claims, holds};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Adopts a plan.
pub(crate) fn adopt(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: Uuid,
    precondition: &Precondition,
) -> Result<Stored<ProposedPlan>> {
    let current = keep::get::<ProposedPlan>(tx, actor, &Reference::Id(id))?;
    precondition.allows(current.version)?;
    if let Some(adopted) = &current.value.adopted {
        return Err(Error::WrongState(format!("the plan was adopted on {}", adopted.at.format("%FT%TZ"))));
    }
    lock(tx, &current.value)?;
    let due_items = current.value.basis.iter().map(|basis| basis.due_item).collect();
    let scope = Scope { due_items: Some(due_items), ..current.value.scope.clone() };
    let loaded = plan_snapshot::load(tx, now, &scope, Weigh::Nothing)?;
    let plan =
        changed::since(&current.value, &loaded.snapshot, &loaded.basis, now).map_err(Error::PlanOutdated)?;
    let value = ProposedPlan {
        adopted: Some(Adoption { by: actor.subject.clone(), at: now }),
        plan,
        ..current.value
    };
    let adopted = Stored { version: current.version + 1, updated_at: now, value, ..current };
    ProposedPlan::update(tx, &adopted)?;
    note_plan(tx, actor, now, "maintenance_plan.adopted", &adopted)?;
    put_on_calendar(tx, actor, now, &adopted)?;
    Ok(adopted)
}

/// Makes others that book or plan on the same boxes, or with the same people, wait, in a fixed order.
fn lock(tx: &mut Tx<'_>, proposed: &ProposedPlan) -> Result<()> {
    let mut boxes: BTreeSet<GloveboxId> = BTreeSet::new();
    for visit in &proposed.plan.visits {
        boxes.extend(visit.closes.iter().map(|(glovebox, _)| *glovebox));
        if let Place::Glovebox(glovebox) = visit.place {
            boxes.insert(glovebox);
        }
    }
    for glovebox in boxes {
        holds::lock(tx, glovebox)?;
    }
    let tasks = proposed.plan.visits.iter().flat_map(|visit| &visit.tasks);
    let crew: BTreeSet<PersonId> =
        tasks.flat_map(|task| &task.attended).flat_map(|part| part.people.iter().copied()).collect();
    for person in crew {
        bookings::lock_person(tx, person)?;
    }
    Ok(())
}

fn put_on_calendar(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    adopted: &Stored<ProposedPlan>,
) -> Result<()> {
    let plan = PlanId::from(adopted.id);
    let mut stored = Vec::new();
    for visit in &adopted.value.plan.visits {
        let value = adopted.value.visit(plan, visit);
        let kept = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
        MaintenanceVisit::insert(tx, &kept)?;
        visits::note(tx, actor, now, "maintenance_visit.created", None, &kept)?;
        stored.push(kept);
    }
    // Everybody gives way before anything is claimed: one booking may stand in
    // the way of two visits.
    let mut by_booking: BTreeMap<BookingId, VisitId> = BTreeMap::new();
    for kept in &stored {
        for booking in &kept.value.displaced {
            by_booking.entry(*booking).or_insert_with(|| kept.id.into());
        }
    }
    for (booking, visit) in by_booking {
        displace(tx, actor, now, booking, visit)?;
    }
    for (kept, visit) in stored.iter().zip(&adopted.value.plan.visits) {
        claims::insert(tx, Owner::Visit(kept.id.into()), &claimed(visit), fresh_id)
            .map_err(book::lost_race)?;
    }
    Ok(())
}

/// What a visit claims: the parts it occupies, and the people at work.
fn claimed(visit: &Visit) -> Vec<PlannedClaim> {
    let parts = visit.claims.iter().map(|claim| PlannedClaim {
        resource: claim.resource,
        interval: claim.interval,
        why: Why::Upkeep,
    });
    let people = visit.tasks.iter().flat_map(|task| &task.attended).flat_map(|part| {
        part.people.iter().map(|person| PlannedClaim {
            resource: (*person).into(),
            interval: part.interval,
            why: Why::Upkeep,
        })
    });
    parts.chain(people).collect()
}

/// Calls off a booking that gives way to a visit; its holder learns of it by the event.
fn displace(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, id: BookingId, visit: VisitId) -> Result<()> {
    let booking = Booking::find(tx, id.uuid())?.ok_or_else(|| Error::unknown("booking", id))?;
    claims::release(tx, Owner::Booking(id))?;
    let value = Booking {
        status: Status::Cancelled,
        progress: Progress::Cancelled,
        closed_at: Some(now),
        displaced_by: Some(visit),
        ..booking.value.clone()
    };
    run_booking::save(tx, actor, now, "booking.displaced", &booking, value)?;
    Ok(())
}
