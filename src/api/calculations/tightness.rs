//! `tightness`: the leak rate and class that a pressure-change test shows.

use super::numbers::{finite, needed};
use super::{Calculation, CalculationCaution};
use crate::domain::physics::Refusal as _;
use crate::domain::physics::tightness::{Barometer, BoxState, PressureTest, Tightness};
use crate::domain::quantity::{Celsius, Minutes, Pascal};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A pressure-change test of a closed box.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "duration_min": 60.0, "start": {"pressure_pa": 102_325.0, "temperature_c": 20.0},
    "end": {"pressure_pa": 102_275.0, "temperature_c": 20.0}
}))]
pub(super) struct TightnessQuestion {
    /// Time between start and end, min; more than zero.
    #[schema(value_type = f64, required = true)]
    duration_min: Option<f64>,
    /// State at the start.
    #[schema(value_type = BoxStateForm, required = true)]
    start: Option<BoxStateForm>,
    /// State at the end.
    #[schema(value_type = BoxStateForm, required = true)]
    end: Option<BoxStateForm>,
    /// Barometer at both ends, to tell what the gauge alone would have shown.
    barometer: Option<BarometerForm>,
}

/// The gas in the box at one end of the test.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"pressure_pa": 102_325.0, "temperature_c": 20.0}))]
struct BoxStateForm {
    /// Absolute pressure, Pa: barometer plus gauge; 50000 to 150000.
    #[schema(value_type = f64, required = true)]
    pressure_pa: Option<f64>,
    /// Temperature of the gas, °C; -20 to 60.
    #[schema(value_type = f64, required = true)]
    temperature_c: Option<f64>,
}

/// The barometer at both ends of the test.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"start_pa": 101_325.0, "end_pa": 101_255.0}))]
struct BarometerForm {
    /// At the start, Pa; 50000 to 150000.
    #[schema(value_type = f64, required = true)]
    start_pa: Option<f64>,
    /// At the end, Pa; 50000 to 150000.
    #[schema(value_type = f64, required = true)]
    end_pa: Option<f64>,
}

/// What the test shows.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "hourly_leak_rate_per_h": 4.886_39e-4, "class": 1, "signed_rate_per_h": -4.886_39e-4,
    "uncorrected_rate_per_h": 4.886_39e-4, "correction_per_h": 0.0, "method": "pressure change",
    "cautions": [{"code": "not_a_certificate", "text": "Conformity needs the standard itself and a competent tester."}]
}))]
pub(super) struct TightnessAnswer {
    /// Fraction of the gas gained or lost in an hour.
    hourly_leak_rate_per_h: f64,
    /// Class after ISO 10648-2, 1 to 4; null for a box too leaky for any.
    class: Option<u8>,
    /// The rate with its sign: above zero when the box gained gas.
    signed_rate_per_h: f64,
    /// The rate without correction: of the gauge where the barometer is
    /// given, else of the absolute pressure.
    uncorrected_rate_per_h: f64,
    /// What temperature and barometer contributed to the signed rate.
    correction_per_h: f64,
    /// How it was found.
    method: &'static str,
    /// What to know before relying on it.
    cautions: Vec<CalculationCaution>,
}

fn state(given: Option<&BoxStateForm>) -> Result<BoxState, Violations> {
    let form = given.ok_or_else(|| Violation::new("", "missing_field", "must be given"))?;
    let mut check = Check::default();
    let pressure = needed(&mut check, "pressure_pa", form.pressure_pa, Pascal::new);
    let temperature = needed(&mut check, "temperature_c", form.temperature_c, Celsius::new);
    check.build(pressure.zip(temperature), |(pressure, temperature)| BoxState { pressure, temperature })
}

fn barometer(given: Option<&BarometerForm>) -> Result<Option<Barometer>, Violations> {
    let Some(form) = given else { return Ok(None) };
    let mut check = Check::default();
    let start = needed(&mut check, "start_pa", form.start_pa, Pascal::new);
    let end = needed(&mut check, "end_pa", form.end_pa, Pascal::new);
    check.build(start.zip(end), |(start, end)| Some(Barometer { start, end }))
}

/// Notes what of the parts given is outside the method's range; harmless
/// values stand in for the parts that were not, so that no fault hides another.
fn note_ranges(
    check: &mut Check,
    duration: Option<Minutes>,
    start: Option<BoxState>,
    end: Option<BoxState>,
    barometer: Option<Barometer>,
) {
    let harmless = BoxState {
        pressure: Pascal::new(101_325.0).expect("a constant within range"),
        temperature: Celsius::new(20.0).expect("a constant within range"),
    };
    let test = PressureTest {
        duration: duration.unwrap_or(Minutes::new(60.0).expect("a constant within range")),
        start: start.unwrap_or(harmless),
        end: end.unwrap_or(harmless),
        barometer,
    };
    for fault in test.faults() {
        check.note(fault.violation());
    }
}

/// What to know before relying on what a test shows.
pub(in crate::api) fn cautions(found: &Tightness) -> Vec<CalculationCaution> {
    let mut cautions = Vec::new();
    if found.correction_dominates {
        cautions.push(CalculationCaution {
            code: "correction_dominates",
            text: "The correction for temperature and barometer is no smaller than the leak found, so the \
                     result hangs on thermometer and barometer: repeat the test, longer or steadier.",
        });
    }
    if found.class.is_none() {
        cautions.push(CalculationCaution {
            code: "too_leaky_for_any_class",
            text: "The leak rate is above that of every class.",
        });
    }
    cautions.push(CalculationCaution {
        code: "not_a_certificate",
        text: "Conformity needs the standard itself and a competent tester.",
    });
    cautions
}

impl Calculation for TightnessQuestion {
    type Answer = TightnessAnswer;

    fn answer(&self) -> Result<TightnessAnswer, Violations> {
        let mut check = Check::default();
        let duration = needed(&mut check, "duration_min", self.duration_min, Minutes::new);
        let start = check.part("start", state(self.start.as_ref()));
        let end = check.part("end", state(self.end.as_ref()));
        let barometer = check.part("barometer", barometer(self.barometer.as_ref()));
        note_ranges(&mut check, duration, start, end, barometer.flatten());
        let parts = duration.zip(start).zip(end).zip(barometer);
        let test = check.build(parts, |(((duration, start), end), barometer)| PressureTest {
            duration,
            start,
            end,
            barometer,
        })?;
        let found = test.evaluate().map_err(|error| error.violation())?;
        finite(&[("duration_min", found.signed_rate_per_h), ("duration_min", found.correction_per_h)])?;
        Ok(TightnessAnswer {
            hourly_leak_rate_per_h: found.hourly_leak_rate_per_h,
            class: found.class.map(u8::from),
            signed_rate_per_h: found.signed_rate_per_h,
            uncorrected_rate_per_h: found.uncorrected_rate_per_h,
            correction_per_h: found.correction_per_h,
            method: found.method,
            cautions: cautions(&found),
        })
    }
}
