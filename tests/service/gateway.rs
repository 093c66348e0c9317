//! What a sensor gateway relies on that keeps readings and sends them on: files of
//! lines sent again, cut off, overlapping, late. `deploy/gateway.py` does what this replays.

use crate::world::{Client, World, on_both_backends};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use std::io::Write as _;
use std::net::TcpStream;

fn at(world: &World, minutes_ago: i64) -> DateTime<Utc> {
    world.now() - TimeDelta::minutes(minutes_ago)
}

fn line(at: DateTime<Utc>, quantity: &str, value: f64) -> String {
    json!({ "subject": "LYNX", "quantity": quantity, "at": at.to_rfc3339(), "value": value, "sensor": "gw" })
        .to_string()
        + "\n"
}

/// Readings of each of so many minutes.
fn file(world: &World, minutes: std::ops::Range<i64>) -> String {
    minutes.rev().map(|ago| line(at(world, ago), "oxygen_ppm", 1.0 + minutes_value(ago))).collect()
}

/// A value of its own for each minute, whoever sends it.
fn minutes_value(ago: i64) -> f64 {
    f64::from(u8::try_from(ago % 32).unwrap()) / 32.0
}

fn gateway(world: &World) -> Client {
    world.caller("gateway", "readings:write")
}

/// What became of a file: taken, known before, and the places and codes of what was not taken.
fn send(world: &World, file: &str) -> (u64, u64, Vec<(u64, String)>) {
    let headers = [("content-type", "application/x-ndjson")];
    let answer =
        gateway(world).send("POST", "/api/v1/readings", &headers, Some(file.as_bytes())).is(200).json();
    let rejected = answer["rejected"].as_array().unwrap().iter();
    let rejected: Vec<_> = rejected
        .map(|one| (one["index"].as_u64().unwrap(), one["code"].as_str().unwrap().to_owned()))
        .collect();
    let (accepted, duplicates) =
        (answer["accepted"].as_u64().unwrap(), answer["duplicates"].as_u64().unwrap());
    // The gateway deletes a file only when each of its lines is accounted for.
    let lines = file.lines().filter(|line| !line.trim().is_empty()).count();
    assert_eq!(accepted + duplicates + rejected.len() as u64, lines as u64);
    (accepted, duplicates, rejected)
}

fn stored(world: &World) -> Vec<(DateTime<Utc>, f64)> {
    let from = at(world, 30 * 24 * 60).format("%FT%TZ");
    let path = format!("/readings?subject=LYNX&quantity=oxygen_ppm&from={from}&limit=10000");
    let items = world.keeper().get(&path).is(200).json()["items"].as_array().unwrap().clone();
    items
        .iter()
        .map(|one| (one["at"].as_str().unwrap().parse().unwrap(), one["value"].as_f64().unwrap()))
        .collect()
}

/// Everything that readings move: due items with their evidence, and holds.
fn moved(world: &World) -> Vec<Value> {
    let keeper = world.keeper();
    keeper.post("/nightly-runs", &json!({})).is(201);
    let bare = |mut item: Value| {
        for member in ["id", "version", "created_at", "updated_at", "computed_at", "assessed_at"] {
            item.as_object_mut().unwrap().remove(member);
        }
        item
    };
    keeper.get_all("/due-items").into_iter().chain(keeper.get_all("/holds")).map(bare).collect()
}

fn watched(world: &World) -> Client {
    let keeper = world.furnished().keeper();
    let rule = json!({
        "task": "regeneration", "applies_to": "purifier", "duration": "PT16H", "closes": "whole_box",
        "triggers": [{ "kind": "condition", "quantity": "oxygen_ppm", "limit": 5.0, "sustained": "PT30M" }]
    });
    keeper.post("/upkeep-rules", &rule).is(201);
    keeper
}

