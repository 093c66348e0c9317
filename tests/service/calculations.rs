//! Calculations asked with what cannot be: each fault is answered with its
//! field and why, never with a number and never with a failure.

use crate::world::{Answer, Client, World};
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// A question of each calculation that can be answered, with every field it may have.
fn questions() -> Vec<(&'static str, Value)> {
    let state = |pascal: f64| json!({ "pressure_pa": pascal, "temperature_c": 20.0 });
    vec![
        (
            "cylinder-content",
            json!({
                "components": { "argon": 0.95, "hydrogen": 0.05 }, "water_volume_l": 50.0, "gauge_bar": 150.0,
                "temperature_c": 20.0, "ambient_bar": 1.0
            }),
        ),
        (
            "antechamber-cycle",
            json!({
                "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05, "start_mbar": 1000.0,
                "evacuate_to_mbar": 1.0, "refill_to_mbar": 1000.0, "refill_minutes": 1.5, "hold_minutes": 2.0,
                "cycles": 3, "temperature_c": 20.0
            }),
        ),
        (
            "purge",
            json!({
                "volume_l": 1000.0, "flow_l_min": 50.0, "from_ppm": 209_500.0, "to_ppm": 100.0, "supply_ppm": 2.0,
                "mixing": 0.8
            }),
        ),
        ("moisture", json!({ "ppmv": 1.0, "pressure_mbar": 1000.0 })),
        ("tightness", json!({ "duration_min": 60.0, "start": state(102_325.0), "end": state(102_275.0) })),
        (
            "air-ingress",
            json!({ "volume_l": 1000.0, "readings": [
                { "minutes": 0.0, "oxygen_ppm": 1.0 }, { "minutes": 30.0, "oxygen_ppm": 6.0 },
                { "minutes": 60.0, "oxygen_ppm": 12.0 }
            ] }),
        ),
        (
            "room-oxygen",
            json!({
                "room_volume_m3": 60.0, "release_m3_h": 6.0, "air_changes_per_hour": 6.0, "threshold_percent": 19.0
            }),
        ),
    ]
}

/// Where a question's numbers are: as JSON pointer, and as violations name them.
fn numbers(value: &Value, pointer: &str, field: &str, found: &mut Vec<(String, String)>) {
    match value {
        Value::Number(_) => found.push((pointer.to_owned(), field.to_owned())),
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                numbers(item, &format!("{pointer}/{index}"), &format!("{field}[{index}]"), found);
            }
        }
        Value::Object(fields) => {
            for (name, item) in fields {
                let path = if field.is_empty() { name.clone() } else { format!("{field}.{name}") };
                numbers(item, &format!("{pointer}/{name}"), &path, found);
            }
        }
        Value::Null | Value::Bool(_) | Value::String(_) => {}
    }
}

/// The question as text, with something in a number's place that is no JSON value of its own perhaps.
fn with(question: &Value, pointer: &str, text: &str) -> String {
    let mut question = question.clone();
    *question.pointer_mut(pointer).unwrap() = json!("@");
    question.to_string().replace("\"@\"", text)
}

fn ask(client: &Client, name: &str, body: &str) -> Answer {
    let headers = [("content-type", "application/json")];
    client.send("POST", &format!("/api/v1/calculations/{name}"), &headers, Some(body.as_bytes()))
}

/// Fails unless the field is refused with a code and a sentence.
#[track_caller]
fn refuses(answer: &Answer, field: &str, about: &str) {
    let problem = answer.is_problem(422, "invalid-input");
    let violations = problem["violations"].as_array().unwrap();
    let named = violations.iter().find(|one| {
        let named = one["field"].as_str().unwrap();
        // What is wrong with one component is wrong with the mixture.
        named == field || (named == "components" && field.starts_with("components."))
    });
    let named = named.unwrap_or_else(|| panic!("{about}: {field} is not named: {}", answer.text));
    assert!(!named["code"].as_str().unwrap().is_empty() && !named["detail"].as_str().unwrap().is_empty());
}

