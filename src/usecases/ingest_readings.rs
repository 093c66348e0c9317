//! Taking in readings, showing them, and closing a box whose reading is at or
//! past its action level.

use super::holds::{self, NewHold};
use super::under_way::{Report, Step};
use super::{Error, Result, Tx, due_items};
use crate::domain::access::Actor;
use crate::domain::calendar::Interval;
use crate::domain::facility::holds::HoldSource;
use crate::domain::facility::{Limits, MeasuredQuantity, Scope, Thing, ThingKind};
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Reference, Remark};
use crate::domain::upkeep::readings::{
    self as rules, Batch, Bucket, Buckets, Rejected, Row, RowFault, check_rating,
};
use crate::domain::violations::Coded as _;
use crate::store::readings::{self, NewPoint, Series};
pub(crate) use crate::store::readings::{After, Point};
use crate::store::{events, things};
use chrono::{DateTime, Utc};
use serde_json::json;
use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// So many rows are written before it is told how far that is.
const AT_ONCE: usize = 10_000;

/// What became of a batch.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Ingested {
    /// How many were stored.
    pub(crate) accepted: usize,
    /// How many were stored already, with the same value.
    pub(crate) duplicates: usize,
    /// Those refused, in the order sent.
    pub(crate) rejected: Vec<Rejected>,
    /// The holds that these readings opened.
    pub(crate) opened: Vec<Alarm>,
    /// The holds, open already, that these readings would have opened.
    pub(crate) standing: Vec<Alarm>,
}

/// A hold that stands because of readings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Alarm {
    /// The hold.
    pub(crate) hold: Uuid,
    /// The box it closes.
    pub(crate) glovebox: Thing,
    /// The quantity at or past its action level.
    pub(crate) quantity: MeasuredQuantity,
    /// Its reason.
    pub(crate) reason: Remark,
}

/// What is known of where rows of one subject, quantity and sensor go.
struct Target {
    subject: Thing,
    /// The series; none until a row of it can be stored.
    series: Option<i64>,
    /// The largest filling pressure, for pressures of cylinders.
    fill: Option<f64>,
    /// The levels of the box, for quantities read at one.
    limits: Option<Limits>,
}

/// A row with where it goes.
struct Placed<'a> {
    row: &'a Row,
    key: TargetKey,
    point: NewPoint,
}

type TargetKey = (usize, MeasuredQuantity, usize);

/// Stores what of a batch can be believed, and closes the boxes whose readings
/// are at or past an action level. How far it has come is told to `far`.
pub(crate) fn ingest(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    batch: &Batch,
    far: &Report,
) -> Result<Ingested> {
    actor.needs(Scope::ReadingsWrite)?;
    let mut done = Ingested { rejected: batch.rejected().to_vec(), ..Ingested::default() };
    let mut targets = Targets::default();
    let mut placed = Vec::with_capacity(batch.rows().len());
    for row in batch.rows() {
        match targets.place(tx, batch, row)? {
            Ok(row) => placed.push(row),
            Err(fault) => done.rejected.push(Rejected { index: row.index, fault }),
        }
    }
    let points: Vec<NewPoint> = placed.iter().map(|placed| placed.point).collect();
    let mut taken: Vec<bool> = vec![true; placed.len()];
    for (part, some) in points.chunks(AT_ONCE).enumerate() {
        let before = part * AT_ONCE;
        far.at(Step::Rows, before, points.len());
        for (number, stored) in readings::insert(tx, some, now)? {
            let number = before + number;
            taken[number] = false;
            // To the bit: what is sent again is exactly what was sent before.
            if stored.to_bits() == points[number].value.to_bits() {
                done.duplicates += 1;
            } else {
                let fault = RowFault::DiffersFromStored { stored };
                done.rejected.push(Rejected { index: placed[number].row.index, fault });
            }
        }
    }
    let mut taken = taken.into_iter();
    let stored: Vec<Placed<'_>> = placed.into_iter().filter(|_| taken.next() == Some(true)).collect();
    done.accepted = stored.len();
    done.rejected.sort_by_key(|rejected| rejected.index);
    note(tx, actor, now, &stored, &targets)?;
    sound_alarms(tx, actor, now, batch, &stored, &targets, &mut done)?;
    Ok(done)
}

/// Where rows go, or why they go nowhere.
#[derive(Default)]
struct Targets {
    found: HashMap<TargetKey, Result<Target, RowFault>>,
    subjects: HashMap<usize, Vec<Thing>>,
}

impl Targets {
    fn get(&self, placed: &Placed<'_>) -> Option<&Target> {
        self.found.get(&placed.key)?.as_ref().ok()
    }

