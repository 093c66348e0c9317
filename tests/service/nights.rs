//! What a night points out besides what is due.

use crate::world::{World, on_both_backends};
use chrono::{DateTime, DurationRound as _, SecondsFormat, TimeDelta, Utc};
use diesel::QueryableByName;
use diesel::sql_types::Text;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// Sends readings of a quantity, each so many minutes before now.
fn send(world: &World, subject: &str, quantity: &str, values: &[(i64, f64)]) {
    let reading = |&(ago, value): &(i64, f64)| {
        let at = (world.now() - TimeDelta::minutes(ago)).to_rfc3339();
        json!({ "subject": subject, "quantity": quantity, "at": at, "value": value })
    };
    let readings: Vec<Value> = values.iter().map(reading).collect();
    let answer = world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
    assert_eq!(answer.json()["accepted"], values.len(), "{}", answer.text);
}

/// Holds every box to class 1 after ISO 10648-2.
fn require_class_1(world: &World) {
    let change = json!({ "policies": { "required_tightness_class": 1 } });
    world.keeper().patch_with_etag("/facility", "*", &change).is(200);
}

/// Runs the night, and gives the observations and the text.
fn night(world: &World) -> (Vec<Value>, String) {
    let report = world.keeper().post("/nightly-runs", &json!({})).is(201).json();
    let shown =
        world.keeper().get(&format!("/nightly-runs/{}", report["id"].as_str().unwrap())).is(200).json();
    assert_eq!(shown["observations"], report["observations"]);
    (report["observations"].as_array().unwrap().clone(), report["text"].as_str().unwrap().to_owned())
}

fn of_kind<'a>(observations: &'a [Value], kind: &str) -> Option<&'a Value> {
    observations.iter().find(|one| one["kind"] == kind)
}

fn parameter(observation: &Value, name: &str) -> f64 {
    let all = observation["evidence"]["parameters"].as_array().unwrap();
    all.iter().find(|one| one["name"] == name).unwrap()["value"].as_f64().unwrap()
}

/// Oxygen from 4 to 2 hours ago, every quarter of an hour, rising so many ppm an hour from 1 ppm.
fn rising(ppm_per_h: f64) -> Vec<(i64, f64)> {
    (0_i32..=8)
        .map(|quarter| (240 - i64::from(quarter) * 15, 1.0 + ppm_per_h * f64::from(quarter) / 4.0))
        .collect()
}

/// A line of what the database holds.
#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

/// What is kept of readings summed up, and what is due with all its evidence.
fn kept(world: &World) -> (BTreeSet<String>, BTreeSet<String>) {
    let mut raw = world.raw();
    let days: Vec<Line> = raw.rows(
        "SELECT series_id || ' ' || id || ' ' || hex(hours) AS line FROM reading_days",
        "SELECT series_id || ' ' || id || ' ' || encode(hours, 'hex') AS line FROM reading_days",
    );
    let whole: Vec<Line> = raw.rows(
        "SELECT 'whole ' || id || ' ' || hex(sums) AS line FROM whole_days",
        "SELECT 'whole ' || id || ' ' || encode(sums, 'hex') AS line FROM whole_days",
    );
    let due = "SELECT rule_id || ' ' || subject_id || ' ' || body AS line FROM due_items";
    let due: Vec<Line> = raw.rows(due, due);
    let lines = |all: Vec<Line>| all.into_iter().map(|one| one.line).collect();
    (lines(days.into_iter().chain(whole).collect()), lines(due))
}

/// Forgets what nights have made, and that readings were ever summed up.
fn forget(world: &World) {
    let mut raw = world.raw();
    for statement in [
        "DELETE FROM due_date_history",
        "DELETE FROM due_items",
        "DELETE FROM nightly_runs",
        "DELETE FROM whole_days",
        "DELETE FROM reading_days",
        "DELETE FROM stale_reading_days",
        match raw {
            crate::world::Raw::Sqlite(_) => {
                "INSERT INTO stale_reading_days (series_id, day) \
                 SELECT DISTINCT series_id, CAST(strftime('%s', at) AS INTEGER) / 86400 FROM readings"
            }
            crate::world::Raw::Postgres(_) => {
                "INSERT INTO stale_reading_days (series_id, day) \
                 SELECT DISTINCT series_id, CAST(floor(extract(epoch FROM at) / 86400) AS BIGINT) FROM readings"
            }
        },
    ] {
        raw.run(statement).unwrap();
    }
}

/// Readings that come in as they like, by chance from a seed.
struct Gateway<'a> {
    world: &'a World,
    chance: ChaCha8Rng,
    stored: BTreeMap<(usize, usize, DateTime<Utc>), f64>,
}

const QUANTITIES: [&str; 5] =
    ["oxygen_ppm", "water_ppm", "circulation_m3_h", "temperature_c", "filter_pressure_mbar"];

