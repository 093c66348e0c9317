//! Expanding recurrences, beside python-dateutil expanding the same.

use super::Row;
use chrono::NaiveDate;
use drykeep::domain::calendar::Interval;
use drykeep::domain::calendar::recurrence::Recurrence;
use drykeep::domain::calendar::zone::{LocalTime, parse_zone};
use std::process::Command;
use std::time::{Duration, Instant};

/// Rules of the kind that maintenance windows and series have.
const RULES: [&str; 6] = [
    "FREQ=DAILY",
    "FREQ=WEEKLY;BYDAY=MO,WE,FR",
    "FREQ=WEEKLY;INTERVAL=2;BYDAY=TU",
    "FREQ=MONTHLY;BYDAY=1MO",
    "FREQ=MONTHLY;BYMONTHDAY=-1",
    "FREQ=YEARLY;BYMONTH=6;BYMONTHDAY=15",
];
/// As long as the service ever expands at once.
const YEARS: i32 = 2;
const SPENT: Duration = Duration::from_secs(3);

const BASELINE: &str = r"
import sys, time
from datetime import datetime
from dateutil.rrule import rrulestr
from dateutil.tz import gettz
zone, rules, years, spent = gettz('Europe/Berlin'), sys.argv[3:], int(sys.argv[1]), float(sys.argv[2])
start, end = datetime(2026, 1, 5, 9, tzinfo=zone), datetime(2026 + years, 1, 5, 9, tzinfo=zone)
found, begun = 0, time.perf_counter()
while time.perf_counter() - begun < spent:
    for rule in rules:
        found += len(rrulestr(rule, dtstart=start).between(start, end))
print(found / (time.perf_counter() - begun))
";

pub(crate) fn run() -> Vec<Row> {
    let ours = ours();
    let theirs = baseline();
    vec![Row {
        what: "recurrence expansion",
        ours: format!("{ours:.0} occurrences/s"),
        baseline: format!("{theirs:.0} occurrences/s, python-dateutil"),
        ratio: ours / theirs,
        aim: "≥ 20",
        met: ours >= 20.0 * theirs,
    }]
}

fn ours() -> f64 {
    let zone = parse_zone("Europe/Berlin").unwrap();
    let day = |year| NaiveDate::from_ymd_opt(year, 1, 5).unwrap().and_hms_opt(9, 0, 0).unwrap();
    let at = |year| day(year).and_local_timezone(zone).unwrap().to_utc();
    let range = Interval::new(at(2026), at(2026 + YEARS)).unwrap();
    let (mut found, begun) = (0, Instant::now());
    while begun.elapsed() < SPENT {
        for rule in RULES {
            let start = LocalTime::new(day(2026)).unwrap();
            let recurrence = Recurrence::new(start, zone, Some(rule), Vec::new(), Vec::new()).unwrap();
            found += recurrence.expand(range, 20_000).unwrap().len();
        }
    }
    f64::from(u32::try_from(found).unwrap()) / begun.elapsed().as_secs_f64()
}

fn baseline() -> f64 {
    let out = Command::new("python3")
        .args(["-c", BASELINE, &YEARS.to_string(), &SPENT.as_secs_f64().to_string()])
        .args(RULES)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    said.trim()
        .parse()
        .unwrap_or_else(|_| panic!("python-dateutil is needed: {}", String::from_utf8_lossy(&out.stderr)))
}
