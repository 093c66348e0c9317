//! What a sensor's readings are worth: where it stuck, sat at the end of its
//! scale, jumped, dropped out, or showed a value that those around it
//! contradict. Knows nothing of limits or of what is done about it.
//!
//! Lone values are found as F. R. Hampel proposed ("The influence curve and
//! its role in robust estimation", Journal of the American Statistical
//! Association 69 (1974) 383-393): by the median of their neighbours and the
//! median deviation from it. The rest are rules of our own, made so that a
//! sensor that only shows noise is hardly ever accused; how seldom is
//! measured in the tests.

mod record;

use super::evidence::digits;
use super::report::moment;
pub use super::summed::SensorReadings;
use super::summed::{Summed, count, named, usual_step};
use super::trend::{Sample, hours_between, quick_median};
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use record::{Judged, Record};

/// Standard deviations of normal noise in a median absolute deviation.
pub const NORMAL_MAD: f64 = 1.4826;

/// Neighbours on each side that a value is compared with.
const NEIGHBOURS: usize = 5;
/// With fewer on each side nothing is said.
const FEWEST_NEIGHBOURS: usize = 2;
/// A value is lone so many standard deviations of its neighbours away.
const LONE_DEVIATIONS: f64 = 5.0;
/// More values than this in a row are lone only for [`LONE_HOURS`].
const LONE_IN_A_ROW: u64 = 2;
/// Longer than this a level stands high; it does not only jump up and down.
const LONE_HOURS: f64 = 6.0;

/// A sensor is stuck after so many equal readings at least …
const STUCK_READINGS: u64 = 12;
/// … over so many hours at least …
const STUCK_HOURS: f64 = 6.0;
/// … which chance would give in so few records.
const STUCK_CHANCE: f64 = 0.001;
/// Nought is shown so often before it counts as stuck: a working sensor of
/// traces hardly shows it (common practice, no source).
const NOUGHT_READINGS: u64 = 6;
/// A sensor is lively where this share of its readings differs from the one
/// before by two steps of its scale; others stand still for good reasons.
const LIVELY: f64 = 0.2;
/// Another sensor has moved when its level changed by so many times its noise
/// and so many steps of this one's scale.
const MOVED: (f64, f64) = (4.0, 5.0);

/// A sensor is at the end of its scale after so many readings of its highest value …
const FULL_READINGS: u64 = 5;
/// So many equal points in a row say nothing of a sensor's noise.
const FEWEST_STILL: usize = 5;
/// … over so many hours.
const FULL_HOURS: f64 = 1.0;
/// A round number is an end of scale when so many times the usual reading.
const FULL_TIMES: f64 = 3.0;

/// A jump so close to a service is explained by it, hours.
const EXPLAINED_HOURS: i64 = 24;

/// A gap is longer than so many hours and so many usual times between readings.
const GAP: (f64, f64) = (6.0, 5.0);
/// A sensor is silent after so many hours and so many usual times between readings.
const SILENT: (f64, f64) = (24.0, 5.0);

/// What is said of when a sensor shows nothing.
const SILENCES: [FaultKind; 2] = [FaultKind::DroppedOut, FaultKind::Silent];

/// Faults of one kind that are told one by one.
const MOST_TOLD: usize = 3;

/// What is wrong with a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum FaultKind {
    /// It showed the same value for too long.
    Stuck,
    /// It sat at the end of its scale.
    Saturated,
    /// Its level changed at once and stayed, with no service that explains it.
    Jump,
    /// Its level changed at once and stayed, about when a service was done.
    Serviced,
    /// It showed a value that those around it contradict.
    Lone,
    /// It showed nothing for a while.
    DroppedOut,
    /// It has shown nothing since.
    Silent,
}

/// Something wrong with a sensor, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// What.
    pub kind: FaultKind,
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// Readings concerned.
    pub count: u64,
    /// The value shown, or by how much it jumped.
    pub value: f64,
}

/// What one reading is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Worth {
    /// It can be believed.
    Good,
    /// Those around it contradict it.
    Lone,
    /// The sensor was stuck.
    Stuck,
    /// It was at the end of its scale.
    Saturated,
}

/// A sensor's readings, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspected {
    sensor: String,
    points: Vec<Summed>,
    samples: Vec<Sample>,
    worth: Vec<Worth>,
    /// When the level jumped: the first reading after it.
    pub steps: Vec<DateTime<Utc>>,
    /// What is wrong.
    pub faults: Vec<Fault>,
}

impl Inspected {
    /// What people call the sensor.
    pub fn name(&self) -> String {
        named(&self.sensor)
    }

