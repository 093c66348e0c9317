//! Nights over boxes whose sensors are read every minute: whether their time
//! follows what is new or the whole history, and how long they take beside a
//! script of numpy and scipy that works the like out from the same readings.
//!
//! The readings are put into the file by SQL, which is not timed; nor is the night
//! that sums them up for the first time. Timed are the nights after it, each with a
//! further day of readings.

use super::Row;
use super::service::Service;
use chrono::{DateTime, DurationRound as _, TimeDelta, Utc};
use drykeep::clock::Clock;
use serde_json::json;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Boxes with a month and with a year of readings every minute.
const FEW: usize = 5;
/// Boxes of a whole facility …
const MANY: usize = 500;
/// … and the days of readings every minute that they have.
const DAYS: i64 = 7;
/// Nights that are timed, of which the middle one counts.
const NIGHTS: i64 = 3;

/// What is read every minute: at what, which quantity, and as SQL of the minute `m`
/// and the box `b`. Levels creep up and swing by the day, circulation stands an hour
/// every other day, a pump runs an hour of three.
const READ: [(&str, &str, &str); 6] = [
    (
        "glovebox",
        "oxygen_ppm",
        "round(0.8 + 0.000002 * m + 0.2 * sin(m / 229.2 + b) + (m * 7919 + b) % 97 / 400.0, 2)",
    ),
    (
        "glovebox",
        "water_ppm",
        "round(0.6 + 0.000001 * m + 0.1 * sin(m / 229.2) + (m * 7907 + b) % 89 / 400.0, 2)",
    ),
    (
        "glovebox",
        "circulation_m3_h",
        "CASE WHEN m % 2880 < 60 THEN 0.0 ELSE 58.0 + (m * 31 + b) % 7 / 2.0 END",
    ),
    ("glovebox", "temperature_c", "round(22.0 + 1.5 * sin(m / 229.2) + (m * 17) % 5 / 10.0, 1)"),
    ("glovebox", "filter_pressure_mbar", "round(1.0 + 0.000002 * m + (m * 53 + b) % 11 / 20.0, 2)"),
    ("antechamber", "pump_hours", "round(m / 180.0, 2)"),
];

pub(crate) fn run() -> Vec<Row> {
    let (month, _) = nights(FEW, 30);
    let (year, service) = nights(FEW, 365);
    let mut rows = vec![Row {
        what: "a night with a year of readings every minute",
        ours: format!("{:.1} ms a box", 1000.0 * year / count(FEW)),
        baseline: format!("{:.1} ms a box with a month of them", 1000.0 * month / count(FEW)),
        ratio: year / month,
        aim: "≤ 1.2",
        met: year <= 1.2 * month,
    }];
    rows.extend(beside_scipy("the same year, beside scipy", &service, FEW, FEW, year));
    drop(service);
    let (week, service) = nights(MANY, DAYS);
    rows.extend(beside_scipy("a night over 500 boxes, a week of readings", &service, MANY, 20, week));
    rows
}

/// The seconds of the middle night over so many boxes with so many days of readings.
fn nights(boxes: usize, days: i64) -> (f64, Service) {
    let service = Service::start();
    furnish(&service, boxes);
    let file = service.folder.path().join("drykeep.db");
    let midnight = Clock::System.now().duration_trunc(TimeDelta::days(1)).unwrap();
    let first = midnight - TimeDelta::days(NIGHTS);
    let begun = first - TimeDelta::days(days);
    let mut times = Vec::new();
    let mut filled = 0;
    for night in 0..=NIGHTS {
        let until = 1440 * (days + night);
        fill(&file, begun, (filled, until));
        filled = until;
        let as_of = first + TimeDelta::days(night);
        let started = Instant::now();
        if night == 0 {
            // Sums up what the service has never seen.
            service.nightly(&as_of.to_rfc3339());
        } else {
            service.create("/nightly-runs", &json!({ "as_of": as_of }));
            times.push(started.elapsed().as_secs_f64());
        }
        println!("({boxes} boxes, {days} days and {night} more: {:.3} s)", started.elapsed().as_secs_f64());
    }
    assert_judged(&file, boxes);
    times.sort_by(f64::total_cmp);
    (times[times.len() / 2], service)
}

