//! Tokens of other issuers: their keys as they come and go, and what their groups open.

use crate::world::{NAME, SECRET, World, token};
use chrono::{DateTime, TimeDelta, Utc};
use drykeep::clock::Clock;
use drykeep::domain::facility::Scope;
use drykeep::identity::{External, KeySource, Refusal, Verifier};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Tokens that `PyJWT` made with keys that RFC 7515 and RFC 8037 publish
/// (`tests/reference/generate_tokens.py`).
pub(crate) fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/tokens.json")).unwrap()
}

pub(crate) fn made(name: &str) -> String {
    reference()["tokens"][name].as_str().unwrap_or_else(|| panic!("no token {name}")).to_owned()
}

pub(crate) fn key_set(names: &[&str]) -> String {
    let reference = reference();
    let keys: Vec<_> = names.iter().map(|name| &reference["keys"][name]).collect();
    json!({ "keys": keys }).to_string()
}

/// The time at which the reference tokens are valid.
pub(crate) fn then() -> DateTime<Utc> {
    DateTime::from_timestamp(reference()["now"].as_i64().unwrap(), 0).unwrap()
}

/// An issuer as a site lists it: its groups count, its scopes do not.
pub(crate) fn campus() -> External {
    let groups = BTreeMap::from([("glovebox-users".to_owned(), vec![Scope::BookingsWrite])]);
    External {
        name: "campus".to_owned(),
        subject_prefix: "campus:".to_owned(),
        trust_scopes: false,
        groups,
        ..External::site("https://login.example", NAME)
    }
}

/// Somebody on this machine who publishes keys, and counts how often they are asked for.
struct Publisher {
    url: String,
    said: Arc<Mutex<Said>>,
}

struct Said {
    status: u16,
    headers: String,
    body: String,
    asked: usize,
}

impl Publisher {
    fn of(names: &[&str]) -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let url = format!("http://{}/keys", listener.local_addr().unwrap());
        let said = Said { status: 200, headers: String::new(), body: key_set(names), asked: 0 };
        let said = Arc::new(Mutex::new(said));
        let own = Arc::clone(&said);
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                let mut lines = BufReader::new(stream.try_clone().unwrap()).lines();
                while lines.next().is_some_and(|line| line.is_ok_and(|line| !line.is_empty())) {}
                let mut said = own.lock().unwrap();
                said.asked += 1;
                let answer = format!(
                    "HTTP/1.1 {} Said\r\n{}Content-Length: {}\r\nConnection: close\r\n\r\n{}",
                    said.status,
                    said.headers,
                    said.body.len(),
                    said.body
                );
                // Whoever reads no further than it must hangs up.
                drop(stream.write_all(answer.as_bytes()));
            }
        });
        Self { url, said }
    }

    fn source(&self) -> KeySource {
        KeySource::Url { url: self.url.parse().unwrap(), authorities: None }
    }

    fn publishes(&self, names: &[&str]) {
        self.says(200, "", &key_set(names));
    }

    fn says(&self, status: u16, headers: &str, body: &str) {
        let mut said = self.said.lock().unwrap();
        (said.status, said.headers, said.body) = (status, headers.to_owned(), body.to_owned());
    }

    fn asked(&self) -> usize {
        self.said.lock().unwrap().asked
    }
}

/// A service's verifier with a clock to turn.
struct Gate {
    clock: Clock,
    verifier: Verifier,
    now: Mutex<DateTime<Utc>>,
}

impl Gate {
    fn believing(terms: External, source: KeySource) -> Self {
        let clock = Clock::standing_at(then());
        let mut verifier = Verifier::by(clock.clone());
        verifier.add(terms, source).unwrap();
        Self { clock, verifier, now: Mutex::new(then()) }
    }

    fn after(&self, time: TimeDelta) {
        let mut now = self.now.lock().unwrap();
        *now += time;
        self.clock.set(*now);
    }

    fn admits(&self, name: &str) -> Result<String, Refusal> {
        let token = made(name);
        let admitted = actix_web::rt::System::new().block_on(self.verifier.admit(&token));
        admitted.map(|actor| actor.subject)
    }

    #[track_caller]
    fn lets_in(&self, name: &str) {
        assert_eq!(self.admits(name), Ok("campus:ada".to_owned()), "{name}");
    }

