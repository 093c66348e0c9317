//! Tokens that somebody might try, none of which may come in, and the few beside
//! them that may, so that each is refused for the reason meant.

use super::issuers::{campus, key_set, made, reference, then};
use crate::world::{NAME, SECRET, World};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::DateTime;
use drykeep::clock::Clock;
use drykeep::identity::{Fault, KeySource, Refusal, Verifier};
use jsonwebtoken::{Algorithm, EncodingKey, crypto};
use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};

/// A token of any header and payload, right or wrong, signed with a secret.
fn signed_with(secret: &[u8], header: &str, payload: &str) -> String {
    let text = format!("{}.{}", URL_SAFE_NO_PAD.encode(header), URL_SAFE_NO_PAD.encode(payload));
    let signature =
        crypto::sign(text.as_bytes(), &EncodingKey::from_secret(secret), Algorithm::HS256).unwrap();
    format!("{text}.{signature}")
}

fn signed(header: &str, payload: &str) -> String {
    signed_with(SECRET, header, payload)
}

const HEADER: &str = r#"{"alg":"HS256","typ":"at+jwt"}"#;

/// Claims that are believed, with one of them replaced by JSON of any kind.
fn claims_with(name: &str, json: &str) -> String {
    let now = then().timestamp();
    let mut members = vec![
        ("iss", format!("{NAME:?}")),
        ("aud", format!("{NAME:?}")),
        ("sub", "\"keeper\"".to_owned()),
        ("exp", (now + 600).to_string()),
        ("scope", "\"facility:read\"".to_owned()),
    ];
    members.retain(|(known, _)| *known != name);
    members.push((name, json.to_owned()));
    let members: Vec<_> = members.iter().map(|(name, json)| format!("{name:?}:{json}")).collect();
    format!("{{{}}}", members.join(","))
}

fn good_claims() -> String {
    claims_with("jti", "\"one\"")
}

/// Claims of the issuer, for tokens whose signature cannot fit.
fn campus_claims() -> String {
    claims_with("iss", "\"https://login.example\"")
}

/// Believes the site's own secret and, by RSA, P-256 and Ed25519 keys, an issuer.
fn gate() -> Verifier {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("keys.json");
    std::fs::write(&path, key_set(&["rsa", "ec", "ed"])).unwrap();
    let mut gate = Verifier::by(Clock::standing_at(then())).with_secret(SECRET, NAME, NAME).unwrap();
    gate.add(campus(), KeySource::File(path)).unwrap();
    gate
}

#[track_caller]
fn admitted(token: &str) {
    gate().verify(token).unwrap_or_else(|refusal| panic!("{refusal}: {token}"));
}

#[track_caller]
fn refused(token: &str) -> Fault {
    match gate().verify(token) {
        Err(Refusal::Token(fault)) => fault,
        other => panic!("{other:?}: {token}"),
    }
}

/// RFC 7515 A.1: its secret, and a token that is good but for what RFC 9068 asks for besides.
#[test]
fn the_worked_example_of_the_standard_is_read() {
    let secret = "AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow";
    let secret = URL_SAFE_NO_PAD.decode(secret).unwrap();
    let token = reference()["examples"]["RFC 7515 A.1"].as_str().unwrap().to_owned();
    let at = |seconds: i64| {
        let clock = Clock::standing_at(DateTime::from_timestamp(seconds, 0).unwrap());
        Verifier::by(clock).with_secret(&secret, "joe", NAME).unwrap().inspect(&token)
    };
    let missing = [Fault::Missing("aud").into(), Fault::Missing("sub").into()];
    let before = at(1_300_819_379);
    assert!(before.key.is_some());
    assert_eq!(before.refused_because, missing);
    let after = at(1_300_819_385);
    assert_eq!(after.refused_because[0], Fault::Expired.into());
    assert_eq!(after.refused_because[1..], missing);
}

