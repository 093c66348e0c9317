//! `drykeep token inspect`: what is in a token, and whether it would be accepted.

use crate::cli::{Failure, say};
use crate::clock::Clock;
use crate::config::Config;
use crate::identity::{Grant, GrantedBy, Inspection, Verifier};
use chrono::{DateTime, TimeDelta, Utc};
use clap::Args;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::io::{IsTerminal as _, Read as _};
use std::process::ExitCode;

/// Exit code when the token would be refused.
const REFUSED: u8 = 1;
/// The most that is read from standard input, in bytes.
const LONGEST_INPUT: u64 = 64 * 1024;

const NOTES: &str = "\
Give the token on standard input, and it stays out of the shell's history:
  drykeep token inspect - < token.txt
The issuer's keys are read or fetched anew. Neither the signature nor any secret is shown.
The exit code is 1 when the service would refuse the token now.";

/// The token to tell about.
#[derive(Debug, Args)]
#[command(after_help = NOTES)]
pub(in crate::cli) struct Inspect {
    /// The token; `-` or nothing to read it from standard input.
    token: Option<String>,
    /// Tell it in JSON.
    #[arg(long)]
    json: bool,
}

impl Inspect {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let text = match self.token.as_deref() {
            None | Some("-") => standard_input()?,
            Some(text) => text.to_owned(),
        };
        let verifier = verifier(config)?;
        let mut notes = Vec::new();
        for keys in verifier.fetch_all() {
            match keys.found {
                Ok((_, skipped)) => {
                    notes.extend(skipped.into_iter().map(|why| format!("{}: {why}", keys.issuer)));
                }
                Err(error) => notes.push(format!("{}: {error}", keys.issuer)),
            }
        }
        let inspection = verifier.inspect(bare(&text));
        if self.json {
            say(&format!("{:#}\n", as_json(&inspection, &notes)))?;
        } else {
            say(&readable(&inspection, &notes))?;
        }
        let accepted = inspection.refused_because.is_empty();
        Ok(if accepted { ExitCode::SUCCESS } else { ExitCode::from(REFUSED) })
    }
}

fn standard_input() -> Result<String, Failure> {
    let input = std::io::stdin();
    if input.is_terminal() {
        return Err("no token is given; see drykeep token inspect --help".into());
    }
    let mut text = String::new();
    input.take(LONGEST_INPUT).read_to_string(&mut text)?;
    Ok(text)
}

/// The token without what often comes along when it is copied.
fn bare(text: &str) -> &str {
    let text = text.trim();
    match text.split_once(' ') {
        Some((scheme, token)) if scheme.eq_ignore_ascii_case("bearer") => token.trim(),
        Some(_) | None => text,
    }
}

/// The verifier of the service. It makes no secret where there is none: no token was
/// signed with it then.
fn verifier(config: &Config) -> Result<Verifier, Failure> {
    let clock = Clock::System;
    let has_own = config.key_set.is_none() && config.secret_file.exists();
    Ok(if has_own { config.verifier(&clock)? } else { config.issuers_only(&clock)? })
}

/// Each scope with everything that gives it.
fn by_scope(grants: &[Grant]) -> BTreeMap<&'static str, Vec<String>> {
    let mut scopes: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for grant in grants {
        let by = match &grant.by {
            GrantedBy::ScopeClaim => "scope claim".to_owned(),
            GrantedBy::Group(group) => format!("group {group}"),
        };
        scopes.entry(grant.scope.word()).or_default().push(by);
    }
    scopes
}

fn reasons(inspection: &Inspection) -> Vec<String> {
    inspection.refused_because.iter().map(ToString::to_string).collect()
}

fn as_json(inspection: &Inspection, notes: &[String]) -> Value {
    let times: Vec<_> = inspection
        .times
        .iter()
        .map(|(claim, at)| {
            let left = (*at - inspection.at).num_seconds();
            json!({ "claim": claim, "at": at.format("%FT%TZ").to_string(), "seconds_from_now": left })
        })
        .collect();
    let scopes: Vec<_> = by_scope(&inspection.grants)
        .into_iter()
        .map(|(scope, from)| json!({ "scope": scope, "from": from }))
        .collect();
    json!({
        "accepted": inspection.refused_because.is_empty(),
        "refused_because": reasons(inspection),
        "at": inspection.at.format("%FT%TZ").to_string(),
        "header": inspection.header,
        "claims": inspection.claims,
        "times": times,
        "issuer": inspection.issuer,
        "key": inspection.key,
        "subject": inspection.subject,
        "scopes": scopes,
        "groups_without_scopes": inspection.unknown_groups,
        "keys_left_out": notes,
    })
}