/// Boxes with everything that is read, and the usual rules.
fn furnish(service: &Service, boxes: usize) {
    service.furnish(boxes, "ada");
    service.create("/upkeep-rules/defaults", &json!({}));
    for number in 0..boxes {
        let purifier = json!({
            "circulation_m3_h": 60.0, "columns": 1, "oxygen_capacity_mol": 150.0, "water_capacity_mol": 150.0
        });
        service.change(&format!("/gloveboxes/BOX-{number}"), &json!({ "purifier": purifier }));
    }
}

/// Puts in the readings of some days, which begin so many minutes after the record does,
/// and marks their days as a service that takes them in does.
fn fill(file: &Path, begun: DateTime<Utc>, (from, to): (i64, i64)) {
    let begun = begun.timestamp();
    let mut script = String::from("PRAGMA synchronous = OFF; PRAGMA busy_timeout = 10000;\n");
    let at = format!("strftime('%Y-%m-%d %H:%M:%S', {begun} + 60 * m, 'unixepoch')");
    for (kind, quantity, value) in READ {
        writeln!(
            script,
            "INSERT OR IGNORE INTO reading_series (subject_id, quantity, sensor) \
             SELECT id, '{quantity}', '' FROM things WHERE kind = '{kind}' ORDER BY id; \
             WITH RECURSIVE minute (m) AS (SELECT {from} UNION ALL SELECT m + 1 FROM minute WHERE m + 1 < {to}) \
             INSERT INTO readings (series_id, at, value, flag, received_at) \
             SELECT s.id, {at}, {value}, NULL, {at} \
             FROM (SELECT id, row_number() OVER (ORDER BY id) AS b FROM reading_series \
                   WHERE quantity = '{quantity}') s CROSS JOIN minute;"
        )
        .unwrap();
    }
    let (first, last) = ((begun + 60 * from) / 86_400, (begun + 60 * to - 1) / 86_400);
    writeln!(
        script,
        "WITH RECURSIVE d (day) AS (SELECT {first} UNION ALL SELECT day + 1 FROM d WHERE day < {last}) \
         INSERT INTO stale_reading_days (series_id, day) SELECT id, day FROM reading_series CROSS JOIN d;"
    )
    .unwrap();
    let mut shell = Command::new("sqlite3")
        .args(["-bail".as_ref(), file.as_os_str()])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("sqlite3 fills the file");
    shell.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
    assert!(shell.wait().unwrap().success(), "the file was not filled");
}

/// Passes where nights worked something out of the readings of each box.
fn assert_judged(file: &Path, boxes: usize) {
    for (word, whose) in [("uptake_known", boxes), ("\"slope\"", 2 * boxes), ("pump_hours", boxes)] {
        let query = format!("SELECT count(*) FROM due_items WHERE body LIKE '%{word}%'");
        let said = Command::new("sqlite3").arg(file).arg(query).output().unwrap();
        let found: usize = String::from_utf8_lossy(&said.stdout).trim().parse().unwrap();
        assert!(found >= whose, "only {found} items rest on {word}");
    }
}

/// How many times as long the script takes for a box; nothing where no Python is named.
fn beside_scipy(
    what: &'static str,
    service: &Service,
    boxes: usize,
    compared: usize,
    took: f64,
) -> Option<Row> {
    let Some(python) = std::env::var_os("DRYKEEP_BENCH_PYTHON") else {
        println!("(left out: {what}; DRYKEEP_BENCH_PYTHON names no Python that has numpy and scipy)");
        return None;
    };
    let midnight = Clock::System.now().duration_trunc(TimeDelta::days(1)).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/benches/night.py");
    let said = Command::new(python)
        .arg(script)
        .arg(service.folder.path().join("drykeep.db"))
        .args([midnight.format("%Y-%m-%d %H:%M:%S").to_string(), compared.to_string()])
        .output()
        .expect("DRYKEEP_BENCH_PYTHON can be run");
    let text = String::from_utf8_lossy(&said.stdout).into_owned();
    assert!(said.status.success(), "{text}{}", String::from_utf8_lossy(&said.stderr));
    let number = |line: &str| line.trim().parse::<f64>().unwrap();
    let (ours, theirs) = (1000.0 * took / count(boxes), 1000.0 * number(&text) / count(compared));
    Some(Row {
        what,
        ours: format!("{ours:.1} ms a box, {took:.2} s in all"),
        baseline: format!("{theirs:.1} ms a box, numpy and scipy ({compared} boxes)"),
        ratio: theirs / ours,
        aim: "≥ 20",
        met: theirs >= 20.0 * ours,
    })
}

fn count(number: usize) -> f64 {
    f64::from(u32::try_from(number).unwrap())
}
