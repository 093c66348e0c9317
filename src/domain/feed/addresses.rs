//! Which addresses a webhook may be sent to. Whoever sets up a webhook has the
//! service open a connection from inside the site's network; addresses that mean
//! something only there are refused unless the site names them.
//!
//! Source: the IANA special-purpose address registries for IPv4 and IPv6 (RFC 6890
//! and its updates, as of 2025), the multicast blocks (RFC 5771, RFC 4291), and the
//! metadata address outside those blocks that is known (from memory).
//!
//! `core::net` has addresses only, nothing that could open a connection.

use core::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// A block of addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Network {
    address: IpAddr,
    /// How many leading bits count; 0 to 32 or 128.
    prefix: u8,
}

/// A text that is no block of addresses.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "{0:?} is not a block of addresses such as 10.20.0.0/16 or fd00:20::/32, with no bits beyond its prefix"
)]
pub struct BadNetwork(String);

impl FromStr for Network {
    type Err = BadNetwork;

    fn from_str(text: &str) -> Result<Self, BadNetwork> {
        let bad = || BadNetwork(text.to_owned());
        let (address, prefix) = match text.split_once('/') {
            Some((address, prefix)) => (address, Some(prefix)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| bad())?;
        let most: u8 = if address.is_ipv4() { 32 } else { 128 };
        let prefix = match prefix {
            None => most,
            Some(digits) => {
                let short = digits.len() <= 3 && digits.bytes().all(|b| b.is_ascii_digit());
                digits.parse().ok().filter(|prefix| short && *prefix <= most).ok_or_else(bad)?
            }
        };
        let network = Self { address, prefix };
        if network.first() == address { Ok(network) } else { Err(bad()) }
    }
}

impl fmt::Display for Network {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.address, self.prefix)
    }
}

fn leading(bits: u32, prefix: u8) -> u32 {
    bits & u32::MAX.checked_shl(32 - u32::from(prefix)).unwrap_or(0)
}

fn leading_v6(bits: u128, prefix: u8) -> u128 {
    bits & u128::MAX.checked_shl(128 - u32::from(prefix)).unwrap_or(0)
}

impl Network {
    /// The first address of the block.
    fn first(&self) -> IpAddr {
        match self.address {
            IpAddr::V4(v4) => Ipv4Addr::from_bits(leading(v4.to_bits(), self.prefix)).into(),
            IpAddr::V6(v6) => Ipv6Addr::from_bits(leading_v6(v6.to_bits(), self.prefix)).into(),
        }
    }

    /// Whether the address lies in the block.
    pub fn contains(&self, address: IpAddr) -> bool {
        match (self.address, address) {
            (IpAddr::V4(own), IpAddr::V4(other)) => {
                leading(own.to_bits(), self.prefix) == leading(other.to_bits(), self.prefix)
            }
            (IpAddr::V6(own), IpAddr::V6(other)) => {
                leading_v6(own.to_bits(), self.prefix) == leading_v6(other.to_bits(), self.prefix)
            }
            (IpAddr::V4(_), IpAddr::V6(_)) | (IpAddr::V6(_), IpAddr::V4(_)) => false,
        }
    }
}

/// Blocks of IPv4 that are not for anyone anywhere, and what they are for.
const SPECIAL_V4: &[(Ipv4Addr, u8, &str)] = &[
    (Ipv4Addr::UNSPECIFIED, 8, "unspecified"),
    (Ipv4Addr::new(10, 0, 0, 0), 8, "private"),
    (Ipv4Addr::new(100, 64, 0, 0), 10, "shared"),
    (Ipv4Addr::new(127, 0, 0, 0), 8, "loopback"),
    (Ipv4Addr::new(168, 63, 129, 16), 32, "metadata"),
    (Ipv4Addr::new(169, 254, 0, 0), 16, "link_local"),
    (Ipv4Addr::new(172, 16, 0, 0), 12, "private"),
    (Ipv4Addr::new(192, 0, 0, 0), 24, "reserved"),
    (Ipv4Addr::new(192, 0, 2, 0), 24, "documentation"),
    (Ipv4Addr::new(192, 88, 99, 0), 24, "reserved"),
    (Ipv4Addr::new(192, 168, 0, 0), 16, "private"),
    (Ipv4Addr::new(198, 18, 0, 0), 15, "benchmarking"),
    (Ipv4Addr::new(198, 51, 100, 0), 24, "documentation"),
    (Ipv4Addr::new(203, 0, 113, 0), 24, "documentation"),
    (Ipv4Addr::new(224, 0, 0, 0), 4, "multicast"),
    (Ipv4Addr::new(240, 0, 0, 0), 4, "reserved"),
];

