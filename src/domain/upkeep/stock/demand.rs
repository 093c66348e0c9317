//! Planned use of stock: what upkeep that is going to be due will take.

use super::quantity::Quantity;
use crate::domain::ids::DueItemId;
use crate::domain::upkeep::due::DueItem;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// The most planned uses that are looked at; the outlook ends where there are more.
pub const MOST_DEMANDS: usize = 5000;
/// What recurs more often is not repeated: its cycle says little.
const SHORTEST_CYCLE: TimeDelta = TimeDelta::days(1);
/// The trigger that says nothing of how often its task recurs.
const FINDING: &str = "finding";

/// Upkeep that takes some of an item.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// The due item.
    pub due_item: DueItemId,
    /// The task and its part, for people.
    pub what: String,
    /// When it is likely due; absent where the data do not tell.
    pub likely: Option<DateTime<Utc>>,
    /// When it is on the calendar, which then counts instead.
    pub planned: Option<DateTime<Utc>>,
    /// From one time to the next, where that is known.
    pub cycle: Option<TimeDelta>,
    /// How much it takes.
    pub quantity: Quantity,
}

impl Wanted {
    /// What a due item takes of a stock item; `entered` is when its part was
    /// entered, from which it counts until its first service.
    ///
    /// The cycle is the time from the last service, or entry, to the likely
    /// date: of the triggers other than a finding, which recurs by chance.
    pub fn of(id: DueItemId, item: &DueItem, entered: Option<DateTime<Utc>>, quantity: Quantity) -> Self {
        let recurring = item.triggers.iter().filter(|trigger| trigger.kind != FINDING);
        let next = recurring.filter_map(|trigger| trigger.due).map(|due| due.likely).min();
        let cycle = next.zip(item.last_service.or(entered)).map(|(next, since)| next - since);
        Self {
            due_item: id,
            what: format!("{} on {}", item.task, item.subject_tag),
            likely: item.due.map(|due| due.likely),
            planned: None,
            cycle: cycle.filter(|cycle| *cycle >= SHORTEST_CYCLE),
            quantity,
        }
    }
}

/// Where a planned use comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DemandSource {
    /// A due item: the first time nought, later repetitions one, two and so on.
    DueItem {
        /// The due item.
        id: DueItemId,
        /// How often the task will have been done since by then.
        repetition: u32,
    },
}

/// A planned use.
#[derive(Debug, Clone, PartialEq)]
pub struct Demand {
    /// When.
    pub at: DateTime<Utc>,
    /// How much.
    pub quantity: Quantity,
    /// Where it comes from.
    pub source: DemandSource,
    /// The same for people.
    pub why: String,
}

/// The planned uses from a moment until another, in order of time, and the
/// moment until which they are complete: earlier where there are more than
/// [`MOST_DEMANDS`].
///
/// What is overdue is planned for now, and again one cycle from now.
pub fn demands(wanted: &[Wanted], now: DateTime<Utc>, until: DateTime<Utc>) -> (Vec<Demand>, DateTime<Utc>) {
    let mut planned: Vec<Demand> =
        wanted.iter().flat_map(|one| one.within(now, until).take(MOST_DEMANDS + 1)).collect();
    planned.sort_by_key(|demand| (demand.at, demand.source.order()));
    match planned.get(MOST_DEMANDS).map(|demand| demand.at) {
        None => (planned, until),
        Some(cut) => {
            planned.retain(|demand| demand.at < cut);
            (planned, cut)
        }
    }
}

impl DemandSource {
    fn order(self) -> (DueItemId, u32) {
        let Self::DueItem { id, repetition } = self;
        (id, repetition)
    }
}

impl Wanted {
    fn within(&self, now: DateTime<Utc>, until: DateTime<Utc>) -> impl Iterator<Item = Demand> {
        let first = self.planned.or(self.likely).filter(|_| self.quantity > Quantity::ZERO);
        let first = first.map(|first| first.max(now));
        let times = std::iter::successors(first, move |at| at.checked_add_signed(self.cycle?));
        times.take_while(move |at| *at < until).zip(0..).map(move |(at, repetition)| Demand {
            at,
            quantity: self.quantity,
            source: DemandSource::DueItem { id: self.due_item, repetition },
            why: self.told(now, repetition),
        })
    }

    /// On which date and how often it counts, for people.
    pub fn basis(&self, zone: Tz) -> String {
        if let Some(planned) = self.planned {
            let planned = planned.with_timezone(&zone).format("%-d %b %Y");
            return match self.cycle {
                Some(cycle) => format!("{}: planned for {planned}, then every {}", self.what, days(cycle)),
                None => format!("{}: planned for {planned}; not repeated, as no cycle is known", self.what),
            };
        }
        let Some(likely) = self.likely else {
            return format!("{}: no date, so that it does not count", self.what);
        };
        let likely = likely.with_timezone(&zone).format("%-d %b %Y");
        match self.cycle {
            Some(cycle) => format!(
                "{}: likely due {likely}, then every {}: from the last service, or entry, to that date",
                self.what,
                days(cycle)
            ),
            None => format!("{}: likely due {likely}; not repeated, as no cycle is known", self.what),
        }
    }

    fn told(&self, now: DateTime<Utc>, repetition: u32) -> String {
        let overdue = self.likely.is_some_and(|likely| likely < now);
        match (repetition, overdue) {
            (0, _) if self.planned.is_some() => format!("{}, planned", self.what),
            (0, true) => format!("{}, overdue", self.what),
            (0, false) => self.what.clone(),
            _ => format!("{}, again after {}", self.what, days(self.cycle.unwrap_or_default())),
        }
    }
}

/// A length of time in whole days, for people.
pub fn days(length: TimeDelta) -> String {
    match (length.num_hours() + 12).div_euclid(24) {
        1 => "1 day".to_owned(),
        days => format!("{days} days"),
    }
}