    /// Whether these are readings of it.
    pub(super) fn is_of(&self, readings: &SensorReadings) -> bool {
        self.sensor == readings.sensor
    }

    /// Everything it showed, in order of time; the middle one of those summed up.
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Everything it showed, in order of time, and as how good that counts.
    pub(super) fn points(&self) -> impl DoubleEndedIterator<Item = (&Summed, Worth)> {
        self.points.iter().zip(self.worth.iter().copied())
    }

    /// What it showed that can be believed to be the level.
    pub fn believed(&self) -> impl Iterator<Item = Sample> {
        self.samples.iter().zip(&self.worth).filter(|(_, worth)| **worth == Worth::Good).map(|(one, _)| *one)
    }

    /// Everything it showed while it was not stuck.
    pub(super) fn moving(&self) -> impl Iterator<Item = Summed> {
        self.points().filter(|(_, worth)| *worth != Worth::Stuck).map(|(point, _)| *point)
    }

    /// What a reading at an instant is worth.
    pub(super) fn worth_at(&self, at: DateTime<Utc>) -> Worth {
        let next = self.points.partition_point(|point| point.first.at <= at);
        next.checked_sub(1).and_then(|before| self.worth.get(before)).copied().unwrap_or(Worth::Good)
    }

    /// Everything it showed above a level, and what can be believed of the
    /// rest: a fault must not hide an alarm.
    pub(super) fn alarming(&self, limit: f64) -> impl DoubleEndedIterator<Item = Summed> {
        let counts = move |(point, worth): &(&Summed, Worth)| point.high > limit || *worth == Worth::Good;
        self.points().filter(counts).map(|(point, _)| *point)
    }

    /// What is wrong of some kinds, in sentences, as far as it reaches beyond `since`.
    pub fn told(&self, kinds: &[FaultKind], since: DateTime<Utc>, unit: &str, zone: Tz) -> Vec<String> {
        told(&self.name(), &self.faults, kinds, since, unit, zone)
    }
}

fn told(
    name: &str,
    faults: &[Fault],
    kinds: &[FaultKind],
    since: DateTime<Utc>,
    unit: &str,
    zone: Tz,
) -> Vec<String> {
    let wanted = |fault: &&Fault| fault.to > since && kinds.contains(&fault.kind);
    let mut faults: Vec<&Fault> = faults.iter().filter(wanted).collect();
    faults.sort_by_key(|fault| (fault.kind, fault.from));
    let mut told = Vec::new();
    for alike in faults.chunk_by(|one, other| one.kind == other.kind) {
        let hidden = alike.len().saturating_sub(MOST_TOLD);
        told.extend(alike[hidden..].iter().map(|fault| sentence(name, fault, unit, zone)));
        if hidden > 0 {
            told.push(format!("{name}: {hidden} time(s) before likewise"));
        }
    }
    told
}

fn sentence(name: &str, fault: &Fault, unit: &str, zone: Tz) -> String {
    let (value, count) = (plain(fault.value), fault.count);
    let (from, to) = (moment(fault.from, zone), moment(fault.to, zone));
    let hours = digits(hours_between(fault.from, fault.to));
    match fault.kind {
        FaultKind::Stuck => {
            format!("{name} stuck at {value} {unit} from {from} to {to} ({count} readings)")
        }
        FaultKind::Saturated => {
            format!(
                "{name} sat at the end of its scale, {value} {unit}, from {from} to {to} ({count} readings)"
            )
        }
        FaultKind::Jump => {
            format!(
                "{name} jumped by {value} {unit} on {to} and stayed there, with no service that explains it"
            )
        }
        FaultKind::Serviced => {
            format!("{name} changed by {value} {unit} on {to}, about when a service was done")
        }
        FaultKind::Lone if count == 1 => {
            format!(
                "{name} showed {value} {unit} on {from}, which the readings around it contradict: set aside"
            )
        }
        FaultKind::Lone => format!(
            "{name} showed {count} values that the readings around them contradict: set aside; the first, {value} \
             {unit}, on {from}"
        ),
        FaultKind::DroppedOut => format!("{name} dropped out from {from} to {to} ({hours} h)"),
        FaultKind::Silent => format!("{name} has been silent since {from} ({hours} h)"),
    }
}

