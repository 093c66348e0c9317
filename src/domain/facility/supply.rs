//! Gas supplies and their cylinders.

use crate::domain::calendar::duration::Length;
use crate::domain::ids::CylinderId;
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{Celsius, GaugeBar, Litres};
use serde::{Deserialize, Serialize};

/// What a supply holds: a working gas, or a mixture for regeneration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SuppliedGas {
    /// Argon.
    Argon,
    /// Nitrogen.
    Nitrogen,
    /// Helium.
    Helium,
    /// 5 mole-% hydrogen in nitrogen, for regeneration.
    #[serde(rename = "hydrogen_5_in_nitrogen")]
    Hydrogen5InNitrogen,
    /// 5 mole-% hydrogen in argon, for regeneration.
    #[serde(rename = "hydrogen_5_in_argon")]
    Hydrogen5InArgon,
}

impl SuppliedGas {
    /// Every gas a supply can hold.
    pub const ALL: [Self; 5] =
        [Self::Argon, Self::Nitrogen, Self::Helium, Self::Hydrogen5InNitrogen, Self::Hydrogen5InArgon];

    /// The word for the gas.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Argon => "argon",
            Self::Nitrogen => "nitrogen",
            Self::Helium => "helium",
            Self::Hydrogen5InNitrogen => "hydrogen_5_in_nitrogen",
            Self::Hydrogen5InArgon => "hydrogen_5_in_argon",
        }
    }

    /// The gas a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|gas| gas.word() == word)
    }
}

/// Where a cylinder stands in its life.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CylinderState {
    /// Feeding the boxes.
    Connected,
    /// On the panel, taking over by itself.
    Standby,
    /// Full, in store.
    Full,
    /// Used up, waiting to be returned.
    Empty,
}

impl CylinderState {
    /// Every state.
    pub const ALL: [Self; 4] = [Self::Connected, Self::Standby, Self::Full, Self::Empty];

    /// The word for the state.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Connected => "connected",
            Self::Standby => "standby",
            Self::Full => "full",
            Self::Empty => "empty",
        }
    }

    /// The state a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.word() == word)
    }
}

/// One cylinder.
#[derive(Debug, Clone, PartialEq)]
pub struct Cylinder {
    /// Its id.
    pub id: CylinderId,
    /// Tag, unique within the supply.
    pub tag: Tag,
    /// Water volume.
    pub water_volume: Litres,
    /// Filling pressure at 15 °C, which is also its rating: no reading may be
    /// above what that filling reaches when warm.
    pub fill: GaugeBar,
    /// Where it stands in its life.
    pub state: CylinderState,
}

/// The cylinders behind one regulator or changeover panel.
#[derive(Debug, Clone, PartialEq)]
pub struct GasSupply {
    /// Tag on the panel.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
    /// What it holds.
    pub gas: SuppliedGas,
    /// Gauge pressure at which a cylinder is changed.
    pub changeover: GaugeBar,
    /// Temperature where the cylinders stand; readings override it.
    pub temperature: Celsius,
    /// How long a new cylinder takes to come.
    pub lead_time: Option<Length>,
    /// Its cylinders.
    pub cylinders: Vec<Cylinder>,
}