/// Blocks of IPv6 that are not for anyone anywhere, and what they are for. Those
/// that carry an IPv4 address are dealt with before.
const SPECIAL_V6: &[(Ipv6Addr, u8, &str)] = &[
    (Ipv6Addr::LOCALHOST, 128, "loopback"),
    (Ipv6Addr::UNSPECIFIED, 128, "unspecified"),
    // Local translation: the IPv4 address inside may be anywhere in it.
    (Ipv6Addr::new(0x64, 0xff9b, 1, 0, 0, 0, 0, 0), 48, "private"),
    // Protocol assignments, tunnels that carry IPv4 addresses among them.
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23, "reserved"),
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32, "documentation"),
    // 6to4, given up (RFC 7526).
    (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16, "reserved"),
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20, "documentation"),
    (Ipv6Addr::new(0xfc00, 0, 0, 0, 0, 0, 0, 0), 7, "private"),
    (Ipv6Addr::new(0xfe80, 0, 0, 0, 0, 0, 0, 0), 10, "link_local"),
    (Ipv6Addr::new(0xfec0, 0, 0, 0, 0, 0, 0, 0), 10, "private"),
    (Ipv6Addr::new(0xff00, 0, 0, 0, 0, 0, 0, 0), 8, "multicast"),
];

/// All global unicast addresses that are assigned lie in here (RFC 4291 §2.5.4).
const GLOBAL_UNICAST: (Ipv6Addr, u8) = (Ipv6Addr::new(0x2000, 0, 0, 0, 0, 0, 0, 0), 3);
/// IPv4 addresses as IPv6 sockets show them (RFC 4291 §2.5.5.2).
const MAPPED: (Ipv6Addr, u8) = (Ipv6Addr::new(0, 0, 0, 0, 0, 0xffff, 0, 0), 96);
/// IPv4 addresses behind a translator (RFC 6052 §2.1).
const TRANSLATED: (Ipv6Addr, u8) = (Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, 0, 0), 96);

/// The address that is reached in the end: an IPv4 address for the IPv6 addresses
/// that only carry one.
pub fn reached(address: IpAddr) -> IpAddr {
    let IpAddr::V6(v6) = address else { return address };
    let carries = |(base, prefix): (Ipv6Addr, u8)| Network { address: base.into(), prefix }.contains(address);
    if !(carries(MAPPED) || carries(TRANSLATED)) {
        return address;
    }
    let [.., a, b, c, d] = v6.octets();
    Ipv4Addr::new(a, b, c, d).into()
}

