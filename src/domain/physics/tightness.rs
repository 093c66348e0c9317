//! The tightness of a box from a pressure-change test. Knows nothing of who
//! tested or when.
//!
//! Hourly leak rate `T_f = (60/t)·|p_end·T_start/(p_start·T_end) − 1|` from
//! absolute pressures and temperatures, t in minutes: the fraction of the
//! gas gained or lost in an hour, corrected for temperature and barometer.
//! Classes after ISO 10648-2. The limits are quoted from memory and agree
//! with the table that a glovebox maker prints in a public manual; the
//! standard itself was not read.

use super::{Refusal, kelvin};
use crate::domain::quantity::{Celsius, Minutes, Pascal};
use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// Lowest absolute pressure of a test, Pa. No box is tested near vacuum: less
/// is a gauge pressure in the wrong field.
pub const LOWEST_PRESSURE_PA: f64 = 50_000.0;
/// Highest absolute pressure of a test, Pa.
pub const HIGHEST_PRESSURE_PA: f64 = 150_000.0;
/// Coldest test, °C.
pub const COLDEST_C: f64 = -20.0;
/// Warmest test, °C.
pub const WARMEST_C: f64 = 60.0;

/// How the rate and class were found, and what they are not.
pub const METHOD: &str = "pressure change, absolute pressures, corrected for temperature; class limits of ISO \
     10648-2 as quoted from memory. Conformity needs the standard itself and a competent tester";

/// The state of the gas in the box at one end of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoxState {
    /// Absolute pressure: barometer plus gauge.
    pub pressure: Pascal,
    /// Temperature of the gas.
    pub temperature: Celsius,
}

/// Barometer readings at both ends of the test, to tell how much of the
/// result the gauge alone would have shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Barometer {
    /// At the start.
    pub start: Pascal,
    /// At the end.
    pub end: Pascal,
}

/// A pressure-change test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureTest {
    /// Time between the two states.
    pub duration: Minutes,
    /// State at the start.
    pub start: BoxState,
    /// State at the end.
    pub end: BoxState,
    /// Ambient pressure, where it was read.
    pub barometer: Option<Barometer>,
}

/// Tightness class after ISO 10648-2 (limits from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum TightnessClass {
    /// At most 5·10⁻⁴ an hour.
    One,
    /// Below 2.5·10⁻³ an hour.
    Two,
    /// Below 10⁻² an hour.
    Three,
    /// Below 10⁻¹ an hour.
    Four,
}

impl TightnessClass {
    /// The class of an hourly leak rate; `None` for one too leaky for any.
    pub fn of(hourly_leak_rate_per_h: f64) -> Option<Self> {
        match hourly_leak_rate_per_h {
            rate if rate <= 5e-4 => Some(Self::One),
            rate if rate < 2.5e-3 => Some(Self::Two),
            rate if rate < 1e-2 => Some(Self::Three),
            rate if rate < 1e-1 => Some(Self::Four),
            _ => None,
        }
    }

    /// The class's limit, a fraction of the box's volume an hour (from memory).
    pub const fn limit_per_h(self) -> f64 {
        match self {
            Self::One => 5e-4,
            Self::Two => 2.5e-3,
            Self::Three => 1e-2,
            Self::Four => 1e-1,
        }
    }

    /// The class's number.
    pub const fn number(self) -> u8 {
        match self {
            Self::One => 1,
            Self::Two => 2,
            Self::Three => 3,
            Self::Four => 4,
        }
    }
}

impl From<TightnessClass> for u8 {
    fn from(class: TightnessClass) -> Self {
        class.number()
    }
}

impl TryFrom<u8> for TightnessClass {
    type Error = &'static str;
    fn try_from(number: u8) -> Result<Self, Self::Error> {
        [Self::One, Self::Two, Self::Three, Self::Four]
            .into_iter()
            .find(|class| class.number() == number)
            .ok_or("a tightness class is a number from 1 to 4")
    }
}

/// What the test says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tightness {
    /// Fraction of the gas gained or lost in an hour.
    pub hourly_leak_rate_per_h: f64,
    /// The same with its sign: positive when the box gained gas.
    pub signed_rate_per_h: f64,
    /// The rate that the uncorrected readings alone would have shown: of the
    /// gauge where the barometer is known, else of the absolute pressure.
    pub uncorrected_rate_per_h: f64,
    /// What temperature and barometer contributed to the signed rate.
    pub correction_per_h: f64,
    /// Whether the correction is no smaller than the leak found, so that the
    /// result hangs on thermometer and barometer: repeat it, longer or steadier.
    pub correction_dominates: bool,
    /// Class, or none when the box is too leaky for any.
    pub class: Option<TightnessClass>,
    /// How it was found.
    pub method: &'static str,
}

