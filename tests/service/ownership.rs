//! Every operation of the contract, by every scope, on the caller's own thing and on
//! somebody else's. Where no rule says that it matters whose the thing is, it must
//! not matter: both are answered alike.

use super::authorisation::{Operation, operations};
use crate::plans::{adopt, kept, propose};
use crate::world::furnished::argon_box;
use crate::world::{Answer, Client, World};
use drykeep::domain::facility::Scope;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// What somebody may do with a thing of somebody else's, who may do it with their own.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Others {
    /// They are told that it is not theirs if they may see the facility; otherwise
    /// that there is no such thing.
    NotTheirs,
    /// They are told that there is no such thing.
    Hidden,
    /// They see it, but neither whose it is nor what for, if they may see the
    /// facility; otherwise that there is no such thing.
    Outline,
    /// The same, but within a list, where it may be left out.
    Listed,
    /// They are told that it is not theirs. What exists is not told by that.
    Refused,
}

/// The operations for which it matters whose the thing is; the scope that makes it
/// not matter; and what others may. That each is needed, and needed as it stands, is tested.
const OWNED: [(&str, &str, Others); 12] = [
    ("GET /bookings", "bookings:manage", Others::Listed),
    ("GET /bookings of ADA", "bookings:manage", Others::Refused),
    ("POST /bookings", "bookings:manage", Others::Refused),
    ("GET /bookings/{id}", "bookings:manage", Others::Outline),
    ("PATCH /bookings/{id}", "bookings:manage", Others::NotTheirs),
    ("POST /bookings/{id}/cancel", "bookings:manage", Others::NotTheirs),
    ("POST /bookings/{id}/start", "bookings:manage", Others::NotTheirs),
    ("POST /bookings/{id}/closeout", "bookings:manage", Others::NotTheirs),
    ("GET /calendar-keys", "facility:manage", Others::Listed),
    ("GET /calendar-keys/{id}", "facility:manage", Others::Hidden),
    ("DELETE /calendar-keys/{id}", "facility:manage", Others::Hidden),
    ("GET /changes", "bookings:manage", Others::Listed),
];

/// Things of which there is none here, so that only their absence is asked for; this
/// list may only shrink.
const NOT_THERE: [&str; 1] = ["deliveries"];

/// A booking that is for Ada.
fn booking(start: &str, end: &str) -> Value {
    json!({
        "glovebox": "LYNX", "station": "S1", "purpose": "Secret films", "for": "ADA", "start": start, "end": end
    })
}

/// A facility with one of everything: what can belong to somebody belongs to Ada.
/// Returns where each thing is, by the part of the path before its id.
fn facility(world: &World) -> Vec<(String, String)> {
    let keeper = kept(world);
    let (ada, _) = (world.qualified("ada"), world.qualified("ben"));
    let booked = ada.post("/bookings", &booking("2030-01-07T08:00:00Z", "2030-01-07T10:00:00Z")).is(201);
    let key = ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
    adopt(&keeper, &propose(&keeper, &json!({ "gloveboxes": ["LYNX"] }))).is(200);
    let plan = propose(&keeper, &json!({ "gloveboxes": ["OTTER"] }));
    let item = json!({ "tag": "GLOVES-8", "name": "glove pair", "unit": "pair" });
    let item = keeper.post("/stock-items", &item).is(201);
    let movements = format!("/stock-items/{}/movements", item.id());
    let receipt = json!({ "kind": "received", "quantity": 4 });
    let movement = keeper.post(&movements, &receipt).is(201);
    let webhook = json!({ "url": "https://portal.example/hooks", "enabled": false });
    let webhook = keeper.post("/webhooks", &webhook).is(201);
    let hold = keeper.post("/holds", &json!({ "glovebox": "OTTER", "reason": "torn glove" })).is(201);
    let first = |path: &str| keeper.get_all(path)[0]["id"].as_str().unwrap().to_owned();
    let ada_qualified = keeper.get_all("/qualifications?person=ADA")[0]["id"].as_str().unwrap().to_owned();
    [
        ("rooms", "LAB-1".to_owned()),
        ("gas-supplies", "AR-PANEL".to_owned()),
        ("gloveboxes", "LYNX".to_owned()),
        ("antechambers", "LARGE".to_owned()),
        ("people", "ADA".to_owned()),
        ("qualifications", ada_qualified),
        ("bookings", booked.id()),
        ("calendar-keys", key.id()),
        ("due-items", first("/due-items")),
        ("holds", hold.id()),
        ("maintenance-plans", plan["id"].as_str().unwrap().to_owned()),
        ("maintenance-visits", first("/maintenance-visits")),
        ("maintenance-windows", first("/maintenance-windows")),
        ("nightly-runs", first("/nightly-runs")),
        ("services", first("/services")),
        ("stock-items", item.id()),
        ("movements", movement.id()),
        ("upkeep-rules", first("/upkeep-rules")),
        ("usage-statements", "2029-12".to_owned()),
        ("webhooks", webhook.id()),
    ]
    .map(|(kind, id)| (kind.to_owned(), id))
    .into()
}

