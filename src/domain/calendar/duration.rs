//! Lengths of time as ISO 8601 text: exact ones, and spans with months and
//! days whose exact length depends on when they begin.

use crate::domain::calendar::zone::{RangeError, instant, within_calendar};
use crate::domain::violations::Coded;
use chrono::{DateTime, Days, Months, TimeDelta, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};
use thiserror::Error;

const MINUTE: i64 = 60;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

/// The longest [`Length`], in seconds: 366 days.
pub const LONGEST_LENGTH_SECONDS: i64 = 366 * DAY;

/// The longest nominal part of a [`Span`], in months: a hundred years.
pub const LONGEST_SPAN_MONTHS: u32 = 1200;

/// The longest part of a [`Span`] in days, and its longest exact part.
pub const LONGEST_SPAN_DAYS: u32 = 36_525;

/// Why a duration was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum DurationError {
    /// Not the form `P…` of ISO 8601.
    #[error("is not an ISO 8601 duration such as PT2H30M or P14D")]
    Malformed,
    /// A fraction.
    #[error("must be in whole numbers; write PT90M instead of PT1.5H")]
    Fraction,
    /// Weeks together with other parts, which ISO 8601 does not know.
    #[error("weeks stand alone: write P15D instead of P2W1D")]
    MixedWeeks,
    /// Years or months where the length must be exact.
    #[error("has no exact length: use weeks, days, hours, minutes and seconds only")]
    NotExact,
    /// Of no length at all.
    #[error("must be longer than nothing")]
    Zero,
    /// Longer than allowed.
    #[error("is longer than allowed")]
    TooLong,
}

impl Coded for DurationError {
    fn code(&self) -> &'static str {
        match self {
            Self::Malformed => "bad_duration",
            Self::Fraction => "duration_fraction",
            Self::MixedWeeks => "mixed_weeks",
            Self::NotExact => "duration_not_exact",
            Self::Zero => "duration_zero",
            Self::TooLong => "duration_too_long",
        }
    }
}

/// The numbers of a duration's text, each at most 999 999 999.
#[derive(Debug, Default)]
struct Parts {
    years: u32,
    months: u32,
    weeks: u32,
    days: u32,
    hours: u32,
    minutes: u32,
    seconds: u32,
}

impl Parts {
    fn parse(text: &str) -> Result<Self, DurationError> {
        let mut rest = text.strip_prefix('P').ok_or(DurationError::Malformed)?;
        if rest.contains(['.', ',']) {
            return Err(DurationError::Fraction);
        }
        let (mut parts, mut last_rank, mut timed) = (Self::default(), 0, false);
        loop {
            if let Some(time) = rest.strip_prefix('T') {
                if timed || time.is_empty() {
                    return Err(DurationError::Malformed);
                }
                (timed, rest) = (true, time);
            }
            let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
            let unit = rest[digits..].chars().next();
            let (rank, slot) = parts.slot(timed, unit).ok_or(DurationError::Malformed)?;
            if digits == 0 || rank <= last_rank {
                return Err(DurationError::Malformed);
            }
            if digits > 9 {
                return Err(DurationError::TooLong);
            }
            *slot = rest[..digits].parse().map_err(|_| DurationError::TooLong)?;
            last_rank = rank;
            // Every unit is one byte long.
            rest = &rest[digits + 1..];
            if rest.is_empty() {
                break;
            }
            if unit == Some('W') {
                return Err(DurationError::MixedWeeks);
            }
        }
        Ok(parts)
    }

    /// The place for a unit's number, and its rank in the order of units.
    fn slot(&mut self, timed: bool, unit: Option<char>) -> Option<(u8, &mut u32)> {
        match (timed, unit?) {
            (false, 'Y') => Some((1, &mut self.years)),
            (false, 'M') => Some((2, &mut self.months)),
            (false, 'W') => Some((3, &mut self.weeks)),
            (false, 'D') => Some((4, &mut self.days)),
            (true, 'H') => Some((5, &mut self.hours)),
            (true, 'M') => Some((6, &mut self.minutes)),
            (true, 'S') => Some((7, &mut self.seconds)),
            _ => None,
        }
    }

