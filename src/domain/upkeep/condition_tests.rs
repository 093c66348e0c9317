//! Tests of levels against their limits.

use super::super::circulation::PurifierHistory;
use super::super::use_ahead::GasUse;
use super::*;
use crate::domain::calendar::Interval;
use crate::domain::quantity::CubicMetresPerHour;
use proptest::prelude::*;

fn start() -> DateTime<Utc> {
    "2026-03-01T00:00:00Z".parse().unwrap()
}

fn at(hours: i64) -> DateTime<Utc> {
    start() + TimeDelta::hours(hours)
}

fn series(values: &[(i64, f64)]) -> Vec<Sample> {
    values.iter().map(|(hour, value)| Sample { at: at(*hour), value: *value }).collect()
}

fn oxygen() -> Condition {
    Condition {
        quantity: MeasuredQuantity::OxygenPpm,
        limit: 10.0,
        sustained: Some(Length::parse("PT6H").unwrap()),
    }
}

fn levels(sensors: &[SensorReadings], now: i64) -> Levels<'_> {
    Levels {
        sensors,
        circulation: None,
        services: Vec::new(),
        since: start() - TimeDelta::hours(1),
        now: at(now),
        zone: Tz::UTC,
    }
}

fn assessed(values: &[(i64, f64)], now: i64) -> Assessment {
    let sensors = [SensorReadings::new("o2-1", series(values))];
    assess(oxygen(), &levels(&sensors, now))
}

fn judge(values: &[(i64, f64)], now: i64) -> Verdict {
    assessed(values, now).verdict
}

fn parameter(assessment: &Assessment, name: &str) -> f64 {
    assessment.evidence.parameters.iter().find(|one| one.name == name).unwrap().value
}

/// A value from -1 to 1 that looks like chance and is the same each time.
fn noise(n: i64) -> f64 {
    let scattered = u32::try_from(n).unwrap().wrapping_mul(2_654_435_761) >> 8;
    f64::from(scattered) / f64::from(1 << 23) - 1.0
}

#[test]
fn a_level_sustained_above_its_limit_is_due_since_then() {
    let readings = [(0, 2.0), (2, 12.0), (4, 13.0), (6, 12.0), (8, 15.0), (9, 14.0)];
    assert_eq!(judge(&readings, 10), Verdict::Dated(DueDates::certain(at(8))));
}

#[test]
fn a_level_that_came_back_is_not_due() {
    let verdict = judge(&[(0, 12.0), (2, 12.0), (4, 13.0), (6, 12.0), (8, 15.0), (30, 2.0)], 31);
    assert!(matches!(verdict, Verdict::NotInSight(_)), "{verdict:?}");
}

#[test]
fn an_unseen_stretch_does_not_count_as_sustained() {
    let verdict = judge(&[(0, 12.0), (8, 12.0), (9, 12.0)], 10);
    assert_eq!(verdict, Verdict::Dated(DueDates { earliest: Some(at(14)), likely: at(14), latest: None }));
}

/// A straight line crosses where arithmetic says: 1 ppm plus 0.5 ppm a day
/// reaches 10 ppm after 18 days; six hours later it is due.
#[test]
fn a_rising_level_is_due_where_its_line_crosses() {
    let readings: Vec<(i64, f64)> =
        (0..8_i32).map(|day| (24 * i64::from(day), 1.0 + 0.5 * f64::from(day))).collect();
    let found = assessed(&readings, 24 * 7);
    let Verdict::Dated(due) = found.verdict else { panic!("{found:?}") };
    // Values are given to a tenth, so that even this line is not known to the hour.
    let due_at = at(24 * 18 + 6);
    for (date, off) in [(due.earliest.unwrap(), 180), (due.likely, 15), (due.latest.unwrap(), 180)] {
        assert!((date - due_at).abs() < TimeDelta::minutes(off), "{date} is not {due_at}");
    }
    // 4.5 ppm now and 0.5 ppm a day: (10 - 4.5) / 0.5 = 11 days.
    assert!((parameter(&found, "slope") - 0.5).abs() < 1e-9);
    assert!((parameter(&found, "level_now") - 4.5).abs() < 0.01);
    assert!((parameter(&found, "pace_until_likely") - 0.5).abs() < 0.02);
}

#[test]
fn nothing_is_guessed() {
    assert!(matches!(judge(&[], 10), Verdict::Unknown(_)));
    assert!(matches!(judge(&[(0, 1.0), (1, 1.1)], 10), Verdict::Unknown(_)));
    let old: Vec<(i64, f64)> = (0..8_i32).map(|day| (24 * i64::from(day), f64::from(day))).collect();
    assert!(matches!(judge(&old, 24 * 15), Verdict::Unknown(_)));
}

