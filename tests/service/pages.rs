//! The pages: signing in, forms that are ours, what is drawn.

use crate::world::{Answer, Client, World, on_both_backends, token};
use drykeep::config::HttpSettings;
use drykeep::domain::quota::{Quota, Rates};
use serde_json::json;
use std::num::NonZeroU32;

pub(crate) const KEEPER: &str = "facility:read facility:manage bookings:write bookings:manage readings:write \
     upkeep:manage plans:manage usage:read nightly:run";

/// Pages that anybody who may see the facility can open.
const OPEN_PAGES: &[&str] =
    &["/", "/book", "/bookings", "/gas", "/wall", "/boxes/LYNX", "/boxes/LYNX?days=365"];

/// Somebody at a browser that keeps a cookie.
pub(crate) struct Browser {
    client: Client,
    cookie: String,
}

impl Browser {
    /// A browser with a token kept in it.
    pub(crate) fn holding(world: &World, token: &str) -> Self {
        Self { client: world.anyone(), cookie: format!("drykeep={token}") }
    }

    fn keeper(world: &World) -> Self {
        Self::holding(world, &token("keeper", KEEPER))
    }

    pub(crate) fn get(&self, path: &str) -> Answer {
        self.client.send("GET", path, &[("cookie", &self.cookie), ("accept", "text/html")], None)
    }

    pub(crate) fn post(&self, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let mut all =
            vec![("cookie", self.cookie.as_str()), ("content-type", "application/x-www-form-urlencoded")];
        all.extend_from_slice(headers);
        self.client.send("POST", path, &all, Some(body.as_bytes()))
    }
}

/// What stands in the field with the stamp.
pub(crate) fn stamp(page: &Answer) -> String {
    let (_, rest) = page.text.split_once("name=\"stamp\" value=\"").expect("the page has a form");
    rest.split('"').next().unwrap().to_owned()
}

fn sign_in(world: &World, headers: &[(&str, &str)], body: &str) -> Answer {
    let mut all = vec![("content-type", "application/x-www-form-urlencoded")];
    all.extend_from_slice(headers);
    world.anyone().send("POST", "/sign-in", &all, Some(body.as_bytes()))
}

