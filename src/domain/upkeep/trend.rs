//! Trends of readings: the Theil–Sen slope with Sen's confidence interval,
//! condensing many readings into few, and the value between readings. Knows
//! numbers and instants only.
//!
//! Sources: H. Theil (1950), P. K. Sen, "Estimates of the regression
//! coefficient based on Kendall's tau", Journal of the American Statistical
//! Association 63 (1968) 1379–1389.

use super::quantiles;
use crate::domain::calendar::interval::seconds;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// The confidence of intervals that dates are given with: the earliest and
/// the latest are its 10 % and 90 % points.
pub const CONFIDENCE: f64 = 0.8;

/// The farthest that anything is extrapolated, days.
pub const HORIZON_DAYS: i64 = 730;

/// One measured value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// When it was measured.
    pub at: DateTime<Utc>,
    /// The value, in the quantity's unit.
    pub value: f64,
}

/// A line through points by the median of the pairwise slopes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs with different `x`.
    pub slope: f64,
    /// Median of `y − slope·x`.
    pub intercept: f64,
    /// Lower end of the slope's confidence interval.
    pub low: f64,
    /// Upper end of the slope's confidence interval.
    pub high: f64,
}

/// The Theil–Sen line of the points with Sen's interval at `confidence`
/// (between 0 and 1, exclusive); `None` without two points of different `x`.
///
/// The interval takes the points as independent of each other.
pub fn theil_sen(points: &[(f64, f64)], confidence: f64) -> Option<TheilSen> {
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (index, (x0, y0)) in points.iter().enumerate() {
        for (x1, y1) in &points[index + 1..] {
            let run = x1 - x0;
            if run.abs() > 0.0 {
                slopes.push((y1 - y0) / run);
            }
        }
    }
    let slope = quick_median(&mut slopes)?;
    let (below, above) = sen_ranks(points, slopes.len(), confidence);
    let mut ranked = |rank: usize| *slopes.select_nth_unstable_by(rank, f64::total_cmp).1;
    let (low, high) = (ranked(below), ranked(above));
    Some(TheilSen { slope, intercept: intercept(points, slope)?, low, high })
}

/// The median of `y − slope·x`, which is the intercept for a given slope.
pub fn intercept(points: &[(f64, f64)], slope: f64) -> Option<f64> {
    quick_median(&mut points.iter().map(|(x, y)| y - slope * x).collect::<Vec<_>>())
}

/// The ranks, among so many sorted slopes, of the ends of Sen's interval: the
/// variance of Kendall's statistic, corrected for ties in either coordinate,
/// in normal approximation.
#[expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "counts of pairs of a few hundred points, and ranks cut to their range"
)]
fn sen_ranks(points: &[(f64, f64)], slopes: usize, confidence: f64) -> (usize, usize) {
    let term = |n: usize| {
        let n = n as f64;
        n * (n - 1.0) * (2.0 * n + 5.0)
    };
    let tied: f64 = ties(points.iter().map(|(x, _)| *x).collect())
        .into_iter()
        .chain(ties(points.iter().map(|(_, y)| *y).collect()))
        .map(term)
        .sum();
    let sigma = ((term(points.len()) - tied) / 18.0).max(0.0).sqrt();
    let half_width = quantiles::normal(0.5 + confidence / 2.0) * sigma / 2.0;
    let middle = slopes as f64 / 2.0;
    let last = (slopes - 1) as f64;
    let below = ((middle - half_width).round_ties_even() - 1.0).clamp(0.0, last);
    let above = (middle + half_width).round_ties_even().clamp(0.0, last);
    (below as usize, above as usize)
}

/// The sizes of the groups of equal values, those of one left out.
fn ties(mut values: Vec<f64>) -> Vec<usize> {
    values.sort_by(f64::total_cmp);
    values.chunk_by(|a, b| a.total_cmp(b).is_eq()).map(<[f64]>::len).filter(|size| *size > 1).collect()
}

/// The median; sorts the values.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(f64::midpoint(values[middle - 1], values[middle])),
    }
}

/// The same without sorting: for long lists, whose order is lost.
pub(super) fn quick_median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    let is_odd = values.len() % 2 == 1;
    if values.is_empty() {
        return None;
    }
    let (before, at, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *at;
    let lower = before.iter().copied().max_by(f64::total_cmp);
    Some(if is_odd { upper } else { lower.map_or(upper, |lower| f64::midpoint(lower, upper)) })
}

/// Samples, in order of time, condensed to the median of each stretch of so
/// many hours, counted back from the last; each stands at the middle of those
/// that it was taken of.
pub(super) fn medians(samples: &[Sample], hours: i64) -> Vec<Sample> {
    let Some(last) = samples.last() else { return Vec::new() };
    let stretch = |sample: &Sample| (last.at - sample.at).num_hours() / hours;
    samples
        .chunk_by(|one, other| stretch(one) == stretch(other))
        .filter_map(|together| {
            let value = median(&mut together.iter().map(|sample| sample.value).collect::<Vec<_>>())?;
            let middle = together[0].at + (together[together.len() - 1].at - together[0].at) / 2;
            Some(Sample { at: middle, value })
        })
        .collect()
}

/// The value at an instant among readings in order of time: evenly between
/// those around it, else the nearest, as far as they lie within so many hours.
pub(super) fn value_at(readings: &[Sample], at: DateTime<Utc>, within: f64) -> Option<f64> {
    let next = readings.partition_point(|sample| sample.at < at);
    let near = |sample: &&Sample| hours_between(sample.at, at).abs() <= within;
    let before = next.checked_sub(1).and_then(|before| readings.get(before)).filter(near);
    let after = readings.get(next).filter(near);
    match (before, after) {
        (Some(before), Some(after)) => {
            let whole = hours_between(before.at, after.at);
            let share = if whole > 0.0 { hours_between(before.at, at) / whole } else { 0.0 };
            Some(before.value + share * (after.value - before.value))
        }
        (one, other) => one.or(other).map(|sample| sample.value),
    }
}