fn readable(inspection: &Inspection, notes: &[String]) -> String {
    let mut text = String::new();
    for (what, members) in [("header", &inspection.header), ("claims", &inspection.claims)] {
        text.push_str(&format!("{what}\n{}", listed(members.as_ref())));
    }
    text.push_str("times\n");
    for (claim, at) in &inspection.times {
        let (at, away) = (at.format("%F %T UTC"), away(*at, inspection.at));
        text.push_str(&format!("  {claim:<10} {at}, {away}\n"));
    }
    let or_none =
        |value: &Option<String>| value.clone().unwrap_or_else(|| "none that is believed".to_owned());
    text.push_str(&format!("issuer     {}\n", or_none(&inspection.issuer)));
    text.push_str(&format!("key        {}\n", or_none(&inspection.key)));
    text.push_str(&format!("subject    {}\n", inspection.subject.as_deref().unwrap_or("none")));
    text.push_str("scopes\n");
    for (scope, from) in by_scope(&inspection.grants) {
        text.push_str(&format!("  {scope:<16} from {}\n", from.join(", ")));
    }
    if inspection.grants.is_empty() {
        text.push_str("  none: it opens nothing\n");
    }
    if !inspection.unknown_groups.is_empty() {
        text.push_str(&format!("groups without scopes here: {}\n", inspection.unknown_groups.join(", ")));
    }
    text.extend(notes.iter().map(|note| format!("note       {note}\n")));
    if inspection.refused_because.is_empty() {
        text.push_str("\nThe service would accept it now.\n");
    } else {
        text.push_str("\nThe service would refuse it now:\n");
        text.extend(reasons(inspection).iter().map(|reason| format!("  - {reason}\n")));
    }
    harmless(&text)
}

fn listed(members: Option<&Map<String, Value>>) -> String {
    let Some(members) = members else { return "  cannot be read\n".to_owned() };
    let mut lines = String::new();
    for (name, value) in members {
        lines.push_str(&format!("  {name:<10} {value}\n"));
    }
    lines
}

/// How far an instant is from the present, in its two largest units.
fn away(at: DateTime<Utc>, now: DateTime<Utc>) -> String {
    let length = (at - now).abs();
    let (days, hours, minutes, seconds) =
        (length.num_days(), length.num_hours() % 24, length.num_minutes() % 60, length.num_seconds() % 60);
    let length = match (days, hours, minutes) {
        (0, 0, 0) => format!("{seconds} s"),
        (0, 0, _) => format!("{minutes} min {seconds} s"),
        (0, _, _) => format!("{hours} h {minutes} min"),
        (_, _, _) => format!("{days} d {hours} h"),
    };
    if at - now < TimeDelta::zero() { format!("{length} ago") } else { format!("in {length}") }
}

/// What a token says must not steer the terminal it is shown at: controls, and what turns
/// the direction of writing, are shown by their numbers.
fn harmless(text: &str) -> String {
    let steers = |letter: char| {
        (letter.is_control() && letter != '\n')
            || matches!(letter, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        if steers(letter) {
            safe.extend(letter.escape_unicode());
        } else {
            safe.push(letter);
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::identity::{Claims, sign};

    const SECRET: &[u8] = b"a secret of the tests, longer than it needs to be";

    fn now() -> DateTime<Utc> {
        DateTime::from_timestamp(1_900_000_000, 0).unwrap()
    }

    fn inspected(exp: i64, scope: &str) -> (String, Inspection) {
        let (iss, aud) = ("drykeep".to_owned(), "drykeep".into());
        let claims =
            Claims { sub: "ada\u{202e}\u{9b}".to_owned(), iss, aud, exp, iat: None, scope: scope.to_owned() };
        let token = sign(SECRET, &claims).unwrap();
        let verifier =
            Verifier::by(Clock::standing_at(now())).with_secret(SECRET, "drykeep", "drykeep").unwrap();
        let inspection = verifier.inspect(bare(&format!("Bearer {token}\n")));
        (token, inspection)
    }

    #[test]
    fn a_refused_token_is_told_with_every_reason_and_without_its_signature() {
        let (token, inspection) = inspected(1_900_000_000 - 90_061, "facility:read openid");
        let text = readable(&inspection, &[]);
        for part in [
            "HS256",
            "exp        2030-03-16 16:45:39 UTC, 1 d 1 h ago",
            "key        HS256 with the site's secret",
            "facility:read    from scope claim",
            "  - the token has expired",
            "  - the token's sub is not a text",
        ] {
            assert!(text.contains(part), "{part} in {text}");
        }
        assert!(!text.contains(token.rsplit_once('.').unwrap().1));
        assert!(!text.contains(['\u{202e}', '\u{9b}']), "{text}");
        let told = as_json(&inspection, &[]);
        assert_eq!(told["accepted"], false);
        assert_eq!(told["times"][0]["seconds_from_now"], -90_061);
        assert_eq!(told["scopes"], json!([{ "scope": "facility:read", "from": ["scope claim"] }]));
    }

    #[test]
    fn what_is_no_whole_token_is_told_as_far_as_it_goes() {
        let (token, _) = inspected(1_900_000_100, "facility:read");
        let verifier = Verifier::by(Clock::standing_at(now()));
        let (unsigned, _) = token.rsplit_once('.').unwrap();
        let text = readable(&verifier.inspect(&format!("{unsigned}.")), &[]);
        assert!(
            text.contains("HS256") && text.contains("three parts") && text.contains("in 1 min 40 s"),
            "{text}"
        );
        let text = readable(&verifier.inspect("rubbish"), &[]);
        assert!(text.contains("cannot be read"), "{text}");
    }
}
