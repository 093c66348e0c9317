//! Two instances of the service on one `PostgreSQL` server, behind a proxy: what
//! holds for one holds for both together, and a server that goes away and comes
//! back is waited for.

use crate::world::{
    Client, Database, OwnServer, Process, Proxy, Raw, Stop, World, in_both_databases, on_both_backends, run,
};
use chrono::TimeDelta;
use diesel::connection::SimpleConnection as _;
use drykeep::clock::Clock;
use drykeep::store::Store;
use drykeep::usecases::App;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::{Barrier, Mutex};
use std::time::{Duration, Instant};

const CALLERS: usize = 12;

fn ids(events: &[Value]) -> Vec<String> {
    events.iter().map(|event| event["id"].as_str().unwrap().to_owned()).collect()
}

/// Everybody wants the same hours through the proxy, everybody in another order,
/// while somebody reads the feed, by turns from either.
#[test]
fn two_instances_give_nothing_away_twice_and_tell_one_story() {
    let Some(one) = World::postgres() else { return };
    let other = one.beside();
    one.furnished();
    let people: Vec<String> = (0..CALLERS).map(|n| format!("caller{n}")).collect();
    for person in &people {
        one.qualified(person);
    }
    let proxy = Proxy::to(vec![one.address(), other.address()]);
    let (granted, stop) = (Mutex::new(Vec::new()), Stop::default());
    let hours = 30_i64;
    let mut followed = Vec::new();
    std::thread::scope(|scope| {
        let stopping = stop.at_the_end();
        let reader = scope.spawn(|| {
            let keeper = Client::keeper_at(proxy.address());
            let (mut told, mut next) = (Vec::new(), None::<String>);
            loop {
                let last = !stop.not_yet();
                let after = next.as_ref().map(|next| format!("&after={next}")).unwrap_or_default();
                let page = keeper.get(&format!("/changes?limit=20{after}")).is(200).json();
                let events = ids(page["items"].as_array().unwrap());
                next = page["next"].as_str().map(str::to_owned);
                let done = events.is_empty();
                told.extend(events);
                if last && done {
                    return told;
                }
            }
        });
        let callers: Vec<_> = people
            .iter()
            .enumerate()
            .map(|(number, person)| {
                let (granted, proxy, one) = (&granted, &proxy, &one);
                scope.spawn(move || {
                    let caller = Client::researcher_at(proxy.address(), person);
                    for step in 0..hours {
                        let hour = (step * 7 + i64::try_from(number).unwrap()) % hours;
                        let start = one.now() + TimeDelta::hours(1 + hour);
                        let form = json!({
                            "glovebox": "LYNX", "station": "S1", "purpose": "", "start": start.to_rfc3339(),
                            "end": (start + TimeDelta::hours(1)).to_rfc3339()
                        });
                        let answer = caller.post("/bookings", &form);
                        match answer.status {
                            201 => granted.lock().unwrap().push(hour),
                            409 => {}
                            other => panic!("{other}: {}", answer.text),
                        }
                    }
                })
            })
            .collect();
        for caller in callers {
            caller.join().unwrap();
        }
        drop(stopping);
        followed = reader.join().unwrap();
    });
    let mut granted = granted.into_inner().unwrap();
    granted.sort_unstable();
    assert_eq!(granted, (0..hours).collect::<Vec<_>>(), "each hour once, to somebody");
    let (here, there) =
        (one.keeper().get_all("/changes?limit=500"), other.keeper().get_all("/changes?limit=500"));
    assert_eq!(here, there);
    assert_eq!(ids(&here), followed, "whoever read along missed nothing and saw it in the order that holds");
    let told = here.iter().filter(|event| event["type"] == "drykeep.booking.created").count();
    assert_eq!(told, granted.len());
}

