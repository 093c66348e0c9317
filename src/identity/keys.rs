//! The keys of an issuer: a JSON Web Key Set (RFC 7517), read so that what cannot
//! be used is left out with the reason, since issuers publish keys of many kinds in
//! one set; or the site's shared secret.

use super::fault::{Fault, KeyError};
use super::token::{Token, read_object};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::{Algorithm, DecodingKey, crypto};
use serde_json::{Map, Value};
use std::fmt;

/// The most keys that a set may hold.
const MOST_KEYS: usize = 64;
/// The sizes that RSA keys may have, in bits: below the first they are too weak
/// (RFC 7518 §3.3), above the second they cost too much to use.
const RSA_BITS: std::ops::RangeInclusive<usize> = 2048..=4096;

/// A secret that is long enough for HS256 (RFC 7518 §3.2).
pub(super) fn strong(secret: &[u8]) -> Result<&[u8], KeyError> {
    if secret.len() < 32 { Err(KeyError::WeakSecret(secret.len())) } else { Ok(secret) }
}

/// A key and the one algorithm it is used with.
#[derive(Debug)]
pub(super) struct Key {
    kid: Option<String>,
    algorithm: Algorithm,
    decoding: DecodingKey,
}

impl Key {
    pub(super) fn kid(&self) -> Option<&str> {
        self.kid.as_deref()
    }

    /// Passes when the key signed the token.
    pub(super) fn signed(&self, token: &Token<'_>) -> Result<(), Fault> {
        if token.algorithm() != Some(name(self.algorithm)) {
            return Err(Fault::OtherAlgorithm);
        }
        match crypto::verify(token.signature(), token.signed(), &self.decoding, self.algorithm) {
            Ok(true) => Ok(()),
            Ok(false) | Err(_) => Err(Fault::BadSignature),
        }
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kid() {
            Some(kid) => write!(f, "{} {kid:?}", name(self.algorithm)),
            None => write!(f, "{} with the site's secret", name(self.algorithm)),
        }
    }
}

fn name(algorithm: Algorithm) -> &'static str {
    #[expect(clippy::wildcard_enum_match_arm, reason = "no key is made with any other")]
    match algorithm {
        Algorithm::HS256 => "HS256",
        Algorithm::RS256 => "RS256",
        Algorithm::ES256 => "ES256",
        Algorithm::EdDSA => "EdDSA",
        _ => "none that is used here",
    }
}

/// The keys of one issuer.
#[derive(Debug)]
pub(super) struct KeySet {
    keys: Vec<Key>,
    skipped: Vec<String>,
}

impl KeySet {
    /// The site's shared secret, which signs whatever the `kid`.
    pub(super) fn of_secret(secret: &[u8]) -> Result<Self, KeyError> {
        let decoding = DecodingKey::from_secret(strong(secret)?);
        Ok(Self { keys: vec![Key { kid: None, algorithm: Algorithm::HS256, decoding }], skipped: Vec::new() })
    }

    /// The public keys of a set that can be used here. Two of one `kid` are an error,
    /// and so is a set without any key of use.
    pub(super) fn read(json: &[u8]) -> Result<Self, KeyError> {
        let bad = |why: &str| KeyError::BadKeySet(why.to_owned());
        let set = read_object(json).map_err(|error| bad(&error.to_string()))?;
        let listed =
            set.get("keys").and_then(Value::as_array).ok_or_else(|| bad("it has no list of keys"))?;
        if listed.len() > MOST_KEYS {
            return Err(bad(&format!("it has {} keys, and at most {MOST_KEYS} are read", listed.len())));
        }
        let (mut keys, mut skipped) = (Vec::<Key>::new(), Vec::new());
        for (index, jwk) in listed.iter().enumerate() {
            match read_key(jwk) {
                Ok(key) if keys.iter().any(|known| known.kid == key.kid) => {
                    let kid = key.kid.unwrap_or_default();
                    return Err(bad(&format!("two of its keys have the kid {kid:?}")));
                }
                Ok(key) => keys.push(key),
                Err(why) => {
                    let kid = jwk.get("kid").and_then(Value::as_str);
                    let which = kid.map_or_else(|| format!("number {}", index + 1), |kid| format!("{kid:?}"));
                    skipped.push(format!("key {which}: {why}"));
                }
            }
        }
        if keys.is_empty() {
            let whole = if skipped.is_empty() { "it is empty".to_owned() } else { skipped.join("; ") };
            return Err(bad(&format!("none of its keys can be used ({whole})")));
        }
        Ok(Self { keys, skipped })
    }

    /// The key of a `kid`.
    pub(super) fn find(&self, kid: Option<&str>) -> Result<&Key, Fault> {
        if let [key] = self.keys.as_slice()
            && key.kid.is_none()
        {
            return Ok(key);
        }
        let kid = kid.ok_or(Fault::NoKid)?;
        self.keys.iter().find(|key| key.kid() == Some(kid)).ok_or(Fault::UnknownKey)
    }

