//! Readings: what sensors and people report. Those of one sensor of one thing
//! and quantity are a series; a series has one value an instant.

use super::Tx;
use super::db::{Db, either};
use super::error::{StoreError, StoreResult};
use super::instant::{AsKept, Written};
use super::reading_days;
use super::schema::{cylinders, gloveboxes, reading_series, readings};
use super::things::checked;
use crate::domain::facility::{CylinderState, Limits, MeasuredQuantity};
use crate::domain::upkeep::Sample;
use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel::result::Error as DieselError;
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

/// Rows sent or asked for in one statement; five values each stay below the
/// 65 535 parameters that `PostgreSQL` takes and the 32 766 of `SQLite`.
const ROWS_A_STATEMENT: usize = 5_000;

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
    let series = reading_series::table
        .filter(reading_series::subject_id.eq(subject.to_string()))
        .filter(reading_series::quantity.eq(quantity.word()))
        .order(reading_series::sensor)
        .select((reading_series::id, reading_series::sensor));
    let rows: Vec<(i64, String)> = either!(tx.db(), connection => series.load(connection)?);
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

/// The first instant after one, as both databases keep time.
pub(crate) fn just_after(at: DateTime<Utc>) -> DateTime<Utc> {
    at + TimeDelta::microseconds(1)
}

/// The readings of a thing's quantity over all its sensors from `from` until
/// `until`, both counted in, in order of time.
pub(crate) fn samples(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Sample>> {
    let series = series_of(tx, subject, quantity)?;
    samples_of(tx, &series, from, until)
}

/// The readings of some series, the same way.
pub(crate) fn samples_of(
    tx: &mut Tx<'_>,
    series: &[Series],
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Sample>> {
    let mut numbers: Vec<i64> = series.iter().map(|series| series.id).collect();
    numbers.sort_unstable();
    let mut samples = Vec::new();
    for series in &numbers {
        each(tx, *series, from, just_after(until), |at, value| samples.push(Sample { at, value }))?;
    }
    if numbers.len() > 1 {
        // Those of one instant stay in the order of their series.
        samples.sort_by_key(|sample| sample.at);
    }
    Ok(samples)
}

/// The last reading of a thing's quantity at or before `before`, over all its sensors.
pub(crate) fn latest(
    tx: &mut Tx<'_>,
    subject: Uuid,
    quantity: MeasuredQuantity,
    before: DateTime<Utc>,
) -> StoreResult<Option<(DateTime<Utc>, f64)>> {
    let mut latest: Option<Point> = None;
    let end = just_after(before);
    for series in series_of(tx, subject, quantity)? {
        let last = last_before(tx, series.id, end)?;
        latest = latest.into_iter().chain(last).max_by_key(|point| point.at);
    }
    Ok(latest.map(|point| (point.at, point.value)))
}

/// The last reading of a series before `end`.
pub(crate) fn last_before(tx: &mut Tx<'_>, series: i64, end: DateTime<Utc>) -> StoreResult<Option<Point>> {
    let last = readings::table
        .filter(readings::series_id.eq(series))
        .filter(readings::at.lt(end.naive_utc()))
        .order(readings::at.desc())
        .select((readings::series_id, readings::at, readings::value, readings::flag));
    let row: Option<PointRow> = either!(tx.db(), connection => last.first(connection).optional()?);
    Ok(row.map(Point::from))
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
        let query = readings::table
            .filter(readings::series_id.eq(series))
            .filter(readings::at.ge(from))
            .filter(readings::at.lt(to.naive_utc()))
            .order(readings::at)
            .limit(CHUNK);
        let mut count = 0;
        let mut one = |at: DateTime<Utc>, value| {
            if taken_at != Some(at) {
                take(at, value);
            }
            (taken_at, from) = (Some(at), at.naive_utc());
            count += 1;
        };
        let query = query.select((readings::at, readings::value));
        match tx.db() {
            Db::Sqlite(connection) => {
                for row in query.load_iter::<(AsKept, f64), _>(connection)? {
                    let (AsKept(at), value) = row?;
                    one(at, value);
                }
            }
            Db::Postgres(connection) => {
                let rows: Vec<(NaiveDateTime, f64)> = query.load(connection)?;
                for (at, value) in rows {
                    one(at.and_utc(), value);
                }
            }
        }
        let full = count == CHUNK;
        if !full {
            return Ok(());
        }
    }
}

/// A reading to be stored.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NewPoint {
    /// The series it belongs to.
    pub(crate) series: i64,
    /// When it was read.
    pub(crate) at: DateTime<Utc>,
    /// The value, in the quantity's unit.
    pub(crate) value: f64,
    /// What is odd about it, if anything.
    pub(crate) flag: Option<&'static str>,
}

