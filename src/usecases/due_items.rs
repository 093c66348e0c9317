//! Working out due items: loading what is known of each part, letting the
//! domain compute, and keeping the results under ids that stay.

use super::{Error, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::{CylinderState, GasSupply, Glovebox, MeasuredQuantity, Room, Scope, Stored};
use crate::domain::ids::ThingId;
use crate::domain::names::Reference;
use crate::domain::upkeep::contents::{self, GasForecast, SupplyHistory};
use crate::domain::upkeep::due::{self, History, Subject};
use crate::domain::upkeep::rules::{Meter, PartKind, ReadAt, Trigger};
use crate::domain::upkeep::services::Relation;
use crate::domain::upkeep::{DueItem, Sample, Service, UpkeepRule, defaults};
use crate::store::due_items;
pub(crate) use crate::store::due_items::{KeptItem, Narrowed};
use crate::store::kept::Kept as _;
use crate::store::{events, gloveboxes, readings, rules, services, site, things, usage};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use uuid::Uuid;

/// Any of these lets a caller see what is due.
const SEE: &[Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];
/// Levels are looked at over so many days; a day more than the longest trend.
const LEVEL_DAYS: i64 = 121;
/// Use is looked at from so long before the last service, for the weekly rate.
const RATE_WEEKS: i64 = 9;

/// The zone that local times are shown in; UTC until the facility is set up.
pub(crate) fn zone(tx: &mut Tx<'_>) -> Result<Tz> {
    Ok(site::find(tx)?.map_or(Tz::UTC, |site| site.value.timezone))
}

/// The parts of the facility that upkeep may be done on, and how they belong together.
pub(crate) struct Parts {
    subjects: Vec<Subject>,
    /// The gas supplies.
    pub(crate) supplies: Vec<Stored<GasSupply>>,
    /// For each part the parts of it, for each box its stations.
    inside: HashMap<ThingId, Vec<ThingId>>,
    stations: HashMap<ThingId, Vec<Uuid>>,
}

/// Loads the parts of the facility, in a fixed order.
pub(crate) fn parts(tx: &mut Tx<'_>) -> Result<Parts> {
    let mut parts = Parts {
        subjects: Vec::new(),
        supplies: GasSupply::page(tx, None, i64::MAX)?,
        inside: HashMap::new(),
        stations: HashMap::new(),
    };
    for stored in gloveboxes::all(tx)? {
        parts.add_glovebox(&stored);
    }
    for supply in &parts.supplies {
        let tag = supply.value.tag.to_string();
        parts.subjects.push(whole(supply.id, PartKind::GasSupply, tag, supply.created_at));
    }
    for room in Room::page(tx, None, i64::MAX)? {
        parts.subjects.push(whole(room.id, PartKind::Room, room.value.tag.to_string(), room.created_at));
    }
    Ok(parts)
}

fn whole(id: Uuid, kind: PartKind, tag: String, created_at: DateTime<Utc>) -> Subject {
    Subject { id: thing(id), kind, tag, glovebox: None, created_at }
}

fn thing(id: Uuid) -> ThingId {
    id.into()
}

impl Parts {
    fn add_glovebox(&mut self, stored: &Stored<Glovebox>) {
        let (id, created_at, glovebox) = (stored.id, stored.created_at, &stored.value);
        let part = |part: ThingId, kind, tag: &str| Subject {
            id: part,
            kind,
            tag: format!("{}/{tag}", glovebox.tag),
            glovebox: Some(id.into()),
            created_at,
        };
        let stations =
            glovebox.stations.iter().map(|one| part(one.id.into(), PartKind::Station, one.tag.as_str()));
        let chambers = glovebox
            .antechambers
            .iter()
            .map(|one| part(one.id.into(), PartKind::Antechamber, one.tag.as_str()));
        let purifier =
            glovebox.purifier.iter().map(|one| part(one.id.into(), PartKind::Purifier, "purifier"));
        let parts: Vec<Subject> = stations.chain(chambers).chain(purifier).collect();
        self.inside.insert(thing(id), parts.iter().map(|part| part.id).collect());
        self.stations.insert(thing(id), glovebox.stations.iter().map(|one| one.id.uuid()).collect());
        self.subjects.push(Subject {
            glovebox: Some(id.into()),
            ..whole(id, PartKind::Glovebox, glovebox.tag.to_string(), created_at)
        });
        self.subjects.extend(parts);
    }

    /// The part of that id, where upkeep may be done on it.
    pub(crate) fn subject(&self, id: ThingId) -> Option<&Subject> {
        self.subjects.iter().find(|subject| subject.id == id)
    }

    /// A part, the parts of it, and the box it belongs to.
    fn family(&self, id: ThingId) -> BTreeSet<ThingId> {
        let mut family: BTreeSet<ThingId> = self.inside.get(&id).into_iter().flatten().copied().collect();
        family.insert(id);
        family.extend(self.subject(id).and_then(|subject| subject.glovebox).map(ThingId::from));
        family
    }
}

/// Loads what is known of parts, and remembers services it has read.
struct Loader<'a, 'b, 'c> {
    tx: &'a mut Tx<'b>,
    parts: &'c Parts,
    as_of: DateTime<Utc>,
    zone: Tz,
    services: HashMap<ThingId, Vec<Service>>,
}

