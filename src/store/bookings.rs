//! Bookings.

use super::Tx;
use super::db::{Db, either};
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::bookings;
use super::things::{checked, uuid};
use crate::domain::booking::record::{BookedWork, EndOfRun};
use crate::domain::booking::{Booking, Progress, Status};
use crate::domain::calendar::Interval;
use crate::domain::facility::Stored;
use crate::domain::ids::{GloveboxId, HoldId, PersonId, SeriesId, VisitId};
use crate::domain::names::Name;
use crate::domain::quantity::NormalLitres;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = bookings, treat_none_as_null = true, treat_none_as_default_value = false)]
struct BookingRow {
    id: String,
    glovebox_id: String,
    person_id: String,
    booked_by: String,
    group_name: Option<String>,
    series_id: Option<String>,
    status: String,
    progress: String,
    starts_at: NaiveDateTime,
    ends_at: NaiveDateTime,
    work: String,
    gas_estimate_nl: f64,
    hold_id: Option<String>,
    started_at: Option<NaiveDateTime>,
    closed_at: Option<NaiveDateTime>,
    end_of_run: Option<String>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
    displaced_by: Option<String>,
}

fn document<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_string(value).expect("checked names and numbers always serialise")
}

impl From<&Stored<Booking>> for BookingRow {
    fn from(stored: &Stored<Booking>) -> Self {
        let booking = &stored.value;
        Self {
            id: stored.id.to_string(),
            glovebox_id: booking.glovebox.to_string(),
            person_id: booking.person.to_string(),
            booked_by: booking.booked_by.clone(),
            group_name: booking.group.as_ref().map(ToString::to_string),
            series_id: booking.series.map(|id| id.to_string()),
            status: booking.status.word().to_owned(),
            progress: booking.progress.word().to_owned(),
            starts_at: booking.interval.start().naive_utc(),
            ends_at: booking.interval.end().naive_utc(),
            work: document(&booking.work),
            gas_estimate_nl: booking.gas_estimate.get(),
            hold_id: booking.hold.map(|id| id.to_string()),
            started_at: booking.started_at.map(|at| at.naive_utc()),
            closed_at: booking.closed_at.map(|at| at.naive_utc()),
            end_of_run: booking.end_of_run.as_ref().map(document),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
            displaced_by: booking.displaced_by.map(|id| id.to_string()),
        }
    }
}

impl TryFrom<BookingRow> for Stored<Booking> {
    type Error = StoreError;

