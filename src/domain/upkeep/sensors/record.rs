//! A sensor's record with what is usual for it, and how its readings are
//! judged by that.

use super::{
    EXPLAINED_HOURS, FEWEST_NEIGHBOURS, FEWEST_STILL, FULL_HOURS, FULL_READINGS, FULL_TIMES, Fault,
    FaultKind, GAP, LIVELY, LONE_DEVIATIONS, LONE_HOURS, LONE_IN_A_ROW, MOVED, NEIGHBOURS, NORMAL_MAD,
    NOUGHT_READINGS, SILENT, STUCK_CHANCE, STUCK_HOURS, STUCK_READINGS, Worth, spacing,
};
use crate::domain::facility::MeasuredQuantity;
use crate::domain::upkeep::jumps::jumps;
use crate::domain::upkeep::summed::{FAR_STEPS, Summed, count, same, usual_step};
use crate::domain::upkeep::trend::{Sample, hours_between, median, quick_median};
use chrono::{DateTime, TimeDelta, Utc};

/// What became of the readings of a sensor.
pub(super) struct Judged {
    pub(super) worth: Vec<Worth>,
    pub(super) steps: Vec<DateTime<Utc>>,
    pub(super) faults: Vec<Fault>,
}

/// A sensor's readings with what is usual for them.
pub(super) struct Record {
    pub(super) sensor: String,
    pub(super) points: Vec<Summed>,
    /// The middle one of each point.
    pub(super) samples: Vec<Sample>,
    /// How many readings there are.
    pub(super) readings: u64,
    /// The smallest step between readings: what the scale shows.
    resolution: f64,
    /// Standard deviation from one point to the next, by the median.
    noise: f64,
    /// Median time between points, hours.
    spacing: f64,
}

/// Equal readings one after the other.
#[derive(Debug, Clone, Copy)]
struct Run {
    start: usize,
    len: usize,
    /// How many readings it is of.
    readings: u64,
}

/// How readings follow each other.
#[derive(Debug, Clone, Copy, Default)]
struct Pairs {
    all: u64,
    same: u64,
    far: u64,
}

/// The smallest difference between readings that follow each other; nought
/// where all are equal.
fn resolution(points: &[Summed]) -> f64 {
    let between = points.windows(2).map(|pair| (pair[1].first.value, pair[0].last.value));
    let between = between.filter(|(one, other)| !same(*one, *other)).map(|(one, other)| (one - other).abs());
    let within = points.iter().map(|point| point.step).filter(|step| *step > 0.0);
    between.chain(within).reduce(f64::min).unwrap_or(0.0)
}

/// The standard deviation from one reading to the next, by the median;
/// where readings stand still for long, by the others.
fn noise(samples: &[Sample]) -> f64 {
    let change = |pair: &[Sample]| (pair[1].value - pair[0].value).abs();
    let mut moving: Vec<f64> = samples
        .chunk_by(|one, other| same(one.value, other.value))
        .filter(|run| run.len() < FEWEST_STILL)
        .flat_map(|run| run.windows(2).map(change))
        .collect();
    moving.extend(samples.windows(2).map(change).filter(|change| *change > 0.0));
    NORMAL_MAD * quick_median(&mut moving).unwrap_or(0.0) / std::f64::consts::SQRT_2
}

/// When nothing was read for longer than usual.
pub(super) fn silences(points: &[Summed], now: DateTime<Utc>) -> Vec<Fault> {
    let usual = usual_step(points);
    let longest = GAP.0.max(GAP.1 * usual);
    let gap = |kind, from, to| Fault { kind, from, to, count: 0, value: 0.0 };
    let pairs = points.windows(2).map(|pair| (pair[0].last.at, pair[1].first.at));
    let mut silences: Vec<Fault> = pairs
        .filter(|(from, to)| hours_between(*from, *to) > longest)
        .map(|(from, to)| gap(FaultKind::DroppedOut, from, to))
        .collect();
    let last = points.last().map_or(now, |point| point.last.at);
    if hours_between(last, now) > SILENT.0.max(SILENT.1 * usual) {
        silences.push(gap(FaultKind::Silent, last, now));
    }
    silences
}

