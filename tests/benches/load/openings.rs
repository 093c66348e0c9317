//! Openings of three hours over fifty boxes and eight weeks with 20 000 bookings,
//! beside PostgreSQL answering the like from multiranges. Ours also knows opening
//! hours, windows, holds, antechamber turns and who may use which box.

use super::Row;
use super::postgres::Postgres;
use super::service::{Connection, Service};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use drykeep::clock::Clock;
use serde_json::json;
use std::fmt::Write as _;
use std::time::{Duration, Instant};

const BOXES: usize = 50;
const BOOKINGS: usize = 20_000;
const WEEKS: i64 = 8;
/// How long questions are asked, as pgbench does.
const LASTING: Duration = Duration::from_secs(5);
/// So many more with a booking before each.
const AFTER_BOOKINGS: u32 = 200;

pub(crate) fn run() -> Vec<Row> {
    let first =
        (Clock::System.now() + TimeDelta::days(1)).date_naive().and_hms_opt(0, 0, 0).unwrap().and_utc();
    let theirs = baseline(first).as_secs_f64() * 1e3;
    let row = |what, took: Duration| {
        let took = took.as_secs_f64() * 1e3;
        Row {
            what,
            ours: format!("{took:.2} ms"),
            baseline: format!("{theirs:.1} ms, PostgreSQL multiranges"),
            ratio: took / theirs,
            aim: "≤ 0.25",
            met: took <= 0.25 * theirs,
        }
    };
    let (at_rest, in_use) = ours(first);
    vec![
        row("openings, 50 boxes, 8 weeks, 20 000 bookings", at_rest),
        row("the same, each after a new booking", in_use),
    ]
}

/// When the bookings are: each box's in turn, two hours each with half an hour between,
/// on either station.
fn booked(first: DateTime<Utc>) -> Vec<(usize, usize, DateTime<Utc>, DateTime<Utc>)> {
    (0..BOOKINGS)
        .map(|number| {
            let (at, turn) = (number % BOXES, number / BOXES);
            let start = first + TimeDelta::minutes(i64::try_from(turn / 2).unwrap() * 150);
            (at, turn % 2, start, start + TimeDelta::hours(2))
        })
        .collect()
}

fn shown(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// The mean time of an answer, the very first among them, and of those after a booking each.
fn ours(first: DateTime<Utc>) -> (Duration, Duration) {
    let service = Service::start();
    service.furnish(BOXES, "ada");
    let mut ada = Connection::new(service.address, &service.token("ada", "facility:read bookings:write"));
    let book = |ada: &mut Connection, at: usize, station: usize, start: DateTime<Utc>, end: DateTime<Utc>| {
        let body = json!({ "glovebox": format!("BOX-{at}"), "station": format!("S{}", station + 1),
            "start": shown(start), "end": shown(end) });
        let status = ada.post("/bookings", "application/json", body.to_string().as_bytes());
        assert_eq!(status, 201, "{}", ada.text());
    };
    for (at, station, start, end) in booked(first) {
        book(&mut ada, at, station, start, end);
    }
    let last = first + TimeDelta::weeks(WEEKS);
    let query = format!("/openings?duration=PT3H&from={}&to={}&limit=100", shown(first), shown(last));
    let ask = |ada: &mut Connection| {
        let begun = Instant::now();
        let status = ada.get(&query);
        assert!(status == 200 && ada.text().contains("BOX-"), "{}", ada.text());
        begun.elapsed()
    };
    let (begun, mut answers) = (Instant::now(), 0);
    while begun.elapsed() < LASTING {
        ask(&mut ada);
        answers += 1;
    }
    let at_rest = begun.elapsed() / answers;
    let mut in_use = Duration::ZERO;
    for number in 0..AFTER_BOOKINGS {
        let start = last - TimeDelta::hours(i64::from(number / 50) * 3 + 3);
        book(&mut ada, number as usize % BOXES, 0, start, start + TimeDelta::hours(2));
        in_use += ask(&mut ada);
    }
    (at_rest, in_use / AFTER_BOOKINGS)
}

fn baseline(first: DateTime<Utc>) -> Duration {
    let server = Postgres::start();
    let mut rows =
        String::from("CREATE TABLE claim (station int, during tstzrange); COPY claim FROM stdin;\n");
    for (at, station, start, end) in booked(first) {
        writeln!(rows, "{}\t[\"{}\",\"{}\")", at * 2 + station, shown(start), shown(end)).unwrap();
    }
    rows.push_str("\\.\nCREATE INDEX ON claim USING gist (during); VACUUM ANALYZE claim;\n");
    server.script(&rows);
    let range = format!("tstzrange('{}', '{}')", shown(first), shown(first + TimeDelta::weeks(WEEKS)));
    let query = format!(
        "SELECT station, free FROM (
             SELECT station, unnest(tstzmultirange({range}) - range_agg(during)) AS free
             FROM claim WHERE during && {range} GROUP BY station) AS gaps
         WHERE upper(free) - lower(free) >= interval '3 hours' ORDER BY lower(free) LIMIT 100;"
    );
    // By pgbench, so that a connection is kept as ours is.
    let per_second = server.pgbench(&query.replace('\n', " "), 1, Duration::from_secs(5));
    Duration::from_secs_f64(1.0 / per_second)
}
