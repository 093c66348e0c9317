//! Upkeep rules: what makes which task due on which kind of part, and what
//! doing it takes. Knows nothing of when anything was last done.

use crate::domain::calendar::recurrence::{Recurrence, RecurrenceText};
use crate::domain::calendar::zone::parse_zone;
use crate::domain::calendar::{Length, LocalTime, Span};
use crate::domain::facility::{MeasuredQuantity, ThingKind};
use crate::domain::ids::ThingId;
use crate::domain::names::{Name, Word};
use crate::domain::quantity::{Fraction, QuantityError};
use crate::domain::violations::{Check, Violation, Violations};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// The most triggers of one rule.
pub const MOST_TRIGGERS: usize = 12;
/// The most consumables of one rule.
pub const MOST_CONSUMABLES: usize = 20;
/// The most people one task may need.
pub const MOST_PEOPLE: u8 = 20;
/// The longest that a task takes, days: claims on resources are no longer.
pub const LONGEST_TASK_DAYS: i64 = 21;
/// Greatest dilution a purge may be asked for; more is no dilution but a mistake.
pub const MOST_DILUTION: f64 = 1e9;

/// A day long before any service, on which a rule without a start of its own
/// is tried when it is checked.
const TRIAL_START: &str = "1970-01-01T08:00:00";

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$inner:meta])* $variant:ident = $word:literal),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum $name { $($(#[$inner])* $variant),* }

        impl $name {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The word for it, in `snake_case`.
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),* }
            }

            /// What a word stands for.
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)* _ => None }
            }
        }
    };
}
pub(crate) use words;

words! {
    /// The kinds of part that upkeep is done on.
    PartKind {
        /// A glovebox as a whole.
        Glovebox = "glovebox",
        /// A station with its gloves.
        Station = "station",
        /// An antechamber with its pump and doors.
        Antechamber = "antechamber",
        /// A purifier and its circulation.
        Purifier = "purifier",
        /// A gas supply.
        GasSupply = "gas_supply",
        /// A room.
        Room = "room",
    }
}

impl PartKind {
    /// The kind of thing in the register.
    pub const fn thing(self) -> ThingKind {
        match self {
            Self::Glovebox => ThingKind::Glovebox,
            Self::Station => ThingKind::Station,
            Self::Antechamber => ThingKind::Antechamber,
            Self::Purifier => ThingKind::Purifier,
            Self::GasSupply => ThingKind::GasSupply,
            Self::Room => ThingKind::Room,
        }
    }

    /// Whether it is a part of a glovebox.
    pub const fn is_part_of_glovebox(self) -> bool {
        matches!(self, Self::Station | Self::Antechamber | Self::Purifier)
    }

    /// Where a quantity that concerns this kind of part is read: at the part
    /// itself, or at the glovebox it belongs to. `None` where neither has it.
    pub fn read_at(self, quantity: MeasuredQuantity) -> Option<ReadAt> {
        let subjects = quantity.subjects();
        if subjects.contains(&self.thing()) {
            Some(ReadAt::Itself)
        } else if self.is_part_of_glovebox() && subjects.contains(&ThingKind::Glovebox) {
            Some(ReadAt::Glovebox)
        } else {
            None
        }
    }
}

/// Where the readings that concern a part are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadAt {
    /// At the part.
    Itself,
    /// At the glovebox that the part belongs to.
    Glovebox,
}

/// The parts a rule is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AppliesTo {
    /// The kind of part.
    pub kind: PartKind,
    /// These parts of the kind; none for all of them.
    #[serde(default)]
    pub only: Vec<ThingId>,
}

impl AppliesTo {
    /// Every part of a kind.
    pub const fn all(kind: PartKind) -> Self {
        Self { kind, only: Vec::new() }
    }

    /// Whether the rule is about this part.
    pub fn covers(&self, kind: PartKind, id: ThingId) -> bool {
        self.kind == kind && (self.only.is_empty() || self.only.contains(&id))
    }
}

