//! `/usage-statements`: what was used, month by month, and what stays of it.

use crate::world::{Client, World, on_both_backends};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

/// Ada and Ben, each of a group, who may use both boxes.
fn people(world: &World, groups: [&str; 2]) -> (Client, Client) {
    let keeper = world.furnished().keeper();
    for (subject, group) in ["ada", "ben"].into_iter().zip(groups) {
        let tag = subject.to_uppercase();
        let person = json!({ "tag": tag, "name": format!("{subject} of the lab"), "subject": subject, "groups": [group] });
        keeper.post("/people", &person).is(201);
        for glovebox in ["LYNX", "OTTER"] {
            keeper.post("/qualifications", &json!({ "person": tag, "glovebox": glovebox })).is(201);
        }
    }
    (world.researcher("ada"), world.researcher("ben"))
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Books a station, of a group.
fn book(caller: &Client, group: &str, glovebox: &str, start: &str, minutes: i64, transfers: usize) -> String {
    let end = at(start) + TimeDelta::minutes(minutes);
    let transfer = json!({ "antechamber": "LARGE", "sample": "compact" });
    let form = json!({
        "glovebox": glovebox, "start": start, "end": end.to_rfc3339(), "purpose": "", "group": group,
        "transfers_in": vec![transfer; transfers], "solvents": if transfers == 1 { json!(["dichloromethane"]) } else { json!([]) }
    });
    caller.post("/bookings", &form).is(201).id()
}

fn statement(world: &World, month: &str, by: &str) -> Value {
    let portal = world.caller("portal", "usage:read");
    portal.get(&format!("/usage-statements?month={month}&by={by}")).is(200).json()
}

/// Hundredths or thousandths as whole numbers, so that sums are exact.
fn whole(value: &Value, places: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "small numbers")]
    let whole = (value.as_f64().unwrap() * places).round() as i64;
    whole
}

const FIGURES: [(&str, f64); 9] = [
    ("bookings", 1.0),
    ("hours", 100.0),
    ("hours_logged", 100.0),
    ("hours_booked", 100.0),
    ("station_hours", 100.0),
    ("transfers", 1.0),
    ("gas_turns_nl", 1000.0),
    ("gas_purge_nl", 1000.0),
    ("gas_nl", 1000.0),
];

fn figures(line: &Value) -> Vec<i64> {
    FIGURES.iter().map(|(name, places)| whole(&line[*name], *places)).collect()
}

fn sum<'a>(lines: impl IntoIterator<Item = &'a Value>) -> Vec<i64> {
    let mut sums = vec![0; FIGURES.len()];
    for line in lines {
        sums.iter_mut().zip(figures(line)).for_each(|(sum, one)| *sum += one);
    }
    sums
}

/// A caller who may close months.
fn closes(world: &World, month: &str) -> crate::world::Answer {
    world.caller("bursar", "facility:manage").post(&format!("/usage-statements/{month}/close"), &json!({}))
}

