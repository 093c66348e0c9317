//! Passing things in and out: how long an antechamber takes to evacuate and
//! refill, how much air that leaves and how much gas it takes. Knows nothing
//! of bookings or of samples.
//!
//! Pump-down at constant speed towards an ultimate pressure,
//! `t = (V/S)·ln((p0 − pu)/(p − pu))`, as in any handbook of vacuum
//! technology. Each evacuation and refill leaves the fraction
//! `p_evacuated/p_refilled` of the air; the refill gas counts as free of
//! oxygen, and what leaks in or outgasses from a load is not counted.

use super::{OXYGEN_IN_AIR_PPM, Refusal, STANDARD_ATMOSPHERE_MBAR, ZERO_CELSIUS_K, kelvin};
use crate::domain::quantity::{Celsius, CubicMetresPerHour, Litres, Millibar, Minutes, Ppm};
use crate::domain::violations::Coded;
use std::borrow::Cow;
use thiserror::Error;

/// Most cycles answered for; beyond it the pump is the wrong one.
pub const MOST_CYCLES: u32 = 100;
/// Temperature taken for the gas in a chamber where none is stated, °C.
pub const ROOM_TEMPERATURE_C: f64 = 20.0;
/// Coldest chamber gas answered for, °C.
pub const COLDEST_C: f64 = -20.0;
/// Warmest chamber gas answered for, °C (heated chambers).
pub const WARMEST_C: f64 = 200.0;

/// How a turn was computed.
pub const METHOD: &str = "pump-down at constant speed, t = (V/S)*ln((p0 - pu)/(p - pu)); each cycle leaves \
     p_evacuated/p_refilled of the air (handbooks of vacuum technology)";

/// One evacuation and refill of an antechamber.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChamberCycle {
    /// Volume of the chamber.
    pub volume: Litres,
    /// Speed of the pump at the chamber, taken as constant.
    pub pump_speed: CubicMetresPerHour,
    /// Lowest pressure that the pump reaches there.
    pub ultimate: Millibar,
    /// Pressure before the first evacuation, the chamber full of air.
    pub start: Millibar,
    /// Pressure at which evacuation stops.
    pub evacuate_to: Millibar,
    /// Pressure after each refill.
    pub refill_to: Millibar,
    /// Time of each refill.
    pub refill: Minutes,
    /// Time held under vacuum in each cycle.
    pub hold: Minutes,
    /// Temperature of the gas in the chamber.
    pub temperature: Celsius,
}

/// How far to go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Goal {
    /// A number of cycles.
    Cycles(u32),
    /// Oxygen at most so high after the last refill.
    Oxygen(Ppm),
}

/// A whole turn of the chamber: all cycles for one transfer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// The first evacuation, from the start pressure, min.
    pub evacuation_minutes: f64,
    /// The first cycle: evacuation, hold and refill, min.
    pub cycle_minutes: f64,
    /// Number of cycles.
    pub cycles: u32,
    /// All cycles, min; those after the first evacuate from the refill pressure.
    pub total_minutes: f64,
    /// Oxygen after the last refill, ppm.
    pub residual_oxygen_ppm: f64,
    /// Gas of all refills, litres at 0 °C and 1 atm.
    pub gas_nl: f64,
}

