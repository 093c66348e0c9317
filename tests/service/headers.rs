//! Headers that every answer carries, and which pages of other origins may ask from a browser.

use crate::world::{Answer, World};
use drykeep::config::HttpSettings;
use serde_json::{Value, json};
use std::time::Duration;

/// What is on every answer (Fetch standard, Content Security Policy Level 3, RFC 9111).
fn faults_of(at: &str, answer: &Answer) -> Vec<String> {
    let expected = [
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("x-frame-options", "DENY"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
    ];
    let mut faults = Vec::new();
    for (name, value) in expected {
        if answer.header(name) != Some(value) {
            faults.push(format!("{at}: {name}: {:?}", answer.header(name)));
        }
    }
    let policy = answer.header("content-security-policy").unwrap_or_default();
    for word in ["default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'"] {
        if !policy.contains(word) {
            faults.push(format!("{at}: content-security-policy: {policy:?}"));
        }
    }
    if answer.header("x-request-id").is_none() {
        faults.push(format!("{at}: no x-request-id"));
    }
    if answer.header("access-control-allow-credentials").is_some() {
        faults.push(format!("{at}: browsers may send what they keep"));
    }
    if at.contains(" /api/") {
        let kept = answer.header("cache-control").unwrap_or_default();
        let private = if answer.header("etag").is_some() { "private, no-cache" } else { "no-store" };
        if kept != private {
            faults.push(format!("{at}: cache-control: {kept:?}, expected {private:?}"));
        }
    }
    faults
}

#[test]
fn every_answer_says_what_browsers_and_caches_may_do_with_it() {
    let world = World::sqlite();
    world.furnished();
    let contract: Value = serde_json::from_str(&drykeep::api::contract_document()).unwrap();
    let mut asked = Vec::new();
    for (path, item) in contract["paths"].as_object().unwrap() {
        for method in item.as_object().unwrap().keys().filter(|key| *key != "parameters") {
            for place in ["LAB-1", "LYNX", "018f0000-0000-7000-8000-000000000000"] {
                let parts = path.split('/').map(|part| if part.starts_with('{') { place } else { part });
                asked.push((method.to_uppercase(), parts.collect::<Vec<_>>().join("/")));
            }
        }
    }
    for (method, path) in [
        ("GET", "/"),
        ("GET", "/api/v1"),
        ("GET", "/api/v1/nowhere"),
        ("PUT", "/api/v1/rooms"),
        ("OPTIONS", "/api/v1/rooms"),
        ("GET", "/docs"),
        ("GET", "/docs/"),
        ("GET", "/docs/nowhere"),
        ("GET", "/openapi.json"),
        ("GET", "/problems/not-found"),
        ("GET", "/problems/nowhere"),
    ] {
        asked.push((method.to_owned(), path.to_owned()));
    }
    asked.sort();
    asked.dedup();
    let mut faults = Vec::new();
    let mut statuses = std::collections::BTreeSet::new();
    for (method, path) in &asked {
        let headers = [("content-type", "application/json"), ("origin", "https://portal.example")];
        let body = (method != "GET" && method != "OPTIONS").then_some(b"{}".as_slice());
        for (who, client) in [("anyone", world.anyone()), ("keeper", world.keeper())] {
            let answer = client.send(method, path, &headers, body);
            statuses.insert(answer.status);
            faults.extend(faults_of(&format!("{who}: {method} {path} ({})", answer.status), &answer));
            // No origin is listed.
            if answer.header("access-control-allow-origin").is_some() {
                faults.push(format!("{method} {path} may be read by pages of any origin"));
            }
        }
    }
    assert!(faults.is_empty(), "{} faults, such as {:#?}", faults.len(), &faults[..faults.len().min(20)]);
    for status in [200, 201, 308, 401, 404, 405, 422, 428] {
        assert!(statuses.contains(&status), "{status} is not among {statuses:?}");
    }
}

#[test]
fn who_knows_the_version_may_ask_whether_it_holds() {
    let world = World::sqlite();
    world.furnished();
    let room = world.keeper().get("/rooms/LAB-1").is(200);
    assert_eq!(room.header("cache-control"), Some("private, no-cache"));
    let etag = room.etag();
    let known = world.keeper().send("GET", "/api/v1/rooms/LAB-1", &[("if-none-match", &etag)], None).is(304);
    assert_eq!(known.header("cache-control"), Some("private, no-cache"));
}

/// RFC 6797: only where the site says so, since TLS ends before the service.
#[test]
fn browsers_are_told_to_insist_on_tls_where_the_site_says_so() {
    let quiet = World::sqlite();
    assert_eq!(quiet.anyone().get("/rooms").header("strict-transport-security"), None);
    let settings = HttpSettings { hsts: Some(Duration::from_secs(31_536_000)), ..HttpSettings::default() };
    let strict = World::holding_callers_to(settings);
    assert_eq!(strict.anyone().get("/rooms").header("strict-transport-security"), Some("max-age=31536000"));
}

fn listed(header: Option<&str>) -> Vec<String> {
    header.unwrap_or_default().split(',').map(|one| one.trim().to_ascii_lowercase()).collect()
}

fn with_a_portal() -> World {
    let origins = vec!["https://portal.example".to_owned()];
    World::holding_callers_to(HttpSettings { cors_origins: origins, ..HttpSettings::default() })
}

/// The CORS protocol of the Fetch standard, §3.2.
#[test]
fn a_listed_origin_may_ask_beforehand_and_read_what_it_needs() {
    let world = with_a_portal();
    let preflight = |origin: &str, method: &str, headers: &str| {
        let asked = [
            ("origin", origin),
            ("access-control-request-method", method),
            ("access-control-request-headers", headers),
        ];
        world.anyone().send("OPTIONS", "/api/v1/bookings", &asked, None)
    };
    let wanted = "authorization,content-type,if-match,if-none-match,idempotency-key";
    let granted = preflight("https://portal.example", "PATCH", wanted).is(200);
    assert_eq!(granted.header("access-control-allow-origin"), Some("https://portal.example"));
    let methods = listed(granted.header("access-control-allow-methods"));
    for method in ["get", "head", "post", "patch", "delete"] {
        assert!(methods.iter().any(|one| one == method), "{methods:?}");
    }
    let headers = listed(granted.header("access-control-allow-headers"));
    for header in wanted.split(',') {
        assert!(headers.iter().any(|one| one == header), "{headers:?}");
    }
    assert_eq!(granted.header("access-control-max-age"), Some("3600"));
    assert!(listed(granted.header("vary")).iter().any(|one| one == "origin"));
    for refused in [
        preflight("https://portal.example.evil.example", "GET", "authorization"),
        preflight("http://portal.example", "GET", "authorization"),
        preflight("null", "GET", "authorization"),
        preflight("https://portal.example", "TRACE", "authorization"),
        preflight("https://portal.example", "GET", "x-unheard-of"),
    ] {
        assert_eq!(refused.header("access-control-allow-origin"), None, "{}", refused.status);
        assert_eq!(refused.status, 400);
    }

    let read =
        world.keeper().send("GET", "/api/v1/rooms", &[("origin", "https://portal.example")], None).is(200);
    assert_eq!(read.header("access-control-allow-origin"), Some("https://portal.example"));
    let exposed = listed(read.header("access-control-expose-headers"));
    for header in ["etag", "link", "location", "ratelimit", "ratelimit-policy", "retry-after", "x-request-id"]
    {
        assert!(exposed.iter().any(|one| one == header), "{exposed:?}");
    }
    // Errors can be read as well, and caches tell origins apart.
    let refusal = world.anyone().send("GET", "/api/v1/rooms", &[("origin", "https://portal.example")], None);
    refusal.is_problem(401, "unauthenticated");
    assert_eq!(refusal.header("access-control-allow-origin"), Some("https://portal.example"));
    assert!(listed(refusal.header("vary")).iter().any(|one| one == "origin"));
    assert!(faults_of("GET /api/v1/rooms", &refusal).is_empty());
}

/// The protocol protects people with a browser, not the service: other programs send any header.
#[test]
fn another_origin_is_answered_but_its_pages_do_not_learn_what() {
    let world = with_a_portal();
    let asked = [("origin", "https://elsewhere.example")];
    let answer = world.keeper().send("GET", "/api/v1/rooms", &asked, None).is(200);
    assert_eq!(answer.header("access-control-allow-origin"), None);
    assert!(listed(answer.header("vary")).iter().any(|one| one == "origin"));
    let body = json!({ "tag": "A", "volume_m3": 50 });
    world.keeper().post("/rooms", &body).is(201);
}
