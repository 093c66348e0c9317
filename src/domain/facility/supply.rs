//! Gas supplies and their cylinders.

use crate::domain::calendar::duration::Length;
use crate::domain::facility::WorkingGas;
use crate::domain::ids::{CylinderId, RoomId};
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

    /// The working gas that a box fed with it is filled with; `None` for the
    /// mixtures, which regenerate purifiers and fill no box.
    pub const fn working_gas(self) -> Option<WorkingGas> {
        match self {
            Self::Argon => Some(WorkingGas::Argon),
            Self::Nitrogen => Some(WorkingGas::Nitrogen),
            Self::Helium => Some(WorkingGas::Helium),
            Self::Hydrogen5InNitrogen | Self::Hydrogen5InArgon => None,
        }
    }

    /// What to beware of wherever its cylinders are shown, in sentences.
    ///
    /// That 5 mole-% hydrogen counts as flammable in argon and not in nitrogen
    /// follows from the calculation of ISO 10156, whose coefficients are quoted
    /// from memory: limits near 5.5 % in nitrogen and 3 % in argon.
    pub fn cautions(self) -> Vec<&'static str> {
        let mixture = match self {
            Self::Argon | Self::Nitrogen | Self::Helium => None,
            Self::Hydrogen5InNitrogen => Some(
                "Contains hydrogen. By the calculation of ISO 10156 (coefficients from memory) 5 mole-% in \
                 nitrogen lies just under the limit for a flammable mixture, which depends on the balance gas \
                 and on the tolerance of the filling; that is no leave to treat it as harmless. The \
                 supplier's data sheet, local codes and qualified people decide.",
            ),
            Self::Hydrogen5InArgon => Some(
                "Contains hydrogen. By the calculation of ISO 10156 (coefficients from memory) 5 mole-% in \
                 argon counts as a flammable mixture: the limit depends on the balance gas. The supplier's \
                 data sheet, local codes and qualified people decide.",
            ),
        };
        [
            "Compressed gas: a cylinder that falls or is heated can burst or take off. Cylinders are secured, \
             moved and connected by trained people, by the supplier's data sheet and local codes.",
            "Asphyxiation: gas that escapes displaces the room's oxygen, and no sense notices it. Ventilation \
             and oxygen monitoring are for local codes and qualified people to decide.",
        ]
        .into_iter()
        .chain(mixture)
        .collect()
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
    /// The room its cylinders stand in; `None` when not known.
    pub room: Option<RoomId>,
    /// Gauge pressure at which a cylinder is changed.
    pub changeover: GaugeBar,
    /// Temperature where the cylinders stand; readings override it.
    pub temperature: Celsius,
    /// How long a new cylinder takes to come.
    pub lead_time: Option<Length>,
    /// Its cylinders.
    pub cylinders: Vec<Cylinder>,
}
