//! What happened, as others are told of it: the words for each kind of event,
//! the place of an event in the feed, and how it is written as a `CloudEvents` 1.0
//! event in JSON; who has it pushed to them, signed with what, and how often that
//! is tried. Opens no connection and knows nothing of databases.

mod addresses;
mod delivery;
mod secret;
mod vocabulary;
mod webhook;

pub use addresses::{BadNetwork, Network, reached, special};
pub use delivery::{Attempt, Cause, Delivery, DeliveryState, GIVEN_UP_AFTER, Standing, standing};
pub use secret::{BadSecret, Secret};
pub use vocabulary::{EVENT_TYPES, PREFIX, TypeFilter, is_known, type_of};
pub use webhook::{Reach, Secrets, UrlFault, Webhook, WebhookUrl};

use crate::domain::ids::PersonId;
use crate::domain::violations::Coded;
use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::{Map, Value};
use std::{fmt, str::FromStr};
use thiserror::Error;
use uuid::Uuid;

/// Something that happened, at its place in the feed.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Its place: of two events, the one told of later has the higher place.
    pub position: i64,
    /// Names it among all events of all facilities.
    pub id: String,
    /// When it happened.
    pub at: DateTime<Utc>,
    /// What happened, such as `booking.created`.
    pub kind: String,
    /// To which thing.
    pub subject: Uuid,
    /// The token subject of whoever did it.
    pub actor: String,
    /// The facts; `before` and `after` are for the audit only.
    pub body: Value,
}

/// The members of an event's body that only an audit shows.
const AUDITED: [&str; 2] = ["before", "after"];

/// Whose bookings a reader may know to be whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sight {
    /// Everybody's.
    Everyone,
    /// This person's own, and nobody else's where there is no person.
    Only(Option<PersonId>),
}

impl Sight {
    fn covers(self, person: &Value) -> bool {
        match self {
            Self::Everyone => true,
            Self::Only(None) => false,
            Self::Only(Some(own)) => person.as_str() == Some(own.to_string().as_str()),
        }
    }
}

/// An event in the JSON form of `CloudEvents` 1.0 (§3 of its JSON event format).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CloudEvent {
    /// Version of the specification; `1.0`.
    pub specversion: &'static str,
    /// Names the event; with `source` unique.
    pub id: String,
    /// The facility, as a URN.
    pub source: String,
    /// What happened.
    #[serde(rename = "type")]
    pub kind: String,
    /// Id of the thing it happened to.
    pub subject: String,
    /// When.
    pub time: DateTime<Utc>,
    /// Media type of `data`.
    pub datacontenttype: &'static str,
    /// The extension attribute `sequence`: sorts as text in the order of the feed.
    pub sequence: String,
    /// The facts.
    pub data: Value,
}

impl Event {
    /// The event as a reader sees it who may see as much as `sight`.
    pub fn told(&self, facility: Uuid, sight: Sight) -> CloudEvent {
        let mut data = self.body.as_object().cloned().unwrap_or_default();
        for member in AUDITED {
            data.remove(member);
        }
        if data.get("person").is_some_and(|person| !sight.covers(person)) && self.kind.starts_with("booking.")
        {
            data.remove("person");
        }
        CloudEvent {
            specversion: "1.0",
            id: self.id.clone(),
            source: format!("urn:uuid:{facility}"),
            kind: type_of(&self.kind),
            subject: self.subject.to_string(),
            time: self.at,
            datacontenttype: "application/json",
            sequence: sequence(self.position),
            data: Value::Object(data),
        }
    }

    /// The thing as it was before, as far as it was noted.
    pub fn before(&self) -> Option<&Value> {
        self.body.get("before")
    }

    /// The thing as it was after, as far as it was noted.
    pub fn after(&self) -> Option<&Value> {
        self.body.get("after")
    }

    /// The facts without the thing before and after.
    pub fn facts(&self) -> Map<String, Value> {
        let mut facts = self.body.as_object().cloned().unwrap_or_default();
        for member in AUDITED {
            facts.remove(member);
        }
        facts
    }

    /// Where a reader stands who has read this event.
    pub fn cursor(&self) -> Cursor {
        Cursor { position: self.position, mark: mark(&self.id).to_owned() }
    }
}

/// A place in the feed as text that sorts like the place itself.
pub fn sequence(position: i64) -> String {
    format!("{position:016}")
}

/// The part of an event's id that a cursor carries.
fn mark(id: &str) -> &str {
    id.get(..8).unwrap_or(id)
}

/// Where a reader of the feed stands: after an event, or before the first.
///
/// It carries part of the event's id, so that a cursor kept from before the
/// database was put back to an older state is not taken for one of now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cursor {
    position: i64,
    mark: String,
}

/// A text that is no cursor of this feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("must be the `next` of an answer; begin again without it")]
pub struct BadCursor;

impl Coded for BadCursor {
    fn code(&self) -> &'static str {
        "bad_cursor"
    }
}

impl Cursor {
    /// Before the first event.
    pub const fn start() -> Self {
        Self { position: 0, mark: String::new() }
    }

    /// The place it stands after; 0 before the first event.
    pub const fn position(&self) -> i64 {
        self.position
    }

