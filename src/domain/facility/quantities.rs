//! What sensors and people report, in which unit, and the levels that matter.

use crate::domain::facility::ThingKind;
use crate::domain::quantity::Ppm;
use crate::domain::violations::{Coded, Violation, Violations};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A quantity that readings report; the word carries the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredQuantity {
    /// Oxygen in the box, mole-ppm.
    OxygenPpm,
    /// Water in the box, mole-ppm.
    WaterPpm,
    /// Cylinder or supply pressure, bar gauge.
    GaugeBar,
    /// Temperature, °C.
    TemperatureC,
    /// Box pressure above the room's, mbar.
    BoxPressureMbar,
    /// Pressure difference across a filter, mbar.
    FilterPressureMbar,
    /// Purifier circulation, m³/h.
    CirculationM3H,
    /// Hours run by a pump, counted up.
    PumpHours,
    /// Hours worked at a station, counted up.
    StationHours,
    /// Evacuate-and-refill cycles of an antechamber, counted up.
    AntechamberCycles,
}

/// Why a reading's value was refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ValueError {
    /// NaN or an infinity.
    #[error("must be a finite number")]
    NotFinite,
    /// Outside what the quantity can be.
    #[error("{value} {unit} is outside the {least} to {most} {unit} this quantity can be")]
    Implausible {
        /// The value, in the quantity's own unit.
        value: f64,
        /// The least possible.
        least: f64,
        /// The most possible.
        most: f64,
        /// The unit.
        unit: &'static str,
    },
    /// A unit the quantity is not measured in.
    #[error("unit {0:?} is not one this quantity is measured in")]
    Unit(String),
}

impl Coded for ValueError {
    fn code(&self) -> &'static str {
        match self {
            Self::NotFinite => "not_finite",
            Self::Implausible { .. } => "implausible_value",
            Self::Unit(_) => "unknown_unit",
        }
    }
}

impl MeasuredQuantity {
    /// Every quantity.
    pub const ALL: [Self; 10] = [
        Self::OxygenPpm,
        Self::WaterPpm,
        Self::GaugeBar,
        Self::TemperatureC,
        Self::BoxPressureMbar,
        Self::FilterPressureMbar,
        Self::CirculationM3H,
        Self::PumpHours,
        Self::StationHours,
        Self::AntechamberCycles,
    ];

