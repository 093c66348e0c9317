//! Readings of one sensor that lie close together, summed up clock hour by
//! clock hour, so that a long history weighs no more than its hours. A sensor
//! that is read at most [`FEWEST_SUMMED`] times an hour is left as it is, so that
//! nothing changes for it. Of long ago whole days stand for their hours (`days`).
//! Knows nothing of where sums are kept.

use super::days::{self, Day, HOURS};
use super::observations::STANDSTILL_M3_H;
use super::trend::{Sample, Tick, hours_between};
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, TimeDelta, Utc};

/// With no more readings an hour than this each stands for itself.
pub const FEWEST_SUMMED: usize = 4;

/// Of whole days what is steady is told so often …
const STEADY: TimeDelta = TimeDelta::hours(6);
/// … and the means of so many hours together where that is fine enough.
const JOINED: usize = 2;

/// Differences beyond so many steps of a scale are more than its last digit.
pub(super) const FAR_STEPS: f64 = 1.9;

/// What may not be mixed when readings are summed up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// A level: any readings of one hour.
    Level,
    /// A flow: those at which it stood, and those at which it did not.
    Flow,
    /// A counter: those between two falls of it.
    Counter,
}

impl Manner {
    /// How a quantity's readings are summed up.
    pub const fn of(quantity: MeasuredQuantity) -> Self {
        match quantity {
            MeasuredQuantity::CirculationM3H => Self::Flow,
            MeasuredQuantity::PumpHours
            | MeasuredQuantity::StationHours
            | MeasuredQuantity::AntechamberCycles => Self::Counter,
            MeasuredQuantity::OxygenPpm
            | MeasuredQuantity::WaterPpm
            | MeasuredQuantity::GaugeBar
            | MeasuredQuantity::TemperatureC
            | MeasuredQuantity::BoxPressureMbar
            | MeasuredQuantity::FilterPressureMbar => Self::Level,
        }
    }

    fn together(self, one: &Sample, next: &Sample) -> bool {
        let hour = |sample: &Sample| sample.at.timestamp().div_euclid(3600);
        hour(one) == hour(next)
            && match self {
                Self::Level => true,
                Self::Flow => (one.value >= STANDSTILL_M3_H) == (next.value >= STANDSTILL_M3_H),
                Self::Counter => one.value <= next.value,
            }
    }
}

/// Readings of one hour, summed up, or one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summed {
    /// The first.
    pub first: Sample,
    /// The last.
    pub last: Sample,
    /// The middle of the time.
    pub at: DateTime<Utc>,
    /// How many.
    pub count: u32,
    /// The middle one by value, of two the lower: a value that was read.
    pub middle: f64,
    /// The arithmetic mean.
    pub mean: f64,
    /// The least.
    pub low: f64,
    /// The greatest.
    pub high: f64,
    /// The smallest difference between two that follow each other; nought where all are equal.
    pub step: f64,
    /// How many are equal to the one before.
    pub same: u32,
    /// How many differ from the one before by two such steps.
    pub far: u32,
}

impl Summed {
    /// A reading by itself.
    pub const fn single(sample: Sample) -> Self {
        let value = sample.value;
        Self {
            first: sample,
            last: sample,
            at: sample.at,
            count: 1,
            middle: value,
            mean: value,
            low: value,
            high: value,
            step: 0.0,
            same: 0,
            far: 0,
        }
    }

    /// Readings in order of time; there is at least one.
    #[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "readings of an hour")]
    fn of(samples: &[Sample]) -> Self {
        let mut values: Vec<f64> = samples.iter().map(|sample| sample.value).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let middle = (values.len() - 1) / 2;
        let middle = *values.select_nth_unstable_by(middle, f64::total_cmp).1;
        let fold = |start, pick: fn(f64, f64) -> f64| samples.iter().map(|one| one.value).fold(start, pick);
        let pairs = || samples.windows(2).map(|pair| (pair[0].value, pair[1].value));
        let moved = pairs().filter(|(one, next)| !same(*one, *next));
        let step = moved.map(|(one, next)| (next - one).abs()).reduce(f64::min).unwrap_or(0.0);
        Self {
            first: samples[0],
            last: samples[samples.len() - 1],
            at: samples[0].at + (samples[samples.len() - 1].at - samples[0].at) / 2,
            count: samples.len() as u32,
            middle,
            mean,
            low: fold(f64::INFINITY, f64::min),
            high: fold(f64::NEG_INFINITY, f64::max),
            step,
            same: pairs().filter(|(one, next)| same(*one, *next)).count() as u32,
            far: pairs().filter(|(one, next)| (next - one).abs() > FAR_STEPS * step).count() as u32,
        }
    }

