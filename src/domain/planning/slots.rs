//! Time cut into slots of the grid, and sets of slots.

use super::snapshot::Grid;
use crate::domain::calendar::Interval;
use chrono::{DateTime, TimeDelta, Utc};

/// Half-open range of slots.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Range {
    pub(super) from: usize,
    pub(super) to: usize,
}

impl Range {
    pub(super) const fn is_empty(self) -> bool {
        self.from >= self.to
    }

    pub(super) const fn covers(self, other: Self) -> bool {
        self.from <= other.from && other.to <= self.to
    }
}

/// The slots of a horizon.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slots {
    first: DateTime<Utc>,
    step: i64,
    /// How many slots lie whole within the horizon from the present on.
    pub(super) count: usize,
}

impl Slots {
    /// The whole slots of the horizon that have not begun before `now`.
    pub(super) fn new(horizon: Interval, now: DateTime<Utc>, grid: Grid) -> Self {
        let step = grid.step().num_seconds();
        let from = horizon.start().max(now);
        let mut first = from.timestamp();
        if from.timestamp_subsec_nanos() > 0 {
            first += 1;
        }
        let first = first.div_euclid(step) * step + if first.rem_euclid(step) > 0 { step } else { 0 };
        let whole = (horizon.end().timestamp() - first).div_euclid(step);
        let first = DateTime::from_timestamp(first, 0).unwrap_or(horizon.end());
        Self { first, step, count: usize::try_from(whole).unwrap_or(0) }
    }

    /// When a slot begins.
    pub(super) fn at(&self, slot: usize) -> DateTime<Utc> {
        let steps = i64::try_from(slot).expect("slots are counted in thousands");
        self.first + TimeDelta::seconds(steps * self.step)
    }

    /// The interval of a range that is not empty.
    pub(super) fn interval(&self, range: Range) -> Interval {
        Interval::new(self.at(range.from), self.at(range.to)).expect("the range is not empty")
    }

    fn bound(&self, slot: i64) -> usize {
        usize::try_from(slot.max(0)).unwrap_or(0).min(self.count)
    }

    /// Microseconds from the first slot, and a slot's own; beyond the years
    /// that microseconds count, the far end.
    fn micros(&self, at: DateTime<Utc>) -> (i64, i64) {
        let since = at - self.first;
        let far = if since < TimeDelta::zero() { i64::MIN / 2 } else { i64::MAX / 2 };
        (since.num_microseconds().unwrap_or(far), self.step * 1_000_000)
    }

    /// The slots that lie whole within an interval.
    pub(super) fn inside(&self, interval: Interval) -> Range {
        let (from, step) = self.micros(interval.start());
        let (to, _) = self.micros(interval.end());
        Range { from: self.bound(-(-from).div_euclid(step)), to: self.bound(to.div_euclid(step)) }
    }

    /// The slots that share an instant with an interval.
    pub(super) fn touching(&self, interval: Interval) -> Range {
        let (from, step) = self.micros(interval.start());
        let (to, _) = self.micros(interval.end());
        Range { from: self.bound(from.div_euclid(step)), to: self.bound(-(-to).div_euclid(step)) }
    }

    /// How many slots a length takes, rounded up.
    pub(super) fn length(&self, length: TimeDelta) -> usize {
        let seconds = length.num_milliseconds().max(0);
        usize::try_from(-(-seconds).div_euclid(self.step * 1000)).unwrap_or(0)
    }
}

/// A set of slots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SlotSet(Vec<u64>);

impl SlotSet {
    /// No slot, of so many.
    pub(super) fn none(count: usize) -> Self {
        Self(vec![0; count.div_ceil(64)])
    }

    fn masks(range: Range) -> impl Iterator<Item = (usize, u64)> {
        let last = if range.is_empty() { 0 } else { (range.to - 1) / 64 + 1 };
        (range.from / 64..last).map(move |word| {
            let low = range.from.saturating_sub(word * 64).min(63);
            let high = (range.to - word * 64).min(64);
            let upto = if high == 64 { u64::MAX } else { (1 << high) - 1 };
            (word, upto & (u64::MAX << low))
        })
    }

    /// Puts a range in.
    pub(super) fn insert(&mut self, range: Range) {
        for (word, mask) in Self::masks(range) {
            self.0[word] |= mask;
        }
    }

    /// Takes a range out.
    pub(super) fn remove(&mut self, range: Range) {
        for (word, mask) in Self::masks(range) {
            self.0[word] &= !mask;
        }
    }

    /// Whether any slot of the range is in.
    pub(super) fn any(&self, range: Range) -> bool {
        Self::masks(range).any(|(word, mask)| self.0[word] & mask != 0)
    }

    /// Whether every slot of the range is in.
    pub(super) fn all(&self, range: Range) -> bool {
        Self::masks(range).all(|(word, mask)| self.0[word] & mask == mask)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn slots() -> Slots {
        let horizon = Interval::new(utc("2026-03-29T00:10:00Z"), utc("2026-03-29T04:00:00Z")).unwrap();
        Slots::new(horizon, utc("2026-03-28T00:00:00Z"), Grid::Half)
    }

    #[test]
    fn slots_lie_whole_within_the_horizon() {
        let slots = slots();
        assert_eq!(slots.at(0), utc("2026-03-29T00:30:00Z"));
        assert_eq!(slots.count, 7);
    }

    #[test]
    fn intervals_off_the_grid_are_rounded_inwards_or_outwards() {
        let slots = slots();
        let off = Interval::new(utc("2026-03-29T00:45:00Z"), utc("2026-03-29T02:10:00Z")).unwrap();
        assert_eq!(slots.inside(off), Range { from: 1, to: 3 });
        assert_eq!(slots.touching(off), Range { from: 0, to: 4 });
        let on = Interval::new(utc("2026-03-29T01:00:00Z"), utc("2026-03-29T02:00:00Z")).unwrap();
        assert_eq!(slots.inside(on), slots.touching(on));
        assert_eq!(slots.length(TimeDelta::minutes(31)), 2);
    }

    #[test]
    fn sets_of_slots_hold_what_was_put_in() {
        let mut set = SlotSet::none(200);
        let range = |from, to| Range { from, to };
        set.insert(range(60, 130));
        assert!(set.all(range(60, 130)) && !set.any(range(0, 60)) && !set.any(range(130, 200)));
        set.remove(range(64, 128));
        assert!(!set.any(range(64, 128)) && set.all(range(60, 64)) && set.all(range(128, 130)));
        assert!(!set.any(range(5, 5)) && set.all(range(5, 5)));
    }
}
