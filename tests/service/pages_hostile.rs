//! Names that mean harm, on every page. Everything that takes free text is named so
//! through the API; what the pages make of it is read by an HTML parser of its own
//! (html5ever, which follows the HTML Living Standard §13.2) and compared with the same
//! pages where everything has a plain name: no element and no attribute may come of a name.

use crate::pages::{Browser, KEEPER, stamp};
use crate::world::{Answer, Client, World, on_both_backends, token};
use scraper::{ElementRef, Html, Node};
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// What each hostile text begins with; what it stands for follows, and a full stop.
const MARK: &str = "Xq7-";
/// The shortest of all limits on names, and more than that for notes, in characters.
const NAME: usize = 120;
const NOTE: usize = 500;

/// How things are named: by what they are, up to so many characters.
type Naming = fn(&str, usize) -> String;

/// Markup, a way out of attributes, an address that is a script, a turned direction, an emoji, and a word without an end.
fn hostile(what: &str, longest: usize) -> String {
    let harm = "\u{202e}<script>alert(1)</script>\"'><img src=x onerror=alert(1)>javascript:alert(1)\u{1f9e4}\u{5d0}";
    let text = format!("{MARK}{what}.{harm}");
    let rest = longest.checked_sub(text.chars().count()).expect("the harm fits the limit");
    format!("{text}{}", "w".repeat(rest))
}

/// As long, and harmless.
fn plain(what: &str, longest: usize) -> String {
    let text = format!("{MARK}{what}.");
    let rest = longest - text.len();
    format!("{text}{}", "w".repeat(rest))
}

fn patch(keeper: &Client, path: &str, changes: &Value) {
    keeper.patch_with_etag(path, &keeper.get(path).etag(), changes).is(200);
}

/// Names everything that has a name, a remark or a reason.
fn furnish(world: &World, named: Naming) {
    let keeper = world.furnished().keeper();
    let name = |what: &str| named(what, NAME);
    let note = |what: &str| named(what, NOTE);
    patch(&keeper, "/rooms/LAB-1", &json!({ "name": name("room") }));
    patch(&keeper, "/gas-supplies/AR-PANEL", &json!({ "name": name("supply") }));
    patch(&keeper, "/gloveboxes/LYNX", &json!({ "name": name("box") }));
    let part = |tag: &str| json!({ "tag": tag, "name": name(&tag.to_lowercase()) });
    let chamber = json!({
        "tag": "LARGE", "name": name("chamber"), "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
        "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "measured_cycle_minutes": 8.0
    });
    let badger = json!({
        "tag": "BADGER", "name": name("badger"), "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 900.0,
        "stations": [part("S1")], "antechambers": [chamber], "instruments": [part("SCALES")], "gas_supply": "AR-PANEL",
        "limits": { "oxygen_ppm": { "caution": 10.0, "action": 100.0 } }
    });
    keeper.post("/gloveboxes", &badger).is(201);
    let closure =
        json!({ "start": "2030-01-10T00:00:00Z", "end": "2030-01-11T00:00:00Z", "reason": name("closure") });
    patch(
        &keeper,
        "/facility",
        &json!({ "name": name("site"), "contact": note("contact"), "closures": [closure] }),
    );
    people(&keeper, named);
    upkeep(&keeper, named);
    let stock = json!({ "tag": "GLOVES", "name": name("stock"), "unit": name("unit"), "lead_time": "P60D", "minimum": 50.0 });
    keeper.post("/stock-items", &stock).is(201);
    let ordered =
        json!({ "kind": "ordered", "quantity": 1.0, "number": name("order"), "remark": note("movement") });
    keeper.post("/stock-items/GLOVES/movements", &ordered).is(201);
    keeper.post("/holds", &json!({ "glovebox": "OTTER", "reason": note("hold") })).is(201);
    keeper
        .post("/holds", &json!({ "glovebox": "BADGER", "part": "BADGER/S1", "reason": note("part-hold") }))
        .is(201);
    let read = |hours: i64| {
        let at = (world.now() - chrono::TimeDelta::hours(hours)).to_rfc3339();
        json!({ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at, "value": 3.0, "sensor": name("sensor") })
    };
    keeper.post("/readings", &json!({ "readings": (1..12).map(read).collect::<Vec<_>>() })).is(200);
}

