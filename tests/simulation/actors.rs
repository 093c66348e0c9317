//! What people and programs come up with: requests at random, near enough to one
//! another in time and place that they meet.

use crate::calls::{Call, Change, Intent, Reading, Who};
use crate::chance::Chance;
use crate::furnished::{BOXES, CYLINDERS};
use crate::model::Model;
use crate::usage;
use chrono::{DateTime, SubsecRound as _, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::{Value, json};

/// What a request is made of.
pub(crate) struct Scene<'a> {
    /// What is known.
    pub(crate) model: &'a Model,
    /// The present.
    pub(crate) now: DateTime<Utc>,
    /// The facility's zone.
    pub(crate) zone: Tz,
    /// Numbers the requests.
    pub(crate) number: u64,
}

/// Something that somebody asks for.
pub(crate) fn anything(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    type Actor = fn(&Scene<'_>, &mut Chance) -> Call;
    let actors: [(i64, Actor); 15] = [
        (160, book),
        (12, series),
        (80, |scene, chance| on_booking(scene, chance, Change::Started)),
        (90, |scene, chance| on_booking(scene, chance, Change::ClosedOut)),
        (60, |scene, chance| on_booking(scene, chance, Change::Cancelled)),
        (60, |scene, chance| on_booking(scene, chance, Change::Moved)),
        (220, readings),
        (12, withdraw_reading),
        (8, open_hold),
        (40, release_hold),
        (20, keep_up),
        (14, manage),
        (60, keep_house),
        (3, close_month),
        (80, look),
    ];
    chance.weighed(&actors)(scene, chance)
}

impl Scene<'_> {
    fn key(&self) -> String {
        format!("request-{}", self.number)
    }

    /// A moment to come, on a quarter of an hour.
    fn soon(&self, chance: &mut Chance) -> DateTime<Utc> {
        let quarter = self.now.timestamp().div_euclid(900);
        let ahead = if chance.permille(800) { chance.within(0, 96) } else { chance.within(0, 96 * 12) };
        DateTime::from_timestamp((quarter + ahead) * 900, 0).unwrap()
    }

    /// A moment gone by, to the second.
    fn lately(&self, chance: &mut Chance) -> DateTime<Utc> {
        let longest = if chance.permille(900) { 7200 } else { 86_400 * 20 };
        self.now.trunc_subsecs(0) - TimeDelta::seconds(chance.within(0, longest))
    }
}

fn request(scene: &Scene<'_>, chance: &mut Chance) -> Value {
    let start = scene.soon(chance);
    let end = start + TimeDelta::minutes(15 * chance.within(1, 17));
    let mut form = json!({
        "glovebox": chance.one_of(&BOXES), "start": start.to_rfc3339(), "end": end.to_rfc3339(),
        "purpose": "Sealing ampoules"
    });
    match chance.below(10) {
        0..=3 => form["station"] = json!(chance.one_of(&["S1", "S2"])),
        4 => form["whole_box"] = json!(true),
        _ => {}
    }
    let transfer = |chance: &mut Chance| json!([{ "antechamber": "LARGE", "sample": chance.one_of(&["compact", "porous"]) }]);
    if chance.permille(200) {
        form["transfers_in"] = transfer(chance);
    }
    if chance.permille(150) {
        form["transfers_out"] = transfer(chance);
    }
    if chance.permille(150) {
        form["instruments"] = json!(["BALANCE"]);
    }
    if chance.permille(120) {
        form["solvents"] = json!([chance.one_of(&["toluene", "dichloromethane"])]);
    }
    form
}

fn book(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let mut form = request(scene, chance);
    let who = if chance.permille(80) { Who::Keeper } else { chance.one_of(&Who::RESEARCHERS) };
    if who == Who::Keeper {
        form["for"] = json!(chance.one_of(&["ADA", "BEN", "CLEO"]));
    }
    let call = Call::post(who, "/bookings", form, Intent::Book);
    if chance.permille(600) { call.once(scene.key()) } else { call }
}

fn series(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let mut form = request(scene, chance);
    let often = chance.one_of(&["DAILY", "WEEKLY"]);
    form["recurrence"] = json!(format!("FREQ={often};COUNT={}", chance.within(2, 7)));
    form["on_conflict"] = json!(chance.one_of(&["skip", "refuse"]));
    Call::post(chance.one_of(&Who::RESEARCHERS), "/bookings", form, Intent::Book).once(scene.key())
}