/// Why a turn cannot be computed.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum ChamberError {
    /// The pump never gets there.
    #[error(
        "{evacuate_to_mbar} mbar cannot be reached: the pump's ultimate pressure is {ultimate_mbar} mbar"
    )]
    NotAboveUltimate {
        /// Pressure asked for, mbar.
        evacuate_to_mbar: f64,
        /// Ultimate pressure, mbar.
        ultimate_mbar: f64,
    },
    /// There is nothing to evacuate.
    #[error("the start pressure, {start_mbar} mbar, must be above the pressure to evacuate to")]
    StartTooLow {
        /// Start pressure, mbar.
        start_mbar: f64,
    },
    /// There is nothing to refill.
    #[error("the refill pressure, {refill_to_mbar} mbar, must be above the pressure to evacuate to")]
    RefillTooLow {
        /// Refill pressure, mbar.
        refill_to_mbar: f64,
    },
    /// No cycle, or far too many.
    #[error("the number of cycles must be from 1 to {MOST_CYCLES}, not {cycles}")]
    Cycles {
        /// Cycles asked for.
        cycles: u32,
    },
    /// A target that is no target or is never met.
    #[error(
        "{target_oxygen_ppm} ppm of oxygen is not reached in {MOST_CYCLES} cycles at these pressures; each \
         leaves {fraction_left:.3} of the air"
    )]
    TargetOutOfReach {
        /// Oxygen asked for, ppm.
        target_oxygen_ppm: f64,
        /// Fraction of the air that one cycle leaves.
        fraction_left: f64,
    },
    /// A target that air already meets.
    #[error("the oxygen to reach, {target_oxygen_ppm} ppm, must be below that of air")]
    TargetNotBelowAir {
        /// Oxygen asked for, ppm.
        target_oxygen_ppm: f64,
    },
    /// No temperature of a chamber.
    #[error("the chamber's temperature must be from {COLDEST_C} to {WARMEST_C} °C, not {temperature_c}")]
    Temperature {
        /// Temperature, °C.
        temperature_c: f64,
    },
}

impl Coded for ChamberError {
    fn code(&self) -> &'static str {
        match self {
            Self::NotAboveUltimate { .. } => "not_above_ultimate_pressure",
            Self::StartTooLow { .. } => "start_pressure_too_low",
            Self::RefillTooLow { .. } => "refill_pressure_too_low",
            Self::Cycles { .. } => "cycles_out_of_range",
            Self::TargetOutOfReach { .. } => "target_out_of_reach",
            Self::TargetNotBelowAir { .. } => "target_not_below_air",
            Self::Temperature { .. } => "temperature_out_of_range",
        }
    }
}

impl Refusal for ChamberError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::NotAboveUltimate { .. } => "evacuate_to_mbar",
            Self::StartTooLow { .. } => "start_mbar",
            Self::RefillTooLow { .. } => "refill_to_mbar",
            Self::Cycles { .. } => "cycles",
            Self::TargetOutOfReach { .. } | Self::TargetNotBelowAir { .. } => "target_oxygen_ppm",
            Self::Temperature { .. } => "temperature_c",
        }
        .into()
    }
}

impl ChamberCycle {
    /// The whole turn that reaches the goal.
    pub fn turn(&self, goal: Goal) -> Result<Turn, ChamberError> {
        if let Some(fault) = self.faults().into_iter().next() {
            return Err(fault);
        }
        let cycles = match goal {
            Goal::Cycles(cycles) if (1..=MOST_CYCLES).contains(&cycles) => cycles,
            Goal::Cycles(cycles) => return Err(ChamberError::Cycles { cycles }),
            Goal::Oxygen(target) => self.cycles_to(target)?,
        };
        let fixed = self.refill.get() + self.hold.get();
        let evacuation_minutes = self.evacuation_minutes(self.start);
        let cycle_minutes = evacuation_minutes + fixed;
        let later_minutes = self.evacuation_minutes(self.refill_to) + fixed;
        Ok(Turn {
            evacuation_minutes,
            cycle_minutes,
            cycles,
            total_minutes: cycle_minutes + f64::from(cycles - 1) * later_minutes,
            residual_oxygen_ppm: self.oxygen_after(cycles),
            gas_nl: f64::from(cycles) * self.refill_nl(),
        })
    }

