//! Tests of the integral, by exact arithmetic.

use super::super::circulation::PurifierHistory;
use super::super::sensors::{SensorReadings, longest_step};
use super::super::summed::Summed;
use super::super::trend::Sample;
use super::super::use_ahead::GasUse;
use super::*;
use crate::domain::calendar::Interval;
use crate::domain::quantity::CubicMetresPerHour;
use chrono::TimeDelta;
use proptest::prelude::*;

fn at(hours: i64) -> DateTime<Utc> {
    "2026-03-02T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::hours(hours)
}

fn series(values: impl IntoIterator<Item = (i64, f64)>) -> Vec<Sample> {
    values.into_iter().map(|(hour, value)| Sample { at: at(hour), value }).collect()
}

struct Case {
    level: Vec<Sample>,
    flow: Vec<Sample>,
    temperature: Vec<Sample>,
    off: Vec<(i64, i64)>,
}

impl Case {
    fn of(level: impl IntoIterator<Item = (i64, f64)>) -> Self {
        Self { level: series(level), flow: Vec::new(), temperature: Vec::new(), off: Vec::new() }
    }

    /// Summed up at 50 m³/h over some hours.
    fn taken(&self, until: i64) -> Taken {
        let off = self.off.iter().map(|(from, to)| GasUse {
            interval: Interval::new(at(*from), at(*to)).unwrap(),
            computed_mol: 0.0,
            booked_at: at(*from),
        });
        let purifier = PurifierHistory {
            circulation: CubicMetresPerHour::new(50.0).unwrap(),
            oxygen_capacity: None,
            water_capacity: None,
            flow: vec![SensorReadings::new("", self.flow.clone())],
            temperature: Vec::new(),
            off: off.collect(),
            brought: Vec::new(),
        };
        let circulation = Circulation::until(&purifier, at(until));
        let temperature: Vec<Tick> = self.temperature.iter().map(Tick::of).collect();
        let seen = |sample: &&Sample| (at(0)..=at(until)).contains(&sample.at);
        let level: Vec<Summed> = self.level.iter().filter(seen).copied().map(Summed::single).collect();
        let (circulation, longest) = (&circulation, longest_step(&level));
        let level: Vec<Tick> = self.level.iter().map(Tick::of).collect();
        let inlet = Inlet { level: &level, circulation, temperature: &temperature, longest };
        inlet.taken(at(0), at(until))
    }
}

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() <= 1e-6 * expected.abs() + 1e-12, "{found} is not {expected}");
}

/// One ppm of 50 m³ at 20 °C and 1 atm, mol: 50·41.5706·10⁻⁶.
const PPM_HOUR: f64 = 50.0e-6 * 101_325.0 / (8.314_462_618 * 293.15);

/// Exact: 5 ppm of oxygen from 50 m³/h for 1000 h at 20 °C are 10.39 mol, 0.333 kg.
#[test]
fn a_steady_level_is_taken_up_as_the_gas_law_says() {
    let taken = Case::of((0..=1000).map(|hour| (hour, 5.0))).taken(1000);
    near(taken.last().known_mol, 5000.0 * PPM_HOUR);
    assert!((taken.last().known_mol - 10.39).abs() < 0.005);
    assert!((taken.last().known_mol * 0.031_998 - 0.333).abs() < 0.001);
    near(taken.last().known_hours, 1000.0);
    assert!(taken.last().unknown_hours.abs() < 1e-9 && taken.gaps.is_empty());
    near(taken.mean(), 5.0 * PPM_HOUR);
    let (low, high) = taken.range();
    near(low, taken.mean());
    near(high, taken.mean());
}

/// By hand: 0, 2, 8 ppm at 0, 4, 6 h: trapezoids of 4 and 10 ppm h.
#[test]
fn a_ramp_is_summed_by_trapezoids() {
    let taken = Case::of([(0, 0.0), (4, 2.0), (6, 8.0)]).taken(6);
    near(taken.last().known_mol, 14.0 * PPM_HOUR);
}

/// Five readings an hour apart, then nothing for 20 h: no bridge over it.
#[test]
fn a_gap_adds_hours_that_are_not_known() {
    let hours = (0..=4).chain(24..=28);
    let taken = Case::of(hours.map(|hour| (hour, 3.0))).taken(30);
    near(taken.longest, 6.0);
    near(taken.last().known_mol, 24.0 * PPM_HOUR);
    near(taken.last().known_hours, 8.0);
    near(taken.last().unknown_hours, 22.0);
    assert_eq!(taken.gaps, [Gap { from: at(4), to: at(24) }]);
    assert_eq!(taken.stretches, [(1, 5), (6, 10)]);
    // Read twice a day a gap is longer: five times the usual spacing.
    let sparse = Case::of([0, 12, 24, 36, 60, 72, 84].map(|hour| (hour, 3.0))).taken(84);
    near(sparse.longest, 60.0);
    near(sparse.last().known_hours, 84.0);
}

