//! What this process is doing that takes a while: what, since when, and how far it has
//! come where that is known. A short register in memory, filled by whoever works and
//! looked at by whoever tells of it, on a terminal or on a page.
//!
//! Knows nothing of what other processes do, and nothing of it outlives the process.

use super::App;
use crate::domain::access::Actor;
use crate::domain::facility::Scope;
use chrono::{DateTime, TimeDelta, Utc};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// So much is told of at once; what else goes on is done and not told of.
const MOST: usize = 16;
/// For so long it is told that something was not finished.
const REMEMBERED: TimeDelta = TimeDelta::hours(1);

/// What takes a while.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Working out what is due.
    Night,
    /// Taking in what was read, or what files hold.
    Import,
    /// Searching for a plan, for so long at most.
    Search(Duration),
}

impl Kind {
    /// Any of these lets a caller know of it.
    const fn seen_with(self) -> &'static [Scope] {
        match self {
            Self::Night => {
                &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage, Scope::NightlyRun]
            }
            Self::Import => &[Scope::FacilityRead, Scope::FacilityManage, Scope::ReadingsWrite],
            Self::Search(_) => &[Scope::PlansManage],
        }
    }
}

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Step {
    /// Days of readings are summed up.
    Days,
    /// What is due is worked out, part by part.
    Parts,
    /// Rows are taken in.
    Rows,
}

impl Step {
    const fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Days => ("summing up readings", "days"),
            Self::Parts => ("working out dates", "parts"),
            Self::Rows => ("taking in", "rows"),
        }
    }
}

/// How far work has come.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Far {
    /// What is counted, how many are done, and of how many.
    step: Option<(Step, usize, usize)>,
    /// Of a search: what the best plan so far counts for, and what none can be below.
    reached: Option<(i64, i64)>,
}

/// Work that goes on, or went on a moment ago.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Told {
    /// What.
    pub(crate) kind: Kind,
    /// Since when.
    pub(crate) since: DateTime<Utc>,
    far: Far,
}

impl Told {
    /// How far it has come, in a few words: `summing up readings, 320 of 8760 days`.
    pub(crate) fn how_far(&self) -> Option<String> {
        let (step, done, of) = self.far.step?;
        let (doing, units) = step.words();
        Some(format!("{doing}, {done} of {of} {units}"))
    }

    /// What the best plan so far counts for, and what none can be below.
    pub(crate) const fn reached(&self) -> Option<(i64, i64)> {
        self.far.reached
    }
}

#[derive(Debug)]
struct Shared {
    kind: Kind,
    since: DateTime<Utc>,
    far: Mutex<Far>,
}

impl Shared {
    fn far(&self) -> MutexGuard<'_, Far> {
        self.far.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn told(&self) -> Told {
        Told { kind: self.kind, since: self.since, far: *self.far() }
    }
}

/// Where those who work say how far they have come; the default one is heard by nobody.
#[derive(Debug, Clone, Default)]
pub(crate) struct Report(Option<Arc<Shared>>);

impl Report {
    /// So many of so many are done.
    pub(crate) fn at(&self, step: Step, done: usize, of: usize) {
        if let Some(shared) = &self.0 {
            shared.far().step = Some((step, done, of));
        }
    }

    /// A search has found this and knows that bound.
    pub(crate) fn reached(&self, cost: i64, bound: i64) {
        if let Some(shared) = &self.0 {
            shared.far().reached = Some((cost, bound));
        }
    }

    /// How far it is.
    pub(crate) fn told(&self) -> Option<Told> {
        self.0.as_ref().map(|shared| shared.told())
    }
}

#[derive(Debug, Default)]
struct Kept {
    going_on: Vec<Arc<Shared>>,
    /// The night begun last and not finished yet, or not at all: when, and why not.
    unfinished: Option<(DateTime<Utc>, String)>,
}

/// The register; what is cloned is the same one.
#[derive(Debug, Clone, Default)]
pub(crate) struct UnderWay(Arc<Mutex<Kept>>);

