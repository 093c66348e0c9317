//! Visits for upkeep on the calendar: shown, called off, and done by the
//! services that are recorded.

use super::keep::{self, Managed, Precondition};
use super::named::Names;
use super::situation::resources;
use super::{Error, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::booking::{Booking, Busy, Owner, PlannedClaim, Why};
use crate::domain::calendar::Interval;
use crate::domain::facility::{Absence, Glovebox, Person, Scope, Stored};
use crate::domain::ids::{BookingId, ServiceId, ThingId, VisitId};
use crate::domain::names::{Reference, Word};
use crate::domain::planning::Place;
use crate::domain::planning::record::{MaintenanceVisit, OtherPlace, ProposedPlan, VisitStatus};
use crate::domain::upkeep::report_visit::ReportVisit;
use crate::domain::upkeep::{Outcome, Service};
use crate::store::kept::Kept as _;
pub(crate) use crate::store::visits::Narrowed;
use crate::store::{claims, due_items, events, things, visits};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

impl Managed for MaintenanceVisit {
    const SEE: &'static [Scope] = &[Scope::FacilityRead, Scope::PlansManage, Scope::UpkeepManage];
    const CHANGE: &'static [Scope] = &[Scope::PlansManage];
}

/// A visit with everything it occupies.
#[derive(Debug)]
pub(crate) struct ShownVisit {
    /// The visit.
    pub(crate) visit: Stored<MaintenanceVisit>,
    /// What it claims; nothing once it is called off.
    pub(crate) claims: Vec<Busy>,
}

fn shown(tx: &mut Tx<'_>, visit: Stored<MaintenanceVisit>) -> Result<ShownVisit> {
    let claims = claims::of_visit(tx, visit.id.into())?;
    Ok(ShownVisit { visit, claims })
}

/// Shows a visit.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<ShownVisit> {
    let visit = keep::get::<MaintenanceVisit>(tx, actor, &Reference::Id(id))?;
    shown(tx, visit)
}

/// Lists visits, in order of id.
pub(crate) fn list(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: Option<&Reference>,
    mut narrowed: Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<ShownVisit>> {
    actor.needs_any(MaintenanceVisit::SEE)?;
    if let Some(reference) = glovebox {
        let found = things::matching(tx, reference)?.into_iter().next();
        let unknown =
            || Error::invalid("glovebox", "unknown_reference", format!("there is no glovebox {reference}"));
        narrowed.place = Some(found.ok_or_else(unknown)?.id.into());
    }
    let found = visits::page_of(tx, &narrowed, after, limit)?;
    found.into_iter().map(|visit| shown(tx, visit)).collect()
}

/// Tells the world of a visit, and of the due items that it is for.
pub(super) fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    before: Option<&Stored<MaintenanceVisit>>,
    stored: &Stored<MaintenanceVisit>,
) -> Result<()> {
    let visit = &stored.value;
    let tasks: Vec<_> =
        visit.tasks.iter().map(|task| json!({"task": task.task, "subject": task.subject})).collect();
    for task in &visit.tasks {
        due_items::touch(tx, task.due_item.uuid())?;
    }
    let body = json!({
        "version": stored.version, "plan": visit.plan, "place": visit.place.thing(),
        "start": visit.interval.start(), "end": visit.interval.end(), "status": visit.status, "tasks": tasks,
        "displaced": visit.displaced,
    });
    let body = keep::audited(body, before, Some(stored));
    Ok(events::append(tx, now, kind, stored.id, &actor.subject, &body)?)
}

fn save(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    before: &Stored<MaintenanceVisit>,
    value: MaintenanceVisit,
) -> Result<Stored<MaintenanceVisit>> {
    let version = before.version + 1;
    let visit = Stored { id: before.id, version, created_at: before.created_at, updated_at: now, value };
    MaintenanceVisit::update(tx, &visit)?;
    note(tx, actor, now, kind, Some(before), &visit)?;
    Ok(visit)
}

