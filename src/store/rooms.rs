//! Rooms.

use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::rooms;
use super::things::{checked, uuid};
use crate::domain::facility::{Room, Stored, ThingKind};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{CubicMetres, PerHour};
use chrono::NaiveDateTime;
use diesel::prelude::*;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = rooms, treat_none_as_null = true)]
struct RoomRow {
    id: String,
    tag: String,
    name: String,
    volume_m3: f64,
    air_changes_per_hour: Option<f64>,
    oxygen_monitor: bool,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<Room>> for RoomRow {
    fn from(stored: &Stored<Room>) -> Self {
        let room = &stored.value;
        Self {
            id: stored.id.to_string(),
            tag: room.tag.to_string(),
            name: room.name.to_string(),
            volume_m3: room.volume.get(),
            air_changes_per_hour: room.air_changes.map(PerHour::get),
            oxygen_monitor: room.oxygen_monitor,
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<RoomRow> for Stored<Room> {
    type Error = StoreError;

    fn try_from(row: RoomRow) -> StoreResult<Self> {
        let value = Room {
            tag: checked("rooms.tag", Tag::parse(&row.tag))?,
            name: checked("rooms.name", Name::parse(&row.name))?,
            volume: checked("rooms.volume_m3", CubicMetres::new(row.volume_m3))?,
            air_changes: checked(
                "rooms.air_changes_per_hour",
                row.air_changes_per_hour.map(PerHour::new).transpose(),
            )?,
            oxygen_monitor: row.oxygen_monitor,
        };
        Ok(Self {
            id: uuid("rooms.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(Room, "room", Some(ThingKind::Room), RoomRow, rooms, |room| Some(&room.tag));