    #[track_caller]
    fn refuses(&self, name: &str) {
        assert!(matches!(self.admits(name), Err(Refusal::Token(_))), "{name}: {:?}", self.admits(name));
    }
}

#[test]
fn tokens_of_an_independent_library_are_let_in() {
    let publisher = Publisher::of(&["rsa", "ec", "ed", "second"]);
    let gate = Gate::believing(campus(), publisher.source());
    for name in ["rsa", "ec", "ed", "second", "rsa as JWT"] {
        gate.lets_in(name);
    }
    assert_eq!(publisher.asked(), 1);
}

/// The tokens of the reference are valid for ten minutes, within which all this happens.
#[test]
fn a_new_key_is_picked_up_and_a_removed_one_no_longer_counts() {
    let publisher = Publisher::of(&["rsa"]);
    publisher.says(200, "Cache-Control: max-age=1\r\n", &key_set(&["rsa"]));
    let gate = Gate::believing(campus(), publisher.source());
    gate.lets_in("rsa");
    publisher.publishes(&["second"]);
    gate.after(TimeDelta::seconds(61));
    // The old one still counts: its time is five minutes, however short the issuer says.
    gate.lets_in("rsa");
    assert_eq!(publisher.asked(), 1);
    gate.lets_in("second");
    assert_eq!(publisher.asked(), 2);
    gate.refuses("rsa");

    let publisher = Publisher::of(&["rsa", "second"]);
    publisher.says(200, "Cache-Control: max-age=1\r\n", &key_set(&["rsa", "second"]));
    let gate = Gate::believing(campus(), publisher.source());
    gate.lets_in("rsa");
    publisher.publishes(&["second"]);
    gate.after(TimeDelta::seconds(299));
    gate.lets_in("rsa");
    gate.after(TimeDelta::seconds(1));
    gate.refuses("rsa");
    gate.lets_in("second");
    assert_eq!(publisher.asked(), 2);
}

#[test]
fn however_many_unknown_keys_are_named_the_issuer_is_asked_once_a_minute() {
    let publisher = Publisher::of(&["rsa"]);
    let gate = Gate::believing(campus(), publisher.source());
    gate.lets_in("rsa");
    for minute in 1..=3 {
        for _ in 0..20 {
            for unknown in ["second", "ec", "ed"] {
                gate.refuses(unknown);
            }
            gate.lets_in("rsa");
        }
        assert_eq!(publisher.asked(), minute);
        gate.after(TimeDelta::seconds(60));
    }
}

/// Requests that come together while keys are fetched share one fetch.
#[test]
fn requests_at_the_same_time_share_one_fetch() {
    let publisher = Publisher::of(&["rsa"]);
    let gate = Arc::new(Gate::believing(campus(), publisher.source()));
    let together: Vec<_> = (0..16)
        .map(|_| {
            let gate = Arc::clone(&gate);
            std::thread::spawn(move || gate.lets_in("rsa"))
        })
        .collect();
    for one in together {
        one.join().unwrap();
    }
    assert_eq!(publisher.asked(), 1);
}

#[test]
fn while_an_issuer_is_down_its_old_keys_hold() {
    let publisher = Publisher::of(&["rsa"]);
    publisher.says(200, "Cache-Control: no-cache\r\n", &key_set(&["rsa"]));
    let gate = Gate::believing(campus(), publisher.source());
    gate.lets_in("rsa");
    for (status, body) in [(500, "down"), (200, "{}"), (200, "<html>"), (404, "")] {
        publisher.says(status, "", body);
        gate.after(TimeDelta::seconds(if publisher.asked() == 1 { 300 } else { 60 }));
        gate.lets_in("rsa");
        gate.refuses("second");
    }
    // Once it is back, what it says counts.
    publisher.publishes(&["second"]);
    gate.after(TimeDelta::seconds(60));
    gate.lets_in("second");
    gate.refuses("rsa");
}

