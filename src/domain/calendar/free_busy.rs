//! Busy time in the words of RFC 5545 (`FBTYPE`), laid over one another.

use crate::domain::calendar::Interval;
use chrono::{DateTime, Utc};
use std::collections::BTreeSet;

/// How busy a time is (RFC 5545 §3.2.9); what outweighs the others comes last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum BusyType {
    /// Taken, but not for certain.
    Tentative,
    /// Taken.
    Busy,
    /// Nothing can be booked.
    Unavailable,
}

impl BusyType {
    /// The standard's word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tentative => "BUSY-TENTATIVE",
            Self::Busy => "BUSY",
            Self::Unavailable => "BUSY-UNAVAILABLE",
        }
    }
}

/// A time that is busy in one way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BusyTime {
    /// From when to when.
    pub interval: Interval,
    /// How busy.
    pub busy: BusyType,
}

/// The busy time within `range`: sorted, free of overlaps, touching stretches
/// of one type joined. Where several overlap, the weightiest type counts.
pub fn overlay(range: Interval, times: &[BusyTime]) -> Vec<BusyTime> {
    let within: Vec<BusyTime> = times
        .iter()
        .filter_map(|time| Some(BusyTime { interval: time.interval.intersection(&range)?, ..*time }))
        .collect();
    // Each edge with what begins there or ends there, in order of time.
    let mut edges: Vec<(DateTime<Utc>, usize, bool)> = Vec::with_capacity(within.len() * 2);
    for (index, time) in within.iter().enumerate() {
        edges.push((time.interval.start(), index, true));
        edges.push((time.interval.end(), index, false));
    }
    edges.sort_unstable_by_key(|(at, index, _)| (*at, *index));
    let mut open: BTreeSet<(BusyType, usize)> = BTreeSet::new();
    let mut found: Vec<BusyTime> = Vec::new();
    let mut since = range.start();
    for (at, index, begins) in edges {
        if let (Some((busy, _)), Ok(interval)) = (open.last(), Interval::new(since, at)) {
            push(&mut found, BusyTime { interval, busy: *busy });
        }
        since = at;
        let key = (within[index].busy, index);
        if begins {
            open.insert(key)
        } else {
            open.remove(&key)
        };
    }
    found
}

/// Adds a stretch, joined to the one before where it goes on in the same way.
fn push(found: &mut Vec<BusyTime>, next: BusyTime) {
    if let Some(last) = found.last_mut()
        && last.busy == next.busy
        && last.interval.end() == next.interval.start()
        && let Ok(joined) = Interval::new(last.interval.start(), next.interval.end())
    {
        last.interval = joined;
        return;
    }
    found.push(next);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(minute: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(minute * 60, 0).unwrap()
    }

    fn time(start: i64, end: i64, busy: BusyType) -> BusyTime {
        BusyTime { interval: Interval::new(at(start), at(end)).unwrap(), busy }
    }

    #[test]
    fn the_weightiest_type_counts_and_equal_neighbours_are_joined() {
        use BusyType::{Busy, Tentative, Unavailable};
        let times = [
            time(10, 40, Tentative),
            time(20, 30, Unavailable),
            time(35, 50, Busy),
            time(50, 60, Busy),
            time(-5, 2, Busy),
            time(90, 200, Unavailable),
        ];
        let range = Interval::new(at(0), at(100)).unwrap();
        assert_eq!(
            overlay(range, &times),
            [
                time(0, 2, Busy),
                time(10, 20, Tentative),
                time(20, 30, Unavailable),
                time(30, 35, Tentative),
                time(35, 60, Busy),
                time(90, 100, Unavailable),
            ]
        );
        assert_eq!(overlay(range, &[]), []);
    }

    proptest! {
        /// Minute by minute, by looking at every time there is.
        #[test]
        fn every_minute_has_the_weightiest_type_of_those_that_hold_it(
            raw in prop::collection::vec((-20_i64..120, 1_i64..60, 0_usize..3), 0..12)
        ) {
            let types = [BusyType::Tentative, BusyType::Busy, BusyType::Unavailable];
            let times: Vec<BusyTime> =
                raw.iter().map(|(start, length, busy)| time(*start, start + length, types[*busy])).collect();
            let found = overlay(Interval::new(at(0), at(100)).unwrap(), &times);
            prop_assert!(found.windows(2).all(|pair| pair[0].interval.end() <= pair[1].interval.start()));
            for minute in 0..100 {
                let weightiest =
                    times.iter().filter(|time| time.interval.contains(at(minute))).map(|time| time.busy).max();
                let told = found.iter().find(|time| time.interval.contains(at(minute))).map(|time| time.busy);
                prop_assert_eq!(told, weightiest);
            }
        }
    }
}
