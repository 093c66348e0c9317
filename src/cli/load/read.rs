//! Reading files into entries, each with the line it stands on and in the
//! form of a request's body; knows nothing of what becomes of them.

use super::Fault;
use super::times::{Times, rfc3339};
use crate::domain::calendar::zone::parse_zone;
use chrono::NaiveDate;
use chrono::{DateTime, Utc};
use csv::StringRecord;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use toml::Spanned;

/// A file's name, for messages and by its ending for its format, and text.
#[derive(Debug, Clone, Copy)]
pub(in crate::cli) struct Source<'a> {
    /// Its name.
    pub(in crate::cli) name: &'a str,
    /// What it holds.
    pub(in crate::cli) text: &'a str,
}

/// What an entry describes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::cli) enum Kind {
    /// The facility as a whole.
    Facility,
    /// A room.
    Room,
    /// A gas supply.
    GasSupply,
    /// A glovebox.
    Glovebox,
    /// A person.
    Person,
    /// A qualification.
    Qualification,
    /// A maintenance window.
    Window,
    /// An upkeep rule.
    Rule,
    /// A stock item.
    StockItem,
    /// A movement of stock.
    StockMovement,
    /// A service.
    Service,
    /// A booking and what became of it.
    Booking,
}

impl Kind {
    /// Several of them, in a word.
    pub(super) const fn plural(self) -> &'static str {
        match self {
            Self::Facility => "facility",
            Self::Room => "rooms",
            Self::GasSupply => "gas supplies",
            Self::Glovebox => "gloveboxes",
            Self::Person => "people",
            Self::Qualification => "qualifications",
            Self::Window => "maintenance windows",
            Self::Rule => "upkeep rules",
            Self::StockItem => "stock items",
            Self::StockMovement => "stock movements",
            Self::Service => "services",
            Self::Booking => "bookings",
        }
    }
}

/// One entry of a file.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) struct Entry {
    /// What it describes.
    pub(super) kind: Kind,
    /// The line it begins on, from one.
    pub(super) line: usize,
    /// The body of the request that it stands for.
    pub(super) body: Value,
}

/// One reading of a file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReadingRow {
    #[serde(skip)]
    pub(super) line: usize,
    pub(super) subject: Option<String>,
    pub(super) quantity: Option<String>,
    pub(super) at: Option<String>,
    pub(super) value: Option<f64>,
    pub(super) unit: Option<String>,
    pub(super) sensor: Option<String>,
}

/// What a file holds.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) enum Content {
    /// Entries, in an order in which each refers to earlier ones only.
    Entries(Vec<Entry>),
    /// Readings.
    Readings(Vec<ReadingRow>),
}

impl Content {
    /// How many entries or readings it is.
    pub(in crate::cli) fn count(&self) -> usize {
        match self {
            Self::Entries(entries) => entries.len(),
            Self::Readings(rows) => rows.len(),
        }
    }
}

/// Reads a file; every fault that the text alone shows is told.
pub(in crate::cli) fn read(source: Source<'_>, times: Times) -> Result<Content, Vec<Fault>> {
    let text = source.text.strip_prefix('\u{feff}').unwrap_or(source.text);
    match source.name.rsplit_once('.').map(|(_, ending)| ending.to_ascii_lowercase()).as_deref() {
        Some("toml") => read_toml(text, times).map(Content::Entries),
        Some("csv") => read_csv(text, times),
        Some("ndjson" | "jsonl") => read_lines(text, times).map(Content::Readings),
        _ => Err(vec![Fault::new(
            1,
            "the name tells the format and ends in .toml, .csv (fixtures, readings) or .ndjson (readings)",
        )]),
    }
}

// --- TOML -------------------------------------------------------------------

type Table = Spanned<toml::Table>;

