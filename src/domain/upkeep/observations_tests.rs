use super::*;
use crate::domain::calendar::Interval;
use crate::domain::facility::{LevelLimits, MeasuredQuantity};
use crate::domain::physics::ingress::oxygen_gained_ppm;
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::quantity::{Hours, Litres, PerHour, Ppm};
use crate::domain::upkeep::summed::Summed;
use crate::domain::upkeep::trend::Sample;
use chrono::TimeDelta;
use uuid::Uuid;

fn now() -> DateTime<Utc> {
    "2026-03-08T06:00:00Z".parse().unwrap()
}

fn scene() -> Scene<'static> {
    Scene { id: Uuid::from_u128(1).into(), tag: "LYNX", zone: Tz::UTC, now: now() }
}

fn before(hours: f64) -> DateTime<Utc> {
    #[expect(clippy::cast_possible_truncation, reason = "whole minutes of a few weeks")]
    let minutes = (hours * 60.0).round() as i64;
    now() - TimeDelta::minutes(minutes)
}

/// Readings every half hour over four hours that end so many hours ago, with
/// an alternating error.
fn readings(ended: f64, error: f64, value: impl Fn(f64) -> f64) -> Vec<Sample> {
    (0..=8)
        .map(|step| {
            let hour = f64::from(step) / 2.0;
            let sign = if step % 2 == 0 { error } else { -error };
            Sample { at: before(ended + 4.0 - hour), value: value(hour) + sign }
        })
        .collect()
}

/// A box free of oxygen at first that leaks at an hourly rate; water as given.
fn stretch(ended: f64, leak_per_h: f64, water: impl Fn(f64) -> f64) -> Stretch {
    let rate = PerHour::new(leak_per_h).unwrap();
    Stretch {
        interval: Interval::new(before(ended + 4.0), before(ended)).unwrap(),
        oxygen: readings(ended, 0.05, |hour| 2.0 + oxygen_gained_ppm(rate, Hours::new(hour).unwrap())),
        water: readings(ended, 0.01, water),
    }
}

fn rise(stretches: &[Stretch]) -> Option<Observation> {
    oxygen_rise(&scene(), Litres::new(1000.0).unwrap(), stretches, TightnessClass::One)
}

fn parameter(observation: &Observation, name: &str) -> f64 {
    observation.evidence.parameters.iter().find(|one| one.name == name).unwrap().value
}

/// Exact: at the limit of class 1, 5·10⁻⁴ an hour, a closed box gains 104.7 ppm in its first hour.
#[test]
fn oxygen_that_rises_faster_than_the_class_allows_is_noticed() {
    assert_eq!(rise(&[stretch(10.0, 4.9e-4, |_| 1.0)]), None);
    let noticed = rise(&[stretch(10.0, 6e-4, |_| 1.0)]).unwrap();
    assert_eq!(noticed.kind, ObservationKind::OxygenRise);
    // Exact: 6·10⁻⁴ of 1 m³ an hour are 10 mL/min.
    assert!((parameter(&noticed, "hourly_leak_rate") - 6e-4).abs() < 1e-6, "{noticed:?}");
    assert!((parameter(&noticed, "ingress") - 10.0).abs() < 0.02, "{noticed:?}");
    for part in
        ["a figure of class 2 by ISO 10648-2", "class 1 is required", "Sat 7 Mar 2026 16:00 UTC (4 h)"]
    {
        assert!(noticed.text.contains(part), "{}", noticed.text);
    }
    assert!(noticed.evidence.notes.iter().any(|note| note.contains("competent tester")));
    assert!(rise(&[stretch(10.0, 0.2, |_| 1.0)]).unwrap().text.contains("beyond class 4"));
}

#[test]
fn oxygen_that_rises_faster_than_is_usual_here_is_noticed() {
    let usual = [60.0, 50.0, 40.0].map(|ended| stretch(ended, 2e-5, |_| 1.0));
    let with = |leak| usual.iter().cloned().chain([stretch(10.0, leak, |_| 1.0)]).collect::<Vec<_>>();
    assert_eq!(rise(&with(5e-5)), None);
    let noticed = rise(&with(8e-5)).unwrap();
    assert!(noticed.text.contains("4 times what is usual here"), "{}", noticed.text);
    assert!(!noticed.text.contains("required"), "{}", noticed.text);
    // Two earlier stretches do not say what is usual.
    assert_eq!(rise(&with(8e-5)[1..]), None);
}

