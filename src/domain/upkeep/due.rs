//! Due items: when each task falls due, how sure that is, and why.
//!
//! The states follow from one date, the one to have acted by (`act_by`): the
//! likely date, or the earliest for what people's safety depends on. An item
//! approaches from the rule's `approach` before that date; it is due on the
//! day of the date in the facility's zone; it is overdue once that day has
//! passed. The trigger with the earliest likely date governs; the others stay
//! visible. An item without any date is unknown when a trigger lacked data,
//! and current when every trigger could say that no date is in sight.

use super::circulation::{Circulation, PurifierHistory};
use super::condition::{self, Condition, Levels};
use super::contents::{self, SupplyHistory};
use super::evidence::{Assessment, DueDates, Evidence, Verdict};
use super::meters::{Booked, Counted};
use super::rules::{Calendar, Meter, PartKind, Species, Trigger, UpkeepRule, words};
use super::sensors::SensorReadings;
use super::services::{Relation, ServiceNote};
use super::summed::{self, fullest};
use super::uptake::Uptake;
use crate::domain::calendar::Interval;
use crate::domain::facility::MeasuredQuantity;
use crate::domain::ids::{GloveboxId, RuleId, ThingId};
use crate::domain::names::Word;
use crate::domain::quantity::Fraction;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::cell::OnceCell;
use std::collections::BTreeMap;

words! {
    /// Where a due item stands; later states are more pressing.
    DueState {
        /// Nothing is in sight.
        Current = "current",
        /// The data do not tell.
        Unknown = "unknown",
        /// It will be due soon.
        Approaching = "approaching",
        /// It is due today.
        Due = "due",
        /// It should have been done.
        Overdue = "overdue",
    }
}

/// A part that upkeep is done on.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// Its id.
    pub id: ThingId,
    /// Its kind.
    pub kind: PartKind,
    /// Its tag, qualified by the box's for a part of a box.
    pub tag: String,
    /// The box that it is or belongs to.
    pub glovebox: Option<GloveboxId>,
    /// Since when it is on record.
    pub created_at: DateTime<Utc>,
}

/// What is known of a part, loaded beforehand. Anything later than the moment
/// an item is computed for is left out of account, except booked use.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// The facility's zone.
    pub zone: Tz,
    /// Services on the part, on its parts, and on the box it belongs to.
    pub services: Vec<ServiceNote>,
    /// Use, past and booked, of meters that are added up from bookings.
    pub use_of: BTreeMap<Meter, Vec<Interval>>,
    /// Readings that concern the part, sensor by sensor.
    pub readings: BTreeMap<MeasuredQuantity, Vec<SensorReadings>>,
    /// For a gas supply, what is known of its contents.
    pub supply: Option<SupplyHistory>,
    /// For a purifier, what goes through it.
    pub purifier: Option<PurifierHistory>,
}

impl History {
    /// Nothing known but the zone.
    pub const fn empty(zone: Tz) -> Self {
        Self {
            zone,
            services: Vec::new(),
            use_of: BTreeMap::new(),
            readings: BTreeMap::new(),
            supply: None,
            purifier: None,
        }
    }

    /// The latest service of a task on the part itself, by when it was done,
    /// or the latest replacement of the part.
    pub fn last_service(&self, task: &Word, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let own = self.own(now).filter(|note| note.task == *task || note.replaces_for(task));
        own.map(|note| note.done_at).max()
    }

    /// When the part, as far as a task is concerned, was replaced by a new one.
    pub fn replacements(&self, task: &Word, now: DateTime<Utc>) -> Vec<DateTime<Utc>> {
        self.own(now).filter(|note| note.replaces_for(task)).map(|note| note.done_at).collect()
    }

    /// Services on the part itself.
    fn own(&self, now: DateTime<Utc>) -> impl Iterator<Item = &ServiceNote> {
        self.services.iter().filter(move |note| note.relation == Relation::Itself && note.done_at <= now)
    }

    /// The latest service of a task on the part itself that went well, or the
    /// latest replacement of the part.
    pub fn settled(&self, task: &Word, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let well = |note: &&ServiceNote| (note.task == *task && !note.failed) || note.replaces_for(task);
        self.own(now).filter(well).map(|note| note.done_at).max()
    }

    /// What each sensor of a quantity showed.
    fn sensors(&self, quantity: MeasuredQuantity) -> &[SensorReadings] {
        self.readings.get(&quantity).map_or(&[][..], Vec::as_slice)
    }
}

