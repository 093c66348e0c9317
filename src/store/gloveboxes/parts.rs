//! Stations, antechambers, instruments and purifiers of gloveboxes.

use super::super::Tx;
use super::super::error::{StoreError, StoreResult};
use super::super::kept::recorded;
use super::super::schema::{antechambers, instruments, purifiers, stations};
use super::super::site::document;
use super::super::things::{self, checked, uuid};
use crate::domain::facility::{Antechamber, Glovebox, Instrument, Purifier, Station, Thing, ThingKind};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{CubicMetresPerHour, Litres, Millibar, Minutes, Moles};
use diesel::prelude::*;
use serde_json::Value;
use std::collections::HashMap;
use uuid::Uuid;

/// The parts of one box.
#[derive(Default)]
pub(super) struct Parts {
    pub(super) stations: Vec<Station>,
    pub(super) antechambers: Vec<Antechamber>,
    pub(super) instruments: Vec<Instrument>,
    pub(super) purifier: Option<Purifier>,
}

#[derive(Queryable, Insertable, serde::Serialize)]
#[diesel(table_name = stations)]
struct StationRow {
    id: String,
    glovebox_id: String,
    ordinal: i32,
    tag: String,
    name: String,
    port_pairs: i32,
}

#[derive(Queryable, Insertable, serde::Serialize)]
#[diesel(table_name = antechambers)]
struct AntechamberRow {
    id: String,
    glovebox_id: String,
    ordinal: i32,
    tag: String,
    name: String,
    volume_l: f64,
    pump_speed_m3_h: f64,
    ultimate_mbar: f64,
    evacuate_to_mbar: f64,
    cycles: i32,
    refill_minutes: f64,
    hold_minutes: f64,
    measured_cycle_minutes: Option<f64>,
}

#[derive(Queryable, Insertable, serde::Serialize)]
#[diesel(table_name = instruments)]
struct InstrumentRow {
    id: String,
    glovebox_id: String,
    ordinal: i32,
    tag: String,
    name: String,
}

#[derive(Queryable, Insertable, serde::Serialize)]
#[diesel(table_name = purifiers)]
struct PurifierRow {
    id: String,
    glovebox_id: String,
    circulation_m3_h: f64,
    column_count: i32,
    oxygen_capacity_mol: Option<f64>,
    water_capacity_mol: Option<f64>,
    solvents: String,
    regeneration_supply_id: Option<String>,
}

fn small(what: &'static str, number: i32) -> StoreResult<u8> {
    u8::try_from(number).map_err(|e| StoreError::corrupt(what, e))
}

impl TryFrom<StationRow> for Station {
    type Error = StoreError;

    fn try_from(row: StationRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("stations.id", &row.id)?.into(),
            tag: checked("stations.tag", Tag::parse(&row.tag))?,
            name: checked("stations.name", Name::parse(&row.name))?,
            port_pairs: small("stations.port_pairs", row.port_pairs)?,
        })
    }
}

impl TryFrom<AntechamberRow> for Antechamber {
    type Error = StoreError;

    fn try_from(row: AntechamberRow) -> StoreResult<Self> {
        let measured = row.measured_cycle_minutes.map(Minutes::new).transpose();
        Ok(Self {
            id: uuid("antechambers.id", &row.id)?.into(),
            tag: checked("antechambers.tag", Tag::parse(&row.tag))?,
            name: checked("antechambers.name", Name::parse(&row.name))?,
            volume: checked("antechambers.volume_l", Litres::new(row.volume_l))?,
            pump_speed: checked(
                "antechambers.pump_speed_m3_h",
                CubicMetresPerHour::new(row.pump_speed_m3_h),
            )?,
            ultimate: checked("antechambers.ultimate_mbar", Millibar::new(row.ultimate_mbar))?,
            evacuate_to: checked("antechambers.evacuate_to_mbar", Millibar::new(row.evacuate_to_mbar))?,
            cycles: small("antechambers.cycles", row.cycles)?,
            refill: checked("antechambers.refill_minutes", Minutes::new(row.refill_minutes))?,
            hold: checked("antechambers.hold_minutes", Minutes::new(row.hold_minutes))?,
            measured_cycle: checked("antechambers.measured_cycle_minutes", measured)?,
        })
    }
}

impl TryFrom<InstrumentRow> for Instrument {
    type Error = StoreError;

