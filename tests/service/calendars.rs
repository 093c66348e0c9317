//! `/calendars`, `/calendar-keys` and `/free-busy`: what a calendar program sees.

use crate::plans::{adopt, kept, propose};
use crate::world::{Client, NAME, SECRET, World, on_both_backends, token};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::QueryableByName;
use diesel::sql_types::Text;
use serde_json::{Value, json};
use std::io::Read as _;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::{Command, Stdio};
use std::time::Duration;

/// A key, and where its feed is.
fn key(caller: &Client, form: &Value) -> (String, String) {
    let made = caller.post("/calendar-keys", form).is(201).json();
    let text = |field: &str| made[field].as_str().unwrap().to_owned();
    (text("key"), text("path"))
}

/// The feed as text, its lines unfolded (RFC 5545 §3.1).
fn feed(world: &World, key: &str, path: &str) -> String {
    let answer = world.anyone().get(&format!("{path}?key={key}")).is(200);
    assert_eq!(answer.header("content-type"), Some("text/calendar; charset=utf-8"));
    assert_eq!(answer.header("cache-control"), Some("private, no-cache"));
    answer.text.replace("\r\n ", "")
}

/// The component of a feed that holds a line.
fn component<'a>(text: &'a str, line: &str) -> &'a str {
    let found = text.split("BEGIN:").find(|part| part.contains(&format!("{line}\r\n")));
    found.unwrap_or_else(|| panic!("no {line} in {text}"))
}

fn booking(world: &World, hours: i64, purpose: &str) -> Value {
    let start = world.now() + TimeDelta::hours(hours);
    json!({
        "glovebox": "LYNX", "station": "S1", "purpose": purpose, "solvents": ["hexane"],
        "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(2)).to_rfc3339()
    })
}

fn instant(value: &Value) -> DateTime<Utc> {
    value.as_str().unwrap().parse().unwrap()
}

/// A value kept in the database.
#[derive(QueryableByName)]
struct Kept {
    #[diesel(sql_type = Text)]
    value: String,
}

