//! Readings summed up over equal stretches of time.

use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;
use thiserror::Error;

/// The most stretches one answer is divided into.
pub const MOST_BUCKETS: i64 = 10_000;

/// The resolution is too fine for the interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("the interval would be divided into {0} parts; at most {MOST_BUCKETS} are given at once")]
pub struct TooManyBuckets(i64);

/// The readings of one stretch of time; there is at least one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bucket {
    /// Where the stretch begins.
    pub start: DateTime<Utc>,
    /// How many readings.
    pub count: u64,
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
    /// The earliest, and when it was.
    pub first: (DateTime<Utc>, f64),
    /// The last, and when it was.
    pub last: (DateTime<Utc>, f64),
    sum: f64,
}

impl Bucket {
    /// The arithmetic mean of the readings, each counting the same however
    /// far apart they lie.
    #[expect(clippy::cast_precision_loss, reason = "fewer than 2^53 readings")]
    pub fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }

    fn add(&mut self, at: DateTime<Utc>, value: f64) {
        self.count += 1;
        self.sum += value;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        if at < self.first.0 {
            self.first = (at, value);
        }
        if at >= self.last.0 {
            self.last = (at, value);
        }
    }
}

/// An interval divided into stretches of one length, the first beginning
/// where the interval begins.
#[derive(Debug, Clone)]
pub struct Buckets {
    whole: Interval,
    length: Length,
    filled: BTreeMap<i64, Bucket>,
}

impl Buckets {
    /// Divides `whole`, into at most [`MOST_BUCKETS`].
    pub fn divide(whole: Interval, length: Length) -> Result<Self, TooManyBuckets> {
        let parts =
            (whole.length() + length.delta() - TimeDelta::seconds(1)).num_seconds() / length.seconds();
        if parts > MOST_BUCKETS {
            return Err(TooManyBuckets(parts));
        }
        Ok(Self { whole, length, filled: BTreeMap::new() })
    }

    /// Counts a reading in; one outside the interval is left out.
    pub fn add(&mut self, at: DateTime<Utc>, value: f64) {
        if !self.whole.contains(at) {
            return;
        }
        let number = (at - self.whole.start()).num_seconds() / self.length.seconds();
        let start = self.whole.start() + TimeDelta::seconds(number * self.length.seconds());
        let here = (at, value);
        self.filled.entry(number).and_modify(|bucket| bucket.add(at, value)).or_insert(Bucket {
            start,
            count: 1,
            min: value,
            max: value,
            first: here,
            last: here,
            sum: value,
        });
    }

    /// The stretches that have readings, in order of time.
    pub fn into_filled(self) -> Vec<Bucket> {
        self.filled.into_values().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(second, 0).unwrap()
    }

    fn divided(seconds: i64, length: i64) -> Result<Buckets, TooManyBuckets> {
        Buckets::divide(Interval::new(at(0), at(seconds)).unwrap(), Length::of_seconds(length).unwrap())
    }

    #[test]
    fn each_stretch_has_its_least_greatest_mean_and_ends() {
        let mut buckets = divided(180, 60).unwrap();
        for (second, value) in [(30, 4.0), (0, 2.0), (59, 9.0), (120, 7.0), (180, 1e9), (-1, 1e9)] {
            buckets.add(at(second), value);
        }
        let filled = buckets.into_filled();
        assert_eq!(filled.len(), 2);
        // By hand: 2, 4 and 9 have the mean 5.
        let first = filled[0];
        assert_eq!((first.start, first.count), (at(0), 3));
        assert!([first.min - 2.0, first.max - 9.0, first.mean() - 5.0].iter().all(|off| off.abs() < 1e-12));
        assert_eq!((first.first.0, first.last.0), (at(0), at(59)));
        assert_eq!((filled[1].start, filled[1].count), (at(120), 1));
    }

    #[test]
    fn an_answer_is_bounded() {
        assert!(divided(MOST_BUCKETS, 1).is_ok());
        assert_eq!(divided(MOST_BUCKETS + 1, 1).unwrap_err(), TooManyBuckets(MOST_BUCKETS + 1));
        assert!(divided(2 * MOST_BUCKETS - 1, 2).is_ok());
    }
}