    /// The middle one in the middle of the time.
    pub fn sample(&self) -> Sample {
        Sample { at: self.at, value: self.middle }
    }

    /// The mean in the middle of the time.
    pub fn average(&self) -> Sample {
        Sample { at: self.at, value: self.mean }
    }

    /// Whether it stands for a day, or a part of one, rather than for an hour.
    pub(super) fn is_long(&self) -> bool {
        self.last.at - self.first.at > TimeDelta::hours(1)
    }

    /// Whether all are equal.
    pub(super) fn is_still(&self) -> bool {
        same(self.low, self.high)
    }
}

/// Equal but for the error of a sum.
pub(super) fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// Sums up readings, which are in order of time and one an instant.
pub fn summed(manner: Manner, samples: &[Sample]) -> Vec<Summed> {
    let mut all = Vec::new();
    for together in samples.chunk_by(|one, next| manner.together(one, next)) {
        if together.len() > FEWEST_SUMMED {
            all.push(Summed::of(together));
        } else {
            all.extend(together.iter().copied().map(Summed::single));
        }
    }
    all
}

/// How many readings were summed up.
pub(super) fn count(points: &[Summed]) -> u64 {
    points.iter().map(|point| u64::from(point.count)).sum()
}

/// How many readings of those summed up are later than an instant.
pub(super) fn count_after(points: &[Summed], since: DateTime<Utc>) -> usize {
    let later = points.partition_point(|point| point.last.at <= since);
    usize::try_from(count(&points[later..])).unwrap_or(usize::MAX)
}

/// The first and the last of each hour: for counters, which only rise between the two.
pub fn ends(points: &[Summed]) -> Vec<Sample> {
    points.iter().flat_map(|point| both(point, point.first, point.last)).collect()
}

/// The mean of each hour at its first and at its last reading, of each longer part of
/// a day some times in between too: for flows, which stand or do not from the one
/// to the other.
pub(super) fn steady(points: &[Summed]) -> Vec<Sample> {
    let mut all = Vec::with_capacity(2 * points.len());
    for point in points {
        let mean = |at| Sample { at, value: point.mean };
        let mut at = point.first.at;
        while at < point.last.at {
            all.push(mean(at));
            at += STEADY;
        }
        all.push(mean(point.last.at));
    }
    all
}

fn both(point: &Summed, first: Sample, last: Sample) -> impl Iterator<Item = Sample> + use<> {
    std::iter::once(first).chain((point.count > 1).then_some(last))
}

/// The mean of each hour; where nothing was read for longer than `longest`
/// hours before or after, or at the ends, at the first and the last reading too.
/// Whole days give the means of their hours, or of some together where that is fine
/// enough.
pub(super) fn averages(
    points: &[Summed],
    whole: &[Day],
    longest: f64,
    is_even: impl Fn(&Summed) -> bool,
) -> Vec<Tick> {
    let of_days: usize = whole.iter().map(|day| day.means.len()).sum();
    let mut all: Vec<Tick> = Vec::with_capacity(points.len() + of_days + 2);
    for (index, point) in points.iter().enumerate() {
        let apart = |one: &Summed, next: &Summed| hours_between(one.last.at, next.first.at) > longest;
        let many = point.count > 1;
        let begins = index.checked_sub(1).is_none_or(|before| apart(&points[before], point));
        let ends = points.get(index + 1).is_none_or(|next| apart(point, next));
        let day = if point.is_long() { day_of(point, whole) } else { None };
        let begin = all.len();
        match day {
            Some(day) => {
                let joined = if is_even(point) { JOINED } else { 1 };
                all.extend(days::means(day, joined));
            }
            None => all.push(Tick::of(&point.average())),
        }
        if many && begins {
            let value = all[begin].value;
            all.insert(begin, Tick::of(&Sample { at: point.first.at, value }));
        }
        if many && ends {
            let value = all[all.len() - 1].value;
            all.push(Tick::of(&Sample { at: point.last.at, value }));
        }
    }
    all
}

/// The day that a point stands for.
fn day_of<'a>(point: &Summed, whole: &'a [Day]) -> Option<&'a Day> {
    let date = point.first.at.date_naive();
    let found = whole.binary_search_by(|day| day.date().cmp(&date)).ok()?;
    whole.get(found).filter(|day| day.means.len() == HOURS)
}

