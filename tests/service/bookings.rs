//! `/bookings` and `/openings`: booking a place at a box, meeting others, and
//! what becomes of it.

use crate::world::{Answer, Client, World, on_both_backends};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

/// One argon box with two stations, a large antechamber and a spin coater,
/// and Ada and Ben, who are qualified for it.
pub(crate) fn furnish(world: &World) -> Client {
    let keeper = world.keeper();
    keeper.post("/rooms", &json!({"tag": "LAB-1", "volume_m3": 180.0})).is(201);
    let cylinder = json!({"tag": "C1", "water_volume_l": 50.0, "fill_bar": 200.0, "state": "connected"});
    keeper.post("/gas-supplies", &json!({"tag": "ARGON", "gas": "argon", "cylinders": [cylinder]})).is(201);
    for tag in ["OTTER", "HERON"] {
        keeper.post("/gloveboxes", &glovebox(tag)).is(201);
    }
    for (tag, subject) in [("ADA", "ada"), ("BEN", "ben")] {
        let person = json!({"tag": tag, "name": tag, "subject": subject, "groups": ["Interfaces"]});
        keeper.post("/people", &person).is(201);
        for glovebox in ["OTTER", "HERON"] {
            let qualification = json!({"person": tag, "glovebox": glovebox});
            keeper.post("/qualifications", &qualification).is(201);
        }
    }
    keeper
}

