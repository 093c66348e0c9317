//! The answer of a calculation for a person: a line a field with its unit, in
//! the order in which they are wanted, then how it was computed and what to know.

use serde_json::{Map, Value};
use std::fmt::Write as _;

/// Fields in the order in which they are shown, with what they are called and
/// their unit.
const FIELDS: [(&str, &str, &str); 35] = [
    // cylinder-content
    ("moles", "amount of gas", "mol"),
    ("mass_kg", "mass", "kg"),
    ("volume_m3_15c_1bar", "volume at 15 °C, 1 bar", "m³"),
    ("volume_m3_0c_1atm", "volume at 0 °C, 1 atm", "m³"),
    ("compressibility", "compressibility", ""),
    ("ideal_gas_error_percent", "the ideal gas law would be off by", "%"),
    // antechamber-cycle
    ("cycles", "cycles", ""),
    ("total_minutes", "all cycles take", "min"),
    ("cycle_minutes", "the first cycle takes", "min"),
    ("evacuation_minutes", "of that, evacuating", "min"),
    ("residual_oxygen_ppm", "oxygen left", "ppm"),
    ("gas_nl", "gas used", "NL (0 °C, 1 atm)"),
    // purge
    ("minutes", "time", "min"),
    ("volume_changes", "volume changes", ""),
    ("gas_l", "gas used", "L (at box conditions)"),
    // moisture
    ("frost_point_c", "frost or dew point", "°C"),
    ("ppmv", "water", "ppm of the wet gas, by volume"),
    ("vapour_pressure_pa", "vapour pressure", "Pa"),
    ("phase", "what would form", ""),
    // tightness, air-ingress
    ("class", "class", "by ISO 10648-2"),
    ("ingress_ml_min", "air getting in", "mL/min"),
    ("standard_error_ml_min", "standard error", "mL/min"),
    ("distinguishable", "clear of its own error", ""),
    ("hourly_leak_rate_per_h", "hourly leak rate", "of the volume an hour"),
    ("signed_rate_per_h", "with its sign, above zero when gaining", "per hour"),
    ("uncorrected_rate_per_h", "without correction", "per hour"),
    ("correction_per_h", "temperature and barometer brought", "per hour"),
    // room-oxygen
    ("lowest_oxygen_percent", "lowest oxygen", "%"),
    ("below_19_5", "below 19.5 %", ""),
    ("mixed_oxygen_percent", "the same, well mixed", "%"),
    ("threshold_percent", "threshold used", "%"),
    ("below_threshold", "below that threshold", ""),
    ("hours_to_threshold_unventilated", "down to it, ventilation failed, in", "h"),
    // all
    ("method", "method", ""),
    ("cautions", "", ""),
];

/// Text is broken at this width.
const WIDTH: usize = 100;

/// The answer for a person.
pub(super) fn readable(answer: &Value) -> String {
    let none = Map::new();
    let fields = answer.as_object().unwrap_or(&none);
    let place = |name: &str| FIELDS.iter().position(|(known, _, _)| *known == name);
    let mut shown: Vec<(&String, &Value)> =
        fields.iter().filter(|(name, value)| *name != "cautions" && is_shown(name, value)).collect();
    shown.sort_by_key(|(name, _)| place(name).unwrap_or(FIELDS.len()));
    let label = |name: &str| {
        place(name).map_or_else(|| (name.replace('_', " "), ""), |at| (FIELDS[at].1.to_owned(), FIELDS[at].2))
    };
    let width = shown.iter().map(|(name, _)| label(name).0.chars().count()).max().unwrap_or(0);
    let mut text = String::new();
    for (name, value) in shown {
        let (label, unit) = label(name);
        let said = format!("{} {unit}", plain(name, value));
        for (number, line) in broken(said.trim_end(), WIDTH - width).iter().enumerate() {
            let label = if number == 0 { label.as_str() } else { "" };
            // Writing to a String cannot fail.
            let _written = writeln!(text, "{label:width$}  {line}");
        }
    }
    for caution in fields.get("cautions").and_then(Value::as_array).into_iter().flatten() {
        for (number, line) in
            broken(caution["text"].as_str().unwrap_or_default(), WIDTH - 2).iter().enumerate()
        {
            let _written = writeln!(text, "{} {line}", if number == 0 { '!' } else { ' ' });
        }
    }
    text
}

/// What is not known is left out, except a class that a box is too leaky for.
fn is_shown(name: &str, value: &Value) -> bool {
    name == "class" || !value.is_null()
}

