//! iCalendar text (RFC 5545, with the names of RFC 7986): content lines,
//! escaping and folding. What a calendar holds is written by [`components`],
//! its time zones by [`timezone`]; [`reading`] and [`closures`] read files.

pub mod closures;
pub mod components;
pub mod reading;
pub mod timezone;

pub use components::{Calendar, Event, EventStatus, FreeBusy, ToDo};

use crate::domain::calendar::LocalTime;
use chrono::{DateTime, NaiveDateTime, Utc};
use chrono_tz::Tz;

/// Octets of a line at most, its end not counted (RFC 5545 §3.1).
pub const LONGEST_LINE: usize = 75;

/// Content lines as they are written.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Lines(String);

impl Lines {
    /// Writes a line whose value needs no escaping; `name` may carry parameters.
    pub fn put(&mut self, name: &str, value: &str) {
        fold(&format!("{name}:{value}"), &mut self.0);
    }

    /// Writes a line of the value type TEXT.
    pub fn text(&mut self, name: &str, value: &str) {
        self.put(name, &escaped(value));
    }

    /// Writes a line of several TEXT values, or nothing for none.
    pub fn texts(&mut self, name: &str, values: &[String]) {
        let values: Vec<String> = values.iter().map(|value| escaped(value)).collect();
        if !values.is_empty() {
            self.put(name, &values.join(","));
        }
    }

    /// Writes an instant in UTC.
    pub fn utc(&mut self, name: &str, at: DateTime<Utc>) {
        self.put(name, &utc(at));
    }

    /// Writes instants on the wall clock of a zone, which the calendar must
    /// define. All of them are written in UTC where the clock's time would mean
    /// another instant for one: the second time that the clocks show it (RFC
    /// 5545 §3.3.5). Programs have been seen to take the wrong length from a
    /// start on the wall and an end in UTC.
    pub fn local(&mut self, times: &[(&str, DateTime<Utc>)], zone: Tz) {
        let on_the_wall = times.iter().all(|(_, at)| means_itself(*at, zone));
        for (name, at) in times {
            if on_the_wall {
                let wall = at.with_timezone(&zone).naive_local();
                self.put(&format!("{name};TZID={}", zone.name()), &basic(wall));
            } else {
                self.utc(name, *at);
            }
        }
    }

    /// The text.
    pub fn finish(self) -> String {
        self.0
    }
}

/// Whether what the clocks of a zone show at an instant means that instant.
/// Times of UTC are written as such.
fn means_itself(at: DateTime<Utc>, zone: Tz) -> bool {
    let local = LocalTime::new(at.with_timezone(&zone).naive_local());
    zone != Tz::UTC && local.is_ok_and(|local| local.instant(zone).timestamp() == at.timestamp())
}

/// A time on the wall in the standard's form.
fn basic(wall: NaiveDateTime) -> String {
    wall.format("%Y%m%dT%H%M%S").to_string()
}

/// An instant in the standard's form, a fraction of a second dropped.
pub fn utc(at: DateTime<Utc>) -> String {
    format!("{}Z", basic(at.naive_utc()))
}

/// A value of the type TEXT (RFC 5545 §3.3.11); control characters, which the
/// standard does not admit, are left out.
pub fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        match character {
            '\\' | ';' | ',' => escaped.extend(['\\', character]),
            '\n' => escaped.push_str("\\n"),
            '\r' => {
                if characters.peek() != Some(&'\n') {
                    escaped.push_str("\\n");
                }
            }
            '\t' => escaped.push('\t'),
            other if other.is_control() => {}
            other => escaped.push(other),
        }
    }
    escaped
}

/// What a value of the type TEXT says.
pub fn unescaped(value: &str) -> String {
    let mut text = String::with_capacity(value.len());
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        match character {
            '\\' => match characters.next() {
                Some('n' | 'N') => text.push('\n'),
                Some(other) => text.push(other),
                None => text.push('\\'),
            },
            other => text.push(other),
        }
    }
    text
}

/// Writes a line folded to at most [`LONGEST_LINE`] octets, never within a character.
fn fold(line: &str, into: &mut String) {
    let mut rest = line;
    let mut room = LONGEST_LINE;
    loop {
        let mut cut = rest.len().min(room);
        while !rest.is_char_boundary(cut) {
            cut -= 1;
        }
        let (now, later) = rest.split_at(cut);
        into.push_str(now);
        into.push_str("\r\n");
        if later.is_empty() {
            return;
        }
        into.push(' ');
        rest = later;
        // The space counts.
        room = LONGEST_LINE - 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(value: &str) -> String {
        let mut lines = Lines::default();
        lines.text("SUMMARY", value);
        lines.finish()
    }

    fn unfolded(text: &str) -> String {
        text.replace("\r\n ", "").trim_end_matches("\r\n").to_owned()
    }

    /// RFC 5545 §3.3.11 gives this as its example.
    #[test]
    fn text_is_escaped_as_the_standard_says() {
        assert_eq!(
            escaped("Project XYZ Final Review\nConference Room - 3B\nCome Prepared."),
            "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared."
        );
        assert_eq!(escaped("a,b;c\\d:\"e\""), "a\\,b\\;c\\\\d:\"e\"");
        assert_eq!(escaped("one\r\ntwo\rthree\u{7}"), "one\\ntwo\\nthree");
        assert_eq!(unescaped("a\\,b\\;c\\\\n\\N\\"), "a,b;c\\n\n\\");
    }

    /// RFC 5545 §3.1: 75 octets, continued by one space, no character divided.
    #[test]
    fn long_lines_are_folded_between_characters() {
        let plain = line(&"x".repeat(75 - "SUMMARY:".len()));
        assert_eq!(plain.matches("\r\n").count(), 1);
        // A character of four octets would take the octets 73 to 76.
        let snow = line(&format!("{}\u{1f9e4}y", "x".repeat(72 - "SUMMARY:".len())));
        let lengths: Vec<usize> = snow.split("\r\n").map(str::len).collect();
        assert_eq!(lengths, [72, 6, 0]);
        assert!(snow.contains("\r\n \u{1f9e4}y"));
    }

    /// The clocks of Europe/Berlin go back on 25 October 2026 at 01:00 UTC
    /// (Directive 2000/84/EC), so 02:30 comes twice.
    #[test]
    fn the_second_of_two_equal_times_is_written_in_utc() {
        let zone = Tz::Europe__Berlin;
        let written = |times: &[&str], zone| {
            let mut lines = Lines::default();
            let times: Vec<_> = times.iter().map(|text| ("DUE", text.parse().unwrap())).collect();
            lines.local(&times, zone);
            lines.finish()
        };
        assert_eq!(written(&["2026-10-25T00:30:00Z"], zone), "DUE;TZID=Europe/Berlin:20261025T023000\r\n");
        assert_eq!(
            written(&["2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z"], zone),
            "DUE:20261025T003000Z\r\nDUE:20261025T013000Z\r\n"
        );
        assert_eq!(written(&["2026-07-01T08:00:00.5Z"], Tz::UTC), "DUE:20260701T080000Z\r\n");
    }

    proptest! {
        #[test]
        fn any_text_survives_escaping_and_folding(text in "[\\PC\n\t]{0,400}") {
            let written = line(&text);
            prop_assert!(written.split("\r\n").all(|line| line.len() <= LONGEST_LINE));
            prop_assert!(!written.replace("\r\n", "").contains(['\r', '\n']));
            let value = unfolded(&written);
            prop_assert_eq!(unescaped(value.strip_prefix("SUMMARY:").unwrap()), text);
        }
    }
}
