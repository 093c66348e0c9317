//! Everything the planner knows, as plain data loaded beforehand, and what is
//! asked of it. Knows nothing of how a plan is found.

use super::weights::Weights;
use crate::domain::booking::record::Status;
use crate::domain::calendar::Interval;
use crate::domain::facility::{WindowHolds, WorkingGas};
use crate::domain::ids::{
    AntechamberId, BookingId, DueItemId, GasSupplyId, GloveboxId, PersonId, StationId, ThingId, WindowId,
};
use crate::domain::names::{Name, Word};
use crate::domain::upkeep::due::DueState;
use crate::domain::upkeep::rules::Closes;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// The spacing of possible starts. Starts fall on whole multiples in UTC, and
/// every part of a task takes its length rounded up to the grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Grid {
    /// Every quarter of an hour.
    Quarter,
    /// Every half hour.
    Half,
}

impl Grid {
    /// The spacing.
    pub const fn step(self) -> TimeDelta {
        match self {
            Self::Quarter => TimeDelta::minutes(15),
            Self::Half => TimeDelta::minutes(30),
        }
    }
}

/// A glovebox.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedBox {
    /// Its id.
    pub id: GloveboxId,
    /// Its tag, for sentences.
    pub tag: String,
    /// Its working gas: boxes of one gas can stand in for each other.
    pub gas: WorkingGas,
    /// Its stations.
    pub stations: Vec<StationId>,
    /// Its antechambers.
    pub antechambers: Vec<AntechamberId>,
    /// Its instruments, as resources.
    pub instruments: Vec<ThingId>,
    /// The resource that work with the circulation off claims.
    pub circulation: ThingId,
}

impl PlannedBox {
    /// Every resource of the box: what closing the whole of it claims.
    pub fn resources(&self) -> Vec<ThingId> {
        let stations = self.stations.iter().copied().map(ThingId::from);
        let chambers = self.antechambers.iter().copied().map(ThingId::from);
        stations.chain(chambers).chain(self.instruments.iter().copied()).chain([self.circulation]).collect()
    }

    /// The resources that a task on `subject` claims by what it closes. A
    /// task on an antechamber closes that one, any other all of them; so with
    /// stations.
    pub fn closed_by(&self, closes: Closes, subject: ThingId) -> Vec<ThingId> {
        let named = |all: Vec<ThingId>| if all.contains(&subject) { vec![subject] } else { all };
        match closes {
            Closes::Nothing => Vec::new(),
            Closes::Station => named(self.stations.iter().copied().map(ThingId::from).collect()),
            Closes::Antechambers => named(self.antechambers.iter().copied().map(ThingId::from).collect()),
            Closes::Circulation => vec![self.circulation],
            Closes::WholeBox | Closes::SuppliedBoxes => self.resources(),
        }
    }
}

/// Where a visit goes: tasks at one place can share it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// A glovebox.
    Glovebox(GloveboxId),
    /// Something that belongs to no box: a room's monitor, a gas supply.
    Elsewhere(ThingId),
}

impl Place {
    /// The thing that the place is.
    pub fn thing(self) -> ThingId {
        match self {
            Self::Glovebox(id) => id.into(),
            Self::Elsewhere(thing) => thing,
        }
    }
}

/// An amount of a stock item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Need {
    /// The item, as the site calls it.
    pub item: Name,
    /// Thousandths of the item's unit.
    pub thousandths: i64,
}

/// A due item to place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    /// The due item.
    pub id: DueItemId,
    /// The task.
    pub task: Word,
    /// The part.
    pub subject: ThingId,
    /// The part's tag, for sentences.
    pub subject_tag: String,
    /// Where it is done.
    pub place: Place,
    /// Where it stands.
    pub state: DueState,
    /// The earliest sensible date; life before it is wasted. `None` where the
    /// data do not tell, and nothing is counted.
    pub earliest: Option<DateTime<Utc>>,
    /// The date to have acted by; `None` where there is no date.
    pub act_by: Option<DateTime<Utc>>,
    /// Whether people's safety depends on it: then it is not left out while
    /// the date to act by lies within the horizon, and not placed after it
    /// unless it has passed.
    pub safety: bool,
    /// How long people work at it first.
    pub attended: TimeDelta,
    /// How long it then runs by itself; nought for not at all.
    pub unattended: TimeDelta,
    /// How long people then finish it; nought for not at all.
    pub finish: TimeDelta,
    /// How long the box is purged after it; nought for not at all. The tasks
    /// of one visit share the longest purge.
    pub purge: TimeDelta,
    /// The resources claimed from its start to its end.
    pub occupies: Vec<ThingId>,
    /// The boxes that are closed to use meanwhile.
    pub closes: Vec<GloveboxId>,
    /// How many people it takes, for each attended part.
    pub people: u8,
    /// The competence that each of them needs.
    pub competence: Option<Word>,
    /// What it uses up, taken from stock at its start.
    pub consumables: Vec<Need>,
    /// The supply of regeneration gas it draws on, one task at a time.
    pub regenerates_from: Option<GasSupplyId>,
}

/// A resource occupied over an interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Occupied {
    /// The resource: a part of a box, a supply, or a person.
    pub resource: ThingId,
    /// When.
    pub interval: Interval,
}

/// A booking that could give way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedBooking {
    /// The booking.
    pub id: BookingId,
    /// Whose it is.
    pub person: PersonId,
    /// The time with hands in the gloves, which is what is lost.
    pub work: Interval,
    /// Everything it claims.
    pub claims: Vec<Occupied>,
    /// Where it stands; a cancelled one claims nothing.
    pub status: Status,
    /// When it was made.
    pub booked_at: DateTime<Utc>,
    /// Whether an opening exists that is as good.
    pub equal_opening: bool,
}

