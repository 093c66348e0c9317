//! Days of long ago, each as a whole: what a long history is worked through by,
//! so that it costs its days and not its hours. A day is a function of its hours,
//! which are one of its readings.
//!
//! A day is summed up only where nothing is lost by it: it was read often and
//! without a pause, no reading stood still for long, circulation ran evenly where
//! it ran. A flow keeps apart when it stood, a counter where it fell, a level keeps
//! the mean of each hour for the times in which the circulation did not run the
//! whole day. All other days stay as they are, hour by hour. Which days lie long
//! enough ago is not known here.

use super::observations::STANDSTILL_M3_H;
use super::summed::{FAR_STEPS, FEWEST_SUMMED, Manner, Summed, same};
use super::trend::{Tick, hours_between, quick_median};
use chrono::{NaiveDate, NaiveTime, TimeDelta, Timelike as _};
use std::collections::BTreeSet;

/// Hours of a day.
pub const HOURS: usize = 24;
/// Readings farther apart are no part of a whole.
const LONGEST_PAUSE_HOURS: f64 = 1.0;
/// Equal readings in so many hours, with as many in the day beside, may be a sensor that stuck.
const STILL_HOURS: usize = 3;
/// A flow ran evenly where the means of its hours differ by no more than this share.
pub(super) const EVEN: f64 = 0.05;
/// A day of more parts is one of its hours.
const MOST_PARTS: usize = 8;
/// A level steps where the means of two hours differ by so many times what they usually do.
const STEP_TIMES: f64 = 6.0;

/// The readings of one sensor on one day (UTC).
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// Its parts in order of time: one, but where a flow stood or a counter fell.
    pub parts: Vec<Summed>,
    /// Of a level the mean of each hour; empty else.
    pub means: Vec<f32>,
}

impl Day {
    /// The hours of one day as a whole; `None` where something would be lost.
    pub fn of(manner: Manner, hours: &[Summed]) -> Option<Self> {
        let is_whole = is_read_throughout(hours)
            && match manner {
                Manner::Level => hours.len() == HOURS && !stands_still(hours),
                Manner::Flow | Manner::Counter => true,
            };
        if !is_whole {
            return None;
        }
        let together = |one: &Summed, next: &Summed| match manner {
            Manner::Level => true,
            Manner::Flow => runs(one) == runs(next),
            Manner::Counter => one.last.value <= next.first.value,
        };
        let parts: Vec<&[Summed]> = hours.chunk_by(together).collect();
        let is_even = manner != Manner::Flow || parts.iter().all(|part| is_even(part));
        #[expect(clippy::cast_possible_truncation, reason = "six digits of a mean are enough")]
        let mean = |hour: &Summed| hour.mean as f32;
        (is_even && parts.len() <= MOST_PARTS).then(|| Self {
            parts: parts.into_iter().map(whole).collect(),
            means: if manner == Manner::Level { hours.iter().map(mean).collect() } else { Vec::new() },
        })
    }

    /// Which day it is.
    pub fn date(&self) -> NaiveDate {
        self.parts.first().map_or(NaiveDate::MIN, |part| part.first.at.date_naive())
    }
}

fn runs(point: &Summed) -> bool {
    point.mean >= STANDSTILL_M3_H
}

/// Whether there are more readings in each hour than stand for themselves, and no pause between them.
fn is_read_throughout(hours: &[Summed]) -> bool {
    let mut counts = [0; HOURS];
    for point in hours {
        counts[point.first.at.hour() as usize % HOURS] += point.count as usize;
    }
    let close = |pair: &[Summed]| hours_between(pair[0].last.at, pair[1].first.at) <= LONGEST_PAUSE_HOURS;
    counts.iter().all(|count| *count > FEWEST_SUMMED) && hours.windows(2).all(close)
}

/// Whether a level stood still for so long that, with the day beside it, its
/// sensor might have stuck, or stood at its highest for an hour: at the end of
/// its scale. A day that stood still from end to end is a whole.
fn stands_still(hours: &[Summed]) -> bool {
    let highest = hours.iter().map(|hour| hour.high).fold(f64::NEG_INFINITY, f64::max);
    let alike =
        |one: &Summed, next: &Summed| one.is_still() && next.is_still() && same(one.middle, next.middle);
    let mut still = hours.chunk_by(alike).filter(|run| run[0].is_still() && run.len() < HOURS);
    still.any(|run| run.len() >= STILL_HOURS || same(run[0].middle, highest))
}

/// Whether a flow that runs does so evenly.
fn is_even(part: &[Summed]) -> bool {
    let means = || part.iter().filter(|point| point.count as usize > FEWEST_SUMMED).map(|point| point.mean);
    let (low, high) = (means().fold(f64::INFINITY, f64::min), means().fold(0.0, f64::max));
    !runs(&part[0]) || high - low <= EVEN * high
}

