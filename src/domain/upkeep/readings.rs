//! Readings: which of those sent can be believed, and which close a box.
//!
//! A batch is checked row by row, so that a bad row spoils no other. What a
//! row's subject is, and what is stored already, is not known here.

mod buckets;

pub use buckets::{Bucket, Buckets, MOST_BUCKETS, TooManyBuckets};

use crate::domain::facility::{Limits, MeasuredQuantity, Thing, ThingKind, quantities::ValueError};
use crate::domain::names::{Name, Reference, TextError};
use crate::domain::violations::Coded;
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;
use thiserror::Error;

/// How far a sender's clock may run ahead before its reading counts as being
/// of the future.
pub const CLOCK_SKEW: TimeDelta = TimeDelta::minutes(5);

/// A reading older than this when it arrives closes nothing: a history sent
/// in afterwards is no alarm.
pub const ALARM_AGE: TimeDelta = TimeDelta::hours(24);

/// The start of 2000, seconds since 1970; readings before it are clocks that
/// were never set.
const EARLIEST: i64 = 946_684_800;

/// A cylinder reads at most this much of its filling pressure at 15 °C, per cent.
/// Argon filled to 200 bar at 15 °C passes 222 bar near 30 °C (CoolProp 8.0.0);
/// the margin above that is our own choice.
const WARM_PERCENT: f64 = 115.0;

/// Longest part of a sender's text that a fault repeats, characters.
const REPEATED: usize = 60;

/// Why a row was not taken.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RowFault {
    /// Not a row at all.
    #[error("{0}")]
    Malformed(String),
    /// A field that readings do not have.
    #[error("a reading has no field {0:?}; it has subject, quantity, at, value, unit, sensor")]
    UnknownField(String),
    /// A field that a reading must have is absent or empty.
    #[error("{0} is missing")]
    MissingField(&'static str),
    /// A field of another type.
    #[error("{field} must be {expected}")]
    WrongType {
        /// The field.
        field: &'static str,
        /// What it must be.
        expected: &'static str,
    },
    /// Nothing has this id or tag.
    #[error("there is nothing with the id or tag {0:?}")]
    UnknownSubject(String),
    /// Parts of several boxes have this tag.
    #[error("several things have the tag {0:?}; write BOX/PART or the id")]
    AmbiguousSubject(String),
    /// The quantity is not read at this kind of thing.
    #[error("{} is not read at a {}", .quantity.word(), .kind.word())]
    WrongSubject {
        /// The quantity.
        quantity: MeasuredQuantity,
        /// The subject's kind.
        kind: ThingKind,
    },
    /// No quantity that is known.
    #[error("{0:?} is not a quantity that is known")]
    UnknownQuantity(String),
    /// Not an RFC 3339 time with its offset.
    #[error("{0:?} is not an RFC 3339 time with an offset, such as 2026-03-02T11:00:00Z")]
    BadTime(String),
    /// Later than the present and the skew allowed.
    #[error("the time is more than {} minutes ahead of this service's clock", CLOCK_SKEW.num_minutes())]
    InTheFuture,
    /// Before the year 2000.
    #[error("the time is before the year 2000: was the sender's clock ever set?")]
    TooOld,
    /// Not a value the quantity can have.
    #[error(transparent)]
    Value(#[from] ValueError),
    /// More than the cylinder's filling can reach.
    #[error("{value} bar is more than the {most:.1} bar that a filling of {fill} bar reaches when warm")]
    AboveRating {
        /// The reading, bar gauge.
        value: f64,
        /// The largest filling pressure among the subject's cylinders, bar gauge at 15 °C.
        fill: f64,
        /// What it reaches at most, bar gauge.
        most: f64,
    },
    /// A sensor's name that cannot be kept.
    #[error("sensor {0}")]
    BadSensor(TextError),
    /// The same sensor has another value at this instant.
    #[error(
        "{stored} is stored for this instant already, or was sent for it in an earlier row; what is stored is deleted \
         first to correct it"
    )]
    DiffersFromStored {
        /// The value that stays.
        stored: f64,
    },
}