    /// Finds where a row goes, and makes sure that its series exists.
    fn place<'a>(
        &mut self,
        tx: &mut Tx<'_>,
        batch: &Batch,
        row: &'a Row,
    ) -> Result<Result<Placed<'a>, RowFault>> {
        let key = (row.subject, row.quantity, row.sensor);
        let target = match self.found.entry(key) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(place) => {
                let reference = &batch.subjects()[row.subject];
                let things = match self.subjects.entry(row.subject) {
                    Entry::Occupied(known) => known.into_mut(),
                    Entry::Vacant(place) => place.insert(things::matching(tx, reference)?),
                };
                place.insert(match rules::subject(row.quantity, reference, things) {
                    Ok(subject) => Ok(target(tx, row.quantity, subject)?),
                    Err(fault) => Err(fault),
                })
            }
        };
        let target = match target {
            Ok(target) => target,
            Err(fault) => return Ok(Err(fault.clone())),
        };
        if let Err(fault) = check_rating(row.quantity, row.value, target.fill) {
            return Ok(Err(fault));
        }
        let series = match target.series {
            Some(series) => series,
            None => readings::series(tx, target.subject.id, row.quantity, &batch.sensors()[row.sensor])?,
        };
        target.series = Some(series);
        let flag = rules::flag(row.quantity, row.value);
        let point = NewPoint { series, at: row.at, value: row.value, flag };
        Ok(Ok(Placed { row, key, point }))
    }
}

fn target(tx: &mut Tx<'_>, quantity: MeasuredQuantity, subject: &Thing) -> Result<Target> {
    let pressure = quantity == MeasuredQuantity::GaugeBar;
    let fill = if pressure { readings::largest_fill(tx, subject.id)? } else { None };
    let at_box = subject.kind == ThingKind::Glovebox;
    let limits = if at_box { readings::limits_of(tx, subject.id)? } else { None };
    Ok(Target { subject: subject.clone(), series: None, fill, limits })
}

/// How many readings came, and the times of the earliest and the last.
type Came = (u64, DateTime<Utc>, DateTime<Utc>);

/// Notes what came in: one event a subject and quantity.
fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    stored: &[Placed<'_>],
    targets: &Targets,
) -> Result<()> {
    let mut came: BTreeMap<(Uuid, MeasuredQuantity), Came> = BTreeMap::new();
    for placed in stored {
        let Some(target) = targets.get(placed) else { continue };
        let at = placed.row.at;
        let seen = came.entry((target.subject.id, placed.row.quantity)).or_insert((0, at, at));
        *seen = (seen.0 + 1, seen.1.min(at), seen.2.max(at));
    }
    for ((subject, quantity), (count, first, last)) in came {
        let body = json!({ "quantity": quantity, "count": count, "first": first, "last": last });
        events::append(tx, now, "readings.received", subject, &actor.subject, &body)?;
    }
    Ok(())
}

/// The readings of one box and quantity that are at or past the action level.
struct Alarming<'a> {
    subject: &'a Thing,
    limit: f64,
    rows: Vec<&'a Row>,
}

