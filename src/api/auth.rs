//! Who sends a request: the bearer token in its head (RFC 6750 §2.1), or outside
//! the API the one that a browser keeps. What makes a token good is another room's.

use super::problem::{self, Problem};
use super::{BASE, path_of};
use crate::domain::access::Actor;
use crate::identity::{Verifier, token_in};
use actix_web::dev::Payload;
use actix_web::http::header::{AUTHORIZATION, COOKIE};
use actix_web::{FromRequest, HttpMessage as _, HttpRequest, web};
use std::pin::Pin;

/// The authenticated caller of a request.
pub(crate) struct Caller(pub(crate) Actor);

impl FromRequest for Caller {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let request = request.clone();
        Box::pin(async move { identify(&request).await.map(Self) })
    }
}

/// What was found of a request's token.
struct Identified(Result<Actor, Problem>);

/// Who sent a request. Its token is checked once, however often this is asked.
pub(crate) async fn identify(request: &HttpRequest) -> Result<Actor, Problem> {
    let known = request.extensions().get::<Identified>().map(|known| known.0.clone());
    if let Some(known) = known {
        return known;
    }
    let found = authenticate(request).await;
    request.extensions_mut().insert(Identified(found.clone()));
    found
}

async fn authenticate(request: &HttpRequest) -> Result<Actor, Problem> {
    let verifier = request
        .app_data::<web::Data<Verifier>>()
        .ok_or_else(|| Problem::new(problem::INTERNAL, "no keys are configured"))?;
    let token = match kept_token(request) {
        Some(kept) => kept,
        None => bearer_token(request)?,
    };
    Ok(verifier.admit(token).await?)
}

/// The token that a browser keeps for the pages. The API never looks at it: a
/// browser sends it along with whatever another site makes it ask for.
pub(super) fn kept_token(request: &HttpRequest) -> Option<&str> {
    if path_of(request).starts_with(BASE) || request.headers().contains_key(AUTHORIZATION) {
        return None;
    }
    let line = request.headers().get(COOKIE).and_then(|line| line.to_str().ok());
    line.and_then(|line| token_in(line, false))
}

fn bearer_token(request: &HttpRequest) -> Result<&str, Problem> {
    let refuse = |why: &str| Problem::new(problem::UNAUTHENTICATED, why);
    let mut headers = request.headers().get_all(AUTHORIZATION);
    let header = headers.next().ok_or_else(|| refuse("send an Authorization header with a bearer token"))?;
    if headers.next().is_some() {
        // Which of two would count is not for a server to guess (RFC 6750 §3.1, invalid_request).
        return Err(Problem::new(problem::UNREADABLE, "send one Authorization header, not several"));
    }
    let text = header.to_str().map_err(|_| refuse("the Authorization header is not plain text"))?;
    let (scheme, token) = text.split_once(' ').unwrap_or((text, ""));
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(refuse("the Authorization header must be a bearer token"));
    }
    Ok(token.trim_matches(' '))
}
