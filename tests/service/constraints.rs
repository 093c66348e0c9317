//! What the database refuses on its own, whatever the code above it does, and
//! whether the refusal is recognised on either backend.

use crate::world::{Database, Raw, in_both_databases};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::QueryableByName;
use diesel::result::Error;
use diesel::sql_types::{Bool, Text};
use drykeep::domain::calendar::interval::Interval;
use drykeep::store::{Constraint, StoreError};
use proptest::strategy::{Strategy as _, ValueTree as _};
use proptest::test_runner::{Config, RngSeed, TestRunner};

/// As many minutes after the worlds' Monday morning.
fn minute(minutes: i64) -> DateTime<Utc> {
    crate::world::monday_morning() + TimeDelta::minutes(minutes)
}

fn text(at: DateTime<Utc>) -> String {
    at.naive_utc().to_string()
}

fn thing(raw: &mut Raw, id: &str) {
    raw.run(&format!("INSERT INTO things (id, kind) VALUES ('{id}', 'station')")).unwrap();
}

fn claim(raw: &mut Raw, id: &str, resource: &str, from: i64, to: i64) -> Result<usize, Error> {
    raw.run(&format!(
        "INSERT INTO claims (id, resource_id, starts_at, ends_at, why) VALUES ('{id}', '{resource}', '{}', '{}', 'work')",
        text(minute(from)),
        text(minute(to)),
    ))
}

#[track_caller]
fn is(result: Result<usize, Error>, expected: &Constraint) {
    let error = StoreError::from(result.unwrap_err());
    assert!(error.is(expected), "{error:?}");
}

/// The claims that are stored, in order.
fn stored(raw: &mut Raw) -> Vec<String> {
    #[derive(QueryableByName)]
    struct Row {
        #[diesel(sql_type = Text)]
        id: String,
    }
    let query = "SELECT id FROM claims ORDER BY id";
    raw.rows::<Row>(query, query).into_iter().map(|row| row.id).collect()
}

