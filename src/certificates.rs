//! Certificates of the authorities that a site trusts instead of the public ones.

use ureq::tls::{PemItem, RootCerts, parse_pem};

/// The certificates in a text in PEM form; the fault says why there are none.
pub(crate) fn authorities(pem: &str) -> Result<RootCerts, String> {
    let mut certificates = Vec::new();
    for item in parse_pem(pem.as_bytes()) {
        if let PemItem::Certificate(certificate) = item.map_err(|error| error.to_string())? {
            certificates.push(certificate);
        }
    }
    if certificates.is_empty() {
        return Err("there is no certificate in PEM form in them".to_owned());
    }
    Ok(RootCerts::from(certificates))
}
