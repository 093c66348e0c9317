//! What callers are held to: how often, how much, how long.
//!
//! Fields: IETF draft-ietf-httpapi-ratelimit-headers-10. Status codes: RFC 9110, RFC 6585.

use crate::plans::kept;
use crate::world::furnished::argon_box;
use crate::world::{Answer, Client, Process, Raw, SECRET, World, on_both_backends, token};
use chrono::TimeDelta;
use drykeep::config::HttpSettings;
use drykeep::domain::quota::{Quota, Rates};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::num::NonZeroU32;
use std::time::{Duration, Instant};

/// Few enough that a test spends them at once, and gets none back while it runs.
fn few() -> HttpSettings {
    let quota = |requests| Quota::a_minute(NonZeroU32::new(requests).unwrap());
    let rates = Rates { reads: quota(5), writes: quota(2), expensive: quota(1), failures: quota(3) };
    HttpSettings { rates: Some(rates), ..HttpSettings::default() }
}

#[track_caller]
fn held_back(answer: &Answer, quota: &str) -> u64 {
    let problem = answer.is_problem(429, "too-many-requests");
    assert_eq!(problem["violated-policies"], json!([quota]));
    let wait: u64 = answer.header("retry-after").unwrap().parse().unwrap();
    assert_eq!(answer.header("ratelimit"), Some(format!("\"{quota}\";r=0;t={wait}").as_str()));
    wait
}

#[test]
fn a_caller_learns_what_is_left_and_is_held_back_when_nothing_is() {
    let world = World::holding_callers_to(few());
    let ada = world.researcher("ada");
    for left in (0..5).rev() {
        let answer = ada.get("/rooms").is(200);
        assert_eq!(answer.header("ratelimit-policy"), Some("\"reads\";q=5;w=60"));
        let told = answer.header("ratelimit").unwrap().to_owned();
        let expected = format!("\"reads\";r={left};t=");
        assert!(told.starts_with(&expected), "{told}");
        let until_whole: u64 = told[expected.len()..].parse().unwrap();
        assert!((12 * (4 - left)..=12 * (5 - left)).contains(&until_whole), "{told}");
    }
    // One comes back every twelve seconds.
    assert!((1..=12).contains(&held_back(&ada.get("/rooms"), "reads")));
    // What is asked of another kind, and by others, is counted apart.
    ada.post("/calculations/purge", &json!({})).is(422);
    held_back(&ada.get("/openings?duration=PT1H"), "expensive");
    world.researcher("bob").get("/rooms").is(200);
    let keeper = world.keeper();
    for tag in ["A", "B"] {
        keeper.post("/rooms", &json!({ "tag": tag, "volume_m3": 50 })).is(201);
    }
    held_back(&keeper.post("/rooms", &json!({ "tag": "C", "volume_m3": 50 })), "writes");
    assert_eq!(keeper.get_all("/rooms").len(), 2);
    // Whoever watches over the service may always ask, and sees what was held back.
    for _ in 0..10 {
        world.anyone().send("GET", "/health/ready", &[], None).is(200);
    }
    let metrics = world.anyone().send("GET", "/metrics", &[], None).is(200);
    assert_eq!(metrics.header("ratelimit"), None);
    for (quota, count) in [("reads", 1), ("expensive", 1), ("writes", 1)] {
        let line = format!("drykeep_http_held_back_total{{quota=\"{quota}\"}} {count}");
        assert!(metrics.text.contains(&line), "{line}: {}", metrics.text);
    }
    assert!(metrics.text.contains("status=\"429\""));
    let page = world.researcher("cyd").send("GET", "/problems/too-many-requests", &[], None).is(200);
    assert!(page.text.contains("Retry-After"), "{}", page.text);
}

#[test]
fn whoever_guesses_tokens_is_held_back_and_others_at_the_same_address_are_not() {
    let world = World::holding_callers_to(few());
    let ada = world.researcher("ada");
    ada.get("/rooms").is(200);
    let forged = |n: u32| world.bearing(&format!("Bearer {}{n}", token("keeper", "facility:manage")));
    for n in 0..3 {
        forged(n).get("/rooms").is_problem(401, "unauthenticated");
    }
    held_back(&forged(3).get("/rooms"), "failures");
    // Not even the right guess is looked at now; who was let in before goes on.
    held_back(&world.keeper().get("/rooms"), "failures");
    ada.get("/rooms").is(200);
    // Nothing is guessed by whoever shows nothing.
    world.anyone().get("/rooms").is_problem(401, "unauthenticated");
}

