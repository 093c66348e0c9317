//! Maintenance windows, and the bookings that fall into one.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::{bookings, maintenance_windows};
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::calendar::recurrence::RecurrenceText;
use crate::domain::calendar::{Interval, Length, Recurrence};
use crate::domain::facility::Stored;
use crate::domain::facility::windows::{MaintenanceWindow, WindowHolds};
use crate::domain::ids::{BookingId, GloveboxId};
use crate::domain::names::Name;
use chrono::NaiveDateTime;
use diesel::prelude::*;
use serde::de::DeserializeOwned;

/// The most bookings looked through for those that a window falls upon.
const MOST_BOOKINGS: i64 = 20_000;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = maintenance_windows, treat_none_as_null = true)]
struct WindowRow {
    id: String,
    name: String,
    dtstart: String,
    timezone: String,
    duration: String,
    rrule: Option<String>,
    rdates: String,
    exdates: String,
    gloveboxes: Option<String>,
    tasks: String,
    holds: String,
    notice: Option<String>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

fn list<T: DeserializeOwned>(what: &'static str, text: &str) -> StoreResult<T> {
    checked(what, serde_json::from_str(text))
}

impl From<&Stored<MaintenanceWindow>> for WindowRow {
    fn from(stored: &Stored<MaintenanceWindow>) -> Self {
        let window = &stored.value;
        let when = RecurrenceText::from(window.recurrence.clone());
        Self {
            id: stored.id.to_string(),
            name: window.name.to_string(),
            dtstart: when.dtstart,
            timezone: when.timezone,
            duration: window.duration.to_string(),
            rrule: when.rrule,
            rdates: document(&when.rdates),
            exdates: document(&when.exdates),
            gloveboxes: window.gloveboxes.as_ref().map(document),
            tasks: document(&window.tasks),
            holds: window.holds.word().to_owned(),
            notice: window.holds.notice().map(|notice| notice.to_string()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<WindowRow> for Stored<MaintenanceWindow> {
    type Error = StoreError;

    fn try_from(row: WindowRow) -> StoreResult<Self> {
        let when = RecurrenceText {
            dtstart: row.dtstart,
            timezone: row.timezone,
            rrule: row.rrule,
            rdates: list("maintenance_windows.rdates", &row.rdates)?,
            exdates: list("maintenance_windows.exdates", &row.exdates)?,
        };
        let notice = row.notice.as_deref().map(Length::parse).transpose();
        let notice = checked("maintenance_windows.notice", notice)?;
        let value = MaintenanceWindow {
            name: checked("maintenance_windows.name", Name::parse(&row.name))?,
            recurrence: checked("maintenance_windows.rrule", Recurrence::parse(&when))?,
            duration: checked("maintenance_windows.duration", Length::parse(&row.duration))?,
            gloveboxes: row
                .gloveboxes
                .as_deref()
                .map(|text| list("maintenance_windows.gloveboxes", text))
                .transpose()?,
            tasks: list("maintenance_windows.tasks", &row.tasks)?,
            holds: checked("maintenance_windows.holds", WindowHolds::from_parts(&row.holds, notice))?,
        };
        Ok(Self {
            id: uuid("maintenance_windows.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(MaintenanceWindow, "maintenance_window", None, WindowRow, maintenance_windows, |_| None);

/// Every window, in order of creation; the use case that creates them keeps
/// their number small.
pub(crate) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<MaintenanceWindow>>> {
    let rows: Vec<WindowRow> = maintenance_windows::table.order(maintenance_windows::id).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// How many windows there are.
pub(crate) fn count(tx: &mut Tx<'_>) -> StoreResult<usize> {
    let count: i64 = maintenance_windows::table.count().get_result(tx.db())?;
    Ok(usize::try_from(count).unwrap_or(usize::MAX))
}

/// The bookings that are still to come or running within `range`, of the
/// gloveboxes named or of all, ascending by start.
pub(crate) fn bookings_within(
    tx: &mut Tx<'_>,
    range: Interval,
    gloveboxes: Option<&[GloveboxId]>,
) -> StoreResult<Vec<(BookingId, Interval)>> {
    let mut query = bookings::table
        .filter(bookings::progress.eq_any(["booked", "in_use"]))
        .filter(bookings::starts_at.lt(range.end().naive_utc()))
        .filter(bookings::ends_at.gt(range.start().naive_utc()))
        .order((bookings::starts_at, bookings::id))
        .limit(MOST_BOOKINGS)
        .select((bookings::id, bookings::starts_at, bookings::ends_at))
        .into_boxed();
    if let Some(named) = gloveboxes {
        query = query.filter(bookings::glovebox_id.eq_any(named.iter().map(ToString::to_string)));
    }
    let rows: Vec<(String, NaiveDateTime, NaiveDateTime)> = query.load(tx.db())?;
    rows.into_iter()
        .map(|(id, start, end)| {
            let id = BookingId::from(uuid("bookings.id", &id)?);
            let interval = checked("bookings.ends_at", Interval::new(start.and_utc(), end.and_utc()))?;
            Ok((id, interval))
        })
        .collect()
}
