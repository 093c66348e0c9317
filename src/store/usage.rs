//! What was and will be used, from the claims of bookings.

use super::Tx;
use super::db::either;
use super::error::StoreResult;
use super::schema::{bookings, claims};
use super::things::checked;
use crate::domain::booking::claims::{LONGEST_CLAIM, Why};
use crate::domain::booking::record::{BookedTransfer, BookedWork};
use crate::domain::calendar::Interval;
use crate::domain::ids::GloveboxId;
use crate::domain::physics::gas::IDEAL_MOLAR_VOLUME_L;
use crate::domain::upkeep::use_ahead::GasUse;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use serde_json::Value;
use uuid::Uuid;

type WorkRow = (NaiveDateTime, NaiveDateTime, String, Option<NaiveDateTime>, Option<NaiveDateTime>, String);

/// Work at some stations, past and booked, ending after `from`, in order of
/// start. Where a booking was closed out, the time it was really in use
/// counts; what was never taken up does not.
fn work(tx: &mut Tx<'_>, stations: &[Uuid], from: DateTime<Utc>) -> StoreResult<Vec<WorkRow>> {
    let mut rows: Vec<WorkRow> = Vec::new();
    for station in stations {
        let work = claims::table
            .inner_join(bookings::table)
            .filter(claims::resource_id.eq(station.to_string()))
            .filter(claims::why.eq(Why::Work.word()))
            .filter(claims::ends_at.gt(from.naive_utc()))
            .filter(bookings::progress.ne("no_show"))
            .filter(bookings::progress.ne("cancelled"))
            .order((claims::starts_at, claims::id))
            .select((
                claims::starts_at,
                claims::ends_at,
                bookings::progress,
                bookings::started_at,
                bookings::closed_at,
                bookings::work,
            ));
        let found: Vec<WorkRow> = either!(tx.db(), connection => work.load(connection)?);
        rows.extend(found);
    }
    rows.sort_by_key(|row| row.0);
    Ok(rows)
}

fn worked((starts, ends, progress, started, closed, _): &WorkRow) -> Option<Interval> {
    used((*starts, *ends), progress, *started, *closed)
}

/// The time that a booking of `starts` to `ends` was or will be in use.
fn used(
    (starts, ends): (NaiveDateTime, NaiveDateTime),
    progress: &str,
    started: Option<NaiveDateTime>,
    closed: Option<NaiveDateTime>,
) -> Option<Interval> {
    let (from, to) = match (started, closed) {
        // A close-out written down days later is not days of use.
        (Some(started), Some(closed)) if progress == "closed_out" => (started, closed.min(ends)),
        _ => (starts, ends),
    };
    Interval::new(from.and_utc(), to.and_utc()).ok()
}

/// Time worked, and booked to be worked, at a station.
pub(crate) fn at_station(tx: &mut Tx<'_>, station: Uuid, from: DateTime<Utc>) -> StoreResult<Vec<Interval>> {
    Ok(work(tx, &[station], from)?.iter().filter_map(worked).collect())
}

/// Time worked, and booked to be worked, with solvents at any of a box's stations.
pub(crate) fn with_solvents(
    tx: &mut Tx<'_>,
    stations: &[Uuid],
    from: DateTime<Utc>,
) -> StoreResult<Vec<Interval>> {
    let names_solvents = |row: &&WorkRow| {
        serde_json::from_str::<Value>(&row.5)
            .is_ok_and(|work| work["solvents"].as_array().is_some_and(|solvents| !solvents.is_empty()))
    };
    Ok(work(tx, stations, from)?.iter().filter(names_solvents).filter_map(worked).collect())
}