/// RFC 8725 §2.1 and §3.2: `none` is no algorithm, in whatever letters; RFC 7519 §6.1 has an example.
#[test]
fn an_unsigned_token_is_refused() {
    admitted(&signed(HEADER, &good_claims()));
    refused(reference()["examples"]["RFC 7519 6.1"].as_str().unwrap());
    for algorithm in ["none", "None", "NONE", "nOnE", "", "HS256 ", "hs256", "HS512", "RS256", "x"] {
        for (claims, kid) in [(good_claims(), "x"), (campus_claims(), "rsa")] {
            let header = json!({ "alg": algorithm, "kid": kid }).to_string();
            let signed = signed(&header, &claims);
            let (unsigned, _) = signed.rsplit_once('.').unwrap();
            for token in [&signed, unsigned, &format!("{unsigned}."), &format!("{unsigned}.AA")] {
                refused(token);
            }
        }
    }
    for header in [r#"{"typ":"JWT"}"#, r#"{"alg":null}"#, r#"{"alg":["HS256"]}"#, r#"{"alg":{"HS256":1}}"#] {
        refused(&signed(header, &good_claims()));
    }
}

/// RFC 8725 §2.1: a public key, as PEM, DER, JWK or bare, taken for the secret of an HMAC.
#[test]
fn a_public_key_is_no_shared_secret() {
    let reference = reference();
    let secrets = reference["as_secret"].as_array().unwrap();
    assert_eq!(secrets.len(), 10);
    for secret in secrets {
        let secret = URL_SAFE_NO_PAD.decode(secret.as_str().unwrap()).unwrap();
        for kid in ["rsa", "ec", "ed"] {
            let header = json!({ "alg": "HS256", "kid": kid }).to_string();
            assert_eq!(refused(&signed_with(&secret, &header, &campus_claims())), Fault::OtherAlgorithm);
            let header = json!({ "alg": "RS256", "kid": kid }).to_string();
            refused(&signed_with(&secret, &header, &campus_claims()));
            refused(&signed_with(&secret, HEADER, &good_claims()));
        }
    }
}

/// One key, one algorithm (RFC 8725 §3.1), and the signature has to be its own.
#[test]
fn a_signature_of_another_key_or_algorithm_is_refused() {
    for good in ["rsa", "ec", "ed", "rsa as JWT"] {
        admitted(&made(good));
    }
    for (name, fault) in [
        ("rsa RS384", Fault::OtherAlgorithm),
        ("rsa RS512", Fault::OtherAlgorithm),
        ("rsa PS256", Fault::OtherAlgorithm),
        ("rsa named ec", Fault::OtherAlgorithm),
        ("rsa without kid", Fault::NoKid),
        ("rsa by second", Fault::BadSignature),
        ("second", Fault::UnknownKey),
        ("elsewhere", Fault::UnknownIssuer),
    ] {
        assert_eq!(refused(&made(name)), fault, "{name}");
    }
    // Signatures of nothing, among them the r = s = 0 that careless ECDSA takes for any message.
    for (key, length) in [("rsa", 256), ("ec", 64), ("ed", 64)] {
        let token = made(key);
        let (signed, _) = token.rsplit_once('.').unwrap();
        for signature in
            [vec![0; length], vec![0xff; length], vec![0; length - 1], vec![0; length + 1], vec![0]]
        {
            let token = format!("{signed}.{}", URL_SAFE_NO_PAD.encode(&signature));
            assert_eq!(refused(&token), Fault::BadSignature, "{key} {}", signature.len());
        }
    }
    // ECDSA as ASN.1, which JOSE does not use (RFC 7518 §3.4).
    let token = made("ec");
    let (signed, _) = token.rsplit_once('.').unwrap();
    let der = [0x30, 6, 2, 1, 1, 2, 1, 1];
    assert_eq!(refused(&format!("{signed}.{}", URL_SAFE_NO_PAD.encode(der))), Fault::BadSignature);
}