impl<'a, 'b, 'c> Loader<'a, 'b, 'c> {
    fn new(tx: &'a mut Tx<'b>, parts: &'c Parts, as_of: DateTime<Utc>) -> Result<Self> {
        let zone = zone(tx)?;
        Ok(Self { tx, parts, as_of, zone, services: HashMap::new() })
    }

    fn services_on(&mut self, id: ThingId) -> Result<&[Service]> {
        if !self.services.contains_key(&id) {
            let read = services::on(self.tx, id, self.as_of)?;
            self.services.insert(id, read);
        }
        Ok(self.services.get(&id).map_or(&[], Vec::as_slice))
    }

    /// What is known of a part, as far as the rules on it ask.
    fn history(&mut self, subject: &Subject, rules: &[&UpkeepRule]) -> Result<History> {
        let mut history = History::empty(self.zone);
        let parts = self.parts.inside.get(&subject.id).into_iter().flatten().map(|id| (*id, Relation::Part));
        let box_of = subject.glovebox.map(ThingId::from).filter(|id| *id != subject.id);
        let related: Vec<(ThingId, Relation)> = std::iter::once((subject.id, Relation::Itself))
            .chain(parts)
            .chain(box_of.map(|id| (id, Relation::Whole)))
            .collect();
        for (id, relation) in related {
            let notes = self.services_on(id)?.iter().map(|service| service.note(relation));
            history.services.extend(notes);
        }
        for rule in rules {
            for trigger in &rule.triggers {
                self.load_for(subject, rule, trigger, &mut history)?;
            }
        }
        Ok(history)
    }

    /// Loads what one trigger asks for, unless another has asked before.
    fn load_for(
        &mut self,
        subject: &Subject,
        rule: &UpkeepRule,
        trigger: &Trigger,
        history: &mut History,
    ) -> Result<()> {
        match trigger {
            Trigger::Condition { quantity, .. } => {
                if history.readings.contains_key(quantity) {
                    return Ok(());
                }
                let at = match subject.kind.read_at(*quantity) {
                    Some(ReadAt::Glovebox) => subject.glovebox.map_or(subject.id, ThingId::from),
                    Some(ReadAt::Itself) | None => subject.id,
                };
                let from = self.as_of - TimeDelta::days(LEVEL_DAYS);
                history.readings.insert(*quantity, self.samples(at, *quantity, from)?);
            }
            Trigger::Usage { meter, .. } => {
                let last = history.last_service(&rule.task, self.as_of);
                let from = last
                    .map_or(DateTime::UNIX_EPOCH, |last| last.min(self.as_of) - TimeDelta::weeks(RATE_WEEKS));
                // Recent use is wanted even when the last service is older.
                self.load_meter(subject, *meter, from, history)?;
            }
            Trigger::Contents => {
                let supply = self.parts.supplies.iter().find(|supply| thing(supply.id) == subject.id);
                if let (Some(supply), None) = (supply, &history.supply) {
                    history.supply = Some(self.supply(&supply.value, supply.id)?);
                }
            }
            Trigger::Calendar(_) | Trigger::Uptake { .. } | Trigger::Finding { .. } => {}
        }
        Ok(())
    }

