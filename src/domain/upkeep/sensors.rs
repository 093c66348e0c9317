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

use super::evidence::digits;
use super::jumps::jumps;
use super::report::moment;
use super::trend::{Sample, hours_between, median};
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// The readings of one sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorReadings {
    /// The sensor's name; empty where readings name none.
    pub sensor: String,
    /// What it showed, in order of time.
    pub samples: Vec<Sample>,
}

impl SensorReadings {
    /// What a sensor showed.
    pub fn new(sensor: impl Into<String>, samples: Vec<Sample>) -> Self {
        Self { sensor: sensor.into(), samples }
    }

    /// What people call it.
    pub fn name(&self) -> String {
        named(&self.sensor)
    }

    /// What it showed until `now`: numbers only, in order of time, one an instant.
    pub fn sound(&self, now: DateTime<Utc>) -> Vec<Sample> {
        let sound = |sample: &&Sample| sample.value.is_finite() && sample.at <= now;
        let mut samples: Vec<Sample> = self.samples.iter().filter(sound).copied().collect();
        samples.sort_by_key(|sample| sample.at);
        samples.dedup_by_key(|sample| sample.at);
        samples
    }
}

fn named(sensor: &str) -> String {
    if sensor.is_empty() { "the sensor without a name".to_owned() } else { format!("sensor {sensor}") }
}

/// Standard deviations of normal noise in a median absolute deviation.
pub const NORMAL_MAD: f64 = 1.4826;

/// Neighbours on each side that a value is compared with.
const NEIGHBOURS: usize = 5;
/// With fewer on each side nothing is said.
const FEWEST_NEIGHBOURS: usize = 2;
/// A value is lone so many standard deviations of its neighbours away.
const LONE_DEVIATIONS: f64 = 5.0;
/// More values than this in a row are lone only for [`LONE_HOURS`].
const LONE_IN_A_ROW: usize = 2;
/// Longer than this a level stands high; it does not only jump up and down.
const LONE_HOURS: f64 = 6.0;

/// A sensor is stuck after so many equal readings at least …
const STUCK_READINGS: usize = 12;
/// … over so many hours at least …
const STUCK_HOURS: f64 = 6.0;
/// … which chance would give in so few records.
const STUCK_CHANCE: f64 = 0.001;
/// Nought is shown so often before it counts as stuck: a working sensor of
/// traces hardly shows it (common practice, no source).
const NOUGHT_READINGS: usize = 6;
/// A sensor is lively where this share of its readings differs from the one
/// before by two steps of its scale; others stand still for good reasons.
const LIVELY: f64 = 0.2;
/// Another sensor has moved when its level changed by so many times its noise
/// and so many steps of this one's scale.
const MOVED: (f64, f64) = (4.0, 5.0);

/// A sensor is at the end of its scale after so many readings of its highest value …
const FULL_READINGS: usize = 5;
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
    pub count: usize,
    /// The value shown, or by how much it jumped.
    pub value: f64,
}

/// What one reading is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Worth {
    Good,
    Lone,
    Stuck,
    Saturated,
}

/// A sensor's readings, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspected {
    sensor: String,
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

    /// Everything it showed, in order of time.
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// What it showed that can be believed to be the level.
    pub fn believed(&self) -> impl Iterator<Item = Sample> {
        self.with(|worth| worth == Worth::Good)
    }

    /// Everything it showed while it was not stuck.
    pub fn moving(&self) -> impl Iterator<Item = Sample> {
        self.with(|worth| worth != Worth::Stuck)
    }

    fn with(&self, wanted: fn(Worth) -> bool) -> impl Iterator<Item = Sample> {
        self.samples.iter().zip(&self.worth).filter(move |(_, worth)| wanted(**worth)).map(|(one, _)| *one)
    }

    /// Everything it showed above a level, and what can be believed of the
    /// rest: a fault must not hide an alarm.
    pub fn alarming(&self, limit: f64) -> impl Iterator<Item = Sample> {
        let counts =
            move |(sample, worth): &(&Sample, &Worth)| sample.value > limit || **worth == Worth::Good;
        self.samples.iter().zip(&self.worth).filter(counts).map(|(sample, _)| *sample)
    }

    /// What is wrong of some kinds, in sentences, as far as it reaches beyond `since`.
    pub fn told(&self, kinds: &[FaultKind], since: DateTime<Utc>, unit: &str, zone: Tz) -> Vec<String> {
        let wanted = |fault: &&Fault| fault.to > since && kinds.contains(&fault.kind);
        let mut faults: Vec<&Fault> = self.faults.iter().filter(wanted).collect();
        faults.sort_by_key(|fault| (fault.kind, fault.from));
        let mut told = Vec::new();
        for alike in faults.chunk_by(|one, other| one.kind == other.kind) {
            let hidden = alike.len().saturating_sub(MOST_TOLD);
            told.extend(alike[hidden..].iter().map(|fault| self.sentence(fault, unit, zone)));
            if hidden > 0 {
                told.push(format!("{}: {hidden} time(s) before likewise", self.name()));
            }
        }
        told
    }

    fn sentence(&self, fault: &Fault, unit: &str, zone: Tz) -> String {
        let (name, value, count) = (self.name(), plain(fault.value), fault.count);
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
    let mut records: Vec<Record> = sensors
        .iter()
        .map(|one| Record::of(&one.sensor, one.sound(now)))
        .filter(|record| !record.samples.is_empty())
        .collect();
    records.sort_by(|a, b| b.samples.len().cmp(&a.samples.len()).then_with(|| a.sensor.cmp(&b.sensor)));
    (0..records.len())
        .map(|index| {
            let others = records.iter().enumerate().filter(|(other, _)| *other != index);
            let others: Vec<&Record> = others.map(|(_, record)| record).collect();
            records[index].inspected(quantity, &others, services, now)
        })
        .collect()
}

