//! The whole database as one file, and a fresh database from such a file, on
//! either backend. A file that is not whole, or of another version, is refused
//! before anything is written. Knows nothing of where files are.

mod format;

use crate::store::archive::{self, Cell, Table};
use crate::store::{DatabaseUrl, StoreError, Tx, schema_name};
use format::{Checked, Lines, Sink, TableRows, row_of};
use std::io::{self, BufRead, Seek, Write};
use thiserror::Error;

pub(crate) use format::is_export;

/// Why a database was not written to a file, or not filled from one.
#[derive(Debug, Error)]
pub(crate) enum ArchiveError {
    /// The database.
    #[error("the database failed")]
    Store(#[source] StoreError),
    /// The file.
    #[error("the file cannot be read or written")]
    File(#[source] io::Error),
    /// Something else.
    #[error("its first line is not the header of an export")]
    NotAnExport,
    /// By another program than this.
    #[error("it has format version {found}; this program reads version {}", format::VERSION)]
    OtherVersion {
        /// The version.
        found: u64,
    },
    /// By this program, with other tables.
    #[error(
        "it was written with the schema {found} and this program works with {ours}: import it with the drykeep \
         that wrote it, whose database this one then brings up to date"
    )]
    OtherSchema {
        /// The schema.
        found: String,
        /// The present one.
        ours: String,
    },
    /// Its end is missing.
    #[error("it is cut off: its last line is not the checksum of an export")]
    CutOff,
    /// It was changed.
    #[error("it is damaged: its checksum is not that of what it holds")]
    Damaged,
    /// A line that does not belong there.
    #[error("line {line}: {why}")]
    Line {
        /// The line, from one.
        line: u64,
        /// What is wrong with it.
        why: String,
    },
    /// More or fewer rows than its header says.
    #[error("it holds {found} rows of {table} and its header says {said}")]
    Count {
        /// The table.
        table: String,
        /// By the header.
        said: u64,
        /// In the file.
        found: u64,
    },
    /// Nothing is added to what is there.
    #[error("the database is not empty ({}); a file is imported into a fresh one only", .0.join(", "))]
    NotEmpty(Vec<&'static str>),
    /// A rule of the database.
    #[error("lines {first} to {last}: the database refused these rows of {table}; nothing was kept")]
    Refused {
        /// The table.
        table: &'static str,
        /// The first of the lines.
        first: u64,
        /// The last of them.
        last: u64,
        /// What it said.
        source: StoreError,
    },
}

impl From<StoreError> for ArchiveError {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl From<io::Error> for ArchiveError {
    fn from(error: io::Error) -> Self {
        Self::File(error)
    }
}

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Volume {
    /// How many rows.
    pub(crate) rows: u64,
    /// Of how many tables that hold any.
    pub(crate) tables: usize,
}

impl Volume {
    fn of(tables: &[TableRows]) -> Self {
        Self {
            rows: tables.iter().map(|table| table.rows).sum(),
            tables: tables.iter().filter(|table| table.rows > 0).count(),
        }
    }
}

/// Writes everything the database holds at one moment.
pub(crate) fn export(url: &DatabaseUrl, out: &mut impl Write) -> Result<Volume, ArchiveError> {
    archive::snapshot(url, |tx| {
        let tables = archive::tables(tx)?;
        let mut counts = Vec::with_capacity(tables.len());
        for table in &tables {
            counts.push(TableRows { table: table.name.to_owned(), rows: archive::count(tx, table)? });
        }
        let volume = Volume::of(&counts);
        let mut sink = Sink::begin(out, schema_name()?, counts)?;
        for table in &tables {
            archive::each_row(tx, table, |row| sink.row(table, &row))?;
        }
        sink.end()?;
        Ok(volume)
    })
}

/// Fills a database that holds nothing yet, all of it or nothing.
pub(crate) fn import(url: &DatabaseUrl, file: &mut (impl BufRead + Seek)) -> Result<Volume, ArchiveError> {
    let checked = format::check(file, &schema_name()?)?;
    file.rewind()?;
    archive::fill(url, |tx| {
        let occupied = archive::occupied(tx)?;
        if !occupied.is_empty() {
            return Err(ArchiveError::NotEmpty(occupied));
        }
        fill(tx, file, &checked)
    })?;
    Ok(Volume::of(&checked.tables))
}

fn fill(tx: &mut Tx<'_>, file: &mut impl BufRead, checked: &Checked) -> Result<(), ArchiveError> {
    let mut lines = Lines::new(file);
    lines.header()?;
    for (table, counted) in archive::tables(tx)?.iter().zip(&checked.tables) {
        archive::begin(tx, table)?;
        let mut left = counted.rows;
        while left > 0 {
            let first = lines.number() + 1;
            let mut rows: Vec<Vec<Cell>> = Vec::new();
            while left > 0 && rows.len() < archive::rows_at_once(table) {
                rows.push(next_row(&mut lines, table)?);
                left -= 1;
            }
            let last = lines.number();
            archive::insert(tx, table, &rows).map_err(|source| ArchiveError::Refused {
                table: table.name,
                first,
                last,
                source,
            })?;
        }
    }
    // What was read now must be what was checked before.
    if lines.end()? == checked.digest { Ok(()) } else { Err(ArchiveError::Damaged) }
}

fn next_row<R: BufRead>(lines: &mut Lines<'_, R>, table: &Table) -> Result<Vec<Cell>, ArchiveError> {
    let row = lines.row()?.filter(|row| row.table == table.name).ok_or(ArchiveError::Damaged)?;
    row_of(table, row.row).map_err(|why| ArchiveError::Line { line: lines.number(), why })
}
