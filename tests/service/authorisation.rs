//! Every operation of the contract, by every scope: who may is who the contract
//! says may.

use crate::world::{Client, World};
use drykeep::domain::facility::Scope;
use serde_json::Value;
use std::collections::BTreeSet;

/// An operation with what is needed to send it.
pub(crate) struct Operation {
    /// As the contract has it, such as `GET /bookings/{id}`.
    pub(crate) name: String,
    pub(crate) method: String,
    pub(crate) path: String,
    pub(crate) body: Option<Value>,
    pub(crate) scopes: Vec<String>,
}

/// An example of a body, as the contract shows it.
fn example(contract: &Value, content: &Value) -> Option<Value> {
    let schema = &content["schema"];
    let schema = match schema["$ref"].as_str() {
        Some(reference) => contract.pointer(reference.trim_start_matches('#'))?,
        None => schema,
    };
    content
        .get("example")
        .or_else(|| schema.get("example"))
        .cloned()
        .or_else(|| schema["examples"].as_array().and_then(|examples| examples.first().cloned()))
}

/// Something of each kind that is there, by the part of the path before its id;
/// other things are asked for by an id of nothing.
const THERE: [(&str, &str); 5] = [
    ("rooms", "LAB-1"),
    ("gas-supplies", "AR-PANEL"),
    ("gloveboxes", "LYNX"),
    ("antechambers", "LARGE"),
    ("people", "ADA"),
];

/// Queries without which an operation only finds fault with the query.
const QUERIES: [(&str, &str); 4] = [
    ("/occurrences", "from=2030-01-07T00:00:00Z&to=2030-01-08T00:00:00Z"),
    ("/openings", "duration=PT1H"),
    ("GET /api/v1/readings", "subject=LYNX&quantity=oxygen_ppm"),
    ("DELETE /api/v1/readings", "subject=LYNX&quantity=oxygen_ppm&at=2030-01-07T00:00:00Z"),
];

/// Bodies other than the contract's example, which names things of its own.
const BODIES: [(&str, &str); 2] =
    [("/closeout", "{\"chambers_under_vacuum\": true}"), ("POST /api/v1/nightly-runs", "{}")];

/// What a scope lets its bearer see without the contract saying so, by the beginning
/// of the path; this list may only shrink.
const UNSAID: [(&str, &str); 13] = [
    ("facility:manage", "/due-items"),
    ("facility:manage", "/gas-supplies"),
    ("facility:manage", "/gloveboxes"),
    ("facility:manage", "/holds"),
    ("facility:manage", "/nightly-runs"),
    ("facility:manage", "/people"),
    ("facility:manage", "/qualifications"),
    ("facility:manage", "/readings"),
    ("facility:manage", "/rooms"),
    ("facility:manage", "/services"),
    ("facility:manage", "/upkeep-rules"),
    ("upkeep:manage", "/nightly-runs"),
    ("upkeep:manage", "/upkeep-rules"),
];

/// The path to something that is there, of its kind, and to nothing where none is known.
fn concrete(path: &str, there: &[(String, String)]) -> String {
    let mut before = "";
    let mut parts = Vec::new();
    for part in path.split('/') {
        let known = there.iter().find(|(kind, _)| kind == before).map(|(_, tag)| tag.as_str());
        let nothing = "018f0000-0000-7000-8000-000000000000";
        parts.push(if part.starts_with('{') { known.unwrap_or(nothing) } else { part });
        before = part;
    }
    parts.join("/")
}

/// What is there in a furnished world.
fn furniture() -> Vec<(String, String)> {
    THERE.iter().map(|(kind, tag)| ((*kind).to_owned(), (*tag).to_owned())).collect()
}