on_both_backends! {
    /// Ada works 90 min of the two hours she booked; Ben's three hours are still to come.
    fn hours_are_logged_where_closed_out_and_booked_otherwise(world) {
        let (ada, ben) = people(world, ["Films", "Batteries"]);
        let done = book(&ada, "Films", "LYNX", "2030-01-07T10:00:00Z", 120, 2);
        book(&ben, "Batteries", "OTTER", "2030-01-31T20:00:00Z", 180, 0);
        let called_off = book(&ben, "Batteries", "OTTER", "2030-01-20T20:00:00Z", 180, 3);
        ben.post(&format!("/bookings/{called_off}/cancel"), &json!({})).is(200);
        world.it_is_now(at("2030-01-07T10:00:00Z"));
        ada.post(&format!("/bookings/{done}/start"), &json!({})).is(200);
        world.it_is_now(at("2030-01-07T11:30:00Z"));
        ada.post(&format!("/bookings/{done}/closeout"), &json!({ "chambers_under_vacuum": true })).is(200);
        let shown = statement(world, "2030-01", "group");
        assert_eq!((&shown["state"], &shown["start"]), (&json!("open"), &json!("2030-01-01T00:00:00Z")));
        let lines: Vec<_> = shown["items"].as_array().unwrap().iter().map(|line| {
            (line["group"].as_str().unwrap(), line["hours_logged"].as_f64().unwrap(), line["hours_booked"].as_f64().unwrap(), line["transfers"].as_i64().unwrap())
        }).collect();
        assert_eq!(lines, [("Batteries", 0.0, 3.0, 0), ("Films", 1.5, 0.0, 2)]);
        assert_eq!(statement(world, "2030-02", "group")["total"]["bookings"], 0);
        // In Berlin the evening of 31 January at 23:30 UTC is February already.
        book(&ben, "Batteries", "LYNX", "2030-01-31T23:30:00Z", 30, 0);
        world.keeper().patch_with_etag("/facility", "*", &json!({ "timezone": "Europe/Berlin" })).is(200);
        assert_eq!(statement(world, "2030-02", "person")["total"]["hours"], 0.5);
    }

    /// Compared with the bookings themselves, which tell their gas to a tenth of a litre.
    fn totals_agree_with_the_bookings_whatever_they_are_divided_by(world) {
        let (ada, ben) = people(world, ["Films", "Batteries"]);
        for day in 8..14 {
            let start = format!("2030-01-{day:02}T10:00:00Z");
            book(&ada, "Films", "LYNX", &start, 20 * day, usize::try_from(day % 3).unwrap());
            book(&ben, "Batteries", "OTTER", &start, 7 * day, usize::try_from(day % 4).unwrap());
        }
        let bookings = world.keeper().get_all("/bookings");
        assert_eq!(bookings.len(), 12);
        let litres: f64 = bookings.iter().map(|booking| booking["gas_estimate_nl"].as_f64().unwrap()).sum();
        let turns: usize = bookings.iter().map(|booking| booking["transfers_in"].as_array().unwrap().len()).sum();
        let mut totals = Vec::new();
        for by in ["group", "person", "glovebox"] {
            let shown = statement(world, "2030-01", by);
            assert_eq!(shown["items"].as_array().unwrap().len(), 2);
            assert_eq!(sum(shown["items"].as_array().unwrap()), figures(&shown["total"]), "{by}");
            let told = shown["total"]["gas_nl"].as_f64().unwrap();
            assert!((told - litres).abs() <= 0.051 * 12.0 && told > 1000.0, "{told} and {litres}");
            assert_eq!(shown["total"]["transfers"], turns);
            assert!(shown["total"]["gas_turns_nl"].as_f64().unwrap() > 0.0, "{}", shown["total"]);
            assert!(shown["total"]["gas_purge_nl"].as_f64().unwrap() > 0.0, "{}", shown["total"]);
            totals.push(shown["total"].clone());
        }
        assert!(totals.iter().all(|total| *total == totals[0]));
    }

    /// From 20:10 to 22:00 are 1.83 h, instead of the two booked.
    fn what_turns_out_after_closing_is_a_correction_of_the_next_month(world) {
        let (ada, _) = people(world, ["Films", "Batteries"]);
        let late = book(&ada, "Films", "LYNX", "2030-01-31T20:00:00Z", 120, 2);
        world.it_is_now(at("2030-01-31T20:10:00Z"));
        ada.post(&format!("/bookings/{late}/start"), &json!({})).is(200);
        world.it_is_now(at("2030-02-01T08:00:00Z"));
        let open = statement(world, "2030-01", "group");
        assert_eq!(closes(world, "2030-01").is(200).json()["state"], "closed");
        ada.post(&format!("/bookings/{late}/closeout"), &json!({ "chambers_under_vacuum": true })).is(200);
        let frozen = statement(world, "2030-01", "group");
        assert_eq!((&frozen["items"], &frozen["total"]), (&open["items"], &open["total"]));
        assert_eq!((&frozen["closed_by"], &frozen["total"]["hours"]), (&json!("bursar"), &json!(2.0)));
        book(&ada, "Films", "LYNX", "2030-02-10T10:00:00Z", 60, 0);
        for by in ["group", "person", "glovebox"] {
            let next = statement(world, "2030-02", by);
            let corrections = next["corrections"].as_array().unwrap();
            assert_eq!((corrections.len(), &corrections[0]["of_month"]), (1, &json!("2030-01")));
            assert_eq!(figures(&corrections[0]), [0, -17, 183, -200, -17, 0, 0, 0, 0]);
            let all = next["items"].as_array().unwrap().iter().chain(corrections);
            assert_eq!(sum(all), figures(&next["total"]), "{by}");
        }
        // Corrections stand in one month only, and once that is closed too, nowhere else.
        assert_eq!(statement(world, "2030-03", "group")["corrections"], json!([]));
        world.it_is_now(at("2030-03-01T08:00:00Z"));
        closes(world, "2030-02").is(200);
        assert_eq!(statement(world, "2030-02", "group")["corrections"].as_array().unwrap().len(), 1);
        assert_eq!(statement(world, "2030-03", "group")["corrections"], json!([]));
    }

    fn months_are_closed_in_order_once_they_are_over(world) {
        let (ada, _) = people(world, ["Films", "Batteries"]);
        closes(world, "2030-01").is_problem(409, "wrong-state");
        closes(world, "2030-13").is_problem(404, "not-found");
        closes(world, "2029-12").is(200);
        closes(world, "2029-12").is_problem(409, "wrong-state");
        world.it_is_now(at("2030-03-01T08:00:00Z"));
        let refused = closes(world, "2030-02").is_problem(409, "wrong-state");
        assert!(refused["detail"].as_str().unwrap().contains("2030-01 comes next"), "{refused}");
        closes(world, "2030-01").is(200);
        closes(world, "2030-02").is(200);
        // Who used what is personal, and closing is another matter.
        ada.get("/usage-statements").is_problem(403, "forbidden");
        world.caller("bursar", "facility:manage").get("/usage-statements?by=person").is_problem(403, "forbidden");
        let portal = world.caller("portal", "usage:read");
        portal.post("/usage-statements/2030-03/close", &json!({})).is_problem(403, "forbidden");
        assert_eq!(portal.get("/usage-statements").is(200).json()["month"], "2030-03");
        let faulty = portal.get("/usage-statements?month=May&by=weather").is(422);
        assert_eq!(faulty.violations(), [("by".into(), "unknown_word".into()), ("month".into(), "bad_month".into())]);
    }

    fn a_spreadsheet_finds_no_formula_in_a_statement(world) {
        let formula = "=HYPERLINK(\"http://site.example\",\"sum\")";
        let (ada, ben) = people(world, [formula, "Films, \"thin\""]);
        book(&ada, formula, "LYNX", "2030-01-08T10:00:00Z", 100, 0);
        book(&ben, "Films, \"thin\"", "OTTER", "2030-01-08T10:00:00Z", 30, 0);
        let portal = world.caller("portal", "usage:read");
        let path = "/api/v1/usage-statements?month=2030-01&by=group";
        let answer = portal.send("GET", path, &[("accept", "text/csv")], None).is(200);
        assert_eq!(answer.header("content-type"), Some("text/csv; charset=utf-8"));
        let lines: Vec<&str> = answer.text.split("\r\n").collect();
        let escaped = "\"'=HYPERLINK(\"\"http://site.example\"\",\"\"sum\"\")\"";
        assert_eq!(lines, [
            "month,of_month,line,group,group_name,bookings,hours,hours_logged,hours_booked,station_hours,transfers,gas_turns_nl,gas_purge_nl,gas_nl",
            &format!("2030-01,2030-01,usage,{escaped},{escaped},1,1.67,0.00,1.67,1.67,0,0.000,0.000,0.000"),
            "2030-01,2030-01,usage,\"Films, \"\"thin\"\"\",\"Films, \"\"thin\"\"\",1,0.50,0.00,0.50,0.50,0,0.000,0.000,0.000",
            "2030-01,2030-01,total,,,2,2.17,0.00,2.17,2.17,0,0.000,0.000,0.000",
            "",
        ]);
    }
}