impl Record {
    pub(super) fn of(sensor: &str, points: Vec<Summed>) -> Self {
        let samples: Vec<Sample> = points.iter().map(Summed::sample).collect();
        Self {
            sensor: sensor.to_owned(),
            readings: count(&points),
            resolution: resolution(&points),
            noise: noise(&samples),
            spacing: spacing(&samples),
            samples,
            points,
        }
    }

    pub(super) fn judged(
        &self,
        quantity: MeasuredQuantity,
        others: &[&Self],
        services: Option<&[DateTime<Utc>]>,
        now: DateTime<Utc>,
    ) -> Judged {
        let lone = self.lone_values();
        let mut worth: Vec<Worth> =
            lone.iter().map(|lone| if *lone { Worth::Lone } else { Worth::Good }).collect();
        let mut faults = Vec::new();
        for (run, kind) in self.still(quantity, &lone, others) {
            let mark = if kind == FaultKind::Saturated { Worth::Saturated } else { Worth::Stuck };
            worth[run.start..run.start + run.len].fill(mark);
            faults.push(self.fault(kind, run.start, run.start + run.len - 1, self.samples[run.start].value));
        }
        let (steps, jumps) = services.map(|services| self.jumps(&worth, services)).unwrap_or_default();
        faults.extend(jumps);
        faults.extend(self.set_aside(&worth));
        faults.extend(silences(&self.points, now));
        Judged { worth, steps, faults }
    }

    /// Where the level of what is good jumps, and whether a service explains it.
    fn jumps(&self, worth: &[Worth], services: &[DateTime<Utc>]) -> (Vec<DateTime<Utc>>, Vec<Fault>) {
        let good: Vec<Sample> =
            self.samples.iter().zip(worth).filter(|(_, w)| **w == Worth::Good).map(|(s, _)| *s).collect();
        let near = TimeDelta::hours(EXPLAINED_HOURS);
        let jump = |(at, value): (usize, f64)| {
            let (from, to) = (good[at - 1].at, good[at].at);
            let explained = services.iter().any(|done| *done >= from - near && *done <= to + near);
            let kind = if explained { FaultKind::Serviced } else { FaultKind::Jump };
            (to, Fault { kind, from, to, count: 1, value })
        };
        jumps(&good, self.resolution.max(self.noise), self.spacing).into_iter().map(jump).unzip()
    }

    fn fault(&self, kind: FaultKind, first: usize, last: usize, value: f64) -> Fault {
        let (from, to) = (self.points[first].first.at, self.points[last].last.at);
        Fault { kind, from, to, count: count(&self.points[first..=last]), value }
    }