words! {
    /// What counts up with use.
    Meter {
        /// Hours worked at a station, from its bookings.
        StationHours = "station_hours",
        /// Hours in which work with solvents was booked in a box.
        SolventHours = "solvent_hours",
        /// Hours run by an antechamber's pump, from its counter.
        PumpHours = "pump_hours",
        /// Cycles of an antechamber, from its counter.
        AntechamberCycles = "antechamber_cycles",
    }
}

impl Meter {
    /// The kinds of part that have the meter.
    pub const fn kinds(self) -> &'static [PartKind] {
        match self {
            Self::StationHours => &[PartKind::Station],
            Self::SolventHours => &[PartKind::Glovebox, PartKind::Purifier],
            Self::PumpHours | Self::AntechamberCycles => &[PartKind::Antechamber],
        }
    }

    /// The quantity that reports the meter, for those that are read from a
    /// counter rather than added up from bookings.
    pub const fn counter(self) -> Option<MeasuredQuantity> {
        match self {
            Self::PumpHours => Some(MeasuredQuantity::PumpHours),
            Self::AntechamberCycles => Some(MeasuredQuantity::AntechamberCycles),
            Self::StationHours | Self::SolventHours => None,
        }
    }

    /// The unit it counts in.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::StationHours | Self::SolventHours | Self::PumpHours => "h",
            Self::AntechamberCycles => "cycles",
        }
    }
}

words! {
    /// What a purifier takes up.
    Species {
        /// Oxygen.
        Oxygen = "oxygen",
        /// Water.
        Water = "water",
    }
}

words! {
    /// What is closed to use while the task is done.
    Closes {
        /// Nothing.
        Nothing = "nothing",
        /// The station concerned.
        Station = "station",
        /// The antechambers concerned.
        Antechambers = "antechambers",
        /// The circulation: the box can be used without purification.
        Circulation = "circulation",
        /// The whole box.
        WholeBox = "whole_box",
        /// Every box that the supply feeds.
        SuppliedBoxes = "supplied_boxes",
    }
}

/// A finite number above nought that something is compared with.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Limit(f64);

impl Limit {
    /// Checks the number; at most 1e9.
    pub fn new(value: f64) -> Result<Self, QuantityError> {
        const MOST: f64 = 1e9;
        if !value.is_finite() {
            return Err(QuantityError::NotFinite);
        }
        if value <= 0.0 {
            return Err(QuantityError::NotAbove { value, bound: 0.0, unit: "" });
        }
        if value > MOST {
            return Err(QuantityError::TooLarge { value, most: MOST, unit: "" });
        }
        Ok(Self(value))
    }

    /// The number.
    pub const fn get(self) -> f64 {
        self.0
    }
}

impl TryFrom<f64> for Limit {
    type Error = QuantityError;
    fn try_from(value: f64) -> Result<Self, QuantityError> {
        Self::new(value)
    }
}

impl From<Limit> for f64 {
    fn from(limit: Limit) -> Self {
        limit.0
    }
}

/// Dates by an RFC 5545 rule: the first one after the last service counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "RecurringDatesText", into = "RecurringDatesText")]
pub struct RecurringDates {
    rrule: String,
    dtstart: Option<LocalTime>,
    timezone: Option<Tz>,
}

/// The text form of [`RecurringDates`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecurringDatesText {
    /// The rule, without `RRULE:`.
    pub rrule: String,
    /// The start on the wall; the last service's day unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dtstart: Option<String>,
    /// The IANA zone; the facility's unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub timezone: Option<String>,
}

impl RecurringDates {
    /// Checks the text form; everything wrong is told at once.
    pub fn parse(text: &RecurringDatesText) -> Result<Self, Violations> {
        let mut check = Check::default();
        let dtstart = check.field("dtstart", text.dtstart.as_deref().map(LocalTime::parse).transpose());
        let timezone = check.field("timezone", text.timezone.as_deref().map(parse_zone).transpose());
        let recurrence = Recurrence::parse(&RecurrenceText {
            dtstart: dtstart.flatten().map_or_else(|| TRIAL_START.to_owned(), |start| start.to_string()),
            timezone: timezone.flatten().unwrap_or(Tz::UTC).name().to_owned(),
            rrule: Some(text.rrule.clone()),
            ..RecurrenceText::default()
        });
        let rule = check
            .part("", recurrence)
            .map(|recurrence| recurrence.rule().map(ToString::to_string).unwrap_or_default());
        check.build(dtstart.zip(timezone).zip(rule), |((dtstart, timezone), rrule)| Self {
            rrule,
            dtstart,
            timezone,
        })
    }

