//! `/rooms`.

use super::crud::{Form, crud_routes};
use crate::domain::facility::{ParseContext, Room, Stored};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{CubicMetres, PerHour};
use crate::domain::violations::{Check, Violations};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A room as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "LAB-1", "name": "Synthesis laboratory", "volume_m3": 180.0,
    "air_changes_per_hour": 8.0, "oxygen_monitor": true
}))]
pub(crate) struct RoomForm {
    /// Tag on the door: 1 to 24 of A-Z, 0-9 and '-'.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: String,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// Volume of air, m³; more than zero.
    volume_m3: f64,
    /// Air changes an hour; absent when not known, which counts as none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    air_changes_per_hour: Option<f64>,
    /// Whether a fixed oxygen monitor with alarm is installed.
    #[serde(default)]
    oxygen_monitor: bool,
}

/// A room.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct RoomBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    room: RoomForm,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for RoomForm {
    type Value = Room;
    type View = RoomBody;
    const PATH: &'static str = "rooms";

    fn parse(&self, _: &mut dyn ParseContext, _: Option<&Room>) -> Result<Room, Violations> {
        let mut check = Check::default();
        let tag = check.field("tag", Tag::parse(&self.tag));
        let name = check.field("name", Name::parse(self.name.as_ref().unwrap_or(&self.tag)));
        let volume = check.field("volume_m3", CubicMetres::new(self.volume_m3));
        let air_changes =
            check.field("air_changes_per_hour", self.air_changes_per_hour.map(PerHour::new).transpose());
        let parts = tag.zip(name).zip(volume).zip(air_changes);
        check.build(parts, |(((tag, name), volume), air_changes)| Room {
            tag,
            name,
            volume,
            air_changes,
            oxygen_monitor: self.oxygen_monitor,
        })
    }

    fn of(room: &Room) -> Self {
        Self {
            tag: room.tag.to_string(),
            name: Some(room.name.to_string()),
            volume_m3: room.volume.get(),
            air_changes_per_hour: room.air_changes.map(PerHour::get),
            oxygen_monitor: room.oxygen_monitor,
        }
    }
}

impl From<&Stored<Room>> for RoomBody {
    fn from(stored: &Stored<Room>) -> Self {
        Self {
            id: stored.id,
            room: RoomForm::of(&stored.value),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

crud_routes! {
    RoomForm, RoomBody, tag "facility", path "/rooms", item "/rooms/{id}",
    see "facility:read", change "facility:manage",
    create_room "Add a room.",
    list_rooms "List the rooms.",
    get_room "Show a room.",
    patch_room "Change a room by a JSON merge patch (RFC 7396).",
    delete_room "Remove a room that nothing refers to.",
}
