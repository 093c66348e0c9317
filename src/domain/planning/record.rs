//! Plans and visits as kept: what was asked, what was proposed, and what
//! became of it.

use super::plan::{Attendance, Plan, Visit};
use super::snapshot::{Grid, Need, Place, Request, Task};
use crate::domain::calendar::Interval;
use crate::domain::ids::{BookingId, DueItemId, GloveboxId, PlanId, ServiceId, ThingId, WindowId};
use crate::domain::names::Word;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// What a plan was asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Scope {
    /// When its visits may take place.
    pub horizon: Interval,
    /// The spacing of starts.
    pub grid: Grid,
    /// The due items it is about; `None` for all that need something done.
    pub due_items: Option<Vec<DueItemId>>,
    /// Only those of these boxes and their parts; `None` for all.
    pub gloveboxes: Option<Vec<GloveboxId>>,
    /// Pins, times kept free, and what is left out.
    pub request: Request,
    /// The seed of the search.
    pub seed: u64,
}

/// A due item as it was when the plan was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Basis {
    /// The due item.
    pub due_item: DueItemId,
    /// The task.
    pub task: Word,
    /// The part.
    pub subject: ThingId,
    /// The part's tag.
    pub subject_tag: String,
    /// The version of its rule.
    pub rule_version: i32,
    /// When it was last done.
    pub last_service: Option<DateTime<Utc>>,
    /// The date to have acted by.
    pub act_by: Option<DateTime<Utc>>,
    /// What it uses up.
    pub consumables: Vec<Need>,
    /// Whether people's safety depends on it.
    pub safety: bool,
}

/// A plan once proposed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProposedPlan {
    /// What was asked.
    pub scope: Scope,
    /// The due items, as they were.
    pub basis: Vec<Basis>,
    /// What was found.
    pub plan: Plan,
    /// Where those could go instead whose bookings give way.
    pub alternatives: Vec<Elsewhere>,
    /// The token subject of whoever asked.
    pub proposed_by: String,
    /// Who put it on the calendar, once somebody has.
    pub adopted: Option<Adoption>,
}

/// Where the holder of a booking that gives way could go instead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Elsewhere {
    /// The booking.
    pub booking: BookingId,
    /// Openings that would be accepted as they stand, with the plan adopted.
    pub openings: Vec<OtherPlace>,
}

/// An opening.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OtherPlace {
    /// The box.
    pub glovebox: GloveboxId,
    /// Its tag.
    pub glovebox_tag: String,
    /// Tags of the stations.
    pub stations: Vec<String>,
    /// When.
    pub interval: Interval,
}

/// That a plan was put on the calendar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Adoption {
    /// The token subject of whoever did.
    pub by: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// Where a visit stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VisitStatus {
    /// On the calendar.
    Confirmed,
    /// Every task of it was done.
    Completed,
    /// Called off.
    Cancelled,
}

impl VisitStatus {
    /// Every status.
    pub const ALL: [Self; 3] = [Self::Confirmed, Self::Completed, Self::Cancelled];

    /// The word for the status: RFC 5545's words of a `STATUS`.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Confirmed => "confirmed",
            Self::Completed => "completed",
            Self::Cancelled => "cancelled",
        }
    }

    /// The status a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.word() == word)
    }
}

/// A task of a visit on the calendar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct VisitTask {
    /// The due item.
    pub due_item: DueItemId,
    /// The task.
    pub task: Word,
    /// The part.
    pub subject: ThingId,
    /// The part's tag.
    pub subject_tag: String,
    /// From its start to its end, the part that runs by itself included.
    pub interval: Interval,
    /// The attended parts, in order.
    pub attended: Vec<Attendance>,
    /// What it uses up.
    pub consumables: Vec<Need>,
    /// When it had last been done as it was planned.
    pub last_service: Option<DateTime<Utc>>,
    /// The service that recorded it as done.
    pub service: Option<ServiceId>,
}

