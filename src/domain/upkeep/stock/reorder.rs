//! The reorder point: what there should be, on the shelf and on order, so
//! that the stock lasts until an order comes.
//!
//! From the use on record by the formula of the inventory texts for demand
//! that is irregular and independent from week to week with a lead time that
//! is fixed: mean demand over the lead time + z·σ·√(lead time).

use super::level::effective;
use super::movement::{Movement, What};
use super::quantity::Quantity;
use super::{ReorderPolicy, StockItem};
use crate::domain::upkeep::quantiles;
use chrono::{DateTime, TimeDelta, Utc};

/// Fewer whole weeks on record say too little (our own choice).
pub const LEAST_WEEKS: usize = 12;
/// Fewer uses say too little (our own choice).
pub const LEAST_USES: usize = 5;
/// Weeks longer ago are left out of account (our own choice).
pub const MOST_WEEKS: usize = 104;

/// Use by the week.
#[derive(Debug, Clone, PartialEq)]
pub struct WeeklyUse {
    /// How many weeks were looked at.
    pub weeks: usize,
    /// How many uses fell into them.
    pub uses: usize,
    /// Mean of a week, in the item's unit.
    pub mean: f64,
    /// Standard deviation of the weeks (divisor n − 1), in the item's unit.
    pub deviation: f64,
}

/// The reorder point, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct ReorderPoint {
    /// The point, in the item's unit.
    pub point: Option<f64>,
    /// Why there is none.
    pub reason: Option<String>,
    /// The use it rests on, where it was looked at.
    pub weekly: Option<WeeklyUse>,
    /// z, the point of the normal distribution that belongs to the service level.
    pub z: Option<f64>,
}

impl ReorderPoint {
    fn none(reason: impl Into<String>, weekly: Option<WeeklyUse>) -> Self {
        Self { point: None, reason: Some(reason.into()), weekly, z: None }
    }
}

/// The reorder point of an item by its policy and its movements until now.
pub fn reorder_point(item: &StockItem, movements: &[Movement], now: DateTime<Utc>) -> ReorderPoint {
    let level = match item.reorder {
        ReorderPolicy::Minimum(minimum) => {
            return ReorderPoint { point: Some(minimum.get()), reason: None, weekly: None, z: None };
        }
        ReorderPolicy::ServiceLevel(level) => level,
    };
    let Some(lead_time) = item.lead_time else {
        return ReorderPoint::none("its lead time is not known", None);
    };
    let Some(weekly) = weekly_use(movements, now) else {
        return ReorderPoint::none("nothing of it is on record", None);
    };
    if weekly.weeks < LEAST_WEEKS || weekly.uses < LEAST_USES {
        let reason = format!(
            "{} whole weeks (of {LEAST_WEEKS} needed) and {} uses (of {LEAST_USES}) are on record: too few to tell \
             how its use varies",
            weekly.weeks, weekly.uses
        );
        return ReorderPoint::none(reason, Some(weekly));
    }
    let z = quantiles::normal(level.get());
    let point = at_point(weekly.mean, weekly.deviation, weeks_of(lead_time.delta()), z);
    ReorderPoint { point: Some(point), reason: None, weekly: Some(weekly), z: Some(z) }
}

/// Mean demand over the lead time + z·σ·√(lead time); mean, deviation and
/// lead time by the same unit of time.
pub fn at_point(mean: f64, deviation: f64, lead_time: f64, z: f64) -> f64 {
    mean * lead_time + z * deviation * lead_time.sqrt()
}

/// The use in each whole week back from now, as far as the record reaches and
/// at most [`MOST_WEEKS`]; a week is 168 hours. None before the first movement.
pub fn weekly_use(movements: &[Movement], now: DateTime<Utc>) -> Option<WeeklyUse> {
    let known = effective(movements).into_iter().filter(|movement| movement.at <= now);
    let known: Vec<&Movement> = known.collect();
    let first = known.first()?.at;
    let weeks = usize::try_from((now - first).num_weeks()).unwrap_or(0).min(MOST_WEEKS);
    let mut buckets = vec![Quantity::ZERO; weeks];
    let mut uses = 0;
    for movement in known {
        let What::Used { quantity, .. } = movement.what else { continue };
        let ago = usize::try_from((now - movement.at).num_weeks()).unwrap_or(usize::MAX);
        if let Some(bucket) = buckets.get_mut(ago) {
            *bucket += quantity;
            uses += 1;
        }
    }
    let values: Vec<f64> = buckets.into_iter().map(Quantity::get).collect();
    let (mean, deviation) = mean_and_deviation(&values);
    Some(WeeklyUse { weeks, uses, mean, deviation })
}

fn mean_and_deviation(values: &[f64]) -> (f64, f64) {
    #[expect(clippy::cast_precision_loss, reason = "at most a few hundred values")]
    let count = values.len() as f64;
    if count < 1.0 {
        return (0.0, 0.0);
    }
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let deviation = if count > 1.0 { (squares / (count - 1.0)).sqrt() } else { 0.0 };
    (mean, deviation)
}

/// A length of time in weeks.
pub fn weeks_of(length: TimeDelta) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few years of seconds")]
    let seconds = length.num_seconds() as f64;
    seconds / (7.0 * 86_400.0)
}
