//! What a purifier has taken up: the integral of circulation times level times
//! the density of the gas, by trapezoids over what was read in the box while
//! the circulation ran. Where nobody read for longer than a stated time, the
//! hours count as unknown and add nothing.

use super::circulation::{Circulation, Place, moles_per_m3};
use super::evidence::Gap;
use super::trend::{Tick, forward, hours_of, micros, tick_beside};
use chrono::{DateTime, Utc};

/// A temperature reading counts so many hours before and after.
const TEMPERATURE_HOURS: f64 = 12.0;
/// Temperature of the box's gas where none was read, °C.
pub(super) const BOX_C: f64 = 20.0;
/// A day with fewer hours of circulation read has no mean of its own.
const DAY_HOURS: f64 = 6.0;

/// The sums at a moment, all since the beginning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// When, microseconds since 1970.
    pub(super) at: i64,
    /// The same as hours since the beginning.
    pub(super) hours: f64,
    /// Taken up while somebody read, mol.
    pub(super) known_mol: f64,
    /// Hours of circulation in that time.
    pub(super) known_hours: f64,
    /// Hours of circulation while nobody read.
    pub(super) unknown_hours: f64,
}

/// What was taken up since a moment.
#[derive(Debug, Clone)]
pub(super) struct Taken {
    /// The sums at each reading, and now; at least two.
    pub(super) points: Vec<Point>,
    /// Where stretches without a gap begin and end, as numbers of points.
    pub(super) stretches: Vec<(usize, usize)>,
    /// Time that nobody saw.
    pub(super) gaps: Vec<Gap>,
    /// The longest time between two readings that counts as seen, hours.
    pub(super) longest: f64,
    /// Hours off.
    pub(super) hours_off: f64,
    /// Readings at which the circulation is the rated one, for want of a reading.
    pub(super) rated: usize,
    /// Whether a temperature was read near any reading.
    pub(super) temperature_read: bool,
    /// Means of days of enough hours, mol an hour, sorted.
    pub(super) daily: Vec<f64>,
}

/// Levels in the box, and what goes with them.
pub(super) struct Inlet<'a> {
    /// Mole-ppm, in order of time.
    pub(super) level: &'a [Tick],
    /// When gas circulated.
    pub(super) circulation: &'a Circulation,
    /// °C, in order of time.
    pub(super) temperature: &'a [Tick],
    /// The longest time between two readings of the level that counts as seen, hours.
    pub(super) longest: f64,
}

/// How far the sum has come.
#[derive(Default)]
struct Progress {
    circulation: Place,
    warmth: usize,
    /// Hours off until the last point …
    off: f64,
    /// … which is of then, microseconds since 1970.
    at: i64,
    /// When the sum begins, the same way.
    since: i64,
}

impl Progress {
    /// Hours from the beginning until the last point.
    fn hours(&self) -> f64 {
        hours_of(self.at - self.since)
    }
}

