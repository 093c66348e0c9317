//! What can be wrong with a token, and with the keys it is looked at with.

use std::fmt;
use thiserror::Error;

/// Why a token is not believed. Says what the bearer can see in the token and
/// nothing of what would have been believed.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum Fault {
    /// Longer than any token need be.
    #[error("the token is longer than {0} bytes")]
    TooLong(usize),
    /// Five parts: it is encrypted.
    #[error("the token is encrypted (JWE), and only signed ones are read")]
    Encrypted,
    /// Not three parts.
    #[error("the token is not a JWT: it needs three parts, none of them empty")]
    NotThreeParts,
    /// A part is not base64url without padding.
    #[error("the token's {0} is not base64url without padding")]
    NotEncoded(Part),
    /// A part is not the JSON it should be.
    #[error("the token's {0} is not a JSON object that names each member once: {1}")]
    NotAnObject(Part, String),
    /// A member of the header has the wrong type.
    #[error("the token's header has a {0} that is no text")]
    NoText(&'static str),
    /// The header asks for extensions.
    #[error("the token's header names critical extensions or b64, none of which is understood")]
    Critical,
    /// Another kind of token.
    #[error("the token's typ is not that of an access token")]
    OtherKind,
    /// Nobody that the site believes issued it.
    #[error("the token's iss is nobody whose tokens are believed here")]
    UnknownIssuer,
    /// No `kid` where the issuer has several keys.
    #[error("the token's header has no kid, which its issuer's tokens need")]
    NoKid,
    /// The issuer has no such key.
    #[error("no key of the token's issuer has its kid")]
    UnknownKey,
    /// Not the algorithm of the key.
    #[error("the token's alg is not that of the key")]
    OtherAlgorithm,
    /// The signature is not the key's.
    #[error("the signature does not fit")]
    BadSignature,
    /// A claim is missing.
    #[error("the token has no {0}")]
    Missing(&'static str),
    /// A claim cannot be what it should be.
    #[error("the token's {0} is not {1}")]
    BadClaim(&'static str, &'static str),
    /// It has expired.
    #[error("the token has expired")]
    Expired,
    /// It is not valid yet.
    #[error("the token is not valid yet (nbf)")]
    NotYet,
    /// It was issued in the future.
    #[error("the token says that it was issued in the future (iat)")]
    IssuedAhead,
    /// It is for somebody else.
    #[error("the token's aud is not this service")]
    OtherAudience,
}

/// A part of a token.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The first.
    Header,
    /// The second.
    Claims,
    /// The third.
    Signature,
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Header => "header",
            Self::Claims => "payload",
            Self::Signature => "signature",
        })
    }
}

/// Why a bearer is not let in.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// The token is at fault.
    #[error("{0}")]
    Token(#[from] Fault),
    /// The token may be good, but its issuer's keys cannot be had now.
    #[error("the keys of the token's issuer cannot be had now")]
    KeysOutOfReach {
        /// After so many seconds they are tried again.
        retry_after: u32,
    },
}

/// Why keys cannot be used.
#[derive(Debug, Error)]
pub enum KeyError {
    /// A shared secret that could be guessed.
    #[error("the token secret has {0} bytes; it needs at least 32")]
    WeakSecret(usize),
    /// A file that cannot be read.
    #[error("the key set cannot be read: {0}")]
    Unreadable(#[source] std::io::Error),
    /// An address that does not answer as it should.
    #[error("the key set cannot be fetched: {0}")]
    Unreachable(String),
    /// Not a key set, or one that contradicts itself.
    #[error("the key set cannot be used: {0}")]
    BadKeySet(String),
    /// Certificates that cannot be read.
    #[error("the certificates of authorities_file cannot be used: {0}")]
    BadAuthorities(String),
    /// Signing failed.
    #[error("the token could not be signed: {0}")]
    Signing(String),
}
