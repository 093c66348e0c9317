//! `antechamber-cycle`: how long a chamber takes and what air it leaves.

use super::Calculation;
use super::numbers::{Either, either, finite, needed, or};
use crate::domain::physics::antechamber::{ChamberCycle, Goal, METHOD, MOST_CYCLES, ROOM_TEMPERATURE_C};
use crate::domain::physics::{Refusal as _, STANDARD_ATMOSPHERE_MBAR};
use crate::domain::quantity::{Celsius, CubicMetresPerHour, Litres, Millibar, Minutes, Ppm};
use crate::domain::violations::{Check, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An antechamber, its pump, and how far to go.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "volume_l": 50.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 1.0, "evacuate_to_mbar": 10.0,
    "refill_minutes": 1.0, "cycles": 3
}))]
pub(super) struct AntechamberCycleQuestion {
    /// Volume of the chamber, L; more than zero.
    #[schema(value_type = f64, required = true)]
    volume_l: Option<f64>,
    /// Speed of the pump at the chamber, m³/h; more than zero.
    #[schema(value_type = f64, required = true)]
    pump_speed_m3_h: Option<f64>,
    /// Lowest absolute pressure that the pump reaches, mbar.
    #[schema(value_type = f64, required = true)]
    ultimate_mbar: Option<f64>,
    /// Absolute pressure at the start, mbar; 1013.25 unless given.
    start_mbar: Option<f64>,
    /// Absolute pressure to evacuate to, mbar; above `ultimate_mbar`.
    #[schema(value_type = f64, required = true)]
    evacuate_to_mbar: Option<f64>,
    /// Absolute pressure after each refill, mbar; 1013.25 unless given.
    refill_to_mbar: Option<f64>,
    /// Time of each refill, min.
    #[schema(value_type = f64, required = true)]
    refill_minutes: Option<f64>,
    /// Time held under vacuum in each cycle, min; 0 unless given.
    hold_minutes: Option<f64>,
    /// How many cycles, 1 to 100. Exactly one of `cycles` and `target_oxygen_ppm` is given.
    #[schema(value_type = Option<u32>)]
    cycles: Option<f64>,
    /// Oxygen to reach, ppm; below that of air.
    target_oxygen_ppm: Option<f64>,
    /// Temperature of the gas in the chamber, °C; 20 unless given.
    temperature_c: Option<f64>,
}

/// A whole turn of the chamber.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "evacuation_minutes": 1.180_68, "cycle_minutes": 2.180_68, "cycles": 3, "total_minutes": 6.542_03,
    "residual_oxygen_ppm": 0.201_388, "gas_nl": 138.387,
    "method": "pump-down at constant speed, t = (V/S)*ln((p0 - pu)/(p - pu))"
}))]
pub(super) struct AntechamberCycleAnswer {
    /// The first evacuation, min.
    evacuation_minutes: f64,
    /// The first cycle: evacuation, hold and refill, min.
    cycle_minutes: f64,
    /// Number of cycles.
    cycles: u32,
    /// All cycles, min; those after the first evacuate from the refill pressure.
    total_minutes: f64,
    /// Oxygen after the last refill, ppm, for gas free of oxygen and a load
    /// that gives off none.
    residual_oxygen_ppm: f64,
    /// Gas of all refills, litres at 0 °C and 1 atm.
    gas_nl: f64,
    /// How it was computed.
    method: &'static str,
}

/// A number of cycles; what is none is taken as 0, which the physics refuses
/// with the range that is allowed.
fn whole(cycles: f64) -> u32 {
    (1..=MOST_CYCLES).find(|count| f64::from(*count).total_cmp(&cycles).is_eq()).unwrap_or(0)
}

impl AntechamberCycleQuestion {
    fn goal(&self, check: &mut Check) -> Option<Goal> {
        let fields = ["cycles", "target_oxygen_ppm"];
        match either(check, fields, self.cycles, self.target_oxygen_ppm)? {
            Either::First(cycles) => {
                let count = whole(cycles);
                let detail =
                    format!("must be a whole number of cycles from 1 to {MOST_CYCLES}, not {cycles}");
                check.require(count > 0, "cycles", "cycles_out_of_range", detail);
                (count > 0).then_some(Goal::Cycles(count))
            }
            Either::Second(target) => check.field("target_oxygen_ppm", Ppm::new(target)).map(Goal::Oxygen),
        }
    }

    fn cycle(&self, check: &mut Check) -> Option<ChamberCycle> {
        let atmosphere = STANDARD_ATMOSPHERE_MBAR;
        let volume = needed(check, "volume_l", self.volume_l, Litres::new);
        let speed = needed(check, "pump_speed_m3_h", self.pump_speed_m3_h, CubicMetresPerHour::new);
        let ultimate = needed(check, "ultimate_mbar", self.ultimate_mbar, Millibar::new);
        let start = or(check, "start_mbar", self.start_mbar, atmosphere, Millibar::new);
        let evacuate_to = needed(check, "evacuate_to_mbar", self.evacuate_to_mbar, Millibar::new);
        let refill_to = or(check, "refill_to_mbar", self.refill_to_mbar, atmosphere, Millibar::new);
        let refill = needed(check, "refill_minutes", self.refill_minutes, Minutes::new);
        let hold = or(check, "hold_minutes", self.hold_minutes, 0.0, Minutes::new);
        let temperature = or(check, "temperature_c", self.temperature_c, ROOM_TEMPERATURE_C, Celsius::new);
        let cycle = ChamberCycle {
            volume: volume?,
            pump_speed: speed?,
            ultimate: ultimate?,
            start: start?,
            evacuate_to: evacuate_to?,
            refill_to: refill_to?,
            refill: refill?,
            hold: hold?,
            temperature: temperature?,
        };
        for fault in cycle.faults() {
            check.note(fault.violation());
        }
        Some(cycle)
    }
}

impl Calculation for AntechamberCycleQuestion {
    type Answer = AntechamberCycleAnswer;

    fn answer(&self) -> Result<AntechamberCycleAnswer, Violations> {
        let mut check = Check::default();
        let cycle = self.cycle(&mut check);
        let goal = self.goal(&mut check);
        let (cycle, goal) = check.build(cycle.zip(goal), |parts| parts)?;
        let turn = cycle.turn(goal).map_err(|error| error.violation())?;
        finite(&[("pump_speed_m3_h", turn.total_minutes)])?;
        Ok(AntechamberCycleAnswer {
            evacuation_minutes: turn.evacuation_minutes,
            cycle_minutes: turn.cycle_minutes,
            cycles: turn.cycles,
            total_minutes: turn.total_minutes,
            residual_oxygen_ppm: turn.residual_oxygen_ppm,
            gas_nl: turn.gas_nl,
            method: METHOD,
        })
    }
}
