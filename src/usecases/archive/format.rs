//! The form of an export: lines of JSON. The first names the format, its
//! version, the schema and how many rows of which table follow; then comes a
//! line for each row; the last holds the SHA-256 of all bytes before it. What is
//! the same is written the same, byte by byte.

use super::ArchiveError;
use crate::store::archive::{Cell, Kind, Table, named};
use chrono::NaiveDateTime;
use serde::ser::SerializeMap as _;
use serde::{Deserialize, Serialize, Serializer};
use serde_json::{Map, Value};
use sha2::{Digest as _, Sha256};
use std::fmt::Write as _;
use std::io::{BufRead, Read as _, Write};

/// The name of the format.
const FORMAT: &str = "drykeep-export";
/// The version that is written and read.
pub(super) const VERSION: u64 = 1;
/// The longest line that is read; far beyond what any row comes to.
const LONGEST_LINE: u64 = 256 * 1024 * 1024;
/// How much of a file shows whether it is an export.
const TELLING: u64 = 64;
/// How moments are written: RFC 3339 in UTC.
const INSTANT: &str = "%Y-%m-%dT%H:%M:%S%.fZ";

/// How many rows of a table a file holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TableRows {
    /// The table.
    pub(super) table: String,
    /// How many.
    pub(super) rows: u64,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    format: String,
    format_version: u64,
    schema: String,
    tables: Vec<TableRows>,
}

/// A line after the first: a row, or the end.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    table: Option<String>,
    row: Option<Map<String, Value>>,
    sha256: Option<String>,
}

#[derive(Serialize)]
struct RowLine<'a> {
    table: &'a str,
    row: RowBody<'a>,
}

struct RowBody<'a>(&'a Table, &'a [Cell]);

impl Serialize for RowBody<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.1.len()))?;
        for (column, cell) in self.0.columns.iter().zip(self.1) {
            let name = column.name.as_str();
            match cell {
                Cell::Null => map.serialize_entry(name, &())?,
                Cell::Bool(value) => map.serialize_entry(name, value)?,
                Cell::Integer(value) => map.serialize_entry(name, value)?,
                Cell::Real(value) => map.serialize_entry(name, value)?,
                Cell::Text(value) => map.serialize_entry(name, value)?,
                Cell::Instant(value) => map.serialize_entry(name, &value.format(INSTANT).to_string())?,
            }
        }
        map.end()
    }
}

#[derive(Serialize)]
struct EndLine<'a> {
    sha256: &'a str,
}

fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        // Writing to a string cannot fail.
        write!(text, "{byte:02x}").unwrap_or_default();
    }
    text
}

/// Writes an export.
pub(super) struct Sink<'a, W: Write> {
    out: &'a mut W,
    hash: Sha256,
    line: Vec<u8>,
}

impl<'a, W: Write> Sink<'a, W> {
    /// Begins with the header.
    pub(super) fn begin(
        out: &'a mut W,
        schema: String,
        tables: Vec<TableRows>,
    ) -> Result<Self, ArchiveError> {
        let mut sink = Self { out, hash: Sha256::new(), line: Vec::new() };
        sink.put(&Header { format: FORMAT.to_owned(), format_version: VERSION, schema, tables })?;
        Ok(sink)
    }

    fn put(&mut self, line: &impl Serialize) -> Result<(), ArchiveError> {
        self.line.clear();
        serde_json::to_writer(&mut self.line, line).map_err(|error| ArchiveError::File(error.into()))?;
        self.line.push(b'\n');
        self.hash.update(&self.line);
        Ok(self.out.write_all(&self.line)?)
    }

    /// A row.
    pub(super) fn row(&mut self, table: &Table, cells: &[Cell]) -> Result<(), ArchiveError> {
        self.put(&RowLine { table: table.name, row: RowBody(table, cells) })
    }

    /// Ends with the checksum.
    pub(super) fn end(mut self) -> Result<(), ArchiveError> {
        let digest = hex(&self.hash.finalize_reset());
        self.put(&EndLine { sha256: &digest })?;
        Ok(self.out.flush()?)
    }
}

/// Whether a file begins like an export.
pub(crate) fn is_export(file: &mut impl BufRead) -> std::io::Result<bool> {
    let mut start = Vec::new();
    file.take(TELLING).read_to_end(&mut start)?;
    let expected = format!("{{\"format\":\"{FORMAT}\"");
    Ok(start.starts_with(expected.as_bytes()))
}

/// A row as it stands in a file.
pub(super) struct FileRow {
    /// Its table.
    pub(super) table: String,
    /// Its values by column.
    pub(super) row: Map<String, Value>,
}

/// Reads an export line by line.
pub(super) struct Lines<'a, R: BufRead> {
    file: &'a mut R,
    hash: Sha256,
    number: u64,
    line: Vec<u8>,
    /// The checksum that the end named, once it was met, and what it should be.
    ended: Option<(String, String)>,
}

impl<'a, R: BufRead> Lines<'a, R> {
    pub(super) fn new(file: &'a mut R) -> Self {
        Self { file, hash: Sha256::new(), number: 0, line: Vec::new(), ended: None }
    }

    /// The number of the line that was read last.
    pub(super) fn number(&self) -> u64 {
        self.number
    }

    fn bad(&self, why: impl Into<String>) -> ArchiveError {
        ArchiveError::Line { line: self.number, why: why.into() }
    }

