//! Readings summed up by the hour, kept a day a row, so that a night reads a
//! year's history as fast as it reads its hours. Whoever changes readings marks
//! the days as stale; stale days are summed up anew from the readings, and kept
//! when a night settles them. A mark is deleted before its readings are read:
//! what comes in meanwhile waits for the mark's row, and marks the day again.

use super::Tx;
use super::db::{Db, either};
use super::error::{StoreError, StoreResult};
use super::readings::{self, just_after};
use super::schema::{reading_days, reading_series, stale_reading_days};
use super::things::checked;
use crate::domain::facility::MeasuredQuantity;
use crate::domain::upkeep::Sample;
use crate::domain::upkeep::summed::{Manner, Summed, summed};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use std::collections::{BTreeSet, HashMap};

/// Rows written in one statement.
const ROWS_A_STATEMENT: usize = 1_000;
/// Days summed up in one transaction before a night.
const SETTLED_AT_ONCE: i64 = 1_000;
/// The most days whose readings are held at once.
const DAYS_AT_ONCE: i64 = 31;

/// The number of a day, from 1970-01-01 on.
fn day_of(at: DateTime<Utc>) -> i64 {
    at.timestamp().div_euclid(86_400)
}

/// Days that a series has numbers for.
const DAYS: i64 = 1 << 20;

/// The number of a day's row.
const fn row_of(series: i64, day: i64) -> i64 {
    series * DAYS + day
}

fn begin_of(day: i64) -> StoreResult<DateTime<Utc>> {
    let at = day.checked_mul(86_400).and_then(|seconds| DateTime::from_timestamp(seconds, 0));
    at.ok_or_else(|| StoreError::corrupt("reading_days.day", day.to_string()))
}

/// Marks the days of all readings as stale: for those that came in without a mark.
pub(super) fn all_touched(tx: &mut Tx<'_>) -> StoreResult<()> {
    let (sqlite, postgres) = (
        "CAST(strftime('%s', at) AS INTEGER) / 86400",
        "CAST(floor(extract(epoch FROM at) / 86400) AS BIGINT)",
    );
    let day = if matches!(tx.db(), Db::Sqlite(_)) { sqlite } else { postgres };
    let mark = format!(
        "INSERT INTO stale_reading_days (series_id, day) SELECT DISTINCT series_id, {day} FROM readings"
    );
    diesel::sql_query(mark).execute(tx.db())?;
    Ok(())
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
        .filter(reading_days::id.ge(row_of(series, first)))
        .filter(reading_days::id.lt(row_of(series, today)))
        .order(reading_days::id)
        .select((reading_days::id, reading_days::hours))
        .load(tx.db())?;
    let mut points = Vec::with_capacity(24 * kept.len() + 48);
    for (row, hours) in kept {
        let day = row - row_of(series, 0);
        if stale.binary_search(&day).is_err() {
            unpack(day, &hours, &mut points)?;
        }
    }
    if !stale.is_empty() {
        for days in stretches(&stale) {
            points.extend(from_readings(tx, series, manner, begin_of(days.0)?, begin_of(days.1 + 1)?)?);
        }
        points.sort_by_key(|point| point.first.at);
    }
    points.extend(from_readings(tx, series, manner, begin_of(today)?, just_after(until))?);
    let early = points.partition_point(|point| point.at < from);
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
        samples.extend(points.iter().map(|point| (point.at, series.id, point.sample())));
    }
    samples.sort_by_key(|(at, series, _)| (*at, *series));
    Ok(samples.into_iter().map(|(_, _, sample)| sample).collect())
}

/// How many stale days had ended by `until`.
pub(crate) fn waiting(tx: &mut Tx<'_>, until: DateTime<Utc>) -> StoreResult<usize> {
    let stale = stale_reading_days::table.filter(stale_reading_days::day.lt(day_of(until)));
    let count: i64 = stale.count().get_result(tx.db())?;
    Ok(usize::try_from(count).unwrap_or_default())
}

