//! The published contract is what the code generates, and is whole.

#![expect(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod compatible;
mod promise;

use drykeep::domain::facility::Scope;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// The contract as committed.
const COMMITTED: &str = include_str!("../../openapi/drykeep.v1.json");

fn contract() -> Value {
    serde_json::from_str(&drykeep::api::contract_document()).unwrap()
}

/// Every operation, under its method and path.
fn operations(contract: &Value) -> BTreeMap<String, Value> {
    let paths = contract["paths"].as_object().unwrap();
    let all = paths.iter().flat_map(|(path, item)| {
        let methods = item.as_object().unwrap().iter().filter(|(key, _)| *key != "parameters");
        methods.map(move |(method, operation)| (format!("{method} {path}"), operation.clone()))
    });
    all.collect()
}

/// Fails with all of what is wrong at once.
#[track_caller]
fn none(faults: &[String]) {
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn the_committed_contract_is_the_generated_one() {
    assert!(
        COMMITTED == drykeep::api::contract_document(),
        "openapi/drykeep.v1.json is not what the code generates; see what differs with git diff after\n\n    \
         cargo run -- contract > openapi/drykeep.v1.json\n"
    );
}

#[test]
fn every_operation_is_named_once_and_explained() {
    let mut names = BTreeSet::new();
    let mut faults = Vec::new();
    for (at, operation) in operations(&contract()) {
        for member in ["operationId", "summary", "description"] {
            if operation[member].as_str().is_none_or(|text| text.trim().is_empty()) {
                faults.push(format!("{at} has no {member}"));
            }
        }
        if operation["tags"].as_array().is_none_or(|tags| tags.len() != 1) {
            faults.push(format!("{at} has not one tag"));
        }
        if !names.insert(operation["operationId"].to_string()) {
            faults.push(format!("{at} shares its operationId"));
        }
    }
    none(&faults);
    assert!(names.len() > 5);
}

#[test]
fn every_operation_says_which_scope_it_needs() {
    let known: Vec<&str> = Scope::ALL.iter().map(|scope| scope.word()).collect();
    let mut faults = Vec::new();
    for (at, operation) in operations(&contract()) {
        let requirements = operation["security"].as_array().cloned().unwrap_or_default();
        // Feeds for calendar programs, which send no token, are opened by keys of their own.
        if at.starts_with("get /api/v1/calendars/") {
            if requirements != [serde_json::json!({ "calendar_key": [] })] {
                faults.push(format!("{at} is not opened by its key"));
            }
            continue;
        }
        let guarded = at.contains(" /api/v1/");
        if requirements.is_empty() == guarded {
            faults.push(format!("{at} is to need a token: {guarded}"));
        }
        for requirement in &requirements {
            let scopes = requirement["token"].as_array().cloned().unwrap_or_default();
            if scopes.len() != 1 || !known.contains(&scopes[0].as_str().unwrap()) {
                faults.push(format!("{at} needs {requirement}, which is not one known scope"));
            }
        }
        for status in ["401", "403"] {
            if operation["responses"].get(status).is_some() != guarded {
                faults.push(format!("{at} is to answer {status}: {guarded}"));
            }
        }
    }
    none(&faults);
}

#[test]
fn every_refusal_is_a_problem() {
    let mut faults = Vec::new();
    for (at, operation) in operations(&contract()) {
        let responses = operation["responses"].as_object().unwrap();
        if !responses.keys().any(|status| status.starts_with('2')) {
            faults.push(format!("{at} never succeeds"));
        }
        for (status, response) in responses.iter().filter(|(status, _)| status.starts_with(['4', '5'])) {
            let schema = &response["content"]["application/problem+json"]["schema"]["$ref"];
            if schema != "#/components/schemas/Problem" {
                faults.push(format!("{at} answers {status} with something else than a problem"));
            }
        }
    }
    none(&faults);
}

#[test]
fn every_parameter_is_explained_and_every_place_in_a_path_is_one() {
    let mut faults = Vec::new();
    for (at, operation) in operations(&contract()) {
        let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
        for parameter in &parameters {
            if parameter["description"].as_str().is_none_or(str::is_empty) {
                faults.push(format!("{at} does not explain {}", parameter["name"]));
            }
        }
        let named = |place: &str| {
            parameters.iter().any(|p| p["in"] == "path" && p["name"] == place && p["required"] == true)
        };
        let places = at.split('{').skip(1).map(|part| part.split('}').next().unwrap());
        faults.extend(places.filter(|place| !named(place)).map(|place| format!("{at} has no {place}")));
    }
    none(&faults);
}

/// What a schema refers to.
fn resolved<'a>(contract: &'a Value, schema: &'a Value) -> &'a Value {
    match schema["$ref"].as_str() {
        Some(reference) => contract.pointer(reference.trim_start_matches('#')).unwrap(),
        None => schema,
    }
}

/// Whether a schema shows a worked example: its own, that of what it is made of,
/// or, for a list or a page of a list, that of its items.
fn has_example(contract: &Value, schema: &Value) -> bool {
    let schema = resolved(contract, schema);
    let composed = ["allOf", "oneOf", "anyOf"].iter().filter_map(|word| schema[*word].as_array()).flatten();
    schema.get("example").is_some()
        || schema["examples"].as_array().is_some_and(|examples| !examples.is_empty())
        || composed.into_iter().any(|part| has_example(contract, part))
        || schema.get("items").is_some_and(|items| has_example(contract, items))
        || schema.pointer("/properties/items").is_some_and(|items| has_example(contract, items))
}

/// Bodies without a worked example; this list may only shrink.
const WITHOUT_EXAMPLE: [&str; 2] =
    ["post /api/v1/readings request application/x-ndjson", "post /api/v1/readings request text/csv"];

#[test]
fn every_body_has_a_worked_example() {
    let contract = contract();
    let mut missing = BTreeSet::new();
    for (at, operation) in operations(&contract) {
        let request = operation["requestBody"]["content"].as_object().into_iter().flatten();
        let request = request.map(|(kind, content)| (format!("{at} request {kind}"), content));
        let responses = operation["responses"].as_object().unwrap().iter();
        let responses =
            responses.filter(|(status, _)| status.starts_with('2')).flat_map(|(status, response)| {
                let contents = response["content"].as_object().into_iter().flatten();
                contents.map(move |(kind, content)| (format!("{status} {kind}"), content))
            });
        let responses = responses
            .filter(|(kind, _)| kind.ends_with("json"))
            .map(|(kind, content)| (format!("{at} answer {kind}"), content));
        for (body, content) in request.chain(responses) {
            let own = content.get("example").is_some() || content.get("examples").is_some();
            if !own && !has_example(&contract, &content["schema"]) {
                missing.insert(body);
            }
        }
    }
    let expected: BTreeSet<String> = WITHOUT_EXAMPLE.iter().map(ToString::to_string).collect();
    assert_eq!(missing, expected);
}

/// JSON Schema 2020-12 §10.3.2.3: `additionalProperties: false` knows only the members
/// named beside it, so a closed part of an `allOf` forbids the members of the others.
#[test]
fn nothing_is_made_of_a_part_that_forbids_the_rest() {
    let contract = contract();
    let mut faults = Vec::new();
    for (name, schema) in contract["components"]["schemas"].as_object().unwrap() {
        let parts = schema["allOf"].as_array().cloned().unwrap_or_default();
        let closed = parts.iter().filter(|part| resolved(&contract, part)["additionalProperties"] == false);
        if parts.len() > 1 && closed.count() > 0 {
            faults.push(name.clone());
        }
    }
    none(&faults);
}

/// RFC 7396: a change names the members to change, and null removes one.
#[test]
fn a_change_need_not_name_everything() {
    let contract = contract();
    let mut faults = Vec::new();
    for (at, operation) in operations(&contract).iter().filter(|(at, _)| at.starts_with("patch ")) {
        let content = &operation["requestBody"]["content"];
        let schema = resolved(&contract, &content["application/json"]["schema"]);
        if schema["properties"].as_object().is_none_or(serde_json::Map::is_empty)
            || schema.get("required").is_some()
        {
            faults.push(format!("{at} asks for members that are not to change"));
        }
        if content.get("application/merge-patch+json").is_none() {
            faults.push(format!("{at} does not name the media type of a merge patch"));
        }
    }
    none(&faults);
    let change = &contract["components"]["schemas"]["RoomFormChanges"]["properties"]["air_changes_per_hour"];
    assert!(change["type"].as_array().is_some_and(|types| types.contains(&Value::from("null"))), "{change}");
}

#[test]
fn the_contract_is_openapi_3_1_and_refers_only_to_itself() {
    let contract = contract();
    assert!(contract["openapi"].as_str().unwrap().starts_with("3.1."));
    let mut references = Vec::new();
    collect_references(&contract, &mut references);
    assert!(!references.is_empty());
    let dangling: Vec<String> = references
        .into_iter()
        .filter(|reference| !reference.starts_with('#') || contract.pointer(&reference[1..]).is_none())
        .collect();
    none(&dangling);
}

fn collect_references(value: &Value, into: &mut Vec<String>) {
    match value {
        Value::Object(members) => {
            into.extend(members.get("$ref").and_then(Value::as_str).map(str::to_owned));
            members.values().for_each(|member| collect_references(member, into));
        }
        Value::Array(items) => items.iter().for_each(|item| collect_references(item, into)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}
