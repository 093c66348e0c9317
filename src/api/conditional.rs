//! Conditional requests (RFC 9110 §13): entity tags and `If-Match`.

use super::problem::{self, Problem};
use crate::usecases::keep::Precondition;
use actix_web::dev::Payload;
use actix_web::http::header::{IF_MATCH, IF_NONE_MATCH};
use actix_web::{FromRequest, HttpRequest};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest as _, Sha256};
use std::future::{Ready, ready};

/// The entity tag of a version.
pub(crate) fn etag(version: i32) -> String {
    format!("\"v{version}\"")
}

/// The entity tag of an answer that has no version: a hash of its text.
pub(crate) fn etag_of(text: &[u8]) -> String {
    let hash = Sha256::digest(text);
    format!("\"{}\"", URL_SAFE_NO_PAD.encode(&hash[..16]))
}

/// Whether the request's `If-None-Match` names the entity tag, so that 304 answers it.
pub(crate) fn names(request: &HttpRequest, etag: &str) -> bool {
    request.headers().get(IF_NONE_MATCH).and_then(|value| value.to_str().ok()).is_some_and(|text| {
        text.trim() == "*" || text.split(',').any(|tag| tag.trim().trim_start_matches("W/") == etag)
    })
}

fn version_of(tag: &str) -> Option<i32> {
    tag.trim().strip_prefix("\"v")?.strip_suffix('"')?.parse().ok()
}

/// The request's `If-Match`, parsed.
pub(crate) struct IfMatch(pub(crate) Precondition);

impl FromRequest for IfMatch {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(parse(request))
    }
}

fn parse(request: &HttpRequest) -> Result<IfMatch, Problem> {
    let Some(value) = request.headers().get(IF_MATCH) else { return Ok(IfMatch(Precondition::None)) };
    let text = value
        .to_str()
        .map_err(|_| Problem::new(problem::UNREADABLE, "the If-Match header is not plain text"))?;
    if text.trim() == "*" {
        return Ok(IfMatch(Precondition::Any));
    }
    // A tag that is not of our making can match nothing: version 0 never exists.
    let versions = text.split(',').map(|tag| version_of(tag).unwrap_or(0)).collect();
    Ok(IfMatch(Precondition::OneOf(versions)))
}

/// Whether the request's `If-None-Match` names the version, so that 304 answers it.
pub(crate) fn none_match(request: &HttpRequest, version: i32) -> bool {
    request.headers().get(IF_NONE_MATCH).and_then(|value| value.to_str().ok()).is_some_and(|text| {
        text.trim() == "*"
            || text.split(',').any(|tag| version_of(tag.trim().trim_start_matches("W/")) == Some(version))
    })
}
