//! What the claims of a token must say (RFC 7519 §4.1, RFC 9068 §2.2).

use super::External;
use super::fault::Fault;
use super::token::Members;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::Value;

/// By how much the clocks of issuers may differ from this one.
const LEEWAY: TimeDelta = TimeDelta::seconds(5);
/// How far ahead a token may say that it was issued. Nothing rests on `iat`, so
/// this finds clocks that are wrong, and does so late.
const AHEAD: TimeDelta = TimeDelta::minutes(10);
/// The last second of the year 9999.
const LAST_SECOND: i64 = 253_402_300_799;
/// The longest subject, in bytes, without what the site puts before it.
const LONGEST_SUBJECT: usize = 255;

/// The instant that a claim tells: a `NumericDate` of RFC 7519 §2, which may have a
/// fraction. `None` where the claim is not there.
pub(super) fn instant(claims: &Members, name: &'static str) -> Result<Option<DateTime<Utc>>, Fault> {
    let Some(value) = claims.get(name) else { return Ok(None) };
    let bad = || Fault::BadClaim(name, "a number of seconds between 1970 and 9999");
    let number = value.as_number().ok_or_else(bad)?;
    let seconds = number.as_i64().or_else(|| number.as_f64().and_then(whole_seconds)).ok_or_else(bad)?;
    if !(0..=LAST_SECOND).contains(&seconds) {
        return Err(bad());
    }
    DateTime::from_timestamp(seconds, 0).map(Some).ok_or_else(bad)
}

fn whole_seconds(value: f64) -> Option<i64> {
    // Whatever is outside is outside the calendar, too.
    if !(0.0..1e15).contains(&value) {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "that it fits was checked")]
    Some(value.floor() as i64)
}

/// Everything that is wrong with the claims but the subject, by what the issuer's tokens must say.
pub(super) fn faults(claims: &Members, terms: &External, now: DateTime<Utc>) -> Vec<Fault> {
    let mut faults = Vec::new();
    let mut check = |wrong: Result<bool, Fault>, fault: Fault| match wrong {
        Ok(true) => faults.push(fault),
        Ok(false) => {}
        Err(other) => faults.push(other),
    };
    let expiry = instant(claims, "exp").and_then(|at| at.ok_or(Fault::Missing("exp")));
    check(expiry.map(|at| now >= at + LEEWAY), Fault::Expired);
    check(instant(claims, "nbf").map(|at| at.is_some_and(|at| at > now + LEEWAY)), Fault::NotYet);
    check(instant(claims, "iat").map(|at| at.is_some_and(|at| at > now + AHEAD)), Fault::IssuedAhead);
    check(is_for(claims, &terms.audience).map(|fits| !fits), Fault::OtherAudience);
    if terms.trust_scopes {
        let text = claims.get("scope").is_none_or(Value::is_string);
        check(Ok(!text), Fault::BadClaim("scope", "a text"));
    }
    faults
}

/// Whether one of the audiences is the one wanted.
fn is_for(claims: &Members, audience: &str) -> Result<bool, Fault> {
    let bad = || Fault::BadClaim("aud", "a text or a list of texts");
    match claims.get("aud").ok_or(Fault::Missing("aud"))? {
        Value::String(one) => Ok(one == audience),
        Value::Array(several) if several.iter().all(Value::is_string) => {
            Ok(several.iter().any(|one| one == audience))
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::Array(_) | Value::Object(_) => Err(bad()),
    }
}

/// Who the bearer is here: the subject, after what the site puts before those of the
/// issuer, since two issuers may mean two people by one subject.
pub(super) fn subject(claims: &Members, terms: &External) -> Result<String, Fault> {
    let subject = claims.get("sub").ok_or(Fault::Missing("sub"))?;
    let bad = Fault::BadClaim("sub", "a text of 1 to 255 bytes without control characters");
    match subject.as_str() {
        Some(text) if (1..=LONGEST_SUBJECT).contains(&text.len()) && !text.contains(char::is_control) => {
            Ok(format!("{}{text}", terms.subject_prefix))
        }
        Some(_) | None => Err(bad),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn members(value: Value) -> Members {
        let Value::Object(members) = value else { panic!("{value}") };
        members
    }

    /// RFC 7519 §2: "a JSON numeric value representing the number of seconds from
    /// 1970-01-01T00:00:00Z UTC", and "non-integer values can be represented"; its
    /// §3.1 has 1300819380, which is 2011-03-22T18:43:00Z (by GNU date).
    #[test]
    fn instants_are_numbers_of_seconds() {
        let read = |value: Value| instant(&members(json!({ "exp": value })), "exp");
        let known = "2011-03-22T18:43:00Z".parse::<DateTime<Utc>>().unwrap();
        assert_eq!(read(json!(1_300_819_380)), Ok(Some(known)));
        assert_eq!(read(json!(1_300_819_380.9)), Ok(Some(known)));
        assert_eq!(instant(&Members::new(), "exp"), Ok(None));
        for bad in [
            json!(-1),
            json!(-0.5),
            json!(1e300),
            json!(253_402_300_800_u64),
            json!(u64::MAX),
            json!("1300819380"),
            json!([1_300_819_380]),
            json!({}),
            json!(true),
            Value::Null,
        ] {
            assert!(matches!(read(bad.clone()), Err(Fault::BadClaim("exp", _))), "{bad}");
        }
    }

    #[test]
    fn everything_wrong_is_found_at_once() {
        let terms = External::site("issuer", "drykeep");
        let now = DateTime::from_timestamp(1_000_000, 0).unwrap();
        let wrong = members(json!({ "nbf": 1_000_006, "iat": 1_000_601, "aud": "other", "scope": ["a"] }));
        let expected = [
            Fault::Missing("exp"),
            Fault::NotYet,
            Fault::IssuedAhead,
            Fault::OtherAudience,
            Fault::BadClaim("scope", "a text"),
        ];
        assert_eq!(faults(&wrong, &terms, now), expected);
    }

    #[test]
    fn clocks_may_differ_by_five_seconds() {
        let terms = External::site("issuer", "drykeep");
        let now = DateTime::from_timestamp(1_000_000, 0).unwrap();
        let found = |exp: i64, nbf: i64| {
            faults(&members(json!({ "exp": exp, "nbf": nbf, "aud": "drykeep" })), &terms, now)
        };
        assert_eq!(found(999_996, 1_000_005), []);
        assert_eq!(found(999_995, 1_000_005), [Fault::Expired]);
        assert_eq!(found(999_996, 1_000_006), [Fault::NotYet]);
    }
}
