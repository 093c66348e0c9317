//! The three forms in which readings are sent, read leniently: a row that is
//! wrong becomes a fault of its own and the rows around it are still read.

use crate::api::body;
use crate::api::problem::{self, Problem};
use crate::domain::upkeep::readings::{Batch, RawReading, RowFault, excerpt};
use crate::domain::violations::{Check, Violation};
use actix_web::HttpRequest;
use csv::ByteRecord;
use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::borrow::Cow;
use std::fmt;
use std::str::from_utf8;

/// Largest body of readings, bytes.
pub(super) const LIMIT: usize = 16 * 1024 * 1024;
/// Most rows in one request.
pub(super) const MOST_ROWS: usize = 100_000;

/// The form a body is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    /// One JSON object with a list of rows.
    Json,
    /// A JSON object a line.
    Lines,
    /// Comma-separated values with a header.
    Csv,
}

impl Format {
    /// The form that the request's `Content-Type` names.
    pub(super) fn of(request: &HttpRequest) -> Result<Self, Problem> {
        Self::named(&body::content_type(request))
    }

    /// The form of a media type.
    pub(super) fn named(media_type: &str) -> Result<Self, Problem> {
        match media_type {
            "application/json" => Ok(Self::Json),
            "application/x-ndjson" => Ok(Self::Lines),
            "text/csv" => Ok(Self::Csv),
            other => {
                let kinds = "application/json, application/x-ndjson or text/csv";
                Err(Problem::new(problem::UNSUPPORTED, format!("readings come as {kinds}, not {other:?}")))
            }
        }
    }

    /// Reads the rows of a body into a batch.
    pub(super) fn read(self, bytes: &[u8], batch: &mut Batch) -> Result<(), Problem> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        if bytes.trim_ascii().is_empty() {
            return Err(Problem::new(problem::UNREADABLE, "the body is empty"));
        }
        match self {
            Self::Json => read_json(bytes, batch),
            Self::Lines => read_lines(bytes, batch),
            Self::Csv => read_csv(bytes, batch),
        }
    }
}

/// Adds a row unless there are too many.
fn push(batch: &mut Batch, row: Result<RawReading<'_>, RowFault>) -> Result<(), Problem> {
    if batch.count() == MOST_ROWS {
        let detail = format!("one request takes at most {MOST_ROWS} readings");
        return Err(Problem::new(problem::TOO_LARGE, detail));
    }
    batch.push(row);
    Ok(())
}

fn read_json(bytes: &[u8], batch: &mut Batch) -> Result<(), Problem> {
    let sent: Sent<'_> = body::parse_json(bytes)?;
    sent.readings.0.iter().try_for_each(|row| push(batch, row.raw()))
}

fn read_lines(bytes: &[u8], batch: &mut Batch) -> Result<(), Problem> {
    let mut readable = 0_usize;
    for line in bytes.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii) {
        if line.is_empty() {
            continue;
        }
        match serde_json::from_slice::<JsonRow<'_>>(line) {
            Ok(row) => {
                readable += 1;
                push(batch, row.raw())?;
            }
            Err(error) => push(batch, Err(RowFault::Malformed(format!("the line is not JSON: {error}"))))?,
        }
    }
    if readable == 0 {
        return Err(Problem::new(problem::UNREADABLE, "no line of the body is JSON"));
    }
    Ok(())
}

/// The body as JSON; rows beyond one too many are not kept.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent<'a> {
    #[serde(borrow)]
    readings: JsonRows<'a>,
}

struct JsonRows<'a>(Vec<JsonRow<'a>>);

impl<'de: 'a, 'a> Deserialize<'de> for JsonRows<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Rows;

        impl<'de> Visitor<'de> for Rows {
            type Value = Vec<JsonRow<'de>>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a list of readings")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                let mut rows = Vec::new();
                while rows.len() <= MOST_ROWS {
                    match seq.next_element()? {
                        Some(row) => rows.push(row),
                        None => return Ok(rows),
                    }
                }
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(rows)
            }
        }

        deserializer.deserialize_seq(Rows).map(Self)
    }
}

