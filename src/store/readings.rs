//! Readings: what sensors and people report. Those of one sensor of one thing
//! and quantity are a series; a series has one value an instant.

use super::Tx;
use super::db::Db;
use super::error::{StoreError, StoreResult};
use super::schema::{reading_series, readings};
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// Rows read at once while a long stretch is worked through.
const CHUNK: i64 = 20_000;

/// A series: the readings of one sensor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Series {
    /// Its number.
    pub(crate) id: i64,
    /// The sensor's name; empty where readings name none.
    pub(crate) sensor: String,
}

/// One stored reading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Point {
    /// The series it belongs to.
    pub(crate) series: i64,
    /// When it was read.
    pub(crate) at: DateTime<Utc>,
    /// The value, in the quantity's unit.
    pub(crate) value: f64,
    /// What is odd about it, if anything.
    pub(crate) flag: Option<String>,
}

type PointRow = (i64, NaiveDateTime, f64, Option<String>);

impl From<PointRow> for Point {
    fn from((series, at, value, flag): PointRow) -> Self {
        Self { series, at: at.and_utc(), value, flag }
    }
}

/// The series of a thing's quantity, one for each sensor.
pub(crate) fn series_of(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
) -> StoreResult<Vec<Series>> {
    let rows: Vec<(i64, String)> = reading_series::table
        .filter(reading_series::subject_id.eq(subject.to_string()))
        .filter(reading_series::quantity.eq(quantity.word()))
        .order(reading_series::sensor)
        .select((reading_series::id, reading_series::sensor))
        .load(tx.db())?;
    Ok(rows.into_iter().map(|(id, sensor)| Series { id, sensor }).collect())
}

/// The number of a series, which is begun where it does not exist yet.
pub(crate) fn series(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
    sensor: &str,
) -> StoreResult<i64> {
    let find = |tx: &mut Tx<'_>| -> StoreResult<Option<i64>> {
        Ok(reading_series::table
            .filter(reading_series::subject_id.eq(subject.to_string()))
            .filter(reading_series::quantity.eq(quantity.word()))
            .filter(reading_series::sensor.eq(sensor))
            .select(reading_series::id)
            .first(tx.db())
            .optional()?)
    };
    if let Some(id) = find(tx)? {
        return Ok(id);
    }
    let values = (
        reading_series::subject_id.eq(subject.to_string()),
        reading_series::quantity.eq(quantity.word()),
        reading_series::sensor.eq(sensor),
    );
    let insert = diesel::insert_into(reading_series::table);
    match tx.db() {
        Db::Sqlite(connection) => insert.values(values).on_conflict_do_nothing().execute(connection)?,
        Db::Postgres(connection) => insert.values(values).on_conflict_do_nothing().execute(connection)?,
    };
    find(tx)?.ok_or(StoreError::Contention)
}

/// The readings of a thing's quantity over all its sensors in `[from, to)`,
/// in order of time.
pub(crate) fn range(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> StoreResult<Vec<(DateTime<Utc>, f64)>> {
    let numbers: Vec<i64> = series_of(tx, subject, quantity)?.into_iter().map(|series| series.id).collect();
    let rows: Vec<(NaiveDateTime, f64)> = readings::table
        .filter(readings::series_id.eq_any(numbers))
        .filter(readings::at.ge(from.naive_utc()))
        .filter(readings::at.lt(to.naive_utc()))
        .order((readings::at, readings::series_id))
        .select((readings::at, readings::value))
        .load(tx.db())?;
    Ok(rows.into_iter().map(|(at, value)| (at.and_utc(), value)).collect())
}

/// The last reading of a thing's quantity at or before `before`, over all its sensors.
pub(crate) fn latest(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
    before: DateTime<Utc>,
) -> StoreResult<Option<(DateTime<Utc>, f64)>> {
    let mut latest: Option<(DateTime<Utc>, f64)> = None;
    // A query a series walks the primary key's end; one for all would sort them.
    for series in series_of(tx, subject, quantity)? {
        let row: Option<(NaiveDateTime, f64)> = readings::table
            .filter(readings::series_id.eq(series.id))
            .filter(readings::at.le(before.naive_utc()))
            .order(readings::at.desc())
            .select((readings::at, readings::value))
            .first(tx.db())
            .optional()?;
        let Some((at, value)) = row.map(|(at, value)| (at.and_utc(), value)) else { continue };
        if latest.is_none_or(|(newest, _)| at > newest) {
            latest = Some((at, value));
        }
    }
    Ok(latest)
}

/// Where a page of readings begins: after the one of this instant and series.
pub(crate) type After = (DateTime<Utc>, i64);

/// Up to `limit` readings of some series in `[from, to)`, in order of time.
pub(crate) fn page(
    tx: &mut Tx<'_>,
    series: &[i64],
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    after: Option<After>,
    limit: i64,
) -> StoreResult<Vec<Point>> {
    let mut query = readings::table
        .filter(readings::series_id.eq_any(series.to_vec()))
        .filter(readings::at.ge(from.naive_utc()))
        .filter(readings::at.lt(to.naive_utc()))
        .order((readings::at, readings::series_id))
        .select((readings::series_id, readings::at, readings::value, readings::flag))
        .limit(limit)
        .into_boxed();
    if let Some((at, number)) = after {
        let at = at.naive_utc();
        query = query.filter(readings::at.gt(at).or(readings::at.eq(at).and(readings::series_id.gt(number))));
    }
    let rows: Vec<PointRow> = query.load(tx.db())?;
    Ok(rows.into_iter().map(Point::from).collect())
}

/// Hands every reading of one series in `[from, to)` to `take`, in order of
/// time, holding only a part of them at once.
pub(crate) fn each(
    tx: &mut Tx<'_>,
    series: i64,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    mut take: impl FnMut(DateTime<Utc>, f64),
) -> StoreResult<()> {
    let mut from = from.naive_utc();
    let mut taken_at = None;
    loop {
        let rows: Vec<(NaiveDateTime, f64)> = readings::table
            .filter(readings::series_id.eq(series))
            .filter(readings::at.ge(from))
            .filter(readings::at.lt(to.naive_utc()))
            .order(readings::at)
            .select((readings::at, readings::value))
            .limit(CHUNK)
            .load(tx.db())?;
        let full = i64::try_from(rows.len()).is_ok_and(|count| count == CHUNK);
        for (at, value) in rows {
            if taken_at != Some(at) {
                take(at.and_utc(), value);
            }
            (taken_at, from) = (Some(at), at);
        }
        if !full {
            return Ok(());
        }
    }
}

/// Deletes one reading; says whether there was one.
pub(crate) fn delete(tx: &mut Tx<'_>, series: i64, at: DateTime<Utc>) -> StoreResult<bool> {
    Ok(diesel::delete(readings::table.find((series, at.naive_utc()))).execute(tx.db())? > 0)
}