/// A value with the digits that a person can use.
fn plain(name: &str, value: &Value) -> String {
    match value {
        Value::Null if name == "class" => "none of 1 to 4, being too leaky,".to_owned(),
        Value::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Value::String(text) => text.clone(),
        Value::Number(number) if number.is_f64() => figures(number.as_f64().unwrap_or(f64::NAN)),
        Value::Null | Value::Number(_) | Value::Array(_) | Value::Object(_) => value.to_string(),
    }
}

/// Five significant figures without needless noughts; a power of ten only
/// where the number is far from one. What is left of rounding is nought.
fn figures(number: f64) -> String {
    let size = number.abs();
    if size < 1e-15 {
        return "0".to_owned();
    }
    if !(1e-3..1e7).contains(&size) {
        return format!("{number:.4e}");
    }
    #[expect(clippy::cast_possible_truncation, reason = "between -3 and 7 by the check above")]
    let magnitude = size.log10().floor() as i32;
    let decimals = usize::try_from(4 - magnitude).unwrap_or(0);
    let text = format!("{number:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// The text in lines no longer than a width, where its words allow.
fn broken(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let line = lines.last_mut().expect("there is a line from the start");
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::api::calculations;
    use serde_json::json;

    #[test]
    fn people_are_shown_five_figures_and_the_unit() {
        let text =
            readable(&json!({"mass_kg": 17.888_888, "moles": 447.712, "compressibility": 0.937_123_4}));
        assert_eq!(
            text,
            "amount of gas    447.71 mol\nmass             17.889 kg\ncompressibility  0.93712\n"
        );
    }

    #[test]
    fn noughts_and_what_rounding_leaves_are_not_shown() {
        for (number, text) in [
            (19.5, "19.5"),
            (0.0, "0"),
            (2.96e-17, "0"),
            (-40.0, "-40"),
            (123_456.7, "123457"),
            (1.5e-5, "1.5000e-5"),
        ] {
            assert_eq!(figures(number), text);
        }
    }

    #[test]
    fn long_text_is_broken_under_itself() {
        let text = readable(&json!({"method": "word ".repeat(40).trim(), "cautions": [{"text": "beware"}]}));
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH + 2), "{text}");
        assert!(text.starts_with("method  word") && text.contains("\n        word"), "{text}");
        assert!(text.ends_with("! beware\n"));
    }

    #[test]
    fn a_box_too_leaky_for_any_class_is_told_so() {
        assert_eq!(
            readable(&json!({"class": null})),
            "class  none of 1 to 4, being too leaky, by ISO 10648-2\n"
        );
    }

    /// Every calculation says how it was computed, and every field has a name for people.
    #[test]
    fn every_field_of_every_answer_has_a_name_and_every_answer_a_method() {
        let questions = [
            ("cylinder-content", r#"{"gas":"argon","water_volume_l":50,"gauge_bar":200,"temperature_c":15}"#),
            (
                "antechamber-cycle",
                r#"{"volume_l":50,"pump_speed_m3_h":12,"ultimate_mbar":1,"evacuate_to_mbar":10,"refill_minutes":1,"cycles":3}"#,
            ),
            ("purge", r#"{"volume_l":1000,"flow_l_min":50,"from_ppm":209500,"to_ppm":100}"#),
            ("moisture", r#"{"ppmv":1}"#),
            (
                "tightness",
                r#"{"duration_min":60,"start":{"pressure_pa":102325,"temperature_c":20},"end":{"pressure_pa":102275,"temperature_c":20}}"#,
            ),
            (
                "air-ingress",
                r#"{"volume_l":1000,"readings":[{"minutes":0,"oxygen_ppm":1},{"minutes":30,"oxygen_ppm":6},{"minutes":60,"oxygen_ppm":12}]}"#,
            ),
            ("room-oxygen", r#"{"room_volume_m3":60,"released_m3":10.77}"#),
        ];
        assert_eq!(questions.len(), calculations::NAMES.len());
        for (name, question) in questions {
            let answer = calculations::calculate(name, question.as_bytes()).unwrap();
            for field in answer.as_object().unwrap().keys() {
                assert!(FIELDS.iter().any(|(known, _, _)| known == field), "{name}: {field} has no name");
            }
            let text = readable(&answer);
            assert!(text.contains("\nmethod"), "{name}: {text}");
        }
    }
}