fn people(keeper: &Client, named: Naming) {
    let group = named("group", NAME);
    let day = json!([{ "from": "08:00", "to": "17:00" }]);
    let hours = json!({ "monday": day, "tuesday": day, "wednesday": day, "thursday": day, "friday": day });
    let absence = json!({ "start": "2030-01-14T00:00:00Z", "end": "2030-01-15T00:00:00Z", "reason": named("absence", NOTE) });
    let tester =
        json!({ "tag": "KIM", "name": named("tester", NAME), "working_hours": hours, "absences": [absence] });
    keeper.post("/people", &tester).is(201);
    let ada = json!({ "tag": "ADA", "name": named("person", NAME), "subject": subject(named), "groups": [group, "B"] });
    keeper.post("/people", &ada).is(201);
    keeper.post("/qualifications", &json!({ "person": "KIM", "task": "leak_test" })).is(201);
    for glovebox in ["LYNX", "OTTER", "BADGER"] {
        keeper.post("/qualifications", &json!({ "person": "ADA", "glovebox": glovebox })).is(201);
    }
}

fn subject(named: Naming) -> String {
    named("subject", NAME)
}

/// Leak tests that fall due within the weeks ahead, with a window of a hostile name.
fn upkeep(keeper: &Client, named: Naming) {
    let rule = json!({
        "task": "leak_test", "applies_to": "glovebox", "duration": "PT2H", "closes": "whole_box",
        "triggers": [{ "kind": "calendar", "every": "P6M" }], "competence": "leak_test",
        "consumables": [{ "stock_item": "GLOVES", "quantity": 2.0 }]
    });
    keeper.post("/upkeep-rules", &rule).is(201);
    let window = json!({
        "name": named("window", NAME), "dtstart": "2030-01-02T08:00:00", "timezone": "UTC", "duration": "PT4H",
        "rrule": "FREQ=WEEKLY;BYDAY=WE", "holds": "when_needed", "notice": "P2D"
    });
    keeper.post("/maintenance-windows", &window).is(201);
    let always = json!({
        "name": named("always", NAME), "dtstart": "2030-01-08T08:00:00", "timezone": "UTC", "duration": "PT4H",
        "gloveboxes": ["BADGER"], "holds": "always"
    });
    keeper.post("/maintenance-windows", &always).is(201);
    for (glovebox, at) in [
        ("LYNX", "2029-07-20T08:00:00Z"),
        ("OTTER", "2029-07-21T08:00:00Z"),
        ("BADGER", "2029-06-01T08:00:00Z"),
    ] {
        let service = json!({
            "task": "leak_test", "subject": glovebox, "done_at": at, "outcome": "passed",
            "done_by": named("done-by", NAME), "findings": named("findings", NOTE)
        });
        keeper.post("/services", &service).is(201);
    }
}

fn encoded(fields: &[(&str, &str)]) -> String {
    url::form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish()
}

fn send(browser: &Browser, to: &str, fields: &[(&str, &str)]) -> Answer {
    let stamp = stamp(&browser.get("/"));
    let mut all = vec![("stamp", stamp.as_str())];
    all.extend_from_slice(fields);
    browser.post(to, &[("sec-fetch-site", "same-origin")], &encoded(&all))
}

/// Somebody at a browser, whose token names them so.
fn signed_in(world: &World, named: Naming, scope: &str) -> Browser {
    Browser::holding(world, &token(&subject(named), scope))
}

/// Every page there is, with what was asked for, as two people see it.
fn pages(world: &World, named: Naming) -> Vec<(String, Answer)> {
    furnish(world, named);
    let api = world.keeper();
    let keeper = signed_in(world, named, KEEPER);
    let ada = signed_in(world, named, "facility:read bookings:write");
    let (word, purpose) = (named("word", NAME), named("purpose", NOTE));
    let need =
        [("where", "box:LYNX"), ("hours", "1"), ("from", "2030-01-09T08:30"), ("solvents", word.as_str())];
    let at = [("take", "own"), ("box", "LYNX"), ("start", "2030-01-09T08:30"), ("purpose", purpose.as_str())];
    let own = [need, at].concat();
    let booked = send(&ada, "/book", &own);
    let booking =
        booked.header("location").unwrap_or_else(|| panic!("not booked: {}", booked.text)).to_owned();
    let (start, end) = ("2030-01-07T08:00:00Z", "2030-01-07T08:30:00Z");
    let other = json!({ "glovebox": "LYNX", "start": start, "end": end, "for": "ADA", "purpose": purpose });
    let begun = format!("/bookings/{}", api.post("/bookings", &other).is(201).id());
    api.post("/nightly-runs", &json!({})).is(201);
    let mut all = vec![("a time that is taken".to_owned(), send(&ada, "/book", &own))];
    all.extend(nonsense(&keeper, &ada, &begun, named));
    let plan = crate::pages_booking::found(&keeper, &send(&keeper, "/plan", &[("weeks", "2")]));
    let places = format!("/book?{}", encoded(&need));
    let close_out = format!("{booking}/closeout");
    let first =
        ["/", "/wall", "/gas", "/boxes/LYNX", "/boxes/OTTER", "/boxes/BADGER?days=365", "/book", &places];
    let then = ["/bookings", &booking, &begun, &close_out, "/plan", &plan];
    let look = |path: &&str| [keeper.get(path), ada.get(path)].map(|page| ((*path).to_owned(), page));
    all.extend(first.iter().chain(&then).flat_map(look));
    all.push(("adopted".to_owned(), send(&keeper, &plan, &[("do", "adopt"), ("version", "1")])));
    all.extend(["/", "/plan", &plan, &booking, "/bookings"].iter().flat_map(look));
    all
}