/// All operations, with bodies that pass, and some again about a person.
fn all_operations(there: &[(String, String)]) -> Vec<Operation> {
    let mut all = operations(there);
    let window = json!({
        "name": "Upkeep", "dtstart": "2030-01-03T08:00:00", "timezone": "UTC", "duration": "PT4H",
        "rrule": "FREQ=WEEKLY;BYDAY=TH", "holds": "when_needed", "notice": "P2D"
    });
    // The contract's examples name things that are not in this facility, or are there already.
    let bodies = [
        ("POST /bookings", booking("2030-01-08T09:00:00Z", "2030-01-08T11:00:00Z")),
        ("PATCH /bookings/{id}", json!({ "purpose": "other films" })),
        ("POST /calendar-keys", json!({ "label": "Desk" })),
        ("POST /gloveboxes", argon_box("HERON")),
        ("POST /maintenance-plans", json!({ "gloveboxes": ["OTTER"] })),
        ("POST /maintenance-windows", window),
        ("PATCH /maintenance-windows/{id}", json!({ "name": "Care" })),
        ("POST /qualifications", json!({ "person": "ADA", "task": "leak_test" })),
        ("POST /rooms", json!({ "tag": "LAB-2", "volume_m3": 90.0 })),
        ("POST /stock-items", json!({ "tag": "OIL", "name": "pump oil", "unit": "l" })),
        ("POST /stock-items/{id}/movements", json!({ "kind": "used", "quantity": 1 })),
    ];
    for (name, body) in bodies {
        let operation = all.iter_mut().find(|operation| operation.name == name);
        operation.unwrap_or_else(|| panic!("no {name}")).body = Some(body);
    }
    let about_ada: Vec<_> = ["GET /bookings", "GET /qualifications"]
        .iter()
        .map(|name| {
            let plain = all.iter().find(|operation| operation.name == *name).unwrap();
            Operation {
                name: format!("{name} of ADA"),
                method: plain.method.clone(),
                path: format!("{}?person=ADA", plain.path),
                body: None,
                scopes: plain.scopes.clone(),
            }
        })
        .collect();
    all.extend(about_ada);
    all
}

/// An answer, as far as it could depend on who asked: the status, whether a scope is
/// missing, and for what is read the text.
fn outcome(operation: &Operation, answer: &Answer) -> String {
    if answer.status >= 400 {
        let lacks = answer.json().get("needs_any_of").is_some();
        return format!("{}{}", answer.status, if lacks { " lacks a scope" } else { "" });
    }
    let text = if operation.method == "GET" { answer.text.as_str() } else { "" };
    format!("{} {text}", answer.status)
}

/// The same in short, where it matters whose a thing is.
fn in_short(operation: &Operation, answer: &Answer, whole: &[String]) -> String {
    if answer.status >= 400 || operation.method != "GET" {
        return outcome(operation, answer).trim().to_owned();
    }
    let told = whole.iter().any(|words| answer.text.contains(words.as_str()));
    format!("{} {}", answer.status, if told { "whole" } else { "less" })
}

/// What should come of it, for Ada and for somebody else.
fn expected(operation: &Operation, rule: (&str, Others), scopes: &[&str], own: bool) -> &'static str {
    let (wide, others) = rule;
    let may = operation.scopes.iter().any(|listed| scopes.contains(&listed.as_str()));
    let read = operation.method == "GET";
    let whole = match operation.method.as_str() {
        "GET" => "200 whole",
        "DELETE" => "204",
        _ if operation.name == "POST /bookings" => "201",
        _ => "200",
    };
    let sees = scopes.contains(&"facility:read");
    match others {
        _ if !may => "403 lacks a scope",
        _ if own || scopes.contains(&wide) => whole,
        Others::NotTheirs if sees => "403",
        Others::Outline if sees => "200 less",
        Others::NotTheirs | Others::Hidden | Others::Outline => "404",
        Others::Listed if read => "200 less",
        Others::Listed | Others::Refused => "403",
    }
}

