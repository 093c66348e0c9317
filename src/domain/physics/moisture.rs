//! Water in the box's gas: frost or dew point, vapour pressure and ppmv, each
//! from the other. Knows nothing of sensors.
//!
//! Over ice: the sublimation pressure of IAPWS R14-08(2011). Over liquid
//! water: the saturation pressure of IAPWS SR1-86(1992). Below the triple
//! point the temperature is always the *frost* point; over supercooled water
//! the vapour pressure would be higher (by 47 % at -40 °C).

use super::{Refusal, ZERO_CELSIUS_K, kelvin, root::increasing_root};
use crate::domain::quantity::{Celsius, Millibar, Pascal, Ppm};
use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// Coldest frost point answered for, °C: 50 K, where IAPWS R14-08 ends.
pub const COLDEST_C: f64 = -223.15;
/// Warmest dew point answered for, °C. The equation of IAPWS SR1-86 runs on
/// to the critical point, but gas near ambient pressure holds no more water
/// than this, and steam is no business of a glovebox.
pub const WARMEST_C: f64 = 100.0;
/// Highest total pressure answered for, mbar; above it the interaction of
/// water with the gas, which is neglected here, is no longer small.
pub const HIGHEST_PRESSURE_MBAR: f64 = 10_000.0;

/// How the answer was computed.
pub const METHOD: &str = "over ice: IAPWS R14-08(2011), frost point; over liquid water from 0.01 °C: \
     IAPWS SR1-86(1992), dew point; ppmv = 1e6 × vapour pressure / total pressure of the wet gas, \
     without enhancement factor";

const TRIPLE_POINT_K: f64 = 273.16;
const TRIPLE_POINT_PA: f64 = 611.657;
const CRITICAL_K: f64 = 647.096;
const CRITICAL_PA: f64 = 22.064e6;

/// How closely a frost point is found, K.
const ROOT_K: f64 = 1e-7;

/// Coefficient and exponent of each term of the sublimation pressure.
const ICE: [(f64, f64); 3] =
    [(-21.214_400_6, 0.003_333_333_33), (27.320_381_9, 1.206_666_67), (-6.105_981_30, 1.703_333_33)];

/// Coefficient and exponent of each term of the saturation pressure.
const LIQUID: [(f64, f64); 6] = [
    (-7.859_517_83, 1.0),
    (1.844_082_59, 1.5),
    (-11.786_649_7, 3.0),
    (22.680_741_1, 3.5),
    (-15.961_871_9, 4.0),
    (1.801_225_02, 7.5),
];

/// What is known of the moisture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Humidity {
    /// The frost point (from 0.01 °C: the dew point).
    FrostPoint(Celsius),
    /// The mole fraction of water in the wet gas.
    Ppmv(Ppm),
}

/// What the vapour would deposit as at its frost or dew point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// Ice: the temperature is a frost point.
    Ice,
    /// Liquid water: the temperature is a dew point.
    Liquid,
}

/// The moisture, said in every way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moisture {
    /// Frost point, or dew point where the phase is liquid, °C.
    pub frost_point_c: f64,
    /// Mole fraction of water in the wet gas, parts per million.
    pub ppmv: f64,
    /// Partial pressure of water, Pa.
    pub vapour_pressure_pa: f64,
    /// What would deposit.
    pub phase: Phase,
    /// How it was computed.
    pub method: &'static str,
}

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum MoistureError {
    /// Outside the range of the equations.
    #[error("{frost_point_c} °C is outside the {COLDEST_C} to {WARMEST_C} °C of the method")]
    FrostPoint {
        /// Temperature, °C.
        frost_point_c: f64,
    },
    /// A mole fraction whose frost point lies outside the range of the equations.
    #[error(
        "{ppmv} ppmv at this pressure has no frost or dew point from {COLDEST_C} to {WARMEST_C} °C; perfectly \
         dry gas has none at all"
    )]
    Ppmv {
        /// Mole fraction, ppm.
        ppmv: f64,
    },
    /// The vapour pressure at the dew point exceeds the pressure of the gas.
    #[error("water at {frost_point_c} °C has a vapour pressure above the total pressure of the gas")]
    AboveTotal {
        /// Temperature, °C.
        frost_point_c: f64,
    },
    /// No pressure, or one too high to neglect the gas.
    #[error("pressure must be above 0 and at most {HIGHEST_PRESSURE_MBAR} mbar, not {pressure_mbar}")]
    Pressure {
        /// Total pressure, mbar.
        pressure_mbar: f64,
    },
}

impl Coded for MoistureError {
    fn code(&self) -> &'static str {
        match self {
            Self::FrostPoint { .. } => "temperature_out_of_range",
            Self::Ppmv { .. } => "no_frost_point",
            Self::AboveTotal { .. } => "above_total_pressure",
            Self::Pressure { .. } => "pressure_out_of_range",
        }
    }
}

