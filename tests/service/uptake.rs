//! What a purifier takes up, and levels read by several sensors.

use crate::world::{Client, World, on_both_backends};
use chrono::TimeDelta;
use drykeep::domain::upkeep::trend::hours_between;
use serde_json::{Value, json};
use std::time::Duration;

/// LYNX with a purifier of 50 m³/h rated for 20 mol of oxygen, regenerated so
/// many hours ago, and the rule that comes with it.
fn with_purifier(world: &World, regenerated: i64) -> Client {
    let keeper = world.furnished().keeper();
    let rated =
        json!({ "purifier": { "circulation_m3_h": 50.0, "columns": 1, "oxygen_capacity_mol": 20.0 } });
    keeper.patch_with_etag("/gloveboxes/LYNX", "*", &rated).is(200);
    keeper.post("/upkeep-rules/defaults", &json!({})).is(200);
    let done_at = (world.now() - TimeDelta::hours(regenerated)).to_rfc3339();
    let service = json!({ "task": "purifier_regeneration", "subject": "LYNX/purifier", "done_at": done_at });
    keeper.post("/services", &service).is(201);
    keeper
}

/// Sends readings at LYNX, each so many hours before now.
fn send(world: &World, sensor: &str, quantity: &str, values: impl IntoIterator<Item = (f64, f64)>) {
    let before = |ago: f64| TimeDelta::from_std(Duration::from_secs_f64((ago * 3600.0).round())).unwrap();
    let at = |ago: f64| (world.now() - before(ago)).to_rfc3339();
    let reading = |(ago, value): (f64, f64)| json!({ "subject": "LYNX", "quantity": quantity, "at": at(ago), "value": value, "sensor": sensor });
    let readings: Vec<Value> = values.into_iter().map(reading).collect();
    let answer = world.keeper().post("/readings", &json!({ "readings": readings })).is(200).json();
    assert_eq!(answer["accepted"], readings.len(), "{answer}");
}

/// An hour apart, from so many hours ago until now.
fn hourly(hours: u32, ppm: f64) -> impl Iterator<Item = (f64, f64)> {
    (0..=hours).map(move |ago| (f64::from(ago), ppm))
}

/// Runs the night, a minute later than anything before; what it says of the regeneration.
fn night(world: &World) -> Value {
    world.it_is_now(world.now() + TimeDelta::minutes(1));
    let keeper = world.keeper();
    keeper.post("/nightly-runs", &json!({})).is(201);
    let items = keeper.get_all("/due-items?glovebox=LYNX");
    let item = items.iter().find(|item| item["task"] == "purifier_regeneration").unwrap();
    keeper.get(&format!("/due-items/{}", item["id"].as_str().unwrap())).is(200).json()
}

/// The trigger of a kind whose evidence or reason speaks of some words.
fn trigger<'a>(item: &'a Value, kind: &str, words: &str) -> &'a Value {
    let triggers = item["triggers"].as_array().unwrap();
    let of_kind = |one: &&Value| one["kind"] == kind && one.to_string().contains(words);
    triggers.iter().find(of_kind).unwrap_or_else(|| panic!("no {kind} of {words} in {item:#}"))
}

fn number(trigger: &Value, name: &str) -> f64 {
    let all = trigger["evidence"]["parameters"].as_array().unwrap();
    let one =
        all.iter().find(|one| one["name"] == name).unwrap_or_else(|| panic!("no {name} in {trigger:#}"));
    one["value"].as_f64().unwrap()
}

fn hours_from_now(world: &World, date: &Value) -> f64 {
    let at: chrono::DateTime<chrono::Utc> =
        date.as_str().unwrap_or_else(|| panic!("no date")).parse().unwrap();
    hours_between(world.now(), at)
}

