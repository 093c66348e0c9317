//! What a purifier has taken up: the integral of circulation times level times
//! the density of the gas, by trapezoids over what was read in the box while
//! the circulation ran. Where nobody read for longer than a stated time, the
//! hours count as unknown and add nothing.

use super::circulation::{Circulation, Place, moles_per_m3};
use super::evidence::Gap;
use super::sensors::longest_step;
use super::trend::{Sample, forward, hours_between, value_beside};
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
    /// When.
    pub(super) at: DateTime<Utc>,
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
    pub(super) level: &'a [Sample],
    /// When gas circulated.
    pub(super) circulation: &'a Circulation,
    /// °C, in order of time.
    pub(super) temperature: &'a [Sample],
}

/// How far the sum has come.
#[derive(Default)]
struct Progress {
    circulation: Place,
    warmth: usize,
    /// Hours off until the last point.
    off: f64,
}

impl Inlet<'_> {
    /// Sums up from `since` until `now`; levels outside are left out.
    pub(super) fn taken(&self, since: DateTime<Utc>, now: DateTime<Utc>) -> Taken {
        let first = self.level.partition_point(|sample| sample.at < since);
        let last = self.level.partition_point(|sample| sample.at <= now).max(first);
        let level = &self.level[first..last];
        let hours_off = self.circulation.hours_off(since, now);
        let start = Point { at: since, known_mol: 0.0, known_hours: 0.0, unknown_hours: 0.0 };
        let mut taken = Taken {
            points: vec![start],
            stretches: Vec::new(),
            gaps: Vec::new(),
            longest: longest_step(level),
            hours_off,
            rated: 0,
            temperature_read: false,
            daily: Vec::new(),
        };
        let mut progress = Progress::default();
        progress.off = self.circulation.off_until_from(&mut progress.circulation, since);
        let mut before: Option<(DateTime<Utc>, Option<f64>)> = None;
        for sample in level {
            let pace = self.pace(sample, &mut taken, &mut progress);
            match before {
                None => {
                    self.unseen(&mut taken, &mut progress, sample.at);
                    taken.stretches.push((taken.points.len() - 1, taken.points.len() - 1));
                }
                Some((at, _)) if hours_between(at, sample.at) > taken.longest => {
                    self.unseen(&mut taken, &mut progress, sample.at);
                    taken.stretches.push((taken.points.len() - 1, taken.points.len() - 1));
                }
                Some((_, earlier)) => self.seen(&mut taken, &mut progress, sample.at, earlier, pace),
            }
            before = Some((sample.at, pace));
        }
        self.unseen(&mut taken, &mut progress, now);
        taken.daily = daily(&taken);
        taken
    }

    /// What the purifier takes up at a reading, mol an hour; `None` while the
    /// circulation is off.
    fn pace(&self, sample: &Sample, taken: &mut Taken, progress: &mut Progress) -> Option<f64> {
        let (flow, is_read) = self.circulation.at_from(&mut progress.circulation, sample.at)?;
        taken.rated += usize::from(!is_read);
        forward(self.temperature, &mut progress.warmth, |read| read.at < sample.at);
        let read = value_beside(self.temperature, progress.warmth, sample.at, TEMPERATURE_HOURS);
        taken.temperature_read |= read.is_some();
        Some(flow * 1e-6 * sample.value * moles_per_m3(read.unwrap_or(BOX_C)))
    }

    /// Hours off from the last point until a later moment.
    fn off(&self, progress: &mut Progress, to: DateTime<Utc>) -> f64 {
        let until = self.circulation.off_until_from(&mut progress.circulation, to);
        (until - std::mem::replace(&mut progress.off, until)).max(0.0)
    }

    /// Goes on to a moment over time that nobody saw.
    fn unseen(&self, taken: &mut Taken, progress: &mut Progress, to: DateTime<Utc>) {
        let Some(last) = taken.points.last().copied() else { return };
        let hours = hours_between(last.at, to);
        if hours > taken.longest {
            taken.gaps.push(Gap { from: last.at, to });
        }
        let unknown = (hours - self.off(progress, to)).max(0.0);
        taken.points.push(Point { at: to, unknown_hours: last.unknown_hours + unknown, ..last });
    }

    /// Goes on to the next reading: the mean of both ends for as long as the
    /// circulation ran, or the end at which it ran.
    fn seen(
        &self,
        taken: &mut Taken,
        progress: &mut Progress,
        to: DateTime<Utc>,
        earlier: Option<f64>,
        later: Option<f64>,
    ) {
        let Some(last) = taken.points.last().copied() else { return };
        let hours = (hours_between(last.at, to) - self.off(progress, to)).max(0.0);
        let pace = match (earlier, later) {
            (Some(earlier), Some(later)) => Some(f64::midpoint(earlier, later)),
            // The level in a box at rest says nothing of what circulates before or after.
            (one, other) => one.or(other),
        };
        let next = match pace {
            Some(pace) => Point {
                at: to,
                known_mol: last.known_mol + pace * hours,
                known_hours: last.known_hours + hours,
                ..last
            },
            None => Point { at: to, unknown_hours: last.unknown_hours + hours, ..last },
        };
        taken.points.push(next);
        if let Some(stretch) = taken.stretches.last_mut() {
            stretch.1 = taken.points.len() - 1;
        }
    }
}

/// Means of days with enough hours of circulation read, sorted.
fn daily(taken: &Taken) -> Vec<f64> {
    let Some(first) = taken.points.first() else { return Vec::new() };
    let day = |point: &Point| (point.at - first.at).num_days();
    let mut begin = *first;
    let mut means = Vec::new();
    for together in taken.points.chunk_by(|one, other| day(one) == day(other)) {
        let Some(end) = together.last() else { continue };
        let hours = end.known_hours - begin.known_hours;
        if hours >= DAY_HOURS {
            means.push((end.known_mol - begin.known_mol) / hours);
        }
        begin = *end;
    }
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