#[test]
fn whoever_guesses_keys_of_calendars_is_held_back() {
    let world = World::holding_callers_to(HttpSettings {
        rates: Some(Rates { writes: Quota::a_minute(NonZeroU32::new(100).unwrap()), ..few().rates.unwrap() }),
        ..few()
    });
    world.furnished();
    let made = world.keeper().post("/calendar-keys", &json!({ "label": "Corridor", "glovebox": "LYNX" }));
    let made = made.is(201).json();
    let path = made["path"].as_str().unwrap();
    let right = format!("{path}?key={}", made["key"].as_str().unwrap());
    world.anyone().get(&right).is(200);
    for n in 0..3 {
        world.anyone().get(&format!("{path}?key=guess{n}")).is_problem(404, "not-found");
    }
    held_back(&world.anyone().get(&format!("{path}?key=guess3")), "failures");
    world.anyone().get(&right).is(200);
}

#[test]
fn callers_behind_the_sites_own_proxy_are_told_apart() {
    let settings = HttpSettings { trusted_proxies: vec!["127.0.0.1".parse().unwrap()], ..few() };
    let world = World::holding_callers_to(settings);
    let from = |address: &str| world.anyone().send("GET", "/nowhere", &[("x-forwarded-for", address)], None);
    for _ in 0..5 {
        from("203.0.113.7").is(404);
    }
    held_back(&from("203.0.113.7"), "reads");
    from("203.0.113.8").is(404);
    // Without a proxy of the site, what callers say of themselves is not believed.
    let world = World::holding_callers_to(few());
    for n in 0..5 {
        world
            .anyone()
            .send("GET", "/nowhere", &[("x-forwarded-for", &format!("203.0.113.{n}"))], None)
            .is(404);
    }
    let sixth = world.anyone().send("GET", "/nowhere", &[("x-forwarded-for", "203.0.113.9")], None);
    held_back(&sixth, "reads");
}

#[test]
fn limits_can_be_lifted() {
    let world = World::sqlite();
    for _ in 0..30 {
        assert_eq!(world.researcher("ada").get("/rooms").is(200).header("ratelimit"), None);
    }
}

/// A connection with its own say of when to send what.
struct Line(TcpStream);

impl Line {
    fn to(address: SocketAddr) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        Self(stream)
    }

    fn say(&mut self, text: &str) {
        self.0.write_all(text.as_bytes()).unwrap();
    }

    /// All that is answered until the other end closes.
    fn rest(mut self) -> String {
        let mut text = Vec::new();
        // A reset after the answer ends it as well.
        drop(self.0.read_to_end(&mut text));
        String::from_utf8_lossy(&text).into_owned()
    }
}

fn post(path: &str, scope: &str, length: usize) -> String {
    format!(
        "POST /api/v1{path} HTTP/1.1\r\nHost: drykeep\r\nAuthorization: Bearer {}\r\n\
         Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n",
        token("keeper", scope)
    )
}

