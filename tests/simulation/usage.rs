//! The sum of the statements equals the events: each booking's use, worked out
//! here from the last event that tells of it, in whole hundredths of an hour and
//! whole millilitres.

use crate::calls::Reply;
use crate::feed::Feed;
use crate::model::instant;
use chrono::{DateTime, Datelike as _, Utc};
use chrono_tz::Tz;
use serde_json::Value;
use std::collections::BTreeMap;

/// What statements count: bookings, hours logged and booked, station hours,
/// transfers, gas.
pub(crate) type Figures = [i64; 6];

/// The members of a statement that show them, and the units they are shown in.
const SHOWN: [(&str, f64); 6] = [
    ("bookings", 1.0),
    ("hours_logged", 100.0),
    ("hours_booked", 100.0),
    ("station_hours", 100.0),
    ("transfers", 1.0),
    ("gas_nl", 1000.0),
];

#[expect(clippy::cast_possible_truncation, reason = "small numbers")]
fn rounded(value: f64) -> i64 {
    value.round() as i64
}

/// A month, such as `2030-03`, in which an instant lies.
pub(crate) fn month_of(at: DateTime<Utc>, zone: Tz) -> String {
    let local = at.with_timezone(&zone);
    format!("{:04}-{:02}", local.year(), local.month())
}

/// The month after.
pub(crate) fn next(month: &str) -> String {
    let (year, number) = month.split_once('-').expect("a month");
    let (year, number): (i32, u32) = (year.parse().unwrap(), number.parse().unwrap());
    if number == 12 { format!("{:04}-01", year + 1) } else { format!("{year:04}-{:02}", number + 1) }
}

/// What a booking comes to, from the record in its last event.
fn figures(record: &Value) -> Figures {
    let progress = record["progress"].as_str().unwrap();
    if progress == "cancelled" || progress == "no_show" {
        return [0; 6];
    }
    let at = |name: &str| record[name].as_str().map(instant);
    let (start, end) = (at("starts_at").unwrap(), at("ends_at").unwrap());
    let done = progress == "closed_out";
    let (from, until) = match (done, at("started_at"), at("closed_at")) {
        (true, Some(started), Some(closed)) => (started, closed.min(end)),
        _ => (start, end),
    };
    let micros = (until - from).num_microseconds().unwrap().max(0);
    // A hundredth of an hour is 36 s; halves go up.
    let time = (micros + 18_000_000) / 36_000_000;
    let work = &record["work"];
    let count = |name: &str| i64::try_from(work[name].as_array().map_or(0, Vec::len)).unwrap();
    [
        1,
        if done { time } else { 0 },
        if done { 0 } else { time },
        time * count("stations"),
        count("transfers_in") + count("transfers_out"),
        rounded(record["gas_estimate_nl"].as_f64().unwrap() * 1000.0),
    ]
}

/// What the events come to, by month of the booking's begin.
pub(crate) fn by_month(feed: &Feed, zone: Tz) -> BTreeMap<String, Figures> {
    let mut months: BTreeMap<String, Figures> = BTreeMap::new();
    for record in feed.bookings.values() {
        let begins = instant(record["starts_at"].as_str().unwrap());
        add(months.entry(month_of(begins, zone)).or_default(), figures(record));
    }
    months
}

/// Adds one to another.
pub(crate) fn add(sum: &mut Figures, other: Figures) {
    sum.iter_mut().zip(other).for_each(|(sum, one)| *sum += one);
}

/// The total of a statement; its lines and corrections must come to it.
pub(crate) fn total(reply: &Reply) -> Figures {
    assert_eq!(reply.status, 200, "a statement is shown: {}", reply.body);
    let read = |line: &Value| -> Figures {
        SHOWN.map(|(name, unit)| {
            rounded(line[name].as_f64().unwrap_or_else(|| panic!("no {name} in {line}")) * unit)
        })
    };
    let mut sum = [0; 6];
    for list in ["items", "corrections"] {
        for line in reply.body[list].as_array().unwrap() {
            add(&mut sum, read(line));
        }
    }
    let total = read(&reply.body["total"]);
    assert_eq!(sum, total, "lines and corrections come to the total: {}", reply.body);
    total
}
