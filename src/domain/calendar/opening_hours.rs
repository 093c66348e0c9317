//! The weekly hours during which the facility is open, and closures of it.
//!
//! Hours are times on the wall in the facility's zone; what they mean on the
//! nights the clocks change is stated at [`open_intervals`]. Which boxes a
//! closure concerns is the caller's business.

use crate::domain::calendar::interval::{self, Interval};
use crate::domain::calendar::zone::{Edge, RangeError, check_range, edge_instant};
use crate::domain::names::Name;
use crate::domain::violations::{Check, Coded, Violation, Violations};
use chrono::{Datelike, Days, NaiveDate, NaiveTime, TimeDelta, Weekday};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// The last minute of a day as a closing time, written `24:00`.
const MIDNIGHT: u16 = 24 * 60;

/// The most spans that one day may have.
pub const MOST_SPANS_A_DAY: usize = 24;

const DAYS: [(Weekday, &str); 7] = [
    (Weekday::Mon, "monday"),
    (Weekday::Tue, "tuesday"),
    (Weekday::Wed, "wednesday"),
    (Weekday::Thu, "thursday"),
    (Weekday::Fri, "friday"),
    (Weekday::Sat, "saturday"),
    (Weekday::Sun, "sunday"),
];

/// Why a time of day was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum ClockTimeError {
    /// Not `HH:MM`.
    #[error("is not a time of day such as 08:00")]
    Malformed,
    /// `24:00` where something opens.
    #[error("24:00 may only close a day, not open it")]
    OpensAtMidnight,
}

impl Coded for ClockTimeError {
    fn code(&self) -> &'static str {
        match self {
            Self::Malformed => "bad_time",
            Self::OpensAtMidnight => "opens_at_midnight",
        }
    }
}

/// One stretch of a day, in minutes from midnight on the wall; `to` comes
/// after `from` and may be the end of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct DaySpan {
    from: u16,
    to: u16,
}

/// The text form of one stretch of a day: `{"from": "08:00", "to": "18:00"}`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DaySpanText {
    /// When it opens, `HH:MM` on the wall.
    pub from: String,
    /// When it closes, `HH:MM` on the wall, up to `24:00`.
    pub to: String,
}

/// The text form of [`WeeklyHours`]; a day that is missing is closed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
#[expect(missing_docs, reason = "the days of the week explain themselves")]
pub struct WeeklyHoursText {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub monday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tuesday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub wednesday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub thursday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub friday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub saturday: Vec<DaySpanText>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sunday: Vec<DaySpanText>,
}

impl WeeklyHoursText {
    fn day(&self, day: Weekday) -> &Vec<DaySpanText> {
        match day {
            Weekday::Mon => &self.monday,
            Weekday::Tue => &self.tuesday,
            Weekday::Wed => &self.wednesday,
            Weekday::Thu => &self.thursday,
            Weekday::Fri => &self.friday,
            Weekday::Sat => &self.saturday,
            Weekday::Sun => &self.sunday,
        }
    }
}

/// When the facility is open in every week: for each day the stretches of
/// time on the wall, sorted and free of overlaps.
///
/// ```
/// use drykeep::domain::calendar::WeeklyHours;
/// let hours: WeeklyHours =
///     serde_json::from_str(r#"{"monday": [{"from": "08:00", "to": "18:00"}]}"#).unwrap();
/// assert_ne!(hours, WeeklyHours::always());
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WeeklyHoursText", into = "WeeklyHoursText")]
pub struct WeeklyHours {
    /// Monday first.
    days: [Vec<DaySpan>; 7],
}

impl WeeklyHours {
    /// Open day and night.
    pub fn always() -> Self {
        Self { days: std::array::from_fn(|_| vec![DaySpan { from: 0, to: MIDNIGHT }]) }
    }

    /// Checks the text form; violations name the field, such as `monday[0].to`.
    pub fn parse(text: &WeeklyHoursText) -> Result<Self, Violations> {
        let mut check = Check::default();
        let days = DAYS.map(|(day, name)| parse_day(&mut check, name, text.day(day)));
        check.finish(|| Self { days })
    }

    fn on(&self, day: Weekday) -> &[DaySpan] {
        &self.days[day.num_days_from_monday() as usize]
    }
}

fn parse_day(check: &mut Check, name: &str, spans: &[DaySpanText]) -> Vec<DaySpan> {
    if spans.len() > MOST_SPANS_A_DAY {
        let detail = format!("a day has at most {MOST_SPANS_A_DAY} spans");
        check.note(Violation::new(name, "too_many_spans", detail));
        return Vec::new();
    }
    let mut read = Vec::with_capacity(spans.len());
    for (index, text) in spans.iter().enumerate() {
        let field = format!("{name}[{index}]");
        if let Some(span) = check.part(&field, parse_span(text)) {
            read.push((span, field));
        }
    }
    read.sort_unstable_by_key(|(span, _)| *span);
    for pair in read.windows(2) {
        let ((earlier, _), (later, field)) = (&pair[0], &pair[1]);
        check.require(
            later.from >= earlier.to,
            field,
            "overlapping_hours",
            "overlaps another span of the day",
        );
    }
    read.into_iter().map(|(span, _)| span).collect()
}