/// Forms and addresses filled with words that nobody can mean, as they are answered.
fn nonsense(keeper: &Browser, ada: &Browser, begun: &str, named: Naming) -> Vec<(String, Answer)> {
    let (word, note, long) = (named("word", NAME), named("note", NOTE), named("too-long", 2001));
    let all_of = |names: &[&'static str]| names.iter().map(|name| (*name, word.as_str())).collect::<Vec<_>>();
    let mut form = all_of(&["where", "hours", "box", "take", "start", "which", "group", "for"]);
    form.push(("purpose", &long));
    let close_out = format!("{begun}/closeout");
    let wrong = [("oxygen_ppm", word.as_str()), ("water_ppm", &word), ("remarks", &note)];
    let right = [("oxygen_ppm", "120"), ("water_ppm", "1"), ("remarks", note.as_str())];
    let asked = encoded(&all_of(&["weeks", "box"]));
    let (need, days) = (
        encoded(&all_of(&["from", "hours", "solvents", "where", "instruments", "chamber"])),
        encoded(&all_of(&["days"])),
    );
    let mut all = vec![
        ("a form", send(ada, "/book", &form)),
        ("a close-out", send(ada, &close_out, &wrong)),
        ("a close-out that is right", send(ada, &close_out, &right)),
        ("a search", send(keeper, "/plan", &all_of(&["weeks", "box"]))),
        ("a search that is lost", keeper.get(&format!("/plan/search/{}?{asked}", uuid::Uuid::nil()))),
        ("a need", ada.get(&format!("/book?{need}"))),
        ("a box", ada.get(&format!("/boxes/LYNX?{days}"))),
        ("sign-in", ada.get(&format!("/sign-in?{}", encoded(&all_of(&["to", "why"]))))),
        ("a token", ada.post("/sign-in", &[], &encoded(&all_of(&["token", "to"])))),
    ];
    let address = encoded(&[("", &word)]).trim_start_matches('=').to_owned();
    let nowhere = ["/boxes/", "/bookings/", "/plan/", "/plan/search/", "/"];
    all.extend(nowhere.map(|path| (path, keeper.get(&format!("{path}{address}")))));
    all.into_iter().map(|(what, page)| (what.to_owned(), page)).collect()
}

/// Each kind of element with each of its attributes, and each element by itself.
fn kinds(page: &Html) -> BTreeSet<(String, String)> {
    page.root_element()
        .descendent_elements()
        .flat_map(|element| {
            let name = element.value().name().to_owned();
            let with = element.value().attrs().map(|(attribute, _)| attribute.to_owned());
            with.chain([String::new()]).map(|attribute| (name.clone(), attribute)).collect::<Vec<_>>()
        })
        .collect()
}

/// Whether text may stand there by itself: it is in a `bdi`, or where only text can be.
fn is_kept_apart(parent: ElementRef<'_>) -> bool {
    let apart = |element: &ElementRef<'_>| {
        let value = element.value();
        ["bdi", "option", "textarea", "title"].contains(&value.name())
    };
    std::iter::successors(Some(parent), |one| one.parent().and_then(ElementRef::wrap)).any(|one| apart(&one))
}