/// The sections that a TOML file may have, in the order they are loaded in.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Sections {
    facility: Option<Table>,
    rooms: Vec<Table>,
    gas_supplies: Vec<Table>,
    gloveboxes: Vec<Table>,
    people: Vec<Table>,
    qualifications: Vec<Table>,
    maintenance_windows: Vec<Table>,
    upkeep_rules: Vec<Table>,
    stock_items: Vec<Table>,
    stock_movements: Vec<Table>,
}

fn line_of(text: &str, offset: usize) -> usize {
    text.bytes().take(offset).filter(|byte| *byte == b'\n').count() + 1
}

fn read_toml(text: &str, mut times: Times) -> Result<Vec<Entry>, Vec<Fault>> {
    let sections: Sections = toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(1, |span| line_of(text, span.start));
        vec![Fault::new(line, error.message().replace('\n', ", "))]
    })?;
    let named = sections.facility.as_ref().and_then(|table| table.get_ref().get("timezone"));
    if let Some(zone) = named.and_then(toml::Value::as_str).and_then(|name| parse_zone(name).ok()) {
        times.zone = zone;
    }
    let lists = [
        (Kind::Facility, sections.facility.into_iter().collect()),
        (Kind::Room, sections.rooms),
        (Kind::GasSupply, sections.gas_supplies),
        (Kind::Glovebox, sections.gloveboxes),
        (Kind::Person, sections.people),
        (Kind::Qualification, sections.qualifications),
        (Kind::Window, sections.maintenance_windows),
        (Kind::Rule, sections.upkeep_rules),
        (Kind::StockItem, sections.stock_items),
        (Kind::StockMovement, sections.stock_movements),
    ];
    let (mut entries, mut faults) = (Vec::new(), Vec::new());
    for (kind, tables) in lists {
        // Windows and rules keep times on the wall of a zone of their own.
        let on_the_wall = matches!(kind, Kind::Window | Kind::Rule);
        for table in tables {
            let line = line_of(text, table.span().start);
            match json_of(toml::Value::Table(table.into_inner()), times, on_the_wall) {
                Ok(body) => entries.push(Entry { kind, line, body }),
                Err(detail) => faults.push(Fault::new(line, detail)),
            }
        }
    }
    if faults.is_empty() { Ok(entries) } else { Err(faults) }
}

fn json_of(value: toml::Value, times: Times, on_the_wall: bool) -> Result<Value, String> {
    Ok(match value {
        toml::Value::String(text) => Value::String(text),
        toml::Value::Integer(number) => json!(number),
        toml::Value::Float(number) => json!(number),
        toml::Value::Boolean(truth) => Value::Bool(truth),
        toml::Value::Datetime(at) => Value::String(time_of(at, times, on_the_wall)?),
        toml::Value::Array(list) => Value::Array(
            list.into_iter().map(|item| json_of(item, times, on_the_wall)).collect::<Result<_, _>>()?,
        ),
        toml::Value::Table(table) => {
            let fields = table.into_iter().map(|(name, value)| {
                let value =
                    json_of(value, times, on_the_wall).map_err(|detail| format!("{name}: {detail}"))?;
                Ok((name, value))
            });
            Value::Object(fields.collect::<Result<Map<_, _>, String>>()?)
        }
    })
}

/// TOML's own dates and times: with an offset, on the wall, or a day.
fn time_of(at: toml::value::Datetime, times: Times, on_the_wall: bool) -> Result<String, String> {
    let text = at.to_string();
    let outside = || format!("{text} is outside the calendar");
    match (at.date, at.time, at.offset) {
        (Some(_), None, None) => {
            let day = NaiveDate::parse_from_str(&text, "%Y-%m-%d").map_err(|_| outside())?;
            times.day(day).map(|day| day.to_string()).ok_or_else(outside)
        }
        (Some(_), Some(_), None) if on_the_wall => {
            let wall = crate::domain::calendar::LocalTime::parse(&text.replace(' ', "T"));
            times.wall(wall.map_err(|_| outside())?.wall())
        }
        (Some(_), Some(_), _) => times.instant(&text.replace(' ', "T")).map(rfc3339),
        _ => Err(format!("{text} is a time without a day")),
    }
}