impl Coded for RowFault {
    fn code(&self) -> &'static str {
        match self {
            Self::Malformed(_) => "malformed_row",
            Self::UnknownField(_) => "unknown_field",
            Self::MissingField(_) => "missing_field",
            Self::WrongType { .. } => "wrong_type",
            Self::UnknownSubject(_) => "unknown_subject",
            Self::AmbiguousSubject(_) => "ambiguous_subject",
            Self::WrongSubject { .. } => "wrong_subject",
            Self::UnknownQuantity(_) => "unknown_quantity",
            Self::BadTime(_) => "bad_time",
            Self::InTheFuture => "in_the_future",
            Self::TooOld => "too_old",
            Self::Value(error) => error.code(),
            Self::AboveRating { .. } => "above_rating",
            Self::BadSensor(_) => "bad_sensor",
            Self::DiffersFromStored { .. } => "differs_from_stored",
        }
    }
}

/// The beginning of a sender's text, short enough to be repeated to it.
pub fn excerpt(text: &str) -> String {
    text.chars().take(REPEATED).collect()
}

/// A reading as sent: texts not yet looked at, absent where the row has none.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct RawReading<'a> {
    /// Id or tag of what was read.
    pub subject: Option<&'a str>,
    /// The quantity's word.
    pub quantity: Option<&'a str>,
    /// When, RFC 3339.
    pub at: Option<&'a str>,
    /// The value, in `unit`.
    pub value: Option<f64>,
    /// The unit; the quantity's own where absent.
    pub unit: Option<&'a str>,
    /// The sensor's name.
    pub sensor: Option<&'a str>,
}

/// A row that can be believed as far as it can be judged on its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Its place among the rows sent, from zero.
    pub index: usize,
    /// Which of the batch's subjects it is of.
    pub subject: usize,
    /// What was read.
    pub quantity: MeasuredQuantity,
    /// When.
    pub at: DateTime<Utc>,
    /// The value, in the quantity's unit.
    pub value: f64,
    /// Which of the batch's sensors read it.
    pub sensor: usize,
}

/// A row that was not taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Rejected {
    /// Its place among the rows sent, from zero.
    pub index: usize,
    /// Why.
    pub fault: RowFault,
}

/// Rows sent together. Subjects and sensors, of which there are few, are kept
/// once each.
#[derive(Debug, Clone)]
pub struct Batch {
    now: DateTime<Utc>,
    subjects: Distinct<Reference>,
    sensors: Distinct<String>,
    rows: Vec<Row>,
    rejected: Vec<Rejected>,
    count: usize,
}

impl Batch {
    /// An empty batch received at `now`.
    pub fn received_at(now: DateTime<Utc>) -> Self {
        let mut sensors = Distinct::default();
        sensors.keep("", String::new());
        let (rows, rejected) = (Vec::new(), Vec::new());
        Self { now, subjects: Distinct::default(), sensors, rows, rejected, count: 0 }
    }

    /// Adds the next row, or what was wrong with it.
    pub fn push(&mut self, row: Result<RawReading<'_>, RowFault>) {
        let index = self.count;
        self.count += 1;
        match row.and_then(|raw| self.check(index, &raw)) {
            Ok(row) => self.rows.push(row),
            Err(fault) => self.rejected.push(Rejected { index, fault }),
        }
    }

    /// How many rows were sent, good and bad.
    pub const fn count(&self) -> usize {
        self.count
    }

    /// The rows that can be believed so far.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// The rows that cannot.
    pub fn rejected(&self) -> &[Rejected] {
        &self.rejected
    }

    /// The subjects that rows refer to by number.
    pub fn subjects(&self) -> &[Reference] {
        &self.subjects.values
    }

    /// The sensors that rows refer to by number; the first is the nameless one.
    pub fn sensors(&self) -> &[String] {
        &self.sensors.values
    }

    fn check(&mut self, index: usize, raw: &RawReading<'_>) -> Result<Row, RowFault> {
        let subject = raw.subject.ok_or(RowFault::MissingField("subject"))?;
        let word = raw.quantity.ok_or(RowFault::MissingField("quantity"))?;
        let at = raw.at.ok_or(RowFault::MissingField("at"))?;
        let value = raw.value.ok_or(RowFault::MissingField("value"))?;
        let subject = self.subjects.find_or_keep(subject, |text| {
            text.parse().map_err(|_| RowFault::UnknownSubject(excerpt(text)))
        })?;
        let quantity =
            MeasuredQuantity::from_word(word).ok_or_else(|| RowFault::UnknownQuantity(excerpt(word)))?;
        let at = instant(at, self.now)?;
        let value = quantity.check(value, raw.unit)?;
        let sensor = self.sensors.find_or_keep(raw.sensor.unwrap_or_default(), |text| {
            Name::parse(text).map(String::from).map_err(RowFault::BadSensor)
        })?;
        Ok(Row { index, subject, quantity, at, value, sensor })
    }
}

