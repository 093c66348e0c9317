//! What must be there, as far as it was acknowledged: kept in plain maps, from
//! answers and never from the service's own sums.

use crate::calls::{Call, Change, Intent, Reading, Reply};
use crate::feed::Event;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::Value;
use std::collections::BTreeMap;

/// A booking as it was last acknowledged.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Booked {
    /// Id of the box.
    pub(crate) glovebox: String,
    /// Id of the person.
    pub(crate) person: String,
    /// When the work begins.
    pub(crate) start: DateTime<Utc>,
    /// When it ends.
    pub(crate) end: DateTime<Utc>,
    /// `confirmed`, `tentative` or `cancelled`.
    pub(crate) status: String,
    /// How far along it is.
    pub(crate) progress: String,
    /// The hold whose mark it carries.
    pub(crate) hold: Option<String>,
    /// How often it was changed, its making included.
    pub(crate) version: i64,
    /// Whether it may have to give way to upkeep.
    pub(crate) gives_way: bool,
}

/// A hold as it was last acknowledged.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Held {
    /// Id of the box.
    pub(crate) glovebox: String,
    /// Id of the part; the whole box without one.
    pub(crate) part: Option<String>,
    /// Whether it still closes.
    pub(crate) open: bool,
}

/// An acknowledged request that carries a key.
#[derive(Debug, Clone)]
pub(crate) struct Answered {
    /// The request.
    pub(crate) call: Call,
    /// Its answer.
    pub(crate) reply: Reply,
    /// When it was given.
    pub(crate) at: DateTime<Utc>,
}

/// Readings by part, quantity and microsecond.
pub(crate) type Readings = BTreeMap<(&'static str, &'static str, i64), f64>;

/// All that was acknowledged.
#[derive(Debug, Clone, Default)]
pub(crate) struct Model {
    /// Bookings by id.
    pub(crate) bookings: BTreeMap<String, Booked>,
    /// Holds by id.
    pub(crate) holds: BTreeMap<String, Held>,
    /// Readings.
    pub(crate) readings: Readings,
    /// Requests that may be sent again.
    pub(crate) answered: Vec<Answered>,
    /// Ids of things that managers made and may change or remove, by collection.
    pub(crate) kept: BTreeMap<&'static str, Vec<String>>,
    /// The months that were closed, in order.
    pub(crate) closed: Vec<String>,
    /// The latest that it has ever been.
    pub(crate) latest: DateTime<Utc>,
    /// The longest that anybody has had to come late, since it was last changed.
    pub(crate) grace: TimeDelta,
}

/// An instant as answers and rows write it.
pub(crate) fn instant(text: &str) -> DateTime<Utc> {
    let zoned = text.parse::<DateTime<Utc>>();
    zoned.unwrap_or_else(|_| {
        let naive = text.replace('T', " ");
        let naive = chrono::NaiveDateTime::parse_from_str(&naive, "%Y-%m-%d %H:%M:%S%.f");
        naive.unwrap_or_else(|error| panic!("{text:?}: {error}")).and_utc()
    })
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text")).to_owned()
}

impl Booked {
    /// As an answer shows it; marks of holds are not in it.
    fn shown(body: &Value, version: i64, hold: Option<String>) -> Self {
        let cautions = body["cautions"].as_array().map_or(&[][..], Vec::as_slice);
        Self {
            glovebox: text(&body["glovebox"]),
            person: text(&body["person"]),
            start: instant(&text(&body["start"])),
            end: instant(&text(&body["end"])),
            status: text(&body["status"]),
            progress: text(&body["progress"]),
            hold,
            version,
            gives_way: cautions.iter().any(|caution| caution["code"] == "may_give_way"),
        }
    }

    /// Whether anybody may still come or is there.
    pub(crate) fn stands(&self) -> bool {
        self.progress == "booked" || self.progress == "in_use"
    }
}

/// The bookings in an answer that made one or a series.
pub(crate) fn bookings_in(body: &Value) -> Vec<&Value> {
    match body["bookings"].as_array() {
        Some(series) => series.iter().collect(),
        None => vec![body],
    }
}

impl Model {
    /// With the clock at a moment.
    pub(crate) fn at(now: DateTime<Utc>) -> Self {
        Self { latest: now, grace: TimeDelta::minutes(30), ..Self::default() }
    }

    /// What readings must come to when they are sent: how many are new, how many
    /// are known, and how many differ from what is known.
    pub(crate) fn take_readings(&mut self, sent: &[Reading]) -> (usize, usize, usize) {
        let (mut new, mut known, mut differ) = (0, 0, 0);
        for reading in sent {
            let key = (reading.subject, reading.quantity, reading.at);
            match self.readings.get(&key) {
                None => {
                    self.readings.insert(key, reading.value);
                    new += 1;
                }
                Some(value) if value.to_bits() == reading.value.to_bits() => known += 1,
                Some(_) => differ += 1,
            }
        }
        (new, known, differ)
    }

