//! Making a booking, or a series of them, and changing one.

use super::keep::{Precondition, load};
use super::situation::{all_windows, box_for, box_view, person_of, requester_view, site_view, take_turns};
use super::{Alternative, BookingRefusal, Error, NamedConflict, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::booking::decide::{BoxView, openings};
use crate::domain::booking::rules::SiteView;
use crate::domain::booking::{
    Booking, BookingRequest, Busy, Decision, Owner, Places, Progress, Refused, Status, decide,
};
use crate::domain::calendar::Interval;
use crate::domain::calendar::recurrence::Recurrence;
use crate::domain::calendar::rule::End;
use crate::domain::calendar::zone::LocalTime;
use crate::domain::facility::{Glovebox, Person, Scope, Stored};
use crate::domain::ids::{BookingId, GloveboxId, PersonId, SeriesId, StationId};
use crate::domain::names::{Reference, Tag};
use crate::domain::violations::Violation;
use crate::store::kept::Kept as _;
use crate::store::{Constraint, StoreError, bookings, claims, events, holds, memory};
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use std::sync::Arc;

/// Occurrences of one series at most.
pub(crate) const LONGEST_SERIES: usize = 200;
/// How far the times of one series may lie apart.
const LONGEST_SERIES_SPAN: TimeDelta = TimeDelta::days(790);
/// Alternatives offered at most.
const ALTERNATIVES: usize = 3;
/// How far after the time asked for alternatives are looked for.
const LOOK_AHEAD: TimeDelta = TimeDelta::days(14);

/// What becomes of a series when one of its times cannot be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum OnConflict {
    /// None is booked.
    Refuse,
    /// The others are booked.
    Skip,
}

/// A request to book.
#[derive(Debug, Clone)]
pub(crate) struct NewBooking {
    /// The box.
    pub(crate) glovebox: Reference,
    /// Whom it is for; the caller unless given.
    pub(crate) beneficiary: Option<Reference>,
    /// The work and the time.
    pub(crate) request: BookingRequest,
    /// How it recurs, as the value of an RFC 5545 RRULE.
    pub(crate) rrule: Option<String>,
    /// What becomes of a series when one time cannot be had.
    pub(crate) on_conflict: OnConflict,
}

/// A booking with its claims.
#[derive(Debug, Clone)]
pub(crate) struct Booked {
    /// The booking.
    pub(crate) booking: Stored<Booking>,
    /// Its claims.
    pub(crate) claims: Vec<Busy>,
}

/// A series: what was booked and what was not.
#[derive(Debug, Clone)]
pub(crate) struct BookedSeries {
    /// Its id.
    pub(crate) id: SeriesId,
    /// The bookings made.
    pub(crate) booked: Vec<Booked>,
    /// The times left out, and why.
    pub(crate) skipped: Vec<(Interval, BookingRefusal)>,
}

/// Who may book for whom.
fn beneficiary(tx: &mut Tx<'_>, actor: &Actor, named: Option<&Reference>) -> Result<Stored<Person>> {
    actor.needs_any(&[Scope::BookingsWrite, Scope::BookingsManage])?;
    let own = person_of(tx, actor)?;
    let Some(reference) = named else {
        return own.ok_or_else(|| {
            Error::invalid(
                "for",
                "no_such_person",
                "your token's subject is no person of this facility; say for whom",
            )
        });
    };
    // Without the right to book for others, whether others exist is not told.
    let named = known(load::<Person>(tx, reference))?;
    match (named, own) {
        (Some(person), _) if actor.has(Scope::BookingsManage) => Ok(person),
        (Some(person), Some(own)) if person.id == own.id => Ok(person),
        _ if actor.has(Scope::BookingsManage) => {
            Err(Error::invalid("for", "unknown_reference", format!("there is no person {reference}")))
        }
        _ => Err(Error::NotYours("booking for somebody else needs the scope bookings:manage".to_owned())),
    }
}

