//! Tests of what sensors' readings are worth. The faults are made by hand; how
//! often a sensor without a fault is accused is counted over histories made
//! by chance from a seed.

use super::*;
use chrono::TimeDelta;
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng as _;

const OXYGEN: MeasuredQuantity = MeasuredQuantity::OxygenPpm;

fn at(minutes: i64) -> DateTime<Utc> {
    "2026-03-01T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::minutes(minutes)
}

/// Chance with a seed.
struct Chance(ChaCha8Rng);

impl Chance {
    fn of(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = f64::from(self.0.next_u32()) / (f64::from(u32::MAX) + 1.0);
        low + (high - low) * unit
    }

    /// Standard normal (Box and Muller 1958).
    fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.between(0.0, 1.0), self.between(0.0, 1.0));
        (-2.0 * u.ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
    }
}

/// Noise of that standard deviation about a level, on a dial, every so many minutes.
fn noisy(seed: u64, count: i64, minutes: i64, level: f64, sd: f64, dial: f64) -> Vec<Sample> {
    let mut chance = Chance::of(seed);
    let mut value = |_| ((level + sd * chance.normal()) / dial).round() * dial;
    (0..count).map(|n| Sample { at: at(minutes * n), value: value(n) }).collect()
}

fn alone(samples: &[Sample], services: &[DateTime<Utc>]) -> Inspected {
    let now = samples.last().unwrap().at;
    inspect(OXYGEN, &[SensorReadings::new("o2-1", samples.to_vec())], services, now).remove(0)
}

fn kinds(inspected: &Inspected) -> Vec<FaultKind> {
    inspected.faults.iter().map(|fault| fault.kind).collect()
}

fn steady() -> Vec<Sample> {
    noisy(1, 200, 60, 5.0, 0.3, 0.1)
}

#[test]
fn a_sensor_that_varied_and_then_shows_one_value_is_stuck() {
    let mut samples = steady();
    samples[99].value = 5.0;
    samples[140].value = 5.0;
    samples[100..140].iter_mut().for_each(|sample| sample.value = 5.2);
    let found = alone(&samples, &[]);
    let fault = found.faults[0];
    assert_eq!((kinds(&found), fault.from, fault.to), (vec![FaultKind::Stuck], at(6000), at(139 * 60)));
    assert_eq!((fault.count, found.believed().count(), found.moving().count()), (40, 160, 160));
    assert_eq!(
        found.told(&[FaultKind::Stuck], at(0), "ppm", Tz::UTC),
        [
            "sensor o2-1 stuck at 5.2 ppm from Thu 5 Mar 2026 04:00 UTC to Fri 6 Mar 2026 19:00 UTC (40 readings)"
        ]
    );
    assert!(found.told(&[FaultKind::Stuck], at(140 * 60), "ppm", Tz::UTC).is_empty(), "long ago");
    assert!(found.told(&[FaultKind::Jump], at(0), "ppm", Tz::UTC).is_empty());
}

/// On a coarse dial a quiet level shows one value for good reasons.
#[test]
fn a_quiet_level_on_a_coarse_dial_is_not_stuck() {
    let mut samples = noisy(2, 300, 60, 0.5, 0.02, 0.1);
    samples[250].value = 0.6;
    assert_eq!(kinds(&alone(&samples, &[])), []);
    let equal = noisy(3, 300, 60, 0.5, 0.0, 0.1);
    assert_eq!(kinds(&alone(&equal, &[])), [], "it never varied");
}

#[test]
fn another_sensor_that_moves_gives_a_stuck_one_away() {
    let still = noisy(3, 100, 60, 0.5, 0.0, 0.1);
    let mut moving = noisy(4, 100, 60, 0.5, 0.05, 0.01);
    let sensors = |moving: &[Sample]| {
        let both = [SensorReadings::new("a", still.clone()), SensorReadings::new("b", moving.to_vec())];
        inspect(OXYGEN, &both, &[], at(6000)).iter().map(kinds).collect::<Vec<_>>()
    };
    assert_eq!(sensors(&moving), [vec![], vec![]], "its noise alone says nothing");
    moving.iter_mut().zip(0..).for_each(|(sample, n)| sample.value += 0.03 * f64::from(n));
    assert_eq!(sensors(&moving), [vec![FaultKind::Stuck], vec![]]);
}