/// Of several at once one computes the night; the others are told that it is being
/// computed, or given its report.
fn nights_at_once(world: &World, instances: &[Client]) {
    world.furnished();
    let as_of = &json!({ "as_of": world.now().to_rfc3339() });
    let mut statuses: BTreeMap<u16, usize> = BTreeMap::new();
    std::thread::scope(|scope| {
        let runs: Vec<_> = (0..6)
            .map(|n| scope.spawn(move || instances[n % instances.len()].post("/nightly-runs", as_of)))
            .collect();
        for answer in runs.into_iter().map(|run| run.join().unwrap()) {
            if answer.status == 409 {
                answer.is_problem(409, "night-running");
                assert!(answer.header("retry-after").is_some());
            }
            *statuses.entry(answer.status).or_default() += 1;
        }
    });
    assert_eq!(statuses.get(&201), Some(&1), "{statuses:?}");
    assert!(statuses.keys().all(|status| [200, 201, 409].contains(status)), "{statuses:?}");
    instances[0].post("/nightly-runs", as_of).is(200);
    assert_eq!(instances[0].get_all("/nightly-runs").len(), 1);
    let told = instances[0].get_all("/changes?limit=500");
    assert_eq!(told.iter().filter(|event| event["type"] == "drykeep.nightly_run.finished").count(), 1);
}

on_both_backends! {
    fn a_night_is_computed_once(world) {
        nights_at_once(world, &[world.keeper()]);
    }
}

#[test]
fn a_night_is_computed_once_by_two_instances() {
    let Some(one) = World::postgres() else { return };
    let other = one.beside();
    nights_at_once(&one, &[one.keeper(), other.keeper()]);
}

/// The lock is the one that a night takes, held here by hand.
#[test]
fn while_a_night_is_computed_no_other_is_begun() {
    let Some(world) = World::postgres() else { return };
    let mut raw = world.raw();
    let Raw::Postgres(connection) = &mut raw else { panic!("the world is on PostgreSQL") };
    connection.batch_execute("BEGIN; SELECT pg_advisory_xact_lock(4917203588)").unwrap();
    let problem = world.keeper().post("/nightly-runs", &json!({})).is_problem(409, "night-running");
    assert!(problem["detail"].as_str().unwrap().contains("just now"));
    let ended = run(&world.database(), &["nightly"]);
    assert!(ended.with_code(3).contains("just now"));
    connection.batch_execute("COMMIT").unwrap();
    world.keeper().post("/nightly-runs", &json!({})).is(201);
}

in_both_databases! {
    fn instances_that_start_at_once_set_up_one_facility(database) {
        let ready = Barrier::new(4);
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    let app = App::new(Store::open(&database.url()).unwrap(), Clock::System);
                    ready.wait();
                    app.prepare().unwrap();
                    app.store().close();
                });
            }
        });
        let mut raw = database.raw();
        for (table, which) in [("facility", ""), ("events", " WHERE kind = 'facility.created'")] {
            assert_eq!(raw.count(&format!("{table}{which}")), 1, "{table}");
        }
    }

    /// One computes it; the others come too early, or find its report.
    fn commands_at_once_compute_a_night_once(database) {
        let (url, night) = (database.url(), ["nightly", "--as-of", "2026-01-05"]);
        let ended: Vec<_> = std::thread::scope(|scope| {
            let commands: Vec<_> = (0..3).map(|_| scope.spawn(|| run(&url, &night).code())).collect();
            commands.into_iter().map(|command| command.join().unwrap()).collect()
        });
        let first = |(code, said): &&(Option<i32>, String)| *code == Some(0) && !said.contains("computed before");
        assert_eq!(ended.iter().filter(first).count(), 1, "{ended:?}");
        for (code, said) in ended.iter().filter(|one| !first(one)) {
            let told = (*code == Some(0) && said.contains("computed before")) || *code == Some(3);
            assert!(told, "{code:?} {said}");
        }
        assert_eq!(database.raw().count("nightly_runs"), 1);
    }

    fn a_moment_computed_before_says_so(database) {
        let (url, night) = (database.url(), ["nightly", "--as-of", "2026-01-05"]);
        Store::open(&url).unwrap().close();
        assert!(!run(&url, &night).succeeded().contains("computed before"));
        assert!(run(&url, &night).succeeded().contains("computed before"));
    }
}

