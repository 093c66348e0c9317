//! How long parts lived, from the services on record.
//!
//! A life is the time between two services of a task on one part, or two
//! replacements of it, in the rule's first usage meter where it has one, else
//! in days. It ended by
//! failure when the task failed, or when what some service found called for
//! the task; it lasted at least so long when the part was changed in time or
//! is still in use. What was in place before the first service on record is
//! of unknown age and is no life.

use super::meters::{at_instant, running_sums};
use super::rules::{Meter, Trigger, UpkeepRule, words};
use super::services::{Relation, ServiceNote};
use super::trend::{Sample, hours_between};
use super::weibull::{self, Estimate, Life, NoEstimate};
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::merge;
use crate::domain::names::Word;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// With fewer failures than this an estimate calls for a caution of its own
/// (common practice, no source).
pub const FEW_FAILURES: usize = 10;

words! {
    /// How a life ended.
    Ending {
        /// It was found failed.
        Failed = "failed",
        /// It was ended in time.
        Changed = "changed",
        /// It goes on.
        InUse = "in_use",
    }
}

/// What the length of lives is measured in.
#[derive(Debug, Clone, PartialEq)]
pub enum Measure {
    /// Days.
    Days,
    /// Hours of use, added up from intervals; overlaps count once.
    Use(Meter, Vec<Interval>),
    /// A counter's readings, in order of time.
    Counter(Meter, Vec<Sample>),
}

impl Measure {
    /// The unit of lengths.
    pub const fn unit(&self) -> &'static str {
        match self {
            Self::Days => "days",
            Self::Use(meter, _) | Self::Counter(meter, _) => meter.unit(),
        }
    }
}

/// The meter that lives under a rule are measured in; none for days.
pub fn meter_of(rule: &UpkeepRule) -> Option<Meter> {
    rule.triggers.iter().find_map(|trigger| match trigger {
        Trigger::Usage { meter, .. } => Some(*meter),
        Trigger::Calendar(_)
        | Trigger::Condition { .. }
        | Trigger::Uptake { .. }
        | Trigger::Contents
        | Trigger::Finding { .. } => None,
    })
}

/// One life of a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartLife {
    /// The service that it began with.
    pub from: DateTime<Utc>,
    /// When it ended: the finding of the failure, the change, or now.
    pub to: DateTime<Utc>,
    /// How it ended.
    pub ending: Ending,
    /// How long it was; `None` where its meter was not read in time.
    pub length: Option<f64>,
}

impl PartLife {
    /// As one of the lives that the estimate rests on. Without any use there
    /// is nothing to learn from it.
    fn counted(&self) -> Option<Life> {
        let length = self.length.filter(|length| *length > 0.0)?;
        Some(Life { length, failed: self.ending == Ending::Failed })
    }

    /// The age of a part in use.
    pub fn age(&self) -> Option<f64> {
        self.length.filter(|_| self.ending == Ending::InUse)
    }
}

/// The lives of a part under a task, in order of time, from the services on
/// it, on its parts and on the box it belongs to.
pub fn lives(notes: &[ServiceNote], task: &Word, measure: &Measure, now: DateTime<Utc>) -> Vec<PartLife> {
    let own = |note: &&ServiceNote| {
        note.relation == Relation::Itself && (note.task == *task || note.replaces_for(task))
    };
    let known = || notes.iter().filter(|note| note.done_at <= now);
    let mut done: Vec<DateTime<Utc>> = known().filter(own).map(|note| note.done_at).collect();
    done.sort_unstable();
    done.dedup();
    let asks =
        |note: &&ServiceNote| own(note) && note.task == *task && note.failed || note.calls_for.contains(task);
    let mut asked: Vec<DateTime<Utc>> = known().filter(asks).map(|note| note.done_at).collect();
    asked.sort_unstable();
    let replaced: Vec<DateTime<Utc>> =
        known().filter(own).filter(|note| note.replaces_for(task)).map(|note| note.done_at).collect();
    let gauge = Gauge::new(measure, &replaced);
    let ends = done.iter().skip(1).copied().map(Some).chain(std::iter::once(None));
    done.iter()
        .zip(ends)
        .map(|(from, end)| {
            let last = end.unwrap_or(now);
            let failure = asked.iter().copied().find(|at| *at > *from && *at <= last);
            let ending = match (failure, end) {
                (Some(_), _) => Ending::Failed,
                (None, Some(_)) => Ending::Changed,
                (None, None) => Ending::InUse,
            };
            let to = failure.unwrap_or(last);
            PartLife { from: *from, to, ending, length: gauge.between(*from, to) }
        })
        .collect()
}