fn sound_alarms(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    batch: &Batch,
    stored: &[Placed<'_>],
    targets: &Targets,
    done: &mut Ingested,
) -> Result<()> {
    let mut alarming: BTreeMap<(Uuid, MeasuredQuantity), Alarming<'_>> = BTreeMap::new();
    for placed in stored {
        let Some(target) = targets.get(placed) else { continue };
        let Some(limits) = &target.limits else { continue };
        let row = placed.row;
        if let Some(limit) = rules::action_level_reached(limits, row.quantity, row.value) {
            let fresh = || Alarming { subject: &target.subject, limit, rows: Vec::new() };
            alarming.entry((target.subject.id, row.quantity)).or_insert_with(fresh).rows.push(row);
        }
    }
    for ((glovebox, quantity), mut found) in alarming {
        let last_release = holds::last_release(tx, glovebox.into(), quantity)?;
        found.rows.retain(|row| rules::closes_the_box(row.at, now, last_release));
        found.rows.sort_by_key(|row| row.at);
        let Some(first) = found.rows.first() else { continue };
        let alarm = |hold, reason| Alarm { hold, glovebox: found.subject.clone(), quantity, reason };
        if let Some(open) = holds::open_by_reading(tx, glovebox.into(), quantity)? {
            done.standing.push(alarm(open.id, open.value.reason));
            continue;
        }
        let new = hold_for(glovebox.into(), quantity, &found, first, &batch.sensors()[first.sensor])?;
        let opened = holds::open(tx, &actor.subject, now, new)?;
        done.opened.push(alarm(opened.id, opened.value.reason));
    }
    Ok(())
}

/// The hold that a reading opens, with the reading and the level as evidence.
fn hold_for(
    glovebox: GloveboxId,
    quantity: MeasuredQuantity,
    found: &Alarming<'_>,
    first: &Row,
    sensor: &str,
) -> Result<NewHold> {
    let unit = quantity.unit();
    let (value, limit) = (first.value, found.limit);
    let text = format!(
        "{} read {value} {unit}, at or past the action level of {limit} {unit}. Closed to use until a \
         competent person has looked and releases it.",
        quantity.word()
    );
    let reason = Remark::parse(&text).map_err(|e| Error::invalid("reason", e.code(), e.to_string()))?;
    let highest = found.rows.iter().map(|row| row.value).fold(value, f64::max);
    let evidence = json!({
        "quantity": quantity, "unit": unit, "value": value, "limit": limit, "at": first.at,
        "sensor": Some(sensor).filter(|sensor| !sensor.is_empty()),
        "readings_at_or_past": found.rows.len(), "highest": highest,
    });
    Ok(NewHold { glovebox, part: None, source: HoldSource::Reading, reason, evidence })
}

/// Which readings are asked for.
#[derive(Debug, Clone)]
pub(crate) struct Wanted {
    /// What was read.
    pub(crate) subject: Reference,
    /// Which quantity of it.
    pub(crate) quantity: MeasuredQuantity,
    /// Those of this sensor only; empty text for readings that name none.
    pub(crate) sensor: Option<String>,
    /// In this time.
    pub(crate) range: Interval,
}

/// Readings with the names of their sensors, and the last one before the end.
#[derive(Debug, Clone)]
pub(crate) struct Shown<T> {
    /// What was read.
    pub(crate) subject: Uuid,
    /// The readings, or what they come to.
    pub(crate) items: Vec<T>,
    /// The names of the sensors, by the numbers of their series.
    pub(crate) sensors: HashMap<i64, String>,
    /// The last reading before the end of the range, however long ago.
    pub(crate) latest: Option<Point>,
}

/// Scopes any one of which lets a caller see readings.
const SEE: &[Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];

/// Shows up to `limit` readings in order of time.
pub(crate) fn show(
    tx: &mut Tx<'_>,
    actor: &Actor,
    wanted: &Wanted,
    after: Option<After>,
    limit: i64,
) -> Result<Shown<Point>> {
    let (subject, series) = wanted_series(tx, actor, wanted)?;
    let numbers: Vec<i64> = series.iter().map(|series| series.id).collect();
    let items = readings::page(tx, &numbers, wanted.range.start(), wanted.range.end(), after, limit)?;
    shown(tx, wanted, subject, series, items)
}

/// Sums readings up over equal stretches of time.
pub(crate) fn sum_up(
    tx: &mut Tx<'_>,
    actor: &Actor,
    wanted: &Wanted,
    mut buckets: Buckets,
) -> Result<Shown<Bucket>> {
    let (subject, series) = wanted_series(tx, actor, wanted)?;
    for one in &series {
        let add = |at, value| buckets.add(at, value);
        readings::each(tx, one.id, wanted.range.start(), wanted.range.end(), add)?;
    }
    shown(tx, wanted, subject, series, buckets.into_filled())
}

fn shown<T>(
    tx: &mut Tx<'_>,
    wanted: &Wanted,
    subject: Uuid,
    series: Vec<Series>,
    items: Vec<T>,
) -> Result<Shown<T>> {
    let mut latest: Option<Point> = None;
    for one in &series {
        let last = readings::last_before(tx, one.id, wanted.range.end())?;
        latest = latest.into_iter().chain(last).max_by_key(|point| point.at);
    }
    let sensors = series.into_iter().map(|series| (series.id, series.sensor)).collect();
    Ok(Shown { subject, items, sensors, latest })
}

fn wanted_series(tx: &mut Tx<'_>, actor: &Actor, wanted: &Wanted) -> Result<(Uuid, Vec<Series>)> {
    actor.needs_any(SEE)?;
    let subject = subject_of(tx, wanted.quantity, &wanted.subject)?;
    let mut series = readings::series_of(tx, subject, wanted.quantity)?;
    if let Some(sensor) = &wanted.sensor {
        series.retain(|series| series.sensor == *sensor);
    }
    Ok((subject, series))
}

fn subject_of(tx: &mut Tx<'_>, quantity: MeasuredQuantity, reference: &Reference) -> Result<Uuid> {
    let found = things::matching(tx, reference)?;
    let subject = rules::subject(quantity, reference, &found);
    subject.map(|thing| thing.id).map_err(|fault| Error::invalid("subject", fault.code(), fault.to_string()))
}

/// Removes one reading, so that it can be sent anew with another value, and
/// works out anew what rested on it.
pub(crate) fn remove(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    (reference, quantity, sensor): (&Reference, MeasuredQuantity, &str),
    at: DateTime<Utc>,
) -> Result<()> {
    actor.needs(Scope::UpkeepManage)?;
    let subject = subject_of(tx, quantity, reference)?;
    let series = readings::series_of(tx, subject, quantity)?;
    let unknown = || Error::unknown("reading", format!("of {reference}, {}, at {at}", quantity.word()));
    let series = series.into_iter().find(|series| series.sensor == sensor).ok_or_else(unknown)?;
    let value = readings::value_at(tx, series.id, at)?.ok_or_else(unknown)?;
    readings::delete(tx, series.id, at)?;
    let body = json!({ "quantity": quantity, "sensor": sensor, "at": at, "value": value });
    events::append(tx, now, "reading.removed", subject, &actor.subject, &body)?;
    // What a cylinder's gauge says concerns its supply.
    let part = things::get(tx, subject)?.filter(|thing| thing.kind == ThingKind::Cylinder);
    let part = part.and_then(|cylinder| cylinder.parent).unwrap_or(subject);
    due_items::refresh(tx, now, &actor.subject, part.into())
}