/// RFC 8725 §3.10: what a header points at is the sender's, and nobody goes there.
#[test]
fn keys_that_a_token_brings_or_points_at_are_never_used() {
    for (name, fault) in [
        ("embedded jwk", Fault::BadSignature),
        ("embedded jwk without kid", Fault::NoKid),
        ("embedded x5c", Fault::BadSignature),
    ] {
        assert_eq!(refused(&made(name)), fault, "{name}");
    }
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    listener.set_nonblocking(true).unwrap();
    let there = format!("http://{}/keys", listener.local_addr().unwrap());
    let (world, own) = (World::believing(gate()), &[9; 48]);
    for name in ["jku", "x5u", "kid", "iss"] {
        for (alg, claims) in [("HS256", good_claims()), ("RS256", campus_claims())] {
            let header = json!({ "alg": alg, "kid": "new", name: there }).to_string();
            let token = signed_with(own, &header, &claims);
            world.bearing(&format!("Bearer {token}")).get("/rooms").is_problem(401, "unauthenticated");
        }
        let claims = claims_with("iss", &json!(there).to_string());
        refused(&signed_with(own, &json!({ "alg": "RS256", name: there }).to_string(), &claims));
    }
    let silence = listener.accept().map(drop).unwrap_err();
    assert_eq!(silence.kind(), std::io::ErrorKind::WouldBlock, "somebody called");
    // One that is good all the same says nothing worse by pointing somewhere.
    admitted(&signed(&json!({ "alg": "HS256", "jku": there }).to_string(), &good_claims()));
}

/// RFC 7515 §4.1.11 and RFC 7797 §6: what must be understood is not; RFC 8725 §3.11: other kinds.
#[test]
fn headers_that_mean_something_else_are_refused() {
    for (more, fault) in [
        (json!({ "crit": ["exp"], "exp": 1 }), Fault::Critical),
        (json!({ "crit": [] }), Fault::Critical),
        (json!({ "crit": null }), Fault::Critical),
        (json!({ "b64": false, "crit": ["b64"] }), Fault::Critical),
        (json!({ "b64": false }), Fault::Critical),
        (json!({ "typ": "logout+jwt" }), Fault::OtherKind),
        (json!({ "typ": "JOSE" }), Fault::OtherKind),
        (json!({ "typ": "secevent+jwt" }), Fault::OtherKind),
        (json!({ "typ": "" }), Fault::OtherKind),
        (json!({ "typ": 1 }), Fault::NoText("typ")),
        (json!({ "kid": 1 }), Fault::NoText("kid")),
        (json!({ "kid": ["rsa"] }), Fault::NoText("kid")),
    ] {
        let mut header = json!({ "alg": "HS256" });
        header.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        assert_eq!(refused(&signed(&header.to_string(), &good_claims())), fault, "{header}");
    }
    for kid in [
        "../../etc/passwd",
        "/dev/null",
        "rsa' OR '1'='1",
        "rsa; DROP TABLE people",
        "rsa\u{0}",
        "RSA",
        "http://127.0.0.1/",
        "",
        "%72sa",
        "$(id)",
    ] {
        let header = json!({ "alg": "RS256", "kid": kid }).to_string();
        assert_eq!(refused(&signed(&header, &campus_claims())), Fault::UnknownKey, "{kid}");
    }
}

#[test]
fn times_count_to_the_second_with_five_seconds_of_grace() {
    let now = then().timestamp();
    let with = |name: &str, json: String| signed(HEADER, &claims_with(name, &json));
    for (name, json) in [
        ("exp", format!("{}", now - 4)),
        ("exp", format!("{}.5", now + 9)),
        ("exp", "1.9e9".replace("1.9e9", &format!("{}e0", now + 60))),
        ("nbf", format!("{}", now + 5)),
        ("iat", format!("{}", now + 600)),
        ("iat", "0".to_owned()),
    ] {
        admitted(&with(name, json));
    }
    for (name, json, fault) in [
        ("exp", format!("{}", now - 5), Fault::Expired),
        ("exp", "0".to_owned(), Fault::Expired),
        ("nbf", format!("{}", now + 6), Fault::NotYet),
        ("nbf", "253402300799".to_owned(), Fault::NotYet),
        ("iat", format!("{}", now + 601), Fault::IssuedAhead),
    ] {
        assert_eq!(refused(&with(name, json.clone())), fault, "{name} {json}");
    }
    for bad in [
        "-1",
        "-1e300",
        "1e300",
        "9223372036854775807",
        "18446744073709551616",
        "253402300800",
        "\"2030-01-01T00:00:00Z\"",
        "\"99999999999\"",
        "[1999999999]",
        "{\"a\":1}",
        "true",
        "null",
        "\"\"",
    ] {
        for name in ["exp", "nbf", "iat"] {
            assert!(matches!(refused(&with(name, bad.to_owned())), Fault::BadClaim(..)), "{name} {bad}");
        }
    }
    for unreadable in ["1e400", "-1e400", "0x7fffffff", "01", "1_000", "NaN", "Infinity", "+1", "1.", ".5"] {
        assert!(
            matches!(refused(&with("exp", unreadable.to_owned())), Fault::NotAnObject(..)),
            "{unreadable}"
        );
    }
}

