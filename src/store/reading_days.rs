//! Readings summed up by the hour, kept a day a row, and whole days of them, so that
//! a night reads a year's history as fast as it reads its days. A whole day is kept
//! where `domain/upkeep/days` sees one in the hours, and goes when they go: the
//! database deletes it with them. Whoever changes readings marks
//! the days as stale; stale days are summed up anew from the readings, and kept
//! when a night settles them. A mark has a token that is another whenever the day is
//! marked again, so that a day may be summed up beforehand, without keeping anybody from
//! writing: what was summed up is kept only where its mark is the one it was summed up
//! under. Else a mark is deleted before its readings are read: what comes in meanwhile
//! waits for the mark's row, and marks the day again.

mod packed;

use super::Tx;
use super::db::{Db, either};
use super::error::{StoreError, StoreResult};
use super::readings::{self, just_after};
use super::schema::{reading_days, reading_series, stale_reading_days, whole_days};
use crate::domain::facility::MeasuredQuantity;
use crate::domain::upkeep::Sample;
use crate::domain::upkeep::days::Day;
use crate::domain::upkeep::summed::{Manner, Summed, summed};
use chrono::{DateTime, Utc};
use diesel::connection::DefaultLoadingMode;
use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::prelude::*;
use diesel::row::{Field as _, Row as DbRow};
use diesel::sql_types::{BigInt, Binary};
use diesel::sqlite::Sqlite;
use packed::{pack, pack_day, unpack, unpack_day};
use std::collections::{BTreeSet, HashMap, HashSet};

/// Rows written in one statement.
const ROWS_A_STATEMENT: usize = 1_000;
/// Days summed up at once before a night.
const SETTLED_AT_ONCE: i64 = 1_000;
/// The most days whose readings are held at once.
const DAYS_AT_ONCE: i64 = 31;

/// Whole days between others that are passed over rather than asked around.
const FEW_DAYS: i64 = 4;

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
        // The update keeps the row locked until these readings are visible.
        either!(tx.db(), connection => insert
            .on_conflict((stale_reading_days::series_id, stale_reading_days::day))
            .do_update()
            .set(stale_reading_days::token.eq(diesel::upsert::excluded(stale_reading_days::token)))
            .execute(connection)?);
    }
    Ok(())
}

/// What a series showed from `from` until `until`, summed up by the hour.
pub(crate) fn between(
    tx: &mut Tx<'_>,
    series: i64,
    manner: Manner,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
) -> StoreResult<Vec<Summed>> {
    beside(tx, series, manner, from, until, &[])
}