    /// Passes when `found`, the id of the event at its place, is the one it stands after.
    pub fn stands_after(&self, found: Option<&str>) -> Result<(), BadCursor> {
        let fits = *self == Self::start() || found.is_some_and(|id| mark(id) == self.mark);
        if fits { Ok(()) } else { Err(BadCursor) }
    }
}

impl fmt::Display for Cursor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if *self == Self::start() { f.write_str("0") } else { write!(f, "{}-{}", self.position, self.mark) }
    }
}

impl FromStr for Cursor {
    type Err = BadCursor;

    fn from_str(text: &str) -> Result<Self, BadCursor> {
        if text == "0" {
            return Ok(Self::start());
        }
        let (position, mark) = text.split_once('-').ok_or(BadCursor)?;
        let digits = !position.is_empty() && position.bytes().all(|b| b.is_ascii_digit());
        let position = position.parse().ok().filter(|at| digits && *at > 0).ok_or(BadCursor)?;
        let plain = !mark.is_empty() && mark.len() <= 8 && mark.bytes().all(|b| b.is_ascii_hexdigit());
        if plain { Ok(Self { position, mark: mark.to_owned() }) } else { Err(BadCursor) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn event(kind: &str, body: Value) -> Event {
        Event {
            position: 7,
            id: "0a1b2c3d4e5f60718293a4b5c6d7e8f9".to_owned(),
            at: DateTime::from_timestamp(1_900_000_000, 0).unwrap(),
            kind: kind.to_owned(),
            subject: Uuid::from_u128(1),
            actor: "keeper".to_owned(),
            body,
        }
    }

    /// `CloudEvents` 1.0.2 §"Required attributes" and §"Optional attributes": names, and
    /// that each value is a string, never empty.
    #[test]
    fn an_event_has_the_attributes_of_the_specification() {
        let told = event("room.created", json!({"version": 1})).told(Uuid::from_u128(9), Sight::Everyone);
        let json = serde_json::to_value(told).unwrap();
        for attribute in
            ["id", "source", "specversion", "type", "subject", "time", "datacontenttype", "sequence"]
        {
            assert!(json[attribute].as_str().is_some_and(|text| !text.is_empty()), "{attribute}");
        }
        assert_eq!(json["specversion"], "1.0");
        assert_eq!(json["type"], "drykeep.room.created");
        assert_eq!(json["data"], json!({"version": 1}));
        // §"Naming conventions": lower-case letters and digits only.
        for name in json.as_object().unwrap().keys() {
            assert!(name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit()), "{name}");
        }
    }

    #[test]
    fn nobody_who_follows_the_feed_learns_what_only_an_audit_shows() {
        let body = json!({"version": 2, "before": {"email": "a"}, "after": {"email": "b"}});
        let changed = event("person.changed", body);
        let told = changed.told(Uuid::from_u128(9), Sight::Everyone);
        assert_eq!(told.data, json!({"version": 2}));
        assert!(!serde_json::to_string(&told).unwrap().contains("keeper"));
        assert_eq!(changed.before(), Some(&json!({"email": "a"})));
        assert_eq!(changed.after(), Some(&json!({"email": "b"})));
    }

    #[test]
    fn whose_a_booking_is_is_told_to_its_holder_and_to_those_who_manage() {
        let (holder, other) = (PersonId::from(Uuid::from_u128(5)), PersonId::from(Uuid::from_u128(6)));
        let created = event("booking.created", json!({"version": 1, "person": holder}));
        let person = |sight| created.told(Uuid::from_u128(9), sight).data.get("person").cloned();
        assert_eq!(person(Sight::Everyone), Some(json!(holder)));
        assert_eq!(person(Sight::Only(Some(holder))), Some(json!(holder)));
        assert_eq!(person(Sight::Only(Some(other))), None);
        assert_eq!(person(Sight::Only(None)), None);
    }

    #[test]
    fn a_cursor_survives_being_written_down() {
        let cursor = event("room.created", Value::Null).cursor();
        assert_eq!(cursor.to_string().parse(), Ok(cursor.clone()));
        assert_eq!(Cursor::start().to_string().parse(), Ok(Cursor::start()));
        for bad in
            ["", "-", "7", "7-", "0-0a1b2c3d", "-7-0a1b2c3d", "+7-0a1b2c3d", "7-0a1b2c3d4", "7-xyz", "x-0a"]
        {
            assert_eq!(bad.parse::<Cursor>(), Err(BadCursor), "{bad:?}");
        }
    }

    #[test]
    fn a_cursor_is_of_one_event_and_no_other() {
        let cursor = event("room.created", Value::Null).cursor();
        assert_eq!(cursor.stands_after(Some("0a1b2c3d4e5f60718293a4b5c6d7e8f9")), Ok(()));
        assert_eq!(cursor.stands_after(Some("ffffffff4e5f60718293a4b5c6d7e8f9")), Err(BadCursor));
        assert_eq!(cursor.stands_after(None), Err(BadCursor));
        assert_eq!(Cursor::start().stands_after(None), Ok(()));
    }

    #[test]
    fn sequences_sort_as_text_like_places_do_as_numbers() {
        let mut texts: Vec<String> = [1, 9, 10, 99, 100, 12_345_678_901].map(sequence).to_vec();
        let sorted = texts.clone();
        texts.sort();
        assert_eq!(texts, sorted);
    }
}