fn on_booking(scene: &Scene<'_>, chance: &mut Chance, change: Change) -> Call {
    let mut open = scene.model.open_to(change);
    if change == Change::Started {
        // Those that can be begun now, mostly.
        let near = |id: &&String| (scene.model.bookings[*id].start - scene.now).abs() < TimeDelta::hours(2);
        let begins: Vec<&String> = open.iter().copied().filter(near).collect();
        if !begins.is_empty() && chance.permille(900) {
            open = begins;
        }
    }
    if open.is_empty() {
        return book(scene, chance);
    }
    let id = chance.one_of(&open).clone();
    let who = if chance.permille(850) { Who::Keeper } else { chance.one_of(&Who::RESEARCHERS) };
    let intent = Intent::OnBooking(id.clone(), change);
    match change {
        Change::Moved => {
            let mut form = request(scene, chance);
            form.as_object_mut()
                .unwrap()
                .retain(|name, _| ["glovebox", "start", "end"].contains(&name.as_str()));
            if chance.permille(500) {
                form.as_object_mut().unwrap().remove("glovebox");
            }
            Call::patch(who, format!("/bookings/{id}"), form, intent)
        }
        Change::Started => Call::post(who, format!("/bookings/{id}/start"), json!({}), intent),
        Change::Cancelled => Call::post(who, format!("/bookings/{id}/cancel"), json!({}), intent),
        Change::ClosedOut => {
            // What is read on leaving would be a reading under no sensor's name.
            let form = json!({ "chambers_under_vacuum": chance.permille(900), "remarks": "Wiped down" });
            Call::post(who, format!("/bookings/{id}/closeout"), form, intent)
        }
    }
}

fn reading(scene: &Scene<'_>, chance: &mut Chance) -> Reading {
    let at = scene.lately(chance).timestamp_micros();
    let hundredths =
        |chance: &mut Chance, low, high| f64::from(i32::try_from(chance.within(low, high)).unwrap()) / 100.0;
    if chance.permille(150) {
        let (subject, _) = chance.one_of(&CYLINDERS);
        return Reading { subject, quantity: "gauge_bar", at, value: hundredths(chance, 2500, 19_000) };
    }
    let subject = chance.one_of(&BOXES);
    let quantity = chance.one_of(&["oxygen_ppm", "water_ppm"]);
    let high = if quantity == "oxygen_ppm" && chance.permille(6) { 14_000 } else { 900 };
    Reading { subject, quantity, at, value: hundredths(chance, high / 20, high) }
}

fn readings(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let count = chance.within(1, 7);
    let mut sent: Vec<Reading> = Vec::new();
    for _ in 0..count {
        // What has not come about by the clock as it stands is refused.
        let now = scene.now.timestamp_micros();
        let known = scene.model.readings.iter().next_back().filter(|((_, _, at), _)| *at <= now);
        sent.push(match (chance.below(20), known) {
            (0, Some(((subject, quantity, at), value))) => {
                Reading { subject, quantity, at: *at, value: *value }
            }
            (1, Some(((subject, quantity, at), value))) => {
                Reading { subject, quantity, at: *at, value: value + 0.25 }
            }
            _ => reading(scene, chance),
        });
    }
    let rows: Vec<Value> = sent.iter().map(row).collect();
    let call = Call::post(Who::Gateway, "/readings", json!({ "readings": rows }), Intent::Readings(sent));
    if chance.permille(500) { call.once(scene.key()) } else { call }
}

fn time_of(micros: i64) -> String {
    DateTime::from_timestamp_micros(micros).unwrap().format("%FT%T%.fZ").to_string()
}

fn row(reading: &Reading) -> Value {
    json!({
        "subject": reading.subject, "quantity": reading.quantity, "at": time_of(reading.at),
        "value": reading.value, "sensor": "probe"
    })
}

fn withdraw_reading(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let known = &scene.model.readings;
    if known.is_empty() {
        return readings(scene, chance);
    }
    let nth = chance.below(known.len());
    let ((subject, quantity, at), value) = known.iter().nth(nth).expect("one of them");
    let reading = Reading { subject, quantity, at: *at, value: *value };
    let path = format!("/readings?subject={subject}&quantity={quantity}&sensor=probe&at={}", time_of(*at));
    Call { any_version: false, ..Call::delete(Who::Keeper, path, Intent::WithdrawReading(reading)) }
}

fn open_hold(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let glovebox = chance.one_of(&BOXES);
    let mut form = json!({ "glovebox": glovebox, "reason": "It smells of amine." });
    if chance.permille(600) {
        form["part"] = json!(format!("{glovebox}/{}", chance.one_of(&["S1", "S2", "LARGE", "BALANCE"])));
    }
    Call::post(Who::Keeper, "/holds", form, Intent::OpenHold).once(scene.key())
}

fn release_hold(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let open: Vec<&String> =
        scene.model.holds.iter().filter(|(_, held)| held.open).map(|(id, _)| id).collect();
    if open.is_empty() {
        return look(scene, chance);
    }
    let id = chance.one_of(&open).clone();
    Call::post(
        Who::Keeper,
        format!("/holds/{id}/release"),
        json!({ "remark": "Aired." }),
        Intent::ReleaseHold(id),
    )
}