on_both_backends! {
    fn the_feed_of_a_box_tells_when_but_neither_whose_nor_what_for(world) {
        let ada = world.furnished().qualified("ada");
        let keeper = world.keeper();
        keeper.patch_with_etag("/facility", "*", &json!({ "timezone": "Europe/Berlin" })).is(200);
        let booked = ada.post("/bookings", &booking(world, 30, "Secret films")).is(201);
        let (key, path) = key(&keeper, &json!({ "label": "Screen in the corridor", "glovebox": "LYNX" }));
        assert_eq!(path, "/api/v1/calendars/gloveboxes/LYNX.ics");
        let text = feed(world, &key, &path);
        let event = component(&text, &format!("UID:{}@drykeep", booked.id()));
        assert!(event.contains("SUMMARY:Booked: S1\r\n") && event.contains("Solvents: hexane"), "{event}");
        assert!(event.contains("LOCATION:LYNX\\, LAB-1\r\n"), "{event}");
        // 14:00 UTC on 8 January 2030 is 15:00 in Berlin.
        assert!(event.contains("DTSTART;TZID=Europe/Berlin:20300108T150000\r\n"), "{event}");
        assert!(event.contains("STATUS:CONFIRMED\r\n") && event.contains("SEQUENCE:0\r\n"), "{event}");
        assert!(text.contains("BEGIN:VTIMEZONE\r\nTZID:Europe/Berlin\r\n"));
        for secret in ["Secret", "ada", "ADA"] {
            assert!(!text.contains(secret), "{secret} in {text}");
        }
    }

    fn what_is_called_off_stays_for_a_month_so_that_programs_drop_it(world) {
        let ada = world.furnished().qualified("ada");
        let (key, path) = key(&ada, &json!({ "label": "Telephone" }));
        let booked = ada.post("/bookings", &booking(world, 800, "Sealing, ampoules; two")).is(201);
        let uid = format!("UID:{}@drykeep", booked.id());
        let text = feed(world, &key, &path);
        let event = component(&text, &uid);
        assert!(event.contains("SUMMARY:LYNX (S1): Sealing\\, ampoules\\; two\r\n"), "{event}");
        ada.post(&format!("/bookings/{}/cancel", booked.id()), &json!({})).is(200);
        let text = feed(world, &key, &path);
        let event = component(&text, &uid);
        assert!(event.contains("STATUS:CANCELLED\r\n") && event.contains("SEQUENCE:1\r\n"), "{event}");
        world.it_is_now(world.now() + TimeDelta::days(31));
        assert!(!feed(world, &key, &path).contains(&uid));
    }

    fn a_key_opens_its_own_feed_and_no_other(world) {
        let (ada, ben) = (world.furnished().qualified("ada"), world.qualified("ben"));
        let keeper = world.keeper();
        let (of_ada, at_ada) = key(&ada, &json!({ "label": "Telephone" }));
        let (of_ben, at_ben) = key(&ben, &json!({ "label": "Telephone" }));
        let (of_box, at_box) = key(&keeper, &json!({ "label": "Screen", "glovebox": "LYNX" }));
        for (key, path) in [(&of_ada, &at_ada), (&of_ben, &at_ben), (&of_box, &at_box)] {
            feed(world, key, path);
        }
        let anyone = world.anyone();
        let asked = [
            format!("{at_ada}?key={of_ben}"),
            format!("{at_ada}?key={of_box}"),
            format!("{at_box}?key={of_ada}"),
            at_box.replace("LYNX", "OTTER") + "?key=" + &of_box,
            at_box.replace("LYNX", "NOBOX") + "?key=" + &of_box,
            at_box.replace("LYNX", "not a tag!") .replace(' ', "%20") + "?key=" + &of_box,
            format!("{at_ada}?key="),
            at_ada.clone(),
            format!("{at_ada}?key={}", of_ada.to_lowercase()),
        ];
        for path in asked {
            let problem = anyone.get(&path).is_problem(404, "not-found");
            let detail = problem["detail"].as_str().unwrap();
            assert!(detail.starts_with("there is no calendar with this key"), "{detail}");
            assert!(!detail.contains(&of_box) && !detail.contains(&of_ben), "{detail}");
        }
        // A token opens nothing here.
        ada.get(&at_ada).is_problem(404, "not-found");
    }

    fn a_revoked_key_and_the_key_of_somebody_who_left_open_nothing(world) {
        let ada = world.furnished().qualified("ada");
        let made = ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
        let (key, path) = (made.json()["key"].as_str().unwrap().to_owned(), made.json()["path"].clone());
        let path = path.as_str().unwrap();
        feed(world, &key, path);
        let at = format!("/calendar-keys/{}", made.id());
        ada.delete(&at).is_problem(428, "condition-missing");
        ada.delete_with_etag(&at, &made.etag()).is(204);
        world.anyone().get(&format!("{path}?key={key}")).is_problem(404, "not-found");
        ada.get(&at).is_problem(404, "not-found");
        let (key, path) = self::key(&ada, &json!({ "label": "Another telephone" }));
        feed(world, &key, &path);
        world.keeper().patch_with_etag("/people/ADA", "*", &json!({ "active": false })).is(200);
        world.anyone().get(&format!("{path}?key={key}")).is_problem(404, "not-found");
    }

    fn keys_are_kept_as_hashes_and_shown_once(world) {
        let ada = world.furnished().qualified("ada");
        let form = json!({ "label": "Telephone" });
        let first = ada.post_once("/calendar-keys", "one", &form).is(201).json();
        let again = ada.post_once("/calendar-keys", "one", &form).is(201).json();
        assert_eq!((&again["id"], again.get("key")), (&first["id"], None));
        let key = first["key"].as_str().unwrap();
        assert_eq!(key.len(), 43);
        let shown = ada.get(&format!("/calendar-keys/{}", first["id"].as_str().unwrap())).is(200);
        assert!(!shown.text.contains(key));
        let query = "SELECT key_hash AS value FROM calendar_keys UNION ALL SELECT body FROM events \
             UNION ALL SELECT body FROM idempotency_keys";
        let kept = world.raw().rows::<Kept>(query, query);
        assert!(kept.len() >= 3);
        assert!(kept.iter().all(|row| !row.value.contains(key)));
        assert_eq!(kept.iter().filter(|row| row.value.len() == 64).count(), 1);
    }

    fn keys_are_made_and_revoked_by_those_they_belong_to(world) {
        let (ada, ben) = (world.furnished().qualified("ada"), world.qualified("ben"));
        let keeper = world.keeper();
        let box_key = json!({ "label": "Screen", "glovebox": "LYNX" });
        ada.post("/calendar-keys", &box_key).is_problem(403, "forbidden");
        keeper.post("/calendar-keys", &json!({ "label": "Mine" })).is_problem(422, "invalid-input");
        let missing = keeper.post("/calendar-keys", &json!({ "label": " ", "glovebox": "no box" })).is(422);
        assert_eq!(missing.violations().len(), 2, "{}", missing.text);
        let of_ada = ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
        let of_box = keeper.post("/calendar-keys", &box_key).is(201);
        let seen = |caller: &Client| caller.get_all("/calendar-keys?limit=1").len();
        assert_eq!((seen(&ada), seen(&ben), seen(&keeper)), (1, 0, 2));
        ben.get(&format!("/calendar-keys/{}", of_ada.id())).is_problem(404, "not-found");
        ben.delete_with_etag(&format!("/calendar-keys/{}", of_ada.id()), "*").is_problem(404, "not-found");
        ada.delete_with_etag(&format!("/calendar-keys/{}", of_box.id()), "*").is_problem(404, "not-found");
        keeper.delete_with_etag(&format!("/calendar-keys/{}", of_ada.id()), "*").is(204);
        assert_eq!((seen(&ada), seen(&keeper)), (0, 1));
        for _ in 0..20 {
            ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
        }
        let refused = ada.post("/calendar-keys", &json!({ "label": "One too many" })).is(422);
        assert_eq!(refused.violations(), [(String::new(), "too_many_keys".to_owned())]);
    }

    fn a_feed_that_has_not_changed_is_not_sent_again(world) {
        let ada = world.furnished().qualified("ada");
        let (key, path) = key(&world.keeper(), &json!({ "label": "Screen", "glovebox": "LYNX" }));
        let at = format!("{path}?key={key}");
        let anyone = world.anyone();
        let etag = anyone.get(&at).is(200).etag();
        world.it_is_now(world.now() + TimeDelta::minutes(20));
        let known = anyone.send("GET", &at, &[("if-none-match", &etag)], None).is(304);
        assert_eq!((known.text.as_str(), known.etag()), ("", etag.clone()));
        ada.post("/bookings", &booking(world, 30, "")).is(201);
        let changed = anyone.send("GET", &at, &[("if-none-match", &etag)], None).is(200);
        assert_ne!(changed.etag(), etag);
    }

    fn the_last_use_of_a_key_is_noted_to_the_hour(world) {
        let ada = world.furnished().qualified("ada");
        let made = ada.post("/calendar-keys", &json!({ "label": "Telephone" })).is(201);
        let at = format!("/calendar-keys/{}", made.id());
        let (key, path) = (made.json()["key"].clone(), made.json()["path"].clone());
        let last_use = || ada.get(&at).is(200).json()["last_used_at"].clone();
        assert_eq!(last_use(), Value::Null);
        let first = world.now();
        for minutes in [0, 30, 59] {
            world.it_is_now(first + TimeDelta::minutes(minutes));
            feed(world, key.as_str().unwrap(), path.as_str().unwrap());
            assert_eq!(instant(&last_use()), first);
        }
        world.it_is_now(first + TimeDelta::minutes(60));
        feed(world, key.as_str().unwrap(), path.as_str().unwrap());
        assert_eq!(instant(&last_use()), first + TimeDelta::minutes(60));
        // That is no change of the key.
        assert_eq!(ada.get(&at).is(200).etag(), made.etag());
    }

    fn the_feed_of_a_box_has_its_windows_and_what_is_due(world) {
        let keeper = world.furnished().keeper();
        for (task, safety) in [("glove_change", false), ("room_monitor_test", true)] {
            let rule = json!({
                "task": task, "applies_to": { "kind": "station" }, "duration": "PT1H", "closes": "nothing",
                "triggers": [{ "kind": "calendar", "every": "P10D" }], "people": 1, "approach": "P14D",
                "safety": safety
            });
            keeper.post("/upkeep-rules", &rule).is(201);
        }
        let window = json!({
            "name": "Monday upkeep", "dtstart": "2030-01-14T08:00:00", "timezone": "UTC", "duration": "PT2H",
            "rrule": "FREQ=WEEKLY;COUNT=3", "gloveboxes": ["LYNX"], "holds": "when_needed"
        });
        keeper.post("/maintenance-windows", &window).is(201);
        keeper.post("/nightly-runs", &json!({})).is(201);
        let (key, path) = key(&keeper, &json!({ "label": "Screen", "glovebox": "LYNX" }));
        let text = feed(world, &key, &path);
        assert_eq!(text.matches("BEGIN:VTODO").count(), 4, "{text}");
        let to_do = component(&text, "SUMMARY:glove change LYNX/S1 (approaching)");
        assert!(to_do.contains("PRIORITY:5\r\n") && to_do.contains("DUE:20300117T"), "{to_do}");
        assert!(to_do.contains("STATUS:NEEDS-ACTION\r\n"), "{to_do}");
        let to_do = component(&text, "SUMMARY:room monitor test LYNX/S1 (approaching)");
        assert!(to_do.contains("PRIORITY:1\r\n") && to_do.contains("does not say that anything is safe"));
        assert_eq!(text.matches("SUMMARY:Maintenance window: Monday upkeep").count(), 3);
        let occurrence = component(&text, "DTSTART:20300121T080000Z");
        assert!(occurrence.contains("TRANSP:TRANSPARENT\r\n"), "{occurrence}");
    }

    fn busy_time_is_told_in_the_words_of_the_standard(world) {
        let ada = world.furnished().qualified("ada");
        let keeper = world.keeper();
        let hours = json!({ "monday": [{ "from": "08:00", "to": "18:00" }], "tuesday": [{ "from": "08:00", "to": "18:00" }] });
        let closure = json!({ "start": "2030-01-08T16:00:00Z", "end": "2030-01-09T00:00:00Z", "reason": "Drill" });
        keeper.patch_with_etag("/facility", "*", &json!({ "opening_hours": hours, "closures": [closure] })).is(200);
        let form = |station: &str, start: &str, end: &str| {
            json!({ "glovebox": "LYNX", "station": station, "start": start, "end": end, "purpose": "" })
        };
        ada.post("/bookings", &form("S1", "2030-01-08T09:00:00Z", "2030-01-08T11:00:00Z")).is(201);
        let query = "from=2030-01-08T00:00:00Z&to=2030-01-09T00:00:00Z";
        let found = ada.get(&format!("/free-busy?glovebox=LYNX&{query}")).is(200).json();
        let shown = |busy: &Value| -> Vec<String> {
            let times = busy.as_array().unwrap().iter();
            times.map(|time| {
                let hour = |field: &str| time[field].as_str().unwrap()[11..16].to_owned();
                format!("{}-{} {}", hour("start"), hour("end"), time["fbtype"].as_str().unwrap())
            }).collect()
        };
        let closed = ["00:00-08:00 BUSY-UNAVAILABLE", "16:00-00:00 BUSY-UNAVAILABLE"];
        let item = &found["items"][0];
        assert_eq!(item["glovebox_tag"], "LYNX");
        assert_eq!(shown(&item["busy"]), [closed[0], "09:00-11:00 BUSY", closed[1]]);
        assert_eq!(shown(&item["stations"][0]["busy"]), [closed[0], "09:00-11:00 BUSY", closed[1]]);
        assert_eq!(shown(&item["stations"][1]["busy"]), closed);
        assert_eq!(ada.get(&format!("/free-busy?{query}")).is(200).json()["items"].as_array().unwrap().len(), 2);
        // A hold on the whole box makes the booking tentative, and the box unavailable from now on.
        let hold = json!({ "glovebox": "LYNX", "part": "S1", "reason": "Torn glove" });
        keeper.post("/holds", &hold).is(201);
        let held = ada.get(&format!("/free-busy?glovebox=LYNX&{query}")).is(200).json();
        assert_eq!(shown(&held["items"][0]["stations"][0]["busy"]), ["00:00-00:00 BUSY-UNAVAILABLE"]);
        assert_eq!(shown(&held["items"][0]["stations"][1]["busy"]), closed);
    }

    fn visits_show_at_the_box_and_with_those_who_attend_them(world) {
        let keeper = kept(world);
        adopt(&keeper, &propose(&keeper, &json!({}))).is(200);
        let visits = keeper.get_all("/maintenance-visits");
        let visit = visits.iter().find(|visit| visit["place_tag"] == "LYNX").unwrap();
        let (id, start, end) = (visit["id"].as_str().unwrap(), &visit["start"], &visit["end"]);
        let (box_key, box_path) = key(&keeper, &json!({ "label": "Screen", "glovebox": "LYNX" }));
        let (kims_key, kims_path) = key(&world.caller("KIM", "facility:read"), &json!({ "label": "Telephone" }));
        let uid = format!("UID:{id}@drykeep");
        let text = feed(world, &box_key, &box_path);
        let event = component(&text, &uid);
        assert!(event.contains("SUMMARY:Upkeep: leak test LYNX\r\n"), "{event}");
        let basic = instant(start).format("DTSTART:%Y%m%dT%H%M%SZ\r\n").to_string();
        assert!(event.contains(&basic) && event.contains("STATUS:CONFIRMED\r\n"), "{event}");
        let theirs = feed(world, &kims_key, &kims_path);
        assert_eq!(theirs.matches("SUMMARY:Upkeep: leak test").count(), 2, "{theirs}");
        let query = format!("/free-busy?glovebox=LYNX&from={}&to={}", start.as_str().unwrap(), end.as_str().unwrap());
        let busy = keeper.get(&query).is(200).json()["items"][0]["busy"].clone();
        assert_eq!(busy, json!([{ "start": start, "end": end, "fbtype": "BUSY-UNAVAILABLE" }]));
        keeper.post(&format!("/maintenance-visits/{id}/cancel"), &json!({})).is(200);
        let text = feed(world, &box_key, &box_path);
        let event = component(&text, &uid);
        assert!(event.contains("STATUS:CANCELLED\r\n") && event.contains("SEQUENCE:1\r\n"), "{event}");
    }

    /// RFC 5545 §3.6.4 and §3.8.2.6.
    fn busy_time_is_also_a_calendar_component(world) {
        let ada = world.furnished().qualified("ada");
        ada.post("/bookings", &booking(world, 24, "")).is(201);
        let path = "/api/v1/free-busy?glovebox=LYNX&from=2030-01-08T00:00:00Z&to=2030-01-09T00:00:00Z";
        let answer = ada.send("GET", path, &[("accept", "text/calendar")], None).is(200);
        assert_eq!(answer.header("content-type"), Some("text/calendar; charset=utf-8"));
        let text = answer.text.replace("\r\n ", "");
        assert!(text.contains("BEGIN:VFREEBUSY\r\n") && text.contains("DTSTART:20300108T000000Z\r\n"), "{text}");
        assert!(text.contains("FREEBUSY;FBTYPE=BUSY:20300108T080000Z/20300108T"), "{text}");
        ada.send("GET", path, &[("accept", "application/json, text/calendar;q=0.5")], None).is(200).json();
        for (query, field) in [("glovebox=NOBOX", "glovebox"), ("from=2030-01-08T00:00:00Z&to=2030-01-07T00:00:00Z", "to"),
            ("to=2031-01-08T00:00:00Z", "to"), ("from=soon", "from")] {
            let refused = ada.get(&format!("/free-busy?{query}")).is(422);
            assert_eq!(refused.violations()[0].0, field, "{query}");
        }
    }
}