    /// Reads a line whole; `false` at the end of the file.
    fn read(&mut self) -> Result<bool, ArchiveError> {
        self.line.clear();
        let read = self.file.by_ref().take(LONGEST_LINE).read_until(b'\n', &mut self.line)?;
        if read == 0 {
            return Ok(false);
        }
        self.number += 1;
        match self.line.pop() {
            Some(b'\n') => Ok(true),
            _ if self.line.len() as u64 + 1 == LONGEST_LINE => Err(self.bad("it is too long")),
            _ => Err(ArchiveError::CutOff),
        }
    }

    fn take_in(&mut self) {
        self.hash.update(&self.line);
        self.hash.update(b"\n");
    }

    /// The tables that the header announces, and the schema.
    pub(super) fn header(&mut self) -> Result<(Vec<TableRows>, String), ArchiveError> {
        if !self.read()? {
            return Err(ArchiveError::NotAnExport);
        }
        let loose: Value = serde_json::from_slice(&self.line).map_err(|_| ArchiveError::NotAnExport)?;
        if loose["format"] != FORMAT {
            return Err(ArchiveError::NotAnExport);
        }
        match loose["format_version"].as_u64() {
            Some(VERSION) => {}
            Some(found) => return Err(ArchiveError::OtherVersion { found }),
            None => return Err(ArchiveError::NotAnExport),
        }
        let header: Header =
            serde_json::from_slice(&self.line).map_err(|error| self.bad(error.to_string()))?;
        self.take_in();
        Ok((header.tables, header.schema))
    }

    /// The next row; none at the end, which has to be where the file ends.
    pub(super) fn row(&mut self) -> Result<Option<FileRow>, ArchiveError> {
        if self.ended.is_some() {
            return Ok(None);
        }
        if !self.read()? {
            return Err(ArchiveError::CutOff);
        }
        match serde_json::from_slice(&self.line) {
            Ok(Line { table: Some(table), row: Some(row), sha256: None }) => {
                self.take_in();
                Ok(Some(FileRow { table, row }))
            }
            Ok(Line { table: None, row: None, sha256: Some(said) }) => {
                self.ended = Some((said, hex(&self.hash.finalize_reset())));
                if self.read()? { Err(self.bad("something follows the checksum")) } else { Ok(None) }
            }
            Ok(_) => Err(self.bad("it is neither a row nor the checksum")),
            Err(error) => Err(self.bad(error.to_string())),
        }
    }

    /// Reads the end and returns the checksum, which is that of what was read.
    pub(super) fn end(mut self) -> Result<String, ArchiveError> {
        if self.row()?.is_some() {
            return Err(self.bad("it is one row more than the header says"));
        }
        match self.ended {
            Some((said, found)) if said == found => Ok(found),
            _ => Err(ArchiveError::Damaged),
        }
    }
}

/// A file that is whole.
#[derive(Debug)]
pub(super) struct Checked {
    /// What it holds.
    pub(super) tables: Vec<TableRows>,
    /// Its checksum.
    pub(super) digest: String,
}

/// Reads a file to its end; passes when it is whole and of the schema.
pub(super) fn check(file: &mut impl BufRead, schema: &str) -> Result<Checked, ArchiveError> {
    let mut lines = Lines::new(file);
    let (tables, found) = lines.header()?;
    if found != schema {
        return Err(ArchiveError::OtherSchema { found, ours: schema.to_owned() });
    }
    if let Some(unknown) = tables.iter().find(|table| named(&table.table).is_none()) {
        return Err(lines.bad(format!("there is no table {}", unknown.table)));
    }
    let mut counted = vec![0_u64; tables.len()];
    let mut at = 0;
    while let Some(row) = lines.row()? {
        let further = tables.iter().skip(at).position(|table| table.table == row.table);
        at += further.ok_or_else(|| lines.bad(format!("{} comes out of turn", row.table)))?;
        counted[at] += 1;
    }
    let digest = lines.end()?;
    for (table, found) in tables.iter().zip(counted) {
        if table.rows != found {
            return Err(ArchiveError::Count { table: table.table.clone(), said: table.rows, found });
        }
    }
    Ok(Checked { tables, digest })
}

/// The values of a row in the order of the table's columns.
pub(super) fn row_of(table: &Table, mut row: Map<String, Value>) -> Result<Vec<Cell>, String> {
    let mut cells = Vec::with_capacity(table.columns.len());
    for column in &table.columns {
        let value = row.remove(&column.name).ok_or_else(|| format!("{} is missing", column.name))?;
        cells.push(cell_of(column.kind, value).map_err(|why| format!("{}: {why}", column.name))?);
    }
    match row.keys().next() {
        Some(unknown) => Err(format!("{} has no column {unknown}", table.name)),
        None => Ok(cells),
    }
}

fn cell_of(kind: Kind, value: Value) -> Result<Cell, String> {
    let unfit = |value: &Value| format!("{value} is not of the kind {kind:?}");
    match (kind, value) {
        (_, Value::Null) => Ok(Cell::Null),
        (Kind::Bool, Value::Bool(value)) => Ok(Cell::Bool(value)),
        (Kind::Text, Value::String(text)) => Ok(Cell::Text(text)),
        (Kind::Instant, Value::String(text)) => NaiveDateTime::parse_from_str(&text, INSTANT)
            .map(Cell::Instant)
            .map_err(|error| format!("{text:?} is no time: {error}")),
        (Kind::Integer, Value::Number(number)) => {
            number.as_i64().map(Cell::Integer).ok_or_else(|| unfit(&Value::Number(number)))
        }
        (Kind::Real, Value::Number(number)) => {
            number.as_f64().map(Cell::Real).ok_or_else(|| unfit(&Value::Number(number)))
        }
        (_, value) => Err(unfit(&value)),
    }
}