    fn try_from(row: InstrumentRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("instruments.id", &row.id)?.into(),
            tag: checked("instruments.tag", Tag::parse(&row.tag))?,
            name: checked("instruments.name", Name::parse(&row.name))?,
        })
    }
}

impl TryFrom<PurifierRow> for Purifier {
    type Error = StoreError;

    fn try_from(row: PurifierRow) -> StoreResult<Self> {
        let moles = |what, amount: Option<f64>| checked(what, amount.map(Moles::new).transpose());
        Ok(Self {
            id: uuid("purifiers.id", &row.id)?.into(),
            circulation: checked(
                "purifiers.circulation_m3_h",
                CubicMetresPerHour::new(row.circulation_m3_h),
            )?,
            columns: small("purifiers.column_count", row.column_count)?,
            oxygen_capacity: moles("purifiers.oxygen_capacity_mol", row.oxygen_capacity_mol)?,
            water_capacity: moles("purifiers.water_capacity_mol", row.water_capacity_mol)?,
            solvents: checked("purifiers.solvents", serde_json::from_str(&row.solvents))?,
            regeneration_supply: row
                .regeneration_supply_id
                .map(|id| uuid("purifiers.regeneration_supply_id", &id).map(Into::into))
                .transpose()?,
        })
    }
}

/// The parts of each of the boxes, by the box's id, in the order kept.
pub(super) fn load(tx: &mut Tx<'_>, boxes: &[&str]) -> StoreResult<HashMap<String, Parts>> {
    let mut of: HashMap<String, Parts> = HashMap::new();
    let found: Vec<StationRow> = stations::table
        .filter(stations::glovebox_id.eq_any(boxes))
        .order((stations::glovebox_id, stations::ordinal))
        .load(tx.db())?;
    for row in found {
        of.entry(row.glovebox_id.clone()).or_default().stations.push(row.try_into()?);
    }
    let found: Vec<AntechamberRow> = antechambers::table
        .filter(antechambers::glovebox_id.eq_any(boxes))
        .order((antechambers::glovebox_id, antechambers::ordinal))
        .load(tx.db())?;
    for row in found {
        of.entry(row.glovebox_id.clone()).or_default().antechambers.push(row.try_into()?);
    }
    let found: Vec<InstrumentRow> = instruments::table
        .filter(instruments::glovebox_id.eq_any(boxes))
        .order((instruments::glovebox_id, instruments::ordinal))
        .load(tx.db())?;
    for row in found {
        of.entry(row.glovebox_id.clone()).or_default().instruments.push(row.try_into()?);
    }
    let found: Vec<PurifierRow> =
        purifiers::table.filter(purifiers::glovebox_id.eq_any(boxes)).load(tx.db())?;
    for row in found {
        let own = of.entry(row.glovebox_id.clone()).or_default();
        own.purifier = Some(row.try_into()?);
    }
    Ok(of)
}

/// Makes a box's parts those that it has; refused where one that is gone is
/// still referred to, as by a claim.
pub(super) fn keep(tx: &mut Tx<'_>, id: Uuid, glovebox: &Glovebox) -> StoreResult<()> {
    // Only the register is referred to from elsewhere, so the rows are simply written anew.
    delete_rows(tx, id)?;
    things::keep_parts(tx, id, &register_of(id, glovebox))?;
    insert_rows(tx, id, glovebox)
}

/// Deletes all parts of a box; refused while anything refers to one.
pub(super) fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    delete_rows(tx, id)?;
    things::keep_parts(tx, id, &[])
}

fn register_of(id: Uuid, glovebox: &Glovebox) -> Vec<Thing> {
    let part =
        |of: Uuid, kind, tag: Option<&Tag>| Thing { id: of, kind, parent: Some(id), tag: tag.cloned() };
    let stations =
        glovebox.stations.iter().map(|one| part(one.id.into(), ThingKind::Station, Some(&one.tag)));
    let antechambers =
        glovebox.antechambers.iter().map(|one| part(one.id.into(), ThingKind::Antechamber, Some(&one.tag)));
    let instruments =
        glovebox.instruments.iter().map(|one| part(one.id.into(), ThingKind::Instrument, Some(&one.tag)));
    let purifier = glovebox.purifier.iter().map(|one| part(one.id.into(), ThingKind::Purifier, None));
    stations.chain(antechambers).chain(instruments).chain(purifier).collect()
}

