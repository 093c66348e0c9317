//! A world with something in it: an invented facility of two boxes.

use super::{Client, World};
use serde_json::{Value, json};

/// An antechamber whose cycles take a stated time, so that tests need not compute it.
fn large_chamber() -> Value {
    json!({
        "tag": "LARGE", "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
        "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "hold_minutes": 2.0,
        "measured_cycle_minutes": 8.0
    })
}

/// A box of two stations and one antechamber.
pub(crate) fn argon_box(tag: &str) -> Value {
    json!({
        "tag": tag, "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
        "stations": [{"tag": "S1", "port_pairs": 1}, {"tag": "S2", "port_pairs": 1}],
        "antechambers": [large_chamber()],
        "instruments": [{"tag": "BALANCE", "name": "Analytical balance"}],
        "purifier": {"circulation_m3_h": 60.0, "columns": 1},
        "gas_supply": "AR-PANEL",
        "limits": {"oxygen_ppm": {"caution": 10.0, "action": 100.0}}
    })
}

impl World {
    /// Puts in a room, a gas supply, and the boxes LYNX and OTTER.
    pub(crate) fn furnished(&self) -> &Self {
        let keeper = self.keeper();
        keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 180.0 })).is(201);
        let cylinder = |tag: &str, state: &str| json!({ "tag": tag, "water_volume_l": 50.0, "fill_bar": 200.0, "state": state });
        let supply = json!({
            "tag": "AR-PANEL", "gas": "argon", "changeover_bar": 20.0, "temperature_c": 20.0,
            "cylinders": [cylinder("C1", "connected"), cylinder("C2", "standby")]
        });
        keeper.post("/gas-supplies", &supply).is(201);
        for tag in ["LYNX", "OTTER"] {
            keeper.post("/gloveboxes", &argon_box(tag)).is(201);
        }
        self
    }

    /// A person who may use both boxes.
    pub(crate) fn qualified(&self, subject: &str) -> Client {
        let keeper = self.keeper();
        let tag = subject.to_uppercase();
        keeper.post("/people", &json!({ "tag": tag, "name": subject, "subject": subject })).is(201);
        for glovebox in ["LYNX", "OTTER"] {
            keeper.post("/qualifications", &json!({ "person": tag, "glovebox": glovebox })).is(201);
        }
        self.researcher(subject)
    }
}
