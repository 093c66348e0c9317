//! Readings summed up by the hour, kept a day a row, so that a night reads a
//! year's history as fast as it reads its hours. Whoever changes readings marks
//! the days as stale; stale days are summed up anew from the readings, and kept
//! when a night settles them. A mark is deleted before its readings are read:
//! what comes in meanwhile waits for the mark's row, and marks the day again.

use super::Tx;
use super::db::Db;
use super::error::{StoreError, StoreResult};
use super::readings::{self, just_after};
use super::schema::{reading_days, reading_series, stale_reading_days};
use super::things::checked;
use crate::domain::facility::MeasuredQuantity;
use crate::domain::upkeep::Sample;
use crate::domain::upkeep::summed::{Manner, Summed, summed};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use std::collections::{BTreeSet, HashMap};

/// Rows written in one statement.
const ROWS_A_STATEMENT: usize = 1_000;
/// The most days whose readings are held at once.
const DAYS_AT_ONCE: i64 = 31;

/// The number of a day, from 1970-01-01 on.
fn day_of(at: DateTime<Utc>) -> i64 {
    at.timestamp().div_euclid(86_400)
}

fn begin_of(day: i64) -> StoreResult<DateTime<Utc>> {
    let at = day.checked_mul(86_400).and_then(|seconds| DateTime::from_timestamp(seconds, 0));
    at.ok_or_else(|| StoreError::corrupt("reading_days.day", day.to_string()))
}

/// Marks the days of some instants of series as stale.
pub(super) fn touched(
    tx: &mut Tx<'_>,
    instants: impl Iterator<Item = (i64, DateTime<Utc>)>,
) -> StoreResult<()> {
    // In one order, so that no two wait for each other.
    let mut days: BTreeSet<(i64, i64)> = BTreeSet::new();
    let mut last = None;
    for (series, at) in instants {
        let day = (series, day_of(at));
        if last != Some(day) {
            days.insert(day);
            last = Some(day);
        }
    }
    let rows: Vec<_> = days
        .into_iter()
        .map(|(series, day)| (stale_reading_days::series_id.eq(series), stale_reading_days::day.eq(day)))
        .collect();
    for rows in rows.chunks(ROWS_A_STATEMENT) {
        let insert = diesel::insert_into(stale_reading_days::table).values(rows);
        match tx.db() {
            Db::Sqlite(connection) => insert.on_conflict_do_nothing().execute(connection)?,
            // The update keeps the row locked until these readings are visible.
            Db::Postgres(connection) => insert
                .on_conflict((stale_reading_days::series_id, stale_reading_days::day))
                .do_update()
                .set(stale_reading_days::day.eq(diesel::upsert::excluded(stale_reading_days::day)))
                .execute(connection)?,
        };
    }
    Ok(())
}

