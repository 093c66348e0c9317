//! Structured logs and request ids.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{HeaderName, HeaderValue};
use actix_web::middleware::Next;
use std::cell::RefCell;
use std::io::IsTerminal as _;
use tracing_subscriber::EnvFilter;
use uuid::Uuid;

tokio::task_local! {
    static REQUEST_ID: RefCell<String>;
}

/// The id of the request being answered, if one is.
pub(crate) fn current_request_id() -> Option<String> {
    REQUEST_ID.try_with(|id| id.borrow().clone()).ok()
}

/// How log lines are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

/// Starts logging to standard error; later calls change nothing.
pub fn start_logging(filter: &str, format: LogFormat) {
    let filter = EnvFilter::try_new(filter).unwrap_or_else(|_| EnvFilter::new("info"));
    let builder = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal());
    // A second start, as in tests, is refused by the library and of no consequence.
    drop(match format {
        LogFormat::Text => builder.try_init(),
        LogFormat::Json => builder.json().try_init(),
    });
}

/// Gives every request an id, taken from `X-Request-Id` where that is a short
/// plain word, and returns it with the answer.
pub(crate) async fn with_request_id<B: MessageBody>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, actix_web::Error> {
    let name = HeaderName::from_static("x-request-id");
    let given = request
        .headers()
        .get(&name)
        .and_then(|value| value.to_str().ok())
        .filter(|text| (1..=64).contains(&text.len()))
        .filter(|text| text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_'));
    let id = given.map_or_else(|| Uuid::now_v7().to_string(), str::to_owned);
    let method = request.method().to_string();
    let path = request.path().to_owned();
    let mut answered = REQUEST_ID.scope(RefCell::new(id.clone()), async { next.call(request).await }).await?;
    tracing::info!(request_id = id, method, path, status = answered.status().as_u16(), "answered");
    if let Ok(value) = HeaderValue::from_str(&id) {
        answered.headers_mut().insert(name, value);
    }
    Ok(answered)
}