in_both_databases! {
    fn a_claim_that_overlaps_is_refused(database) {
        let mut raw = database.raw();
        thing(&mut raw, "one");
        claim(&mut raw, "a", "one", 60, 120).unwrap();
        let overlapping =
            [(60, 120), (0, 61), (119, 180), (70, 110), (0, 180), (60, 61), (119, 120), (0, 120), (60, 180)];
        for (from, to) in overlapping {
            is(claim(&mut raw, "b", "one", from, to), &Constraint::ClaimsNeverOverlap);
        }
        assert_eq!(stored(&mut raw), ["a"]);
    }

    fn a_claim_that_touches_or_is_elsewhere_is_taken(database) {
        let mut raw = database.raw();
        thing(&mut raw, "one");
        thing(&mut raw, "two");
        claim(&mut raw, "a", "one", 60, 120).unwrap();
        claim(&mut raw, "b", "one", 0, 60).unwrap();
        claim(&mut raw, "c", "one", 120, 180).unwrap();
        claim(&mut raw, "d", "two", 0, 180).unwrap();
        assert_eq!(stored(&mut raw), ["a", "b", "c", "d"]);
        is(claim(&mut raw, "e", "one", 0, 180), &Constraint::ClaimsNeverOverlap);
    }

    /// A trigger that watched insertions only would let this through.
    fn a_claim_cannot_be_moved_onto_another(database) {
        let mut raw = database.raw();
        thing(&mut raw, "one");
        thing(&mut raw, "two");
        claim(&mut raw, "a", "one", 60, 120).unwrap();
        claim(&mut raw, "b", "one", 120, 180).unwrap();
        claim(&mut raw, "c", "two", 60, 120).unwrap();
        let late = text(minute(119));
        let moves = [
            format!("UPDATE claims SET starts_at = '{late}' WHERE id = 'b'"),
            format!("UPDATE claims SET ends_at = '{}' WHERE id = 'a'", text(minute(121))),
            "UPDATE claims SET resource_id = 'one' WHERE id = 'c'".to_owned(),
        ];
        for statement in &moves {
            is(raw.run(statement), &Constraint::ClaimsNeverOverlap);
        }
        // Itself is no other: it may shrink, grow into free time, or stay.
        for (from, to) in [(70, 110), (0, 120), (60, 120)] {
            let (from, to) = (text(minute(from)), text(minute(to)));
            let changed = raw.run(&format!(
                "UPDATE claims SET starts_at = '{from}', ends_at = '{to}' WHERE id = 'a'"
            ));
            assert_eq!(changed.unwrap(), 1);
        }
    }

    fn a_claim_has_a_length_and_a_resource(database) {
        let mut raw = database.raw();
        thing(&mut raw, "one");
        claim(&mut raw, "a", "one", 60, 60).unwrap_err();
        claim(&mut raw, "a", "one", 60, 59).unwrap_err();
        is(claim(&mut raw, "a", "nowhere", 0, 60), &Constraint::Reference);
        claim(&mut raw, "a", "one", 0, 60).unwrap();
        is(raw.run("DELETE FROM things WHERE id = 'one'"), &Constraint::Reference);
    }

    /// Many claims at random, against a table of minutes.
    fn the_same_claims_are_taken_as_by_a_table_of_minutes(database) {
        let mut raw = database.raw();
        let mut runner = runner();
        let strategy = (0..3_usize, 0..600_i64, 1..45_i64);
        let mut taken = vec![[false; 700]; 3];
        for resource in ["0", "1", "2"] {
            thing(&mut raw, resource);
        }
        let (mut kept, mut refused) = (0, 0);
        for n in 0..400 {
            let (resource, from, length) = strategy.new_tree(&mut runner).unwrap().current();
            let minutes = usize::try_from(from).unwrap()..usize::try_from(from + length).unwrap();
            let free = !taken[resource][minutes.clone()].contains(&true);
            let answer = claim(&mut raw, &n.to_string(), &resource.to_string(), from, from + length);
            assert_eq!(answer.is_ok(), free, "{resource} {from} {length}");
            if free {
                taken[resource][minutes].fill(true);
                kept += 1;
            } else {
                is(answer, &Constraint::ClaimsNeverOverlap);
                refused += 1;
            }
        }
        assert!(kept > 30 && refused > 100, "{kept} kept and {refused} refused prove little");
    }

    fn what_is_there_once_is_told_apart(database) {
        let mut raw = database.raw();
        let insert_thing = |id: &str, parent: &str, tag: &str| {
            format!("INSERT INTO things (id, kind, parent_id, tag) VALUES ('{id}', 'station', {parent}, '{tag}')")
        };
        raw.run(&insert_thing("a", "NULL", "T")).unwrap();
        raw.run(&insert_thing("b", "'a'", "T")).unwrap();
        is(raw.run(&insert_thing("c", "NULL", "T")), &Constraint::TagTaken);
        is(raw.run(&insert_thing("c", "'a'", "T")), &Constraint::TagTaken);
        let person = |id: &str| {
            format!(
                "INSERT INTO people (id, name, subject, groups, active, version, created_at, updated_at) \
                 VALUES ('{id}', 'n', 's', '[]', TRUE, 1, '2030-01-07 08:00:00', '2030-01-07 08:00:00')"
            )
        };
        raw.run(&person("a")).unwrap();
        is(raw.run(&person("b")), &Constraint::SubjectTaken);
        let key = "INSERT INTO idempotency_keys (actor, idempotency_key, request_hash, status, body, created_at) \
             VALUES ('a', 'k', 'h', 201, '', '2030-01-07 08:00:00')";
        raw.run(key).unwrap();
        is(raw.run(key), &Constraint::IdempotencyKeyUsed);
        let night = |id: &str| {
            format!(
                "INSERT INTO nightly_runs (id, as_of, started_at, finished_at, safety_overdue, report) \
                 VALUES ('{id}', '2030-01-07 00:00:00', '2030-01-07 00:00:00', '2030-01-07 00:00:00', FALSE, '')"
            )
        };
        raw.run(&night("a")).unwrap();
        is(raw.run(&night("b")), &Constraint::NightlyRunExists);
    }
}

/// Numbers that are the same in each run.
fn runner() -> TestRunner {
    TestRunner::new(Config { rng_seed: RngSeed::Fixed(20_300_107), ..Config::default() })
}