on_both_backends! {
    fn the_same_file_sent_again_changes_nothing(world) {
        watched(world);
        let file = file(world, 1..241);
        assert_eq!(send(world, &file), (240, 0, vec![]));
        let (before, kept) = (stored(world), moved(world));
        for _ in 0..2 {
            assert_eq!(send(world, &file), (0, 240, vec![]));
        }
        assert_eq!(stored(world), before);
        world.it_is_now(world.now() + TimeDelta::seconds(1));
        assert_eq!(moved(world), kept);
    }

    /// A line torn by a power cut, a part nobody knows, and a clock that runs ahead spoil no others.
    fn what_is_not_taken_is_named_by_its_line_each_time_alike(world) {
        watched(world);
        let lost = line(at(world, 3), "oxygen_ppm", 1.0).replace("LYNX", "LYNZ");
        let ahead = line(at(world, -30), "oxygen_ppm", 1.0);
        let good = file(world, 10..12);
        let torn = "{\"subject\": \"LYNX\", \"quan";
        let whole = format!("{good}\n{lost}{ahead}{torn}");
        let codes = ["unknown_subject", "in_the_future", "malformed_row"].map(str::to_owned);
        let rejected: Vec<(u64, String)> = (2..).zip(codes).collect();
        assert_eq!(send(world, &whole), (2, 0, rejected.clone()));
        assert_eq!(send(world, &whole), (0, 2, rejected));
        // A file without a single readable line is refused whole, and never worth sending again.
        let headers = [("content-type", "application/x-ndjson")];
        gateway(world)
            .send("POST", "/api/v1/readings", &headers, Some(torn.as_bytes()))
            .is_problem(400, "unreadable");
    }

    /// The connection breaks in the middle of the file: nothing of it is stored until it is sent again.
    fn a_file_that_was_cut_off_is_sent_again_as_if_for_the_first_time(world) {
        watched(world);
        let file = file(world, 1..501);
        let token = crate::world::token("gateway", "readings:write");
        let mut stream = TcpStream::connect(world.address()).unwrap();
        let head = format!(
            "POST /api/v1/readings HTTP/1.1\r\nHost: drykeep\r\nAuthorization: Bearer {token}\r\n\
             Content-Type: application/x-ndjson\r\nContent-Length: {}\r\n\r\n",
            file.len()
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(&file.as_bytes()[..file.len() / 2]).unwrap();
        drop(stream);
        assert_eq!(stored(world), []);
        assert_eq!(send(world, &file), (500, 0, vec![]));
    }

    /// Two gateways on one sensor, at once and each out of order.
    fn files_that_overlap_come_to_the_same_readings(world) {
        watched(world);
        let backwards = |text: String| text.lines().rev().fold(String::new(), |all, line| all + line + "\n");
        let files = [file(world, 1..200), backwards(file(world, 100..300)), file(world, 150..160)];
        let counted: Vec<_> = std::thread::scope(|scope| {
            let sending: Vec<_> =
                files.iter().cycle().take(6).map(|file| scope.spawn(|| send(world, file))).collect();
            sending.into_iter().map(|one| one.join().unwrap()).collect()
        });
        assert_eq!(counted.iter().map(|(accepted, _, _)| accepted).sum::<u64>(), 299);
        assert!(counted.iter().all(|(_, _, rejected)| rejected.is_empty()), "{counted:?}");
        let expected: Vec<_> = (1..300).rev().map(|ago| (at(world, ago), 1.0 + minutes_value(ago))).collect();
        assert_eq!(stored(world), expected);
    }

    /// After a week without a network: what is old is stored and judged by the night, but closes no box.
    fn late_readings_are_stored_in_their_place_and_open_no_hold(world) {
        let keeper = watched(world);
        let day = 24 * 60;
        assert_eq!(send(world, &line(at(world, 1), "oxygen_ppm", 1.0)), (1, 0, vec![]));
        assert_eq!(send(world, &line(at(world, 2 * day), "oxygen_ppm", 400.0)), (1, 0, vec![]));
        assert!(keeper.get_all("/holds").is_empty());
        let values: Vec<f64> = stored(world).into_iter().map(|(_, value)| value).collect();
        assert_eq!(values, [400.0, 1.0]);
        // What is a few hours late still does.
        assert_eq!(send(world, &line(at(world, 180), "oxygen_ppm", 400.0)), (1, 0, vec![]));
        assert_eq!(keeper.get_all("/holds?open=true").len(), 1);
        assert_eq!(send(world, &line(at(world, 180), "oxygen_ppm", 400.0)), (0, 1, vec![]));
        assert_eq!(keeper.get_all("/holds").len(), 1);
    }

    /// A sensor has one value an instant: the first one stands until somebody removes it.
    fn another_value_of_the_same_instant_is_not_taken(world) {
        watched(world);
        let first = line(at(world, 5), "oxygen_ppm", 1.0);
        let second = line(at(world, 5), "oxygen_ppm", 2.0);
        assert_eq!(send(world, &first), (1, 0, vec![]));
        let refused = vec![(0, "differs_from_stored".to_owned())];
        assert_eq!(send(world, &second), (0, 0, refused.clone()));
        assert_eq!(send(world, &format!("{first}{second}")), (0, 1, vec![(1, refused[0].1.clone())]));
        assert_eq!(stored(world).len(), 1);
    }
}