on_both_backends! {
    fn a_token_is_taken_once_and_kept_out_of_reach(world) {
        let token = token("keeper", KEEPER);
        let answer = sign_in(world, &[], &format!("token=KEEPER%3D{token}&to=%2F"));
        assert_eq!((answer.status, answer.header("location")), (303, Some("/")));
        let cookie = answer.header("set-cookie").unwrap();
        assert!(cookie.starts_with(&format!("drykeep={token}; ")), "{cookie}");
        for attribute in ["Path=/", "HttpOnly", "SameSite=Lax", "Max-Age=3"] {
            assert!(cookie.contains(attribute), "{cookie} lacks {attribute}");
        }
        assert!(!cookie.contains("Secure"), "{cookie}");
        let answer = sign_in(world, &[("origin", "https://lab.example"), ("host", "lab.example")], &format!("token={token}"));
        let cookie = answer.header("set-cookie").unwrap();
        assert!(cookie.starts_with("__Host-drykeep=") && cookie.ends_with("; Secure"), "{cookie}");
    }

    fn who_is_not_signed_in_is_led_there_and_back(world) {
        for path in OPEN_PAGES {
            let answer = world.anyone().send("GET", path, &[], None);
            assert_eq!(answer.status, 303, "{path}");
            assert!(answer.header("location").unwrap().starts_with("/sign-in?to="), "{path}");
        }
        let expired = Browser { client: world.anyone(), cookie: "drykeep=not.a.token".to_owned() };
        let answer = expired.get("/");
        assert_eq!(answer.header("location"), Some("/sign-in?to=%2F&why=expired"));
        assert!(answer.header("set-cookie").unwrap().contains("Max-Age=0"));
        assert!(world.anyone().send("GET", "/sign-in?to=%2F&why=expired", &[], None).text.contains("has ended"));
        let away = sign_in(world, &[], &format!("token={}&to=%2F%2Fevil.example", token("keeper", KEEPER)));
        assert_eq!(away.header("location"), Some("/"));
    }

    fn a_token_that_is_not_good_is_refused_with_the_reason_at_the_field(world) {
        for body in ["token=not.a.token", "token=", "", "token=%00", "token=Bearer+"] {
            let answer = sign_in(world, &[], body);
            assert_eq!(answer.status, 422, "{body}");
            assert!(answer.header("set-cookie").is_none());
            assert!(answer.text.contains("href=\"#token\"") && answer.text.contains("aria-invalid=\"true\""), "{}", answer.text);
        }
    }

    fn forms_that_are_not_ours_change_nothing(world) {
        let browser = Browser::keeper(world);
        let own = stamp(&browser.get("/"));
        let good = format!("stamp={own}");
        let others = stamp(&Browser::holding(world, &token("ada", KEEPER)).get("/"));
        for (headers, body) in [
            (&[][..], "stamp="),
            (&[][..], "nothing=here"),
            (&[][..], &format!("stamp={others}")),
            (&[("sec-fetch-site", "cross-site")][..], &good),
            (&[("sec-fetch-site", "same-site")][..], &good),
            (&[("origin", "https://evil.example")][..], &good),
            (&[("origin", "null")][..], &good),
        ] {
            let answer = browser.post("/book", headers, body);
            assert_eq!(answer.status, 403, "{headers:?} {body}");
            assert!(answer.header("set-cookie").is_none());
        }
        assert_eq!(sign_in(world, &[("sec-fetch-site", "cross-site")], "token=x").status, 403);
        let cross = browser.post("/sign-out", &[("sec-fetch-site", "cross-site")], &good);
        assert!(cross.status == 403 && cross.header("set-cookie").is_none());
        // Whoever goes may go, also with a token that is not good any more.
        let gone = Browser { client: world.anyone(), cookie: "drykeep=not.a.token".to_owned() };
        assert_eq!(gone.post("/sign-out", &[("sec-fetch-site", "same-origin")], "").status, 303);
        let answer = browser.post("/sign-out", &[("sec-fetch-site", "same-origin")], &good);
        assert_eq!((answer.status, answer.header("location")), (303, Some("/sign-in")));
    }

    fn the_api_never_looks_at_the_cookie(world) {
        let browser = Browser::keeper(world);
        assert_eq!(browser.get("/api/v1/gloveboxes").status, 401);
        // To the routes a letter that is written out is that letter.
        assert_eq!(browser.get("/%61pi/v1/gloveboxes").status, 401);
        assert_eq!(browser.get("/api/%761/gloveboxes").status, 401);
        let body = browser.client.send(
            "POST",
            "/api/v1/rooms",
            &[("cookie", browser.cookie.as_str()), ("content-type", "application/json")],
            Some(b"{}"),
        );
        assert_eq!(body.status, 401);
    }

    fn pages_are_for_those_who_may_see_the_facility(world) {
        let gateway = Browser::holding(world, &token("gateway", "readings:write"));
        for path in OPEN_PAGES {
            let answer = gateway.get(path);
            assert_eq!(answer.status, 403, "{path}");
            assert!(answer.text.contains("facility:read"), "{}", answer.text);
        }
    }

    fn every_page_says_what_browsers_may_do_with_it(world) {
        let browser = Browser::keeper(world);
        for path in OPEN_PAGES.iter().copied().chain(["/sign-in", "/nowhere"]) {
            let page = browser.get(path);
            let policy = page.header("content-security-policy").unwrap();
            assert!(policy.contains("script-src 'self';") && !policy.contains("unsafe"), "{path}: {policy}");
            assert!(policy.contains("form-action 'self'") && policy.contains("default-src 'none'"), "{path}: {policy}");
            assert_eq!(page.header("cache-control"), Some("no-store"), "{path}");
            assert_eq!(page.header("referrer-policy"), Some("same-origin"), "{path}");
            assert!(!page.text.contains(" style=\"") && !page.text.contains("onclick"), "{path}");
        }
    }

    fn no_page_leads_to_nothing(world) {
        world.furnished();
        let browser = Browser::keeper(world);
        for path in OPEN_PAGES.iter().copied().chain(["/sign-in", "/nowhere"]) {
            let page = browser.get(path);
            for part in page.text.split("href=\"").chain(page.text.split("src=\"")).skip(1) {
                let to = part.split('"').next().unwrap();
                if to.starts_with('/') {
                    assert!(browser.get(to).status < 400, "{path} leads to {to}");
                }
            }
        }
    }

    fn what_pages_load_is_kept_for_good_under_names_that_change(world) {
        let page = world.anyone().send("GET", "/sign-in", &[], None);
        for ending in ["css", "js", "svg"] {
            let path = page.text.split('"').find(|text| text.starts_with("/assets/") && text.ends_with(ending)).unwrap();
            let asset = world.anyone().send("GET", path, &[], None);
            assert_eq!(asset.status, 200, "{path}");
            assert!(asset.header("cache-control").unwrap().contains("immutable"), "{path}");
        }
        assert_eq!(world.anyone().send("GET", "/assets/style-0.css", &[], None).status, 404);
    }
}

#[test]
fn a_hold_and_a_level_past_its_limit_are_told_in_words() {
    let world = World::sqlite();
    world.furnished();
    let at = world.now().to_rfc3339();
    let reading =
        json!({ "readings": [{ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at, "value": 120.0 }] });
    world.keeper().post("/readings", &reading).is(200);
    let page = Browser::keeper(&world).get("/").text;
    assert!(page.contains("LYNX is closed to use"), "{page}");
    assert!(page.contains("at or past the action level"), "{page}");
    assert!(page.contains("displaces its oxygen, and no sense notices"), "{page}");
    assert!(!page.to_lowercase().contains("is safe"), "{page}");
}