#[test]
fn what_is_no_number_is_refused_in_every_field_of_every_calculation() {
    let world = World::sqlite();
    let client = world.keeper();
    for (name, question) in questions() {
        ask(&client, name, &question.to_string()).is(200);
        let mut found = Vec::new();
        numbers(&question, "", "", &mut found);
        assert!(found.len() >= 2, "{name}");
        for (pointer, field) in found {
            for nonsense in ["\"12\"", "true", "[]", "{}", "1e999", "-1e999", "NaN", "Infinity"] {
                let answer = ask(&client, name, &with(&question, &pointer, nonsense));
                refuses(&answer, &field, &format!("{name} with {nonsense}"));
            }
        }
    }
}

#[test]
fn what_must_be_given_is_not_given_by_null() {
    let world = World::sqlite();
    let client = world.keeper();
    let optional = [
        "ambient_bar",
        "start_mbar",
        "refill_to_mbar",
        "hold_minutes",
        "supply_ppm",
        "mixing",
        "pressure_mbar",
        "air_changes_per_hour",
        "threshold_percent",
    ];
    for (name, question) in questions() {
        let mut found = Vec::new();
        numbers(&question, "", "", &mut found);
        for (pointer, field) in found {
            let answer = ask(&client, name, &with(&question, &pointer, "null"));
            let chamber = name == "antechamber-cycle" && field == "temperature_c";
            if optional.contains(&field.as_str()) || chamber {
                answer.is(200);
            } else {
                refuses(&answer, &field, &format!("{name} without {field}"));
            }
        }
    }
}

/// Each question with one field changed to what cannot be, or is outside the method.
#[test]
fn what_cannot_be_is_refused_with_its_field() {
    let cases = [
        ("cylinder-content", "/water_volume_l", "0", "water_volume_l"),
        ("cylinder-content", "/water_volume_l", "-50", "water_volume_l"),
        ("cylinder-content", "/gauge_bar", "-1.01", "gauge_bar"),
        ("cylinder-content", "/gauge_bar", "340.5", "gauge_bar"),
        ("cylinder-content", "/temperature_c", "-21", "temperature_c"),
        ("cylinder-content", "/temperature_c", "61", "temperature_c"),
        ("cylinder-content", "/temperature_c", "-300", "temperature_c"),
        ("cylinder-content", "/ambient_bar", "0", "ambient_bar"),
        ("cylinder-content", "/components", "{}", "components"),
        ("cylinder-content", "/components", "{\"argon\":0.9}", "components"),
        ("cylinder-content", "/components", "{\"argon\":1.2,\"hydrogen\":-0.2}", "components.argon"),
        ("cylinder-content", "/components", "{\"unobtainium\":1}", "components.unobtainium"),
        ("antechamber-cycle", "/volume_l", "0", "volume_l"),
        ("antechamber-cycle", "/pump_speed_m3_h", "0", "pump_speed_m3_h"),
        ("antechamber-cycle", "/pump_speed_m3_h", "-12", "pump_speed_m3_h"),
        // The pump does not reach it, or not in any time.
        ("antechamber-cycle", "/evacuate_to_mbar", "0.04", "evacuate_to_mbar"),
        ("antechamber-cycle", "/evacuate_to_mbar", "0.05", "evacuate_to_mbar"),
        ("antechamber-cycle", "/ultimate_mbar", "-0.1", "ultimate_mbar"),
        ("antechamber-cycle", "/refill_minutes", "-1", "refill_minutes"),
        ("antechamber-cycle", "/hold_minutes", "-1", "hold_minutes"),
        ("antechamber-cycle", "/cycles", "0", "cycles"),
        ("antechamber-cycle", "/cycles", "-3", "cycles"),
        ("antechamber-cycle", "/cycles", "2.5", "cycles"),
        ("antechamber-cycle", "/temperature_c", "-280", "temperature_c"),
        ("purge", "/volume_l", "0", "volume_l"),
        ("purge", "/flow_l_min", "0", "flow_l_min"),
        // Gas with 2 ppm in it never brings a box to 1 ppm, nor to 2.
        ("purge", "/to_ppm", "1", "to_ppm"),
        ("purge", "/to_ppm", "2", "to_ppm"),
        ("purge", "/from_ppm", "-1", "from_ppm"),
        ("purge", "/from_ppm", "1000001", "from_ppm"),
        ("purge", "/mixing", "0", "mixing"),
        ("purge", "/mixing", "1.1", "mixing"),
        ("moisture", "/ppmv", "-1", "ppmv"),
        ("moisture", "/pressure_mbar", "0", "pressure_mbar"),
        ("tightness", "/duration_min", "0", "duration_min"),
        // The end before the start.
        ("tightness", "/duration_min", "-60", "duration_min"),
        ("tightness", "/start/pressure_pa", "0", "start.pressure_pa"),
        ("tightness", "/start/pressure_pa", "-1000", "start.pressure_pa"),
        ("tightness", "/end/temperature_c", "-273.15", "end.temperature_c"),
        ("air-ingress", "/volume_l", "0", "volume_l"),
        ("air-ingress", "/readings", "[]", "readings"),
        ("air-ingress", "/readings", "[{\"minutes\":0,\"oxygen_ppm\":1}]", "readings"),
        (
            "air-ingress",
            "/readings",
            "[{\"minutes\":5,\"oxygen_ppm\":1},{\"minutes\":5,\"oxygen_ppm\":2}]",
            "readings",
        ),
        ("air-ingress", "/readings/1/minutes", "-1", "readings[1].minutes"),
        ("air-ingress", "/readings/1/oxygen_ppm", "-1", "readings[1].oxygen_ppm"),
        ("air-ingress", "/readings/1/oxygen_ppm", "209500", "readings[1].oxygen_ppm"),
        ("room-oxygen", "/room_volume_m3", "0", "room_volume_m3"),
        ("room-oxygen", "/release_m3_h", "0", "release_m3_h"),
        ("room-oxygen", "/release_m3_h", "-6", "release_m3_h"),
        ("room-oxygen", "/air_changes_per_hour", "-1", "air_changes_per_hour"),
        ("room-oxygen", "/threshold_percent", "0", "threshold_percent"),
        ("room-oxygen", "/threshold_percent", "20.95", "threshold_percent"),
    ];
    let world = World::sqlite();
    let client = world.keeper();
    let questions = questions();
    for (name, pointer, text, field) in cases {
        let (_, question) = questions.iter().find(|(known, _)| *known == name).unwrap();
        refuses(
            &ask(&client, name, &with(question, pointer, text)),
            field,
            &format!("{name}, {field} = {text}"),
        );
    }
}

