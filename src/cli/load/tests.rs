use super::read::{Content, Kind, read};
use super::{Occasion, Source, Times, load};
use crate::clock::Clock;
use crate::domain::calendar::zone::parse_zone;
use crate::store::{Store, examine};
use crate::usecases::App;
use chrono::{DateTime, NaiveDate, Utc};

fn vienna() -> Times {
    Times::in_zone(parse_zone("Europe/Vienna").unwrap())
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn faults(name: &str, text: &str) -> Vec<(usize, String)> {
    let faults = read(Source { name, text }, vienna()).unwrap_err();
    faults.into_iter().map(|fault| (fault.line, fault.detail)).collect()
}

fn lines(name: &str, text: &str) -> Vec<usize> {
    faults(name, text).into_iter().map(|(line, _)| line).collect()
}

fn body(name: &str, text: &str, times: Times) -> serde_json::Value {
    match read(Source { name, text }, times).unwrap() {
        Content::Entries(mut entries) => entries.remove(0).body,
        Content::Readings(_) => panic!("entries were expected"),
    }
}

/// Vienna keeps UTC+1 in winter and UTC+2 in summer (IANA time zone database).
#[test]
fn wall_times_are_of_the_facilitys_zone() {
    assert_eq!(vienna().instant("2026-01-05T08:00"), Ok(utc("2026-01-05T07:00:00Z")));
    assert_eq!(vienna().instant("2026-07-06T08:00:00"), Ok(utc("2026-07-06T06:00:00Z")));
    assert_eq!(vienna().instant("2026-07-06T08:00:00Z"), Ok(utc("2026-07-06T08:00:00Z")));
    assert!(vienna().instant("yesterday").is_err());
}

/// From the winter into the summer the clock on the wall stays, and the
/// offset changes from +1 to +2 hours.
#[test]
fn moved_times_keep_their_day_of_the_week_and_hour() {
    let monday = NaiveDate::from_ymd_opt(2026, 1, 5).unwrap();
    let zone = parse_zone("Europe/Vienna").unwrap();
    // A Thursday; its week begins on Monday 6 July 2026.
    let times = Times::moved_to(zone, monday, utc("2026-07-09T12:00:00Z"));
    assert_eq!(times.instant("2026-01-05T08:00"), Ok(utc("2026-07-06T06:00:00Z")));
    assert_eq!(times.instant("2026-01-05T07:00:00Z"), Ok(utc("2026-07-06T06:00:00Z")));
    // Late on a Sunday in UTC it is Monday in Vienna already, and the week another one.
    let times = Times::moved_to(zone, monday, utc("2026-07-05T22:30:00Z"));
    assert_eq!(times.instant("2026-01-05T08:00"), Ok(utc("2026-07-06T06:00:00Z")));
    // Before the fixtures' own week.
    let times = Times::moved_to(zone, monday, utc("2025-12-30T12:00:00Z"));
    assert_eq!(times.instant("2026-01-05T08:00"), Ok(utc("2025-12-29T07:00:00Z")));
}

#[test]
fn tables_become_bodies_of_requests() {
    let text = "[[maintenance_windows]]\ndtstart = 2026-01-07T16:00:00\nduration = \"PT3H\"\n";
    let window = body("w.toml", text, vienna());
    assert_eq!(window, serde_json::json!({ "dtstart": "2026-01-07T16:00:00", "duration": "PT3H" }));
    let text = "[[facility.closures]]\nstart = 2026-01-23T00:00:00\nend = 2026-01-24T00:00:00Z\n";
    let closure = &body("f.toml", text, vienna())["closures"][0];
    assert_eq!(
        *closure,
        serde_json::json!({ "start": "2026-01-22T23:00:00Z", "end": "2026-01-24T00:00:00Z" })
    );
}

#[test]
fn sections_come_in_the_order_in_which_they_refer_to_each_other() {
    let text = "[[gloveboxes]]\ntag = \"A\"\n[[rooms]]\ntag = \"R\"\n[facility]\nname = \"F\"\n";
    let Content::Entries(entries) = read(Source { name: "f.toml", text }, vienna()).unwrap() else {
        panic!("entries were expected")
    };
    let found: Vec<(Kind, usize)> = entries.iter().map(|entry| (entry.kind, entry.line)).collect();
    assert_eq!(found, [(Kind::Facility, 5), (Kind::Room, 3), (Kind::Glovebox, 1)]);
}

#[test]
fn the_columns_tell_what_a_csv_file_is() {
    let bookings = "glovebox,person,start,end,transfers_in,outcome\nA,P,2026-01-05T09:00,2026-01-05T10:00,BIG:porous;SMALL,done\n";
    let booking = body("x.csv", bookings, vienna());
    assert_eq!(
        booking["transfers_in"],
        serde_json::json!([{ "antechamber": "BIG", "sample": "porous" }, { "antechamber": "SMALL" }])
    );
    assert_eq!(booking["start"], "2026-01-05T08:00:00Z");
    let people = body("x.csv", "tag,name,groups,active\nP,\"Pat, the younger\",\"One; Two\",no\n", vienna());
    let expected = serde_json::json!({ "tag": "P", "name": "Pat, the younger", "groups": ["One", "Two"], "active": false });
    assert_eq!(people, expected);
}

#[test]
fn every_fault_of_a_file_is_told_with_its_line() {
    assert_eq!(lines("f.toml", "[facility]\nname = \"A\"\n[[walls]]\n"), [3]);
    assert_eq!(lines("f.toml", "[facility]\nname = \n"), [2]);
    assert_eq!(lines("f.txt", ""), [1]);
    assert_eq!(lines("r.csv", "a,b\n1,2\n"), [1]);
    assert_eq!(lines("r.csv", "subject,quantity,at,value,colour\n"), [1]);
    let rows = "subject,quantity,at,value\nA,oxygen_ppm,2026-01-05T08:00,1\nA,oxygen_ppm,soon,1\nA,oxygen_ppm\n\
                A,oxygen_ppm,2026-01-05T08:00,much\n";
    assert_eq!(lines("r.csv", rows), [3, 4, 5]);
    let rows = "{\"subject\":\"A\"}\n\n{\"colour\":1}\nno\n";
    assert_eq!(lines("r.ndjson", rows), [3, 4]);
}

#[test]
fn readings_later_than_a_demonstration_are_passed_over() {
    let monday = NaiveDate::from_ymd_opt(2026, 1, 5).unwrap();
    let times = Times::moved_to(parse_zone("Europe/Vienna").unwrap(), monday, utc("2026-01-05T12:00:00Z"));
    let text =
        "subject,quantity,at,value\nA,oxygen_ppm,2026-01-05T12:59,1\nA,oxygen_ppm,2026-01-05T13:01,1\n";
    assert_eq!(read(Source { name: "r.csv", text }, times).unwrap().count(), 1);
    assert_eq!(read(Source { name: "r.csv", text }, vienna()).unwrap().count(), 2);
}

const FACILITY: &str = "[facility]\nname = \"F\"\ntimezone = \"Europe/Vienna\"\n\
    [[rooms]]\ntag = \"R\"\nvolume_m3 = 60.0\n\
    [[gloveboxes]]\ntag = \"A\"\nroom = \"R\"\nworking_gas = \"argon\"\ninternal_volume_l = 900.0\n\
    stations = [{ tag = \"S\", port_pairs = 1 }]\n";

#[test]
fn a_file_is_loaded_whole_or_not_at_all() {
    let directory = tempfile::tempdir().unwrap();
    let url = format!("sqlite://{}/load.db", directory.path().display()).parse().unwrap();
    let now = utc("2026-01-06T12:00:00Z");
    let app = App::new(Store::open(&url).unwrap(), Clock::standing_at(now));
    let wrong = FACILITY.replace("\"R\"\nworking", "\"Q\"\nworking");
    let load = |name, text| load(&app, Source { name, text }, None, Occasion::present(now));
    assert!(load("f.toml", &wrong).is_err());
    // The room of the refused file is not there: the next one can bring it.
    assert_eq!(load("f.toml", FACILITY).unwrap().summary(), "1 facility, 1 rooms, 1 gloveboxes");

    let bad = "subject,quantity,at,value\nA,oxygen_ppm,2026-01-05T08:00,1\nB,oxygen_ppm,2026-01-05T08:00,1\n\
               A,oxygen_ppm,2026-01-07T08:00,1\nA,oxygen_ppm,2026-01-05T09:00,-1\n";
    let told = load("r.csv", bad).unwrap_err().to_string();
    let lines: Vec<&str> = told.lines().map(|line| line.split(':').next().unwrap().trim()).collect();
    assert_eq!(lines, ["r.csv", "line 3", "line 4", "line 5"], "{told}");
    assert_eq!(examine(&url).unwrap().last_reading, None);

    let good = &bad[..bad.find("B,").unwrap()];
    assert_eq!(load("r.csv", good).unwrap().summary(), "1 readings");
    assert_eq!(load("r.csv", good).unwrap().summary(), "0 readings, 1 that were there already");
    assert_eq!(examine(&url).unwrap().last_reading, Some(utc("2026-01-05T07:00:00Z")));
    app.store().close();
}