/// A sensor's readings with what is usual for them.
struct Record {
    sensor: String,
    samples: Vec<Sample>,
    lone: Vec<bool>,
    /// The smallest step between readings: what the scale shows.
    resolution: f64,
    /// Standard deviation from one reading to the next, by the median.
    noise: f64,
    /// Median time between readings, hours.
    spacing: f64,
}

/// Equal readings one after the other.
#[derive(Debug, Clone, Copy)]
struct Run {
    start: usize,
    len: usize,
}

/// How readings follow each other.
#[derive(Debug, Clone, Copy, Default)]
struct Pairs {
    all: usize,
    same: usize,
    far: usize,
}

/// Equal but for the error of a sum.
fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// The smallest difference between readings that follow each other; nought
/// where all are equal.
fn resolution(samples: &[Sample]) -> f64 {
    let steps = samples.windows(2).filter(|pair| !same(pair[0].value, pair[1].value));
    steps.map(|pair| (pair[1].value - pair[0].value).abs()).reduce(f64::min).unwrap_or(0.0)
}

/// The standard deviation from one reading to the next, by the median;
/// where readings stand still for long, by the others.
fn noise(samples: &[Sample]) -> f64 {
    let change = |pair: &[Sample]| (pair[1].value - pair[0].value).abs();
    let mut moving: Vec<f64> = samples
        .chunk_by(|one, other| same(one.value, other.value))
        .filter(|run| run.len() < FULL_READINGS)
        .flat_map(|run| run.windows(2).map(change))
        .collect();
    moving.extend(samples.windows(2).map(change).filter(|change| *change > 0.0));
    NORMAL_MAD * median(&mut moving).unwrap_or(0.0) / std::f64::consts::SQRT_2
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
    median(&mut steps).unwrap_or(0.0)
}

/// The longest time between two readings that counts as seen, hours: six, or
/// five times the usual.
pub fn longest_step(samples: &[Sample]) -> f64 {
    GAP.0.max(GAP.1 * spacing(samples))
}

impl Record {
    fn of(sensor: &str, samples: Vec<Sample>) -> Self {
        let (noise, resolution, spacing) = (noise(&samples), resolution(&samples), spacing(&samples));
        let mut record =
            Self { sensor: sensor.to_owned(), samples, lone: Vec::new(), resolution, noise, spacing };
        record.lone = record.lone_values();
        record
    }