/// The same without some days, which are in order.
pub(crate) fn beside(
    tx: &mut Tx<'_>,
    series: i64,
    manner: Manner,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    without: &[Day],
) -> StoreResult<Vec<Summed>> {
    let (first, today) = (day_of(from), day_of(until));
    let without: Vec<i64> = without.iter().filter_map(number).collect();
    let is_wanted = |day: &i64| without.binary_search(day).is_err();
    // Marks first: a day that is settled in between is then summed up once too often.
    let mut stale = stale(tx, series, first, today)?;
    stale.retain(is_wanted);
    let mut points = Vec::with_capacity(48);
    for (first, last) in left(first, today, &without) {
        let kept = reading_days::table
            .filter(reading_days::id.ge(row_of(series, first)))
            .filter(reading_days::id.le(row_of(series, last)))
            .order(reading_days::id)
            .select((reading_days::id, reading_days::hours));
        let kept: Vec<(i64, Vec<u8>)> = either!(tx.db(), connection => kept.load(connection)?);
        for (row, hours) in kept {
            let day = row - row_of(series, 0);
            if is_wanted(&day) && stale.binary_search(&day).is_err() {
                unpack(day, &hours, &mut points)?;
            }
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

/// The days of a series from `from` until `to` that can be taken as a whole, in order;
/// neither the first day nor the last one is among them.
pub(crate) fn whole(
    tx: &mut Tx<'_>,
    series: i64,
    manner: Manner,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> StoreResult<Vec<Day>> {
    let (first, end) = (day_of(from) + 1, day_of(to));
    if first >= end {
        return Ok(Vec::new());
    }
    let stale = stale(tx, series, first, end)?;
    let kept = whole_days::table
        .filter(whole_days::id.ge(row_of(series, first)))
        .filter(whole_days::id.lt(row_of(series, end)))
        .order(whole_days::id)
        .select((whole_days::id, whole_days::sums));
    let is_fresh = |row: i64| stale.binary_search(&(row - row_of(series, 0))).is_err();
    let mut days = Vec::with_capacity(usize::try_from(end - first).unwrap_or_default());
    match tx.db() {
        Db::Sqlite(connection) => {
            for kept in kept.load_iter::<KeptDay, DefaultLoadingMode>(connection)? {
                let KeptDay(row, day) = kept?;
                days.extend(is_fresh(row).then_some(day));
            }
        }
        Db::Postgres(connection) => {
            for (row, sums) in kept.load::<(i64, Vec<u8>)>(connection)? {
                if is_fresh(row) {
                    days.push(unpack_day(row - row_of(series, 0), &sums)?);
                }
            }
        }
    }
    if !stale.is_empty() {
        for (first, last) in stretches(&stale) {
            let points = from_readings(tx, series, manner, begin_of(first)?, begin_of(last + 1)?)?;
            days.extend(by_day(&points).filter_map(|hours| Day::of(manner, hours)));
        }
        days.sort_by_key(Day::date);
    }
    Ok(days)
}

/// A whole day with the number of its row, read where `SQLite` has it: a year has many.
struct KeptDay(i64, Day);

impl FromSqlRow<(BigInt, Binary), Sqlite> for KeptDay {
    fn build_from_row<'a>(row: &impl DbRow<'a, Sqlite>) -> deserialize::Result<Self> {
        const MISSING: &str = "a column is missing";
        let id: i64 = FromSql::<BigInt, Sqlite>::from_nullable_sql(row.get(0).ok_or(MISSING)?.value())?;
        let sums = row.get(1).ok_or(MISSING)?;
        let mut sums = sums.value().ok_or(MISSING)?;
        Ok(Self(id, unpack_day(id.rem_euclid(DAYS), sums.read_blob())?))
    }
}

/// The number of a whole day.
fn number(day: &Day) -> Option<i64> {
    day.parts.first().map(|part| day_of(part.first.at))
}

/// Points in order of time, a day at once.
fn by_day(points: &[Summed]) -> impl Iterator<Item = &[Summed]> {
    points.chunk_by(|one, other| day_of(one.first.at) == day_of(other.first.at))
}

/// What is left of the days from `first` until `end` without some, as stretches from the
/// first to the last of each; where little lies between two of them they are one.
fn left(first: i64, end: i64, without: &[i64]) -> Vec<(i64, i64)> {
    let mut left: Vec<(i64, i64)> = Vec::new();
    let mut next = first;
    for day in without.iter().copied().chain([end]) {
        if day > next {
            match left.last_mut() {
                Some((_, last)) if next - *last <= FEW_DAYS => *last = day - 1,
                _ => left.push((next, day - 1)),
            }
        }
        next = day + 1;
    }
    left
}

/// The stale days of a series from `first` until `end`, in order.
fn stale(tx: &mut Tx<'_>, series: i64, first: i64, end: i64) -> StoreResult<Vec<i64>> {
    let stale = stale_reading_days::table
        .filter(stale_reading_days::series_id.eq(series))
        .filter(stale_reading_days::day.ge(first))
        .filter(stale_reading_days::day.lt(end))
        .order(stale_reading_days::day)
        .select(stale_reading_days::day);
    Ok(either!(tx.db(), connection => stale.load(connection)?))
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

/// A stale day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Mark {
    series: i64,
    day: i64,
    /// Another whenever the day is marked again.
    token: i64,
}

/// What a stale day was summed up to.
#[derive(Debug)]
pub(crate) struct DaySums {
    mark: Mark,
    /// The sums, packed; none of a day that has no readings any more.
    row: Option<Row>,
}

/// Some of the stale days that had ended by `until`, in order.
pub(crate) fn marks(tx: &mut Tx<'_>, until: DateTime<Utc>) -> StoreResult<Vec<Mark>> {
    let stale = stale_reading_days::table
        .filter(stale_reading_days::day.lt(day_of(until)))
        .order((stale_reading_days::series_id, stale_reading_days::day))
        .limit(SETTLED_AT_ONCE)
        .select((stale_reading_days::series_id, stale_reading_days::day, stale_reading_days::token));
    let rows: Vec<(i64, i64, i64)> = either!(tx.db(), connection => stale.load(connection)?);
    Ok(rows.into_iter().map(|(series, day, token)| Mark { series, day, token }).collect())
}

/// Sums up some stale days, which are in order.
pub(crate) fn sums(tx: &mut Tx<'_>, marks: &[Mark]) -> StoreResult<Vec<DaySums>> {
    let manners = manners(tx)?;
    let mut all: Vec<DaySums> = Vec::with_capacity(marks.len());
    for of_series in marks.chunk_by(|one, other| one.series == other.series) {
        let series = of_series[0].series;
        let begun = all.len();
        all.extend(of_series.iter().map(|mark| DaySums { mark: *mark, row: None }));
        let Some(manner) = manners.get(&series) else { continue };
        let days: Vec<i64> = of_series.iter().map(|mark| mark.day).collect();
        for (first, last) in stretches(&days) {
            let points = from_readings(tx, series, *manner, begin_of(first)?, begin_of(last + 1)?)?;
            for hours in by_day(&points) {
                let day = day_of(hours[0].first.at);
                let Ok(place) = days.binary_search(&day) else { continue };
                let whole = Day::of(*manner, hours).map(|whole| pack_day(day, &whole));
                let row = Row { id: row_of(series, day), series, hours: pack(day, hours), whole };
                all[begun + place].row = Some(row);
            }
        }
    }
    Ok(all)
}

/// Keeps what days were summed up to, those left out that were marked again since then.
pub(crate) fn settle_with(tx: &mut Tx<'_>, sums: &[DaySums]) -> StoreResult<()> {
    let marks: Vec<Mark> = sums.iter().map(|one| one.mark).collect();
    let taken = take(tx, &marks)?;
    let still: Vec<&DaySums> = sums.iter().filter(|one| taken.contains(&one.mark.token)).collect();
    keep(tx, &still)
}

/// Sums up anew some of the stale days that had ended by `until`, and keeps them;
/// tells how many there were. Whoever sends readings of such a day waits for the
/// transaction, which should therefore be a short one.
pub(crate) fn settle(tx: &mut Tx<'_>, until: DateTime<Utc>) -> StoreResult<usize> {
    let marks = marks(tx, until)?;
    let taken = take(tx, &marks)?;
    let still: Vec<Mark> = marks.iter().filter(|mark| taken.contains(&mark.token)).copied().collect();
    let sums = sums(tx, &still)?;
    keep(tx, &sums.iter().collect::<Vec<_>>())?;
    Ok(marks.len())
}

/// Deletes marks, which are in order, as far as they are still those; tells the tokens of these.
fn take(tx: &mut Tx<'_>, marks: &[Mark]) -> StoreResult<HashSet<i64>> {
    let (Some(first), Some(last)) = (marks.first(), marks.last()) else { return Ok(HashSet::new()) };
    let tokens: Vec<i64> = marks.iter().map(|mark| mark.token).collect();
    // The series lead to the marks; only the tokens say which of them.
    let delete = diesel::delete(stale_reading_days::table)
        .filter(stale_reading_days::series_id.between(first.series, last.series))
        .filter(stale_reading_days::token.eq_any(tokens))
        .returning(stale_reading_days::token);
    let taken: Vec<i64> = either!(tx.db(), connection => delete.load(connection)?);
    Ok(taken.into_iter().collect())
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

/// The sums of a day, packed.
#[derive(Debug)]
struct Row {
    id: i64,
    series: i64,
    hours: Vec<u8>,
    whole: Option<Vec<u8>>,
}

/// Keeps sums in the place of those kept before.
fn keep(tx: &mut Tx<'_>, sums: &[&DaySums]) -> StoreResult<()> {
    for sums in sums.chunks(ROWS_A_STATEMENT) {
        let days: Vec<i64> = sums.iter().map(|one| row_of(one.mark.series, one.mark.day)).collect();
        let forget = diesel::delete(reading_days::table).filter(reading_days::id.eq_any(days));
        either!(tx.db(), connection => forget.execute(connection)?);
        let rows = || sums.iter().filter_map(|one| one.row.as_ref());
        let hours = rows().map(|row| {
            (
                reading_days::id.eq(row.id),
                reading_days::series_id.eq(row.series),
                reading_days::hours.eq(row.hours.as_slice()),
            )
        });
        let hours: Vec<_> = hours.collect();
        if !hours.is_empty() {
            let insert = diesel::insert_into(reading_days::table).values(hours);
            either!(tx.db(), connection => insert.execute(connection)?);
        }
        let whole = rows().filter_map(|row| {
            let sums = row.whole.as_deref()?;
            Some((whole_days::id.eq(row.id), whole_days::sums.eq(sums)))
        });
        let whole: Vec<_> = whole.collect();
        if !whole.is_empty() {
            let insert = diesel::insert_into(whole_days::table).values(whole);
            either!(tx.db(), connection => insert.execute(connection)?);
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::Store;
    use super::*;
    use chrono::TimeDelta;
    use diesel::connection::SimpleConnection as _;

    /// What came in after a day was summed up is not lost, and the day is summed up again.
    #[test]
    fn a_day_that_was_marked_again_is_not_settled_with_what_it_was_before() {
        let folder = tempfile::tempdir().unwrap();
        let (store, mut batches) = Store::open_in_turn(&folder.path().join("days.db")).unwrap();
        let mut write = |work: fn(&mut Tx<'_>, &[DaySums]) -> StoreResult<()>, sums: Vec<DaySums>| {
            let answer = store.submit(move |tx| work(tx, &sums)).unwrap();
            assert!(batches.commit());
            answer.blocking_recv().unwrap().unwrap();
        };
        let at = |minute: i64| begin_of(20_000).unwrap() + TimeDelta::minutes(minute);
        let until = at(3 * 1440);
        write(
            |tx, _| {
                let Db::Sqlite(connection) = tx.db() else { panic!("a file was opened") };
                connection.batch_execute(
                    "INSERT INTO things (id, kind) VALUES ('A', 'glovebox');                      INSERT INTO reading_series VALUES (1, 'A', 'oxygen_ppm', '')",
                )?;
                comes_in(tx, 0..60)?;
                comes_in(tx, 1440..1500)
            },
            Vec::new(),
        );
        let summed = |store: &Store| {
            store.read_blocking(|tx| {
                let marks = marks(tx, until)?;
                sums(tx, &marks)
            })
        };
        let early = summed(&store).unwrap();
        assert_eq!(early.len(), 2);
        write(|tx, _| comes_in(tx, 1500..1560), Vec::new());
        write(settle_with, early);
        let late = summed(&store).unwrap();
        assert_eq!(late.iter().map(|one| one.mark.day).collect::<Vec<_>>(), [20_001]);
        let kept = |store: &Store| -> Vec<(i64, i64)> {
            let read = store.read_blocking(|tx| {
                let kept: Vec<i64> = reading_days::table.select(reading_days::id).load(tx.db())?;
                let points = between(tx, 1, Manner::Level, at(0), until)?;
                let count = |day: &i64| {
                    let of_day = points.iter().filter(|point| day_of(point.at) == *day);
                    of_day.map(|point| i64::from(point.count)).sum::<i64>()
                };
                Ok::<_, StoreError>(kept.into_iter().map(|id| (id - DAYS, count(&(id - DAYS)))).collect())
            });
            read.unwrap()
        };
        assert_eq!(kept(&store), [(20_000, 60)]);
        write(settle_with, late);
        assert_eq!(kept(&store), [(20_000, 60), (20_001, 120)]);
        assert!(summed(&store).unwrap().is_empty());
    }

    /// Readings of some minutes of the two days.
    fn comes_in(tx: &mut Tx<'_>, minutes: std::ops::Range<i64>) -> StoreResult<()> {
        let begin = begin_of(20_000)?;
        let points: Vec<readings::NewPoint> = minutes
            .map(|minute| readings::NewPoint {
                series: 1,
                at: begin + TimeDelta::minutes(minute),
                value: 1.5,
                flag: None,
            })
            .collect();
        readings::insert(tx, &points, begin).map(drop)
    }

    #[test]
    fn days_that_follow_each_other_are_read_together() {
        assert_eq!(stretches(&[1, 2, 3, 7, 9, 10]), [(1, 3), (7, 7), (9, 10)]);
        let long: Vec<i64> = (0..40).collect();
        assert_eq!(stretches(&long), [(0, 30), (31, 39)]);
    }

    #[test]
    fn what_is_left_beside_whole_days_is_asked_for_at_once_where_it_lies_close() {
        assert_eq!(left(1, 10, &[]), [(1, 9)]);
        assert_eq!(left(1, 10, &[1, 2, 3]), [(4, 9)]);
        assert_eq!(left(1, 30, &[2, 4, 10, 11, 12, 13, 14, 15, 16]), [(1, 9), (17, 29)]);
        assert!(left(1, 4, &[1, 2, 3]).is_empty());
    }
}