fn parse_span(text: &DaySpanText) -> Result<DaySpan, Violations> {
    let mut check = Check::default();
    let from = check.field("from", opening_minute(&text.from));
    let to = check.field("to", minute_of_day(&text.to));
    let span = from.zip(to).map(|(from, to)| DaySpan { from, to });
    if span.is_some_and(|span| span.to <= span.from) {
        let detail = "must come after 'from'; hours that pass midnight are split at it";
        check.note(Violation::new("to", "reversed_hours", detail));
    }
    check.finish(|| span.expect("a time that was not read has been noted"))
}

fn opening_minute(text: &str) -> Result<u16, ClockTimeError> {
    let minute = minute_of_day(text)?;
    if minute == MIDNIGHT { Err(ClockTimeError::OpensAtMidnight) } else { Ok(minute) }
}

/// Minutes from midnight of `HH:MM`, up to `24:00`.
fn minute_of_day(text: &str) -> Result<u16, ClockTimeError> {
    let &[h1, h2, b':', m1, m2] = text.as_bytes() else {
        return Err(ClockTimeError::Malformed);
    };
    let two = |a: u8, b: u8| {
        (a.is_ascii_digit() && b.is_ascii_digit()).then(|| u16::from(a - b'0') * 10 + u16::from(b - b'0'))
    };
    match (two(h1, h2), two(m1, m2)) {
        (Some(hour @ 0..=23), Some(minute @ 0..=59)) => Ok(hour * 60 + minute),
        (Some(24), Some(0)) => Ok(MIDNIGHT),
        _ => Err(ClockTimeError::Malformed),
    }
}

impl TryFrom<WeeklyHoursText> for WeeklyHours {
    type Error = Violations;
    fn try_from(text: WeeklyHoursText) -> Result<Self, Violations> {
        Self::parse(&text)
    }
}

impl From<WeeklyHours> for WeeklyHoursText {
    fn from(hours: WeeklyHours) -> Self {
        let [monday, tuesday, wednesday, thursday, friday, saturday, sunday] =
            hours.days.map(|day| day.iter().copied().map(DaySpan::text).collect());
        Self { monday, tuesday, wednesday, thursday, friday, saturday, sunday }
    }
}

impl DaySpan {
    fn text(self) -> DaySpanText {
        let clock = |minute: u16| format!("{:02}:{:02}", minute / 60, minute % 60);
        DaySpanText { from: clock(self.from), to: clock(self.to) }
    }

    /// The stretch on one date; `None` when the clocks skip all of it.
    fn on_date(self, zone: Tz, date: NaiveDate) -> Option<Interval> {
        let midnight = date.and_time(NaiveTime::MIN);
        let edge = |minute: u16, edge| edge_instant(zone, midnight + TimeDelta::minutes(minute.into()), edge);
        Interval::new(edge(self.from, Edge::Opening), edge(self.to, Edge::Closing)).ok()
    }
}

impl fmt::Display for WeeklyHours {
    /// Such as `Mon 08:00-12:00 13:00-18:00, Tue 08:00-18:00`, or `closed`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut any = false;
        for (day, _) in DAYS {
            let spans = self.on(day);
            if spans.is_empty() {
                continue;
            }
            write!(f, "{}{day}", if any { ", " } else { "" })?;
            for text in spans.iter().copied().map(DaySpan::text) {
                write!(f, " {}-{}", text.from, text.to)?;
            }
            any = true;
        }
        if any { Ok(()) } else { f.write_str("closed") }
    }
}

/// When the facility is open within `range`: sorted, free of overlaps,
/// touching stretches joined, cut at the ends of the range.
///
/// On the nights the clocks change, hours that begin or end at a time that
/// is skipped do so when the clocks jump; of a time that occurs twice an
/// opening takes the first and a closing the second. A day that is skipped
/// entirely has no hours.
pub fn open_intervals(hours: &WeeklyHours, zone: Tz, range: Interval) -> Result<Vec<Interval>, RangeError> {
    check_range(range)?;
    // No zone is a whole day away from UTC, but one may have skipped a day.
    let first = range.start().date_naive() - Days::new(2);
    let last = range.end().date_naive() + Days::new(2);
    let open = first
        .iter_days()
        .take_while(|date| *date <= last)
        .flat_map(|date| hours.on(date.weekday()).iter().filter_map(move |span| span.on_date(zone, date)))
        .filter_map(|open| open.intersection(&range))
        .collect();
    Ok(interval::merge(open))
}