/// What was found, with absence as a value.
fn known<T>(found: Result<T>) -> Result<Option<T>> {
    match found {
        Ok(found) => Ok(Some(found)),
        Err(Error::Unknown { .. }) => Ok(None),
        Err(other) => Err(other),
    }
}

/// The box a booking is for, locked against concurrent bookings of it and
/// loaded under the lock, so that it is decided on as it is.
fn lock_box(tx: &mut Tx<'_>, reference: &Reference) -> Result<Arc<Stored<Glovebox>>> {
    let unknown =
        || Error::invalid("glovebox", "unknown_reference", format!("there is no glovebox {reference}"));
    let id = memory::glovebox_meant(tx, reference)?.ok_or_else(unknown)?;
    holds::lock(tx, id.into())?;
    memory::glovebox(tx, id)?.ok_or_else(unknown)
}

/// Makes one booking.
pub(crate) fn book(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, new: &NewBooking) -> Result<Booked> {
    let person = beneficiary(tx, actor, new.beneficiary.as_ref())?;
    let glovebox = lock_box(tx, &new.glovebox)?;
    take_turns(tx, &person)?;
    super::run_booking::release_no_shows(tx, now)?;
    let span = new.request.interval;
    let site = site_view(tx, now, span)?;
    let requester = requester_view(tx, &person, &site, span, None)?;
    let windows = all_windows(tx)?;
    let on = box_for(tx, &glovebox, &windows, &new.request, &site, None)?;
    match decide(&new.request, &site, &requester, &on) {
        Ok(decision) => save_new(tx, actor, now, &person, &on, &new.request, decision, None),
        Err(refused) => Err(refusal(tx, now, &new.request, &person, (&on, None), refused)?.into()),
    }
}

/// Makes a series of bookings, each checked by itself.
pub(crate) fn book_series(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    new: &NewBooking,
    rrule: &str,
) -> Result<BookedSeries> {
    let person = beneficiary(tx, actor, new.beneficiary.as_ref())?;
    let glovebox = lock_box(tx, &new.glovebox)?;
    take_turns(tx, &person)?;
    super::run_booking::release_no_shows(tx, now)?;
    let first = new.request.interval;
    let zone = site_view(tx, now, first)?.zone;
    let times = series_times(first, zone, rrule, now, &site_view(tx, now, first)?)?;
    let windows = all_windows(tx)?;
    let id = SeriesId::from(fresh_id());
    let mut series = BookedSeries { id, booked: Vec::new(), skipped: Vec::new() };
    for interval in times {
        let request = moved(&new.request, interval);
        let site = site_view(tx, now, interval)?;
        let requester = requester_view(tx, &person, &site, interval, None)?;
        let on = box_for(tx, &glovebox, &windows, &request, &site, None)?;
        match decide(&request, &site, &requester, &on) {
            Ok(decision) => {
                let booked = save_new(tx, actor, now, &person, &on, &request, decision, Some(id))?;
                series.booked.push(booked);
            }
            Err(refused) => series.skipped.push((interval, named(&on, refused))),
        }
    }
    let all_or_nothing = new.on_conflict == OnConflict::Refuse;
    if series.booked.is_empty() || (all_or_nothing && !series.skipped.is_empty()) {
        return Err(Error::BookingRefused(Box::new(joined(series.skipped))));
    }
    Ok(series)
}

/// All refusals of a series as one, each saying which time it is about.
fn joined(skipped: Vec<(Interval, BookingRefusal)>) -> BookingRefusal {
    let mut all = BookingRefusal::default();
    for (interval, refusal) in skipped {
        all.violations.extend(refusal.violations.into_iter().map(|violation| Violation {
            detail: format!("{}: {}", interval.start().format("%FT%TZ"), violation.detail),
            ..violation
        }));
        all.conflicts.extend(refusal.conflicts);
    }
    all
}

