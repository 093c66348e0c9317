//! Carrying out what a file's entries ask for, in one transaction; every
//! entry is tried, so that all that is wrong with a file is told at once.

use super::bookings;
use super::read::{Content, Entry, Kind, ReadingRow};
use super::{Fault, Loaded, Occasion};
use crate::api::body::shape_fault;
use crate::api::crud::Form;
use crate::api::forms::{
    FacilityForm, GasSupplyForm, GloveboxForm, MovementForm, PersonForm, QualificationForm, RoomForm,
    RuleForm, ServiceForm, StockItemForm, WindowForm,
};
use crate::domain::access::Actor;
use crate::domain::facility::MaintenanceWindow;
use crate::domain::names::Reference;
use crate::domain::upkeep::UpkeepRule;
use crate::domain::upkeep::readings::{Batch, RawReading};
use crate::domain::violations::Violations;
use crate::usecases::ingest_readings::ingest;
use crate::usecases::keep::{self, Precondition};
use crate::usecases::under_way::{Report, Step};
use crate::usecases::{BookingRefusal, Error, Result, Tx, site, stock, upkeep, windows};
use chrono::{DateTime, Utc};
use serde::de::DeserializeOwned;

/// The most windows and rules looked at for one of the same name; a facility has fewer.
const MOST_LOOKED_AT: i64 = 10_000;

/// Loads what a file holds, or says everything that is wrong with it.
pub(super) fn apply(tx: &mut Tx<'_>, content: &Content, occasion: Occasion, far: &Report) -> Result<Loaded> {
    match content {
        Content::Readings(rows) => readings(tx, rows, occasion.now, far),
        Content::Entries(entries) => {
            let mut faults = Vec::new();
            let (booked, others): (Vec<&Entry>, Vec<&Entry>) =
                entries.iter().partition(|entry| entry.kind == Kind::Booking);
            for (number, entry) in others.into_iter().enumerate() {
                far.at(Step::Rows, number, entries.len());
                let done = tx.nested(|tx| carry_out(tx, entry, occasion));
                faults.extend(faults_of(entry.line, done)?);
            }
            faults.extend(bookings::replay(tx, &booked, occasion.now)?);
            refuse(&faults)?;
            Ok(Loaded { counts: counts(entries), ..Loaded::default() })
        }
    }
}

