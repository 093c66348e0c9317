//! `/stock-items`: what there is, what is on order and what will be short.

use crate::world::{Answer, Client, World, on_both_backends};
use chrono::TimeDelta;
use serde_json::{Value, json};

const GLOVES: &str = "/stock-items/GLOVES-8";
const MOVEMENTS: &str = "/stock-items/GLOVES-8/movements";

/// A keeper who has put gloves among the stock items.
fn with_gloves(world: &World) -> Client {
    let keeper = world.furnished().keeper();
    let gloves = json!({ "tag": "GLOVES-8", "name": "Glove pair", "unit": "pair", "lead_time": "P21D" });
    keeper.post("/stock-items", &gloves).is(201);
    keeper
}

/// Gloves are changed every year; the boxes have four stations.
fn glove_rule(keeper: &Client) -> Answer {
    let rule = json!({
        "task": "glove_change", "applies_to": { "kind": "station" }, "duration": "PT1H", "closes": "station",
        "triggers": [{ "kind": "calendar", "every": "P12M" }, { "kind": "finding" }],
        "consumables": [{ "stock_item": "glove pair", "quantity": 1.0 }]
    });
    keeper.post("/upkeep-rules", &rule).is(201)
}

fn change_gloves(keeper: &Client, station: &str, at: &str) -> Answer {
    let service = json!({ "task": "glove_change", "subject": station, "done_at": at });
    keeper.post("/services", &service).is(201)
}

fn move_gloves(keeper: &Client, movement: &Value) -> Answer {
    keeper.post(MOVEMENTS, movement)
}

/// On hand and on order.
fn level(keeper: &Client) -> (f64, f64) {
    let item = keeper.get(GLOVES).is(200).json();
    (item["on_hand"].as_f64().unwrap(), item["on_order"].as_f64().unwrap())
}

fn field(field: &str, code: &str) -> Vec<(String, String)> {
    vec![(field.to_owned(), code.to_owned())]
}

