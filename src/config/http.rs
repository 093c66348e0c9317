//! What callers are held to: how often, how long, from where. In the file's table
//! `[http]`, or in the environment.

use super::environment;
use crate::domain::feed::Network;
use crate::domain::quota::{Quota, Rates};
use crate::identity::FormKey;
use serde::Deserialize;
use std::fmt::Display;
use std::num::NonZeroU32;
use std::str::FromStr;
use std::time::Duration;

/// What callers are held to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpSettings {
    /// How often they may ask; `None` for as often as they like.
    pub rates: Option<Rates>,
    /// Proxies that are believed when they say whom they speak for.
    pub trusted_proxies: Vec<Network>,
    /// Whether those write `Forwarded` instead of `X-Forwarded-For`.
    pub forwarded: bool,
    /// Origins whose pages may use the service from a browser.
    pub cors_origins: Vec<String>,
    /// For how long browsers are to insist on TLS; `None` where that is the proxy's to say.
    pub hsts: Option<Duration>,
    /// The most connections at a time.
    pub most_connections: usize,
    /// How long a body may take to arrive.
    pub body_within: Duration,
    /// How long the database may take for what one request asks of it.
    pub answer_within: Duration,
    /// How long a service that was asked to stop goes on answering while it says that
    /// it is not ready, so that proxies send no more.
    pub drain: Duration,
    /// What the forms of the pages are stamped with; `None` for a key of the process's own.
    pub form_key: Option<FormKey>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileSettings {
    rate_limits: Option<bool>,
    reads_per_minute: Option<u32>,
    writes_per_minute: Option<u32>,
    expensive_per_minute: Option<u32>,
    failures_per_minute: Option<u32>,
    trusted_proxies: Option<Vec<String>>,
    proxy_header: Option<String>,
    cors_origins: Option<Vec<String>>,
    hsts_seconds: Option<u32>,
    most_connections: Option<u32>,
    body_seconds: Option<u32>,
    answer_seconds: Option<u32>,
    drain_seconds: Option<u32>,
}

const fn a_minute(requests: u32) -> Quota {
    match NonZeroU32::new(requests) {
        Some(requests) => Quota::a_minute(requests),
        None => panic!("a quota of nothing"),
    }
}

/// Far above what a person's programs ask for, or a gateway that sends the readings
/// of hundreds of sensors one by one each minute.
const RATES: Rates =
    Rates { reads: a_minute(1200), writes: a_minute(600), expensive: a_minute(120), failures: a_minute(60) };

impl Default for HttpSettings {
    fn default() -> Self {
        Self {
            rates: Some(RATES),
            trusted_proxies: Vec::new(),
            forwarded: false,
            cors_origins: Vec::new(),
            hsts: None,
            // Below the 1024 files that a process may usually have open.
            most_connections: 800,
            body_within: Duration::from_secs(30),
            answer_within: Duration::from_secs(60),
            drain: Duration::ZERO,
            form_key: None,
        }
    }
}

impl HttpSettings {
    /// The same, with callers asking as often as they like.
    #[must_use]
    pub fn without_rates(self) -> Self {
        Self { rates: None, ..self }
    }

    pub(super) fn read(file: FileSettings, faults: &mut Vec<String>) -> Self {
        let usual = Self::default();
        let limited = pick("rate_limits", file.rate_limits, true, faults);
        let mut quota = |name, from_file, usual: Quota| {
            let given = pick(name, from_file, usual.requests(), faults);
            let Some(requests) = NonZeroU32::new(given) else {
                faults.push(format!("{name}: at least 1; rate_limits = false lifts all of them"));
                return usual;
            };
            Quota::a_minute(requests)
        };
        let rates = Rates {
            reads: quota("reads_per_minute", file.reads_per_minute, RATES.reads),
            writes: quota("writes_per_minute", file.writes_per_minute, RATES.writes),
            expensive: quota("expensive_per_minute", file.expensive_per_minute, RATES.expensive),
            failures: quota("failures_per_minute", file.failures_per_minute, RATES.failures),
        };
        let header = pick("proxy_header", file.proxy_header, "x-forwarded-for".to_owned(), faults);
        let forwarded = match header.to_ascii_lowercase().as_str() {
            "forwarded" => true,
            "x-forwarded-for" => false,
            _ => {
                faults.push(format!("proxy_header: {header:?} is neither X-Forwarded-For nor Forwarded"));
                false
            }
        };
        let hsts = pick("hsts_seconds", file.hsts_seconds, 0, faults);
        let drain = pick("drain_seconds", file.drain_seconds, 0, faults);
        let most = at_least_one("most_connections", file.most_connections, usual.most_connections, faults);
        let mut seconds = |name, from_file, usual: Duration| {
            let usual = usize::try_from(usual.as_secs()).unwrap_or(usize::MAX);
            Duration::from_secs(at_least_one(name, from_file, usual, faults) as u64)
        };
        Self {
            rates: limited.then_some(rates),
            body_within: seconds("body_seconds", file.body_seconds, usual.body_within),
            answer_within: seconds("answer_seconds", file.answer_seconds, usual.answer_within),
            trusted_proxies: list("trusted_proxies", file.trusted_proxies, faults),
            cors_origins: list::<Origin>("cors_origins", file.cors_origins, faults)
                .into_iter()
                .map(|origin| origin.0)
                .collect(),
            forwarded,
            hsts: (hsts > 0).then(|| Duration::from_secs(hsts.into())),
            most_connections: most,
            drain: Duration::from_secs(drain.into()),
            form_key: form_key(faults),
        }
    }
}