impl Gateway<'_> {
    fn below(&mut self, end: u32) -> u32 {
        self.chance.next_u32() % end
    }

    /// Up to an hour of one sensor in the last six days, each minute or each few of
    /// them; what is stored already with another value is corrected.
    fn sends(&mut self) {
        let (quantity, sensor) = (self.below(5) as usize, self.below(2) as usize);
        let begin = self.world.now() - TimeDelta::minutes(i64::from(60 + self.below(6 * 1440)));
        let every = 1 + self.below(20);
        let mut readings = BTreeMap::new();
        for number in 0..=self.below(40) {
            let at = begin + TimeDelta::minutes(i64::from(number * every % 60));
            let value = f64::from(self.below(if quantity == 2 { 3 } else { 40 })) / 10.0;
            readings.insert(at, value);
        }
        for (at, value) in &readings {
            let key = (quantity, sensor, *at);
            if self.stored.get(&key).is_some_and(|before| before.to_bits() != value.to_bits()) {
                self.takes_back(key);
            }
            self.stored.insert(key, *value);
        }
        let readings: Vec<Value> = readings
            .into_iter()
            .map(|(at, value)| {
                json!({
                    "subject": "LYNX", "quantity": QUANTITIES[quantity], "sensor": format!("s{sensor}"),
                    "at": at.to_rfc3339(), "value": value
                })
            })
            .collect();
        self.world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
    }

    /// Three whole days six weeks ago, each minute of them: nights take them as a whole.
    fn sends_whole_days(&mut self) {
        let begin = (self.world.now() - TimeDelta::days(42)).duration_trunc(TimeDelta::days(1)).unwrap();
        for day in 0..3 {
            for quantity in [0, 2, 3] {
                let value = |minute: i64| match quantity {
                    2 if (600..660).contains(&minute) => 0.0,
                    2 => 2.0,
                    _ => f64::from(100 + i32::try_from(minute * 17 % 23).unwrap()) / 100.0,
                };
                let readings = (0..1440).map(|minute| {
                    let at = begin + TimeDelta::minutes(1440 * day + minute);
                    self.stored.insert((quantity, 0, at), value(minute));
                    json!({
                        "subject": "LYNX", "quantity": QUANTITIES[quantity], "sensor": "s0",
                        "at": at.to_rfc3339(), "value": value(minute)
                    })
                });
                let readings: Vec<Value> = readings.collect();
                self.world.keeper().post("/readings", &json!({ "readings": readings })).is(200);
            }
        }
    }

    fn takes_back(&mut self, key: (usize, usize, DateTime<Utc>)) {
        self.stored.remove(&key);
        let at = key.2.to_rfc3339_opts(SecondsFormat::Secs, true);
        let query = format!("subject=LYNX&quantity={}&sensor=s{}&at={at}", QUANTITIES[key.0], key.1);
        self.world.keeper().delete(&format!("/readings?{query}")).is(204);
    }
}