/// Sums up anew some of the stale days that had ended by `until`, and keeps them;
/// tells how many there were. Whoever sends readings of such a day waits for the
/// transaction, which should therefore be a short one.
pub(crate) fn settle(tx: &mut Tx<'_>, until: DateTime<Utc>) -> StoreResult<usize> {
    let marked: Vec<(i64, i64)> = stale_reading_days::table
        .filter(stale_reading_days::day.lt(day_of(until)))
        .order((stale_reading_days::series_id, stale_reading_days::day))
        .limit(SETTLED_AT_ONCE)
        .load(tx.db())?;
    let mut stale: Vec<(i64, i64)> = Vec::with_capacity(marked.len());
    for of_series in marked.chunk_by(|one, other| one.0 == other.0) {
        let days = of_series.iter().map(|(_, day)| *day);
        let delete = diesel::delete(stale_reading_days::table)
            .filter(stale_reading_days::series_id.eq(of_series[0].0))
            .filter(stale_reading_days::day.eq_any(days.collect::<Vec<i64>>()))
            .returning((stale_reading_days::series_id, stale_reading_days::day));
        stale.extend(either!(tx.db(), connection => delete.load::<(i64, i64)>(connection)?));
    }
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
            for points in points.chunk_by(|one, other| day_of(one.first.at) == day_of(other.first.at)) {
                let day = day_of(points[0].first.at);
                rows.push((row_of(series, day), series, pack(day, points)));
            }
            if rows.len() >= ROWS_A_STATEMENT {
                keep(tx, &mut rows)?;
            }
        }
    }
    keep(tx, &mut rows)?;
    Ok(marked.len())
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
    let days =
        reading_days::table.filter(reading_days::id.between(row_of(series, first), row_of(series, last)));
    diesel::delete(days).execute(tx.db())?;
    Ok(())
}