/// Which end of the test a fault belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The start.
    Start,
    /// The end.
    End,
}

impl End {
    const fn name(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::End => "end",
        }
    }
}

/// Why the test says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum TightnessError {
    /// A test without length.
    #[error("the test must last longer than 0 min")]
    NoDuration,
    /// No absolute pressure of a box under test.
    #[error(
        "an absolute pressure from {LOWEST_PRESSURE_PA} to {HIGHEST_PRESSURE_PA} Pa is expected, not \
         {pressure_pa}: add the barometer to the gauge"
    )]
    Pressure {
        /// Which end.
        end: End,
        /// Pressure, Pa.
        pressure_pa: f64,
    },
    /// No temperature of a box under test.
    #[error("the temperature must be from {COLDEST_C} to {WARMEST_C} °C, not {temperature_c}")]
    Temperature {
        /// Which end.
        end: End,
        /// Temperature, °C.
        temperature_c: f64,
    },
    /// No ambient pressure.
    #[error(
        "the barometer must read from {LOWEST_PRESSURE_PA} to {HIGHEST_PRESSURE_PA} Pa, not {pressure_pa}"
    )]
    Barometer {
        /// Which end.
        end: End,
        /// Pressure, Pa.
        pressure_pa: f64,
    },
}

impl Coded for TightnessError {
    fn code(&self) -> &'static str {
        match self {
            Self::NoDuration => "no_duration",
            Self::Pressure { .. } => "pressure_out_of_range",
            Self::Temperature { .. } => "temperature_out_of_range",
            Self::Barometer { .. } => "barometer_out_of_range",
        }
    }
}

impl Refusal for TightnessError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::NoDuration => "duration_min".into(),
            Self::Pressure { end, .. } => format!("{}.pressure_pa", end.name()).into(),
            Self::Temperature { end, .. } => format!("{}.temperature_c", end.name()).into(),
            Self::Barometer { end, .. } => format!("barometer.{}_pa", end.name()).into(),
        }
    }
}

impl PressureTest {
    /// The leak rate and class that the test shows.
    pub fn evaluate(&self) -> Result<Tightness, TightnessError> {
        if let Some(fault) = self.faults().into_iter().next() {
            return Err(fault);
        }
        let per_hour = 60.0 / self.duration.get();
        let (start, end) = (self.start, self.end);
        let (start_pa, end_pa) = (start.pressure.get(), end.pressure.get());
        let kept = end_pa * kelvin(start.temperature) / (start_pa * kelvin(end.temperature));
        let signed_rate_per_h = per_hour * (kept - 1.0);
        // What a gauge shows is the change of the difference to ambient.
        let ambient_change = self.barometer.map_or(0.0, |air| air.end.get() - air.start.get());
        let uncorrected = per_hour * (end_pa - ambient_change - start_pa) / start_pa;
        let correction_per_h = signed_rate_per_h - uncorrected;
        let hourly_leak_rate_per_h = signed_rate_per_h.abs();
        Ok(Tightness {
            hourly_leak_rate_per_h,
            signed_rate_per_h,
            uncorrected_rate_per_h: uncorrected.abs(),
            correction_per_h,
            // The hair decides the tie, where all of the leak is correction, towards the warning.
            correction_dominates: correction_per_h != 0.0
                && correction_per_h.abs() >= hourly_leak_rate_per_h * (1.0 - 1e-9),
            class: TightnessClass::of(hourly_leak_rate_per_h),
            method: METHOD,
        })
    }

    /// Everything that keeps the test from saying anything; empty when
    /// [`evaluate`](Self::evaluate) answers.
    pub fn faults(&self) -> Vec<TightnessError> {
        let mut faults = Vec::new();
        if self.duration.get() <= 0.0 {
            faults.push(TightnessError::NoDuration);
        }
        for (end, state) in [(End::Start, self.start), (End::End, self.end)] {
            let pressure_pa = state.pressure.get();
            if !is_near_ambient(pressure_pa) {
                faults.push(TightnessError::Pressure { end, pressure_pa });
            }
            let temperature_c = state.temperature.get();
            if !(COLDEST_C..=WARMEST_C).contains(&temperature_c) {
                faults.push(TightnessError::Temperature { end, temperature_c });
            }
        }
        if let Some(air) = self.barometer {
            for (end, pressure) in [(End::Start, air.start), (End::End, air.end)] {
                let pressure_pa = pressure.get();
                if !is_near_ambient(pressure_pa) {
                    faults.push(TightnessError::Barometer { end, pressure_pa });
                }
            }
        }
        faults
    }
}

