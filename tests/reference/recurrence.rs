//! Recurrences against the examples of RFC 5545 §3.8.5.3 and against python-dateutil.

#![expect(clippy::unwrap_used, reason = "helpers of a test may stop it as the test itself may")]

use chrono::{DateTime, Days, NaiveDate, Utc};
use drykeep::domain::calendar::recurrence::{Recurrence, RecurrenceText};
use drykeep::domain::calendar::{Interval, LocalTime};
use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Deserialize)]
struct Examples {
    timezone: String,
    examples: Vec<Example>,
}

#[derive(Deserialize)]
struct Example {
    title: String,
    dtstart: String,
    rrule: String,
    #[serde(default)]
    exdates: Vec<String>,
    /// Times of day, where the example names more than the start's.
    #[serde(default)]
    times: Vec<String>,
    /// Days of each month, such as `"1997-09": "2,4-6"`.
    #[serde(default)]
    dates: BTreeMap<String, String>,
    /// Whether the list goes on.
    #[serde(default)]
    open: bool,
    refused: Option<String>,
}

impl Example {
    fn text(&self, timezone: &str) -> RecurrenceText {
        RecurrenceText {
            dtstart: self.dtstart.clone(),
            timezone: timezone.to_owned(),
            rrule: Some(self.rrule.clone()),
            rdates: Vec::new(),
            exdates: self.exdates.clone(),
        }
    }

    /// The listed times on the wall, ascending.
    fn listed(&self) -> Vec<LocalTime> {
        let (_, start_time) = self.dtstart.split_once('T').unwrap();
        let times = if self.times.is_empty() { vec![start_time.to_owned()] } else { self.times.clone() };
        let mut listed = Vec::new();
        for (month, days) in &self.dates {
            for day in days.split(',').flat_map(days_of) {
                listed.extend(
                    times.iter().map(|time| LocalTime::parse(&format!("{month}-{day:02}T{time}")).unwrap()),
                );
            }
        }
        listed
    }
}

fn days_of(text: &str) -> std::ops::RangeInclusive<u32> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    first.parse().unwrap()..=last.parse().unwrap()
}

fn midnight(date: NaiveDate) -> DateTime<Utc> {
    date.and_hms_opt(0, 0, 0).unwrap().and_utc()
}

/// All starts between two dates, in as many pieces as the bound on a range asks for.
fn all_starts(set: &Recurrence, first: NaiveDate, last: NaiveDate) -> Vec<DateTime<Utc>> {
    let mut starts = Vec::new();
    let mut from = first;
    while from < last {
        let to = (from + Days::new(800)).min(last);
        let range = Interval::new(midnight(from), midnight(to)).unwrap();
        starts.extend(set.expand(range, 100_000).unwrap());
        from = to;
    }
    starts
}

#[test]
fn every_example_of_rfc_5545_is_met_or_refused_by_design() {
    let data: Examples = serde_json::from_str(include_str!("rfc5545_examples.json")).unwrap();
    let zone = data.timezone.parse().unwrap();
    assert_eq!(data.examples.len(), 42, "§3.8.5.3 holds 38 examples, four of them with an alternative");
    for example in &data.examples {
        let parsed = Recurrence::parse(&example.text(&data.timezone));
        if let Some(code) = &example.refused {
            assert_eq!(parsed.unwrap_err().as_slice()[0].code, code, "{}", example.title);
            continue;
        }
        let listed = example.listed();
        let expected: Vec<_> = listed.iter().map(|time| time.instant(zone)).collect();
        // Ten years past the last listed date shows that a closed list is closed.
        let last = listed.last().unwrap().wall().date() + Days::new(3652);
        let first = NaiveDate::from_ymd_opt(1990, 1, 1).unwrap();
        let mut found = all_starts(&parsed.unwrap(), first, last);
        if example.open {
            assert!(found.len() > expected.len(), "{} goes on", example.title);
            found.truncate(expected.len());
        }
        assert_eq!(found, expected, "{}", example.title);
    }
}

#[derive(Deserialize)]
struct Differential {
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    starts: Vec<DateTime<Utc>>,
    dtstart: String,
    timezone: String,
    rrule: String,
    rdates: Vec<String>,
    exdates: Vec<String>,
}

#[test]
fn expansion_agrees_with_python_dateutil() {
    let data: Differential = serde_json::from_str(include_str!("recurrence_dateutil.json")).unwrap();
    assert!(data.cases.len() >= 400);
    let mut differing = Vec::new();
    for case in &data.cases {
        let text = RecurrenceText {
            dtstart: case.dtstart.clone(),
            timezone: case.timezone.clone(),
            rrule: Some(case.rrule.clone()),
            rdates: case.rdates.clone(),
            exdates: case.exdates.clone(),
        };
        let range = Interval::new(case.from, case.to).unwrap();
        let found = Recurrence::parse(&text).map(|set| set.expand(range, 10_000).unwrap());
        if found.as_ref() != Ok(&case.starts) {
            differing.push(format!(
                "{} in {}, {}: {found:?} instead of {:?}",
                case.dtstart, case.timezone, case.rrule, case.starts
            ));
        }
    }
    assert!(differing.is_empty(), "{} differ:\n{}", differing.len(), differing.join("\n"));
}
