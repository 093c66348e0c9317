//! The researcher's pages and the plan: book, collide, take what is offered instead,
//! close out; propose and adopt. What they do is looked at through the API.

use crate::pages::{Browser, KEEPER, stamp};
use crate::plans::kept;
use crate::world::{Answer, World, on_both_backends, token};
use serde_json::{Value, json};

const RESEARCHER: &str = "facility:read bookings:write";

fn encoded(fields: &[(&str, &str)]) -> String {
    url::form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish()
}

/// Sends a form of the page at a path, with its stamp.
fn send(browser: &Browser, page: &str, to: &str, fields: &[(&str, &str)]) -> Answer {
    let stamp = stamp(&browser.get(page));
    let mut all = vec![("stamp", stamp.as_str())];
    all.extend_from_slice(fields);
    browser.post(to, &[("sec-fetch-site", "same-origin")], &encoded(&all))
}

fn ada(world: &World) -> Browser {
    world.furnished();
    world.qualified("ada");
    Browser::holding(world, &token("ada", RESEARCHER))
}

fn eva(world: &World) -> Browser {
    world.qualified("eva");
    Browser::holding(world, &token("eva", RESEARCHER))
}

/// The values of the buttons that take a place.
fn places(page: &Answer) -> Vec<String> {
    let buttons = page.text.split("name=\"take\" value=\"").skip(1);
    let values = buttons.map(|rest| rest.split('"').next().unwrap().to_owned());
    values.filter(|value| value != "own").collect()
}

fn to(answer: &Answer) -> String {
    assert_eq!(answer.status, 303, "{}", answer.text);
    answer.header("location").unwrap().to_owned()
}