    fn inspected(
        &self,
        quantity: MeasuredQuantity,
        others: &[&Self],
        services: &[DateTime<Utc>],
        now: DateTime<Utc>,
    ) -> Inspected {
        let mut worth: Vec<Worth> =
            self.lone.iter().map(|lone| if *lone { Worth::Lone } else { Worth::Good }).collect();
        let mut faults = Vec::new();
        for (run, kind) in self.still(quantity, others) {
            let mark = if kind == FaultKind::Saturated { Worth::Saturated } else { Worth::Stuck };
            worth[run.start..run.start + run.len].fill(mark);
            faults.push(self.fault(kind, run.start, run.start + run.len - 1, self.samples[run.start].value));
        }
        let good: Vec<Sample> =
            self.samples.iter().zip(&worth).filter(|(_, w)| **w == Worth::Good).map(|(s, _)| *s).collect();
        let jumps = jumps(&good, self.resolution.max(self.noise), self.spacing);
        let steps = jumps.iter().map(|(at, _)| good[*at].at).collect();
        for (at, size) in jumps {
            let (from, to) = (good[at - 1].at, good[at].at);
            let near = TimeDelta::hours(EXPLAINED_HOURS);
            let explained = services.iter().any(|done| *done >= from - near && *done <= to + near);
            let kind = if explained { FaultKind::Serviced } else { FaultKind::Jump };
            faults.push(Fault { kind, from, to, count: 1, value: size });
        }
        faults.extend(self.set_aside(&worth));
        faults.extend(self.silences(now));
        Inspected { sensor: self.sensor.clone(), samples: self.samples.clone(), worth, steps, faults }
    }

    fn fault(&self, kind: FaultKind, first: usize, last: usize, value: f64) -> Fault {
        let (from, to) = (self.samples[first].at, self.samples[last].at);
        Fault { kind, from, to, count: last - first + 1, value }
    }

    /// Lone values, all in one fault.
    fn set_aside(&self, worth: &[Worth]) -> Option<Fault> {
        let lone = || (0..worth.len()).filter(|index| worth[*index] == Worth::Lone);
        let (first, last) = (lone().next()?, lone().next_back()?);
        let value = self.samples[first].value;
        Some(Fault { count: lone().count(), ..self.fault(FaultKind::Lone, first, last, value) })
    }

    fn silences(&self, now: DateTime<Utc>) -> Vec<Fault> {
        let longest = GAP.0.max(GAP.1 * self.spacing);
        let gap = |kind, from, to| Fault { kind, from, to, count: 0, value: 0.0 };
        let pairs = self.samples.windows(2).filter(|pair| hours_between(pair[0].at, pair[1].at) > longest);
        let mut silences: Vec<Fault> =
            pairs.map(|pair| gap(FaultKind::DroppedOut, pair[0].at, pair[1].at)).collect();
        let last = self.samples.last().map_or(now, |last| last.at);
        if hours_between(last, now) > SILENT.0.max(SILENT.1 * self.spacing) {
            silences.push(gap(FaultKind::Silent, last, now));
        }
        silences
    }

    /// Hampel's identifier over neighbours, as many on the one side as on the other.
    fn lone_values(&self) -> Vec<bool> {
        let floor = self.noise.max(self.resolution);
        let values = &self.samples;
        let mut lone = vec![false; values.len()];
        let mut near = Vec::with_capacity(2 * NEIGHBOURS);
        for index in FEWEST_NEIGHBOURS..values.len().saturating_sub(FEWEST_NEIGHBOURS) {
            let side = NEIGHBOURS.min(index).min(values.len() - 1 - index);
            near.clear();
            near.extend(values[index - side..index].iter().map(|sample| sample.value));
            near.extend(values[index + 1..=index + side].iter().map(|sample| sample.value));
            let middle = median(&mut near).unwrap_or(0.0);
            let off = (values[index].value - middle).abs();
            if off <= LONE_DEVIATIONS * floor {
                continue;
            }
            for value in &mut near {
                *value = (*value - middle).abs();
            }
            lone[index] = off > LONE_DEVIATIONS * NORMAL_MAD * median(&mut near).unwrap_or(0.0);
        }
        let mut start = 0;
        while start < lone.len() {
            let len = lone[start..].iter().take_while(|one| **one).count();
            if len > LONE_IN_A_ROW && hours_between(values[start].at, values[start + len - 1].at) > LONE_HOURS
            {
                lone[start..start + len].fill(false);
            }
            start += len + 1;
        }
        lone
    }

    /// Runs of equal readings that last longer than chance allows.
    fn still(&self, quantity: MeasuredQuantity, others: &[&Self]) -> Vec<(Run, FaultKind)> {
        let runs: Vec<Run> = self.runs().filter(|run| run.len >= FULL_READINGS).collect();
        let traces = [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm].contains(&quantity);
        let pairs = self.pairs();
        let full = self.full_scale(&runs, pairs);
        let judged = runs.iter().filter_map(|run| {
            let value = self.samples[run.start].value;
            if full.is_some_and(|full| same(full, value)) && self.hours(*run) >= FULL_HOURS {
                return Some((*run, FaultKind::Saturated));
            }
            let long = self.hours(*run) >= STUCK_HOURS;
            let nought = traces && value.abs() < f64::EPSILON && run.len >= NOUGHT_READINGS;
            let still = run.len >= STUCK_READINGS
                && (self.beyond_chance(*run, pairs) || others.iter().any(|other| self.missed(*run, other)));
            (long && (nought || still)).then_some((*run, FaultKind::Stuck))
        });
        judged.collect()
    }

