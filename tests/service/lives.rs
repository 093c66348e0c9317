//! How long parts lived, as a keeper asks for it.

use crate::world::{Client, World, on_both_backends};
use chrono::TimeDelta;
use serde_json::{Value, json};

const STATIONS: [&str; 4] = ["LYNX/S1", "LYNX/S2", "OTTER/S1", "OTTER/S2"];

/// A rule for the gloves of every station, with a trigger.
fn gloves(keeper: &Client, trigger: &Value) -> String {
    let rule = json!({
        "task": "glove_change", "applies_to": "station", "triggers": [trigger], "duration": "PT1H",
        "closes": "station", "people": 1, "approach": "P14D"
    });
    keeper.post("/upkeep-rules", &rule).is(201).id()
}

/// Upkeep done so many days ago.
fn done(world: &World, subject: &str, task: &str, days_ago: i64, more: &Value) {
    let mut service = json!({
        "task": task, "subject": subject, "done_at": (world.now() - TimeDelta::days(days_ago)).to_rfc3339()
    });
    for (name, value) in more.as_object().unwrap() {
        service[name] = value.clone();
    }
    world.keeper().post("/services", &service).is(201);
}

fn lives(keeper: &Client, rule: &str) -> Value {
    keeper.get(&format!("/upkeep-rules/{rule}/lives")).is(200).json()
}

on_both_backends! {
    /// The lives of NIST/SEMATECH e-Handbook 8.4.1.3, as days between services:
    /// ten failures, ten lives of 500 that ended otherwise; published shape
    /// 1.7208, scale 606.53.
    fn lives_between_services_tell_what_the_published_ones_do(world) {
        let keeper = world.furnished().keeper();
        let rule = gloves(&keeper, &json!({"kind": "calendar", "every": "P2Y"}));
        let look = json!({
            "task": "glove_inspection", "applies_to": "station", "duration": "PT10M", "closes": "nothing",
            "triggers": [{"kind": "calendar", "every": "P10Y"}], "people": 1, "approach": "P14D"
        });
        keeper.post("/upkeep-rules", &look).is(201);
        let mut failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386].into_iter().zip([true, false].into_iter().cycle());
        for (station, (failures, changes)) in STATIONS.iter().zip([(3, 2), (3, 1), (2, 2), (2, 1)]) {
            // From now backwards: one in use for 500 days, some changed in time, some failed.
            let mut ago = 500;
            done(world, station, "glove_change", ago, &json!({}));
            for _ in 0..changes {
                ago += 500;
                done(world, station, "glove_change", ago, &json!({}));
            }
            for (days, told) in failed.by_ref().take(failures) {
                // A failure is the service's own outcome, or what an inspection found.
                if told {
                    done(world, station, "glove_change", ago, &json!({"outcome": "failed"}));
                } else {
                    done(world, station, "glove_inspection", ago, &json!({"calls_for": ["glove_change"]}));
                }
                ago += days;
                done(world, station, "glove_change", ago, &json!({}));
            }
        }
        let told = lives(&keeper, &rule);
        assert_eq!((&told["counted"], &told["failures"], &told["unit"]), (&json!(20), &json!(10), &json!("days")));
        let shape = told["estimate"]["shape"]["value"].as_f64().unwrap();
        let scale = told["estimate"]["scale"]["value"].as_f64().unwrap();
        assert!((shape - 1.7208).abs() < 5e-5 && (scale - 606.53).abs() < 5e-3, "{shape} {scale}");
        let in_use = told["lives"].as_array().unwrap().iter().filter(|life| life["ending"] == "in_use");
        assert_eq!(in_use.filter(|life| life["half_last_longer"].as_f64().unwrap() > 0.0).count(), 4);
    }

    fn without_failures_there_is_no_estimate_but_a_reason(world) {
        let keeper = world.furnished().keeper();
        let rule = gloves(&keeper, &json!({"kind": "calendar", "every": "P2Y"}));
        assert!(lives(&keeper, &rule)["reason"].as_str().unwrap().contains("no life is on record"));
        done(world, "LYNX/S1", "glove_change", 300, &json!({}));
        done(world, "LYNX/S1", "glove_change", 100, &json!({}));
        let told = lives(&keeper, &rule);
        assert_eq!(told["estimate"], Value::Null);
        assert!(told["reason"].as_str().unwrap().contains("none of 2 lives"), "{told}");
        done(world, "LYNX/S1", "glove_change", 50, &json!({"outcome": "failed"}));
        let told = lives(&keeper, &rule);
        assert!(told["reason"].as_str().unwrap().contains("one life of 3"), "{told}");
        keeper.get("/upkeep-rules/018f0000-0000-7000-8000-000000000000/lives").is(404);
        world.caller("eve", "bookings:write").get(&format!("/upkeep-rules/{rule}/lives")).is(403);
    }

    fn lives_are_measured_by_the_meter_of_the_rule(world) {
        let ada = world.furnished().qualified("ada");
        let keeper = world.keeper();
        let rule = gloves(&keeper, &json!({"kind": "usage", "meter": "station_hours", "limit": 500.0}));
        done(world, "LYNX/S1", "glove_change", 10, &json!({}));
        let start = world.now() + TimeDelta::hours(2);
        let booking = json!({
            "glovebox": "LYNX", "station": "S1", "purpose": "Weighing salts",
            "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(3)).to_rfc3339()
        });
        ada.post("/bookings", &booking).is(201);
        world.it_is_now(start + TimeDelta::hours(20));
        let told = lives(&keeper, &rule);
        assert_eq!((&told["meter"], &told["unit"]), (&json!("station_hours"), &json!("h")));
        assert_eq!(told["lives"][0]["length"], json!(3.0), "{told}");
        assert_eq!(told["lives"].as_array().unwrap().len(), 1);
    }
}
