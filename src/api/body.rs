//! Request bodies: read up to a limit, parsed strictly, faults named by field.

use super::problem::{self, Problem};
use super::strict::Strict;
use crate::domain::violations::Violation;
use crate::usecases::once::OnceKey;
use actix_web::dev::Payload;
use actix_web::error::PayloadError;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::web::{Bytes, BytesMut};
use actix_web::{FromRequest, HttpRequest};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use futures_util::StreamExt as _;
use futures_util::future::LocalBoxFuture;
use serde::de::{Deserialize, DeserializeOwned};
use serde_json::Value;
use serde_json::error::Category;
use sha2::{Digest, Sha256};
use std::io::ErrorKind;

/// Largest JSON body of an ordinary request.
pub(crate) const JSON_LIMIT: usize = 256 * 1024;

/// A JSON body of type `T`, and what makes the request recognisable.
pub(crate) struct Body<T> {
    /// The parsed body.
    pub(crate) value: T,
    /// Present when the request carries an `Idempotency-Key`.
    pub(crate) once: Option<OnceKey>,
}

impl<T: DeserializeOwned + 'static> FromRequest for Body<T> {
    type Error = Problem;
    type Future = LocalBoxFuture<'static, Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let request = request.clone();
        let payload = payload.take();
        Box::pin(async move {
            let kind = content_type(&request);
            if !(kind == "application/json" || kind == "application/merge-patch+json") {
                return Err(Problem::new(
                    problem::UNSUPPORTED,
                    format!("the body must be application/json, not {kind:?}"),
                ));
            }
            let bytes = read(payload, JSON_LIMIT).await?;
            let once = once_key(&request, &bytes)?;
            let value = parse_json(&bytes)?;
            forms_are_objects::<T>(&bytes)?;
            Ok(Self { value, once })
        })
    }
}

/// The media type of the body, without parameters, in lower case.
pub(crate) fn content_type(request: &HttpRequest) -> String {
    request
        .headers()
        .get(CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .map(|text| text.split(';').next().unwrap_or_default().trim().to_ascii_lowercase())
        .unwrap_or_default()
}

/// Reads a body of at most `limit` bytes.
pub(crate) async fn read(mut payload: Payload, limit: usize) -> Result<Bytes, Problem> {
    let mut bytes = BytesMut::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|error| broken_off(&error))?;
        if bytes.len() + chunk.len() > limit {
            return Err(Problem::new(
                problem::TOO_LARGE,
                format!("a body here has at most {} KiB", limit / 1024),
            ));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes.freeze())
}

fn broken_off(error: &PayloadError) -> Problem {
    if let PayloadError::Io(cause) = error
        && cause.kind() == ErrorKind::TimedOut
    {
        return Problem::new(problem::TOO_SLOW, "the body did not arrive in time");
    }
    Problem::new(problem::UNREADABLE, format!("the body broke off: {error}"))
}

/// Parses JSON; malformed text is unreadable (400), well-formed JSON of the
/// wrong shape is invalid (422) and the field is named.
pub(crate) fn parse_json<'de, T: Deserialize<'de>>(bytes: &'de [u8]) -> Result<T, Problem> {
    let mut deserializer = serde_json::Deserializer::from_slice(bytes);
    let parsed = serde_path_to_error::deserialize(&mut deserializer).map_err(|error| {
        let field = error.path().to_string();
        let inner = error.into_inner();
        match inner.classify() {
            Category::Data => Problem::invalid(&shape_fault(&field, &inner).into()),
            Category::Syntax | Category::Eof | Category::Io => {
                Problem::new(problem::UNREADABLE, format!("the body is not JSON: {inner}"))
            }
        }
    })?;
    deserializer
        .end()
        .map_err(|e| Problem::new(problem::UNREADABLE, format!("the body goes on after the JSON: {e}")))?;
    Ok(parsed)
}

/// Passes when no form in a body, which parses, was written as a list.
pub(crate) fn forms_are_objects<T: DeserializeOwned>(bytes: &[u8]) -> Result<(), Problem> {
    let value: Value = parse_json(bytes)?;
    match serde_path_to_error::deserialize::<_, T>(Strict(&value)) {
        Ok(_) => Ok(()),
        Err(error) => Err(Problem::invalid(&shape_fault(&error.path().to_string(), error.inner()).into())),
    }
}

/// A value of the wrong shape, as a violation that names the field; `field` is
/// the path at which parsing stopped, `.` for the whole.
pub(crate) fn shape_fault(field: &str, error: &serde_json::Error) -> Violation {
    let field = if field == "." { "" } else { field };
    let text = error.to_string();
    let detail = text.split(" at line ").next().unwrap_or(&text);
    let code = if detail.starts_with("unknown field") {
        "unknown_field"
    } else if detail.starts_with("missing field") {
        "missing_field"
    } else {
        "wrong_type"
    };
    let named = detail.split('`').nth(1).filter(|_| code != "wrong_type");
    let field = match (named, field) {
        (Some(name), "") => name.to_owned(),
        // The path of an unknown field already ends in its name.
        (Some(name), path) if path == name || path.ends_with(&format!(".{name}")) => path.to_owned(),
        (Some(name), path) => format!("{path}.{name}"),
        (None, path) => path.to_owned(),
    };
    Violation::new(field, code, detail)
}

/// The `Idempotency-Key` of a request (IETF httpapi draft
/// draft-ietf-httpapi-idempotency-key-header) with the hash of the request.
pub(crate) fn once_key(request: &HttpRequest, body: &[u8]) -> Result<Option<OnceKey>, Problem> {
    let Some(value) = request.headers().get("idempotency-key") else { return Ok(None) };
    let key = value.to_str().unwrap_or_default().trim().trim_matches('"');
    let plain = key.bytes().all(|b| b.is_ascii_graphic());
    if key.is_empty() || key.len() > 128 || !plain {
        return Err(Problem::new(
            problem::UNREADABLE,
            "the Idempotency-Key header is 1 to 128 visible ASCII characters",
        ));
    }
    let mut hash = Sha256::new();
    for part in [request.method().as_str().as_bytes(), request.uri().to_string().as_bytes(), body] {
        hash.update(part.len().to_le_bytes());
        hash.update(part);
    }
    let request_hash = URL_SAFE_NO_PAD.encode(hash.finalize());
    Ok(Some(OnceKey { key: key.to_owned(), request_hash }))
}
