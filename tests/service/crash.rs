//! What was answered is kept when the process is killed at any moment.

use crate::world::{Client, Database, Process, SECRET};
use proptest::strategy::{Strategy as _, ValueTree as _};
use proptest::test_runner::{Config, RngSeed, TestRunner};
use serde_json::json;
use std::collections::BTreeSet;
use std::time::Duration;

const ROUNDS: usize = 5;
const WRITERS: usize = 8;

/// Creates rooms until nobody answers; returns the tags that were acknowledged.
fn write_until_cut_off(client: &Client, prefix: &str) -> Vec<String> {
    let mut acknowledged = Vec::new();
    for n in 0.. {
        let tag = format!("{prefix}-{n}");
        match client.try_post("/rooms", &json!({ "tag": tag, "volume_m3": 50 })) {
            Some(answer) => {
                answer.is(201);
                acknowledged.push(tag);
            }
            None => break,
        }
    }
    acknowledged
}

#[test]
fn what_was_acknowledged_survives_a_kill() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("tokens.secret");
    std::fs::write(&secret, SECRET).unwrap();
    let mut runner = TestRunner::new(Config { rng_seed: RngSeed::Fixed(20_300_108), ..Config::default() });
    let mut acknowledged = BTreeSet::new();
    for round in 0..ROUNDS {
        let mut process = Process::start(&database.url(), &secret);
        let keeper = process.keeper();
        let kept: BTreeSet<String> = keeper
            .get_all("/rooms?limit=500")
            .iter()
            .map(|room| room["tag"].as_str().unwrap().to_owned())
            .collect();
        let lost: Vec<_> = acknowledged.difference(&kept).collect();
        assert!(lost.is_empty(), "acknowledged before round {round}, gone after it: {lost:?}");
        let moment = (50..600_u64).new_tree(&mut runner).unwrap().current();
        let written: Vec<String> = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..WRITERS)
                .map(|writer| {
                    let (keeper, prefix) = (keeper.clone(), format!("R{round}-{writer}"));
                    scope.spawn(move || write_until_cut_off(&keeper, &prefix))
                })
                .collect();
            std::thread::sleep(Duration::from_millis(moment));
            process.kill();
            writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect()
        });
        acknowledged.extend(written);
        assert_eq!(database.integrity(), ["ok"], "after round {round}");
    }
    let process = Process::start(&database.url(), &secret);
    let kept = process.keeper().get_all("/rooms?limit=500");
    assert!(acknowledged.iter().all(|tag| kept.iter().any(|room| room["tag"] == tag.as_str())));
    assert!(acknowledged.len() > ROUNDS * WRITERS, "{} rooms prove little", acknowledged.len());
}

/// A stop that was asked for is no kill: the process ends by itself and well.
#[test]
fn a_stop_that_was_asked_for_ends_well() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("tokens.secret");
    std::fs::write(&secret, SECRET).unwrap();
    let mut process = Process::start(&database.url(), &secret);
    process.keeper().post("/rooms", &json!({ "tag": "A", "volume_m3": 50 })).is(201);
    let ended = process.stop();
    assert!(ended.success(), "{ended}");
    assert_eq!(database.integrity(), ["ok"]);
}
