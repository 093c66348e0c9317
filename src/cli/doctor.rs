//! `drykeep doctor`: checks configuration, database, clock and contract.

use super::demo::{FIXTURES, fixture_times};
use super::load::check as check_fixture;
use super::{Failure, say};
use crate::api;
use crate::clock::Clock;
use crate::config::{Config, Flags};
use crate::identity::KeysFound;
use crate::store::{DatabaseUrl, Examination, examine};
use chrono::{DateTime, TimeDelta, Utc};
use std::path::Path;
use std::process::ExitCode;

/// Exit code when something is wrong.
const PROBLEMS: u8 = 1;
/// How far stored times may be ahead before the clock counts as set back.
const AHEAD: TimeDelta = TimeDelta::minutes(5);

/// What a check found: a sentence if all is well, or what is wrong.
type Finding = Result<String, String>;

pub(super) fn run(flags: &Flags) -> Result<ExitCode, Failure> {
    let now = Clock::System.now();
    let mut findings: Vec<(&str, Finding)> = Vec::new();
    match Config::load(flags) {
        Err(error) => findings.push(("configuration", Err(error.to_string()))),
        Ok(config) => {
            let about = format!("database {}, serving at {}", config.database, config.listen);
            findings.push(("configuration", Ok(about)));
            if config.key_set.is_none() {
                findings.push(("keys", secret(&config)));
            }
            findings.extend(key_sets(&config).into_iter().map(|finding| ("key set", finding)));
            let (found, examination) = database(&config.database);
            findings.extend(found);
            findings.push(("clock", clock(now, examination.as_ref())));
        }
    }
    findings.push(("contract", contract()));
    findings.push(("fixtures", fixtures(now)));
    let mut text = String::new();
    for (name, finding) in &findings {
        let (word, sentence) = match finding {
            Ok(sentence) => ("ok     ", sentence),
            Err(sentence) => ("problem", sentence),
        };
        text.push_str(&format!("{word} {name:<14} {}\n", sentence.replace('\n', " ")));
    }
    say(&text)?;
    let well = findings.iter().all(|(_, finding)| finding.is_ok());
    Ok(if well { ExitCode::SUCCESS } else { ExitCode::from(PROBLEMS) })
}

/// The secret that the site's own tokens are signed with; makes none where there is none.
fn secret(config: &Config) -> Finding {
    let path = &config.secret_file;
    if !path.exists() {
        return Ok(format!("{} is made when it is first needed", path.display()));
    }
    config.secret().map_err(|error| error.to_string())?;
    private(path)?;
    Ok(format!("{} is readable by its owner only", path.display()))
}

/// The key sets of the issuers, each read or fetched.
fn key_sets(config: &Config) -> Vec<Finding> {
    let verifier = match config.issuers_only(&Clock::System) {
        Ok(verifier) => verifier,
        Err(error) => return vec![Err(error.to_string())],
    };
    let tell = |of: KeysFound| {
        let source = of.source.unwrap_or_default();
        let (used, skipped) = of.found.map_err(|error| format!("{} at {source}: {error}", of.issuer))?;
        let mut text = format!("{} at {source}: {}", of.issuer, used.join(", "));
        if !skipped.is_empty() {
            text.push_str(&format!("; left out: {}", skipped.join(", ")));
        }
        Ok(text)
    };
    verifier.fetch_all().into_iter().map(tell).collect()
}

#[cfg(unix)]
fn private(path: &Path) -> Result<(), String> {
    use std::os::unix::fs::PermissionsExt as _;
    let mode = path.metadata().map_err(|error| error.to_string())?.permissions().mode() & 0o777;
    let others = mode & 0o077;
    if others == 0 {
        return Ok(());
    }
    Err(format!("{} has mode {mode:03o}: others can read or change it; chmod 600 it", path.display()))
}

#[cfg(not(unix))]
fn private(_: &Path) -> Result<(), String> {
    Ok(())
}

