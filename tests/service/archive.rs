//! `drykeep export` and `drykeep import`: everything goes into one file and comes
//! out of it, whichever backend it came from and goes to.

use crate::world::{Database, Process, Raw, Stop, World, in_both_databases, run};
use chrono::TimeDelta;
use diesel::QueryableByName;
use diesel::sql_types::BigInt;
use drykeep::store::DatabaseUrl;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// Text that formats and databases have stumbled over.
const AWKWARD: &str =
    "quotes ' \" \\ `, a line\nend, \ttab, ümlaut, 箱, 🧤, \u{2028}, \u{7f}, %s $1 ?, {\"a\":null}";

/// The idempotency key of the booking.
const KEY: &str = "the-key";

/// Numbers at the ends of what a double holds, and one that is often read one off.
const NUMBERS: [f64; 8] =
    [0.1 + 0.2, 5e-324, 2.225_073_858_507_201e-308, f64::MAX, -f64::MAX, 1.0, 123_456_789.123_456_79, 0.0];

/// A facility in which every table holds something; what was booked in it under [`KEY`].
fn lived_in(world: &World) -> Value {
    let keeper = world.furnished().keeper();
    let ada = world.qualified("ada");
    let at = |hours: i64| (world.now() + TimeDelta::hours(hours)).to_rfc3339();
    let booking = json!({
        "glovebox": "LYNX", "station": "S1", "start": at(2), "end": at(4), "purpose": AWKWARD.replace(char::is_control, " "),
        "transfers_in": [{ "antechamber": "LARGE", "sample": "porous" }], "solvents": ["dichloromethane"]
    });
    let booked = ada.post_once("/bookings", KEY, &booking).is(201).id();
    keeper.post("/maintenance-windows", &json!({
        "dtstart": "2030-01-09T16:00:00", "timezone": "Europe/Vienna", "duration": "PT3H", "rrule": "FREQ=WEEKLY",
        "holds": "always"
    })).is(201);
    keeper.post("/upkeep-rules", &json!({
        "task": "glove_change", "applies_to": { "kind": "station" }, "duration": "PT1H", "closes": "station",
        "triggers": [{ "kind": "calendar", "every": "P12M" }]
    })).is(201);
    keeper
        .post("/services", &json!({ "task": "glove_change", "subject": "LYNX/S1", "done_at": at(-48) }))
        .is(201);
    keeper.post("/holds", &json!({ "glovebox": "OTTER", "reason": "torn glove" })).is(201);
    keeper.post("/stock-items", &json!({ "tag": "GLOVES-8", "name": "Glove pair", "unit": "pair" })).is(201);
    let movement = |body: &Value| keeper.post("/stock-items/GLOVES-8/movements", body).is(201).id();
    movement(&json!({ "kind": "ordered", "quantity": 6, "at": at(-9), "number": "P-1" }));
    let came = movement(&json!({ "kind": "received", "quantity": 0.1, "at": at(-8), "order": "P-1" }));
    movement(&json!({ "kind": "reversed", "reverses": came }));
    let webhook = json!({
        "url": "https://receiver.invalid/", "description": "nobody", "event_types": ["drykeep.room.*"]
    });
    let webhook = keeper.post("/webhooks", &webhook).is(201).id();
    keeper.post(&format!("/webhooks/{webhook}/pings"), &json!({})).is(201);
    ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
    keeper
        .post(
            "/readings",
            &json!({ "readings": [
        { "subject": "LYNX", "quantity": "oxygen_ppm", "at": "2030-01-07T07:00:00.000001Z", "value": 1.5 }
    ] }),
        )
        .is(200);
    keeper.post("/nightly-runs", &json!({})).is(201);
    let id = |last: u32| format!("0199c5a0-0000-7000-8000-{last:012}");
    let mut raw = world.raw();
    let place = keeper.get("/gloveboxes/LYNX").is(200).id();
    let (plan, visit) = (id(1), id(2));
    let awkward = AWKWARD.replace('\'', "''");
    let when = "'2030-02-01 08:00:00.000001', '2030-02-01 10:00:00.5'";
    for statement in [
        format!(
            "INSERT INTO maintenance_plans (id, proposed_by, starts_at, ends_at, body, version, created_at, updated_at) \
             VALUES ('{plan}', 'keeper', {when}, '{awkward}', 1, '2030-01-07 08:00:00', '2030-01-07 08:00:00')"
        ),
        format!(
            "INSERT INTO maintenance_visits (id, plan_id, place_id, starts_at, ends_at, status, body, version, created_at, \
             updated_at) VALUES ('{visit}', '{plan}', '{place}', {when}, 'cancelled', '', 7, '2030-01-07 08:00:00', \
             '2030-01-07 08:00:00')"
        ),
        format!("UPDATE bookings SET displaced_by = '{visit}' WHERE id = '{booked}'"),
        format!(
            "INSERT INTO usage_closings (month, starts_at, ends_at, closed_at, closed_by) \
             VALUES ('2029-12', {when}, '2030-01-07 08:00:00', 'keeper')"
        ),
        format!(
            "INSERT INTO usage_entries (id, month, of_month, booking_id, person_id, glovebox_id, bookings, logged, booked, \
             station_time, transfers, turns_ml, purge_ml) VALUES ('{}', '2029-12', '2029-12', 'gone', '{awkward}', '', \
             -9223372036854775808, 9223372036854775807, 4503599627370497, 0, -1, 2147483648, 1)",
            id(3)
        ),
    ] {
        assert_eq!(raw.run(&statement).unwrap(), 1, "{statement}");
    }
    for (minute, number) in NUMBERS.iter().enumerate() {
        let statement = format!(
            "INSERT INTO readings (series_id, at, value, received_at) \
             SELECT id, '2030-01-06 07:{minute:02}:00.123456', {number:e}, '2030-01-06 09:00:00' FROM reading_series"
        );
        assert_eq!(raw.run(&statement).unwrap(), 1, "{statement}");
    }
    booking
}

