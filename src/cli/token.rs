//! `drykeep token`: issues tokens with the site's shared secret, and tells about tokens.

mod inspect;

use super::{Failure, say};
use crate::clock::Clock;
use crate::config::Config;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::Scope;
use crate::identity::{Claims, sign};
use clap::Subcommand;
use std::process::ExitCode;

/// What to do with tokens.
#[derive(Debug, Subcommand)]
pub(super) enum Token {
    /// Issue a token.
    Issue {
        /// Whom the token is for; a person's `subject` links the two.
        #[arg(long, visible_alias = "subject")]
        sub: String,
        /// Scopes, separated by spaces or commas, or given several times.
        #[arg(long, required = true, visible_alias = "scopes")]
        scope: Vec<String>,
        /// How long it is valid, as an ISO 8601 duration.
        #[arg(long, default_value = "PT12H", value_name = "DURATION", visible_alias = "expires-in")]
        valid_for: String,
    },
    /// Tell what is in a token and whether the service would accept it now.
    Inspect(inspect::Inspect),
}

impl Token {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let (sub, scope, valid_for) = match self {
            Self::Issue { sub, scope, valid_for } => (sub, scope, valid_for),
            Self::Inspect(inspect) => return inspect.run(config),
        };
        if sub.trim().is_empty() {
            return Err("--sub: say whom the token is for".into());
        }
        let mut words = Vec::new();
        for word in scope.iter().flat_map(|text| text.split([' ', ','])).filter(|word| !word.is_empty()) {
            words.push(Scope::from_word(word).ok_or_else(|| unknown_scope(word))?.word());
        }
        if words.is_empty() {
            return Err("--scope: a token without a scope opens nothing".into());
        }
        let length = Length::parse(valid_for).map_err(|e| format!("--valid-for: {e}"))?;
        let token = issue(config, sub, &words.join(" "), length)?;
        say(&format!("{token}\n"))?;
        Ok(ExitCode::SUCCESS)
    }
}

/// Signs a token of this site.
pub(super) fn issue(config: &Config, sub: &str, scope: &str, valid_for: Length) -> Result<String, Failure> {
    let now = Clock::System.now().timestamp();
    let claims = Claims {
        sub: sub.to_owned(),
        iss: config.issuer.clone(),
        aud: config.audience.clone().into(),
        exp: now + valid_for.delta().num_seconds(),
        iat: Some(now),
        scope: scope.to_owned(),
    };
    Ok(sign(&config.secret()?, &claims)?)
}

fn unknown_scope(word: &str) -> String {
    let known: Vec<&str> = Scope::ALL.iter().map(|scope| scope.word()).collect();
    format!("{word:?} is not a scope; the scopes are {}", known.join(", "))
}