    /// Everything that keeps the chamber from being cycled, whatever the goal.
    pub fn faults(&self) -> Vec<ChamberError> {
        let mut faults = Vec::new();
        let (evacuate_to_mbar, ultimate_mbar) = (self.evacuate_to.get(), self.ultimate.get());
        if evacuate_to_mbar <= ultimate_mbar {
            faults.push(ChamberError::NotAboveUltimate { evacuate_to_mbar, ultimate_mbar });
        }
        if self.start <= self.evacuate_to {
            faults.push(ChamberError::StartTooLow { start_mbar: self.start.get() });
        }
        if self.refill_to <= self.evacuate_to {
            faults.push(ChamberError::RefillTooLow { refill_to_mbar: self.refill_to.get() });
        }
        let temperature_c = self.temperature.get();
        if !(COLDEST_C..=WARMEST_C).contains(&temperature_c) {
            faults.push(ChamberError::Temperature { temperature_c });
        }
        faults
    }

    fn evacuation_minutes(&self, from: Millibar) -> f64 {
        let litres_per_minute = self.pump_speed.get() * 1000.0 / 60.0;
        let ultimate = self.ultimate.get();
        let ratio = (from.get() - ultimate) / (self.evacuate_to.get() - ultimate);
        self.volume.get() / litres_per_minute * ratio.ln()
    }

    fn fraction_left(&self) -> f64 {
        self.evacuate_to.get() / self.refill_to.get()
    }

    fn oxygen_after(&self, cycles: u32) -> f64 {
        OXYGEN_IN_AIR_PPM * self.fraction_left().powf(f64::from(cycles))
    }

    fn cycles_to(&self, target: Ppm) -> Result<u32, ChamberError> {
        let target_oxygen_ppm = target.get();
        if target_oxygen_ppm >= OXYGEN_IN_AIR_PPM {
            return Err(ChamberError::TargetNotBelowAir { target_oxygen_ppm });
        }
        // The tolerance keeps a target that was itself computed from needing one cycle more.
        let enough = target_oxygen_ppm * (1.0 + 1e-12);
        (target_oxygen_ppm > 0.0)
            .then(|| (1..=MOST_CYCLES).find(|cycles| self.oxygen_after(*cycles) <= enough))
            .flatten()
            .ok_or(ChamberError::TargetOutOfReach { target_oxygen_ppm, fraction_left: self.fraction_left() })
    }

