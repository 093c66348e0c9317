//! An issuer that the site believes: what pins its tokens, and what its claims come to here.

use super::keyring::Keyring;
use crate::domain::facility::Scope;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The name of the issuer that the site is itself, and of the single one that stands
/// in its place.
pub const SITE: &str = "site";

/// What tokens of an issuer must say, and what they come to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct External {
    /// What the site calls it, in logs and reports.
    pub name: String,
    /// The `iss` of its tokens.
    pub issuer: String,
    /// The `aud` of its tokens.
    pub audience: String,
    /// What is put before its subjects, so that nobody is taken for somebody else.
    pub subject_prefix: String,
    /// Whether the `scope` claim counts. Where any client may ask for any scope, it must not.
    pub trust_scopes: bool,
    /// The claim that lists groups: its name, or where it is deeper the JSON Pointer
    /// (RFC 6901), such as `/realm_access/roles`.
    pub groups_claim: String,
    /// What each group may do.
    pub groups: BTreeMap<String, Vec<Scope>>,
}

/// A scope that a token gives, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grant {
    /// The scope.
    pub scope: Scope,
    /// Why.
    pub by: GrantedBy,
}

/// What a scope comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GrantedBy {
    /// The token's own `scope`.
    ScopeClaim,
    /// A group that the bearer is in.
    Group(String),
}

impl External {
    /// The site as its own issuer: what it wrote into `scope` counts, and groups do not.
    pub fn site(issuer: &str, audience: &str) -> Self {
        Self {
            name: SITE.to_owned(),
            issuer: issuer.to_owned(),
            audience: audience.to_owned(),
            subject_prefix: String::new(),
            trust_scopes: true,
            groups_claim: "groups".to_owned(),
            groups: BTreeMap::new(),
        }
    }

    /// The scopes that the claims give. Words and groups that mean nothing here are passed over.
    pub(super) fn grants(&self, claims: &Map<String, Value>) -> Vec<Grant> {
        let mut grants = Vec::new();
        if self.trust_scopes {
            let words = claims.get("scope").and_then(Value::as_str).unwrap_or_default();
            let scopes = words.split_ascii_whitespace().filter_map(Scope::from_word);
            grants.extend(scopes.map(|scope| Grant { scope, by: GrantedBy::ScopeClaim }));
        }
        for group in self.groups_of(claims) {
            let scopes = self.groups.get(group).into_iter().flatten();
            grants
                .extend(scopes.map(|scope| Grant { scope: *scope, by: GrantedBy::Group(group.to_owned()) }));
        }
        grants
    }

    /// The groups named; one alone may stand without a list.
    pub(super) fn groups_of<'a>(&self, claims: &'a Map<String, Value>) -> Vec<&'a str> {
        let found = match self.groups_claim.strip_prefix('/') {
            None => claims.get(&self.groups_claim),
            Some(path) => {
                let (first, rest) =
                    path.split_once('/').map_or((path, ""), |(first, _)| (first, &path[first.len()..]));
                let first = first.replace("~1", "/").replace("~0", "~");
                claims.get(&first).and_then(|value| value.pointer(rest))
            }
        };
        match found {
            Some(Value::Array(groups)) => groups.iter().filter_map(Value::as_str).collect(),
            Some(Value::String(group)) => vec![group],
            Some(Value::Null | Value::Bool(_) | Value::Number(_) | Value::Object(_)) | None => Vec::new(),
        }
    }
}

/// An issuer with its keys.
pub(super) struct Issuer {
    pub(super) terms: External,
    pub(super) keys: Arc<Keyring>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn campus(claim: &str, trust_scopes: bool) -> External {
        let groups = BTreeMap::from([
            ("keepers".to_owned(), vec![Scope::FacilityRead, Scope::FacilityManage]),
            ("users".to_owned(), vec![Scope::FacilityRead]),
        ]);
        let site = External::site("https://login.example", "drykeep");
        External { trust_scopes, groups_claim: claim.to_owned(), groups, ..site }
    }

    fn words(terms: &External, claims: &Value) -> Vec<&'static str> {
        let mut words: Vec<_> =
            terms.grants(claims.as_object().unwrap()).iter().map(|grant| grant.scope.word()).collect();
        words.sort_unstable();
        words.dedup();
        words
    }

    #[test]
    fn groups_give_what_the_site_says_they_give() {
        let both = ["facility:manage", "facility:read"];
        let claims = json!({
            "groups": ["users", "keepers", "others", 7, null],
            "team": "users",
            "https://login.example/groups": ["keepers"],
            "realm_access": { "roles": ["keepers"], "a/b": ["users"] }
        });
        assert_eq!(words(&campus("groups", false), &claims), both);
        assert_eq!(words(&campus("team", false), &claims), ["facility:read"]);
        assert_eq!(words(&campus("https://login.example/groups", false), &claims), both);
        assert_eq!(words(&campus("/realm_access/roles", false), &claims), both);
        assert_eq!(words(&campus("/realm_access/a~1b", false), &claims), ["facility:read"]);
        for nothing in ["absent", "realm_access", "/groups/roles", "/", "Groups"] {
            assert_eq!(words(&campus(nothing, false), &claims), [""; 0], "{nothing}");
        }
        for odd in [json!({ "groups": { "keepers": true } }), json!({ "groups": "keepers users" })] {
            assert_eq!(words(&campus("groups", false), &odd), [""; 0], "{odd}");
        }
    }

    #[test]
    fn a_scope_counts_only_where_the_site_trusts_it() {
        let claims = json!({ "scope": "openid bookings:write  usage:read", "groups": ["users"] });
        assert_eq!(words(&campus("groups", false), &claims), ["facility:read"]);
        assert_eq!(
            words(&campus("groups", true), &claims),
            ["bookings:write", "facility:read", "usage:read"]
        );
    }
}