/// Whether a life of the part under the task begins with a service.
pub fn begins(note: &ServiceNote, task: &Word) -> bool {
    note.relation == Relation::Itself && (note.task == *task || note.replaces_for(task))
}

/// A measure made ready for many questions.
enum Gauge {
    Days,
    Use(Vec<Interval>),
    Counter(Vec<Sample>),
}

impl Gauge {
    fn new(measure: &Measure, replaced: &[DateTime<Utc>]) -> Self {
        match measure {
            Measure::Days => Self::Days,
            Measure::Use(_, intervals) => Self::Use(merge(intervals.clone())),
            Measure::Counter(_, samples) => Self::Counter(running_sums(samples, replaced).sums),
        }
    }

    fn between(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<f64> {
        match self {
            Self::Days => Some(hours_between(from, to) / 24.0),
            Self::Use(intervals) => {
                let range = Interval::new(from, to).ok()?;
                let parts = intervals.iter().filter_map(|one| one.intersection(&range));
                Some(parts.fold(0.0, |sum, part| sum + part.hours()))
            }
            Self::Counter(sums) => {
                // What a counter did between its last reading and the end nobody knows.
                let last = sums.last().filter(|last| last.at > from)?;
                Some(at_instant(sums, to.min(last.at))? - at_instant(sums, from)?)
            }
        }
    }
}

/// What all lives under a rule say together.
#[derive(Debug, Clone, PartialEq)]
pub struct Lifetimes {
    /// Lives with a length, and how many of them ended by failure.
    pub counted: usize,
    /// How many of those ended by failure.
    pub failures: usize,
    /// Lives without a length, which say nothing.
    pub left_out: usize,
    /// What they say, or why they say nothing.
    pub estimate: Result<Estimate, NoEstimate>,
}

/// What lives of several parts, taken as alike, say together.
pub fn judge<'a>(lives: impl Iterator<Item = &'a PartLife>) -> Lifetimes {
    let (counted, left_out): (Vec<Option<Life>>, Vec<Option<Life>>) =
        lives.map(PartLife::counted).partition(Option::is_some);
    let counted: Vec<Life> = counted.into_iter().flatten().collect();
    Lifetimes {
        counted: counted.len(),
        failures: counted.iter().filter(|life| life.failed).count(),
        left_out: left_out.len(),
        estimate: weibull::estimate(&counted),
    }
}

