//! The facility that every world begins with: two invented boxes, three people,
//! one supply, and a few rules of upkeep.

use crate::calls::{Call, Intent, Who};
use crate::service::Service;
use serde_json::{Value, json};

/// Tags of the boxes.
pub(crate) const BOXES: [&str; 2] = ["LYNX", "OTTER"];
/// Tags of the cylinders, and how each stands at first.
pub(crate) const CYLINDERS: [(&str, &str); 3] = [("C1", "connected"), ("C2", "standby"), ("C3", "full")];

fn glovebox(tag: &str) -> Value {
    json!({
        "tag": tag, "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
        "stations": [{"tag": "S1", "port_pairs": 1}, {"tag": "S2", "port_pairs": 1}],
        "antechambers": [{
            "tag": "LARGE", "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
            "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "hold_minutes": 2.0,
            "measured_cycle_minutes": 8.0
        }],
        "instruments": [{"tag": "BALANCE", "name": "Analytical balance"}],
        "purifier": {"circulation_m3_h": 60.0, "columns": 1},
        "gas_supply": "AR-PANEL",
        "limits": {"oxygen_ppm": {"caution": 10.0, "action": 100.0}}
    })
}

fn rule(task: &str, kind: &str, closes: &str, triggers: &Value) -> Value {
    json!({
        "task": task, "applies_to": { "kind": kind }, "triggers": triggers, "duration": "PT1H",
        "closes": closes, "people": 1, "approach": "P14D", "safety": task == "leak_test"
    })
}

fn rules() -> [Value; 5] {
    [
        rule("leak_test", "glovebox", "whole_box", &json!([{ "kind": "calendar", "every": "P2M" }])),
        rule(
            "glove_change",
            "station",
            "station",
            &json!([{ "kind": "usage", "limit": 60.0, "meter": "station_hours" }, { "kind": "calendar", "every": "P12M" }, { "kind": "finding" }]),
        ),
        rule(
            "pump_oil_change",
            "antechamber",
            "nothing",
            &json!([{ "kind": "usage", "limit": 200.0, "meter": "antechamber_cycles" }, { "kind": "calendar", "every": "P12M" }]),
        ),
        rule(
            "purifier_regeneration",
            "purifier",
            "whole_box",
            &json!([{ "kind": "condition", "quantity": "oxygen_ppm", "limit": 8.0, "sustained": "PT6H" }, { "kind": "calendar", "every": "P6M" }]),
        ),
        rule("cylinder_swap", "gas_supply", "nothing", &json!([{ "kind": "contents" }])),
    ]
}

/// Puts it all in.
pub(crate) async fn furnish(service: &mut Service) {
    let cylinder =
        |(tag, state)| json!({ "tag": tag, "water_volume_l": 50.0, "fill_bar": 200.0, "state": state });
    let supply = json!({
        "tag": "AR-PANEL", "gas": "argon", "changeover_bar": 20.0, "temperature_c": 20.0,
        "cylinders": CYLINDERS.map(cylinder)
    });
    let mut wanted = vec![
        ("/rooms", json!({ "tag": "LAB-1", "volume_m3": 180.0 })),
        ("/gas-supplies", supply),
        ("/gloveboxes", glovebox(BOXES[0])),
        ("/gloveboxes", glovebox(BOXES[1])),
    ];
    for who in Who::RESEARCHERS {
        let tag = who.subject().to_uppercase();
        let group = if who == Who::Ada { "Films" } else { "Batteries" };
        let person =
            json!({ "tag": tag, "name": who.subject(), "subject": who.subject(), "groups": [group] });
        wanted.push(("/people", person));
        for glovebox in BOXES {
            wanted.push(("/qualifications", json!({ "person": tag, "glovebox": glovebox })));
        }
    }
    wanted.push(("/qualifications", json!({ "person": "CLEO", "task": "leak_test" })));
    wanted.extend(rules().map(|rule| ("/upkeep-rules", rule)));
    for (path, form) in wanted {
        let reply = service.ask(&Call::post(Who::Keeper, path, form, Intent::Keep)).await;
        assert_eq!(reply.status, 201, "{path}: {}", reply.body);
    }
}