#[test]
fn a_box_is_drawn_from_its_readings_and_told_in_a_table() {
    let world = World::sqlite();
    world.furnished();
    let read = |hours: i64, value: f64| {
        let at = (world.now() - chrono::TimeDelta::hours(hours)).to_rfc3339();
        json!({ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at, "value": value })
    };
    // Twelve readings an hour apart, a week without any, and twelve more.
    let hours = (1..=12)
        .chain(181..=192)
        .map(|hours| read(hours, 3.0 + 0.01 * f64::from(i32::try_from(hours).unwrap())));
    world.keeper().post("/readings", &json!({ "readings": hours.collect::<Vec<_>>() })).is(200);
    let service = json!({ "subject": "LYNX", "task": "leak_test", "done_at": world.now().to_rfc3339(), "done_by": "<b>Ada</b>" });
    world.keeper().post("/services", &service).is(201);
    let browser = Browser::keeper(&world);
    let page = browser.get("/boxes/LYNX").text;
    assert_eq!(page.matches("<path class=\"course\"").count(), 4, "two stretches at two sizes: {page}");
    assert!(page.contains("caution from 10 ppm") && page.contains("action from 100 ppm"), "{page}");
    assert!(page.contains("Oxygen was read between 3.0 and 4.9 ppm, never at the caution level"), "{page}");
    assert!(page.contains("<th scope=\"col\">Greatest, ppm</th>") && page.contains("leak test"), "{page}");
    assert_eq!(browser.get("/boxes/NOWHERE").status, 404);
    assert_eq!(browser.get("/boxes/%3Cscript%3E").status, 404);
    assert!(!browser.get("/boxes/LYNX?days=%3Cscript%3E").text.contains("script%3E"));
}

#[test]
fn the_wall_says_when_its_picture_was_made_and_looks_anew_without_scripts() {
    let world = World::sqlite();
    world.furnished();
    let wall = Browser::holding(&world, &token("wall", "facility:read"));
    let page = wall.get("/wall").text;
    assert!(page.contains("<noscript><meta http-equiv=\"refresh\" content=\"60\">"), "{page}");
    assert!(page.contains("data-refresh=\"60\"") && page.contains("picture of"), "{page}");
    assert!(page.contains("never read"), "{page}");
}

#[test]
fn the_gas_is_drawn_with_its_band_and_the_line_of_changeover() {
    let world = World::sqlite();
    world.furnished();
    let read = |day: i64| {
        let at = (world.now() - chrono::TimeDelta::days(day)).to_rfc3339();
        json!({ "subject": "AR-PANEL", "quantity": "gauge_bar", "at": at, "value": 80.0 + 4.0 * f64::from(i32::try_from(day).unwrap()) })
    };
    world.keeper().post("/readings", &json!({ "readings": (0..10).map(read).collect::<Vec<_>>() })).is(200);
    let page = Browser::keeper(&world).get("/gas").text;
    assert!(page.contains("class=\"band\"") && page.contains("course is-expected"), "{page}");
    assert!(page.contains("bar gauge</text>") && page.contains("Asphyxiation"), "{page}");
}

#[test]
fn who_asks_too_often_is_told_on_a_page() {
    let quota = |requests| Quota::a_minute(NonZeroU32::new(requests).unwrap());
    let rates = Rates { reads: quota(5), writes: quota(2), expensive: quota(1), failures: quota(3) };
    let world = World::holding_callers_to(HttpSettings { rates: Some(rates), ..HttpSettings::default() });
    let browser = Browser::keeper(&world);
    assert_eq!(browser.get("/gas").status, 200);
    let page = browser.get("/gas");
    assert_eq!(page.status, 429);
    assert!(page.text.contains("too much at once"), "{}", page.text);
    assert!(page.header("retry-after").is_some() && page.header("ratelimit").is_some());
    assert!(page.header("content-security-policy").unwrap().contains("style-src 'self'"));
}

#[test]
fn tokens_tried_at_the_sign_in_count_as_failures() {
    let quota = |requests| Quota::a_minute(NonZeroU32::new(requests).unwrap());
    let rates = Rates { reads: quota(50), writes: quota(50), expensive: quota(50), failures: quota(3) };
    let world = World::holding_callers_to(HttpSettings { rates: Some(rates), ..HttpSettings::default() });
    let tried = || {
        let form = [("content-type", "application/x-www-form-urlencoded")];
        world.anyone().send("POST", "/sign-in", &form, Some(b"token=e30.e30.guess")).status
    };
    assert_eq!([tried(), tried(), tried(), tried()], [422, 422, 422, 429]);
}
