//! Tests of summing up: against the readings themselves.

use super::super::circulation::{Circulation, PurifierHistory};
use super::super::condition::{self, Condition, Levels};
use super::super::evidence::{Assessment, DueDates, Verdict};
use super::super::meters::running_sums;
use super::super::rules::Species;
use super::super::uptake::Uptake;
use super::*;
use crate::domain::calendar::Length;
use crate::domain::quantity::{CubicMetresPerHour, Moles};
use chrono::NaiveDate;
use chrono_tz::Tz;
use proptest::prelude::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng as _;
use std::collections::BTreeSet;

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
    assert!(
        exact(hour.middle, 4.0) && exact(hour.low, 0.0) && exact(hour.high, 7.0) && exact(hour.step, 3.0)
    );
    assert_eq!((hour.same, hour.far), (1, 0));
    assert_eq!(hour.at, at(1799) + TimeDelta::milliseconds(500));
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
    assert_eq!(
        found.iter().map(|one| (one.first.at, one.last.at)).collect::<Vec<_>>(),
        [(at(0), at(540)), (at(600), at(1140))]
    );
    assert_eq!(steady(&found), read(&[(0, 50.0), (540, 50.0), (600, 0.0), (1140, 0.0)]));
}

#[test]
fn means_reach_to_the_edges_of_what_was_read() {
    let hour = |n: i64| (0..6).map(move |k| (n * 3600 + k * 600, 2.0));
    let samples = read(&hour(0).chain(hour(1)).chain(hour(9)).collect::<Vec<_>>());
    let found: Vec<i64> =
        averages(&summed(Manner::Level, &samples), &[], 6.0, |_| true).iter().map(|one| one.at).collect();
    assert_eq!(found, [0, 1500, 5100, 6600, 32400, 33900, 35400].map(|second| at(second).timestamp_micros()));
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

/// Levels read every minute, by chance.
struct Weeks(ChaCha8Rng);

impl Weeks {
    fn unit(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / f64::from(u32::MAX)
    }

    /// A level that rises from one value to another and wanders, with noise and lone
    /// spikes, on a dial of 0.01.
    fn level(&mut self, minutes: u32, from: f64, to: f64) -> Vec<Sample> {
        let mut wander = 0.0;
        (0..minutes)
            .map(|minute| {
                let share = f64::from(minute) / f64::from(minutes);
                wander = 0.9995 * wander + 0.02 * (self.unit() - 0.5);
                let spike = if self.unit() < 0.0005 { 5.0 } else { 0.0 };
                let value = from + (to - from) * share + wander + 0.3 * (self.unit() - 0.5) + spike;
                Sample { at: at(60 * i64::from(minute)), value: (100.0 * value.max(0.0)).round() / 100.0 }
            })
            .collect()
    }

    /// Circulation that stands some hours every two days, beginning at any minute.
    fn flow(&mut self, minutes: u32) -> Vec<Sample> {
        let begin = self.0.next_u32() % 1440;
        (0..minutes)
            .map(|minute| {
                let value = if (minute + begin) % 2880 < 170 { 0.0 } else { 55.0 + self.unit() };
                Sample { at: at(60 * i64::from(minute)), value }
            })
            .collect()
    }
}

/// The same readings one by one and summed up by the hour.
fn both_ways(quantity: MeasuredQuantity, samples: &[Sample]) -> [Vec<SensorReadings>; 2] {
    let last = samples.last().unwrap().at.timestamp();
    let begin = last - last.rem_euclid(3600) - 3600;
    let tail = samples.iter().filter(|sample| sample.at.timestamp() >= begin).copied().collect();
    let hours = summed(Manner::of(quantity), samples);
    [SensorReadings::new("a", samples.to_vec()), SensorReadings::summed("a", hours, tail)]
        .map(|one| vec![one])
}

fn dates(assessment: &Assessment) -> DueDates {
    match &assessment.verdict {
        Verdict::Dated(due) => *due,
        other @ (Verdict::NotInSight(_) | Verdict::Unknown(_)) => panic!("no date: {other:?}"),
    }
}

fn number(assessment: &Assessment, name: &str) -> f64 {
    assessment.evidence.parameters.iter().find(|one| one.name == name).unwrap().value
}

/// Passes where two dates lie so close, as a share of the time until the one and in hours.
fn assert_close(
    exact: Option<DateTime<Utc>>,
    found: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
    share: f64,
    hours: f64,
) {
    let (Some(exact), Some(found)) = (exact, found) else { return assert_eq!(exact, found) };
    let (ahead, off) = (hours_between(now, exact).abs(), hours_between(exact, found).abs());
    assert!(off <= share * ahead + hours, "{off} h off at {ahead} h ahead");
}

/// The dates of two assessments, all three of each.
fn assert_dates_close(exact: &Assessment, found: &Assessment, now: DateTime<Utc>, share: f64, hours: f64) {
    let (exact, found) = (dates(exact), dates(found));
    assert_close(Some(exact.likely), Some(found.likely), now, share, hours);
    assert_close(exact.earliest, found.earliest, now, share, hours);
    assert_close(exact.latest, found.latest, now, share, hours);
}

const MINUTES: u32 = 25 * 1440;

/// The tolerance that is stated in `DEVELOPERS.md`: what was taken up within 0.5 %, dates
/// within 3 % of the time until them and an hour.
#[test]
fn what_is_taken_up_by_the_hour_is_what_is_taken_up_by_the_minute() {
    for seed in 0..4 {
        let mut weeks = Weeks(ChaCha8Rng::seed_from_u64(seed));
        let level = both_ways(MeasuredQuantity::OxygenPpm, &weeks.level(MINUTES, 2.0, 3.0));
        let flow = both_ways(MeasuredQuantity::CirculationM3H, &weeks.flow(MINUTES));
        let warmth = both_ways(MeasuredQuantity::TemperatureC, &weeks.level(MINUTES, 20.0, 23.0));
        let now = at(60 * i64::from(MINUTES));
        let found = [0, 1].map(|way: usize| {
            let purifier = PurifierHistory {
                circulation: CubicMetresPerHour::new(60.0).unwrap(),
                oxygen_capacity: Some(Moles::new(8.0).unwrap()),
                water_capacity: None,
                flow: flow[way].clone(),
                temperature: warmth[way].clone(),
                off: Vec::new(),
                brought: Vec::new(),
            };
            let uptake = Uptake {
                species: Species::Oxygen,
                fraction: 0.8,
                purifier: &purifier,
                levels: &level[way],
                regenerated: Some(at(-60)),
                entered: at(-60),
                zone: Tz::UTC,
            };
            uptake.assess(now)
        });
        let [exact, summed] = &found;
        assert_eq!(exact.evidence.readings, summed.evidence.readings);
        for (name, tolerance) in [("uptake_known", 0.005), ("hours_known", 0.005), ("hours_off", 1e-9)] {
            let off = number(summed, name) / number(exact, name) - 1.0;
            assert!(off.abs() <= tolerance, "{name} of seed {seed} is {off} off");
        }
        assert_dates_close(exact, summed, now, 0.03, 1.0);
    }
}

fn judged(sensors: &[SensorReadings], since: DateTime<Utc>, now: DateTime<Utc>) -> Assessment {
    let condition = Condition {
        quantity: MeasuredQuantity::OxygenPpm,
        limit: 10.0,
        sustained: Some(Length::parse("PT6H").unwrap()),
    };
    let levels = Levels { sensors, circulation: None, services: Vec::new(), since, now, zone: Tz::UTC };
    condition::assess(condition, &levels)
}

/// The tolerance that is stated in `DEVELOPERS.md`: slopes within 5 %, dates within 10 %
/// of the time until them.
#[test]
fn a_trend_by_the_hour_is_the_trend_by_the_minute() {
    for seed in 0..4 {
        let level = Weeks(ChaCha8Rng::seed_from_u64(seed)).level(MINUTES, 1.0, 5.0);
        let now = at(60 * i64::from(MINUTES));
        let [exact, summed] =
            both_ways(MeasuredQuantity::OxygenPpm, &level).map(|sensors| judged(&sensors, at(-60), now));
        assert_eq!(exact.evidence.readings, summed.evidence.readings);
        assert!((number(&summed, "last_reading") - number(&exact, "last_reading")).abs() < 1e-12);
        let off = number(&summed, "slope") / number(&exact, "slope") - 1.0;
        assert!(off.abs() < 0.05, "the slope of seed {seed} is {off} off");
        assert_dates_close(&exact, &summed, now, 0.1, 0.0);
    }
}

/// An alarm is the same to the minute within the last whole hour, and to the hour before.
#[test]
fn an_alarm_is_seen_as_by_the_minute() {
    let alarm = |minutes_ago: i64| {
        let mut level = Weeks(ChaCha8Rng::seed_from_u64(5)).level(4 * 1440 + 17, 1.0, 2.0);
        let now = level.last().unwrap().at;
        for sample in level.iter_mut().filter(|sample| sample.at > now - TimeDelta::minutes(minutes_ago)) {
            sample.value += 20.0;
        }
        let both = both_ways(MeasuredQuantity::OxygenPpm, &level);
        (both.map(|sensors| dates(&judged(&sensors, at(-60), now))), now)
    };
    for minutes in [1, 3, 40, 70] {
        let ([exact, summed], _) = alarm(minutes);
        assert_eq!(exact, summed, "after {minutes} min");
    }
    for minutes in [100, 250, 420, 2000] {
        let ([exact, summed], _) = alarm(minutes);
        let off = hours_between(exact.likely, summed.likely);
        assert!((0.0..=1.0).contains(&off), "{off} h off after {minutes} min");
    }
}

#[test]
fn a_sensor_that_stuck_for_hours_is_found_by_the_hour_too() {
    let mut level = Weeks(ChaCha8Rng::seed_from_u64(6)).level(6 * 1440, 2.0, 2.0);
    let now = level.last().unwrap().at;
    level[3000..3500].iter_mut().for_each(|sample| sample.value = 2.34);
    let [exact, summed] =
        both_ways(MeasuredQuantity::OxygenPpm, &level).map(|sensors| judged(&sensors, at(-60), now));
    for found in [exact, summed] {
        let notes = &found.evidence.notes;
        assert!(notes.iter().any(|note| note.contains("sensor a stuck at 2.34 ppm")), "{notes:?}");
    }
}

/// A year of one box, read every minute: a level with noise, days and seasons, that rises
/// while the circulation stands some hours on most days; a step up and back, a sensor that
/// stuck, two gaps, and circulation that falls within an hour and stays low.
struct Year {
    level: Vec<Sample>,
    flow: Vec<Sample>,
    warmth: Vec<Sample>,
}

impl Year {
    const DAY: u32 = 1440;

    /// So many days; without circulation the level rises by `rise` a minute.
    fn of(seed: u64, days: u32, is_nasty: bool, rise: f64) -> Self {
        let mut weeks = Weeks(ChaCha8Rng::seed_from_u64(seed));
        let (mut level, mut flow, mut warmth) = (Vec::new(), Vec::new(), Vec::new());
        let (mut wander, mut risen, mut stands) = (0.0, 0.0, (0, 0));
        let from = |day: u32, minute: u32| day * Self::DAY + minute;
        for minute in 0..days * Self::DAY {
            let at = at(60 * i64::from(minute));
            if minute % Self::DAY == 0 {
                let begin = minute + 420 + weeks.0.next_u32() % 300;
                stands =
                    if weeks.unit() < 0.6 { (begin, begin + 20 + weeks.0.next_u32() % 200) } else { (0, 0) };
            }
            let off = (stands.0..stands.1).contains(&minute);
            risen = if off { risen + rise } else { 0.95 * risen };
            wander = 0.99995 * wander + 0.006 * (weeks.unit() - 0.5);
            let phase = std::f64::consts::TAU * f64::from(minute) / f64::from(Self::DAY);
            let gap = is_nasty
                && ((from(60, 300)..from(61, 900)).contains(&minute)
                    || (from(200, 100)..from(200, 290)).contains(&minute));
            if !gap {
                let step =
                    if is_nasty && (from(100, 700)..from(140, 0)).contains(&minute) { 3.0 } else { 0.0 };
                let share = f64::from(minute) / f64::from(days * Self::DAY);
                let stuck = is_nasty && (from(150, 500)..from(150, 1040)).contains(&minute);
                let shown = 2.0 + 2.0 * share + wander + 0.2 * phase.sin() + step + risen;
                let shown = shown + 0.3 * (weeks.unit() - 0.5);
                let value = if stuck { 2.22 } else { (100.0 * shown.max(0.05)).round() / 100.0 };
                level.push(Sample { at, value });
            }
            let usual = if is_nasty && minute >= from(250, 610) { 40.0 } else { 55.0 };
            flow.push(Sample { at, value: if off { 0.0 } else { usual + weeks.unit() } });
            warmth.push(Sample { at, value: 22.0 + phase.cos() + weeks.unit() });
        }
        Self { level, flow, warmth }
    }

    fn now(&self) -> DateTime<Utc> {
        self.flow[self.flow.len() - 1].at + TimeDelta::minutes(1)
    }
}

/// Readings as a night of later has them: by the day where that is long ago.
fn by_the_day(
    quantity: MeasuredQuantity,
    samples: &[Sample],
    without: &BTreeSet<NaiveDate>,
    now: DateTime<Utc>,
) -> Vec<SensorReadings> {
    let manner = Manner::of(quantity);
    let hours = summed(manner, samples);
    let by_day = hours.chunk_by(|one, other| one.first.at.date_naive() == other.first.at.date_naive());
    let days: Vec<Day> = by_day.filter_map(|hours| Day::of(manner, hours)).collect();
    let recent = (now - TimeDelta::days(35)).date_naive();
    let days: Vec<Day> = days.into_iter().filter(|day| day.date() < recent).collect();
    let days = days::kept(manner, days, without, (now - TimeDelta::days(121)).date_naive());
    let dates: BTreeSet<NaiveDate> = days.iter().map(Day::date).collect();
    let hours = hours.into_iter().filter(|hour| !dates.contains(&hour.first.at.date_naive()));
    let [_, summed] = both_ways(quantity, samples).map(|mut one| one.remove(0));
    vec![SensorReadings::summed("a", hours.collect(), summed.tail().to_vec()).and_days(days)]
}

/// What is asked of a year: the readings one by one, and by the day.
fn both_purifiers(year: &Year, without: &BTreeSet<NaiveDate>) -> [PurifierHistory; 2] {
    let (flow, warmth) = (MeasuredQuantity::CirculationM3H, MeasuredQuantity::TemperatureC);
    let single = |samples: &[Sample]| vec![SensorReadings::new("a", samples.to_vec())];
    [
        (single(&year.flow), single(&year.warmth)),
        (
            by_the_day(flow, &year.flow, without, year.now()),
            by_the_day(warmth, &year.warmth, without, year.now()),
        ),
    ]
    .map(|(flow, temperature)| PurifierHistory {
        circulation: CubicMetresPerHour::new(60.0).unwrap(),
        oxygen_capacity: Some(Moles::new(80.0).unwrap()),
        water_capacity: None,
        flow,
        temperature,
        off: Vec::new(),
        brought: Vec::new(),
    })
}

/// The tolerances of `DEVELOPERS.md` over a year, most of it by the day.
#[test]
fn what_is_taken_up_by_the_day_is_what_is_taken_up_by_the_minute() {
    for (seed, is_nasty) in [(10, false), (11, true)] {
        let year = Year::of(seed, 365, is_nasty, 0.05);
        let now = year.now();
        // Regenerated in the middle of a day, which is therefore looked at by the hour.
        let regenerated = at(86_400 * 20 + 40_000);
        let mut without = BTreeSet::from([regenerated.date_naive()]);
        let purifiers = both_purifiers(&year, &without);
        let recent = (now - TimeDelta::days(121)).date_naive();
        without.extend(purifiers[1].days_off(2.0, now).into_iter().filter(|date| *date >= recent));
        let oxygen = MeasuredQuantity::OxygenPpm;
        let levels = [
            vec![SensorReadings::new("a", year.level.clone())],
            by_the_day(oxygen, &year.level, &without, now),
        ];
        assert!(levels[1][0].days().len() > 200, "{} whole days", levels[1][0].days().len());
        assert!(purifiers[1].flow[0].days().len() > 300 && purifiers[1].temperature[0].days().len() > 300);
        let found = [0, 1].map(|way: usize| {
            let uptake = Uptake {
                species: Species::Oxygen,
                fraction: 0.8,
                purifier: &purifiers[way],
                levels: &levels[way],
                regenerated: Some(regenerated),
                entered: at(-60),
                zone: Tz::UTC,
            };
            uptake.assess(now)
        });
        let [exact, summed] = &found;
        let (used, by_day) =
            (exact.evidence.readings.as_ref().unwrap(), summed.evidence.readings.as_ref().unwrap());
        assert_eq!((used.last, &used.gaps), (by_day.last, &by_day.gaps));
        assert!(used.count.abs_diff(by_day.count) < 180, "{} and {}", used.count, by_day.count);
        for (name, tolerance) in [("uptake_known", 0.005), ("hours_known", 0.005), ("hours_off", 1e-9)] {
            let off = number(summed, name) / number(exact, name) - 1.0;
            assert!(off.abs() <= tolerance, "{name} of seed {seed} is {off} off");
        }
        let known =
            |one: &Assessment| one.evidence.notes.iter().filter(|note| note.contains("stuck at")).count();
        assert_eq!((known(exact), known(summed)), (usize::from(is_nasty), usize::from(is_nasty)));
        assert_dates_close(exact, summed, now, 0.03, 1.0);
    }
}

/// The same of trends: slopes within 5 %, dates within 10 %; a step of long ago is a
/// beginning by the day as it is by the minute.
#[test]
fn a_trend_by_the_day_is_the_trend_by_the_minute() {
    for (seed, is_nasty) in [(20, false), (21, false), (22, true)] {
        let year = Year::of(seed, if is_nasty { 180 } else { 125 }, is_nasty, 0.001);
        let now = year.now();
        let purifiers = both_purifiers(&year, &BTreeSet::new());
        let mut without = BTreeSet::from([(now - TimeDelta::days(120)).date_naive()]);
        let recent = (now - TimeDelta::days(121)).date_naive();
        without.extend(purifiers[1].days_off(2.0, now).into_iter().filter(|date| *date >= recent));
        let oxygen = MeasuredQuantity::OxygenPpm;
        let levels = [
            vec![SensorReadings::new("a", year.level.clone())],
            by_the_day(oxygen, &year.level, &without, now),
        ];
        assert!(levels[1][0].days().len() > 50, "{} whole days", levels[1][0].days().len());
        let found = [0, 1].map(|way: usize| {
            let circulation = Circulation::until(&purifiers[way], now);
            let condition =
                Condition { quantity: oxygen, limit: 10.0, sustained: Some(Length::parse("PT6H").unwrap()) };
            let levels = Levels {
                sensors: &levels[way],
                circulation: Some(&circulation),
                services: Vec::new(),
                since: at(-60),
                now,
                zone: Tz::UTC,
            };
            condition::assess(condition, &levels)
        });
        let [exact, summed] = &found;
        let jumps =
            |one: &Assessment| one.evidence.notes.iter().filter(|note| note.contains("jumped by")).count();
        assert_eq!(jumps(exact), jumps(summed), "{:?} {:?}", exact.evidence.notes, summed.evidence.notes);
        let off = number(summed, "slope") / number(exact, "slope") - 1.0;
        assert!(off.abs() < 0.05, "the slope of seed {seed} is {off} off");
        assert_dates_close(exact, summed, now, 0.1, 0.0);
    }
}

/// A counter is the same at the ends of its days, reset or not.
#[test]
fn a_counter_by_the_day_is_the_counter_by_the_minute() {
    let samples: Vec<Sample> = (0..90 * 1440)
        .map(|minute: u32| {
            let hours = f64::from(minute % 50_001) / 180.0;
            Sample { at: at(60 * i64::from(minute)), value: (100.0 * hours).round() / 100.0 }
        })
        .collect();
    let now = samples[samples.len() - 1].at;
    let found = by_the_day(MeasuredQuantity::PumpHours, &samples, &BTreeSet::new(), now);
    assert!(found[0].days().len() > 50);
    let counted = ends(&fullest(&found, now));
    let (few, all) = (running_sums(&counted, &[]).sums, running_sums(&samples, &[]).sums);
    assert!(few.len() < 2500, "{} ends", few.len());
    for sum in few {
        let exact = all.iter().find(|one| one.at == sum.at).unwrap();
        assert!((sum.value - exact.value).abs() < 1e-9, "{sum:?} {exact:?}");
    }
}