fn glovebox(tag: &str) -> Value {
    json!({
        "tag": tag, "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
        "purge_flow_l_min": 120.0, "stations": [{"tag": "S1"}, {"tag": "S2"}],
        "antechambers": [{"tag": "LARGE", "volume_l": 45.0, "pump_speed_m3_h": 16.0, "ultimate_mbar": 0.05,
                          "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5}],
        "instruments": [{"tag": "SPIN"}], "purifier": {"circulation_m3_h": 50.0}, "gas_supply": "ARGON"
    })
}

/// A booking so many hours from now, so many hours long.
fn booking(world: &World, from: i64, hours: i64) -> Value {
    let start = world.now() + TimeDelta::hours(from);
    json!({
        "glovebox": "OTTER", "station": "S1", "purpose": "Sealing ampoules",
        "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(hours)).to_rfc3339()
    })
}

fn with(form: impl Into<Value>, changes: impl Into<Value>) -> Value {
    let (mut form, changes): (Value, Value) = (form.into(), changes.into());
    for (name, value) in changes.as_object().unwrap() {
        form[name] = value.clone();
    }
    form
}

fn instant(value: &Value) -> DateTime<Utc> {
    value.as_str().unwrap().parse().unwrap()
}

fn codes(problem: &Value) -> Vec<String> {
    problem["violations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|violation| violation["code"].as_str().unwrap().to_owned())
        .collect()
}

fn why(answer: &Answer) -> Vec<String> {
    let claims = answer.json()["claims"].clone();
    claims.as_array().unwrap().iter().map(|claim| claim["why"].as_str().unwrap().to_owned()).collect()
}

on_both_backends! {
    fn a_booking_claims_what_it_needs(world) {
        furnish(world);
        let form = with(booking(world, 2, 3), json!({
            "transfers_in": [{"antechamber": "LARGE", "sample": "compact"}],
            "instruments": ["SPIN"], "solvents": ["dichloromethane"]
        }));
        let booked = world.researcher("ada").post("/bookings", &form).is(201);
        assert_eq!(booked.json()["status"], "confirmed");
        assert_eq!(booked.json()["group"], "Interfaces");
        let mut reasons = why(&booked);
        reasons.sort();
        assert_eq!(reasons, ["circulation_off", "instrument", "purge", "purge", "purge", "transfer_in", "work"]);
        assert!(booked.json()["gas_estimate_nl"].as_f64().unwrap() > 0.0);
        let shown = world.researcher("ada").get(booked.header("location").unwrap()).is(200);
        assert_eq!(shown.json(), booked.json());
    }

    fn two_cannot_have_the_same_station_and_the_alternatives_can_be_had(world) {
        furnish(world);
        world.researcher("ada").post("/bookings", &booking(world, 2, 3)).is(201);
        let ben = world.researcher("ben");
        let late = with(booking(world, 4, 3), json!({"transfers_in": [{"antechamber": "LARGE", "sample": "porous"}]}));
        let problem = ben.post("/bookings", &late).is_problem(409, "booking-conflict");
        assert_eq!(problem["conflicts"][0]["resource_tag"], "OTTER/S1");
        let alternatives = problem["alternatives"].as_array().unwrap();
        assert_eq!(alternatives.len(), 3);
        for alternative in alternatives {
            // Each would be accepted as it stands, by itself.
            let booked = ben.post("/bookings", alternative).is(201);
            ben.post(&format!("/bookings/{}/cancel", booked.id()), &json!({})).is(200);
        }
        // The half-open interval that begins as the other ends is free.
        ben.post("/bookings", &booking(world, 5, 1)).is(201);
    }

    fn every_rule_broken_is_named_at_once(world) {
        let keeper = furnish(world);
        let facility = keeper.get("/facility").is(200);
        keeper.patch_with_etag("/facility", &facility.etag(), &json!({"policies": {"longest_booking": "PT4H"}})).is(200);
        let form = with(booking(world, -2, 6), json!({
            "station": "S9", "instruments": ["LASER"], "group": "Nobody", "transfers_in": [{"antechamber": "HUGE"}]
        }));
        let problem = world.researcher("ada").post("/bookings", &form).is_problem(422, "booking-not-allowed");
        assert_eq!(codes(&problem), [
            "in_the_past", "too_long", "not_in_group", "unknown_station", "unknown_instrument", "unknown_antechamber"
        ]);
    }

    fn malformed_bookings_name_every_field(world) {
        furnish(world);
        let form = json!({
            "glovebox": "otter!", "start": "tomorrow", "end": "2030-01-08T09:00:00Z", "stations": ["S1"],
            "whole_box": true, "transfers_in": [{"antechamber": "LARGE", "sample": "wet"}], "on_conflict": "maybe"
        });
        let problem = world.researcher("ada").post("/bookings", &form).is_problem(422, "invalid-input");
        assert_eq!(codes(&problem), [
            "bad_tag", "bad_time", "either_or", "unknown_word", "unknown_word"
        ]);
    }

    fn a_booking_is_its_owners(world) {
        furnish(world);
        let booked = world.researcher("ada").post("/bookings", &booking(world, 2, 3)).is(201);
        let path = format!("/bookings/{}", booked.id());
        let ben = world.researcher("ben");
        // Others may know that the time is taken, but not what for.
        let outline = ben.get(&path).is(200).json();
        assert_eq!((&outline["purpose"], &outline["person"]), (&Value::Null, &Value::Null));
        ben.post(&format!("{path}/cancel"), &json!({})).is_problem(403, "forbidden");
        ben.patch_with_etag(&path, "*", &json!({"purpose": "mine"})).is_problem(403, "forbidden");
        let blind = world.caller("ben", "bookings:write");
        blind.get(&path).is_problem(404, "not-found");
        blind.post(&format!("{path}/cancel"), &json!({})).is_problem(404, "not-found");
        assert!(blind.get("/bookings").is(200).json()["items"].as_array().unwrap().is_empty());
        let form = with(booking(world, 8, 1), json!({"for": "ADA"}));
        ben.post("/bookings", &form).is_problem(403, "forbidden");
        world.keeper().post("/bookings", &form).is(201);
        world.caller("ben", "facility:read").post("/bookings", &booking(world, 9, 1)).is_problem(403, "forbidden");
    }

    fn a_cancelled_booking_frees_its_time(world) {
        furnish(world);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 2, 3)).is(201);
        let cancel = format!("/bookings/{}/cancel", booked.id());
        let cancelled = ada.post(&cancel, &json!({})).is(200).json();
        assert_eq!((&cancelled["status"], &cancelled["claims"]), (&json!("cancelled"), &json!([])));
        ada.post(&cancel, &json!({})).is_problem(409, "wrong-state");
        world.researcher("ben").post("/bookings", &booking(world, 2, 3)).is(201);
    }

    fn a_booking_moves_by_patch(world) {
        furnish(world);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 2, 3)).is(201);
        let path = format!("/bookings/{}", booked.id());
        let later = booking(world, 3, 3);
        let change = json!({"start": later["start"], "end": later["end"]});
        ada.patch(&path, &change).is_problem(428, "condition-missing");
        // Its own claims are not in its way.
        let moved = ada.patch_with_etag(&path, &booked.etag(), &change).is(200);
        assert_eq!(instant(&moved.json()["start"]), instant(&later["start"]));
        ada.patch_with_etag(&path, &booked.etag(), &change).is_problem(412, "stale");
        ada.patch_with_etag(&path, &moved.etag(), &json!({"colour": "red"})).is_problem(422, "invalid-input");
        let elsewhere = ada.patch_with_etag(&path, &moved.etag(), &json!({"station": "S2"})).is(200);
        assert_ne!(elsewhere.json()["stations"], moved.json()["stations"]);
        world.researcher("ben").post("/bookings", &later).is(201);
    }

    fn work_is_begun_and_closed_out_with_a_record(world) {
        furnish(world);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 2, 3)).is(201);
        let path = format!("/bookings/{}", booked.id());
        ada.post(&format!("{path}/start"), &json!({})).is_problem(409, "wrong-state");
        let record = json!({
            "cylinder_pressures": [{"cylinder": "ARGON/C1", "gauge_bar": 142.0}], "oxygen_ppm": 0.8,
            "water_ppm": 0.5, "chambers_under_vacuum": true, "remarks": "Balance drifts"
        });
        ada.post(&format!("{path}/closeout"), &record).is_problem(409, "wrong-state");
        world.it_is_now(world.now() + TimeDelta::hours(2));
        assert_eq!(ada.post(&format!("{path}/start"), &json!({})).is(200).json()["progress"], "in_use");
        world.it_is_now(world.now() + TimeDelta::hours(1));
        let wrong = with(record.clone(), json!({"oxygen_ppm": -1.0, "cylinder_pressures": [{"cylinder": "NONE", "gauge_bar": 1.0}]}));
        let problem = ada.post(&format!("{path}/closeout"), &wrong).is_problem(422, "invalid-input");
        assert_eq!(codes(&problem), ["unknown_reference", "too_small"]);
        let closed = ada.post(&format!("{path}/closeout"), &record).is(200).json();
        assert_eq!(closed["progress"], "closed_out");
        assert_eq!(closed["end_of_run"]["remarks"], "Balance drifts");
        // What was read counts as readings, and the rest of the time is free.
        let from = (world.now() - TimeDelta::hours(1)).format("%FT%TZ");
        let readings = ada.get(&format!("/readings?subject=OTTER&quantity=oxygen_ppm&from={from}&to=2030-01-08T00:00:00Z"));
        assert_eq!(readings.is(200).json()["items"][0]["value"], 0.8);
        world.researcher("ben").post("/bookings", &booking(world, 1, 1)).is(201);
    }

    fn nobody_came_and_the_time_is_free_again(world) {
        furnish(world);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 1, 3)).is(201);
        world.it_is_now(world.now() + TimeDelta::minutes(91));
        let start = world.now() + TimeDelta::minutes(5);
        let form = with(booking(world, 0, 1), json!({
            "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(1)).to_rfc3339()
        }));
        world.researcher("ben").post("/bookings", &form).is(201);
        let missed = ada.get(&format!("/bookings/{}", booked.id())).is(200).json();
        assert_eq!((&missed["progress"], &missed["status"]), (&json!("no_show"), &json!("cancelled")));
    }

    fn a_series_is_booked_whole_or_with_gaps(world) {
        furnish(world);
        let ada = world.researcher("ada");
        world.researcher("ben").post("/bookings", &booking(world, 26, 1)).is(201);
        let daily = with(booking(world, 2, 2), json!({"recurrence": "FREQ=DAILY;COUNT=4"}));
        let problem = ada.post("/bookings", &daily).is_problem(409, "booking-conflict");
        assert_eq!(problem["conflicts"].as_array().unwrap().len(), 1);
        assert!(ada.get("/bookings?person=ADA").is(200).json()["items"].as_array().unwrap().is_empty());
        let gappy = with(daily, json!({"on_conflict": "skip"}));
        let series = ada.post("/bookings", &gappy).is(201).json();
        assert_eq!(series["bookings"].as_array().unwrap().len(), 3);
        assert_eq!(series["skipped"].as_array().unwrap().len(), 1);
        let id = series["series"].as_str().unwrap();
        assert_eq!(ada.get(&format!("/bookings?series={id}")).is(200).json()["items"].as_array().unwrap().len(), 3);
    }

    fn a_recurrence_that_never_ends_or_never_comes_is_refused_at_once(world) {
        furnish(world);
        let ada = world.researcher("ada");
        for rule in ["FREQ=SECONDLY", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "nonsense", "FREQ=DAILY;COUNT=100000"] {
            let form = with(booking(world, 2, 1), json!({"recurrence": rule}));
            let answer = ada.post("/bookings", &form);
            answer.is_problem(422, "invalid-input");
            assert!(answer.violations().iter().all(|(field, _)| field == "recurrence"), "{}", answer.text);
        }
    }

    fn the_same_key_books_once(world) {
        furnish(world);
        let ada = world.researcher("ada");
        let form = booking(world, 2, 3);
        let first = ada.post_once("/bookings", "k-1", &form).is(201);
        let again = ada.post_once("/bookings", "k-1", &form).is(201);
        assert_eq!((first.json(), first.etag()), (again.json(), again.etag()));
        ada.post_once("/bookings", "k-1", &booking(world, 6, 1)).is_problem(422, "idempotency-key-reused");
        assert_eq!(ada.get("/bookings").is(200).json()["items"].as_array().unwrap().len(), 1);
    }

    fn a_hundred_ppm_of_oxygen_closes_the_box_and_marks_its_bookings(world) {
        let keeper = furnish(world);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 2, 3)).is(201);
        let reading = json!({"subject": "OTTER", "quantity": "oxygen_ppm", "at": world.now().to_rfc3339(), "value": 100.0});
        let taken = keeper.post("/readings", &json!({"readings": [reading]})).is(200).json();
        let hold = taken["holds_opened"][0]["hold"].as_str().unwrap().to_owned();
        let path = format!("/bookings/{}", booked.id());
        let marked = ada.get(&path).is(200).json();
        assert_eq!((&marked["status"], &marked["hold"]), (&json!("tentative"), &json!(hold)));
        let problem = ada.post("/bookings", &booking(world, 6, 1)).is_problem(422, "booking-not-allowed");
        assert_eq!(codes(&problem), ["on_hold"]);
        let found = ada.get("/openings?duration=PT1H&glovebox=OTTER").is(200).json();
        assert!(found["items"].as_array().unwrap().is_empty());
        world.it_is_now(world.now() + TimeDelta::hours(2));
        ada.post(&format!("{path}/start"), &json!({})).is_problem(422, "booking-not-allowed");
        keeper.post(&format!("/holds/{hold}/release"), &json!({"remark": "Sensor checked, box purged"})).is(200);
        assert_eq!(ada.get(&path).is(200).json()["status"], "confirmed");
        ada.post(&format!("{path}/start"), &json!({})).is(200);
    }

    fn openings_can_be_booked_as_they_stand(world) {
        furnish(world);
        let ada = world.researcher("ada");
        ada.post("/bookings", &with(booking(world, 1, 6), json!({"whole_box": true, "station": null}))).is(201);
        let query = "/openings?duration=PT2H&working_gas=argon&transfers_in=LARGE&to=2030-01-09T00:00:00Z";
        let found = ada.get(query).is(200).json();
        let openings = found["items"].as_array().unwrap().clone();
        assert!(openings.len() >= 2);
        let starts: Vec<_> = openings.iter().map(|opening| instant(&opening["start"])).collect();
        assert!(starts.is_sorted());
        assert_eq!(openings[0]["glovebox_tag"], "HERON");
        for opening in &openings {
            assert_eq!(opening["qualified"], true);
            let form = json!({
                "glovebox": opening["glovebox"], "station": opening["stations"][0]["id"],
                "start": opening["start"], "end": opening["end"], "transfers_in": [{"antechamber": "LARGE"}]
            });
            let booked = ada.post("/bookings", &form).is(201);
            ada.post(&format!("/bookings/{}/cancel", booked.id()), &json!({})).is(200);
        }
        ada.get("/openings?duration=PT2H&working_gas=xenon&stations=0").is_problem(422, "invalid-input");
        ada.get("/openings?duration=PT2H&glovebox=OTTER&instruments=LASER").is_problem(422, "invalid-input");
        ada.get("/openings?from=2030-01-07T08:00:00Z").is_problem(422, "invalid-input");
    }

    fn a_window_that_is_never_bookable_is_in_the_way(world) {
        let keeper = furnish(world);
        let window = json!({
            "name": "Tuesday service", "dtstart": "2030-01-08T08:00:00", "timezone": "Europe/Berlin",
            "duration": "PT4H", "rrule": "FREQ=WEEKLY", "gloveboxes": ["OTTER"], "holds": "always"
        });
        keeper.post("/maintenance-windows", &window).is(201);
        // 08:00 in Berlin in January is 07:00 UTC, 23 hours from now.
        let problem = world.researcher("ada").post("/bookings", &booking(world, 25, 1)).is_problem(409, "booking-conflict");
        assert_eq!(problem["conflicts"][0]["taken_by"], "maintenance_window");
        assert!(!problem["alternatives"].as_array().unwrap().is_empty());
        world.researcher("ada").post("/bookings", &booking(world, 27, 1)).is(201);
    }

    fn whose_bookings_are_whose_is_not_told_by_a_filter(world) {
        furnish(world);
        world.researcher("ada").post("/bookings", &booking(world, 2, 3)).is(201);
        let ben = world.researcher("ben");
        ben.get("/bookings?person=ADA").is_problem(403, "forbidden");
        assert!(ben.get("/bookings?person=BEN").is(200).json()["items"].as_array().unwrap().is_empty());
    }

    /// A tag in somebody else's token is not the person with that tag.
    fn nobody_acts_for_a_person_by_their_tag(world) {
        furnish(world);
        let booked = world.researcher("ada").post("/bookings", &booking(world, 2, 3)).is(201);
        let mask = world.caller("ADA", "bookings:write");
        mask.post(&format!("/bookings/{}/cancel", booked.id()), &json!({})).is_problem(404, "not-found");
        mask.post("/bookings", &booking(world, 6, 1)).is_problem(422, "invalid-input");
    }

    fn a_series_that_ends_beyond_the_horizon_is_refused_or_says_what_it_left_out(world) {
        let keeper = furnish(world);
        let facility = keeper.get("/facility").is(200);
        keeper.patch_with_etag("/facility", &facility.etag(), &json!({"policies": {"horizon": "P21D"}})).is(200);
        let ada = world.researcher("ada");
        let weekly = with(booking(world, 2, 1), json!({"recurrence": "FREQ=WEEKLY;COUNT=6"}));
        let problem = ada.post("/bookings", &weekly).is_problem(422, "booking-not-allowed");
        assert_eq!(codes(&problem), ["beyond_horizon", "beyond_horizon", "beyond_horizon"]);
        let gappy = ada.post("/bookings", &with(weekly, json!({"on_conflict": "skip"}))).is(201).json();
        assert_eq!(gappy["bookings"].as_array().unwrap().len(), 3);
        assert_eq!(gappy["skipped"].as_array().unwrap().len(), 3);
    }

    fn a_cylinder_of_another_supply_is_not_read_at_close_out(world) {
        let keeper = furnish(world);
        let cylinder = json!({"tag": "C9", "water_volume_l": 50.0, "fill_bar": 200.0, "state": "connected"});
        keeper.post("/gas-supplies", &json!({"tag": "SPARE", "gas": "argon", "cylinders": [cylinder]})).is(201);
        let ada = world.researcher("ada");
        let booked = ada.post("/bookings", &booking(world, 2, 3)).is(201);
        world.it_is_now(world.now() + TimeDelta::hours(2));
        let path = format!("/bookings/{}/closeout", booked.id());
        let record = json!({"cylinder_pressures": [{"cylinder": "SPARE/C9", "gauge_bar": 9.0}], "chambers_under_vacuum": true});
        let problem = ada.post(&path, &record).is_problem(422, "invalid-input");
        assert_eq!(codes(&problem), ["other_supply"]);
        ada.post(&path, &json!({"chambers_under_vacuum": true})).is(200);
    }

    fn a_list_is_no_form(world) {
        let keeper = furnish(world);
        keeper.post("/rooms", &json!(["LAB-9", "by position", 50.0, 1.0, true])).is_problem(422, "invalid-input");
    }

    fn head_is_answered_as_get(world) {
        furnish(world);
        let answer = world.keeper().send("HEAD", "/api/v1/gloveboxes/OTTER", &[], None);
        assert_eq!(answer.is(200).header("etag"), Some("\"v1\""));
    }
}
