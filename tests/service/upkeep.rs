//! `/services`, `/due-items` and what moves them: upkeep recorded, corrected and withdrawn.

use crate::world::{Answer, Client, World, on_both_backends};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::QueryableByName;
use diesel::sql_types::Text;
use serde_json::{Value, json};

/// A world with the two boxes and the usual rules.
fn kept_up(world: &World) -> Client {
    let keeper = world.furnished().keeper();
    keeper.post("/upkeep-rules/defaults", &json!({})).is(200);
    keeper
}

/// A world with the two boxes and one rule.
fn with_rule(world: &World, task: &str, kind: &str, triggers: &Value) -> Client {
    let keeper = world.furnished().keeper();
    let rule = json!({
        "task": task, "applies_to": { "kind": kind }, "triggers": triggers, "duration": "PT1H",
        "closes": "nothing", "people": 1, "approach": "P14D", "safety": false
    });
    keeper.post("/upkeep-rules", &rule).is(201);
    keeper
}

/// Computes what is due, a minute later than anything before.
fn night(world: &World) {
    world.it_is_now(world.now() + TimeDelta::minutes(1));
    world.keeper().post("/nightly-runs", &json!({})).is(201);
}

fn item(world: &World, task: &str, tag: &str) -> Value {
    let items = world.keeper().get_all("/due-items");
    let id = items
        .iter()
        .find(|item| item["task"] == task && item["subject_tag"] == tag)
        .unwrap_or_else(|| panic!("no item {task} of {tag} among {items:#?}"))["id"]
        .as_str()
        .unwrap();
    world.keeper().get(&format!("/due-items/{id}")).is(200).json()
}

fn likely(world: &World, task: &str, tag: &str) -> Value {
    item(world, task, tag)["due"]["likely"].clone()
}

fn history(world: &World, item: &Value) -> Vec<Value> {
    world.keeper().get_all(&format!("/due-items/{}/history?limit=2", item["id"].as_str().unwrap()))
}

fn causes(entry: &Value) -> Vec<&str> {
    let reasons = entry["reasons"].as_array().unwrap().iter();
    reasons.map(|reason| reason["reason"].as_str().unwrap()).collect()
}

/// What an item says, without what tells one computation from another.
fn said(item: &Value) -> Value {
    let mut said = item.clone();
    for bookkeeping in ["computed_at", "moved"] {
        said.as_object_mut().unwrap().remove(bookkeeping);
    }
    said
}

fn service(answer: &Answer) -> String {
    format!("/services/{}", answer.id())
}

fn readings(world: &World, subject: &str, quantity: &str, values: &[(TimeDelta, f64)]) {
    let rows: Vec<Value> = values
        .iter()
        .map(|(ago, value)| {
            let at: DateTime<Utc> = world.now() - *ago;
            json!({ "subject": subject, "quantity": quantity, "at": at.to_rfc3339(), "value": value })
        })
        .collect();
    let answer = world.keeper().post("/readings", &json!({ "readings": rows })).is(200).json();
    assert_eq!(answer["accepted"], values.len(), "{answer}");
}

/// A test of an hour from 100 000 Pa at a steady 20 °C.
fn leak_test(end_pa: f64) -> Value {
    json!({
        "duration_min": 60, "start": { "pressure_pa": 100_000.0, "temperature_c": 20.0 },
        "end": { "pressure_pa": end_pa, "temperature_c": 20.0 }
    })
}

/// A line of what the database holds.
#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

/// The bodies of the events of a kind, in order.
fn events(world: &World, kind: &str) -> Vec<Value> {
    let query = format!("SELECT body AS line FROM events WHERE kind = '{kind}' ORDER BY seq");
    let lines = world.raw().rows::<Line>(&query, &query);
    lines.iter().map(|line| serde_json::from_str(&line.line).unwrap()).collect()
}

