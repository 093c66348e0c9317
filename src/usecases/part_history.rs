//! Loading what is known of each part, as far as the rules on it ask.

use super::parts::{Parts, thing};
use super::{Result, Tx};
use crate::domain::booking::claims::turn_cycles;
use crate::domain::facility::{
    Cylinder, CylinderState, GasSupply, Glovebox, MeasuredQuantity, Policies, Stored,
};
use crate::domain::ids::ThingId;
use crate::domain::names::Word;
use crate::domain::upkeep::circulation::{AirLeft, Brought, PurifierHistory};
use crate::domain::upkeep::contents::{self, FormerCylinder, SupplyHistory};
use crate::domain::upkeep::days::{self, Day};
use crate::domain::upkeep::due::{History, Subject};
use crate::domain::upkeep::lives::{self, Measure};
use crate::domain::upkeep::rules::{Meter, PartKind, ReadAt, Trigger};
use crate::domain::upkeep::services::{Relation, ServiceNote};
use crate::domain::upkeep::summed::{Manner, Summed, ends, fullest};
use crate::domain::upkeep::{Sample, SensorReadings, Service, UpkeepRule, defaults};
use crate::store::usage::Turns;
use crate::store::{gloveboxes, reading_days, readings, services, site, usage};
use chrono::{DateTime, DurationRound as _, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use uuid::Uuid;

/// Levels are looked at over so many days; a day more than the longest trend.
const LEVEL_DAYS: i64 = 121;
/// What was read longer ago than so many days is looked at day by day, where days
/// are such that nothing is lost by it …
const DETAILED_DAYS: i64 = 35;
/// … and of counters, whose weeks are compared, so many.
const DETAILED_COUNTS: i64 = 7 * RATE_WEEKS + 1;
/// A level that counts while the circulation runs is looked at by the hour on
/// days on which it was off for more than so many hours.
const MOST_HOURS_OFF: f64 = 2.0;
/// So many hours before that of the last reading are read one by one too.
const TAIL_HOURS: i64 = 1;
/// Use is looked at from so long before the last service, for the weekly rate.
const RATE_WEEKS: i64 = 9;

/// Loads what is known of parts, and remembers services it has read.
pub(super) struct Loader<'a, 'b, 'c> {
    tx: &'a mut Tx<'b>,
    parts: &'c Parts,
    as_of: DateTime<Utc>,
    zone: Tz,
    policies: Policies,
    services: HashMap<ThingId, Vec<Service>>,
    /// From when the readings of the part in hand are loaded.
    loaded: HashMap<(ThingId, MeasuredQuantity), DateTime<Utc>>,
    /// Days of the part in hand that are looked at by the hour: on which something was done.
    detailed: BTreeSet<NaiveDate>,
    /// Supplies of which everything is known already.
    supplies: &'c [(Stored<GasSupply>, SupplyHistory)],
}

impl<'a, 'b, 'c> Loader<'a, 'b, 'c> {
    pub(super) fn new(tx: &'a mut Tx<'b>, parts: &'c Parts, as_of: DateTime<Utc>) -> Result<Self> {
        let site = site::find(tx)?.map(|site| (site.value.timezone, site.value.policies));
        let (zone, policies) = site.unwrap_or((Tz::UTC, Policies::default()));
        let (services, loaded, detailed) = (HashMap::new(), HashMap::new(), BTreeSet::new());
        Ok(Self { tx, parts, as_of, zone, policies, services, loaded, detailed, supplies: &[] })
    }

    /// The same, with what is known already of some supplies.
    pub(super) fn knowing(self, supplies: &'c [(Stored<GasSupply>, SupplyHistory)]) -> Self {
        Self { supplies, ..self }
    }

