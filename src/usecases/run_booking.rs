//! What happens to a booking once made: shown, begun, closed out, called off,
//! or released because nobody came.

use super::book::{Booked, note};
use super::ingest_readings::ingest;
use super::keep::Precondition;
use super::situation::person_of;
use super::under_way::Report;
use super::{BookingRefusal, Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::booking::{Booking, EndOfRun, Owner, Progress, Status};
use crate::domain::facility::{Glovebox, MeasuredQuantity, Person, Scope, Stored};
use crate::domain::ids::{BookingId, GloveboxId, PersonId};
use crate::domain::upkeep::readings::{Batch, RawReading};
use crate::domain::violations::{Coded as _, Violation, Violations};
pub(crate) use crate::store::bookings::Wanted;
use crate::store::kept::Kept as _;
use crate::store::{bookings, claims, holds, memory, things};
use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

/// How much of a booking a caller may see.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sight {
    /// All of it.
    Whole,
    /// When and where, but not what for.
    Outline,
}

/// The caller's own person and whether they may see and change all bookings.
fn standing(tx: &mut Tx<'_>, actor: &Actor) -> Result<(Option<PersonId>, bool)> {
    let own = person_of(tx, actor)?.map(|person: Stored<Person>| PersonId::from(person.id));
    Ok((own, actor.has(Scope::BookingsManage)))
}

fn unknown(id: BookingId) -> Error {
    Error::unknown("booking", id)
}

/// A booking that the caller may change: their own, or any with `bookings:manage`.
pub(crate) fn own(tx: &mut Tx<'_>, actor: &Actor, id: BookingId) -> Result<Stored<Booking>> {
    actor.needs_any(&[Scope::BookingsWrite, Scope::BookingsManage])?;
    let (person, manages) = standing(tx, actor)?;
    let booking = Booking::find(tx, id.uuid())?.ok_or_else(|| unknown(id))?;
    if manages || Some(booking.value.person) == person {
        return Ok(booking);
    }
    // Whoever may see the facility may know that the booking exists.
    if actor.has(Scope::FacilityRead) {
        return Err(Error::NotYours("this booking is somebody else's".to_owned()));
    }
    Err(unknown(id))
}

/// A booking as far as the caller may see it.
pub(crate) fn show(tx: &mut Tx<'_>, actor: &Actor, id: BookingId) -> Result<(Booked, Sight)> {
    actor.needs_any(&[Scope::FacilityRead, Scope::BookingsWrite, Scope::BookingsManage])?;
    let (person, manages) = standing(tx, actor)?;
    let booking = Booking::find(tx, id.uuid())?.ok_or_else(|| unknown(id))?;
    let sight = if manages || Some(booking.value.person) == person {
        Sight::Whole
    } else if actor.has(Scope::FacilityRead) {
        Sight::Outline
    } else {
        return Err(unknown(id));
    };
    let claims = claims::of_bookings(tx, &[id])?;
    Ok((Booked { booking, claims }, sight))
}