#[test]
fn issuer_audience_and_subject_are_what_they_should_be() {
    let with = |name: &str, json: &str| signed(HEADER, &claims_with(name, json));
    admitted(&with("aud", "[\"other\",\"drykeep\"]"));
    for aud in
        ["\"Drykeep\"", "\"drykeep \"", "\"dry\"", "\"drykeep,other\"", "\"\"", "[]", "[\"other\"]", "[\"\"]"]
    {
        assert_eq!(refused(&with("aud", aud)), Fault::OtherAudience, "{aud}");
    }
    for aud in ["null", "1", "{\"drykeep\":true}", "[\"drykeep\",1]", "[[\"drykeep\"]]"] {
        assert!(matches!(refused(&with("aud", aud)), Fault::BadClaim("aud", _)), "{aud}");
    }
    for iss in
        ["\"DRYKEEP\"", "\"drykeep/\"", "\"https://login.example/\"", "\"http://login.example\"", "\"\""]
    {
        assert_eq!(refused(&with("iss", iss)), Fault::UnknownIssuer, "{iss}");
    }
    for iss in ["null", "[\"drykeep\"]", "1"] {
        assert!(matches!(refused(&with("iss", iss)), Fault::BadClaim("iss", _)), "{iss}");
    }
    let long = format!("\"{}\"", "x".repeat(256));
    for sub in ["null", "1", "\"\"", "[\"keeper\"]", "\"keeper\\n\"", "\"\\u0000\"", "\"\\u0085\"", &long] {
        assert!(matches!(refused(&with("sub", sub)), Fault::BadClaim("sub", _)), "{sub}");
    }
    for name in ["aud", "iss", "sub", "exp"] {
        let mut claims: Value = serde_json::from_str(&good_claims()).unwrap();
        claims.as_object_mut().unwrap().remove(name);
        assert_eq!(refused(&signed(HEADER, &claims.to_string())), Fault::Missing(name));
    }
    for scope in ["[\"facility:read\"]", "1", "{}", "null"] {
        assert!(matches!(refused(&with("scope", scope)), Fault::BadClaim("scope", _)), "{scope}");
    }
}

/// RFC 7519 §4 lets tokens with a claim named twice be refused, and RFC 7515 §5.2 step 4 asks
/// for it in headers: two readers could see two different things.
#[test]
fn a_member_that_stands_twice_is_refused() {
    let twice = [
        r#"{"alg":"HS256","alg":"none"}"#,
        r#"{"alg":"none","alg":"HS256"}"#,
        r#"{"alg":"HS256","\u0061lg":"HS256"}"#,
        r#"{"alg":"HS256","jwk":{"kty":"oct","kty":"RSA"}}"#,
    ];
    for header in twice {
        assert!(matches!(refused(&signed(header, &good_claims())), Fault::NotAnObject(..)), "{header}");
    }
    let good = good_claims();
    let inner = good.trim_matches(['{', '}']);
    for more in ["\"sub\":\"ada\"", "\"exp\":1", "\"scope\":\"facility:manage\"", "\"\\u0073ub\":\"ada\""] {
        for claims in [format!("{{{inner},{more}}}"), format!("{{{more},{inner}}}")] {
            assert!(matches!(refused(&signed(HEADER, &claims)), Fault::NotAnObject(..)), "{claims}");
        }
    }
}