/// Any JSON value, as far as a row needs to know it.
#[derive(Debug, Default, PartialEq)]
enum Cell<'a> {
    #[default]
    Null,
    Text(Cow<'a, str>),
    Number(f64),
    Other,
}

impl Cell<'_> {
    fn text(&self, field: &'static str) -> Result<Option<&str>, RowFault> {
        match self {
            Self::Null => Ok(None),
            Self::Text(text) => Ok(Some(text.trim()).filter(|text| !text.is_empty())),
            Self::Number(_) | Self::Other => Err(RowFault::WrongType { field, expected: "text" }),
        }
    }

    const fn number(&self, field: &'static str) -> Result<Option<f64>, RowFault> {
        match self {
            Self::Null => Ok(None),
            Self::Number(number) => Ok(Some(*number)),
            Self::Text(_) | Self::Other => Err(RowFault::WrongType { field, expected: "a number" }),
        }
    }
}

impl<'de> Deserialize<'de> for Cell<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct AnyCell;

        impl<'de> Visitor<'de> for AnyCell {
            type Value = Cell<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("any value")
            }

            fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Self::Value, E> {
                Ok(Cell::Text(Cow::Borrowed(text)))
            }

            fn visit_str<E>(self, text: &str) -> Result<Self::Value, E> {
                Ok(Cell::Text(Cow::Owned(text.to_owned())))
            }

            fn visit_f64<E>(self, number: f64) -> Result<Self::Value, E> {
                Ok(Cell::Number(number))
            }

            #[expect(clippy::cast_precision_loss, reason = "JSON knows numbers, not integers")]
            fn visit_i64<E>(self, number: i64) -> Result<Self::Value, E> {
                Ok(Cell::Number(number as f64))
            }

            #[expect(clippy::cast_precision_loss, reason = "JSON knows numbers, not integers")]
            fn visit_u64<E>(self, number: u64) -> Result<Self::Value, E> {
                Ok(Cell::Number(number as f64))
            }

            fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
                Ok(Cell::Other)
            }

            fn visit_unit<E>(self) -> Result<Self::Value, E> {
                Ok(Cell::Null)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Cell::Other)
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
                Ok(Cell::Other)
            }
        }

        deserializer.deserialize_any(AnyCell)
    }
}

/// The fields of a reading, in the order of [`Cells`].
const FIELDS: [&str; 6] = ["subject", "quantity", "at", "value", "unit", "sensor"];

fn field_number(name: &str) -> Option<usize> {
    FIELDS.iter().position(|field| *field == name)
}

/// A row of JSON, or what is wrong with it.
struct JsonRow<'a>(Result<[Cell<'a>; FIELDS.len()], RowFault>);

impl JsonRow<'_> {
    fn raw(&self) -> Result<RawReading<'_>, RowFault> {
        let [subject, quantity, at, value, unit, sensor] = self.0.as_ref().map_err(Clone::clone)?;
        Ok(RawReading {
            subject: subject.text("subject")?,
            quantity: quantity.text("quantity")?,
            at: at.text("at")?,
            value: value.number("value")?,
            unit: unit.text("unit")?,
            sensor: sensor.text("sensor")?,
        })
    }
}

impl<'de> Deserialize<'de> for JsonRow<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Row;

        fn no_object<'de>() -> JsonRow<'de> {
            JsonRow(Err(RowFault::Malformed("a reading is a JSON object".to_owned())))
        }

        impl<'de> Visitor<'de> for Row {
            type Value = JsonRow<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a reading")
            }

            fn visit_str<E>(self, _: &str) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_f64<E>(self, _: f64) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_i64<E>(self, _: i64) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_u64<E>(self, _: u64) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_bool<E>(self, _: bool) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_unit<E>(self) -> Result<Self::Value, E> {
                Ok(no_object())
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(no_object())
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut cells: [Cell<'de>; FIELDS.len()] = Default::default();
                let mut given = [false; FIELDS.len()];
                let mut fault = None;
                while let Some(key) = map.next_key::<Key>()? {
                    match key.0 {
                        Ok(number) if given[number] => {
                            map.next_value::<IgnoredAny>()?;
                            let detail = format!("{} is given twice", FIELDS[number]);
                            fault.get_or_insert(RowFault::Malformed(detail));
                        }
                        Ok(number) => {
                            given[number] = true;
                            cells[number] = map.next_value()?;
                        }
                        Err(name) => {
                            map.next_value::<IgnoredAny>()?;
                            fault.get_or_insert(RowFault::UnknownField(name));
                        }
                    }
                }
                Ok(JsonRow(fault.map_or(Ok(cells), Err)))
            }
        }

        deserializer.deserialize_any(Row)
    }
}

