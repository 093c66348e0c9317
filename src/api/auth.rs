//! Who sends a request: the bearer token in its head (RFC 6750 §2.1). What makes a
//! token good is another room's.

use super::problem::{self, Problem};
use crate::domain::access::Actor;
use crate::identity::Verifier;
use actix_web::dev::Payload;
use actix_web::http::header::AUTHORIZATION;
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
    Ok(verifier.admit(bearer_token(request)?).await?)
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