/// A folder with the files of a test.
struct Files(TempDir);

impl Files {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// What is exported of a database.
    #[track_caller]
    fn export(&self, database: &DatabaseUrl, name: &str) -> Vec<u8> {
        let file = self.at(name);
        run(database, &["export", file.to_str().unwrap()]).succeeded();
        fs::read(file).unwrap()
    }

    /// What refuses a file with these bytes, which leaves the database as it was.
    #[track_caller]
    fn refused(&self, database: &DatabaseUrl, bytes: &[u8]) -> String {
        let file = self.at("refused");
        fs::write(&file, bytes).unwrap();
        run(database, &["import", file.to_str().unwrap()]).failed()
    }
}

fn import(database: &Database, file: &Path) {
    run(&database.url(), &["import", file.to_str().unwrap()]).succeeded();
}

/// How many rows of which table a file holds, by its lines and not by its header.
fn rows(bytes: &[u8]) -> BTreeMap<String, usize> {
    let mut rows = BTreeMap::new();
    for line in text(bytes).lines() {
        let line: Value = serde_json::from_str(line).unwrap();
        if let Some(table) = line["table"].as_str() {
            *rows.entry(table.to_owned()).or_default() += 1;
        }
    }
    rows
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// The lines of a file, changed, with the checksum that then belongs to it.
fn forged(bytes: &[u8], change: impl FnOnce(&mut Vec<String>)) -> Vec<u8> {
    let mut lines: Vec<String> = text(bytes).lines().map(|line| format!("{line}\n")).collect();
    lines.pop();
    change(&mut lines);
    let mut whole = lines.concat();
    let digest =
        Sha256::digest(&whole).iter().fold(String::new(), |digest, byte| format!("{digest}{byte:02x}"));
    whole.push_str(&format!("{{\"sha256\":\"{digest}\"}}\n"));
    whole.into_bytes()
}

#[derive(QueryableByName)]
struct Series {
    #[diesel(sql_type = BigInt)]
    id: i64,
}

/// What the service shows of a restored database, and that it goes on from there.
fn serves_as_before(before: &World, booking: &Value, database: Database) {
    // What nights work from was left out: every day of readings is to be summed up anew.
    let series = |table: &str| {
        let listed = format!("SELECT DISTINCT CAST(series_id AS BIGINT) AS id FROM {table}");
        let found = database.raw().rows::<Series>(&listed, &listed);
        found.into_iter().map(|series| series.id).collect::<BTreeSet<i64>>()
    };
    assert!(!series("readings").is_empty());
    assert_eq!(series("stale_reading_days"), series("readings"));
    let after = World::over(database);
    let (old, new) = (before.keeper(), after.keeper());
    for path in ["/bookings", "/gloveboxes", "/people", "/due-items", "/changes", "/audit", "/stock-items"] {
        let path = format!("{path}?limit=500");
        assert_eq!(new.get(&path).is(200).json(), old.get(&path).is(200).json(), "{path}");
    }
    let again = after.researcher("ada").post_once("/bookings", KEY, booking).is(201);
    assert_eq!(again.text, before.researcher("ada").post_once("/bookings", KEY, booking).is(201).text);
    // Numbers that are drawn go on after those that came.
    let known = new.get_all("/changes?limit=500");
    new.post("/rooms", &json!({ "tag": "NEW", "volume_m3": 40 })).is(201);
    let reading =
        json!({ "subject": "OTTER", "quantity": "water_ppm", "at": "2030-01-07T07:30:00Z", "value": 1.5 });
    new.post("/readings", &json!({ "readings": [reading] })).is(200);
    let told = new.get_all("/changes?limit=500");
    assert!(told.len() > known.len() && told.starts_with(&known), "{told:?}");
}

fn round_trip(start: &World, others: [Option<Database>; 2]) {
    let booking = lived_in(start);
    let files = Files::new();
    let first = files.export(&start.database(), "first");
    let counted = rows(&first);
    let header: Value = serde_json::from_str(text(&first).lines().next().unwrap()).unwrap();
    for table in header["tables"].as_array().unwrap() {
        let (name, said) = (table["table"].as_str().unwrap(), table["rows"].as_u64().unwrap());
        assert!(said > 0, "nothing of {name} is tried out");
        assert_eq!(u64::try_from(counted[name]).unwrap(), said, "{name}");
    }
    let [Some(middle), Some(last)] = others else { return };
    import(&middle, &files.at("first"));
    assert_eq!(text(&files.export(&middle.url(), "second")), text(&first));
    import(&last, &files.at("second"));
    assert_eq!(text(&files.export(&last.url(), "third")), text(&first));
    serves_as_before(start, &booking, middle);
    serves_as_before(start, &booking, last);
}

#[test]
fn a_file_from_sqlite_comes_back_over_postgres_unchanged() {
    round_trip(&World::sqlite(), [Database::postgres(), Some(Database::sqlite())]);
}

#[test]
fn a_file_from_postgres_comes_back_over_sqlite_unchanged() {
    if let Some(world) = World::postgres() {
        round_trip(&world, [Some(Database::sqlite()), Database::postgres()]);
    }
}

#[test]
fn a_file_that_is_not_whole_is_refused_before_anything_is_written() {
    let world = World::sqlite();
    lived_in(&world);
    let files = Files::new();
    let whole = files.export(&world.database(), "whole");
    // A database that does not exist yet shows whether anything was written.
    let nowhere = DatabaseUrl::Sqlite(files.at("none.db"));
    let lines: Vec<usize> =
        whole.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at).collect();
    let cuts = lines.iter().step_by(9).flat_map(|at| [*at, at + 1]).chain([whole.len() - 1, whole.len() / 2]);
    for cut in cuts.filter(|cut| *cut < whole.len()) {
        let said = files.refused(&nowhere, &whole[..cut]);
        assert!(said.contains("cut off"), "{cut}: {said}");
        assert!(!files.at("none.db").exists(), "{cut} bytes");
    }
    for at in (lines[0] + 1..whole.len()).step_by(whole.len() / 40) {
        let mut changed = whole.clone();
        changed[at] = if changed[at] == b'1' { b'2' } else { b'1' };
        files.refused(&nowhere, &changed);
        assert!(!files.at("none.db").exists(), "byte {at}");
    }
}

