//! Gas supplies and their cylinders.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::{Kept, only_one, recorded, register, reregister};
use super::schema::{cylinders, gas_supplies};
use super::things::{self, checked, uuid};
use crate::domain::calendar::Length;
use crate::domain::facility::{Cylinder, CylinderState, GasSupply, Stored, SuppliedGas, Thing, ThingKind};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{Celsius, GaugeBar, Litres};
use chrono::NaiveDateTime;
use diesel::prelude::*;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = gas_supplies, treat_none_as_null = true)]
struct SupplyRow {
    id: String,
    tag: String,
    name: String,
    gas: String,
    changeover_bar: f64,
    temperature_c: f64,
    lead_time: Option<String>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
    room_id: Option<String>,
}

#[derive(Queryable, Insertable, serde::Serialize)]
#[diesel(table_name = cylinders)]
struct CylinderRow {
    id: String,
    gas_supply_id: String,
    ordinal: i32,
    tag: String,
    water_volume_l: f64,
    fill_bar: f64,
    state: String,
}

impl From<&Stored<GasSupply>> for SupplyRow {
    fn from(stored: &Stored<GasSupply>) -> Self {
        let supply = &stored.value;
        Self {
            id: stored.id.to_string(),
            tag: supply.tag.to_string(),
            name: supply.name.to_string(),
            gas: supply.gas.word().to_owned(),
            changeover_bar: supply.changeover.get(),
            temperature_c: supply.temperature.get(),
            lead_time: supply.lead_time.map(|length| length.to_string()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
            room_id: supply.room.map(|id| id.to_string()),
        }
    }
}

impl SupplyRow {
    fn with(self, cylinders: Vec<Cylinder>) -> StoreResult<Stored<GasSupply>> {
        let room = self.room_id.as_deref().map(|id| uuid("gas_supplies.room_id", id)).transpose()?;
        let value = GasSupply {
            tag: checked("gas_supplies.tag", Tag::parse(&self.tag))?,
            name: checked("gas_supplies.name", Name::parse(&self.name))?,
            gas: SuppliedGas::from_word(&self.gas)
                .ok_or_else(|| StoreError::corrupt("gas_supplies.gas", &self.gas))?,
            room: room.map(Into::into),
            changeover: checked("gas_supplies.changeover_bar", GaugeBar::new(self.changeover_bar))?,
            temperature: checked("gas_supplies.temperature_c", Celsius::new(self.temperature_c))?,
            lead_time: checked(
                "gas_supplies.lead_time",
                self.lead_time.as_deref().map(Length::parse).transpose(),
            )?,
            cylinders,
        };
        Ok(Stored {
            id: uuid("gas_supplies.id", &self.id)?,
            version: self.version,
            created_at: self.created_at.and_utc(),
            updated_at: self.updated_at.and_utc(),
            value,
        })
    }
}

impl TryFrom<CylinderRow> for Cylinder {
    type Error = StoreError;

    fn try_from(row: CylinderRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("cylinders.id", &row.id)?.into(),
            tag: checked("cylinders.tag", Tag::parse(&row.tag))?,
            water_volume: checked("cylinders.water_volume_l", Litres::new(row.water_volume_l))?,
            fill: checked("cylinders.fill_bar", GaugeBar::new(row.fill_bar))?,
            state: CylinderState::from_word(&row.state)
                .ok_or_else(|| StoreError::corrupt("cylinders.state", &row.state))?,
        })
    }
}

/// Gives each supply its cylinders.
fn assemble(tx: &mut Tx<'_>, rows: Vec<SupplyRow>) -> StoreResult<Vec<Stored<GasSupply>>> {
    let ids: Vec<&str> = rows.iter().map(|row| row.id.as_str()).collect();
    let found: Vec<CylinderRow> = cylinders::table
        .filter(cylinders::gas_supply_id.eq_any(ids))
        .order((cylinders::gas_supply_id, cylinders::ordinal))
        .load(tx.db())?;
    let mut of: HashMap<String, Vec<Cylinder>> = HashMap::new();
    for row in found {
        of.entry(row.gas_supply_id.clone()).or_default().push(row.try_into()?);
    }
    rows.into_iter()
        .map(|row| {
            let cylinders = of.remove(&row.id).unwrap_or_default();
            row.with(cylinders)
        })
        .collect()
}

