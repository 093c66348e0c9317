//! Bearer tokens: JSON Web Tokens (RFC 7519, RFC 8725, profile of RFC 9068).
//!
//! The algorithm is the configured key's, never the token's; `exp`, `aud`,
//! `iss` and `sub` are required.

use super::problem::{self, Problem};
use crate::domain::access::Actor;
use crate::domain::facility::Scope;
use actix_web::dev::Payload;
use actix_web::http::header::AUTHORIZATION;
use actix_web::{FromRequest, HttpMessage as _, HttpRequest, web};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jsonwebtoken::jwk::{AlgorithmParameters, EllipticCurve, JwkSet};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use serde::{Deserialize, Serialize};
use std::future::{Ready, ready};
use thiserror::Error;

/// The claims of a token that matter here.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claims {
    /// Who it was issued to.
    pub sub: String,
    /// Who issued it.
    pub iss: String,
    /// For whom it is meant.
    pub aud: serde_json::Value,
    /// When it ends, seconds since 1970.
    pub exp: i64,
    /// When it was issued.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iat: Option<i64>,
    /// Scopes, separated by spaces.
    #[serde(default)]
    pub scope: String,
    /// Groups.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<String>,
}

/// Why the keys for tokens cannot be used.
#[derive(Debug, Error)]
pub enum KeyError {
    /// A shared secret that could be guessed.
    #[error("the token secret has {0} bytes; it needs at least 32")]
    WeakSecret(usize),
    /// A key set that cannot be read.
    #[error("the key set cannot be read: {0}")]
    BadKeySet(String),
    /// A key of a kind that is not accepted.
    #[error("key {0:?} is not an RSA or Ed25519 key with a kid")]
    UnsupportedKey(String),
    /// Signing failed.
    #[error("the token could not be signed: {0}")]
    Signing(String),
}

/// One key with the algorithm it is used with.
struct Key {
    kid: Option<String>,
    decoding: DecodingKey,
    validation: Validation,
}

/// Checks tokens against the configured keys.
pub struct Verifier {
    keys: Vec<Key>,
}

fn validation(algorithm: Algorithm, issuer: &str, audience: &str) -> Validation {
    let mut validation = Validation::new(algorithm);
    validation.set_issuer(&[issuer]);
    validation.set_audience(&[audience]);
    validation.set_required_spec_claims(&["exp", "aud", "iss", "sub"]);
    validation.validate_nbf = true;
    validation.leeway = 5;
    validation
}

impl Verifier {
    /// A verifier of tokens from `issuer` for `audience`, with no keys yet.
    pub fn new() -> Self {
        Self { keys: Vec::new() }
    }

    /// Accepts HS256 tokens made with a shared secret of at least 32 bytes.
    pub fn with_secret(mut self, secret: &[u8], issuer: &str, audience: &str) -> Result<Self, KeyError> {
        if secret.len() < 32 {
            return Err(KeyError::WeakSecret(secret.len()));
        }
        self.keys.push(Key {
            kid: None,
            decoding: DecodingKey::from_secret(secret),
            validation: validation(Algorithm::HS256, issuer, audience),
        });
        Ok(self)
    }

    /// Accepts RS256 and `EdDSA` tokens signed with the keys of a JSON Web Key Set.
    pub fn with_key_set(mut self, json: &str, issuer: &str, audience: &str) -> Result<Self, KeyError> {
        let set: JwkSet = serde_json::from_str(json).map_err(|e| KeyError::BadKeySet(e.to_string()))?;
        for jwk in &set.keys {
            let kid = jwk.common.key_id.clone();
            let unsupported = || KeyError::UnsupportedKey(kid.clone().unwrap_or_default());
            #[expect(clippy::wildcard_enum_match_arm, reason = "whatever is not named is refused")]
            let algorithm = match &jwk.algorithm {
                AlgorithmParameters::RSA(_) => Algorithm::RS256,
                AlgorithmParameters::OctetKeyPair(pair) if pair.curve == EllipticCurve::Ed25519 => {
                    Algorithm::EdDSA
                }
                // The library may come to know more kinds; none is accepted unseen.
                _ => return Err(unsupported()),
            };
            if kid.is_none() {
                return Err(unsupported());
            }
            let decoding = DecodingKey::from_jwk(jwk).map_err(|e| KeyError::BadKeySet(e.to_string()))?;
            self.keys.push(Key { kid, decoding, validation: validation(algorithm, issuer, audience) });
        }
        Ok(self)
    }

