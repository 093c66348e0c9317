//! Closures from the events of an iCalendar file: which times they mean, and
//! which of them cannot be taken over, with the reason.

use super::reading::{Component, Property, Unreadable, components};
use super::unescaped;
use crate::domain::calendar::recurrence::RecurrenceError;
use crate::domain::calendar::zone::parse_zone;
use crate::domain::calendar::{Interval, Length, LocalTime, Recurrence};
use crate::domain::names::Name;
use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// How far ahead events that recur are expanded.
pub const AHEAD: TimeDelta = TimeDelta::days(731);

/// The most times that one event may mean.
pub const MOST_TIMES: usize = 366;

/// The most events that are read.
pub const MOST_EVENTS: usize = 2000;

/// The longest event that is taken for a closure.
const LONGEST: TimeDelta = TimeDelta::days(60);

/// What a closure is called whose event has no name.
const NAMELESS: &str = "Closed";

/// A closure that a file asks for.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Wanted {
    /// When.
    pub interval: Interval,
    /// Why.
    pub reason: Name,
}

/// An entry that was not taken over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// The line it begins on.
    pub line: usize,
    /// Its identifier, where it has one.
    pub uid: Option<String>,
    /// Stable code.
    pub code: &'static str,
    /// Why, in a sentence.
    pub detail: String,
}

/// What a file asks for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Found {
    /// The closures, in order of time, each once.
    pub closures: Vec<Wanted>,
    /// What was left out, in the order of the file.
    pub skipped: Vec<Skipped>,
}

/// Why an event was left out.
type Why = (&'static str, String);

fn why<T>(code: &'static str, detail: impl Into<String>) -> Result<T, Why> {
    Err((code, detail.into()))
}

/// A point in time as an event gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Moment {
    wall: NaiveDateTime,
    zone: Tz,
    /// Whether it is a day without a time.
    day: bool,
}

impl Moment {
    fn local(self) -> Result<LocalTime, Why> {
        LocalTime::new(self.wall).map_err(|error| ("outside_calendar", error.to_string()))
    }

    fn instant(self) -> Result<DateTime<Utc>, Why> {
        Ok(self.local()?.instant(self.zone))
    }
}

/// How long an event is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lasts {
    Days(u64),
    Elapsed(TimeDelta),
}

/// Reads the closures of a file; what has passed by `now` is left out. Days
/// and times without a zone are on the wall of `zone`.
pub fn read(text: &[u8], zone: Tz, now: DateTime<Utc>) -> Result<Found, Unreadable> {
    let all = components(text)?;
    let reader = Reader { zone, now, replaced: replaced(&all, zone) };
    let mut found = Found::default();
    let mut events = 0;
    for component in all.iter().filter(|component| component.name != "VTIMEZONE") {
        events += 1;
        let times = if events > MOST_EVENTS {
            why("too_many_events", format!("only the first {MOST_EVENTS} entries are read"))
        } else {
            reader.closures(component)
        };
        match times {
            Ok(times) => found.closures.extend(times),
            Err((code, detail)) => found.skipped.push(Skipped {
                line: component.line,
                uid: component.get("UID").map(|uid| shortened(&unescaped(&uid.value), 255)),
                code,
                detail,
            }),
        }
    }
    found.closures.sort_unstable();
    found.closures.dedup();
    Ok(found)
}

/// The times of events that recur which other events of the file replace or
/// call off, by identifier.
fn replaced(all: &[Component], zone: Tz) -> BTreeMap<String, Vec<DateTime<Utc>>> {
    let mut by_uid: BTreeMap<String, Vec<DateTime<Utc>>> = BTreeMap::new();
    for event in all.iter().filter(|component| component.name == "VEVENT") {
        let (Some(uid), Some(id)) = (event.get("UID"), event.get("RECURRENCE-ID")) else { continue };
        if let Ok(at) = moment(id, &id.value, zone).and_then(Moment::instant) {
            by_uid.entry(uid.value.clone()).or_default().push(at);
        }
    }
    by_uid
}