impl Inlet<'_> {
    /// Sums up from `since` until `now`; levels outside are left out.
    pub(super) fn taken(&self, since: DateTime<Utc>, now: DateTime<Utc>) -> Taken {
        let (begin, end) = (since.timestamp_micros(), now.timestamp_micros());
        let first = self.level.partition_point(|tick| tick.at < begin);
        let last = self.level.partition_point(|tick| tick.at <= end).max(first);
        let level = &self.level[first..last];
        let hours_off = self.circulation.hours_off(since, now);
        let start = Point { at: begin, hours: 0.0, known_mol: 0.0, known_hours: 0.0, unknown_hours: 0.0 };
        let mut taken = Taken {
            points: vec![start],
            stretches: Vec::new(),
            gaps: Vec::new(),
            longest: self.longest,
            hours_off,
            rated: 0,
            temperature_read: false,
            daily: Vec::new(),
        };
        let mut progress = Progress { at: begin, since: begin, ..Progress::default() };
        progress.off = self.circulation.off_until_from(&mut progress.circulation, progress.at);
        taken.points.reserve(level.len() + 2);
        let mut earlier = None;
        for tick in level {
            let pace = self.pace(*tick, &mut taken, &mut progress);
            if !taken.stretches.is_empty() && hours_of(tick.at - progress.at) <= taken.longest {
                self.seen(&mut taken, &mut progress, tick.at, earlier, pace);
            } else {
                self.unseen(&mut taken, &mut progress, tick.at);
                taken.stretches.push((taken.points.len() - 1, taken.points.len() - 1));
            }
            earlier = pace;
        }
        self.unseen(&mut taken, &mut progress, end);
        taken.daily = daily(&taken);
        taken
    }

    /// What the purifier takes up at a reading, mol an hour; `None` while the
    /// circulation is off.
    fn pace(&self, level: Tick, taken: &mut Taken, progress: &mut Progress) -> Option<f64> {
        let (flow, is_read) = self.circulation.at_from(&mut progress.circulation, level.at)?;
        taken.rated += usize::from(!is_read);
        forward(self.temperature, &mut progress.warmth, |read| read.at < level.at);
        let read = tick_beside(self.temperature, progress.warmth, level.at, micros(TEMPERATURE_HOURS));
        taken.temperature_read |= read.is_some();
        Some(flow * 1e-6 * level.value * moles_per_m3(read.unwrap_or(BOX_C)))
    }

    /// Hours from the last point until a later moment, and those of them off.
    fn pass(&self, progress: &mut Progress, to: i64) -> (f64, f64) {
        let until = self.circulation.off_until_from(&mut progress.circulation, to);
        let off = (until - std::mem::replace(&mut progress.off, until)).max(0.0);
        (hours_of(to - std::mem::replace(&mut progress.at, to)), off)
    }

    /// Goes on to a moment over time that nobody saw.
    fn unseen(&self, taken: &mut Taken, progress: &mut Progress, to: i64) {
        let Some(last) = taken.points.last().copied() else { return };
        let (hours, off) = self.pass(progress, to);
        if hours > taken.longest {
            taken.gaps.extend(last.when().zip(instant(to)).map(|(from, to)| Gap { from, to }));
        }
        let unknown = (hours - off).max(0.0);
        let (hours, unknown_hours) = (progress.hours(), last.unknown_hours + unknown);
        taken.points.push(Point { at: to, hours, unknown_hours, ..last });
    }

    /// Goes on to the next reading: the mean of both ends for as long as the
    /// circulation ran, or the end at which it ran.
    fn seen(
        &self,
        taken: &mut Taken,
        progress: &mut Progress,
        to: i64,
        earlier: Option<f64>,
        later: Option<f64>,
    ) {
        let Some(last) = taken.points.last().copied() else { return };
        let (passed, off) = self.pass(progress, to);
        let hours = (passed - off).max(0.0);
        let pace = match (earlier, later) {
            (Some(earlier), Some(later)) => Some(f64::midpoint(earlier, later)),
            // The level in a box at rest says nothing of what circulates before or after.
            (one, other) => one.or(other),
        };
        let next = match pace {
            Some(pace) => Point {
                at: to,
                hours: progress.hours(),
                known_mol: last.known_mol + pace * hours,
                known_hours: last.known_hours + hours,
                ..last
            },
            None => {
                Point { at: to, hours: progress.hours(), unknown_hours: last.unknown_hours + hours, ..last }
            }
        };
        taken.points.push(next);
        if let Some(stretch) = taken.stretches.last_mut() {
            stretch.1 = taken.points.len() - 1;
        }
    }
}

/// Whole days of so many hours.
#[expect(clippy::cast_possible_truncation, reason = "what is cut off is what is not whole")]
pub(super) fn whole_days(hours: f64) -> i64 {
    (hours / 24.0) as i64
}

/// An instant of the record, from microseconds since 1970.
fn instant(micros: i64) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp_micros(micros)
}

impl Point {
    /// When it is; always an instant of the record.
    pub(super) fn when(&self) -> Option<DateTime<Utc>> {
        instant(self.at)
    }
}

/// Means of days with enough hours of circulation read, sorted.
fn daily(taken: &Taken) -> Vec<f64> {
    let Some(first) = taken.points.first() else { return Vec::new() };
    let mut means = Vec::new();
    let mut day_ended = |begin: &Point, end: &Point| {
        let hours = end.known_hours - begin.known_hours;
        if hours >= DAY_HOURS {
            means.push((end.known_mol - begin.known_mol) / hours);
        }
    };
    let (mut begin, mut end, mut day) = (*first, *first, 0);
    for point in &taken.points {
        let of_point = whole_days(point.hours);
        if of_point != day {
            day_ended(&begin, &end);
            (begin, day) = (end, of_point);
        }
        end = *point;
    }
    day_ended(&begin, &end);
    means.sort_by(f64::total_cmp);
    means
}

impl Taken {
    /// The sums now.
    pub(super) fn last(&self) -> Point {
        *self.points.last().expect("there is always a beginning")
    }

    /// The mean while somebody read, mol an hour.
    pub(super) fn mean(&self) -> f64 {
        let Point { known_mol, known_hours, .. } = self.last();
        if known_hours > 0.0 { known_mol / known_hours } else { 0.0 }
    }

    /// The mean an hour that lies so high among the days read: the 10 % and
    /// the 90 % point, the mean itself inside.
    pub(super) fn range(&self) -> (f64, f64) {
        let mean = self.mean();
        (self.day_at(0.1).unwrap_or(0.0).min(mean), self.day_at(0.9).unwrap_or(2.0 * mean).max(mean))
    }

    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place among a few thousand days"
    )]
    fn day_at(&self, share: f64) -> Option<f64> {
        let place = share * self.daily.len().checked_sub(1)? as f64;
        let (low, rest) = (place.floor() as usize, place.fract());
        let (below, above) = (self.daily[low], self.daily[(low + 1).min(self.daily.len() - 1)]);
        Some(below + rest * (above - below))
    }
}

#[cfg(test)]
#[path = "uptake_sum_tests.rs"]
mod tests;
