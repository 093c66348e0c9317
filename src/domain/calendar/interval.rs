//! Half-open intervals of time, `[start, end)`, and arithmetic on lists of them.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// The instants from `start` up to but not including `end`; never empty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "RawInterval")]
pub struct Interval {
    start: DateTime<Utc>,
    end: DateTime<Utc>,
}

#[derive(Deserialize)]
struct RawInterval {
    start: DateTime<Utc>,
    end: DateTime<Utc>,
}

impl TryFrom<RawInterval> for Interval {
    type Error = EmptyInterval;
    fn try_from(raw: RawInterval) -> Result<Self, EmptyInterval> {
        Self::new(raw.start, raw.end)
    }
}

/// The end does not come after the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("the end must come after the start")]
pub struct EmptyInterval;

impl Interval {
    /// The interval from `start` up to `end`.
    pub fn new(start: DateTime<Utc>, end: DateTime<Utc>) -> Result<Self, EmptyInterval> {
        if start < end { Ok(Self { start, end }) } else { Err(EmptyInterval) }
    }

    /// The interval beginning at `start` and lasting `length`.
    pub fn lasting(start: DateTime<Utc>, length: TimeDelta) -> Result<Self, EmptyInterval> {
        start.checked_add_signed(length).ok_or(EmptyInterval).and_then(|end| Self::new(start, end))
    }

    /// The first instant inside.
    pub const fn start(&self) -> DateTime<Utc> {
        self.start
    }

    /// The first instant after it.
    pub const fn end(&self) -> DateTime<Utc> {
        self.end
    }

    /// How long it lasts.
    pub fn length(&self) -> TimeDelta {
        self.end - self.start
    }

    /// How long it lasts, in hours.
    pub fn hours(&self) -> f64 {
        seconds(self.length()) / 3600.0
    }

    /// Whether the two share an instant.
    pub fn overlaps(&self, other: &Self) -> bool {
        self.start < other.end && other.start < self.end
    }

    /// Whether `at` lies inside.
    pub fn contains(&self, at: DateTime<Utc>) -> bool {
        self.start <= at && at < self.end
    }

    /// Whether all of `other` lies inside.
    pub fn covers(&self, other: &Self) -> bool {
        self.start <= other.start && other.end <= self.end
    }

    /// What the two share, if anything.
    pub fn intersection(&self, other: &Self) -> Option<Self> {
        Self::new(self.start.max(other.start), self.end.min(other.end)).ok()
    }

    /// The interval moved by `by`; `None` past the end of the calendar.
    pub fn shifted(&self, by: TimeDelta) -> Option<Self> {
        Some(Self { start: self.start.checked_add_signed(by)?, end: self.end.checked_add_signed(by)? })
    }
}

impl fmt::Display for Interval {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.start.format("%FT%TZ"), self.end.format("%FT%TZ"))
    }
}

/// A length of time in seconds, fractions kept.
#[expect(clippy::cast_precision_loss, reason = "2^53 µs is 285 years, longer than any interval here")]
pub fn seconds(length: TimeDelta) -> f64 {
    length.num_microseconds().map_or_else(|| length.num_seconds() as f64, |us| us as f64 / 1e6)
}

/// Sorts the intervals and joins those that overlap or touch.
pub fn merge(mut intervals: Vec<Interval>) -> Vec<Interval> {
    intervals.sort_unstable();
    let mut merged: Vec<Interval> = Vec::with_capacity(intervals.len());
    for next in intervals {
        match merged.last_mut() {
            Some(last) if next.start <= last.end => last.end = last.end.max(next.end),
            _ => merged.push(next),
        }
    }
    merged
}

/// What of `whole` no interval of `taken` covers; `taken` need not be sorted.
pub fn gaps(whole: Interval, taken: Vec<Interval>) -> Vec<Interval> {
    let mut free = Vec::new();
    let mut from = whole.start;
    for busy in merge(taken) {
        if busy.end <= from {
            continue;
        }
        if busy.start >= whole.end {
            break;
        }
        if let Ok(gap) = Interval::new(from, busy.start) {
            free.push(gap);
        }
        from = busy.end;
    }
    if let Ok(gap) = Interval::new(from, whole.end) {
        free.push(gap);
    }
    free
}

/// The parts common to both lists; each must be sorted and free of overlaps.
pub fn common(left: &[Interval], right: &[Interval]) -> Vec<Interval> {
    let (mut i, mut j) = (0, 0);
    let mut shared = Vec::new();
    while let (Some(a), Some(b)) = (left.get(i), right.get(j)) {
        shared.extend(a.intersection(b));
        if a.end <= b.end {
            i += 1;
        } else {
            j += 1;
        }
    }
    shared
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(minute * 60, 0).unwrap()
    }

    fn span(start: i64, end: i64) -> Interval {
        Interval::new(at(start), at(end)).unwrap()
    }

    #[test]
    fn touching_intervals_do_not_overlap() {
        assert!(!span(0, 10).overlaps(&span(10, 20)));
        assert!(span(0, 11).overlaps(&span(10, 20)));
        assert!(Interval::new(at(5), at(5)).is_err());
    }

    #[test]
    fn gaps_are_what_remains() {
        let free = gaps(span(0, 100), vec![span(50, 60), span(-5, 10), span(55, 70), span(99, 120)]);
        assert_eq!(free, vec![span(10, 50), span(70, 99)]);
        assert_eq!(gaps(span(0, 10), vec![span(-1, 11)]), vec![]);
    }

    #[test]
    fn common_parts_of_two_lists() {
        let shared = common(&[span(0, 10), span(20, 30)], &[span(5, 25), span(28, 40)]);
        assert_eq!(shared, vec![span(5, 10), span(20, 25), span(28, 30)]);
    }
}