    fn refill_nl(&self) -> f64 {
        let atmospheres = (self.refill_to.get() - self.evacuate_to.get()) / STANDARD_ATMOSPHERE_MBAR;
        self.volume.get() * atmospheres * ZERO_CELSIUS_K / kelvin(self.temperature)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn chamber() -> ChamberCycle {
        ChamberCycle {
            volume: Litres::new(40.0).unwrap(),
            pump_speed: CubicMetresPerHour::new(12.0).unwrap(),
            ultimate: Millibar::new(0.02).unwrap(),
            start: Millibar::new(1013.25).unwrap(),
            evacuate_to: Millibar::new(10.0).unwrap(),
            refill_to: Millibar::new(1013.25).unwrap(),
            refill: Minutes::new(1.5).unwrap(),
            hold: Minutes::new(2.0).unwrap(),
            temperature: Celsius::new(ROOM_TEMPERATURE_C).unwrap(),
        }
    }

    fn close(actual: f64, expected: f64, relative: f64) {
        assert!((actual / expected - 1.0).abs() <= relative, "{actual} is not {expected}");
    }

    #[test]
    fn each_cycle_leaves_the_same_fraction_of_the_air() {
        // Exact: 209 500 ppm times the powers of 10/1013.25.
        for (cycles, ppm) in [(1, 2068.0), (2, 20.4), (3, 0.20)] {
            close(chamber().turn(Goal::Cycles(cycles)).unwrap().residual_oxygen_ppm, ppm, 0.01);
        }
        close(chamber().turn(Goal::Cycles(1)).unwrap().residual_oxygen_ppm, 2_095_000.0 / 1013.25, 1e-12);
    }

    #[test]
    fn times_follow_the_pump_down_formula() {
        // Exact, by hand: 40 L at 200 L/min is 0.2 min for each factor e;
        // ln(1013.23/9.98) = 4.620 313, so 0.924 063 min, and a second cycle alike.
        let turn = chamber().turn(Goal::Cycles(2)).unwrap();
        close(turn.evacuation_minutes, 0.924_063, 1e-5);
        close(turn.cycle_minutes, 4.424_063, 1e-5);
        close(turn.total_minutes, 8.848_125, 1e-5);
        // From half an atmosphere the first evacuation is shorter by 0.2·ln 2 nearly.
        let half = ChamberCycle { start: Millibar::new(506.625).unwrap(), ..chamber() };
        let shorter = half.turn(Goal::Cycles(2)).unwrap();
        close(turn.total_minutes - shorter.total_minutes, 0.2 * std::f64::consts::LN_2, 1e-4);
    }

    #[test]
    fn gas_is_counted_in_normal_litres() {
        // Exact: 40 L · 1003.25/1013.25 · 273.15/293.15 for each refill.
        let expected = 2.0 * 40.0 * (1003.25 / 1013.25) * (273.15 / 293.15);
        close(chamber().turn(Goal::Cycles(2)).unwrap().gas_nl, expected, 1e-12);
    }

    #[test]
    fn a_target_takes_the_least_number_of_cycles() {
        // Exact, as above: 2068, 20.4, 0.20 ppm after one, two, three.
        for (ppm, cycles) in [(2070.0, 1), (2000.0, 2), (20.5, 2), (20.0, 3), (1.0, 3)] {
            assert_eq!(chamber().turn(Goal::Oxygen(Ppm::new(ppm).unwrap())).unwrap().cycles, cycles);
        }
    }

    #[test]
    fn what_the_pump_cannot_do_is_refused_by_field() {
        let mbar = |value| Millibar::new(value).unwrap();
        let refused = |cycle: ChamberCycle, goal| {
            let error = cycle.turn(goal).unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        let two = Goal::Cycles(2);
        let weak = ChamberCycle { ultimate: mbar(10.0), ..chamber() };
        assert_eq!(refused(weak, two), is("evacuate_to_mbar", "not_above_ultimate_pressure"));
        let empty = ChamberCycle { start: mbar(5.0), ..chamber() };
        assert_eq!(refused(empty, two), is("start_mbar", "start_pressure_too_low"));
        let flat = ChamberCycle { refill_to: mbar(10.0), ..chamber() };
        assert_eq!(refused(flat, two), is("refill_to_mbar", "refill_pressure_too_low"));
        assert_eq!(refused(chamber(), Goal::Cycles(0)), is("cycles", "cycles_out_of_range"));
        let none = Goal::Oxygen(Ppm::new(0.0).unwrap());
        assert_eq!(refused(chamber(), none), is("target_oxygen_ppm", "target_out_of_reach"));
        let air = Goal::Oxygen(Ppm::new(209_500.0).unwrap());
        assert_eq!(refused(chamber(), air), is("target_oxygen_ppm", "target_not_below_air"));
        let slack = ChamberCycle { evacuate_to: mbar(1010.0), ..chamber() };
        let dry = Goal::Oxygen(Ppm::new(1.0).unwrap());
        assert_eq!(refused(slack, dry), is("target_oxygen_ppm", "target_out_of_reach"));
    }

    proptest! {
        #[test]
        fn a_met_target_is_met_by_no_fewer_cycles(ppm in 1e-3..209_000.0_f64, evacuate in 0.03..900.0_f64) {
            let chamber = ChamberCycle { evacuate_to: Millibar::new(evacuate).unwrap(), ..chamber() };
            if let Ok(turn) = chamber.turn(Goal::Oxygen(Ppm::new(ppm).unwrap())) {
                prop_assert!(turn.residual_oxygen_ppm <= ppm * (1.0 + 1e-9));
                prop_assert!(turn.total_minutes.is_finite() && turn.gas_nl > 0.0);
                if turn.cycles > 1 {
                    let fewer = chamber.turn(Goal::Cycles(turn.cycles - 1)).unwrap();
                    prop_assert!(fewer.residual_oxygen_ppm > ppm);
                }
            }
        }
    }
}
