//! Work that takes a while, as the pages tell of it: a night, a search, an import; here,
//! in another process, and cut off.

use crate::pages::{Browser, KEEPER, stamp};
use crate::pages_booking::found;
use crate::plans::{kept, refused};
use crate::world::{Answer, Database, Raw, World, on_both_backends, token};
use drykeep::store::DatabaseUrl;
use serde_json::json;
use std::time::Duration;
use uuid::Uuid;

const GOES_ON: &str = "What is due is being worked out";
const LOOKS_AGAIN: &str = "<noscript><meta http-equiv=\"refresh\"";

fn keeper(world: &World) -> Browser {
    Browser::holding(world, &token("keeper", KEEPER))
}

fn researcher(world: &World) -> Browser {
    Browser::holding(world, &token("ada", "facility:read bookings:write"))
}

fn send(browser: &Browser, to: &str, fields: &str) -> Answer {
    let body = format!("stamp={}&{fields}", stamp(&browser.get("/")));
    browser.post(to, &[("sec-fetch-site", "same-origin")], &body)
}

/// Looks at a page until it is as it should be.
fn until(browser: &Browser, path: &str, holds: impl Fn(&Answer) -> bool) -> Answer {
    for _ in 0..300 {
        let page = browser.get(path);
        if holds(&page) {
            return page;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("{path} stays as it is: {}", browser.get(path).text)
}

/// Keeps every night from being written, until it is given up.
fn in_the_way(world: &World) -> Raw {
    let mut raw = world.raw();
    match world.database() {
        DatabaseUrl::Sqlite(_) => raw.run("BEGIN IMMEDIATE").unwrap(),
        DatabaseUrl::Postgres(_) => {
            raw.run("BEGIN").unwrap();
            raw.run("LOCK TABLE nightly_runs IN SHARE MODE").unwrap()
        }
    };
    raw
}

on_both_backends! {
    fn a_night_is_begun_by_a_button_and_told_of_while_it_goes_on(world) {
        world.furnished();
        let (keeper, ada) = (keeper(world), researcher(world));
        let page = keeper.get("/");
        assert!(page.text.contains("action=\"/night\"") && !page.text.contains(GOES_ON) && !page.text.contains(LOOKS_AGAIN), "{}", page.text);
        assert!(!ada.get("/").text.contains("action=\"/night\""));
        assert_eq!(send(&ada, "/night", "").status, 403);
        assert_eq!(keeper.post("/night", &[], "stamp=").status, 403);
        let mut lock = in_the_way(world);
        let begun = send(&keeper, "/night", "");
        assert_eq!((begun.status, begun.header("location")), (303, Some("/")));
        for browser in [&keeper, &ada] {
            let page = browser.get("/");
            assert!(page.text.contains(GOES_ON) && page.text.contains(LOOKS_AGAIN) && page.text.contains("data-refresh=\"5\""), "{}", page.text);
            assert!(!page.text.contains("action=\"/night\"") && !page.text.contains("another process"), "{}", page.text);
        }
        // A second one is not begun beside it.
        assert_eq!(send(&keeper, "/night", "").status, 303);
        assert_eq!(keeper.get("/").text.matches(GOES_ON).count(), 1);
        lock.run("ROLLBACK").unwrap();
        let page = until(&keeper, "/", |page| !page.text.contains(GOES_ON));
        assert!(page.text.contains("Computed just now") && !page.text.contains(LOOKS_AGAIN), "{}", page.text);
        assert!(page.text.contains("action=\"/night\"") && !page.text.contains("was not finished"), "{}", page.text);
        assert_eq!(world.keeper().get_all("/nightly-runs").len(), 1);
    }

    fn a_search_that_is_impossible_says_what_is_in_the_way(world) {
        refused(world);
        let keeper = keeper(world);
        let begun = send(&keeper, "/plan", "weeks=2&box=LYNX");
        let path = begun.header("location").unwrap_or_else(|| panic!("{}", begun.text)).to_owned();
        let page = until(&keeper, &path, |page| page.status != 200);
        assert_eq!(page.status, 422, "{}", page.text);
        assert!(page.text.contains("There is no plan that does what must be done"), "{}", page.text);
        assert!(page.text.contains("This is proved, not only not found."), "{}", page.text);
        assert!(!page.text.contains(LOOKS_AGAIN), "{}", page.text);
        // What was asked stands in the form again.
        assert!(page.text.contains("value=\"2\" selected") && page.text.contains("value=\"LYNX\" selected"), "{}", page.text);
        assert_eq!(world.keeper().get_all("/maintenance-plans").len(), 0);
    }

    fn a_search_leads_to_its_plan_from_any_instance(world) {
        kept(world);
        let keeper = keeper(world);
        let begun = send(&keeper, "/plan", "weeks=2");
        let asked = begun.header("location").unwrap().to_owned();
        let plan = found(&keeper, &begun);
        assert_eq!(asked.split('?').next().unwrap().trim_start_matches("/plan/search/"), plan.trim_start_matches("/plan/"));
        let other = world.beside();
        let seen = Browser::holding(&other, &token("keeper", KEEPER)).get(&asked);
        assert_eq!((seen.status, seen.header("location")), (303, Some(plan.as_str())));
        assert_eq!(researcher(world).get(&asked).status, 403);
    }

    fn a_search_that_nobody_knows_of_is_not_waited_for(world) {
        let keeper = keeper(world);
        let at = world.now();
        let time = uuid::Timestamp::from_unix(uuid::NoContext, at.timestamp().try_into().unwrap(), 0);
        let path = format!("/plan/search/{}?weeks=8", Uuid::new_v7(time));
        let page = keeper.get(&path);
        assert!(page.status == 200 && page.text.contains("is not known to the part") && page.text.contains(LOOKS_AGAIN), "{}", page.text);
        world.it_is_now(at + chrono::TimeDelta::seconds(91));
        for path in [path, format!("/plan/search/{}", Uuid::nil())] {
            let page = keeper.get(&path);
            assert!(page.status == 404 && page.text.contains("not known any more") && !page.text.contains(LOOKS_AGAIN), "{}", page.text);
        }
        assert_eq!(keeper.get("/plan/search/soon").status, 404);
    }
}

#[test]
fn a_night_of_another_process_is_seen_where_the_database_shows_it() {
    let Some(world) = World::postgres() else { return };
    world.furnished();
    let keeper = keeper(&world);
    let mut other = world.raw();
    // The lock that a night of any process holds (`store/nightly_runs.rs`).
    other.run("BEGIN").unwrap();
    other.run("SELECT pg_advisory_xact_lock(4917203588)").unwrap();
    let page = keeper.get("/").text;
    assert!(page.contains("by another process") && page.contains(LOOKS_AGAIN), "{page}");
    // Begun from here all the same, it is refused, and the page says why.
    send(&keeper, "/night", "");
    other.run("ROLLBACK").unwrap();
    let page = until(&keeper, "/", |page| !page.text.contains(GOES_ON)).text;
    let refused = page.contains("was not finished: the night is being computed just now");
    assert!(refused || page.contains("Computed just now"), "{page}");
}

#[test]
fn a_lock_of_another_kind_is_no_night() {
    let Some(database) = Database::postgres() else { return };
    let world = World::over(database);
    world.furnished();
    let mut other = world.raw();
    other.run("BEGIN").unwrap();
    other.run("SELECT pg_advisory_xact_lock(4917203589), pg_advisory_xact_lock(1, 622236292)").unwrap();
    assert!(!keeper(&world).get("/").text.contains(GOES_ON));
}

#[test]
fn an_import_is_told_of_while_it_goes_on() {
    let world = World::sqlite();
    world.furnished();
    let (browser, api) = (keeper(&world), world.keeper());
    let at = |second: i64| (world.now() - chrono::TimeDelta::seconds(second)).to_rfc3339();
    let row =
        |second: i64| json!({ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at(second), "value": 1.5 });
    let many = json!({ "readings": (1..=3000).map(row).collect::<Vec<_>>() });
    let mut lock = in_the_way(&world);
    std::thread::scope(|scope| {
        let sent = scope.spawn(|| api.post("/readings", &many));
        let page = until(&browser, "/", |page| page.text.contains("being taken in"));
        assert!(page.text.contains(LOOKS_AGAIN), "{}", page.text);
        // Few readings are not worth a word, nor is it for those who may not read.
        lock.run("ROLLBACK").unwrap();
        assert_eq!(sent.join().unwrap().is(200).json()["accepted"], 3000);
    });
    assert!(!browser.get("/").text.contains("being taken in"));
}

#[test]
fn a_search_is_told_of_to_planners_only_and_one_goes_on_at_a_time() {
    let world = World::sqlite();
    let api = kept(&world);
    let (keeper, ada) = (keeper(&world), researcher(&world));
    // What is found cannot be kept until this is given up.
    let mut lock = in_the_way(&world);
    let begun = send(&keeper, "/plan", "weeks=2");
    let path = begun.header("location").unwrap_or_else(|| panic!("{}", begun.text)).to_owned();
    let page = keeper.get(&path);
    assert!(page.status == 200 && page.text.contains("of at most 8 seconds"), "{}", page.text);
    assert!(page.text.contains(LOOKS_AGAIN) && page.text.contains("<progress max=\"8\""), "{}", page.text);
    let page = keeper.get("/");
    assert!(
        page.text.contains("A plan is being searched for") && page.text.contains(LOOKS_AGAIN),
        "{}",
        page.text
    );
    let page = ada.get("/");
    assert!(!page.text.contains("being searched") && !page.text.contains(LOOKS_AGAIN), "{}", page.text);
    let second = send(&keeper, "/plan", "weeks=1&box=LYNX");
    assert!(second.status == 503 && second.text.contains("one at a time"), "{}", second.text);
    assert!(second.text.contains("value=\"LYNX\" selected"), "{}", second.text);
    assert!(second.header("retry-after").is_some());
    api.post("/maintenance-plans", &json!({})).is_problem(503, "unavailable");
    lock.run("ROLLBACK").unwrap();
    assert!(found(&keeper, &begun).starts_with("/plan/"));
    assert!(!keeper.get("/").text.contains("being searched"));
}