/// The median time between readings, hours; those summed up are taken as evenly spread.
pub(super) fn usual_step(points: &[Summed]) -> f64 {
    let between = points.windows(2).map(|pair| (hours_between(pair[0].last.at, pair[1].first.at), 1));
    let within = points.iter().filter(|point| point.count > 1).map(|point| {
        let steps = point.count - 1;
        (hours_between(point.first.at, point.last.at) / f64::from(steps), u64::from(steps))
    });
    let mut steps: Vec<(f64, u64)> = between.chain(within).collect();
    steps.sort_by(|one, other| one.0.total_cmp(&other.0));
    let all: u64 = steps.iter().map(|(_, times)| times).sum();
    let number = |number: u64| {
        let mut before = 0;
        let mut holds = steps.iter().filter(|(_, times)| {
            before += times;
            before > number
        });
        holds.next().map_or(0.0, |(step, _)| *step)
    };
    match all {
        0 => 0.0,
        odd if odd % 2 == 1 => number(all / 2),
        _ => f64::midpoint(number(all / 2 - 1), number(all / 2)),
    }
}

/// The readings of one sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorReadings {
    /// The sensor's name; empty where readings name none.
    pub sensor: String,
    /// What it showed, in order of time.
    pub samples: Vec<Sample>,
    /// What it showed besides, summed up.
    hours: Vec<Summed>,
    /// What it showed on whole days of long ago.
    days: Vec<Day>,
    /// The last of what was summed up, reading by reading, in whole hours.
    tail: Vec<Sample>,
}

impl SensorReadings {
    /// What a sensor showed.
    pub fn new(sensor: impl Into<String>, samples: Vec<Sample>) -> Self {
        Self { sensor: sensor.into(), samples, hours: Vec::new(), days: Vec::new(), tail: Vec::new() }
    }

    /// What a sensor showed, summed up. What was read in the last hours of it
    /// may come along reading by reading; it begins with a whole hour.
    pub fn summed(sensor: impl Into<String>, hours: Vec<Summed>, tail: Vec<Sample>) -> Self {
        Self { sensor: sensor.into(), samples: Vec::new(), hours, days: Vec::new(), tail }
    }

    /// The same with whole days besides, in order of time: of long ago, and such
    /// that circulation did not stand for long where the level counts only while it runs.
    #[must_use]
    pub fn and_days(self, days: Vec<Day>) -> Self {
        Self { days, ..self }
    }

    /// What people call it.
    pub fn name(&self) -> String {
        named(&self.sensor)
    }

    /// What it showed until `now`: numbers only, in order of time, one an instant.
    pub fn points(&self, now: DateTime<Utc>) -> Vec<Summed> {
        self.points_where(now, |_| true)
    }

    /// The same as far as it counts.
    pub(super) fn points_where(&self, now: DateTime<Utc>, counts: impl Fn(&Summed) -> bool) -> Vec<Summed> {
        let is_sound = |point: &Summed| point.middle.is_finite() && point.last.at <= now && counts(point);
        let most = self.samples.len() + self.hours.len() + self.days.len();
        let mut points: Vec<Summed> = Vec::with_capacity(most);
        points.extend(self.samples.iter().copied().map(Summed::single).filter(is_sound));
        let parts = self.days.iter().flat_map(|day| &day.parts);
        points.extend(parts.chain(&self.hours).filter(|point| is_sound(point)));
        if !points.is_sorted_by(|one, next| one.first.at < next.first.at) {
            points.sort_by_key(|point| point.first.at);
            points.dedup_by_key(|point| point.first.at);
        }
        points
    }

    /// What it showed on whole days, in order of time.
    pub(super) fn days(&self) -> &[Day] {
        &self.days
    }

    /// The last of what was summed up, reading by reading.
    pub(super) fn tail(&self) -> &[Sample] {
        &self.tail
    }
}

pub(super) fn named(sensor: &str) -> String {
    if sensor.is_empty() { "the sensor without a name".to_owned() } else { format!("sensor {sensor}") }
}

/// What the sensor showed that has most readings, until `now`.
pub fn fullest(sensors: &[SensorReadings], now: DateTime<Utc>) -> Vec<Summed> {
    sensors.iter().map(|one| one.points(now)).max_by_key(|points| count(points)).unwrap_or_default()
}

#[cfg(test)]
#[path = "summed_tests.rs"]
mod tests;