#[test]
fn a_body_that_trickles_is_given_up_and_the_connection_with_it() {
    let settings = HttpSettings { body_within: Duration::from_secs(1), ..HttpSettings::default() };
    let world = World::holding_callers_to(settings);
    let mut line = Line::to(world.address());
    line.say(&post("/rooms", "facility:manage", 1000));
    let mut trickle = line.0.try_clone().unwrap();
    let begun = Instant::now();
    let trickling = std::thread::spawn(move || {
        // Never silent for long.
        while trickle.write_all(b" ").is_ok() && begun.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    let answer = line.rest();
    let took = begun.elapsed();
    assert!(answer.starts_with("HTTP/1.1 408 "), "{answer}");
    assert!(answer.contains("application/problem+json") && answer.contains("/problems/too-slow"), "{answer}");
    assert!(took < Duration::from_secs(8), "{took:?}");
    trickling.join().unwrap();
    assert!(world.keeper().get_all("/rooms").is_empty());
}

/// RFC 9110 §15.5.14, RFC 6585 §5. The server answers what is no whole request by itself, in short.
#[test]
fn what_is_too_large_is_refused() {
    let world = World::sqlite();
    let keeper = world.keeper();
    let json = [("content-type", "application/json")];
    let large = format!("{{\"tag\": \"{}\"}}", "A".repeat(257 * 1024));
    keeper.send("POST", "/api/v1/rooms", &json, Some(large.as_bytes())).is_problem(413, "too-large");
    let night = "{ }".repeat(2000);
    keeper.send("POST", "/api/v1/nightly-runs", &json, Some(night.as_bytes())).is_problem(413, "too-large");
    let lines = [("content-type", "application/x-ndjson")];
    let row = "{\"subject\": \"LYNX\", \"quantity\": \"oxygen_ppm\", \"at\": \"2030-01-07T08:00:00Z\", \"value\": 1}\n";
    let many = row.repeat(100_001);
    keeper.send("POST", "/api/v1/readings", &lines, Some(many.as_bytes())).is_problem(413, "too-large");
    let mut line = Line::to(world.address());
    line.say(&format!("GET /health/live HTTP/1.1\r\nHost: drykeep\r\nX-Long: {}", "a".repeat(200_000)));
    let answer = line.rest();
    assert!(answer.starts_with("HTTP/1.1 431 "), "{answer}");
    let mut line = Line::to(world.address());
    line.say(&format!("GET /api/v1/rooms?{} HTTP/1.1\r\nHost: drykeep\r\n\r\n", "a".repeat(70_000)));
    assert!(line.rest().starts_with("HTTP/1.1 4"));
}

on_both_backends! {
    /// What the database does not get done in time is not waited for; it may be done all the same.
    fn an_answer_that_takes_too_long_is_not_waited_for(world) {
        let hasty = world.answering_within(Duration::from_millis(300));
        let mut raw = world.raw();
        let lock: &[&str] = match &raw {
            Raw::Sqlite(_) => &["BEGIN IMMEDIATE"],
            Raw::Postgres(_) => &["BEGIN", "LOCK TABLE rooms"],
        };
        for statement in lock {
            raw.run(statement).unwrap();
        }
        let answer = hasty.keeper().post("/rooms", &json!({ "tag": "A", "volume_m3": 50 }));
        answer.is_problem(503, "took-too-long");
        assert_eq!(answer.header("retry-after"), Some("5"));
        raw.run("ROLLBACK").unwrap();
        // What was asked for is done before the next change.
        world.keeper().post("/rooms", &json!({ "tag": "B", "volume_m3": 50 })).is(201);
        let done = || world.keeper().get_all("/rooms").len() == 2;
        assert!(until(&done, Duration::from_secs(10)).is_some());
    }
}

/// How long it takes until something holds; nothing where that is too long.
fn until(holds: &dyn Fn() -> bool, longest: Duration) -> Option<Duration> {
    let begun = Instant::now();
    while !holds() {
        if begun.elapsed() > longest {
            return None;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    Some(begun.elapsed())
}

/// Parameters that the contract does not name are faults, not wishes left unheard.
#[test]
fn every_list_names_parameters_that_it_does_not_know_and_caps_its_pages() {
    let world = World::sqlite();
    world.furnished();
    let contract: Value = serde_json::from_str(&drykeep::api::contract_document()).unwrap();
    let mut seen = 0;
    for (path, item) in contract["paths"].as_object().unwrap() {
        let operation = &item["get"];
        let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
        let queries: BTreeMap<_, _> = parameters
            .iter()
            .filter(|parameter| parameter["in"] == "query")
            .map(|parameter| (parameter["name"].as_str().unwrap(), parameter))
            .collect();
        // Feeds are for calendar programs, which may add to an address.
        if queries.is_empty() || path.starts_with("/api/v1/calendars/") {
            continue;
        }
        seen += 1;
        let nothing = "018f0000-0000-7000-8000-000000000000";
        let path = path.split('/').map(|part| if part.starts_with('{') { nothing } else { part });
        let path = path.collect::<Vec<_>>().join("/");
        let answer = world.keeper().get(&format!("{path}?colour=green"));
        answer.is_problem(422, "invalid-input");
        assert_eq!(answer.violations(), [("colour".to_owned(), "bad_parameter".to_owned())], "{path}");
        if queries.contains_key("limit") && !path.ends_with("/readings") {
            for limit in ["0", "501", "-1", "many"] {
                let answer = world.keeper().get(&format!("{path}?limit={limit}"));
                answer.is_problem(422, "invalid-input");
                assert!(
                    answer.violations().iter().any(|(field, _)| field == "limit"),
                    "{path}: {}",
                    answer.text
                );
            }
        }
    }
    assert!(seen > 15, "{seen}");
}

/// Sixteen boxes whose leak tests and gloves are due, and one person for all of it.
fn much_to_plan(world: &World) -> Client {
    let keeper = kept(world);
    let glove = json!({
        "task": "glove_change", "applies_to": "glovebox", "duration": "PT3H", "closes": "whole_box",
        "triggers": [{ "kind": "calendar", "every": "P6M" }], "competence": "leak_test"
    });
    keeper.post("/upkeep-rules", &glove).is(201);
    let daily = json!({
        "name": "Mornings", "dtstart": "2030-01-02T08:00:00", "timezone": "UTC", "duration": "PT4H",
        "rrule": "FREQ=WEEKLY;BYDAY=MO,TU,TH,FR", "holds": "always"
    });
    keeper.post("/maintenance-windows", &daily).is(201);
    for n in 0..14 {
        keeper.post("/gloveboxes", &argon_box(&format!("B{n}"))).is(201);
    }
    for n in 0..14 {
        for (task, day) in [("leak_test", 10 + n), ("glove_change", 24 - n)] {
            let service = json!({
                "task": task, "subject": format!("B{n}"), "done_at": format!("2029-07-{day:02}T08:00:00Z")
            });
            keeper.post("/services", &service).is(201);
        }
    }
    world.it_is_now(world.now() + TimeDelta::minutes(1));
    keeper.post("/nightly-runs", &json!({})).is(201);
    keeper
}

fn ask(seconds: u32) -> Value {
    json!({ "from": "2030-01-07T12:00:00Z", "to": "2030-03-04T00:00:00Z", "time_limit": format!("PT{seconds}S") })
}

/// A search takes a core, and others wait for their turn: it ends when nobody waits for its answer.
#[test]
fn a_search_ends_when_its_caller_hangs_up() {
    let world = World::sqlite();
    let keeper = much_to_plan(&world);
    // Left alone, it takes all the time that it is given.
    let begun = Instant::now();
    let plan = keeper.post("/maintenance-plans", &ask(4)).is(201).json();
    assert_eq!(plan["quality"]["stopped"], "budget_spent", "{}", plan["quality"]);
    assert!(begun.elapsed() >= Duration::from_secs(4));

    let body = ask(30).to_string();
    let mut line = Line::to(world.address());
    line.say(&(post("/maintenance-plans", "plans:manage", body.len()) + &body));
    let busy = || keeper.post("/maintenance-plans", &ask(1)).status == 503;
    std::thread::sleep(Duration::from_secs(1));
    assert!(until(&busy, Duration::from_secs(10)).is_some());
    drop(line);
    // A second of it is that of the search which found the planner free.
    assert!(until(&|| !busy(), Duration::from_secs(6)).is_some());
}

/// A service that stops waits for its answers, but not for a search: it says so, and ends.
#[test]
fn a_search_ends_when_the_service_is_told_to_stop() {
    let world = World::sqlite();
    drop(much_to_plan(&world));
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("tokens.secret");
    std::fs::write(&secret, SECRET).unwrap();
    let mut process = Process::start(&world.database(), &secret);
    let body = ask(30).to_string();
    let mut line = Line::to(process.address());
    line.say(&(post("/maintenance-plans", "plans:manage", body.len()) + &body));
    std::thread::sleep(Duration::from_secs(1));
    let busy = || process.keeper().post("/maintenance-plans", &ask(1)).status == 503;
    assert!(until(&busy, Duration::from_secs(10)).is_some());
    let begun = Instant::now();
    assert!(process.stop().success());
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(4), "{took:?}");
    let answer = line.rest();
    assert!(answer.starts_with("HTTP/1.1 503 "), "{answer}");
    assert!(answer.to_ascii_lowercase().contains("retry-after: 5"), "{answer}");
}
