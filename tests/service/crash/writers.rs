//! Who write while something is killed: each books a place of its own, time after
//! time, and sends readings.

use crate::world::{Client, Stop};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::time::Duration;

/// Readings sent together.
pub(super) const BATCH: usize = 3;
/// Places at each box.
const PLACES: u32 = 2;

/// What was asked for.
#[derive(Debug, Clone)]
pub(super) enum Request {
    /// A booking, under a key.
    Booking { key: String, body: Value },
    /// Readings of a sensor, numbered from one on without a gap.
    Readings { sensor: String, number: u32, body: Value },
}

/// A request of a writer, and what it was answered.
#[derive(Debug)]
pub(super) struct Sent {
    /// Who sent it.
    pub(super) subject: String,
    /// What was asked for.
    pub(super) request: Request,
    /// The answer, where one came that says that it was done.
    pub(super) answer: Option<String>,
}

/// One of those who write.
pub(super) struct Writer {
    subject: String,
    glovebox: String,
    place: u32,
    start: DateTime<Utc>,
    booked: u32,
    measured: u32,
}

/// Boxes with two places each, and people who may use them.
pub(super) fn furnish(keeper: &Client, writers: u32) -> Vec<Writer> {
    keeper.post("/rooms", &json!({ "tag": "LAB-1", "volume_m3": 900.0 })).is(201);
    let today = drykeep::clock::Clock::System.now().date_naive().and_time(chrono::NaiveTime::MIN).and_utc();
    let writer = |number: u32| {
        let (glovebox, subject) = (format!("BOX-{}", number / PLACES), format!("writer-{number}"));
        if number.is_multiple_of(PLACES) {
            let place = |kind: &str| {
                (1..=PLACES).map(|n| json!({ "tag": format!("{kind}{n}"), "name": kind })).collect::<Vec<_>>()
            };
            let form = json!({
                "tag": glovebox, "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
                "stations": place("S"), "instruments": place("I"),
                "antechambers": [{ "tag": "LARGE", "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
                    "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "measured_cycle_minutes": 2.0 }]
            });
            keeper.post("/gloveboxes", &form).is(201);
        }
        let tag = format!("W{number}");
        keeper.post("/people", &json!({ "tag": tag, "name": subject, "subject": subject })).is(201);
        keeper.post("/qualifications", &json!({ "person": tag, "glovebox": glovebox })).is(201);
        let place = number % PLACES + 1;
        Writer { subject, glovebox, place, start: today + TimeDelta::days(2), booked: 0, measured: 0 }
    };
    (0..writers).map(writer).collect()
}

impl Writer {
    /// Twenty minutes each, with ten between them for the antechamber.
    fn next(&mut self) -> Request {
        if (self.booked + self.measured) % 3 == 2 {
            return self.measurement();
        }
        let start = self.start + TimeDelta::minutes(30 * i64::from(self.booked));
        self.booked += 1;
        let mut body = json!({
            "glovebox": self.glovebox, "station": format!("S{}", self.place), "purpose": "Sealing ampoules",
            "instruments": [format!("I{}", self.place)],
            "start": start.to_rfc3339(), "end": (start + TimeDelta::minutes(20)).to_rfc3339()
        });
        if self.place == 1 {
            body["transfers_in"] = json!([{ "antechamber": "LARGE", "sample": "compact" }]);
        }
        Request::Booking { key: format!("{}-{}", self.subject, self.booked), body }
    }

    fn measurement(&mut self) -> Request {
        let number = self.measured;
        self.measured += 1;
        let first = i64::from(number) * i64::try_from(BATCH).unwrap();
        let reading = |n: i64| {
            let at = self.start - TimeDelta::days(40) + TimeDelta::seconds(first + n);
            json!({ "subject": self.glovebox, "quantity": "water_ppm", "sensor": self.subject, "at": at.to_rfc3339(),
                    "value": 1.0 + f64::from(number) / 1e6 })
        };
        let readings: Vec<Value> = (0..).take(BATCH).map(reading).collect();
        Request::Readings { sensor: self.subject.clone(), number, body: json!({ "readings": readings }) }
    }

    /// Writes until told to stop or, where `until_cut_off`, until nobody answers.
    pub(super) fn write_at(&mut self, address: SocketAddr, stop: &Stop, until_cut_off: bool) -> Vec<Sent> {
        let mut sent = Vec::new();
        while stop.not_yet() {
            let request = self.next();
            let answer = send(address, &self.subject, &request);
            let cut_off = answer.is_none();
            sent.push(Sent { subject: self.subject.clone(), request, answer });
            if cut_off && until_cut_off {
                break;
            }
            if cut_off {
                std::thread::sleep(Duration::from_millis(10));
            }
        }
        sent
    }
}

/// Sends a request; the answer, where one came and says that it was done. One
/// that the service cannot answer it says so of, and when to ask again.
pub(super) fn send(address: SocketAddr, subject: &str, request: &Request) -> Option<String> {
    let (answer, done) = match request {
        Request::Booking { key, body } => {
            (Client::researcher_at(address, subject).try_post_once("/bookings", key, body)?, 201)
        }
        Request::Readings { body, .. } => (Client::keeper_at(address).try_post("/readings", body)?, 200),
    };
    if answer.status == 503 {
        let wait: u64 = answer.header("retry-after").expect("a 503 says when to ask again").parse().unwrap();
        assert!(wait >= 1);
        return None;
    }
    Some(answer.is(done).text)
}