/// What a series showed from `from` until `until`, summed up.
pub(crate) fn between(
    tx: &mut Tx<'_>,
    series: i64,
    manner: Manner,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Summed>> {
    let (first, today) = (day_of(from), day_of(until));
    // Marks first: a day that is settled in between is then summed up once too often.
    let stale: Vec<i64> = stale_reading_days::table
        .filter(stale_reading_days::series_id.eq(series))
        .filter(stale_reading_days::day.ge(first))
        .filter(stale_reading_days::day.lt(today))
        .order(stale_reading_days::day)
        .select(stale_reading_days::day)
        .load(tx.db())?;
    let kept: Vec<(i64, Vec<u8>)> = reading_days::table
        .filter(reading_days::series_id.eq(series))
        .filter(reading_days::day.ge(first))
        .filter(reading_days::day.lt(today))
        .order(reading_days::day)
        .select((reading_days::day, reading_days::hours))
        .load(tx.db())?;
    let mut points = Vec::new();
    for (_, hours) in kept.iter().filter(|(day, _)| stale.binary_search(day).is_err()) {
        unpack(hours, &mut points)?;
    }
    if !stale.is_empty() {
        for days in stretches(&stale) {
            points.extend(from_readings(tx, series, manner, begin_of(days.0)?, begin_of(days.1 + 1)?)?);
        }
        points.sort_by_key(|point| point.first.at);
    }
    points.extend(from_readings(tx, series, manner, begin_of(today)?, just_after(until))?);
    let early = points.partition_point(|point| point.at() < from);
    points.drain(..early);
    Ok(points)
}

/// The same as readings one by one: those summed up in the middle of their time.
pub(crate) fn samples(
    tx: &mut Tx<'_>,
    subject: uuid::Uuid,
    quantity: MeasuredQuantity,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Sample>> {
    let mut samples = Vec::new();
    for series in readings::series_of(tx, subject, quantity)? {
        let points = between(tx, series.id, Manner::of(quantity), from, until)?;
        samples.extend(points.iter().map(|point| (point.at(), series.id, point.sample())));
    }
    samples.sort_by_key(|(at, series, _)| (*at, *series));
    Ok(samples.into_iter().map(|(_, _, sample)| sample).collect())
}

/// Sums up anew every stale day that had ended by `until`, and keeps it; tells
/// how many there were.
pub(crate) fn settle(tx: &mut Tx<'_>, until: DateTime<Utc>) -> StoreResult<usize> {
    let today = day_of(until);
    let delete = diesel::delete(stale_reading_days::table.filter(stale_reading_days::day.lt(today)))
        .returning((stale_reading_days::series_id, stale_reading_days::day));
    let mut stale: Vec<(i64, i64)> = match tx.db() {
        Db::Sqlite(connection) => delete.load(connection)?,
        Db::Postgres(connection) => delete.load(connection)?,
    };
    stale.sort_unstable();
    let manners = manners(tx)?;
    let mut rows = Vec::new();
    for of_series in stale.chunk_by(|one, other| one.0 == other.0) {
        let series = of_series[0].0;
        let Some(manner) = manners.get(&series) else { continue };
        let days: Vec<i64> = of_series.iter().map(|(_, day)| *day).collect();
        for (first, last) in stretches(&days) {
            forget(tx, series, first, last)?;
            let points = from_readings(tx, series, *manner, begin_of(first)?, begin_of(last + 1)?)?;
            let days = points.chunk_by(|one, other| day_of(one.first.at) == day_of(other.first.at));
            rows.extend(days.map(|points| (series, day_of(points[0].first.at), pack(points))));
            if rows.len() >= ROWS_A_STATEMENT {
                keep(tx, &mut rows)?;
            }
        }
    }
    keep(tx, &mut rows)?;
    Ok(stale.len())
}

/// Days in order as stretches of days that follow each other, from the first to
/// the last of each; none of them is very long.
fn stretches(days: &[i64]) -> Vec<(i64, i64)> {
    let mut stretches: Vec<(i64, i64)> = Vec::new();
    for day in days {
        match stretches.last_mut() {
            Some((first, last)) if *last + 1 == *day && *day - *first < DAYS_AT_ONCE => *last = *day,
            _ => stretches.push((*day, *day)),
        }
    }
    stretches
}

/// How the readings of each series are summed up.
fn manners(tx: &mut Tx<'_>) -> StoreResult<HashMap<i64, Manner>> {
    let rows: Vec<(i64, String)> =
        reading_series::table.select((reading_series::id, reading_series::quantity)).load(tx.db())?;
    let known = |word: &str| MeasuredQuantity::ALL.into_iter().find(|quantity| quantity.word() == word);
    let manner = |(series, word): (i64, String)| {
        let quantity = known(&word).ok_or_else(|| StoreError::corrupt("reading_series.quantity", word));
        Ok((series, Manner::of(quantity?)))
    };
    rows.into_iter().map(manner).collect()
}

fn from_readings(
    tx: &mut Tx<'_>,
    series: i64,
    manner: Manner,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> StoreResult<Vec<Summed>> {
    let mut samples = Vec::new();
    readings::each(tx, series, from, to, |at, value| samples.push(Sample { at, value }))?;
    Ok(summed(manner, &samples))
}

fn forget(tx: &mut Tx<'_>, series: i64, first: i64, last: i64) -> StoreResult<()> {
    let days = reading_days::table
        .filter(reading_days::series_id.eq(series))
        .filter(reading_days::day.between(first, last));
    diesel::delete(days).execute(tx.db())?;
    Ok(())
}

fn keep(tx: &mut Tx<'_>, rows: &mut Vec<(i64, i64, Vec<u8>)>) -> StoreResult<()> {
    for rows in rows.chunks(ROWS_A_STATEMENT) {
        let values: Vec<_> = rows
            .iter()
            .map(|(series, day, hours)| {
                (
                    reading_days::series_id.eq(*series),
                    reading_days::day.eq(*day),
                    reading_days::hours.eq(hours.as_slice()),
                )
            })
            .collect();
        let insert = diesel::insert_into(reading_days::table).values(values);
        match tx.db() {
            Db::Sqlite(connection) => insert.execute(connection)?,
            Db::Postgres(connection) => insert.execute(connection)?,
        };
    }
    rows.clear();
    Ok(())
}

/// Points one after the other, numbers with the last byte first: how many
/// readings; the first one; and where there are more, what they come to.
fn pack(points: &[Summed]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(points.len() * 88);
    for point in points {
        bytes.extend(point.count.to_le_bytes());
        bytes.extend(point.first.at.timestamp_micros().to_le_bytes());
        bytes.extend(point.first.value.to_le_bytes());
        if point.count > 1 {
            bytes.extend(point.last.at.timestamp_micros().to_le_bytes());
            let Summed { last, middle, mean, low, high, step, .. } = point;
            for value in [last.value, *middle, *mean, *low, *high, *step] {
                bytes.extend(value.to_le_bytes());
            }
            bytes.extend(point.same.to_le_bytes());
            bytes.extend(point.far.to_le_bytes());
        }
    }
    bytes
}

/// Reads numbers off the front of packed points.
struct Packed<'a>(&'a [u8]);

impl Packed<'_> {
    fn take<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(*head)
    }

    fn whole(&mut self) -> Option<u32> {
        self.take().map(u32::from_le_bytes)
    }

    fn number(&mut self) -> Option<f64> {
        self.take().map(f64::from_le_bytes)
    }

    fn sample(&mut self) -> Option<Sample> {
        let at = DateTime::from_timestamp_micros(i64::from_le_bytes(self.take()?))?;
        Some(Sample { at, value: self.number()? })
    }

    fn point(&mut self) -> Option<Summed> {
        let (count, first) = (self.whole()?, self.sample()?);
        if count == 1 {
            return Some(Summed::single(first));
        }
        Some(Summed {
            first,
            count,
            last: self.sample()?,
            middle: self.number()?,
            mean: self.number()?,
            low: self.number()?,
            high: self.number()?,
            step: self.number()?,
            same: self.whole()?,
            far: self.whole()?,
        })
    }
}

