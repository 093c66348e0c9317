//! Holds: a box, or part of it, closed to use until released.

use crate::domain::facility::MeasuredQuantity;
use crate::domain::ids::{GloveboxId, ThingId};
use crate::domain::names::Remark;
use chrono::{DateTime, Utc};
use serde_json::Value;

/// What opened a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum HoldSource {
    /// A reading at or past its action level.
    Reading,
    /// A leak test that was not passed.
    LeakTest,
    /// A person.
    Person,
}

impl HoldSource {
    /// Every source.
    pub const ALL: [Self; 3] = [Self::Reading, Self::LeakTest, Self::Person];

    /// The word for the source.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reading => "reading",
            Self::LeakTest => "leak_test",
            Self::Person => "person",
        }
    }

    /// The source a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|source| source.word() == word)
    }
}

/// Who opened the box to use again, when, and what they say of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Release {
    /// The token subject of whoever did.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
    /// What was found and done; may be empty.
    pub remark: Remark,
}

/// A glovebox, or a part of one, closed to use until released.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// The box.
    pub glovebox: GloveboxId,
    /// The station, antechamber or instrument that is closed; `None` for the whole box.
    pub part: Option<ThingId>,
    /// What opened it.
    pub source: HoldSource,
    /// Why, in a sentence.
    pub reason: Remark,
    /// What it rests on: an object, for a reading with its `quantity`, `value` and `limit`.
    pub evidence: Value,
    /// The token subject of whoever opened it, or sent the reading that did.
    pub opened_by: String,
    /// Since when.
    pub opened_at: DateTime<Utc>,
    /// Its end, once released.
    pub released: Option<Release>,
}

impl Hold {
    /// Whether it still closes anything.
    pub const fn is_open(&self) -> bool {
        self.released.is_none()
    }

    /// Whether it closes work that occupies these resources of its box. A hold
    /// on the whole box closes everything, a hold on a part what uses the part.
    pub fn closes(&self, occupied: &[ThingId]) -> bool {
        self.part.is_none_or(|part| occupied.contains(&part))
    }

    /// What to beware of while it is open. Common practice, no source; what is done
    /// about it is for local rules and competent people.
    pub fn caution(&self) -> &'static str {
        match (self.source, self.alarming_quantity()) {
            (HoldSource::Reading, Some(MeasuredQuantity::OxygenPpm)) => {
                "Nobody works in it and nothing goes in or out; its chambers stay under vacuum. What is inside may have \
                 met air: pyrophoric and water-reactive materials are for people qualified for them. Inert gas that \
                 leaks or is purged into the room displaces its oxygen, and no sense notices. Call the responsible \
                 person; local rules come first."
            }
            (HoldSource::Reading, _) => {
                "Nobody works in it and nothing goes in or out until a competent person has looked. Water-reactive \
                 materials inside may be reacting. Call the responsible person; local rules come first."
            }
            (HoldSource::LeakTest, _) => {
                "A box that leaks lets air in, and its gas out into the room, where it displaces oxygen unnoticed. \
                 Nobody works in it until a competent person has looked; local rules come first."
            }
            (HoldSource::Person, _) => {
                "Somebody has closed it for a reason: ask before you touch anything at it. Local rules come first."
            }
        }
    }

    /// The quantity whose reading opened it, where one did.
    pub fn alarming_quantity(&self) -> Option<MeasuredQuantity> {
        let word = self.evidence.get("quantity")?.as_str()?;
        MeasuredQuantity::from_word(word).filter(|_| self.source == HoldSource::Reading)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;
    use uuid::Uuid;

    fn hold(part: Option<ThingId>, source: HoldSource) -> Hold {
        Hold {
            glovebox: Uuid::from_u128(1).into(),
            part,
            source,
            reason: Remark::parse("oxygen").unwrap(),
            evidence: json!({"quantity": "oxygen_ppm", "value": 120.0, "limit": 100.0}),
            opened_by: "probe".to_owned(),
            opened_at: DateTime::UNIX_EPOCH,
            released: None,
        }
    }

    #[test]
    fn a_hold_on_a_part_closes_only_what_uses_the_part() {
        let (left, right) = (Uuid::from_u128(2).into(), Uuid::from_u128(3).into());
        assert!(hold(None, HoldSource::Person).closes(&[]));
        assert!(hold(Some(left), HoldSource::Person).closes(&[right, left]));
        assert!(!hold(Some(left), HoldSource::Person).closes(&[right]));
    }

    #[test]
    fn only_a_hold_from_a_reading_has_an_alarming_quantity() {
        let alarmed = hold(None, HoldSource::Reading).alarming_quantity();
        assert_eq!(alarmed, Some(MeasuredQuantity::OxygenPpm));
        assert_eq!(hold(None, HoldSource::Person).alarming_quantity(), None);
    }

    #[test]
    fn every_source_is_found_by_its_word() {
        for source in HoldSource::ALL {
            assert_eq!(HoldSource::from_word(source.word()), Some(source));
        }
        assert_eq!(HoldSource::from_word("rumour"), None);
    }
}
