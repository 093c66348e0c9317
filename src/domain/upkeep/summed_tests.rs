//! Tests of summing up: against the readings themselves.

use super::*;
use super::super::meters::running_sums;
use chrono::TimeDelta;
use proptest::prelude::*;

fn at(seconds: i64) -> DateTime<Utc> {
    "2026-03-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::seconds(seconds)
}

fn read(values: &[(i64, f64)]) -> Vec<Sample> {
    values.iter().map(|(seconds, value)| Sample { at: at(*seconds), value: *value }).collect()
}

/// By hand: 0, 4, 4, 7, 2 have the mean 3.4 and the middle 4; the smallest step is 3.
#[test]
fn an_hour_is_summed_up() {
    let samples = read(&[(0, 0.0), (600, 4.0), (1200, 4.0), (1800, 7.0), (3599, 2.0)]);
    let found = summed(Manner::Level, &samples);
    assert_eq!(found.len(), 1);
    let hour = found[0];
    assert_eq!((hour.first, hour.last, hour.count), (samples[0], samples[4], 5));
    assert!((hour.mean - 3.4).abs() < 1e-12);
    let exact = |found: f64, expected: f64| found.to_bits() == expected.to_bits();
    assert!(exact(hour.middle, 4.0) && exact(hour.low, 0.0) && exact(hour.high, 7.0) && exact(hour.step, 3.0));
    assert_eq!((hour.same, hour.far), (1, 0));
    assert_eq!(hour.at(), at(1799) + TimeDelta::milliseconds(500));
}

#[test]
fn few_readings_an_hour_stand_for_themselves() {
    let samples = read(&[(0, 1.0), (900, 2.0), (1800, 3.0), (2700, 4.0), (3600, 5.0)]);
    let found = summed(Manner::Level, &samples);
    assert_eq!(found, samples.iter().copied().map(Summed::single).collect::<Vec<_>>());
    assert!(summed(Manner::Level, &[]).is_empty());
}

#[test]
fn what_stands_is_not_mixed_with_what_flows() {
    let samples = read(&(0..20).map(|n| (n * 60, if n < 10 { 50.0 } else { 0.0 })).collect::<Vec<_>>());
    let found = summed(Manner::Flow, &samples);
    assert_eq!(found.iter().map(|one| (one.first.at, one.last.at)).collect::<Vec<_>>(), [
        (at(0), at(540)),
        (at(600), at(1140))
    ]);
    assert_eq!(steady(&found), read(&[(0, 50.0), (540, 50.0), (600, 0.0), (1140, 0.0)]));
}

#[test]
fn means_reach_to_the_edges_of_what_was_read() {
    let hour = |n: i64| (0..6).map(move |k| (n * 3600 + k * 600, 2.0));
    let samples = read(&hour(0).chain(hour(1)).chain(hour(9)).collect::<Vec<_>>());
    let found: Vec<DateTime<Utc>> =
        averages(&summed(Manner::Level, &samples), 6.0).iter().map(|one| one.at).collect();
    assert_eq!(found, [0, 1500, 5100, 6600, 32400, 33900, 35400].map(at));
}

proptest! {
    /// Nothing is lost of the count, the sum and the extremes, and a counter's use is
    /// the same at each hour's end as by all readings.
    #[test]
    fn sums_agree_with_the_readings(
        steps in prop::collection::vec((1_i64..900, -3.0..5.0_f64), 1..200),
    ) {
        let (mut seconds, mut value) = (0, 50.0);
        let samples: Vec<Sample> = steps.iter().map(|(pause, change)| {
            (seconds, value) = (seconds + pause, (value + change).max(0.0));
            Sample { at: at(seconds), value }
        }).collect();
        for manner in [Manner::Level, Manner::Flow, Manner::Counter] {
            let found = summed(manner, &samples);
            prop_assert_eq!(usize::try_from(count(&found)).unwrap(), samples.len());
            let sum: f64 = found.iter().map(|one| one.mean * f64::from(one.count)).sum();
            let exact: f64 = samples.iter().map(|one| one.value).sum();
            prop_assert!((sum - exact).abs() <= 1e-9 * exact.abs().max(1.0));
            let highest = found.iter().map(|one| one.high).fold(f64::NEG_INFINITY, f64::max);
            prop_assert!(samples.iter().all(|one| one.value <= highest));
            prop_assert!(found.iter().all(|one| samples.iter().any(|s| s.value.to_bits() == one.middle.to_bits())));
        }
        let counted = ends(&summed(Manner::Counter, &samples));
        let (few, all) = (running_sums(&counted, &[]).sums, running_sums(&samples, &[]).sums);
        for sum in few {
            let exact = all.iter().find(|one| one.at == sum.at).unwrap();
            prop_assert!((sum.value - exact.value).abs() < 1e-9, "{:?} {:?}", sum, exact);
        }
    }
}
