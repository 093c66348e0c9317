//! Reading a question. JSON has no NaN and no infinity, yet programs write
//! them; they are answered as an impossible value of a named field rather
//! than as text that cannot be read.

use crate::api::body::{forms_are_objects, parse_json};
use crate::api::problem::Problem;
use crate::domain::quantity::QuantityError;
use crate::domain::violations::{Check, Coded as _, Violation};
use serde::de::DeserializeOwned;
use serde_json::Value;

/// Stands before a number that is none, in place of the number.
const MARK: &str = "\u{0}no number\u{0}";

/// Parses a question; every NaN, infinity and number beyond all bounds is a
/// violation of its field.
pub(super) fn question<Q: DeserializeOwned>(json: &[u8]) -> Result<Q, Problem> {
    let question = parse_json(json).map_err(|problem| impossible_numbers(json).unwrap_or(problem))?;
    forms_are_objects::<Q>(json)?;
    Ok(question)
}

fn impossible_numbers(json: &[u8]) -> Option<Problem> {
    let text = std::str::from_utf8(json).ok()?;
    let marked = mark(text)?;
    let value: Value = serde_json::from_str(&marked).ok()?;
    let mut check = Check::default();
    walk(&mut check, "", &value);
    check.finish(|| ()).err().map(|faults| Problem::invalid(&faults))
}

/// The text with every number that is not finite put in quotes, behind a
/// mark; `None` where there is none.
fn mark(text: &str) -> Option<String> {
    let mut marked = String::with_capacity(text.len() + 64);
    let mut found = false;
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let length = match first {
            '"' => string_length(rest),
            '-' | '+' | '.' | '0'..='9' | 'a'..='z' | 'A'..='Z' => {
                let bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '+' | '.');
                rest.find(|c| !bare(c)).unwrap_or(rest.len())
            }
            _ => first.len_utf8(),
        };
        let (token, after) = rest.split_at(length);
        if first != '"' && token.parse::<f64>().is_ok_and(|number| !number.is_finite()) {
            found = true;
            marked.push_str(&Value::from(format!("{MARK}{token}")).to_string());
        } else {
            marked.push_str(token);
        }
        rest = after;
    }
    found.then_some(marked)
}

/// Bytes of the string that the text begins with, quotes included.
fn string_length(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            '"' if !escaped => return at + 1,
            '\\' => escaped = !escaped,
            _ => escaped = false,
        }
    }
    text.len()
}

fn walk(check: &mut Check, path: &str, value: &Value) {
    match value {
        Value::String(text) => {
            if let Some(token) = text.strip_prefix(MARK) {
                let fault = QuantityError::NotFinite;
                check.note(Violation::new(path, fault.code(), format!("{fault}, not {token}")));
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                walk(check, &format!("{path}[{index}]"), item);
            }
        }
        Value::Object(fields) => {
            for (name, field) in fields {
                let path = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                walk(check, &path, field);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::ResponseError as _;

    fn refused(json: &str) -> (u16, String) {
        let problem = question::<Value>(json.as_bytes()).unwrap_err();
        (problem.status_code().as_u16(), problem.to_string())
    }

    #[test]
    fn numbers_that_are_none_are_violations_of_their_fields() {
        let json = r#"{"a": NaN, "b": {"c": [1, -Infinity, 1e999]}, "d": "NaN \" Infinity"}"#;
        let (status, text) = refused(json);
        assert_eq!(status, 422);
        for part in ["a: must be a finite number, not NaN", "b.c[1]", "b.c[2]"] {
            assert!(text.contains(part), "{text}");
        }
        assert!(!text.contains("; d"), "{text}");
    }

    #[test]
    fn text_that_is_no_json_stays_unreadable() {
        for text in ["", "{", "{\"a\": nope}", "{\"a\": \"NaN"] {
            assert_eq!(refused(text).0, 400, "{text}");
        }
    }
}
