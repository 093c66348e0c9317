//! Histories of gas supplies: what was truly drawn, and what a keeper's
//! records show of it.

use crate::chance::{Chance, Wander};
use crate::work::{Booking, Habit, Readings, WEEK, reading_times};
use drykeep::domain::facility::SuppliedGas;
use drykeep::domain::physics::gas::gauge_pressure_of;
use drykeep::domain::quantity::{Bar, Celsius, Litres, Moles};
use drykeep::domain::upkeep::contents::mixture;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Water volume of each cylinder, L.
pub(crate) const CYLINDER_L: f64 = 50.0;
/// Gauge pressure at which cylinders are changed, bar.
pub(crate) const CHANGEOVER_BAR: f64 = 20.0;
/// Nominal filling, bar gauge at 15 °C.
pub(crate) const FILL_BAR: f64 = 200.0;
/// The record goes so many days back.
const RECORD_DAYS: f64 = 120.0;

/// What the records show, and what nobody can see.
#[derive(Debug, Clone)]
pub(crate) struct GasCase {
    /// The gas.
    pub(crate) gas: SuppliedGas,
    /// Cylinders connected together.
    pub(crate) cylinders: u8,
    /// Temperature stated for the supply, °C.
    pub(crate) stated_c: f64,
    /// Pressures read: hour and bar gauge.
    pub(crate) gauge: Readings,
    /// Temperatures read: hour and °C. Often none.
    pub(crate) temperature: Readings,
    /// When cylinders were swapped.
    pub(crate) swaps: Vec<f64>,
    /// Work done and on the calendar.
    pub(crate) bookings: Vec<Booking>,
    /// Gas of an antechamber's turn of the usual size as computed, mol.
    pub(crate) turn_mol: f64,
    /// The present, hours.
    pub(crate) now: f64,
    /// When the contents truly reach changeover.
    pub(crate) truth: f64,
}

/// How gas is truly drawn.
struct Draw {
    base: f64,
    slow_sd: f64,
    slow_hours: f64,
    daily_sd: f64,
    per_hour: f64,
    per_turn: f64,
    booking_sd: f64,
}

/// Truth drawn since the record's begin, mol, at every full hour.
struct Drawn(Vec<f64>);

impl Drawn {
    fn at(&self, hour: f64) -> f64 {
        let below = hour.max(0.0).floor();
        let index = (below as usize).min(self.0.len() - 2);
        self.0[index] + (hour - index as f64).min(1.0) * (self.0[index + 1] - self.0[index])
    }

    /// The hour at which that much has been drawn.
    fn when(&self, amount: f64) -> Option<f64> {
        let next = self.0.partition_point(|sum| *sum < amount);
        let before = next.checked_sub(1)?;
        let (low, high) = (self.0[before], *self.0.get(next)?);
        Some(before as f64 + (amount - low) / (high - low))
    }
}

impl GasCase {
    /// A history whose supply lasts about so many days more.
    pub(crate) fn simulated(chance: &mut Chance, days: f64) -> Self {
        let gas = chance.one_of(&[SuppliedGas::Argon, SuppliedGas::Nitrogen]);
        let cylinders = chance.one_of(&[1_u8, 2]);
        let mean_c = chance.between(15.0, 24.0);
        let isotherms = Isotherms::of(gas);
        let vessel = Vessel { isotherms, litres: CYLINDER_L * f64::from(cylinders) };
        let kept = vessel.moles(CHANGEOVER_BAR, mean_c);
        let usable = vessel.moles(FILL_BAR, 15.0) - kept;

        // So long the cylinders have been in use, and so long they will be.
        let (age, left) = (chance.ratio_between(3.0, 60.0), days * chance.between(0.75, 1.25));
        let rate = usable / (24.0 * (age + left));
        let habits: Vec<Habit> = (0..chance.one_of(&[1, 2])).map(|_| Habit::any(chance)).collect();
        let (draw, turn_mol) = Draw::any(chance, rate, &habits);
        let end = 24.0 * (RECORD_DAYS + 4.0 * days + 60.0);
        let mut work: Vec<Booking> = habits.iter().flat_map(|habit| habit.work(chance, 0.0, end)).collect();
        work.sort_by(|a, b| a.start.total_cmp(&b.start));
        let drawn = draw.simulate(chance, &work, end);

        // The present comes within a day after the moment at which what is
        // left would last that long at the mean rate.
        let swapped = 24.0 * (RECORD_DAYS - age);
        let filled = vessel.filled(chance);
        let empty = drawn.at(swapped) + filled - kept;
        let reached = drawn.when(empty - (rate * 24.0 * left).min(0.97 * (filled - kept)));
        let truth = drawn.when(empty).expect("the simulation is long enough");
        let reached = reached.expect("that is earlier");
        let now = (reached + chance.between(0.0, 24.0)).min(f64::midpoint(reached, truth));

        let contents = Contents::until(chance, &drawn, &vessel, (swapped, filled), kept);
        let climate = Climate::any(chance, mean_c, end);
        let (gauge, temperature) = read(chance, &contents, &vessel, &climate, now);
        Self {
            gas,
            cylinders,
            stated_c: mean_c + chance.one_of(&[0.0, 1.0]) * chance.between(-1.5, 1.5),
            gauge,
            temperature,
            swaps: contents.fillings.iter().map(|(swap, _)| *swap).collect(),
            bookings: work.into_iter().filter(|booking| booking.is_known(now)).collect(),
            turn_mol,
            now,
            truth,
        }
    }
}