/// A value and when it was measured, microseconds since 1970: for going through long
/// lists, since instants are slow to subtract.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tick {
    pub(super) at: i64,
    pub(super) value: f64,
}

impl Tick {
    pub(super) fn of(sample: &Sample) -> Self {
        Self { at: sample.at.timestamp_micros(), value: sample.value }
    }
}

/// Hours as microseconds.
#[expect(clippy::cast_possible_truncation, reason = "hours of a gap, not of an age of the world")]
pub(super) fn micros(hours: f64) -> i64 {
    (hours * 3.6e9) as i64
}

/// Microseconds as hours.
#[expect(clippy::cast_precision_loss, reason = "exact for centuries")]
pub(super) fn hours_of(micros: i64) -> f64 {
    micros as f64 / 3.6e9
}

/// The value at an instant among readings in order of time, where it is known which is
/// the first that is not earlier: evenly between those around it, else the nearest, as
/// far as they lie within so many microseconds.
pub(super) fn tick_beside(readings: &[Tick], next: usize, at: i64, within: i64) -> Option<f64> {
    let before = next.checked_sub(1).and_then(|before| readings.get(before));
    let before = before.filter(|tick| at - tick.at <= within);
    let after = readings.get(next).filter(|tick| tick.at - at <= within);
    match (before, after) {
        (Some(before), Some(after)) if before.value.to_bits() == after.value.to_bits() => Some(before.value),
        (Some(before), Some(after)) => {
            let whole = after.at - before.at;
            let share = if whole > 0 { hours_of(at - before.at) / hours_of(whole) } else { 0.0 };
            Some(before.value + share * (after.value - before.value))
        }
        (one, other) => one.or(other).map(|tick| tick.value),
    }
}

/// Goes on to the first of some things in order that is not before; for going
/// through long lists side by side.
pub(super) fn forward<T>(things: &[T], next: &mut usize, is_before: impl Fn(&T) -> bool) {
    while things.get(*next).is_some_and(&is_before) {
        *next += 1;
    }
}

/// Hours from one instant to another.
pub fn hours_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    seconds(to - from) / 3600.0
}

/// The instant so many hours later, in whole seconds; `None` far outside the calendar.
pub fn after_hours(from: DateTime<Utc>, hours: f64) -> Option<DateTime<Utc>> {
    const CENTURY_HOURS: f64 = 876_600.0;
    if hours.is_nan() || hours.abs() > CENTURY_HOURS {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, reason = "bounded just above")]
    let whole = (hours * 3600.0).round() as i64;
    from.checked_add_signed(TimeDelta::seconds(whole))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: f64, expected: f64) -> bool {
        (found - expected).abs() < 1e-9
    }

    #[test]
    fn one_outlier_does_not_move_the_slope() {
        let mut points: Vec<(f64, f64)> = (0..9).map(|i| (f64::from(i), 2.0 * f64::from(i))).collect();
        points[4].1 = 500.0;
        assert!(near(theil_sen(&points, 0.8).unwrap().slope, 2.0));
    }

    #[test]
    fn points_at_one_instant_have_no_slope() {
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)], 0.8), None);
        assert_eq!(theil_sen(&[], 0.8), None);
    }

    #[test]
    fn many_samples_are_condensed_to_few() {
        let start: DateTime<Utc> = "2026-01-01T00:00:00Z".parse().unwrap();
        let samples: Vec<Sample> =
            (0..6000).map(|i| Sample { at: start + TimeDelta::minutes(10 * i), value: 100.0 }).collect();
        let condensed = medians(&samples, 5);
        assert!(condensed.len() <= 200 && condensed.len() > 100, "{}", condensed.len());
        assert!(condensed.iter().all(|sample| near(sample.value, 100.0)));
        // The last stretch ends with the last sample: 30 of them, ten minutes apart.
        let last = samples.last().unwrap().at;
        assert_eq!(condensed.last().unwrap().at, last - TimeDelta::minutes(145));
        assert!(medians(&[], 5).is_empty());
    }

    proptest! {
        #[test]
        fn a_straight_line_is_found_exactly(
            slope in -100.0..100.0_f64, intercept in -100.0..100.0_f64, n in 2..40_u32,
        ) {
            let points: Vec<(f64, f64)> =
                (0..n).map(|i| (f64::from(i), intercept + slope * f64::from(i))).collect();
            let line = theil_sen(&points, 0.8).unwrap();
            prop_assert!((line.slope - slope).abs() < 1e-6 && (line.intercept - intercept).abs() < 1e-6);
        }

        #[test]
        fn a_median_without_sorting_is_the_median(values in prop::collection::vec(-100.0..100.0_f64, 0..50)) {
            let quick = quick_median(&mut values.clone());
            prop_assert_eq!(quick.map(f64::to_bits), median(&mut values.clone()).map(f64::to_bits));
        }

        #[test]
        fn the_interval_holds_the_slope(ys in prop::collection::vec(-100.0..100.0_f64, 3..40)) {
            let points: Vec<(f64, f64)> = (0_u32..).map(f64::from).zip(ys).collect();
            let line = theil_sen(&points, 0.8).unwrap();
            prop_assert!(line.low <= line.slope && line.slope <= line.high);
        }
    }
}
