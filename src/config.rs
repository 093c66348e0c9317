//! Settings: `drykeep.toml`, then the environment, then flags; all faults are
//! reported together. The only reader of files and environment at start.

mod http;
mod issuers;

pub use http::HttpSettings;

use crate::clock::Clock;
use crate::domain::feed::Reach;
use crate::identity::{External, KeySource, Verifier};
use crate::store::DatabaseUrl;
use crate::telemetry::LogFormat;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use issuers::IssuerSettings;
use serde::Deserialize;
use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// The settings of a site.
#[derive(Debug, Clone)]
pub struct Config {
    /// Where the data is kept.
    pub database: DatabaseUrl,
    /// Address to serve at.
    pub listen: SocketAddr,
    /// File with the shared secret for HS256 tokens; created when missing.
    pub secret_file: PathBuf,
    /// Where the keys of the issuer are that stands in the site's place; without it
    /// the site's own tokens are accepted, which the shared secret signs.
    pub key_set: Option<KeySource>,
    /// The issuers whose tokens are accepted besides.
    pub issuers: Vec<(External, KeySource)>,
    /// The `iss` tokens must carry.
    pub issuer: String,
    /// The `aud` tokens must carry.
    pub audience: String,
    /// Which log lines are written, as a filter of the `tracing` crates.
    pub log: String,
    /// How log lines are written.
    pub log_format: LogFormat,
    /// Where webhooks may go.
    pub reach: Reach,
    /// What callers are held to.
    pub http: HttpSettings,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct FileSettings {
    database_url: Option<String>,
    listen: Option<String>,
    secret_file: Option<PathBuf>,
    key_set_file: Option<PathBuf>,
    key_set_url: Option<String>,
    authorities_file: Option<PathBuf>,
    issuers: Vec<IssuerSettings>,
    issuer: Option<String>,
    audience: Option<String>,
    log: Option<String>,
    log_format: Option<String>,
    webhook_http: Option<bool>,
    webhook_networks: Option<Vec<String>>,
    webhook_authorities_file: Option<PathBuf>,
    #[serde(default)]
    http: http::FileSettings,
}

/// Settings given on the command line, which win over all others.
#[derive(Debug, Clone, Default)]
pub struct Flags {
    /// Settings file; `drykeep.toml` unless given.
    pub file: Option<PathBuf>,
    /// Database address.
    pub database_url: Option<String>,
    /// Address to serve at.
    pub listen: Option<String>,
}

/// Everything wrong with the settings.
#[derive(Debug, Error)]
#[error("the settings are not valid:\n  {}", .0.join("\n  "))]
pub struct ConfigError(Vec<String>);

#[expect(clippy::disallowed_methods, reason = "this is where settings enter")]
fn environment(name: &str) -> Option<String> {
    std::env::var(format!("DRYKEEP_{name}")).ok().filter(|value| !value.is_empty())
}

impl Config {
    /// Reads the settings.
    pub fn load(flags: &Flags) -> Result<Self, ConfigError> {
        let mut faults = Vec::new();
        let file = read_file(flags.file.as_deref(), &mut faults);
        let pick = |name: &str, from_file: Option<String>, default: &str| {
            environment(name).or(from_file).unwrap_or_else(|| default.to_owned())
        };
        let url = flags
            .database_url
            .clone()
            .unwrap_or_else(|| pick("DATABASE_URL", file.database_url, "sqlite://drykeep.db"));
        let listen = flags.listen.clone().unwrap_or_else(|| pick("LISTEN", file.listen, "127.0.0.1:8080"));
        let path =
            |name: &str, from_file: Option<PathBuf>| environment(name).map(PathBuf::from).or(from_file);
        let database: Option<DatabaseUrl> =
            url.parse().map_err(|e| faults.push(format!("database_url: {e}"))).ok();
        let address: Option<SocketAddr> =
            listen.parse().map_err(|_| faults.push(format!("listen: {listen:?} is not ADDRESS:PORT"))).ok();
        let log_format = match pick("LOG_FORMAT", file.log_format, "text").as_str() {
            "text" => LogFormat::Text,
            "json" => LogFormat::Json,
            other => {
                faults.push(format!("log_format: {other:?} is neither text nor json"));
                LogFormat::Text
            }
        };
        let reach = reach(
            file.webhook_http,
            file.webhook_networks,
            path("WEBHOOK_AUTHORITIES_FILE", file.webhook_authorities_file),
            &mut faults,
        );
        let http = HttpSettings::read(file.http, &mut faults);
        let secret_file = path("SECRET_FILE", file.secret_file);
        let key_set = issuers::key_source(
            "",
            path("KEY_SET_FILE", file.key_set_file),
            environment("KEY_SET_URL").or(file.key_set_url),
            path("AUTHORITIES_FILE", file.authorities_file),
            &mut faults,
        );
        let issuer = pick("ISSUER", file.issuer, "drykeep");
        let audience = pick("AUDIENCE", file.audience, "drykeep");
        let issuers = issuers::issuers(file.issuers, &External::site(&issuer, &audience), &mut faults);
        let (Some(database), Some(listen)) = (database, address) else { return Err(ConfigError(faults)) };
        if !faults.is_empty() {
            return Err(ConfigError(faults));
        }
        Ok(Self {
            secret_file: secret_file.unwrap_or_else(|| default_secret_file(&database)),
            database,
            listen,
            key_set,
            issuers,
            issuer,
            audience,
            log: pick("LOG", file.log, "info"),
            log_format,
            reach,
            http,
        })
    }