fn is_near_ambient(pressure_pa: f64) -> bool {
    (LOWEST_PRESSURE_PA..=HIGHEST_PRESSURE_PA).contains(&pressure_pa)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn test(start: (f64, f64), end: (f64, f64)) -> PressureTest {
        let state = |(pa, celsius)| BoxState {
            pressure: Pascal::new(pa).unwrap(),
            temperature: Celsius::new(celsius).unwrap(),
        };
        PressureTest {
            duration: Minutes::new(60.0).unwrap(),
            start: state(start),
            end: state(end),
            barometer: None,
        }
    }

    #[test]
    fn a_steady_temperature_leaves_the_pressure_alone() {
        // Exact: 50 Pa of 102 325 Pa lost in an hour.
        let found = test((102_325.0, 20.0), (102_275.0, 20.0)).evaluate().unwrap();
        assert!((found.hourly_leak_rate_per_h - 50.0 / 102_325.0).abs() < 1e-12, "{found:?}");
        assert!((found.hourly_leak_rate_per_h - 4.89e-4).abs() < 5e-7);
        assert!(found.signed_rate_per_h < 0.0);
        assert_eq!(found.class, Some(TightnessClass::One));
        assert!(!found.correction_dominates);
    }

    #[test]
    fn barometer_and_temperature_are_corrected_for_and_said() {
        // Exact: barometer 101 325 → 101 255 Pa, gauge -1000 → -930 Pa, 295.15 → 295.05 K.
        let pascal = |value| Pascal::new(value).unwrap();
        let barometer = Some(Barometer { start: pascal(101_325.0), end: pascal(101_255.0) });
        let test = PressureTest { barometer, ..test((100_325.0, 22.0), (100_325.0, 21.9)) };
        let found = test.evaluate().unwrap();
        assert!((found.hourly_leak_rate_per_h - 3.389e-4).abs() < 5e-8, "{found:?}");
        // The gauge alone says twice that.
        assert!((found.uncorrected_rate_per_h - 70.0 / 100_325.0).abs() < 1e-12, "{found:?}");
        assert!(found.correction_dominates);
        // Without the barometer all of it is temperature: warned of just the same.
        assert!(PressureTest { barometer: None, ..test }.evaluate().unwrap().correction_dominates);
    }

    #[test]
    fn a_tenth_of_a_kelvin_is_worth_34_pascal() {
        // Exact: 101 325 Pa · 0.1 K / 295.15 K.
        let drift = test((101_325.0, 22.0), (101_325.0, 22.1)).evaluate().unwrap();
        assert!((drift.hourly_leak_rate_per_h * 101_325.0 - 34.3).abs() < 0.1, "{drift:?}");
    }

    #[test]
    fn classes_end_where_the_table_ends_them() {
        // ISO 10648-2, limits from memory, agreeing with a printed manual's table.
        let table = [(5e-4, Some(1)), (5.01e-4, Some(2)), (2.5e-3, Some(3)), (1e-2, Some(4)), (1e-1, None)];
        for (rate, number) in table {
            assert_eq!(TightnessClass::of(rate).map(TightnessClass::number), number, "{rate}");
        }
    }

    #[test]
    fn readings_that_cannot_be_are_refused_by_field() {
        let refused = |test: PressureTest| {
            let error = test.evaluate().unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        let good = (101_325.0, 20.0);
        let gauge = test(good, (1000.0, 20.0));
        assert_eq!(refused(gauge), is("end.pressure_pa", "pressure_out_of_range"));
        let cold = test((101_325.0, -200.0), good);
        assert_eq!(refused(cold), is("start.temperature_c", "temperature_out_of_range"));
        let instant = PressureTest { duration: Minutes::new(0.0).unwrap(), ..test(good, good) };
        assert_eq!(refused(instant), is("duration_min", "no_duration"));
    }

    proptest! {
        #[test]
        fn a_sealed_box_has_no_leak_at_any_temperature(t0 in -19.0..59.0_f64, t1 in -19.0..59.0_f64) {
            let end_pa = 100_000.0 * (t1 + 273.15) / (t0 + 273.15);
            let found = test((100_000.0, t0), (end_pa, t1)).evaluate().unwrap();
            prop_assert!(found.hourly_leak_rate_per_h < 1e-12, "{found:?}");
        }
    }
}
