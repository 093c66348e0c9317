//! What the measured values of a leak test say: the hourly leak rate by the
//! pressure-change method, its class, and whether that is tight enough for
//! the site. Knows nothing of who tested or when.

use super::evidence::digits;
use crate::domain::physics::Refusal as _;
use crate::domain::physics::tightness::{
    Barometer, BoxState, PressureTest, Tightness, TightnessClass, TightnessError,
};
use crate::domain::quantity::{Celsius, Minutes, Pascal};
use crate::domain::violations::{Check, Coded as _, Violation, Violations};
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// Measured values, as JSON by name.
pub type Measured = BTreeMap<String, Value>;

/// What a leak test shows, beside what it was to show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeakFigure {
    /// Rate, class and correction.
    pub found: Tightness,
    /// The class that the box was to reach.
    pub required: TightnessClass,
}

impl LeakFigure {
    /// Works the figure out; `None` where the values hold no pressure-change
    /// test, all faults where they hold one that says nothing.
    pub fn of(measured: &Measured, required: TightnessClass) -> Result<Option<Self>, Violations> {
        let Some(read) = ReadTest::of(measured)? else { return Ok(None) };
        let found = read.test.evaluate().map_err(|error| read.violation(error))?;
        if !found.signed_rate_per_h.is_finite() {
            let detail = "so short a test says nothing of an hour";
            return Err(Violation::new("duration_min", "answer_out_of_range", detail).into());
        }
        Ok(Some(Self { found, required }))
    }

    /// Whether the box is in the class required or a better one.
    pub fn is_tight_enough(&self) -> bool {
        self.found.class.is_some_and(|class| class <= self.required)
    }

    /// The figure against what is required, in a sentence without its stop.
    pub fn sentence(&self) -> String {
        let class = self
            .found
            .class
            .map_or_else(|| "beyond every class".to_owned(), |class| format!("class {}", class.number()));
        let verdict = if self.is_tight_enough() { "within" } else { "worse than" };
        format!(
            "the hourly leak rate is {} 1/h ({class}), {verdict} the required class {}",
            digits(self.found.hourly_leak_rate_per_h),
            self.required.number()
        )
    }
}

/// A test as it was read from measured values.
struct ReadTest {
    test: PressureTest,
    /// Whether the pressures were given as gauge and barometer, by end.
    by_gauge: [bool; 2],
}

/// One end of a test as it was read.
struct ReadEnd {
    state: BoxState,
    barometer: Option<Pascal>,
    by_gauge: bool,
}

impl ReadTest {
    /// Values with a `start` or an `end` are meant as a pressure-change test,
    /// and must then hold a whole one.
    fn of(measured: &Measured) -> Result<Option<Self>, Violations> {
        if !measured.contains_key("start") && !measured.contains_key("end") {
            return Ok(None);
        }
        let mut check = Check::default();
        let duration = number(&mut check, "duration_min", measured.get("duration_min"));
        let duration = duration.and_then(|minutes| check.field("duration_min", Minutes::new(minutes)));
        let start = check.part("start", end(measured.get("start")));
        let end = check.part("end", end(measured.get("end")));
        if let (Some(start), Some(end)) = (&start, &end)
            && start.barometer.is_some() != end.barometer.is_some()
        {
            let missing = if start.barometer.is_none() { "start" } else { "end" };
            check.note(Violation::new(
                format!("{missing}.barometer_pa"),
                "missing_field",
                "the barometer is read at both ends or at neither",
            ));
        }
        let read = check.build(duration.zip(start).zip(end), |((duration, start), end)| Self {
            test: PressureTest {
                duration,
                start: start.state,
                end: end.state,
                barometer: start.barometer.zip(end.barometer).map(|(start, end)| Barometer { start, end }),
            },
            by_gauge: [start.by_gauge, end.by_gauge],
        })?;
        let faults = read.test.faults().into_iter().map(|fault| read.violation(fault)).collect();
        Violations::from_vec(faults).map_or(Ok(Some(read)), Err)
    }