// --- CSV ----------------------------------------------------------------------

/// The columns of each kind of CSV file; the first one tells the kind.
const PEOPLE: &[&str] = &["groups", "tag", "name", "subject", "email", "active"];
const QUALIFICATIONS: &[&str] = &["valid_until", "person", "glovebox", "task"];
const SERVICES: &[&str] =
    &["done_at", "subject", "task", "done_by", "outcome", "findings", "calls_for", "measured"];
const BOOKINGS: &[&str] = &[
    "start",
    "end",
    "glovebox",
    "station",
    "whole_box",
    "person",
    "group",
    "purpose",
    "transfers_in",
    "transfers_out",
    "instruments",
    "solvents",
    "booked_at",
    "outcome",
];
const READINGS: &[&str] = &["quantity", "subject", "at", "value", "unit", "sensor"];

/// What a column's cells become.
fn cell(column: &str, text: &str, times: Times) -> Result<Value, String> {
    let list = || text.split(';').map(str::trim).filter(|part| !part.is_empty());
    match column {
        "groups" | "calls_for" | "instruments" | "solvents" => Ok(list().collect()),
        "transfers_in" | "transfers_out" => Ok(list().map(transfer).collect()),
        "active" | "whole_box" => match text {
            "true" | "yes" => Ok(Value::Bool(true)),
            "false" | "no" => Ok(Value::Bool(false)),
            _ => Err("must be true or false".to_owned()),
        },
        "valid_until" => match NaiveDate::parse_from_str(text, "%Y-%m-%d") {
            Ok(day) => times
                .day(day)
                .map(|day| json!(day.to_string()))
                .ok_or_else(|| "is outside the calendar".to_owned()),
            Err(_) => times.instant(text).map(|at| json!(rfc3339(at))),
        },
        "done_at" | "start" | "end" | "booked_at" => times.instant(text).map(|at| json!(rfc3339(at))),
        "measured" => serde_json::from_str(text).map_err(|_| "must be a JSON object".to_owned()),
        _ => Ok(json!(text)),
    }
}

/// `CHAMBER` or `CHAMBER:porous`.
fn transfer(text: &str) -> Value {
    match text.split_once(':') {
        Some((chamber, sample)) => json!({ "antechamber": chamber.trim(), "sample": sample.trim() }),
        None => json!({ "antechamber": text }),
    }
}

fn read_csv(text: &str, times: Times) -> Result<Content, Vec<Fault>> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let broken = |error: &csv::Error| {
        let line =
            error.position().map_or(1, |position| usize::try_from(position.line()).unwrap_or(usize::MAX));
        if let csv::ErrorKind::UnequalLengths { expected_len, len, .. } = error.kind() {
            return Fault::new(line, format!("the row has {len} fields, the header {expected_len}"));
        }
        Fault::new(line, error.to_string())
    };
    let header = reader.headers().map_err(|error| vec![broken(&error)])?.clone();
    let kind = kind_of(&header)?;
    let (mut content, mut faults) =
        (Rows { kind, header, times, entries: Vec::new(), readings: Vec::new() }, Vec::new());
    for record in reader.records() {
        let taken = match &record {
            Ok(record) => content.take(record),
            Err(error) => Err(vec![broken(error)]),
        };
        faults.extend(taken.err().into_iter().flatten());
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    Ok(match content.kind {
        Some(_) => Content::Entries(content.entries),
        None => Content::Readings(content.readings),
    })
}

