//! Reorder points against numpy and scipy.

use chrono::{DateTime, TimeDelta, Utc};
use drykeep::domain::calendar::Length;
use drykeep::domain::names::{Name, Remark, Tag};
use drykeep::domain::upkeep::quantiles;
use drykeep::domain::upkeep::stock::reorder::{at_point, reorder_point};
use drykeep::domain::upkeep::stock::{Movement, Quantity, ReorderPolicy, ServiceLevel, StockItem, What};
use serde::Deserialize;
use uuid::Uuid;

/// Both take the same sums; the normal distribution is another series of the same function.
const TOLERANCE: f64 = 1e-8;

#[derive(Deserialize)]
struct Reference {
    scperf_example: Example,
    sets: Vec<Set>,
}

#[derive(Deserialize)]
struct Example {
    service_level: f64,
    mean: f64,
    deviation: f64,
    lead_time: f64,
    reorder_point: f64,
}

#[derive(Deserialize)]
struct Set {
    name: String,
    weekly_uses: Vec<f64>,
    lead_time_days: i64,
    service_level: f64,
    mean: f64,
    deviation: f64,
    z: f64,
    reorder_point: f64,
}

fn reference() -> Reference {
    serde_json::from_str(include_str!("reorder_points.json")).unwrap()
}

fn near(found: f64, expected: f64, what: &str) {
    let off = (found - expected).abs() / expected.abs().max(1.0);
    assert!(off <= TOLERANCE, "{what}: {found} {expected}");
}

fn now() -> DateTime<Utc> {
    "2030-01-07T08:00:00Z".parse().unwrap()
}

fn moved(number: u128, at: DateTime<Utc>, what: What) -> Movement {
    let remark = Remark::parse("").unwrap();
    let id = Uuid::from_u128(number).into();
    Movement { id, what, at, remark, recorded_by: "keeper".to_owned(), recorded_at: at }
}

/// A count when the record begins, and one use in the middle of each week that has any.
fn history(uses: &[f64]) -> Vec<Movement> {
    let weeks = i64::try_from(uses.len()).unwrap();
    let counted = What::Counted { quantity: Quantity::nearest(1e6) };
    let mut movements = vec![moved(1, now() - TimeDelta::weeks(weeks), counted)];
    for ((number, quantity), week) in (2..).zip(uses).zip(0..) {
        if *quantity > 0.0 {
            let at = now() - TimeDelta::weeks(week) - TimeDelta::hours(80);
            let what = What::Used { quantity: Quantity::nearest(*quantity), service: None };
            movements.push(moved(number, at, what));
        }
    }
    movements
}

fn item(lead_time_days: i64, service_level: f64) -> StockItem {
    StockItem {
        tag: Tag::parse("GLOVES-8").unwrap(),
        name: Name::parse("glove pair").unwrap(),
        unit: Name::parse("pair").unwrap(),
        lead_time: Some(Length::of_seconds(lead_time_days * 86_400).unwrap()),
        reorder: ReorderPolicy::ServiceLevel(ServiceLevel::new(service_level).unwrap()),
        shelf_life: None,
    }
}

/// numpy 2.4.6 and scipy 1.17.1, see `README.md`.
#[test]
fn reorder_points_agree_with_scipy() {
    let sets = reference().sets;
    assert_eq!(sets.len(), 7);
    for set in sets {
        let item = item(set.lead_time_days, set.service_level);
        let found = reorder_point(&item, &history(&set.weekly_uses), now());
        let weekly = found.weekly.unwrap();
        assert_eq!(weekly.weeks, set.weekly_uses.len(), "{}", set.name);
        near(weekly.mean, set.mean, &set.name);
        near(weekly.deviation, set.deviation, &set.name);
        near(found.z.unwrap(), set.z, &set.name);
        near(found.point.unwrap(), set.reorder_point, &set.name);
    }
}

/// The example of `ROP` in the R package `SCperf`, see `README.md`.
#[test]
fn the_formula_is_that_of_the_inventory_texts() {
    let Example { service_level, mean, deviation, lead_time, reorder_point } = reference().scperf_example;
    near(at_point(mean, deviation, lead_time, quantiles::normal(service_level)), reorder_point, "SCperf");
}

/// A question of an operations management course, at
/// <https://questionai.com/amp/questions-th4BV0BdnL/9-daily-demand-normally-distributed-mean-15-standard>:
/// 15 a day with a deviation of 5, four days, 90 % with z = 1.28. 13 units of
/// safety stock are one of its answers, 1.28 · 5 · √4 = 12.8 to the next unit.
#[test]
fn safety_stock_is_what_a_course_computes() {
    near(at_point(15.0, 5.0, 4.0, 1.28) - 60.0, 12.8, "safety stock");
}

#[test]
fn a_short_record_gives_no_reorder_point() {
    let item = item(21, 0.95);
    for uses in [vec![2.0; 11], [vec![3.0; 4], vec![0.0; 40]].concat(), vec![]] {
        let found = reorder_point(&item, &history(&uses), now());
        assert!(found.point.is_none() && found.reason.is_some(), "{uses:?}");
    }
    assert_eq!(reorder_point(&item, &[], now()).reason.as_deref(), Some("nothing of it is on record"));
}
