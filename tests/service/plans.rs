//! Maintenance plans: proposed around the bookings, adopted all or nothing, and
//! what becomes of their visits.

use crate::world::{Answer, Client, World, on_both_backends};
use serde_json::{Value, json};
use std::collections::BTreeMap;

const PLANS: &str = "/maintenance-plans";
const VISITS: &str = "/maintenance-visits";

/// A leak test of each box, due half a year after the last one.
fn leak_tests(keeper: &Client, safety: bool) -> Answer {
    let rule = json!({
        "task": "leak_test", "applies_to": "glovebox", "duration": "PT2H", "closes": "whole_box",
        "triggers": [{ "kind": "calendar", "every": "P6M" }], "competence": "leak_test", "safety": safety
    });
    keeper.post("/upkeep-rules", &rule).is(201)
}

/// A window on Wednesday mornings in which bookings give way with two days' notice.
fn wednesdays(keeper: &Client) {
    let window = json!({
        "name": "Upkeep", "dtstart": "2030-01-02T08:00:00", "timezone": "UTC", "duration": "PT4H",
        "rrule": "FREQ=WEEKLY;BYDAY=WE", "holds": "when_needed", "notice": "P2D"
    });
    keeper.post("/maintenance-windows", &window).is(201);
}

/// Somebody who tests for leaks on working days from eight to five.
fn tester(keeper: &Client) {
    let day = json!([{ "from": "08:00", "to": "17:00" }]);
    let hours = json!({ "monday": day, "tuesday": day, "wednesday": day, "thursday": day, "friday": day });
    let person = json!({ "tag": "KIM", "name": "Kim", "working_hours": hours });
    keeper.post("/people", &person).is(201);
    keeper.post("/qualifications", &json!({ "person": "KIM", "task": "leak_test" })).is(201);
}

/// Two boxes whose leak tests are due on 20 January, a window a week, and one
/// person to do it; the clock stands at Monday, 7 January.
pub(crate) fn kept(world: &World) -> Client {
    let keeper = world.furnished().keeper();
    leak_tests(&keeper, false);
    wednesdays(&keeper);
    tester(&keeper);
    for glovebox in ["LYNX", "OTTER"] {
        tested(&keeper, glovebox, "2029-07-20T08:00:00Z");
    }
    keeper.post("/nightly-runs", &json!({})).is(201);
    keeper
}

/// A leak test that people's safety depends on and that nobody is there to do.
pub(crate) fn refused(world: &World) -> Client {
    let keeper = world.furnished().keeper();
    leak_tests(&keeper, true);
    wednesdays(&keeper);
    tested(&keeper, "LYNX", "2029-07-20T08:00:00Z");
    keeper.post("/nightly-runs", &json!({})).is(201);
    keeper
}

fn tested(keeper: &Client, glovebox: &str, at: &str) -> Answer {
    let service = json!({ "task": "leak_test", "subject": glovebox, "done_at": at, "outcome": "passed" });
    keeper.post("/services", &service).is(201)
}

pub(crate) fn propose(keeper: &Client, asked: &Value) -> Value {
    keeper.post(PLANS, asked).is(201).json()
}

pub(crate) fn adopt(keeper: &Client, plan: &Value) -> Answer {
    keeper.post(&format!("{PLANS}/{}/adopt", plan["id"].as_str().unwrap()), &json!({}))
}

fn visits(plan: &Value) -> Vec<(String, String)> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    plan["visits"].as_array().unwrap().iter().map(|v| (text(&v["place_tag"]), text(&v["start"]))).collect()
}

fn codes(problem: &Value, member: &str, name: &str) -> Vec<String> {
    problem[member].as_array().unwrap().iter().map(|one| one[name].as_str().unwrap().to_owned()).collect()
}

/// A booking of the whole box, which the window's upkeep would displace.
fn whole_box(glovebox: &str, start: &str, end: &str) -> Value {
    json!({ "glovebox": glovebox, "whole_box": true, "start": start, "end": end, "purpose": "Sealing ampoules" })
}

fn planned(keeper: &Client) -> BTreeMap<String, Value> {
    let items = keeper.get_all("/due-items").into_iter();
    items.map(|item| (item["subject_tag"].as_str().unwrap().to_owned(), item["planned"].clone())).collect()
}