impl Refusal for MoistureError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::FrostPoint { .. } | Self::AboveTotal { .. } => "frost_point_c",
            Self::Ppmv { .. } => "ppmv",
            Self::Pressure { .. } => "pressure_mbar",
        }
        .into()
    }
}

/// The moisture in gas of a total pressure, in every way of saying it.
///
/// ```
/// use drykeep::domain::physics::moisture::{Humidity, moisture};
/// use drykeep::domain::quantity::{Millibar, Ppm};
/// let box_gas = moisture(Humidity::Ppmv(Ppm::new(1.0)?), Millibar::new(1013.25)?).unwrap();
/// assert!((box_gas.frost_point_c + 76.186).abs() < 0.001);
/// # Ok::<(), drykeep::domain::quantity::QuantityError>(())
/// ```
pub fn moisture(known: Humidity, pressure: Millibar) -> Result<Moisture, MoistureError> {
    let pressure_mbar = pressure.get();
    if pressure_mbar <= 0.0 || pressure_mbar > HIGHEST_PRESSURE_MBAR {
        return Err(MoistureError::Pressure { pressure_mbar });
    }
    let total_pa = pressure_mbar * 100.0;
    let (frost_point_c, vapour_pressure_pa, ppmv) = match known {
        Humidity::FrostPoint(point) => {
            let vapour_pa = vapour_pressure(point)?.get();
            if vapour_pa > total_pa {
                return Err(MoistureError::AboveTotal { frost_point_c: point.get() });
            }
            (point.get(), vapour_pa, 1e6 * (vapour_pa / total_pa))
        }
        Humidity::Ppmv(ppm) => {
            let vapour_pa = ppm.get() / 1e6 * total_pa;
            let frost_point_k = frost_point_k(vapour_pa).ok_or(MoistureError::Ppmv { ppmv: ppm.get() })?;
            (frost_point_k - ZERO_CELSIUS_K, vapour_pa, ppm.get())
        }
    };
    let phase = if vapour_pressure_pa < TRIPLE_POINT_PA { Phase::Ice } else { Phase::Liquid };
    Ok(Moisture { frost_point_c, ppmv, vapour_pressure_pa, phase, method: METHOD })
}

/// The vapour pressure of water at its frost or dew point.
pub fn vapour_pressure(frost_point: Celsius) -> Result<Pascal, MoistureError> {
    let frost_point_c = frost_point.get();
    if !(COLDEST_C..=WARMEST_C).contains(&frost_point_c) {
        return Err(MoistureError::FrostPoint { frost_point_c });
    }
    let pressure = ln_vapour_pressure(kelvin(frost_point)).exp();
    Ok(Pascal::new(pressure).expect("the equations are positive and finite within their range"))
}

/// Natural logarithm of the vapour pressure in Pa.
fn ln_vapour_pressure(temperature_k: f64) -> f64 {
    if temperature_k < TRIPLE_POINT_K {
        let theta = temperature_k / TRIPLE_POINT_K;
        let sum: f64 = ICE.iter().map(|(a, b)| a * theta.powf(*b)).sum();
        TRIPLE_POINT_PA.ln() + sum / theta
    } else {
        let tau = 1.0 - temperature_k / CRITICAL_K;
        let sum: f64 = LIQUID.iter().map(|(a, b)| a * tau.powf(*b)).sum();
        CRITICAL_PA.ln() + CRITICAL_K / temperature_k * sum
    }
}