    fn whole_days(&self) -> i64 {
        7 * i64::from(self.weeks) + i64::from(self.days)
    }

    fn time_seconds(&self) -> i64 {
        HOUR * i64::from(self.hours) + MINUTE * i64::from(self.minutes) + i64::from(self.seconds)
    }
}

fn write_part(f: &mut fmt::Formatter<'_>, number: i64, unit: char) -> fmt::Result {
    if number > 0 { write!(f, "{number}{unit}") } else { Ok(()) }
}

fn write_time(f: &mut fmt::Formatter<'_>, seconds: i64) -> fmt::Result {
    if seconds > 0 {
        f.write_str("T")?;
    }
    write_part(f, seconds / HOUR, 'H')?;
    write_part(f, seconds % HOUR / MINUTE, 'M')?;
    write_part(f, seconds % MINUTE, 'S')
}

macro_rules! as_text {
    ($name:ident) => {
        impl FromStr for $name {
            type Err = DurationError;
            fn from_str(text: &str) -> Result<Self, DurationError> {
                Self::parse(text)
            }
        }

        impl TryFrom<String> for $name {
            type Error = DurationError;
            fn try_from(text: String) -> Result<Self, DurationError> {
                Self::parse(&text)
            }
        }

        impl From<$name> for String {
            fn from(value: $name) -> Self {
                value.to_string()
            }
        }
    };
}

/// An exact length of time: more than nothing, at most 366 days, in whole
/// seconds. A day is 24 hours and a week 168, whatever the clocks do.
///
/// ```
/// use drykeep::domain::calendar::Length;
/// let length: Length = "PT150M".parse().unwrap();
/// assert_eq!(length.to_string(), "PT2H30M");
/// assert_eq!("P2W".parse::<Length>().unwrap().to_string(), "P14D");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Length(i64);

as_text!(Length);

impl Length {
    /// A length of so many seconds.
    pub const fn of_seconds(seconds: i64) -> Result<Self, DurationError> {
        match seconds {
            ..=0 => Err(DurationError::Zero),
            1..=LONGEST_LENGTH_SECONDS => Ok(Self(seconds)),
            _ => Err(DurationError::TooLong),
        }
    }

    /// Reads weeks, days, hours, minutes and seconds in ISO 8601 form.
    pub fn parse(text: &str) -> Result<Self, DurationError> {
        let parts = Parts::parse(text)?;
        if parts.years > 0 || parts.months > 0 {
            return Err(DurationError::NotExact);
        }
        Self::of_seconds(parts.whole_days() * DAY + parts.time_seconds())
    }

    /// How many seconds it lasts.
    pub const fn seconds(&self) -> i64 {
        self.0
    }

    /// The same as a difference of instants.
    pub const fn delta(&self) -> TimeDelta {
        TimeDelta::seconds(self.0)
    }
}

impl TryFrom<TimeDelta> for Length {
    type Error = DurationError;

    /// Takes a difference of instants; a fraction of a second is refused.
    fn try_from(delta: TimeDelta) -> Result<Self, DurationError> {
        if delta.subsec_nanos() == 0 {
            Self::of_seconds(delta.num_seconds())
        } else {
            Err(DurationError::Fraction)
        }
    }
}

impl From<Length> for TimeDelta {
    fn from(length: Length) -> Self {
        length.delta()
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("P")?;
        write_part(f, self.0 / DAY, 'D')?;
        write_time(f, self.0 % DAY)
    }
}

/// A span of the calendar, such as an upkeep interval of six months: months
/// and days count by the calendar of a zone, the rest exactly.
///
/// ```
/// use drykeep::domain::calendar::Span;
/// let span: Span = "P18M".parse().unwrap();
/// assert_eq!(span.to_string(), "P1Y6M");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Span {
    months: u32,
    days: u32,
    seconds: i64,
}

as_text!(Span);

