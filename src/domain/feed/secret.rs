//! How a receiver knows that a message is ours: the signatures of Standard
//! Webhooks 1.0.0, HMAC-SHA256 with a secret that only the two of us know.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, Mac as _};
use sha2::Sha256;
use std::fmt;
use thiserror::Error;

/// What the text of a secret begins with.
const PREFIX: &str = "whsec_";

/// A secret of 24 to 64 bytes, shared with one receiver.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

/// A text that is no secret.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("a secret is whsec_ and the base64 of 24 to 64 bytes")]
pub struct BadSecret;

impl fmt::Debug for Secret {
    /// Never shows it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

impl Secret {
    /// A secret of fresh random bytes.
    pub fn of(bytes: [u8; 32]) -> Self {
        Self(bytes.to_vec())
    }

    /// Reads the text form.
    pub fn parse(text: &str) -> Result<Self, BadSecret> {
        let encoded = text.strip_prefix(PREFIX).ok_or(BadSecret)?;
        let bytes = STANDARD.decode(encoded).map_err(|_| BadSecret)?;
        if (24..=64).contains(&bytes.len()) { Ok(Self(bytes)) } else { Err(BadSecret) }
    }

    /// The text form, to be shown once and kept by the receiver.
    pub fn reveal(&self) -> String {
        format!("{PREFIX}{}", STANDARD.encode(&self.0))
    }

    /// The signature of a message sent at `timestamp`, seconds since 1970.
    pub fn sign(&self, id: &str, timestamp: i64, body: &str) -> String {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).expect("a key of any length will do");
        mac.update(format!("{id}.{timestamp}.{body}").as_bytes());
        format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of Standard Webhooks 1.0.0.
    #[test]
    fn the_example_of_the_specification_is_signed_as_it_says() {
        let secret = Secret::parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        assert_eq!(
            secret.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, "{\"test\": 2432232314}"),
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
        );
        assert_eq!(secret.reveal(), "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw");
    }

    #[test]
    fn a_secret_is_neither_short_nor_shown() {
        for bad in ["", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_", "whsec_AAAA", "whsec_!!!!"] {
            assert_eq!(Secret::parse(bad), Err(BadSecret), "{bad}");
        }
        let secret = Secret::of([7; 32]);
        assert_eq!(Secret::parse(&secret.reveal()), Ok(secret.clone()));
        assert!(!format!("{secret:?}").contains('7'));
    }
}
