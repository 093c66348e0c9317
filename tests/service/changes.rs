//! `/changes`: complete and in order, however many write at once.

use crate::world::{Client, Raw, World, on_both_backends};
use diesel::QueryableByName;
use diesel::sql_types::BigInt;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

/// A number that a query comes to.
#[derive(QueryableByName)]
struct Count {
    #[diesel(sql_type = BigInt)]
    count: i64,
}

/// Appends an event as a transaction of the service does, marked with a number.
fn append(raw: &mut Raw, mark: usize) {
    let statement = format!(
        "INSERT INTO events (at, kind, subject_id, actor, body) VALUES \
         ('2030-01-07 08:00:00', 'room.changed', '018f0000-0000-7000-8000-000000000000', 'writer', '{{\"mark\":{mark}}}')"
    );
    raw.run(&statement).unwrap();
}

fn begin(raw: &mut Raw) {
    let how = if matches!(raw, Raw::Sqlite(_)) { "BEGIN IMMEDIATE" } else { "BEGIN" };
    raw.run(how).unwrap();
}

/// Somebody who follows the feed.
struct Follower {
    client: Client,
    next: Option<String>,
    marks: Vec<u64>,
    ids: Vec<String>,
}

impl Follower {
    fn new(world: &World) -> Self {
        let client = world.caller("portal", "facility:read");
        Self { client, next: None, marks: Vec::new(), ids: Vec::new() }
    }

    /// Asks once; returns how many changes came.
    fn ask(&mut self, limit: usize) -> usize {
        let after = self.next.as_ref().map_or_else(String::new, |next| format!("&after={next}"));
        let answer = self.client.get(&format!("/changes?limit={limit}{after}")).is(200).json();
        let items = answer["items"].as_array().unwrap();
        assert!(items.len() <= limit);
        self.next = Some(answer["next"].as_str().unwrap().to_owned());
        for item in items {
            self.ids.push(item["id"].as_str().unwrap().to_owned());
            self.marks.extend(item["data"]["mark"].as_u64());
        }
        items.len()
    }

    fn ask_until_nothing_comes(&mut self, limit: usize) {
        while self.ask(limit) > 0 {}
    }
}

/// How long a writer waits between appending and committing: from nothing to
/// 30 ms, differently for each.
fn pause(mark: usize) {
    std::thread::sleep(Duration::from_millis((mark as u64).wrapping_mul(2_654_435_761) % 31));
}

/// Every seventh transaction is undone.
fn is_undone(mark: usize) -> bool {
    mark % 7 == 3
}