impl Span {
    /// A span of so many months (a year is 12), days (a week is 7) and
    /// seconds; more than nothing, each part within its bound.
    pub fn new(months: u32, days: u32, seconds: i64) -> Result<Self, DurationError> {
        if seconds < 0 {
            return Err(DurationError::Malformed);
        }
        if months > LONGEST_SPAN_MONTHS
            || days > LONGEST_SPAN_DAYS
            || seconds > i64::from(LONGEST_SPAN_DAYS) * DAY
        {
            return Err(DurationError::TooLong);
        }
        let span = Self { months, days, seconds };
        if months == 0 && days == 0 && seconds == 0 { Err(DurationError::Zero) } else { Ok(span) }
    }

    /// Reads an ISO 8601 duration.
    pub fn parse(text: &str) -> Result<Self, DurationError> {
        let parts = Parts::parse(text)?;
        let months = 12 * u64::from(parts.years) + u64::from(parts.months);
        let months = u32::try_from(months).map_err(|_| DurationError::TooLong)?;
        let days = u32::try_from(parts.whole_days()).map_err(|_| DurationError::TooLong)?;
        Self::new(months, days, parts.time_seconds())
    }

    /// The months, of which twelve are a year.
    pub const fn months(&self) -> u32 {
        self.months
    }

    /// The days by the calendar.
    pub const fn days(&self) -> u32 {
        self.days
    }

    /// The exact part, in seconds.
    pub const fn seconds(&self) -> i64 {
        self.seconds
    }

    /// The instant one span after `at`: months first, where a day that the
    /// month lacks becomes its last; then days, both at the same time on the
    /// wall in `zone`; then the exact part (RFC 5545 §3.3.6 counts nominal
    /// parts before exact ones). A wall time that is skipped or occurs twice
    /// is taken as in [`LocalTime::instant`](super::LocalTime::instant).
    pub fn add_to(&self, at: DateTime<Utc>, zone: Tz) -> Result<DateTime<Utc>, RangeError> {
        if !within_calendar(at) {
            return Err(RangeError::OutsideCalendar);
        }
        let nominal = if self.months == 0 && self.days == 0 {
            at
        } else {
            let wall = at.with_timezone(&zone).naive_local();
            let date = wall
                .date()
                .checked_add_months(Months::new(self.months))
                .and_then(|date| date.checked_add_days(Days::new(u64::from(self.days))))
                .ok_or(RangeError::OutsideCalendar)?;
            instant(zone, date.and_time(wall.time()))
        };
        nominal
            .checked_add_signed(TimeDelta::seconds(self.seconds))
            .filter(|end| within_calendar(*end))
            .ok_or(RangeError::OutsideCalendar)
    }
}