#[test]
fn what_is_no_token_is_refused() {
    let good = signed(HEADER, &good_claims());
    let parts: Vec<&str> = good.split('.').collect();
    let (header, claims, signature) = (parts[0], parts[1], parts[2]);
    // The last of 43 letters holds two bits that mean nothing; any but zero would be a second
    // way to write the same signature (RFC 4648 §3.5).
    let alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let (front, last) = signature.split_at(42);
    let place = alphabet.find(last).unwrap();
    let same_octets = format!("{front}{}", &alphabet[place + 1..place + 2]);
    let encrypted = "eyJhbGciOiJSU0EtT0FFUCIsImVuYyI6IkEyNTZHQ00ifQ.AAAA.AAAA.AAAA.AAAA";
    assert_eq!(refused(encrypted), Fault::Encrypted);
    let deep = format!("{}1{}", "[".repeat(2500), "]".repeat(2500));
    let many: Vec<_> = (0..400).map(|n| format!("\"c{n}\":{n}")).collect();
    admitted(&signed(HEADER, &claims_with("extra", &format!("{{{}}}", many.join(",")))));
    let cases = [
        String::new(),
        ".".to_owned(),
        "..".to_owned(),
        "...".to_owned(),
        "....".to_owned(),
        format!("{good}."),
        format!(".{good}"),
        format!("{header}..{signature}"),
        format!(".{claims}.{signature}"),
        format!("{header}.{claims}.{same_octets}"),
        format!("{header}=.{claims}.{signature}"),
        format!("{header}.{claims}==.{signature}"),
        format!("{good}="),
        format!("{good} "),
        format!(" {good}"),
        format!("{good}\n"),
        format!("{header}.\n{claims}.{signature}"),
        format!("{header}%2E{claims}%2E{signature}"),
        format!("{good}%3D"),
        format!("{good}\u{0}"),
        format!("{header}.{claims}.{signature}ü"),
        format!("{header}.{claims}.+/{}", &signature[2..]),
        format!("\"{good}\""),
        format!("{good},{good}"),
        good.replace('.', "\u{ff0e}"),
        good.to_uppercase(),
        signed(HEADER, &claims_with("deep", &deep)),
        signed(HEADER, &claims_with("pad", &format!("{:?}", "x".repeat(8192)))),
        signed(HEADER, &good_claims()).repeat(40),
        signed(HEADER, "[]"),
        signed(HEADER, "\"claims\""),
        signed(HEADER, "null"),
        signed(HEADER, ""),
        signed(HEADER, &format!("{}x", good_claims())),
        signed(HEADER, &format!("\u{feff}{}", good_claims())),
        signed("[]", &good_claims()),
        signed("HS256", &good_claims()),
    ];
    for token in &cases {
        refused(token);
    }
    // A token within a token (RFC 7519 §5.2).
    refused(&signed(r#"{"alg":"HS256","cty":"JWT"}"#, &good));
    // And what is no UTF-8.
    let payload = URL_SAFE_NO_PAD.encode(b"{\"iss\":\"\xff\"}");
    refused(&format!("{header}.{payload}.{signature}"));
}

/// RFC 6750 §3.1 calls a request with two ways of authenticating invalid; RFC 9110 §11.6.2 has one.
#[test]
fn one_request_has_one_authorization() {
    let world = World::believing(gate());
    let good = format!("Bearer {}", signed(HEADER, &good_claims()));
    let other = format!("Bearer {}", made("rsa"));
    world.bearing(&good).get("/rooms").is(200);
    for (first, second) in [(&good, &good), (&good, &other), (&other, &good)] {
        let twice = [("authorization", second.as_str())];
        let answer = world.bearing(first).send("GET", "/api/v1/rooms", &twice, None);
        answer.is_problem(400, "unreadable");
    }
    world.bearing(&format!("{good}, {good}")).get("/rooms").is_problem(401, "unauthenticated");
    // What HTTP lets through and no client library sends.
    for value in ["Bearer \u{fc}.\u{fc}.\u{fc}", "B\u{e9}arer x", "Bearer\tx", &good.replace(' ', "\t")] {
        let mut stream = TcpStream::connect(world.address()).unwrap();
        let request = format!(
            "GET /api/v1/rooms HTTP/1.1\r\nHost: x\r\nAuthorization: {value}\r\nConnection: close\r\n\r\n"
        );
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.1 401 "), "{value}: {answer}");
    }
}