/// What a person or an instrument notes down until now.
fn read(
    chance: &mut Chance,
    contents: &Contents<'_>,
    vessel: &Vessel<'_>,
    climate: &Climate,
    now: f64,
) -> (Readings, Readings) {
    let (noise, dial) = (chance.between(0.3, 1.0), chance.one_of(&[0.1, 1.0]));
    let has_thermometer = chance.happens(0.5);
    let per_day = chance.one_of(&[1.0, 2.0, 4.0]);
    let (mut gauge, mut temperature) = (Vec::new(), Vec::new());
    for at in reading_times(chance, per_day, 0.0, now) {
        let Some(held) = contents.at(at) else { continue };
        let celsius = climate.at(at);
        let bar = vessel.isotherms.gauge(held / vessel.litres, celsius) + noise * chance.normal();
        gauge.push((at, ((bar / dial).round() * dial).max(0.0)));
        if has_thermometer {
            temperature.push((at, (10.0 * (celsius + 0.5 * chance.normal())).round() / 10.0));
        }
    }
    (gauge, temperature)
}

/// The connected cylinders.
struct Vessel<'a> {
    isotherms: &'a Isotherms,
    litres: f64,
}

impl Vessel<'_> {
    fn moles(&self, bar: f64, celsius: f64) -> f64 {
        self.litres * self.isotherms.density(bar, celsius)
    }

    /// New cylinders are not filled quite alike.
    fn filled(&self, chance: &mut Chance) -> f64 {
        self.moles(FILL_BAR * chance.between(0.97, 1.02), 15.0)
    }
}

/// What was truly in the cylinders.
struct Contents<'a> {
    drawn: &'a Drawn,
    /// Each swap and what the new cylinders held, in order.
    fillings: Vec<(f64, f64)>,
    /// What the cylinders before the first swap held when they were taken away.
    rest: f64,
}

impl<'a> Contents<'a> {
    /// Earlier swaps, when between half and most of a filling was drawn, until the last one.
    fn until(
        chance: &mut Chance,
        drawn: &'a Drawn,
        vessel: &Vessel<'_>,
        last: (f64, f64),
        kept: f64,
    ) -> Self {
        let mut fillings = vec![last];
        loop {
            let filled = vessel.filled(chance);
            let used = filled * chance.between(0.5, 0.88);
            let swap = drawn.when(drawn.at(fillings[0].0) - used).filter(|hour| *hour > 24.0);
            let Some(swap) = swap else { break };
            fillings.insert(0, (swap, filled));
        }
        Self { drawn, fillings, rest: kept * chance.between(1.0, 2.0) }
    }

    /// In mol; `None` before the record begins with full cylinders.
    fn at(&self, hour: f64) -> Option<f64> {
        let drawn = self.drawn.at(hour);
        let current = self.fillings.iter().rev().find(|(swap, _)| *swap <= hour);
        let (first, filled) = self.fillings[0];
        let held = match current {
            Some((swap, filled)) => filled - (drawn - self.drawn.at(*swap)),
            None => self.rest + self.drawn.at(first) - drawn,
        };
        (held <= filled * 1.05).then_some(held)
    }
}

