//! Who looks at a page: the token in the browser's cookie, believed by the same
//! verifier as the API's. The cookie holds the token itself; nothing is kept here.

use super::Keep;
use super::fault::Fault;
use crate::domain::access::Actor;
use crate::domain::facility::Scope;
use crate::identity::{PLAIN_COOKIE, Refusal, SECURE_COOKIE, Verifier, token_in};
use actix_web::dev::Payload;
use actix_web::http::header::{COOKIE, HOST, HeaderName, HeaderValue, ORIGIN, SET_COOKIE};
use actix_web::{FromRequest, HttpRequest, HttpResponseBuilder, web};
use std::pin::Pin;

/// Somebody who is signed in.
#[derive(Debug, Clone)]
pub(super) struct Visitor {
    /// Who it is and what they may do.
    pub(super) actor: Actor,
    /// What the forms on their pages carry.
    pub(super) stamp: String,
}

impl Visitor {
    /// Whether a page offers them what takes the scope.
    pub(super) fn may(&self, scope: Scope) -> bool {
        self.actor.has(scope)
    }
}

impl FromRequest for Visitor {
    type Error = Fault;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Fault>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let request = request.clone();
        Box::pin(async move { visitor(&request).await })
    }
}

/// Who asks for a page; the way to sign in where nobody is known.
pub(super) async fn visitor(request: &HttpRequest) -> Result<Visitor, Fault> {
    let to = || request.uri().path_and_query().map_or("/", |to| to.as_str()).to_owned();
    let Some(token) = kept(request) else { return Err(Fault::SignIn { to: to(), expired: false }) };
    let actor = admit(request, token).await.map_err(|refusal| Fault::of_refusal(&refusal, to()))?;
    let stamp = keep(request).form_key.stamp(token);
    Ok(Visitor { actor, stamp })
}

/// Who a token stands for.
pub(super) async fn admit(request: &HttpRequest, token: &str) -> Result<Actor, Refusal> {
    let verifier = request.app_data::<web::Data<Verifier>>().expect("the server has a verifier");
    verifier.admit(token).await
}

fn keep(request: &HttpRequest) -> &Keep {
    request.app_data::<web::Data<Keep>>().expect("the server keeps people signed in")
}

/// The token that the browser keeps.
fn kept(request: &HttpRequest) -> Option<&str> {
    let over_tls = keep(request).over_tls;
    let line = request.headers().get(COOKIE).and_then(|line| line.to_str().ok());
    line.and_then(|line| token_in(line, over_tls))
}

/// Whether a form carries the stamp of whoever sends it.
pub(super) fn is_stamped(request: &HttpRequest, stamp: &str) -> bool {
    kept(request).is_some_and(|token| keep(request).form_key.accepts(token, stamp))
}

/// Whether a form comes from a page of this service, as far as the browser tells
/// (Fetch Metadata: `Sec-Fetch-Site`; the Fetch standard: `Origin`).
pub(super) fn is_from_here(request: &HttpRequest) -> bool {
    let header = |name: HeaderName| request.headers().get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = header(HeaderName::from_static("sec-fetch-site")) {
        return site == "same-origin";
    }
    match (header(ORIGIN), header(HOST)) {
        (Some(origin), Some(host)) => origin.split_once("://").is_some_and(|(_, rest)| rest == host),
        // Programs that are no browsers say neither; they hold no cookie that others could use.
        (None, _) => true,
        (Some(_), None) => false,
    }
}

/// Lets the browser keep a token, for as long as the token says that it holds. Only over
/// TLS where the browser is: it says so itself.
pub(super) fn remember(answer: &mut HttpResponseBuilder, request: &HttpRequest, token: &str) {
    let verifier = request.app_data::<web::Data<Verifier>>().expect("the server has a verifier");
    let left = verifier.left_of(token).map_or(0, |left| left.num_seconds()).max(0);
    let origin = request.headers().get(ORIGIN).map(HeaderValue::as_bytes).unwrap_or_default();
    let secure = keep(request).over_tls || origin.starts_with(b"https://");
    let name = if secure { SECURE_COOKIE } else { PLAIN_COOKIE };
    answer.append_header((SET_COOKIE, cookie(name, token, left)));
}

/// A cookie as RFC 6265 writes it. Tokens are base64url and points, which need no quotes.
fn cookie(name: &str, value: &str, seconds: i64) -> String {
    let secure = if name == SECURE_COOKIE { "; Secure" } else { "" };
    format!("{name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{secure}")
}

/// Lets the browser forget who was signed in.
pub(super) fn forget(answer: &mut HttpResponseBuilder) {
    for name in [SECURE_COOKIE, PLAIN_COOKIE] {
        answer.append_header((SET_COOKIE, cookie(name, "", 0)));
    }
}

/// A path of this service to go to, and nothing that leads elsewhere.
pub(super) fn local(to: &str) -> &str {
    let plain = to.starts_with('/')
        && !to.starts_with("//")
        && to.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\');
    let own = || url::Url::parse("http://here.invalid/").and_then(|here| here.join(to));
    if plain && own().is_ok_and(|address| address.host_str() == Some("here.invalid")) { to } else { "/" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn only_paths_of_this_service_are_gone_back_to() {
        for to in ["/", "/boxes/LYNX?from=2026-01-01", "/a//b"] {
            assert_eq!(local(to), to);
        }
        for to in [
            "",
            "//evil.example",
            "/\\evil.example",
            "https://evil.example/",
            "javascript:alert(1)",
            "/a\nb",
            "\t//x",
        ] {
            assert_eq!(local(to), "/", "{to:?}");
        }
    }

    #[test]
    fn forms_of_other_sites_are_told_by_what_the_browser_says() {
        let from = |headers: &[(&'static str, &'static str)]| {
            let request =
                headers.iter().fold(TestRequest::default(), |request, header| request.insert_header(*header));
            is_from_here(&request.to_http_request())
        };
        assert!(from(&[("sec-fetch-site", "same-origin")]));
        assert!(!from(&[("sec-fetch-site", "cross-site"), ("origin", "http://lab:80"), ("host", "lab:80")]));
        assert!(!from(&[("sec-fetch-site", "same-site")]) && !from(&[("sec-fetch-site", "none")]));
        assert!(from(&[("origin", "http://lab:8080"), ("host", "lab:8080")]));
        assert!(!from(&[("origin", "http://evil.example"), ("host", "lab:8080")]));
        assert!(!from(&[("origin", "null"), ("host", "lab:8080")]));
        assert!(from(&[("host", "lab:8080")]));
    }
}