/// Each scope alone, and each beside the one that lets its bearer see the facility.
fn scope_sets() -> Vec<Vec<&'static str>> {
    let words = || Scope::ALL.iter().map(|scope| scope.word());
    let beside = words().filter(|word| *word != "facility:read").map(|word| vec!["facility:read", word]);
    words().map(|word| vec![word]).chain(beside).collect()
}

/// Asks in a world where nothing has happened yet, unless asking changes nothing.
fn ask_fresh(world: &World, operation: &Operation, who: &str, scopes: &[&str]) -> Answer {
    let may = operation.scopes.iter().any(|listed| scopes.contains(&listed.as_str()));
    if operation.method == "GET" || !may {
        return operation.ask(&client(world, who, scopes));
    }
    let copy = world.copied();
    if operation.name == "POST /bookings/{id}/closeout" {
        let start = operation.path.replace("/closeout", "/start");
        let headers = [("content-type", "application/json")];
        client(&copy, "ada", &["bookings:write"]).send("POST", &start, &headers, Some(b"{}")).is(200);
    }
    operation.ask(&client(&copy, who, scopes))
}

fn client(world: &World, who: &str, scopes: &[&str]) -> Client {
    world.caller(who, &scopes.join(" "))
}

#[test]
fn whose_a_thing_is_matters_exactly_where_a_rule_says_so() {
    let world = World::sqlite();
    let there = facility(&world);
    let ada = world.keeper().get("/people/ADA").id();
    let whole = ["Secret films".to_owned(), "Telephone".to_owned(), format!("\"person\":\"{ada}\"")];
    let (mut faults, mut used) = (Vec::new(), BTreeSet::new());
    for operation in all_operations(&there) {
        let rule = OWNED.iter().find(|(name, ..)| *name == operation.name);
        used.extend(rule.map(|(name, ..)| *name));
        let mut mattered = false;
        for scopes in scope_sets() {
            // Where nothing is anybody's, one more scope only lets its bearer do more.
            if rule.is_none() && scopes.len() > 1 {
                continue;
            }
            let answers = ["ada", "ben"].map(|who| ask_fresh(&world, &operation, who, &scopes));
            let at = |who: &str, answer: &Answer| {
                format!("{} by {who} with {scopes:?}: {} {}", operation.name, answer.status, answer.text)
            };
            if let Some((_, wide, others)) = rule {
                for (who, answer) in ["ada", "ben"].iter().zip(&answers) {
                    let wanted = expected(&operation, (wide, *others), &scopes, *who == "ada");
                    if in_short(&operation, answer, &whole) != wanted {
                        faults.push(format!("{wanted} expected: {}", at(who, answer)));
                    }
                }
            }
            let [own, other] = answers.each_ref().map(|answer| outcome(&operation, answer));
            mattered |= own != other;
            if rule.is_none() && own != other {
                faults.push(format!("{}\n  but {}", at("ada", &answers[0]), at("ben", &answers[1])));
            }
            if answers.iter().any(|answer| answer.status >= 500) {
                faults.push(format!("fails inside: {}", at("either", &answers[0])));
            }
        }
        if rule.is_some() && !mattered {
            faults.push(format!("{}: it does not matter whose it is", operation.name));
        }
    }
    let unused: Vec<_> = OWNED.iter().filter(|(name, ..)| !used.contains(name)).collect();
    assert!(faults.is_empty() && unused.is_empty(), "{unused:?} {faults:#?}");
}

/// What is asked for above is there, or the comparison would be one of absences.
#[test]
fn what_is_asked_for_is_there() {
    let world = World::sqlite();
    let there = facility(&world);
    let everything: Vec<_> = Scope::ALL.iter().map(|scope| scope.word()).collect();
    for operation in all_operations(&there).iter().filter(|operation| operation.method == "GET") {
        let known_absent = NOT_THERE.iter().any(|kind| operation.path.contains(&format!("/{kind}/")));
        let status = operation.ask(&client(&world, "ada", &everything)).status;
        assert_eq!(status, if known_absent { 404 } else { 200 }, "{}", operation.path);
    }
}
