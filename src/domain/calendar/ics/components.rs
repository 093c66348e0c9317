//! What a calendar holds, as it is written: events, to-dos and busy time.

use super::timezone::put_zone;
use super::{Lines, utc};
use crate::domain::calendar::free_busy::BusyTime;
use crate::domain::calendar::{Interval, Length};
use chrono::{DateTime, SubsecRound as _, TimeDelta, Utc};
use chrono_tz::Tz;

/// Identifies the program that wrote a calendar.
const PRODUCT: &str = "-//drykeep//drykeep//EN";

/// A calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Calendar {
    /// What it is called.
    pub name: String,
    /// What it holds, for people; may be empty.
    pub description: String,
    /// The zone that local times are in.
    pub zone: Tz,
    /// The time over which the zone is defined; everything lies in it.
    pub span: Interval,
    /// How often it is worth fetching.
    pub refresh: Length,
    /// Events.
    pub events: Vec<Event>,
    /// To-dos.
    pub to_dos: Vec<ToDo>,
}

/// Where an event stands (RFC 5545 §3.8.1.11).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EventStatus {
    /// Not for certain.
    Tentative,
    /// It takes place.
    Confirmed,
    /// It does not.
    Cancelled,
}

impl EventStatus {
    /// The standard's word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tentative => "TENTATIVE",
            Self::Confirmed => "CONFIRMED",
            Self::Cancelled => "CANCELLED",
        }
    }
}

/// What an entry is, whatever its kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Identifies it in every calendar.
    pub uid: String,
    /// Which version of it this is, the first being 0.
    pub sequence: u32,
    /// When it was made.
    pub created: DateTime<Utc>,
    /// When it was last changed.
    pub modified: DateTime<Utc>,
    /// What it is, in a line.
    pub summary: String,
    /// What there is to know; may be empty.
    pub description: String,
    /// Where; may be empty.
    pub location: String,
    /// Words to sort by.
    pub categories: Vec<String>,
}

/// Something that takes place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// What it is.
    pub entry: Entry,
    /// When.
    pub interval: Interval,
    /// Where it stands.
    pub status: EventStatus,
    /// Whether it leaves the time free for something else.
    pub transparent: bool,
}

/// Something to be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ToDo {
    /// What it is.
    pub entry: Entry,
    /// By when.
    pub due: DateTime<Utc>,
    /// From 1, the highest, to 9 (RFC 5545 §3.8.1.9).
    pub priority: u8,
}

/// Busy time of one thing over a range.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FreeBusy {
    /// Identifies it.
    pub uid: String,
    /// What it is of.
    pub comment: String,
    /// When it was worked out.
    pub stamped: DateTime<Utc>,
    /// From when to when.
    pub range: Interval,
    /// What is busy.
    pub busy: Vec<BusyTime>,
}

fn head(lines: &mut Lines) {
    lines.put("BEGIN", "VCALENDAR");
    lines.put("VERSION", "2.0");
    lines.put("PRODID", PRODUCT);
    lines.put("CALSCALE", "GREGORIAN");
}

/// The same instant, or the next whole second: nothing ends before it does.
fn whole_second(at: DateTime<Utc>) -> DateTime<Utc> {
    let floor = at.trunc_subsecs(0);
    if floor == at { at } else { floor + TimeDelta::seconds(1) }
}

impl Calendar {
    /// The calendar as text.
    pub fn write(&self) -> String {
        let mut lines = Lines::default();
        head(&mut lines);
        lines.text("NAME", &self.name);
        if !self.description.is_empty() {
            lines.text("DESCRIPTION", &self.description);
        }
        lines.put("REFRESH-INTERVAL;VALUE=DURATION", &self.refresh.to_string());
        put_zone(&mut lines, self.zone, self.span);
        for event in &self.events {
            event.put(&mut lines, self.zone);
        }
        for to_do in &self.to_dos {
            to_do.put(&mut lines, self.zone);
        }
        lines.put("END", "VCALENDAR");
        lines.finish()
    }
}

impl Entry {
    fn put(&self, lines: &mut Lines) {
        lines.text("UID", &self.uid);
        // Without a METHOD the stamp is that of the last change (RFC 5545 §3.8.7.2),
        // so the text stays the same until something changes.
        lines.utc("DTSTAMP", self.modified);
        lines.utc("CREATED", self.created);
        lines.utc("LAST-MODIFIED", self.modified);
        lines.put("SEQUENCE", &self.sequence.to_string());
        lines.text("SUMMARY", &self.summary);
        for (name, text) in [("DESCRIPTION", &self.description), ("LOCATION", &self.location)] {
            if !text.is_empty() {
                lines.text(name, text);
            }
        }
        lines.texts("CATEGORIES", &self.categories);
    }
}