/// Hours in order of time as one; there is at least one. The middle is a value that
/// was read next to that of the hours' middles, each as often as there were readings.
fn whole(hours: &[Summed]) -> Summed {
    let (first, last) = (hours[0], hours[hours.len() - 1]);
    let pairs = || hours.windows(2).map(|pair| (pair[0].last.value, pair[1].first.value));
    let between = pairs().filter(|(one, next)| !same(*one, *next)).map(|(one, next)| (next - one).abs());
    let within = hours.iter().map(|hour| hour.step).filter(|step| *step > 0.0);
    let step = between.chain(within).reduce(f64::min).unwrap_or(0.0);
    let repeated = pairs().filter(|(one, next)| same(*one, *next)).count();
    let far = pairs().filter(|(one, next)| (next - one).abs() > FAR_STEPS * step).count();
    let count: u32 = hours.iter().map(|hour| hour.count).sum();
    let fold =
        |start, pick: fn(f64, f64) -> f64, of: fn(&Summed) -> f64| hours.iter().map(of).fold(start, pick);
    #[expect(clippy::cast_possible_truncation, reason = "at most as many as there are hours")]
    let add = |number: usize, of: fn(&Summed) -> u32| number as u32 + hours.iter().map(of).sum::<u32>();
    Summed {
        first: first.first,
        last: last.last,
        at: first.first.at + (last.last.at - first.first.at) / 2,
        count,
        middle: middle(hours, count),
        mean: hours.iter().map(|hour| hour.mean * f64::from(hour.count)).sum::<f64>() / f64::from(count),
        low: fold(f64::INFINITY, f64::min, |hour| hour.low),
        high: fold(f64::NEG_INFINITY, f64::max, |hour| hour.high),
        step,
        same: add(repeated, |hour| hour.same),
        far: add(far, |hour| hour.far),
    }
}

fn middle(hours: &[Summed], count: u32) -> f64 {
    let mut middles: Vec<(f64, u32)> = hours.iter().map(|hour| (hour.middle, hour.count)).collect();
    middles.sort_by(|one, other| one.0.total_cmp(&other.0));
    let beyond = |share: u32| {
        let mut before = 0;
        let mut found = middles.iter().filter(|(_, often)| {
            before += often;
            before > share
        });
        found.next().map_or(hours[0].middle, |(value, _)| *value)
    };
    let middle = f64::midpoint(beyond((count - 1) / 2), beyond(count / 2));
    let read = hours.iter().flat_map(|hour| [hour.middle, hour.first.value, hour.last.value]);
    let nearer = |one: &f64, other: &f64| (one - middle).abs().total_cmp(&(other - middle).abs());
    read.min_by(nearer).unwrap_or(middle)
}

/// Whole days that may stand for their hours: without some, and from `first` on
/// without those among which a level steps, since there a trend begins anew.
pub fn kept(manner: Manner, mut days: Vec<Day>, without: &BTreeSet<NaiveDate>, first: NaiveDate) -> Vec<Day> {
    let steps = match manner {
        Manner::Level => stepping(&days[days.partition_point(|day| day.date() < first)..]),
        Manner::Flow | Manner::Counter => BTreeSet::new(),
    };
    days.retain(|day| !without.contains(&day.date()) && !steps.contains(&day.date()));
    days
}

/// The days among which the level steps, from one hour to the next within a day
/// or from day to day, and those around; days are in order of time.
fn stepping(days: &[Day]) -> BTreeSet<NaiveDate> {
    let usual: Vec<f64> = days.iter().map(usual_change).collect();
    let mut found = BTreeSet::new();
    for (index, day) in days.iter().enumerate() {
        let jumps = changes(&day.means).any(|change| change > STEP_TIMES * usual[index]);
        let next = days.get(index + 1).filter(|next| next.date() == day.date() + TimeDelta::days(1));
        if jumps {
            found.extend([day.date() - TimeDelta::days(1), day.date(), day.date() + TimeDelta::days(1)]);
        }
        if let Some(next) = next
            && let (Some(last), Some(first)) = (day.means.last(), next.means.first())
            && f64::from((first - last).abs()) > STEP_TIMES * usual[index].max(usual[index + 1])
        {
            found.extend([day.date(), next.date()]);
        }
    }
    found
}

fn changes(means: &[f32]) -> impl Iterator<Item = f64> {
    means.windows(2).map(|pair| f64::from((pair[1] - pair[0]).abs()))
}

fn usual_change(day: &Day) -> f64 {
    let mut all = [0.0; HOURS];
    let mut many = 0;
    for (place, change) in all.iter_mut().zip(changes(&day.means)) {
        *place = change;
        many += 1;
    }
    quick_median(&mut all[..many]).unwrap_or(0.0)
}

/// When the hours of a day are in the middle, and their means; joined to so many hours each.
pub(super) fn means(day: &Day, joined: usize) -> impl Iterator<Item = Tick> {
    const HALF_AN_HOUR: i64 = 1_800_000_000;
    let begin = day.date().and_time(NaiveTime::MIN).and_utc().timestamp_micros();
    let halves = |hours: usize| HALF_AN_HOUR * i64::try_from(hours).unwrap_or(0);
    #[expect(clippy::cast_precision_loss, reason = "at most a day's hours")]
    let mean = |hours: &[f32]| hours.iter().map(|one| f64::from(*one)).sum::<f64>() / hours.len() as f64;
    day.means.chunks(joined).enumerate().map(move |(index, hours)| Tick {
        at: begin + halves(2 * index * joined + hours.len()),
        value: mean(hours),
    })
}

#[cfg(test)]
#[path = "days_tests.rs"]
mod tests;
