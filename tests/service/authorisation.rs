//! Every operation of the contract, by every scope: who may is who the contract
//! says may.

use crate::world::{Client, World};
use drykeep::domain::facility::Scope;
use serde_json::Value;

/// An operation with what is needed to send it.
struct Operation {
    method: String,
    path: String,
    body: Option<Value>,
    scopes: Vec<String>,
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

/// The operations that need a token, each with its own example as body and with
/// ids of nothing in its path.
fn operations() -> Vec<Operation> {
    let contract: Value = serde_json::from_str(&drykeep::api::contract_document()).unwrap();
    let mut all = Vec::new();
    for (path, item) in contract["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let Some(security) = operation["security"].as_array() else { continue };
            let scopes = security.iter().flat_map(|one| one["token"].as_array().unwrap());
            let concrete = path.split('/').map(|part| {
                if part.starts_with('{') { "018f0000-0000-7000-8000-000000000000" } else { part }
            });
            let query: Vec<String> = operation["parameters"]
                .as_array()
                .into_iter()
                .flatten()
                .filter(|parameter| parameter["in"] == "query" && parameter["required"] == true)
                .map(|parameter| {
                    let text = parameter["example"].as_str().unwrap_or("1");
                    format!("{}={}", parameter["name"].as_str().unwrap(), text.replace('+', "%2B"))
                })
                .collect();
            let question = if query.is_empty() { "" } else { "?" };
            all.push(Operation {
                method: method.to_uppercase(),
                path: format!("{}{question}{}", concrete.collect::<Vec<_>>().join("/"), query.join("&")),
                body: operation
                    .get("requestBody")
                    .map(|body| example(&contract, &body["content"]["application/json"]).unwrap_or_default()),
                scopes: scopes.map(|scope| scope.as_str().unwrap().to_owned()).collect(),
            });
        }
    }
    assert!(all.len() >= 5);
    all
}

impl Operation {
    fn ask(&self, client: &Client) -> crate::world::Answer {
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
    for operation in operations() {
        operation.ask(&world.anyone()).is_problem(401, "unauthenticated");
    }
}

/// A scope that does what another is named for, without the contract saying so at
/// each operation; this list may only shrink.
const UNSAID: [(&str, &str); 1] = [("facility:manage", "facility:read")];

#[test]
fn each_scope_does_what_the_contract_says_and_no_more() {
    let world = World::sqlite();
    let mut faults = Vec::new();
    for operation in operations() {
        let Operation { method, path, scopes, .. } = &operation;
        let without = operation.ask(&world.caller("somebody", ""));
        if without.status != 403 {
            faults.push(format!("{method} {path} without a scope: {} {}", without.status, without.text));
        }
        for scope in Scope::ALL.iter().map(|scope| scope.word()) {
            let answer = operation.ask(&world.caller("somebody", scope));
            let lacks_scope = answer.status == 403 && answer.json().get("needs_any_of").is_some();
            let listed = |word: &str| scopes.iter().any(|listed| listed == word);
            let implied = UNSAID.iter().any(|(wide, narrow)| *wide == scope && listed(narrow));
            if lacks_scope == (listed(scope) || implied) {
                faults.push(format!("{method} {path} with {scope}: {} {}", answer.status, answer.text));
            }
            if answer.status >= 500 {
                faults.push(format!("{method} {path} fails inside: {}", answer.text));
            }
        }
    }
    assert!(faults.is_empty(), "{faults:#?}");
}