/// The program as a process of its own, with all it logs.
#[test]
fn keys_are_not_in_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("tokens.secret");
    std::fs::write(&secret, SECRET).unwrap();
    let address: SocketAddr = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
    let mut process = Command::new(env!("CARGO_BIN_EXE_drykeep"))
        .args(["serve", "--listen", &address.to_string(), "--database-url"])
        .arg(format!("sqlite://{}", folder.path().join("log.db").display()))
        .env("DRYKEEP_SECRET_FILE", &secret)
        .env("DRYKEEP_ISSUER", NAME)
        .env("DRYKEEP_AUDIENCE", NAME)
        .env("DRYKEEP_LOG", "trace")
        .current_dir(folder.path())
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(folder.path().join("log")).unwrap())
        .spawn()
        .unwrap();
    for _ in 0..300 {
        if TcpStream::connect(address).is_ok() {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let bearer = format!("Bearer {}", token("keeper", "facility:read facility:manage"));
    let keeper = Client::new(address, Some(bearer));
    keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 180.0 })).is(201);
    let plain = json!({
        "tag": "LYNX", "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
        "stations": [{ "tag": "S1" }]
    });
    keeper.post("/gloveboxes", &plain).is(201);
    let (key, path) = key(&keeper, &json!({ "label": "Screen", "glovebox": "LYNX" }));
    let anyone = Client::new(address, None);
    anyone.get(&format!("{path}?key={key}")).is(200);
    anyone.get(&format!("{}?key={key}", path.replace("LYNX", "OTTER"))).is(404);
    anyone.get(&format!("{path}x?key={key}")).is(404);
    process.kill().unwrap();
    process.wait().unwrap();
    let mut log = String::new();
    std::fs::File::open(folder.path().join("log")).unwrap().read_to_string(&mut log).unwrap();
    assert!(log.contains(&path), "{log}");
    assert!(!log.contains(&key), "the key is in the log");
}
