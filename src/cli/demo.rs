//! `drykeep demo`: the main job on an invented facility.

mod calendar;
mod plan;
mod tour;

use super::load::{Occasion, Source, Times, load};
use super::serve::serve_until_stopped;
use super::{Failure, say};
use crate::clock::Clock;
use crate::config::{Config, Flags};
use crate::domain::access::Actor;
use crate::domain::calendar::zone::parse_zone;
use crate::domain::facility::Glovebox;
use crate::store::{DatabaseUrl, Store, is_in_use};
use crate::telemetry;
use crate::usecases::{App, keep};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use clap::Args;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

/// Where the demonstration keeps its data unless told otherwise.
const DATABASE: &str = "drykeep-demo.db";

macro_rules! fixtures {
    ($($name:literal),* $(,)?) => {
        [$(Source { name: $name, text: include_str!(concat!("../../demo-fixtures/", $name)) }),*]
    };
}

/// The invented facility, in the order in which it is loaded.
pub(super) const FIXTURES: [Source<'static>; 9] = fixtures![
    "facility.toml",
    "people.csv",
    "qualifications.csv",
    "windows.toml",
    "upkeep.toml",
    "stock.toml",
    "services.csv",
    "bookings.csv",
    "readings.csv",
];

/// Show the main job on an invented facility, then serve it.
///
/// Makes an SQLite file `drykeep-demo.db` in the working directory anew, loads
/// five gloveboxes with their gas, people, bookings and a year of readings,
/// computes what is due, plans it around the bookings, prints both, and serves the API with ready tokens.
#[derive(Debug, Args)]
pub(super) struct Demo {
    /// Address to serve at.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<String>,
    /// Stop after the report.
    #[arg(long)]
    no_serve: bool,
}

impl Demo {
    pub(super) fn run(&self, flags: Flags) -> Result<ExitCode, Failure> {
        let own = flags.database_url.is_none();
        let url = flags.database_url.clone().unwrap_or_else(|| format!("sqlite://{DATABASE}"));
        let flags = Flags { database_url: Some(url), listen: self.listen.clone(), ..flags };
        // The tokens that are printed are signed with the demonstration's own secret.
        let config = Config { key_set: None, issuers: Vec::new(), ..Config::load(&flags)? };
        telemetry::start_logging("warn", config.log_format);
        let listener = if self.no_serve { None } else { Some(bind(&config)?) };
        if own {
            forget(Path::new(DATABASE))?;
        }
        let app = App::new(Store::open(&config.database)?, Clock::System).reaching(config.reach.clone());
        refuse_if_used(&app, &config.database)?;
        let started = Instant::now();
        let (zone, readings) = fill(&app)?;
        let took = started.elapsed();
        let report = app.night_blocking(&Actor::operator(), None)?;
        say(&format!(
            "An invented facility with a year of readings ({readings}) was loaded into {} in {:.1} s.\n\n{}",
            config.database,
            took.as_secs_f64(),
            report.night.report.text
        ))?;
        say(&calendar::ahead(&app, zone)?)?;
        say(&plan::proposed(&app, zone)?)?;
        let Some(listener) = listener else {
            app.store().close();
            return Ok(ExitCode::SUCCESS);
        };
        say(&tour::tour(&app, &config, listener.local_addr()?, zone)?)?;
        serve_until_stopped(app, &config, listener)?;
        Ok(ExitCode::SUCCESS)
    }
}

fn bind(config: &Config) -> Result<TcpListener, Failure> {
    TcpListener::bind(config.listen).map_err(|error| {
        format!(
            "cannot serve at {}: {error}; choose another with --listen ADDRESS:PORT, or --no-serve",
            config.listen
        )
        .into()
    })
}

/// Removes the file of an earlier demonstration with what `SQLite` keeps beside it, unless that one
/// still runs.
fn forget(database: &Path) -> Result<(), Failure> {
    if is_in_use(database) {
        return Err(format!(
            "{} is in use, by another demonstration perhaps: stop that one first, or give this one a new file with \
             --database-url sqlite://PATH",
            database.display()
        )
        .into());
    }
    for ending in ["", "-wal", "-shm"] {
        let path = PathBuf::from(format!("{}{ending}", database.display()));
        match std::fs::remove_file(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(format!("{}: {error}", path.display()).into());
            }
            _ => {}
        }
    }
    Ok(())
}

/// The demonstration writes into no database that holds a facility already.
fn refuse_if_used(app: &App, database: &DatabaseUrl) -> Result<(), Failure> {
    let boxes = app.query_blocking(|tx, _| keep::list::<Glovebox>(tx, &Actor::operator(), None, 1))?;
    if boxes.is_empty() {
        return Ok(());
    }
    Err(format!("{database} holds gloveboxes already; the demo wants an empty database").into())
}

/// The Monday that the fixtures are written around.
fn fixture_monday() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 1, 5).expect("a constant date")
}

/// The zone of the invented facility.
fn fixture_zone() -> Result<Tz, Failure> {
    let facility: toml::Table = toml::from_str(FIXTURES[0].text)?;
    let name = facility.get("facility").and_then(|table| table.get("timezone")).and_then(toml::Value::as_str);
    Ok(parse_zone(name.unwrap_or_default())?)
}

/// How the times of the fixtures are read at `now`.
pub(super) fn fixture_times(now: DateTime<Utc>) -> Result<Times, Failure> {
    Ok(Times::moved_to(fixture_zone()?, fixture_monday(), now))
}

/// Loads the fixtures, moved so that their week is the present one; tells the
/// zone and how many readings came.
fn fill(app: &App) -> Result<(Tz, usize), Failure> {
    let now = app.now();
    let times = fixture_times(now)?;
    let occasion = Occasion { now, since: Some(now - TimeDelta::weeks(55)) };
    let mut readings = 0;
    for source in FIXTURES {
        let loaded = load(app, source, Some(times), occasion)?;
        for note in &loaded.notes {
            say(&format!("{note}\n"))?;
        }
        readings += loaded
            .counts
            .iter()
            .filter(|(what, _)| *what == "readings")
            .map(|(_, count)| count)
            .sum::<usize>();
    }
    Ok((times.zone, readings))
}

#[cfg(test)]
mod tests;