    /// The rule, without `RRULE:`.
    pub fn rrule(&self) -> &str {
        &self.rrule
    }

    /// The first date after `after`; `None` where the rule names no more.
    pub fn next_after(&self, after: DateTime<Utc>, facility: Tz) -> Option<DateTime<Utc>> {
        let zone = self.timezone.unwrap_or(facility);
        let dtstart = match self.dtstart {
            Some(start) => start,
            None => LocalTime::new(after.with_timezone(&zone).naive_local()).ok()?,
        };
        let recurrence = Recurrence::new(dtstart, zone, Some(&self.rrule), Vec::new(), Vec::new()).ok()?;
        recurrence.next_from(after + chrono::TimeDelta::seconds(1))
    }
}

impl TryFrom<RecurringDatesText> for RecurringDates {
    type Error = Violations;
    fn try_from(text: RecurringDatesText) -> Result<Self, Violations> {
        Self::parse(&text)
    }
}

impl From<RecurringDates> for RecurringDatesText {
    fn from(dates: RecurringDates) -> Self {
        Self {
            rrule: dates.rrule,
            dtstart: dates.dtstart.map(|start| start.to_string()),
            timezone: dates.timezone.map(|zone| zone.name().to_owned()),
        }
    }
}

/// When the calendar asks for a task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Calendar {
    /// So long after the last service.
    Every {
        /// How long after.
        every: Span,
    },
    /// On the first of the dates after the last service.
    Dates(RecurringDates),
}

/// What makes a task due; the first trigger to say so governs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Trigger {
    /// Time since the last service.
    Calendar(Calendar),
    /// Use since the last service.
    Usage {
        /// What is counted.
        meter: Meter,
        /// Due when it has counted so far, in the meter's unit.
        limit: Limit,
    },
    /// A reading above a limit.
    Condition {
        /// What is read.
        quantity: MeasuredQuantity,
        /// The limit, in the quantity's unit.
        limit: Limit,
        /// How long it must stay above it; one reading is enough unless given.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        sustained: Option<Length>,
    },
    /// What the purifier has taken up since its regeneration.
    Uptake {
        /// Of what.
        species: Species,
        /// The share of its rated capacity.
        fraction: Fraction,
    },
    /// The gas supply is down to its changeover pressure.
    Contents,
    /// A finding: a test that failed, a service that asks for this task, or
    /// work after which it must be done.
    Finding {
        /// Tasks after which this one is due.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        after: Vec<Word>,
    },
}

impl Trigger {
    /// The word for the kind of trigger.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Calendar(_) => "calendar",
            Self::Usage { .. } => "usage",
            Self::Condition { .. } => "condition",
            Self::Uptake { .. } => "uptake",
            Self::Contents => "contents",
            Self::Finding { .. } => "finding",
        }
    }

    /// The quantity or meter that it looks at, for those that look at one.
    pub const fn looks_at(&self) -> Option<&'static str> {
        match self {
            Self::Usage { meter, .. } => Some(meter.word()),
            Self::Condition { quantity, .. } => Some(quantity.word()),
            Self::Uptake { species: Species::Oxygen, .. } => Some(MeasuredQuantity::OxygenPpm.word()),
            Self::Uptake { species: Species::Water, .. } => Some(MeasuredQuantity::WaterPpm.word()),
            Self::Contents => Some(MeasuredQuantity::GaugeBar.word()),
            Self::Calendar(_) | Self::Finding { .. } => None,
        }
    }

    /// Passes when a part of that kind can have the trigger.
    pub fn fits(&self, kind: PartKind) -> Result<(), Violation> {
        let part = kind.word();
        match self {
            Self::Usage { meter, .. } if !meter.kinds().contains(&kind) => Err(Violation::new(
                "meter",
                "does_not_fit",
                format!("a {part} has no meter {}", meter.word()),
            )),
            Self::Condition { quantity, .. } if kind.read_at(*quantity).is_none() => Err(Violation::new(
                "quantity",
                "does_not_fit",
                format!("{} is not read at a {part} or its glovebox", quantity.word()),
            )),
            Self::Uptake { .. } if kind != PartKind::Purifier => {
                Err(Violation::new("kind", "does_not_fit", "only a purifier takes up oxygen or water"))
            }
            Self::Contents if kind != PartKind::GasSupply => {
                Err(Violation::new("kind", "does_not_fit", "only a gas supply has contents"))
            }
            Self::Calendar(_)
            | Self::Finding { .. }
            | Self::Usage { .. }
            | Self::Condition { .. }
            | Self::Uptake { .. }
            | Self::Contents => Ok(()),
        }
    }
}

