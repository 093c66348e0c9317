//! A token that a browser keeps: what the cookie is called, how it is found among
//! others, and what shows that a form came from a page of ours. Knows nothing of
//! requests; the cookie holds the token itself, so nothing is kept here.

use hmac::{Hmac, Mac as _};
use sha2::Sha256;
use std::fmt;
use subtle::ConstantTimeEq as _;

/// The cookie where pages come over TLS. Browsers take a name that begins so only
/// with `Secure`, for all paths, and from the very host (RFC 6265bis §4.1.3.2).
pub const SECURE_COOKIE: &str = "__Host-drykeep";

/// The cookie where they do not, as on the machine itself.
pub const PLAIN_COOKIE: &str = "drykeep";

/// The token among the cookies of a `Cookie` header; the one that only TLS can have
/// set goes first, and is the only one where pages come over TLS alone.
pub fn token_in(header: &str, over_tls: bool) -> Option<&str> {
    let named = |wanted: &str| {
        let mut pairs = header.split(';').filter_map(|pair| pair.trim().split_once('='));
        pairs.find(|(name, _)| *name == wanted).map(|(_, value)| value).filter(|value| !value.is_empty())
    };
    named(SECURE_COOKIE).or_else(|| named(PLAIN_COOKIE).filter(|_| !over_tls))
}

/// The key that the stamps of forms are made with. Instances that serve the same
/// people share it, or a form from one is refused by another.
#[derive(Clone, PartialEq, Eq)]
pub struct FormKey([u8; 32]);

impl fmt::Debug for FormKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("FormKey(…)")
    }
}

fn mac(key: &[u8], words: &[&[u8]]) -> Hmac<Sha256> {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes keys of any length");
    for word in words {
        mac.update(word);
    }
    mac
}

impl FormKey {
    /// A key of its own from a secret that serves another end too.
    pub fn derived(secret: &[u8]) -> Self {
        Self(mac(secret, &[b"drykeep: the key of forms"]).finalize().into_bytes().into())
    }

    /// A key that nobody else has.
    pub const fn of(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The stamp for the forms of whoever holds the token.
    pub fn stamp(&self, token: &str) -> String {
        let bytes = mac(&self.0, &[b"form\0", token.as_bytes()]).finalize().into_bytes();
        format!("{bytes:x}")
    }

    /// Whether a form carries the stamp, compared in constant time.
    pub fn accepts(&self, token: &str, stamp: &str) -> bool {
        self.stamp(token).as_bytes().ct_eq(stamp.as_bytes()).into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_token_is_found_among_other_cookies() {
        assert_eq!(token_in("a=1; drykeep=x.y.z; b=2", false), Some("x.y.z"));
        assert_eq!(token_in("drykeep=planted; __Host-drykeep=own", false), Some("own"));
        assert_eq!(token_in("drykeep=planted", true), None);
        assert_eq!(token_in("drykeep=", false), None);
        assert_eq!(token_in("notdrykeep=x; drykeeper=y", false), None);
    }

    #[test]
    fn a_stamp_is_for_one_token_and_one_key() {
        let (key, other) = (FormKey::derived(b"one"), FormKey::derived(b"two"));
        let stamp = key.stamp("token");
        assert!(key.accepts("token", &stamp));
        assert!(
            !key.accepts("another", &stamp) && !other.accepts("token", &stamp) && !key.accepts("token", "")
        );
        assert_eq!(format!("{key:?}"), "FormKey(…)");
    }
}