impl Lifetimes {
    /// What to keep in mind with these figures.
    pub fn cautions(&self) -> Vec<String> {
        let mut cautions = vec![
            "All parts are taken as alike and as used alike; a part of another make or at harder work lives \
             otherwise. The maker's interval and local rules stay as they are."
                .to_owned(),
        ];
        if self.failures < FEW_FAILURES {
            cautions.push(format!(
                "{} of {} lives ended by failure: so few say little, and the intervals are the honest part of \
                 the answer.",
                self.failures, self.counted
            ));
        }
        if self.left_out > 0 {
            cautions.push(format!(
                "{} lives are left out: nothing was used in them, or their meter was not read in time.",
                self.left_out
            ));
        }
        cautions
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    fn day(n: i64) -> DateTime<Utc> {
        "2026-01-05T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::days(n)
    }

    fn word(text: &str) -> Word {
        Word::parse(text).unwrap()
    }

    fn note(task: &str, at: i64, failed: bool, calls_for: &[&str]) -> ServiceNote {
        ServiceNote {
            relation: Relation::Itself,
            task: word(task),
            done_at: day(at),
            failed,
            calls_for: calls_for.iter().map(|task| word(task)).collect(),
            replaced: false,
            restarts: None,
        }
    }

    fn told(notes: &[ServiceNote], measure: &Measure) -> Vec<(Ending, Option<f64>)> {
        let lives = lives(notes, &word("glove_change"), measure, day(100));
        lives.iter().map(|life| (life.ending, life.length)).collect()
    }

    #[test]
    fn a_life_lasts_from_service_to_service_or_to_the_finding() {
        let found_torn =
            ServiceNote { relation: Relation::Whole, ..note("leak_test", 55, true, &["glove_change"]) };
        let notes = [
            note("glove_change", 60, false, &[]),
            note("glove_change", 0, false, &[]),
            note("glove_change", 30, false, &[]),
            found_torn,
            note("filter_change", 20, true, &[]),
            note("glove_change", 200, false, &[]),
        ];
        assert_eq!(
            told(&notes, &Measure::Days),
            [(Ending::Changed, Some(30.0)), (Ending::Failed, Some(25.0)), (Ending::InUse, Some(40.0))]
        );
        assert_eq!(told(&[], &Measure::Days), []);
    }

    #[test]
    fn a_part_found_failed_and_not_changed_yet_has_failed() {
        let notes = [note("glove_change", 0, false, &[]), note("leak_test", 12, false, &["glove_change"])];
        assert_eq!(told(&notes, &Measure::Days), [(Ending::Failed, Some(12.0))]);
        let again = [note("glove_change", 0, false, &[]), note("glove_change", 10, true, &[])];
        assert_eq!(told(&again, &Measure::Days), [(Ending::Failed, Some(10.0)), (Ending::InUse, Some(90.0))]);
    }

    #[test]
    fn a_new_part_begins_a_life_whatever_the_task_was() {
        let new = |restarts: Option<&[&str]>| ServiceNote {
            replaced: true,
            restarts: restarts.map(|tasks| tasks.iter().map(|task| word(task)).collect()),
            ..note("refit", 40, false, &[])
        };
        let notes = |refit| [note("glove_change", 0, false, &[]), refit];
        let both = [(Ending::Changed, Some(40.0)), (Ending::InUse, Some(60.0))];
        assert_eq!(told(&notes(new(None)), &Measure::Days), both);
        assert_eq!(told(&notes(new(Some(&["glove_change"]))), &Measure::Days), both);
        assert_eq!(told(&notes(new(Some(&["leak_test"]))), &Measure::Days), [(Ending::InUse, Some(100.0))]);
    }

    #[test]
    fn use_counts_where_the_rule_counts_it() {
        let notes = [note("glove_change", 0, false, &[]), note("glove_change", 30, false, &[])];
        let hours =
            |day_of: i64, hours: i64| Interval::lasting(day(day_of), TimeDelta::hours(hours)).unwrap();
        let intervals = vec![hours(-1, 5), hours(3, 8), hours(3, 4), hours(40, 2), hours(150, 9)];
        let measure = Measure::Use(Meter::StationHours, intervals);
        assert_eq!(told(&notes, &measure), [(Ending::Changed, Some(8.0)), (Ending::InUse, Some(2.0))]);
        let read = |at: i64, value: f64| Sample { at: day(at), value };
        let counter =
            Measure::Counter(Meter::PumpHours, vec![read(-2, 100.0), read(30, 420.0), read(40, 20.0)]);
        // 320 h over 32 days of which 30 count, then 20 h after a reset.
        assert_eq!(told(&notes, &counter), [(Ending::Changed, Some(300.0)), (Ending::InUse, Some(20.0))]);
        let late = Measure::Counter(Meter::PumpHours, vec![read(10, 100.0), read(50, 420.0)]);
        assert_eq!(told(&notes, &late), [(Ending::Changed, None), (Ending::InUse, Some(160.0))]);
    }

    #[test]
    fn what_has_no_length_is_left_out_and_said() {
        let life = |length, ending| PartLife { from: day(0), to: day(1), ending, length };
        let found = judge(
            [
                life(Some(300.0), Ending::Failed),
                life(Some(410.0), Ending::Failed),
                life(Some(450.0), Ending::InUse),
                life(Some(0.0), Ending::InUse),
                life(None, Ending::Changed),
            ]
            .iter(),
        );
        assert_eq!((found.counted, found.failures, found.left_out), (3, 2, 2));
        assert!(found.estimate.is_ok());
        let cautions = found.cautions().join(" ");
        assert!(cautions.contains("2 of 3 lives") && cautions.contains("2 lives are left out"), "{cautions}");
    }
}