/// Something used up by a task.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Consumable {
    /// The stock item, as the site calls it.
    pub stock_item: Name,
    /// How much, in the item's own unit.
    pub quantity: Limit,
}

/// An upkeep rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UpkeepRule {
    /// The task.
    pub task: Word,
    /// The parts it is done on.
    pub applies_to: AppliesTo,
    /// What makes it due; at least one.
    pub triggers: Vec<Trigger>,
    /// How long people work at it.
    pub duration: Length,
    /// How long it then runs by itself.
    #[serde(default)]
    pub unattended: Option<Length>,
    /// How much of `duration` comes after that, to finish it.
    #[serde(default)]
    pub finish: Option<Length>,
    /// For work that lets air into the box: the box is purged afterwards until
    /// that is diluted this many times, and closed to use meanwhile.
    #[serde(default)]
    pub purge_dilution: Option<f64>,
    /// What is closed to use meanwhile.
    pub closes: Closes,
    /// How many people it takes.
    pub people: u8,
    /// The qualification it takes.
    #[serde(default)]
    pub competence: Option<Word>,
    /// What it uses up.
    #[serde(default)]
    pub consumables: Vec<Consumable>,
    /// How long before it falls due it counts as approaching.
    pub approach: Length,
    /// Whether people's safety depends on it.
    pub safety: bool,
}

impl UpkeepRule {
    /// Checks what concerns several fields together.
    pub fn check(&self) -> Result<(), Violations> {
        let mut check = Check::default();
        check.require(
            !self.triggers.is_empty(),
            "triggers",
            "empty",
            "a rule without a trigger never falls due",
        );
        let few = format!("a rule has at most {MOST_TRIGGERS} triggers");
        check.require(self.triggers.len() <= MOST_TRIGGERS, "triggers", "too_many", few);
        let few = format!("a rule has at most {MOST_CONSUMABLES} consumables");
        check.require(self.consumables.len() <= MOST_CONSUMABLES, "consumables", "too_many", few);
        let range = format!("must be 1 to {MOST_PEOPLE}");
        check.require((1..=MOST_PEOPLE).contains(&self.people), "people", "out_of_range", range);
        let whole = self.duration.seconds() + self.unattended.map_or(0, |length| length.seconds());
        let few = format!("a task takes at most {LONGEST_TASK_DAYS} days, what runs by itself included");
        check.require(whole <= LONGEST_TASK_DAYS * 86_400, "duration", "too_long", few);
        if let Some(finish) = self.finish {
            let detail = "goes with unattended only: it is what comes after that";
            check.require(self.unattended.is_some(), "finish", "finish_without_unattended", detail);
            let detail = "must be shorter than the duration that it is a part of";
            check.require(finish < self.duration, "finish", "out_of_order", detail);
        }
        if let Some(dilution) = self.purge_dilution {
            let detail = format!("must be 1 to {MOST_DILUTION:e}, not {dilution}");
            check.require(
                (1.0..=MOST_DILUTION).contains(&dilution),
                "purge_dilution",
                "out_of_range",
                detail,
            );
        }
        for (index, trigger) in self.triggers.iter().enumerate() {
            let fits = trigger.fits(self.applies_to.kind).map_err(Violations::from);
            check.part(&format!("triggers[{index}]"), fits);
        }
        check.finish(|| ())
    }
}

#[cfg(test)]
#[path = "rules_tests.rs"]
mod tests;
