//! The feed is complete: every event has one place, places only grow, nothing
//! that was told is ever told otherwise, and who follows misses nothing.

use crate::calls::Reply;
use crate::database::Observer;
use diesel::QueryableByName;
use diesel::sql_types::{BigInt, Nullable, Text};
use serde_json::Value;
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

#[derive(QueryableByName, Hash)]
struct Row {
    #[diesel(sql_type = BigInt)]
    seq: i64,
    #[diesel(sql_type = Nullable<BigInt>)]
    position: Option<i64>,
    #[diesel(sql_type = Nullable<Text>)]
    id: Option<String>,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Text)]
    subject: String,
    #[diesel(sql_type = Text)]
    body: String,
}

/// Something that happened.
#[derive(Debug, Clone)]
pub(crate) struct Event {
    /// What.
    pub(crate) kind: String,
    /// To what.
    pub(crate) subject: String,
    /// The facts.
    pub(crate) body: Value,
}

/// All that has been told so far.
#[derive(Debug, Default)]
pub(crate) struct Feed {
    seq: i64,
    position: i64,
    told: Vec<u64>,
    ids: Vec<String>,
    /// How many events each thing has had whose version they raise.
    pub(crate) versions: BTreeMap<String, i64>,
    /// What the last event of each booking says that it became.
    pub(crate) bookings: BTreeMap<String, Value>,
    followers: [Follower; 3],
}

/// Somebody who copies the feed.
#[derive(Debug, Default)]
struct Follower {
    next: Option<String>,
    seen: usize,
}

fn rows(observer: &mut Observer, after: i64) -> Vec<Row> {
    observer.rows(&format!(
        "SELECT e.seq, p.position, p.id, e.kind, e.subject_id AS subject, e.body FROM events e \
         LEFT JOIN event_positions p ON p.seq = e.seq WHERE e.seq > {after} ORDER BY e.seq"
    ))
}

fn hash_of(row: &Row) -> u64 {
    let mut hash = DefaultHasher::new();
    row.hash(&mut hash);
    hash.finish()
}

impl Feed {
    /// Reads what is new; each new event must follow those before.
    pub(crate) fn read(&mut self, observer: &mut Observer) -> Vec<Event> {
        let new = rows(observer, self.seq);
        new.into_iter().map(|row| self.append(row)).collect()
    }

    fn append(&mut self, row: Row) -> Event {
        let position = row.position.unwrap_or_else(|| panic!("event {} has no position", row.seq));
        assert!(position > self.position, "position {position} after {}", self.position);
        (self.seq, self.position) = (row.seq, position);
        self.told.push(hash_of(&row));
        self.ids.push(row.id.clone().expect("what has a position has an id"));
        let body: Value = serde_json::from_str(&row.body).expect("bodies are JSON");
        // Those told of at a thing without changing it.
        if !["readings.received", "reading.removed", "usage_statement.closed"].contains(&row.kind.as_str()) {
            *self.versions.entry(row.subject.clone()).or_default() += 1;
        }
        if row.kind.starts_with("booking.") {
            self.bookings.insert(row.subject.clone(), body["after"].clone());
        }
        Event { kind: row.kind, subject: row.subject, body }
    }

    /// Passes where everything that was told is still told as it was, and no more.
    pub(crate) fn assert_unchanged(&self, observer: &mut Observer) {
        let now: Vec<u64> = rows(observer, 0).iter().map(hash_of).collect();
        assert_eq!(now.len(), self.told.len(), "events came or went unseen");
        assert!(now == self.told, "an event was rewritten");
        let places = observer.number("SELECT count(*) AS number FROM event_positions");
        assert_eq!(usize::try_from(places).unwrap(), self.told.len(), "each event has one place");
    }

    /// How many events there are, those not read included.
    pub(crate) fn count(observer: &mut Observer) -> i64 {
        observer.number("SELECT count(*) AS number FROM events")
    }

    /// The bookings that unread events are about.
    pub(crate) fn touched_bookings(&self, observer: &mut Observer) -> Vec<String> {
        let after = self.seq;
        observer.lines(&format!(
            "SELECT DISTINCT subject_id AS line FROM events WHERE seq > {after} AND kind LIKE 'booking.%' ORDER BY 1"
        ))
    }

    /// Where a follower goes on.
    pub(crate) fn path_for(&self, follower: usize, limit: usize) -> String {
        let after =
            self.followers[follower].next.as_ref().map_or_else(String::new, |next| format!("&after={next}"));
        format!("/changes?limit={limit}{after}")
    }

    /// What a follower was told must be what comes next, nothing left out.
    pub(crate) fn followed(&mut self, follower: usize, limit: usize, reply: &Reply) {
        let follower = &mut self.followers[follower];
        let items = reply.body["items"].as_array().expect("a feed has items");
        let told: Vec<&str> = items.iter().map(|item| item["id"].as_str().unwrap()).collect();
        let rest = &self.ids[follower.seen..];
        assert_eq!(told, rest[..told.len().min(rest.len())], "told otherwise than it happened");
        assert_eq!(told.len(), rest.len().min(limit), "something was left out");
        follower.seen += told.len();
        follower.next = Some(reply.text("next").to_owned());
    }
}