/// Values kept once each, found by the text they came from.
#[derive(Debug, Clone)]
struct Distinct<T> {
    numbers: HashMap<String, usize>,
    values: Vec<T>,
    last: (String, usize),
}

impl<T> Default for Distinct<T> {
    fn default() -> Self {
        Self { numbers: HashMap::new(), values: Vec::new(), last: (String::new(), usize::MAX) }
    }
}

impl<T> Distinct<T> {
    fn keep(&mut self, text: &str, value: T) -> usize {
        let number = self.values.len();
        self.values.push(value);
        self.numbers.insert(text.to_owned(), number);
        number
    }

    fn find_or_keep(
        &mut self,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, RowFault>,
    ) -> Result<usize, RowFault> {
        // Rows of one sensor mostly follow each other.
        if self.last.1 != usize::MAX && self.last.0 == text {
            return Ok(self.last.1);
        }
        let number = match self.numbers.get(text) {
            Some(number) => *number,
            None => self.keep(text, parse(text)?),
        };
        text.clone_into(&mut self.last.0);
        self.last.1 = number;
        Ok(number)
    }
}

/// The instant of a reading received at `now`, to the microsecond.
fn instant(text: &str, now: DateTime<Utc>) -> Result<DateTime<Utc>, RowFault> {
    let bad = || RowFault::BadTime(excerpt(text));
    let given = DateTime::parse_from_rfc3339(text).map_err(|_| bad())?;
    // By way of the count of microseconds a leap second becomes the one after it.
    let at = DateTime::from_timestamp_micros(given.timestamp_micros()).ok_or_else(bad)?;
    if at > now + CLOCK_SKEW {
        Err(RowFault::InTheFuture)
    } else if at.timestamp() < EARLIEST {
        Err(RowFault::TooOld)
    } else {
        Ok(at)
    }
}

/// The one among the things a reference may mean that the quantity is read at.
pub fn subject<'a>(
    quantity: MeasuredQuantity,
    reference: &Reference,
    found: &'a [Thing],
) -> Result<&'a Thing, RowFault> {
    let first = found.first().ok_or_else(|| RowFault::UnknownSubject(reference.to_string()))?;
    let mut fitting = found.iter().filter(|thing| quantity.subjects().contains(&thing.kind));
    match (fitting.next(), fitting.next()) {
        (Some(thing), None) => Ok(thing),
        (Some(_), Some(_)) => Err(RowFault::AmbiguousSubject(reference.to_string())),
        (None, _) => Err(RowFault::WrongSubject { quantity, kind: first.kind }),
    }
}

/// Passes unless a pressure is more than cylinders filled to at most `fill`
/// (bar gauge at 15 °C) reach when warm: 1.15 times the filling pressure.
pub fn check_rating(quantity: MeasuredQuantity, value: f64, fill: Option<f64>) -> Result<(), RowFault> {
    let Some(fill) = fill.filter(|_| quantity == MeasuredQuantity::GaugeBar) else { return Ok(()) };
    let most = fill * WARM_PERCENT / 100.0;
    if value > most { Err(RowFault::AboveRating { value, fill, most }) } else { Ok(()) }
}

/// What is odd about a value that is kept all the same: oxygen or water of
/// exactly zero, which a working sensor hardly shows (common practice, no source).
pub fn flag(quantity: MeasuredQuantity, value: f64) -> Option<&'static str> {
    let trace = [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm].contains(&quantity);
    (trace && value == 0.0).then_some("zero")
}

/// The action level that a value is at or past, if it is.
pub fn action_level_reached(limits: &Limits, quantity: MeasuredQuantity, value: f64) -> Option<f64> {
    limits.of(quantity).map(|limits| limits.action.get()).filter(|action| value >= *action)
}

/// Whether a reading past its action level closes the box: it must not be
/// older than [`ALARM_AGE`] and must be newer than the last release of a hold
/// that the same quantity opened.
pub fn closes_the_box(at: DateTime<Utc>, now: DateTime<Utc>, last_release: Option<DateTime<Utc>>) -> bool {
    at >= now - ALARM_AGE && last_release.is_none_or(|released| at > released)
}

#[cfg(test)]
mod tests;
