//! `drykeep export`: everything in one file that either backend can be filled from.

use super::new_file::NewFile;
use super::{Failure, say};
use crate::config::Config;
use crate::usecases::archive;
use clap::Args;
use std::io::BufWriter;
use std::path::PathBuf;
use std::process::ExitCode;

/// Write everything the database holds to a file.
///
/// The file is as the database is at one moment, while others may write to it,
/// and is made for `drykeep import` into an empty database on either backend.
/// It holds the secrets of webhooks and the names of people: only its owner
/// may read it. A file that is there already is left alone.
#[derive(Debug, Args)]
pub(super) struct Export {
    /// The file to be made.
    #[arg(value_name = "FILE")]
    file: PathBuf,
}

impl Export {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let named = |error: &dyn std::fmt::Display| format!("{}: {error}", self.file.display());
        let mut new = NewFile::create(&self.file).map_err(|error| named(&error))?;
        let volume = archive::export(&config.database, &mut BufWriter::new(new.file()))?;
        new.finish().map_err(|error| named(&error))?;
        say(&named(&format!("exported {} rows of {} tables\n", volume.rows, volume.tables)))?;
        Ok(ExitCode::SUCCESS)
    }
}