    /// The word for the quantity, unit included.
    pub const fn word(self) -> &'static str {
        match self {
            Self::OxygenPpm => "oxygen_ppm",
            Self::WaterPpm => "water_ppm",
            Self::GaugeBar => "gauge_bar",
            Self::TemperatureC => "temperature_c",
            Self::BoxPressureMbar => "box_pressure_mbar",
            Self::FilterPressureMbar => "filter_pressure_mbar",
            Self::CirculationM3H => "circulation_m3_h",
            Self::PumpHours => "pump_hours",
            Self::StationHours => "station_hours",
            Self::AntechamberCycles => "antechamber_cycles",
        }
    }

    /// The quantity a word stands for. Besides the words with their unit,
    /// `oxygen`, `water` and `pressure` are understood.
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "oxygen" => Some(Self::OxygenPpm),
            "water" => Some(Self::WaterPpm),
            "pressure" => Some(Self::GaugeBar),
            "temperature" => Some(Self::TemperatureC),
            _ => Self::ALL.into_iter().find(|quantity| quantity.word() == word),
        }
    }

    /// The unit values are kept in.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::OxygenPpm | Self::WaterPpm => "ppm",
            Self::GaugeBar => "bar",
            Self::TemperatureC => "C",
            Self::BoxPressureMbar | Self::FilterPressureMbar => "mbar",
            Self::CirculationM3H => "m3/h",
            Self::PumpHours | Self::StationHours => "h",
            Self::AntechamberCycles => "1",
        }
    }

    /// Least and most a value can be, in the quantity's unit (common practice, no source).
    const fn range(self) -> (f64, f64) {
        match self {
            Self::OxygenPpm | Self::WaterPpm => (0.0, 1e6),
            Self::GaugeBar => (-1.1, 1000.0),
            Self::TemperatureC => (-80.0, 200.0),
            Self::BoxPressureMbar => (-200.0, 200.0),
            Self::FilterPressureMbar => (0.0, 1000.0),
            Self::CirculationM3H => (0.0, 1e5),
            Self::PumpHours | Self::StationHours => (0.0, 1e6),
            Self::AntechamberCycles => (0.0, 1e7),
        }
    }

    /// The kinds of thing the quantity can be read at.
    pub const fn subjects(self) -> &'static [ThingKind] {
        match self {
            Self::OxygenPpm | Self::WaterPpm | Self::BoxPressureMbar | Self::FilterPressureMbar => {
                &[ThingKind::Glovebox]
            }
            Self::GaugeBar => &[ThingKind::Cylinder, ThingKind::GasSupply],
            Self::TemperatureC => &[ThingKind::Room, ThingKind::Glovebox, ThingKind::GasSupply],
            Self::CirculationM3H => &[ThingKind::Glovebox, ThingKind::Purifier],
            Self::PumpHours | Self::AntechamberCycles => &[ThingKind::Antechamber],
            Self::StationHours => &[ThingKind::Station],
        }
    }

    /// Converts a value in `unit` (the quantity's own where absent) and checks
    /// that it is one the quantity can have.
    pub fn check(self, value: f64, unit: Option<&str>) -> Result<f64, ValueError> {
        if !value.is_finite() {
            return Err(ValueError::NotFinite);
        }
        let unit = unit.unwrap_or(self.unit());
        let value = match (self.unit(), unit) {
            ("ppm", "ppb" | "nmol/mol") => value / 1000.0,
            ("ppm", "%") => value * 1e4,
            ("ppm", "ppmv" | "umol/mol" | "µmol/mol") => value,
            ("bar", "kPa") => value / 100.0,
            ("bar", "MPa") => value * 10.0,
            // 1 psi = 6894.757293168 Pa: NIST SP 811, appendix B.
            ("bar", "psi") => value * 0.068_947_572_931_68,
            ("C", "°C") => value,
            ("C", "K") => value - 273.15,
            ("mbar", "hPa") => value,
            ("mbar", "Pa") => value / 100.0,
            (own, given) if own == given => value,
            _ => return Err(ValueError::Unit(unit.to_owned())),
        };
        let (least, most) = self.range();
        if value < least || value > most {
            return Err(ValueError::Implausible { value, least, most, unit: self.unit() });
        }
        // SQLite keeps no minus before a zero, and a reading that is sent again has to be the same.
        Ok(value + 0.0)
    }
}

/// The levels of one quantity that call for attention and for action.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelLimits {
    /// From here on the keeper should look.
    pub caution: Ppm,
    /// From here on the box is closed to use.
    pub action: Ppm,
}

impl LevelLimits {
    /// Limits with `caution` not above `action`.
    pub fn new(caution: Ppm, action: Ppm) -> Result<Self, Violations> {
        if caution > action {
            return Err(
                Violation::new("caution", "out_of_order", "must not be above the action level").into()
            );
        }
        Ok(Self { caution, action })
    }
}

/// Caution and action levels of a glovebox.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Oxygen.
    pub oxygen_ppm: LevelLimits,
    /// Water.
    pub water_ppm: LevelLimits,
}

impl Default for Limits {
    /// Oxygen: caution 10 ppm, action 100 ppm; water: caution 10 ppm, action
    /// 500 ppm (common practice, no source).
    fn default() -> Self {
        let ppm = |value| Ppm::new(value).expect("a constant within range");
        Self {
            oxygen_ppm: LevelLimits { caution: ppm(10.0), action: ppm(100.0) },
            water_ppm: LevelLimits { caution: ppm(10.0), action: ppm(500.0) },
        }
    }
}

impl Limits {
    /// The limits of a quantity, for those that have any.
    pub fn of(&self, quantity: MeasuredQuantity) -> Option<LevelLimits> {
        if quantity == MeasuredQuantity::OxygenPpm {
            Some(self.oxygen_ppm)
        } else if quantity == MeasuredQuantity::WaterPpm {
            Some(self.water_ppm)
        } else {
            None
        }
    }
}
