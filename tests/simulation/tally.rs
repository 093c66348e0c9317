//! What came about in a run, so that it can be seen what was tried.

use crate::calls::Reply;
use crate::faults::Fault;
use std::collections::BTreeMap;
use std::fmt;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};

/// Counts, and a number that two runs share only where they went alike.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(crate) struct Tally {
    /// Answers by status.
    statuses: BTreeMap<u16, u64>,
    /// Refusals by what they name.
    refused: BTreeMap<String, u64>,
    /// Events by kind.
    events: BTreeMap<String, u64>,
    /// Faults that came about, by name.
    faults: BTreeMap<&'static str, u64>,
    /// Nights computed.
    pub(crate) nights: u64,
    /// Nights compared with a computation from scratch.
    pub(crate) from_scratch: u64,
    /// Plans asked for.
    pub(crate) plans: u64,
    /// Times openings were asked for, to take one.
    pub(crate) sought: u64,
    /// Times the process was cut off between requests.
    pub(crate) pulled: u64,
    /// Times the log was folded into the file.
    pub(crate) folded: u64,
    /// Times everything was checked.
    pub(crate) whole: u64,
    went_back: u64,
    /// What happened, in order, in one number.
    pub(crate) trace: u64,
}

impl Tally {
    fn trace(&mut self, what: impl std::hash::Hash) {
        let mut hash = DefaultHasher::new();
        (self.trace, what).hash(&mut hash);
        self.trace = hash.finish();
    }

    /// How many answers were given.
    pub(crate) fn answers(&self) -> u64 {
        self.statuses.values().sum()
    }

    /// Answers.
    pub(crate) fn replies(&mut self, replies: &[Reply]) {
        for reply in replies {
            *self.statuses.entry(reply.status).or_default() += 1;
            self.trace(reply.status);
            let named =
                ["violations", "conflicts"].iter().filter_map(|list| reply.body[*list].as_array()).flatten();
            for code in named.filter_map(|one| one["code"].as_str().or(one["taken_by"].as_str())) {
                *self.refused.entry(code.to_owned()).or_default() += 1;
            }
        }
    }

    /// An event.
    pub(crate) fn event(&mut self, kind: &str) {
        *self.events.entry(kind.to_owned()).or_default() += 1;
        self.trace(kind);
    }

    /// A fault that was brought about, or came to nothing.
    pub(crate) fn fault(&mut self, fault: Fault, struck: bool) {
        let name = match fault {
            Fault::Busy(_) => "busy",
            Fault::Full => "full",
            Fault::CommitFails => "commit fails",
            Fault::PanicAt(_) => "panic",
            Fault::CutOffAt(_) => "cut off at a statement",
            Fault::Torn => "torn commit",
            Fault::Unanswered => "cut off after the commit",
        };
        *self.faults.entry(name).or_default() += u64::from(struck);
    }

    /// How far the clock was set.
    pub(crate) fn clock_went_back(&mut self, seconds: i64) {
        self.went_back += u64::from(seconds < 0);
    }

    /// Adds another's counts.
    pub(crate) fn add(&mut self, other: &Self) {
        fn sum<K: Ord + Clone>(to: &mut BTreeMap<K, u64>, from: &BTreeMap<K, u64>) {
            for (key, count) in from {
                *to.entry(key.clone()).or_default() += count;
            }
        }
        sum(&mut self.statuses, &other.statuses);
        sum(&mut self.refused, &other.refused);
        sum(&mut self.events, &other.events);
        sum(&mut self.faults, &other.faults);
        self.nights += other.nights;
        self.from_scratch += other.from_scratch;
        self.plans += other.plans;
        self.sought += other.sought;
        self.pulled += other.pulled;
        self.folded += other.folded;
        self.whole += other.whole;
        self.went_back += other.went_back;
        self.trace(other.trace);
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "answers: {:?}", self.statuses)?;
        writeln!(f, "refused for: {:?}", self.refused)?;
        writeln!(f, "events: {:?}", self.events)?;
        writeln!(
            f,
            "faults: {:?}, cut off when idle {}, log folded in {}",
            self.faults, self.pulled, self.folded
        )?;
        write!(
            f,
            "nights {} ({} compared with one from scratch), plans {}, openings sought {}, clock set back {}, everything checked {} times",
            self.nights, self.from_scratch, self.plans, self.sought, self.went_back, self.whole
        )
    }
}
