//! Which pages of other origins may use the service from a browser (the CORS protocol
//! of the Fetch standard): those that the site lists, with tokens they send
//! themselves, never with what the browser keeps.

use actix_cors::Cors;
use actix_web::http::Method;
use actix_web::http::header::{self, HeaderName};

/// The rules for the origins listed.
pub(super) fn rules(origins: &[String]) -> Cors {
    let named = |name| HeaderName::from_static(name);
    let mut rules = Cors::default()
        .allowed_methods([Method::GET, Method::HEAD, Method::POST, Method::PATCH, Method::DELETE])
        .allowed_headers([
            header::ACCEPT,
            header::AUTHORIZATION,
            header::CONTENT_TYPE,
            header::IF_MATCH,
            header::IF_NONE_MATCH,
            named("idempotency-key"),
            named("x-request-id"),
        ])
        .expose_headers([
            header::ALLOW,
            header::ETAG,
            header::LINK,
            header::LOCATION,
            header::RETRY_AFTER,
            header::WWW_AUTHENTICATE,
            named("idempotency-replayed"),
            named("ratelimit"),
            named("ratelimit-policy"),
            named("x-request-id"),
        ])
        .max_age(3600)
        // Requests without an allowed origin are answered as ever: the browser keeps
        // the answer from the page, and other programs send what they like.
        .block_on_origin_mismatch(false);
    for origin in origins {
        rules = rules.allowed_origin(origin);
    }
    rules
}
