//! Headers that hold on every answer: what browsers may do with it, and who may keep it.

use crate::api::{BASE, path_of};
use actix_web::HttpResponse;
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, CROSS_ORIGIN_OPENER_POLICY,
    CROSS_ORIGIN_RESOURCE_POLICY, ETAG, HeaderName, HeaderValue, REFERRER_POLICY, STRICT_TRANSPORT_SECURITY,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use actix_web::middleware::Next;
use std::time::Duration;

/// Answers are data: they load nothing, and stand in nobody's frame.
const DATA: &str = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The page that shows the contract loads its own scripts and styles, sets styles of
/// its own on what it shows, has its symbols in it, and asks this service only.
const PAGE: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
     img-src 'self' data:; font-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; \
     frame-ancestors 'none'";

/// Our own pages load what this service serves and nothing else, hold no script or
/// style in themselves, and send their forms here only.
const OWN_PAGE: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
     connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

const ALWAYS: [(HeaderName, &str); 5] = [
    (X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (REFERRER_POLICY, "no-referrer"),
    (X_FRAME_OPTIONS, "DENY"),
    (CROSS_ORIGIN_RESOURCE_POLICY, "same-origin"),
    (CROSS_ORIGIN_OPENER_POLICY, "same-origin"),
];

/// Puts the headers on an answer.
pub(super) async fn protect<B: MessageBody>(
    hsts: Option<Duration>,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, actix_web::Error> {
    let path = path_of(request.request());
    let (page, own) = (path.starts_with("/docs"), path.starts_with(BASE));
    let mut answered = next.call(request).await?;
    put(answered.response_mut(), page, own);
    if let Some(length) = hsts
        && let Ok(value) = HeaderValue::from_str(&format!("max-age={}", length.as_secs()))
    {
        answered.headers_mut().insert(STRICT_TRANSPORT_SECURITY, value);
    }
    Ok(answered)
}

fn put<B>(answer: &mut HttpResponse<B>, page: bool, own: bool) {
    let headers = answer.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let is_html = headers.get(CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    let policy = match (page, is_html) {
        (true, _) => PAGE,
        (false, true) => OWN_PAGE,
        (false, false) => DATA,
    };
    headers.insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    if policy == OWN_PAGE {
        // Without it a browser would not say where a form comes from (Fetch standard, "append a
        // request `Origin` header"), which is looked at before the form is.
        headers.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    }
    // What the facility keeps is not for caches between: those that know its version
    // may ask whether it still holds, all else is fetched anew.
    if own && !headers.contains_key(CACHE_CONTROL) {
        let kept = if headers.contains_key(ETAG) { "private, no-cache" } else { "no-store" };
        headers.insert(CACHE_CONTROL, HeaderValue::from_static(kept));
    }
}
