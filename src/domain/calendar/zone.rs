//! Wall-clock time in a named zone, its instants, and the stretch of the
//! calendar that the zone tables cover.

use crate::domain::calendar::Interval;
use crate::domain::violations::Coded;
use chrono::{
    DateTime, Datelike, MappedLocalTime, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeDelta, TimeZone,
    Utc,
};
use chrono_tz::{GapInfo, Tz};
use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};
use thiserror::Error;

/// The first year that is accepted.
pub const FIRST_YEAR: i32 = 1970;

/// The first year that is no longer accepted: the zone tables hold no
/// changes of the clocks from then on.
pub const END_YEAR: i32 = 2100;

/// The longest range, in days, over which opening hours or a recurrence are listed.
pub const LONGEST_RANGE_DAYS: i64 = 800;

/// Why an IANA zone name was refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("is not a time zone of the IANA database, such as Europe/Berlin")]
pub struct UnknownZone;

impl Coded for UnknownZone {
    fn code(&self) -> &'static str {
        "unknown_timezone"
    }
}

/// The zone of an IANA name such as `Europe/Berlin`, spelled exactly so.
pub fn parse_zone(name: &str) -> Result<Tz, UnknownZone> {
    Tz::from_str(name).map_err(|_| UnknownZone)
}

/// Why a range of time was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum RangeError {
    /// Longer than [`LONGEST_RANGE_DAYS`].
    #[error("spans more than {LONGEST_RANGE_DAYS} days")]
    TooLong,
    /// Reaches outside the years that the zone tables cover.
    #[error("reaches outside the years {FIRST_YEAR} to {last}, which the time zone tables cover", last = END_YEAR - 1)]
    OutsideCalendar,
}

impl Coded for RangeError {
    fn code(&self) -> &'static str {
        match self {
            Self::TooLong => "range_too_long",
            Self::OutsideCalendar => "outside_calendar",
        }
    }
}

/// The first instant of `year` in UTC.
fn new_year(year: i32) -> DateTime<Utc> {
    let date =
        NaiveDate::from_ymd_opt(year, 1, 1).expect("the bounds of the calendar are years chrono knows");
    date.and_time(NaiveTime::MIN).and_utc()
}

/// The first instant that is accepted.
pub(super) fn first_instant() -> DateTime<Utc> {
    new_year(FIRST_YEAR)
}

/// Whether the instant lies in the years that the zone tables cover, in UTC.
pub(super) fn within_calendar(at: DateTime<Utc>) -> bool {
    first_instant() <= at && at < new_year(END_YEAR)
}

/// Refuses a range that is too long or reaches outside the calendar.
pub fn check_range(range: Interval) -> Result<(), RangeError> {
    if !within_calendar(range.start()) || range.end() > new_year(END_YEAR) {
        return Err(RangeError::OutsideCalendar);
    }
    if range.length() > TimeDelta::days(LONGEST_RANGE_DAYS) { Err(RangeError::TooLong) } else { Ok(()) }
}

/// Why a text was refused as a local time.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum LocalTimeError {
    /// An offset or `Z` behind the time.
    #[error("is local time: leave out 'Z' and the offset, since the time zone is given in its own field")]
    HasOffset,
    /// Anything else that is not a date and a time.
    #[error("is not a local date and time such as 2026-03-02T08:00:00")]
    Malformed,
    /// Outside the years that the zone tables cover.
    #[error("lies outside the years {FIRST_YEAR} to {last}, which the time zone tables cover", last = END_YEAR - 1)]
    OutsideCalendar,
}

impl Coded for LocalTimeError {
    fn code(&self) -> &'static str {
        match self {
            Self::HasOffset => "offset_not_allowed",
            Self::Malformed => "bad_local_time",
            Self::OutsideCalendar => "outside_calendar",
        }
    }
}

/// A date and a time as the clock on the wall shows them, in whole seconds,
/// from 1970 to 2099; as text `2026-03-02T08:00:00`, the seconds optional.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct LocalTime(NaiveDateTime);

impl LocalTime {
    /// Checks the date; a fraction of a second is dropped.
    pub fn new(wall: NaiveDateTime) -> Result<Self, LocalTimeError> {
        if !(FIRST_YEAR..END_YEAR).contains(&wall.year()) {
            return Err(LocalTimeError::OutsideCalendar);
        }
        let whole = DateTime::from_timestamp(wall.and_utc().timestamp(), 0);
        whole.map(|whole| Self(whole.naive_utc())).ok_or(LocalTimeError::OutsideCalendar)
    }

