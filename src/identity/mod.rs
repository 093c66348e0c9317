//! Whose tokens are believed, and what they come to: bearer tokens as JSON Web
//! Tokens (RFC 7515, 7519, 8725; profile of RFC 9068). Knows nothing of requests,
//! and nothing of what a scope then opens.
//!
//! Each issuer is pinned by its `iss`, its audience and its own keys; a token is
//! looked at with the keys of the issuer it names and with no others. The
//! algorithm is the key's, never the token's. Nothing that a token points at
//! (`jku`, `x5u`, `jwk`, `x5c`) is followed or used.

mod claims;
mod fault;
mod fetch;
mod inspect;
mod issue;
mod issuer;
mod keyring;
mod keys;
mod session;
mod token;

pub use fault::{Fault, KeyError, Refusal};
pub use fetch::{KeySetUrl, KeySource};
pub use inspect::{Inspection, KeysFound};
pub use issue::{Claims, sign};
pub use issuer::{External, Grant, GrantedBy, SITE};
pub use session::{FormKey, PLAIN_COOKIE, SECURE_COOKIE, token_in};

use crate::clock::Clock;
use crate::domain::access::Actor;
use chrono::{DateTime, TimeDelta, Utc};
use issuer::Issuer;
use keyring::Keyring;
use keys::KeySet;
use token::Token;

/// Checks tokens against the issuers that the site believes.
#[derive(Default)]
pub struct Verifier {
    clock: Clock,
    issuers: Vec<Issuer>,
}

impl Verifier {
    /// A verifier by a clock, which believes nobody yet.
    pub fn by(clock: Clock) -> Self {
        Self { clock, issuers: Vec::new() }
    }

    /// Believes HS256 tokens made with a shared secret of at least 32 bytes.
    pub fn with_secret(mut self, secret: &[u8], issuer: &str, audience: &str) -> Result<Self, KeyError> {
        let keys = Keyring::fixed(KeySet::of_secret(secret)?);
        self.issuers.push(Issuer { terms: External::site(issuer, audience), keys });
        Ok(self)
    }

    /// Believes from now on tokens signed with the keys of an issuer. A file is read at
    /// once; keys at an address are had when they are needed, or by [`Self::fetch_ahead`].
    pub fn add(&mut self, terms: External, source: KeySource) -> Result<(), KeyError> {
        let in_file = matches!(source, KeySource::File(_));
        let keys = Keyring::of(&terms.name, source);
        if in_file {
            keys.fetch(&self.clock)?;
        }
        self.issuers.push(Issuer { terms, keys });
        Ok(())
    }

    /// Begins to fetch all keys that are not there yet; does not wait for them.
    pub fn fetch_ahead(&self) {
        for issuer in &self.issuers {
            issuer.keys.begin(&self.clock);
        }
    }

    /// Lets a token in that is good by the keys there are, and fetches none.
    pub fn verify(&self, text: &str) -> Result<Actor, Refusal> {
        let token = Token::parse(text)?;
        self.decide(&token, self.issuer_of(&token)?)
    }

    /// Lets a token in that is good, fetching its issuer's keys where they are
    /// missing or old, or where it names a key that was not there before.
    pub async fn admit(&self, text: &str) -> Result<Actor, Refusal> {
        let token = Token::parse(text)?;
        let issuer = self.issuer_of(&token)?;
        issuer.keys.make_ready(&self.clock, None).await;
        issuer.keys.make_ready(&self.clock, token.kid()).await;
        self.decide(&token, issuer)
    }

    /// For how long from now on a token says that it holds. Whether it is good is
    /// not looked at.
    pub fn left_of(&self, text: &str) -> Option<TimeDelta> {
        let token = Token::parse(text).ok()?;
        let end = claims::instant(token.claims(), "exp").ok()??;
        Some(end - self.clock.now())
    }

    fn issuer_of(&self, token: &Token<'_>) -> Result<&Issuer, Fault> {
        let name = token.issuer()?;
        self.issuers.iter().find(|issuer| issuer.terms.issuer == name).ok_or(Fault::UnknownIssuer)
    }

    fn decide(&self, token: &Token<'_>, issuer: &Issuer) -> Result<Actor, Refusal> {
        let now = self.clock.now();
        let Some(keys) = issuer.keys.usable(now) else {
            return Err(Refusal::KeysOutOfReach { retry_after: issuer.keys.retry_after(now) });
        };
        believe(token, issuer, &keys, now).map_err(|mut faults| faults.remove(0).into())
    }
}

/// Looks at everything about a token; refuses it with all that is wrong, at least one thing.
fn believe(
    token: &Token<'_>,
    issuer: &Issuer,
    keys: &KeySet,
    now: DateTime<Utc>,
) -> Result<Actor, Vec<Fault>> {
    let mut faults = token.header_faults();
    if let Err(fault) = keys.find(token.kid()).and_then(|key| key.signed(token)) {
        faults.push(fault);
    }
    faults.extend(claims::faults(token.claims(), &issuer.terms, now));
    let subject = claims::subject(token.claims(), &issuer.terms).unwrap_or_else(|fault| {
        faults.push(fault);
        String::new()
    });
    if !faults.is_empty() {
        return Err(faults);
    }
    let scopes = issuer.terms.grants(token.claims()).into_iter().map(|grant| grant.scope).collect();
    Ok(Actor { subject, scopes })
}