fn series_times(
    first: Interval,
    zone: chrono_tz::Tz,
    rrule: &str,
    now: DateTime<Utc>,
    site: &SiteView,
) -> Result<Vec<Interval>> {
    let local = LocalTime::new(first.start().with_timezone(&zone).naive_local())
        .map_err(|e| Error::invalid("start", "out_of_range", e.to_string()))?;
    let recurrence = Recurrence::new(local, zone, Some(rrule), Vec::new(), Vec::new())
        .map_err(|faults| faults.all_at("recurrence"))?;
    // A series that ends is taken whole, so that what lies beyond the horizon is
    // refused and said; one without an end is booked up to the horizon.
    let endless = recurrence.rule().is_none_or(|rule| matches!(rule.end(), End::Never));
    let horizon = now + site.policies.horizon.delta() + TimeDelta::seconds(1);
    let until = if endless { horizon } else { first.start() + LONGEST_SERIES_SPAN };
    let range = Interval::new(first.start(), until.max(first.end()))
        .map_err(|e| Error::invalid("start", "empty_interval", e.to_string()))?;
    let starts = recurrence
        .expand(range, LONGEST_SERIES)
        .map_err(|e| Error::invalid("recurrence", "bad_recurrence", e.to_string()))?;
    if starts.is_empty() {
        return Err(Error::invalid(
            "recurrence",
            "never_matches",
            "no time of the series is within the horizon",
        ));
    }
    Ok(starts.into_iter().filter_map(|start| Interval::lasting(start, first.length()).ok()).collect())
}

/// The request at another time; stated transfer times move along.
fn moved(request: &BookingRequest, interval: Interval) -> BookingRequest {
    let by = interval.start() - request.interval.start();
    let mut request = BookingRequest { interval, ..request.clone() };
    let work = &mut request.work;
    for transfer in work.transfers_in.iter_mut().chain(&mut work.transfers_out) {
        transfer.at = transfer.at.map(|at| at + by);
    }
    request
}

#[expect(clippy::too_many_arguments, reason = "one row of a booking from everything that was decided")]
fn save_new(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    person: &Stored<Person>,
    on: &BoxView,
    request: &BookingRequest,
    decision: Decision,
    series: Option<SeriesId>,
) -> Result<Booked> {
    let value = Booking {
        glovebox: on.id,
        person: person.id.into(),
        booked_by: actor.subject.clone(),
        group: decision.group,
        series,
        status: decision.status,
        progress: Progress::Booked,
        interval: request.interval,
        work: decision.work,
        gas_estimate: decision.gas_estimate,
        hold: None,
        started_at: None,
        closed_at: None,
        end_of_run: None,
        displaced_by: None,
    };
    let booking = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
    bookings::add(tx, &booking)?;
    claims::insert(tx, Owner::Booking(booking.id.into()), &decision.claims, fresh_id).map_err(lost_race)?;
    note(tx, actor, now, "booking.created", None, &booking)?;
    Ok(with_claims(booking, &decision.claims))
}

fn with_claims(booking: Stored<Booking>, planned: &[crate::domain::booking::PlannedClaim]) -> Booked {
    let owner = Owner::Booking(booking.id.into());
    let mut claims: Vec<Busy> = planned
        .iter()
        .map(|claim| Busy { resource: claim.resource, interval: claim.interval, why: claim.why, owner })
        .collect();
    claims.sort_by_key(|claim| (claim.interval, claim.resource));
    Booked { booking, claims }
}

/// Another transaction took the time first: decide again with it in view.
pub(super) fn lost_race(error: StoreError) -> Error {
    if error.is(&Constraint::ClaimsNeverOverlap) {
        return Error::Store(StoreError::Contention);
    }
    error.into()
}