impl From<&NewRow> for WrittenRow {
    fn from(row: &NewRow) -> Self {
        Self {
            series_id: row.series_id,
            at: row.at.into(),
            value: row.value,
            flag: row.flag.clone(),
            received_at: row.received_at.into(),
        }
    }
}

impl NewPoint {
    const fn key(&self) -> (i64, DateTime<Utc>) {
        (self.series, self.at)
    }
}

#[derive(Insertable)]
#[diesel(table_name = readings, treat_none_as_default_value = false)]
struct NewRow {
    series_id: i64,
    at: NaiveDateTime,
    value: f64,
    flag: Option<String>,
    received_at: NaiveDateTime,
}

/// The same with instants as `SQLite` keeps them: writing the many of a batch here takes a
/// fraction of the time that the general way takes.
#[derive(Insertable)]
#[diesel(table_name = readings, treat_none_as_default_value = false)]
struct WrittenRow {
    series_id: i64,
    at: Written,
    value: f64,
    flag: Option<String>,
    received_at: Written,
}

/// Stores readings and returns those not stored, because their series has a
/// value at that instant already, with the number they have among `points`
/// and the value that stays.
pub(crate) fn insert(
    tx: &mut Tx<'_>,
    points: &[NewPoint],
    received_at: DateTime<Utc>,
) -> StoreResult<Vec<(usize, f64)>> {
    // In the order of the key, so that the tree grows at its end; the sort is
    // stable, so that of equal keys the first sent is the one stored.
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by_key(|number| points[*number].key());
    let mut first: Vec<usize> = Vec::with_capacity(order.len());
    let mut met = Vec::new();
    for number in order {
        match first.last() {
            Some(before) if points[*before].key() == points[number].key() => {
                met.push((number, points[*before].key()));
            }
            _ => first.push(number),
        }
    }
    reading_days::touched(tx, first.iter().map(|number| points[*number].key()))?;
    let rows: Vec<NewRow> = first.iter().map(|number| new_row(&points[*number], received_at)).collect();
    let refused = match tx.db() {
        Db::Sqlite(connection) => insert_sqlite(connection, &rows)?,
        Db::Postgres(connection) => insert_postgres(connection, &rows)?,
    };
    met.extend(refused.into_iter().map(|row| (first[row], points[first[row]].key())));
    let keys: Vec<_> = met.iter().map(|(_, key)| *key).collect();
    let stored = values_at(tx, &keys)?;
    met.into_iter()
        .map(|(number, key)| Ok((number, *stored.get(&key).ok_or(StoreError::Contention)?)))
        .collect()
}

fn new_row(point: &NewPoint, received_at: DateTime<Utc>) -> NewRow {
    NewRow {
        series_id: point.series,
        at: point.at.naive_utc(),
        value: point.value,
        flag: point.flag.map(str::to_owned),
        received_at: received_at.naive_utc(),
    }
}

/// Inserts many rows a statement; returns the numbers of the rows that were
/// there. A statement that finds any is undone and repeated row by row, which
/// is how `SQLite` tells which they were.
fn insert_sqlite(connection: &mut SqliteConnection, rows: &[NewRow]) -> StoreResult<Vec<usize>> {
    let mut refused = Vec::new();
    for (chunk, part) in rows.chunks(ROWS_A_STATEMENT).enumerate() {
        let part: Vec<WrittenRow> = part.iter().map(WrittenRow::from).collect();
        let whole: QueryResult<()> = connection.transaction(|connection| {
            let insert = diesel::insert_into(readings::table).values(&part).on_conflict_do_nothing();
            let all = insert.execute(connection)? == part.len();
            if all { Ok(()) } else { Err(DieselError::RollbackTransaction) }
        });
        match whole {
            Ok(()) => continue,
            Err(DieselError::RollbackTransaction) => {}
            Err(error) => return Err(error.into()),
        }
        for (number, row) in part.iter().enumerate() {
            let insert = diesel::insert_into(readings::table).values(row).on_conflict_do_nothing();
            if insert.execute(connection)? == 0 {
                refused.push(chunk * ROWS_A_STATEMENT + number);
            }
        }
    }
    Ok(refused)
}