on_both_backends! {
    /// Twelve months after each date that the gloves are said to have been changed on;
    /// without any, after the day on which the station was entered.
    fn a_due_date_follows_its_service_when_that_is_corrected_and_goes_back_when_it_is_withdrawn(world) {
        let keeper = kept_up(world);
        night(world);
        let entered = json!("2031-01-07T08:00:00Z");
        assert_eq!(likely(world, "glove_change", "LYNX/S1"), entered);
        let form = json!({ "task": "glove_change", "subject": "LYNX/S1", "done_at": "2030-01-06T10:00:00Z" });
        let recorded = keeper.post("/services", &form).is(201);
        assert_eq!(likely(world, "glove_change", "LYNX/S1"), "2031-01-06T10:00:00Z");
        let path = service(&recorded);

        let backdated = json!({ "done_at": "2029-12-01T10:00:00Z", "findings": "Entered late." });
        keeper.patch(&path, &backdated).is_problem(428, "condition-missing");
        let corrected = keeper.patch_with_etag(&path, &recorded.etag(), &backdated).is(200);
        assert_eq!(corrected.json()["findings"], "Entered late.");
        assert_eq!(corrected.json()["done_by"], "keeper");
        assert_eq!(keeper.get(&path).is(200).etag(), corrected.etag());
        keeper.patch_with_etag(&path, &recorded.etag(), &backdated).is_problem(412, "stale");
        assert_eq!(likely(world, "glove_change", "LYNX/S1"), "2030-12-01T10:00:00Z");

        // It was the other station's gloves: both are worked out anew.
        let moved = keeper.patch_with_etag(&path, &corrected.etag(), &json!({ "subject": "LYNX/S2" })).is(200);
        assert_eq!(likely(world, "glove_change", "LYNX/S1"), entered);
        assert_eq!(likely(world, "glove_change", "LYNX/S2"), "2030-12-01T10:00:00Z");

        keeper.delete(&path).is_problem(428, "condition-missing");
        keeper.delete_with_etag(&path, &recorded.etag()).is_problem(412, "stale");
        keeper.delete_with_etag(&path, &moved.etag()).is(204);
        keeper.get(&path).is_problem(404, "not-found");
        assert_eq!(likely(world, "glove_change", "LYNX/S2"), entered);
        assert_eq!(item(world, "glove_change", "LYNX/S2")["last_service"], Value::Null);
        assert_eq!(events(world, "service.removed").len(), 1);
    }

    fn work_that_no_rule_knows_on_such_a_part_is_refused_and_what_is_known_is_named(world) {
        let keeper = world.furnished().keeper();
        // The usual tasks are known before there is any rule.
        keeper.post("/services", &json!({ "task": "glove_change", "subject": "LYNX/S1" })).is(201);
        let regenerated = keeper.post("/services", &json!({ "task": "purifier_regeneration", "subject": "LYNX" }));
        let purifier = keeper.get("/gloveboxes/LYNX").is(200).json()["purifier"]["id"].clone();
        assert_eq!(regenerated.is(201).json()["subject"], purifier);

        let typo = keeper.post("/services", &json!({ "task": "glove_chnage", "subject": "LYNX/S1" }));
        assert_eq!(typo.violations(), [("task".to_owned(), "unknown_task".to_owned())]);
        assert!(typo.text.contains("there are glove_change"), "{}", typo.text);
        let elsewhere = keeper.post("/services", &json!({ "task": "leak_test", "subject": "LYNX/S1" }));
        assert_eq!(elsewhere.violations(), [("task".to_owned(), "unknown_task".to_owned())]);
        // A site's own word is known once a rule has it.
        let own = json!({
            "task": "window_polish", "applies_to": { "kind": "glovebox" }, "closes": "nothing", "people": 1,
            "triggers": [{ "kind": "calendar", "every": "P1M" }], "duration": "PT1H", "approach": "P7D", "safety": false
        });
        let polish = json!({ "task": "window_polish", "subject": "OTTER" });
        assert_eq!(keeper.post("/services", &polish).violations()[0].1, "unknown_task");
        let rule = keeper.post("/upkeep-rules", &own).is(201);
        let recorded = keeper.post("/services", &polish).is(201);
        // What stands recorded can be corrected even when its rule is gone.
        keeper.delete_with_etag(&format!("/upkeep-rules/{}", rule.id()), &rule.etag()).is(204);
        keeper.patch_with_etag(&service(&recorded), "*", &json!({ "findings": "Both pairs." })).is(200);
        let moved = keeper.patch_with_etag(&service(&recorded), "*", &json!({ "subject": "LYNX" }));
        assert_eq!(moved.violations(), [("task".to_owned(), "unknown_task".to_owned())]);
    }

    fn every_fault_of_a_service_is_named(world) {
        let keeper = kept_up(world);
        let form = json!({
            "task": "leak_test", "subject": "LYNX", "done_at": "1999-12-31T23:59:59Z", "outcome": "so_so",
            "measured": { "a": [1], "b": null, "c": { "d": { "e": 1 } }, "f": 1, "g": "text", "h": true,
                          "start": { "pressure_pa": 1000.0 } },
            "restarts": ["leak_test"]
        });
        let refused = keeper.post("/services", &form);
        refused.is_problem(422, "invalid-input");
        let expected = [
            ("done_at", "too_old"), ("measured.a", "wrong_type"), ("measured.b", "wrong_type"),
            ("measured.c.d", "wrong_type"), ("measured.duration_min", "missing_field"),
            ("measured.end", "missing_field"), ("measured.start.temperature_c", "missing_field"),
            ("outcome", "unknown_word"), ("restarts", "not_replaced"),
        ];
        let expected: Vec<(String, String)> =
            expected.iter().map(|(field, code)| ((*field).to_owned(), (*code).to_owned())).collect();
        assert_eq!(refused.violations(), expected);
        let time = |at: &str| {
            let form = json!({ "task": "leak_test", "subject": "LYNX", "done_at": at });
            keeper.post("/services", &form).violations()[0].1.clone()
        };
        assert_eq!(time("yesterday"), "bad_time");
        assert_eq!(time("2130-01-01T00:00:00Z"), "out_of_range");
        assert_eq!(time("2030-01-07T08:00:01Z"), "in_the_future");
        // Who did it may be nobody on record, whatever it looks like.
        for who in ["NOBODY-7", "018f0000-0000-7000-8000-000000000000"] {
            let form = json!({ "task": "leak_test", "subject": "LYNX", "done_by": who });
            let recorded = keeper.post("/services", &form).is(201).json();
            assert_eq!((&recorded["done_by"], &recorded["person"]), (&json!(who), &Value::Null));
        }
    }

    /// A limit of 100 h; 20 h between the readings before, 5 h and 15 h after.
    fn with_a_new_pump_every_task_on_it_counts_anew(world) {
        let limit = json!([{ "kind": "usage", "meter": "pump_hours", "limit": 100.0 }]);
        let keeper = with_rule(world, "pump_oil_change", "antechamber", &limit);
        let seals = json!({
            "task": "door_seal_change", "applies_to": { "kind": "antechamber" }, "closes": "nothing", "people": 1,
            "triggers": [{ "kind": "calendar", "every": "P24M" }], "duration": "PT1H", "approach": "P7D", "safety": false
        });
        keeper.post("/upkeep-rules", &seals).is(201);
        let (week, chamber) = (TimeDelta::weeks, "LYNX/LARGE");
        let values = [(week(4), 2000.0), (week(3), 2020.0), (week(1), 7.0), (TimeDelta::days(3), 12.0), (week(0), 27.0)];
        readings(world, chamber, "pump_hours", &values);
        night(world);
        let before = item(world, "pump_oil_change", chamber);
        assert_eq!(before["triggers"][0]["quantity"], "pump_hours");

        let form = json!({
            "task": "pump_oil_change", "subject": chamber, "done_at": "2029-12-25T08:00:00Z", "replaced": true
        });
        let recorded = keeper.post("/services", &form).is(201);
        assert_eq!((&recorded.json()["replaced"], &recorded.json()["restarts"]), (&json!(true), &Value::Null));
        let pump = item(world, "pump_oil_change", chamber);
        assert_eq!(pump["triggers"][0]["summary"], "20 of 100 h used");
        let notes = pump["triggers"][0]["evidence"]["notes"].to_string();
        assert!(notes.contains("the part was replaced on 25 Dec 2029"), "{notes}");
        let seal = item(world, "door_seal_change", chamber);
        assert_eq!(seal["due"]["likely"], "2031-12-25T08:00:00Z");
        assert_eq!(seal["triggers"][0]["summary"], "P2Y after the replacement of 25 Dec 2029");

        // Only the pump is new: the doors' seals are as old as they were.
        let only = json!({ "restarts": ["pump_oil_change"] });
        keeper.patch_with_etag(&service(&recorded), "*", &only).is(200);
        assert_eq!(likely(world, "door_seal_change", chamber), "2032-01-07T08:00:00Z");
        // No replacement after all: the counter fell, and what it shows since is use of the same pump.
        keeper.delete_with_etag(&service(&recorded), "*").is(204);
        assert_eq!(said(&item(world, "pump_oil_change", chamber)), said(&before));
    }

    /// A new sensor is not a new box.
    fn what_is_replaced_in_a_box_restarts_only_its_own_task(world) {
        let keeper = kept_up(world);
        night(world);
        let form = json!({
            "task": "oxygen_sensor_service", "subject": "LYNX", "done_at": "2030-01-06T08:00:00Z", "replaced": true
        });
        let recorded = keeper.post("/services", &form).is(201).json();
        assert_eq!(recorded["restarts"], json!(["oxygen_sensor_service"]));
        assert_eq!(likely(world, "oxygen_sensor_service", "LYNX"), "2031-01-06T08:00:00Z");
        assert_eq!(likely(world, "leak_test", "LYNX"), "2030-07-07T08:00:00Z");
    }

    fn deleting_a_wrong_reading_changes_the_answer_back(world) {
        let condition = json!([{ "kind": "condition", "quantity": "filter_pressure_mbar", "limit": 5.0 }]);
        let keeper = with_rule(world, "filter_change", "glovebox", &condition);
        let steady: Vec<(TimeDelta, f64)> = (1..=6).map(|day| (TimeDelta::days(day), 1.0)).collect();
        readings(world, "LYNX", "filter_pressure_mbar", &steady);
        night(world);
        let before = item(world, "filter_change", "LYNX");
        assert_eq!((&before["state"], &before["due"]["likely"]), (&json!("current"), &Value::Null));

        readings(world, "LYNX", "filter_pressure_mbar", &[(TimeDelta::minutes(1), 50.0)]);
        night(world);
        let wrong = item(world, "filter_change", "LYNX");
        assert_eq!((&wrong["state"], &wrong["due"]["likely"]), (&json!("due"), &json!("2030-01-07T08:00:00Z")));

        let query = "subject=LYNX&quantity=filter_pressure_mbar&at=2030-01-07T08:00:00Z";
        keeper.delete(&format!("/readings?{query}")).is(204);
        let after = item(world, "filter_change", "LYNX");
        assert_eq!(said(&after), said(&before));
        let detail = "has no date any more: a reading of filter_pressure_mbar less";
        assert_eq!((&after["moved"]["detail"], causes(&after["moved"])), (&json!(detail), vec!["reading"]));
    }

    /// What the gauge of a cylinder says concerns the supply that it is part of.
    fn a_wrong_reading_of_a_cylinder_is_taken_back_from_its_supply(world) {
        let keeper = kept_up(world);
        let falling = (1..=12_i32).map(|day| (TimeDelta::days(i64::from(day)), 100.0 + f64::from(day)));
        readings(world, "AR-PANEL/C1", "gauge_bar", &falling.collect::<Vec<_>>());
        night(world);
        let before = item(world, "cylinder_swap", "AR-PANEL");
        readings(world, "AR-PANEL/C1", "gauge_bar", &[(TimeDelta::minutes(1), 15.0)]);
        night(world);
        assert_ne!(said(&item(world, "cylinder_swap", "AR-PANEL")), said(&before));
        let query = "subject=AR-PANEL/C1&quantity=gauge_bar&at=2030-01-07T08:00:00Z";
        keeper.delete(&format!("/readings?{query}")).is(204);
        let after = item(world, "cylinder_swap", "AR-PANEL");
        assert_eq!(after["triggers"][0]["evidence"]["readings"], before["triggers"][0]["evidence"]["readings"]);
    }

    /// Exact: 0.1 % of the gas in an hour is 1e-3 1/h, class 2; 2 % is class 4
    /// (limits of ISO 10648-2 from memory).
    fn a_leak_test_is_judged_by_its_figure(world) {
        let keeper = kept_up(world);
        let form = |end_pa: f64, outcome: Option<&str>| {
            let mut form = json!({ "task": "leak_test", "subject": "LYNX", "measured": leak_test(end_pa) });
            if let Some(outcome) = outcome {
                form["outcome"] = json!(outcome);
            }
            form
        };
        let tight = keeper.post("/services", &form(99_900.0, None)).is(201).json();
        let rate = tight["leak_test"]["hourly_leak_rate_per_h"].as_f64().unwrap();
        assert!((rate - 1e-3).abs() < 1e-12, "{rate}");
        assert_eq!((&tight["outcome"], &tight["leak_test"]["class"]), (&json!("passed"), &json!(2)));
        assert_eq!(tight["leak_test"]["required_class"], 3);
        assert!(tight["leak_test"].to_string().contains("Conformity needs the standard itself"), "{tight}");

        let refused = keeper.post("/services", &form(98_000.0, Some("passed")));
        refused.is_problem(422, "invalid-input");
        assert_eq!(refused.violations(), [("outcome".to_owned(), "contradicts_figure".to_owned())]);
        assert!(refused.text.contains("0.02 1/h (class 4)"), "{}", refused.text);
        assert!(keeper.get_all("/holds?open=true").is_empty());

        world.it_is_now(world.now() + TimeDelta::minutes(90));
        let leaky = keeper.post("/services", &form(98_000.0, None)).is(201);
        assert_eq!((&leaky.json()["outcome"], &leaky.json()["leak_test"]["class"]), (&json!("failed"), &json!(4)));
        let holds = keeper.get_all("/holds?open=true");
        assert_eq!((holds.len(), &holds[0]["source"]), (1, &json!("leak_test")));
        assert!(holds[0]["reason"].as_str().unwrap().contains("worse than the required class 3"), "{holds:?}");
        let due = item(world, "leak_test", "LYNX");
        assert_eq!((&due["governing_trigger"], &due["state"]), (&json!("finding"), &json!("due")));

        // The pressure was misread: the outcome follows the figure, the hold waits for a person.
        let change = json!({ "measured": { "end": { "pressure_pa": 99_900.0 } } });
        let mended = keeper.patch_with_etag(&service(&leaky), &leaky.etag(), &change).is(200).json();
        assert_eq!((&mended["outcome"], &mended["leak_test"]["class"]), (&json!("passed"), &json!(2)));
        assert_eq!(item(world, "leak_test", "LYNX")["governing_trigger"], "calendar");
        assert_eq!(keeper.get_all("/holds?open=true").len(), 1);
        assert_eq!(events(world, "service.changed")[0]["hold"], holds[0]["id"]);
    }

    /// Exact: barometer 101 325 → 101 255 Pa, gauge -1000 → -930 Pa, 22.0 → 21.9 °C:
    /// 295.15/295.05 - 1 = 3.389e-4 1/h, and all of it is correction.
    fn a_correction_larger_than_the_leak_is_warned_of(world) {
        let keeper = kept_up(world);
        let measured = json!({
            "duration_min": 60,
            "start": { "gauge_pa": -1000.0, "barometer_pa": 101_325.0, "temperature_c": 22.0 },
            "end": { "gauge_pa": -930.0, "barometer_pa": 101_255.0, "temperature_c": 21.9 }
        });
        let form = json!({ "task": "leak_test", "subject": "LYNX", "measured": measured });
        let leak = keeper.post("/services", &form).is(201).json()["leak_test"].clone();
        assert!((leak["hourly_leak_rate_per_h"].as_f64().unwrap() - 3.389e-4).abs() < 5e-8, "{leak}");
        assert_eq!(leak["class"], 1);
        let codes: Vec<&Value> = leak["cautions"].as_array().unwrap().iter().map(|one| &one["code"]).collect();
        assert_eq!(codes, ["correction_dominates", "not_a_certificate"]);
    }

    fn a_site_says_how_tight_its_boxes_must_be_and_whether_a_leak_closes_them(world) {
        let keeper = kept_up(world);
        let policies = &keeper.get("/facility").is(200).json()["policies"];
        assert_eq!(policies["required_tightness_class"], 3);
        assert_eq!(policies["hold_on_failed_leak_test"], true);
        let wrong = json!({ "policies": { "required_tightness_class": 5 } });
        let refused = keeper.patch_with_etag("/facility", "*", &wrong);
        assert_eq!(refused.violations()[0].0, "policies.required_tightness_class");
        let strict = json!({ "policies": { "required_tightness_class": 1, "hold_on_failed_leak_test": false } });
        keeper.patch_with_etag("/facility", "*", &strict).is(200);
        // Class 2, as in the test above.
        let form = json!({ "task": "leak_test", "subject": "LYNX", "measured": leak_test(99_900.0) });
        let failed = keeper.post("/services", &form).is(201);
        assert_eq!((&failed.json()["outcome"], &failed.json()["leak_test"]["required_class"]), (&json!("failed"), &json!(1)));
        assert!(keeper.get_all("/holds?open=true").is_empty());
        // A test is judged by what was required then, also when its record is corrected later.
        keeper.patch_with_etag("/facility", "*", &json!({ "policies": { "required_tightness_class": 4 } })).is(200);
        let corrected = keeper.patch_with_etag(&service(&failed), "*", &json!({ "findings": "Left port." })).is(200);
        assert_eq!((&corrected.json()["outcome"], &corrected.json()["leak_test"]["required_class"]), (&json!("failed"), &json!(1)));
    }

    fn a_withdrawn_leak_test_leaves_its_hold_and_says_so(world) {
        let keeper = kept_up(world);
        let form = json!({ "task": "leak_test", "subject": "LYNX", "outcome": "failed" });
        let failed = keeper.post("/services", &form).is(201);
        let hold = keeper.get_all("/holds?open=true")[0]["id"].clone();
        keeper.delete_with_etag(&service(&failed), &failed.etag()).is(204);
        assert_eq!(item(world, "leak_test", "LYNX")["governing_trigger"], "calendar");
        assert_eq!(keeper.get_all("/holds?open=true").len(), 1);
        let told = &events(world, "service.removed")[0];
        assert_eq!(told["hold"], hold);
        assert!(told["remark"].as_str().unwrap().contains("until a person releases it"), "{told}");
        let path = format!("/holds/{}", hold.as_str().unwrap());
        let etag = keeper.get(&path).is(200).etag();
        keeper.post_with_etag(&format!("{path}/release"), &etag, &json!({ "remark": "Wrong box." })).is(200);
        assert!(keeper.get_all("/holds?open=true").is_empty());
    }

    /// A limit of 4 h: a booking of 08:00 to 14:00 reaches it at noon; moved up by a
    /// day, a day earlier; cancelled, never.
    fn a_due_date_keeps_how_it_moved_and_why(world) {
        let limit = json!([{ "kind": "usage", "meter": "station_hours", "limit": 4.0 }]);
        let keeper = with_rule(world, "glove_change", "station", &limit);
        let ada = world.qualified("ada");
        let book = |day: &str| {
            let form = json!({
                "glovebox": "LYNX", "station": "S1", "purpose": "Cells",
                "start": format!("{day}T08:00:00Z"), "end": format!("{day}T14:00:00Z")
            });
            ada.post("/bookings", &form).is(201).id()
        };
        let cancel = |id: &str| ada.post(&format!("/bookings/{id}/cancel"), &json!({})).is(200);
        let first = book("2030-01-20");
        night(world);
        let fresh = item(world, "glove_change", "LYNX/S1");
        assert_eq!((&fresh["due"]["likely"], &fresh["moved"]), (&json!("2030-01-20T12:00:00Z"), &Value::Null));
        night(world);
        assert_eq!(history(world, &fresh).len(), 1, "nothing has moved");

        // Another booking before it reaches the limit by itself.
        let second = book("2030-01-17");
        night(world);
        let earlier = item(world, "glove_change", "LYNX/S1");
        assert_eq!(earlier["due"]["likely"], "2030-01-17T12:00:00Z");
        let moved = &earlier["moved"];
        assert_eq!(moved["detail"], "moved 3 days earlier: 6 h more are booked or were used");
        assert_eq!(moved["from"]["likely"], "2030-01-20T12:00:00Z");
        let seen = keeper.get(&format!("/due-items/{}", earlier["id"].as_str().unwrap())).is(200);
        assert_eq!(seen.json()["moved"], *moved);

        let form = json!({ "task": "glove_change", "subject": "LYNX/S1" });
        let recorded = keeper.post("/services", &form).is(201);
        keeper.delete_with_etag(&service(&recorded), "*").is(204);
        cancel(&first);
        cancel(&second);
        night(world);
        let entries = history(world, &earlier);
        let told: Vec<(Vec<&str>, &Value)> =
            entries.iter().map(|entry| (causes(entry), &entry["due"]["likely"])).collect();
        assert_eq!(
            told,
            [
                (vec!["first"], &json!("2030-01-20T12:00:00Z")),
                (vec!["booking"], &json!("2030-01-17T12:00:00Z")),
                (vec!["booking"], &Value::Null),
            ]
        );
        let times: Vec<&str> = entries.iter().map(|entry| entry["at"].as_str().unwrap()).collect();
        assert!(times.is_sorted(), "{times:?}");

        // With its item a history goes.
        for rule in keeper.get_all("/upkeep-rules") {
            keeper.delete_with_etag(&format!("/upkeep-rules/{}", rule["id"].as_str().unwrap()), "*").is(204);
        }
        keeper.get(&format!("/due-items/{}/history", fresh["id"].as_str().unwrap())).is_problem(404, "not-found");
        let count = "SELECT CAST(count(*) AS TEXT) AS line FROM due_date_history";
        assert_eq!(world.raw().rows::<Line>(count, count)[0].line, "0");
    }

    fn a_service_is_the_first_reason_and_a_changed_rule_is_one(world) {
        let keeper = with_rule(world, "leak_test", "glovebox", &json!([{ "kind": "calendar", "every": "P6M" }]));
        night(world);
        let form = json!({ "task": "leak_test", "subject": "LYNX", "done_at": "2030-01-05T08:00:00Z" });
        keeper.post("/services", &form).is(201);
        let moved = item(world, "leak_test", "LYNX")["moved"].clone();
        assert_eq!(moved["detail"], "moved 2 days earlier: a service of Sat 5 Jan 2030 counts");
        let rule = format!("/upkeep-rules/{}", keeper.get_all("/upkeep-rules")[0]["id"].as_str().unwrap());
        keeper.patch_with_etag(&rule, "*", &json!({ "triggers": [{ "kind": "calendar", "every": "P1M" }] })).is(200);
        night(world);
        let moved = item(world, "leak_test", "LYNX")["moved"].clone();
        assert_eq!(causes(&moved), ["rule"]);
        // Three weeks on it approaches, by nothing but time.
        world.it_is_now(world.now() + TimeDelta::days(21));
        night(world);
        let found = item(world, "leak_test", "LYNX");
        assert_eq!((&found["state"], causes(&found["moved"])), (&json!("approaching"), vec!["time"]));
    }
}