#[test]
fn oxygen_of_exactly_nought_is_stuck() {
    let mut samples = noisy(5, 100, 60, 0.5, 0.1, 0.1);
    samples[50..60].iter_mut().for_each(|sample| sample.value = 0.0);
    assert_eq!(kinds(&alone(&samples, &[])), [FaultKind::Stuck]);
    let sensors = [SensorReadings::new("", samples)];
    let pressure = inspect(MeasuredQuantity::BoxPressureMbar, &sensors, &[], at(6000));
    assert_eq!(kinds(&pressure[0]), [], "of a pressure it is a value like others");
}

#[test]
fn the_end_of_the_scale_is_not_a_level() {
    // At a round number far above the usual.
    let mut samples = steady();
    samples[120..126].iter_mut().for_each(|sample| sample.value = 100.0);
    let found = alone(&samples, &[]);
    assert_eq!(
        (kinds(&found), found.believed().count(), found.moving().count()),
        (vec![FaultKind::Saturated], 194, 200)
    );
    assert_eq!(found.alarming(10.0).filter(|point| point.high > 10.0).count(), 6);
    // At any highest value, again and again.
    let mut samples = steady();
    for from in [40, 90, 140] {
        samples[from..from + 30].iter_mut().for_each(|sample| sample.value = 6.13);
    }
    assert_eq!(kinds(&alone(&samples, &[])), [FaultKind::Saturated; 3]);
    // Once only, it is stuck there.
    let mut samples = steady();
    samples[40..70].iter_mut().for_each(|sample| sample.value = 6.13);
    assert_eq!(kinds(&alone(&samples, &[])), [FaultKind::Stuck]);
}

#[test]
fn a_jump_that_stays_begins_anew_unless_a_service_explains_it() {
    let mut samples = steady();
    samples[120..].iter_mut().for_each(|sample| sample.value += 4.0);
    let found = alone(&samples, &[]);
    assert_eq!((kinds(&found), found.steps.clone()), (vec![FaultKind::Jump], vec![at(120 * 60)]));
    assert!((found.faults[0].value - 4.0).abs() < 0.5);
    let explained = alone(&samples, &[at(118 * 60)]);
    assert_eq!((kinds(&explained), explained.steps), (vec![FaultKind::Serviced], found.steps));
    // It comes back: seven hours are no step, and more of a stay than a lone value.
    let mut samples = steady();
    samples[120..127].iter_mut().for_each(|sample| sample.value += 4.0);
    assert!(alone(&samples, &[]).steps.is_empty());
}

#[test]
fn a_value_that_its_neighbours_contradict_is_set_aside() {
    let mut samples = steady();
    samples[50].value = 40.0;
    samples[51].value = 12.0;
    samples[90].value = 0.0;
    let found = alone(&samples, &[]);
    assert_eq!((kinds(&found), found.faults[0].count), (vec![FaultKind::Lone], 3));
    assert!(found.believed().all(|sample| (3.0..7.0).contains(&sample.value)));
    assert_eq!(found.moving().count(), 200);
    // At the end nothing contradicts it yet.
    let mut samples = steady();
    samples[199].value = 40.0;
    assert_eq!(kinds(&alone(&samples, &[])), []);
    // A level that rises and stays is none.
    let mut samples = steady();
    samples[195..].iter_mut().for_each(|sample| sample.value = 40.0);
    assert!(!kinds(&alone(&samples, &[])).contains(&FaultKind::Lone));
}

#[test]
fn gaps_and_silence_are_told() {
    let mut samples = steady();
    samples.drain(50..80);
    let now = at(200 * 60 + 48 * 60);
    let found = inspect(OXYGEN, &[SensorReadings::new("o2-1", samples)], &[], now).remove(0);
    assert_eq!(kinds(&found), [FaultKind::DroppedOut, FaultKind::Silent]);
    assert_eq!((found.faults[0].from, found.faults[0].to), (at(49 * 60), at(80 * 60)));
    assert!((longest_step(&found.points) - 6.0).abs() < 1e-9);
}