impl Event {
    fn put(&self, lines: &mut Lines, zone: Tz) {
        lines.put("BEGIN", "VEVENT");
        self.entry.put(lines);
        let (start, end) = (self.interval.start(), whole_second(self.interval.end()));
        lines.local(&[("DTSTART", start), ("DTEND", end)], zone);
        lines.put("STATUS", self.status.word());
        lines.put("TRANSP", if self.transparent { "TRANSPARENT" } else { "OPAQUE" });
        lines.put("END", "VEVENT");
    }
}

impl ToDo {
    fn put(&self, lines: &mut Lines, zone: Tz) {
        lines.put("BEGIN", "VTODO");
        self.entry.put(lines);
        lines.local(&[("DUE", self.due)], zone);
        lines.put("PRIORITY", &self.priority.to_string());
        lines.put("STATUS", "NEEDS-ACTION");
        lines.put("END", "VTODO");
    }
}

/// Busy time as text, a component for each thing.
pub fn write_free_busy(all: &[FreeBusy]) -> String {
    let mut lines = Lines::default();
    head(&mut lines);
    for one in all {
        lines.put("BEGIN", "VFREEBUSY");
        lines.text("UID", &one.uid);
        lines.utc("DTSTAMP", one.stamped);
        lines.utc("DTSTART", one.range.start());
        lines.utc("DTEND", whole_second(one.range.end()));
        lines.text("COMMENT", &one.comment);
        for time in &one.busy {
            let period = format!("{}/{}", utc(time.interval.start()), utc(whole_second(time.interval.end())));
            lines.put(&format!("FREEBUSY;FBTYPE={}", time.busy.word()), &period);
        }
        lines.put("END", "VFREEBUSY");
    }
    lines.put("END", "VCALENDAR");
    lines.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event(start: &str, end: &str) -> Event {
        Event {
            entry: Entry {
                uid: "018f0000-0000-7000-8000-000000000001@drykeep".to_owned(),
                sequence: 2,
                created: "2026-03-01T08:00:00Z".parse().unwrap(),
                modified: "2026-03-02T08:00:00Z".parse().unwrap(),
                summary: "S1; drying, day 2".to_owned(),
                description: String::new(),
                location: "LYNX".to_owned(),
                categories: vec!["Booking".to_owned(), "Films, thin".to_owned()],
            },
            interval: Interval::new(start.parse().unwrap(), end.parse().unwrap()).unwrap(),
            status: EventStatus::Confirmed,
            transparent: false,
        }
    }

    /// RFC 5545 §3.6.1; the clocks of Europe/Berlin go forward on 29 March 2026.
    #[test]
    fn a_booking_across_the_change_of_the_clocks_keeps_its_instants() {
        let mut lines = Lines::default();
        event("2026-03-28T22:00:00Z", "2026-03-29T04:00:00.25Z").put(&mut lines, Tz::Europe__Berlin);
        let text = lines.finish();
        assert!(text.contains("DTSTART;TZID=Europe/Berlin:20260328T230000\r\n"), "{text}");
        assert!(text.contains("DTEND;TZID=Europe/Berlin:20260329T060001\r\n"), "{text}");
        assert!(text.contains("SEQUENCE:2\r\n") && text.contains("CATEGORIES:Booking,Films\\, thin\r\n"));
    }

    /// RFC 5545 §3.4: a calendar has at least one component.
    #[test]
    fn an_empty_calendar_still_defines_its_zone() {
        let span =
            Interval::new("2026-01-01T00:00:00Z".parse().unwrap(), "2026-02-01T00:00:00Z".parse().unwrap());
        let calendar = Calendar {
            name: "LYNX".to_owned(),
            description: String::new(),
            zone: Tz::UTC,
            span: span.unwrap(),
            refresh: Length::of_seconds(900).unwrap(),
            events: Vec::new(),
            to_dos: Vec::new(),
        };
        let text = calendar.write();
        assert!(text.contains("BEGIN:VTIMEZONE\r\nTZID:UTC\r\n"), "{text}");
        assert!(text.contains("REFRESH-INTERVAL;VALUE=DURATION:PT15M\r\n"), "{text}");
        assert!(text.ends_with("END:VCALENDAR\r\n") && !text.contains("X-"), "{text}");
    }
}