#[test]
fn before_the_first_reading_and_after_the_last_nothing_is_known() {
    let taken = Case::of((10..=20).map(|hour| (hour, 3.0))).taken(27);
    near(taken.last().known_hours, 10.0);
    near(taken.last().unknown_hours, 17.0);
    assert_eq!(taken.gaps, [Gap { from: at(0), to: at(10) }, Gap { from: at(20), to: at(27) }]);
    assert!(Case::of([]).taken(10).last().known_mol.abs() < 1e-12);
    near(Case::of([]).taken(10).last().unknown_hours, 10.0);
}

/// Off from 4 to 8 h, when the level rises to 40 ppm: six hours of 2 ppm remain.
#[test]
fn without_circulation_nothing_is_taken_up() {
    let level = |hour: i64| if (4..8).contains(&hour) { 40.0 } else { 2.0 };
    let booked = Case { off: vec![(4, 8)], ..Case::of((0..=10).map(|hour| (hour, level(hour)))) };
    let taken = booked.taken(10);
    near(taken.last().known_mol, 12.0 * PPM_HOUR);
    near(taken.last().known_hours, 6.0);
    near(taken.hours_off, 4.0);
    // Read as nought rather than booked: as far as it was seen.
    let flow = series((0..=10).map(|hour| (hour, if (4..8).contains(&hour) { 0.0 } else { 50.0 })));
    let read = Case { flow, off: Vec::new(), ..booked };
    let taken = read.taken(10);
    near(taken.hours_off, 3.0);
    near(taken.last().known_mol, 14.0 * PPM_HOUR);
    assert_eq!(taken.rated, 0);
}

/// Half the circulation, half the uptake; 30 °C instead of 20 °C: 293.15/303.15 of it.
#[test]
fn circulation_and_temperature_count_as_read() {
    let plain = Case::of((0..=10).map(|hour| (hour, 2.0)));
    near(plain.taken(10).last().known_mol, 20.0 * PPM_HOUR);
    assert_eq!(plain.taken(10).rated, 11);
    let slow = Case { flow: series([(0, 25.0), (5, 25.0), (10, 25.0)]), ..plain };
    near(slow.taken(10).last().known_mol, 10.0 * PPM_HOUR);
    let warm = Case { flow: Vec::new(), temperature: series([(0, 30.0), (10, 30.0)]), ..slow };
    near(warm.taken(10).last().known_mol, 20.0 * PPM_HOUR * 293.15 / 303.15);
    assert!(warm.taken(10).temperature_read);
    // Readings of the temperature a day away say nothing.
    let cold = Case { temperature: series([(-30, 5.0), (40, 5.0)]), ..warm };
    near(cold.taken(10).last().known_mol, 20.0 * PPM_HOUR);
}

/// Days of 1, 2 and 3 ppm: the 10 % point lies at 1.2, the 90 % point at 2.8.
#[test]
fn the_range_of_a_gap_is_that_of_the_days_read() {
    let taken =
        Case::of((0..72).map(|hour| (hour, f64::from(u32::try_from(hour / 24).unwrap()) + 1.0))).taken(72);
    assert_eq!(taken.daily.len(), 3);
    let (low, high) = taken.range();
    assert!((low / PPM_HOUR - 1.2).abs() < 0.05 && (high / PPM_HOUR - 2.8).abs() < 0.05, "{low} {high}");
}

/// 1000 h at 20 °C read every 3.6 s.
#[test]
fn a_million_readings_are_summed() {
    let sample = |n: i64| Sample { at: at(0) + TimeDelta::milliseconds(3600 * n), value: 5.0 };
    let case = Case { level: (0..=1_000_000).map(sample).collect(), ..Case::of([]) };
    near(case.taken(1000).last().known_mol, 5000.0 * PPM_HOUR);
}

proptest! {
    /// Known, unknown and off hours make up the whole time; sums never fall.
    #[test]
    fn every_hour_is_accounted_for(
        steps in prop::collection::vec((1_i64..30, 0.0..50.0_f64), 0..60), off in prop::collection::vec((0_i64..400, 1_i64..20), 0..6),
    ) {
        let mut hour = 0;
        let level: Vec<(i64, f64)> = steps.iter().map(|(step, value)| { hour += step; (hour, *value) }).collect();
        let off = off.iter().map(|(from, length)| (*from, from + length)).collect();
        let taken = Case { off, ..Case::of(level) }.taken(hour + 5);
        let last = taken.last();
        let whole = f64::from(u32::try_from(hour + 5).unwrap());
        prop_assert!((last.known_hours + last.unknown_hours + taken.hours_off - whole).abs() < 1e-6);
        prop_assert!(taken.points.windows(2).all(|pair| pair[0].known_mol <= pair[1].known_mol && pair[0].at <= pair[1].at));
        let (low, high) = taken.range();
        prop_assert!(low <= taken.mean() && taken.mean() <= high);
    }
}
