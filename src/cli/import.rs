//! `drykeep import`: loads fixtures and readings.

use super::load::{Occasion, Source, load};
use super::progress::Progress;
use super::{Failure, complain, open, say};
use crate::config::Config;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// Load files of fixtures and readings, each whole or not at all.
///
/// Fixtures are TOML (sections `facility`, `rooms`, `gas_supplies`,
/// `gloveboxes`, `people`, `qualifications`, `maintenance_windows`,
/// `upkeep_rules`, with the fields of the API's POST bodies) or CSV (people,
/// qualifications, services, bookings, told by their columns); readings are
/// CSV or NDJSON. Files are loaded in the order given. Exits with 2 when a
/// file was refused; the files before it stay loaded.
#[derive(Debug, Args)]
pub(super) struct Import {
    /// The files.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

impl Import {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let app = open(config)?;
        let mut code = ExitCode::SUCCESS;
        for (number, path) in (1..).zip(&self.files) {
            let name = path.display().to_string();
            let progress = Progress::begin(&format!("loading {name}, file {number} of {}", self.files.len()));
            let done = std::fs::read_to_string(path)
                .map_err(|error| format!("{name}: {error}").into())
                .and_then(|text| {
                    load(&app, Source { name: &name, text: &text }, None, Occasion::present(app.now()))
                });
            drop(progress);
            match done {
                Ok(loaded) => {
                    say(&format!("{name}: loaded {}\n", loaded.summary()))?;
                    for note in &loaded.notes {
                        say(&format!("  {note}\n"))?;
                    }
                }
                Err(failure) => {
                    complain(failure.as_ref());
                    code = ExitCode::from(2);
                    // Later files lean on earlier ones; what they would say is noise.
                    break;
                }
            }
        }
        app.store().close();
        Ok(code)
    }
}
