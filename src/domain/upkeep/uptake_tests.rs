//! Tests of when a purifier is due, by exact arithmetic where there is any.

use super::super::circulation::{AirLeft, Brought};
use super::super::evidence::Verdict;
use super::super::trend::Sample;
use super::*;
use crate::domain::calendar::Interval;
use crate::domain::quantity::{CubicMetresPerHour, Moles};

fn at(hours: i64) -> DateTime<Utc> {
    "2026-03-02T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::hours(hours)
}

/// One ppm of 50 m³ at 20 °C and 1 atm, mol.
const PPM_HOUR: f64 = 50.0e-6 * 101_325.0 / (8.314_462_618 * 293.15);

fn booked(from: i64, to: i64) -> Interval {
    Interval::new(at(from), at(to)).unwrap()
}

fn off(from: i64, to: i64) -> GasUse {
    GasUse { interval: booked(from, to), computed_mol: 0.0, booked_at: at(to) }
}

fn purifier(capacity: f64) -> PurifierHistory {
    PurifierHistory {
        circulation: CubicMetresPerHour::new(50.0).unwrap(),
        oxygen_capacity: Moles::new(capacity).ok(),
        water_capacity: None,
        flow: Vec::new(),
        temperature: Vec::new(),
        off: Vec::new(),
        brought: Vec::new(),
    }
}

/// Readings of a level every so many hours, from one hour to another.
fn level(from: i64, to: i64, step: usize, ppm: f64) -> SensorReadings {
    let sample = |hour| Sample { at: at(hour), value: ppm };
    SensorReadings::new("o2-1", (from..=to).step_by(step).map(sample).collect())
}

fn asked(purifier: &PurifierHistory, levels: &[SensorReadings], now: i64) -> Assessment {
    let uptake = Uptake {
        species: Species::Oxygen,
        fraction: 0.8,
        purifier,
        levels,
        regenerated: Some(at(0)),
        entered: at(-1000),
        zone: Tz::UTC,
    };
    uptake.assess(at(now))
}

fn number(assessment: &Assessment, name: &str) -> f64 {
    assessment
        .evidence
        .parameters
        .iter()
        .find(|one| one.name == name)
        .unwrap_or_else(|| panic!("{name}"))
        .value
}

fn dates(assessment: &Assessment) -> DueDates {
    let Verdict::Dated(due) = &assessment.verdict else { panic!("{:?}", assessment.verdict) };
    *due
}

fn noted(assessment: &Assessment, words: &str) -> bool {
    assessment.evidence.notes.iter().any(|note| note.contains(words))
}

fn unknown(assessment: &Assessment) -> &str {
    let Verdict::Unknown(reason) = &assessment.verdict else { panic!("{:?}", assessment.verdict) };
    reason
}

/// Exact: 5 ppm taken from 50 m³/h are 10.39 mol in 1000 h; 80 % of 20 mol
/// are reached after 16/10.3926·1000 = 1539.55 h.
#[test]
fn a_steady_level_is_due_when_the_arithmetic_says() {
    let found = asked(&purifier(20.0), &[level(0, 1000, 1, 5.0)], 1000);
    assert!((number(&found, "uptake_known") - 10.3927).abs() < 1e-3);
    assert!((number(&found, "limit") - 16.0).abs() < 1e-9);
    let expected = 16.0 / (5.0 * PPM_HOUR);
    let due = dates(&found);
    for date in [due.earliest.unwrap(), due.likely, due.latest.unwrap()] {
        let hours = hours_between(at(0), date);
        assert!((hours - expected).abs() < 12.0, "{hours} is not {expected}");
    }
    // What is left, at the pace stated, takes until the likely date.
    let left = number(&found, "limit") - number(&found, "uptake");
    let days = left / number(&found, "pace_until_likely");
    assert!((days - hours_between(at(1000), due.likely) / 24.0).abs() < 1e-6);
    assert!(
        noted(&found, "by sensor o2-1")
            && noted(&found, "is taken as rated")
            && noted(&found, "20 °C is taken")
    );
}

