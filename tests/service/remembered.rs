//! What is remembered of the facility between transactions never outlives a change
//! of it, whoever makes the change.

use super::bookings::furnish;
use crate::world::{Answer, Client, Database, Raw, World, on_both_backends};
use chrono::{SecondsFormat, TimeDelta};
use diesel::QueryableByName;
use diesel::sql_types::Text;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// An hour in OTTER, so many hours from now.
fn hour(world: &World, from: i64) -> Value {
    let start = world.now() + TimeDelta::hours(from);
    json!({
        "glovebox": "OTTER", "station": "S1", "purpose": "Sealing ampoules",
        "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(1)).to_rfc3339()
    })
}

fn refused_for(answer: &Answer) -> Vec<String> {
    answer.is_problem(422, "booking-not-allowed")["violations"]
        .as_array()
        .unwrap()
        .iter()
        .map(|violation| violation["code"].as_str().unwrap().to_owned())
        .collect()
}

/// Books, lets something be changed, and books again.
fn booked_before_and_after(world: &World, change: impl FnOnce(&Client, &Client)) -> Answer {
    let keeper = furnish(world);
    let ada = world.researcher("ada");
    ada.post("/bookings", &hour(world, 2)).is(201);
    change(&keeper, &ada);
    ada.post("/bookings", &hour(world, 4))
}

on_both_backends! {
    fn a_hold_closes_the_box_to_the_next_booking(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            let hold = json!({"glovebox": "OTTER", "reason": "Oxygen at 40 ppm"});
            keeper.post("/holds", &hold).is(201);
        });
        assert_eq!(refused_for(&answer), ["on_hold"]);
    }

    fn a_released_hold_closes_nothing(world) {
        let answer = booked_before_and_after(world, |keeper, ada| {
            let hold = keeper.post("/holds", &json!({"glovebox": "OTTER", "reason": "Wet"})).is(201).id();
            ada.post("/bookings", &hour(world, 4)).is(422);
            keeper.post_with_etag(&format!("/holds/{hold}/release"), "*", &json!({"remark": "Dry again"})).is(200);
        });
        answer.is(201);
    }

    fn a_qualification_taken_back_counts_at_once(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            let held = keeper.get("/qualifications?person=ADA&glovebox=OTTER").is(200).json();
            let id = held["items"][0]["id"].as_str().unwrap().to_owned();
            keeper.delete_with_etag(&format!("/qualifications/{id}"), "*").is(204);
        });
        assert_eq!(refused_for(&answer), ["not_qualified"]);
    }

    fn whoever_has_left_books_no_more(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            keeper.patch_with_etag("/people/ADA", "*", &json!({"active": false})).is(200);
        });
        assert_eq!(refused_for(&answer), ["person_inactive"]);
    }

    fn a_shorter_horizon_counts_at_once(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            keeper.patch_with_etag("/facility", "*", &json!({"policies": {"horizon": "PT3H"}})).is(200);
        });
        assert_eq!(refused_for(&answer), ["beyond_horizon"]);
    }

    fn a_window_that_is_never_bookable_counts_at_once(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            let start = (world.now() + TimeDelta::hours(3)).format("%Y-%m-%dT%H:%M:%S").to_string();
            let window = json!({
                "name": "Regeneration", "dtstart": start, "timezone": "UTC", "duration": "PT4H", "holds": "always"
            });
            keeper.post("/maintenance-windows", &window).is(201);
        });
        answer.is_problem(409, "booking-conflict");
    }

    fn a_station_that_is_gone_cannot_be_booked(world) {
        let answer = booked_before_and_after(world, |keeper, _| {
            let other = json!({"tag": "OTTER-2"});
            keeper.patch_with_etag("/gloveboxes/OTTER", "*", &other).is(200);
        });
        assert!(answer.violations().contains(&("glovebox".to_owned(), "unknown_reference".to_owned())));
    }

    /// Whoever changes the database behind the service's back does not have to tell it.
    fn what_another_program_changes_counts_at_once(world) {
        let answer = booked_before_and_after(world, |_, _| {
            world.raw().run("UPDATE people SET active = false WHERE tag = 'ADA'").unwrap();
        });
        assert_eq!(refused_for(&answer), ["person_inactive"]);
    }
}

/// The earliest start at which the whole of OTTER is free for an hour.
fn first_opening(world: &World) -> Value {
    let path = "/openings?duration=PT1H&glovebox=OTTER&stations=2";
    world.researcher("ada").get(path).is(200).json()["items"][0]["start"].clone()
}

on_both_backends! {
    /// What is booked, moved, called off and closed out, by whichever process, is seen
    /// by the next who looks for openings.
    fn openings_follow_what_becomes_of_bookings(world) {
        furnish(world);
        let beside = world.beside();
        let ada = world.researcher("ada");
        let minutes = |from: i64| json!((world.now() + TimeDelta::minutes(from)).to_rfc3339_opts(SecondsFormat::Secs, true));
        let hours = |from: i64| minutes(60 * from);
        let at_once = first_opening(world);
        // Nothing is free for an hour before the booking ends.
        let mut soon = hour(world, 0);
        soon["start"] = json!((world.now() + TimeDelta::minutes(30)).to_rfc3339());
        let first = ada.post("/bookings", &soon).is(201).id();
        assert_eq!(first_opening(world), hours(1));
        let second = beside.researcher("ben").post("/bookings", &hour(world, 1)).is(201).id();
        assert_eq!(first_opening(world), hours(2));
        assert_eq!(first_opening(&beside), hours(2));
        let later = json!({ "start": hours(2), "end": hours(3) });
        beside.researcher("ben").patch_with_etag(&format!("/bookings/{second}"), "*", &later).is(200);
        assert_eq!(first_opening(world), hours(1));
        ada.post(&format!("/bookings/{first}/cancel"), &json!({})).is(200);
        assert_eq!(first_opening(world), at_once);
        assert_eq!(first_opening(&beside), at_once);
        // Begun, and over before its time.
        let run = ada.post("/bookings", &hour(world, 0)).is(201).id();
        ada.post_with_etag(&format!("/bookings/{run}/start"), "*", &json!({})).is(200);
        world.it_is_now(world.now() + TimeDelta::minutes(10));
        assert_eq!(first_opening(world), minutes(50));
        let path = format!("/bookings/{run}/closeout");
        let left = json!({"chambers_under_vacuum": true});
        beside.researcher("ada").post_with_etag(&path, "*", &left).is(200);
        assert_eq!(first_opening(world), minutes(0));
    }
}

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = Text)]
    name: String,
}

fn revised(raw: &mut Raw) -> BTreeSet<String> {
    let rows = raw.rows::<Named>(
        "SELECT DISTINCT tbl_name AS name FROM sqlite_master WHERE type = 'trigger' \
         GROUP BY tbl_name HAVING sum(sql LIKE '%UPDATE facility_revision%') = 3",
        "SELECT DISTINCT tgrelid::regclass::text AS name FROM pg_trigger JOIN pg_proc p ON p.oid = tgfoid \
         WHERE proname = 'facility_revised' GROUP BY tgrelid HAVING bit_or(tgtype) & 28 = 28",
    );
    rows.into_iter().map(|row| row.name).collect()
}

#[test]
fn either_backend_notices_changes_of_the_same_tables() {
    let sqlite = revised(&mut Database::sqlite().raw());
    assert!(sqlite.contains("qualifications"), "{sqlite:?}");
    let Some(postgres) = Database::postgres() else { return };
    assert_eq!(revised(&mut postgres.raw()), sqlite);
}