fn delete_rows(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
    let id = id.to_string();
    diesel::delete(stations::table.filter(stations::glovebox_id.eq(&id))).execute(tx.db())?;
    diesel::delete(antechambers::table.filter(antechambers::glovebox_id.eq(&id))).execute(tx.db())?;
    diesel::delete(instruments::table.filter(instruments::glovebox_id.eq(&id))).execute(tx.db())?;
    diesel::delete(purifiers::table.filter(purifiers::glovebox_id.eq(&id))).execute(tx.db())?;
    Ok(())
}

fn insert_rows(tx: &mut Tx<'_>, id: Uuid, glovebox: &Glovebox) -> StoreResult<()> {
    let glovebox_id = id.to_string();
    for row in station_rows(&glovebox_id, glovebox) {
        diesel::insert_into(stations::table).values(&row).execute(tx.db())?;
    }
    for (ordinal, chamber) in (0..).zip(&glovebox.antechambers) {
        let row = antechamber_row(&glovebox_id, ordinal, chamber);
        diesel::insert_into(antechambers::table).values(&row).execute(tx.db())?;
    }
    for row in instrument_rows(&glovebox_id, glovebox) {
        diesel::insert_into(instruments::table).values(&row).execute(tx.db())?;
    }
    for row in purifier_rows(&glovebox_id, glovebox) {
        diesel::insert_into(purifiers::table).values(&row).execute(tx.db())?;
    }
    Ok(())
}

fn station_rows(glovebox_id: &str, glovebox: &Glovebox) -> Vec<StationRow> {
    let rows = (0..).zip(&glovebox.stations).map(|(ordinal, station)| StationRow {
        id: station.id.to_string(),
        glovebox_id: glovebox_id.to_owned(),
        ordinal,
        tag: station.tag.to_string(),
        name: station.name.to_string(),
        port_pairs: station.port_pairs.into(),
    });
    rows.collect()
}

fn instrument_rows(glovebox_id: &str, glovebox: &Glovebox) -> Vec<InstrumentRow> {
    let rows = (0..).zip(&glovebox.instruments).map(|(ordinal, instrument)| InstrumentRow {
        id: instrument.id.to_string(),
        glovebox_id: glovebox_id.to_owned(),
        ordinal,
        tag: instrument.tag.to_string(),
        name: instrument.name.to_string(),
    });
    rows.collect()
}

fn purifier_rows(glovebox_id: &str, glovebox: &Glovebox) -> Vec<PurifierRow> {
    let rows = glovebox.purifier.iter().map(|purifier| PurifierRow {
        id: purifier.id.to_string(),
        glovebox_id: glovebox_id.to_owned(),
        circulation_m3_h: purifier.circulation.get(),
        column_count: purifier.columns.into(),
        oxygen_capacity_mol: purifier.oxygen_capacity.map(Moles::get),
        water_capacity_mol: purifier.water_capacity.map(Moles::get),
        solvents: document(&purifier.solvents),
        regeneration_supply_id: purifier.regeneration_supply.map(|id| id.to_string()),
    });
    rows.collect()
}

/// All that is kept of a box's parts, for the audit, by the kind of part.
pub(super) fn records(id: Uuid, glovebox: &Glovebox) -> [(&'static str, Value); 4] {
    let id = id.to_string();
    let chambers = (0..).zip(&glovebox.antechambers);
    let chambers = chambers.map(|(ordinal, chamber)| recorded(&antechamber_row(&id, ordinal, chamber)));
    [
        ("stations", station_rows(&id, glovebox).iter().map(recorded).collect()),
        ("antechambers", chambers.collect()),
        ("instruments", instrument_rows(&id, glovebox).iter().map(recorded).collect()),
        ("purifier", purifier_rows(&id, glovebox).first().map_or(Value::Null, recorded)),
    ]
}

fn antechamber_row(glovebox_id: &str, ordinal: i32, chamber: &Antechamber) -> AntechamberRow {
    AntechamberRow {
        id: chamber.id.to_string(),
        glovebox_id: glovebox_id.to_owned(),
        ordinal,
        tag: chamber.tag.to_string(),
        name: chamber.name.to_string(),
        volume_l: chamber.volume.get(),
        pump_speed_m3_h: chamber.pump_speed.get(),
        ultimate_mbar: chamber.ultimate.get(),
        evacuate_to_mbar: chamber.evacuate_to.get(),
        cycles: chamber.cycles.into(),
        refill_minutes: chamber.refill.get(),
        hold_minutes: chamber.hold.get(),
        measured_cycle_minutes: chamber.measured_cycle.map(Minutes::get),
    }
}
