//! Months whose statements of usage are final, and what those said.

use super::Tx;
use super::error::{Constraint, StoreError, StoreResult};
use super::schema::{bookings, usage_closings, usage_entries};
use super::things::{checked, uuid};
use crate::domain::calendar::Interval;
use crate::domain::ids::BookingId;
use crate::domain::names::Name;
use crate::domain::usage::{Charged, Entry, Figures, Month};
use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// A change may have been under way, with the time of its beginning, while a month was closed.
const OVERLAP: TimeDelta = TimeDelta::hours(1);

/// A month that was closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Closing {
    /// The month.
    pub(crate) month: Month,
    /// The time it was about.
    pub(crate) range: Interval,
    /// When it was closed.
    pub(crate) closed_at: DateTime<Utc>,
    /// The token subject of whoever closed it.
    pub(crate) closed_by: String,
}

/// An entry of a final statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct FinalEntry {
    /// The month in whose statement it stands.
    pub(crate) month: Month,
    /// The month that it is about: an earlier one for a correction.
    pub(crate) of_month: Month,
    /// What it says.
    pub(crate) entry: Entry,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = usage_closings)]
struct ClosingRow {
    month: String,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    closed_at: NaiveDateTime,
    closed_by: String,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = usage_entries)]
struct EntryRow {
    id: String,
    month: String,
    of_month: String,
    booking_id: String,
    group_name: Option<String>,
    person_id: String,
    glovebox_id: String,
    bookings: i64,
    logged: i64,
    booked: i64,
    station_time: i64,
    transfers: i64,
    turns_ml: i64,
    purge_ml: i64,
}

fn read(row: EntryRow) -> StoreResult<FinalEntry> {
    let group =
        row.group_name.map(|name| checked("usage_entries.group_name", Name::parse(&name))).transpose()?;
    Ok(FinalEntry {
        month: checked("usage_entries.month", row.month.parse())?,
        of_month: checked("usage_entries.of_month", row.of_month.parse())?,
        entry: Entry {
            charged: Charged {
                booking: uuid("usage_entries.booking_id", &row.booking_id)?.into(),
                group,
                person: uuid("usage_entries.person_id", &row.person_id)?.into(),
                glovebox: uuid("usage_entries.glovebox_id", &row.glovebox_id)?.into(),
            },
            figures: Figures {
                bookings: row.bookings,
                logged: row.logged,
                booked: row.booked,
                station_time: row.station_time,
                transfers: row.transfers,
                turns_ml: row.turns_ml,
                purge_ml: row.purge_ml,
            },
        },
    })
}

/// Every month that was closed, in order.
pub(crate) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Closing>> {
    let rows: Vec<ClosingRow> = usage_closings::table.order(usage_closings::month).load(tx.db())?;
    rows.into_iter()
        .map(|row| {
            let range = Interval::new(row.starts_at.and_utc(), row.ends_at.and_utc());
            Ok(Closing {
                month: checked("usage_closings.month", row.month.parse())?,
                range: checked("usage_closings", range)?,
                closed_at: row.closed_at.and_utc(),
                closed_by: row.closed_by,
            })
        })
        .collect()
}

/// What final statements said of one month, its corrections included.
pub(crate) fn entries_of(tx: &mut Tx<'_>, month: Month) -> StoreResult<Vec<Entry>> {
    let rows: Vec<EntryRow> = usage_entries::table
        .filter(usage_entries::of_month.eq(month.to_string()))
        .order(usage_entries::id)
        .load(tx.db())?;
    rows.into_iter().map(|row| Ok(read(row)?.entry)).collect()
}

/// The bookings that begin in a closed month or counted in it, and that were
/// changed since it was closed, in order of id.
pub(crate) fn changed_since(tx: &mut Tx<'_>, closing: &Closing) -> StoreResult<Vec<BookingId>> {
    let counted = usage_entries::table
        .filter(usage_entries::of_month.eq(closing.month.to_string()))
        .select(usage_entries::booking_id);
    let begins = bookings::starts_at
        .ge(closing.range.start().naive_utc())
        .and(bookings::starts_at.lt(closing.range.end().naive_utc()));
    let ids: Vec<String> = bookings::table
        .filter(bookings::updated_at.ge((closing.closed_at - OVERLAP).naive_utc()))
        .filter(begins.or(bookings::id.eq_any(counted)))
        .order(bookings::id)
        .select(bookings::id)
        .load(tx.db())?;
    ids.iter().map(|id| Ok(uuid("bookings.id", id)?.into())).collect()
}

/// What the final statement of one month said.
pub(crate) fn entries_in(tx: &mut Tx<'_>, month: Month) -> StoreResult<Vec<FinalEntry>> {
    let rows: Vec<EntryRow> = usage_entries::table
        .filter(usage_entries::month.eq(month.to_string()))
        .order(usage_entries::id)
        .load(tx.db())?;
    rows.into_iter().map(read).collect()
}

/// Closes a month with all that its statement says.
pub(crate) fn close(
    tx: &mut Tx<'_>,
    closing: &Closing,
    entries: &[FinalEntry],
    fresh_id: impl Fn() -> Uuid,
) -> StoreResult<()> {
    let row = ClosingRow {
        month: closing.month.to_string(),
        starts_at: closing.range.start().naive_utc(),
        ends_at: closing.range.end().naive_utc(),
        closed_at: closing.closed_at.naive_utc(),
        closed_by: closing.closed_by.clone(),
    };
    let inserted = diesel::insert_into(usage_closings::table).values(&row).execute(tx.db());
    match inserted.map_err(StoreError::from) {
        Ok(_) => {}
        // Somebody else closed it meanwhile: trying again finds that.
        Err(StoreError::Constraint(Constraint::Other(name))) if name.contains("usage_closings") => {
            return Err(StoreError::Contention);
        }
        Err(error) => return Err(error),
    }
    for FinalEntry { month, of_month, entry } in entries {
        let (charged, figures) = (&entry.charged, &entry.figures);
        let row = EntryRow {
            id: fresh_id().to_string(),
            month: month.to_string(),
            of_month: of_month.to_string(),
            booking_id: charged.booking.to_string(),
            group_name: charged.group.as_ref().map(ToString::to_string),
            person_id: charged.person.to_string(),
            glovebox_id: charged.glovebox.to_string(),
            bookings: figures.bookings,
            logged: figures.logged,
            booked: figures.booked,
            station_time: figures.station_time,
            transfers: figures.transfers,
            turns_ml: figures.turns_ml,
            purge_ml: figures.purge_ml,
        };
        diesel::insert_into(usage_entries::table).values(&row).execute(tx.db())?;
    }
    Ok(())
}
