//! `/maintenance-windows`.

use crate::world::on_both_backends;
use serde_json::{Value, json};

fn monday_upkeep(holds: &str) -> Value {
    json!({
        "name": "Monday upkeep", "dtstart": "2030-03-18T08:00:00", "timezone": "Europe/Berlin", "duration": "PT2H",
        "rrule": "FREQ=WEEKLY;BYDAY=MO", "exdates": ["2030-04-08T08:00:00"], "gloveboxes": ["LYNX"], "holds": holds
    })
}

on_both_backends! {
    /// Directive 2000/84/EC: summer time begins on the last Sunday of March at 01:00 UTC,
    /// in 2030 on March 31. The clock on the wall is what people keep to.
    fn occurrences_keep_to_the_clock_on_the_wall(world) {
        let keeper = world.furnished().keeper();
        let id = keeper.post("/maintenance-windows", &monday_upkeep("always")).is(201).id();
        let path = format!("/maintenance-windows/{id}/occurrences?from=2030-03-25T00:00:00Z&to=2030-04-16T00:00:00Z");
        let occurrences = keeper.get_all(&path);
        let starts: Vec<&str> = occurrences.iter().map(|one| one["start"].as_str().unwrap()).collect();
        assert_eq!(starts, ["2030-03-25T07:00:00Z", "2030-04-01T06:00:00Z", "2030-04-15T06:00:00Z"]);
        assert_eq!(occurrences[1]["local_start"], "2030-04-01T08:00:00+02:00");
        assert_eq!(occurrences[1]["end"], "2030-04-01T08:00:00Z");
    }

    fn a_window_that_always_holds_keeps_its_box_from_being_booked(world) {
        let ada = world.furnished().qualified("ada");
        let keeper = world.keeper();
        // Near enough for the windows to lie within the horizon of bookings.
        world.it_is_now(world.now() + chrono::TimeDelta::days(30));
        let booking = |glovebox: &str, start: &str, end: &str| {
            json!({ "glovebox": glovebox, "start": start, "end": end, "purpose": "" })
        };
        let (early, late) = ("2030-03-25T08:30:00Z", "2030-03-25T10:00:00Z");
        let standing = ada.post("/bookings", &booking("LYNX", "2030-03-18T07:00:00Z", "2030-03-18T08:00:00Z")).is(201);
        let made = keeper.post("/maintenance-windows", &monday_upkeep("always")).is(201);
        assert_eq!(made.json()["affected_bookings"], json!([standing.id()]));
        let refusal = ada.post("/bookings", &booking("LYNX", early, late)).is_problem(409, "booking-conflict");
        assert_eq!(refusal["conflicts"][0]["taken_by"], "maintenance_window");
        ada.post("/bookings", &booking("OTTER", early, late)).is(201);
        ada.post("/bookings", &booking("LYNX", "2030-03-25T09:00:00Z", late)).is(201);
        // The date left out is free.
        ada.post("/bookings", &booking("LYNX", "2030-04-08T06:00:00Z", "2030-04-08T08:00:00Z")).is(201);
    }

    fn a_window_that_holds_when_needed_can_be_booked(world) {
        let ada = world.furnished().qualified("ada");
        world.keeper().post("/maintenance-windows", &monday_upkeep("when_needed")).is(201);
        let booked = ada.post("/bookings", &json!({
            "glovebox": "LYNX", "start": "2030-03-25T07:00:00Z", "end": "2030-03-25T09:00:00Z", "purpose": ""
        })).is(201);
        assert_eq!(booked.json()["status"], "tentative");
        // Who looks for a place is told before choosing it.
        let found = |from: &str, to: &str| {
            let path = format!("/openings?glovebox=LYNX&duration=PT1H&from={from}&to={to}");
            let codes = ada.get(&path).is(200).json()["items"][0]["cautions"].clone();
            codes.as_array().unwrap().iter().any(|caution| caution["code"] == "may_give_way")
        };
        assert!(found("2030-04-01T06:00:00Z", "2030-04-01T07:00:00Z"));
        assert!(!found("2030-04-02T06:00:00Z", "2030-04-02T07:00:00Z"));
    }

    fn a_rule_that_cannot_be_followed_is_refused(world) {
        let keeper = world.furnished().keeper();
        for (field, value) in [
            ("rrule", json!("FREQ=SECONDLY")),
            ("rrule", json!("FREQ=FORTNIGHTLY")),
            ("timezone", json!("Mars/Olympus")),
            ("dtstart", json!("2030-03-18T08:00:00Z")),
            ("duration", json!("two hours")),
            ("gloveboxes", json!(["NOWHERE"])),
            ("holds", json!("sometimes")),
        ] {
            let mut form = monday_upkeep("always");
            form[field] = value.clone();
            let answer = keeper.post("/maintenance-windows", &form);
            assert_eq!(answer.status, 422, "{field} {value}: {}", answer.text);
            assert!(answer.violations().iter().any(|(at, _)| at.starts_with(field)), "{value}: {}", answer.text);
        }
    }
}
