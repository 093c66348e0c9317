//! Calendar feeds: whose they are, the keys that open them, and how bookings,
//! visits, windows and due items appear in them. A feed of a box tells what
//! everybody may know; a feed of a person tells them all of their own.

pub mod entries;

use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::ids::{GloveboxId, PersonId, ThingId};
use crate::domain::names::{Name, Tag};
use chrono::{DateTime, TimeDelta, Utc};

/// How far back a feed reaches, and how long what was called off stays in it
/// so that programs that keep a copy drop it.
pub const BACK: TimeDelta = TimeDelta::days(30);

/// How far ahead a feed reaches at most.
pub const FURTHEST_AHEAD: TimeDelta = TimeDelta::days(366);

/// Entries of a feed at most.
pub const MOST_ENTRIES: usize = 5000;

/// How often a feed is worth fetching, seconds.
pub const REFRESH_SECONDS: i64 = 900;

/// The last use of a key is noted again after this time.
pub const NOTED_EVERY: TimeDelta = TimeDelta::hours(1);

/// Keys that one box or person has at most.
pub const MOST_KEYS: usize = 20;

/// What a feed is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FeedOf {
    /// A box.
    Glovebox(GloveboxId),
    /// A person.
    Person(PersonId),
}

impl FeedOf {
    /// The word for its kind.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Glovebox(_) => "glovebox",
            Self::Person(_) => "person",
        }
    }

    /// The thing it is about.
    pub fn thing(self) -> ThingId {
        match self {
            Self::Glovebox(id) => id.into(),
            Self::Person(id) => id.into(),
        }
    }

    /// The feed of the kind a word stands for.
    pub fn from_parts(word: &str, thing: uuid::Uuid) -> Option<Self> {
        match word {
            "glovebox" => Some(Self::Glovebox(thing.into())),
            "person" => Some(Self::Person(thing.into())),
            _ => None,
        }
    }
}

/// A key that opens one feed; the key itself is known to its bearer alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalendarKey {
    /// The feed it opens.
    pub of: FeedOf,
    /// What it is for, such as the program that uses it.
    pub label: Name,
    /// SHA-256 of the key, in hexadecimal digits.
    pub key_hash: String,
    /// The token subject of whoever made it.
    pub made_by: String,
    /// When it was last used, to within [`NOTED_EVERY`].
    pub last_used_at: Option<DateTime<Utc>>,
}

impl CalendarKey {
    /// Whether its use at `now` is worth noting.
    pub fn is_to_be_noted(&self, now: DateTime<Utc>) -> bool {
        self.last_used_at.is_none_or(|last| now - last >= NOTED_EVERY)
    }
}

/// The time a feed is about: some weeks back, and as far ahead as can be booked.
pub fn span(now: DateTime<Utc>, horizon: Length) -> Interval {
    let ahead = horizon.delta().clamp(TimeDelta::days(1), FURTHEST_AHEAD);
    Interval::new(now - BACK, now + ahead).expect("the end lies ahead, the start behind")
}

/// What a box is called in a feed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Whereabouts {
    /// The box's tag.
    pub glovebox: Tag,
    /// What the room is called.
    pub room: String,
}

impl std::fmt::Display for Whereabouts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}, {}", self.glovebox, self.room)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_feed_reaches_a_month_back_and_to_the_horizon() {
        let now = DateTime::from_timestamp(1_800_000_000, 0).unwrap();
        let days = |days: i64| Length::of_seconds(days * 86_400).unwrap();
        let shown = span(now, days(60));
        assert_eq!((now - shown.start(), shown.end() - now), (TimeDelta::days(30), TimeDelta::days(60)));
        assert_eq!(span(now, days(366)).end() - now, FURTHEST_AHEAD);
    }
}