    /// Checks a token and returns who sent it; the error says what is wrong.
    pub fn verify(&self, token: &str) -> Result<Actor, String> {
        if token.len() > 8192 {
            return Err("the token is longer than 8 KiB".to_owned());
        }
        let header = jsonwebtoken::decode_header(token).map_err(|_| "the token is not a JWT".to_owned())?;
        if has_critical_extensions(token) {
            return Err(
                "the token's header names critical extensions, none of which is understood".to_owned()
            );
        }
        let key = self
            .keys
            .iter()
            .find(|key| match &key.kid {
                Some(kid) => header.kid.as_deref() == Some(kid),
                None => header.alg == Algorithm::HS256,
            })
            .ok_or_else(|| "no configured key fits the token".to_owned())?;
        // RFC 9068 asks for at+jwt; many issuers still say JWT or nothing, which is
        // let in because audience and issuer are pinned. Any other kind is not.
        let known = ["at+jwt", "application/at+jwt", "jwt"];
        if header.typ.as_deref().is_some_and(|typ| !known.iter().any(|kind| typ.eq_ignore_ascii_case(kind))) {
            return Err("the token's typ is not that of an access token".to_owned());
        }
        let claims = jsonwebtoken::decode::<Claims>(token, &key.decoding, &key.validation)
            .map_err(|error| format!("the token is refused: {error}"))?
            .claims;
        if claims.sub.is_empty() || claims.sub.len() > 255 {
            return Err("the token's sub is empty or too long".to_owned());
        }
        let scopes = claims.scope.split_ascii_whitespace().filter_map(Scope::from_word).collect();
        Ok(Actor { subject: claims.sub, scopes })
    }
}

impl Default for Verifier {
    fn default() -> Self {
        Self::new()
    }
}

/// Whether the header has a `crit` member (RFC 7515 §4.1.11).
fn has_critical_extensions(token: &str) -> bool {
    let header = token.split('.').next().unwrap_or_default();
    let bytes = URL_SAFE_NO_PAD.decode(header).unwrap_or_default();
    serde_json::from_slice::<serde_json::Value>(&bytes).is_ok_and(|header| header.get("crit").is_some())
}

/// Signs a token with the shared secret.
pub fn sign(secret: &[u8], claims: &Claims) -> Result<String, KeyError> {
    if secret.len() < 32 {
        return Err(KeyError::WeakSecret(secret.len()));
    }
    let header = Header { typ: Some("at+jwt".to_owned()), ..Header::new(Algorithm::HS256) };
    jsonwebtoken::encode(&header, claims, &EncodingKey::from_secret(secret))
        .map_err(|e| KeyError::Signing(e.to_string()))
}

/// The authenticated caller of a request.
pub(crate) struct Caller(pub(crate) Actor);

impl FromRequest for Caller {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(identify(request).map(Caller))
    }
}

/// What was found of a request's token.
struct Identified(Result<Actor, Problem>);

/// Who sent a request. Its token is checked once, however often this is asked.
pub(crate) fn identify(request: &HttpRequest) -> Result<Actor, Problem> {
    if let Some(known) = request.extensions().get::<Identified>() {
        return known.0.clone();
    }
    let found = authenticate(request);
    request.extensions_mut().insert(Identified(found.clone()));
    found
}

fn authenticate(request: &HttpRequest) -> Result<Actor, Problem> {
    let refuse = |why: &str| Problem::new(problem::UNAUTHENTICATED, why);
    let header = request
        .headers()
        .get(AUTHORIZATION)
        .ok_or_else(|| refuse("send an Authorization header with a bearer token"))?;
    let text = header.to_str().map_err(|_| refuse("the Authorization header is not plain text"))?;
    let (scheme, token) = text.split_once(' ').unwrap_or((text, ""));
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(refuse("the Authorization header must be a bearer token"));
    }
    let verifier = request
        .app_data::<web::Data<Verifier>>()
        .ok_or_else(|| Problem::new(problem::INTERNAL, "no keys are configured"))?;
    verifier.verify(token.trim()).map_err(|why| refuse(&why))
}
