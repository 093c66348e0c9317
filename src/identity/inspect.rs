//! Telling about a token, and about the keys there are, to whoever runs the site.
//! Says all that a verifier thinks, and never shows a signature or a secret.

use super::fault::{Fault, Refusal};
use super::token::Token;
use super::{Grant, Verifier, believe, claims};
use chrono::{DateTime, Utc};
use serde_json::{Map, Value};

/// The claims that tell a time.
const TIMES: [&str; 4] = ["iat", "auth_time", "nbf", "exp"];

/// What a verifier thinks of a token.
#[derive(Debug)]
pub struct Inspection {
    /// When it was looked at.
    pub at: DateTime<Utc>,
    /// Its header, where that can be read.
    pub header: Option<Map<String, Value>>,
    /// Its claims, where they can be read.
    pub claims: Option<Map<String, Value>>,
    /// The times among them.
    pub times: Vec<(&'static str, DateTime<Utc>)>,
    /// The issuer it names, as the site calls it.
    pub issuer: Option<String>,
    /// The key that signed it, by algorithm and `kid`.
    pub key: Option<String>,
    /// Who the bearer would be.
    pub subject: Option<String>,
    /// What it gives, and why.
    pub grants: Vec<Grant>,
    /// Groups in it that mean nothing here.
    pub unknown_groups: Vec<String>,
    /// Everything found that keeps it from being accepted now.
    pub refused_because: Vec<Refusal>,
}

/// The keys of an issuer, as they were found.
#[derive(Debug)]
pub struct KeysFound {
    /// What the site calls the issuer.
    pub issuer: String,
    /// Where they come from; none for the site's own secret.
    pub source: Option<String>,
    /// What is wrong, or the keys that are used, and those that are left out with the reason.
    pub found: Result<(Vec<String>, Vec<String>), String>,
}

impl Verifier {
    /// Reads or fetches the keys of every issuer, waits for them, and tells what was found.
    pub fn fetch_all(&self) -> Vec<KeysFound> {
        let look = |issuer: &super::Issuer| {
            let fetched = issuer.keys.fetch(&self.clock).map_err(|error| error.to_string());
            let keys = issuer.keys.usable(self.clock.now());
            KeysFound {
                issuer: issuer.terms.name.clone(),
                source: issuer.keys.source().map(ToString::to_string),
                found: fetched
                    .map(|()| keys.map(|keys| (keys.names(), keys.skipped().to_vec())).unwrap_or_default()),
            }
        };
        self.issuers.iter().map(look).collect()
    }

    /// Looks at a token by the keys there are.
    pub fn inspect(&self, text: &str) -> Inspection {
        let (header, claims) = Token::peek(text);
        let times = claims.iter().flat_map(|claims| {
            TIMES.iter().filter_map(|name| Some((*name, claims::instant(claims, name).ok()??)))
        });
        let mut inspection = Inspection {
            at: self.clock.now(),
            times: times.collect(),
            header,
            claims,
            issuer: None,
            key: None,
            subject: None,
            grants: Vec::new(),
            unknown_groups: Vec::new(),
            refused_because: Vec::new(),
        };
        let token = match Token::parse(text) {
            Ok(token) => token,
            Err(fault) => {
                inspection.refused_because.push(fault.into());
                return inspection;
            }
        };
        if let Err(refusals) = self.look(&token, &mut inspection) {
            inspection.refused_because = refusals;
        }
        inspection
    }

    fn look(&self, token: &Token<'_>, inspection: &mut Inspection) -> Result<(), Vec<Refusal>> {
        let as_refusals = |faults: Vec<Fault>| faults.into_iter().map(Refusal::from).collect::<Vec<_>>();
        let issuer = self.issuer_of(token).map_err(|fault| {
            let mut faults = vec![fault];
            faults.extend(token.header_faults());
            as_refusals(faults)
        })?;
        let terms = &issuer.terms;
        inspection.issuer = Some(terms.name.clone());
        inspection.subject = claims::subject(token.claims(), terms).ok();
        inspection.grants = terms.grants(token.claims());
        inspection.unknown_groups = terms
            .groups_of(token.claims())
            .into_iter()
            .filter(|group| !terms.groups.contains_key(*group))
            .map(str::to_owned)
            .collect();
        let Some(keys) = issuer.keys.usable(inspection.at) else {
            return Err(vec![Refusal::KeysOutOfReach {
                retry_after: issuer.keys.retry_after(inspection.at),
            }]);
        };
        inspection.key =
            keys.find(token.kid()).ok().filter(|key| key.signed(token).is_ok()).map(ToString::to_string);
        believe(token, issuer, &keys, inspection.at).map(drop).map_err(as_refusals)
    }
}