#[test]
fn an_answer_that_is_no_key_set_is_not_taken_for_one() {
    let elsewhere = Publisher::of(&["rsa"]);
    let redirect = format!("Location: {}\r\n", elsewhere.url);
    let large =
        key_set(&["rsa"]).replace("{\"keys\"", &format!("{{\"x\":\"{}\",\"keys\"", "x".repeat(300_000)));
    let endless = format!("X: {}\r\n", "x".repeat(40_000));
    for (status, headers, body) in [
        (302, redirect.as_str(), ""),
        (307, redirect.as_str(), ""),
        (204, "", ""),
        (200, "", large.as_str()),
        (200, endless.as_str(), &key_set(&["rsa"])),
        (200, "", &key_set(&["small"])),
    ] {
        let publisher = Publisher::of(&[]);
        publisher.says(status, headers, body);
        let gate = Gate::believing(campus(), publisher.source());
        assert_eq!(gate.admits("rsa"), Err(Refusal::KeysOutOfReach { retry_after: 15 }), "{status}");
        assert_eq!(publisher.asked(), 1);
    }
    assert_eq!(elsewhere.asked(), 0);
}

/// A service starts while its issuer is down; whoever comes is not at fault, and is let in later.
#[test]
fn without_any_keys_callers_are_asked_to_come_again() {
    let closed = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
    let url = format!("http://{closed}/keys").parse().unwrap();
    let mut verifier = Verifier::default().with_secret(SECRET, NAME, NAME).unwrap();
    verifier.add(campus(), KeySource::Url { url, authorities: None }).unwrap();
    let world = World::believing(verifier);
    let answer = world.bearing(&format!("Bearer {}", made("rsa"))).get("/rooms");
    answer.is_problem(503, "unavailable");
    let wait: u32 = answer.header("retry-after").unwrap().parse().unwrap();
    assert!((1..=15).contains(&wait), "{wait}");
    // The site's own tokens need nobody else.
    world.bearing(&format!("Bearer {}", token("keeper", "facility:read"))).get("/rooms").is(200);
    // Nor does a token of nobody have anything fetched.
    world.bearing(&format!("Bearer {}", made("elsewhere"))).get("/rooms").is_problem(401, "unauthenticated");
}

#[test]
fn a_key_set_in_a_file_is_read_again_when_it_was_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("keys.json");
    std::fs::write(&path, key_set(&["rsa"])).unwrap();
    let gate = Gate::believing(campus(), KeySource::File(path.clone()));
    gate.lets_in("rsa");
    std::fs::write(&path, key_set(&["second"])).unwrap();
    gate.after(TimeDelta::seconds(29));
    gate.lets_in("rsa");
    gate.after(TimeDelta::seconds(1));
    gate.refuses("rsa");
    gate.lets_in("second");
    // A file that is broken, or gone for a while, changes nothing.
    std::fs::write(&path, "{").unwrap();
    gate.after(TimeDelta::seconds(30));
    gate.lets_in("second");
    std::fs::remove_file(&path).unwrap();
    gate.after(TimeDelta::seconds(30));
    gate.lets_in("second");
    let absent = KeySource::File(path);
    assert!(Verifier::default().add(campus(), absent).is_err());
}

/// RFC 8725 §3.8: the keys of one issuer say nothing for another.
#[test]
fn a_key_of_one_issuer_signs_for_no_other() {
    let (campus_keys, other_keys) = (Publisher::of(&["second"]), Publisher::of(&["rsa"]));
    let other = External { name: "other".to_owned(), issuer: "https://other.example".to_owned(), ..campus() };
    let mut gate = Gate::believing(campus(), campus_keys.source());
    gate.verifier.add(other, other_keys.source()).unwrap();
    // Signed with a key of the other, it says that campus issued it.
    gate.refuses("rsa");
    gate.lets_in("second");
    gate.lets_in("elsewhere");
    // And neither is the site itself.
    let site = Verifier::by(gate.clock.clone()).with_secret(SECRET, "https://login.example", NAME).unwrap();
    assert!(site.verify(&made("second")).is_err());
}

#[test]
fn groups_open_what_the_site_says_and_scopes_nothing_unless_trusted() {
    let publisher = Publisher::of(&["rsa"]);
    let gate = Gate::believing(campus(), publisher.source());
    gate.lets_in("rsa");
    let actor = gate.verifier.verify(&made("rsa")).unwrap();
    // The token's scope is facility:read, its groups are glovebox-users and choir.
    assert_eq!(actor.scopes.into_iter().collect::<Vec<_>>(), [Scope::BookingsWrite]);
    let trusting = External { trust_scopes: true, ..campus() };
    let gate = Gate::believing(trusting, publisher.source());
    gate.lets_in("rsa");
    let actor = gate.verifier.verify(&made("rsa")).unwrap();
    assert_eq!(actor.scopes.into_iter().collect::<Vec<_>>(), [Scope::FacilityRead, Scope::BookingsWrite]);
}