/// 80 % of 10 mol are 8 mol: reached after 8/10.3926·1000 = 769.78 h, in the past.
#[test]
fn what_was_reached_is_due_since_then() {
    let found = asked(&purifier(10.0), &[level(0, 1000, 1, 5.0)], 1000);
    let due = dates(&found);
    assert_eq!((due.earliest, due.latest), (Some(due.likely), Some(due.likely)));
    assert!((hours_between(at(0), due.likely) - 8.0 / (5.0 * PPM_HOUR)).abs() < 0.01);
    assert_eq!(found.summary, "10.4 of 8 mol of oxygen taken up (0 mol in hours nobody read)");
    // It stays due when nobody reads any more.
    assert_eq!(dates(&asked(&purifier(10.0), &[level(0, 1000, 1, 5.0)], 3000)).likely, due.likely);
}

/// Of 300 h the 100 in the middle were not read: two thirds are known, and as
/// much an hour is assumed for the rest.
#[test]
fn gaps_are_reported_and_widen_the_dates() {
    let mut readings = level(0, 100, 1, 5.0);
    let wave = |hour: usize| if (hour / 24).is_multiple_of(2) { 1.0 } else { -1.0 };
    readings.samples.extend(level(200, 300, 1, 5.0).samples);
    readings.samples.iter_mut().enumerate().for_each(|(hour, sample)| sample.value += wave(hour));
    let gap = asked(&purifier(10.0), &[readings.clone()], 300);
    assert!(
        (number(&gap, "hours_known") - 200.0).abs() < 1e-6
            && (number(&gap, "hours_in_gaps") - 100.0).abs() < 1e-6
    );
    let (known, assumed) = (number(&gap, "uptake_known"), number(&gap, "uptake_in_gaps"));
    assert!((assumed - known / 2.0).abs() < 1e-9);
    let range = gap.evidence.parameters.iter().find(|one| one.name == "uptake_in_gaps").unwrap();
    assert!(range.low.unwrap() >= 0.0 && range.low.unwrap() < assumed && assumed < range.high.unwrap());
    assert!(noted(&gap, "not read from Fri 6 Mar 2026 04:00 UTC to Tue 10 Mar 2026 08:00 UTC (100 h)"));
    assert!(noted(&gap, "more than 6 h apart leave a gap"));
    let mut whole = level(0, 300, 1, 5.0);
    whole.samples.iter_mut().enumerate().for_each(|(hour, sample)| sample.value += wave(hour));
    let whole = asked(&purifier(10.0), &[whole], 300);
    let width = |found: &Assessment| dates(found).latest.unwrap() - dates(found).earliest.unwrap();
    assert!(width(&gap) > width(&whole), "{:?} {:?}", width(&gap), width(&whole));
}

/// 169.8 h of circulation are left; with four hours of rest a day from the
/// first hour on, the nine rests begun until then add 36 h.
#[test]
fn circulation_booked_off_takes_the_date_back() {
    let levels = [level(0, 600, 1, 5.0)];
    let running = dates(&asked(&purifier(10.0), &levels, 600)).likely;
    let mut resting = purifier(10.0);
    resting.off = (0..10).map(|day| off(601 + 24 * day, 601 + 24 * day + 4)).collect();
    let later = dates(&asked(&resting, &levels, 600)).likely;
    let hours = hours_between(running, later);
    assert!((hours - 36.0).abs() < 0.1, "{hours}");
}

/// A mole with each of ten turns a day: far more than any chamber, to be seen.
#[test]
fn turns_of_the_antechamber_count() {
    let air = AirLeft { oxygen_mol: 0.5, water_mol: 0.0 };
    let turn = |from: i64| Brought { interval: booked(from, from + 1), booked_at: at(from - 400), air };
    let mut used = purifier(20.0);
    used.brought = vec![turn(100), turn(200), turn(700)];
    let found = asked(&used, &[level(0, 600, 1, 5.0)], 600);
    assert!((number(&found, "uptake_by_turns") - 1.0).abs() < 1e-9);
    assert!((number(&found, "uptake") - 600.0 * 5.0 * PPM_HOUR - 1.0).abs() < 1e-6);
    // The one booked brings it forward too: 16 - 1.5 mol by the level.
    let hours = hours_between(at(0), dates(&found).likely);
    assert!((hours - 14.5 / (5.0 * PPM_HOUR)).abs() < 12.0, "{hours}");
}