/// A box closed for a reason of its own, such as a hold or a closure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClosedBox {
    /// The box.
    pub glovebox: GloveboxId,
    /// When.
    pub interval: Interval,
}

/// One occurrence of a maintenance window.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WindowOccurrence {
    /// The window.
    pub window: WindowId,
    /// When it comes up.
    pub interval: Interval,
    /// The boxes it is for; `None` for all, and for what belongs to no box.
    pub gloveboxes: Option<Vec<GloveboxId>>,
    /// The tasks it is for; empty for any.
    pub tasks: Vec<Word>,
    /// What it does to bookings.
    pub holds: WindowHolds,
}

impl WindowOccurrence {
    /// Whether a task may be done in it at a place.
    pub fn suits(&self, place: Place, task: &Word) -> bool {
        let here = match (&self.gloveboxes, place) {
            (None, _) => true,
            (Some(boxes), Place::Glovebox(glovebox)) => boxes.contains(&glovebox),
            (Some(_), Place::Elsewhere(_)) => false,
        };
        here && (self.tasks.is_empty() || self.tasks.contains(task))
    }

    /// Whether bookings may still be asked to give way in it: always where
    /// nothing should be booked, else while the promised notice can be kept.
    pub fn may_displace(&self, now: DateTime<Utc>) -> bool {
        self.holds.notice().is_none_or(|notice| {
            now.checked_add_signed(TimeDelta::seconds(notice.seconds()))
                .is_some_and(|told| told <= self.interval.start())
        })
    }
}

/// A competence, for a time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Competence {
    /// The word that tasks ask for.
    pub word: Word,
    /// When it ends; `None` for no end.
    pub valid_until: Option<DateTime<Utc>>,
}

/// Somebody who does upkeep.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Worker {
    /// The person.
    pub id: PersonId,
    /// Name, for sentences.
    pub name: String,
    /// Working time within the horizon.
    pub working: Vec<Interval>,
    /// Absences from it.
    pub absent: Vec<Interval>,
    /// What the person is competent for.
    pub competences: Vec<Competence>,
}

impl Worker {
    /// Whether the person is competent, to the end of a piece of work.
    pub fn is_competent(&self, competence: Option<&Word>, until: DateTime<Utc>) -> bool {
        competence.is_none_or(|word| {
            self.competences
                .iter()
                .any(|held| held.word == *word && held.valid_until.is_none_or(|end| until <= end))
        })
    }
}

/// What is left of a stock item from a moment on, with everything already
/// planned taken off, until the item's next level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockLevel {
    /// The item.
    pub item: Name,
    /// Since when; the first level of an item also holds before it.
    pub from: DateTime<Utc>,
    /// Thousandths of the item's unit.
    pub thousandths: i64,
}

/// How many boxes of a working gas stay open at any moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenMinimum {
    /// The working gas.
    pub gas: WorkingGas,
    /// At least so many.
    pub boxes: u32,
}

/// Everything the planner knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// When visits may take place.
    pub horizon: Interval,
    /// The spacing of starts.
    pub grid: Grid,
    /// The boxes.
    pub boxes: Vec<PlannedBox>,
    /// What is to be placed.
    pub tasks: Vec<Task>,
    /// Bookings within the horizon.
    pub bookings: Vec<PlannedBooking>,
    /// Other claims, of people's time too: they never give way.
    pub taken: Vec<Occupied>,
    /// Boxes closed otherwise.
    pub closed: Vec<ClosedBox>,
    /// Maintenance windows' occurrences.
    pub windows: Vec<WindowOccurrence>,
    /// Who can do it.
    pub people: Vec<Worker>,
    /// Stock ahead. An item that is not listed is not watched.
    pub stock: Vec<StockLevel>,
    /// How many boxes stay open.
    pub open_minimum: Vec<OpenMinimum>,
    /// What counts for how much.
    pub weights: Weights,
}

/// A task held to a start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pin {
    /// The due item.
    pub task: DueItemId,
    /// When work at it begins; on the grid, or nothing fits.
    pub start: DateTime<Utc>,
}

/// A time kept free of visits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Forbid {
    /// The due item it concerns; `None` for every one.
    pub task: Option<DueItemId>,
    /// The place it concerns; `None` for every one.
    pub place: Option<Place>,
    /// The time: nothing of the task may lie in it.
    pub interval: Interval,
}

/// What is asked of the planner beside the snapshot. Moving a visit is a pin
/// at the new start, or a [`Forbid`] of the old.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Request {
    /// Tasks held to a start; a pinned task is not left out.
    pub pins: Vec<Pin>,
    /// Times kept free.
    pub forbids: Vec<Forbid>,
    /// Due items not to be placed at all.
    pub left_out: Vec<DueItemId>,
}

impl Task {
    /// What one day past the date to act by costs.
    pub const fn late_day(&self, weights: &Weights) -> i64 {
        if self.safety {
            return weights.late_day_safety;
        }
        match self.state {
            DueState::Due | DueState::Overdue => weights.late_day_due,
            DueState::Current | DueState::Unknown | DueState::Approaching => weights.late_day,
        }
    }

    /// Whether the plan has to place it: a safety task to be acted on within
    /// the horizon.
    pub fn must_be_placed(&self, horizon: Interval) -> bool {
        self.safety && self.act_by.is_some_and(|by| by <= horizon.end())
    }

    /// The moment it must have ended by, where that still can be.
    pub fn deadline(&self, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        self.act_by.filter(|by| self.safety && *by > now)
    }
}
