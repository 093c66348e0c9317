//! How much a caller may ask for: counted by the token's subject, or by address
//! where no token is accepted. Told in the fields `RateLimit-Policy` and `RateLimit`
//! (IETF draft-ietf-httpapi-ratelimit-headers-10).

mod address;
mod buckets;

pub use address::Proxies;

use super::auth;
use super::metrics::Metrics;
use super::problem::{self, Problem};
use super::{BASE, path_of};
use crate::domain::quota::{Budget, Quota, Rates, Spent, Standing};
use actix_web::body::{EitherBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{AUTHORIZATION, HeaderName, HeaderValue};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::Next;
use actix_web::{HttpRequest, HttpResponse, ResponseError as _, web};
use buckets::Buckets;
use std::net::IpAddr;
use std::time::{Duration, Instant};

/// The most buckets that are kept: some five megabytes.
const MOST_BUCKETS: usize = 128 * 1024;

/// How long an accepted token or key is known without being looked at.
const KNOWN_FOR: Duration = Duration::from_secs(3600);

/// Counts who asks for how much.
#[derive(Debug)]
pub(crate) struct Limiter {
    rates: Option<Rates>,
    proxies: Proxies,
    buckets: Buckets,
    began: Instant,
}

/// Whose bucket it is.
#[derive(Debug, Clone, Copy, Hash)]
enum Owner<'a> {
    /// Of the subject of a token.
    Subject(&'a str),
    /// Of an address; `None` where the connection has none.
    Address(Option<IpAddr>),
    /// Of a token or key: not full for as long as it is known.
    Credential(&'a [u8]),
}

/// What a request is counted as.
type Admitted = Result<(Budget, Standing), (Budget, Spent)>;

impl Limiter {
    /// A limiter that has counted nothing; without rates it never will.
    pub(crate) fn new(rates: Option<Rates>, proxies: Proxies) -> Self {
        Self { rates, proxies, buckets: Buckets::new(MOST_BUCKETS), began: Instant::now() }
    }

    fn take(&self, rates: &Rates, budget: Budget, owner: Owner<'_>, now: Duration) -> Admitted {
        let taken = self.buckets.with(&(budget, owner), now, |full_at| rates.of(budget).take(full_at, now));
        taken.map(|standing| (budget, standing)).map_err(|spent| (budget, spent))
    }

    fn remember(&self, credential: &[u8], now: Duration) {
        self.buckets.with(&Owner::Credential(credential), now, |full_at| *full_at = now + KNOWN_FOR);
    }

    fn knows(&self, credential: &[u8], now: Duration) -> bool {
        self.buckets.with(&Owner::Credential(credential), now, |full_at| *full_at > now)
    }

    /// Counts a request. Where an address has failed too often, only what was
    /// accepted before is looked at: others behind the same address go on working,
    /// and nobody can go on guessing.
    async fn admit(&self, rates: &Rates, request: &HttpRequest, now: Duration) -> Admitted {
        let address = Owner::Address(self.proxies.caller(request));
        let failures = Budget::Failures;
        let unknown = credential(request).map(|credential| !self.knows(credential, now));
        if unknown.unwrap_or(is_sign_in(request)) {
            let look = |full_at: &mut Duration| rates.of(failures).look(*full_at, now);
            self.buckets.with(&(failures, address), now, look).map_err(|spent| (failures, spent))?;
        }
        let asked = asked(request.method(), path_of(request));
        if !request.headers().contains_key(AUTHORIZATION) && auth::kept_token(request).is_none() {
            return self.take(rates, asked, address, now);
        }
        match auth::identify(request).await {
            Ok(actor) => self.take(rates, asked, Owner::Subject(&actor.subject), now),
            Err(problem) => {
                // Where an issuer's keys cannot be had, the caller has not failed.
                if problem.status_code().is_client_error() {
                    self.take(rates, failures, address, now)?;
                }
                self.take(rates, asked, address, now)
            }
        }
    }

    /// Remembers what was accepted, and counts a key that was not. Tokens that were
    /// not are counted before.
    async fn conclude(&self, rates: &Rates, request: &HttpRequest, status: StatusCode, now: Duration) {
        let feed = is_feed(path_of(request));
        let guessed = is_sign_in(request) && status == StatusCode::UNPROCESSABLE_ENTITY;
        if guessed || (feed && status == StatusCode::NOT_FOUND) {
            // The answer is given; the next one is not.
            let address = Owner::Address(self.proxies.caller(request));
            let _ = self.take(rates, Budget::Failures, address, now);
            return;
        }
        let Some(credential) = credential(request) else { return };
        if feed || auth::identify(request).await.is_ok() {
            self.remember(credential, now);
        }
    }
}

/// Whether the path is that of a calendar, which is opened by a key in its address.
fn is_feed(path: &str) -> bool {
    path.strip_prefix(BASE).is_some_and(|rest| rest.starts_with("/calendars/"))
}

/// Whether a token is tried at the pages' sign-in, where it stands in the body.
fn is_sign_in(request: &HttpRequest) -> bool {
    request.method() == Method::POST && path_of(request) == "/sign-in"
}

/// What a request shows to be let in: its token, or the key in its address.
fn credential(request: &HttpRequest) -> Option<&[u8]> {
    if is_feed(path_of(request)) {
        return request.uri().path_and_query().map(|address| address.as_str().as_bytes());
    }
    let sent = request.headers().get(AUTHORIZATION).map(HeaderValue::as_bytes);
    sent.or_else(|| auth::kept_token(request).map(str::as_bytes))
}

/// What a request is counted as.
fn asked(method: &Method, path: &str) -> Budget {
    let reads = [Method::GET, Method::HEAD, Method::OPTIONS].contains(method);
    let Some(resource) = path.strip_prefix(BASE) else { return asked_of_pages(reads, path) };
    let mut parts = resource.split('/').skip(1);
    let expensive = match parts.next().unwrap_or_default() {
        "calculations" | "openings" | "usage-statements" => true,
        "maintenance-plans" | "nightly-runs" | "closure-imports" => !reads,
        "gas-supplies" | "rooms" | "stock-items" => {
            matches!(parts.nth(1), Some("forecast" | "oxygen-assessment" | "projection"))
        }
        _ => false,
    };
    counted(expensive, reads)
}

/// What a request for a page is counted as.
fn asked_of_pages(reads: bool, path: &str) -> Budget {
    let expensive = match path {
        "/book" | "/gas" => true,
        "/plan" | "/night" => !reads,
        _ => path.starts_with("/boxes/"),
    };
    counted(expensive, reads)
}

const fn counted(expensive: bool, reads: bool) -> Budget {
    match (expensive, reads) {
        (true, _) => Budget::Expensive,
        (false, true) => Budget::Reads,
        (false, false) => Budget::Writes,
    }
}

/// Whether whoever watches over the service may always ask.
fn is_exempt(path: &str) -> bool {
    path == "/metrics" || path.starts_with("/health/")
}

/// Holds back whoever asks for too much.
pub(crate) async fn hold_back<B: MessageBody>(
    limiter: web::Data<Limiter>,
    metrics: web::Data<Metrics>,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<EitherBody<B>>, actix_web::Error> {
    let rates = limiter.rates.filter(|_| !is_exempt(path_of(request.request())));
    let Some(rates) = rates else {
        return Ok(next.call(request).await?.map_into_left_body());
    };
    match limiter.admit(&rates, request.request(), limiter.began.elapsed()).await {
        Ok((budget, standing)) => {
            let mut answered = next.call(request).await?;
            let status = answered.status();
            limiter.conclude(&rates, answered.request(), status, limiter.began.elapsed()).await;
            tell(answered.response_mut(), budget, rates.of(budget), standing.remaining, standing.full_in);
            Ok(answered.map_into_left_body())
        }
        Err((budget, spent)) => {
            metrics.held_back(budget.word());
            let mut answer = refusal(budget, spent).error_response();
            tell(&mut answer, budget, rates.of(budget), 0, spent.wait);
            Ok(request.into_response(answer).map_into_right_body())
        }
    }
}

fn refusal(budget: Budget, spent: Spent) -> Problem {
    let seconds = u32::try_from(whole_seconds(spent.wait)).unwrap_or(u32::MAX);
    let about = match budget {
        Budget::Failures => "too many tokens or keys from this address were refused",
        Budget::Reads | Budget::Writes | Budget::Expensive => "more was asked for than the quota grants",
    };
    Problem::new(problem::TOO_MANY, format!("{about}; try again in {seconds} s"))
        // The member that the draft gives its own problem type.
        .with("violated-policies", [budget.word()])
        .again_in(seconds)
}

fn whole_seconds(length: Duration) -> u64 {
    length.as_secs() + u64::from(length.subsec_nanos() > 0)
}

/// Says what the quota is, what is left of it and, in seconds, when it will be whole
/// again or, where nothing is left, when there will be some.
fn tell<B>(answer: &mut HttpResponse<B>, budget: Budget, quota: Quota, remaining: u32, reset: Duration) {
    let word = budget.word();
    let policy = format!("\"{word}\";q={};w={}", quota.requests(), quota.window().as_secs());
    let left = format!("\"{word}\";r={remaining};t={}", whole_seconds(reset));
    for (name, text) in [("ratelimit-policy", policy), ("ratelimit", left)] {
        if let Ok(value) = HeaderValue::from_str(&text) {
            answer.headers_mut().insert(HeaderName::from_static(name), value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn requests_are_counted_as_what_they_cost() {
        for (method, path, expected) in [
            (Method::GET, "/api/v1/rooms", Budget::Reads),
            (Method::GET, "/api/v1/rooms/LAB-E/oxygen-assessment", Budget::Expensive),
            (Method::GET, "/api/v1/gas-supplies/AR/forecast", Budget::Expensive),
            (Method::GET, "/api/v1/stock-items/O-RING/projection", Budget::Expensive),
            (Method::GET, "/api/v1/openings", Budget::Expensive),
            (Method::POST, "/api/v1/calculations/purge", Budget::Expensive),
            (Method::POST, "/api/v1/maintenance-plans", Budget::Expensive),
            (Method::GET, "/api/v1/maintenance-plans", Budget::Reads),
            (Method::POST, "/api/v1/readings", Budget::Writes),
            (Method::DELETE, "/api/v1/rooms/LAB-E", Budget::Writes),
            (Method::GET, "/docs/", Budget::Reads),
            (Method::GET, "/nowhere", Budget::Reads),
        ] {
            assert_eq!(asked(&method, path), expected, "{method} {path}");
        }
    }

    #[test]
    fn waits_are_told_in_seconds_that_are_long_enough() {
        assert_eq!(whole_seconds(Duration::ZERO), 0);
        assert_eq!(whole_seconds(Duration::from_millis(1)), 1);
        assert_eq!(whole_seconds(Duration::from_secs(20)), 20);
    }
}