struct Reader {
    zone: Tz,
    now: DateTime<Utc>,
    replaced: BTreeMap<String, Vec<DateTime<Utc>>>,
}

impl Reader {
    fn closures(&self, event: &Component) -> Result<Vec<Wanted>, Why> {
        if event.name != "VEVENT" {
            return why("not_an_event", format!("{} is no event", shortened(&event.name, 40)));
        }
        let cancelled = |status: &Property| status.value.trim().eq_ignore_ascii_case("CANCELLED");
        if event.get("STATUS").is_some_and(cancelled) {
            return why("cancelled", "the event was called off");
        }
        let Some(start) = event.get("DTSTART") else { return why("no_start", "the event has no DTSTART") };
        let start = moment(start, &start.value, self.zone)?;
        let lasts = self.lasts(event, start)?;
        let reason = reason(event);
        let times = self.times(event, start, lasts)?;
        let coming: Vec<Wanted> = times
            .into_iter()
            .filter(|interval| interval.end() > self.now)
            .map(|interval| Wanted { interval, reason: reason.clone() })
            .collect();
        if coming.is_empty() {
            return why("past", "it is over, or recurs too far ahead to be expanded");
        }
        Ok(coming)
    }

    fn lasts(&self, event: &Component, start: Moment) -> Result<Lasts, Why> {
        let lasts = match (event.get("DTEND"), event.get("DURATION")) {
            (Some(end), _) => {
                let end = moment(end, &end.value, self.zone)?;
                if start.day && end.day {
                    let days = (end.wall.date() - start.wall.date()).num_days();
                    Lasts::Days(u64::try_from(days).unwrap_or(0))
                } else {
                    Lasts::Elapsed(end.instant()? - start.instant()?)
                }
            }
            (None, Some(duration)) => {
                let length = Length::parse(duration.value.trim().trim_start_matches('+'))
                    .map_err(|error| ("bad_duration", error.to_string()))?;
                match u64::try_from(length.seconds() / 86_400) {
                    Ok(days) if start.day => Lasts::Days(days),
                    _ => Lasts::Elapsed(length.delta()),
                }
            }
            (None, None) if start.day => Lasts::Days(1),
            (None, None) => Lasts::Elapsed(TimeDelta::zero()),
        };
        match lasts {
            Lasts::Days(0) => why("no_length", "the event does not last"),
            Lasts::Elapsed(length) if length <= TimeDelta::zero() => {
                why("no_length", "the event does not last")
            }
            Lasts::Days(days) if days > LONGEST.num_days().unsigned_abs() => too_long(),
            Lasts::Elapsed(length) if length > LONGEST => too_long(),
            Lasts::Days(_) | Lasts::Elapsed(_) => Ok(lasts),
        }
    }

    fn times(&self, event: &Component, start: Moment, lasts: Lasts) -> Result<Vec<Interval>, Why> {
        let recurs = ["RRULE", "RDATE"].iter().any(|name| event.get(name).is_some());
        if !recurs || event.get("RECURRENCE-ID").is_some() {
            return Ok(vec![interval(start, start.instant()?, lasts)?]);
        }
        if event.all("RRULE").count() > 1 {
            return why("several_rules", "an event has one RRULE");
        }
        let rule = event.get("RRULE").map(|rule| with_instant(&rule.value, start)).transpose()?;
        let rdates = self.dates(event, "RDATE", start)?;
        let exdates = self.dates(event, "EXDATE", start)?;
        let recurrence = Recurrence::new(start.local()?, start.zone, rule.as_deref(), rdates, exdates)
            .map_err(|faults| first(&faults))?;
        let from = self.now - LONGEST;
        let range = Interval::lasting(from, LONGEST + AHEAD)
            .map_err(|error| ("outside_calendar", error.to_string()))?;
        let starts = recurrence.expand(range, MOST_TIMES).map_err(|error| match error {
            RecurrenceError::TooMany { .. } => {
                ("too_many_occurrences", format!("it comes up more than {MOST_TIMES} times in two years"))
            }
            RecurrenceError::Rule(_)
            | RecurrenceError::NeverMatches
            | RecurrenceError::UntilBeforeStart
            | RecurrenceError::TooManyDates
            | RecurrenceError::Range(_) => ("bad_recurrence", error.to_string()),
        })?;
        let replaced = event.get("UID").and_then(|uid| self.replaced.get(&uid.value));
        let is_replaced = |at: &DateTime<Utc>| replaced.is_some_and(|times| times.contains(at));
        starts.into_iter().filter(|at| !is_replaced(at)).map(|at| interval(start, at, lasts)).collect()
    }