    fn load_meter(
        &mut self,
        subject: &Subject,
        meter: Meter,
        from: DateTime<Utc>,
        history: &mut History,
    ) -> Result<()> {
        if let Some(counter) = meter.counter() {
            let mut samples = self.samples(subject.id, counter, from)?;
            // What the counter showed before tells where it stood at the start.
            if let Some((at, value)) = readings::latest(self.tx, subject.id.uuid(), counter, from)?
                && samples.first().is_none_or(|first| at < first.at)
            {
                samples.insert(0, Sample { at, value });
            }
            keep_longer(history.readings.entry(counter).or_default(), samples);
            return Ok(());
        }
        let intervals = match meter {
            Meter::SolventHours => {
                let id = subject.glovebox.map_or(subject.id, ThingId::from);
                let stations = self.parts.stations.get(&id).map_or(&[][..], Vec::as_slice);
                usage::with_solvents(self.tx, stations, from)?
            }
            Meter::StationHours | Meter::PumpHours | Meter::AntechamberCycles => {
                usage::at_station(self.tx, subject.id.uuid(), from)?
            }
        };
        keep_longer(history.use_of.entry(meter).or_default(), intervals);
        Ok(())
    }

    fn samples(
        &mut self,
        id: ThingId,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
    ) -> Result<Vec<Sample>> {
        let until = self.as_of + TimeDelta::microseconds(1);
        let read = readings::range(self.tx, id.uuid(), quantity, from, until)?;
        Ok(read.into_iter().map(|(at, value)| Sample { at, value }).collect())
    }

    fn supply(&mut self, supply: &GasSupply, id: Uuid) -> Result<SupplyHistory> {
        let from = self.as_of - TimeDelta::days(contents::WINDOW_DAYS + 1);
        let mut gauge = self.samples(thing(id), MeasuredQuantity::GaugeBar, from)?;
        let mut standby_gauge = BTreeMap::new();
        for cylinder in &supply.cylinders {
            match cylinder.state {
                CylinderState::Connected => {
                    gauge.extend(self.samples(cylinder.id.into(), MeasuredQuantity::GaugeBar, from)?);
                }
                CylinderState::Standby => {
                    let id = cylinder.id.uuid();
                    let read = readings::latest(self.tx, id, MeasuredQuantity::GaugeBar, self.as_of)?;
                    standby_gauge.extend(read.map(|(at, value)| (cylinder.id, Sample { at, value })));
                }
                CylinderState::Full | CylinderState::Empty => {}
            }
        }
        gauge.sort_by_key(|sample| sample.at);
        let swaps =
            self.services_on(thing(id))?.iter().filter(|one| one.task.as_str() == defaults::CYLINDER_SWAP);
        let last_swap = swaps.map(|swap| swap.done_at).max();
        let temperature = self.samples(thing(id), MeasuredQuantity::TemperatureC, from)?;
        Ok(SupplyHistory { supply: supply.clone(), gauge, standby_gauge, temperature, last_swap })
    }
}

/// Of two extents of the same record the one that reaches further back.
fn keep_longer<T>(kept: &mut Vec<T>, found: Vec<T>) {
    if found.len() > kept.len() {
        *kept = found;
    }
}

/// Works out the items of every rule on every part it is about, or only on
/// some parts, as of a moment.
pub(crate) fn compute(
    tx: &mut Tx<'_>,
    parts: &Parts,
    only: Option<&BTreeSet<ThingId>>,
    as_of: DateTime<Utc>,
) -> Result<Vec<DueItem>> {
    let rules = rules::all(tx)?;
    let mut loader = Loader::new(tx, parts, as_of)?;
    let mut items = Vec::new();
    for subject in parts.subjects.iter().filter(|part| only.is_none_or(|only| only.contains(&part.id))) {
        let covers = |rule: &&Stored<UpkeepRule>| rule.value.applies_to.covers(subject.kind, subject.id);
        let matching: Vec<&Stored<UpkeepRule>> = rules.iter().filter(covers).collect();
        if matching.is_empty() {
            continue;
        }
        let values: Vec<&UpkeepRule> = matching.iter().map(|rule| &rule.value).collect();
        let history = loader.history(subject, &values)?;
        let computed =
            matching.iter().map(|rule| due::compute(rule.id.into(), &rule.value, subject, &history, as_of));
        items.extend(computed);
    }
    Ok(items)
}