/// The frost or dew point, K, of a vapour pressure; `None` out of range.
fn frost_point_k(vapour_pressure_pa: f64) -> Option<f64> {
    let (coldest, warmest) = (COLDEST_C + ZERO_CELSIUS_K, WARMEST_C + ZERO_CELSIUS_K);
    let wanted = vapour_pressure_pa.ln();
    if !(ln_vapour_pressure(coldest)..=ln_vapour_pressure(warmest)).contains(&wanted) {
        return None;
    }
    // The two equations differ by a ten-millionth at the triple point, the
    // liquid's being higher, so the whole curve increases.
    Some(increasing_root(coldest, warmest, ROOT_K, |t| ln_vapour_pressure(t) - wanted))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ATMOSPHERE: f64 = 1013.25;

    fn from_point(celsius: f64) -> Result<Moisture, MoistureError> {
        let point = Humidity::FrostPoint(Celsius::new(celsius).unwrap());
        moisture(point, Millibar::new(ATMOSPHERE).unwrap())
    }

    fn from_ppmv(ppmv: f64) -> Result<Moisture, MoistureError> {
        moisture(Humidity::Ppmv(Ppm::new(ppmv).unwrap()), Millibar::new(ATMOSPHERE).unwrap())
    }

    fn pascal(kelvin: f64) -> f64 {
        vapour_pressure(Celsius::new(kelvin - ZERO_CELSIUS_K).unwrap()).unwrap().get()
    }

    fn close(actual: f64, expected: f64, relative: f64) {
        assert!((actual / expected - 1.0).abs() <= relative, "{actual} is not {expected}");
    }

    #[test]
    fn sublimation_has_the_check_value_of_the_release() {
        // IAPWS R14-08(2011), check value at 230 K.
        close(pascal(230.0), 8.947_35, 1e-6);
    }

    #[test]
    fn saturation_agrees_with_the_industrial_formulation() {
        // IAPWS R7-97(2012), Table 35, 300 K; another equation, 4 in 100 000 away.
        close(pascal(300.0), 3_536.589_41, 5e-5);
        // iapws 1.5.5, the auxiliary equation of IAPWS-95, which is that of SR1-86.
        close(pascal(300.0), 3_536.717_586_5, 1e-9);
    }

    #[test]
    fn frost_points_correspond_to_known_mole_fractions() {
        // iapws 1.5.5 (IAPWS R14-08), 101 325 Pa.
        for (ppmv, celsius) in [(0.1, -89.751), (1.0, -76.186), (10.0, -60.480), (100.0, -42.075)] {
            let found = from_ppmv(ppmv).unwrap();
            assert!((found.frost_point_c - celsius).abs() < 6e-4, "{ppmv}: {found:?}");
            assert_eq!(found.phase, Phase::Ice);
        }
        // Computed from IAPWS R14-08(2011).
        close(from_point(-80.0).unwrap().ppmv, 0.541, 1e-3);
        close(from_point(-60.0).unwrap().ppmv, 10.67, 1e-3);
        close(from_point(-40.0).unwrap().ppmv, 126.7, 1e-3);
        close(from_point(-40.0).unwrap().vapour_pressure_pa, 12.84, 1e-3);
    }

    #[test]
    fn the_phase_changes_at_the_triple_point() {
        assert_eq!(from_point(0.0).unwrap().phase, Phase::Ice);
        assert_eq!(from_point(0.02).unwrap().phase, Phase::Liquid);
        // Both IAPWS equations start at the triple point, 611.657 Pa.
        close(pascal(273.159_999_999), 611.657, 1e-8);
        close(pascal(273.160_000_001), 611.657, 2e-7);
    }

    #[test]
    fn what_cannot_be_is_refused_by_field() {
        let refused = |answer: Result<Moisture, MoistureError>| {
            let error = answer.unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        assert_eq!(refused(from_point(-230.0)), is("frost_point_c", "temperature_out_of_range"));
        assert_eq!(refused(from_point(150.0)), is("frost_point_c", "temperature_out_of_range"));
        assert_eq!(refused(from_point(100.0)), is("frost_point_c", "above_total_pressure"));
        assert_eq!(refused(from_ppmv(0.0)), is("ppmv", "no_frost_point"));
        let vacuum = moisture(Humidity::Ppmv(Ppm::new(1.0).unwrap()), Millibar::new(0.0).unwrap());
        assert_eq!(refused(vacuum), is("pressure_mbar", "pressure_out_of_range"));
    }

    proptest! {
        #[test]
        fn a_frost_point_survives_the_way_through_ppmv(
            celsius in -150.0..99.0_f64, mbar in 1000.0..=HIGHEST_PRESSURE_MBAR,
        ) {
            let pressure = Millibar::new(mbar).unwrap();
            let there = moisture(Humidity::FrostPoint(Celsius::new(celsius).unwrap()), pressure).unwrap();
            let back = moisture(Humidity::Ppmv(Ppm::new(there.ppmv).unwrap()), pressure).unwrap();
            prop_assert!((back.frost_point_c - celsius).abs() <= 1e-6, "{back:?}");
        }

        #[test]
        fn wetter_gas_has_a_higher_frost_point(ppmv in 1e-6..500_000.0_f64, more in 1.001..2.0_f64) {
            let (dry, wet) = (from_ppmv(ppmv).unwrap(), from_ppmv(ppmv * more).unwrap());
            prop_assert!(wet.frost_point_c > dry.frost_point_c);
        }

        #[test]
        fn every_answer_is_a_number(
            celsius in -273.15..2000.0_f64, ppmv in 0.0..=1e6_f64, mbar in 0.0..1e6_f64,
        ) {
            let pressure = Millibar::new(mbar).unwrap();
            let point = Humidity::FrostPoint(Celsius::new(celsius).unwrap());
            for known in [point, Humidity::Ppmv(Ppm::new(ppmv).unwrap())] {
                if let Ok(found) = moisture(known, pressure) {
                    prop_assert!(found.frost_point_c.is_finite() && found.vapour_pressure_pa.is_finite());
                    prop_assert!((0.0..=1e6).contains(&found.ppmv));
                }
            }
        }
    }
}