    /// The times of a list, on the wall of the start's zone.
    fn dates(&self, event: &Component, name: &str, start: Moment) -> Result<Vec<LocalTime>, Why> {
        let mut dates = Vec::new();
        for property in event.all(name) {
            for value in property.value.split(',') {
                let given = moment(property, value, self.zone)?;
                let wall = if given.day {
                    // A day means the occurrence on that day.
                    given.wall.date().and_time(start.wall.time())
                } else {
                    given.instant()?.with_timezone(&start.zone).naive_local()
                };
                dates.push(Moment { wall, ..start }.local()?);
            }
        }
        Ok(dates)
    }
}

fn too_long<T>() -> Result<T, Why> {
    why("too_long", format!("an event longer than {} days is no closure", LONGEST.num_days()))
}

fn first(faults: &crate::domain::violations::Violations) -> Why {
    let fault = faults.as_slice().first();
    ("bad_recurrence", fault.map(ToString::to_string).unwrap_or_default())
}

/// The time of an occurrence that begins at an instant.
fn interval(start: Moment, at: DateTime<Utc>, lasts: Lasts) -> Result<Interval, Why> {
    let end = match lasts {
        Lasts::Elapsed(length) => at + length,
        Lasts::Days(days) => {
            let date = at.with_timezone(&start.zone).date_naive().checked_add_days(Days::new(days));
            let wall = date.unwrap_or(NaiveDate::MAX).and_time(NaiveTime::MIN);
            Moment { wall, ..start }.instant()?
        }
    };
    Interval::new(at, end).map_err(|error| ("no_length", error.to_string()))
}

/// A rule whose `UNTIL` is an instant in UTC, which is asked for here.
fn with_instant(rule: &str, start: Moment) -> Result<String, Why> {
    let parts: Result<Vec<String>, Why> = rule
        .trim()
        .split(';')
        .map(|part| match part.split_once('=') {
            Some((name, value)) if name.eq_ignore_ascii_case("UNTIL") && !value.ends_with('Z') => {
                let (wall, day) =
                    wall(value).ok_or(("bad_recurrence", format!("UNTIL={value} is no time")))?;
                // A day is the last on which an occurrence begins.
                let wall = if day { wall.date().and_time(start.wall.time()) } else { wall };
                let until = Moment { wall, ..start }.instant()?;
                Ok(format!("UNTIL={}", super::utc(until)))
            }
            _ => Ok(part.to_owned()),
        })
        .collect();
    Ok(parts?.join(";"))
}

/// A day, or a time on the wall; whether it is a day.
fn wall(text: &str) -> Option<(NaiveDateTime, bool)> {
    let day = |text: &str| {
        let digits = text.len() == 8 && text.bytes().all(|octet| octet.is_ascii_digit());
        NaiveDate::parse_from_str(text, "%Y%m%d").ok().filter(|_| digits)
    };
    match text.split_once('T') {
        None => Some((day(text)?.and_time(NaiveTime::MIN), true)),
        Some((date, time)) => {
            let digits = time.len() == 6 && time.bytes().all(|octet| octet.is_ascii_digit());
            let time = NaiveTime::parse_from_str(time, "%H%M%S").ok().filter(|_| digits)?;
            Some((day(date)?.and_time(time), false))
        }
    }
}

