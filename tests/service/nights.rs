//! What a night points out besides what is due.

use crate::world::{World, on_both_backends};
use chrono::TimeDelta;
use serde_json::{Value, json};

/// Sends readings of a quantity, each so many minutes before now.
fn send(world: &World, subject: &str, quantity: &str, values: &[(i64, f64)]) {
    let reading = |&(ago, value): &(i64, f64)| {
        let at = (world.now() - TimeDelta::minutes(ago)).to_rfc3339();
        json!({ "subject": subject, "quantity": quantity, "at": at, "value": value })
    };
    let readings: Vec<Value> = values.iter().map(reading).collect();
    let answer = world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
    assert_eq!(answer.json()["accepted"], values.len(), "{}", answer.text);
}

/// Holds every box to class 1 after ISO 10648-2.
fn require_class_1(world: &World) {
    let change = json!({ "policies": { "required_tightness_class": 1 } });
    world.keeper().patch_with_etag("/facility", "*", &change).is(200);
}

/// Runs the night, and gives the observations and the text.
fn night(world: &World) -> (Vec<Value>, String) {
    let report = world.keeper().post("/nightly-runs", &json!({})).is(201).json();
    let shown =
        world.keeper().get(&format!("/nightly-runs/{}", report["id"].as_str().unwrap())).is(200).json();
    assert_eq!(shown["observations"], report["observations"]);
    (report["observations"].as_array().unwrap().clone(), report["text"].as_str().unwrap().to_owned())
}

fn of_kind<'a>(observations: &'a [Value], kind: &str) -> Option<&'a Value> {
    observations.iter().find(|one| one["kind"] == kind)
}

fn parameter(observation: &Value, name: &str) -> f64 {
    let all = observation["evidence"]["parameters"].as_array().unwrap();
    all.iter().find(|one| one["name"] == name).unwrap()["value"].as_f64().unwrap()
}

/// Oxygen from 4 to 2 hours ago, every quarter of an hour, rising so many ppm an hour from 1 ppm.
fn rising(ppm_per_h: f64) -> Vec<(i64, f64)> {
    (0_i32..=8)
        .map(|quarter| (240 - i64::from(quarter) * 15, 1.0 + ppm_per_h * f64::from(quarter) / 4.0))
        .collect()
}

on_both_backends! {
    fn a_quiet_night_points_nothing_out(world) {
        world.furnished();
        send(world, "LYNX", "oxygen_ppm", &[(120, 1.0), (60, 1.1), (0, 1.0)]);
        let (observations, text) = night(world);
        assert_eq!(observations, Vec::<Value>::new());
        assert!(!text.contains("Noticed"), "{text}");
    }

    /// Exact: 150 ppm/h of oxygen are 150/209 500 of the volume an hour, 7.16·10⁻⁴, which is
    /// beyond the 5·10⁻⁴ of class 1; of 1.2 m³ it is 14.3 mL/min.
    fn oxygen_rising_with_the_circulation_off_is_pointed_out(world) {
        world.furnished();
        require_class_1(world);
        send(world, "LYNX", "circulation_m3_h", &[(300, 55.0), (240, 0.0), (180, 0.0), (120, 0.0), (60, 55.0)]);
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        send(world, "LYNX", "oxygen_ppm", &[(60, 2.0), (0, 1.0)]);
        let (observations, text) = night(world);
        let noticed = of_kind(&observations, "oxygen_rise").unwrap_or_else(|| panic!("{text}"));
        assert_eq!(noticed["subject_tag"], "LYNX");
        assert!((parameter(noticed, "hourly_leak_rate") - 7.16e-4).abs() < 2e-6, "{noticed}");
        assert!((parameter(noticed, "ingress") - 14.32).abs() < 0.05, "{noticed}");
        assert_eq!(noticed["evidence"]["readings"]["count"], 9);
        assert!(text.contains("Noticed (1;"), "{text}");
        assert!(text.contains(noticed["text"].as_str().unwrap()), "{text}");
    }

    /// The same rise is within the 10⁻² an hour of class 3, which a site requires by default.
    fn a_rise_within_the_class_is_not_pointed_out(world) {
        world.furnished();
        send(world, "LYNX", "circulation_m3_h", &[(240, 0.0), (180, 0.0), (120, 0.0), (60, 55.0)]);
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        send(world, "LYNX", "oxygen_ppm", &[(60, 2.0), (0, 1.0)]);
        assert_eq!(night(world).0, Vec::<Value>::new());
    }

    fn work_booked_with_the_circulation_off_counts_as_such(world) {
        world.furnished();
        require_class_1(world);
        let ada = world.qualified("ada");
        let begin = world.now() + TimeDelta::hours(1);
        let booking = ada.post("/bookings", &json!({
            "glovebox": "LYNX", "station": "S1", "start": begin.to_rfc3339(), "purpose": "Washing",
            "end": (begin + TimeDelta::hours(4)).to_rfc3339(), "solvents": ["dichloromethane"]
        })).is(201);
        let off = booking.json()["claims"].as_array().unwrap().iter().any(|one| one["why"] == "circulation_off");
        assert!(off, "{}", booking.text);
        world.it_is_now(begin);
        ada.post_with_etag(&format!("/bookings/{}/start", booking.id()), "*", &json!({})).is(200);
        world.it_is_now(begin + TimeDelta::hours(5));
        // From the first hour of the work to its third.
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        let (observations, text) = night(world);
        assert!(of_kind(&observations, "oxygen_rise").is_some(), "{text}");
    }

    fn a_level_standing_high_under_circulation_is_pointed_out(world) {
        world.furnished();
        send(world, "LYNX", "circulation_m3_h", &[(30, 52.0)]);
        send(world, "LYNX", "oxygen_ppm", &[(180, 2.0), (120, 12.0), (60, 13.0), (0, 14.0)]);
        send(world, "OTTER", "oxygen_ppm", &[(180, 12.0), (60, 12.0), (0, 9.0)]);
        let (observations, _) = night(world);
        assert_eq!(observations.len(), 1, "{observations:?}");
        let noticed = of_kind(&observations, "level_under_circulation").unwrap();
        assert_eq!((&noticed["subject_tag"], parameter(noticed, "level")), (&json!("LYNX"), 14.0));
    }

    /// Common practice, no source: −15 to 15 mbar.
    fn a_box_pressure_out_of_the_common_range_is_pointed_out(world) {
        world.furnished();
        send(world, "OTTER", "box_pressure_mbar", &[(180, 3.0), (120, 16.0), (60, 17.0), (30, 3.0)]);
        let (observations, _) = night(world);
        assert_eq!(of_kind(&observations, "box_pressure").unwrap()["subject_tag"], "OTTER");
    }

    fn a_sensor_that_fell_silent_is_pointed_out_until_it_speaks(world) {
        world.furnished();
        send(world, "LYNX", "water_ppm", &[(120, 1.0), (60, 1.0), (0, 1.0)]);
        assert_eq!(night(world).0, Vec::<Value>::new());
        world.it_is_now(world.now() + TimeDelta::hours(25));
        let (observations, text) = night(world);
        let noticed = of_kind(&observations, "silent_sensor").unwrap_or_else(|| panic!("{text}"));
        assert!((parameter(noticed, "silence") - 25.0).abs() < 1e-6);
        send(world, "LYNX", "water_ppm", &[(0, 1.0)]);
        world.it_is_now(world.now() + TimeDelta::minutes(1));
        assert_eq!(night(world).0, Vec::<Value>::new());
    }
}