/// Calls a visit off and frees what it occupied. Bookings that gave way do
/// not come back by themselves: their holders were told, and may book again.
pub(crate) fn cancel(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: Uuid,
    precondition: &Precondition,
) -> Result<ShownVisit> {
    actor.needs_any(MaintenanceVisit::CHANGE)?;
    let current = keep::get::<MaintenanceVisit>(tx, actor, &Reference::Id(id))?;
    precondition.allows(current.version)?;
    if current.value.status != VisitStatus::Confirmed {
        let is = current.value.status.word();
        return Err(Error::WrongState(format!("the visit is {is} and cannot be cancelled")));
    }
    claims::release(tx, Owner::Visit(current.id.into()))?;
    let value = MaintenanceVisit { status: VisitStatus::Cancelled, ..current.value.clone() };
    let visit = save(tx, actor, now, "maintenance_visit.cancelled", &current, value)?;
    shown(tx, visit)
}

/// Marks what a service did in the first visit that it was planned for; the
/// time of a visit that has nothing left to do is freed if it lies ahead.
pub(super) fn done(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    service: &Stored<Service>,
) -> Result<()> {
    let (task, subject) = (&service.value.task, service.value.subject);
    // What failed is to be done again, and what was only written down late was known before.
    if service.value.outcome == Outcome::Failed {
        return Ok(());
    }
    let mut open = visits::undone(tx)?;
    open.retain(|visit| visit.value.awaits(task, subject, service.value.done_at));
    let Some(visit) = open.into_iter().min_by_key(|visit| visit.value.interval) else { return Ok(()) };
    let value = visit.value.clone().with_done(task, subject, service.id.into());
    let completed = value.status == VisitStatus::Completed;
    if completed && now < value.interval.start() {
        claims::release(tx, Owner::Visit(visit.id.into()))?;
    }
    let kind = if completed { "maintenance_visit.completed" } else { "maintenance_visit.changed" };
    save(tx, actor, now, kind, &visit, value)?;
    Ok(())
}

/// Takes back what a service had done in a visit, for a service that is taken
/// off the record or corrected. A visit whose time was freed stays completed.
pub(super) fn undone(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, service: ServiceId) -> Result<()> {
    let narrowed = Narrowed {
        status: Some(vec![VisitStatus::Confirmed, VisitStatus::Completed]),
        ..Narrowed::default()
    };
    for visit in visits::page_of(tx, &narrowed, None, i64::MAX)? {
        let value = visit.value.clone().without_service(service);
        if value == visit.value {
            continue;
        }
        let freed = visit.value.status == VisitStatus::Completed
            && claims::of_visit(tx, VisitId::from(visit.id))?.is_empty();
        if !freed {
            save(tx, actor, now, "maintenance_visit.changed", &visit, value)?;
        }
    }
    Ok(())
}

/// Lets the visits that close a box claim every part of it, those that were
/// added since they were planned too.
pub(super) fn cover_parts(tx: &mut Tx<'_>, now: DateTime<Utc>, on: &Stored<Glovebox>) -> Result<()> {
    let glovebox = Glovebox::id_of(on);
    for visit in visits::ahead(tx, now)? {
        let closed = visit.value.closes.iter().filter(|(closed, _)| *closed == glovebox);
        if closed.clone().next().is_none() {
            continue;
        }
        let held = claims::of_visit(tx, visit.id.into())?;
        let missing: Vec<PlannedClaim> = closed
            .flat_map(|(_, interval)| resources(&on.value).into_iter().map(move |part| (part, *interval)))
            .filter(|(part, interval)| {
                !held.iter().any(|claim| claim.resource == *part && claim.interval.overlaps(interval))
            })
            .map(|(resource, interval)| PlannedClaim { resource, interval, why: Why::Upkeep })
            .collect();
        claims::insert(tx, Owner::Visit(visit.id.into()), &missing, fresh_id)?;
    }
    Ok(())
}

/// How far ahead a nightly report tells of visits.
const REPORTED: TimeDelta = TimeDelta::days(7);