/// Upkeep done, corrected or taken off the record.
fn keep_up(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let known = scene.model.kept.get("services").map_or(&[][..], Vec::as_slice);
    let glovebox = chance.one_of(&BOXES);
    let (task, subject) = chance.one_of(&[
        ("leak_test", glovebox.to_owned()),
        ("glove_change", format!("{glovebox}/S1")),
        ("glove_change", format!("{glovebox}/S2")),
        ("pump_oil_change", format!("{glovebox}/LARGE")),
    ]);
    let at = time_of(scene.lately(chance).timestamp_micros());
    match chance.below(10) {
        0..=5 => {
            let form = json!({ "task": task, "subject": subject, "done_at": at, "outcome": "passed" });
            let form = if task == "leak_test" {
                form
            } else {
                json!({ "task": task, "subject": subject, "done_at": at })
            };
            Call::post(Who::Keeper, "/services", form, Intent::Keep).once(scene.key())
        }
        6 | 7 if !known.is_empty() => {
            let id = chance.one_of(known);
            Call::patch(Who::Keeper, format!("/services/{id}"), json!({ "done_at": at }), Intent::Keep)
        }
        8 if !known.is_empty() => {
            let id = chance.one_of(known);
            Call::delete(Who::Keeper, format!("/services/{id}"), Intent::Keep)
        }
        _ => {
            let ((removed, _), (connected, _)) = (chance.one_of(&CYLINDERS), chance.one_of(&CYLINDERS));
            let form = json!({ "removed": removed, "connected": connected });
            Call::post(Who::Keeper, "/gas-supplies/AR-PANEL/cylinder-swaps", form, Intent::Keep)
                .once(scene.key())
        }
    }
}

/// The facility's hours and rules, its windows and people, are changed.
fn manage(scene: &Scene<'_>, chance: &mut Chance) -> Call {
    let keep = |method: fn(Who, String, Value, Intent) -> Call, path: &str, form: Value| {
        method(Who::Keeper, path.to_owned(), form, Intent::Keep)
    };
    match chance.below(8) {
        0 => {
            // Some of them begin or end where the clocks are changed.
            let (from, to) = chance.one_of(&[
                ("00:00", "24:00"),
                ("00:00", "24:00"),
                ("02:30", "22:00"),
                ("01:00", "21:00"),
            ]);
            let day = json!([{ "from": from, "to": to }]);
            let days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
            let hours: Value = days
                .map(|name| (name.to_owned(), day.clone()))
                .into_iter()
                .collect::<serde_json::Map<_, _>>()
                .into();
            keep(Call::patch, "/facility", json!({ "opening_hours": hours }))
        }
        1 => {
            let longest = chance.one_of(&["PT4H", "PT10H"]);
            keep(Call::patch, "/facility", json!({ "policies": { "longest_booking": longest } }))
        }
        2 => {
            let start = scene.soon(chance);
            let closure = json!({ "start": start.to_rfc3339(), "end": (start + TimeDelta::hours(8)).to_rfc3339(), "reason": "Works" });
            let closures = if chance.permille(500) { json!([closure]) } else { json!([]) };
            keep(Call::patch, "/facility", json!({ "closures": closures }))
        }
        3 => {
            let start = scene.soon(chance).with_timezone(&scene.zone).format("%FT%T").to_string();
            let window = json!({
                "name": "Upkeep", "dtstart": start, "timezone": scene.zone.name(), "duration": "PT2H",
                "rrule": "FREQ=WEEKLY", "holds": chance.one_of(&["always", "when_needed"]), "notice": null
            });
            keep(Call::post, "/maintenance-windows", window).once(scene.key())
        }
        4 => match scene.model.kept.get("maintenance-windows").map_or(&[][..], Vec::as_slice) {
            [] => look(scene, chance),
            known => {
                let id = chance.one_of(known);
                Call::delete(Who::Keeper, format!("/maintenance-windows/{id}"), Intent::Keep)
            }
        },
        5 => {
            let person = chance.one_of(&["BEN", "CLEO"]);
            keep(Call::patch, &format!("/people/{person}"), json!({ "active": chance.permille(800) }))
        }
        6 => match scene.model.kept.get("qualifications").map_or(&[][..], Vec::as_slice) {
            [_, .., last] if chance.permille(300) => {
                Call::delete(Who::Keeper, format!("/qualifications/{last}"), Intent::Keep)
            }
            _ => {
                let form = json!({ "person": chance.one_of(&["ADA", "BEN", "CLEO"]), "glovebox": chance.one_of(&BOXES) });
                keep(Call::post, "/qualifications", form).once(scene.key())
            }
        },
        _ => {
            let caution = f64::from(i32::try_from(chance.within(5, 20)).unwrap());
            let form = json!({ "limits": { "oxygen_ppm": { "caution": caution, "action": 100.0 } } });
            keep(Call::patch, &format!("/gloveboxes/{}", chance.one_of(&BOXES)), form)
        }
    }
}

fn keep_house(_: &Scene<'_>, _: &mut Chance) -> Call {
    Call { intent: Intent::KeepHouse, ..Call::get(Who::Keeper, "") }
}

fn close_month(scene: &Scene<'_>, _: &mut Chance) -> Call {
    let before = usage::month_of(scene.now - TimeDelta::days(31), scene.zone);
    let month = scene.model.closed.last().map_or(before, |last| usage::next(last));
    let path = format!("/usage-statements/{month}/close");
    Call::post(Who::Keeper, path, json!({}), Intent::CloseMonth(month))
}

fn look(_: &Scene<'_>, chance: &mut Chance) -> Call {
    Call::get(Who::Portal, chance.one_of(&["/bookings?limit=20", "/holds?open=true", "/gloveboxes/LYNX"]))
}
