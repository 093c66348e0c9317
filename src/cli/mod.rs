//! The command line, one file a command; the only place that prints.

mod backup;
mod calculate;
mod contract;
mod demo;
mod doctor;
mod export;
mod import;
mod load;
mod new_file;
mod nightly;
mod progress;
mod serve;
mod token;

use crate::clock::Clock;
use crate::config::{Config, Flags};
use crate::store::Store;
use crate::usecases::App;
use clap::{Parser, Subcommand};
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Bookings, gas, dryness and upkeep of shared inert-atmosphere gloveboxes.
#[derive(Debug, Parser)]
#[command(name = "drykeep", version, about)]
struct Arguments {
    /// Settings file (`drykeep.toml` unless given).
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// `sqlite://PATH` or `postgres://…`.
    #[arg(long, global = true, value_name = "URL")]
    database_url: Option<String>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show the main job on an invented facility, then serve it.
    Demo(demo::Demo),
    /// Serve the API.
    Serve(serve::Serve),
    /// Work out what is due and print the report.
    Nightly(nightly::Nightly),
    /// Load files of fixtures and readings, each whole or not at all, or a whole export.
    Import(import::Import),
    /// Write everything to a file that an empty database can be filled from.
    Export(export::Export),
    /// Copy the `SQLite` file while the service runs.
    Backup(backup::Backup),
    /// Check configuration, database, clock, secret, contract and fixtures.
    Doctor,
    /// Issue tokens, and tell about them.
    #[command(subcommand)]
    Token(token::Token),
    /// Print the OpenAPI document.
    Contract,
    /// Compute gas, moisture, purging, tightness or room oxygen.
    Calculate(calculate::Calculate),
}

/// What went wrong, for the person at the terminal.
type Failure = Box<dyn std::error::Error>;

/// Runs the command that the process was started with.
pub fn run() -> ExitCode {
    let arguments = Arguments::parse();
    match dispatch(&arguments) {
        Ok(code) => code,
        Err(failure) => {
            complain(failure.as_ref());
            ExitCode::from(2)
        }
    }
}

fn dispatch(arguments: &Arguments) -> Result<ExitCode, Failure> {
    let flags =
        Flags { file: arguments.config.clone(), database_url: arguments.database_url.clone(), listen: None };
    match &arguments.command {
        Command::Demo(demo) => demo.run(flags),
        Command::Serve(serve) => serve.run(flags),
        Command::Import(import) => import.run(&Config::load(&flags)?),
        Command::Export(export) => export.run(&Config::load(&flags)?),
        Command::Backup(backup) => backup.run(&Config::load(&flags)?),
        Command::Doctor => doctor::run(&flags),
        Command::Nightly(nightly) => nightly.run(&Config::load(&flags)?),
        Command::Token(token) => token.run(&Config::load(&flags)?),
        Command::Contract => contract::run(),
        Command::Calculate(calculate) => calculate.run(),
    }
}

/// Opens the application that the settings describe.
fn open(config: &Config) -> Result<App, Failure> {
    let store = Store::open(&config.database)?.answering_within(config.http.answer_within);
    let app = App::new(store, Clock::System).reaching(config.reach.clone());
    app.prepare()?;
    Ok(app)
}

/// Prints to standard output; a closed pipe is no failure.
fn say(text: &str) -> Result<(), Failure> {
    match std::io::stdout().write_all(text.as_bytes()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

fn complain(failure: &dyn std::error::Error) {
    let mut text = format!("drykeep: {failure}\n");
    let mut cause = failure.source();
    while let Some(inner) = cause {
        text.push_str(&format!("  because {inner}\n"));
        cause = inner.source();
    }
    note(&text);
}

/// Prints to standard error. Nothing can be done when that is gone too.
fn note(text: &str) {
    drop(std::io::stderr().write_all(text.as_bytes()));
}
