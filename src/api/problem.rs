//! Everything that can go wrong, as RFC 9457 problem details. The only place
//! that knows which status a refusal has.

use crate::domain::facility::Scope;
use crate::domain::violations::{Violation, Violations};
use crate::identity::Refusal;
use crate::store::StoreError;
use crate::usecases::Error;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpResponse, ResponseError};
use serde::Serialize;
use serde_json::{Map, Value};
use std::fmt;
use utoipa::ToSchema;

/// Problem details (RFC 9457).
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "type": "/problems/invalid-input", "title": "The input is not valid", "status": 422,
    "detail": "tag: a tag is 1 to 24 characters of A-Z, 0-9 and '-'",
    "violations": [{"field": "tag", "code": "bad_tag", "detail": "a tag is 1 to 24 characters of A-Z, 0-9 and '-'"}]
}))]
pub(crate) struct Problem {
    /// Identifies the kind of problem; a path on this service that explains it.
    #[serde(rename = "type")]
    kind: String,
    /// The kind in a few words.
    title: &'static str,
    /// HTTP status.
    status: u16,
    /// What is wrong this time, in a sentence.
    detail: String,
    /// Typed members of the kind: `violations`, `conflicts`, `alternatives`, `request_id`.
    #[serde(flatten)]
    #[schema(value_type = Object)]
    members: Box<Map<String, Value>>,
    #[serde(skip)]
    retry_after: Option<u32>,
    #[serde(skip)]
    allow: Option<String>,
}

/// A kind of problem: its slug, title and status.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kind {
    pub(crate) slug: &'static str,
    pub(crate) title: &'static str,
    pub(crate) status: StatusCode,
    /// What it means and what to do, for the page its `type` points at.
    pub(crate) help: &'static str,
}

macro_rules! kinds {
    ($($name:ident = $slug:literal, $title:literal, $status:ident, $help:literal;)*) => {
        $(pub(crate) const $name: Kind =
            Kind { slug: $slug, title: $title, status: StatusCode::$status, help: $help };)*
        /// Every kind of problem.
        pub(crate) const KINDS: &[Kind] = &[$($name),*];
    };
}