/// What `token inspect` and `doctor` tell of.
#[test]
fn keys_and_tokens_are_told_about() {
    let publisher = Publisher::of(&["rsa", "small"]);
    let gate = Gate::believing(campus(), publisher.source());
    let found = gate.verifier.fetch_all();
    let (used, skipped) = found[0].found.as_ref().unwrap();
    assert_eq!(used, &["RS256 \"rsa\""]);
    assert!(skipped[0].contains("1024 bits"), "{skipped:?}");
    let seen = gate.verifier.inspect(&made("rsa"));
    assert_eq!(seen.refused_because, []);
    assert_eq!(seen.issuer.as_deref(), Some("campus"));
    assert_eq!(seen.key.as_deref(), Some("RS256 \"rsa\""));
    assert_eq!(seen.subject.as_deref(), Some("campus:ada"));
    assert_eq!(seen.unknown_groups, ["choir"]);
    let seen = gate.verifier.inspect(&made("rsa by second"));
    assert_eq!((seen.key, seen.refused_because.len()), (None, 1));
    publisher.says(500, "", "");
    assert!(gate.verifier.fetch_all()[0].found.is_err());
}

/// Waiting for an issuer that does not answer keeps nobody else waiting.
#[test]
fn an_issuer_that_does_not_answer_keeps_nobody_else_waiting() {
    let silent = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let url = format!("http://{}/keys", silent.local_addr().unwrap()).parse().unwrap();
    let mut verifier = Verifier::default().with_secret(SECRET, NAME, NAME).unwrap();
    verifier.add(campus(), KeySource::Url { url, authorities: None }).unwrap();
    let world = World::believing(verifier);
    let waiting: Vec<_> = (0..8)
        .map(|_| {
            let client = world.bearing(&format!("Bearer {}", made("rsa")));
            std::thread::spawn(move || client.get("/rooms").status)
        })
        .collect();
    std::thread::sleep(Duration::from_millis(200));
    let begun = std::time::Instant::now();
    world.bearing(&format!("Bearer {}", token("keeper", "facility:read"))).get("/rooms").is(200);
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
    for one in waiting {
        assert_eq!(one.join().unwrap(), 503);
    }
}

/// An issuer on this machine that speaks TLS with a certificate of the tests' authority.
fn encrypted_publisher() -> String {
    let pem = include_str!("../reference/tls/receiver.pem");
    let key = include_str!("../reference/tls/receiver.key");
    let chain = CertificateDer::pem_slice_iter(pem.as_bytes()).map(Result::unwrap).collect();
    let key = PrivateKeyDer::from_pem_slice(key.as_bytes()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider);
    let config = config.with_safe_default_protocol_versions().unwrap().with_no_client_auth();
    let config = Arc::new(config.with_single_cert(chain, key).unwrap());
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let url = format!("https://{}/keys", listener.local_addr().unwrap());
    let body = key_set(&["rsa"]);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let mut connection = rustls::ServerConnection::new(Arc::clone(&config)).unwrap();
            let mut tls = rustls::Stream::new(&mut connection, &mut stream);
            if tls.read(&mut [0; 4096]).is_ok() {
                let head = format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n", body.len());
                drop(tls.write_all(format!("{head}{body}").as_bytes()));
                drop(tls.flush());
            }
        }
    });
    url
}

#[test]
fn keys_come_from_an_issuer_that_an_authority_vouches_for_and_from_no_other() {
    let url = encrypted_publisher();
    let authority = include_str!("../reference/tls/authority.pem");
    let from = |url: &str, authorities: Option<&str>| {
        let authorities = authorities.map(str::to_owned);
        Gate::believing(campus(), KeySource::Url { url: url.parse().unwrap(), authorities })
    };
    from(&url, Some(authority)).lets_in("rsa");
    let out_of_reach = Err(Refusal::KeysOutOfReach { retry_after: 15 });
    assert_eq!(from(&url, None).admits("rsa"), out_of_reach);
    let other_name = url.replace("127.0.0.1", "127.0.0.2");
    assert_eq!(from(&other_name, Some(authority)).admits("rsa"), out_of_reach);
    assert_eq!(from(&url, Some("no certificate")).admits("rsa"), out_of_reach);
}