#[test]
fn what_cannot_be_told_is_unknown_with_the_reason() {
    let none =
        asked(&PurifierHistory { oxygen_capacity: None, ..purifier(1.0) }, &[level(0, 200, 1, 5.0)], 200);
    assert!(unknown(&none).contains("no rated oxygen capacity is on record"));
    assert!(unknown(&asked(&purifier(10.0), &[], 200)).contains("no reading of oxygen_ppm"));
    let short = asked(&purifier(10.0), &[level(0, 60, 1, 5.0)], 60);
    assert!(
        unknown(&short).contains("60 h of circulation were read since the regeneration, and 72 are needed")
    );
    let old = asked(&purifier(10.0), &[level(0, 200, 1, 5.0)], 200 + 24 * 8);
    assert!(unknown(&old).contains("more than 7 days old"));
    // Before the regeneration does not count.
    let before = asked(&purifier(10.0), &[level(-500, 60, 1, 5.0)], 60);
    assert!(unknown(&before).contains("60 h of circulation"));
    let slow = asked(&purifier(1000.0), &[level(0, 200, 1, 0.01)], 200);
    assert!(matches!(slow.verdict, Verdict::NotInSight(_)), "{slow:?}");
}

/// Nothing says what was taken up before: no earliest date.
#[test]
fn without_a_regeneration_on_record_it_may_be_due_sooner() {
    let levels = [level(0, 600, 1, 5.0)];
    let uptake = Uptake {
        species: Species::Oxygen,
        fraction: 0.8,
        purifier: &purifier(10.0),
        levels: &levels,
        regenerated: None,
        entered: at(100),
        zone: Tz::UTC,
    };
    let found = uptake.assess(at(600));
    let due = dates(&found);
    assert_eq!(due.earliest, None);
    assert!(due.latest.is_some() && noted(&found, "no regeneration is on record"));
    assert!((number(&found, "uptake_known") - 600.0 * 5.0 * PPM_HOUR).abs() < 1e-6);
}

#[test]
fn the_sensor_with_most_readings_counts_and_a_stuck_one_does_not() {
    let few = SensorReadings::new("few", level(0, 600, 6, 9.0).samples);
    let found = asked(&purifier(10.0), &[few, level(0, 600, 1, 5.0)], 600);
    assert!(noted(&found, "by sensor o2-1"));
    assert!((number(&found, "uptake_known") - 600.0 * 5.0 * PPM_HOUR).abs() < 1e-6);
    // It varied, then stood still for 200 h: those count as not read.
    let mut stuck = level(0, 600, 1, 5.0);
    let wave = |hour: usize| [0.3, -0.2, 0.1, -0.4, 0.2][hour % 5];
    stuck.samples.iter_mut().enumerate().take(400).for_each(|(hour, sample)| sample.value += wave(hour));
    let found = asked(&purifier(10.0), &[stuck], 600);
    assert!(
        noted(&found, "sensor o2-1 stuck at 5 ppm") && noted(&found, "count as none"),
        "{:?}",
        found.evidence.notes
    );
    assert!((number(&found, "hours_known") - 399.0).abs() < 1e-6);
}

#[test]
fn nonsense_is_survived() {
    let mut odd = level(0, 200, 1, 5.0);
    odd.samples[50].value = f64::NAN;
    odd.samples[60].value = f64::INFINITY;
    odd.samples.reverse();
    let found = asked(&purifier(10.0), &[odd], 200);
    assert!((number(&found, "uptake_known") - 200.0 * 5.0 * PPM_HOUR).abs() < 1e-6);
    let none = asked(&purifier(10.0), &[level(0, 200, 1, 0.0)], 200);
    assert!(!matches!(none.verdict, Verdict::Dated(_)), "{none:?}");
    let one = asked(&purifier(10.0), &[level(5, 5, 1, 5.0)], 6);
    assert!(matches!(one.verdict, Verdict::Unknown(_)));
    let (rated, levels) = (purifier(10.0), [level(0, 200, 1, 5.0)]);
    let full = Uptake {
        species: Species::Oxygen,
        fraction: 0.0,
        purifier: &rated,
        levels: &levels,
        regenerated: Some(at(0)),
        entered: at(0),
        zone: Tz::UTC,
    };
    assert_eq!(dates(&full.assess(at(200))).likely, at(0));
}

/// 40 days of a reading every 3.5 s.
#[test]
fn a_million_readings_are_worked_through() {
    let sample = |n: i64| Sample { at: at(0) + TimeDelta::milliseconds(3456 * n), value: 5.0 };
    let levels = [SensorReadings::new("o2-1", (0..=1_000_000).map(sample).collect())];
    let found = asked(&purifier(20.0), &levels, 960);
    let hours = hours_between(at(0), dates(&found).likely);
    assert!((hours - 16.0 / (5.0 * PPM_HOUR)).abs() < 12.0, "{hours}");
}
