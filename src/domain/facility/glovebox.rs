//! Gloveboxes and their parts.

use crate::domain::facility::{Limits, SolventRules};
use crate::domain::ids::{
    AntechamberId, GasSupplyId, GloveboxId, InstrumentId, PurifierId, RoomId, StationId,
};
use crate::domain::names::{Name, Tag};
use crate::domain::physics::STANDARD_ATMOSPHERE_MBAR;
use crate::domain::physics::antechamber::{ChamberCycle, ChamberError, Goal, ROOM_TEMPERATURE_C, Turn};
use crate::domain::physics::gas::PureGas;
use crate::domain::quantity::{
    Celsius, CubicMetresPerHour, Litres, LitresPerMinute, Millibar, Minutes, Moles,
};
use serde::{Deserialize, Serialize};

/// The inert gas a box is filled with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WorkingGas {
    /// Argon.
    Argon,
    /// Nitrogen.
    Nitrogen,
    /// Helium.
    Helium,
}

impl WorkingGas {
    /// Every working gas.
    pub const ALL: [Self; 3] = [Self::Argon, Self::Nitrogen, Self::Helium];

    /// The word for the gas.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Argon => "argon",
            Self::Nitrogen => "nitrogen",
            Self::Helium => "helium",
        }
    }

    /// The gas a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|gas| gas.word() == word)
    }

    /// The gas as a substance.
    pub const fn substance(self) -> PureGas {
        match self {
            Self::Argon => PureGas::Argon,
            Self::Nitrogen => PureGas::Nitrogen,
            Self::Helium => PureGas::Helium,
        }
    }
}

/// A working place at a box.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Station {
    /// Its id, also the resource that bookings claim.
    pub id: StationId,
    /// Tag, unique within the box.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
    /// Pairs of glove ports.
    pub port_pairs: u8,
}

/// An antechamber.
#[derive(Debug, Clone, PartialEq)]
pub struct Antechamber {
    /// Its id, also the resource that transfers claim.
    pub id: AntechamberId,
    /// Tag, unique within the box.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
    /// Inner volume.
    pub volume: Litres,
    /// Pumping speed at the chamber, taken as constant.
    pub pump_speed: CubicMetresPerHour,
    /// The lowest pressure the pump reaches.
    pub ultimate: Millibar,
    /// The pressure each cycle evacuates to.
    pub evacuate_to: Millibar,
    /// Evacuate-and-refill cycles a compact sample takes.
    pub cycles: u8,
    /// Time to refill.
    pub refill: Minutes,
    /// Time held under vacuum.
    pub hold: Minutes,
    /// Measured length of one cycle, which wins over the computed one.
    pub measured_cycle: Option<Minutes>,
}

impl Antechamber {
    /// One cycle from air at 1 atm and room temperature, refilled to 1 atm.
    pub fn cycle(&self) -> ChamberCycle {
        let atmosphere = Millibar::new(STANDARD_ATMOSPHERE_MBAR).expect("a constant within range");
        ChamberCycle {
            volume: self.volume,
            pump_speed: self.pump_speed,
            ultimate: self.ultimate,
            start: atmosphere,
            evacuate_to: self.evacuate_to,
            refill_to: atmosphere,
            refill: self.refill,
            hold: self.hold,
            temperature: Celsius::new(ROOM_TEMPERATURE_C).expect("a constant within range"),
        }
    }

    /// The computed turn of so many cycles.
    pub fn computed_turn(&self, cycles: u32) -> Result<Turn, ChamberError> {
        self.cycle().turn(Goal::Cycles(cycles))
    }

    /// How long a turn of so many cycles takes, min: by the measured cycle
    /// where there is one, else as computed.
    pub fn turn_minutes(&self, cycles: u32) -> Result<f64, ChamberError> {
        match self.measured_cycle {
            Some(measured) => Ok(measured.get() * f64::from(cycles)),
            None => self.computed_turn(cycles).map(|turn| turn.total_minutes),
        }
    }
}

/// An instrument inside a box, booked with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Instrument {
    /// Its id, also the resource that bookings claim.
    pub id: InstrumentId,
    /// Tag, unique within the box.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
}

/// The purifier of a box and its circulation loop.
#[derive(Debug, Clone, PartialEq)]
pub struct Purifier {
    /// Its id; the circulation is a resource, claimed by whoever needs it off.
    pub id: PurifierId,
    /// Gas circulated through it.
    pub circulation: CubicMetresPerHour,
    /// Columns; with one, the box has no purification while it regenerates.
    pub columns: u8,
    /// Rated oxygen capacity.
    pub oxygen_capacity: Option<Moles>,
    /// Rated water capacity.
    pub water_capacity: Option<Moles>,
    /// What it says of solvents.
    pub solvents: SolventRules,
    /// The supply of the gas it is regenerated with; one regeneration at a time draws on it.
    pub regeneration_supply: Option<GasSupplyId>,
}

/// A glovebox.
#[derive(Debug, Clone, PartialEq)]
pub struct Glovebox {
    /// Tag on the box.
    pub tag: Tag,
    /// Name for people.
    pub name: Name,
    /// Where it stands.
    pub room: RoomId,
    /// What it is filled with.
    pub working_gas: WorkingGas,
    /// Inner volume.
    pub internal_volume: Litres,
    /// Flow of fresh gas while purging.
    pub purge_flow: LitresPerMinute,
    /// Working places; at least one.
    pub stations: Vec<Station>,
    /// Antechambers.
    pub antechambers: Vec<Antechamber>,
    /// Instruments inside.
    pub instruments: Vec<Instrument>,
    /// Purifier, where it has one.
    pub purifier: Option<Purifier>,
    /// What feeds it with working gas.
    pub gas_supply: Option<GasSupplyId>,
    /// Levels that call for caution and action.
    pub limits: Limits,
}

impl Glovebox {
    /// The id of a stored glovebox.
    pub fn id_of(stored: &super::Stored<Self>) -> GloveboxId {
        stored.id.into()
    }

    /// The station of that id.
    pub fn station(&self, id: StationId) -> Option<&Station> {
        self.stations.iter().find(|station| station.id == id)
    }

    /// The antechamber of that id.
    pub fn antechamber(&self, id: AntechamberId) -> Option<&Antechamber> {
        self.antechambers.iter().find(|chamber| chamber.id == id)
    }
}