/// Whether the facility is open during all of `whole`.
pub fn is_open(hours: &WeeklyHours, zone: Tz, whole: Interval) -> Result<bool, RangeError> {
    Ok(open_intervals(hours, zone, whole)? == [whole])
}

/// A time during which the facility, or part of it, is closed whatever its hours.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Closure {
    /// From when to when; `start` and `end` in the text form.
    #[serde(flatten)]
    pub period: Interval,
    /// Why, as shown to people.
    pub reason: Name,
}

impl Closure {
    /// A closure for a reason.
    pub const fn new(period: Interval, reason: Name) -> Self {
        Self { period, reason }
    }
}

/// What the closures leave of the open time, which must be sorted and free of overlaps.
pub fn without_closures(open: &[Interval], closures: &[Closure]) -> Vec<Interval> {
    let closed = interval::merge(closures.iter().map(|closure| closure.period).collect());
    open.iter()
        .flat_map(|whole| {
            let near = closed.iter().filter(|period| period.overlaps(whole)).copied().collect();
            interval::gaps(*whole, near)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::{DateTime, Utc};
    use proptest::prelude::*;

    fn hours(json: &str) -> WeeklyHours {
        serde_json::from_str(json).unwrap()
    }

    fn range(start: &str, end: &str) -> Interval {
        Interval::new(start.parse().unwrap(), end.parse().unwrap()).unwrap()
    }

    fn shown(open: &[Interval]) -> Vec<String> {
        open.iter().map(ToString::to_string).collect()
    }

    fn faults(json: &str) -> Vec<(String, &'static str)> {
        let text: WeeklyHoursText = serde_json::from_str(json).unwrap();
        let found = WeeklyHours::parse(&text).unwrap_err().into_vec();
        found.into_iter().map(|fault| (fault.field, fault.code)).collect()
    }

    #[test]
    fn hours_survive_their_json() {
        let json = r#"{"monday":[{"from":"08:00","to":"12:00"},{"from":"13:00","to":"24:00"}]}"#;
        assert_eq!(serde_json::to_string(&hours(json)).unwrap(), json);
        assert_eq!(hours(json).to_string(), "Mon 08:00-12:00 13:00-24:00");
        assert_eq!(hours("{}").to_string(), "closed");
        assert!(serde_json::from_str::<WeeklyHours>(r#"{"funday":[]}"#).is_err());
    }

    #[test]
    fn every_bad_span_is_named() {
        let found = faults(
            r#"{"monday":[{"from":"13:00","to":"18:00"},{"from":"8:00","to":"25:00"},{"from":"17:59","to":"19:00"}],
                "friday":[{"from":"18:00","to":"08:00"},{"from":"24:00","to":"24:00"}]}"#,
        );
        let expected = [
            ("monday[1].from", "bad_time"),
            ("monday[1].to", "bad_time"),
            ("monday[2]", "overlapping_hours"),
            ("friday[0].to", "reversed_hours"),
            ("friday[1].from", "opens_at_midnight"),
        ];
        assert_eq!(found, expected.map(|(field, code)| (field.to_owned(), code)));
    }

    #[test]
    fn touching_hours_are_one_opening() {
        let hours = hours(
            r#"{"monday":[{"from":"12:00","to":"24:00"},{"from":"08:00","to":"12:00"}],
                "tuesday":[{"from":"00:00","to":"06:00"}]}"#,
        );
        // 2 March 2026 is a Monday.
        let open =
            open_intervals(&hours, Tz::UTC, range("2026-03-01T00:00:00Z", "2026-03-08T00:00:00Z")).unwrap();
        assert_eq!(shown(&open), ["2026-03-02T08:00:00Z/2026-03-03T06:00:00Z"]);
        assert!(is_open(&hours, Tz::UTC, range("2026-03-02T23:00:00Z", "2026-03-03T06:00:00Z")).unwrap());
        assert!(!is_open(&hours, Tz::UTC, range("2026-03-02T23:00:00Z", "2026-03-03T06:00:01Z")).unwrap());
    }

    /// Clocks in the European Union go forward at 01:00 UTC on 29 March 2026 and
    /// back at 01:00 UTC on 25 October 2026 (Directive 2000/84/EC).
    #[test]
    fn nights_when_the_clocks_change_in_berlin() {
        let zone = Tz::Europe__Berlin;
        let nights = hours(r#"{"sunday":[{"from":"00:00","to":"06:00"}]}"#);
        let open =
            |hours: &WeeklyHours, start, end| shown(&open_intervals(hours, zone, range(start, end)).unwrap());
        let spring = ("2026-03-28T00:00:00Z", "2026-03-30T00:00:00Z");
        let autumn = ("2026-10-24T00:00:00Z", "2026-10-26T00:00:00Z");
        assert_eq!(open(&nights, spring.0, spring.1), ["2026-03-28T23:00:00Z/2026-03-29T04:00:00Z"]);
        assert_eq!(open(&nights, autumn.0, autumn.1), ["2026-10-24T22:00:00Z/2026-10-25T05:00:00Z"]);
        let edges = hours(r#"{"sunday":[{"from":"02:15","to":"02:45"}]}"#);
        assert_eq!(open(&edges, spring.0, spring.1), Vec::<String>::new());
        assert_eq!(open(&edges, autumn.0, autumn.1), ["2026-10-25T00:15:00Z/2026-10-25T01:45:00Z"]);
        let late = hours(r#"{"sunday":[{"from":"02:30","to":"04:00"}]}"#);
        assert_eq!(open(&late, spring.0, spring.1), ["2026-03-29T01:00:00Z/2026-03-29T02:00:00Z"]);
    }

    /// Lord Howe Island moves its clocks by half an hour, from 02:00 to 02:30 on
    /// 4 October 2026 at 15:30 UTC of the day before (IANA database, file australasia).
    #[test]
    fn half_an_hour_is_skipped_on_lord_howe() {
        let hours = hours(r#"{"sunday":[{"from":"01:00","to":"02:10"},{"from":"02:20","to":"03:00"}]}"#);
        let whole = range("2026-10-03T00:00:00Z", "2026-10-05T00:00:00Z");
        let open = open_intervals(&hours, Tz::Australia__Lord_Howe, whole).unwrap();
        assert_eq!(shown(&open), ["2026-10-03T14:30:00Z/2026-10-03T16:00:00Z"]);
    }

    #[test]
    fn closures_are_taken_out() {
        let open = [range("2026-03-02T08:00:00Z", "2026-03-02T18:00:00Z")];
        let json =
            r#"{"start":"2026-03-02T10:00:00Z","end":"2026-03-02T12:00:00+01:00","reason":"Fire drill"}"#;
        let closure: Closure = serde_json::from_str(json).unwrap();
        assert_eq!(closure.reason.as_str(), "Fire drill");
        let left = without_closures(&open, &[closure]);
        assert_eq!(
            shown(&left),
            ["2026-03-02T08:00:00Z/2026-03-02T10:00:00Z", "2026-03-02T11:00:00Z/2026-03-02T18:00:00Z"]
        );
        let reversed =
            r#"{"start":"2026-03-02T10:00:00Z","end":"2026-03-02T10:00:00Z","reason":"Fire drill"}"#;
        assert!(serde_json::from_str::<Closure>(reversed).is_err());
    }

    #[test]
    fn ranges_that_are_too_long_are_refused() {
        let long = range("2026-01-01T00:00:00Z", "2029-01-01T00:00:00Z");
        assert_eq!(open_intervals(&WeeklyHours::always(), Tz::UTC, long), Err(RangeError::TooLong));
    }

    fn zones() -> impl Strategy<Value = Tz> {
        prop::sample::select(vec![
            Tz::Europe__Berlin,
            Tz::America__St_Johns,
            Tz::America__Havana,
            Tz::Pacific__Apia,
            Tz::Australia__Lord_Howe,
        ])
    }

    fn ranges() -> impl Strategy<Value = Interval> {
        (0_i64..4_000_000_000, 1_i64..10_000_000).prop_map(|(start, length)| {
            let at = |second| DateTime::<Utc>::from_timestamp(second, 0).unwrap();
            Interval::new(at(start), at(start + length)).unwrap()
        })
    }

    proptest! {
        #[test]
        fn always_open_is_open_always(zone in zones(), whole in ranges()) {
            prop_assert_eq!(is_open(&WeeklyHours::always(), zone, whole), Ok(true));
        }

        #[test]
        fn openings_are_sorted_apart_and_show_their_hours(zone in zones(), whole in ranges()) {
            let hours = hours(
                r#"{"monday":[{"from":"08:00","to":"18:00"}],"thursday":[{"from":"05:30","to":"12:00"}],
                    "sunday":[{"from":"20:00","to":"24:00"}]}"#,
            );
            let open = open_intervals(&hours, zone, whole).unwrap();
            prop_assert!(open.windows(2).all(|pair| pair[0].end() < pair[1].start()));
            for one in &open {
                prop_assert!(whole.covers(one));
                // None of these hours comes near a change of the clocks, except a day
                // that Samoa skipped, so midway the wall must show an open minute.
                let midway = (one.start() + one.length() / 2).with_timezone(&zone).naive_local();
                let clock = midway.time().format("%H:%M").to_string();
                let text = WeeklyHoursText::from(hours.clone());
                let inside = text.day(midway.weekday()).iter().any(|span| span.from <= clock && clock < span.to);
                prop_assert!(inside, "{} at {}", one, midway);
            }
        }
    }
}