on_both_backends! {
    fn due_upkeep_goes_on_the_calendar_in_its_window(world) {
        let keeper = kept(world);
        let plan = propose(&keeper, &json!({}));
        assert_eq!(plan["status"], "proposed");
        assert_eq!(plan["quality"]["stopped"], "proved");
        assert_eq!(plan["quality"]["gap"], 0.0);
        // Both on one of the two Wednesdays before the 20th, one after the other: there is one tester.
        let found = visits(&plan);
        assert_eq!(found.len(), 2, "{plan}");
        assert!(found.iter().all(|(_, at)| at.starts_with("2030-01-09") || at.starts_with("2030-01-16")), "{found:?}");
        assert_ne!(found[0].1, found[1].1);
        assert_eq!(planned(&keeper)["LYNX"], Value::Null);
        assert_eq!(keeper.get_all(VISITS), Vec::<Value>::new());
        let before = keeper.get_all("/due-items")[0]["id"].as_str().unwrap().to_owned();
        let etag = keeper.get(&format!("/due-items/{before}")).etag();

        let adopted = adopt(&keeper, &plan).is(200).json();
        assert_eq!(adopted["status"], "adopted");
        let shown = keeper.get_all(VISITS);
        assert_eq!(shown.len(), 2);
        assert_eq!(shown[0]["status"], "confirmed");
        assert_eq!(shown[0]["tasks"][0]["attended"][0]["people"][0]["name"], "Kim");
        assert_eq!(planned(&keeper)["LYNX"]["start"].as_str().unwrap().len(), 20);
        assert_ne!(keeper.get(&format!("/due-items/{before}")).etag(), etag);
        // What is on the calendar is taken for bookings, and is not planned again.
        let visit = &shown[0];
        let (tag, start, end) =
            (&visit["place_tag"], visit["start"].as_str().unwrap(), visit["end"].as_str().unwrap());
        let ada = world.qualified("ada");
        let refusal = ada
            .post("/bookings", &whole_box(tag.as_str().unwrap(), start, end))
            .is_problem(409, "booking-conflict");
        assert_eq!(refusal["conflicts"][0]["taken_by"], "maintenance_visit");
        assert_eq!(visits(&propose(&keeper, &json!({}))), Vec::new());
        adopt(&keeper, &plan).is_problem(409, "wrong-state");
    }

    fn who_gives_way_is_told_where_to_go_instead(world) {
        let keeper = kept(world);
        let ada = world.qualified("ada");
        // Every Wednesday that is early enough is booked, on both boxes.
        let mut booked = Vec::new();
        for day in ["09", "16"] {
            for glovebox in ["LYNX", "OTTER"] {
                let (start, end) = (format!("2030-01-{day}T08:00:00Z"), format!("2030-01-{day}T12:00:00Z"));
                let booking = ada.post("/bookings", &whole_box(glovebox, &start, &end)).is(201).json();
                assert_eq!(booking["status"], "tentative");
                booked.push(booking["id"].clone());
            }
        }
        let plan = propose(&keeper, &json!({ "to": "2030-01-20T00:00:00Z" }));
        let displaced: Vec<&Value> =
            plan["visits"].as_array().unwrap().iter().flat_map(|visit| visit["displaced"].as_array().unwrap()).collect();
        assert_eq!(displaced.len(), 2, "{plan}");
        for one in &displaced {
            assert!(booked.contains(&one["booking"]));
            assert_eq!(one["person_name"], "ada");
            // Four hours, tentative, with more than a week's notice or less, and elsewhere to go or not.
            assert!(one["person_hours"].as_f64().unwrap() > 0.0);
        }
        let reasons = plan["visits"][0]["reasons"].as_array().unwrap();
        assert!(reasons.iter().any(|reason| reason.as_str().unwrap().starts_with("One booking gives way")));
        adopt(&keeper, &plan).is(200);
        for one in displaced {
            let gone = ada.get(&format!("/bookings/{}", one["booking"].as_str().unwrap())).is(200).json();
            assert_eq!((&gone["status"], &gone["progress"]), (&json!("cancelled"), &json!("cancelled")));
            assert!(gone["displaced_by"].is_string());
            assert_eq!(gone["claims"], json!([]));
            assert_eq!(gone["alternatives"], one["alternatives"]);
            // The first place offered can be had as it stands.
            let other = &one["alternatives"][0];
            let again = json!({
                "glovebox": other["glovebox_tag"], "whole_box": true, "purpose": "Sealing ampoules",
                "start": other["start"], "end": other["end"]
            });
            ada.post("/bookings", &again).is(201);
        }
    }

    fn a_plan_that_no_longer_fits_names_what_has_changed_and_changes_nothing(world) {
        let keeper = kept(world);
        let ada = world.qualified("ada");
        let plan = propose(&keeper, &json!({}));
        let visit = &plan["visits"][0];
        let (tag, start, end) = (visit["place_tag"].as_str().unwrap(), visit["start"].clone(), visit["end"].clone());
        let booking = ada
            .post("/bookings", &whole_box(tag, start.as_str().unwrap(), end.as_str().unwrap()))
            .is(201)
            .json();
        let problem = adopt(&keeper, &plan).is_problem(409, "plan-outdated");
        assert_eq!(codes(&problem, "changes", "code"), ["booked_meanwhile"]);
        assert_eq!(problem["changes"][0]["booking"], booking["id"]);
        assert_eq!(keeper.get_all(VISITS), Vec::<Value>::new());
        assert_eq!(ada.get(&format!("/bookings/{}", booking["id"].as_str().unwrap())).json()["status"], "tentative");

        // Proposed anew it reckons with the booking.
        let plan = propose(&keeper, &json!({}));
        tested(&keeper, "LYNX", "2030-01-07T08:00:00Z");
        let problem = adopt(&keeper, &plan).is_problem(409, "plan-outdated");
        assert_eq!(codes(&problem, "changes", "code"), ["done_meanwhile"]);
        assert!(problem["changes"][0]["detail"].as_str().unwrap().contains("LYNX"));

        let plan = propose(&keeper, &json!({}));
        let rule = keeper.get_all("/upkeep-rules")[0]["id"].as_str().unwrap().to_owned();
        keeper.patch_with_etag(&format!("/upkeep-rules/{rule}"), "*", &json!({ "people": 2 })).is(200);
        let problem = adopt(&keeper, &plan).is_problem(409, "plan-outdated");
        assert_eq!(codes(&problem, "changes", "code"), ["rule_changed"]);

        let plan = propose(&keeper, &json!({ "due_items": [] }));
        assert_eq!(visits(&plan), Vec::new());
        world.it_is_now("2030-01-16T08:30:00Z".parse().unwrap());
        adopt(&keeper, &plan).is(200);
    }

    fn time_that_has_passed_outdates_a_plan(world) {
        let keeper = kept(world);
        let plan = propose(&keeper, &json!({}));
        world.it_is_now("2030-01-16T16:00:00Z".parse().unwrap());
        let problem = adopt(&keeper, &plan).is_problem(409, "plan-outdated");
        assert_eq!(codes(&problem, "changes", "code"), ["visit_past", "visit_past"]);
    }

    fn bookings_that_are_gone_are_no_hindrance(world) {
        let keeper = kept(world);
        let ada = world.qualified("ada");
        let mut made = Vec::new();
        for day in ["09", "16"] {
            let (start, end) = (format!("2030-01-{day}T08:00:00Z"), format!("2030-01-{day}T12:00:00Z"));
            for glovebox in ["LYNX", "OTTER"] {
                made.push(ada.post("/bookings", &whole_box(glovebox, &start, &end)).is(201).json());
            }
        }
        let plan = propose(&keeper, &json!({ "to": "2030-01-20T00:00:00Z" }));
        for booking in &made {
            ada.post(&format!("/bookings/{}/cancel", booking["id"].as_str().unwrap()), &json!({})).is(200);
        }
        let adopted = adopt(&keeper, &plan).is(200).json();
        assert!(adopted["visits"].as_array().unwrap().iter().all(|visit| visit["displaced"] == json!([])));
        let cancelled = ada.get(&format!("/bookings/{}", made[0]["id"].as_str().unwrap())).json();
        assert_eq!(cancelled["displaced_by"], Value::Null);
    }

    fn what_must_be_done_and_cannot_is_refused_with_the_rules_in_the_way(world) {
        let keeper = refused(world);
        let refusal = keeper.post(PLANS, &json!({})).is_problem(422, "plan-impossible");
        // Nobody is there who could do it: with nobody, working time is in the way as well.
        let rules = codes(&refusal, "in_the_way", "rule");
        assert!(rules.contains(&"competence".to_owned()) || rules.contains(&"working_time".to_owned()), "{refusal}");
        assert_eq!(refusal["proved"], true);
        assert!(refusal["in_the_way"][0]["relax"].as_str().unwrap().len() > 10);

        tester(&keeper);
        assert_eq!(visits(&propose(&keeper, &json!({ "gloveboxes": ["LYNX"] }))).len(), 1);
        let away = json!({ "absences": [{ "start": "2030-01-08T00:00:00Z", "end": "2030-02-01T00:00:00Z" }] });
        keeper.patch_with_etag("/people/KIM", "*", &away).is(200);
        let refusal = keeper.post(PLANS, &json!({ "gloveboxes": ["LYNX"] })).is_problem(422, "plan-impossible");
        assert!(codes(&refusal, "in_the_way", "rule").contains(&"working_time".to_owned()), "{refusal}");
    }

    fn a_keeper_asks_what_would_be_if(world) {
        let keeper = kept(world);
        let plan = propose(&keeper, &json!({ "seed": 7 }));
        let task = |tag: &str| {
            let visits = plan["visits"].as_array().unwrap();
            visits.iter().find(|visit| visit["place_tag"] == tag).unwrap()["tasks"][0]["due_item"].clone()
        };
        let at = |plan: &Value, tag: &str| visits(plan).into_iter().find(|(place, _)| place == tag).map(|(_, at)| at);
        // Moved: pinned elsewhere, with all that was asked before.
        let moved = propose(&keeper, &json!({
            "based_on": plan["id"], "pins": [{ "due_item": task("LYNX"), "start": "2030-01-23T09:30:00Z" }]
        }));
        assert_eq!(moved["seed"], 7);
        assert_eq!(at(&moved, "LYNX").unwrap(), "2030-01-23T09:30:00Z");
        assert!(moved["quality"]["person_hours"].as_f64() > plan["quality"]["person_hours"].as_f64());
        // Kept free: nothing in either of the early Wednesdays on that box.
        let free = json!([{ "glovebox": "OTTER", "start": "2030-01-07T00:00:00Z", "end": "2030-01-18T00:00:00Z" }]);
        let kept_free = propose(&keeper, &json!({ "based_on": moved["id"], "keep_free": free }));
        assert_eq!(at(&kept_free, "LYNX").unwrap(), "2030-01-23T09:30:00Z");
        assert!(at(&kept_free, "OTTER").unwrap().as_str() >= "2030-01-23");
        // Left out, which lifts the pin.
        let without = propose(&keeper, &json!({ "based_on": moved["id"], "leave_out": [task("LYNX")] }));
        assert_eq!(at(&without, "LYNX"), None);
        assert_eq!(without["left_out"][0]["subject_tag"], "LYNX");
        assert_eq!(without["asked"]["leave_out"], json!([task("LYNX")]));
        assert!(without["text"].as_str().unwrap().contains("OTTER"));
        // What is given takes the place of what was asked before.
        let free_again = propose(&keeper, &json!({ "based_on": kept_free["id"], "keep_free": [] }));
        assert!(at(&free_again, "OTTER").unwrap().as_str() < "2030-01-20");
        assert!(at(&without, "OTTER").is_some());
        keeper.delete_with_etag(&format!("{PLANS}/{}", moved["id"].as_str().unwrap()), "*").is(204);
        keeper.post(PLANS, &json!({ "based_on": moved["id"] })).is(422);
    }

    fn a_visit_is_called_off_and_its_time_is_free_again(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let visit = keeper.get(&format!("{VISITS}?glovebox=LYNX")).is(200).json()["items"][0].clone();
        let path = format!("{VISITS}/{}", visit["id"].as_str().unwrap());
        keeper.post_with_etag(&format!("{path}/cancel"), "\"v9\"", &json!({})).is(412);
        let cancelled = keeper.post(&format!("{path}/cancel"), &json!({})).is(200).json();
        assert_eq!((&cancelled["status"], &cancelled["claims"]), (&json!("cancelled"), &json!([])));
        keeper.post(&format!("{path}/cancel"), &json!({})).is_problem(409, "wrong-state");
        assert_eq!(planned(&keeper)["LYNX"], Value::Null);
        let ada = world.qualified("ada");
        ada.post("/bookings", &whole_box("LYNX", visit["start"].as_str().unwrap(), visit["end"].as_str().unwrap()))
            .is(201);
        assert_eq!(visits(&propose(&keeper, &json!({}))).len(), 1);
        assert_eq!(keeper.get_all(&format!("{VISITS}?status=cancelled")).len(), 1);
    }

    fn a_visit_is_completed_by_the_services_that_it_was_for(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let of = |tag: &str| keeper.get(&format!("{VISITS}?glovebox={tag}")).is(200).json()["items"][0].clone();
        // Done ahead of its time: what the visit had taken is free.
        let service = tested(&keeper, "LYNX", "2030-01-07T08:00:00Z");
        let visit = of("LYNX");
        assert_eq!(visit["status"], "completed");
        assert_eq!(visit["tasks"][0]["service"], service.json()["id"]);
        assert_eq!(visit["claims"], json!([]));
        // Done in its time, and taken off the record again.
        let visit = of("OTTER");
        world.it_is_now(visit["start"].as_str().unwrap().parse().unwrap());
        let service = tested(&keeper, "OTTER", visit["start"].as_str().unwrap());
        assert_eq!(of("OTTER")["status"], "completed");
        assert_ne!(of("OTTER")["claims"], json!([]));
        keeper.delete_with_etag(&format!("/services/{}", service.json()["id"].as_str().unwrap()), "*").is(204);
        assert_eq!(of("OTTER")["status"], "confirmed");
        assert_eq!(of("OTTER")["tasks"][0]["service"], Value::Null);
    }

    /// Nobody does upkeep while their hands are in the gloves, or works while they do upkeep.
    fn one_person_does_one_thing_at_a_time(world) {
        let keeper = kept(world);
        let ada = world.qualified("ada");
        keeper.patch_with_etag("/people/KIM", "*", &json!({ "subject": "kim" })).is(200);
        keeper.post("/qualifications", &json!({ "person": "KIM", "glovebox": "OTTER" })).is(201);
        let kim = world.researcher("kim");
        for day in ["09", "16"] {
            let (start, end) = (format!("2030-01-{day}T08:00:00Z"), format!("2030-01-{day}T11:00:00Z"));
            let mut own = whole_box("OTTER", &start, &end);
            own["whole_box"] = json!(false);
            kim.post("/bookings", &own).is(201);
        }
        let plan = propose(&keeper, &json!({ "gloveboxes": ["LYNX"], "to": "2030-01-20T00:00:00Z" }));
        assert_eq!(visits(&plan), Vec::new(), "an hour of each window is left, and the test takes two");
        let plan = propose(&keeper, &json!({ "gloveboxes": ["LYNX"] }));
        let start = plan["visits"][0]["start"].as_str().unwrap().to_owned();
        adopt(&keeper, &plan).is(200);
        let mut own = whole_box("OTTER", &start, plan["visits"][0]["end"].as_str().unwrap());
        own["whole_box"] = json!(false);
        assert_eq!(kim.post("/bookings", &own).violations(), [("start".into(), "doing_upkeep".into())]);
        ada.post("/bookings", &own).is(201);
    }

    fn a_visit_that_was_missed_is_planned_anew(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        world.it_is_now("2030-01-17T08:00:00Z".parse().unwrap());
        assert!(keeper.get_all(VISITS).iter().all(|visit| visit["missed"] == true));
        assert_eq!(planned(&keeper)["LYNX"], Value::Null);
        let report = keeper.post("/nightly-runs", &json!({})).is(201).json();
        assert_eq!(report["visits"].as_array().unwrap().len(), 2);
        let text = report["text"].as_str().unwrap();
        assert!(text.contains("Planned and not done, to be planned anew (2)"), "{text}");
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let away = json!({ "absences": [{ "start": "2030-01-18T00:00:00Z", "end": "2030-02-28T00:00:00Z" }] });
        keeper.patch_with_etag("/people/KIM", "*", &away).is(200);
        world.it_is_now("2030-01-18T08:00:00Z".parse().unwrap());
        let report = keeper.post("/nightly-runs", &json!({})).is(201).json();
        let text = report["text"].as_str().unwrap();
        assert!(text.contains("Planned for the week (2)") && text.contains("AWAY: Kim"), "{text}");
    }

    fn services_of_before_and_failed_ones_do_not_complete_a_visit(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let status = || keeper.get(&format!("{VISITS}?glovebox=LYNX")).is(200).json()["items"][0]["status"].clone();
        tested(&keeper, "LYNX", "2029-01-20T08:00:00Z");
        assert_eq!(status(), "confirmed");
        let failed = json!({
            "task": "leak_test", "subject": "LYNX", "done_at": "2030-01-07T08:00:00Z", "outcome": "failed"
        });
        keeper.post("/services", &failed).is(201);
        assert_eq!(status(), "confirmed");
    }

    fn nothing_is_planned_into_a_closure(world) {
        let keeper = kept(world);
        let closures = json!({ "closures": [
            { "start": "2030-01-08T00:00:00Z", "end": "2030-01-18T00:00:00Z", "reason": "Inspection" },
            { "start": "2030-01-22T00:00:00Z", "end": "2030-01-24T00:00:00Z", "reason": "Painting", "glovebox": "LYNX" }
        ] });
        keeper.patch_with_etag("/facility", "*", &closures).is(200);
        let mut found = visits(&propose(&keeper, &json!({})));
        found.sort();
        let days: Vec<&str> = found.iter().map(|(_, at)| &at[..10]).collect();
        assert_eq!(days, ["2030-01-30", "2030-01-23"], "{found:?}");
    }

    fn a_station_added_to_a_closed_box_is_closed_too(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let visit = keeper.get(&format!("{VISITS}?glovebox=LYNX")).is(200).json()["items"][0].clone();
        let stations = json!({ "stations": [{ "tag": "S1" }, { "tag": "S2" }, { "tag": "S3" }] });
        keeper.patch_with_etag("/gloveboxes/LYNX", "*", &stations).is(200);
        let ada = world.qualified("ada");
        let mut wanted = whole_box("LYNX", visit["start"].as_str().unwrap(), visit["end"].as_str().unwrap());
        wanted["whole_box"] = json!(false);
        wanted["station"] = json!("S3");
        ada.post("/bookings", &wanted).is_problem(409, "booking-conflict");
    }

    fn two_things_on_one_supply_are_apart_though_planned_apart(world) {
        let keeper = kept(world);
        let rule = json!({
            "task": "regulator_inspection", "applies_to": "gas_supply", "duration": "PT1H", "closes": "nothing",
            "triggers": [{ "kind": "calendar", "every": "P6M" }]
        });
        keeper.post("/upkeep-rules", &rule).is(201);
        let done = json!({ "task": "regulator_inspection", "subject": "AR-PANEL", "done_at": "2029-07-20T08:00:00Z" });
        keeper.post("/services", &done).is(201);
        let item = keeper.get_all("/due-items").into_iter().find(|item| item["subject_tag"] == "AR-PANEL").unwrap();
        let at = "2030-01-09T09:00:00Z";
        let pinned = json!({ "due_items": [item["id"]], "pins": [{ "due_item": item["id"], "start": at }] });
        let (one, other) = (propose(&keeper, &pinned), propose(&keeper, &pinned));
        let adopted = adopt(&keeper, &one).is(200).json();
        assert_eq!(adopted["visits"][0]["claims"][0]["resource_tag"], "AR-PANEL");
        let problem = adopt(&keeper, &other).is_problem(409, "plan-outdated");
        assert!(codes(&problem, "changes", "code").contains(&"taken".to_owned()), "{problem}");
    }

    fn enough_boxes_of_a_gas_stay_open(world) {
        let keeper = kept(world);
        let least = |boxes: u32| json!({ "policies": { "planning": { "open_minimum": { "argon": boxes } } } });
        keeper.patch_with_etag("/facility", "*", &least(2)).is(200);
        let plan = propose(&keeper, &json!({}));
        assert_eq!(visits(&plan), Vec::new());
        assert_eq!(plan["left_out"].as_array().unwrap().len(), 2);
        keeper.patch_with_etag("/facility", "*", &least(1)).is(200);
        let plan = propose(&keeper, &json!({}));
        let found = plan["visits"].as_array().unwrap();
        let span = |n: usize| (found[n]["start"].as_str().unwrap(), found[n]["end"].as_str().unwrap());
        assert!(span(0).1 <= span(1).0, "both are closed at once: {found:?}");
    }

    /// The clocks of Europe/Berlin go forward on 31 March 2030 at 01:00 UTC (IANA time
    /// zone database): from one to four on the wall that night is two hours.
    fn the_night_the_clocks_change_is_as_long_as_it_is(world) {
        let keeper = world.furnished().keeper();
        keeper.patch_with_etag("/facility", "*", &json!({ "timezone": "Europe/Berlin" })).is(200);
        let rule = json!({
            "task": "leak_test", "applies_to": { "kind": "glovebox", "only": ["LYNX"] }, "duration": "PT3H",
            "closes": "whole_box", "triggers": [{ "kind": "calendar", "every": "P6M" }]
        });
        keeper.post("/upkeep-rules", &rule).is(201);
        let window = json!({
            "dtstart": "2030-03-03T01:00:00", "timezone": "Europe/Berlin", "duration": "PT3H",
            "rrule": "FREQ=WEEKLY;BYDAY=SU", "holds": "always"
        });
        keeper.post("/maintenance-windows", &window).is(201);
        let hours = json!({ "sunday": [{ "from": "01:00", "to": "04:00" }] });
        keeper.post("/people", &json!({ "tag": "KIM", "name": "Kim", "working_hours": hours })).is(201);
        tested(&keeper, "LYNX", "2029-09-30T00:00:00Z");
        world.it_is_now("2030-03-21T08:00:00Z".parse().unwrap());
        keeper.post("/nightly-runs", &json!({})).is(201);
        let plan = propose(&keeper, &json!({ "from": "2030-03-22T00:00:00Z" }));
        assert_eq!(visits(&plan), [("LYNX".to_owned(), "2030-03-24T00:00:00Z".to_owned())]);
        let plan = propose(&keeper, &json!({ "from": "2030-03-25T00:00:00Z" }));
        assert_eq!(visits(&plan), [("LYNX".to_owned(), "2030-04-06T23:00:00Z".to_owned())]);
    }

    fn what_is_not_in_stock_is_not_planned(world) {
        let keeper = world.furnished().keeper();
        wednesdays(&keeper);
        tester(&keeper);
        keeper.post("/stock-items", &json!({ "tag": "GLOVES-8", "name": "Glove pair", "unit": "pair" })).is(201);
        let rule = json!({
            "task": "glove_change", "applies_to": { "kind": "station", "only": ["LYNX/S1", "LYNX/S2"] },
            "duration": "PT1H", "closes": "station", "purge_dilution": 100.0,
            "triggers": [{ "kind": "calendar", "every": "P6M" }],
            "consumables": [{ "stock_item": "glove pair", "quantity": 1.0 }]
        });
        keeper.post("/upkeep-rules", &rule).is(201);
        for station in ["LYNX/S1", "LYNX/S2"] {
            let service = json!({ "task": "glove_change", "subject": station, "done_at": "2029-07-20T08:00:00Z" });
            keeper.post("/services", &service).is(201);
        }
        let receive = json!({ "kind": "counted", "quantity": 1.0 });
        keeper.post("/stock-items/GLOVES-8/movements", &receive).is(201);
        keeper.post("/nightly-runs", &json!({})).is(201);
        let plan = propose(&keeper, &json!({}));
        assert_eq!((visits(&plan).len(), plan["left_out"].as_array().unwrap().len()), (1, 1), "{plan}");
        // With a second pair both are changed in one visit: one purge instead of two.
        keeper.post("/stock-items/GLOVES-8/movements", &json!({ "kind": "counted", "quantity": 2.0 })).is(201);
        let plan = propose(&keeper, &json!({}));
        assert_eq!(plan["visits"].as_array().unwrap().len(), 1, "{plan}");
        assert_eq!(plan["visits"][0]["tasks"].as_array().unwrap().len(), 2);
        assert!(plan["visits"][0]["purge"].is_object());
        let cautions = codes(&plan["visits"][0], "cautions", "code");
        assert_eq!(cautions, ["open_to_air", "asphyxiation"]);
        adopt(&keeper, &plan).is(200);
        let outlook = keeper.get("/stock-items/GLOVES-8/projection?until=2030-01-31T00:00:00Z").is(200).json();
        let uses: Vec<&Value> = outlook["lines"].as_array().unwrap().iter().filter(|line| line["kind"] == "use").collect();
        assert_eq!(uses.len(), 2, "{outlook}");
        assert!(uses[0]["why"].as_str().unwrap().ends_with("planned"), "{}", uses[0]);
    }

    fn a_proposal_sent_twice_is_made_once(world) {
        let keeper = kept(world);
        let first = keeper.post_once(PLANS, "plan-1", &json!({})).is(201);
        let again = keeper.post_once(PLANS, "plan-1", &json!({})).is(201);
        assert_eq!(first.json(), again.json());
        assert_eq!(again.header("idempotency-replayed"), Some("true"));
        assert_eq!(keeper.get_all(PLANS).len(), 1);
        keeper.post_once(PLANS, "plan-1", &json!({ "seed": 1 })).is_problem(422, "idempotency-key-reused");
    }

    fn every_fault_of_a_request_is_named(world) {
        let keeper = kept(world);
        let nothing = "0199c5a0-0000-7000-8000-000000000001";
        let wrong = json!({
            "to": "2031-01-01T00:00:00Z", "grid": "PT1H", "gloveboxes": ["NOPE"], "time_limit": "PT1M",
            "pins": [{ "due_item": nothing, "start": "2030-01-09T08:10:00Z" }, { "due_item": nothing, "start": "soon" }],
            "keep_free": [{ "start": "2030-01-09T08:00:00Z", "end": "2030-01-09T08:00:00Z" }],
            "leave_out": [nothing]
        });
        let faults: Vec<String> = keeper.post(PLANS, &wrong).violations().into_iter().map(|(field, _)| field).collect();
        for field in [
            "to", "grid", "gloveboxes[0]", "time_limit", "pins[0].start", "pins[1].start", "pins[1].due_item",
            "keep_free[0].end", "leave_out[0]",
        ] {
            assert!(faults.contains(&field.to_owned()), "{field} is not among {faults:?}");
        }
        let unknown = json!({ "due_items": [nothing] });
        assert_eq!(keeper.post(PLANS, &unknown).violations(), [("due_items[0]".into(), "unknown_reference".into())]);
        keeper.get(&format!("{PLANS}/{nothing}")).is(404);
        keeper.post(&format!("{PLANS}/{nothing}/adopt"), &json!({})).is(404);
        keeper.get(&format!("{VISITS}?status=done")).is(422);
        world.researcher("ada").post(PLANS, &json!({})).is(403);
    }

    /// Two plans for the same tasks, and people who book in between: one plan is
    /// adopted at most, and nothing is taken twice.
    fn of_those_who_adopt_and_book_at_once_nobody_gets_what_another_has(world) {
        let keeper = kept(world);
        let ada = world.qualified("ada");
        let plans: Vec<Value> = (0..4).map(|seed| propose(&keeper, &json!({ "seed": seed }))).collect();
        let outcomes: Vec<u16> = std::thread::scope(|scope| {
            let adopting: Vec<_> = plans.iter().map(|plan| scope.spawn(|| adopt(&keeper, plan).status)).collect();
            let booking: Vec<_> = (0..8)
                .map(|n| {
                    let ada = &ada;
                    let request = whole_box(
                        if n % 2 == 0 { "LYNX" } else { "OTTER" },
                        &format!("2030-01-{}T{:02}:00:00Z", if n < 4 { "09" } else { "16" }, 8 + n % 4),
                        &format!("2030-01-{}T{:02}:30:00Z", if n < 4 { "09" } else { "16" }, 8 + n % 4),
                    );
                    scope.spawn(move || ada.post("/bookings", &request).status)
                })
                .collect();
            for booked in booking {
                assert!([201, 409, 503].contains(&booked.join().unwrap()));
            }
            adopting.into_iter().map(|one| one.join().unwrap()).collect()
        });
        assert!(outcomes.iter().filter(|status| **status == 200).count() <= 1, "{outcomes:?}");
        assert!(outcomes.iter().all(|status| [200, 409, 503].contains(status)), "{outcomes:?}");
        let mut taken: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        let standing = keeper.get_all("/bookings").into_iter().chain(keeper.get_all(VISITS));
        for claim in standing.flat_map(|one| one["claims"].as_array().unwrap().clone()) {
            let text = |name: &str| claim[name].as_str().unwrap().to_owned();
            taken.entry(text("resource")).or_default().push((text("start"), text("end")));
        }
        for (resource, mut spans) in taken {
            spans.sort();
            assert!(spans.windows(2).all(|pair| pair[0].1 <= pair[1].0), "{resource}: {spans:?}");
        }
    }
}