/// What is noted when something happens to a booking.
#[derive(Serialize)]
struct Noted<'a> {
    version: i32,
    glovebox: GloveboxId,
    person: PersonId,
    start: DateTime<Utc>,
    end: DateTime<Utc>,
    status: Status,
    progress: Progress,
    before: Option<bookings::Record<'a>>,
    after: Option<bookings::Record<'a>>,
}

/// Records what happened to a booking.
pub(super) fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    before: Option<&Stored<Booking>>,
    booking: &Stored<Booking>,
) -> Result<()> {
    let body = Noted {
        version: booking.version,
        glovebox: booking.value.glovebox,
        person: booking.value.person,
        start: booking.value.interval.start(),
        end: booking.value.interval.end(),
        status: booking.value.status,
        progress: booking.value.progress,
        before: before.map(Into::into),
        after: Some(booking.into()),
    };
    Ok(events::append(tx, now, kind, booking.id, &actor.subject, &body)?)
}

/// Changes a booking that has not begun: `request` is what it becomes.
pub(crate) fn change(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: BookingId,
    precondition: &Precondition,
    rewrite: impl FnOnce(&Stored<Booking>) -> Result<(Reference, BookingRequest)>,
) -> Result<Booked> {
    let current = super::run_booking::own(tx, actor, id)?;
    precondition.demands(current.version)?;
    super::run_booking::may_still_change(tx, actor, now, &current)?;
    let (glovebox, request) = rewrite(&current)?;
    let glovebox = lock_box(tx, &glovebox)?;
    let person: Stored<Person> = load(tx, &Reference::Id(current.value.person.uuid()))?;
    take_turns(tx, &person)?;
    let site = site_view(tx, now, request.interval)?;
    let requester = requester_view(tx, &person, &site, request.interval, Some(current.id))?;
    let windows = all_windows(tx)?;
    let on = box_for(tx, &glovebox, &windows, &request, &site, Some(id))?;
    let decision = match decide(&request, &site, &requester, &on) {
        Ok(decision) => decision,
        Err(refused) => return Err(refusal(tx, now, &request, &person, (&on, Some(id)), refused)?.into()),
    };
    let before = current.clone();
    let value = Booking {
        glovebox: on.id,
        group: decision.group,
        status: decision.status,
        interval: request.interval,
        work: decision.work,
        gas_estimate: decision.gas_estimate,
        hold: None,
        ..current.value
    };
    let changed = Stored { version: current.version + 1, updated_at: now, value, ..current };
    claims::release(tx, Owner::Booking(id))?;
    Booking::update(tx, &changed)?;
    claims::insert(tx, Owner::Booking(id), &decision.claims, fresh_id).map_err(lost_race)?;
    note(tx, actor, now, "booking.changed", Some(&before), &changed)?;
    Ok(with_claims(changed, &decision.claims))
}

impl From<BookingRefusal> for Error {
    fn from(refusal: BookingRefusal) -> Self {
        Self::BookingRefused(Box::new(refusal))
    }
}

fn named(on: &BoxView, refused: Refused) -> BookingRefusal {
    let glovebox = &on.glovebox;
    let tag = |id: uuid::Uuid| {
        let stations = glovebox.stations.iter().map(|part| (part.id.uuid(), &part.tag));
        let chambers = glovebox.antechambers.iter().map(|part| (part.id.uuid(), &part.tag));
        let instruments = glovebox.instruments.iter().map(|part| (part.id.uuid(), &part.tag));
        let part = stations.chain(chambers).chain(instruments).find(|(part, _)| *part == id);
        match part {
            Some((_, tag)) => format!("{}/{tag}", glovebox.tag),
            None if glovebox.purifier.as_ref().is_some_and(|part| part.id.uuid() == id) => {
                format!("{}/circulation", glovebox.tag)
            }
            None => glovebox.tag.to_string(),
        }
    };
    let conflicts = refused
        .conflicts
        .into_iter()
        .map(|conflict| NamedConflict { tag: tag(conflict.resource.uuid()), conflict })
        .collect();
    BookingRefusal { violations: refused.violations, conflicts, alternatives: Vec::new() }
}

