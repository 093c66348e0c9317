//! `/facility/closures/import`: closures from the calendar of somebody else.

use crate::world::{Answer, Client, on_both_backends};
use serde_json::{Value, json};

fn file(events: &[&str]) -> String {
    let mut text = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//elsewhere//EN\r\n".to_owned();
    for event in events {
        let lines = event.replace('|', "\r\n");
        text += &format!("BEGIN:VEVENT\r\nDTSTAMP:20300101T000000Z\r\n{lines}\r\nEND:VEVENT\r\n");
    }
    text + "END:VCALENDAR\r\n"
}

fn import(caller: &Client, query: &str, text: &str) -> Answer {
    let path = format!("/api/v1/facility/closures/import{query}");
    caller.send("POST", &path, &[("content-type", "text/calendar; charset=utf-8")], Some(text.as_bytes()))
}

fn closures(keeper: &Client) -> Vec<Value> {
    keeper.get("/facility").is(200).json()["closures"].as_array().unwrap().clone()
}

const BREAK: &str = "UID:1@elsewhere|DTSTART;VALUE=DATE:20301224|DTEND;VALUE=DATE:20310102|SUMMARY:Winter break\\, all closed";
const DRILLS: &str = "UID:2@elsewhere|DTSTART;TZID=Europe/Berlin:20300325T080000|DURATION:PT1H|RRULE:FREQ=WEEKLY;COUNT=2|SUMMARY:Drill";

on_both_backends! {
    /// Midnights of Berlin: 23:00 UTC in winter. Its clocks go forward on 31 March 2030
    /// (Directive 2000/84/EC), so the second drill is an hour earlier in UTC.
    fn events_become_closures_in_the_facilitys_zone(world) {
        let keeper = world.furnished().keeper();
        keeper.patch_with_etag("/facility", "*", &json!({ "timezone": "Europe/Berlin" })).is(200);
        let called_off = "UID:3@elsewhere|DTSTART:20300401T080000Z|DURATION:PT1H|STATUS:CANCELLED";
        let answer = import(&keeper, "", &file(&[BREAK, DRILLS, called_off])).is(200);
        let imported = answer.json();
        assert_eq!((imported["added"].as_array().unwrap().len(), &imported["known"]), (3, &json!(0)));
        let skipped = &imported["skipped"][0];
        assert_eq!((&skipped["uid"], &skipped["code"]), (&json!("3@elsewhere"), &json!("cancelled")));
        let expected = [
            json!({ "start": "2030-03-25T07:00:00Z", "end": "2030-03-25T08:00:00Z", "reason": "Drill" }),
            json!({ "start": "2030-04-01T06:00:00Z", "end": "2030-04-01T07:00:00Z", "reason": "Drill" }),
            json!({ "start": "2030-12-23T23:00:00Z", "end": "2031-01-01T23:00:00Z", "reason": "Winter break, all closed" }),
        ];
        assert_eq!(closures(&keeper), expected);
        assert_eq!(keeper.get("/facility").etag(), answer.etag());
    }

    fn the_same_file_sent_again_adds_nothing(world) {
        let keeper = world.furnished().keeper();
        let text = file(&[BREAK, DRILLS]);
        let first = import(&keeper, "", &text).is(200);
        let again = import(&keeper, "", &text).is(200);
        assert_eq!((&again.json()["added"], &again.json()["known"]), (&json!([]), &json!(3)));
        assert_eq!(again.etag(), first.etag());
        assert_eq!(closures(&keeper).len(), 3);
        // Of one box it is another closure.
        let one = import(&keeper, "?glovebox=LYNX", &text).is(200);
        assert_eq!(one.json()["added"].as_array().unwrap().len(), 3);
        assert_eq!(closures(&keeper).iter().filter(|closure| closure.get("glovebox").is_some()).count(), 3);
    }

    fn a_file_that_cannot_be_used_changes_nothing(world) {
        let keeper = world.furnished().keeper();
        import(&keeper, "", &file(&[DRILLS])).is(200);
        let before = keeper.get("/facility").is(200).text;
        let many: Vec<String> = (0..5)
            .map(|year| format!("UID:{year}|DTSTART;VALUE=DATE:2030010{}|RRULE:FREQ=WEEKLY|SUMMARY:{year}", year + 1))
            .collect();
        let many: Vec<&str> = many.iter().map(String::as_str).collect();
        for (text, code) in [
            ("", "not_a_calendar"),
            ("start,end,reason\n", "not_a_calendar"),
            (&file(&[BREAK]).replace("END:VEVENT\r\n", ""), "unbalanced"),
            (&file(&[BREAK, "no colon"]), "bad_line"),
            (&file(&many), "too_many_closures"),
        ] {
            let answer = import(&keeper, "", text).is(422);
            assert_eq!(answer.violations(), [(String::new(), code.to_owned())], "{}", answer.text);
        }
        let answer = import(&keeper, "?glovebox=NOBOX", &file(&[BREAK])).is(422);
        assert_eq!(answer.violations(), [("glovebox".to_owned(), "unknown_reference".to_owned())]);
        import(&keeper, "", &"x".repeat(1024 * 1024 + 1)).is_problem(413, "too-large");
        keeper.post("/facility/closures/import", &json!({})).is_problem(415, "unsupported-media-type");
        let path = "/api/v1/facility/closures/import";
        let stale = [("content-type", "text/calendar"), ("if-match", "\"v0\"")];
        keeper.send("POST", path, &stale, Some(file(&[BREAK]).as_bytes())).is_problem(412, "stale");
        world.researcher("ada").post("/facility/closures/import", &json!({})).is_problem(403, "forbidden");
        assert_eq!(keeper.get("/facility").is(200).text, before);
    }

    fn an_imported_closure_keeps_its_time_from_being_booked(world) {
        let ada = world.furnished().qualified("ada");
        import(&world.keeper(), "", &file(&["DTSTART:20300108T080000Z|DURATION:PT2H|UID:1|SUMMARY:Drill"])).is(200);
        let booking = json!({ "glovebox": "LYNX", "purpose": "", "start": "2030-01-08T09:00:00Z", "end": "2030-01-08T11:00:00Z" });
        let refused = ada.post("/bookings", &booking);
        assert!(refused.text.contains("Drill"), "{}", refused.text);
        assert!([409, 422].contains(&refused.status));
    }
}