/// The number of a known field, or the beginning of an unknown one's name.
struct Key(Result<usize, String>);

impl<'de> Deserialize<'de> for Key {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Name;

        impl Visitor<'_> for Name {
            type Value = Key;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a field")
            }

            fn visit_str<E>(self, name: &str) -> Result<Key, E> {
                Ok(Key(field_number(name).ok_or_else(|| excerpt(name))))
            }
        }

        deserializer.deserialize_str(Name)
    }
}

fn read_csv(bytes: &[u8], batch: &mut Batch) -> Result<(), Problem> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(bytes);
    let broken = |e: csv::Error| Problem::new(problem::UNREADABLE, format!("the body is not CSV: {e}"));
    let columns = Columns::find(reader.byte_headers().map_err(broken)?)?;
    let mut record = ByteRecord::new();
    while reader.read_byte_record(&mut record).map_err(broken)? {
        push(batch, columns.raw(&record))?;
    }
    Ok(())
}

/// Which column each field is in.
struct Columns {
    of: [Option<usize>; FIELDS.len()],
    count: usize,
}

impl Columns {
    fn find(header: &ByteRecord) -> Result<Self, Problem> {
        let mut check = Check::default();
        let mut of = [None; FIELDS.len()];
        for (column, name) in header.iter().enumerate() {
            let name = from_utf8(name)
                .map_err(|_| Problem::new(problem::UNREADABLE, "the CSV header is not UTF-8 text"))?
                .trim();
            match field_number(name) {
                Some(field) if of[field].is_some() => {
                    check.note(Violation::new(name, "duplicate_column", "is a column twice"));
                }
                Some(field) => of[field] = Some(column),
                None => {
                    let detail = format!("a reading has no field {:?}", excerpt(name));
                    check.note(Violation::new(excerpt(name), "unknown_field", detail));
                }
            }
        }
        for field in 0..4 {
            let name = FIELDS[field];
            check.require(of[field].is_some(), name, "missing_field", "the header has no such column");
        }
        check.finish(|| Self { of, count: header.len() }).map_err(|faults| Problem::invalid(&faults))
    }