/// The shortest key that forms are stamped with, in bytes.
const SHORTEST_KEY: usize = 32;

/// A key for forms, which stands in the environment only, as other secrets do.
fn form_key(faults: &mut Vec<String>) -> Option<FormKey> {
    let text = environment("PAGES_KEY")?;
    if text.len() < SHORTEST_KEY {
        faults.push(format!("pages_key: is shorter than {SHORTEST_KEY} characters"));
        return None;
    }
    Some(FormKey::derived(text.as_bytes()))
}

/// A setting from the environment, else from the file, else the usual one.
fn pick<T: FromStr>(name: &str, from_file: Option<T>, usual: T, faults: &mut Vec<String>) -> T
where
    T::Err: Display,
{
    let Some(text) = environment(&name.to_ascii_uppercase()) else { return from_file.unwrap_or(usual) };
    text.parse().unwrap_or_else(|error| {
        faults.push(format!("{name}: {text:?}: {error}"));
        usual
    })
}

fn at_least_one(name: &str, from_file: Option<u32>, usual: usize, faults: &mut Vec<String>) -> usize {
    let given = pick(name, from_file.and_then(|number| usize::try_from(number).ok()), usual, faults);
    if given == 0 {
        faults.push(format!("{name}: at least 1"));
    }
    given
}

fn list<T: FromStr>(name: &str, from_file: Option<Vec<String>>, faults: &mut Vec<String>) -> Vec<T>
where
    T::Err: Display,
{
    let given = environment(&name.to_ascii_uppercase())
        .map(|text| text.split(',').map(|one| one.trim().to_owned()).collect())
        .or(from_file)
        .unwrap_or_default();
    let parsed = given
        .iter()
        .filter_map(|text| text.parse().map_err(|fault| faults.push(format!("{name}: {fault}"))).ok());
    parsed.collect()
}

/// An origin as browsers write it (RFC 6454 §6.2): scheme, host and, unless it is the
/// usual one, the port.
struct Origin(String);

impl FromStr for Origin {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "*" {
            return Err("list the origins that may; everybody's pages never may".to_owned());
        }
        let parsed = url::Url::parse(text).ok().filter(|url| ["http", "https"].contains(&url.scheme()));
        match parsed.map(|url| url.origin().ascii_serialization()) {
            Some(origin) if origin == text => Ok(Self(origin)),
            Some(origin) => Err(format!("{text:?} is no origin; did you mean {origin:?}?")),
            None => Err(format!("{text:?} is no origin such as \"https://portal.example\"")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(toml: &str) -> Result<HttpSettings, Vec<String>> {
        let mut faults = Vec::new();
        let read = HttpSettings::read(toml::from_str(toml).unwrap(), &mut faults);
        if faults.is_empty() { Ok(read) } else { Err(faults) }
    }

    #[test]
    fn what_is_not_set_is_generous_but_for_other_peoples_pages() {
        assert_eq!(read(""), Ok(HttpSettings::default()));
        assert!(HttpSettings::default().cors_origins.is_empty());
        assert_eq!(read("rate_limits = false"), Ok(HttpSettings::default().without_rates()));
    }

    #[test]
    fn what_is_set_is_taken() {
        let read = read(
            "writes_per_minute = 7\ntrusted_proxies = [\"127.0.0.1\", \"fd00::/8\"]\nproxy_header = \"Forwarded\"
             cors_origins = [\"https://portal.example\", \"http://localhost:3000\"]
             hsts_seconds = 3600\nmost_connections = 20\nbody_seconds = 2\nanswer_seconds = 3",
        )
        .unwrap();
        assert_eq!(read.rates.unwrap().writes, a_minute(7));
        assert_eq!(read.trusted_proxies.len(), 2);
        assert_eq!(read.cors_origins, ["https://portal.example", "http://localhost:3000"]);
        assert_eq!((read.forwarded, read.most_connections), (true, 20));
        assert_eq!(read.hsts, Some(Duration::from_secs(3600)));
        assert_eq!((read.body_within, read.answer_within), (Duration::from_secs(2), Duration::from_secs(3)));
    }

    #[test]
    fn every_fault_is_told() {
        let faults = read(
            "reads_per_minute = 0\nmost_connections = 0\nbody_seconds = 0\nproxy_header = \"Via\"
             trusted_proxies = [\"proxy.example\"]
             cors_origins = [\"*\", \"https://portal.example/\", \"portal.example\", \"null\", \"HTTPS://a.example:443\"]",
        )
        .unwrap_err();
        let about = |name: &str| faults.iter().filter(|fault| fault.starts_with(name)).count();
        let names = ["reads_per", "most_conn", "body_sec", "proxy_header", "trusted", "cors_origins"];
        assert_eq!(names.map(about), [1, 1, 1, 1, 1, 5], "{faults:#?}");
    }
}
