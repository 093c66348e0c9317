//! Who is at the other end: the peer, or whom a proxy of the site says that it
//! speaks for. What others say of themselves is not believed.

use crate::domain::feed::Network;
use actix_web::HttpRequest;
use actix_web::http::header::{FORWARDED, HeaderMap, HeaderName};
use std::net::{IpAddr, Ipv6Addr};

/// The proxies in front of the service, and where they say whom they speak for.
#[derive(Debug, Clone, Default)]
pub struct Proxies {
    /// Where they are; believed only there.
    pub trusted: Vec<Network>,
    /// Whether they write `Forwarded` (RFC 7239) instead of `X-Forwarded-For`. Only
    /// one of them is read: a proxy passes the other on as the caller wrote it.
    pub forwarded: bool,
}

impl Proxies {
    /// Who sent a request. IPv6 callers have a network of their own, so that is
    /// what they count as.
    pub(super) fn caller(&self, request: &HttpRequest) -> Option<IpAddr> {
        let peer = request.peer_addr()?.ip().to_canonical();
        Some(household(self.behind(peer, request.headers())))
    }

    /// Goes from the peer outwards for as long as it is a proxy of the site's own that speaks.
    fn behind(&self, peer: IpAddr, headers: &HeaderMap) -> IpAddr {
        let trusts = |address: IpAddr| self.trusted.iter().any(|network| network.contains(address));
        let mut nearest = peer;
        if !trusts(nearest) {
            return nearest;
        }
        let name = if self.forwarded { FORWARDED } else { HeaderName::from_static("x-forwarded-for") };
        let lines: Vec<&str> = headers.get_all(name).filter_map(|line| line.to_str().ok()).collect();
        for hop in lines.iter().flat_map(|line| line.split(',')).rev() {
            let named = if self.forwarded { forwarded_for(hop) } else { Some(hop) };
            let Some(address) = named.and_then(node) else { break };
            nearest = address;
            if !trusts(nearest) {
                break;
            }
        }
        nearest
    }
}

/// The `for` of one hop (RFC 7239 §4).
fn forwarded_for(hop: &str) -> Option<&str> {
    hop.split(';').find_map(|pair| {
        let (name, value) = pair.split_once('=')?;
        name.trim().eq_ignore_ascii_case("for").then_some(value)
    })
}

/// An address, perhaps quoted, perhaps with a port (RFC 7239 §6).
fn node(text: &str) -> Option<IpAddr> {
    let text = text.trim().trim_matches('"');
    let bare = match text.strip_prefix('[') {
        Some(rest) => rest.split(']').next()?,
        None if text.matches(':').count() == 1 => text.split(':').next()?,
        None => text,
    };
    bare.parse::<IpAddr>().ok().map(|address| address.to_canonical())
}

fn household(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V4(_) => address,
        IpAddr::V6(v6) => Ipv6Addr::from_bits(v6.to_bits() & (u128::MAX << 64)).into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn caller(proxies: &Proxies, peer: &str, headers: &[(&'static str, &str)]) -> String {
        let mut request = TestRequest::default().peer_addr(peer.parse().unwrap());
        for (name, value) in headers {
            request = request.append_header((*name, *value));
        }
        proxies.caller(&request.to_http_request()).unwrap().to_string()
    }

    fn proxies(forwarded: bool) -> Proxies {
        Proxies { trusted: vec!["10.0.0.0/8".parse().unwrap(), "::1".parse().unwrap()], forwarded }
    }

    #[test]
    fn only_the_sites_own_proxies_are_believed() {
        let said = [("x-forwarded-for", "203.0.113.7")];
        assert_eq!(caller(&proxies(false), "10.1.1.1:80", &said), "203.0.113.7");
        assert_eq!(caller(&proxies(false), "198.51.100.9:80", &said), "198.51.100.9");
        assert_eq!(caller(&Proxies::default(), "10.1.1.1:80", &said), "10.1.1.1");
        // One header is read; the other is the caller's own.
        assert_eq!(caller(&proxies(true), "10.1.1.1:80", &said), "10.1.1.1");
    }

    /// The caller may write the header before the proxy adds to it.
    #[test]
    fn what_a_caller_makes_up_stays_behind_its_own_address() {
        let said = [("x-forwarded-for", "192.0.2.1, 203.0.113.7, 10.2.2.2")];
        assert_eq!(caller(&proxies(false), "10.1.1.1:80", &said), "203.0.113.7");
        let lines = [("x-forwarded-for", "192.0.2.1"), ("x-forwarded-for", "203.0.113.7")];
        assert_eq!(caller(&proxies(false), "10.1.1.1:80", &lines), "203.0.113.7");
        let nonsense = [("x-forwarded-for", "192.0.2.1, nobody")];
        assert_eq!(caller(&proxies(false), "10.1.1.1:80", &nonsense), "10.1.1.1");
    }

    /// The forms of RFC 7239 §4 and §6.
    #[test]
    fn forwarded_is_read_as_the_standard_writes_it() {
        for (line, expected) in [
            ("for=192.0.2.60;proto=http;by=203.0.113.43", "192.0.2.60"),
            ("proto=https;For=\"192.0.2.60:4711\"", "192.0.2.60"),
            ("for=\"[2001:db8:cafe::17]:4711\"", "2001:db8:cafe::"),
            ("for=\"[2001:db8:cafe::17]\"", "2001:db8:cafe::"),
            ("for=192.0.2.43, for=198.51.100.17", "198.51.100.17"),
            ("for=_hidden", "::"),
            ("for=unknown", "::"),
        ] {
            assert_eq!(caller(&proxies(true), "[::1]:80", &[("forwarded", line)]), expected, "{line}");
        }
    }
}