/// Work that draws gas at some boxes, done and booked, ending after `from`, in
/// order of start. Where a booking was closed out, the time it was really in
/// use counts; what was never taken up does not.
pub(crate) fn of_gas(tx: &mut Tx<'_>, boxes: &[GloveboxId], from: DateTime<Utc>) -> StoreResult<Vec<GasUse>> {
    type Row = (
        NaiveDateTime,
        NaiveDateTime,
        String,
        Option<NaiveDateTime>,
        Option<NaiveDateTime>,
        f64,
        NaiveDateTime,
    );
    let mut found = Vec::new();
    for glovebox in boxes {
        // Box by box, so that the index on box and start serves.
        let drawn = bookings::table
            .filter(bookings::glovebox_id.eq(glovebox.to_string()))
            .filter(bookings::starts_at.gt((from - LONGEST_CLAIM).naive_utc()))
            .filter(bookings::ends_at.gt(from.naive_utc()))
            .filter(bookings::progress.ne("no_show"))
            .filter(bookings::progress.ne("cancelled"))
            .order((bookings::starts_at, bookings::id))
            .select((
                bookings::starts_at,
                bookings::ends_at,
                bookings::progress,
                bookings::started_at,
                bookings::closed_at,
                bookings::gas_estimate_nl,
                bookings::created_at,
            ));
        let rows: Vec<Row> = either!(tx.db(), connection => drawn.load(connection)?);
        found.extend(rows.into_iter().filter_map(
            |(starts, ends, progress, started, closed, litres, booked)| {
                let interval = used((starts, ends), &progress, started, closed)?;
                let computed_mol = litres / IDEAL_MOLAR_VOLUME_L;
                Some(GasUse { interval, computed_mol, booked_at: booked.and_utc() })
            },
        ));
    }
    found.sort_by_key(|one| one.interval.start());
    Ok(found)
}

/// Times for which bookings have a purifier's circulation off, ending after
/// `from`, past and booked, in order of start.
pub(crate) fn circulation_off(
    tx: &mut Tx<'_>,
    purifier: Uuid,
    from: DateTime<Utc>,
) -> StoreResult<Vec<GasUse>> {
    let off = claims::table
        .inner_join(bookings::table)
        .filter(claims::resource_id.eq(purifier.to_string()))
        .filter(claims::starts_at.gt((from - LONGEST_CLAIM).naive_utc()))
        .filter(claims::ends_at.gt(from.naive_utc()))
        .filter(claims::why.eq(Why::CirculationOff.word()))
        .filter(bookings::progress.ne("no_show"))
        .filter(bookings::progress.ne("cancelled"))
        .order((claims::starts_at, claims::id))
        .select((claims::starts_at, claims::ends_at, bookings::created_at));
    let rows: Vec<(NaiveDateTime, NaiveDateTime, NaiveDateTime)> =
        either!(tx.db(), connection => off.load(connection)?);
    let off = rows.into_iter().filter_map(|(starts, ends, booked)| {
        let interval = Interval::new(starts.and_utc(), ends.and_utc()).ok()?;
        Some(GasUse { interval, computed_mol: 0.0, booked_at: booked.and_utc() })
    });
    Ok(off.collect())
}

/// Antechamber turns of one booking.
#[derive(Debug, Clone)]
pub(crate) struct Turns {
    /// The booking's time.
    pub(crate) interval: Interval,
    /// When it was booked.
    pub(crate) booked_at: DateTime<Utc>,
    /// What goes in and comes out.
    pub(crate) transfers: Vec<BookedTransfer>,
}

/// Antechamber turns of a box's bookings that end after `from`, past and
/// booked, in order of start.
pub(crate) fn turns(tx: &mut Tx<'_>, glovebox: GloveboxId, from: DateTime<Utc>) -> StoreResult<Vec<Turns>> {
    let booked = bookings::table
        .filter(bookings::glovebox_id.eq(glovebox.to_string()))
        .filter(bookings::starts_at.gt((from - LONGEST_CLAIM).naive_utc()))
        .filter(bookings::ends_at.gt(from.naive_utc()))
        .filter(bookings::progress.ne("no_show"))
        .filter(bookings::progress.ne("cancelled"))
        .order((bookings::starts_at, bookings::id))
        .select((bookings::starts_at, bookings::ends_at, bookings::work, bookings::created_at));
    let rows: Vec<(NaiveDateTime, NaiveDateTime, String, NaiveDateTime)> =
        either!(tx.db(), connection => booked.load(connection)?);
    let mut found = Vec::with_capacity(rows.len());
    for (starts, ends, work, booked) in rows {
        let work: BookedWork = checked("bookings.work", serde_json::from_str(&work))?;
        let transfers: Vec<BookedTransfer> =
            work.transfers_in.into_iter().chain(work.transfers_out).collect();
        if let (Ok(interval), false) = (Interval::new(starts.and_utc(), ends.and_utc()), transfers.is_empty())
        {
            found.push(Turns { interval, booked_at: booked.and_utc(), transfers });
        }
    }
    Ok(found)
}