/// Makes a supply's cylinders those that it has; refused where one that is
/// gone still has readings.
fn keep_cylinders(tx: &mut Tx<'_>, id: Uuid, wanted: &[Cylinder]) -> StoreResult<()> {
    diesel::delete(cylinders::table.filter(cylinders::gas_supply_id.eq(id.to_string()))).execute(tx.db())?;
    let register: Vec<Thing> = wanted
        .iter()
        .map(|cylinder| Thing {
            id: cylinder.id.into(),
            kind: ThingKind::Cylinder,
            parent: Some(id),
            tag: Some(cylinder.tag.clone()),
        })
        .collect();
    things::keep_parts(tx, id, &register)?;
    for row in cylinder_rows(id, wanted) {
        diesel::insert_into(cylinders::table).values(&row).execute(tx.db())?;
    }
    Ok(())
}

fn cylinder_rows(supply: Uuid, wanted: &[Cylinder]) -> Vec<CylinderRow> {
    let rows = (0..).zip(wanted).map(|(ordinal, cylinder)| CylinderRow {
        id: cylinder.id.to_string(),
        gas_supply_id: supply.to_string(),
        ordinal,
        tag: cylinder.tag.to_string(),
        water_volume_l: cylinder.water_volume.get(),
        fill_bar: cylinder.fill.get(),
        state: cylinder.state.word().to_owned(),
    });
    rows.collect()
}

impl Kept for GasSupply {
    const NAME: &'static str = "gas_supply";
    const KIND: Option<ThingKind> = Some(ThingKind::GasSupply);

    fn tag(&self) -> Option<&Tag> {
        Some(&self.tag)
    }

    fn insert(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        register(tx, stored)?;
        diesel::insert_into(gas_supplies::table).values(&SupplyRow::from(stored)).execute(tx.db())?;
        keep_cylinders(tx, stored.id, &stored.value.cylinders)
    }

    fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Stored<Self>>> {
        let row: Option<SupplyRow> = gas_supplies::table.find(id.to_string()).first(tx.db()).optional()?;
        Ok(assemble(tx, row.into_iter().collect())?.pop())
    }

    fn page(tx: &mut Tx<'_>, after: Option<Uuid>, limit: i64) -> StoreResult<Vec<Stored<Self>>> {
        let after = after.map(|id| id.to_string()).unwrap_or_default();
        let rows: Vec<SupplyRow> = gas_supplies::table
            .filter(gas_supplies::id.gt(after))
            .order(gas_supplies::id)
            .limit(limit)
            .load(tx.db())?;
        assemble(tx, rows)
    }

    fn update(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        reregister(tx, stored)?;
        let before = gas_supplies::table
            .find(stored.id.to_string())
            .filter(gas_supplies::version.eq(stored.version - 1));
        only_one(diesel::update(before).set(&SupplyRow::from(stored)).execute(tx.db())?)?;
        keep_cylinders(tx, stored.id, &stored.value.cylinders)
    }

    fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
        keep_cylinders(tx, id, &[])?;
        things::forget_computed(tx, id)?;
        diesel::delete(gas_supplies::table.find(id.to_string())).execute(tx.db())?;
        things::delete(tx, id)
    }

    fn record(stored: &Stored<Self>) -> serde_json::Value {
        let mut record = recorded(&SupplyRow::from(stored));
        record["cylinders"] =
            cylinder_rows(stored.id, &stored.value.cylinders).iter().map(recorded).collect();
        record
    }
}