/// By definition of least squares: equal readings have no slope and no error,
/// and the order in which readings are listed does not matter.
#[test]
fn equal_readings_show_no_ingress_and_reversed_ones_the_same() {
    let world = World::sqlite();
    let client = world.keeper();
    let reading = |minutes: f64, oxygen: f64| json!({ "minutes": minutes, "oxygen_ppm": oxygen });
    let asked = |readings: &[Value]| {
        let question = json!({ "volume_l": 1000.0, "readings": readings });
        ask(&client, "air-ingress", &question.to_string()).is(200).json()
    };
    let equal = asked(&[reading(0.0, 3.0), reading(30.0, 3.0), reading(60.0, 3.0)]);
    assert_eq!((&equal["ingress_ml_min"], &equal["standard_error_ml_min"]), (&json!(0.0), &json!(0.0)));
    assert_eq!(equal["distinguishable"], false);
    let mut readings = vec![reading(0.0, 1.0), reading(30.0, 6.0), reading(60.0, 12.0)];
    let forward = asked(&readings)["ingress_ml_min"].as_f64().unwrap();
    readings.reverse();
    let backward = asked(&readings)["ingress_ml_min"].as_f64().unwrap();
    assert!((forward / backward - 1.0).abs() < 1e-12);
}

#[test]
fn a_million_readings_are_refused_at_once_by_their_size() {
    let world = World::sqlite();
    let readings = vec!["{\"minutes\":1,\"oxygen_ppm\":1}"; 1_000_000].join(",");
    let begun = Instant::now();
    let answer =
        ask(&world.keeper(), "air-ingress", &format!("{{\"volume_l\":1000,\"readings\":[{readings}]}}"));
    answer.is_problem(413, "too-large");
    assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", begun.elapsed());
}