    /// Reads `2026-03-02T08:00:00` or `2026-03-02T08:00`.
    pub fn parse(text: &str) -> Result<Self, LocalTimeError> {
        let (date, time) = text.split_once('T').ok_or(LocalTimeError::Malformed)?;
        if time.contains(['Z', 'z', '+', '-']) {
            return Err(LocalTimeError::HasOffset);
        }
        let shape = |text: &str, pattern: &str| {
            text.len() == pattern.len()
                && text
                    .bytes()
                    .zip(pattern.bytes())
                    .all(|(c, p)| if p == b'0' { c.is_ascii_digit() } else { c == p })
        };
        let time_form = match time.len() {
            5 if shape(time, "00:00") => "%H:%M",
            8 if shape(time, "00:00:00") && &time[6..] < "60" => "%H:%M:%S",
            _ => return Err(LocalTimeError::Malformed),
        };
        if !shape(date, "0000-00-00") {
            return Err(LocalTimeError::Malformed);
        }
        let date = NaiveDate::parse_from_str(date, "%Y-%m-%d").map_err(|_| LocalTimeError::Malformed)?;
        let time = NaiveTime::parse_from_str(time, time_form).map_err(|_| LocalTimeError::Malformed)?;
        Self::new(date.and_time(time))
    }

    /// The date and time without a zone.
    pub const fn wall(&self) -> NaiveDateTime {
        self.0
    }

    /// The instant at which the clocks of `zone` show it (RFC 5545 §3.3.5):
    /// of a time that occurs twice the first; a time that is skipped counts
    /// with the offset before the gap.
    pub fn instant(&self, zone: Tz) -> DateTime<Utc> {
        instant(zone, self.0)
    }
}

impl TryFrom<String> for LocalTime {
    type Error = LocalTimeError;
    fn try_from(text: String) -> Result<Self, LocalTimeError> {
        Self::parse(&text)
    }
}

impl From<LocalTime> for String {
    fn from(time: LocalTime) -> Self {
        time.to_string()
    }
}

impl FromStr for LocalTime {
    type Err = LocalTimeError;
    fn from_str(text: &str) -> Result<Self, LocalTimeError> {
        Self::parse(text)
    }
}

impl fmt::Display for LocalTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.format("%Y-%m-%dT%H:%M:%S"))
    }
}

/// The instant of a local time by RFC 5545 §3.3.5, see [`LocalTime::instant`].
///
/// `wall` must lie within a few days of the calendar's years.
pub(super) fn instant(zone: Tz, wall: NaiveDateTime) -> DateTime<Utc> {
    match zone.offset_from_local_datetime(&wall) {
        MappedLocalTime::Single(offset) | MappedLocalTime::Ambiguous(offset, _) => at_offset(wall, &offset),
        MappedLocalTime::None => match GapInfo::new(&wall, &zone).and_then(|gap| gap.begin) {
            Some((_, before)) => at_offset(wall, &before),
            None => at_offset(wall, &zone.offset_from_utc_datetime(&wall)),
        },
    }
}

/// Which end of an opening a local time is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Edge {
    /// The doors open.
    Opening,
    /// The doors close.
    Closing,
}

/// The instant of an opening or a closing: a time that is skipped becomes
/// the instant the clocks jump; of a time that occurs twice an opening
/// takes the first and a closing the second, so that nobody is shut out by
/// the clocks going back.
pub(super) fn edge_instant(zone: Tz, wall: NaiveDateTime, edge: Edge) -> DateTime<Utc> {
    match zone.offset_from_local_datetime(&wall) {
        MappedLocalTime::Single(offset) => at_offset(wall, &offset),
        MappedLocalTime::Ambiguous(first, second) => match edge {
            Edge::Opening => at_offset(wall, &first),
            Edge::Closing => at_offset(wall, &second),
        },
        MappedLocalTime::None => match GapInfo::new(&wall, &zone).and_then(|gap| gap.end) {
            Some(end) => end.to_utc(),
            None => instant(zone, wall),
        },
    }
}

