//! Tokens that the site issues itself, with its shared secret.

use super::KeyError;
use super::keys::strong;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde::Serialize;

/// The claims of a token that the site issues.
#[derive(Debug, Clone, Serialize)]
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
    pub scope: String,
}

/// Signs a token with the shared secret.
pub fn sign(secret: &[u8], claims: &Claims) -> Result<String, KeyError> {
    let header = Header { typ: Some("at+jwt".to_owned()), ..Header::new(Algorithm::HS256) };
    jsonwebtoken::encode(&header, claims, &EncodingKey::from_secret(strong(secret)?))
        .map_err(|error| KeyError::Signing(error.to_string()))
}