#[test]
fn a_file_of_another_version_or_schema_is_refused() {
    let files = Files::new();
    let whole = files.export(&Database::sqlite().url(), "whole");
    let nowhere = DatabaseUrl::Sqlite(files.at("none.db"));
    let header = |from: &str, to: &str| {
        forged(&whole, |lines| {
            assert!(lines[0].contains(from), "{}", lines[0]);
            lines[0] = lines[0].replacen(from, to, 1);
        })
    };
    let said = files.refused(&nowhere, &header("\"format_version\":1", "\"format_version\":2"));
    assert!(said.contains("format version 2"), "{said}");
    let said = files.refused(&nowhere, &header("\"schema\":\"0", "\"schema\":\"9"));
    assert!(said.contains("schema 9"), "{said}");
    let said = files.refused(&nowhere, &header("\"table\":\"rooms\"", "\"table\":\"secrets\""));
    assert!(said.contains("no table secrets"), "{said}");
    let said = files.refused(&nowhere, &header("\"rows\":0", "\"rows\":1"));
    assert!(said.contains("its header says 1"), "{said}");
    assert!(!files.at("none.db").exists());
}

in_both_databases! {
    fn rows_that_the_database_refuses_leave_it_empty(database) {
        let world = World::sqlite();
        lived_in(&world);
        let files = Files::new();
        let whole = files.export(&world.database(), "whole");
        let row = |table: &str| format!("{{\"table\":\"{table}\"");
        let find = |lines: &[String], table: &str| lines.iter().rposition(|line| line.starts_with(&row(table))).unwrap();
        let count = |lines: &mut Vec<String>, table: &str, by: i64| {
            let mut header: Value = serde_json::from_str(&lines[0]).unwrap();
            let all = header["tables"].as_array_mut().unwrap();
            let entry = all.iter_mut().find(|entry| entry["table"] == table).unwrap();
            entry["rows"] = json!(entry["rows"].as_i64().unwrap() + by);
            lines[0] = format!("{header}\n");
        };
        let twice = forged(&whole, |lines| {
            let at = find(lines, "people");
            lines.insert(at, lines[at].clone());
            count(lines, "people", 1);
        });
        let said = files.refused(&database.url(), &twice);
        assert!(said.contains("refused these rows of people"), "{said}");
        let overlapping = forged(&whole, |lines| {
            let at = find(lines, "claims");
            let mut other: Value = serde_json::from_str(&lines[at]).unwrap();
            other["row"]["id"] = json!("0199c5a0-0000-7000-8000-999999999999");
            lines.insert(at + 1, format!("{other}\n"));
            count(lines, "claims", 1);
        });
        let said = files.refused(&database.url(), &overlapping);
        assert!(said.contains("ClaimsNeverOverlap"), "{said}");
        let unknown = forged(&whole, |lines| {
            let at = find(lines, "events");
            lines[at] = lines[at].replacen("\"kind\"", "\"kinds\"", 1);
        });
        let said = files.refused(&database.url(), &unknown);
        assert!(said.contains("kind is missing"), "{said}");
        // Nothing of all this was kept, so the true one finds an empty database.
        import(database, &files.at("whole"));
        assert_eq!(text(&files.export(&database.url(), "back")), text(&whole));
    }

    fn a_database_that_holds_something_takes_no_file(database) {
        let files = Files::new();
        let whole = files.export(&Database::sqlite().url(), "whole");
        let mut raw: Raw = database.raw();
        raw.run("INSERT INTO things (id, kind, tag) VALUES ('one', 'station', 'S1')").unwrap();
        let said = files.refused(&database.url(), &whole);
        assert!(said.contains("not empty (things)"), "{said}");
        let said = run(&database.url(), &["import", files.at("whole").to_str().unwrap(), files.at("whole").to_str().unwrap()]);
        assert!(said.failed().contains("comes alone"));
    }

    /// What is written while a file is being made is in it whole or not at all.
    fn a_file_made_under_load_is_of_one_moment(database) {
        let folder = tempfile::tempdir().unwrap();
        let process = Process::serving(&database.url(), folder.path());
        let (keeper, files, stop) = (process.keeper(), Files::new(), Stop::default());
        std::thread::scope(|scope| {
            let stopping = stop.at_the_end();
            for writer in 0..6 {
                let (keeper, stop) = (keeper.clone(), &stop);
                scope.spawn(move || {
                    for n in (0_u32..).take_while(|_| stop.not_yet()) {
                        let room = json!({ "tag": format!("R{writer}-{n}"), "volume_m3": 50 });
                        keeper.post("/rooms", &room).is(201);
                    }
                });
            }
            let mut before = Vec::new();
            while before.len() < 30 {
                std::thread::sleep(std::time::Duration::from_millis(50));
                before = keeper.get_all("/rooms?limit=500");
            }
            let whole = files.export(&database.url(), "whole");
            drop(stopping);
            let mut lines = text(&whole).lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
            drop(lines.next());
            let (mut rooms, mut told) = (BTreeSet::new(), BTreeSet::new());
            for line in lines {
                if line["table"] == "rooms" {
                    rooms.insert(line["row"]["id"].as_str().unwrap().to_owned());
                } else if line["table"] == "events" && line["row"]["kind"] == "room.created" {
                    told.insert(line["row"]["subject_id"].as_str().unwrap().to_owned());
                }
            }
            assert!(before.iter().all(|room| rooms.contains(room["id"].as_str().unwrap())));
            assert_eq!(rooms, told, "a room and the event that tells of it belong together");
        });
        let other = Database::sqlite();
        import(&other, &files.at("whole"));
    }
}

#[test]
fn an_export_is_its_owners_and_takes_no_other_files_place() {
    let files = Files::new();
    let database = Database::sqlite();
    let whole = files.export(&database.url(), "whole");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        assert_eq!(fs::metadata(files.at("whole")).unwrap().permissions().mode() & 0o777, 0o600);
    }
    let said = run(&database.url(), &["export", files.at("whole").to_str().unwrap()]).failed();
    assert!(said.contains("left alone"), "{said}");
    assert_eq!(fs::read(files.at("whole")).unwrap(), whole);
    let nowhere = DatabaseUrl::Sqlite(files.at("none.db"));
    run(&nowhere, &["export", files.at("other").to_str().unwrap()]).failed();
    assert!(!files.at("none.db").exists(), "an export makes no database");
    assert_eq!(files.0.path().read_dir().unwrap().count(), 1, "nothing half made is left");
}
