//! Who is let in: bearer tokens (RFC 6750, RFC 7519, RFC 8725), and which scope
//! lets whom do what.

use crate::world::{Answer, NAME, SECRET, World, claims, token};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use drykeep::identity::Verifier;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde_json::{Value, json};

fn encoded(part: &Value) -> String {
    URL_SAFE_NO_PAD.encode(part.to_string())
}

/// A token of any claims, signed as the service signs.
fn signed(claims: &Value) -> String {
    signed_with(Algorithm::HS256, SECRET, claims)
}

fn signed_with(algorithm: Algorithm, secret: &[u8], claims: &Value) -> String {
    jsonwebtoken::encode(&Header::new(algorithm), claims, &EncodingKey::from_secret(secret)).unwrap()
}

/// Claims that would be accepted, as JSON to take apart.
fn good() -> Value {
    serde_json::to_value(claims("keeper", "facility:read")).unwrap()
}

fn with(name: &str, value: Value) -> Value {
    let mut claims = good();
    claims[name] = value;
    claims
}

fn without(name: &str) -> Value {
    let mut claims = good();
    claims.as_object_mut().unwrap().remove(name);
    claims
}

#[track_caller]
fn refused(answer: &Answer) {
    answer.is_problem(401, "unauthenticated");
    // RFC 6750 §3.
    assert!(answer.header("www-authenticate").is_some_and(|challenge| challenge.starts_with("Bearer")));
}

#[test]
fn a_good_token_is_let_in() {
    let world = World::sqlite();
    let now = claims("", "").iat.unwrap();
    let several = with("aud", json!(["another service", NAME]));
    for claims in [good(), several, with("nbf", json!(now - 60)), with("jti", json!("once"))] {
        world.bearing(&format!("Bearer {}", signed(&claims))).get("/rooms").is(200);
        world.bearing(&format!("bearer  {}", signed(&claims))).get("/rooms").is(200);
    }
}

/// RFC 8725 §3.1 and §2.1: the algorithm is the verifier's choice and `none` is never one;
/// §3.8 to §3.10: issuer, subject and audience are checked; RFC 9068 §2.2: they must be there.
#[test]
fn a_token_not_meant_for_this_service_is_refused() {
    let world = World::sqlite();
    let now = claims("", "").iat.unwrap();
    let cases = [
        ("expired", signed(&with("exp", json!(now - 60)))),
        ("expiry missing", signed(&without("exp"))),
        ("expiry is a text", signed(&with("exp", json!((now + 3600).to_string())))),
        ("not yet valid", signed(&with("nbf", json!(now + 600)))),
        ("another audience", signed(&with("aud", json!("another service")))),
        ("no audience fits", signed(&with("aud", json!(["one", "two"])))),
        ("audience missing", signed(&without("aud"))),
        ("audience empty", signed(&with("aud", json!([])))),
        ("another issuer", signed(&with("iss", json!("somebody else")))),
        ("issuer missing", signed(&without("iss"))),
        ("subject missing", signed(&without("sub"))),
        ("subject empty", signed(&with("sub", json!("")))),
        ("another secret", signed_with(Algorithm::HS256, &[7; 48], &good())),
        ("HS512", signed_with(Algorithm::HS512, SECRET, &good())),
        ("HS384", signed_with(Algorithm::HS384, SECRET, &good())),
        ("long", signed(&with("pad", json!("x".repeat(9000))))),
    ];
    for (what, token) in cases {
        let answer = world.bearing(&format!("Bearer {token}")).get("/rooms");
        assert_eq!(answer.status, 401, "{what}: {}", answer.text);
        refused(&answer);
    }
}

#[test]
fn a_token_without_a_signature_is_refused() {
    let world = World::sqlite();
    let payload = encoded(&good());
    for algorithm in ["none", "None", "NONE", "nOnE", ""] {
        let header = encoded(&json!({ "alg": algorithm, "typ": "JWT" }));
        for token in [format!("{header}.{payload}."), format!("{header}.{payload}")] {
            refused(&world.bearing(&format!("Bearer {token}")).get("/rooms"));
        }
    }
    let signed = signed(&good());
    let (unsigned, _) = signed.rsplit_once('.').unwrap();
    refused(&world.bearing(&format!("Bearer {unsigned}.")).get("/rooms"));
}

