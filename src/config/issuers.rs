//! The issuers whose tokens a site believes, from its settings. All faults are
//! collected, each with the key it is in.

use crate::domain::facility::Scope;
use crate::identity::{External, KeySource};
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;

/// An issuer as it stands under `[[issuers]]`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct IssuerSettings {
    name: Option<String>,
    issuer: Option<String>,
    audience: Option<String>,
    key_set_file: Option<PathBuf>,
    key_set_url: Option<String>,
    authorities_file: Option<PathBuf>,
    subject_prefix: Option<String>,
    trust_scopes: Option<bool>,
    groups_claim: Option<String>,
    groups: Option<BTreeMap<String, Vec<String>>>,
}

/// Where keys are, of which at most one may be said.
pub(super) fn key_source(
    at: &str,
    file: Option<PathBuf>,
    url: Option<String>,
    authorities: Option<PathBuf>,
    faults: &mut Vec<String>,
) -> Option<KeySource> {
    let authorities = authorities.and_then(|path| {
        fs::read_to_string(&path)
            .map_err(|error| faults.push(format!("{at}authorities_file {}: {error}", path.display())))
            .ok()
    });
    match (file, url) {
        (Some(_), Some(_)) => {
            faults.push(format!("{at}key_set_file and key_set_url: give one of the two"));
            None
        }
        (Some(path), None) => Some(KeySource::File(path)),
        (None, Some(text)) => match text.parse() {
            Ok(url) => Some(KeySource::Url { url, authorities }),
            Err(fault) => {
                faults.push(format!("{at}key_set_url: {fault}"));
                None
            }
        },
        (None, None) => None,
    }
}

/// The issuers listed, beside the site itself, which is the first of `terms`.
pub(super) fn issuers(
    listed: Vec<IssuerSettings>,
    site: &External,
    faults: &mut Vec<String>,
) -> Vec<(External, KeySource)> {
    let mut known: Vec<(External, KeySource)> = Vec::new();
    for (index, settings) in listed.into_iter().enumerate() {
        let at = match &settings.name {
            Some(name) => format!("issuers[{index}] {name:?}: "),
            None => format!("issuers[{index}]: "),
        };
        let Some((terms, source)) = one(&at, settings, site, faults) else { continue };
        let others = || std::iter::once(site).chain(known.iter().map(|(terms, _)| terms));
        if others().any(|other| other.name == terms.name) {
            faults.push(format!("{at}name: another issuer has it"));
        }
        if others().any(|other| other.issuer == terms.issuer) {
            faults.push(format!("{at}issuer: {:?} is another issuer's; each has its own", terms.issuer));
        }
        // The site may mean anybody: who has its secret can issue tokens for anyone.
        if known
            .iter()
            .any(|(other, _)| one_begins_with_the_other(&other.subject_prefix, &terms.subject_prefix))
        {
            faults.push(format!(
                "{at}subject_prefix: {:?} and another issuer's begin alike, so that one could name people of the other",
                terms.subject_prefix
            ));
        }
        known.push((terms, source));
    }
    known
}

fn one_begins_with_the_other(a: &str, b: &str) -> bool {
    a.starts_with(b) || b.starts_with(a)
}

fn one(
    at: &str,
    settings: IssuerSettings,
    site: &External,
    faults: &mut Vec<String>,
) -> Option<(External, KeySource)> {
    let source = key_source(
        at,
        settings.key_set_file.clone(),
        settings.key_set_url.clone(),
        settings.authorities_file,
        faults,
    );
    if settings.key_set_file.is_none() && settings.key_set_url.is_none() {
        faults.push(format!("{at}key_set_url or key_set_file is missing"));
    }
    let mut needed = |key: &str, value: Option<String>| {
        let value = value.filter(|text| !text.trim().is_empty());
        if value.is_none() {
            faults.push(format!("{at}{key} is missing"));
        }
        value
    };
    let name = needed("name", settings.name);
    let issuer = needed("issuer", settings.issuer);
    if name.as_ref().is_some_and(|name| !name.bytes().all(is_plain)) {
        faults.push(format!("{at}name: write it with a-z, 0-9 and -"));
    }
    let groups_claim = settings.groups_claim.unwrap_or_else(|| site.groups_claim.clone());
    if groups_claim.is_empty() {
        faults.push(format!("{at}groups_claim: is empty"));
    }
    let groups = group_scopes(at, settings.groups.unwrap_or_default(), faults);
    let trust_scopes = settings.trust_scopes.unwrap_or(false);
    if groups.is_empty() && !trust_scopes {
        faults.push(format!("{at}groups: name a group, or its tokens open nothing (or set trust_scopes)"));
    }
    let (name, issuer) = (name?, issuer?);
    let terms = External {
        subject_prefix: settings.subject_prefix.unwrap_or_else(|| format!("{name}:")),
        name,
        issuer,
        audience: settings.audience.unwrap_or_else(|| site.audience.clone()),
        trust_scopes,
        groups_claim,
        groups,
    };
    Some((terms, source?))
}

