use super::*;
use serde_json::json;

/// Keys that RFC 7515 and RFC 8037 publish, and tokens that `PyJWT` made with them.
fn reference() -> Value {
    serde_json::from_str(include_str!("../../../tests/reference/tokens.json")).unwrap()
}

fn key(name: &str) -> Value {
    reference()["keys"][name].clone()
}

fn with(name: &str, member: &str, value: Value) -> Value {
    let mut key = key(name);
    key[member] = value;
    key
}

fn set(keys: &[Value]) -> Result<KeySet, KeyError> {
    KeySet::read(json!({ "keys": keys }).to_string().as_bytes())
}

/// The one key, which a sound key beside it does not save.
fn why_not(jwk: &Value) -> String {
    let sound = with("ed", "kid", json!("sound"));
    let read = set(&[sound, jwk.clone()]).unwrap();
    assert_eq!(read.names(), ["EdDSA \"sound\""], "{jwk}");
    read.skipped().join("; ")
}

/// RFC 7515 A.2 and A.3: the examples' signatures fit the examples' keys, and the
/// first and last character of each matter.
#[test]
fn signatures_of_the_standards_fit() {
    let reference = reference();
    for (example, name) in [("RFC 7515 A.2", "rsa"), ("RFC 7515 A.3", "ec")] {
        let read = set(&[key(name)]).unwrap();
        let key = read.find(Some(name)).unwrap();
        let text = reference["examples"][example].as_str().unwrap();
        assert_eq!(key.signed(&Token::parse(text).unwrap()), Ok(()), "{example}");
        let (signed, signature) = text.rsplit_once('.').unwrap();
        let changed = format!("{signed}.A{}", &signature[1..]);
        assert_eq!(key.signed(&Token::parse(&changed).unwrap()), Err(Fault::BadSignature), "{example}");
        let (header, rest) = text.split_once('.').unwrap();
        let changed = format!("{header}.{}", rest.replacen("MDA4MTkz", "MDA4MTk0", 1));
        assert_ne!(changed, text);
        assert_eq!(key.signed(&Token::parse(&changed).unwrap()), Err(Fault::BadSignature), "{example}");
    }
    // RFC 8037 A.4 signs a text that is no JSON, so it is no token, but a signature all the same.
    let text = reference["examples"]["RFC 8037 A.4"].as_str().unwrap();
    let (signed, signature) = text.rsplit_once('.').unwrap();
    let decoding = edwards(key("ed").as_object().unwrap()).unwrap();
    assert!(crypto::verify(signature, signed.as_bytes(), &decoding, Algorithm::EdDSA).unwrap());
    assert!(matches!(Token::parse(text), Err(Fault::NotAnObject(..))));
}

#[test]
fn each_kind_of_key_has_one_algorithm() {
    let read = set(&[key("rsa"), key("ec"), key("ed"), key("second")]).unwrap();
    assert_eq!(read.names(), ["RS256 \"rsa\"", "ES256 \"ec\"", "EdDSA \"ed\"", "RS256 \"second\""]);
    assert_eq!(read.skipped(), [""; 0]);
    assert_eq!(read.find(None).unwrap_err(), Fault::NoKid);
    for kid in ["", "RSA", "rsa ", "../rsa", "' OR 1=1 --"] {
        assert_eq!(read.find(Some(kid)).unwrap_err(), Fault::UnknownKey, "{kid}");
    }
}

#[test]
fn keys_that_are_of_no_use_are_left_out_with_the_reason() {
    let wide = URL_SAFE_NO_PAD.encode([0xff; 1024]);
    let cases = [
        (key("small"), "an RSA key of 1024 bits is not used"),
        (with("rsa", "n", json!(wide)), "an RSA key of 8192 bits is not used"),
        (with("rsa", "n", json!(format!("{}Ag", "A".repeat(2000)))), "an RSA key of 2 bits"),
        (with("rsa", "n", json!("=")), "not base64url"),
        (with("rsa", "n", json!(7)), "it has no n"),
        (with("rsa", "e", json!("AQ")), "its numbers make no key"),
        (with("rsa", "e", json!("AQAA")), "its numbers make no key"),
        (with("rsa", "e", json!("")), "its numbers make no key"),
        (with("rsa", "use", json!("enc")), "its use is \"enc\""),
        (with("rsa", "use", json!(["sig"])), "its use is"),
        (with("rsa", "key_ops", json!(["encrypt"])), "key_ops"),
        (with("rsa", "key_ops", json!("verify")), "key_ops"),
        (with("rsa", "alg", json!("RS512")), "its alg is RS512"),
        (with("rsa", "alg", json!("HS256")), "its alg is HS256"),
        (with("rsa", "d", json!("AQAB")), "its private half is in it"),
        (with("rsa", "kid", Value::Null), "number 2: it has no kid"),
        (with("rsa", "kid", json!("")), "it has no kid"),
        (with("ed", "x", json!("AAAA")), "its x has 3 bytes instead of 32"),
        (with("ed", "x", json!("")), "its x has 0 bytes instead of 32"),
        (with("ed", "crv", json!("X25519")), "keys of kind OKP X25519 are not used"),
        (with("ec", "crv", json!("P-384")), "keys of kind EC P-384 are not used"),
        (with("ec", "crv", json!("secp256k1")), "keys of kind EC secp256k1 are not used"),
        // No point of the curve (RFC 8725 §3.4).
        (with("ec", "y", json!(URL_SAFE_NO_PAD.encode([1; 32]))), "its numbers make no key"),
        (with("ec", "x", json!(URL_SAFE_NO_PAD.encode([0; 32]))), "its numbers make no key"),
        (with("ec", "y", json!("AQAB")), "its y has 3 bytes instead of 32"),
        (json!({ "kty": "oct", "kid": "o", "k": "c2VjcmV0" }), "keys of kind oct are not used"),
        (json!({ "kty": "none", "kid": "o" }), "keys of kind none are not used"),
        (json!({ "kid": "o" }), "it has no kty"),
        (json!(7), "it is no object"),
    ];
    for (jwk, reason) in cases {
        let why = why_not(&jwk);
        assert!(why.contains(reason), "{reason}: {why}");
    }
}

#[test]
fn a_set_that_contradicts_itself_or_has_no_key_is_refused() {
    let why = |keys: &[Value]| set(keys).unwrap_err().to_string();
    assert!(why(&[key("rsa"), with("second", "kid", json!("rsa"))]).contains("the kid \"rsa\""));
    assert!(why(&[key("rsa"), with("ec", "kid", json!("rsa"))]).contains("the kid \"rsa\""));
    // One of the two is of no use, so nothing is in doubt.
    assert!(set(&[key("rsa"), with("small", "kid", json!("rsa"))]).is_ok());
    assert!(why(&[]).contains("it is empty"));
    assert!(why(&[key("small")]).contains("1024 bits"));
    let many: Vec<_> = (0..65).map(|n| with("ed", "kid", json!(n.to_string()))).collect();
    assert!(why(&many).contains("at most 64"));
    assert!(set(&many[1..]).is_ok());
    for bad in ["", "[]", "{}", r#"{"keys":{}}"#, r#"{"keys":[],"keys":[]}"#, "<html>"] {
        assert!(KeySet::read(bad.as_bytes()).is_err(), "{bad}");
    }
}