#[test]
fn a_changed_token_is_refused() {
    let world = World::sqlite();
    let token = signed(&good());
    let parts: Vec<&str> = token.split('.').collect();
    let greedy = encoded(&with("scope", json!("facility:read facility:manage")));
    refused(&world.bearing(&format!("Bearer {}.{greedy}.{}", parts[0], parts[2])).get("/rooms"));
}

#[test]
fn only_a_bearer_token_lets_anybody_in() {
    let world = World::sqlite();
    refused(&world.anyone().get("/rooms"));
    let good = token("keeper", "facility:read");
    for authorization in [
        "Bearer",
        "Bearer ",
        "Bearer x",
        "Bearer a.b.c",
        &good,
        &format!("Basic {good}"),
        "Basic a2V5OnNlY3JldA==",
    ] {
        refused(&world.bearing(authorization).get("/rooms"));
    }
    // A token in the address would end up in logs (RFC 6750 §5.3).
    refused(&world.anyone().get(&format!("/rooms?access_token={good}")));
}

#[test]
fn a_secret_that_could_be_guessed_is_not_taken() {
    assert!(Verifier::default().with_secret(&[1; 31], NAME, NAME).is_err());
    assert!(Verifier::default().with_secret(&[1; 32], NAME, NAME).is_ok());
}

#[test]
fn a_scope_lets_its_bearer_do_its_own_and_no_more() {
    let world = World::sqlite();
    let room = json!({ "tag": "A", "volume_m3": 60 });
    let reader = world.researcher("ada");
    let problem = reader.post("/rooms", &room).is_problem(403, "forbidden");
    assert_eq!(problem["needs_any_of"], json!(["facility:manage"]));
    let created = world.keeper().post("/rooms", &room).is(201);
    reader.get("/rooms/A").is(200);
    reader
        .patch_with_etag("/rooms/A", &created.etag(), &json!({ "volume_m3": 1 }))
        .is_problem(403, "forbidden");
    reader.delete_with_etag("/rooms/A", &created.etag()).is_problem(403, "forbidden");
    for scope in
        ["", "readings:write", "facility", "facility:readx", "FACILITY:READ", "facility:read,facility:manage"]
    {
        world.caller("ada", scope).get("/rooms").is_problem(403, "forbidden");
    }
    // A manager sees what it manages.
    world.caller("ada", "unknown:word facility:manage").get("/rooms").is(200);
}

#[test]
fn a_refused_caller_learns_nothing_of_what_exists() {
    let world = World::sqlite();
    world.keeper().post("/rooms", &json!({ "tag": "A", "volume_m3": 60 })).is(201);
    let nobody = world.caller("nobody", "");
    let (there, gone) = (nobody.get("/rooms/A"), nobody.get("/rooms/B"));
    assert_eq!((there.status, gone.status), (403, 403));
    assert_eq!(there.json()["detail"], gone.json()["detail"]);
}

#[test]
fn what_is_open_needs_no_token() {
    let world = World::sqlite();
    for path in ["/health/live", "/health/ready", "/openapi.json", "/docs/", "/problems/stale"] {
        let answer = world.anyone().send("GET", path, &[], None).is(200);
        assert!(!answer.text.is_empty(), "{path}");
    }
    let redirect = world.anyone().send("GET", "/docs", &[], None).is(308);
    assert_eq!(redirect.header("location"), Some("/docs/"));
    let contract: Value = serde_json::from_str(&drykeep::api::contract_document()).unwrap();
    let served = world.anyone().send("GET", "/openapi.json", &[], None);
    assert_eq!(served.header("content-type"), Some("application/json"));
    assert!(served.json() == contract, "the contract is served as it is written");
    let shown_by = world.anyone().send("GET", "/docs/swagger-initializer.js", &[], None).is(200);
    assert!(shown_by.text.contains("\"/openapi.json\""), "{}", shown_by.text);
}