    /// Takes over what an event that some answer explains has made of a booking.
    pub(crate) fn acknowledge(&mut self, event: &Event, body: &Value) {
        let known = self.bookings.get(&event.subject);
        let hold = known.and_then(|booked| booked.hold.clone()).filter(|_| event.kind != "booking.changed");
        let version = known.map_or(1, |booked| booked.version + 1);
        self.bookings.insert(event.subject.clone(), Booked::shown(body, version, hold));
    }

    /// Takes over what happens to bookings without anybody asking for it; each
    /// may happen only where its cause is there.
    pub(crate) fn happened(&mut self, event: &Event, now: DateTime<Utc>, adopting: bool) {
        let grace = self.grace;
        let booked = self.bookings.get_mut(&event.subject);
        let booked = booked.unwrap_or_else(|| panic!("{} of an unknown booking {event:?}", event.kind));
        booked.version += 1;
        match event.kind.as_str() {
            "booking.affected" => {
                let hold = text(&event.body["hold"]);
                assert!(
                    self.holds.get(&hold).is_none_or(|held| held.open),
                    "marked by a released hold {event:?}"
                );
                assert!(
                    booked.hold.is_none() && booked.stands(),
                    "marked twice or too late: {booked:?} {event:?}"
                );
                booked.hold = Some(hold);
                "tentative".clone_into(&mut booked.status);
            }
            "booking.restored" => {
                assert!(booked.hold.take().is_some(), "restored without a mark {event:?}");
                if booked.status == "tentative" && !booked.gives_way {
                    "confirmed".clone_into(&mut booked.status);
                }
            }
            "booking.no_show" => {
                assert_eq!(booked.progress, "booked", "only who has not come is missed {event:?}");
                assert!(
                    booked.start + grace < now,
                    "released before its grace was over: {booked:?} at {now}"
                );
                "no_show".clone_into(&mut booked.progress);
                "cancelled".clone_into(&mut booked.status);
            }
            "booking.displaced" => {
                assert!(adopting, "displaced without a plan being adopted {event:?}");
                assert_eq!(booked.progress, "booked", "work in progress gave way {event:?}");
                "cancelled".clone_into(&mut booked.progress);
                "cancelled".clone_into(&mut booked.status);
            }
            other => panic!("nobody asked for {other} {event:?}"),
        }
    }

    /// Remembers what else an answer says.
    pub(crate) fn remember(&mut self, call: &Call, reply: &Reply, now: DateTime<Utc>) {
        match &call.intent {
            Intent::WithdrawReading(reading) => {
                self.readings.remove(&(reading.subject, reading.quantity, reading.at));
            }
            Intent::Keep => self.keep(call, reply),
            Intent::Book
            | Intent::OnBooking(..)
            | Intent::OpenHold
            | Intent::ReleaseHold(_)
            | Intent::CloseMonth(_)
            | Intent::Readings(_)
            | Intent::Night
            | Intent::KeepHouse
            | Intent::Plan
            | Intent::Look => {}
        }
        if call.key.is_some() {
            self.answered.push(Answered { call: call.clone(), reply: reply.clone(), at: now });
            // More than are sent again and come in between together.
            if self.answered.len() > 40 {
                self.answered.remove(0);
            }
        }
    }

    /// A hold was opened.
    pub(crate) fn opened(&mut self, event: &Event) {
        let part = event.body["part"].as_str().map(str::to_owned);
        let held = Held { glovebox: text(&event.body["glovebox"]), part, open: true };
        self.holds.insert(event.subject.clone(), held);
    }

    /// A hold was released.
    pub(crate) fn released(&mut self, event: &Event) {
        let held = self.holds.get_mut(&event.subject).expect("it was opened");
        assert!(held.open, "released twice {event:?}");
        held.open = false;
    }

    fn keep(&mut self, call: &Call, reply: &Reply) {
        let collection = ["services", "maintenance-windows", "qualifications"]
            .into_iter()
            .find(|collection| call.path.trim_start_matches('/').starts_with(collection));
        let Some(collection) = collection else { return };
        let ids = self.kept.entry(collection).or_default();
        if reply.status == 201 {
            ids.push(reply.text("id").to_owned());
        } else if reply.status == 204 {
            ids.retain(|id| !call.path.ends_with(id.as_str()));
        }
    }

    /// Ids of the bookings that may still be changed in some way, the latest first.
    pub(crate) fn open_to(&self, change: Change) -> Vec<&String> {
        let fits = |booked: &Booked| match change {
            Change::Moved | Change::Cancelled | Change::Started => booked.progress == "booked",
            Change::ClosedOut => booked.stands(),
        };
        self.bookings.iter().rev().filter(|(_, booked)| fits(booked)).map(|(id, _)| id).take(12).collect()
    }
}
