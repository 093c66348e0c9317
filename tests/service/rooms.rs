//! `/rooms`, and with it all that the resources of the facility's model share.

use crate::world::{World, on_both_backends};
use serde_json::{Value, json};

fn laboratory() -> Value {
    json!({
        "tag": "LAB-1", "name": "Synthesis laboratory", "volume_m3": 180.0,
        "air_changes_per_hour": 8.0, "oxygen_monitor": true
    })
}

fn tagged(tag: &str) -> Value {
    json!({ "tag": tag, "volume_m3": 60.0 })
}

/// The members of a form that an answer gives back, without those it adds.
fn as_written(answered: &Value, form: &Value) -> Value {
    let kept = form.as_object().unwrap().keys().map(|key| (key.clone(), answered[key].clone()));
    Value::Object(kept.collect())
}

on_both_backends! {
    fn a_room_is_shown_as_it_was_written(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &laboratory()).is(201);
        assert_eq!(as_written(&created.json(), &laboratory()), laboratory());
        let location = created.header("location").unwrap();
        assert_eq!(location, format!("/api/v1/rooms/{}", created.id()));
        // RFC 3339 in UTC, by the world's clock.
        assert_eq!(created.json()["created_at"], "2030-01-07T08:00:00Z");
        let shown = keeper.get(location).is(200);
        assert_eq!(shown.json(), created.json());
        assert_eq!(shown.etag(), created.etag());
    }

    /// RFC 9562 §5.7: the version is in the high bits of octet 6, the time in the first 48 bits.
    fn an_id_is_a_uuid_of_version_7(world) {
        let before = drykeep::clock::Clock::System.now().timestamp_millis();
        let id = world.keeper().post("/rooms", &laboratory()).is(201).id();
        let after = drykeep::clock::Clock::System.now().timestamp_millis();
        let digits = id.replace('-', "");
        assert_eq!(digits.len(), 32);
        assert_eq!(&digits[12..13], "7");
        let millis = i64::from_str_radix(&digits[..12], 16).unwrap();
        assert!((before..=after).contains(&millis));
    }

    fn a_room_is_found_by_its_tag(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &laboratory()).is(201);
        assert_eq!(keeper.get("/rooms/LAB-1").is(200).json(), created.json());
        keeper.get("/rooms/LAB-2").is_problem(404, "not-found");
        keeper.get("/rooms/lab-1").is_problem(404, "not-found");
        keeper.get("/rooms/018f0000-0000-7000-8000-000000000000").is_problem(404, "not-found");
    }

    fn only_what_must_be_given_must_be_given(world) {
        let room = world.keeper().post("/rooms", &tagged("ANNEX")).is(201).json();
        assert_eq!(room["name"], "ANNEX");
        assert_eq!(room["oxygen_monitor"], false);
        assert!(room.get("air_changes_per_hour").is_none());
    }

    /// RFC 7396 §1: a null removes a member, members not named stay.
    fn a_change_touches_only_what_it_names(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &laboratory()).is(201);
        world.it_is_now(world.now() + chrono::TimeDelta::hours(1));
        let change = json!({ "volume_m3": 175.5, "air_changes_per_hour": null });
        let changed = keeper.patch_with_etag("/rooms/LAB-1", &created.etag(), &change).is(200);
        assert_ne!(changed.etag(), created.etag());
        let mut expected = created.json();
        expected["volume_m3"] = json!(175.5);
        expected["updated_at"] = json!("2030-01-07T09:00:00Z");
        expected.as_object_mut().unwrap().remove("air_changes_per_hour");
        assert_eq!(changed.json(), expected);
        assert_eq!(keeper.get("/rooms/LAB-1").is(200).json(), expected);
    }

    fn a_changed_tag_is_the_one_that_finds_it(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &laboratory()).is(201);
        keeper.patch_with_etag("/rooms/LAB-1", &created.etag(), &json!({ "tag": "LAB-9" })).is(200);
        assert_eq!(keeper.get("/rooms/LAB-9").is(200).id(), created.id());
        keeper.get("/rooms/LAB-1").is_problem(404, "not-found");
        keeper.post("/rooms", &tagged("LAB-1")).is(201);
    }

    /// RFC 9110 §13.1.1 and §15.5.13; RFC 6585 §3.
    fn a_change_must_name_the_version_it_means(world) {
        let keeper = world.keeper();
        let first = keeper.post("/rooms", &laboratory()).is(201);
        let change = json!({ "volume_m3": 170.0 });
        keeper.patch("/rooms/LAB-1", &change).is_problem(428, "condition-missing");
        keeper.delete("/rooms/LAB-1").is_problem(428, "condition-missing");
        let second = keeper.patch_with_etag("/rooms/LAB-1", &first.etag(), &change).is(200);
        for stale in [first.etag().as_str(), "\"of somebody else\"", "W/\"v2\""] {
            let problem = keeper.patch_with_etag("/rooms/LAB-1", stale, &change).is_problem(412, "stale");
            assert_eq!(problem["current"], second.etag());
            keeper.delete_with_etag("/rooms/LAB-1", stale).is_problem(412, "stale");
        }
        let either = format!("{}, {}", first.etag(), second.etag());
        let third = keeper.patch_with_etag("/rooms/LAB-1", &either, &change).is(200);
        assert_eq!(keeper.get("/rooms/LAB-1").is(200).etag(), third.etag());
        keeper.delete_with_etag("/rooms/LAB-1", "*").is(204);
    }

    /// RFC 9110 §13.1.2: If-None-Match on GET compares weakly and answers 304 with the entity tag.
    fn a_version_already_held_is_not_sent_again(world) {
        let keeper = world.keeper();
        let etag = keeper.post("/rooms", &laboratory()).is(201).etag();
        let get = |held: &str| keeper.send("GET", "/api/v1/rooms/LAB-1", &[("if-none-match", held)], None);
        for held in [etag.clone(), format!("W/{etag}"), format!("\"other\", {etag}"), "*".to_owned()] {
            let answer = get(&held).is(304);
            assert_eq!(answer.etag(), etag);
            assert!(answer.text.is_empty());
        }
        get("\"other\"").is(200);
    }

    fn a_removed_room_is_gone_and_its_tag_is_free(world) {
        let keeper = world.keeper();
        let created = keeper.post("/rooms", &laboratory()).is(201);
        let gone = keeper.delete_with_etag("/rooms/LAB-1", &created.etag()).is(204);
        assert!(gone.text.is_empty());
        keeper.get(created.header("location").unwrap()).is_problem(404, "not-found");
        keeper.delete_with_etag("/rooms/LAB-1", &created.etag()).is_problem(404, "not-found");
        keeper.post("/rooms", &laboratory()).is(201);
    }

    fn a_tag_is_carried_once(world) {
        let keeper = world.keeper();
        keeper.post("/rooms", &tagged("A")).is(201);
        let problem = keeper.post("/rooms", &tagged("A")).is_problem(409, "taken");
        assert_eq!(problem["code"], "tag_taken");
        let other = keeper.post("/rooms", &tagged("B")).is(201);
        keeper.patch_with_etag("/rooms/B", &other.etag(), &json!({ "tag": "A" })).is_problem(409, "taken");
        assert_eq!(keeper.get("/rooms/B").is(200).etag(), other.etag());
    }

    fn every_fault_is_named_with_its_field(world) {
        let form = json!({ "tag": "no tag", "name": " ", "volume_m3": 0, "air_changes_per_hour": -1 });
        let answer = world.keeper().post("/rooms", &form);
        answer.is_problem(422, "invalid-input");
        let fields: Vec<String> = answer.violations().into_iter().map(|(field, _)| field).collect();
        assert_eq!(fields, ["air_changes_per_hour", "name", "tag", "volume_m3"]);
        assert!(world.keeper().get_all("/rooms").is_empty());
    }

    fn members_that_are_unknown_missing_or_of_another_type_are_refused(world) {
        let keeper = world.keeper();
        let mut form = laboratory();
        form["volume"] = json!(3);
        let cases = [
            (form, ("volume", "unknown_field")),
            (json!({ "tag": "A" }), ("volume_m3", "missing_field")),
            (json!({ "tag": "A", "volume_m3": "60" }), ("volume_m3", "wrong_type")),
            (json!({ "tag": 7, "volume_m3": 60 }), ("tag", "wrong_type")),
            (json!("A"), ("", "wrong_type")),
            (json!(["A", "A", 60.0, null, true]), ("", "wrong_type")),
        ];
        for (form, (field, code)) in cases {
            let answer = keeper.post("/rooms", &form);
            answer.is_problem(422, "invalid-input");
            assert_eq!(answer.violations(), [(field.to_owned(), code.to_owned())], "{form}");
        }
        let room = keeper.post("/rooms", &laboratory()).is(201);
        let answer = keeper.patch_with_etag("/rooms/LAB-1", &room.etag(), &json!({ "id": room.id() }));
        answer.is_problem(422, "invalid-input");
        assert_eq!(answer.violations(), [("id".to_owned(), "unknown_field".to_owned())]);
    }

    fn a_change_to_something_invalid_changes_nothing(world) {
        let keeper = world.keeper();
        let room = keeper.post("/rooms", &laboratory()).is(201);
        for change in [json!({ "volume_m3": -1 }), json!({ "volume_m3": null }), json!(null), json!([])] {
            keeper.patch_with_etag("/rooms/LAB-1", &room.etag(), &change).is_problem(422, "invalid-input");
        }
        assert_eq!(keeper.get("/rooms/LAB-1").is(200).json(), room.json());
    }

    fn a_body_that_is_not_json_is_unreadable(world) {
        let keeper = world.keeper();
        let post = |body: &[u8]| {
            keeper.send("POST", "/api/v1/rooms", &[("content-type", "application/json")], Some(body))
        };
        let bodies: [&[u8]; 6] =
            [b"", b"{", b"{\"tag\": \"A\",}", b"{\"tag\":\"A\",\"volume_m3\":NaN}", b"{} {}", b"\xff\xfe{}"];
        for body in bodies {
            let answer = post(body);
            assert!(answer.status == 400 || body == b"{} {}", "{body:?}: {}", answer.text);
            assert!(answer.status < 500, "{body:?}: {}", answer.text);
        }
        let whole_and_more = format!("{} {{}}", laboratory());
        post(whole_and_more.as_bytes()).is_problem(400, "unreadable");
        assert!(keeper.get_all("/rooms").is_empty());
    }

    fn a_number_that_no_float_holds_is_refused(world) {
        let body = b"{\"tag\":\"A\",\"volume_m3\":1e400}";
        let headers = [("content-type", "application/json")];
        let answer = world.keeper().send("POST", "/api/v1/rooms", &headers, Some(body));
        assert!(answer.status == 400 || answer.status == 422, "{}", answer.text);
    }

    fn another_content_type_is_not_understood(world) {
        let keeper = world.keeper();
        let body = laboratory().to_string();
        let post = |kind: &str| {
            keeper.send("POST", "/api/v1/rooms", &[("content-type", kind)], Some(body.as_bytes()))
        };
        for kind in ["text/plain", "application/x-www-form-urlencoded", "application/jsonx", "text/json"] {
            post(kind).is_problem(415, "unsupported-media-type");
        }
        post("Application/JSON; charset=utf-8").is(201);
        // RFC 7396 §3: the media type of a merge patch.
        let headers = [("content-type", "application/merge-patch+json"), ("if-match", "*")];
        keeper.send("PATCH", "/api/v1/rooms/LAB-1", &headers, Some(b"{\"volume_m3\":1}")).is(200);
    }

    fn a_body_is_bounded(world) {
        let keeper = world.keeper();
        let mut form = tagged("A");
        form["name"] = json!("n".repeat(256 * 1024));
        keeper.post("/rooms", &form).is_problem(413, "too-large");
        // White space counts too, and a form that fits is still taken.
        let headers = [("content-type", "application/json")];
        let padded = |bytes: usize| {
            let form = tagged("A").to_string();
            let space = " ".repeat(bytes - form.len());
            form + &space
        };
        let post = |body: String| keeper.send("POST", "/api/v1/rooms", &headers, Some(body.as_bytes()));
        post(padded(256 * 1024 + 1)).is_problem(413, "too-large");
        post(padded(256 * 1024)).is(201);
    }

    fn pages_follow_each_other_by_their_links(world) {
        let keeper = world.keeper();
        let created: Vec<String> =
            (0..7).map(|n| keeper.post("/rooms", &tagged(&format!("R{n}"))).is(201).id()).collect();
        let page = keeper.get("/rooms?limit=3").is(200);
        let next = page.json()["next"].as_str().unwrap().to_owned();
        assert_eq!(page.next_page().unwrap(), format!("/api/v1/rooms?limit=3&after={next}"));
        let ids: Vec<String> = keeper
            .get_all("/rooms?limit=3")
            .iter()
            .map(|room| room["id"].as_str().unwrap().to_owned())
            .collect();
        assert_eq!(ids, created);
        // A page that ends with the last has no next.
        let whole = keeper.get("/rooms?limit=7").is(200);
        assert_eq!(whole.json()["next"], Value::Null);
        assert!(whole.next_page().is_none());
    }

    fn the_edge_of_a_page_holds_while_rooms_come_and_go(world) {
        let keeper = world.keeper();
        for n in 0..4 {
            keeper.post("/rooms", &tagged(&format!("R{n}"))).is(201);
        }
        let page = keeper.get("/rooms?limit=2").is(200);
        keeper.delete_with_etag("/rooms/R1", "*").is(204);
        keeper.post("/rooms", &tagged("R4")).is(201);
        let rest = keeper.get_all(&page.next_page().unwrap());
        let tags: Vec<&str> = rest.iter().map(|room| room["tag"].as_str().unwrap()).collect();
        assert_eq!(tags, ["R2", "R3", "R4"]);
    }

    fn a_page_is_asked_for_within_bounds(world) {
        let keeper = world.keeper();
        for query in ["limit=0", "limit=501", "limit=-1", "limit=ten", "limit=", "limit=1e2", "after=x"] {
            keeper.get(&format!("/rooms?{query}")).is_problem(422, "invalid-input");
        }
        keeper.get("/rooms?limit=500").is(200);
        keeper.get("/rooms?limit=1").is(200);
    }

    /// draft-ietf-httpapi-idempotency-key-header-07 §2.6: the first answer again for
    /// a repeated request, 422 for another request under the same key.
    fn a_request_sent_twice_under_a_key_takes_effect_once(world) {
        let keeper = world.keeper();
        let first = keeper.post_once("/rooms", "key-1", &laboratory()).is(201);
        assert!(first.header("idempotency-replayed").is_none());
        let again = keeper.post_once("/rooms", "key-1", &laboratory()).is(201);
        assert_eq!(again.header("idempotency-replayed"), Some("true"));
        assert_eq!(again.text, first.text);
        assert_eq!(again.etag(), first.etag());
        assert_eq!(again.header("location"), first.header("location"));
        assert_eq!(keeper.get_all("/rooms").len(), 1);
        keeper.post_once("/rooms", "key-1", &tagged("B")).is_problem(422, "idempotency-key-reused");
        keeper.post_once("/rooms", "key-2", &tagged("B")).is(201);
        assert_eq!(keeper.get_all("/rooms").len(), 2);
    }

    fn a_key_belongs_to_its_caller(world) {
        let first = world.caller("one", "facility:manage");
        let second = world.caller("two", "facility:manage");
        first.post_once("/rooms", "key", &tagged("A")).is(201);
        let answer = second.post_once("/rooms", "key", &tagged("B")).is(201);
        assert!(answer.header("idempotency-replayed").is_none());
    }

    fn a_refusal_uses_no_key_up(world) {
        let keeper = world.keeper();
        let room = keeper.post("/rooms", &tagged("A")).is(201);
        keeper.post_once("/rooms", "key", &tagged("A")).is_problem(409, "taken");
        keeper.delete_with_etag("/rooms/A", &room.etag()).is(204);
        keeper.post_once("/rooms", "key", &tagged("A")).is(201);
    }

    fn a_key_is_short_and_visible(world) {
        let keeper = world.keeper();
        for key in ["", "two words", &"k".repeat(129)] {
            keeper.post_once("/rooms", key, &laboratory()).is_problem(400, "unreadable");
        }
        keeper.post_once("/rooms", &"k".repeat(128), &laboratory()).is(201);
    }

    fn of_many_requests_under_one_key_one_takes_effect(world) {
        let keeper = world.keeper();
        let answers: Vec<_> = std::thread::scope(|scope| {
            let senders: Vec<_> =
                (0..16).map(|_| scope.spawn(|| keeper.post_once("/rooms", "key", &laboratory()))).collect();
            senders.into_iter().map(|sender| sender.join().unwrap().is(201)).collect()
        });
        let fresh = answers.iter().filter(|answer| answer.header("idempotency-replayed").is_none()).count();
        assert_eq!(fresh, 1);
        assert!(answers.iter().all(|answer| answer.text == answers[0].text));
        assert_eq!(keeper.get_all("/rooms").len(), 1);
    }

    fn of_many_changes_to_one_version_one_takes_effect(world) {
        let keeper = world.keeper();
        let etag = keeper.post("/rooms", &laboratory()).is(201).etag();
        let statuses: Vec<u16> = std::thread::scope(|scope| {
            let (keeper, etag) = (&keeper, &etag);
            let change = |n: usize| {
                keeper.patch_with_etag("/rooms/LAB-1", etag, &json!({ "volume_m3": 100 + n })).status
            };
            let changers: Vec<_> = (0..24).map(|n| scope.spawn(move || change(n))).collect();
            changers.into_iter().map(|changer| changer.join().unwrap()).collect()
        });
        assert_eq!(statuses.iter().filter(|status| **status == 200).count(), 1, "{statuses:?}");
        assert!(statuses.iter().all(|status| [200, 412].contains(status)), "{statuses:?}");
    }

    fn a_path_says_what_it_takes(world) {
        let keeper = world.keeper();
        // RFC 9110 §15.5.6: 405 carries Allow.
        let cases = [
            ("DELETE", "/api/v1/rooms", "GET, POST"),
            ("POST", "/api/v1/rooms/LAB-1", "DELETE, GET, PATCH"),
            ("PUT", "/api/v1/rooms/LAB-1", "DELETE, GET, PATCH"),
            ("POST", "/health/live", "GET"),
        ];
        for (method, path, allowed) in cases {
            let body: Option<&[u8]> = if method == "DELETE" { None } else { Some(b"{}") };
            let answer = keeper.send(method, path, &[], body);
            answer.is_problem(405, "method-not-allowed");
            assert_eq!(answer.header("allow"), Some(allowed), "{method} {path}");
        }
        for path in ["/api/v1/chambers", "/api/v1", "/nowhere", "/api/v2/rooms", "/api/v1/rooms/A/B/C"] {
            keeper.send("GET", path, &[], None).is_problem(404, "not-found");
        }
    }

    /// RFC 9110 §9.1 and §9.3.2.
    fn head_is_answered_as_get_without_a_body(world) {
        let keeper = world.keeper();
        let room = keeper.post("/rooms", &laboratory()).is(201);
        let get = keeper.get("/rooms/LAB-1").is(200);
        let head = keeper.send("HEAD", "/api/v1/rooms/LAB-1", &[], None).is(200);
        assert_eq!(head.etag(), room.etag());
        assert_eq!(head.header("content-length"), Some(get.text.len().to_string().as_str()));
        assert!(head.text.is_empty());
        assert_eq!(keeper.send("HEAD", "/api/v1/rooms/LAB-2", &[], None).status, 404);
        assert_eq!(world.anyone().send("HEAD", "/api/v1/rooms", &[], None).status, 401);
    }

    fn every_answer_carries_a_request_id(world) {
        let keeper = world.keeper();
        let given = [("x-request-id", "from-the-caller_1")];
        let answer = keeper.send("GET", "/api/v1/rooms/none", &given, None);
        assert_eq!(answer.header("x-request-id"), Some("from-the-caller_1"));
        assert_eq!(answer.is_problem(404, "not-found")["request_id"], "from-the-caller_1");
        let forged = [("x-request-id", "with spaces; and=more")];
        let minted = keeper.send("GET", "/api/v1/rooms", &forged, None).is(200);
        assert_ne!(minted.header("x-request-id"), Some("with spaces; and=more"));
        assert!(minted.header("x-request-id").is_some_and(|id| id.len() == 36));
    }
}

#[test]
fn what_was_answered_is_there_after_a_restart() {
    let world = World::sqlite();
    let room = world.keeper().post("/rooms", &laboratory()).is(201);
    let again = world.restarted();
    assert_eq!(again.keeper().get("/rooms/LAB-1").is(200).json(), room.json());
}