/// Values that scatter as much as they rise: Sen's interval of the slope
/// reaches below nought, and no late date follows.
#[test]
fn a_slope_that_may_be_nought_has_no_latest_date() {
    let values = [1.0, 1.6, 0.9, 1.8, 1.1, 1.5, 1.3, 1.2];
    let readings: Vec<(i64, f64)> = values.into_iter().zip(0..).map(|(v, d)| (24 * d, v)).collect();
    let found = assessed(&readings, 24 * 7);
    if let Verdict::Dated(due) = found.verdict {
        assert_eq!(due.latest, None);
    }
    let slope = found.evidence.parameters.iter().find(|parameter| parameter.name == "slope").unwrap();
    assert!(slope.low.unwrap() < 0.0 && slope.high.unwrap() > 0.0);
}

#[test]
fn a_level_that_only_scatters_has_no_date() {
    let readings: Vec<(i64, f64)> = (0..200).map(|n| (6 * n, 3.0 + 0.2 * noise(n))).collect();
    let found = assessed(&readings, 1200);
    assert!(matches!(found.verdict, Verdict::NotInSight(_)), "{found:?}");
}

/// Ten readings of 2 ppm and a drift of 0.1 ppm a day beside a sensor that is
/// at its limit: each on its own, and the one that says so first governs.
#[test]
fn each_sensor_is_judged_on_its_own() {
    let quiet = series(&(0..40).map(|n| (6 * n, 2.0 + 0.1 * noise(n))).collect::<Vec<_>>());
    let high = series(&(0..9).map(|n| (200 + 3 * n, 12.0 + 0.1 * noise(n))).collect::<Vec<_>>());
    let sensors = [SensorReadings::new("o2-old", quiet), SensorReadings::new("o2-new", high)];
    let found = assess(oxygen(), &levels(&sensors, 235));
    assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(at(206))));
    assert_eq!(found.evidence.notes[0], "by sensor o2-new");
    assert!(found.evidence.notes[1].starts_with("sensor o2-old: "), "{:?}", found.evidence.notes);
    assert_eq!(found.evidence.readings.unwrap().count, 9);
    // Mixed, the readings would go up and down between 2 and 12 ppm.
    let silent = assess(oxygen(), &levels(&sensors[..1], 235));
    assert!(matches!(silent.verdict, Verdict::NotInSight(_)), "{silent:?}");
}

/// Without circulation the level rises: such readings are no sign of a worn purifier.
#[test]
fn levels_without_circulation_are_left_out_and_that_is_said() {
    let mut values: Vec<(i64, f64)> = (0..40).map(|n| (3 * n, 2.0 + 0.1 * noise(n))).collect();
    values[30..34].iter_mut().for_each(|(_, value)| *value = 40.0);
    values.truncate(34);
    let sensors = [SensorReadings::new("o2-1", series(&values))];
    let flow = series(&[(0, 50.0), (88, 50.0), (90, 0.0), (93, 0.0), (96, 0.0), (99, 0.0)]);
    let mut purifier = PurifierHistory {
        circulation: CubicMetresPerHour::new(50.0).unwrap(),
        oxygen_capacity: None,
        water_capacity: None,
        flow: Vec::new(),
        temperature: Vec::new(),
        off: Vec::new(),
        brought: Vec::new(),
    };
    let judged = |purifier: &PurifierHistory| {
        let circulation = Circulation::until(purifier, at(100));
        let circulation = Some(&circulation);
        assess(oxygen(), &Levels { circulation, ..levels(&sensors, 100) })
    };
    let running = judged(&purifier);
    assert_eq!(running.verdict, Verdict::Dated(DueDates::certain(at(96))), "running all the time");
    purifier.flow = vec![SensorReadings::new("", flow)];
    let read = judged(&purifier);
    assert!(matches!(read.verdict, Verdict::NotInSight(_)), "{read:?}");
    assert!(read.evidence.notes.iter().any(|note| note.contains("4 reading(s) without it")), "{read:?}");
    purifier.flow = Vec::new();
    let interval = Interval::new(at(89), at(101)).unwrap();
    purifier.off = vec![GasUse { interval, computed_mol: 0.0, booked_at: at(0) }];
    assert_eq!(judged(&purifier).verdict, read.verdict);
}

