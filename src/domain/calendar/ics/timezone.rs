//! `VTIMEZONE`: what a zone's clocks do over a span, change by change, since
//! many programs know no zone that the calendar does not define.

use super::{Lines, basic};
use crate::domain::calendar::Interval;
use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, Offset as _, TimeDelta, TimeZone as _, Utc};
use chrono_tz::{OffsetComponents as _, OffsetName as _, Tz};

/// What the clocks show at an instant.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Reading {
    /// Seconds ahead of UTC.
    offset: i32,
    /// Whether it is summer time.
    daylight: bool,
    /// What people call it, such as CET.
    name: Option<String>,
}

/// From when on the clocks show what, and how far they were ahead before.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Observance {
    /// The first moment, as the clocks before it show it.
    onset: NaiveDateTime,
    /// Seconds ahead of UTC before.
    before: i32,
    reading: Reading,
}

fn read(zone: Tz, at: DateTime<Utc>) -> Reading {
    let offset = zone.offset_from_utc_datetime(&at.naive_utc());
    Reading {
        offset: offset.fix().local_minus_utc(),
        daylight: offset.dst_offset() > TimeDelta::zero(),
        name: offset.abbreviation().map(str::to_owned),
    }
}

/// The first instant, to the second, of `(from, to]` at which the clocks show
/// something else than at `from`, given that they do at `to`.
fn change(zone: Tz, from: DateTime<Utc>, to: DateTime<Utc>) -> DateTime<Utc> {
    let before = read(zone, from);
    let (mut same, mut other) = (from.timestamp(), to.timestamp());
    while other - same > 1 {
        let middle = same + (other - same) / 2;
        let at = DateTime::from_timestamp(middle, 0).unwrap_or(to);
        if read(zone, at) == before { same = middle } else { other = middle }
    }
    DateTime::from_timestamp(other, 0).unwrap_or(to)
}

fn new_year(year: i32) -> DateTime<Utc> {
    NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or_default().and_time(chrono::NaiveTime::MIN).and_utc()
}

/// What the clocks show at the beginning, and every change from the year
/// before the span to the year after it.
fn observances(zone: Tz, span: Interval) -> Vec<Observance> {
    let (mut at, end) = (new_year(span.start().year() - 1), new_year(span.end().year() + 2));
    let first = read(zone, at);
    let beginning = new_year(1970).naive_utc();
    let mut found = vec![Observance { onset: beginning, before: first.offset, reading: first }];
    while at < end {
        let next = at + TimeDelta::days(1);
        let before = read(zone, at);
        if read(zone, next) != before {
            let changed = change(zone, at, next);
            let onset = changed.naive_utc() + TimeDelta::seconds(before.offset.into());
            found.push(Observance { onset, before: before.offset, reading: read(zone, changed) });
        }
        at = next;
    }
    found
}

/// Seconds ahead of UTC in the standard's form, such as `+0100`.
fn utc_offset(seconds: i32) -> String {
    let sign = if seconds < 0 { '-' } else { '+' };
    let (minutes, rest) = (seconds.abs() / 60, seconds.abs() % 60);
    let shown = format!("{sign}{:02}{:02}", minutes / 60, minutes % 60);
    if rest == 0 { shown } else { format!("{shown}{rest:02}") }
}

/// Writes the definition of a zone that holds over a span.
pub fn put_zone(lines: &mut Lines, zone: Tz, span: Interval) {
    lines.put("BEGIN", "VTIMEZONE");
    lines.put("TZID", zone.name());
    for observance in observances(zone, span) {
        let kind = if observance.reading.daylight { "DAYLIGHT" } else { "STANDARD" };
        lines.put("BEGIN", kind);
        lines.put("DTSTART", &basic(observance.onset));
        lines.put("TZOFFSETFROM", &utc_offset(observance.before));
        lines.put("TZOFFSETTO", &utc_offset(observance.reading.offset));
        if let Some(name) = &observance.reading.name {
            lines.text("TZNAME", name);
        }
        lines.put("END", kind);
    }
    lines.put("END", "VTIMEZONE");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(zone: Tz) -> String {
        let span =
            Interval::new("2026-02-01T00:00:00Z".parse().unwrap(), "2026-06-01T00:00:00Z".parse().unwrap());
        let mut lines = Lines::default();
        put_zone(&mut lines, zone, span.unwrap());
        lines.finish()
    }

    /// Directive 2000/84/EC: summer time from 01:00 UTC on the last Sunday of
    /// March to 01:00 UTC on the last Sunday of October.
    #[test]
    fn summer_time_begins_and_ends_when_the_law_says() {
        let berlin = shown(Tz::Europe__Berlin);
        let summer = "BEGIN:DAYLIGHT\r\nDTSTART:20260329T020000\r\nTZOFFSETFROM:+0100\r\nTZOFFSETTO:+0200\r\n\
             TZNAME:CEST\r\nEND:DAYLIGHT\r\n";
        let winter = "BEGIN:STANDARD\r\nDTSTART:20261025T030000\r\nTZOFFSETFROM:+0200\r\nTZOFFSETTO:+0100\r\n\
             TZNAME:CET\r\nEND:STANDARD\r\n";
        assert!(berlin.contains(summer) && berlin.contains(winter), "{berlin}");
        // The beginning, and two changes each in 2025, 2026 and 2027.
        assert_eq!(berlin.matches("TZOFFSETTO").count(), 7);
    }

    /// IANA database: Kathmandu has kept to 5:45 ahead since 1986; Lord Howe
    /// Island moves by half an hour.
    #[test]
    fn zones_without_changes_and_with_small_ones() {
        let kathmandu = shown(Tz::Asia__Kathmandu);
        assert_eq!(kathmandu.matches("TZOFFSETTO:+0545").count(), 1, "{kathmandu}");
        let lord_howe = shown(Tz::Australia__Lord_Howe);
        assert!(lord_howe.contains("TZOFFSETFROM:+1100\r\nTZOFFSETTO:+1030"), "{lord_howe}");
    }
}