/// A value as it was read: to the last digit that matters, not to a sum's error.
fn plain(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Judges all sensors of one quantity at one place, as of a moment;
/// `services` tells when work was done there. The sensor with the most
/// readings comes first.
pub fn inspect(
    quantity: MeasuredQuantity,
    sensors: &[SensorReadings],
    services: &[DateTime<Utc>],
    now: DateTime<Utc>,
) -> Vec<Inspected> {
    inspect_where(quantity, sensors, |_| true, services, now)
}

/// The same by what they showed that counts.
pub(super) fn inspect_where(
    quantity: MeasuredQuantity,
    sensors: &[SensorReadings],
    counts: impl Fn(&Summed) -> bool,
    services: &[DateTime<Utc>],
    now: DateTime<Utc>,
) -> Vec<Inspected> {
    judged(quantity, records(sensors, counts, now), Some(services), now)
}

/// The same without looking for jumps.
pub(super) fn inspect_but_for_jumps(
    quantity: MeasuredQuantity,
    sensors: &[SensorReadings],
    now: DateTime<Utc>,
) -> Vec<Inspected> {
    judged(quantity, records(sensors, |_| true, now), None, now)
}

fn judged(
    quantity: MeasuredQuantity,
    records: Vec<Record>,
    services: Option<&[DateTime<Utc>]>,
    now: DateTime<Utc>,
) -> Vec<Inspected> {
    let judged: Vec<Judged> = (0..records.len())
        .map(|index| {
            let others = records.iter().enumerate().filter(|(other, _)| *other != index);
            let others: Vec<&Record> = others.map(|(_, record)| record).collect();
            records[index].judged(quantity, &others, services, now)
        })
        .collect();
    let whole = |(record, judged): (Record, Judged)| Inspected {
        sensor: record.sensor,
        points: record.points,
        samples: record.samples,
        worth: judged.worth,
        steps: judged.steps,
        faults: judged.faults,
    };
    records.into_iter().zip(judged).map(whole).collect()
}

/// Of each sensor what it showed that counts, and when it showed
/// nothing; the one with the most readings first.
pub(super) fn silences(
    sensors: &[SensorReadings],
    counts: impl Fn(&Summed) -> bool,
    now: DateTime<Utc>,
) -> Vec<Silences> {
    let mut all: Vec<Silences> = sensors
        .iter()
        .map(|one| {
            let points = one.points_where(now, &counts);
            let faults = record::silences(&points, now);
            Silences { sensor: one.sensor.clone(), readings: count(&points), points, faults }
        })
        .filter(|one| !one.points.is_empty())
        .collect();
    all.sort_by(|a, b| b.readings.cmp(&a.readings).then_with(|| a.sensor.cmp(&b.sensor)));
    all
}

/// What a sensor showed, and when it showed nothing.
pub(super) struct Silences {
    sensor: String,
    readings: u64,
    /// What it showed.
    pub(super) points: Vec<Summed>,
    faults: Vec<Fault>,
}

impl Silences {
    /// When it showed nothing beyond `since`, in sentences.
    pub(super) fn told(&self, since: DateTime<Utc>, unit: &str, zone: Tz) -> Vec<String> {
        told(&named(&self.sensor), &self.faults, &SILENCES, since, unit, zone)
    }
}

/// The sensors that showed anything that counts, the one with the most readings first.
fn records(sensors: &[SensorReadings], counts: impl Fn(&Summed) -> bool, now: DateTime<Utc>) -> Vec<Record> {
    let mut records: Vec<Record> = sensors
        .iter()
        .map(|one| Record::of(&one.sensor, one.points_where(now, &counts)))
        .filter(|record| !record.points.is_empty())
        .collect();
    records.sort_by(|a, b| b.readings.cmp(&a.readings).then_with(|| a.sensor.cmp(&b.sensor)));
    records
}

/// The last digit that readings are given to: the power of ten that all of
/// them are multiples of, from 1 down to a millionth.
pub fn last_digit(samples: &[Sample]) -> f64 {
    let digits = [1.0, 0.1, 0.01, 1e-3, 1e-4, 1e-5];
    let mut finest = 0;
    for sample in samples {
        let is_multiple = |digit: f64| {
            let count = sample.value / digit;
            (count - count.round()).abs() <= 1e-6
        };
        while digits.get(finest).is_some_and(|digit| !is_multiple(*digit)) {
            finest += 1;
        }
    }
    digits.get(finest).copied().unwrap_or(1e-6)
}

/// The median time between readings, hours; nought with fewer than two.
fn spacing(samples: &[Sample]) -> f64 {
    let mut steps: Vec<f64> = samples.windows(2).map(|pair| hours_between(pair[0].at, pair[1].at)).collect();
    quick_median(&mut steps).unwrap_or(0.0)
}

/// The longest time between two readings that counts as seen, hours: six, or
/// five times the usual.
pub fn longest_step(points: &[Summed]) -> f64 {
    GAP.0.max(GAP.1 * usual_step(points))
}

#[cfg(test)]
#[path = "sensors_tests.rs"]
mod tests;
