//! A long file of readings over HTTP, in parts of the size that a request may have,
//! beside `sqlite3 .import` of the same file into a table with the same key. Each
//! row of ours is judged, its subject and sensor looked up, and what it says checked
//! against what is stored; both are durable in the end.

use super::Row;
use super::service::{Connection, Service};
use chrono::{SecondsFormat, TimeDelta};
use drykeep::clock::Clock;
use std::fmt::Write as _;
use std::process::Command;
use std::time::Instant;

/// Rows of a request; more are refused.
const PART: usize = 100_000;
const PARTS: usize = 10;

pub(crate) fn run() -> Vec<Row> {
    let parts = parts();
    let (ours, early, late) = ours(&parts);
    let theirs = baseline(&parts);
    vec![
        Row {
            what: "readings by CSV over HTTP",
            ours: format!("{ours:.0} rows/s"),
            baseline: format!("{theirs:.0} rows/s, sqlite3 .import"),
            ratio: ours / theirs,
            aim: "≥ 0.5",
            met: ours >= 0.5 * theirs,
        },
        Row {
            what: "most memory, ten times the rows",
            ours: format!("{late:.0} MB after {} rows", PART * PARTS),
            baseline: format!("{early:.0} MB after {PART}"),
            ratio: late / early,
            aim: "≤ 1.2",
            met: late <= 1.2 * early,
        },
    ]
}

/// Readings of 20 boxes, a minute apart, in order of time as gateways send them.
fn parts() -> Vec<String> {
    let first = Clock::System.now() - TimeDelta::days(60);
    let mut minute = 0;
    let mut parts = Vec::new();
    for _ in 0..PARTS {
        let mut part = String::from("subject,quantity,at,value\n");
        for row in 0..PART {
            let at = (first + TimeDelta::minutes(minute)).to_rfc3339_opts(SecondsFormat::Secs, true);
            let (number, quantity) = (row % 20, if row % 40 < 20 { "oxygen_ppm" } else { "water_ppm" });
            writeln!(part, "BOX-{number},{quantity},{at},0.{:03}", row * 7919 % 1000).unwrap();
            minute += i64::from(row % 40 == 39);
        }
        parts.push(part);
    }
    parts
}

/// Rows a second, and the most memory after the first part and after the last, MB.
fn ours(parts: &[String]) -> (f64, f64, f64) {
    let service = Service::start();
    service.furnish(20, "ada");
    let mut gateway = Connection::new(service.address, &service.token("gateway", "readings:write"));
    let (begun, mut early) = (Instant::now(), 0.0);
    for (number, part) in parts.iter().enumerate() {
        let status = gateway.post("/readings", "text/csv", part.as_bytes());
        let accepted = format!("\"accepted\":{PART},");
        assert!(status == 200 && gateway.text().contains(&accepted), "{}", gateway.text());
        if number == 0 {
            early = service.most_memory();
        }
    }
    let rows = f64::from(u32::try_from(PART * PARTS).unwrap());
    (rows / begun.elapsed().as_secs_f64(), early, service.most_memory())
}

/// Rows a second.
fn baseline(parts: &[String]) -> f64 {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("readings.csv");
    let rows: String =
        parts.iter().flat_map(|part| part.lines().skip(1)).fold(String::new(), |mut all, line| {
            all.push_str(line);
            all.push('\n');
            all
        });
    std::fs::write(&file, rows).unwrap();
    let script = format!(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
         CREATE TABLE reading (subject TEXT, quantity TEXT, at TEXT, value REAL,
             PRIMARY KEY (subject, quantity, at)) WITHOUT ROWID;
         .import --csv {} reading
         SELECT count(*) FROM reading;",
        file.display()
    );
    let begun = Instant::now();
    let mut shell = Command::new("sqlite3")
        .arg(folder.path().join("baseline.db"))
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("sqlite3 is needed for the baseline");
    std::io::Write::write_all(
        &mut shell.stdin.take().unwrap(),
        script.replace("\n         ", "\n").as_bytes(),
    )
    .unwrap();
    let said = shell.wait_with_output().unwrap();
    let took = begun.elapsed().as_secs_f64();
    let count = String::from_utf8_lossy(&said.stdout).lines().last().unwrap_or_default().to_owned();
    assert_eq!(count, (PART * PARTS).to_string(), "the baseline took other rows");
    f64::from(u32::try_from(PART * PARTS).unwrap()) / took
}