impl UnderWay {
    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Notes work that begins; it is told of until what is returned is dropped.
    pub(crate) fn begin(&self, kind: Kind, now: DateTime<Utc>) -> Work {
        let mut kept = self.kept();
        Self::noted(&mut kept, self, kind, now)
    }

    /// The same, unless a night is being worked out already.
    pub(crate) fn begin_night(&self, now: DateTime<Utc>) -> Option<Work> {
        let mut kept = self.kept();
        if kept.going_on.iter().any(|shared| shared.kind == Kind::Night) {
            return None;
        }
        // Until it is known how it ended: a panic tells nobody.
        kept.unfinished =
            Some((now, "it was cut short by a fault of the service, whose log tells more".to_owned()));
        Some(Self::noted(&mut kept, self, Kind::Night, now))
    }

    fn noted(kept: &mut Kept, register: &Self, kind: Kind, now: DateTime<Utc>) -> Work {
        let shared = Arc::new(Shared { kind, since: now, far: Mutex::default() });
        if kept.going_on.len() < MOST {
            kept.going_on.push(Arc::clone(&shared));
        }
        Work { shared, register: register.clone() }
    }

    /// Keeps in mind how the night ended that was begun last.
    pub(crate) fn night_ended(&self, fault: Option<String>) {
        let mut kept = self.kept();
        let begun = kept.unfinished.take();
        kept.unfinished = begun.zip(fault).map(|((at, _), why)| (at, why));
    }

    /// Everything that goes on, the longest first.
    pub(crate) fn all(&self) -> Vec<Told> {
        self.kept().going_on.iter().map(|shared| shared.told()).collect()
    }
}

/// Work that is told of while this is there.
#[derive(Debug)]
#[must_use = "dropped at once, nobody is told of it"]
pub(crate) struct Work {
    shared: Arc<Shared>,
    register: UnderWay,
}

impl Work {
    /// Where to say how far it has come.
    pub(crate) fn report(&self) -> Report {
        Report(Some(Arc::clone(&self.shared)))
    }
}

impl Drop for Work {
    fn drop(&mut self) {
        self.register.kept().going_on.retain(|other| !Arc::ptr_eq(other, &self.shared));
    }
}

/// What a caller may know of what goes on.
#[derive(Debug, Default)]
pub(crate) struct Overview {
    /// What goes on in this process.
    pub(crate) going_on: Vec<Told>,
    /// Why a night that was begun here a while ago was not finished.
    pub(crate) unfinished: Option<(DateTime<Utc>, String)>,
}

impl App {
    /// The register of what this process is doing.
    pub(crate) const fn under_way(&self) -> &UnderWay {
        &self.under_way
    }

    /// What of it a caller may know.
    pub(crate) fn overview(&self, actor: &Actor) -> Overview {
        let going_on = self.under_way.all();
        let may = |kind: Kind| actor.needs_any(kind.seen_with()).is_ok();
        let now = self.now();
        let unfinished = self.under_way.kept().unfinished.clone();
        Overview {
            going_on: going_on.into_iter().filter(|told| may(told.kind)).collect(),
            unfinished: unfinished.filter(|(at, _)| now - *at < REMEMBERED && actor.has(Scope::NightlyRun)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_is_told_of_while_it_goes_on() {
        let register = UnderWay::default();
        let now = DateTime::UNIX_EPOCH;
        let night = register.begin_night(now).expect("none is being worked out");
        assert!(register.begin_night(now).is_none());
        let report = night.report();
        assert_eq!(register.all()[0].how_far(), None);
        report.at(Step::Days, 320, 8760);
        let told = &register.all()[0];
        assert_eq!(told.how_far().as_deref(), Some("summing up readings, 320 of 8760 days"));
        drop(night);
        assert!(register.all().is_empty() && register.begin_night(now).is_some());
    }

    #[test]
    fn the_register_stays_short() {
        let register = UnderWay::default();
        let many: Vec<Work> = (0..100).map(|_| register.begin(Kind::Import, DateTime::UNIX_EPOCH)).collect();
        assert_eq!(register.all().len(), MOST);
        drop(many);
        assert!(register.all().is_empty());
    }
}