    /// The transaction that it loads in.
    pub(super) fn tx(&mut self) -> &mut Tx<'b> {
        self.tx
    }

    fn services_on(&mut self, id: ThingId) -> Result<&[Service]> {
        if !self.services.contains_key(&id) {
            let read = services::on(self.tx, id, self.as_of)?;
            self.services.insert(id, read);
        }
        Ok(self.services.get(&id).map_or(&[], Vec::as_slice))
    }

    /// The services on a part, on its parts, and on the box it belongs to.
    pub(super) fn notes(&mut self, subject: &Subject) -> Result<Vec<ServiceNote>> {
        let parts = self.parts.inside.get(&subject.id).into_iter().flatten().map(|id| (*id, Relation::Part));
        let box_of = subject.glovebox.map(ThingId::from).filter(|id| *id != subject.id);
        let related: Vec<(ThingId, Relation)> = std::iter::once((subject.id, Relation::Itself))
            .chain(parts)
            .chain(box_of.map(|id| (id, Relation::Whole)))
            .collect();
        let mut notes = Vec::new();
        for (id, relation) in related {
            notes.extend(self.services_on(id)?.iter().map(|service| service.note(relation)));
        }
        Ok(notes)
    }

    /// What the lives of a part under a task are measured in, from the first
    /// service of the task on.
    pub(super) fn measure(
        &mut self,
        subject: &Subject,
        task: &Word,
        meter: Option<Meter>,
        notes: &[ServiceNote],
    ) -> Result<Measure> {
        let begun = notes.iter().filter(|note| lives::begins(note, task));
        let Some((meter, first)) = meter.zip(begun.map(|note| note.done_at).min()) else {
            return Ok(Measure::Days);
        };
        let mut used = History::empty(self.zone);
        self.begin(notes);
        self.load_meter(subject, meter, first, &mut used)?;
        Ok(match meter.counter() {
            Some(counter) => {
                let sensors = used.readings.remove(&counter).unwrap_or_default();
                Measure::Counter(meter, ends(&fullest(&sensors, self.as_of)))
            }
            None => Measure::Use(meter, used.use_of.remove(&meter).unwrap_or_default()),
        })
    }

    /// What is known of a part, as far as the rules on it ask.
    pub(super) fn history(&mut self, subject: &Subject, rules: &[&UpkeepRule]) -> Result<History> {
        let mut history = History::empty(self.zone);
        history.services = self.notes(subject)?;
        self.begin(&history.services);
        let from = self.levels_from(&history, rules);
        for rule in rules {
            for trigger in &rule.triggers {
                self.load_for(subject, rule, trigger, from, &mut history)?;
            }
        }
        Ok(history)
    }

    /// Turns to another part, on which so much was done.
    fn begin(&mut self, notes: &[ServiceNote]) {
        self.loaded.clear();
        self.detailed = notes.iter().map(|note| note.done_at.date_naive()).collect();
        // Where what is looked at begins.
        self.detailed.insert((self.as_of - TimeDelta::days(LEVEL_DAYS - 1)).date_naive());
    }

    /// The first day of which levels are compared for a trend.
    fn trends_from(&self) -> NaiveDate {
        (self.as_of - TimeDelta::days(LEVEL_DAYS)).date_naive()
    }

    /// From when rules ask for levels; without a regeneration on record
    /// everything counts.
    fn levels_from(&self, history: &History, rules: &[&UpkeepRule]) -> DateTime<Utc> {
        let asked = rules.iter().flat_map(|rule| rule.triggers.iter().map(move |trigger| (rule, trigger)));
        let uptakes = asked.filter(|(_, trigger)| matches!(trigger, Trigger::Uptake { .. }));
        let from =
            uptakes.map(|(rule, _)| history.settled(&rule.task, self.as_of).unwrap_or(DateTime::UNIX_EPOCH));
        from.fold(self.as_of - TimeDelta::days(LEVEL_DAYS), DateTime::min)
    }

    /// Loads what one trigger asks for, unless another has asked before.
    fn load_for(
        &mut self,
        subject: &Subject,
        rule: &UpkeepRule,
        trigger: &Trigger,
        from: DateTime<Utc>,
        history: &mut History,
    ) -> Result<()> {
        match trigger {
            Trigger::Condition { quantity, .. } => {
                self.load_levels(subject, *quantity, from, history)?;
            }
            Trigger::Uptake { species, .. } => {
                self.load_levels(subject, species.quantity(), from, history)?;
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
                    let known = self.supplies.iter().find(|(known, _)| known.id == supply.id);
                    history.supply = Some(match known {
                        Some((_, known)) => known.clone(),
                        None => self.supply(&supply.value, supply.id)?,
                    });
                }
            }
            Trigger::Calendar(_) | Trigger::Finding { .. } => {}
        }
        Ok(())
    }

    /// Loads what each sensor showed of a level, unless it was loaded from as
    /// early before, and what goes through a purifier that it concerns.
    fn load_levels(
        &mut self,
        subject: &Subject,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
        history: &mut History,
    ) -> Result<()> {
        let at = match subject.kind.read_at(quantity) {
            Some(ReadAt::Glovebox) => subject.glovebox.map_or(subject.id, ThingId::from),
            Some(ReadAt::Itself) | None => subject.id,
        };
        let flow = MeasuredQuantity::CirculationM3H;
        if subject.kind == PartKind::Purifier && self.is_news(subject.id, flow, from) {
            history.purifier = self.purifier(subject, from)?;
            let off = history.purifier.as_ref().map(|gas| gas.days_off(MOST_HOURS_OFF, self.as_of));
            let first = self.trends_from();
            self.detailed.extend(off.into_iter().flatten().filter(|date| *date >= first));
        }
        if self.is_news(subject.id, quantity, from) {
            history.readings.insert(quantity, self.levels(at, quantity, from)?);
        }
        Ok(())
    }

    /// Whether a quantity of a part was not loaded from as early before.
    fn is_news(&mut self, id: ThingId, quantity: MeasuredQuantity, from: DateTime<Utc>) -> bool {
        let known = self.loaded.get(&(id, quantity)).is_some_and(|earlier| *earlier <= from);
        if !known {
            self.loaded.insert((id, quantity), from);
        }
        !known
    }

    /// What went through a purifier since `from`, and over the weeks that tell
    /// how it is used.
    fn purifier(&mut self, subject: &Subject, from: DateTime<Utc>) -> Result<Option<PurifierHistory>> {
        let Some(glovebox_id) = subject.glovebox else { return Ok(None) };
        let Some(glovebox) = self.parts.purified.get(&glovebox_id.into()) else { return Ok(None) };
        let Some(purifier) = &glovebox.purifier else { return Ok(None) };
        let mut flow = self.sensors(subject.id, MeasuredQuantity::CirculationM3H, from)?;
        flow.extend(self.sensors(glovebox_id.into(), MeasuredQuantity::CirculationM3H, from)?);
        let habit = from.min(self.as_of - TimeDelta::weeks(RATE_WEEKS));
        let turns = usage::turns(self.tx, glovebox_id, habit)?;
        Ok(Some(PurifierHistory {
            circulation: purifier.circulation,
            oxygen_capacity: purifier.oxygen_capacity,
            water_capacity: purifier.water_capacity,
            flow,
            temperature: self.sensors(glovebox_id.into(), MeasuredQuantity::TemperatureC, from)?,
            off: usage::circulation_off(self.tx, subject.id.uuid(), habit)?,
            brought: turns.iter().map(|turns| brought(glovebox, turns, &self.policies)).collect(),
        }))
    }

    fn load_meter(
        &mut self,
        subject: &Subject,
        meter: Meter,
        from: DateTime<Utc>,
        history: &mut History,
    ) -> Result<()> {
        if let Some(counter) = meter.counter() {
            if !self.is_news(subject.id, counter, from) {
                return Ok(());
            }
            let mut sensors = Vec::new();
            for series in readings::series_of(self.tx, subject.id.uuid(), counter)? {
                let (mut points, days) = self.series(series.id, counter, from)?;
                // What the counter showed before tells where it stood at the start.
                if let Some(before) = readings::last_before(self.tx, series.id, from)? {
                    let known = points.partition_point(|point| point.first.at <= before.at);
                    points.drain(..known);
                    points.insert(0, Summed::single(Sample { at: before.at, value: before.value }));
                }
                sensors.push(SensorReadings::summed(series.sensor, points, Vec::new()).and_days(days));
            }
            history.readings.insert(counter, sensors);
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

    /// What each sensor of a quantity showed from `from` on.
    fn sensors(
        &mut self,
        id: ThingId,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
    ) -> Result<Vec<SensorReadings>> {
        let mut sensors = Vec::new();
        for series in readings::series_of(self.tx, id.uuid(), quantity)? {
            let (points, days) = self.series(series.id, quantity, from)?;
            if !points.is_empty() || !days.is_empty() {
                sensors.push(SensorReadings::summed(series.sensor, points, Vec::new()).and_days(days));
            }
        }
        Ok(sensors)
    }

    /// The same, with the last readings of each one by one.
    fn levels(
        &mut self,
        id: ThingId,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
    ) -> Result<Vec<SensorReadings>> {
        let mut sensors = Vec::new();
        for series in readings::series_of(self.tx, id.uuid(), quantity)? {
            let (points, days) = self.series(series.id, quantity, from)?;
            let Some(last) = points.last().or(days.last().and_then(|day| day.parts.last())) else { continue };
            let last = last.last.at;
            let mut tail = Vec::new();
            let from =
                last.duration_trunc(TimeDelta::hours(1)).unwrap_or(last) - TimeDelta::hours(TAIL_HOURS);
            if points.iter().rev().take_while(|point| point.last.at >= from).any(|point| point.count > 1) {
                readings::each(self.tx, series.id, from, readings::just_after(self.as_of), |at, value| {
                    tail.push(Sample { at, value });
                })?;
            }
            sensors.push(SensorReadings::summed(series.sensor, points, tail).and_days(days));
        }
        Ok(sensors)
    }

    /// What a series showed from `from` on, by the hour and in whole days.
    fn series(
        &mut self,
        series: i64,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
    ) -> Result<(Vec<Summed>, Vec<Day>)> {
        let manner = Manner::of(quantity);
        let detailed = if manner == Manner::Counter { DETAILED_COUNTS } else { DETAILED_DAYS };
        let until = self.as_of - TimeDelta::days(detailed);
        let days = reading_days::whole(self.tx, series, manner, from, until)?;
        let days = days::kept(manner, days, &self.detailed, self.trends_from());
        let hours = reading_days::beside(self.tx, series, manner, from, self.as_of, &days)?;
        Ok((hours, days))
    }

    fn samples(
        &mut self,
        id: ThingId,
        quantity: MeasuredQuantity,
        from: DateTime<Utc>,
    ) -> Result<Vec<Sample>> {
        Ok(reading_days::samples(self.tx, id.uuid(), quantity, from, self.as_of)?)
    }

    pub(super) fn supply(&mut self, supply: &GasSupply, id: Uuid) -> Result<SupplyHistory> {
        let from = self.as_of - TimeDelta::days(contents::WINDOW_DAYS + 1);
        let swaps: Vec<Service> = self
            .services_on(thing(id))?
            .iter()
            .filter(|one| one.task.as_str() == defaults::CYLINDER_SWAP)
            .cloned()
            .collect();
        let mut history = SupplyHistory {
            supply: supply.clone(),
            gauge: self.samples(thing(id), MeasuredQuantity::GaugeBar, from)?,
            former: Vec::new(),
            standby_gauge: BTreeMap::new(),
            temperature: self.samples(thing(id), MeasuredQuantity::TemperatureC, from)?,
            swaps: swaps.iter().map(|swap| swap.done_at).collect(),
            uses: Vec::new(),
        };
        for cylinder in &supply.cylinders {
            let read = cylinder.id.into();
            match cylinder.state {
                CylinderState::Connected => {
                    let since = connected(cylinder, &swaps).or(history.swaps.last().copied());
                    let since = since.unwrap_or(from).max(from);
                    history.gauge.extend(self.samples(read, MeasuredQuantity::GaugeBar, since)?);
                }
                CylinderState::Standby => {
                    let last =
                        readings::latest(self.tx, read.uuid(), MeasuredQuantity::GaugeBar, self.as_of)?;
                    history.standby_gauge.extend(last.map(|(at, value)| (cylinder.id, Sample { at, value })));
                }
                CylinderState::Empty => {
                    let since = connected(cylinder, &swaps).unwrap_or(from).max(from);
                    let mut gauge = self.samples(read, MeasuredQuantity::GaugeBar, since)?;
                    if let Some(until) = removed(cylinder, &swaps) {
                        gauge.retain(|sample| sample.at <= until);
                        history.former.push(FormerCylinder { cylinder: cylinder.clone(), gauge });
                    }
                }
                CylinderState::Full => {}
            }
        }
        history.gauge.sort_by_key(|sample| sample.at);
        let boxes = gloveboxes::fed_by(self.tx, id.into())?;
        history.uses = usage::of_gas(self.tx, &boxes, from)?;
        Ok(history)
    }
}

/// When a cylinder was put on, by the swaps on record.
fn connected(cylinder: &Cylinder, swaps: &[Service]) -> Option<DateTime<Utc>> {
    swapped(cylinder, swaps, "connected")
}

/// When a cylinder was taken off, by the swaps on record.
fn removed(cylinder: &Cylinder, swaps: &[Service]) -> Option<DateTime<Utc>> {
    swapped(cylinder, swaps, "removed")
}

fn swapped(cylinder: &Cylinder, swaps: &[Service], how: &str) -> Option<DateTime<Utc>> {
    let names = |swap: &&Service| swap.names_cylinder(how, &cylinder.tag);
    swaps.iter().filter(names).map(|swap| swap.done_at).max()
}

/// The air that a booking's turns let in; a turn that cannot be computed lets in none.
fn brought(glovebox: &Glovebox, turns: &Turns, policies: &Policies) -> Brought {
    let air = turns.transfers.iter().filter_map(|transfer| {
        let chamber = glovebox.antechamber(transfer.antechamber)?;
        AirLeft::after(chamber, turn_cycles(chamber, transfer.sample, policies.porous_cycle_factor)).ok()
    });
    Brought {
        interval: turns.interval,
        booked_at: turns.booked_at,
        air: air.fold(AirLeft::default(), AirLeft::and),
    }
}

/// Of two extents of the same record the one that reaches further back.
fn keep_longer<T>(kept: &mut Vec<T>, found: Vec<T>) {
    if found.len() > kept.len() {
        *kept = found;
    }
}