/// A visit for upkeep on the calendar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MaintenanceVisit {
    /// The plan it is from.
    pub plan: PlanId,
    /// Where.
    pub place: Place,
    /// From the first task to the end of the purge.
    pub interval: Interval,
    /// Where it stands.
    pub status: VisitStatus,
    /// The window it begins in.
    pub window: WindowId,
    /// Its tasks, in order.
    pub tasks: Vec<VisitTask>,
    /// The purge at its end.
    pub purge: Option<Interval>,
    /// The boxes closed to use, and when.
    pub closes: Vec<(GloveboxId, Interval)>,
    /// The bookings that gave way to it.
    pub displaced: Vec<BookingId>,
    /// Why it is where it is, in sentences.
    pub reasons: Vec<String>,
}

impl Basis {
    /// What stands of a task at the time the plan is made.
    pub fn of(task: &Task, rule_version: i32, last_service: Option<DateTime<Utc>>) -> Self {
        Self {
            due_item: task.id,
            task: task.task.clone(),
            subject: task.subject,
            subject_tag: task.subject_tag.clone(),
            rule_version,
            last_service,
            act_by: task.act_by,
            consumables: task.consumables.clone(),
            safety: task.safety,
        }
    }
}

impl ProposedPlan {
    /// The due item of a task, as it was.
    pub fn basis_of(&self, id: DueItemId) -> Option<&Basis> {
        self.basis.iter().find(|basis| basis.due_item == id)
    }

    /// A visit of the plan as it goes on the calendar.
    pub fn visit(&self, plan: PlanId, visit: &Visit) -> MaintenanceVisit {
        let tasks = visit.tasks.iter().filter_map(|placed| {
            let basis = self.basis_of(placed.id)?;
            Some(VisitTask {
                due_item: placed.id,
                task: basis.task.clone(),
                subject: basis.subject,
                subject_tag: basis.subject_tag.clone(),
                interval: placed.interval,
                attended: placed.attended.clone(),
                consumables: basis.consumables.clone(),
                last_service: basis.last_service,
                service: None,
            })
        });
        MaintenanceVisit {
            plan,
            place: visit.place,
            interval: visit.interval,
            status: VisitStatus::Confirmed,
            window: visit.window,
            tasks: tasks.collect(),
            purge: visit.purge,
            closes: visit.closes.clone(),
            displaced: visit.displaced.iter().map(|displaced| displaced.booking).collect(),
            reasons: visit.reasons.clone(),
        }
    }
}

impl MaintenanceVisit {
    /// Its tasks that no service recorded as done.
    pub fn to_do(&self) -> impl Iterator<Item = &VisitTask> {
        self.tasks.iter().filter(|task| task.service.is_none())
    }

    /// Whether a task on a part is still to be done in it.
    pub fn is_to_do(&self, task: &Word, subject: ThingId) -> bool {
        self.status == VisitStatus::Confirmed
            && self.to_do().any(|one| one.task == *task && one.subject == subject)
    }

    /// Whether a task on a part that was done at a moment is what the visit was for.
    pub fn awaits(&self, task: &Word, subject: ThingId, done_at: DateTime<Utc>) -> bool {
        self.is_to_do(task, subject)
            && self
                .tasks
                .iter()
                .filter(|one| one.task == *task && one.subject == subject)
                .all(|one| one.last_service.is_none_or(|last| last < done_at))
    }

    /// Whether it is over without everything having been done.
    pub fn is_missed(&self, now: DateTime<Utc>) -> bool {
        self.status == VisitStatus::Confirmed && self.interval.end() <= now
    }

    /// The visit with a task of it done; completed when it was the last.
    #[must_use]
    pub fn with_done(mut self, task: &Word, subject: ThingId, service: ServiceId) -> Self {
        for one in self.tasks.iter_mut().filter(|one| one.task == *task && one.subject == subject) {
            one.service.get_or_insert(service);
        }
        if self.tasks.iter().all(|one| one.service.is_some()) {
            self.status = VisitStatus::Completed;
        }
        self
    }

    /// The visit without what a service recorded, on the calendar again.
    #[must_use]
    pub fn without_service(mut self, service: ServiceId) -> Self {
        for one in self.tasks.iter_mut().filter(|one| one.service == Some(service)) {
            one.service = None;
            if self.status == VisitStatus::Completed {
                self.status = VisitStatus::Confirmed;
            }
        }
        self
    }
}