/// What one trigger of an item says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TriggerState {
    /// Kind of trigger.
    pub kind: String,
    /// The quantity or meter that it looks at, for those that look at one.
    #[serde(default)]
    pub quantity: Option<String>,
    /// Whether it is the one that governs.
    pub governs: bool,
    /// When the task falls due by it.
    pub due: Option<DueDates>,
    /// Why there is no date.
    pub reason: Option<String>,
    /// Whether the data could tell.
    pub known: bool,
    /// The decisive figures in a few words.
    pub summary: String,
    /// What that rests on.
    pub evidence: Evidence,
}

/// When a task falls due on a part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DueItem {
    /// The rule.
    pub rule: RuleId,
    /// The version of the rule; 0 where an earlier release did not note it.
    #[serde(default)]
    pub rule_version: i32,
    /// The part.
    pub subject: ThingId,
    /// The part's kind.
    pub subject_kind: PartKind,
    /// The part's tag when it was computed.
    pub subject_tag: String,
    /// The box that it is or belongs to.
    pub glovebox: Option<GloveboxId>,
    /// The task.
    pub task: Word,
    /// Where it stands.
    pub state: DueState,
    /// When it is due, by the trigger that governs.
    pub due: Option<DueDates>,
    /// The kind of trigger that governs.
    pub governing_trigger: Option<String>,
    /// Why there is no date.
    pub reason: Option<String>,
    /// What each trigger says, in the rule's order.
    pub triggers: Vec<TriggerState>,
    /// The date to have acted by.
    pub act_by: Option<DateTime<Utc>>,
    /// Whether people's safety depends on it.
    pub safety: bool,
    /// When it was last done, or the part was replaced by a new one.
    pub last_service: Option<DateTime<Utc>>,
    /// The moment it was computed for.
    pub computed_at: DateTime<Utc>,
}

impl DueItem {
    /// What the governing trigger says, or why there is no date.
    pub fn summary(&self) -> &str {
        let governing = self.triggers.iter().find(|trigger| trigger.governs);
        governing.map(|trigger| trigger.summary.as_str()).or(self.reason.as_deref()).unwrap_or_default()
    }

    /// The same without what it rests on, for whoever holds many of them.
    #[must_use]
    pub fn without_evidence(mut self) -> Self {
        for trigger in &mut self.triggers {
            trigger.evidence = Evidence::default();
        }
        self
    }
}

/// Works out one item: a rule on a part, by what is known, at a moment.
pub fn compute(
    rule_id: RuleId,
    rule: &UpkeepRule,
    subject: &Subject,
    history: &History,
    now: DateTime<Utc>,
) -> DueItem {
    let last = history.last_service(&rule.task, now);
    let view = View { rule, subject, history, now, last, circulation: OnceCell::new() };
    let assessed: Vec<Assessment> = rule.triggers.iter().map(|trigger| view.assess(trigger)).collect();
    let governing = governing(&assessed);
    let due = governing.and_then(|index| dates(&assessed[index]));
    let act_by = due.map(|due| if rule.safety { due.earliest.unwrap_or(due.likely) } else { due.likely });
    let state = match act_by {
        Some(act_by) => state(act_by, rule.approach.delta(), history.zone, now),
        None if assessed.iter().any(|one| matches!(one.verdict, Verdict::Unknown(_))) => DueState::Unknown,
        None => DueState::Current,
    };
    DueItem {
        rule: rule_id,
        rule_version: 0,
        subject: subject.id,
        subject_kind: subject.kind,
        subject_tag: subject.tag.clone(),
        glovebox: subject.glovebox,
        task: rule.task.clone(),
        state,
        due,
        governing_trigger: governing.map(|index| rule.triggers[index].kind().to_owned()),
        reason: due.is_none().then(|| reasons(&assessed, state)),
        triggers: rule
            .triggers
            .iter()
            .zip(assessed)
            .enumerate()
            .map(|(index, (trigger, assessment))| told(trigger, assessment, governing == Some(index)))
            .collect(),
        act_by,
        safety: rule.safety,
        last_service: view.last,
        computed_at: now,
    }
}

fn dates(assessment: &Assessment) -> Option<DueDates> {
    match &assessment.verdict {
        Verdict::Dated(due) => Some(*due),
        Verdict::NotInSight(_) | Verdict::Unknown(_) => None,
    }
}

/// The trigger with the earliest likely date, the first of equals.
fn governing(assessed: &[Assessment]) -> Option<usize> {
    assessed
        .iter()
        .enumerate()
        .filter_map(|(index, one)| Some((index, dates(one)?.likely)))
        .min_by_key(|(_, likely)| *likely)
        .map(|(index, _)| index)
}

