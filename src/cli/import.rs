//! `drykeep import`: loads fixtures and readings, or fills an empty database from an export.

use super::load::{Occasion, Source, load};
use super::progress::Progress;
use super::{Failure, complain, open, say};
use crate::config::Config;
use crate::usecases::archive::{self, ArchiveError};
use clap::Args;
use std::fs::File;
use std::io::{BufReader, Seek as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use thiserror::Error;

/// Load files of fixtures and readings, each whole or not at all, or a whole export.
///
/// Fixtures are TOML (sections `facility`, `rooms`, `gas_supplies`,
/// `gloveboxes`, `people`, `qualifications`, `maintenance_windows`,
/// `upkeep_rules`, with the fields of the API's POST bodies) or CSV (people,
/// qualifications, services, bookings, told by their columns); readings are
/// CSV or NDJSON. Files are loaded in the order given. Exits with 2 when a
/// file was refused; the files before it stay loaded.
///
/// A file that `drykeep export` made is told by its first line. It comes alone,
/// and fills a database that holds nothing yet: all of it, or nothing.
#[derive(Debug, Args)]
pub(super) struct Import {
    /// The files.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

/// An export that was refused; nothing of it was kept.
#[derive(Debug, Error)]
#[error("{name}: nothing of it was imported")]
struct NotImported {
    name: String,
    #[source]
    error: ArchiveError,
}

impl Import {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        for path in &self.files {
            if let Some(export) = export_at(path)? {
                return self.fill(config, path, export);
            }
        }
        let app = open(config)?;
        let mut code = ExitCode::SUCCESS;
        for (number, path) in (1..).zip(&self.files) {
            let name = path.display().to_string();
            let what = format!("loading {name}, file {number} of {}", self.files.len());
            let progress = Progress::begin(&what, app.under_way());
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
    fn fill(&self, config: &Config, path: &Path, export: BufReader<File>) -> Result<ExitCode, Failure> {
        let name = path.display();
        if self.files.len() > 1 {
            return Err(format!("{name} is an export: it fills an empty database, and comes alone").into());
        }
        match archive::import(&config.database, &mut { export }) {
            Ok(volume) => {
                say(&format!("{name}: imported {} rows of {} tables\n", volume.rows, volume.tables))?;
                Ok(ExitCode::SUCCESS)
            }
            Err(error) => Err(NotImported { name: name.to_string(), error }.into()),
        }
    }
}

/// The file, where it begins like an export.
fn export_at(path: &Path) -> Result<Option<BufReader<File>>, Failure> {
    let told = |error: std::io::Error| format!("{}: {error}", path.display());
    let mut file = BufReader::new(File::open(path).map_err(told)?);
    // A pipe cannot be looked into beforehand.
    if !file.get_ref().metadata().map_err(told)?.is_file() || !archive::is_export(&mut file).map_err(told)? {
        return Ok(None);
    }
    file.rewind().map_err(told)?;
    Ok(Some(file))
}