/// The kind of a CSV file by its header; none for readings.
fn kind_of(header: &StringRecord) -> Result<Option<Kind>, Vec<Fault>> {
    let kinds = [
        (None, READINGS),
        (Some(Kind::Service), SERVICES),
        (Some(Kind::Booking), BOOKINGS),
        (Some(Kind::Qualification), QUALIFICATIONS),
        (Some(Kind::Person), PEOPLE),
    ];
    let Some((kind, known)) = kinds.into_iter().find(|(_, known)| header.iter().any(|name| name == known[0]))
    else {
        let telling: Vec<&str> = kinds.iter().map(|(_, known)| known[0]).collect();
        return Err(vec![Fault::new(
            1,
            format!("the header names none of the columns that tell what it is: {}", telling.join(", ")),
        )]);
    };
    let mut faults = Vec::new();
    for (index, name) in header.iter().enumerate() {
        if !known.contains(&name) {
            faults
                .push(Fault::new(1, format!("there is no column {name:?}; it may be {}", known.join(", "))));
        } else if header.iter().take(index).any(|before| before == name) {
            faults.push(Fault::new(1, format!("{name} is a column twice")));
        }
    }
    if faults.is_empty() { Ok(kind) } else { Err(faults) }
}

/// The rows of a CSV file as they are read.
struct Rows {
    kind: Option<Kind>,
    header: StringRecord,
    times: Times,
    entries: Vec<Entry>,
    readings: Vec<ReadingRow>,
}

impl Rows {
    fn take(&mut self, record: &StringRecord) -> Result<(), Vec<Fault>> {
        let line =
            record.position().map_or(0, |position| usize::try_from(position.line()).unwrap_or(usize::MAX));
        let Some(kind) = self.kind else {
            return self.take_reading(line, record).map_err(|detail| vec![Fault::new(line, detail)]);
        };
        let (mut body, mut faults) = (Map::new(), Vec::new());
        for (column, text) in self.header.iter().zip(record).filter(|(_, text)| !text.is_empty()) {
            match cell(column, text, self.times) {
                Ok(value) => drop(body.insert(column.to_owned(), value)),
                Err(detail) => faults.push(Fault::new(line, format!("{column}: {detail}"))),
            }
        }
        if faults.is_empty() {
            self.entries.push(Entry { kind, line, body: Value::Object(body) });
            return Ok(());
        }
        Err(faults)
    }

    fn take_reading(&mut self, line: usize, record: &StringRecord) -> Result<(), String> {
        let cell = |name: &str| {
            let found = self.header.iter().zip(record).find(|(column, _)| *column == name);
            found.map(|(_, text)| text).filter(|text| !text.is_empty()).map(str::to_owned)
        };
        let value =
            cell("value").map(|text| text.parse().map_err(|_| format!("value: {text:?} is not a number")));
        let row = ReadingRow {
            line,
            subject: cell("subject"),
            quantity: cell("quantity"),
            at: cell("at"),
            value: value.transpose()?,
            unit: cell("unit"),
            sensor: cell("sensor"),
        };
        self.readings.extend(timed(row, self.times)?);
        Ok(())
    }
}

/// The reading with its time as an instant; none where it is to be passed over.
fn timed(row: ReadingRow, times: Times) -> Result<Option<ReadingRow>, String> {
    let at: Option<DateTime<Utc>> = row
        .at
        .as_deref()
        .map(|text| times.instant(text))
        .transpose()
        .map_err(|detail| format!("at: {detail}"))?;
    let later = at.zip(times.until).is_some_and(|(at, until)| at > until);
    Ok((!later).then(|| ReadingRow { at: at.map(rfc3339), ..row }))
}

// --- NDJSON -------------------------------------------------------------------

fn read_lines(text: &str, times: Times) -> Result<Vec<ReadingRow>, Vec<Fault>> {
    let (mut rows, mut faults) = (Vec::new(), Vec::new());
    for (index, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let number = index + 1;
        let parsed: Result<ReadingRow, _> = serde_json::from_str(line);
        let row = parsed
            .map_err(|error| {
                let text = error.to_string();
                text.split(" at line ").next().unwrap_or(&text).to_owned()
            })
            .and_then(|row| timed(ReadingRow { line: number, ..row }, times));
        match row {
            Ok(row) => rows.extend(row),
            Err(detail) => faults.push(Fault::new(number, detail)),
        }
    }
    if faults.is_empty() { Ok(rows) } else { Err(faults) }
}