impl From<Length> for Span {
    /// The same exact length; its days do not become calendar days.
    fn from(length: Length) -> Self {
        Self { months: 0, days: 0, seconds: length.seconds() }
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("P")?;
        write_part(f, i64::from(self.months / 12), 'Y')?;
        write_part(f, i64::from(self.months % 12), 'M')?;
        write_part(f, i64::from(self.days), 'D')?;
        write_time(f, self.seconds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn length(text: &str) -> Result<i64, DurationError> {
        Length::parse(text).map(|length| length.seconds())
    }

    fn span(text: &str) -> Span {
        text.parse().unwrap()
    }

    /// The first two are the examples of RFC 5545 §3.3.6.
    #[test]
    fn lengths_are_read() {
        assert_eq!(length("P15DT5H0M20S"), Ok(15 * 86_400 + 5 * 3600 + 20));
        assert_eq!(length("P7W"), Ok(7 * 7 * 86_400));
        assert_eq!(length("PT2H30M"), Ok(9000));
        assert_eq!(length("PT36H"), length("P1DT12H"));
        assert_eq!(length("P366D"), Ok(LONGEST_LENGTH_SECONDS));
    }

    #[test]
    fn bad_lengths_are_refused_with_a_reason() {
        use DurationError as E;
        for (text, reason) in [
            ("", E::Malformed),
            ("P", E::Malformed),
            ("PT", E::Malformed),
            ("P1DT", E::Malformed),
            ("-PT1H", E::Malformed),
            ("P-1D", E::Malformed),
            ("pt1h", E::Malformed),
            ("PT1M1H", E::Malformed),
            ("PT1H1H", E::Malformed),
            ("P1H", E::Malformed),
            ("PT1D", E::Malformed),
            ("P1DTT1H", E::Malformed),
            ("PT1é", E::Malformed),
            ("PT1.5H", E::Fraction),
            ("PT0,5S", E::Fraction),
            ("P2W1D", E::MixedWeeks),
            ("P1M", E::NotExact),
            ("P1Y", E::NotExact),
            ("PT0S", E::Zero),
            ("P367D", E::TooLong),
            ("PT99999999999999999999S", E::TooLong),
        ] {
            assert_eq!(length(text), Err(reason), "{text}");
        }
        assert_eq!(Length::parse("P1DT1W"), Err(E::Malformed));
    }

    #[test]
    fn spans_keep_to_the_calendar_of_the_zone() {
        let zone = Tz::Europe__Berlin;
        // 31 January plus one month is the last of February.
        assert_eq!(span("P1M").add_to(utc("2026-01-31T08:00:00Z"), zone), Ok(utc("2026-02-28T08:00:00Z")));
        assert_eq!(span("P1Y").add_to(utc("2024-02-29T08:00:00Z"), zone), Ok(utc("2025-02-28T08:00:00Z")));
        // Over the night of 29 March 2026 a calendar day has 23 hours, PT24H has 24.
        assert_eq!(span("P1D").add_to(utc("2026-03-28T11:00:00Z"), zone), Ok(utc("2026-03-29T10:00:00Z")));
        assert_eq!(span("PT24H").add_to(utc("2026-03-28T11:00:00Z"), zone), Ok(utc("2026-03-29T11:00:00Z")));
        assert_eq!(span("P100Y").add_to(utc("2026-03-28T11:00:00Z"), zone), Err(RangeError::OutsideCalendar));
        assert_eq!(span("P1D").add_to(DateTime::<Utc>::MAX_UTC, zone), Err(RangeError::OutsideCalendar));
    }

    #[test]
    fn an_exact_span_ignores_the_clocks_going_back() {
        let second_half_past_two = utc("2026-10-25T01:30:00Z");
        let later = span("PT1S").add_to(second_half_past_two, Tz::Europe__Berlin);
        assert_eq!(later, Ok(utc("2026-10-25T01:30:01Z")));
    }

    #[test]
    fn spans_are_written_in_one_way() {
        for (text, written) in
            [("P18M", "P1Y6M"), ("P2W", "P14D"), ("P1Y2M3DT4H5M6S", "P1Y2M3DT4H5M6S"), ("PT36H", "PT36H")]
        {
            assert_eq!(span(text).to_string(), written);
        }
        assert_eq!(serde_json::from_str::<Span>("\"P6M\"").unwrap(), Span::new(6, 0, 0).unwrap());
        assert!(
            Span::new(0, 0, 0).is_err() && Span::new(1201, 0, 0).is_err() && Span::new(1, 0, -1).is_err()
        );
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,20}|P?[0-9YMWDTHS.]{0,20}") {
            if let Ok(length) = Length::parse(&text) {
                prop_assert_eq!(Length::parse(&length.to_string()), Ok(length));
            }
            if let Ok(span) = Span::parse(&text) {
                prop_assert_eq!(Span::parse(&span.to_string()), Ok(span));
            }
        }

        #[test]
        fn every_length_survives_its_text(seconds in 1..=LONGEST_LENGTH_SECONDS) {
            let length = Length::of_seconds(seconds).unwrap();
            prop_assert_eq!(length.to_string().parse(), Ok(length));
        }

        #[test]
        fn every_span_survives_its_text(
            months in 0..=LONGEST_SPAN_MONTHS,
            days in 0..=LONGEST_SPAN_DAYS,
            seconds in 1_i64..1_000_000_000,
        ) {
            let span = Span::new(months, days, seconds).unwrap();
            prop_assert_eq!(span.to_string().parse(), Ok(span));
        }
    }
}
