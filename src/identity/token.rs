//! A token taken apart: the compact form of RFC 7515 §7.1, read strictly. What
//! could be read in two ways is not read at all.

use super::fault::{Fault, Part};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};
use std::fmt;

/// The members of a JSON object.
pub(super) type Members = Map<String, Value>;

/// The longest token that is looked at, in bytes.
const LONGEST: usize = 8192;

/// What `typ` may say. RFC 9068 asks for `at+jwt`; many issuers still say `JWT` or
/// nothing, which is let in because audience and issuer are pinned. Any other kind
/// is not (RFC 8725 §3.11).
const KINDS: [&str; 3] = ["at+jwt", "application/at+jwt", "jwt"];

/// A token whose parts can be read; nothing about it is believed yet.
#[derive(Debug)]
pub(super) struct Token<'a> {
    signed: &'a str,
    signature: &'a str,
    header: Members,
    claims: Members,
}

impl<'a> Token<'a> {
    pub(super) fn parse(text: &'a str) -> Result<Self, Fault> {
        if text.len() > LONGEST {
            return Err(Fault::TooLong(LONGEST));
        }
        let parts: Vec<&str> = text.split('.').collect();
        let [header, claims, signature] = parts[..] else {
            return Err(if parts.len() == 5 { Fault::Encrypted } else { Fault::NotThreeParts });
        };
        if header.is_empty() || claims.is_empty() || signature.is_empty() {
            return Err(Fault::NotThreeParts);
        }
        decoded(signature, Part::Signature)?;
        Ok(Self {
            signed: &text[..header.len() + 1 + claims.len()],
            signature,
            header: object(header, Part::Header)?,
            claims: object(claims, Part::Claims)?,
        })
    }

    /// Header and claims as far as they can be read, of a token that need not be whole.
    pub(super) fn peek(text: &str) -> (Option<Members>, Option<Members>) {
        let mut parts = text.split('.');
        let mut next = |part| parts.next().and_then(|text| object(text, part).ok());
        (next(Part::Header), next(Part::Claims))
    }

    /// What is signed: header and payload as they came.
    pub(super) fn signed(&self) -> &'a [u8] {
        self.signed.as_bytes()
    }

    /// The signature as it came.
    pub(super) fn signature(&self) -> &'a str {
        self.signature
    }

    pub(super) fn claims(&self) -> &Members {
        &self.claims
    }

    pub(super) fn algorithm(&self) -> Option<&str> {
        self.header.get("alg").and_then(Value::as_str)
    }

    pub(super) fn kid(&self) -> Option<&str> {
        self.header.get("kid").and_then(Value::as_str)
    }

    /// Who issued it, as it says.
    pub(super) fn issuer(&self) -> Result<&str, Fault> {
        let issuer = self.claims.get("iss").ok_or(Fault::Missing("iss"))?;
        issuer.as_str().ok_or(Fault::BadClaim("iss", "a text"))
    }

    /// What is wrong with the header whatever the key.
    pub(super) fn header_faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        for name in ["alg", "kid", "typ"] {
            if self.header.get(name).is_some_and(|value| !value.is_string()) {
                faults.push(Fault::NoText(name));
            }
        }
        // RFC 7515 §4.1.11: what must be understood and is not, is refused. RFC 7797's
        // b64 changes what is signed, and belongs into crit.
        if self.header.contains_key("crit") || self.header.contains_key("b64") {
            faults.push(Fault::Critical);
        }
        let kind = self.header.get("typ").and_then(Value::as_str);
        if kind.is_some_and(|kind| !KINDS.iter().any(|known| kind.eq_ignore_ascii_case(known))) {
            faults.push(Fault::OtherKind);
        }
        faults
    }
}

fn decoded(text: &str, part: Part) -> Result<Vec<u8>, Fault> {
    URL_SAFE_NO_PAD.decode(text).map_err(|_| Fault::NotEncoded(part))
}

fn object(text: &str, part: Part) -> Result<Members, Fault> {
    read_object(&decoded(text, part)?).map_err(|error| Fault::NotAnObject(part, error.to_string()))
}

/// Reads a JSON object in which no member stands twice, at any depth: readers do not
/// agree which of two would count (RFC 8259 §4; RFC 7519 §4 lets them be refused).
pub(super) fn read_object(json: &[u8]) -> serde_json::Result<Members> {
    let mut reader = serde_json::Deserializer::from_slice(json);
    let value = Unique.deserialize(&mut reader)?;
    reader.end()?;
    match value {
        Value::Object(members) => Ok(members),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) => {
            Err(serde_json::Error::custom("it is no object"))
        }
    }
}

/// Reads any value, and refuses objects that name a member twice.
struct Unique;

impl<'de> DeserializeSeed<'de> for Unique {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Unique {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value).map(Value::Number).ok_or_else(|| E::custom("a number is too large"))
    }

    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(value.into())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element_seed(Self)? {
            list.push(item);
        }
        Ok(list.into())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
        let mut object = Map::new();
        while let Some(name) = members.next_key::<String>()? {
            let value = members.next_value_seed(Self)?;
            if object.insert(name.clone(), value).is_some() {
                return Err(A::Error::custom(format!("{name:?} stands in it twice")));
            }
        }
        Ok(object.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_names_a_member_twice_is_no_object() {
        for twice in [
            r#"{"a":1,"a":1}"#,
            r#"{"a":1,"\u0061":2}"#,
            r#"{"x":{"a":1,"a":2}}"#,
            r#"{"x":[{"a":1,"b":0,"a":2}]}"#,
        ] {
            let error = read_object(twice.as_bytes()).unwrap_err().to_string();
            assert!(error.contains("\"a\" stands in it twice"), "{twice}: {error}");
        }
        let once = r#"{"a":{"a":[1,-2,0.5,"x",null,true]},"A":1}"#;
        let read = Value::Object(read_object(once.as_bytes()).unwrap());
        assert_eq!(read, serde_json::from_str::<Value>(once).unwrap());
    }

    #[test]
    fn only_a_whole_object_of_json_is_read() {
        let deep = format!("{{\"a\":{}{}}}", "[".repeat(3000), "]".repeat(3000));
        for bad in
            ["", "1", "[]", "\"{}\"", "{} ", "{}x", "{}{}", "{\"a\":1e400}", "\u{feff}{}", "{a:1}", &deep]
        {
            assert_eq!(read_object(bad.as_bytes()).is_ok(), bad == "{} ", "{bad}");
        }
        assert!(read_object(b"{\"a\":\"\xff\"}").is_err());
    }
}
