//! Histories of levels that rise towards a limit: what they truly were, and
//! what sensors showed.

use crate::chance::{Chance, Wander};
use crate::work::{Habit, Readings, reading_times};
use drykeep::domain::facility::MeasuredQuantity;

/// What the records show, and what nobody can see.
#[derive(Debug, Clone)]
pub(crate) struct DriftCase {
    /// What was read.
    pub(crate) quantity: MeasuredQuantity,
    /// Hour and value.
    pub(crate) readings: Readings,
    /// When the level was last set back.
    pub(crate) reset: f64,
    /// The limit.
    pub(crate) limit: f64,
    /// The present, hours.
    pub(crate) now: f64,
    /// When the true level crosses the limit.
    pub(crate) truth: f64,
}

/// How a quantity behaves.
struct Kind {
    quantity: MeasuredQuantity,
    start: (f64, f64),
    /// Usual rise until it calls for work.
    rise: f64,
    per_day: &'static [f64],
    /// Whether an antechamber's turn makes it jump for an hour or two.
    spikes: bool,
    dial: f64,
}

const KINDS: [Kind; 3] = [
    Kind {
        quantity: MeasuredQuantity::OxygenPpm,
        start: (0.2, 2.0),
        rise: 9.0,
        per_day: &[2.0, 4.0, 12.0],
        spikes: true,
        dial: 0.1,
    },
    Kind {
        quantity: MeasuredQuantity::WaterPpm,
        start: (0.3, 3.0),
        rise: 9.0,
        per_day: &[2.0, 4.0, 12.0],
        spikes: true,
        dial: 0.1,
    },
    Kind {
        quantity: MeasuredQuantity::FilterPressureMbar,
        start: (0.4, 0.7),
        rise: 1.0,
        per_day: &[1.0, 2.0],
        spikes: false,
        dial: 0.01,
    },
];

impl DriftCase {
    /// A history whose level crosses the limit about so many days later.
    pub(crate) fn simulated(chance: &mut Chance, days: f64) -> Self {
        let kind = &KINDS[chance.one_of(&[0, 1, 2])];
        let age = 24.0 * chance.ratio_between(10.0, 90.0);
        let left = 24.0 * days * chance.between(0.75, 1.25);
        let reset = 24.0 * 20.0;
        let now = reset + age;
        let end = now + 3.0 * left + 24.0 * 90.0;
        let rate = kind.rise * chance.between(0.6, 1.6) / (age + left);

        // In half of the runs the rate itself wanders over weeks.
        let uneven = chance.one_of(&[0.0, 1.0]) * chance.between(0.1, 0.35);
        let memory = 24.0 * chance.between(7.0, 21.0);
        let mut pace = Wander::new(chance, uneven, memory);
        let mut level = chance.between(kind.start.0, kind.start.1);
        let mut path = Vec::with_capacity(end as usize);
        for hour in 0..end as usize {
            if (hour as f64) < reset {
                path.push(level + kind.rise * 0.6);
                continue;
            }
            level += rate * (1.0 + pace.after(chance, 1.0));
            path.push(level);
        }
        // The limit lies where the mean rate, not the rate to come, takes the level in that time.
        let limit = path[now as usize] + rate * left;
        let truth = (now as usize..path.len()).find(|hour| path[*hour] >= limit);
        let truth = truth.expect("the simulation is long enough") as f64;

        let readings = shown(chance, kind, &path, limit, now);
        Self { quantity: kind.quantity, readings, reset, limit, now, truth }
    }
}

/// What a sensor with correlated errors shows of the level until now.
fn shown(chance: &mut Chance, kind: &Kind, path: &[f64], limit: f64, now: f64) -> Readings {
    let scale = kind.rise * chance.ratio_between(0.005, 0.04);
    let memory = chance.between(6.0, 36.0);
    let mut sensor = Wander::new(chance, scale, memory);
    let white = scale * chance.between(0.1, 0.6);
    let habit = Habit::any(chance);
    let (height, decay) = (limit * chance.between(0.2, 1.5), chance.between(0.3, 1.5));
    let spikes: Vec<f64> = if kind.spikes {
        habit.work(chance, 0.0, now).iter().flat_map(|one| &one.turns).map(|turn| turn.at).collect()
    } else {
        Vec::new()
    };
    let per_day = chance.one_of(kind.per_day);
    let mut readings = Vec::new();
    let mut before = 0.0;
    for at in reading_times(chance, per_day, 0.0, now) {
        let spike: f64 = spikes
            .iter()
            .filter(|turn| **turn <= at && at - **turn < 12.0 * decay)
            .map(|turn| height * (-(at - turn) / decay).exp())
            .sum();
        let error = sensor.after(chance, at - before) + white * chance.normal();
        before = at;
        let value = path[at as usize] + error + spike;
        readings.push((at, ((value / kind.dial).round() * kind.dial).max(0.0)));
    }
    readings
}

#[test]
fn levels_reach_their_limit_about_when_they_should() {
    for days in [7.0, 30.0, 90.0] {
        let cases: Vec<DriftCase> =
            (0..60).map(|run| DriftCase::simulated(&mut Chance::of(8, run), days)).collect();
        let mean = cases.iter().map(|case| (case.truth - case.now) / 24.0).sum::<f64>() / 60.0;
        assert!((mean / days - 1.0).abs() < 0.15, "{mean} of {days}");
        for case in &cases {
            assert!(case.truth > case.now && case.reset < case.now);
            assert!(case.readings.iter().all(|(at, _)| *at < case.now));
            assert!(case.readings.iter().filter(|(at, _)| *at > case.reset).count() > 5);
        }
    }
}

/// Spikes are what they should be: now and then, and gone within hours.
#[test]
fn an_antechamber_makes_the_level_jump() {
    let cases = (0..40).map(|run| DriftCase::simulated(&mut Chance::of(9, run), 30.0));
    let (mut high, mut all) = (0, 0);
    for case in cases.filter(|case| case.quantity != MeasuredQuantity::FilterPressureMbar) {
        let since = case.readings.iter().filter(|(at, _)| *at > case.reset);
        all += since.clone().count();
        high += since.filter(|(_, value)| *value > case.limit).count();
    }
    assert!(high > 0 && high < all / 20, "{high} of {all}");
}