/// Inserts many rows a statement; returns the numbers of the rows that were
/// there.
fn insert_postgres(connection: &mut PgConnection, rows: &[NewRow]) -> StoreResult<Vec<usize>> {
    let mut refused = Vec::new();
    for (chunk, part) in rows.chunks(ROWS_A_STATEMENT).enumerate() {
        let stored: HashSet<(i64, NaiveDateTime)> = diesel::insert_into(readings::table)
            .values(part)
            .on_conflict_do_nothing()
            .returning((readings::series_id, readings::at))
            .load(connection)?
            .into_iter()
            .collect();
        if stored.len() == part.len() {
            continue;
        }
        let missing = part.iter().enumerate().filter(|(_, row)| !stored.contains(&(row.series_id, row.at)));
        refused.extend(missing.map(|(number, _)| chunk * ROWS_A_STATEMENT + number));
    }
    Ok(refused)
}

/// The values stored at some instants of some series.
fn values_at(
    tx: &mut Tx<'_>,
    keys: &[(i64, DateTime<Utc>)],
) -> StoreResult<HashMap<(i64, DateTime<Utc>), f64>> {
    let mut by_series: HashMap<i64, Vec<NaiveDateTime>> = HashMap::new();
    for (series, at) in keys {
        by_series.entry(*series).or_default().push(at.naive_utc());
    }
    let mut found = HashMap::new();
    for (series, instants) in by_series {
        for some in instants.chunks(ROWS_A_STATEMENT) {
            let rows: Vec<(NaiveDateTime, f64)> = readings::table
                .filter(readings::series_id.eq(series))
                .filter(readings::at.eq_any(some.to_vec()))
                .select((readings::at, readings::value))
                .load(tx.db())?;
            found.extend(rows.into_iter().map(|(at, value)| ((series, at.and_utc()), value)));
        }
    }
    Ok(found)
}

/// The largest filling pressure among a supply's connected cylinders, or of
/// all its cylinders when none is connected, or of one cylinder; bar gauge.
pub(crate) fn largest_fill(tx: &mut Tx<'_>, subject: Uuid) -> StoreResult<Option<f64>> {
    let rows: Vec<(f64, String)> = cylinders::table
        .filter(cylinders::id.eq(subject.to_string()).or(cylinders::gas_supply_id.eq(subject.to_string())))
        .select((cylinders::fill_bar, cylinders::state))
        .load(tx.db())?;
    let largest = |connected: bool| {
        rows.iter()
            .filter(|(_, state)| !connected || state == CylinderState::Connected.word())
            .map(|(fill, _)| *fill)
            .reduce(f64::max)
    };
    Ok(largest(true).or_else(|| largest(false)))
}

/// The caution and action levels of a glovebox.
pub(crate) fn limits_of(tx: &mut Tx<'_>, glovebox: Uuid) -> StoreResult<Option<Limits>> {
    let text: Option<String> =
        gloveboxes::table.find(glovebox.to_string()).select(gloveboxes::limits).first(tx.db()).optional()?;
    text.map(|text| checked("gloveboxes.limits", serde_json::from_str(&text))).transpose()
}

/// The value a series has at an instant.
pub(crate) fn value_at(tx: &mut Tx<'_>, series: i64, at: DateTime<Utc>) -> StoreResult<Option<f64>> {
    Ok(values_at(tx, &[(series, at)])?.remove(&(series, at)))
}

/// Deletes one reading; says whether there was one.
pub(crate) fn delete(tx: &mut Tx<'_>, series: i64, at: DateTime<Utc>) -> StoreResult<bool> {
    reading_days::touched(tx, std::iter::once((series, at)))?;
    Ok(diesel::delete(readings::table.find((series, at.naive_utc()))).execute(tx.db())? > 0)
}