/// The operations that need a token, each on something that is there, with a body
/// and a query that pass.
pub(crate) fn operations(there: &[(String, String)]) -> Vec<Operation> {
    let contract: Value = serde_json::from_str(&drykeep::api::contract_document()).unwrap();
    let mut all = Vec::new();
    for (path, item) in contract["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let Some(security) = operation["security"].as_array() else { continue };
            // Feeds are opened by keys of their own, as the tests of calendars say.
            if security.iter().any(|one| one.get("calendar_key").is_some()) {
                assert!(path.starts_with("/api/v1/calendars/"), "{path} takes a key instead of a token");
                continue;
            }
            let scopes = security.iter().flat_map(|one| one["token"].as_array().unwrap());
            let at = format!("{} {path}", method.to_uppercase());
            let query = QUERIES.iter().find(|(known, _)| at.ends_with(known));
            let body = BODIES.iter().find(|(known, _)| at.ends_with(known));
            all.push(Operation {
                method: method.to_uppercase(),
                name: format!("{} {}", method.to_uppercase(), path.trim_start_matches("/api/v1")),
                path: concrete(path, there)
                    + &query.map(|(_, query)| format!("?{query}")).unwrap_or_default(),
                body: match body {
                    Some((_, body)) => Some(serde_json::from_str(body).unwrap()),
                    None => operation.get("requestBody").map(|body| {
                        example(&contract, &body["content"]["application/json"]).unwrap_or_default()
                    }),
                },
                scopes: scopes.map(|scope| scope.as_str().unwrap().to_owned()).collect(),
            });
        }
    }
    assert!(all.len() >= 5);
    all
}

impl Operation {
    pub(crate) fn ask(&self, client: &Client) -> crate::world::Answer {
        let mut headers = vec![("content-type", "application/json")];
        if self.method != "GET" {
            headers.push(("if-match", "*"));
        }
        let posts = ["POST", "PATCH", "PUT"].contains(&self.method.as_str());
        let body = posts.then(|| self.body.as_ref().map_or_else(|| "{}".to_owned(), Value::to_string));
        client.send(&self.method, &self.path, &headers, body.as_deref().map(str::as_bytes))
    }
}

#[test]
fn nothing_of_the_facility_is_open_to_everyone() {
    let world = World::sqlite();
    for operation in operations(&furniture()) {
        operation.ask(&world.anyone()).is_problem(401, "unauthenticated");
    }
}

#[test]
fn each_scope_does_what_the_contract_says_and_no_more() {
    let mut faults = Vec::new();
    let mut unsaid = BTreeSet::new();
    let untouched = World::sqlite();
    untouched.furnished().qualified("ada");
    for operation in operations(&furniture()) {
        let Operation { method, path, scopes, .. } = &operation;
        // What one operation changes is of no concern to the next.
        let fresh = (method != "GET").then(World::sqlite);
        if let Some(world) = &fresh {
            world.furnished().qualified("ada");
        }
        let world = fresh.as_ref().unwrap_or(&untouched);
        let without = operation.ask(&world.caller("somebody", ""));
        if without.status != 403 {
            faults.push(format!("{method} {path} without a scope: {} {}", without.status, without.text));
        }
        // Those that may not go first, while everything is still there.
        let (may, may_not): (Vec<&str>, Vec<&str>) = Scope::ALL
            .iter()
            .map(|scope| scope.word())
            .partition(|scope| scopes.iter().any(|listed| listed == scope));
        for scope in may_not.iter().chain(&may) {
            let answer = operation.ask(&world.caller("somebody", scope));
            let lacks_scope = answer.status == 403 && answer.json().get("needs_any_of").is_some();
            let known = UNSAID.iter().find(|(wide, part)| {
                wide == scope && method == "GET" && path.starts_with(&format!("/api/v1{part}"))
            });
            if !lacks_scope && !may.contains(scope) && known.is_some() {
                unsaid.extend(known);
            } else if lacks_scope == may.contains(scope) {
                faults.push(format!("{method} {path} with {scope}: {} {}", answer.status, answer.text));
            }
            if answer.status >= 500 {
                faults.push(format!("{method} {path} fails inside: {}", answer.text));
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
    assert_eq!(unsaid, BTreeSet::from(UNSAID), "the contract says more by now: shorten the list");
}