/// A value of a property as a moment: a day, an instant in UTC, or a time on
/// the wall of the zone named or else of `zone`.
fn moment(property: &Property, value: &str, zone: Tz) -> Result<Moment, Why> {
    let text = value.trim();
    let bad = || {
        let name = shortened(&property.name, 40);
        ("bad_time", format!("{name}: {:?} is no date and no time of the calendar", shortened(text, 40)))
    };
    if let Some(instant) = text.strip_suffix('Z') {
        let (wall, day) = wall(instant).ok_or_else(bad)?;
        return if day { Err(bad()) } else { Ok(Moment { wall, zone: Tz::UTC, day }) };
    }
    let (wall, day) = wall(text).ok_or_else(bad)?;
    let zone = match property.parameter("TZID") {
        Some(name) if !day => parse_zone(name.trim_start_matches('/'))
            .map_err(|error| ("unknown_timezone", format!("{:?} {error}", shortened(name, 60))))?,
        _ => zone,
    };
    Ok(Moment { wall, zone, day })
}

fn shortened(text: &str, longest: usize) -> String {
    if text.chars().count() <= longest {
        return text.to_owned();
    }
    text.chars().take(longest.saturating_sub(1)).chain(['\u{2026}']).collect()
}

/// Why it is closed, as the event's name tells.
fn reason(event: &Component) -> Name {
    let text = event.get("SUMMARY").map(|summary| unescaped(&summary.value)).unwrap_or_default();
    let plain: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let named = Name::parse(&shortened(plain.trim(), 120)).or_else(|_| Name::parse(NAMELESS));
    named.expect("a constant name")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_events(events: &[&str]) -> Found {
        let event = |lines: &&str| format!("BEGIN:VEVENT\n{}\nEND:VEVENT\n", lines.replace('|', "\n"));
        let body = events.iter().map(event).collect::<Vec<_>>().concat();
        let text = format!("BEGIN:VCALENDAR\nVERSION:2.0\n{body}END:VCALENDAR\n");
        read(text.as_bytes(), Tz::Europe__Berlin, "2026-01-01T00:00:00Z".parse().unwrap()).unwrap()
    }

    fn shown(found: &Found) -> Vec<String> {
        found.closures.iter().map(|closure| format!("{} {}", closure.interval, closure.reason)).collect()
    }

    fn codes(found: &Found) -> Vec<&'static str> {
        found.skipped.iter().map(|skipped| skipped.code).collect()
    }

    /// RFC 5545 §3.6.1: a day ends at the next midnight, DTEND is exclusive.
    /// The clocks of Europe/Berlin go forward on 29 March 2026.
    #[test]
    fn days_are_days_of_the_facility() {
        let found = read_events(&[
            "UID:1|DTSTART;VALUE=DATE:20260329|SUMMARY:Long night\\, short day",
            "UID:2|DTSTART;VALUE=DATE:20261224|DTEND;VALUE=DATE:20270102|SUMMARY:Winter",
            "UID:3|DTSTART;VALUE=DATE:20260501|DURATION:P2D",
        ]);
        assert_eq!(
            shown(&found),
            [
                "2026-03-28T23:00:00Z/2026-03-29T22:00:00Z Long night, short day",
                "2026-04-30T22:00:00Z/2026-05-02T22:00:00Z Closed",
                "2026-12-23T23:00:00Z/2027-01-01T23:00:00Z Winter",
            ]
        );
    }

    #[test]
    fn times_are_in_the_zone_they_name() {
        let found = read_events(&[
            "UID:1|DTSTART:20260301T080000Z|DTEND:20260301T090000Z|SUMMARY:utc",
            "UID:2|DTSTART;TZID=America/New_York:20260302T080000|DURATION:PT1H|SUMMARY:there",
            "UID:3|DTSTART:20260303T080000|DTEND:20260303T090000|SUMMARY:here",
            "UID:4|DTSTART;TZID=Nowhere:20260303T080000|DTEND:20260303T090000",
        ]);
        assert_eq!(
            shown(&found),
            [
                "2026-03-01T08:00:00Z/2026-03-01T09:00:00Z utc",
                "2026-03-02T13:00:00Z/2026-03-02T14:00:00Z there",
                "2026-03-03T07:00:00Z/2026-03-03T08:00:00Z here",
            ]
        );
        assert_eq!(codes(&found), ["unknown_timezone"]);
    }

    /// RFC 5545 §3.8.4.4: RECURRENCE-ID names the occurrence that is replaced.
    #[test]
    fn what_recurs_is_expanded_without_what_is_left_out_or_replaced() {
        let found = read_events(&[
            "UID:w|DTSTART;TZID=Europe/Berlin:20260316T080000|DURATION:PT2H|RRULE:FREQ=WEEKLY;UNTIL=20260413\
             |EXDATE;TZID=Europe/Berlin:20260323T080000|SUMMARY:Fire drill",
            "UID:w|RECURRENCE-ID;TZID=Europe/Berlin:20260330T080000|DTSTART;TZID=Europe/Berlin:20260331T100000\
             |DURATION:PT1H|SUMMARY:Fire drill moved",
            "UID:w|RECURRENCE-ID;TZID=Europe/Berlin:20260406T080000|DTSTART;TZID=Europe/Berlin:20260406T080000\
             |DURATION:PT2H|STATUS:CANCELLED",
            "UID:y|DTSTART;VALUE=DATE:20251003|RRULE:FREQ=YEARLY|SUMMARY:Holiday",
        ]);
        assert_eq!(
            shown(&found),
            [
                "2026-03-16T07:00:00Z/2026-03-16T09:00:00Z Fire drill",
                "2026-03-31T08:00:00Z/2026-03-31T09:00:00Z Fire drill moved",
                "2026-04-13T06:00:00Z/2026-04-13T08:00:00Z Fire drill",
                "2026-10-02T22:00:00Z/2026-10-03T22:00:00Z Holiday",
                "2027-10-02T22:00:00Z/2027-10-03T22:00:00Z Holiday",
            ]
        );
        assert_eq!(codes(&found), ["cancelled"]);
    }

    #[test]
    fn what_cannot_be_taken_over_is_named() {
        let found = read_events(&[
            "UID:1|SUMMARY:no start",
            "UID:2|DTSTART:20260303T080000",
            "UID:3|DTSTART:20260303T080000|DTEND:20260303T070000",
            "UID:4|DTSTART:20250303T080000|DTEND:20250303T090000",
            "UID:5|DTSTART:20260303T080000|DURATION:PT1M|RRULE:FREQ=SECONDLY",
            "UID:6|DTSTART:20260303T080000|DURATION:PT1M|RRULE:FREQ=DAILY;BYHOUR=1,2,3",
            "UID:7|DTSTART;VALUE=DATE:20260303|DTEND;VALUE=DATE:20270303",
            "UID:8|DTSTART:next week|DURATION:PT1H",
            "UID:9|DTSTART:20260303T080000|DURATION:PT1H|RDATE;VALUE=PERIOD:20260303T080000/PT1H",
            "UID:10|DTSTART:29990303T080000Z|DURATION:PT1H",
        ]);
        let expected = [
            "no_start",
            "no_length",
            "no_length",
            "past",
            "bad_recurrence",
            "too_many_occurrences",
            "too_long",
            "bad_time",
            "bad_time",
            "outside_calendar",
        ];
        assert_eq!((codes(&found), found.closures.len()), (expected.to_vec(), 0));
        assert_eq!(found.skipped[1].line, 7);
        let other = "BEGIN:VCALENDAR\nBEGIN:VTODO\nUID:t\nEND:VTODO\nEND:VCALENDAR\n";
        let found = read(other.as_bytes(), Tz::UTC, DateTime::UNIX_EPOCH).unwrap();
        assert_eq!(codes(&found), ["not_an_event"]);
    }

    #[test]
    fn the_same_event_twice_is_one_closure() {
        let event = "UID:1|DTSTART:20260301T080000Z|DURATION:PT1H|SUMMARY:Twice";
        assert_eq!(read_events(&[event, event]).closures.len(), 1);
    }
}