#[test]
fn too_few_readings_too_short_a_time_or_one_long_ago_say_nothing() {
    let whole = stretch(10.0, 6e-3, |_| 1.0);
    let some = |oxygen: Vec<Sample>| Stretch { oxygen, ..whole.clone() };
    assert!(rise(std::slice::from_ref(&whole)).is_some());
    assert_eq!(rise(&[some(whole.oxygen[..4].to_vec())]), None);
    assert_eq!(rise(&[some(Vec::new())]), None);
    assert_eq!(rise(&[stretch(24.0 * 8.0, 6e-3, |_| 1.0)]), None);
    assert_eq!(rise(&[]), None);
    let one_time: Vec<Sample> =
        whole.oxygen.iter().map(|sample| Sample { at: whole.oxygen[0].at, ..*sample }).collect();
    assert_eq!(rise(&[some(one_time)]), None);
    let equal: Vec<Sample> = whole.oxygen.iter().map(|sample| Sample { value: 3.0, ..*sample }).collect();
    assert_eq!(rise(&[some(equal)]), None);
    let air: Vec<Sample> = whole.oxygen.iter().map(|sample| Sample { value: 209_500.0, ..*sample }).collect();
    assert_eq!(rise(&[some(air)]), None);
}

/// 126 ppm/h among errors of 500 ppm either way is within two standard errors of none.
#[test]
fn a_rise_lost_in_noise_is_not_noticed() {
    let rate = PerHour::new(6e-4).unwrap();
    let noisy = Stretch {
        oxygen: readings(10.0, 500.0, |hour| 600.0 + oxygen_gained_ppm(rate, Hours::new(hour).unwrap())),
        ..stretch(10.0, 6e-4, |_| 1.0)
    };
    assert_eq!(rise(&[noisy]), None);
}

#[test]
fn water_is_compared_with_oxygen_and_never_made_a_diagnosis() {
    // 6·10⁻⁴ an hour bring 125.7 ppm of oxygen in the first hour (exact: 0.2095·6·10⁻⁴).
    let noticed = rise(&[stretch(10.0, 6e-4, |hour| 5.0 + 12.57 * hour)]).unwrap();
    assert!((parameter(&noticed, "water_to_oxygen") - 0.1).abs() < 0.001, "{noticed:?}");
    assert!(noticed.text.contains("no diagnosis without the ambient dew point"), "{}", noticed.text);
    // Exact: at 23 °C and 50 % a plain leak brings about 0.066.
    assert!(noticed.evidence.notes.iter().any(|note| note.contains("brings 0.066")), "{noticed:?}");
}

/// Common practice, no source: water that rises while oxygen does not points to permeation or outgassing.
#[test]
fn water_that_rises_alone_points_elsewhere_than_to_a_leak() {
    let seen = |stretch: Stretch| {
        water_rise(&scene(), Litres::new(1000.0).unwrap(), &[stretch], Ppm::new(10.0).unwrap())
    };
    let noticed = seen(stretch(10.0, 0.0, |hour| 2.0 + 5.0 * hour)).unwrap();
    assert_eq!(noticed.kind, ObservationKind::WaterRise);
    assert!(noticed.text.contains("rather than to a leak"), "{}", noticed.text);
    assert!(noticed.text.contains("no diagnosis"), "{}", noticed.text);
    assert_eq!(seen(stretch(10.0, 6e-4, |hour| 2.0 + 5.0 * hour)), None);
    assert_eq!(seen(stretch(10.0, 0.0, |hour| 2.0 + 0.5 * hour)), None);
    assert_eq!(seen(stretch(10.0, 0.0, |_| 30.0)), None);
}

#[test]
fn the_circulation_is_off_as_claimed_unless_it_was_seen_to_run() {
    let interval = |from: f64, to: f64| Interval::new(before(from), before(to)).unwrap();
    let at = |hours: f64, value: f64| Summed::single(Sample { at: before(hours), value });
    let claimed = [interval(40.0, 36.0), interval(20.0, 16.0)];
    assert_eq!(off_stretches(&claimed, &[]), claimed);
    assert_eq!(off_stretches(&claimed, &[at(38.0, 45.0)]), [interval(20.0, 16.0)]);
    // Zero from 10 to 8 hours ago, running before and after; readings too far apart say nothing.
    let read = [at(11.0, 45.0), at(10.0, 0.0), at(9.0, 0.0), at(8.0, 0.0), at(7.0, 45.0)];
    assert_eq!(off_stretches(&[], &read), [interval(10.0, 8.0)]);
    assert_eq!(off_stretches(&[], &[at(30.0, 0.0), at(20.0, 0.0)]), []);
    // Claimed and read overlap: one stretch.
    assert_eq!(off_stretches(&[interval(9.5, 7.5)], &read[1..4]), [interval(10.0, 7.5)]);
}

#[test]
fn a_supply_that_gives_far_more_than_expected_is_noticed() {
    let boxes = ["LYNX".to_owned(), "OTTER".to_owned()];
    let seen = |measured, predicted, sd| consumption(&scene(), measured, predicted, sd, 7.0, &boxes);
    let noticed = seen(140.0, 100.0, 10.0).unwrap();
    assert!(noticed.text.contains("40 % more than its model expects"), "{}", noticed.text);
    assert!(noticed.text.ends_with("it feeds LYNX, OTTER"), "{}", noticed.text);
    // Either bound alone does not do.
    assert_eq!(seen(124.0, 100.0, 1.0), None);
    assert_eq!(seen(140.0, 100.0, 21.0), None);
    assert_eq!(seen(60.0, 100.0, 1.0), None);
    assert!(seen(5.0, 0.0, 1.0).unwrap().text.contains("expects none"));
    assert_eq!(seen(f64::NAN, 100.0, 1.0), None);
    assert_eq!(seen(140.0, f64::INFINITY, 1.0), None);
}