fn counts(entries: &[Entry]) -> Vec<(&'static str, usize)> {
    let mut counts: Vec<(&'static str, usize)> = Vec::new();
    for entry in entries {
        let what = entry.kind.plural();
        match counts.iter_mut().find(|(known, _)| *known == what) {
            Some((_, count)) => *count += 1,
            None => counts.push((what, 1)),
        }
    }
    counts
}

/// Ends the transaction where there are faults.
fn refuse(faults: &[Fault]) -> Result<()> {
    match Violations::from_vec(faults.iter().map(Fault::violation).collect()) {
        None => Ok(()),
        Some(violations) => Err(Error::Invalid(violations)),
    }
}

/// What a failure says of the entry; failures of the store itself end the loading.
pub(super) fn faults_of<T>(line: usize, done: Result<T>) -> Result<Vec<Fault>> {
    match done {
        Ok(_) => Ok(Vec::new()),
        Err(Error::Invalid(faults)) => {
            Ok(faults.as_slice().iter().map(|fault| Fault::new(line, fault.to_string())).collect())
        }
        Err(Error::BookingRefused(refusal)) => {
            Ok(refusals(&refusal).into_iter().map(|detail| Fault::new(line, detail)).collect())
        }
        Err(error @ Error::Store(_)) => Err(error),
        Err(other) => Ok(vec![Fault::new(line, other.to_string())]),
    }
}

fn refusals(refusal: &BookingRefusal) -> Vec<String> {
    let broken = refusal.violations.iter().map(ToString::to_string);
    let taken = refusal.conflicts.iter().map(|conflict| {
        let interval = conflict.conflict.interval;
        format!("{} is taken from {} to {}", conflict.tag, interval.start(), interval.end())
    });
    broken.chain(taken).collect()
}

/// The form that an entry's body is.
pub(super) fn form<F: DeserializeOwned>(body: &serde_json::Value) -> Result<F> {
    serde_path_to_error::deserialize(body)
        .map_err(|error| Error::Invalid(shape_fault(&error.path().to_string(), error.inner()).into()))
}

fn create<F: Form>(tx: &mut Tx<'_>, entry: &Entry, actor: &Actor, at: DateTime<Utc>) -> Result<()> {
    let form: F = form(&entry.body)?;
    keep::create(tx, actor, at, |context| form.parse(context, None)).map(drop)
}

fn carry_out(tx: &mut Tx<'_>, entry: &Entry, occasion: Occasion) -> Result<()> {
    let actor = Actor::operator();
    let at = occasion.since.unwrap_or(occasion.now);
    match entry.kind {
        Kind::Facility => {
            let form: FacilityForm = form(&entry.body)?;
            site::change(tx, &actor, at, &Precondition::Any, |context, current| {
                form.parse(context, Some(current))
            })
            .map(drop)
        }
        Kind::Room => create::<RoomForm>(tx, entry, &actor, at),
        Kind::GasSupply => create::<GasSupplyForm>(tx, entry, &actor, at),
        Kind::Glovebox => create::<GloveboxForm>(tx, entry, &actor, at),
        Kind::Person => create::<PersonForm>(tx, entry, &actor, at),
        Kind::Qualification => create::<QualificationForm>(tx, entry, &actor, at),
        Kind::Window => window(tx, entry, &actor, at),
        Kind::Rule => rule(tx, entry, &actor, at),
        Kind::Service => service(tx, entry, &actor, occasion),
        Kind::StockItem => create::<StockItemForm>(tx, entry, &actor, at),
        Kind::StockMovement => movement(tx, entry, &actor, occasion),
        // Bookings depend on each other and are replayed together.
        Kind::Booking => Ok(()),
    }
}

/// Windows have no tag: one of the same name is taken for the same one.
fn window(tx: &mut Tx<'_>, entry: &Entry, actor: &Actor, at: DateTime<Utc>) -> Result<()> {
    let form: WindowForm = form(&entry.body)?;
    let made = windows::create(tx, actor, at, |context, zone| form.in_zone(zone).parse(context, None))?;
    let known = keep::list::<MaintenanceWindow>(tx, actor, None, MOST_LOOKED_AT)?;
    let name = &made.window.value.name;
    if known.iter().any(|window| window.id != made.window.id && window.value.name == *name) {
        return Err(Error::invalid(
            "name",
            "taken",
            format!("there is a window {name:?} already", name = name.as_str()),
        ));
    }
    Ok(())
}

/// A rule takes the place of one for the same task on the same kind of part.
fn rule(tx: &mut Tx<'_>, entry: &Entry, actor: &Actor, at: DateTime<Utc>) -> Result<()> {
    let form: RuleForm = form(&entry.body)?;
    let made = keep::create(tx, actor, at, |context| form.parse(context, None))?;
    let known = keep::list::<UpkeepRule>(tx, actor, None, MOST_LOOKED_AT)?;
    let same = known.into_iter().find(|rule| {
        rule.id != made.id
            && rule.value.task == made.value.task
            && rule.value.applies_to == made.value.applies_to
    });
    if let Some(before) = same {
        keep::remove::<UpkeepRule>(tx, actor, at, &Reference::Id(before.id), &Precondition::Any)?;
    }
    Ok(())
}

fn service(tx: &mut Tx<'_>, entry: &Entry, actor: &Actor, occasion: Occasion) -> Result<()> {
    let form: ServiceForm = form(&entry.body)?;
    let now = occasion.recorded(form.done_at());
    upkeep::record_service(tx, actor, now, |context| form.parse(context, &actor.subject, now, None)).map(drop)
}

/// A movement names its item besides the fields of a request.
fn movement(tx: &mut Tx<'_>, entry: &Entry, actor: &Actor, occasion: Occasion) -> Result<()> {
    let mut body = entry.body.clone();
    let item = body.as_object_mut().and_then(|fields| fields.remove("stock_item"));
    let item = item.as_ref().and_then(serde_json::Value::as_str).unwrap_or_default();
    let reference: Reference = item.parse().map_err(|_| {
        Error::invalid("stock_item", "unknown_reference", "it must name a stock item by its tag")
    })?;
    let form: MovementForm = form(&body)?;
    let now = occasion.recorded(form.at());
    stock::record_movement(tx, actor, now, &reference, |context| form.parse(context, now)).map(drop)
}

/// Takes readings in only when all of them are good.
fn readings(tx: &mut Tx<'_>, rows: &[ReadingRow], now: DateTime<Utc>, far: &Report) -> Result<Loaded> {
    let mut batch = Batch::received_at(now);
    for row in rows {
        batch.push(Ok(RawReading {
            subject: row.subject.as_deref(),
            quantity: row.quantity.as_deref(),
            at: row.at.as_deref(),
            value: row.value,
            unit: row.unit.as_deref(),
            sensor: row.sensor.as_deref(),
        }));
    }
    let done = ingest(tx, &Actor::operator(), now, &batch, far)?;
    let faults: Vec<Fault> = done
        .rejected
        .iter()
        .filter_map(|rejected| Some(Fault::new(rows.get(rejected.index)?.line, rejected.fault.to_string())))
        .collect();
    refuse(&faults)?;
    let notes = done.opened.iter().map(|alarm| format!("a hold was opened: {}", alarm.reason)).collect();
    Ok(Loaded { counts: vec![("readings", done.accepted)], duplicates: done.duplicates, notes })
}