/// Why there is no date: what could not be told, or else what is not in sight.
fn reasons(assessed: &[Assessment], state: DueState) -> String {
    let told: Vec<&str> = assessed
        .iter()
        .filter_map(|one| match &one.verdict {
            Verdict::Unknown(reason) if state == DueState::Unknown => Some(reason.as_str()),
            Verdict::NotInSight(reason) if state != DueState::Unknown => Some(reason.as_str()),
            Verdict::Dated(_) | Verdict::NotInSight(_) | Verdict::Unknown(_) => None,
        })
        .collect();
    told.join("; ")
}

fn told(trigger: &Trigger, assessment: Assessment, governs: bool) -> TriggerState {
    let (due, reason, known) = match assessment.verdict {
        Verdict::Dated(due) => (Some(due), None, true),
        Verdict::NotInSight(reason) => (None, Some(reason), true),
        Verdict::Unknown(reason) => (None, Some(reason), false),
    };
    TriggerState {
        kind: trigger.kind().to_owned(),
        quantity: trigger.looks_at().map(str::to_owned),
        governs,
        due,
        reason,
        known,
        summary: assessment.summary,
        evidence: assessment.evidence,
    }
}

/// The state by the date to have acted by, see the module's first lines.
pub fn state(act_by: DateTime<Utc>, approach: TimeDelta, zone: Tz, now: DateTime<Utc>) -> DueState {
    let day = act_by.with_timezone(&zone).date_naive();
    let begins = start_of_day(day, zone).unwrap_or(act_by);
    let ends = day.checked_add_days(Days::new(1)).and_then(|next| start_of_day(next, zone)).unwrap_or(act_by);
    if now >= ends {
        DueState::Overdue
    } else if now >= begins {
        DueState::Due
    } else if now + approach >= act_by {
        DueState::Approaching
    } else {
        DueState::Current
    }
}

/// When a day begins in a zone; where the clocks skip midnight, when they have
/// jumped.
pub fn start_of_day(date: NaiveDate, zone: Tz) -> Option<DateTime<Utc>> {
    let wall = date.and_time(NaiveTime::MIN);
    let at = |wall| zone.from_local_datetime(&wall).earliest();
    at(wall).or_else(|| at(wall + TimeDelta::hours(1))).map(|at| at.to_utc())
}

/// A rule on a part as one trigger after another sees it.
struct View<'a> {
    rule: &'a UpkeepRule,
    subject: &'a Subject,
    history: &'a History,
    now: DateTime<Utc>,
    last: Option<DateTime<Utc>>,
    /// When gas went through the purifier, worked out once for all triggers that ask.
    circulation: OnceCell<Circulation>,
}