impl Draw {
    /// Some draw of a mean rate, mol an hour, and what a turn of the usual
    /// size is computed to take, mol.
    fn any(chance: &mut Chance, rate: f64, habits: &[Habit]) -> (Self, f64) {
        let base_share = chance.between(0.3, 0.85);
        let turn_share = (1.0 - base_share) * chance.between(0.2, 0.7);
        let hour_share = 1.0 - base_share - turn_share;
        let hours: f64 = habits.iter().map(Habit::hours_an_hour).sum();
        let turns: f64 = habits.iter().map(Habit::turns_an_hour).sum();
        let per_turn = rate * turn_share / turns;
        let draw = Self {
            base: rate * base_share,
            slow_sd: chance.between(0.03, 0.15),
            slow_hours: 24.0 * chance.between(5.0, 20.0),
            daily_sd: chance.between(0.05, 0.3),
            per_hour: rate * hour_share / hours,
            per_turn,
            booking_sd: chance.between(0.05, 0.3),
        };
        // Leaking doors and overlong refills: a turn takes not quite what is computed.
        (draw, per_turn / chance.between(0.85, 1.25))
    }

    fn simulate(&self, chance: &mut Chance, work: &[Booking], end: f64) -> Drawn {
        let mut hourly = vec![0.0; end as usize];
        let mut slow = Wander::new(chance, self.slow_sd, self.slow_hours);
        for day in hourly.chunks_mut(24) {
            let level = 1.0 + slow.after(chance, 24.0);
            let rate = self.base * level.max(0.1) * chance.factor(self.daily_sd);
            day.fill(rate);
        }
        for booking in work {
            let rate = self.per_hour * chance.factor(self.booking_sd);
            let (first, last) = (booking.start as usize, booking.end.ceil() as usize);
            for (hour, drawn) in hourly.iter_mut().enumerate().take(last).skip(first) {
                let (from, to) = (booking.start.max(hour as f64), booking.end.min(hour as f64 + 1.0));
                *drawn += rate * (to - from).max(0.0);
            }
            for turn in &booking.turns {
                if let Some(drawn) = hourly.get_mut(turn.at as usize) {
                    *drawn += self.per_turn * turn.size * chance.factor(self.booking_sd / 2.0);
                }
            }
        }
        let mut sum = 0.0;
        let sums = std::iter::once(0.0).chain(hourly.into_iter().map(|one| {
            sum += one;
            sum
        }));
        Drawn(sums.collect())
    }
}

/// The temperature where the cylinders stand: by day, by season and by the weather.
struct Climate {
    mean: f64,
    daily: f64,
    seasonal: f64,
    season: f64,
    weather: Vec<f64>,
}

impl Climate {
    fn any(chance: &mut Chance, mean: f64, end: f64) -> Self {
        let mut wander = Wander::new(chance, 1.0, 72.0);
        let size = chance.between(0.3, 1.2);
        let days = (end / 24.0) as usize + 2;
        Self {
            mean,
            daily: chance.between(0.7, 2.0),
            seasonal: chance.between(1.0, 3.0),
            season: chance.between(0.0, 365.0),
            weather: (0..days).map(|_| size * wander.after(chance, 24.0)).collect(),
        }
    }

    fn at(&self, hour: f64) -> f64 {
        let day = hour / 24.0;
        let index = day as usize;
        let weather =
            self.weather[index] + (day - day.floor()) * (self.weather[index + 1] - self.weather[index]);
        self.mean
            + self.daily * (TAU * (day - 0.375)).sin()
            + self.seasonal * (TAU * (day + self.season) / 365.0).sin()
            + weather
    }
}

/// Pressure over density and temperature, worked out once: exact enough at
/// 2 bar and 2 K apart (see the test), and fast.
struct Isotherms {
    /// For each temperature the gauge pressures at each density, bar.
    bars: Vec<Vec<f64>>,
}

const COLDEST_C: f64 = 4.0;
const STEP_C: f64 = 2.0;
const STEP_DENSITY: f64 = 0.08;