fn levels(values: &[f64]) -> Vec<Sample> {
    let last = values.len() - 1;
    let step = |index: usize| f64::from(u8::try_from(last - index).unwrap()) / 2.0;
    values.iter().enumerate().map(|(index, &value)| Sample { at: before(step(index)), value }).collect()
}

#[test]
fn a_level_that_stands_high_under_circulation_is_noticed() {
    let limits = LevelLimits::new(Ppm::new(10.0).unwrap(), Ppm::new(100.0).unwrap()).unwrap();
    let seen = |values: &[f64], circulation| {
        level_under_circulation(&scene(), MeasuredQuantity::OxygenPpm, limits, &levels(values), circulation)
    };
    let noticed = seen(&[1.0, 10.0, 12.0, 14.0], Circulation::Read(48.0)).unwrap();
    assert!(noticed.text.contains("oxygen stands at 14 ppm"), "{}", noticed.text);
    assert!(noticed.text.contains("running at 48 m³/h"), "{}", noticed.text);
    // Off is another matter, and a transfer's air is gone within the hour.
    assert_eq!(seen(&[1.0, 10.0, 12.0, 14.0], Circulation::Off), None);
    assert_eq!(seen(&[1.0, 1.0, 12.0, 14.0], Circulation::NotBookedOff), None);
    assert_eq!(seen(&[14.0, 14.0, 14.0, 1.0], Circulation::NotBookedOff), None);
    assert!(seen(&[14.0], Circulation::NotBookedOff).unwrap().text.contains("not booked off"));
    let old: Vec<Sample> = levels(&[14.0; 4])
        .into_iter()
        .map(|sample| Sample { at: sample.at - TimeDelta::hours(25), ..sample })
        .collect();
    let running = Circulation::Read(48.0);
    assert_eq!(level_under_circulation(&scene(), MeasuredQuantity::OxygenPpm, limits, &old, running), None);
}

/// Common practice, no source: −15 to 15 mbar.
#[test]
fn a_pressure_outside_the_common_range_for_an_hour_is_noticed() {
    let noticed = box_pressure(&scene(), &levels(&[2.0, -16.0, -18.0, -17.0, 1.0])).unwrap();
    assert!(
        noticed.text.contains("for 1 h from Sun 8 Mar 2026 04:30 UTC, at most -18 mbar"),
        "{}",
        noticed.text
    );
    assert_eq!(box_pressure(&scene(), &levels(&[2.0, -16.0, -18.0, 1.0])), None);
    assert_eq!(box_pressure(&scene(), &levels(&[15.0, 15.0, -15.0, -15.0])), None);
    assert_eq!(box_pressure(&scene(), &[]), None);
    // The time between two readings far apart is not known.
    let apart = [Sample { at: before(9.0), value: 20.0 }, Sample { at: before(1.0), value: 20.0 }];
    assert_eq!(box_pressure(&scene(), &apart), None);
}

#[test]
fn a_sensor_that_has_fallen_silent_is_noticed() {
    let seen = |hours: &[f64]| {
        let readings: Vec<Sample> = hours.iter().map(|&ago| Sample { at: before(ago), value: 1.5 }).collect();
        silent(&scene(), MeasuredQuantity::WaterPpm, &readings)
    };
    let noticed = seen(&[28.0, 27.0, 26.0]).unwrap();
    assert!(
        noticed.text.starts_with("water_ppm has not been read for 26 h, last 1.5 ppm"),
        "{}",
        noticed.text
    );
    assert!(seen(&[25.0]).is_some());
    assert_eq!(seen(&[26.0, 25.0, 24.0]), None);
    assert_eq!(seen(&[]), None);
    // Read by hand once a week: three weeks are silence.
    assert_eq!(seen(&[400.0, 232.0, 64.0]), None);
    assert!(seen(&[900.0, 732.0, 564.0]).is_some());
}

#[test]
fn the_order_does_not_depend_on_the_order_found() {
    let scene = scene();
    let one = consumption(&scene, 140.0, 100.0, 1.0, 7.0, &[]).unwrap();
    let two = box_pressure(&scene, &levels(&[20.0, 20.0, 20.0])).unwrap();
    let three = Observation { subject_tag: "HERON".to_owned(), ..one.clone() };
    let expected = vec![three.clone(), two.clone(), one.clone()];
    assert_eq!(in_order(vec![one.clone(), two.clone(), three.clone()]), expected);
    assert_eq!(in_order(vec![two, three, one]), expected);
}
