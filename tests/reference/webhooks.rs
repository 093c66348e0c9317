//! Signatures against the Python package of Standard Webhooks, and addresses against
//! a library that follows the IANA registries.

use drykeep::domain::feed::{Network, Secret, special};
use serde_json::Value;
use std::net::IpAddr;

#[test]
fn messages_are_signed_as_the_reference_library_signs_them() {
    let file: Value = serde_json::from_str(include_str!("webhook_signatures.json")).unwrap();
    let messages = file["messages"].as_array().unwrap();
    assert_eq!(messages.len(), 40);
    for message in messages {
        let text = |member: &str| message[member].as_str().unwrap();
        let secret = Secret::parse(text("secret")).unwrap();
        let signature = secret.sign(text("id"), message["timestamp"].as_i64().unwrap(), text("body"));
        assert_eq!(signature, text("signature"), "{}", text("id"));
        assert_eq!(secret.reveal(), text("secret"));
    }
}

/// Where drykeep refuses what the library calls global, and why.
const STRICTER: [(&str, &str); 6] = [
    ("168.63.129.16", "a metadata address"),
    ("192.88.99.0/24", "relays of 6to4, given up (RFC 7526)"),
    ("2002::/16", "6to4 itself, given up, with IPv4 addresses inside"),
    ("2001::/23", "protocol assignments; none is a receiver's"),
    ("192.0.0.0/24", "protocol assignments; none is a receiver's"),
    ("3fff::/20", "documentation (RFC 9637), newer than the library"),
];

#[test]
fn addresses_that_are_not_global_are_refused_and_others_are_not() {
    let mut seen = [0; 2];
    for line in include_str!("special_addresses.csv").lines().skip(2) {
        let (address, global) = line.split_once(',').unwrap();
        let address: IpAddr = address.parse().unwrap();
        let refused = special(address).is_some();
        let listed = STRICTER.iter().any(|(block, _)| block.parse::<Network>().unwrap().contains(address));
        // RFC 4291 §2.5.4: nothing outside 2000::/3 is assigned as global unicast; the addresses
        // that carry one of IPv4 are checked with it in the unit tests.
        let unassigned = matches!(address, IpAddr::V6(v6) if v6.segments()[0] >> 13 != 1);
        if global == "false" && !unassigned {
            seen[0] += 1;
            assert!(refused, "{address} is not global");
        } else if !listed && !unassigned {
            seen[1] += 1;
            assert!(!refused, "{address} is global");
        } else if unassigned && !line.starts_with("::ffff:") && !line.starts_with("64:ff9b::") {
            assert!(refused, "{address} is not assigned");
        }
    }
    assert!(seen[0] > 80 && seen[1] > 400, "{seen:?}");
}