    /// A refusal under the names that the values have here.
    fn violation(&self, error: TightnessError) -> Violation {
        let field = match (error.field().as_ref(), self.by_gauge) {
            ("start.pressure_pa", [true, _]) => "start.gauge_pa",
            ("end.pressure_pa", [_, true]) => "end.gauge_pa",
            ("barometer.start_pa", _) => "start.barometer_pa",
            ("barometer.end_pa", _) => "end.barometer_pa",
            (other, _) => return Violation::new(other, error.code(), error.to_string()),
        };
        Violation::new(field, error.code(), error.to_string())
    }
}

fn end(given: Option<&Value>) -> Result<ReadEnd, Violations> {
    let Some(Value::Object(fields)) = given else {
        let detail = "must hold temperature_c, and pressure_pa or gauge_pa with barometer_pa";
        let code = if given.is_none() { "missing_field" } else { "wrong_type" };
        return Err(Violation::new("", code, detail).into());
    };
    let mut check = Check::default();
    note_unknown(&mut check, fields);
    let temperature = number(&mut check, "temperature_c", fields.get("temperature_c"))
        .and_then(|celsius| check.field("temperature_c", Celsius::new(celsius)));
    let by_gauge = fields.contains_key("gauge_pa");
    let barometer = if by_gauge || fields.contains_key("barometer_pa") {
        number(&mut check, "barometer_pa", fields.get("barometer_pa"))
            .and_then(|pascal| check.field("barometer_pa", Pascal::new(pascal)))
    } else {
        None
    };
    if by_gauge && fields.contains_key("pressure_pa") {
        let detail = "give the absolute pressure or the gauge's, not both";
        check.note(Violation::new("gauge_pa", "excludes_each_other", detail));
    }
    let pressure = if by_gauge {
        number(&mut check, "gauge_pa", fields.get("gauge_pa"))
            .zip(barometer)
            .and_then(|(gauge, air)| check.field("gauge_pa", Pascal::new(air.get() + gauge)))
    } else {
        number(&mut check, "pressure_pa", fields.get("pressure_pa"))
            .and_then(|pascal| check.field("pressure_pa", Pascal::new(pascal)))
    };
    check.build(pressure.zip(temperature), |(pressure, temperature)| ReadEnd {
        state: BoxState { pressure, temperature },
        barometer,
        by_gauge,
    })
}

/// A misspelt barometer would otherwise be left out of account in silence.
fn note_unknown(check: &mut Check, fields: &Map<String, Value>) {
    const KNOWN: [&str; 4] = ["pressure_pa", "gauge_pa", "barometer_pa", "temperature_c"];
    for name in fields.keys().filter(|name| !KNOWN.contains(&name.as_str())) {
        let detail = format!("is none of {}", KNOWN.join(", "));
        check.note(Violation::new(name.as_str(), "unknown_field", detail));
    }
}