/// What an address is for, where it is not for anyone anywhere.
pub fn special(address: IpAddr) -> Option<&'static str> {
    let address = reached(address);
    match address {
        IpAddr::V4(_) => SPECIAL_V4
            .iter()
            .find(|(base, prefix, _)| Network { address: (*base).into(), prefix: *prefix }.contains(address))
            .map(|(_, _, what)| *what),
        IpAddr::V6(_) => {
            let (base, prefix) = GLOBAL_UNICAST;
            let global = Network { address: base.into(), prefix }.contains(address);
            SPECIAL_V6
                .iter()
                .find(|(base, prefix, _)| {
                    Network { address: (*base).into(), prefix: *prefix }.contains(address)
                })
                .map(|(_, _, what)| *what)
                .or((!global).then_some("reserved"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn what(text: &str) -> Option<&'static str> {
        special(text.parse().unwrap())
    }

    /// One address of each block and those just outside it; IANA special-purpose registries.
    #[test]
    fn addresses_that_mean_something_here_only_are_special() {
        for (address, expected) in [
            ("0.0.0.0", "unspecified"),
            ("10.0.0.1", "private"),
            ("10.255.255.255", "private"),
            ("100.64.0.1", "shared"),
            ("100.100.100.200", "shared"),
            ("127.0.0.1", "loopback"),
            ("127.255.255.254", "loopback"),
            ("168.63.129.16", "metadata"),
            ("169.254.169.254", "link_local"),
            ("172.31.255.255", "private"),
            ("192.168.1.1", "private"),
            ("192.0.0.192", "reserved"),
            ("198.19.255.255", "benchmarking"),
            ("203.0.113.9", "documentation"),
            ("224.0.0.1", "multicast"),
            ("239.255.255.255", "multicast"),
            ("255.255.255.255", "reserved"),
            ("::1", "loopback"),
            ("::", "unspecified"),
            ("fd00:ec2::254", "private"),
            ("fe80::1", "link_local"),
            ("fec0::1", "private"),
            ("ff02::1", "multicast"),
            ("2001:db8::1", "documentation"),
            ("2001::1", "reserved"),
            ("2002:7f00:1::", "reserved"),
            ("::ffff:127.0.0.1", "loopback"),
            ("::ffff:10.1.2.3", "private"),
            ("64:ff9b::169.254.169.254", "link_local"),
            ("64:ff9b::7f00:1", "loopback"),
            ("64:ff9b:1::1", "private"),
            ("::127.0.0.1", "reserved"),
            ("100::1", "reserved"),
            ("5f00::1", "reserved"),
        ] {
            assert_eq!(what(address), Some(expected), "{address}");
        }
        for address in [
            "1.1.1.1",
            "9.255.255.255",
            "11.0.0.0",
            "100.63.255.255",
            "100.128.0.0",
            "126.255.255.255",
            "128.0.0.0",
            "169.253.255.255",
            "172.15.255.255",
            "172.32.0.0",
            "192.167.255.255",
            "192.169.0.0",
            "223.255.255.255",
            "2606:4700::1111",
            "2001:4860::8888",
            "::ffff:1.1.1.1",
            "64:ff9b::101:101",
        ] {
            assert_eq!(what(address), None, "{address}");
        }
    }

    #[test]
    fn a_network_is_written_with_its_prefix() {
        for (text, inside, outside) in [
            ("10.20.0.0/16", "10.20.255.255", "10.21.0.0"),
            ("192.168.1.7", "192.168.1.7", "192.168.1.8"),
            ("0.0.0.0/0", "255.255.255.255", "::1"),
            ("fd00:20::/32", "fd00:20:ffff::1", "fd00:21::1"),
            ("::/0", "ffff::", "10.0.0.1"),
        ] {
            let network: Network = text.parse().unwrap();
            assert!(network.contains(inside.parse().unwrap()), "{text} holds {inside}");
            assert!(!network.contains(outside.parse().unwrap()), "{text} does not hold {outside}");
        }
        for bad in
            ["", "10.0.0.0/33", "10.0.0.1/8", "::/129", "10.0.0.0/", "10.0.0.0/+8", "10/8", "host", "::1/0"]
        {
            assert!(bad.parse::<Network>().is_err(), "{bad}");
        }
    }

    proptest! {
        /// However an IPv4 address is dressed up, it stays what it is.
        #[test]
        fn an_address_is_the_same_through_a_mapping_or_a_translator(bits: u32) {
            let plain = Ipv4Addr::from_bits(bits);
            let mapped = IpAddr::from(plain.to_ipv6_mapped());
            let [a, b, c, d] = plain.octets();
            let halves = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
            let translated = Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, halves.0, halves.1);
            prop_assert_eq!(special(mapped), special(plain.into()));
            prop_assert_eq!(special(translated.into()), special(plain.into()));
        }

        /// A block holds an address as long as they agree in the leading bits.
        #[test]
        fn a_block_holds_what_agrees_in_the_leading_bits(base: u128, prefix in 0_u8..=128, other: u128) {
            let first = leading_v6(base, prefix);
            let network: Network = format!("{}/{prefix}", Ipv6Addr::from_bits(first)).parse().unwrap();
            let agree = prefix == 0 || (base ^ other) >> (128 - u32::from(prefix)) == 0;
            prop_assert!(network.contains(Ipv6Addr::from_bits(base).into()));
            prop_assert_eq!(network.contains(Ipv6Addr::from_bits(other).into()), agree);
        }
    }
}