fn keep(tx: &mut Tx<'_>, rows: &mut Vec<(i64, i64, Vec<u8>)>) -> StoreResult<()> {
    for rows in rows.chunks(ROWS_A_STATEMENT) {
        let values: Vec<_> = rows
            .iter()
            .map(|(row, series, hours)| {
                (
                    reading_days::id.eq(*row),
                    reading_days::series_id.eq(*series),
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

/// What the first byte of a packed point says besides its digits: a reading by itself.
const SINGLE: u8 = 0x80;
/// Or counts that take four bytes each rather than two.
const MANY: u8 = 0x40;
/// Values as they are, for want of a decimal that is exactly the same.
const UNROUNDED: u8 = 0x0f;

/// The points of a day one after the other, numbers with the last byte first:
/// what follows how, microseconds of the day in five bytes, values. Readings are
/// decimals of few digits mostly and take four bytes each then.
fn pack(day: i64, points: &[Summed]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(points.len() * 56);
    for point in points {
        let Summed { first, last, middle, low, high, .. } = *point;
        let values = [first.value, last.value, middle, low, high];
        let of_day = first.at.timestamp_micros() - day * 86_400_000_000;
        let of_day = |bytes: &mut Vec<u8>| bytes.extend(&of_day.to_le_bytes()[..5]);
        if point.count == 1 {
            bytes.push(SINGLE);
            of_day(&mut bytes);
            bytes.extend(first.value.to_le_bytes());
            continue;
        }
        let digits = (0..=6).find(|digits| values.iter().all(|value| decimal(*value, *digits).is_some()));
        let is_many = point.count > u32::from(u16::MAX);
        bytes.push(digits.unwrap_or(UNROUNDED) | if is_many { MANY } else { 0 });
        of_day(&mut bytes);
        bytes.extend(&(last.at - first.at).num_microseconds().unwrap_or_default().to_le_bytes()[..5]);
        for count in [point.count, point.same, point.far] {
            bytes.extend(&count.to_le_bytes()[..if is_many { 4 } else { 2 }]);
        }
        bytes.extend(point.mean.to_le_bytes());
        bytes.extend(point.step.to_le_bytes());
        for value in values {
            match digits.and_then(|digits| decimal(value, digits)) {
                Some(whole) => bytes.extend(whole.to_le_bytes()),
                None => bytes.extend(value.to_le_bytes()),
            }
        }
    }
    bytes
}

/// The whole number that, divided by a power of ten, is exactly the value.
fn decimal(value: f64, digits: u8) -> Option<i32> {
    let scaled = (value * 10.0_f64.powi(i32::from(digits))).round();
    if scaled.abs() > f64::from(i32::MAX) || scaled.is_nan() {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "a whole number within bounds, just above")]
    let whole = scaled as i32;
    (undecimal(whole, digits).to_bits() == value.to_bits()).then_some(whole)
}

fn undecimal(whole: i32, digits: u8) -> f64 {
    f64::from(whole) / 10.0_f64.powi(i32::from(digits))
}

/// Reads numbers off the front of packed points.
struct Packed<'a>(&'a [u8]);

impl Packed<'_> {
    /// The next bytes, filled up with noughts.
    fn take<const N: usize>(&mut self, count: usize) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        let mut bytes = [0; N];
        bytes[..count].copy_from_slice(head);
        Some(bytes)
    }

    fn micros(&mut self) -> Option<i64> {
        self.take(5).map(i64::from_le_bytes)
    }

    fn count(&mut self, is_many: bool) -> Option<u32> {
        self.take(if is_many { 4 } else { 2 }).map(u32::from_le_bytes)
    }

    fn number(&mut self) -> Option<f64> {
        self.take(8).map(f64::from_le_bytes)
    }

    fn value(&mut self, digits: u8) -> Option<f64> {
        if digits == UNROUNDED {
            return self.number();
        }
        self.take(4).map(|bytes| undecimal(i32::from_le_bytes(bytes), digits))
    }

    fn point(&mut self, begin: DateTime<Utc>) -> Option<Summed> {
        let [how] = self.take(1)?;
        let at = begin + TimeDelta::microseconds(self.micros()?);
        if how & SINGLE != 0 {
            return Some(Summed::single(Sample { at, value: self.number()? }));
        }
        let (is_many, digits) = (how & MANY != 0, how & UNROUNDED);
        let lasting = self.micros()?;
        let last = at + TimeDelta::microseconds(lasting);
        let [count, same, far] = [self.count(is_many)?, self.count(is_many)?, self.count(is_many)?];
        let (mean, step) = (self.number()?, self.number()?);
        Some(Summed {
            first: Sample { at, value: self.value(digits)? },
            last: Sample { at: last, value: self.value(digits)? },
            at: at + TimeDelta::nanoseconds(500 * lasting),
            middle: self.value(digits)?,
            low: self.value(digits)?,
            high: self.value(digits)?,
            count,
            mean,
            step,
            same,
            far,
        })
    }
}

fn unpack(day: i64, bytes: &[u8], points: &mut Vec<Summed>) -> StoreResult<()> {
    let begin = begin_of(day)?;
    let mut packed = Packed(bytes);
    while !packed.0.is_empty() {
        points.push(checked("reading_days.hours", packed.point(begin).ok_or("it ends in the middle"))?);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// To the bit, whatever the values: decimals, thirds, noughts of either sign, and many of them.
    #[test]
    fn what_is_packed_is_unpacked() {
        let at = |micros: i64| begin_of(20_000).unwrap() + TimeDelta::microseconds(micros);
        let samples = |begin: i64, every: i64, count: i32, value: fn(i32) -> f64| {
            (0..count).map(move |n| (begin + every * i64::from(n), value(n)))
        };
        let dial = samples(0, 45_000, 90_000, |n| f64::from(n * 7919 % 23) / 10.0);
        let odd = samples(7_000_000_000, 2_250, 90_000, |n| f64::from(n % 7) / 3.0);
        let signed = samples(30_000_000_000, 1_000_000, 9, |n| if n % 2 == 0 { 0.0 } else { -0.0 });
        let large = samples(40_000_000_000, 1_000_000, 9, |n| 1e12 + f64::from(n));
        let few = samples(86_399_999_999, 1, 1, |_| f64::MIN_POSITIVE);
        let all = dial.chain(odd).chain(signed).chain(large).chain(few);
        let samples: Vec<Sample> = all.map(|(micros, value)| Sample { at: at(micros), value }).collect();
        let points = summed(Manner::Level, &samples);
        assert!(points.iter().any(|point| point.count > 65_535), "an hour of many readings");
        let (packed, mut unpacked) = (pack(20_000, &points), Vec::new());
        unpack(20_000, &packed, &mut unpacked).unwrap();
        assert_eq!(format!("{unpacked:?}"), format!("{points:?}"));
        assert!(unpack(20_000, &packed[..packed.len() - 1], &mut unpacked).is_err());
    }

    #[test]
    fn days_that_follow_each_other_are_read_together() {
        assert_eq!(stretches(&[1, 2, 3, 7, 9, 10]), [(1, 3), (7, 7), (9, 10)]);
        let long: Vec<i64> = (0..40).collect();
        assert_eq!(stretches(&long), [(0, 30), (31, 39)]);
    }
}
