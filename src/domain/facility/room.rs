//! Rooms: what matters of them is how much air they hold.

use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{CubicMetres, PerHour};

/// A room in which gloveboxes or cylinders stand.
#[derive(Debug, Clone, PartialEq)]
pub struct Room {
    /// Tag on the door.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
    /// Volume of air.
    pub volume: CubicMetres,
    /// Ventilation; `None` when not known, which is treated as none.
    pub air_changes: Option<PerHour>,
    /// Whether a fixed oxygen monitor with alarm is installed.
    pub oxygen_monitor: bool,
}
