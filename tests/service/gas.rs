//! The forecast of a gas supply, as its readings, bookings and swaps move it.

use crate::world::{World, on_both_backends};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

const PATH: &str = "/gas-supplies/AR-PANEL/forecast";

/// Twenty days of daily pressures before now, falling by so many bar a day to `last`.
fn send_pressures(world: &World, last: f64, daily: f64) {
    let reading = |day: i32| {
        let at = (world.now() - TimeDelta::days(day.into())).to_rfc3339();
        json!({ "subject": "AR-PANEL/C1", "quantity": "gauge_bar", "at": at, "value": last + daily * f64::from(day) })
    };
    let readings: Vec<Value> = (0..20).rev().map(reading).collect();
    world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
}

fn forecast(world: &World) -> Value {
    world.keeper().get(PATH).is(200).json()
}

fn instant(value: &Value) -> DateTime<Utc> {
    value.as_str().unwrap_or_else(|| panic!("{value}")).parse().unwrap()
}

fn likely(world: &World) -> DateTime<Utc> {
    instant(&forecast(world)["empty"]["likely"])
}

fn parameter(forecast: &Value, name: &str) -> f64 {
    let all = forecast["evidence"]["parameters"].as_array().unwrap();
    all.iter().find(|one| one["name"] == name).unwrap()["value"].as_f64().unwrap()
}

on_both_backends! {
    /// What is usable is the base draw, the work and the computed gas until
    /// the likely date, each as the evidence states it.
    fn the_sum_can_be_checked_by_hand(world) {
        world.furnished();
        send_pressures(world, 60.0, 4.0);
        let found = forecast(world);
        let sum = parameter(&found, "base_draw") * parameter(&found, "hours_until_likely")
            + parameter(&found, "draw_per_hour_of_work") * parameter(&found, "work_until_likely")
            + parameter(&found, "factor_on_computed_gas") * parameter(&found, "computed_gas_until_likely");
        let usable = found["usable_mol"].as_f64().unwrap();
        assert!((sum / usable - 1.0).abs() < 0.03, "{sum} {usable} {found}");
        let empty = &found["empty"];
        assert!(instant(&empty["earliest"]) < instant(&empty["likely"]), "{empty}");
        assert!(instant(&empty["likely"]) < instant(&empty["latest"]), "{empty}");
        // About 40 bar at 4 bar a day.
        let days = (instant(&empty["likely"]) - world.now()).num_hours() / 24;
        assert!((9..=11).contains(&days), "{days}");
    }

    fn booked_work_brings_the_date_nearer_and_cancelling_it_moves_it_back(world) {
        world.furnished();
        send_pressures(world, 60.0, 4.0);
        let before = likely(world);
        let ada = world.qualified("ada");
        let mut booked = Vec::new();
        for day in 1..6 {
            let start = world.now() + TimeDelta::hours(24 * day);
            let turn = json!({ "antechamber": "LARGE", "sample": "porous" });
            let form = json!({
                "glovebox": "LYNX", "station": "S1", "purpose": "A week of depositions",
                "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(6)).to_rfc3339(),
                "transfers_in": [turn.clone(), turn], "transfers_out": []
            });
            booked.push(ada.post("/bookings", &form).is(201).id());
        }
        let with_work = likely(world);
        assert!(with_work < before - TimeDelta::hours(12), "{with_work} {before}");
        for id in booked {
            ada.post(&format!("/bookings/{id}/cancel"), &json!({})).is(200);
        }
        assert_eq!(likely(world), before);
    }

    fn a_wrong_reading_taken_back_leaves_no_trace(world) {
        world.furnished();
        send_pressures(world, 60.0, 4.0);
        world.it_is_now(world.now() + TimeDelta::hours(2));
        let before = forecast(world);
        let at = (world.now() - TimeDelta::hours(1)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
        let wrong = json!({ "subject": "AR-PANEL/C1", "quantity": "gauge_bar", "at": at, "value": 25.0 });
        world.keeper().post("/readings", &json!({ "readings": [wrong] })).is(200);
        assert_ne!(forecast(world)["empty"], before["empty"]);
        let path = format!("/readings?subject=AR-PANEL/C1&quantity=gauge_bar&at={at}");
        world.keeper().delete(&path).is(204);
        assert_eq!(forecast(world)["empty"], before["empty"]);
        assert_eq!(forecast(world)["evidence"], before["evidence"]);
    }

    /// The draw is known from the cylinder before, so the new one has a date
    /// from the pressure it was connected with.
    fn a_new_cylinder_has_a_date_at_once(world) {
        world.furnished();
        send_pressures(world, 24.0, 6.0);
        let swap = json!({ "removed": "C1", "connected": "C2", "gauge_bar": 200.0 });
        world.keeper().post("/gas-supplies/AR-PANEL/cylinder-swaps", &swap).is(201);
        let days = (likely(world) - world.now()).num_hours() / 24;
        // 180 bar at 6 bar a day; argon is not ideal, so about.
        assert!((27..=36).contains(&days), "{days}");
    }

    /// The same gas shows less pressure in a cold room: 15 K are 12 bar here.
    fn a_cold_morning_is_no_leak(world) {
        world.furnished();
        send_pressures(world, 120.0, 1.0);
        let before = forecast(world);
        let at = (world.now() + TimeDelta::hours(1)).to_rfc3339();
        world.it_is_now(world.now() + TimeDelta::hours(2));
        let cold = |subject: &str, quantity: &str, value: f64| {
            json!({ "subject": subject, "quantity": quantity, "at": at, "value": value })
        };
        let readings = [cold("AR-PANEL/C1", "gauge_bar", 111.5), cold("AR-PANEL", "temperature_c", 5.0)];
        world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
        let after = forecast(world);
        let (then, now) = (before["contents_now_mol"].as_f64().unwrap(), after["contents_now_mol"].as_f64().unwrap());
        assert!((now / then - 1.0).abs() < 0.02, "{then} {now}");
    }
}
