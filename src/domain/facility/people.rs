//! People, what they are qualified for, and the scopes their tokens carry.

use crate::domain::calendar::{Interval, WeeklyHours};
use crate::domain::ids::{GloveboxId, PersonId};
use crate::domain::names::{Name, Remark, Tag, Word};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// A person who uses or keeps the boxes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Short tag, such as initials on a rota.
    pub tag: Option<Tag>,
    /// Name.
    pub name: Name,
    /// The `sub` of the tokens this person signs in with.
    pub subject: Option<Name>,
    /// Mail address, as given.
    pub email: Option<Name>,
    /// Groups the person belongs to; bookings count against one of them.
    pub groups: Vec<Name>,
    /// Whether the person may still use the facility.
    pub active: bool,
    /// When the person does upkeep, week by week; `None` for the facility's
    /// opening hours.
    pub working_hours: Option<WeeklyHours>,
    /// When the person is away.
    pub absences: Vec<Absence>,
}

/// A time during which a person does no upkeep.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Absence {
    /// From when to when.
    pub interval: Interval,
    /// Why, as far as others need to know; may be empty.
    pub reason: Remark,
}

/// What a qualification is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum QualifiedFor {
    /// Working in one glovebox.
    Glovebox(GloveboxId),
    /// Carrying out one kind of upkeep.
    Task(Word),
}

/// A person's qualification, for a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Qualification {
    /// Whose it is.
    pub person: PersonId,
    /// What it allows.
    pub qualified_for: QualifiedFor,
    /// When it ends; `None` for no end.
    pub valid_until: Option<DateTime<Utc>>,
}

impl Qualification {
    /// Whether it still holds at `at`.
    pub fn holds_at(&self, at: DateTime<Utc>) -> bool {
        self.valid_until.is_none_or(|until| at <= until)
    }
}

macro_rules! scopes {
    ($($(#[$doc:meta])* $name:ident = $word:literal),* $(,)?) => {
        /// What a token lets its bearer do.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Scope {$($(#[$doc])* $name),*}

        impl Scope {
            /// Every scope.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];

            /// The scope as it stands in a token.
            pub const fn word(self) -> &'static str {
                match self {$(Self::$name => $word),*}
            }

            /// The scope a word stands for.
            pub fn from_word(word: &str) -> Option<Self> {
                match word {$($word => Some(Self::$name),)* _ => None}
            }
        }
    };
}

scopes! {
    /// See the facility, openings, windows and due items.
    FacilityRead = "facility:read",
    /// Change the facility's model.
    FacilityManage = "facility:manage",
    /// Make, change and end one's own bookings.
    BookingsWrite = "bookings:write",
    /// Make, change and end anyone's bookings.
    BookingsManage = "bookings:manage",
    /// Send readings.
    ReadingsWrite = "readings:write",
    /// Keep upkeep rules, services and holds.
    UpkeepManage = "upkeep:manage",
    /// Propose and adopt maintenance plans.
    PlansManage = "plans:manage",
    /// See usage statements.
    UsageRead = "usage:read",
    /// Run the nightly computation.
    NightlyRun = "nightly:run",
}
