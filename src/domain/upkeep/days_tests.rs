//! Tests of whole days.

use super::super::summed::summed;
use super::super::trend::{Sample, median};
use super::*;
use chrono::{DateTime, Utc};

fn at(day: i64, minute: i64) -> DateTime<Utc> {
    "2026-03-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::minutes(1440 * day + minute)
}

fn read(day: i64, value: impl Fn(i64) -> f64) -> Vec<Sample> {
    (0..1440).map(|minute| Sample { at: at(day, minute), value: value(minute) }).collect()
}

fn day(manner: Manner, samples: &[Sample]) -> Option<Day> {
    Day::of(manner, &summed(manner, samples))
}

/// A level that swings by the day, its digits never the same for long.
fn level(minute: i64) -> f64 {
    let minute = u16::try_from(minute.rem_euclid(1440)).unwrap();
    let swing = (std::f64::consts::TAU * f64::from(minute) / 1440.0).sin();
    2.0 + 0.2 * swing + f64::from(minute * 17 % 23) / 100.0
}

/// Exact: the count, mean and extremes are those of the readings.
#[test]
fn a_day_is_the_sum_of_its_readings() {
    let samples = read(0, level);
    let found = day(Manner::Level, &samples).unwrap();
    let [part] = found.parts[..] else { panic!("{found:?}") };
    assert_eq!((part.first, part.last, part.count), (samples[0], samples[1439], 1440));
    let mean = samples.iter().map(|one| one.value).sum::<f64>() / 1440.0;
    assert!((part.mean - mean).abs() < 1e-12);
    let exact = |found: f64, expected: f64| found.to_bits() == expected.to_bits();
    assert!(samples.iter().all(|one| part.low <= one.value && one.value <= part.high));
    assert!(samples.iter().any(|one| exact(one.value, part.low)));
    let mut values: Vec<f64> = samples.iter().map(|one| one.value).collect();
    assert!((part.middle - median(&mut values).unwrap()).abs() < 0.02, "{}", part.middle);
    let equal = samples.windows(2).filter(|pair| same(pair[0].value, pair[1].value)).count();
    assert_eq!(part.same as usize, equal);
    let micros = |minute| at(0, minute).timestamp_micros();
    let hours: Vec<Tick> = means(&found, 1).collect();
    let hour = samples[180..240].iter().map(|one| one.value).sum::<f64>() / 60.0;
    assert!(hours.len() == 24 && hours[3].at == micros(210) && (hours[3].value - hour).abs() < 1e-6);
    let quarters: Vec<i64> = means(&found, 6).map(|one| one.at).collect();
    assert_eq!(quarters, [180, 540, 900, 1260].map(micros));
    assert_eq!(found.date(), at(0, 0).date_naive());
}

#[test]
fn a_day_with_a_pause_is_none() {
    let mut samples = read(0, level);
    samples.drain(600..665);
    assert_eq!(day(Manner::Level, &samples), None);
    assert_eq!(day(Manner::Level, &read(0, level)[..1300]), None);
    let seldom: Vec<Sample> = read(0, level).into_iter().step_by(15).collect();
    assert_eq!(day(Manner::Level, &seldom), None, "readings that stand for themselves");
}

#[test]
fn a_level_that_stood_still_for_hours_is_looked_at_by_the_hour() {
    let stuck = |hours: std::ops::Range<i64>| {
        read(0, move |m| if hours.contains(&(m / 60)) { 2.0 } else { level(m) })
    };
    assert!(day(Manner::Level, &stuck(3..5)).is_some());
    assert_eq!(day(Manner::Level, &stuck(3..6)), None);
    assert!(day(Manner::Level, &stuck(0..24)).unwrap().parts[0].is_still());
    // At its highest, the end of a scale.
    assert_eq!(day(Manner::Level, &read(0, |m| if m / 60 == 3 { 50.0 } else { level(m) })), None);
}

#[test]
fn a_flow_keeps_apart_when_it_stood() {
    let found = day(Manner::Flow, &read(0, |m| if (605..691).contains(&m) { 0.0 } else { 55.0 })).unwrap();
    let parts: Vec<(DateTime<Utc>, DateTime<Utc>)> =
        found.parts.iter().map(|part| (part.first.at, part.last.at)).collect();
    assert_eq!(parts, [(at(0, 0), at(0, 604)), (at(0, 605), at(0, 690)), (at(0, 691), at(0, 1439))]);
    assert!(found.means.is_empty());
    assert_eq!(day(Manner::Flow, &read(0, |m| if m < 600 { 55.0 } else { 45.0 })), None, "it ran unevenly");
    assert_eq!(day(Manner::Flow, &read(0, |m| if m / 60 % 2 == 0 { 0.0 } else { 55.0 })), None, "off and on");
}

#[test]
fn a_counter_keeps_apart_where_it_fell() {
    let counter = |m: i64| f64::from(u16::try_from(if m < 777 { 5000 + m } else { m }).unwrap()) / 60.0;
    let found = day(Manner::Counter, &read(0, counter)).unwrap();
    assert_eq!(found.parts.iter().map(|part| part.last.at).collect::<Vec<_>>(), [at(0, 776), at(0, 1439)]);
}

#[test]
fn days_around_a_step_are_looked_at_by_the_hour() {
    let left = |step: i64| {
        let days = (0..9).map(|number| {
            read(number, move |m| level(m) + if 1440 * number + m >= step { 0.5 } else { 0.0 })
        });
        let days: Vec<Day> = days.map(|samples| day(Manner::Level, &samples).unwrap()).collect();
        let first = at(0, 0).date_naive();
        let left = kept(Manner::Level, days, &BTreeSet::from([at(7, 0).date_naive()]), first);
        left.iter().map(|day| (day.date() - first).num_days()).collect::<Vec<_>>()
    };
    assert_eq!(left(99_999), [0, 1, 2, 3, 4, 5, 6, 8], "no step");
    assert_eq!(left(1440 * 3 + 700), [0, 1, 5, 6, 8], "in the middle of a day");
    assert_eq!(left(1440 * 3), [0, 1, 4, 5, 6, 8], "from day to day");
}