/// What is wrong with what names became on a page, and which were met.
fn faults(page: &Html, met: &mut BTreeSet<String>) -> Vec<String> {
    let mut faults: Vec<String> =
        page.errors.iter().map(|error| format!("cannot be read: {error}")).collect();
    for element in page.root_element().descendent_elements() {
        let (name, value) = (element.value().name(), element.value());
        if name == "script"
            && (element.text().any(|text| !text.trim().is_empty())
                || value.attr("src").is_none_or(|from| !from.starts_with("/assets/script-")))
        {
            faults.push(format!("a script that is not ours: {}", element.html()));
        }
        if ["img", "iframe", "object", "embed", "base", "style", "animate", "set"].contains(&name) {
            faults.push(format!("an element that no page has: {}", element.html()));
        }
        for (attribute, text) in value.attrs() {
            let leads = ["href", "src", "action", "formaction", "xlink:href"].contains(&attribute);
            if attribute.starts_with("on")
                || attribute == "style"
                || attribute == "srcdoc"
                || (leads && !text.starts_with(['/', '#']))
            {
                faults.push(format!("{attribute}={text:?} of {name}"));
            }
        }
    }
    for text in page.tree.nodes() {
        let Node::Text(words) = text.value() else { continue };
        let parent = text.parent().and_then(ElementRef::wrap).expect("text stands in an element");
        for found in words.split(MARK).skip(1) {
            met.insert(found.split('.').next().unwrap_or_default().to_owned());
            if !is_kept_apart(parent) {
                faults.push(format!(
                    "a name outside bdi: {}",
                    parent.html().chars().take(300).collect::<String>()
                ));
            }
        }
    }
    faults
}

/// Where a page leads to.
fn links(page: &Html) -> Vec<String> {
    let elements = page.root_element().descendent_elements();
    let to = elements.filter_map(|element| element.value().attr("href").map(str::to_owned));
    to.filter(|to| to.starts_with('/')).collect()
}

/// What pages are there to tell; other texts need not be on a page, but may.
const TOLD: [&str; 14] = [
    "site",
    "contact",
    "box",
    "badger",
    "closure",
    "person",
    "group",
    "hold",
    "part-hold",
    "purpose",
    "stock",
    "unit",
    "tester",
    "note",
];

on_both_backends! {
    fn names_are_nothing_but_text_on_every_page(world) {
        let harmless: BTreeSet<_> =
            pages(&World::sqlite(), plain).iter().flat_map(|(_, page)| kinds(&Html::parse_document(&page.text))).collect();
        let (mut wrong, mut met) = (Vec::new(), BTreeSet::new());
        let all = pages(world, hostile);
        assert!(all.len() > 40, "{}", all.len());
        for (what, page) in &all {
            assert!(page.status < 500, "{what}: {} {}", page.status, page.text);
            if page.status == 303 { continue; }
            assert_eq!(page.header("content-type"), Some("text/html; charset=utf-8"), "{what}");
            assert!(!page.text.to_lowercase().contains("is safe"), "{what}");
            let page = Html::parse_document(&page.text);
            let mut of_page = faults(&page, &mut met);
            of_page.extend(kinds(&page).difference(&harmless).map(|kind| format!("comes of a name only: {kind:?}")));
            wrong.extend(of_page.into_iter().map(|fault| format!("{what}: {fault}")));
        }
        let keeper = Browser::holding(world, &token(&subject(hostile), KEEPER));
        let links: BTreeSet<String> = all.iter().flat_map(|(_, page)| links(&Html::parse_document(&page.text))).collect();
        assert!(links.len() > 20, "{links:?}");
        for to in links {
            let answer = keeper.get(&to);
            if answer.status >= 400 { wrong.push(format!("a page leads to {to}: {}", answer.status)); }
        }
        assert!(wrong.is_empty(), "{} faults\n{}", wrong.len(), wrong.join("\n"));
        for what in TOLD {
            assert!(met.contains(what), "{what} is told on no page; {met:?} are");
        }
    }
}

/// The check itself: what it must not let pass.
#[test]
fn a_name_that_became_more_than_text_is_noticed() {
    let found = |body: &str| {
        let page = format!(
            "<!DOCTYPE html><html lang=\"en\"><head><title>x</title></head><body>{body}</body></html>"
        );
        faults(&Html::parse_document(&page), &mut BTreeSet::new()).len()
    };
    let name = hostile("name", NAME);
    let escaped = name.replace('&', "&amp;").replace('<', "&lt;").replace('"', "&quot;");
    assert_eq!(found(&format!("<p title=\"{escaped}\"><bdi>{escaped}</bdi></p>")), 0);
    for taken in [
        format!("<p><bdi>{name}</bdi></p>"),
        format!("<p title=\"{name}\">x</p>"),
        format!("<p>{escaped}</p>"),
        format!("<a href=\"{escaped}\">x</a>"),
        "<p onclick=\"x\">x</p>".to_owned(),
        "<a href=\"javascript:alert(1)\">x</a>".to_owned(),
    ] {
        assert!(found(&taken) > 0, "{taken}");
    }
}