    fn raw<'a>(&self, record: &'a ByteRecord) -> Result<RawReading<'a>, RowFault> {
        if record.len() != self.count {
            let detail = format!("the row has {} fields, the header {}", record.len(), self.count);
            return Err(RowFault::Malformed(detail));
        }
        let cell = |field: usize| -> Result<Option<&'a str>, RowFault> {
            let Some(bytes) = self.of[field].and_then(|column| record.get(column)) else { return Ok(None) };
            let text = from_utf8(bytes)
                .map_err(|_| RowFault::Malformed(format!("{} is not UTF-8 text", FIELDS[field])))?;
            Ok(Some(text.trim()).filter(|text| !text.is_empty()))
        };
        let wrong = RowFault::WrongType { field: "value", expected: "a number" };
        Ok(RawReading {
            subject: cell(0)?,
            quantity: cell(1)?,
            at: cell(2)?,
            value: cell(3)?.map(str::parse).transpose().map_err(|_| wrong)?,
            unit: cell(4)?,
            sensor: cell(5)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::violations::Coded as _;
    use chrono::DateTime;

    fn read(format: Format, body: &str) -> (usize, Vec<(usize, &'static str)>) {
        let mut batch = Batch::received_at(DateTime::from_timestamp(1_770_000_000, 0).unwrap());
        format.read(body.as_bytes(), &mut batch).unwrap();
        let rejected = batch.rejected().iter().map(|row| (row.index, row.fault.code())).collect();
        (batch.rows().len(), rejected)
    }

    fn refusal(format: Format, body: &[u8]) -> u16 {
        let mut batch = Batch::received_at(DateTime::from_timestamp(1_770_000_000, 0).unwrap());
        format.read(body, &mut batch).unwrap_err().code().as_u16()
    }

    const GOOD: &str = r#"{"subject":"LYNX","quantity":"oxygen_ppm","at":"2026-01-02T03:04:05Z","value":1}"#;

    #[test]
    fn a_bad_row_of_json_spoils_no_other() {
        let odd = GOOD.replace("\"value\"", "\"colour\":[{}],\"value\"");
        let twice = GOOD.replace("\"value\"", "\"value\":2,\"value\"");
        let words = GOOD.replace(":1}", ":\"1\"}");
        let body = format!(r#"{{"readings":[{GOOD},7,{odd},[],{twice},null,{words},{GOOD},"x",{{}}]}}"#);
        let faults = [
            (1, "malformed_row"),
            (2, "unknown_field"),
            (3, "malformed_row"),
            (4, "malformed_row"),
            (5, "malformed_row"),
            (6, "wrong_type"),
            (8, "malformed_row"),
            (9, "missing_field"),
        ];
        assert_eq!(read(Format::Json, &body), (2, faults.to_vec()));
    }

    #[test]
    fn lines_of_json_are_rows_and_empty_lines_are_none() {
        let body = format!("{GOOD}\r\n\r\n{{broken\n  {GOOD}");
        assert_eq!(read(Format::Lines, &body), (2, vec![(1, "malformed_row")]));
    }

    #[test]
    fn csv_takes_its_columns_in_any_order_quoted_or_not() {
        // RFC 4180, section 2: CRLF ends a record, quotes may hold commas and doubled quotes.
        let body = "\u{feff}value, at,subject,quantity,sensor\r\n\
            0.5,2026-01-02T03:04:05Z,LYNX,oxygen_ppm,\"probe \"\"a\"\", left\"\r\n\
            \"0,5\",2026-01-02T03:04:05Z,LYNX,oxygen_ppm,\r\n\
            0.5,2026-01-02T03:04:05Z,LYNX\r\n\
            inf,2026-01-02T03:04:05Z,LYNX,oxygen_ppm,a\r\n\
            ,2026-01-02T03:04:05Z,LYNX,oxygen_ppm,a";
        let faults = [(1, "wrong_type"), (2, "malformed_row"), (3, "not_finite"), (4, "missing_field")];
        assert_eq!(read(Format::Csv, body), (1, faults.to_vec()));
        assert_eq!(read(Format::Csv, "subject,quantity,at,value\n"), (0, vec![]));
    }

    #[test]
    fn what_cannot_be_read_at_all_is_refused_as_a_whole() {
        for format in [Format::Json, Format::Lines, Format::Csv] {
            assert_eq!(refusal(format, b" \r\n"), 400, "{format:?}");
            assert_eq!(refusal(format, b"\x89\xff\x00\x01"), 400, "{format:?}");
        }
        assert_eq!(refusal(Format::Json, format!(r#"{{"readings":[{GOOD}"#).as_bytes()), 400);
        assert_eq!(refusal(Format::Json, br#"{"readings":[],"more":1}"#), 422);
        assert_eq!(refusal(Format::Json, br#"{"readings":{}}"#), 422);
        assert_eq!(refusal(Format::Csv, b"subject,quantity,at\n"), 422);
        assert_eq!(refusal(Format::Csv, b"subject,quantity,at,value,value\n"), 422);
        assert_eq!(refusal(Format::Csv, b"subject;quantity;at;value\n"), 422);
    }

    #[test]
    fn one_row_too_many_is_too_large() {
        let rows = vec!["0"; MOST_ROWS].join(",");
        assert_eq!(read(Format::Json, &format!(r#"{{"readings":[{rows}]}}"#)).1.len(), MOST_ROWS);
        assert_eq!(refusal(Format::Json, format!(r#"{{"readings":[{rows},0,0,0]}}"#).as_bytes()), 413);
        let csv = format!("subject,quantity,at,value\n{}", "A,b,c,1\n".repeat(MOST_ROWS + 1));
        assert_eq!(refusal(Format::Csv, csv.as_bytes()), 413);
    }
}
