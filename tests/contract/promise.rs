//! The promise of `openapi/README.md`: what works with a released contract works
//! with every later one of the same version. The contract may grow.

use super::compatible::broken;
use super::{COMMITTED, contract};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

fn released() -> Vec<(String, String)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("openapi/released");
    let mut all: Vec<(String, String)> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
        .map(|path| {
            (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read_to_string(path).unwrap())
        })
        .collect();
    all.sort();
    assert!(!all.is_empty(), "no contract was released");
    all
}

#[test]
fn what_works_with_a_released_contract_works_with_this_one() {
    let now = contract();
    for (name, text) in released() {
        let faults = broken(&serde_json::from_str(&text).unwrap(), &now);
        assert!(faults.is_empty(), "clients of {name} would break: {faults:#?}");
    }
}

/// Released contracts stay as they were: each has its checksum beside it.
#[test]
fn released_contracts_are_never_changed() {
    let sums = include_str!("../../openapi/released/SHA256SUMS");
    let mut stated: Vec<&str> = sums.lines().collect();
    stated.sort_by_key(|line| line.split_whitespace().last().map(str::to_owned));
    let found: Vec<String> = released()
        .iter()
        .map(|(name, text)| {
            let sum = Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut hex, byte| {
                write!(hex, "{byte:02x}").unwrap();
                hex
            });
            format!("{sum}  {name}")
        })
        .collect();
    assert_eq!(found, stated);
}

/// Something done to a contract.
type Change = Box<dyn Fn(&mut Value)>;

/// The contract as committed, with `change` made to it.
fn with(change: impl Fn(&mut Value)) -> Value {
    let mut contract = serde_json::from_str(COMMITTED).unwrap();
    change(&mut contract);
    contract
}

const BOOKING: &str = "/paths/~1api~1v1~1bookings/post";
const ROOM: &str = "/paths/~1api~1v1~1rooms~1{id}/get";

fn set(place: &str, value: &Value) -> impl Fn(&mut Value) + use<> {
    let (place, value) = (place.to_owned(), value.clone());
    move |contract| {
        let (above, member) = place.rsplit_once('/').unwrap();
        let member = member.replace("~1", "/");
        let above = contract.pointer_mut(above).unwrap_or_else(|| panic!("{place} is not there"));
        match above.as_array_mut() {
            Some(items) => items.push(value.clone()),
            None => above[member] = value.clone(),
        }
    }
}

fn without(place: &str) -> impl Fn(&mut Value) + use<> {
    let place = place.to_owned();
    move |contract| {
        let (above, member) = place.rsplit_once('/').unwrap();
        let member = member.replace("~1", "/");
        let above = contract.pointer_mut(above).and_then(Value::as_object_mut).unwrap();
        assert!(above.remove(&member).is_some(), "{place} is not there");
    }
}

/// What would break somebody's client, each in the words the check finds for it.
#[test]
fn a_change_that_breaks_clients_is_found() {
    let form = "/components/schemas/BookingForm";
    let view = "/components/schemas/RoomOxygenAnswer";
    let cases: Vec<(Change, &str)> = vec![
        (Box::new(without("/paths/~1api~1v1~1rooms")), "get /api/v1/rooms is gone"),
        (Box::new(without(ROOM)), "get /api/v1/rooms/{id} is gone"),
        (Box::new(set(&format!("{ROOM}/operationId"), &json!("read_room"))), "another operationId"),
        (
            Box::new(set(&format!("{BOOKING}/security"), &json!([{ "token": ["plans:manage"] }]))),
            "no longer opened by",
        ),
        (
            Box::new(set(
                &format!("{ROOM}/parameters/-"),
                &json!({ "in": "query", "name": "as", "required": true, "schema": { "type": "string" } }),
            )),
            "needs the query parameter \"as\"",
        ),
        (Box::new(without(&format!("{ROOM}/parameters"))), "no longer takes the path parameter \"id\""),
        (
            Box::new(without(&format!("{BOOKING}/requestBody/content/application~1json"))),
            "is no longer taken",
        ),
        (Box::new(without(&format!("{form}/properties/purpose"))), "no longer knows `purpose`"),
        (Box::new(set(&format!("{form}/required/-"), &json!("purpose"))), "`purpose`"),
        (Box::new(set(&format!("{form}/properties/whole_box/type"), &json!("string"))), "another type"),
        (Box::new(set(&format!("{form}/properties/glovebox/maxLength"), &json!(3))), "`maxLength`"),
        (Box::new(set(&format!("{form}/properties/glovebox/pattern"), &json!("^[a-z]*$"))), "`pattern`"),
        (Box::new(set(&format!("{form}/properties/glovebox/enum"), &json!(["LYNX"]))), "`enum`"),
        (Box::new(set(&format!("{form}/properties/purpose/unheardOf"), &json!(1))), "`unheardOf`"),
        (
            Box::new(without(&format!("{view}/properties/lowest_oxygen_percent"))),
            "no longer knows `lowest_oxygen_percent`",
        ),
        (Box::new(set(&format!("{view}/required"), &json!(["cautions"]))), "not always"),
        (
            Box::new(set(
                &format!("{view}/properties/lowest_oxygen_percent/type"),
                &json!(["number", "null"]),
            )),
            "another type",
        ),
        (Box::new(without(&format!("{ROOM}/responses/200/headers/ETag"))), "header ETag is gone"),
        (
            Box::new(without(&format!("{ROOM}/responses/200/content/application~1json"))),
            "application/json is gone",
        ),
        (Box::new(without(&format!("{BOOKING}/responses/201"))), "answer 201 is gone"),
        (Box::new(set(&format!("{BOOKING}/responses/202"), &json!({}))), "succeeds with 202"),
    ];
    let old = contract();
    for (change, expected) in cases {
        let faults = broken(&old, &with(change));
        assert!(faults.iter().any(|fault| fault.contains(expected)), "{expected}: {faults:#?}");
    }
}

#[test]
fn a_contract_that_only_grows_breaks_nobody() {
    let form = "/components/schemas/BookingForm";
    let view = "/components/schemas/RoomOxygenAnswer";
    let optional = json!({ "in": "query", "name": "as", "schema": { "type": "string" } });
    let cases: Vec<Change> = vec![
        Box::new(|_| {}),
        Box::new(set("/paths/~1api~1v1~1lamps", &json!({ "get": { "operationId": "list_lamps" } }))),
        Box::new(set(&format!("{ROOM}/parameters/-"), &optional)),
        Box::new(set(&format!("{BOOKING}/security/-"), &json!({ "token": ["plans:manage"] }))),
        Box::new(set(&format!("{form}/properties/colour"), &json!({ "type": "string" }))),
        Box::new(set(&format!("{form}/required"), &json!(["glovebox"]))),
        Box::new(set(&format!("{form}/properties/whole_box/type"), &json!(["boolean", "null"]))),
        Box::new(set(&format!("{view}/properties/colour"), &json!({ "type": "string" }))),
        Box::new(set(&format!("{view}/required/-"), &json!("air_changes_per_hour"))),
        Box::new(set(&format!("{view}/description"), &json!("A room in other words."))),
        Box::new(set(&format!("{ROOM}/responses/418"), &json!({ "description": "A teapot" }))),
        Box::new(set(
            &format!("{ROOM}/responses/200/headers/Age"),
            &json!({ "schema": { "type": "string" } }),
        )),
    ];
    let old = contract();
    for (number, change) in cases.into_iter().enumerate() {
        let faults = broken(&old, &with(change));
        assert!(faults.is_empty(), "case {number}: {faults:#?}");
    }
}