kinds! {
    UNREADABLE = "unreadable", "The request cannot be read", BAD_REQUEST,
        "The body is not well-formed JSON, or a header or the address cannot be parsed. Mend the syntax and send it again.";
    UNAUTHENTICATED = "unauthenticated", "A valid token is needed", UNAUTHORIZED,
        "Send a bearer token that this service accepts: signed with its key, for its audience, not expired.";
    FORBIDDEN = "forbidden", "The token does not allow this", FORBIDDEN,
        "The token lacks a scope, or the thing belongs to somebody else. needs_any_of names the scopes that would do.";
    NOT_FOUND = "not-found", "There is no such thing", NOT_FOUND,
        "Nothing with this id, tag or path exists, or it is not yours to see.";
    METHOD_NOT_ALLOWED = "method-not-allowed", "The path does not take this method", METHOD_NOT_ALLOWED,
        "The Allow header names the methods it takes.";
    TAKEN = "taken", "Something is in the way", CONFLICT,
        "The tag or name is in use, or something still refers to what was to be removed.";
    WRONG_STATE = "wrong-state", "Its state does not allow this", CONFLICT,
        "For instance, a booking that was cancelled cannot be started.";
    STALE = "stale", "It has changed since you saw it", PRECONDITION_FAILED,
        "Fetch it again, look at what changed, and repeat the change with the new ETag.";
    TOO_SLOW = "too-slow", "The body took too long to arrive", REQUEST_TIMEOUT,
        "Nothing was done. Send it again, in several parts where the line is slow.";
    TOO_LARGE = "too-large", "The body is too large", PAYLOAD_TOO_LARGE,
        "Send it in several parts.";
    UNSUPPORTED = "unsupported-media-type", "The content type is not understood", UNSUPPORTED_MEDIA_TYPE,
        "Send application/json, or for readings also application/x-ndjson or text/csv.";
    INVALID = "invalid-input", "The input is not valid", UNPROCESSABLE_ENTITY,
        "Every fault found is in violations, with the field it is in.";
    KEY_REUSED = "idempotency-key-reused", "The Idempotency-Key was used before", UNPROCESSABLE_ENTITY,
        "A key belongs to one request. Use a fresh key for another request.";
    BOOKING_NOT_ALLOWED = "booking-not-allowed", "The booking breaks rules", UNPROCESSABLE_ENTITY,
        "violations names every rule broken.";
    BOOKING_CONFLICT = "booking-conflict", "The time is taken", CONFLICT,
        "conflicts names what is in the way; alternatives are bookings that would be accepted as they stand.";
    PLAN_IMPOSSIBLE = "plan-impossible", "No plan does what must be done", UNPROCESSABLE_ENTITY,
        "in_the_way is a smallest set of kinds of rule in the way of the tasks named, each with what could be relaxed.";
    PLAN_OUTDATED = "plan-outdated", "The plan no longer fits", CONFLICT,
        "changes names what has changed since it was made. Nothing was put on the calendar; propose anew.";
    NIGHT_RUNNING = "night-running", "The night is being computed already", CONFLICT,
        "Another request, timer or instance computes it. Ask again after the time in Retry-After: the same moment then \
         gets its report.";
    CONDITION_MISSING = "condition-missing", "An If-Match header is needed", PRECONDITION_REQUIRED,
        "Send If-Match with the ETag you last saw, so that nobody's change is overwritten unseen.";
    TOO_MANY = "too-many-requests", "Too many requests", TOO_MANY_REQUESTS,
        "Wait as long as Retry-After says. RateLimit-Policy names the quota and RateLimit what is left of it; reads, \
         writes, expensive requests and refused tokens are counted apart.";
    TOOK_TOO_LONG = "took-too-long", "The answer was not ready in time", SERVICE_UNAVAILABLE,
        "What was asked for may have been done all the same: look before you ask again, or ask again with the same \
         Idempotency-Key, after the time in Retry-After.";
    UNAVAILABLE = "unavailable", "The service cannot answer now", SERVICE_UNAVAILABLE,
        "The database is busy or out of reach, or the keys of the token's issuer are. Try again after the time in Retry-After, with the same Idempotency-Key: nothing was half done, but a change may have been made as a whole.";
    INTERNAL = "internal", "Something went wrong inside", INTERNAL_SERVER_ERROR,
        "Tell the keeper the request_id; the log holds the cause under it.";
}

impl Problem {
    /// A problem of a kind.
    pub(crate) fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("/problems/{}", kind.slug),
            title: kind.title,
            status: kind.status.as_u16(),
            detail: detail.into(),
            members: Box::default(),
            retry_after: None,
            allow: None,
        }
    }

    /// Adds a typed member.
    pub(crate) fn with(mut self, name: &str, value: impl Serialize) -> Self {
        let value = serde_json::to_value(value).unwrap_or(Value::Null);
        self.members.insert(name.to_owned(), value);
        self
    }

    /// Invalid input with its violations.
    pub(crate) fn invalid(violations: &Violations) -> Self {
        Self::new(INVALID, violations.to_string()).with("violations", violations)
    }

    /// Invalid input with one violation.
    pub(crate) fn field(field: &str, code: &'static str, detail: impl Into<String>) -> Self {
        Self::invalid(&Violation::new(field, code, detail).into())
    }

    /// The same, worth trying again after so many seconds.
    pub(crate) fn again_in(self, seconds: u32) -> Self {
        Self { retry_after: Some(seconds), ..self }
    }

    /// A method the path does not take.
    pub(crate) fn method_not_allowed(allow: String) -> Self {
        Self {
            allow: Some(allow),
            ..Self::new(METHOD_NOT_ALLOWED, "the Allow header names the methods it takes")
        }
    }

    /// The HTTP status.
    pub(crate) fn code(&self) -> StatusCode {
        StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.title, self.detail)
    }
}

impl std::error::Error for Problem {}

impl ResponseError for Problem {
    fn status_code(&self) -> StatusCode {
        self.code()
    }

