//! `/audit`: who did what, when, before and after, and that nobody rewrites it.

use crate::world::{Client, Raw, World, on_both_backends};
use serde_json::{Value, json};

fn audit(client: &Client, query: &str) -> Vec<Value> {
    client.get_all(&format!("/audit?{query}"))
}

fn types(items: &[Value]) -> Vec<&str> {
    items.iter().map(|item| item["type"].as_str().unwrap()).collect()
}

on_both_backends! {
    fn a_change_is_told_with_who_made_it_and_what_was_before_and_after(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 180.0 })).is(201);
        world.it_is_now(world.now() + chrono::TimeDelta::hours(1));
        let deputy = world.caller("deputy", "facility:manage");
        let change = json!({ "volume_m3": 175.5, "oxygen_monitor": true });
        let changed = deputy.patch_with_etag("/rooms/LAB-1", &created.etag(), &change).is(200);
        deputy.delete_with_etag("/rooms/LAB-1", &changed.etag()).is(204);
        let told = audit(&keeper, &format!("subject={}", created.id()));
        assert_eq!(types(&told), ["drykeep.room.created", "drykeep.room.changed", "drykeep.room.removed"]);
        let first = json!({
            "tag": "LAB-1", "name": "LAB-1", "volume_m3": 180.0, "air_changes_per_hour": null,
            "oxygen_monitor": false
        });
        let mut second = first.clone();
        second["volume_m3"] = json!(175.5);
        second["oxygen_monitor"] = json!(true);
        assert_eq!((&told[0]["before"], &told[0]["after"]), (&Value::Null, &first));
        assert_eq!((&told[1]["before"], &told[1]["after"]), (&first, &second));
        assert_eq!((&told[2]["before"], &told[2]["after"]), (&second, &Value::Null));
        assert_eq!((&told[0]["actor"], &told[1]["actor"]), (&json!("keeper"), &json!("deputy")));
        assert_eq!((&told[0]["at"], &told[1]["at"]), (&json!("2030-01-07T08:00:00Z"), &json!("2030-01-07T09:00:00Z")));
        assert_eq!(told[1]["data"], json!({ "version": 2, "tag": "LAB-1" }));
    }

    /// Every change that somebody made, whatever it was made to, says what it came to.
    fn no_change_is_told_without_what_it_came_to(world) {
        world.furnished();
        let ada = world.qualified("ada");
        let keeper = world.keeper();
        let booking = json!({
            "glovebox": "LYNX", "station": "S1", "purpose": "sealing",
            "start": "2030-01-08T09:00:00Z", "end": "2030-01-08T11:00:00Z"
        });
        let booked = ada.post("/bookings", &booking).is(201);
        let at = format!("/bookings/{}", booked.id());
        ada.patch_with_etag(&at, &booked.etag(), &json!({ "purpose": "other work" })).is(200);
        let hold = keeper.post("/holds", &json!({ "glovebox": "LYNX", "reason": "torn glove" })).is(201);
        keeper.post(&format!("/holds/{}/release", hold.id()), &json!({ "remark": "changed" })).is(200);
        ada.post(&format!("{at}/cancel"), &json!({})).is(200);
        let all = audit(&keeper, "limit=500");
        let kinds = types(&all);
        for kind in ["booking.created", "booking.changed", "booking.affected", "booking.restored", "hold.opened",
            "hold.released", "booking.cancelled", "glovebox.created", "qualification.created", "facility.created"] {
            assert!(kinds.contains(&format!("drykeep.{kind}").as_str()), "{kind}");
        }
        for item in &all {
            let kind = item["type"].as_str().unwrap();
            let begins = kind.ends_with(".created") || kind.ends_with(".opened");
            assert!(item["after"].is_object(), "{item}");
            assert_eq!(item["before"].is_null(), begins, "{item}");
            assert_ne!(item["before"], item["after"], "{item}");
        }
        let changed = &audit(&keeper, &format!("subject={}", booked.id()))[1];
        assert_eq!(changed["before"]["work"]["purpose"], "sealing");
        assert_eq!(changed["after"]["work"]["purpose"], "other work");
        assert_eq!(changed["after"]["starts_at"], "2030-01-08T09:00:00Z");
        let made = all.iter().find(|item| item["type"] == "drykeep.glovebox.created").unwrap();
        assert_eq!(made["after"]["stations"].as_array().unwrap().len(), 2);
        assert_eq!(made["after"]["antechambers"][0]["volume_l"], 40.0);
    }

    fn an_audit_is_narrowed_by_thing_person_and_time(world) {
        world.furnished();
        let keeper = world.keeper();
        let deputy = world.caller("deputy", "facility:manage");
        world.it_is_now(world.now() + chrono::TimeDelta::days(1));
        deputy.post("/rooms", &json!({ "tag": "LAB-2", "volume_m3": 60.0 })).is(201);
        assert_eq!(types(&audit(&keeper, "actor=deputy")), ["drykeep.room.created"]);
        assert_eq!(types(&audit(&keeper, "subject=LYNX")), ["drykeep.glovebox.created"]);
        assert_eq!(audit(&keeper, "from=2030-01-08T08:00:00Z").len(), 1);
        assert!(audit(&keeper, "to=2030-01-08T08:00:00Z").len() > 3);
        assert_eq!(audit(&keeper, "actor=deputy&to=2030-01-08T08:00:00Z").len(), 0);
        // The pages together are the whole.
        assert_eq!(audit(&keeper, "limit=2"), audit(&keeper, "limit=500"));
        for (query, code) in [("subject=NOBODY", "unknown_reference"), ("after=7-aaaaaaaa", "bad_cursor"),
            ("from=noon", "bad_time"), ("limit=0", "out_of_range"), ("subject=S1", "ambiguous_reference")] {
            let problem = keeper.get(&format!("/audit?{query}")).is_problem(422, "invalid-input");
            assert_eq!(problem["violations"][0]["code"], code, "{query}");
        }
    }

    fn only_managers_see_the_audit(world) {
        world.keeper().post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 60.0 })).is(201);
        world.caller("portal", "facility:read bookings:manage").get("/audit").is_problem(403, "forbidden");
        assert!(!audit(&world.caller("deputy", "facility:manage"), "").is_empty());
    }

    /// Not even somebody with a connection to the database, short of taking the rule away.
    fn the_database_refuses_to_rewrite_what_happened(world) {
        world.keeper().post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 60.0 })).is(201);
        let before = audit(&world.keeper(), "");
        let mut raw = world.raw();
        let mut statements = vec![
            "UPDATE events SET actor = 'somebody else'",
            "UPDATE events SET body = '{}' WHERE kind = 'room.created'",
            "DELETE FROM events",
            "DELETE FROM events WHERE kind = 'room.created'",
        ];
        statements.push(match raw {
            Raw::Sqlite(_) => "INSERT OR REPLACE INTO events (seq, at, kind, subject_id, actor, body) \
                 SELECT seq, at, kind, subject_id, 'somebody else', body FROM events",
            Raw::Postgres(_) => "TRUNCATE events CASCADE",
        });
        for statement in statements {
            let refused = raw.run(statement).unwrap_err().to_string();
            assert!(refused.contains("events_are_append_only"), "{statement}: {refused}");
        }
        assert_eq!(audit(&world.keeper(), ""), before);
    }
}

/// What is on record before there was anything to record stays readable.
#[test]
fn an_event_without_before_and_after_is_shown_without_them() {
    let world = World::sqlite();
    let statement = "INSERT INTO events (at, kind, subject_id, actor, body) VALUES ('2030-01-07 08:00:00', \
         'room.changed', '018f0000-0000-7000-8000-000000000000', 'somebody', '{\"version\":2}')";
    world.raw().run(statement).unwrap();
    let told = audit(&world.keeper(), "actor=somebody");
    assert_eq!((&told[0]["before"], &told[0]["after"]), (&Value::Null, &Value::Null));
    assert_eq!(told[0]["data"], json!({ "version": 2 }));
}