    fn runs(&self) -> impl Iterator<Item = Run> {
        let mut start = 0;
        self.samples.chunk_by(|one, other| same(one.value, other.value)).map(move |run| {
            let run = Run { start, len: run.len() };
            start += run.len;
            run
        })
    }

    fn hours(&self, run: Run) -> f64 {
        hours_between(self.samples[run.start].at, self.samples[run.start + run.len - 1].at)
    }

    fn pairs(&self) -> Pairs {
        let mut pairs = Pairs::default();
        for (pair, lone) in self.samples.windows(2).zip(self.lone.windows(2)) {
            if lone[0] || lone[1] {
                continue;
            }
            pairs.all += 1;
            pairs.same += usize::from(same(pair[0].value, pair[1].value));
            pairs.far += usize::from((pair[1].value - pair[0].value).abs() > 1.9 * self.resolution);
        }
        pairs
    }

    /// Whether a run is longer than a sensor that varies as this one does
    /// outside of it would show by chance.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    fn beyond_chance(&self, run: Run, pairs: Pairs) -> bool {
        let all = pairs.all.saturating_sub(run.len - 1) as f64;
        let same = pairs.same.saturating_sub(run.len - 1) as f64;
        if all < 10.0 || (pairs.far as f64) < LIVELY * all {
            return false;
        }
        // Noise of three quarters of a step stays within one step half of the time.
        let repeats = (same / all).max(0.5);
        let logarithm = (run.len - 1) as f64 * repeats.ln() + (self.samples.len() as f64).ln();
        logarithm <= STUCK_CHANCE.ln()
    }

    /// Whether another sensor's level moved clearly while this one stood still.
    fn missed(&self, run: Run, other: &Self) -> bool {
        let (from, to) = (self.samples[run.start].at, self.samples[run.start + run.len - 1].at);
        let within = |sample: &&Sample| sample.at >= from && sample.at <= to;
        let seen: Vec<f64> = other.samples.iter().filter(within).map(|sample| sample.value).collect();
        if seen.len() < STUCK_READINGS {
            return false;
        }
        let quarters = seen.chunks(seen.len().div_ceil(4));
        let levels: Vec<f64> = quarters.filter_map(|part| median(&mut part.to_vec())).collect();
        let (low, high) = levels.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), level| {
            (low.min(*level), high.max(*level))
        });
        let step = if self.resolution > 0.0 { self.resolution } else { other.resolution };
        high - low > (MOVED.0 * other.noise).max(MOVED.1 * step)
    }

    /// The value at the end of the scale, where readings sit at it again and again.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    fn full_scale(&self, runs: &[Run], pairs: Pairs) -> Option<f64> {
        let highest = self.samples.iter().map(|sample| sample.value).reduce(f64::max)?;
        let at_end =
            |run: &&Run| same(self.samples[run.start].value, highest) && self.hours(**run) >= FULL_HOURS;
        let sat: Vec<Run> = runs.iter().filter(at_end).copied().collect();
        let mut others: Vec<f64> =
            self.samples.iter().map(|sample| sample.value).filter(|value| !same(*value, highest)).collect();
        let usual = median(&mut others)?;
        let round = is_round(highest) && highest >= FULL_TIMES * usual.max(self.resolution);
        let repeats = (pairs.same as f64 / pairs.all.max(1) as f64).max(0.5);
        let rare = |run: &&Run| {
            (run.len - 1) as f64 * repeats.ln() + (self.samples.len() as f64).ln() <= STUCK_CHANCE.ln()
        };
        let again = (pairs.far as f64) >= LIVELY * pairs.all as f64 && sat.iter().filter(rare).count() >= 2;
        (!sat.is_empty() && (round || again)).then_some(highest)
    }
}

/// Whether a number is one that scales end at: 1, 2, 2.5 or 5 times a power of ten.
fn is_round(value: f64) -> bool {
    if value <= 0.0 {
        return false;
    }
    let leading = value / 10.0_f64.powf(value.log10().floor());
    [1.0, 2.0, 2.5, 5.0, 10.0].iter().any(|round| same(leading, *round))
}

#[cfg(test)]
#[path = "sensors_tests.rs"]
mod tests;
