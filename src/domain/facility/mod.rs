//! The facility: its rooms, gloveboxes, gas supplies, people and policies.

pub mod glovebox;
pub mod holds;
pub mod people;
pub mod planning;
pub mod quantities;
pub mod room;
pub mod site;
pub mod solvents;
pub mod supply;
pub mod windows;

pub use glovebox::{Antechamber, Glovebox, Instrument, Purifier, Station, WorkingGas};
pub use people::{Absence, Person, Qualification, Scope};
pub use planning::{PlanningPolicies, Weights};
pub use quantities::{LevelLimits, Limits, MeasuredQuantity};
pub use room::Room;
pub use site::{GroupQuota, Policies, Site};
pub use solvents::{Solvent, SolventClass, SolventRules};
pub use supply::{Cylinder, CylinderState, GasSupply, SuppliedGas};
pub use windows::{MaintenanceWindow, WindowHolds};

use crate::domain::ids::GasSupplyId;
use crate::domain::names::Tag;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use uuid::Uuid;

/// The kinds of thing that carry an id and perhaps a tag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum ThingKind {
    /// A room.
    Room,
    /// A glovebox.
    Glovebox,
    /// A station of a glovebox.
    Station,
    /// An antechamber of a glovebox.
    Antechamber,
    /// An instrument inside a glovebox.
    Instrument,
    /// A purifier and its circulation.
    Purifier,
    /// A gas supply.
    GasSupply,
    /// A cylinder of a gas supply.
    Cylinder,
    /// A person.
    Person,
    /// A consumable kept in stock.
    StockItem,
}

impl ThingKind {
    /// Every kind.
    pub const ALL: [Self; 10] = [
        Self::Room,
        Self::Glovebox,
        Self::Station,
        Self::Antechamber,
        Self::Instrument,
        Self::Purifier,
        Self::GasSupply,
        Self::Cylinder,
        Self::Person,
        Self::StockItem,
    ];

    /// The word for the kind, in `snake_case`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Room => "room",
            Self::Glovebox => "glovebox",
            Self::Station => "station",
            Self::Antechamber => "antechamber",
            Self::Instrument => "instrument",
            Self::Purifier => "purifier",
            Self::GasSupply => "gas_supply",
            Self::Cylinder => "cylinder",
            Self::Person => "person",
            Self::StockItem => "stock_item",
        }
    }

    /// The kind a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A thing as the register knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Thing {
    /// Its id.
    pub id: Uuid,
    /// What kind of thing it is.
    pub kind: ThingKind,
    /// The thing it is part of, such as the glovebox of a station.
    pub parent: Option<Uuid>,
    /// Its tag, where it has one.
    pub tag: Option<Tag>,
}

/// Something kept, with its identity and version; the version counts changes
/// and is what conditional requests compare.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored<T> {
    /// Its id.
    pub id: Uuid,
    /// 1 when created, one more with each change.
    pub version: i32,
    /// When it was created.
    pub created_at: DateTime<Utc>,
    /// When it was last changed.
    pub updated_at: DateTime<Utc>,
    /// The thing itself.
    pub value: T,
}

/// What parsing needs to know of the world: which things exist, and fresh ids
/// for new parts.
pub trait ParseContext {
    /// The id of the thing of `kind` that `reference` names, within `parent` where given.
    fn find(
        &mut self,
        kind: ThingKind,
        parent: Option<Uuid>,
        reference: &crate::domain::names::Reference,
    ) -> Option<Uuid>;

    /// An id never used before.
    fn fresh_id(&mut self) -> Uuid;

    /// What a gas supply holds; `None` where there is no such supply.
    fn supplied_gas(&mut self, supply: GasSupplyId) -> Option<SuppliedGas>;

    /// The zone that the facility's dates are in.
    fn zone(&mut self) -> Tz;
}