fn database(url: &DatabaseUrl) -> (Vec<(&'static str, Finding)>, Option<Examination>) {
    if let DatabaseUrl::Sqlite(path) = url
        && !path.exists()
    {
        return (vec![("database", not_there_yet(path))], None);
    }
    let found = match examine(url) {
        Err(error) => return (vec![("database", Err(chain(&error)))], None),
        Ok(found) => found,
    };
    let mut findings = vec![("database", Ok(format!("{url} can be reached and written to")))];
    findings.push((
        "migrations",
        if found.missing_migrations.is_empty() {
            Ok("all applied".to_owned())
        } else {
            Err(format!("missing {}; the next start applies them", found.missing_migrations.join(", ")))
        },
    ));
    if let Some(integrity) = &found.integrity {
        let wrong: Vec<&str> = found.wrong_settings.iter().map(String::as_str).collect();
        findings.push((
            "settings",
            if wrong.is_empty() {
                Ok("write-ahead log, full sync, foreign keys".to_owned())
            } else {
                Err(wrong.join("; "))
            },
        ));
        let sound = integrity == "ok";
        findings.push((
            "integrity",
            if sound { Ok("the quick check found nothing".to_owned()) } else { Err(integrity.clone()) },
        ));
    }
    (findings, Some(found))
}

/// A file that is made at the first start needs a directory that it can be made in.
fn not_there_yet(path: &Path) -> Finding {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let metadata = parent.metadata().map_err(|error| format!("{}: {error}", parent.display()))?;
    if !metadata.is_dir() || metadata.permissions().readonly() {
        return Err(format!("{} is not there, and cannot be made in {}", path.display(), parent.display()));
    }
    Ok(format!("{} is not there yet; the first start makes it", path.display()))
}

fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(&format!(": {inner}"));
        cause = inner.source();
    }
    text
}

/// A clock that was never set, or was set back, spoils due dates and tokens.
fn clock(now: DateTime<Utc>, found: Option<&Examination>) -> Finding {
    let shown = now.format("%FT%TZ");
    let (earliest, latest) = (year(2025)?, year(2100)?);
    if now < earliest || now >= latest {
        return Err(format!("it shows {shown}: was it ever set?"));
    }
    let events = found.and_then(|found| found.last_event).map(|at| ("event", at));
    let readings = found.and_then(|found| found.last_reading).map(|at| ("reading", at));
    let mut told = format!("{shown}, and nothing stored is later");
    for (what, last) in events.into_iter().chain(readings) {
        let at = last.format("%FT%TZ");
        if last > now + AHEAD {
            return Err(format!("it shows {shown}, but the last {what} is of {at}: was it set back?"));
        }
        told.push_str(&format!("; the last {what} is of {at}"));
    }
    Ok(told)
}

fn year(year: i32) -> Result<DateTime<Utc>, String> {
    let start = chrono::NaiveDate::from_ymd_opt(year, 1, 1).and_then(|day| day.and_hms_opt(0, 0, 0));
    start.map(|start| start.and_utc()).ok_or_else(|| format!("{year} is outside the calendar"))
}

fn contract() -> Finding {
    let document: serde_json::Value =
        serde_json::from_str(&api::contract_document()).map_err(|error| error.to_string())?;
    let version = document["info"]["version"].as_str().unwrap_or_default();
    let own = env!("CARGO_PKG_VERSION");
    if version != own {
        return Err(format!("it says version {version:?}, the program is {own}"));
    }
    let paths = document["paths"].as_object().map_or(0, serde_json::Map::len);
    if paths == 0 {
        return Err("it describes no path".to_owned());
    }
    Ok(format!("version {version}, {paths} paths"))
}

/// The invented facility that the program carries.
fn fixtures(now: DateTime<Utc>) -> Finding {
    let times = fixture_times(now).map_err(|error| error.to_string())?;
    let mut count = 0;
    for source in FIXTURES {
        count += check_fixture(source, times).map_err(|refused| refused.to_string())?;
    }
    Ok(format!("{} files with {count} entries and readings", FIXTURES.len()))
}