fn unpack(bytes: &[u8], points: &mut Vec<Summed>) -> StoreResult<()> {
    let mut packed = Packed(bytes);
    while !packed.0.is_empty() {
        points.push(checked("reading_days.hours", packed.point().ok_or("it ends in the middle"))?);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    #[test]
    fn what_is_packed_is_unpacked() {
        let at = |minutes| begin_of(20_000).unwrap() + TimeDelta::minutes(minutes);
        let samples: Vec<Sample> = (0_i32..90)
            .map(|n| Sample { at: at(i64::from(n)), value: 0.1 * f64::from(n * 7919 % 23) })
            .chain([Sample { at: at(300), value: f64::MIN_POSITIVE }])
            .collect();
        let points = summed(Manner::Level, &samples);
        let (packed, mut unpacked) = (pack(&points), Vec::new());
        unpack(&packed, &mut unpacked).unwrap();
        assert_eq!(unpacked, points);
        assert!(unpack(&packed[..packed.len() - 1], &mut unpacked).is_err());
    }

    #[test]
    fn days_that_follow_each_other_are_read_together() {
        assert_eq!(stretches(&[1, 2, 3, 7, 9, 10]), [(1, 3), (7, 7), (9, 10)]);
        let long: Vec<i64> = (0..40).collect();
        assert_eq!(stretches(&long), [(0, 30), (31, 39)]);
    }
}