    /// What each key is: algorithm and `kid`.
    pub(super) fn names(&self) -> Vec<String> {
        self.keys.iter().map(ToString::to_string).collect()
    }

    /// What was left out, and why.
    pub(super) fn skipped(&self) -> &[String] {
        &self.skipped
    }
}

/// The key that a JSON Web Key is, or why it cannot be used.
fn read_key(jwk: &Value) -> Result<Key, String> {
    let members = jwk.as_object().ok_or("it is no object")?;
    let text = |name: &str| members.get(name).and_then(Value::as_str);
    let kid = text("kid").filter(|kid| !kid.is_empty()).ok_or("it has no kid")?;
    for_signatures(members)?;
    let (algorithm, decoding) = match (text("kty").ok_or("it has no kty")?, text("crv")) {
        ("RSA", _) => (Algorithm::RS256, rsa(members)?),
        ("EC", Some("P-256")) => (Algorithm::ES256, elliptic(members)?),
        ("OKP", Some("Ed25519")) => (Algorithm::EdDSA, edwards(members)?),
        (kind, Some(curve)) => return Err(format!("keys of kind {kind} {curve} are not used")),
        (kind, None) => return Err(format!("keys of kind {kind} are not used")),
    };
    if members.contains_key("d") {
        return Err("its private half is in it, so that whoever reads the set can sign".to_owned());
    }
    if text("alg").is_some_and(|alg| alg != name(algorithm)) {
        return Err(format!("its alg is {}", text("alg").unwrap_or_default()));
    }
    // A first use finds what the library finds wrong with it, such as a point off its curve.
    let zeros = URL_SAFE_NO_PAD.encode([0; 64]);
    crypto::verify(&zeros, b"", &decoding, algorithm).map_err(|_| "its numbers make no key")?;
    Ok(Key { kid: Some(kid.to_owned()), algorithm, decoding })
}

/// Passes unless the key is kept for something else (RFC 7517 §4.2, §4.3).
fn for_signatures(members: &Map<String, Value>) -> Result<(), String> {
    match members.get("use") {
        Some(used) if used != "sig" => return Err(format!("its use is {used}")),
        Some(_) | None => {}
    }
    let verifies = |list: &Value| list.as_array().is_some_and(|list| list.iter().any(|one| one == "verify"));
    if members.get("key_ops").is_none_or(verifies) {
        Ok(())
    } else {
        Err("its key_ops do not name verify".to_owned())
    }
}

/// The octets of a member, which has so many of them.
fn octets(members: &Map<String, Value>, name: &str, length: Option<usize>) -> Result<Vec<u8>, String> {
    let text = members.get(name).and_then(Value::as_str).ok_or_else(|| format!("it has no {name}"))?;
    let octets = URL_SAFE_NO_PAD.decode(text).map_err(|_| format!("its {name} is not base64url"))?;
    match length {
        Some(length) if octets.len() != length => {
            Err(format!("its {name} has {} bytes instead of {length}", octets.len()))
        }
        Some(_) | None => Ok(octets),
    }
}

fn rsa(members: &Map<String, Value>) -> Result<DecodingKey, String> {
    let (modulus, exponent) = (octets(members, "n", None)?, octets(members, "e", None)?);
    let digits: Vec<u8> = modulus.iter().copied().skip_while(|octet| *octet == 0).collect();
    let bits = digits.len() * 8 - digits.first().map_or(0, |first| first.leading_zeros() as usize);
    if !RSA_BITS.contains(&bits) {
        let (least, most) = RSA_BITS.into_inner();
        return Err(format!("an RSA key of {bits} bits is not used; it needs {least} to {most}"));
    }
    // An even modulus or exponent is no key; 1 would make every signature its own message.
    let odd = |number: &[u8]| number.last().is_some_and(|last| last % 2 == 1);
    let small = exponent.iter().copied().skip_while(|octet| *octet == 0).collect::<Vec<_>>();
    if !odd(&digits) || !odd(&small) || small == [1] || small.len() > 4 {
        return Err("its numbers make no key".to_owned());
    }
    Ok(DecodingKey::from_rsa_raw_components(&digits, &small))
}

fn elliptic(members: &Map<String, Value>) -> Result<DecodingKey, String> {
    let (x, y) = (octets(members, "x", Some(32))?, octets(members, "y", Some(32))?);
    Ok(DecodingKey::from_ec_der(&[&[4], x.as_slice(), y.as_slice()].concat()))
}

fn edwards(members: &Map<String, Value>) -> Result<DecodingKey, String> {
    Ok(DecodingKey::from_ed_der(&octets(members, "x", Some(32))?))
}

#[cfg(test)]
mod tests;