on_both_backends! {
    /// Exact: 5 ppm of oxygen taken from 50 m³/h for 1000 h at 20 °C and 1 atm
    /// are 10.39 mol; 80 % of 20 mol are reached 539.5 h later.
    fn uptake_is_the_integral_since_the_regeneration(world) {
        with_purifier(world, 1000);
        send(world, "o2-1", "oxygen_ppm", hourly(1000, 5.0));
        let item = night(world);
        let uptake = trigger(&item, "uptake", "oxygen");
        assert!((number(uptake, "uptake_known") - 10.39).abs() < 0.005, "{uptake:#}");
        assert!((number(uptake, "hours_known") - 1000.0).abs() < 0.01);
        assert!(number(uptake, "uptake_in_gaps").abs() < 0.01);
        assert_eq!(uptake["evidence"]["readings"]["count"], 1001);
        for date in ["earliest", "likely", "latest"] {
            let hours = hours_from_now(world, &uptake["due"][date]);
            assert!((hours - 539.5).abs() < 12.0, "{date}: {hours} in {uptake:#}");
        }
        // Nothing says what water it can take up.
        let water = trigger(&item, "uptake", "no rated water capacity");
        assert_eq!((&water["due"]["likely"], water["known"].as_bool()), (&Value::Null, Some(false)));
    }

    fn a_wrong_reading_deleted_changes_the_answer_back(world) {
        let keeper = with_purifier(world, 500);
        send(world, "o2-1", "oxygen_ppm", hourly(500, 5.0));
        let before = night(world);
        let (known, due) =
            (number(trigger(&before, "uptake", "oxygen"), "uptake_known"), trigger(&before, "uptake", "oxygen")["due"].clone());
        let at = (world.now() - TimeDelta::minutes(200 * 60 + 30)).to_rfc3339();
        let wrong = json!({ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at, "value": 3000.0, "sensor": "o2-1" });
        keeper.post("/readings", &json!({ "readings": [wrong] })).is(200);
        // Exact: 2995 ppm more, over half an hour on either side of its middle.
        let moved = night(world);
        let more = number(trigger(&moved, "uptake", "oxygen"), "uptake_known") - known;
        assert!((more - 2995.0 * 0.5 * 50.0e-6 * 41.5712).abs() < 0.01, "{more}");
        assert_ne!(trigger(&moved, "uptake", "oxygen")["due"]["likely"], due["likely"]);
        let query = format!(
            "subject=LYNX&quantity=oxygen_ppm&sensor=o2-1&at={}", at.replace("+00:00", "Z")
        );
        keeper.delete(&format!("/readings?{query}")).is(204);
        let after = night(world);
        assert!((number(trigger(&after, "uptake", "oxygen"), "uptake_known") - known).abs() < 1e-9);
        let hours = |due: &Value| hours_from_now(world, &due["likely"]);
        assert!((hours(&trigger(&after, "uptake", "oxygen")["due"]) - hours(&due)).abs() < 0.2);
    }

    fn a_failed_regeneration_counts_for_nothing_and_gaps_are_told(world) {
        let keeper = with_purifier(world, 400);
        send(world, "o2-1", "oxygen_ppm", hourly(400, 5.0).filter(|(ago, _)| *ago <= 100.0 || *ago >= 150.0));
        let failed = json!({
            "task": "purifier_regeneration", "subject": "LYNX/purifier", "outcome": "failed",
            "done_at": (world.now() - TimeDelta::hours(50)).to_rfc3339()
        });
        keeper.post("/services", &failed).is(201);
        let item = night(world);
        let uptake = trigger(&item, "uptake", "oxygen");
        assert!((number(uptake, "hours_known") - 350.0).abs() < 0.01, "{uptake:#}");
        assert!((number(uptake, "hours_in_gaps") - 50.0).abs() < 0.05, "{uptake:#}");
        let gap = number(uptake, "uptake_in_gaps");
        assert!((gap - number(uptake, "uptake_known") * number(uptake, "hours_in_gaps") / 350.0).abs() < 1e-3);
        assert!(uptake.to_string().contains("not read from"), "{uptake:#}");
    }

    /// Work with a solvent that the purifier must not see rests it for the work
    /// and the purge; booked ahead, it puts the date off by as much.
    fn circulation_booked_off_puts_the_date_off(world) {
        with_purifier(world, 1000);
        let ada = world.qualified("ada");
        send(world, "o2-1", "oxygen_ppm", hourly(1000, 5.0));
        let before = night(world);
        let start = world.now() + TimeDelta::days(2);
        let booking = ada.post("/bookings", &json!({
            "glovebox": "LYNX", "station": "S1", "start": start.to_rfc3339(), "purpose": "Washing",
            "end": (start + TimeDelta::hours(4)).to_rfc3339(), "solvents": ["dichloromethane"]
        })).is(201).json();
        let claims = booking["claims"].as_array().unwrap();
        let off = claims.iter().find(|claim| claim["why"] == "circulation_off").unwrap();
        let off = hours_from_now(world, &off["end"]) - hours_from_now(world, &off["start"]);
        let after = night(world);
        let hours = |item: &Value| hours_from_now(world, &trigger(item, "uptake", "oxygen")["due"]["likely"]);
        let moved = hours(&after) - hours(&before);
        assert!(off >= 4.0 && (moved - off).abs() < 0.2, "{moved} for {off}");
    }

    /// Two sensors: the one that is above the limit makes it due, whatever the other shows.
    fn each_sensor_is_judged_on_its_own(world) {
        with_purifier(world, 300);
        send(world, "o2-old", "oxygen_ppm", hourly(200, 1.0));
        send(world, "o2-new", "oxygen_ppm", (0..=20).map(|ago| (f64::from(ago) + 0.5, 12.0)));
        let item = night(world);
        let level = trigger(&item, "condition", "o2-new");
        let notes = level["evidence"]["notes"].as_array().unwrap();
        assert_eq!(notes[0], "by sensor o2-new");
        assert!(notes.iter().any(|note| note.as_str().unwrap().starts_with("sensor o2-old: ")), "{notes:?}");
        assert_eq!(level["evidence"]["readings"]["count"], 21);
        assert!(hours_from_now(world, &level["due"]["likely"]) < -14.0, "{level:#}");
        assert_eq!(item["governing_trigger"], "condition");
    }
}