#[test]
fn nonsense_is_survived() {
    let one = Sample { at: at(0), value: 1.0 };
    let numbers = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1.0, 1e308, -1e308];
    let mut samples: Vec<Sample> =
        (0..60).map(|n| Sample { at: at(60 - n), value: numbers[usize::try_from(n).unwrap() % 6] }).collect();
    samples.push(one);
    let found = inspect(OXYGEN, &[SensorReadings::new("", samples)], &[], at(100)).remove(0);
    assert!(found.samples().iter().all(|sample| sample.value.is_finite()));
    assert!(found.samples().windows(2).all(|pair| pair[0].at < pair[1].at));
    assert_eq!(alone(&[one], &[]).samples(), [one]);
    assert_eq!(inspect(OXYGEN, &[SensorReadings::new("", Vec::new())], &[], at(0)), []);
    assert_eq!(inspect(OXYGEN, &[SensorReadings::new("", vec![one])], &[], at(-1)), [], "still to come");
}

/// A sensor without a fault: a level that wanders and creeps, noise that is
/// partly correlated over hours, on a dial.
fn faultless(chance: &mut Chance) -> Vec<Sample> {
    let noise = chance.between(0.01, 0.5);
    let correlated = chance.between(0.0, 1.0);
    let memory = chance.between(3.0, 48.0);
    let minutes = chance.between(15.0, 480.0).round();
    let dial = [0.001, 0.01, 0.1][chance.0.next_u32() as usize % 3];
    let creep = chance.between(-0.01, 0.05) / 24.0 * noise;
    let (mut level, mut slow) = (chance.between(1.0, 8.0), 0.0);
    let hours = minutes / 60.0;
    let kept = (-hours / memory).exp();
    #[expect(clippy::cast_possible_truncation, reason = "whole minutes of some hours")]
    let step = minutes as i64;
    (0..600)
        .map(|n| {
            slow = kept * slow + (1.0 - kept * kept).sqrt() * noise * correlated * chance.normal();
            level += creep * hours;
            let white = noise * (1.0 - correlated) * chance.normal();
            let value = (((level + slow + white) / dial).round() * dial).max(dial);
            Sample { at: at(step * n), value }
        })
        .collect()
}

/// Counted with seed 11 over 1000 sensors of 600 readings each: the bounds are
/// what is stated of false alarms in the module's documentation.
#[test]
fn a_sensor_without_a_fault_is_hardly_ever_accused() {
    let mut chance = Chance::of(11);
    let (mut still, mut jumped, mut lone) = (0, 0, 0);
    for _ in 0..1000 {
        let found = alone(&faultless(&mut chance), &[]);
        let has = |kind| found.faults.iter().any(|fault| fault.kind == kind);
        still += usize::from(has(FaultKind::Stuck) || has(FaultKind::Saturated));
        jumped += usize::from(has(FaultKind::Jump));
        lone += found.samples().len() - found.believed().count();
    }
    assert!(
        still <= 1 && jumped <= 1 && lone <= 60,
        "of 1000: {still} still, {jumped} jumped; {lone} of 600 000 lone"
    );
}

proptest! {
    #[test]
    fn plain_noise_is_never_accused(
        values in prop::collection::vec(-1.0..1.0_f64, 80..300), level in 2.0..50.0_f64, minutes in 1..600_i64,
    ) {
        let samples: Vec<Sample> =
            (0..).zip(&values).map(|(n, value)| Sample { at: at(minutes * n), value: level + value }).collect();
        prop_assert_eq!(kinds(&alone(&samples, &[])), []);
    }

    #[test]
    fn every_reading_is_judged_once(
        values in prop::collection::vec(prop::sample::select(vec![0.0, 1.0, 1.1, 2.0, 50.0, 100.0]), 1..200),
    ) {
        let samples: Vec<Sample> =
            (0..).zip(&values).map(|(n, value)| Sample { at: at(30 * n), value: *value }).collect();
        let found = alone(&samples, &[]);
        prop_assert!(found.believed().count() <= found.moving().count());
        prop_assert_eq!(found.samples().len(), values.len());
        let high = values.iter().filter(|value| **value > 1.5).count();
        prop_assert_eq!(found.alarming(1.5).filter(|point| point.high > 1.5).count(), high);
    }
}