impl View<'_> {
    /// The last service, or where the record begins.
    fn since(&self) -> DateTime<Utc> {
        self.last.unwrap_or(self.subject.created_at)
    }

    /// Whether the part was replaced when the task was last done.
    fn is_replaced(&self) -> bool {
        let replaced = self.history.replacements(&self.rule.task, self.now);
        self.last.is_some_and(|last| replaced.contains(&last))
    }

    fn assess(&self, trigger: &Trigger) -> Assessment {
        let mut assessment = match trigger {
            Trigger::Calendar(calendar) => self.calendar(calendar),
            Trigger::Usage { meter, limit } => self.usage(*meter, limit.get()),
            Trigger::Condition { quantity, limit, sustained } => {
                self.condition(Condition { quantity: *quantity, limit: limit.get(), sustained: *sustained })
            }
            Trigger::Uptake { species, fraction } => self.uptake(*species, *fraction),
            Trigger::Contents => match &self.history.supply {
                Some(supply) => contents::assess(supply, self.now),
                None => Assessment::unknown("nothing is known of its contents", Evidence::default()),
            },
            Trigger::Finding { after } => self.finding(after),
        };
        let counts_from_service = matches!(trigger, Trigger::Calendar(_) | Trigger::Usage { .. });
        if self.last.is_none() && counts_from_service {
            let start = self.day(self.subject.created_at);
            assessment
                .evidence
                .notes
                .push(format!("no service is on record: counted from {start}, when the part was entered"));
        }
        if counts_from_service && let Some(replaced) = self.last.filter(|_| self.is_replaced()) {
            let day = self.day(replaced);
            assessment.evidence.notes.push(format!("the part was replaced on {day}: counted from then"));
        }
        assessment
    }

    fn calendar(&self, calendar: &Calendar) -> Assessment {
        let since = self.since();
        let evidence = Evidence::new("interval since the last service", "the rule itself");
        let (due, told) = match calendar {
            Calendar::Every { every } => (every.add_to(since, self.history.zone).ok(), every.to_string()),
            Calendar::Dates(dates) => (dates.next_after(since, self.history.zone), dates.rrule().to_owned()),
        };
        let counted = match self.last {
            Some(_) if self.is_replaced() => "after the replacement of",
            Some(_) => "after the service of",
            None => "after entry on",
        };
        match due {
            Some(due) => Assessment::dated(
                DueDates::certain(due),
                format!("{told} {counted} {}", self.day(since)),
                evidence,
            ),
            None => Assessment::not_in_sight(format!("{told} names no further date"), evidence),
        }
    }

    fn usage(&self, meter: Meter, limit: f64) -> Assessment {
        let since = self.since();
        if let Some(counter) = meter.counter() {
            let sensors = self.history.sensors(counter);
            let read = fullest(sensors, self.now);
            let samples = summed::ends(&read);
            let replaced = self.history.replacements(&self.rule.task, self.now);
            let counted = Counted { meter, limit, samples: &samples, since, replaced: &replaced };
            let mut assessment = counted.assess(self.now);
            if let Some(used) = &mut assessment.evidence.readings {
                used.count = summed::count_after(&read, since);
            }
            if sensors.len() > 1 {
                let note =
                    format!("{} sensors report it: the one with the most readings counts", sensors.len());
                assessment.evidence.notes.push(note);
            }
            return assessment;
        }
        let intervals = self.history.use_of.get(&meter).map_or(&[][..], Vec::as_slice);
        let first = intervals.iter().map(Interval::start).min();
        let recorded_from = first.map_or(self.subject.created_at, |first| first.min(self.subject.created_at));
        Booked { meter, limit, intervals, since, recorded_from }.assess(self.now)
    }

    /// Levels of what a purifier takes up count while the gas circulates.
    fn condition(&self, condition: Condition) -> Assessment {
        let traces = [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm].contains(&condition.quantity);
        let purifier =
            self.history.purifier.as_ref().filter(|_| traces && self.subject.kind == PartKind::Purifier);
        let levels = Levels {
            sensors: self.history.sensors(condition.quantity),
            circulation: purifier.map(|purifier| self.circulation(purifier)),
            services: self.history.services.iter().map(|note| note.done_at).collect(),
            since: self.last.unwrap_or(DateTime::<Utc>::MIN_UTC),
            now: self.now,
            zone: self.history.zone,
        };
        condition::assess(condition, &levels)
    }

    fn circulation(&self, purifier: &PurifierHistory) -> &Circulation {
        self.circulation.get_or_init(|| Circulation::until(purifier, self.now))
    }

    fn uptake(&self, species: Species, fraction: Fraction) -> Assessment {
        let Some(purifier) = &self.history.purifier else {
            let reason = format!("the uptake of {} cannot be told: no purifier is on record", species.word());
            return Assessment::unknown(reason, Evidence::default());
        };
        let uptake = Uptake {
            species,
            fraction: fraction.get(),
            purifier,
            levels: self.history.sensors(species.quantity()),
            regenerated: self.history.settled(&self.rule.task, self.now),
            entered: self.subject.created_at,
            zone: self.history.zone,
        };
        uptake.assess_by(self.circulation(purifier), self.now)
    }

    /// Due since the first finding after the last service that went well.
    fn finding(&self, after: &[Word]) -> Assessment {
        let task = &self.rule.task;
        let evidence = Evidence::new("services on record", "the rule itself");
        let known = || self.history.services.iter().filter(|note| note.done_at <= self.now);
        let own = |note: &&ServiceNote| note.relation == Relation::Itself && note.task == *task;
        let settled = self.history.settled(task, self.now);
        let asks = |note: &&ServiceNote| {
            let fails = own(note) && note.failed;
            let follows = note.relation != Relation::Whole && after.contains(&note.task);
            fails || note.calls_for.contains(task) || follows
        };
        let first = known()
            .filter(|note| settled.is_none_or(|settled| note.done_at > settled))
            .filter(asks)
            .min_by_key(|note| note.done_at);
        match first {
            Some(note) => {
                let what = if note.failed && note.task == *task {
                    format!("{} failed on {}", note.task, self.day(note.done_at))
                } else {
                    format!("asked for by {} on {}", note.task, self.day(note.done_at))
                };
                Assessment::dated(DueDates::certain(note.done_at), what, evidence)
            }
            None => Assessment::not_in_sight("no finding asks for it", evidence),
        }
    }

    fn day(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.history.zone).format("%-d %b %Y").to_string()
    }
}

#[cfg(test)]
#[path = "due_tests.rs"]
mod tests;
