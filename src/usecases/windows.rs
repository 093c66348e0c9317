//! Keeping maintenance windows: beside what every kept thing can do, a window
//! that always holds names the bookings it falls upon, and says when it is.

use super::keep::{self, Managed, Precondition};
use super::{Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::merge;
use crate::domain::calendar::recurrence::RecurrenceError;
use crate::domain::facility::windows::MOST_WINDOWS;
use crate::domain::facility::{MaintenanceWindow, ParseContext, Stored};
use crate::domain::ids::BookingId;
use crate::domain::names::Reference;
use crate::domain::violations::{Coded as _, Violations};
use crate::store::{site, windows as store};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// How far ahead bookings are looked for that a window falls upon, days.
pub(crate) const LOOK_AHEAD_DAYS: i64 = 90;

/// The most bookings named that a window falls upon.
pub(crate) const MOST_NAMED_BOOKINGS: usize = 100;

/// A window just made or changed, and what it falls upon.
#[derive(Debug)]
pub(crate) struct Announced {
    /// The window.
    pub(crate) window: Stored<MaintenanceWindow>,
    /// Bookings that it falls upon, in order of their start; they stand until
    /// somebody cancels them.
    pub(crate) affected: Vec<BookingId>,
}

/// Creates a window from what `parse` makes of the input; the facility's zone
/// is there for input that names none.
pub(crate) fn create(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    parse: impl FnOnce(&mut dyn ParseContext, Tz) -> Result<MaintenanceWindow, Violations>,
) -> Result<Announced> {
    actor.needs_any(MaintenanceWindow::CHANGE)?;
    if store::count(tx)? >= MOST_WINDOWS {
        return Err(Error::invalid(
            "",
            "too_many_windows",
            format!("there are {MOST_WINDOWS} maintenance windows already; remove those that are over"),
        ));
    }
    let zone = facility_zone(tx)?;
    let window = keep::create(tx, actor, now, |context| parse(context, zone))?;
    announced(tx, now, window)
}

/// Changes a window into what `parse` makes of the input and the present state.
pub(crate) fn change(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    precondition: &Precondition,
    parse: impl FnOnce(&mut dyn ParseContext, Tz, &MaintenanceWindow) -> Result<MaintenanceWindow, Violations>,
) -> Result<Announced> {
    let zone = facility_zone(tx)?;
    let window = keep::change(tx, actor, now, reference, precondition, |context, current| {
        parse(context, zone, current)
    })?;
    announced(tx, now, window)
}

/// The window's occurrences that overlap `range`, with the zone it keeps to.
pub(crate) fn occurrences(
    tx: &mut Tx<'_>,
    actor: &Actor,
    reference: &Reference,
    range: Interval,
) -> Result<(Tz, Vec<Interval>)> {
    let window = keep::get::<MaintenanceWindow>(tx, actor, reference)?.value;
    let found = window.occurrences(range).map_err(|error| range_fault(&error))?;
    Ok((window.recurrence.zone(), found))
}

/// UTC stands in until the facility is described.
fn facility_zone(tx: &mut Tx<'_>) -> Result<Tz> {
    Ok(site::find(tx)?.map_or(Tz::UTC, |site| site.value.timezone))
}

fn range_fault(error: &RecurrenceError) -> Error {
    Error::invalid("to", error.code(), format!("the range {error}"))
}

fn announced(tx: &mut Tx<'_>, now: DateTime<Utc>, window: Stored<MaintenanceWindow>) -> Result<Announced> {
    let affected = if window.value.is_closed() { affected(tx, now, &window.value)? } else { Vec::new() };
    Ok(Announced { window, affected })
}

fn affected(tx: &mut Tx<'_>, now: DateTime<Utc>, window: &MaintenanceWindow) -> Result<Vec<BookingId>> {
    // Past the end of the calendar there are no bookings to look for.
    let Ok(ahead) = Interval::lasting(now, TimeDelta::days(LOOK_AHEAD_DAYS)) else { return Ok(Vec::new()) };
    let Ok(times) = window.occurrences(ahead) else { return Ok(Vec::new()) };
    let times = merge(times);
    let bookings = store::bookings_within(tx, ahead, window.gloveboxes.as_deref())?;
    let meets = |booking: &Interval| {
        let next = times.partition_point(|time| time.end() <= booking.start());
        times.get(next).is_some_and(|time| time.overlaps(booking))
    };
    Ok(bookings
        .into_iter()
        .filter(|(_, interval)| meets(interval))
        .map(|(id, _)| id)
        .take(MOST_NAMED_BOOKINGS)
        .collect())
}