fn refusal(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    request: &BookingRequest,
    person: &Stored<Person>,
    (on, without): (&BoxView, Option<BookingId>),
    refused: Refused,
) -> Result<BookingRefusal> {
    let mut refusal = named(on, refused);
    if !refusal.conflicts.is_empty() {
        refusal.alternatives = alternatives(tx, now, request, person, (on, without), &[])?;
    }
    Ok(refusal)
}

/// Up to three bookings like the one asked for that would be accepted as they
/// stand, nearest in time first; on the same box, then on others of its gas.
/// `also_taken` is what will be claimed besides what is.
pub(super) fn alternatives(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    request: &BookingRequest,
    person: &Stored<Person>,
    (home, without): (&BoxView, Option<BookingId>),
    also_taken: &[Busy],
) -> Result<Vec<Alternative>> {
    let wanted = request.interval.start();
    let from = now.max(wanted - TimeDelta::days(1));
    let Ok(range) = Interval::new(from, wanted + LOOK_AHEAD + request.interval.length()) else {
        return Ok(Vec::new());
    };
    let site = site_view(tx, now, range)?;
    let requester = requester_view(tx, person, &site, range, without.map(Into::into))?;
    let windows = all_windows(tx)?;
    let mut candidates: Vec<(TimeDelta, bool, usize, BookingRequest)> = Vec::new();
    let mut views = Vec::new();
    let boxes = memory::gloveboxes(tx)?;
    for glovebox in boxes.iter().filter(|other| other.value.working_gas == home.glovebox.working_gas) {
        let mut on = box_view(tx, glovebox, &windows, range, without)?;
        on.busy.extend(also_taken.iter().cloned());
        let elsewhere = on.id != home.id;
        for asked in ways_to_ask(request, elsewhere) {
            let Some((fitted, starts)) = openings(&asked, range, &site, &on, 40) else { continue };
            for starts in starts {
                for day in 0..3 {
                    let start = starts.nearest(wanted + TimeDelta::days(day));
                    let Ok(interval) = Interval::lasting(start, fitted.length) else { continue };
                    let other = moved(&asked, interval);
                    candidates.push(((start - wanted).abs(), elsewhere, views.len(), other));
                }
            }
        }
        views.push(on);
    }
    candidates.sort_by_key(|(distance, elsewhere, _, _)| (*distance, *elsewhere));
    let mut found: Vec<Alternative> = Vec::new();
    for (_, _, view, candidate) in candidates {
        let Some(on) = views.get(view) else { continue };
        let Ok(decision) = decide(&candidate, &site, &requester, on) else { continue };
        let other = Alternative {
            glovebox: on.id,
            tag: on.glovebox.tag.clone(),
            stations: tagged(&on.glovebox, &decision.work.stations),
            interval: candidate.interval,
            claims: decision.claims,
        };
        if decision.status == Status::Confirmed && !found.contains(&other) {
            found.push(other);
        }
        if found.len() == ALTERNATIVES {
            break;
        }
    }
    Ok(found)
}

fn tagged(glovebox: &Glovebox, ids: &[StationId]) -> Vec<Tag> {
    ids.iter().filter_map(|id| glovebox.station(*id)).map(|station| station.tag.clone()).collect()
}

/// As asked, and at any station; on another box only at any station.
fn ways_to_ask(request: &BookingRequest, elsewhere: bool) -> Vec<BookingRequest> {
    let free = anywhere(request);
    if elsewhere || free == *request { vec![free] } else { vec![request.clone(), free] }
}

/// The same work without naming the stations of one box.
fn anywhere(request: &BookingRequest) -> BookingRequest {
    let mut request = request.clone();
    if let Places::Named(named) = &request.work.places {
        request.work.places = Places::Any(u8::try_from(named.len()).unwrap_or(u8::MAX));
    }
    request
}