on_both_backends! {
    /// To the bit: whatever came in, late and corrected, what nights have kept and what
    /// is due by it are what a night makes of the readings alone.
    fn a_night_from_what_is_kept_is_a_night_from_scratch(world) {
        let keeper = world.furnished().keeper();
        let rated = json!({
            "circulation_m3_h": 2.0, "columns": 1, "oxygen_capacity_mol": 0.02, "water_capacity_mol": 0.02
        });
        keeper.patch_with_etag("/gloveboxes/LYNX", "*", &json!({ "purifier": rated })).is(200);
        keeper.post("/upkeep-rules/defaults", &json!({})).is(200);
        let mut gateway = Gateway { world, chance: ChaCha8Rng::seed_from_u64(9), stored: BTreeMap::new() };
        gateway.sends_whole_days();
        for round in 0..4 {
            for _ in 0..25 {
                gateway.sends();
            }
            for _ in 0..4 {
                let which = gateway.below(u32::try_from(gateway.stored.len()).unwrap()) as usize;
                let key = *gateway.stored.keys().nth(which).unwrap();
                gateway.takes_back(key);
            }
            night(world);
            let before = kept(world);
            let whole = before.0.iter().filter(|line| line.starts_with("whole")).count();
            assert_eq!(whole, 9, "whole days");
            assert!(before.0.len() > 5 && before.1.iter().any(|item| item.contains("uptake_known")), "{before:?}");
            forget(world);
            night(world);
            assert_eq!(kept(world), before, "round {round}");
            world.it_is_now(world.now() + TimeDelta::hours(17));
        }
    }

    fn a_quiet_night_points_nothing_out(world) {
        world.furnished();
        send(world, "LYNX", "oxygen_ppm", &[(120, 1.0), (60, 1.1), (0, 1.0)]);
        let (observations, text) = night(world);
        assert_eq!(observations, Vec::<Value>::new());
        assert!(!text.contains("Noticed"), "{text}");
    }

    /// Exact: 150 ppm/h of oxygen are 150/209 500 of the volume an hour, 7.16·10⁻⁴, which is
    /// beyond the 5·10⁻⁴ of class 1; of 1.2 m³ it is 14.3 mL/min.
    fn oxygen_rising_with_the_circulation_off_is_pointed_out(world) {
        world.furnished();
        require_class_1(world);
        send(world, "LYNX", "circulation_m3_h", &[(300, 55.0), (240, 0.0), (180, 0.0), (120, 0.0), (60, 55.0)]);
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        send(world, "LYNX", "oxygen_ppm", &[(60, 2.0), (0, 1.0)]);
        let (observations, text) = night(world);
        let noticed = of_kind(&observations, "oxygen_rise").unwrap_or_else(|| panic!("{text}"));
        assert_eq!(noticed["subject_tag"], "LYNX");
        assert!((parameter(noticed, "hourly_leak_rate") - 7.16e-4).abs() < 2e-6, "{noticed}");
        assert!((parameter(noticed, "ingress") - 14.32).abs() < 0.05, "{noticed}");
        assert_eq!(noticed["evidence"]["readings"]["count"], 9);
        assert!(text.contains("Noticed (1;"), "{text}");
        assert!(text.contains(noticed["text"].as_str().unwrap()), "{text}");
    }

    /// The same rise is within the 10⁻² an hour of class 3, which a site requires by default.
    fn a_rise_within_the_class_is_not_pointed_out(world) {
        world.furnished();
        send(world, "LYNX", "circulation_m3_h", &[(240, 0.0), (180, 0.0), (120, 0.0), (60, 55.0)]);
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        send(world, "LYNX", "oxygen_ppm", &[(60, 2.0), (0, 1.0)]);
        assert_eq!(night(world).0, Vec::<Value>::new());
    }

    fn work_booked_with_the_circulation_off_counts_as_such(world) {
        world.furnished();
        require_class_1(world);
        let ada = world.qualified("ada");
        let begin = world.now() + TimeDelta::hours(1);
        let booking = ada.post("/bookings", &json!({
            "glovebox": "LYNX", "station": "S1", "start": begin.to_rfc3339(), "purpose": "Washing",
            "end": (begin + TimeDelta::hours(4)).to_rfc3339(), "solvents": ["dichloromethane"]
        })).is(201);
        let off = booking.json()["claims"].as_array().unwrap().iter().any(|one| one["why"] == "circulation_off");
        assert!(off, "{}", booking.text);
        world.it_is_now(begin);
        ada.post_with_etag(&format!("/bookings/{}/start", booking.id()), "*", &json!({})).is(200);
        world.it_is_now(begin + TimeDelta::hours(5));
        // From the first hour of the work to its third.
        send(world, "LYNX", "oxygen_ppm", &rising(150.0));
        let (observations, text) = night(world);
        assert!(of_kind(&observations, "oxygen_rise").is_some(), "{text}");
    }

    fn a_level_standing_high_under_circulation_is_pointed_out(world) {
        world.furnished();
        send(world, "LYNX", "circulation_m3_h", &[(30, 52.0)]);
        send(world, "LYNX", "oxygen_ppm", &[(180, 2.0), (120, 12.0), (60, 13.0), (0, 14.0)]);
        send(world, "OTTER", "oxygen_ppm", &[(180, 12.0), (60, 12.0), (0, 9.0)]);
        let (observations, _) = night(world);
        assert_eq!(observations.len(), 1, "{observations:?}");
        let noticed = of_kind(&observations, "level_under_circulation").unwrap();
        assert_eq!((&noticed["subject_tag"], parameter(noticed, "level")), (&json!("LYNX"), 14.0));
    }

    /// Common practice, no source: −15 to 15 mbar.
    fn a_box_pressure_out_of_the_common_range_is_pointed_out(world) {
        world.furnished();
        send(world, "OTTER", "box_pressure_mbar", &[(180, 3.0), (120, 16.0), (60, 17.0), (30, 3.0)]);
        let (observations, _) = night(world);
        assert_eq!(of_kind(&observations, "box_pressure").unwrap()["subject_tag"], "OTTER");
    }

    fn a_sensor_that_fell_silent_is_pointed_out_until_it_speaks(world) {
        world.furnished();
        send(world, "LYNX", "water_ppm", &[(120, 1.0), (60, 1.0), (0, 1.0)]);
        assert_eq!(night(world).0, Vec::<Value>::new());
        world.it_is_now(world.now() + TimeDelta::hours(25));
        let (observations, text) = night(world);
        let noticed = of_kind(&observations, "silent_sensor").unwrap_or_else(|| panic!("{text}"));
        assert!((parameter(noticed, "silence") - 25.0).abs() < 1e-6);
        send(world, "LYNX", "water_ppm", &[(0, 1.0)]);
        world.it_is_now(world.now() + TimeDelta::minutes(1));
        assert_eq!(night(world).0, Vec::<Value>::new());
    }
}