/// The bookings wanted, as far as the caller may see them.
pub(crate) fn list(
    tx: &mut Tx<'_>,
    actor: &Actor,
    mut wanted: Wanted,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<(Booked, Sight)>> {
    actor.needs_any(&[Scope::FacilityRead, Scope::BookingsWrite, Scope::BookingsManage])?;
    let (person, manages) = standing(tx, actor)?;
    if !manages && wanted.person.is_some_and(|asked| Some(asked) != person) {
        return Err(Error::NotYours("whose bookings are whose is told with bookings:manage only".to_owned()));
    }
    if !manages && !actor.has(Scope::FacilityRead) {
        let Some(own) = person.filter(|own| wanted.person.is_none_or(|asked| asked == *own)) else {
            return Ok(Vec::new());
        };
        wanted.person = Some(own);
    }
    let found = bookings::select(tx, &wanted, after, limit)?;
    let ids: Vec<BookingId> = found.iter().map(|booking| booking.id.into()).collect();
    let mut by_booking: std::collections::HashMap<BookingId, Vec<_>> = std::collections::HashMap::new();
    for claim in claims::of_bookings(tx, &ids)? {
        if let Owner::Booking(id) = claim.owner {
            by_booking.entry(id).or_default().push(claim);
        }
    }
    Ok(found
        .into_iter()
        .map(|booking| {
            let whole = manages || Some(booking.value.person) == person;
            let claims = by_booking.remove(&booking.id.into()).unwrap_or_default();
            (Booked { booking, claims }, if whole { Sight::Whole } else { Sight::Outline })
        })
        .collect())
}

/// Passes while the booking has not begun and the notice to change it is kept;
/// those who manage bookings need keep no notice.
pub(super) fn may_still_change(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    booking: &Stored<Booking>,
) -> Result<()> {
    if booking.value.progress != Progress::Booked {
        return Err(wrong_state(booking, "changed or cancelled"));
    }
    let notice = memory::facility(tx)?.value.policies.cancellation_notice;
    let late = notice.is_some_and(|notice| now + notice.delta() > booking.value.interval.start());
    if late && !actor.has(Scope::BookingsManage) {
        let notice = notice.map(|notice| notice.to_string()).unwrap_or_default();
        let violation = Violation::new(
            "start",
            "short_notice",
            format!("it begins in less than {notice}; ask the keeper to change or cancel it"),
        );
        return Err(BookingRefusal { violations: vec![violation], ..BookingRefusal::default() }.into());
    }
    Ok(())
}

fn wrong_state(booking: &Stored<Booking>, wanted: &str) -> Error {
    let is = booking.value.progress.word();
    Error::WrongState(format!("the booking is {is} and cannot be {wanted}"))
}

pub(super) fn save(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    before: &Stored<Booking>,
    value: Booking,
) -> Result<Booked> {
    let version = before.version + 1;
    let booking = Stored { id: before.id, version, created_at: before.created_at, updated_at: now, value };
    Booking::update(tx, &booking)?;
    note(tx, actor, now, kind, Some(before), &booking)?;
    let claims = claims::of_bookings(tx, &[booking.id.into()])?;
    Ok(Booked { booking, claims })
}

/// Calls a booking off and frees its time.
pub(crate) fn cancel(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: BookingId,
    precondition: &Precondition,
) -> Result<Booked> {
    let current = own(tx, actor, id)?;
    precondition.allows(current.version)?;
    may_still_change(tx, actor, now, &current)?;
    claims::release(tx, Owner::Booking(id))?;
    let value = Booking {
        status: Status::Cancelled,
        progress: Progress::Cancelled,
        closed_at: Some(now),
        ..current.value.clone()
    };
    save(tx, actor, now, "booking.cancelled", &current, value)
}

/// Begins the work: from the first of its claims on, until its end.
pub(crate) fn start(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: BookingId,
    precondition: &Precondition,
) -> Result<Booked> {
    let current = own(tx, actor, id)?;
    precondition.allows(current.version)?;
    if current.value.progress != Progress::Booked {
        return Err(wrong_state(&current, "started"));
    }
    let claims = claims::of_bookings(tx, &[id])?;
    let earliest = claims.iter().map(|claim| claim.interval.start()).min();
    let earliest = earliest.unwrap_or(current.value.interval.start());
    if now < earliest || now >= current.value.interval.end() {
        return Err(Error::WrongState(format!(
            "it can be started from {} until {}",
            earliest.format("%FT%TZ"),
            current.value.interval.end().format("%FT%TZ"),
        )));
    }
    let occupied: Vec<_> = claims.iter().map(|claim| claim.resource).collect();
    let open = holds::open_of(tx, current.value.glovebox)?;
    if let Some(hold) = open.iter().find(|hold| hold.value.closes(&occupied)) {
        let violation =
            Violation::new("glovebox", "on_hold", format!("closed to use: {}", hold.value.reason));
        return Err(BookingRefusal { violations: vec![violation], ..BookingRefusal::default() }.into());
    }
    let value = Booking { progress: Progress::InUse, started_at: Some(now), ..current.value.clone() };
    save(tx, actor, now, "booking.started", &current, value)
}

/// Closes a booking out with what was written down; what is left of its
/// working time becomes free. Turns and purges still to come stay claimed.
pub(crate) fn close_out(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: BookingId,
    precondition: &Precondition,
    record: &EndOfRun,
) -> Result<Booked> {
    let current = own(tx, actor, id)?;
    precondition.allows(current.version)?;
    let begun = current.value.progress == Progress::InUse
        || (current.value.progress == Progress::Booked && now >= current.value.interval.start());
    if !begun {
        return Err(wrong_state(&current, "closed out"));
    }
    if now <= current.value.interval.start() {
        // Begun early and over before its time: nothing of it is left to claim.
        claims::release(tx, Owner::Booking(id))?;
    } else {
        claims::end_work(tx, id, now)?;
    }
    let value = Booking {
        progress: Progress::ClosedOut,
        started_at: current.value.started_at.or(Some(current.value.interval.start())),
        closed_at: Some(now),
        end_of_run: Some(record.clone()),
        ..current.value.clone()
    };
    let closed = save(tx, actor, now, "booking.closed_out", &current, value)?;
    keep_readings(tx, actor, now, closed.booking.value.glovebox, record)?;
    Ok(closed)
}

/// What was read on leaving counts as readings like any other.
fn keep_readings(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    glovebox: GloveboxId,
    record: &EndOfRun,
) -> Result<()> {
    let mut rows: Vec<(String, MeasuredQuantity, f64, String)> = Vec::new();
    let supply = Glovebox::find(tx, glovebox.uuid())?.and_then(|on| on.value.gas_supply).map(Uuid::from);
    for (i, read) in record.cylinders.iter().enumerate() {
        let parent = things::get(tx, read.cylinder.uuid())?.and_then(|cylinder| cylinder.parent);
        if parent.is_none() || parent != supply {
            let field = format!("cylinder_pressures[{i}].cylinder");
            return Err(Error::invalid(&field, "other_supply", "this cylinder does not feed the box"));
        }
        let field = format!("cylinder_pressures[{i}].gauge_bar");
        rows.push((read.cylinder.to_string(), MeasuredQuantity::GaugeBar, read.gauge.get(), field));
    }
    let levels = [
        (record.oxygen, MeasuredQuantity::OxygenPpm, "oxygen_ppm"),
        (record.water, MeasuredQuantity::WaterPpm, "water_ppm"),
    ];
    for (level, quantity, field) in levels {
        rows.extend(level.map(|level| (glovebox.to_string(), quantity, level.get(), field.to_owned())));
    }
    let at = now.to_rfc3339();
    let mut batch = Batch::received_at(now);
    for (subject, quantity, value, _) in &rows {
        batch.push(Ok(RawReading {
            subject: Some(subject),
            quantity: Some(quantity.word()),
            at: Some(&at),
            value: Some(*value),
            unit: None,
            sensor: None,
        }));
    }
    let mut gateway = actor.clone();
    gateway.scopes.insert(Scope::ReadingsWrite);
    let taken = ingest(tx, &gateway, now, &batch, &Report::default())?;
    let refused = taken.rejected.into_iter().filter_map(|row| {
        let (_, _, _, field) = rows.get(row.index)?;
        Some(Violation::new(field.clone(), row.fault.code(), row.fault.to_string()))
    });
    match Violations::from_vec(refused.collect()) {
        None => Ok(()),
        Some(violations) => Err(Error::Invalid(violations)),
    }
}

/// Releases the bookings that nobody has begun within the site's grace.
pub(crate) fn release_no_shows(tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<usize> {
    let grace = memory::facility(tx)?.value.policies.no_show_grace.delta();
    let before = now.checked_sub_signed(grace).unwrap_or(now - TimeDelta::minutes(30));
    let mut missed = bookings::not_begun(tx, before)?;
    // Whoever books from now on has the whole grace from then.
    missed.retain(|booking| booking.created_at < before);
    let count = missed.len();
    for booking in missed {
        claims::release(tx, Owner::Booking(booking.id.into()))?;
        let value = Booking {
            status: Status::Cancelled,
            progress: Progress::NoShow,
            closed_at: Some(now),
            ..booking.value.clone()
        };
        save(tx, &Actor::operator(), now, "booking.no_show", &booking, value)?;
    }
    Ok(count)
}