/// A sensor that sticks, or sits at the end of its scale, above the limit is
/// still above it.
#[test]
fn a_fault_does_not_hide_an_alarm() {
    let mut values: Vec<(i64, f64)> = (0..40).map(|n| (n, 2.0 + noise(n).abs())).collect();
    values.extend((40..80).map(|n| (n, 50.0)));
    let found = assessed(&values, 80);
    assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(at(46))));
    let noted = |found: &Assessment, word: &str| found.evidence.notes.iter().any(|note| note.contains(word));
    assert!(noted(&found, "end of its scale, 50 ppm"), "{:?}", found.evidence.notes);
    // And one that falls to nought while the level is high shows no way out.
    values.truncate(50);
    values.extend((50..60).map(|n| (n, 0.0)));
    let found = assessed(&values, 60);
    assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(at(46))));
    assert!(noted(&found, "stuck at 0 ppm"), "{:?}", found.evidence.notes);
    // Due as it was, it stays so when the sensor falls silent.
    let later = assessed(&values, 24 * 20);
    assert_eq!(later.verdict, found.verdict);
    assert!(noted(&later, "silent since"), "{:?}", later.evidence.notes);
}

#[test]
fn a_lone_value_neither_moves_the_trend_nor_hides() {
    let rising = |n: i64, m: i32| (12 * n, 1.0 + 0.1 * f64::from(m) + 0.05 * noise(n));
    let mut readings: Vec<(i64, f64)> = (0..40).zip(0..).map(|(n, m)| rising(n, m)).collect();
    let Verdict::Dated(before) = judge(&readings, 480) else { panic!("a date") };
    readings[30].1 = 900.0;
    let found = assessed(&readings, 480);
    let Verdict::Dated(after) = found.verdict else { panic!("a date") };
    assert!((before.likely - after.likely).abs() < TimeDelta::days(1), "{before:?} {after:?}");
    assert!(found.evidence.notes.iter().any(|note| note.contains("showed 900 ppm")));
    let last = readings.len() - 1;
    readings[last].1 = 900.0;
    let Verdict::Dated(due) = judge(&readings, 480) else { panic!("a date") };
    assert_eq!(due.likely, at(12 * 39 + 6), "the last one may be the beginning of it");
}

#[test]
fn nonsense_is_survived() {
    let verdicts = [
        judge(&[(0, f64::NAN), (1, f64::INFINITY), (2, f64::NEG_INFINITY)], 3),
        judge(&[(5, 1.0)], 6),
        judge(&[(5, 11.0)], 6),
    ];
    assert!(matches!(verdicts[0], Verdict::Unknown(_)) && matches!(verdicts[1], Verdict::Unknown(_)));
    assert_eq!(verdicts[2], Verdict::Dated(DueDates { latest: None, ..DueDates::certain(at(11)) }));
    let equal: Vec<(i64, f64)> = (0..50).map(|n| (12 * n, 3.0)).collect();
    assert!(matches!(judge(&equal, 600), Verdict::NotInSight(_)));
    let rising: Vec<(i64, f64)> = (0..40_i32).map(|n| (12 * i64::from(n), 0.1 * f64::from(n))).collect();
    let reversed: Vec<(i64, f64)> = rising.iter().rev().copied().collect();
    assert_eq!(judge(&reversed, 480), judge(&rising, 480));
    let mut marred = rising.clone();
    marred.insert(20, (239, f64::NAN));
    assert_eq!(judge(&marred, 480), judge(&rising, 480));
}

/// 120 days of a reading every ten seconds.
#[test]
fn a_million_readings_are_worked_through() {
    let samples = (0..1_000_000).map(|n| Sample {
        at: start() + TimeDelta::seconds(10 * n),
        value: 1.0 + 0.000_005 * f64::from(u32::try_from(n).unwrap()) + 0.1 * noise(n),
    });
    let sensors = [SensorReadings::new("o2-1", samples.collect())];
    let Verdict::Dated(due) = assess(oxygen(), &levels(&sensors, 2778)).verdict else { panic!("a date") };
    // 1 + 0.0018 ppm an hour reaches 10 ppm after 5000 h.
    assert!((due.likely - at(5006)).abs() < TimeDelta::days(2), "{due:?}");
}

proptest! {
    #[test]
    fn dates_are_in_order(values in prop::collection::vec(0.0..9.9_f64, 5..60)) {
        let readings: Vec<(i64, f64)> = (0_i64..).map(|n| 12 * n).zip(values).collect();
        let now = readings.last().unwrap().0;
        if let Verdict::Dated(due) = judge(&readings, now) {
            prop_assert!(due.earliest.is_none_or(|earliest| earliest <= due.likely));
            prop_assert!(due.latest.is_none_or(|latest| due.likely <= latest));
            prop_assert!(due.likely >= at(now));
        }
    }
}