    fn error_response(&self) -> HttpResponse {
        let mut answer = HttpResponse::build(self.code());
        answer.insert_header((header::CONTENT_TYPE, "application/problem+json"));
        if self.status == 401 {
            answer.insert_header((header::WWW_AUTHENTICATE, "Bearer realm=\"drykeep\""));
        }
        if let Some(seconds) = self.retry_after {
            answer.insert_header((header::RETRY_AFTER, HeaderValue::from(seconds)));
        }
        if self.status == 408 {
            // RFC 9110 §15.5.9: what is left of the body is not waited for.
            answer.force_close();
        }
        if let Some(allow) = &self.allow {
            answer.insert_header((header::ALLOW, allow.as_str()));
        }
        let mut body = self.clone();
        if let Some(request_id) = crate::telemetry::current_request_id() {
            body = body.with("request_id", request_id);
        }
        answer.body(serde_json::to_string(&body).unwrap_or_else(|_| "{}".to_owned()))
    }
}

fn scope_words(scopes: &[Scope]) -> Vec<&'static str> {
    scopes.iter().map(|scope| scope.word()).collect()
}

impl From<Error> for Problem {
    fn from(error: Error) -> Self {
        let detail = error.to_string();
        match error {
            Error::Unknown { .. } => Self::new(NOT_FOUND, detail),
            Error::Invalid(violations) => Self::invalid(&violations),
            Error::Forbidden { any_of } => {
                let words = scope_words(&any_of);
                Self::new(FORBIDDEN, format!("the token needs the scope {}", words.join(" or ")))
                    .with("needs_any_of", words)
            }
            Error::NotYours(_) => Self::new(FORBIDDEN, detail),
            Error::Stale { current } => {
                Self::new(STALE, detail).with("current", super::conditional::etag(current))
            }
            Error::ConditionMissing => Self::new(CONDITION_MISSING, detail),
            Error::Taken { code, .. } => Self::new(TAKEN, detail).with("code", code),
            Error::WrongState(_) => Self::new(WRONG_STATE, detail),
            Error::BookingRefused(refusal) => super::bookings::refusal_problem(&refusal, None),
            Error::PlanImpossible(refusal) => super::maintenance_plans::refusal_problem(&refusal),
            Error::PlanOutdated(changes) => super::maintenance_plans::outdated_problem(&detail, &changes),
            Error::PlannerOccupied | Error::PlannerStopped => Self::new(UNAVAILABLE, detail).again_in(5),
            Error::NightRunning => Self::new(NIGHT_RUNNING, detail).again_in(10),
            Error::KeyReused => Self::new(KEY_REUSED, detail),
            Error::Store(error) => store_problem(&error),
        }
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        let detail = refusal.to_string();
        match refusal {
            Refusal::Token(_) => Self::new(UNAUTHENTICATED, detail),
            // The caller is not at fault, and may well be let in later with the same token.
            Refusal::KeysOutOfReach { retry_after } => {
                Self { retry_after: Some(retry_after), ..Self::new(UNAVAILABLE, detail) }
            }
        }
    }
}

/// A failing store is logged here, once, with its cause; the caller learns
/// only what it can act on.
fn store_problem(error: &StoreError) -> Problem {
    match error {
        StoreError::Unavailable(why) => {
            tracing::warn!(why, "the database is not available");
            Problem::new(UNAVAILABLE, "the database cannot answer now").again_in(1)
        }
        StoreError::Contention => {
            Problem::new(UNAVAILABLE, "too many changes at once to the same things").again_in(1)
        }
        StoreError::TookTooLong => {
            tracing::warn!("a request was given up");
            Problem::new(TOOK_TOO_LONG, "the database takes long over this").again_in(5)
        }
        StoreError::Constraint(_)
        | StoreError::Panicked(_)
        | StoreError::Corrupt { .. }
        | StoreError::Migration(_)
        | StoreError::Database(_) => {
            tracing::error!(error = ?error, "a request failed inside");
            Problem::new(INTERNAL, "the cause is in the log under this request_id")
        }
    }
}
