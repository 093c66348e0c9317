//! Bookings over HTTP by 64 clients, with everything that a booking goes through,
//! beside bare inserts by 64 clients of `pgbench` into a table of claims whose
//! overlaps an exclusion constraint refuses. Both are durable: SQLite commits with
//! `synchronous=FULL`, PostgreSQL with its defaults.

use super::Row;
use super::postgres::Postgres;
use super::service::{Connection, Service};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use drykeep::clock::Clock;
use serde_json::json;
use std::fmt::Write as _;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

const CLIENTS: usize = 64;
const LASTING: Duration = Duration::from_secs(10);
/// Time between one booking's start and the next one's in the same box.
const STEP: TimeDelta = TimeDelta::hours(1);

pub(crate) fn run() -> Vec<Row> {
    let rate = baseline();
    let mut took = ours();
    took.sort_unstable();
    let per_second = f64::from(u32::try_from(took.len()).unwrap()) / LASTING.as_secs_f64();
    let at = |hundredths: usize| took[(took.len() - 1) * hundredths / 100].as_secs_f64() * 1e3;
    let (median, late) = (at(50), at(99));
    vec![
        Row {
            what: "bookings at 64 clients",
            ours: format!("{per_second:.0} /s"),
            baseline: format!("{rate:.0} /s, pgbench, bare insert under an exclusion constraint"),
            ratio: per_second / rate,
            aim: "≥ 1.0",
            met: per_second >= rate,
        },
        Row {
            what: "their slowest hundredth",
            ours: format!("p99 {late:.1} ms"),
            baseline: format!("p50 {median:.1} ms"),
            ratio: late / median,
            aim: "≤ 5",
            met: late <= 5.0 * median,
        },
    ]
}

/// How long each booking took.
fn ours() -> Vec<Duration> {
    let service = Service::start();
    service.furnish(CLIENTS, "ada");
    // So far that no client comes to its end.
    service.change("/facility", &json!({ "policies": { "horizon": "P366D" } }));
    let token = service.token("ada", "facility:read bookings:write");
    // Whole hours, one after the other, from tomorrow on.
    let midnight =
        (Clock::System.now() + TimeDelta::days(1)).date_naive().and_hms_opt(0, 0, 0).unwrap().and_utc();
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let clients: Vec<_> = (0..CLIENTS)
            .map(|number| {
                let (token, over, address) = (&token, &over, service.address);
                scope.spawn(move || client(&mut Connection::new(address, token), number, midnight, over))
            })
            .collect();
        std::thread::sleep(LASTING);
        over.store(true, Ordering::Relaxed);
        clients.into_iter().flat_map(|client| client.join().unwrap()).collect()
    })
}

fn client(
    connection: &mut Connection,
    number: usize,
    first: DateTime<Utc>,
    over: &AtomicBool,
) -> Vec<Duration> {
    let mut took = Vec::new();
    let mut body = String::new();
    let mut start = first;
    while !over.load(Ordering::Relaxed) {
        let end = start + STEP;
        let shown = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
        body.clear();
        write!(
            body,
            r#"{{"glovebox":"BOX-{number}","station":"S1","start":"{}","end":"{}","purpose":"Sealing ampoules"}}"#,
            shown(start),
            shown(end)
        )
        .unwrap();
        let begun = Instant::now();
        let status = connection.post("/bookings", "application/json", body.as_bytes());
        took.push(begun.elapsed());
        assert_eq!(status, 201, "{}", connection.text());
        start = end;
    }
    took
}

/// Inserts a second.
fn baseline() -> f64 {
    let server = Postgres::start();
    server.run(
        "CREATE EXTENSION btree_gist;
         CREATE SEQUENCE turn;
         CREATE TABLE claim (
             id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, resource int NOT NULL, during tstzrange NOT NULL,
             EXCLUDE USING gist (resource WITH =, during WITH &&));",
    );
    let script = "\\set n :client_id\n\
        INSERT INTO claim (resource, during)\n\
        SELECT :n, tstzrange(t, t + interval '1 hour')\n\
        FROM (SELECT timestamptz '2030-01-01' + nextval('turn') * interval '1 hour' AS t) AS next;\n";
    server.pgbench(script, CLIENTS, LASTING)
}
