//! Readings of one sensor that lie close together, summed up clock hour by
//! clock hour, so that a long history weighs no more than its hours. A sensor
//! that is read at most [`FEWEST_SUMMED`] times an hour is left as it is, so that
//! nothing changes for it. Knows nothing of where sums are kept.

use super::observations::STANDSTILL_M3_H;
use super::trend::{Sample, hours_between};
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, Utc};

/// With no more readings an hour than this each stands for itself.
pub const FEWEST_SUMMED: usize = 4;

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

/// The mean of each hour at its first and at its last reading: for flows, which
/// stand or do not from the one to the other.
pub(super) fn steady(points: &[Summed]) -> Vec<Sample> {
    let mean = |point: &Summed, at| Sample { at, value: point.mean };
    let ends = |point| both(point, mean(point, point.first.at), mean(point, point.last.at));
    points.iter().flat_map(ends).collect()
}

fn both(point: &Summed, first: Sample, last: Sample) -> impl Iterator<Item = Sample> + use<> {
    std::iter::once(first).chain((point.count > 1).then_some(last))
}

/// The mean of each hour; where nothing was read for longer than `longest`
/// hours before or after, or at the ends, at the first and the last reading too.
pub(super) fn averages(points: &[Summed], longest: f64) -> Vec<Sample> {
    let mut all = Vec::with_capacity(points.len() + 2);
    for (index, point) in points.iter().enumerate() {
        let apart = |one: &Summed, next: &Summed| hours_between(one.last.at, next.first.at) > longest;
        let many = point.count > 1;
        let begins = index.checked_sub(1).is_none_or(|before| apart(&points[before], point));
        if many && begins {
            all.push(Sample { at: point.first.at, value: point.mean });
        }
        all.push(point.average());
        if many && points.get(index + 1).is_none_or(|next| apart(point, next)) {
            all.push(Sample { at: point.last.at, value: point.mean });
        }
    }
    all
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
    /// The last of what was summed up, reading by reading, in whole hours.
    tail: Vec<Sample>,
}

impl SensorReadings {
    /// What a sensor showed.
    pub fn new(sensor: impl Into<String>, samples: Vec<Sample>) -> Self {
        Self { sensor: sensor.into(), samples, hours: Vec::new(), tail: Vec::new() }
    }

    /// What a sensor showed, summed up. What was read in the last hours of it
    /// may come along reading by reading; it begins with a whole hour.
    pub fn summed(sensor: impl Into<String>, hours: Vec<Summed>, tail: Vec<Sample>) -> Self {
        Self { sensor: sensor.into(), samples: Vec::new(), hours, tail }
    }

    /// What people call it.
    pub fn name(&self) -> String {
        named(&self.sensor)
    }

    /// What it showed until `now`: numbers only, in order of time, one an instant.
    pub fn points(&self, now: DateTime<Utc>) -> Vec<Summed> {
        let sound = |sample: &&Sample| sample.value.is_finite() && sample.at <= now;
        let single = |sample: &Sample| Summed::single(*sample);
        let mut points: Vec<Summed> = self.samples.iter().filter(sound).map(single).collect();
        points.extend(self.hours.iter().filter(|point| point.last.at <= now));
        points.sort_by_key(|point| point.first.at);
        points.dedup_by_key(|point| point.first.at);
        points
    }

    /// The last of what was summed up, reading by reading.
    pub(super) fn tail(&self) -> &[Sample] {
        &self.tail
    }

    /// Only what was shown at instants that count.
    pub(super) fn only(&self, counts: impl Fn(DateTime<Utc>) -> bool) -> Self {
        let samples = self.samples.iter().filter(|sample| counts(sample.at)).copied();
        let hours = self.hours.iter().filter(|point| counts(point.at)).copied();
        let tail = self.tail.iter().filter(|sample| counts(sample.at)).copied();
        Self {
            sensor: self.sensor.clone(),
            samples: samples.collect(),
            hours: hours.collect(),
            tail: tail.collect(),
        }
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