fn number(check: &mut Check, field: &str, given: Option<&Value>) -> Option<f64> {
    let found = given.and_then(Value::as_f64);
    if found.is_none() {
        let code = if given.is_none() { "missing_field" } else { "wrong_type" };
        check.note(Violation::new(field, code, "must be given as a number"));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn measured(value: Value) -> Measured {
        serde_json::from_value(value).unwrap()
    }

    fn figure(value: Value, required: TightnessClass) -> LeakFigure {
        LeakFigure::of(&measured(value), required).unwrap().unwrap()
    }

    fn faults(value: Value) -> Vec<(String, &'static str)> {
        let faults = LeakFigure::of(&measured(value), TightnessClass::Three).unwrap_err();
        faults.into_vec().into_iter().map(|fault| (fault.field, fault.code)).collect()
    }

    /// Exact: 50 Pa of 102 325 Pa lost in an hour are 4.886e-4 1/h, class 1
    /// (limits of ISO 10648-2 from memory).
    #[test]
    fn absolute_pressures_give_rate_and_class() {
        let tight = json!({
            "duration_min": 60, "start": {"pressure_pa": 102_325, "temperature_c": 20.0},
            "end": {"pressure_pa": 102_275, "temperature_c": 20.0}
        });
        let found = figure(tight, TightnessClass::One);
        assert!((found.found.hourly_leak_rate_per_h - 50.0 / 102_325.0).abs() < 1e-12);
        assert!(found.is_tight_enough());
        assert_eq!(
            found.sentence(),
            "the hourly leak rate is 0.000489 1/h (class 1), within the required class 1"
        );
    }

    /// Exact: the same box by gauge and barometer; barometer 101 325 → 101 255 Pa,
    /// gauge -1000 → -930 Pa, 295.15 → 295.05 K: |295.15/295.05 - 1| = 3.389e-4 1/h,
    /// all of it correction.
    #[test]
    fn gauge_and_barometer_are_added_up_and_the_correction_is_said() {
        let found = figure(
            json!({
                "duration_min": 60, "note": "by night",
                "start": {"gauge_pa": -1000.0, "barometer_pa": 101_325.0, "temperature_c": 22.0},
                "end": {"gauge_pa": -930.0, "barometer_pa": 101_255.0, "temperature_c": 21.9}
            }),
            TightnessClass::Three,
        );
        assert!((found.found.hourly_leak_rate_per_h - (295.15 / 295.05 - 1.0)).abs() < 1e-12);
        assert!((found.found.uncorrected_rate_per_h - 70.0 / 100_325.0).abs() < 1e-12);
        assert!(found.found.correction_dominates);
    }

    /// Exact: 1 % of the gas in half an hour is 0.02 1/h, class 4; 11 % in an
    /// hour is beyond every class.
    #[test]
    fn a_leaky_box_is_not_tight_enough() {
        let lost = |minutes: i32, end_pa: f64| {
            figure(
                json!({
                    "duration_min": minutes, "start": {"pressure_pa": 100_000.0, "temperature_c": 20.0},
                    "end": {"pressure_pa": end_pa, "temperature_c": 20.0}
                }),
                TightnessClass::Three,
            )
        };
        let leaky = lost(30, 99_000.0);
        assert_eq!(leaky.found.class, Some(TightnessClass::Four));
        assert!(!leaky.is_tight_enough());
        assert!(LeakFigure { required: TightnessClass::Four, ..leaky }.is_tight_enough());
        let open = lost(60, 89_000.0);
        assert!(!LeakFigure { required: TightnessClass::Four, ..open }.is_tight_enough());
        assert!(open.sentence().contains("beyond every class"), "{}", open.sentence());
    }

    #[test]
    fn other_values_are_no_pressure_test() {
        let other = measured(json!({ "duration_min": 60, "helium_mbar_l_s": 2e-6 }));
        assert_eq!(LeakFigure::of(&other, TightnessClass::Three), Ok(None));
    }

    #[test]
    fn half_a_test_is_refused_with_every_fault() {
        let start = json!({ "pressure_pa": "high", "temperature_c": 20.0, "barometre_pa": 101_325 });
        assert_eq!(
            faults(json!({ "duration_min": 60, "start": start })),
            [
                ("start.barometre_pa".to_owned(), "unknown_field"),
                ("start.pressure_pa".to_owned(), "wrong_type"),
                ("end".to_owned(), "missing_field")
            ]
        );
        let end = |gauge: f64| json!({ "gauge_pa": gauge, "barometer_pa": 101_325.0, "temperature_c": 20.0 });
        let absolute = json!({ "pressure_pa": 101_325.0, "temperature_c": 20.0 });
        assert_eq!(
            faults(json!({ "duration_min": 0, "start": end(-80_000.0), "end": end(0.0) })),
            [
                ("duration_min".to_owned(), "no_duration"),
                ("start.gauge_pa".to_owned(), "pressure_out_of_range")
            ]
        );
        assert_eq!(
            faults(json!({ "duration_min": 60, "start": absolute, "end": end(0.0) })),
            [("start.barometer_pa".to_owned(), "missing_field")]
        );
    }
}