    /// The verifier of tokens that these settings describe. The shared secret
    /// is generated where there is none and one is needed.
    pub fn verifier(&self, clock: &Clock) -> Result<Verifier, ConfigError> {
        let verifier = self.issuers_only(clock)?;
        if self.key_set.is_some() {
            return Ok(verifier);
        }
        let own = verifier.with_secret(&self.secret()?, &self.issuer, &self.audience);
        own.map_err(|error| ConfigError(vec![error.to_string()]))
    }

    /// The same without the site's own secret, of which none is made.
    pub fn issuers_only(&self, clock: &Clock) -> Result<Verifier, ConfigError> {
        let mut faults = Vec::new();
        let mut verifier = Verifier::by(clock.clone());
        let site = self.key_set.clone().map(|source| (External::site(&self.issuer, &self.audience), source));
        for (terms, source) in site.into_iter().chain(self.issuers.iter().cloned()) {
            let what = format!("key set of {} at {source}", terms.name);
            if let Err(error) = verifier.add(terms, source) {
                faults.push(format!("{what}: {error}"));
            }
        }
        if faults.is_empty() { Ok(verifier) } else { Err(ConfigError(faults)) }
    }

    /// The shared secret, generated on first use and kept readable by its
    /// owner only.
    pub fn secret(&self) -> Result<Vec<u8>, ConfigError> {
        let path = &self.secret_file;
        let fault =
            |e: &dyn std::fmt::Display| ConfigError(vec![format!("secret_file {}: {e}", path.display())]);
        if !path.exists() {
            let mut bytes = [0_u8; 48];
            getrandom::fill(&mut bytes).map_err(|e| fault(&e))?;
            let text = URL_SAFE_NO_PAD.encode(bytes);
            let mut file = private_file(path).map_err(|e| fault(&e))?;
            file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(|e| fault(&e))?;
        }
        let secret = fs::read_to_string(path).map_err(|e| fault(&e))?.trim().as_bytes().to_vec();
        if secret.len() < 32 {
            return Err(fault(&"holds less than 32 bytes"));
        }
        Ok(secret)
    }
}

/// Where webhooks may go: nowhere but what anyone may reach by https, unless told otherwise.
fn reach(
    http: Option<bool>,
    networks: Option<Vec<String>>,
    authorities: Option<PathBuf>,
    faults: &mut Vec<String>,
) -> Reach {
    let http = match environment("WEBHOOK_HTTP").as_deref() {
        None => http.unwrap_or(false),
        Some("true") => true,
        Some("false") => false,
        Some(other) => {
            faults.push(format!("webhook_http: {other:?} is neither true nor false"));
            false
        }
    };
    let listed = environment("WEBHOOK_NETWORKS")
        .map(|text| text.split(',').map(|one| one.trim().to_owned()).collect())
        .or(networks)
        .unwrap_or_default();
    let mut reach = Reach { http, ..Reach::default() };
    for text in listed {
        match text.parse() {
            Ok(network) => reach.networks.push(network),
            Err(fault) => faults.push(format!("webhook_networks: {fault}")),
        }
    }
    if let Some(path) = authorities {
        match fs::read_to_string(&path) {
            Ok(pem) => reach.authorities = Some(pem),
            Err(error) => faults.push(format!("webhook_authorities_file {}: {error}", path.display())),
        }
    }
    reach
}

fn private_file(path: &Path) -> std::io::Result<fs::File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// Beside the `SQLite` file, else in the working directory.
fn default_secret_file(database: &DatabaseUrl) -> PathBuf {
    match database {
        DatabaseUrl::Sqlite(path) => path.with_extension("secret"),
        DatabaseUrl::Postgres(_) => PathBuf::from("drykeep.secret"),
    }
}

fn read_file(named: Option<&Path>, faults: &mut Vec<String>) -> FileSettings {
    let path = named.unwrap_or_else(|| Path::new("drykeep.toml"));
    if named.is_none() && !path.exists() {
        return FileSettings::default();
    }
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) => {
            faults.push(format!("{}: {error}", path.display()));
            return FileSettings::default();
        }
    };
    toml::from_str(&text).unwrap_or_else(|error| {
        faults.push(format!("{}: {}", path.display(), error.message()));
        FileSettings::default()
    })
}