/// `PostgreSQL`'s range operators are the reference for half-open intervals.
#[test]
fn intervals_overlap_as_ranges_do() {
    #[derive(QueryableByName)]
    struct Row {
        #[diesel(sql_type = Bool)]
        overlap: bool,
        #[diesel(sql_type = Bool)]
        covers: bool,
        #[diesel(sql_type = Bool)]
        contains: bool,
    }
    let Some(database) = Database::postgres() else { return };
    let mut runner = runner();
    // Steps of a microsecond, few enough that ends often meet.
    let strategy = (0..20_i64, 1..10_i64, 0..20_i64, 1..10_i64);
    let at = |micros: i64| minute(0) + TimeDelta::microseconds(micros);
    let pairs: Vec<(Interval, Interval)> = (0..3000)
        .map(|_| {
            let (a, long, b, short) = strategy.new_tree(&mut runner).unwrap().current();
            (Interval::new(at(a), at(a + long)).unwrap(), Interval::new(at(b), at(b + short)).unwrap())
        })
        .collect();
    let values: Vec<String> = pairs
        .iter()
        .enumerate()
        .map(|(n, (a, b))| {
            let range = |i: &Interval| format!("tsrange('{}', '{}', '[)')", text(i.start()), text(i.end()));
            format!("({n}, {}, {}, '{}'::timestamp)", range(a), range(b), text(b.start()))
        })
        .collect();
    let query = format!(
        "SELECT a && b AS overlap, a @> b AS covers, a @> t AS contains \
         FROM (VALUES {}) AS v (n, a, b, t) ORDER BY n",
        values.join(", ")
    );
    let rows = database.raw().rows::<Row>("", &query);
    assert_eq!(rows.len(), pairs.len());
    for ((a, b), row) in pairs.iter().zip(&rows) {
        assert_eq!(a.overlaps(b), row.overlap, "{a:?} {b:?}");
        assert_eq!(b.overlaps(a), row.overlap, "{a:?} {b:?}");
        assert_eq!(a.covers(b), row.covers, "{a:?} {b:?}");
        assert_eq!(a.contains(b.start()), row.contains, "{a:?} {b:?}");
    }
    let overlapping = rows.iter().filter(|row| row.overlap).count();
    assert!((500..2500).contains(&overlapping), "{overlapping} of 3000 prove little");
}

#[test]
fn two_that_wait_for_each_other_are_told_to_try_again() {
    let Some(database) = Database::postgres() else { return };
    let (mut one, mut two) = (database.raw(), database.raw());
    thing(&mut one, "a");
    thing(&mut one, "b");
    let touch = |id: &str| format!("UPDATE things SET kind = 'room' WHERE id = '{id}'");
    one.run("BEGIN").unwrap();
    two.run("BEGIN").unwrap();
    one.run(&touch("a")).unwrap();
    two.run(&touch("b")).unwrap();
    let results = std::thread::scope(|scope| {
        let first = scope.spawn(|| {
            let result = one.run(&touch("b"));
            drop(one.run("ROLLBACK"));
            result
        });
        let second = two.run(&touch("a"));
        drop(two.run("ROLLBACK"));
        [first.join().unwrap(), second]
    });
    let errors: Vec<StoreError> = results.into_iter().filter_map(Result::err).map(StoreError::from).collect();
    assert_eq!(errors.len(), 1, "{errors:?}");
    assert!(matches!(errors[0], StoreError::Contention), "{errors:?}");
}

#[test]
fn a_serialization_failure_is_to_be_tried_again() {
    let Some(database) = Database::postgres() else { return };
    let (mut one, mut two) = (database.raw(), database.raw());
    thing(&mut one, "a");
    one.run("BEGIN ISOLATION LEVEL REPEATABLE READ").unwrap();
    one.run("SELECT * FROM things").unwrap();
    two.run("UPDATE things SET kind = 'room' WHERE id = 'a'").unwrap();
    let lost = one.run("UPDATE things SET kind = 'person' WHERE id = 'a'").unwrap_err();
    assert!(matches!(StoreError::from(lost), StoreError::Contention));
}

#[test]
fn a_locked_or_lost_database_is_not_available() {
    let file = Database::sqlite();
    let (mut one, mut two) = (file.raw(), file.raw());
    one.run("BEGIN IMMEDIATE").unwrap();
    two.run("PRAGMA busy_timeout = 0").unwrap();
    let locked = two.run("INSERT INTO things (id, kind) VALUES ('a', 'room')").unwrap_err();
    assert!(matches!(StoreError::from(locked), StoreError::Unavailable(_)));
    let Some(database) = Database::postgres() else { return };
    let (mut one, mut two) = (database.raw(), database.raw());
    two.run("SET application_name = 'victim'").unwrap();
    one.run(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'victim' \
             AND datname = current_database()",
    )
    .unwrap();
    // The connection learns of its end a moment later.
    let lost = (0..50).find_map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        two.run("SELECT 1").err()
    });
    let error = StoreError::from(lost.unwrap());
    assert!(matches!(error, StoreError::Unavailable(_)), "{error:?}");
}
