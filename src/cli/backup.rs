//! `drykeep backup`: a copy of the `SQLite` file while the service runs.

use super::new_file::NewFile;
use super::{Failure, say};
use crate::config::Config;
use crate::store::{DatabaseUrl, copy_sqlite};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// What to do where the data is not in a file.
const ON_A_SERVER: &str = "a PostgreSQL database is backed up with pg_dump (--format=custom), \
     which PostgreSQL's own documentation describes; drykeep export FILE makes a file for either backend";

/// Copy the `SQLite` file while the service runs.
///
/// The copy holds everything acknowledged before the command was started, has
/// passed `SQLite`'s own check of integrity, and can be served as it is. Only
/// its owner may read it. A file that is there already is left alone.
#[derive(Debug, Args)]
pub(super) struct Backup {
    /// The file to be made.
    #[arg(value_name = "FILE")]
    file: PathBuf,
}

impl Backup {
    pub(super) fn run(&self, config: &Config) -> Result<ExitCode, Failure> {
        let DatabaseUrl::Sqlite(database) = &config.database else { return Err(ON_A_SERVER.into()) };
        let named = |error: &dyn std::fmt::Display| format!("{}: {error}", self.file.display());
        let new = NewFile::create(&self.file).map_err(|error| named(&error))?;
        copy_sqlite(database, new.making())?;
        new.finish().map_err(|error| named(&error))?;
        say(&named(&"a sound copy\n"))?;
        Ok(ExitCode::SUCCESS)
    }
}