/// Keeps an item under the id it has, or a fresh one, unless what is kept was
/// computed for a later moment. Tells the id.
pub(crate) fn keep(tx: &mut Tx<'_>, now: DateTime<Utc>, by: &str, item: &DueItem) -> Result<Uuid> {
    let Some(known) = due_items::of(tx, item.rule, item.subject)? else {
        let kept = KeptItem { id: fresh_id(), version: 1, item: item.clone() };
        due_items::insert(tx, &kept)?;
        note(tx, now, by, &kept)?;
        return Ok(kept.id);
    };
    if known.item.computed_at > item.computed_at || known.item == *item {
        return Ok(known.id);
    }
    let kept = KeptItem { id: known.id, version: known.version + 1, item: item.clone() };
    due_items::update(tx, &kept)?;
    if known.item.state != item.state {
        note(tx, now, by, &kept)?;
    }
    Ok(kept.id)
}

/// Tells the world that an item stands elsewhere than before.
fn note(tx: &mut Tx<'_>, now: DateTime<Utc>, by: &str, kept: &KeptItem) -> Result<()> {
    let item = &kept.item;
    let body = json!({
        "version": kept.version, "state": item.state.word(), "task": item.task, "subject": item.subject,
        "act_by": item.act_by, "safety": item.safety,
    });
    Ok(events::append(tx, now, "due_item.changed", kept.id, by, &body)?)
}

/// Works out anew what concerns a part, its parts and its box, as things are now.
pub(crate) fn refresh(tx: &mut Tx<'_>, now: DateTime<Utc>, by: &str, subject: ThingId) -> Result<()> {
    let parts = parts(tx)?;
    let family = parts.family(subject);
    for item in compute(tx, &parts, Some(&family), now)? {
        keep(tx, now, by, &item)?;
    }
    Ok(())
}

/// The forecast of every gas supply, as of a moment.
pub(crate) fn forecasts(
    tx: &mut Tx<'_>,
    parts: &Parts,
    as_of: DateTime<Utc>,
) -> Result<Vec<(Stored<GasSupply>, GasForecast)>> {
    let mut loader = Loader::new(tx, parts, as_of)?;
    let mut found = Vec::with_capacity(parts.supplies.len());
    for supply in &parts.supplies {
        let history = loader.supply(&supply.value, supply.id)?;
        found.push((supply.clone(), contents::forecast(&history, as_of)));
    }
    Ok(found)
}

/// The forecast of one gas supply, as things are now.
pub(crate) fn forecast(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
) -> Result<(Stored<GasSupply>, GasForecast)> {
    actor.needs_any(SEE)?;
    let supply: Stored<GasSupply> = super::keep::load(tx, reference)?;
    let parts = Parts {
        subjects: Vec::new(),
        supplies: vec![supply],
        inside: HashMap::new(),
        stations: HashMap::new(),
    };
    let found = forecasts(tx, &parts, now)?;
    found.into_iter().next().ok_or_else(|| Error::unknown("gas_supply", reference))
}

/// Shows one item.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<KeptItem> {
    actor.needs_any(SEE)?;
    due_items::find(tx, id)?.ok_or_else(|| Error::unknown("due_item", id))
}

/// Lists items, in order of id; a box may be named by its tag.
pub(crate) fn list(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: Option<&Reference>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<KeptItem>> {
    actor.needs_any(SEE)?;
    let mut narrowed = narrowed.clone();
    if let Some(reference) = glovebox {
        let boxes = things::matching(tx, reference)?;
        let found = boxes.into_iter().find(|thing| thing.kind == PartKind::Glovebox.thing());
        let found = found.ok_or_else(|| {
            Error::invalid("glovebox", "unknown_reference", format!("there is no glovebox {reference}"))
        })?;
        narrowed.glovebox = Some(found.id.into());
    }
    Ok(due_items::page(tx, &narrowed, after, limit)?)
}