/// The path of the plan that a search comes to, followed as a browser without scripts does.
pub(crate) fn found(browser: &Browser, begun: &Answer) -> String {
    let path = to(begun);
    assert!(path.starts_with("/plan/search/"), "{path}");
    for _ in 0..400 {
        let page = browser.get(&path);
        if page.status == 303 {
            return to(&page);
        }
        assert!(
            page.status == 200 && page.text.contains("<noscript><meta http-equiv=\"refresh\""),
            "{}",
            page.text
        );
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    panic!("the search does not end: {}", browser.get(&path).text)
}

const NEED: &[(&str, &str)] =
    &[("where", "gas:argon"), ("hours", "1,5"), ("from", "2030-01-07T09:00"), ("in_compact", "1")];

/// A need, and a time of one's own for it.
fn own(start: &str) -> Vec<(&'static str, String)> {
    let mut fields: Vec<(&str, String)> =
        NEED.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
    fields.extend([("take", "own".to_owned()), ("box", "LYNX".to_owned()), ("start", start.to_owned())]);
    fields
}

fn borrowed<'a>(fields: &'a [(&'static str, String)]) -> Vec<(&'static str, &'a str)> {
    fields.iter().map(|(name, value)| (*name, value.as_str())).collect()
}

/// A booking of LYNX's by Ada, from nine to half past ten.
fn booked(browser: &Browser) -> String {
    to(&send(browser, "/book", "/book", &borrowed(&own("2030-01-07T09:00"))))
}

fn booking(world: &World, path: &str) -> Value {
    world.keeper().get(path).is(200).json()
}

on_both_backends! {
    fn a_place_that_fits_is_found_and_booked_by_its_button(world) {
        let browser = ada(world);
        let found = browser.get(&format!("/book?{}", encoded(NEED)));
        assert_eq!(found.status, 200, "{}", found.text);
        let offered = places(&found);
        assert!(!offered.is_empty(), "{}", found.text);
        // The caution stands where the antechamber is going to be used.
        assert!(found.text.contains("Never open both doors of an antechamber together"), "{}", found.text);
        let mut fields = NEED.to_vec();
        fields.extend([("purpose", "Sealing ampoules <b>"), ("take", offered[0].as_str())]);
        let path = to(&send(&browser, "/book", "/book", &fields));
        let kept = booking(world, &path);
        assert_eq!((&kept["start"], &kept["end"]), (&json!("2030-01-07T09:00:00Z"), &json!("2030-01-07T10:30:00Z")));
        assert_eq!((&kept["purpose"], kept["transfers_in"].as_array().unwrap().len()), (&json!("Sealing ampoules <b>"), 1));
        let page = browser.get(&path);
        assert!(page.text.contains("A load goes in") && page.text.contains("Sealing ampoules &lt;b&gt;"), "{}", page.text);
        // The turn of 24 minutes (three cycles of eight) before the work is told.
        assert!(page.text.contains("08:36") && page.text.contains("LYNX LARGE"), "{}", page.text);
        assert!(browser.get("/bookings").text.contains(&path));
    }

    fn what_is_taken_is_explained_and_what_is_offered_instead_can_be_had(world) {
        let (first, second) = (ada(world), eva(world));
        booked(&first);
        // Before there is time for a turn; then while the antechamber is Ada’s.
        let taken = send(&second, "/book", "/book", &borrowed(&own("2030-01-07T08:15")));
        assert_eq!(taken.status, 422, "{}", taken.text);
        assert!(taken.text.contains("no time left for the antechamber turns"), "{}", taken.text);
        let taken = send(&second, "/book", "/book", &borrowed(&own("2030-01-07T09:10")));
        assert_eq!(taken.status, 409, "{}", taken.text);
        assert!(taken.text.contains("LYNX LARGE") && taken.text.contains("wanted for your loads in"), "{}", taken.text);
        assert!(taken.text.contains("somebody’s loads go in") && !taken.text.contains("ada"), "{}", taken.text);
        let offered = places(&taken);
        assert_eq!(offered.len(), 3, "{}", taken.text);
        let mut fields = NEED.to_vec();
        fields.extend([("purpose", "Next"), ("take", offered[0].as_str())]);
        let path = to(&send(&second, "/book", "/book", &fields));
        assert_eq!(booking(world, &path)["status"], "confirmed");
    }

    fn every_rule_that_is_broken_is_told_beside_its_field(world) {
        let browser = ada(world);
        let nonsense = [("hours", "many"), ("from", "2030-01-07T25:00"), ("stations", "0"), ("in_compact", "x"), ("where", "gas:air")];
        let page = browser.get(&format!("/book?{}", encoded(&nonsense)));
        assert_eq!(page.status, 422);
        for field in ["hours", "from", "stations", "in_compact", "where"] {
            assert!(page.text.contains(&format!("href=\"#{field}\"")), "{field}: {}", page.text);
            assert!(page.text.contains(&format!("id=\"{field}-fault\"")), "{field}: {}", page.text);
        }
        let mut fields = own("2029-01-07T09:00");
        fields.retain(|(name, _)| *name != "hours");
        fields.extend([("hours", "40".to_owned()), ("purpose", "p".repeat(2001))]);
        let page = send(&browser, "/book", "/book", &borrowed(&fields));
        assert!(page.status == 422 && page.text.contains("id=\"purpose-fault\""), "{}", page.text);
        fields.retain(|(name, _)| *name != "purpose");
        let page = send(&browser, "/book", "/book", &borrowed(&fields));
        assert_eq!(page.status, 422);
        assert!(page.text.contains("id=\"start-fault\"") && page.text.contains("id=\"hours-fault\""), "{}", page.text);
        assert!(page.text.contains("at most 12 hours"), "{}", page.text);
        // The key for "enter" in a field takes no place.
        let mut by_key = own("2030-01-07T09:00");
        by_key.push(("by_key", "yes".to_owned()));
        assert_eq!(send(&browser, "/book", "/book", &borrowed(&by_key)).status, 422);
        assert_eq!(world.keeper().get_all("/bookings"), Vec::<Value>::new());
    }

    fn nobody_books_for_others_or_touches_what_is_theirs(world) {
        let (first, second) = (ada(world), eva(world));
        let path = booked(&first);
        let mut fields = own("2030-01-07T12:00");
        fields.push(("for", "ADA".to_owned()));
        assert_eq!(send(&second, "/book", "/book", &borrowed(&fields)).status, 403);
        let page = second.get(&path);
        assert!(page.status == 200 && !page.text.contains("value=\"cancel\""), "{}", page.text);
        assert_eq!(send(&second, "/book", &path, &[("do", "cancel")]).status, 403);
        assert_eq!(second.get(&format!("{path}/closeout")).status, 403);
        assert_eq!(send(&second, "/book", &format!("{path}/closeout"), &[]).status, 403);
        // The keeper books for somebody.
        let keeper = Browser::holding(world, &token("keeper", KEEPER));
        let path = to(&send(&keeper, "/book", "/book", &borrowed(&fields)));
        assert_eq!(booking(world, &path)["person"], world.keeper().get("/people/ADA").json()["id"]);
    }

    fn a_booking_is_begun_cancelled_and_not_by_an_old_form(world) {
        let browser = ada(world);
        let path = booked(&browser);
        let early = send(&browser, "/book", &path, &[("do", "start"), ("version", "1")]);
        assert!(early.status == 409 && early.text.contains("It can be started from 08:36 until 10:30"), "{}", early.text);
        assert_eq!(send(&browser, "/book", &path, &[("do", "cancel"), ("version", "7")]).status, 409);
        assert_eq!(to(&send(&browser, "/book", &path, &[("do", "cancel"), ("version", "1")])), path);
        assert_eq!(booking(world, &path)["progress"], "cancelled");
        assert_eq!(send(&browser, "/book", &path, &[("do", "nothing")]).status, 400);
        let other = booked(&browser);
        world.it_is_now("2030-01-07T09:00:00Z".parse().unwrap());
        assert_eq!(to(&send(&browser, "/book", &other, &[("do", "start"), ("version", "1")])), other);
        assert_eq!(booking(world, &other)["progress"], "in_use");
        assert!(browser.get("/bookings").text.contains(&format!("{other}/closeout")));
    }

    fn a_run_is_closed_out_and_a_level_past_its_limit_closes_the_box(world) {
        let browser = ada(world);
        let path = booked(&browser);
        let form = format!("{path}/closeout");
        assert!(browser.get(&form).text.contains("It has not begun"));
        assert_eq!(send(&browser, "/book", &form, &[]).status, 409);
        world.it_is_now("2030-01-07T10:00:00Z".parse().unwrap());
        let page = browser.get(&form);
        assert_eq!(page.text.matches("inputmode=\"decimal\"").count(), 4, "{}", page.text);
        let wrong = [("oxygen_ppm", "lots"), ("water_ppm", "1,250"), ("gauge-C1", "900"), ("gauge-C2", "-9")];
        let page = send(&browser, &form, &form, &wrong);
        assert_eq!(page.status, 422);
        for field in ["oxygen_ppm", "water_ppm", "gauge-C2"] {
            assert!(page.text.contains(&format!("id=\"{field}-fault\"")), "{field}: {}", page.text);
        }
        // More than the filling can reach is found with the cylinder, and nothing is kept.
        let page = send(&browser, &form, &form, &[("gauge-C1", "900")]);
        assert!(page.status == 422 && page.text.contains("id=\"gauge-C1-fault\""), "{}", page.text);
        assert_eq!(booking(world, &path)["progress"], "booked");
        let right = [("oxygen_ppm", "100"), ("water_ppm", "0,7"), ("gauge-C1", "151"), ("chambers_under_vacuum", "yes"), ("remarks", "Balance <i>drifts</i>")];
        assert_eq!(to(&send(&browser, &form, &form, &right)), path);
        let kept = booking(world, &path);
        let run = &kept["end_of_run"];
        assert_eq!((&run["oxygen_ppm"], &run["water_ppm"], &run["chambers_under_vacuum"]), (&json!(100.0), &json!(0.7), &json!(true)));
        assert_eq!(run["cylinder_pressures"][0]["gauge_bar"], 151.0);
        let page = browser.get(&path);
        assert!(page.text.contains("LYNX is closed to use") && page.text.contains("displaces its oxygen, and no sense notices"), "{}", page.text);
        assert!(page.text.contains("left under vacuum") && page.text.contains("Balance &lt;i&gt;drifts"), "{}", page.text);
        assert_eq!(send(&browser, "/book", &form, &right).status, 409);
        assert_eq!(world.keeper().get_all("/holds").len(), 1);
    }

    /// The clocks of the European Union are put back at 01:00 UTC on 27 October 2030 (Directive 2000/84/EC).
    fn of_a_time_that_comes_twice_neither_is_taken_silently(world) {
        let browser = ada(world);
        let keeper = world.keeper();
        let zone = json!({ "timezone": "Europe/Vienna" });
        keeper.patch_with_etag("/facility", &keeper.get("/facility").etag(), &zone).is(200);
        world.it_is_now("2030-10-26T08:00:00Z".parse().unwrap());
        let mut fields = own("2030-10-27T02:30");
        fields.retain(|(name, _)| *name != "hours");
        fields.push(("hours", "0.5".to_owned()));
        let asked = send(&browser, "/book", "/book", &borrowed(&fields));
        assert_eq!(asked.status, 422, "{}", asked.text);
        assert!(asked.text.contains("twice: in CEST and in CET. Choose which of the two you mean."), "{}", asked.text);
        assert!(asked.text.contains("href=\"#which\"") && asked.text.contains("the second, in CET"), "{}", asked.text);
        assert_eq!(keeper.get_all("/bookings"), Vec::<Value>::new());
        fields.push(("which", "second".to_owned()));
        let path = to(&send(&browser, "/book", "/book", &borrowed(&fields)));
        assert_eq!(booking(world, &path)["start"], "2030-10-27T01:30:00Z");
        assert!(browser.get(&path).text.contains("02:30 CET"), "{}", browser.get(&path).text);
        fields.pop();
        fields.push(("which", "first".to_owned()));
        let path = to(&send(&browser, "/book", "/book", &borrowed(&fields)));
        assert_eq!(booking(world, &path)["start"], "2030-10-27T00:30:00Z");
    }

    fn a_plan_is_proposed_shown_and_adopted(world) {
        let api = kept(world);
        let ada = world.qualified("ada");
        for day in ["09", "16"] {
            for glovebox in ["LYNX", "OTTER"] {
                let (start, end) = (format!("2030-01-{day}T08:00:00Z"), format!("2030-01-{day}T12:00:00Z"));
                let whole = json!({ "glovebox": glovebox, "whole_box": true, "start": start, "end": end, "purpose": "" });
                ada.post("/bookings", &whole).is(201);
            }
        }
        let keeper = Browser::holding(world, &token("keeper", KEEPER));
        let desk = keeper.get("/plan");
        assert!(desk.status == 200 && desk.text.contains("Leak test") && desk.text.contains("ten seconds"), "{}", desk.text);
        assert_eq!(send(&keeper, "/plan", "/plan", &[("weeks", "52"), ("box", "NONE")]).status, 422);
        let path = found(&keeper, &send(&keeper, "/plan", "/plan", &[("weeks", "2")]));
        let page = keeper.get(&path);
        assert!(page.status == 200 && page.text.contains("Two visits; two bookings give way"), "{}", page.text);
        assert!(page.text.contains("Gives way: ") && page.text.contains("<bdi>ada</bdi>"), "{}", page.text);
        assert!(page.text.contains("Could go instead to:") && page.text.contains("Kim"), "{}", page.text);
        assert!(!page.text.contains("Z.</li>"), "times are those of the facility: {}", page.text);
        assert!(keeper.get("/plan").text.contains(&path));
        assert_eq!(api.get_all("/maintenance-visits"), Vec::<Value>::new());
        assert_eq!(send(&keeper, "/plan", &path, &[("do", "adopt"), ("version", "9")]).status, 409);
        assert_eq!(to(&send(&keeper, "/plan", &path, &[("do", "adopt"), ("version", "1")])), path);
        assert_eq!(api.get_all("/maintenance-visits").len(), 2);
        assert!(keeper.get(&path).text.contains("Adopted"));
        assert!(keeper.get("/plan").text.contains("2 bookings gave way") || keeper.get("/plan").text.contains("1 booking gave way"));
        // Whoever gave way sees it, and where to go.
        let gone = ada.get_all("/bookings").into_iter().find(|one| one["displaced_by"].is_string()).unwrap();
        let holder = Browser::holding(world, &token("ada", RESEARCHER));
        let page = holder.get(&format!("/bookings/{}", gone["id"].as_str().unwrap()));
        assert!(page.text.contains("It gave way to upkeep") && page.text.contains("Where you could go instead"), "{}", page.text);
        // What has changed since is named.
        let again = send(&keeper, "/plan", &path, &[("do", "adopt")]);
        assert!(again.status == 409 && again.text.contains("It was not adopted"), "{}", again.text);
    }

    fn plans_are_for_those_who_may_make_them(world) {
        let api = kept(world);
        let plan = api.post("/maintenance-plans", &json!({})).is(201).json();
        let path = format!("/plan/{}", plan["id"].as_str().unwrap());
        let browser = Browser::holding(world, &token("ada", RESEARCHER));
        for path in ["/plan", path.as_str()] {
            assert_eq!(browser.get(path).status, 403, "{path}");
            assert_eq!(send(&browser, "/book", path, &[("weeks", "1"), ("do", "adopt")]).status, 403, "{path}");
        }
        assert!(!browser.get("/book").text.contains("href=\"/plan\""));
    }
}