on_both_backends! {
    /// The property that a copy of the facility rests on: two followers that ask all the
    /// while, and one that begins at the end, see all that was committed, nothing else,
    /// nothing twice, and in one and the same order.
    fn those_who_follow_miss_nothing_while_many_write(world) {
        let (writers, each) = if matches!(world.raw(), Raw::Sqlite(_)) { (4, 12) } else { (16, 25) };
        let running = AtomicUsize::new(writers);
        let mut followers = [Follower::new(world), Follower::new(world)];
        std::thread::scope(|scope| {
            for writer in 0..writers {
                let running = &running;
                scope.spawn(move || {
                    let mut raw = world.raw();
                    for mark in (writer * each)..((writer + 1) * each) {
                        begin(&mut raw);
                        append(&mut raw, mark);
                        pause(mark);
                        raw.run(if is_undone(mark) { "ROLLBACK" } else { "COMMIT" }).unwrap();
                    }
                    running.fetch_sub(1, Ordering::SeqCst);
                });
            }
            for (follower, limit) in followers.iter_mut().zip([7, 100]) {
                let running = &running;
                scope.spawn(move || {
                    while running.load(Ordering::SeqCst) > 0 {
                        follower.ask(limit);
                    }
                    follower.ask_until_nothing_comes(limit);
                });
            }
        });
        let mut late = Follower::new(world);
        late.ask_until_nothing_comes(500);
        let committed: BTreeSet<u64> =
            (0..writers * each).filter(|mark| !is_undone(*mark)).map(|mark| mark as u64).collect();
        for follower in &followers {
            assert_eq!(follower.marks.len(), committed.len(), "some were told twice or not at all");
            assert_eq!(follower.marks.iter().copied().collect::<BTreeSet<_>>(), committed);
            assert_eq!(follower.ids, late.ids, "the order is the same for everybody");
        }
        // On PostgreSQL the numbers drawn before the commit are out of order, or this test proves
        // nothing: whoever had followed those would have missed some.
        let mut raw = world.raw();
        let overtaken = "SELECT count(*) AS count FROM event_positions a \
             JOIN event_positions b ON a.position < b.position AND a.seq > b.seq";
        let overtaken = raw.rows::<Count>(overtaken, overtaken)[0].count;
        assert_eq!(overtaken > 0, matches!(raw, Raw::Postgres(_)), "{overtaken}");
    }

    fn what_was_just_done_is_there_to_be_read(world) {
        let keeper = world.keeper();
        let mut follower = Follower::new(world);
        follower.ask_until_nothing_comes(500);
        let room = keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 60.0 })).is(201);
        let after = follower.next.clone().unwrap();
        let changes = keeper.get(&format!("/changes?after={after}")).is(200).json();
        let facility = keeper.get("/facility").is(200).json();
        assert_eq!(changes["items"].as_array().unwrap().len(), 1);
        let told = &changes["items"][0];
        // CloudEvents 1.0, the attributes and their values.
        assert_eq!(told["specversion"], "1.0");
        assert_eq!(told["type"], "drykeep.room.created");
        assert_eq!(told["subject"], room.id());
        assert_eq!(told["time"], "2030-01-07T08:00:00Z");
        assert_eq!(told["datacontenttype"], "application/json");
        assert_eq!(told["data"], json!({ "version": 1, "tag": "LAB-1" }));
        if let Some(id) = facility["id"].as_str() {
            assert_eq!(told["source"], format!("urn:uuid:{id}"));
        }
        // Nothing more happened; where to go on is said all the same.
        let next = changes["next"].as_str().unwrap();
        let nothing = keeper.get(&format!("/changes?after={next}")).is(200);
        assert_eq!(nothing.json(), json!({ "items": [], "next": next }));
        assert_eq!(nothing.next_page(), None);
    }

    fn a_change_that_failed_is_not_told(world) {
        let keeper = world.keeper();
        let mut follower = Follower::new(world);
        follower.ask_until_nothing_comes(500);
        keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 60.0 })).is(201);
        keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 60.0 })).is(409);
        keeper.post("/rooms", &json!({ "tag": "LAB-2", "volume_m3": -1.0 })).is(422);
        assert_eq!(follower.ask(500), 1);
    }

    fn a_page_links_to_the_next_while_more_follows(world) {
        world.furnished();
        let keeper = world.keeper();
        let all = keeper.get("/changes").is(200).json();
        let first = keeper.get("/changes?limit=2").is(200);
        assert_eq!(first.json()["items"].as_array().unwrap()[..], all["items"].as_array().unwrap()[..2]);
        let linked = keeper.get(&first.next_page().unwrap()).is(200).json();
        assert_eq!(linked["items"].as_array().unwrap()[..], all["items"].as_array().unwrap()[2..4]);
        assert!(keeper.get_all("/changes?limit=2") == *all["items"].as_array().unwrap());
    }

    fn only_a_cursor_of_this_feed_is_taken(world) {
        let keeper = world.keeper();
        for bad in ["x", "1", "-1", "99999-0123abcd", "1-00000000", "1-", "0-0"] {
            let problem = keeper.get(&format!("/changes?after={bad}")).is_problem(422, "invalid-input");
            assert_eq!(problem["violations"][0]["code"], "bad_cursor", "{bad}");
            assert_eq!(problem["violations"][0]["field"], "after");
        }
        for bad in ["0", "501", "x", "-1"] {
            keeper.get(&format!("/changes?limit={bad}")).is_problem(422, "invalid-input");
        }
    }

    /// As far as GET /bookings would show it, so that the feed is no way around.
    fn whose_a_booking_is_is_told_only_to_those_who_may_know(world) {
        world.furnished();
        let (ada, ben) = (world.qualified("ada"), world.qualified("ben"));
        let booking = json!({
            "glovebox": "LYNX", "station": "S1", "purpose": "something of my own",
            "start": "2030-01-08T09:00:00Z", "end": "2030-01-08T11:00:00Z"
        });
        ada.post("/bookings", &booking).is(201);
        let told = |client: &Client| -> Value {
            let items = client.get("/changes?limit=500").is(200).json();
            let items = items["items"].as_array().unwrap();
            items.iter().find(|item| item["type"] == "drykeep.booking.created").unwrap().clone()
        };
        let own = told(&ada);
        assert!(own["data"]["person"].is_string());
        assert_eq!(told(&world.keeper())["data"], own["data"]);
        let others = told(&ben);
        assert!(others["data"].get("person").is_none());
        assert_eq!(others["data"]["start"], own["data"]["start"]);
        assert_eq!(others["id"], own["id"]);
        for told in [&own, &others] {
            let text = told.to_string();
            assert!(!text.contains("something of my own") && !text.contains("\"ada\""), "{text}");
        }
    }
}

/// Positions become visible in their order because they are given one after the other:
/// whoever asks while somebody is at it waits until that is committed.
#[test]
fn those_who_give_positions_take_turns() {
    let Some(world) = World::postgres() else { return };
    let mut at_it = world.raw();
    let mut follower = Follower::new(&world);
    follower.ask_until_nothing_comes(100);
    begin(&mut at_it);
    at_it.run("SELECT pg_advisory_xact_lock(4917203587)").unwrap();
    append(&mut world.raw(), 1);
    let asked = std::thread::scope(|scope| {
        let asking = scope.spawn(|| follower.ask(100));
        std::thread::sleep(Duration::from_millis(500));
        assert!(!asking.is_finished(), "a position was given without waiting");
        at_it.run("COMMIT").unwrap();
        asking.join().unwrap()
    });
    assert_eq!((asked, follower.marks), (1, vec![1]));
}

/// The case in which a feed by number alone loses a change: the lower number is
/// committed after the higher one has been read.
#[test]
fn a_change_committed_late_is_told_late_and_not_lost() {
    let Some(world) = World::postgres() else { return };
    let (mut slow, mut quick) = (world.raw(), world.raw());
    let mut follower = Follower::new(&world);
    follower.ask_until_nothing_comes(100);
    begin(&mut slow);
    append(&mut slow, 1);
    append(&mut quick, 2);
    follower.ask_until_nothing_comes(100);
    assert_eq!(follower.marks, [2]);
    slow.run("COMMIT").unwrap();
    follower.ask_until_nothing_comes(100);
    assert_eq!(follower.marks, [2, 1]);
}
