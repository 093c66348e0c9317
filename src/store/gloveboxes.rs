//! Gloveboxes and their parts.

mod parts;

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::{Kept, only_one, recorded, register, reregister};
use super::schema::gloveboxes;
use super::site::document;
use super::things::{self, checked, uuid};
use crate::domain::facility::{Glovebox, Stored, ThingKind, WorkingGas};
use crate::domain::ids::{GasSupplyId, GloveboxId};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{Litres, LitresPerMinute};
use chrono::NaiveDateTime;
use diesel::prelude::*;
use parts::Parts;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = gloveboxes, treat_none_as_null = true)]
struct GloveboxRow {
    id: String,
    tag: String,
    name: String,
    room_id: String,
    gas_supply_id: Option<String>,
    working_gas: String,
    internal_volume_l: f64,
    purge_flow_l_min: f64,
    limits: String,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<Glovebox>> for GloveboxRow {
    fn from(stored: &Stored<Glovebox>) -> Self {
        let glovebox = &stored.value;
        Self {
            id: stored.id.to_string(),
            tag: glovebox.tag.to_string(),
            name: glovebox.name.to_string(),
            room_id: glovebox.room.to_string(),
            gas_supply_id: glovebox.gas_supply.map(|id| id.to_string()),
            working_gas: glovebox.working_gas.word().to_owned(),
            internal_volume_l: glovebox.internal_volume.get(),
            purge_flow_l_min: glovebox.purge_flow.get(),
            limits: document(&glovebox.limits),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl GloveboxRow {
    fn with(self, parts: Parts) -> StoreResult<Stored<Glovebox>> {
        let supply =
            self.gas_supply_id.as_deref().map(|id| uuid("gloveboxes.gas_supply_id", id)).transpose()?;
        let value = Glovebox {
            tag: checked("gloveboxes.tag", Tag::parse(&self.tag))?,
            name: checked("gloveboxes.name", Name::parse(&self.name))?,
            room: uuid("gloveboxes.room_id", &self.room_id)?.into(),
            working_gas: WorkingGas::from_word(&self.working_gas)
                .ok_or_else(|| StoreError::corrupt("gloveboxes.working_gas", &self.working_gas))?,
            internal_volume: checked("gloveboxes.internal_volume_l", Litres::new(self.internal_volume_l))?,
            purge_flow: checked("gloveboxes.purge_flow_l_min", LitresPerMinute::new(self.purge_flow_l_min))?,
            stations: parts.stations,
            antechambers: parts.antechambers,
            instruments: parts.instruments,
            purifier: parts.purifier,
            gas_supply: supply.map(Into::into),
            limits: checked("gloveboxes.limits", serde_json::from_str(&self.limits))?,
        };
        Ok(Stored {
            id: uuid("gloveboxes.id", &self.id)?,
            version: self.version,
            created_at: self.created_at.and_utc(),
            updated_at: self.updated_at.and_utc(),
            value,
        })
    }
}

/// Gives each box its parts.
fn assemble(tx: &mut Tx<'_>, rows: Vec<GloveboxRow>) -> StoreResult<Vec<Stored<Glovebox>>> {
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<&str> = rows.iter().map(|row| row.id.as_str()).collect();
    let mut parts = parts::load(tx, &ids)?;
    rows.into_iter()
        .map(|row| {
            let own = parts.remove(&row.id).unwrap_or_default();
            row.with(own)
        })
        .collect()
}

impl Kept for Glovebox {
    const NAME: &'static str = "glovebox";
    const KIND: Option<ThingKind> = Some(ThingKind::Glovebox);

    fn tag(&self) -> Option<&Tag> {
        Some(&self.tag)
    }

    fn insert(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        tx.changes("gloveboxes");
        register(tx, stored)?;
        diesel::insert_into(gloveboxes::table).values(&GloveboxRow::from(stored)).execute(tx.db())?;
        parts::keep(tx, stored.id, &stored.value)
    }

    fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Stored<Self>>> {
        let row: Option<GloveboxRow> = gloveboxes::table.find(id.to_string()).first(tx.db()).optional()?;
        Ok(assemble(tx, row.into_iter().collect())?.pop())
    }

    fn page(tx: &mut Tx<'_>, after: Option<Uuid>, limit: i64) -> StoreResult<Vec<Stored<Self>>> {
        page_of(tx, None, after, limit)
    }

    fn update(tx: &mut Tx<'_>, stored: &Stored<Self>) -> StoreResult<()> {
        tx.changes("gloveboxes");
        reregister(tx, stored)?;
        let before =
            gloveboxes::table.find(stored.id.to_string()).filter(gloveboxes::version.eq(stored.version - 1));
        only_one(diesel::update(before).set(&GloveboxRow::from(stored)).execute(tx.db())?)?;
        parts::keep(tx, stored.id, &stored.value)
    }

    fn delete(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<()> {
        tx.changes("gloveboxes");
        parts::delete(tx, id)?;
        things::forget_computed(tx, id)?;
        diesel::delete(gloveboxes::table.find(id.to_string())).execute(tx.db())?;
        things::delete(tx, id)
    }

    fn record(stored: &Stored<Self>) -> serde_json::Value {
        let mut record = recorded(&GloveboxRow::from(stored));
        for (kind, parts) in parts::records(stored.id, &stored.value) {
            record[kind] = parts;
        }
        record
    }
}

/// Up to `limit` boxes, of one working gas where given, in order of id, after
/// the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    gas: Option<WorkingGas>,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Stored<Glovebox>>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let mut query =
        gloveboxes::table.filter(gloveboxes::id.gt(after)).order(gloveboxes::id).limit(limit).into_boxed();
    if let Some(gas) = gas {
        query = query.filter(gloveboxes::working_gas.eq(gas.word()));
    }
    let rows: Vec<GloveboxRow> = query.load(tx.db())?;
    assemble(tx, rows)
}

/// Every box, in order of id.
pub(crate) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<Glovebox>>> {
    page_of(tx, None, None, i64::MAX)
}

/// The ids of the boxes that a supply feeds, in order.
pub(crate) fn fed_by(tx: &mut Tx<'_>, supply: GasSupplyId) -> StoreResult<Vec<GloveboxId>> {
    let ids: Vec<String> = gloveboxes::table
        .filter(gloveboxes::gas_supply_id.eq(supply.to_string()))
        .order(gloveboxes::id)
        .select(gloveboxes::id)
        .load(tx.db())?;
    ids.iter().map(|id| uuid("gloveboxes.id", id).map(Into::into)).collect()
}