    /// Lone values, all in one fault.
    fn set_aside(&self, worth: &[Worth]) -> Option<Fault> {
        let lone = || (0..worth.len()).filter(|index| worth[*index] == Worth::Lone);
        let (first, last) = (lone().next()?, lone().next_back()?);
        let value = self.samples[first].value;
        let count = lone().map(|index| u64::from(self.points[index].count)).sum();
        Some(Fault { count, ..self.fault(FaultKind::Lone, first, last, value) })
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
            // Where more than half of them are near, their median is too.
            let close = |value: &&f64| (**value - values[index].value).abs() <= LONE_DEVIATIONS * floor;
            if near.iter().filter(close).count() > side {
                continue;
            }
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
            let row = &self.points[start..start + len];
            if let (Some(first), Some(last)) = (row.first(), row.last())
                && count(row) > LONE_IN_A_ROW
                && hours_between(first.first.at, last.last.at) > LONE_HOURS
            {
                lone[start..start + len].fill(false);
            }
            start += len + 1;
        }
        lone
    }

    /// Runs of equal readings that last longer than chance allows.
    fn still(&self, quantity: MeasuredQuantity, lone: &[bool], others: &[&Self]) -> Vec<(Run, FaultKind)> {
        let runs: Vec<Run> = self.runs().filter(|run| run.readings >= FULL_READINGS).collect();
        let traces = [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm].contains(&quantity);
        let pairs = self.pairs(lone);
        let full = self.full_scale(&runs, pairs);
        let judged = runs.iter().filter_map(|run| {
            let value = self.samples[run.start].value;
            if full.is_some_and(|full| same(full, value)) && self.hours(*run) >= FULL_HOURS {
                return Some((*run, FaultKind::Saturated));
            }
            let long = self.hours(*run) >= STUCK_HOURS;
            let nought = traces && value.abs() < f64::EPSILON && run.readings >= NOUGHT_READINGS;
            let still = run.readings >= STUCK_READINGS
                && (self.beyond_chance(*run, pairs) || others.iter().any(|other| self.missed(*run, other)));
            (long && (nought || still)).then_some((*run, FaultKind::Stuck))
        });
        judged.collect()
    }

    /// Equal readings that follow each other; of those summed up, whole hours.
    fn runs(&self) -> impl Iterator<Item = Run> {
        let alike = |one: &Summed, other: &Summed| {
            one.is_still() && other.is_still() && same(one.middle, other.middle)
        };
        let mut start = 0;
        let runs = self.points.chunk_by(alike).map(move |points| {
            let run = Run { start, len: points.len(), readings: count(points) };
            start += points.len();
            run
        });
        runs.filter(|run| self.points[run.start].is_still())
    }

    fn hours(&self, run: Run) -> f64 {
        hours_between(self.points[run.start].first.at, self.points[run.start + run.len - 1].last.at)
    }

    fn pairs(&self, lone: &[bool]) -> Pairs {
        let mut pairs = Pairs::default();
        for (point, _) in self.points.iter().zip(lone).filter(|(_, lone)| !**lone) {
            pairs.all += u64::from(point.count - 1);
            pairs.same += u64::from(point.same);
            pairs.far += u64::from(point.far);
        }
        for (pair, lone) in self.points.windows(2).zip(lone.windows(2)) {
            if lone[0] || lone[1] {
                continue;
            }
            let (before, after) = (pair[0].last.value, pair[1].first.value);
            pairs.all += 1;
            pairs.same += u64::from(same(before, after));
            pairs.far += u64::from((after - before).abs() > FAR_STEPS * self.resolution);
        }
        pairs
    }

    /// Whether a run is longer than a sensor that varies as this one does
    /// outside of it would show by chance.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    fn beyond_chance(&self, run: Run, pairs: Pairs) -> bool {
        let all = pairs.all.saturating_sub(run.readings - 1) as f64;
        let same = pairs.same.saturating_sub(run.readings - 1) as f64;
        if all < 10.0 || (pairs.far as f64) < LIVELY * all {
            return false;
        }
        // Noise of three quarters of a step stays within one step half of the time.
        let repeats = (same / all).max(0.5);
        let logarithm = (run.readings - 1) as f64 * repeats.ln() + (self.readings as f64).ln();
        logarithm <= STUCK_CHANCE.ln()
    }

    /// Whether another sensor's level moved clearly while this one stood still.
    fn missed(&self, run: Run, other: &Self) -> bool {
        let (from, to) = (self.points[run.start].first.at, self.points[run.start + run.len - 1].last.at);
        let first = other.points.partition_point(|point| point.first.at < from);
        let last = other.points.partition_point(|point| point.last.at <= to).max(first);
        let seen: Vec<f64> = other.samples[first..last].iter().map(|sample| sample.value).collect();
        if count(&other.points[first..last]) < STUCK_READINGS || seen.len() < 4 {
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
        let highest = self.points.iter().map(|point| point.high).reduce(f64::max)?;
        let at_end =
            |run: &&Run| same(self.samples[run.start].value, highest) && self.hours(**run) >= FULL_HOURS;
        let sat: Vec<Run> = runs.iter().filter(at_end).copied().collect();
        if sat.is_empty() {
            return None;
        }
        let mut others: Vec<f64> =
            self.samples.iter().map(|sample| sample.value).filter(|value| !same(*value, highest)).collect();
        let usual = quick_median(&mut others)?;
        let round = is_round(highest) && highest >= FULL_TIMES * usual.max(self.resolution);
        let repeats = (pairs.same as f64 / pairs.all.max(1) as f64).max(0.5);
        let rare = |run: &&Run| {
            (run.readings - 1) as f64 * repeats.ln() + (self.readings as f64).ln() <= STUCK_CHANCE.ln()
        };
        let again = (pairs.far as f64) >= LIVELY * pairs.all as f64 && sat.iter().filter(rare).count() >= 2;
        (round || again).then_some(highest)
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
