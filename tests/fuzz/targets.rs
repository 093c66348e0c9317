//! What is read from outside, each with what must hold of anything that was read.

use chrono::{DateTime, Utc};
use drykeep::api::readings_in;
use drykeep::domain::calendar::ics::closures;
use drykeep::domain::calendar::recurrence::{Recurrence, RecurrenceError, RecurrenceText};
use drykeep::domain::calendar::rule::Rule;
use drykeep::domain::calendar::{Interval, Length, Span};
use drykeep::domain::ids::BookingId;
use drykeep::domain::names::{Name, Reference, Remark, Word};
use drykeep::identity::Verifier;
use std::fmt::{Debug, Display};
use std::str::FromStr;
use std::sync::OnceLock;

/// Something that reads text from outside.
pub(crate) struct Target {
    pub(crate) name: &'static str,
    /// How many of a hundred inputs are for it.
    pub(crate) share: u64,
    /// Reads an input; tells whether it meant anything.
    pub(crate) run: fn(&[u8]) -> bool,
}

pub(crate) const ALL: [Target; 9] = [
    Target { name: "references", share: 20, run: references },
    Target { name: "durations", share: 20, run: durations },
    Target { name: "tokens", share: 15, run: tokens },
    Target { name: "rules", share: 15, run: rules },
    Target { name: "recurrences", share: 5, run: recurrences },
    Target { name: "calendars", share: 10, run: calendars },
    Target { name: "readings-json", share: 5, run: |input| readings("application/json", input) },
    Target { name: "readings-lines", share: 5, run: |input| readings("application/x-ndjson", input) },
    Target { name: "readings-csv", share: 5, run: |input| readings("text/csv", input) },
];

/// Reads what it writes; tells whether the text meant anything.
fn reads_back<T>(text: &str) -> bool
where
    T: FromStr + Display + PartialEq + Debug,
    T::Err: Debug,
{
    let Ok(read) = text.parse::<T>() else { return false };
    assert_eq!(read.to_string().parse::<T>().unwrap(), read, "{text:?} is written as {read}");
    true
}

fn references(input: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(input) else { return false };
    let kinds = [
        reads_back::<Reference>(text),
        reads_back::<BookingId>(text),
        reads_back::<Name>(text),
        reads_back::<Remark>(text),
        reads_back::<Word>(text),
    ];
    kinds.contains(&true)
}

fn durations(input: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(input) else { return false };
    let exact = reads_back::<Length>(text);
    // Whatever is an exact length is a span of time too.
    assert!(!exact || text.parse::<Span>().is_ok(), "{text:?}");
    reads_back::<Span>(text) || exact
}

/// The token of the corpus is signed with this, and ends in the year 2100.
const SECRET: &[u8] = b"a secret of the fuzzing tests alone";
const GOOD: &[u8] = include_bytes!("corpus/tokens/good.txt");

fn tokens(input: &[u8]) -> bool {
    static VERIFIER: OnceLock<Verifier> = OnceLock::new();
    let verifier =
        VERIFIER.get_or_init(|| Verifier::default().with_secret(SECRET, "drykeep", "drykeep").unwrap());
    let Ok(text) = std::str::from_utf8(input) else { return false };
    let accepted = verifier.verify(text).is_ok();
    // One text of each token is accepted, and no other: not even another writing of the same bytes.
    assert!(!accepted || input == GOOD, "another token than the good one is accepted");
    accepted
}

fn rules(input: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(input) else { return false };
    let Ok(rule) = Rule::parse(text) else { return false };
    assert_eq!(Rule::parse(&rule.to_string()).unwrap(), rule, "{text:?} is written as {rule}");
    true
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// A start, a zone and a rule, each on a line.
fn recurrences(input: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(input) else { return false };
    let mut lines = text.splitn(3, '\n').map(str::to_owned);
    let text = RecurrenceText {
        dtstart: lines.next().unwrap_or_default(),
        timezone: lines.next().unwrap_or_default(),
        rrule: lines.next(),
        ..RecurrenceText::default()
    };
    let Ok(recurrence) = Recurrence::parse(&text) else { return false };
    let again = Recurrence::parse(&RecurrenceText::from(recurrence.clone())).unwrap();
    assert_eq!(again, recurrence);
    let range = Interval::new(at("2026-01-01T00:00:00Z"), at("2027-06-01T00:00:00Z")).unwrap();
    match recurrence.expand(range, 1000) {
        Ok(starts) => {
            assert!(starts.is_sorted_by(|one, other| one < other), "not ascending: {starts:?}");
            assert!(starts.iter().all(|start| range.contains(*start)), "outside the range: {starts:?}");
            let next = recurrence.next_from(range.start()).filter(|start| range.contains(*start));
            assert_eq!(starts.first().copied(), next, "the first in the range and the next from its start");
        }
        Err(RecurrenceError::TooMany { .. }) => {}
        Err(other) => panic!("{text:?}: {other}"),
    }
    true
}

fn calendars(input: &[u8]) -> bool {
    let now = at("2026-03-02T08:00:00Z");
    let Ok(found) = closures::read(input, chrono_tz::Europe::Berlin, now) else { return false };
    for closure in &found.closures {
        assert!(closure.interval.end() > now, "{closure:?} has passed");
    }
    !found.closures.is_empty()
}

fn readings(media_type: &str, input: &[u8]) -> bool {
    let Ok(batch) = readings_in(media_type, input, at("2026-03-02T08:00:00Z")) else { return false };
    // Every row is counted once.
    assert_eq!(batch.rows().len() + batch.rejected().len(), batch.count());
    let believed = batch.rows().iter().all(|row| row.value.is_finite());
    assert!(believed, "a value that is no number is taken");
    !batch.rows().is_empty()
}