/// The visits that a nightly report tells of: those that were missed, and those
/// of the next week.
pub(super) fn for_report(tx: &mut Tx<'_>, as_of: DateTime<Utc>) -> Result<Vec<ReportVisit>> {
    let mut names = Names::default();
    let mut told = Vec::new();
    for visit in visits::undone(tx)? {
        let value = &visit.value;
        if value.interval.start() >= as_of + REPORTED {
            continue;
        }
        let (mut people, mut away) = (BTreeSet::new(), BTreeSet::new());
        for part in value.to_do().flat_map(|task| &task.attended) {
            for id in &part.people {
                let Some(person) = Person::find(tx, id.uuid())? else { continue };
                let gone = |absence: &Absence| absence.interval.overlaps(&part.interval);
                if !person.value.active || person.value.absences.iter().any(gone) {
                    away.insert(person.value.name.to_string());
                }
                people.insert(person.value.name.to_string());
            }
        }
        told.push(ReportVisit {
            id: visit.id,
            place_tag: names.of(tx, value.place.thing())?.unwrap_or_default(),
            tasks: value.to_do().map(|task| format!("{} on {}", task.task, task.subject_tag)).collect(),
            people: people.into_iter().collect(),
            away: away.into_iter().collect(),
            start: value.interval.start(),
            end: value.interval.end(),
            missed: value.is_missed(as_of),
        });
    }
    Ok(told)
}

/// A visit that a plan put on the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct VisitOf {
    /// Its id.
    pub(crate) id: VisitId,
    /// Where.
    pub(crate) place: Place,
    /// When.
    pub(crate) interval: Interval,
}

/// The visits that a plan put on the calendar, if it was adopted.
pub(crate) fn of_plan(tx: &mut Tx<'_>, plan: &Stored<ProposedPlan>) -> Result<Vec<VisitOf>> {
    if plan.value.adopted.is_none() {
        return Ok(Vec::new());
    }
    let narrowed = Narrowed { plan: Some(plan.id.into()), ..Narrowed::default() };
    let found = visits::page_of(tx, &narrowed, None, i64::MAX)?;
    let of = |visit: Stored<MaintenanceVisit>| VisitOf {
        id: visit.id.into(),
        place: visit.value.place,
        interval: visit.value.interval,
    };
    Ok(found.into_iter().map(of).collect())
}

/// A booking that gives way, if it is still on record.
pub(crate) fn booking(tx: &mut Tx<'_>, id: BookingId) -> Result<Option<Stored<Booking>>> {
    Ok(Booking::find(tx, id.uuid())?)
}

/// Where the holder of a booking that gave way could have gone, as it was
/// found when the plan was made.
pub(crate) fn elsewhere_for(tx: &mut Tx<'_>, booking: &Stored<Booking>) -> Result<Vec<OtherPlace>> {
    let Some(visit) = booking.value.displaced_by else { return Ok(Vec::new()) };
    let Some(visit) = MaintenanceVisit::find(tx, visit.uuid())? else { return Ok(Vec::new()) };
    let plan = ProposedPlan::find(tx, visit.value.plan.uuid())?;
    let id = BookingId::from(booking.id);
    let found = plan.into_iter().flat_map(|plan| plan.value.alternatives).find(|one| one.booking == id);
    Ok(found.map(|one| one.openings).unwrap_or_default())
}

/// When each task on a part is planned, by the visits on the calendar.
pub(crate) type Planned = BTreeMap<(Word, ThingId), (VisitId, DateTime<Utc>)>;

/// What is planned, by visits that are not over.
pub(crate) fn planned(tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<Planned> {
    let mut planned = Planned::new();
    for visit in visits::ahead(tx, now)? {
        for task in visit.value.to_do() {
            let at = (VisitId::from(visit.id), task.interval.start());
            let known = planned.entry((task.task.clone(), task.subject)).or_insert(at);
            if at.1 < known.1 {
                *known = at;
            }
        }
    }
    Ok(planned)
}
