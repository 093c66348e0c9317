//! How a level stands: what was read last, how old that is, where it lies between
//! the box's limits, and where it has been going for a day. Knows nothing of boxes.

use super::trend::{Sample, hours_between, theil_sen};
use crate::domain::facility::LevelLimits;
use chrono::{DateTime, TimeDelta, Utc};

/// How long a course is followed back from the last reading.
pub const FOLLOWED: TimeDelta = TimeDelta::hours(24);
/// A reading older than this says little of now.
pub const FRESH_FOR: TimeDelta = TimeDelta::hours(12);
/// Fewer readings than this show no course.
const FEWEST: usize = 3;
/// The most readings that a course is drawn through; of more, every so manieth is taken.
const MOST: usize = 200;
/// A course slower than this share of the caution level in a day is no news (our own choice).
const NEWS: f64 = 0.02;
/// How sure it must be that a level moves at all.
const CONFIDENCE: f64 = 0.8;

/// Where a level has been going.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Course {
    /// Up, by so much a day.
    Rising(f64),
    /// Down, by so much a day.
    Falling(f64),
    /// Neither, as far as the readings tell.
    Steady,
}

/// Where a level lies between its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Height {
    /// Below the caution level.
    Below,
    /// At the caution level or above it.
    Caution,
    /// At the action level or above it.
    Action,
}

/// How a level stands at a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// The levels that call for caution and for action.
    pub limits: LevelLimits,
    /// The last reading, if there is any.
    pub last: Option<Sample>,
    /// Whether that is too old to say much of now.
    pub stale: bool,
    /// Where it has been going for a day before that; `None` where too few readings tell.
    pub course: Option<Course>,
    /// The readings of that day.
    pub day: Vec<Sample>,
}

impl Standing {
    /// How a level stands by the readings of the day before the last one, in order of time.
    pub fn of(limits: LevelLimits, day: Vec<Sample>, now: DateTime<Utc>) -> Self {
        let last = day.last().copied();
        Self {
            limits,
            last,
            stale: last.is_some_and(|last| now - last.at > FRESH_FOR),
            course: course(&day, limits.caution.get()),
            day,
        }
    }

    /// Where the last reading lies.
    pub fn height(&self) -> Option<Height> {
        self.last.map(|last| height(last.value, self.limits))
    }
}

fn height(value: f64, limits: LevelLimits) -> Height {
    if value >= limits.action.get() {
        Height::Action
    } else if value >= limits.caution.get() {
        Height::Caution
    } else {
        Height::Below
    }
}

/// The course of readings in order of time: the Theil–Sen slope where Sen's interval
/// leaves zero out and where it is fast enough to be told.
fn course(samples: &[Sample], caution: f64) -> Option<Course> {
    let last = samples.last()?;
    let step = samples.len().div_ceil(MOST).max(1);
    let points: Vec<(f64, f64)> = samples
        .iter()
        .rev()
        .step_by(step)
        .map(|sample| (hours_between(last.at, sample.at) / 24.0, sample.value))
        .collect();
    if points.len() < FEWEST {
        return None;
    }
    let line = theil_sen(&points, CONFIDENCE)?;
    let told = line.slope.abs() >= NEWS * caution;
    Some(if told && line.low > 0.0 {
        Course::Rising(line.slope)
    } else if told && line.high < 0.0 {
        Course::Falling(-line.slope)
    } else {
        Course::Steady
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::facility::Limits;

    fn read(values: &[f64]) -> Standing {
        let start: DateTime<Utc> = "2026-01-12T00:00:00Z".parse().unwrap();
        let at = |hours| start + TimeDelta::hours(hours);
        let samples = values.iter().zip(0..).map(|(value, n)| Sample { at: at(4 * n), value: *value });
        Standing::of(Limits::default().oxygen_ppm, samples.collect(), at(24))
    }

    #[test]
    fn a_level_that_climbs_every_time_rises_by_its_rate_a_day() {
        let Some(Course::Rising(rate)) = read(&[1.0, 1.5, 2.0, 2.5, 3.0, 3.5]).course else { panic!() };
        assert!((rate - 3.0).abs() < 1e-9, "{rate}");
        let Some(Course::Falling(rate)) = read(&[3.0, 2.5, 2.0, 1.5, 1.0]).course else { panic!() };
        assert!((rate - 3.0).abs() < 1e-9, "{rate}");
    }

    #[test]
    fn noise_and_creeping_are_steady_and_two_readings_tell_nothing() {
        assert_eq!(read(&[1.0, 1.4, 0.9, 1.3, 1.0, 1.2]).course, Some(Course::Steady));
        assert_eq!(read(&[1.0, 1.001, 1.002, 1.003, 1.004]).course, Some(Course::Steady));
        assert_eq!(read(&[1.0, 9.0]).course, None);
        assert_eq!(read(&[]).course, None);
    }

    #[test]
    fn limits_count_from_the_level_on() {
        let heights = [9.99, 10.0, 99.9, 100.0].map(|value| read(&[value]).height());
        assert_eq!(heights, [Height::Below, Height::Caution, Height::Caution, Height::Action].map(Some));
        assert_eq!(read(&[]).height(), None);
    }

    #[test]
    fn an_old_reading_is_stale() {
        assert!(read(&[1.0]).stale);
        assert!(!read(&[1.0, 1.0, 1.0, 1.0]).stale);
    }
}