/// Callers ask again where they are told to, under the same key; through a restart
/// of the database in the midst of it all is done once.
#[test]
fn a_database_that_restarts_is_waited_for() {
    let Some(mut server) = OwnServer::start() else { return };
    let folder = tempfile::tempdir().unwrap();
    Store::open(&server.url()).unwrap().close();
    let instances =
        [Process::serving(&server.url(), folder.path()), Process::serving(&server.url(), folder.path())];
    let proxy = Proxy::to(instances.iter().map(Process::address).collect());
    let (stop, turned_away) = (Stop::default(), Mutex::new(0));
    let mut made = Vec::new();
    std::thread::scope(|scope| {
        let stopping = stop.at_the_end();
        let callers: Vec<_> = (0..CALLERS)
            .map(|caller| {
                let (stop, turned_away, address) = (&stop, &turned_away, proxy.address());
                scope.spawn(move || {
                    let keeper = Client::keeper_at(address);
                    let mut made = Vec::new();
                    for n in (0_u32..).take_while(|_| stop.not_yet()) {
                        let tag = format!("R{caller}-{n}");
                        made.push(room_made_at_last(&keeper, &tag, turned_away));
                    }
                    made
                })
            })
            .collect();
        for killed in [true, false] {
            std::thread::sleep(Duration::from_millis(400));
            if killed {
                server.kill();
            } else {
                server.stop_at_once();
            }
            std::thread::sleep(Duration::from_millis(300));
            server.start_again();
            for instance in &instances {
                ready_within(Duration::from_secs(15), &instance.keeper());
            }
        }
        std::thread::sleep(Duration::from_millis(400));
        drop(stopping);
        for caller in callers {
            made.extend(caller.join().unwrap());
        }
    });
    let mut there: Vec<String> = instances[0]
        .keeper()
        .get_all("/rooms?limit=500")
        .iter()
        .map(|room| room["id"].as_str().unwrap().to_owned())
        .collect();
    there.sort_unstable();
    made.sort_unstable();
    assert_eq!(made, there, "all that was acknowledged, and nothing besides");
    assert!(*turned_away.lock().unwrap() > 0, "nobody met the restart");
    let feeds: Vec<_> = instances.iter().map(|one| one.keeper().get_all("/changes?limit=500")).collect();
    assert_eq!(feeds[0], feeds[1]);
    let told = feeds[0].iter().filter(|event| event["type"] == "drykeep.room.created").count();
    assert_eq!(told, made.len());
}

/// Asks until the room is made; each 503 says when to ask again.
fn room_made_at_last(keeper: &Client, tag: &str, turned_away: &Mutex<usize>) -> String {
    let began = Instant::now();
    loop {
        let room = json!({ "tag": tag, "volume_m3": 50 });
        if let Some(answer) = keeper.try_post_once("/rooms", tag, &room) {
            if answer.status == 201 {
                return answer.id();
            }
            let problem = answer.json();
            assert_eq!(
                (answer.status, &problem["type"]),
                (503, &json!("/problems/unavailable")),
                "{}",
                answer.text
            );
            assert!(answer.header("retry-after").is_some(), "{}", answer.text);
            *turned_away.lock().unwrap() += 1;
        }
        assert!(began.elapsed() < Duration::from_secs(30), "{tag} cannot be made");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn ready_within(longest: Duration, client: &Client) {
    let began = Instant::now();
    while client.try_get("/health/ready").is_none_or(|answer| answer.status != 200) {
        assert!(began.elapsed() < longest, "an instance does not recover");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// One that was asked to stop says so for a while, and answers what still comes.
#[test]
fn an_instance_that_is_to_stop_says_so_before_it_does() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let mut process =
        Process::serving_with(&database.url(), folder.path(), &[("DRYKEEP_DRAIN_SECONDS", "2")]);
    let keeper = process.keeper();
    keeper.send("GET", "/health/ready", &[], None).is(200);
    process.ask_to_stop();
    let began = Instant::now();
    let mut answer = keeper.send("GET", "/health/ready", &[], None);
    while answer.status == 200 {
        assert!(began.elapsed() < Duration::from_secs(1), "it does not say so");
        answer = keeper.send("GET", "/health/ready", &[], None);
    }
    answer.is_problem(503, "unavailable");
    assert!(answer.header("retry-after").is_some());
    keeper.post("/rooms", &json!({ "tag": "LATE", "volume_m3": 50 })).is(201);
    assert!(process.ends().success());
    assert!(began.elapsed() >= Duration::from_millis(1900), "{:?}", began.elapsed());
}
