//! `/readings`, and the holds that they open.

use crate::world::{Answer, Client, World, on_both_backends};
use chrono::TimeDelta;
use serde_json::{Value, json};

fn oxygen(minutes_ago: i64, ppm: f64) -> Value {
    let at = crate::world::monday_morning() - TimeDelta::minutes(minutes_ago);
    json!({ "subject": "LYNX", "quantity": "oxygen_ppm", "at": at.to_rfc3339(), "value": ppm, "sensor": "o2-1" })
}

fn gateway(world: &World) -> Client {
    world.caller("gateway", "readings:write")
}

fn send(world: &World, readings: &[Value]) -> Value {
    gateway(world).post("/readings", &json!({ "readings": readings })).is(200).json()
}

fn counts(answer: &Value) -> (u64, u64, Vec<(u64, String)>) {
    let rejected = answer["rejected"].as_array().unwrap().iter();
    let rejected =
        rejected.map(|one| (one["index"].as_u64().unwrap(), one["code"].as_str().unwrap().to_owned()));
    (answer["accepted"].as_u64().unwrap(), answer["duplicates"].as_u64().unwrap(), rejected.collect())
}

fn stored(world: &World) -> Vec<f64> {
    let answer = world.researcher("ada").get("/readings?subject=LYNX&quantity=oxygen_ppm").is(200).json();
    answer["items"].as_array().unwrap().iter().map(|item| item["value"].as_f64().unwrap()).collect()
}

on_both_backends! {
    fn what_can_be_taken_is_and_what_cannot_is_named(world) {
        world.furnished();
        let mut lost = oxygen(3, 0.7);
        lost["subject"] = json!("LYNZ");
        let mut unheard = oxygen(4, 0.7);
        unheard["quantity"] = json!("mood");
        let readings = [oxygen(2, 0.5), lost, oxygen(1, 0.6), unheard, oxygen(-60, 0.7), oxygen(5, -1.0)];
        let (accepted, duplicates, rejected) = counts(&send(world, &readings));
        assert_eq!((accepted, duplicates), (2, 0));
        let places: Vec<u64> = rejected.iter().map(|(index, _)| *index).collect();
        assert_eq!(places, [1, 3, 4, 5]);
        assert_eq!(rejected[0].1, "unknown_subject");
        assert_eq!(rejected[2].1, "in_the_future");
        assert_eq!(stored(world), [0.5, 0.6]);
    }

    fn a_reading_sent_again_changes_nothing(world) {
        world.furnished();
        let sent = [oxygen(2, 0.5), oxygen(1, 0.6)];
        assert_eq!(counts(&send(world, &sent)), (2, 0, vec![]));
        assert_eq!(counts(&send(world, &sent)), (0, 2, vec![]));
        let (accepted, _, rejected) = counts(&send(world, &[oxygen(2, 0.9)]));
        assert_eq!((accepted, rejected), (0, vec![(0, "differs_from_stored".to_owned())]));
        assert_eq!(stored(world), [0.5, 0.6]);
    }

    /// The three forms of one thing.
    fn lines_and_tables_are_taken_as_objects_are(world) {
        world.furnished();
        let readings = [oxygen(2, 0.5), oxygen(1, 0.6)];
        let lines = readings.iter().fold(String::new(), |lines, reading| lines + &reading.to_string() + "\n");
        let table = readings.iter().fold("value,at,subject,sensor,quantity\r\n".to_owned(), |table, reading| {
            let text = |name: &str| reading[name].as_str().unwrap().to_owned();
            table + &format!(
                "{},{},{},{},{}\r\n",
                reading["value"], text("at"), text("subject"), text("sensor"), text("quantity")
            )
        });
        let post = |kind: &str, body: &str| -> Answer {
            gateway(world).send("POST", "/api/v1/readings", &[("content-type", kind)], Some(body.as_bytes()))
        };
        assert_eq!(counts(&post("application/x-ndjson", &lines).is(200).json()), (2, 0, vec![]));
        assert_eq!(counts(&post("text/csv; charset=utf-8", &table).is(200).json()), (0, 2, vec![]));
        assert_eq!(counts(&send(world, &readings)), (0, 2, vec![]));
        post("text/plain", &table).is_problem(415, "unsupported-media-type");
    }

    fn a_stretch_of_readings_is_summed_up(world) {
        world.furnished();
        let readings: Vec<Value> = [(119, 1.0), (90, 3.0), (61, 2.0), (30, 5.0)]
            .into_iter()
            .map(|(ago, ppm)| oxygen(ago, ppm))
            .collect();
        send(world, &readings);
        let query = "/readings?subject=LYNX&quantity=oxygen_ppm&from=2030-01-07T06:00:00Z&to=2030-01-07T08:00:00Z\
             &resolution=PT1H";
        let items = world.researcher("ada").get(query).is(200).json()["items"].clone();
        let expected = json!([
            { "at": "2030-01-07T06:00:00Z", "count": 3, "min": 1.0, "max": 3.0, "mean": 2.0, "first": 1.0, "last": 2.0 },
            { "at": "2030-01-07T07:00:00Z", "count": 1, "min": 5.0, "max": 5.0, "mean": 5.0, "first": 5.0, "last": 5.0 }
        ]);
        assert_eq!(items, expected);
    }

    fn a_reading_past_its_action_level_closes_the_box_until_it_is_released(world) {
        let ada = world.furnished().qualified("ada");
        let keeper = world.keeper();
        let wanted = json!({
            "glovebox": "LYNX", "start": "2030-01-07T12:00:00Z", "end": "2030-01-07T13:00:00Z", "purpose": ""
        });
        assert_eq!(send(world, &[oxygen(2, 99.0)])["holds_opened"], json!([]));
        let alarm = send(world, &[oxygen(1, 100.0)]);
        assert_eq!(alarm["holds_opened"].as_array().unwrap().len(), 1, "{alarm}");
        let refusal = ada.post("/bookings", &wanted).is_problem(422, "booking-not-allowed");
        assert_eq!(refusal["violations"][0]["code"], "on_hold");
        // The other box is not concerned.
        let mut elsewhere = wanted.clone();
        elsewhere["glovebox"] = json!("OTTER");
        ada.post("/bookings", &elsewhere).is(201);
        let holds = keeper.get_all("/holds?open=true");
        assert_eq!(holds.len(), 1);
        let path = format!("/holds/{}", holds[0]["id"].as_str().unwrap());
        let etag = keeper.get(&path).is(200).etag();
        let remark = json!({ "remark": "Regenerated; two hours below 1 ppm." });
        ada.post(&format!("{path}/release"), &remark).is_problem(403, "forbidden");
        keeper.post_with_etag(&format!("{path}/release"), &etag, &remark).is(200);
        ada.post("/bookings", &wanted).is(201);
        assert!(keeper.get_all("/holds?open=true").is_empty());
    }
}
