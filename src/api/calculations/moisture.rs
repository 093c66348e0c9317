//! `moisture`: frost point, vapour pressure and ppmv, each from the other.

use super::Calculation;
use super::numbers::{Either, either, or};
use crate::domain::physics::moisture::{Humidity, MoistureError, Phase, moisture, vapour_pressure};
use crate::domain::physics::{Refusal as _, STANDARD_ATMOSPHERE_MBAR};
use crate::domain::quantity::{Celsius, Millibar, Ppm};
use crate::domain::violations::{Check, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What is known of the moisture in a gas.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"ppmv": 1.0}))]
pub(super) struct MoistureQuestion {
    /// Frost point, or dew point from 0.01 °C on, °C; -223.15 to 100. Exactly
    /// one of `frost_point_c` and `ppmv` is given.
    frost_point_c: Option<f64>,
    /// Water per million parts of the total, wet gas, by mole; more than zero.
    ppmv: Option<f64>,
    /// Total absolute pressure, mbar; up to 10000, and 1013.25 unless given.
    pressure_mbar: Option<f64>,
}

/// The moisture, said in every way.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "frost_point_c": -76.1857, "ppmv": 1.0, "vapour_pressure_pa": 0.101_325, "phase": "ice",
    "method": "over ice: IAPWS R14-08(2011), frost point"
}))]
pub(super) struct MoistureAnswer {
    /// Frost point; the dew point where `phase` is `liquid`, °C.
    frost_point_c: f64,
    /// Water per million parts of the total, wet gas, by mole.
    ppmv: f64,
    /// Partial pressure of water, Pa.
    vapour_pressure_pa: f64,
    /// What would deposit: `ice` or `liquid`.
    #[schema(pattern = "^(ice|liquid)$")]
    phase: &'static str,
    /// How it was computed.
    method: &'static str,
}

/// A pressure out of range hides what is wrong with the frost point: tell both.
fn refusal(known: Humidity, error: MoistureError) -> Violations {
    let hidden = match (error, known) {
        (MoistureError::Pressure { .. }, Humidity::FrostPoint(point)) => vapour_pressure(point).err(),
        _ => None,
    };
    let mut check = Check::default();
    for fault in [Some(error), hidden].into_iter().flatten() {
        check.note(fault.violation());
    }
    check.finish(|| ()).expect_err("an error was noted")
}

impl Calculation for MoistureQuestion {
    type Answer = MoistureAnswer;

    fn answer(&self) -> Result<MoistureAnswer, Violations> {
        let mut check = Check::default();
        let given = either(&mut check, ["frost_point_c", "ppmv"], self.frost_point_c, self.ppmv);
        let known = given.and_then(|given| match given {
            Either::First(point) => {
                check.field("frost_point_c", Celsius::new(point)).map(Humidity::FrostPoint)
            }
            Either::Second(ppmv) => check.field("ppmv", Ppm::new(ppmv)).map(Humidity::Ppmv),
        });
        let pressure =
            or(&mut check, "pressure_mbar", self.pressure_mbar, STANDARD_ATMOSPHERE_MBAR, Millibar::new);
        let (known, pressure) = check.build(known.zip(pressure), |parts| parts)?;
        let found = moisture(known, pressure).map_err(|error| refusal(known, error))?;
        Ok(MoistureAnswer {
            frost_point_c: found.frost_point_c,
            ppmv: found.ppmv,
            vapour_pressure_pa: found.vapour_pressure_pa,
            phase: match found.phase {
                Phase::Ice => "ice",
                Phase::Liquid => "liquid",
            },
            method: found.method,
        })
    }
}