impl Isotherms {
    fn of(gas: SuppliedGas) -> &'static Self {
        static ARGON: LazyLock<Isotherms> = LazyLock::new(|| Isotherms::computed(SuppliedGas::Argon));
        static NITROGEN: LazyLock<Isotherms> = LazyLock::new(|| Isotherms::computed(SuppliedGas::Nitrogen));
        if gas == SuppliedGas::Argon { &ARGON } else { &NITROGEN }
    }

    fn computed(gas: SuppliedGas) -> Self {
        let one = |density: f64, celsius: f64| {
            gauge_pressure_of(
                &mixture(gas),
                Moles::new(density).unwrap(),
                Litres::new(1.0).unwrap(),
                Celsius::new(celsius).unwrap(),
                Bar::new(1.013_25).unwrap(),
            )
            .unwrap()
            .get()
        };
        let row = |t: i32| {
            let celsius = COLDEST_C + STEP_C * f64::from(t);
            (0..=132).map(|d| one(STEP_DENSITY * f64::from(d), celsius)).collect()
        };
        Self { bars: (0..=16).map(row).collect() }
    }

    /// What a gauge without errors shows, bar; density in mol/L.
    fn gauge(&self, density: f64, celsius: f64) -> f64 {
        let (t, d) = ((celsius - COLDEST_C) / STEP_C, density.max(0.0) / STEP_DENSITY);
        let (row, column) = (t as usize, d as usize);
        let along = |row: usize| {
            let bars = &self.bars[row];
            bars[column] + (d - column as f64) * (bars[column + 1] - bars[column])
        };
        let (below, above) = (along(row), along(row + 1));
        below + (t - row as f64) * (above - below)
    }

    /// The density at which it shows that, mol/L.
    fn density(&self, gauge: f64, celsius: f64) -> f64 {
        let (mut low, mut high) = (0.0, STEP_DENSITY * 131.0);
        for _ in 0..50 {
            let middle = f64::midpoint(low, high);
            if self.gauge(middle, celsius) < gauge { low = middle } else { high = middle }
        }
        low
    }
}

/// A 50 L argon cylinder at 200 bar gauge, 15 °C holds 447.7 mol (CoolProp
/// 8.0.0, as in `tests/reference/cylinder_content.csv`; GERG-2008 agrees
/// within 0.25 %), and what is in one at 10 °C and 200 bar shows 222.3 bar at
/// 30 °C (the same source).
#[test]
fn the_gauge_shows_what_the_gas_does() {
    let argon = Isotherms::of(SuppliedGas::Argon);
    assert!((50.0 * argon.density(200.0, 15.0) / 447.7 - 1.0).abs() < 0.0025);
    let warmed = argon.gauge(argon.density(200.0, 10.0), 30.0);
    assert!((warmed - 222.3).abs() < 0.3, "{warmed}");
}

#[test]
fn supplies_last_about_as_long_as_they_should() {
    for days in [7.0, 30.0, 90.0] {
        let cases: Vec<GasCase> =
            (0..60).map(|run| GasCase::simulated(&mut Chance::of(4, run), days)).collect();
        let mean = cases.iter().map(|case| (case.truth - case.now) / 24.0).sum::<f64>() / 60.0;
        assert!((mean / days - 1.0).abs() < 0.15, "{mean} of {days}");
        for case in &cases {
            assert!(case.truth > case.now && case.swaps.iter().all(|swap| *swap < case.now));
            assert!(case.gauge.iter().all(|(at, bar)| *at < case.now && (0.0..240.0).contains(bar)));
            assert!(case.bookings.iter().all(|one| one.start < case.now + 2.0 * WEEK + 0.1));
        }
        let read: usize = cases.iter().map(|case| case.gauge.len()).sum();
        assert!(read > 60 * 100, "{read}");
    }
}

/// Without noise the books balance: what the gauge says is left at the last
/// reading, drawn at the true rate, is gone at the true date.
#[test]
fn what_was_drawn_adds_up() {
    let mut chance = Chance::of(5, 1);
    let habit = Habit::any(&mut chance);
    let (draw, _) = Draw::any(&mut chance, 0.4, &[habit]);
    let end = 4000.0 * WEEK;
    let work = habit.work(&mut chance, 0.0, end);
    let drawn = draw.simulate(&mut chance, &work, end);
    assert!((drawn.at(end) / end / 0.4 - 1.0).abs() < 0.03, "{}", drawn.at(end) / end);
    let hour = drawn.when(123.4).unwrap();
    assert!((drawn.at(hour) - 123.4).abs() < 1e-9);
}
