//! What the planner answers: a plan with its proof and its reasons, or a
//! refusal that names the rules in the way.

use super::snapshot::{Occupied, Place};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, DueItemId, GloveboxId, PersonId, WindowId};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// How much searching is allowed. The domain reads no clock: the caller hands
/// in one that does, or one that counts.
pub trait Budget {
    /// Asked once a step; true ends the search with the best plan so far.
    fn spent(&mut self) -> bool;

    /// About how long may still be searched; `None` where time is not what
    /// counts, and the search is the same every time.
    fn left(&self) -> Option<Duration>;

    /// Told now and then what the best choice so far counts for, and what none can be
    /// below, for those who tell people how far the search is. It changes nothing.
    fn reached(&mut self, _cost: i64, _bound: i64) {}
}

/// A budget of so many steps: the same search every time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Steps(pub u64);

impl Budget for Steps {
    fn spent(&mut self) -> bool {
        self.0 = self.0.saturating_sub(1);
        self.0 == 0
    }

    fn left(&self) -> Option<Duration> {
        None
    }
}

/// Why the search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stopped {
    /// No better plan exists among the candidates.
    Proved,
    /// The budget was spent.
    BudgetSpent,
    /// The exact solver gave up on the numbers; the bound still holds.
    SolverGaveUp,
}

impl Stopped {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Proved => "proved",
            Self::BudgetSpent => "budget_spent",
            Self::SolverGaveUp => "solver_gave_up",
        }
    }
}

/// People at work on a part of a task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Attendance {
    /// When.
    pub interval: Interval,
    /// Who.
    pub people: Vec<PersonId>,
}

/// A task of a visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlacedTask {
    /// The due item.
    pub id: DueItemId,
    /// From its start to its end, the part that runs by itself included.
    pub interval: Interval,
    /// The attended parts, in order.
    pub attended: Vec<Attendance>,
}

/// A booking that gives way to a visit, and what that counts for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Displaced {
    /// The booking.
    pub booking: BookingId,
    /// Cost units.
    pub cost: i64,
}

/// What a visit costs, in units of [`Weights`](super::weights::Weights). A
/// booking displaced by two visits is charged to both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct VisitCost {
    /// The visit and its purge.
    pub setup: i64,
    /// Bookings displaced.
    pub displaced: i64,
    /// Days past the dates to act by.
    pub late: i64,
    /// Life left unused.
    pub wasted: i64,
}

impl VisitCost {
    /// All of it.
    pub const fn total(&self) -> i64 {
        self.setup + self.displaced + self.late + self.wasted
    }
}

/// The best other start for the same tasks as one visit, with the rest of the
/// plan as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct NextBest {
    /// Its start.
    pub start: DateTime<Utc>,
    /// What it would cost more, in units.
    pub more: i64,
}

/// One visit: tasks at one place, one after the other, and one purge.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visit {
    /// Where.
    pub place: Place,
    /// From the first task to the end of the purge.
    pub interval: Interval,
    /// The window it begins in.
    pub window: WindowId,
    /// Its tasks, in order.
    pub tasks: Vec<PlacedTask>,
    /// The purge at its end.
    pub purge: Option<Interval>,
    /// What it claims, people excepted.
    pub claims: Vec<Occupied>,
    /// The boxes closed to use, and when.
    pub closes: Vec<(GloveboxId, Interval)>,
    /// The bookings that give way.
    pub displaced: Vec<Displaced>,
    /// What it costs.
    pub cost: VisitCost,
    /// Why it is where it is, in sentences.
    pub reasons: Vec<String>,
    /// The next best start, if there is any.
    pub next_best: Option<NextBest>,
}

/// A task that the plan leaves out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unplaced {
    /// The due item.
    pub id: DueItemId,
    /// What that counts for, in units.
    pub cost: i64,
    /// Why.
    pub reason: String,
}

/// Visits, and how good they are.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Plan {
    /// The visits, by start.
    pub visits: Vec<Visit>,
    /// What is left out.
    pub unplaced: Vec<Unplaced>,
    /// The cost of all, in units.
    pub cost: i64,
    /// No choice among the candidates costs less.
    pub lower_bound: i64,
    /// Why the search ended.
    pub stopped: Stopped,
    /// Whether the candidates left out some joint visits because a place has
    /// too many tasks; bound and proof are about the candidates.
    pub candidates_cut: bool,
    /// The seed it was found with.
    pub seed: u64,
}

impl Plan {
    /// How far the cost may lie above the best, as a fraction of the cost.
    #[expect(clippy::cast_precision_loss, reason = "a ratio for people")]
    pub fn gap(&self) -> f64 {
        if self.cost <= self.lower_bound {
            return 0.0;
        }
        (self.cost - self.lower_bound) as f64 / self.cost as f64
    }
}

/// The kinds of rule a plan obeys.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum RuleFamily {
    /// Pins and times kept free.
    WhatIf,
    /// Bookings give way only in windows, with the promised notice.
    Notice,
    /// One regeneration at a time on a supply.
    OneRegeneration,
    /// Boxes of each gas that stay open.
    OpenMinimum,
    /// Stock on the day.
    Stock,
    /// Competence.
    Competence,
    /// Working time and absences.
    WorkingTime,
    /// Claims that never give way.
    Claims,
    /// Maintenance windows.
    Windows,
    /// The date to act by.
    ActBy,
}

impl RuleFamily {
    /// All of them, those that give way most easily first.
    pub const ALL: [Self; 10] = [
        Self::WhatIf,
        Self::Notice,
        Self::OneRegeneration,
        Self::OpenMinimum,
        Self::Stock,
        Self::Competence,
        Self::WorkingTime,
        Self::Claims,
        Self::Windows,
        Self::ActBy,
    ];

    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::WhatIf => "what_if",
            Self::Notice => "notice",
            Self::OneRegeneration => "one_regeneration",
            Self::OpenMinimum => "open_minimum",
            Self::Stock => "stock",
            Self::Competence => "competence",
            Self::WorkingTime => "working_time",
            Self::Claims => "claims",
            Self::Windows => "windows",
            Self::ActBy => "act_by",
        }
    }
}

/// A rule in the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InTheWay {
    /// Its kind.
    pub family: RuleFamily,
    /// What of it is in the way, in a sentence.
    pub sentence: String,
    /// What could be relaxed, in a sentence.
    pub relax: String,
    /// Whether relaxing this kind alone is enough.
    pub suffices: bool,
}

/// Why there is no plan: tasks that may not be left out do not fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The tasks that do not fit, alone or together.
    pub tasks: Vec<DueItemId>,
    /// A smallest set of kinds of rule that together are in the way: with any
    /// one of them dropped, the tasks fit. Empty where they do not fit even
    /// with every rule dropped, or the budget ended before one was found.
    pub in_the_way: Vec<InTheWay>,
    /// Whether it is proved that they do not fit, or only that no way was
    /// found within the budget.
    pub proved: bool,
    /// The whole in one sentence.
    pub summary: String,
}
