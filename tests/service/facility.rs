//! `/facility`, `/gloveboxes`, `/gas-supplies` and `/people`.

use crate::world::furnished::argon_box;
use crate::world::on_both_backends;
use serde_json::{Value, json};

fn ids(list: &Value) -> Vec<(String, String)> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    list.as_array().unwrap().iter().map(|part| (text(&part["tag"]), text(&part["id"]))).collect()
}

on_both_backends! {
    fn the_facility_is_there_from_the_start_and_changed_by_its_keeper(world) {
        let keeper = world.keeper();
        let first = keeper.get("/facility").is(200);
        assert_eq!(first.json()["timezone"], "UTC");
        let change = json!({ "timezone": "Europe/Berlin", "policies": { "horizon": "P30D" } });
        keeper.patch("/facility", &change).is_problem(428, "condition-missing");
        let second = keeper.patch_with_etag("/facility", &first.etag(), &change).is(200);
        assert_eq!(second.json()["timezone"], "Europe/Berlin");
        assert_eq!(second.json()["policies"]["horizon"], "P30D");
        assert_eq!(
            second.json()["policies"]["longest_booking"],
            first.json()["policies"]["longest_booking"]
        );
        keeper.patch_with_etag("/facility", &first.etag(), &change).is_problem(412, "stale");
        let wrong = keeper.patch_with_etag("/facility", "*", &json!({ "timezone": "Europe/Nowhere" }));
        wrong.is_problem(422, "invalid-input");
        assert_eq!(wrong.violations()[0].0, "timezone");
    }

    fn the_parts_of_a_box_keep_their_ids_by_their_tags(world) {
        let keeper = world.furnished().keeper();
        let before = keeper.get("/gloveboxes/LYNX").is(200);
        let change = json!({ "stations": [
            { "tag": "S2", "port_pairs": 1 }, { "tag": "S3", "port_pairs": 2 }, { "tag": "S1", "port_pairs": 1 }
        ]});
        let after = keeper.patch_with_etag("/gloveboxes/LYNX", &before.etag(), &change).is(200);
        let (before, after) = (ids(&before.json()["stations"]), ids(&after.json()["stations"]));
        assert_eq!(after.iter().map(|(tag, _)| tag.as_str()).collect::<Vec<_>>(), ["S2", "S3", "S1"]);
        assert!(before.iter().all(|part| after.contains(part)), "{before:?} {after:?}");
    }

    fn every_fault_of_a_box_is_named_where_it_is(world) {
        let mut form = argon_box("LYNX");
        world.furnished();
        form["tag"] = json!("NEW");
        form["room"] = json!("NOWHERE");
        form["stations"][1]["tag"] = json!("S1");
        form["antechambers"][0]["evacuate_to_mbar"] = json!(0.01);
        form["working_gas"] = json!("air");
        let answer = world.keeper().post("/gloveboxes", &form);
        answer.is_problem(422, "invalid-input");
        let fields: Vec<String> = answer.violations().into_iter().map(|(field, _)| field).collect();
        let expected = ["antechambers[0].evacuate_to_mbar", "room", "stations[1].tag", "working_gas"];
        assert_eq!(fields, expected);
    }

    fn what_is_referred_to_is_not_removed(world) {
        let keeper = world.furnished().keeper();
        for path in ["/rooms/LAB-1", "/gas-supplies/AR-PANEL"] {
            let refusal = keeper.delete_with_etag(path, "*").is_problem(409, "taken");
            assert_eq!(refusal["code"], "in_use", "{path}");
            keeper.get(path).is(200);
        }
        for tag in ["LYNX", "OTTER"] {
            keeper.delete_with_etag(&format!("/gloveboxes/{tag}"), "*").is(204);
        }
        for path in ["/rooms/LAB-1", "/gas-supplies/AR-PANEL"] {
            keeper.delete_with_etag(path, "*").is(204);
        }
    }

    fn boxes_are_found_by_their_gas(world) {
        let keeper = world.furnished().keeper();
        let mut nitrogen = argon_box("HERON");
        nitrogen["working_gas"] = json!("nitrogen");
        nitrogen.as_object_mut().unwrap().remove("gas_supply");
        keeper.post("/gloveboxes", &nitrogen).is(201);
        let tags = |query: &str| -> Vec<String> {
            let found = keeper.get_all(&format!("/gloveboxes?limit=1{query}"));
            found.iter().map(|found| found["tag"].as_str().unwrap().to_owned()).collect()
        };
        assert_eq!(tags("&working_gas=argon"), ["LYNX", "OTTER"]);
        assert_eq!(tags("&working_gas=nitrogen"), ["HERON"]);
        assert_eq!(tags(""), ["LYNX", "OTTER", "HERON"]);
        keeper.get("/gloveboxes?working_gas=air").is_problem(422, "invalid-input");
    }

    fn a_mail_address_is_shown_to_keepers_and_to_whom_it_belongs(world) {
        let form = json!({ "tag": "IVB", "name": "Ivo Brandl", "subject": "ivo", "email": "ivo@example.org" });
        world.keeper().post("/people", &form).is(201);
        assert_eq!(world.keeper().get("/people/IVB").is(200).json()["email"], "ivo@example.org");
        assert_eq!(world.researcher("ivo").get("/people/IVB").is(200).json()["email"], "ivo@example.org");
        for text in [
            world.researcher("ada").get("/people/IVB").is(200).text,
            world.researcher("ada").get("/people").is(200).text,
        ] {
            assert!(text.contains("Ivo Brandl") && !text.contains("example.org"), "{text}");
        }
    }

    fn of_many_changes_to_one_box_one_takes_effect(world) {
        let keeper = world.furnished().keeper();
        let etag = keeper.get("/gloveboxes/LYNX").is(200).etag();
        let statuses: Vec<u16> = std::thread::scope(|scope| {
            let (keeper, etag) = (&keeper, &etag);
            let change = |n: usize| {
                let change = json!({ "internal_volume_l": 1000 + n });
                keeper.patch_with_etag("/gloveboxes/LYNX", etag, &change).status
            };
            let changers: Vec<_> = (0..24).map(|n| scope.spawn(move || change(n))).collect();
            changers.into_iter().map(|changer| changer.join().unwrap()).collect()
        });
        assert_eq!(statuses.iter().filter(|status| **status == 200).count(), 1, "{statuses:?}");
        assert!(statuses.iter().all(|status| [200, 412].contains(status)), "{statuses:?}");
    }
}