fn is_plain(letter: u8) -> bool {
    letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == b'-'
}

fn group_scopes(
    at: &str,
    groups: BTreeMap<String, Vec<String>>,
    faults: &mut Vec<String>,
) -> BTreeMap<String, Vec<Scope>> {
    let mut read = BTreeMap::new();
    for (group, words) in groups {
        let mut scopes = BTreeSet::new();
        for word in words {
            match Scope::from_word(&word) {
                Some(scope) => drop(scopes.insert(scope)),
                None => faults.push(format!("{at}groups.{group:?}: {word:?} is not a scope")),
            }
        }
        read.insert(group, scopes.into_iter().collect());
    }
    read
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Deserialize)]
    struct File {
        issuers: Vec<IssuerSettings>,
    }

    fn read(text: &str) -> (Vec<(External, KeySource)>, Vec<String>) {
        let file: File = toml::from_str(text).unwrap();
        let mut faults = Vec::new();
        let found = issuers(file.issuers, &External::site("drykeep", "drykeep"), &mut faults);
        (found, faults)
    }

    #[test]
    fn an_issuer_is_read_with_what_holds_unless_said() {
        let (found, faults) = read(
            r#"
            [[issuers]]
            name = "campus"
            issuer = "https://login.example"
            key_set_url = "https://login.example/keys"
            [issuers.groups]
            "glovebox-keepers" = ["facility:manage", "facility:read", "facility:read"]
            "#,
        );
        assert_eq!(faults, [""; 0]);
        let (terms, source) = &found[0];
        assert_eq!(source.to_string(), "https://login.example/keys");
        let groups = BTreeMap::from([(
            "glovebox-keepers".to_owned(),
            vec![Scope::FacilityRead, Scope::FacilityManage],
        )]);
        let expected = External {
            name: "campus".to_owned(),
            subject_prefix: "campus:".to_owned(),
            trust_scopes: false,
            groups,
            ..External::site("https://login.example", "drykeep")
        };
        assert_eq!(*terms, expected);
    }

    #[test]
    fn every_fault_is_named_with_its_key() {
        let (_, faults) = read(
            r#"
            [[issuers]]
            name = "Campus 1"
            key_set_url = "http://login.example/keys"
            groups = { keepers = ["facility:own", "facility:read"], users = ["see"] }
            [[issuers]]
            name = "site"
            issuer = "drykeep"
            key_set_file = "a.json"
            key_set_url = "https://login.example/keys"
            authorities_file = "/nowhere/authorities.pem"
            [[issuers]]
            groups_claim = ""
            "#,
        );
        for (at, key) in [
            ("issuers[0]", "key_set_url"),
            ("issuers[0]", "issuer is missing"),
            ("issuers[0]", "name: write it with a-z"),
            ("issuers[0]", "groups.\"keepers\": \"facility:own\""),
            ("issuers[0]", "groups.\"users\": \"see\""),
            ("issuers[1]", "key_set_file and key_set_url"),
            ("issuers[1]", "authorities_file"),
            ("issuers[1]", "groups: name a group"),
            ("issuers[2]", "key_set_url or key_set_file is missing"),
            ("issuers[2]", "name is missing"),
            ("issuers[2]", "issuer is missing"),
            ("issuers[2]", "groups_claim: is empty"),
        ] {
            assert!(
                faults.iter().any(|fault| fault.starts_with(at) && fault.contains(key)),
                "{key}: {faults:#?}"
            );
        }
    }

    #[test]
    fn issuers_are_kept_apart() {
        let issuer = |name: &str, issuer: &str, prefix: &str| {
            format!(
                "[[issuers]]\nname = {name:?}\nissuer = {issuer:?}\ntrust_scopes = true\nkey_set_file = \"k\"\n{prefix}\n"
            )
        };
        let faults = |second: &str| read(&(issuer("a", "https://a", "") + second)).1;
        assert_eq!(faults(&issuer("b", "https://b", "")), [""; 0]);
        for (second, key) in [
            (issuer("a", "https://b", "subject_prefix = \"b:\""), "name"),
            (issuer("site", "https://b", ""), "name"),
            (issuer("b", "https://a", ""), "issuer"),
            (issuer("b", "drykeep", ""), "issuer"),
            (issuer("b", "https://b", "subject_prefix = \"\""), "subject_prefix"),
            (issuer("b", "https://b", "subject_prefix = \"a:x\""), "subject_prefix"),
        ] {
            let found = faults(&second);
            assert!(matches!(&found[..], [one] if one.contains(&format!("{key}: "))), "{key}: {found:?}");
        }
        // One alone may name people as the site does.
        assert_eq!(read(&issuer("a", "https://a", "subject_prefix = \"\"")).1, [""; 0]);
    }
}