fn at_offset(wall: NaiveDateTime, offset: &impl Offset) -> DateTime<Utc> {
    (wall - offset.fix()).and_utc()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn local(text: &str) -> LocalTime {
        text.parse().unwrap()
    }

    #[test]
    fn local_times_are_read_and_shown_alike() {
        assert_eq!(local("2026-03-02T08:00").to_string(), "2026-03-02T08:00:00");
        assert_eq!(serde_json::to_string(&local("2026-03-02T08:00:07")).unwrap(), "\"2026-03-02T08:00:07\"");
        assert!(serde_json::from_str::<LocalTime>("\"2026-02-29T08:00:00\"").is_err());
    }

    #[test]
    fn an_offset_is_refused_with_its_own_reason() {
        for text in ["2026-03-02T08:00:00Z", "2026-03-02T08:00:00+01:00", "2026-03-02T08:00-05:00"] {
            assert_eq!(LocalTime::parse(text), Err(LocalTimeError::HasOffset), "{text}");
        }
        for text in [
            "",
            "2026-03-02",
            "2026-3-2T08:00",
            "2026-03-02T24:00",
            "2026-03-02T08:00:60",
            "+026-03-02T08:00",
        ] {
            assert_eq!(LocalTime::parse(text), Err(LocalTimeError::Malformed), "{text}");
        }
        for text in ["1969-12-31T23:59:59", "2100-01-01T00:00:00", "9999-01-01T00:00:00"] {
            assert_eq!(LocalTime::parse(text), Err(LocalTimeError::OutsideCalendar), "{text}");
        }
    }

    #[test]
    fn zones_carry_iana_names() {
        assert_eq!(parse_zone("Asia/Kathmandu"), Ok(Tz::Asia__Kathmandu));
        assert_eq!(parse_zone("Mars/Olympus"), Err(UnknownZone));
    }

    /// The two examples of RFC 5545 §3.3.5: 1:30 on 2007-11-04 in New York
    /// is 1:30 EDT (UTC-4), 2:30 on 2007-03-11 is 3:30 EDT (UTC-4).
    #[test]
    fn instants_follow_the_examples_of_the_rfc() {
        let zone = Tz::America__New_York;
        assert_eq!(local("2007-11-04T01:30:00").instant(zone), utc("2007-11-04T05:30:00Z"));
        assert_eq!(local("2007-03-11T02:30:00").instant(zone), utc("2007-03-11T07:30:00Z"));
    }

    /// Transitions of 2026 in the European Union (Directive 2000/84/EC: 01:00 UTC
    /// on the last Sundays of March and October).
    #[test]
    fn edges_of_openings_keep_to_their_rule() {
        let zone = Tz::Europe__Berlin;
        let (skipped, twice) = (local("2026-03-29T02:30:00").wall(), local("2026-10-25T02:30:00").wall());
        for edge in [Edge::Opening, Edge::Closing] {
            assert_eq!(edge_instant(zone, skipped, edge), utc("2026-03-29T01:00:00Z"));
        }
        assert_eq!(edge_instant(zone, twice, Edge::Opening), utc("2026-10-25T00:30:00Z"));
        assert_eq!(edge_instant(zone, twice, Edge::Closing), utc("2026-10-25T01:30:00Z"));
    }

    /// Samoa skipped all of 2011-12-30 (IANA database, file australasia).
    #[test]
    fn a_whole_day_that_is_skipped() {
        let noon = local("2011-12-30T12:00:00");
        assert_eq!(noon.instant(Tz::Pacific__Apia), utc("2011-12-30T22:00:00Z"));
        assert_eq!(edge_instant(Tz::Pacific__Apia, noon.wall(), Edge::Opening), utc("2011-12-30T10:00:00Z"));
    }

    #[test]
    fn ranges_are_bounded() {
        let range = |a: &str, b: &str| Interval::new(utc(a), utc(b)).unwrap();
        assert_eq!(check_range(range("2098-01-01T00:00:00Z", "2100-01-01T00:00:00Z")), Ok(()));
        assert_eq!(
            check_range(range("2099-01-01T00:00:00Z", "2100-01-01T00:00:01Z")),
            Err(RangeError::OutsideCalendar)
        );
        assert_eq!(
            check_range(range("1969-12-31T23:00:00Z", "1970-02-01T00:00:00Z")),
            Err(RangeError::OutsideCalendar)
        );
        assert_eq!(
            check_range(range("2020-01-01T00:00:00Z", "2026-01-01T00:00:00Z")),
            Err(RangeError::TooLong)
        );
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,24}") {
            if let Ok(time) = LocalTime::parse(&text) {
                prop_assert_eq!(LocalTime::parse(&time.to_string()), Ok(time));
            }
        }

        #[test]
        fn an_instant_shows_the_wall_time_it_came_from_unless_skipped(
            second in 0_i64..4_102_444_800,
            zone in prop::sample::select(vec![Tz::Europe__Berlin, Tz::Australia__Lord_Howe, Tz::America__St_Johns]),
        ) {
            let wall = DateTime::from_timestamp(second, 0).unwrap().naive_utc();
            let at = instant(zone, wall);
            let shown = at.with_timezone(&zone).naive_local();
            let skipped = GapInfo::new(&wall, &zone).is_some();
            prop_assert!(shown == wall || (skipped && shown > wall && shown - wall <= TimeDelta::hours(1)));
        }
    }
}