on_both_backends! {
    fn an_item_is_kept_and_answers_to_one_name_only(world) {
        let keeper = with_gloves(world);
        let made = keeper.get(GLOVES).is(200);
        assert_eq!(made.json()["service_level"], 0.95);
        for (tag, name) in [("GLOVES-9", "glove PAIR"), ("GLOVES-9", "gloves-8"), ("GLOVES-8", "other")] {
            let answer = keeper.post("/stock-items", &json!({ "tag": tag, "name": name }));
            assert!(answer.status == 422 || answer.status == 409, "{tag} {name}: {}", answer.text);
        }
        let wrong = json!({
            "tag": "a b", "unit": "", "lead_time": "soon", "service_level": 1.0, "shelf_life": "P0D"
        });
        let fields: Vec<String> =
            keeper.post("/stock-items", &wrong).violations().into_iter().map(|(field, _)| field).collect();
        assert_eq!(fields, ["lead_time", "service_level", "shelf_life", "tag", "unit"]);
        let changed = keeper.patch_with_etag(GLOVES, &made.etag(), &json!({ "minimum": 3.0 })).is(200).json();
        assert_eq!((&changed["minimum"], &changed["service_level"]), (&json!(3.0), &Value::Null));
        let etag = keeper.get(GLOVES).is(200).etag();
        keeper.delete_with_etag(GLOVES, &etag).is(204);
        keeper.get(GLOVES).is_problem(404, "not-found");
    }

    /// Arithmetic: 8 come, of which 2 have a date; 6 are ordered, 4 of them come; 3 are used.
    fn the_level_follows_from_the_movements(world) {
        let keeper = with_gloves(world);
        let before = keeper.get(GLOVES).is(200).etag();
        let at = |minute: i64| world.now() - TimeDelta::minutes(60 - minute);
        move_gloves(&keeper, &json!({ "kind": "received", "quantity": 6, "at": at(1) })).is(201);
        // Midnight after the last day in the facility's zone, which is UTC here.
        let dated = move_gloves(
            &keeper,
            &json!({ "kind": "received", "quantity": 2, "at": at(2), "expires": "2030-06-30" }),
        ).is(201);
        assert_eq!(dated.json()["expires"], "2030-07-01T00:00:00Z");
        let order = json!({ "kind": "ordered", "quantity": 6, "at": at(3), "number": "P-1042" });
        let order = move_gloves(&keeper, &order).is(201).json();
        // Three weeks are the item's lead time.
        assert_eq!(order["expected"], "2030-01-28T07:03:00Z");
        let part = json!({ "kind": "received", "quantity": 4, "at": at(4), "order": "P-1042" });
        assert_eq!(move_gloves(&keeper, &part).is(201).json()["order"], order["id"]);
        move_gloves(&keeper, &json!({ "kind": "used", "quantity": 3, "at": at(5) })).is(201);
        let item = keeper.get(GLOVES).is(200);
        assert_ne!(item.etag(), before, "a moved item is another one");
        let item = item.json();
        assert_eq!((&item["on_hand"], &item["on_order"]), (&json!(9.0), &json!(2.0)));
        // The dated ones went first.
        assert_eq!(item["lots"], json!([{ "quantity": 9.0, "expires": null }]));
        assert_eq!(item["next_expiry"], Value::Null);
        move_gloves(&keeper, &json!({ "kind": "order_withdrawn", "order": "P-1042" })).is(201);
        assert_eq!(level(&keeper), (9.0, 0.0));
        move_gloves(&keeper, &json!({ "kind": "counted", "quantity": 7.5 })).is(201);
        assert_eq!(level(&keeper), (7.5, 0.0));
        let listed = keeper.get_all(&format!("{MOVEMENTS}?limit=2"));
        let kinds: Vec<&str> = listed.iter().map(|one| one["kind"].as_str().unwrap()).collect();
        let all = ["received", "received", "ordered", "received", "used", "order_withdrawn", "counted"];
        assert_eq!(kinds, all);
        let shown = keeper.get(&format!("{MOVEMENTS}/{}", dated.id())).is(200);
        assert_eq!(shown.json(), dated.json());
        let etag = keeper.get(GLOVES).is(200).etag();
        keeper.delete_with_etag(GLOVES, &etag).is_problem(409, "taken");
    }

    fn a_wrong_movement_is_undone_and_not_changed(world) {
        let keeper = with_gloves(world);
        let right = move_gloves(&keeper, &json!({ "kind": "received", "quantity": 5 })).is(201).id();
        let wrong = move_gloves(&keeper, &json!({ "kind": "used", "quantity": 50 })).is(201).id();
        assert_eq!(level(&keeper), (-45.0, 0.0));
        let undo = json!({ "kind": "reversed", "reverses": wrong, "remark": "a nought too many" });
        let undone = move_gloves(&keeper, &undo).is(201);
        assert_eq!(level(&keeper), (5.0, 0.0));
        assert_eq!(keeper.get(GLOVES).json()["below_nought_at"], Value::Null);
        assert_eq!(move_gloves(&keeper, &undo).is(422).violations(), field("reverses", "reversed_already"));
        let again = json!({ "kind": "reversed", "reverses": undone.id() });
        assert_eq!(move_gloves(&keeper, &again).is(422).violations(), field("reverses", "is_reversal"));
        // What is on record of one item is not of another.
        keeper.post("/stock-items", &json!({ "tag": "OIL" })).is(201);
        let foreign = keeper.post("/stock-items/OIL/movements", &json!({ "kind": "reversed", "reverses": right }));
        assert_eq!(foreign.is(422).violations(), field("reverses", "unknown_reference"));
        keeper.get(&format!("/stock-items/OIL/movements/{right}")).is_problem(404, "not-found");
        let both = json!({ "kind": "counted", "at": "2030-01-07T08:00:01Z", "number": "P-1" });
        assert_eq!(move_gloves(&keeper, &both).is(422).violations(), field("at", "in_the_future"));
        let lacking = json!({ "kind": "counted", "number": "P-1" });
        let expected = [field("number", "does_not_belong"), field("quantity", "missing_field")].concat();
        assert_eq!(move_gloves(&keeper, &lacking).is(422).violations(), expected);
    }

    fn a_movement_sent_twice_under_one_key_counts_once(world) {
        let keeper = with_gloves(world);
        let movement = json!({ "kind": "received", "quantity": 5 });
        let first = keeper.post_once(MOVEMENTS, "delivery-7", &movement).is(201);
        let second = keeper.post_once(MOVEMENTS, "delivery-7", &movement).is(201);
        assert_eq!(first.id(), second.id());
        assert_eq!(level(&keeper), (5.0, 0.0));
    }

    fn movements_at_once_all_count(world) {
        let keeper = with_gloves(world);
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| move_gloves(&keeper, &json!({ "kind": "received", "quantity": 2 })).is(201));
            }
        });
        assert_eq!(level(&keeper), (8.0, 0.0));
    }

    /// By the consumables of the rule, named in small letters.
    fn a_service_takes_what_its_rule_says_even_when_nothing_is_there(world) {
        let keeper = with_gloves(world);
        glove_rule(&keeper);
        move_gloves(&keeper, &json!({ "kind": "received", "quantity": 1, "at": "2030-01-02T08:00:00Z" })).is(201);
        let service = change_gloves(&keeper, "LYNX/S1", "2030-01-03T08:00:00Z").id();
        assert_eq!(level(&keeper), (0.0, 0.0));
        let used = keeper.get_all(MOVEMENTS).pop().unwrap();
        assert_eq!((&used["kind"], &used["service"], &used["quantity"]), (&json!("used"), &json!(service), &json!(1.0)));
        change_gloves(&keeper, "LYNX/S2", "2030-01-04T08:00:00Z");
        let item = keeper.get(GLOVES).is(200).json();
        assert_eq!((&item["on_hand"], &item["below_nought_at"]), (&json!(-1.0), &json!("2030-01-04T08:00:00Z")));
        let outlook = keeper.get(&format!("{GLOVES}/projection")).is(200).json();
        assert!(outlook["cautions"][0].as_str().unwrap().contains("must be wrong"), "{outlook}");
        // Another task on the same part takes none of it.
        let other = json!({ "task": "leak_test", "subject": "LYNX", "done_at": "2030-01-05T08:00:00Z" });
        keeper.post("/services", &other).is(201);
        assert_eq!(level(&keeper), (-1.0, 0.0));
    }

    fn a_service_corrected_or_removed_gives_back_what_it_took(world) {
        let keeper = with_gloves(world);
        glove_rule(&keeper);
        move_gloves(&keeper, &json!({ "kind": "received", "quantity": 3, "at": "2030-01-02T08:00:00Z" })).is(201);
        let service = change_gloves(&keeper, "LYNX/S1", "2030-01-03T08:00:00Z");
        assert_eq!(level(&keeper), (2.0, 0.0));
        // Counted before the day on which it was really done: what it took comes off the count.
        let count = json!({ "kind": "counted", "quantity": 2, "at": "2030-01-04T08:00:00Z" });
        move_gloves(&keeper, &count).is(201);
        let path = format!("/services/{}", service.id());
        let moved = json!({ "done_at": "2030-01-05T08:00:00Z" });
        let corrected = keeper.patch_with_etag(&path, &service.etag(), &moved).is(200);
        assert_eq!(level(&keeper), (1.0, 0.0));
        keeper.delete_with_etag(&path, &corrected.etag()).is(204);
        assert_eq!(level(&keeper), (2.0, 0.0));
        let kinds: Vec<Value> = keeper.get_all(MOVEMENTS).into_iter().map(|one| one["kind"].clone()).collect();
        assert_eq!(kinds, ["received", "used", "counted", "reversed", "used", "reversed"]);
    }

    /// Arithmetic: gloves changed on 1 February, 1 March and 1 June 2029 are due a year later, those of
    /// the fourth station a year after its entry on 7 January 2030. Two pairs last until 1 June 2030;
    /// an order takes three weeks.
    fn due_items_are_planned_and_repeated_and_tell_by_when_to_order(world) {
        let keeper = with_gloves(world);
        glove_rule(&keeper);
        for (station, at) in [
            ("LYNX/S1", "2029-02-01T08:00:00Z"), ("LYNX/S2", "2029-03-01T08:00:00Z"), ("OTTER/S1", "2029-06-01T08:00:00Z"),
        ] {
            change_gloves(&keeper, station, at);
        }
        let count = json!({ "kind": "counted", "quantity": 2, "at": "2030-01-07T08:00:00Z" });
        move_gloves(&keeper, &count).is(201);
        let path = format!("{GLOVES}/projection?until=2031-02-10T00:00:00Z");
        // The fourth station is worked out at night.
        let caution = keeper.get(&path).is(200).json()["cautions"][0].to_string();
        assert!(caution.contains("for 1 of the tasks"), "{caution}");
        keeper.post("/nightly-runs", &json!({})).is(201);
        let outlook = keeper.get(&path).is(200).json();
        assert_eq!(outlook["cautions"], json!([]));
        let lines: Vec<(&str, f64)> = outlook["lines"].as_array().unwrap().iter()
            .map(|line| (line["at"].as_str().unwrap(), line["balance"].as_f64().unwrap())).collect();
        let expected = [
            ("2030-01-07T08:00:00Z", 2.0), ("2030-02-01T08:00:00Z", 1.0), ("2030-03-01T08:00:00Z", 0.0),
            ("2030-06-01T08:00:00Z", -1.0), ("2031-01-07T08:00:00Z", -2.0), ("2031-02-01T08:00:00Z", -3.0),
        ];
        assert_eq!(lines, expected, "{outlook}");
        assert_eq!(outlook["first_shortfall"], "2030-06-01T08:00:00Z");
        assert_eq!(outlook["order_by"], "2030-05-11T08:00:00Z");
        assert_eq!((&outlook["quantity_short"], &outlook["most_short"]), (&json!(1.0), &json!(3.0)));
        assert_eq!(outlook["order_now"], false);
        assert_eq!(outlook["lines"][5]["why"], "glove_change on LYNX/S1, again after 365 days");
        assert_eq!(outlook["reorder"]["point"], Value::Null);
        // A finding is due now; how often gloves are torn says nothing of the next time.
        let torn = json!({
            "task": "leak_test", "subject": "OTTER", "done_at": "2030-01-07T07:00:00Z", "calls_for": ["glove_change"]
        });
        keeper.post("/services", &torn).is(201);
        let outlook = keeper.get(&path).is(200).json();
        let of_it: Vec<&Value> = outlook["lines"].as_array().unwrap().iter()
            .filter(|line| line["why"].as_str().unwrap().contains("OTTER/S2")).collect();
        assert_eq!(of_it.len(), 2, "{outlook}");
        assert_eq!(of_it[1]["at"], "2031-01-07T08:00:00Z");
        for until in ["2030-01-07T08:00:00Z", "2036-01-01T00:00:00Z", "soon"] {
            keeper.get(&format!("{GLOVES}/projection?until={until}")).is_problem(422, "invalid-input");
        }
    }

    fn the_night_tells_what_must_be_ordered_soon(world) {
        let keeper = with_gloves(world);
        glove_rule(&keeper);
        // Due on 8 February: three weeks before that is 18 January, within fourteen days of the 7th.
        change_gloves(&keeper, "LYNX/S1", "2029-02-08T08:00:00Z");
        move_gloves(&keeper, &json!({ "kind": "counted", "quantity": 0, "at": "2030-01-06T08:00:00Z" })).is(201);
        keeper.post("/stock-items", &json!({ "tag": "OIL", "lead_time": "P7D", "minimum": 4.0 })).is(201);
        keeper.post("/stock-items", &json!({ "tag": "CELLS", "lead_time": "P7D" })).is(201);
        let report = keeper.post("/nightly-runs", &json!({})).is(201).json();
        let orders = report["orders"].as_array().unwrap();
        let listed: Vec<(&str, &Value, bool)> = orders.iter()
            .map(|one| (one["tag"].as_str().unwrap(), &one["order_by"], one["order_now"].as_bool().unwrap())).collect();
        let by = json!("2030-01-18T08:00:00Z");
        assert_eq!(listed, [("OIL", &Value::Null, true), ("GLOVES-8", &by, false)], "{report}");
        let text = report["text"].as_str().unwrap();
        assert!(text.contains("\nOrder (2)\n") && text.contains("by Fri 18 Jan 2030"), "{text}");
        // What is on the way in time need not be ordered again.
        let order = json!({ "kind": "ordered", "quantity": 1, "expected": "2030-02-01" });
        move_gloves(&keeper, &order).is(201);
        world.it_is_now(world.now() + TimeDelta::hours(1));
        let report = keeper.post("/nightly-runs", &json!({})).is(201).json();
        assert_eq!(report["orders"].as_array().unwrap().len(), 1, "{report}");
    }

    fn only_a_keeper_of_upkeep_moves_stock(world) {
        with_gloves(world);
        let ada = world.researcher("ada");
        ada.get(GLOVES).is(200);
        ada.get(&format!("{GLOVES}/projection")).is(200);
        ada.post(MOVEMENTS, &json!({ "kind": "used", "quantity": 1 })).is_problem(403, "forbidden");
        world.caller("gateway", "readings:write").get(MOVEMENTS).is_problem(403, "forbidden");
    }
}