    fn try_from(row: BookingRow) -> StoreResult<Self> {
        let value = Booking {
            glovebox: uuid("bookings.glovebox_id", &row.glovebox_id)?.into(),
            person: uuid("bookings.person_id", &row.person_id)?.into(),
            booked_by: row.booked_by,
            group: row
                .group_name
                .map(|name| checked("bookings.group_name", Name::parse(&name)))
                .transpose()?,
            series: row
                .series_id
                .map(|id| uuid("bookings.series_id", &id).map(SeriesId::from))
                .transpose()?,
            status: Status::from_word(&row.status)
                .ok_or_else(|| StoreError::corrupt("bookings.status", &row.status))?,
            progress: Progress::from_word(&row.progress)
                .ok_or_else(|| StoreError::corrupt("bookings.progress", &row.progress))?,
            interval: checked("bookings", Interval::new(row.starts_at.and_utc(), row.ends_at.and_utc()))?,
            work: checked("bookings.work", serde_json::from_str(&row.work))?,
            gas_estimate: checked("bookings.gas_estimate_nl", NormalLitres::new(row.gas_estimate_nl))?,
            hold: row.hold_id.map(|id| uuid("bookings.hold_id", &id).map(Into::into)).transpose()?,
            started_at: row.started_at.map(|at| at.and_utc()),
            closed_at: row.closed_at.map(|at| at.and_utc()),
            end_of_run: row
                .end_of_run
                .map(|text| checked("bookings.end_of_run", serde_json::from_str(&text)))
                .transpose()?,
            displaced_by: row
                .displaced_by
                .map(|id| uuid("bookings.displaced_by", &id).map(Into::into))
                .transpose()?,
        };
        Ok(Self {
            id: uuid("bookings.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Booking, "booking", None, BookingRow, bookings, |_| None);

/// What an audit shows of a booking, as `Kept::record` tells it, but written straight from the
/// booking: no other change is noted as often.
#[derive(Debug, serde::Serialize)]
pub(crate) struct Record<'a> {
    booked_by: &'a str,
    closed_at: Option<DateTime<Utc>>,
    displaced_by: Option<VisitId>,
    end_of_run: Option<&'a EndOfRun>,
    ends_at: DateTime<Utc>,
    gas_estimate_nl: f64,
    glovebox_id: GloveboxId,
    group_name: Option<&'a str>,
    hold_id: Option<HoldId>,
    person_id: PersonId,
    progress: Progress,
    series_id: Option<SeriesId>,
    started_at: Option<DateTime<Utc>>,
    starts_at: DateTime<Utc>,
    status: Status,
    work: &'a BookedWork,
}

impl<'a> From<&'a Stored<Booking>> for Record<'a> {
    fn from(Stored { value: booking, .. }: &'a Stored<Booking>) -> Self {
        Self {
            booked_by: &booking.booked_by,
            closed_at: booking.closed_at,
            displaced_by: booking.displaced_by,
            end_of_run: booking.end_of_run.as_ref(),
            ends_at: booking.interval.end(),
            gas_estimate_nl: booking.gas_estimate.get(),
            glovebox_id: booking.glovebox,
            group_name: booking.group.as_ref().map(Name::as_str),
            hold_id: booking.hold,
            person_id: booking.person,
            progress: booking.progress,
            series_id: booking.series,
            started_at: booking.started_at,
            starts_at: booking.interval.start(),
            status: booking.status,
            work: &booking.work,
        }
    }
}

/// Stores a new booking, as [`Kept::insert`](super::kept::Kept::insert) does, by the connection's
/// own statement: nothing is written more often.
pub(crate) fn add(tx: &mut Tx<'_>, stored: &Stored<Booking>) -> StoreResult<()> {
    let row = BookingRow::from(stored);
    let statement = diesel::insert_into(bookings::table).values(&row);
    either!(tx.db(), connection => statement.execute(connection)?);
    Ok(())
}

/// Which bookings are wanted.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wanted {
    /// On this box.
    pub(crate) glovebox: Option<GloveboxId>,
    /// Of this person.
    pub(crate) person: Option<PersonId>,
    /// Of this series.
    pub(crate) series: Option<SeriesId>,
    /// Ending after this.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Beginning before this.
    pub(crate) to: Option<DateTime<Utc>>,
    /// As far along as one of these.
    pub(crate) progress: Vec<Progress>,
}

/// Up to `limit` of the bookings wanted, in order of id.
pub(crate) fn select(
    tx: &mut Tx<'_>,
    wanted: &Wanted,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<Booking>>> {
    let mut query = bookings::table.into_boxed();
    if let Some(id) = wanted.glovebox {
        query = query.filter(bookings::glovebox_id.eq(id.to_string()));
    }
    if let Some(id) = wanted.person {
        query = query.filter(bookings::person_id.eq(id.to_string()));
    }
    if let Some(id) = wanted.series {
        query = query.filter(bookings::series_id.eq(id.to_string()));
    }
    if let Some(from) = wanted.from {
        query = query.filter(bookings::ends_at.gt(from.naive_utc()));
    }
    if let Some(to) = wanted.to {
        query = query.filter(bookings::starts_at.lt(to.naive_utc()));
    }
    if !wanted.progress.is_empty() {
        let words: Vec<&str> = wanted.progress.iter().map(|progress| progress.word()).collect();
        query = query.filter(bookings::progress.eq_any(words));
    }
    if let Some(after) = after {
        query = query.filter(bookings::id.gt(after.to_string()));
    }
    let rows: Vec<BookingRow> = query.order(bookings::id).limit(limit).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Makes other transactions that book for the group wait for this one, so that
/// two cannot both take what is left of its quota.
pub(crate) fn lock_group(tx: &mut Tx<'_>, group: &Name) -> StoreResult<()> {
    lock_name(tx, group.as_str(), 0)
}

/// Makes other transactions that give this person something to do wait for this one,
/// so that nobody is booked while they are to do upkeep.
pub(crate) fn lock_person(tx: &mut Tx<'_>, person: PersonId) -> StoreResult<()> {
    lock_name(tx, &person.to_string(), 1)
}

/// Locks a name among those of its kind until the transaction ends; `SQLite` has one
/// writer at a time anyway.
fn lock_name(tx: &mut Tx<'_>, name: &str, kind: i64) -> StoreResult<()> {
    let Db::Postgres(connection) = tx.db() else { return Ok(()) };
    diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended($1, $2))")
        .bind::<diesel::sql_types::Text, _>(name)
        .bind::<diesel::sql_types::BigInt, _>(kind)
        .execute(connection)?;
    // What was remembered before the wait may have changed during it.
    tx.look_again();
    Ok(())
}

/// What a group has booked or worked that begins in `range`, and on which booking.
pub(crate) fn of_group(tx: &mut Tx<'_>, group: &Name, range: Interval) -> StoreResult<Vec<(Uuid, Interval)>> {
    let rows: Vec<(String, NaiveDateTime, NaiveDateTime)> = bookings::table
        .filter(bookings::group_name.eq(group.as_str()))
        .filter(bookings::starts_at.ge(range.start().naive_utc()))
        .filter(bookings::starts_at.lt(range.end().naive_utc()))
        .filter(bookings::progress.ne_all([Progress::Cancelled.word(), Progress::NoShow.word()]))
        .select((bookings::id, bookings::starts_at, bookings::ends_at))
        .load(tx.db())?;
    rows.into_iter()
        .map(|(id, start, end)| {
            let interval = checked("bookings", Interval::new(start.and_utc(), end.and_utc()))?;
            Ok((uuid("bookings.id", &id)?, interval))
        })
        .collect()
}

/// Bookings that nobody has begun and that began before `before`.
pub(crate) fn not_begun(tx: &mut Tx<'_>, before: DateTime<Utc>) -> StoreResult<Vec<Stored<Booking>>> {
    // Asked before every booking, and mostly there are none.
    let first = bookings::table
        .filter(bookings::progress.eq(Progress::Booked.word()))
        .select(diesel::dsl::min(bookings::starts_at));
    let first: Option<NaiveDateTime> = either!(tx.db(), connection => first.first(connection)?);
    if first.is_none_or(|first| first >= before.naive_utc()) {
        return Ok(Vec::new());
    }
    let rows: Vec<BookingRow> = bookings::table
        .filter(bookings::progress.eq(Progress::Booked.word()))
        .filter(bookings::starts_at.lt(before.naive_utc()))
        .order(bookings::id)
        .limit(1000)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::kept::Kept as _;
    use serde_json::json;

    #[test]
    fn the_audit_shows_a_booking_like_anything_else_that_is_kept() {
        let id = |number: u128| Uuid::from_u128(number);
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let work = json!({
            "purpose": "Sealing ampoules",
            "stations": [id(1)],
            "whole_box": false,
            "transfers_in": [{ "antechamber": id(2), "sample": "porous", "at": "2030-03-02T08:00:00Z" }],
            "transfers_out": [],
            "instruments": [id(3)],
            "solvents": [],
            "cautions": [{ "code": "a", "text": "b" }],
        });
        let end_of_run = json!({
            "cylinders": [{ "cylinder": id(4), "gauge": 101.25 }],
            "oxygen": 0.5,
            "water": null,
            "chambers_under_vacuum": true,
            "remarks": "",
        });
        let row = BookingRow {
            id: id(5).to_string(),
            glovebox_id: id(6).to_string(),
            person_id: id(7).to_string(),
            booked_by: "ada".to_owned(),
            group_name: Some("Batteries".to_owned()),
            series_id: Some(id(8).to_string()),
            status: "confirmed".to_owned(),
            progress: "closed_out".to_owned(),
            starts_at: at("2030-03-02T08:30:00Z").naive_utc(),
            ends_at: at("2030-03-02T10:00:00.25Z").naive_utc(),
            work: work.to_string(),
            gas_estimate_nl: 12.5,
            hold_id: Some(id(9).to_string()),
            started_at: Some(at("2030-03-02T08:31:00.000001Z").naive_utc()),
            closed_at: None,
            end_of_run: Some(end_of_run.to_string()),
            version: 3,
            created_at: at("2030-03-01T08:30:00Z").naive_utc(),
            updated_at: at("2030-03-01T08:30:00Z").naive_utc(),
            displaced_by: Some(id(10).to_string()),
        };
        let booking = Stored::<Booking>::try_from(row).unwrap();
        let shown = serde_json::to_value(Record::from(&booking)).unwrap();
        assert_eq!(shown, Booking::record(&booking));
        assert!(shown.as_object().unwrap().values().filter(|value| value.is_null()).count() == 1, "{shown}");
    }
}
