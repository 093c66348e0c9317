//! Histories of purifiers: what they truly took up, and what the records show.

use crate::chance::{Chance, Wander};
use crate::work::{Booking, Habit, Readings, reading_times};

/// Ideal gas at 20 °C and 101 325 Pa, mol/m³ (R = 8.314462618 J/(mol K), CODATA 2018).
pub(crate) const MOL_PER_M3: f64 = 101_325.0 / (8.314_462_618 * 293.15);

/// What the records show, and what nobody can see.
#[derive(Debug, Clone)]
pub(crate) struct UptakeCase {
    /// Levels read in the box: hour and mole-ppm.
    pub(crate) level: Readings,
    /// Circulation when it is on, m³/h.
    pub(crate) flow_m3_h: f64,
    /// Circulation read at the same times, m³/h; nought when off. Often none.
    pub(crate) flow: Readings,
    /// Work done and on the calendar; some of it with the circulation off.
    pub(crate) bookings: Vec<Booking>,
    /// When the purifier was last regenerated.
    pub(crate) regenerated: f64,
    /// What it may take up until the next time, mol.
    pub(crate) limit_mol: f64,
    /// The present, hours.
    pub(crate) now: f64,
    /// When the uptake truly reaches the limit.
    pub(crate) truth: f64,
}

/// The level in the box, hour by hour.
struct Inlet {
    ppm: Vec<f64>,
    on: Vec<bool>,
}

impl Inlet {
    fn any(chance: &mut Chance, work: &[Booking], end: f64) -> Self {
        let usual = chance.ratio_between(0.8, 6.0);
        // The level wanders over weeks, and may creep as seals age.
        let (sd, memory) = (chance.between(0.05, 0.3), 24.0 * chance.between(8.0, 30.0));
        let creep = chance.one_of(&[0.0, 1.0]) * chance.between(-0.1, 0.3) / (100.0 * 24.0);
        let mut slow = Wander::new(chance, sd, memory);
        let hourly = chance.between(0.02, 0.1);
        let mut fast = Wander::new(chance, hourly, 3.0);
        let ppm = (0..end as usize).map(|hour| {
            let level = slow.after(chance, 1.0) + fast.after(chance, 1.0);
            usual * level.exp() * (1.0 + creep * hour as f64).max(0.2)
        });
        let ppm: Vec<f64> = ppm.collect();
        let mut on = vec![true; ppm.len()];
        for booking in work.iter().filter(|booking| booking.circulation_off) {
            let hours = (booking.start.round() as usize)..(booking.end.round() as usize).min(on.len());
            on[hours].fill(false);
        }
        Self { ppm, on }
    }

    /// What was taken up from an hour on, mol, at every full hour.
    fn uptake(&self, from: f64, flow_m3_h: f64) -> Vec<f64> {
        let mut sum = 0.0;
        let hours = self.ppm.iter().zip(&self.on).skip(from as usize);
        let sums = hours.map(|(ppm, on)| {
            sum += if *on { 1e-6 * ppm * flow_m3_h * MOL_PER_M3 } else { 0.0 };
            sum
        });
        std::iter::once(0.0).chain(sums).collect()
    }

    /// What a sensor without errors shows: without circulation the level rises.
    fn shown(&self, hour: f64) -> f64 {
        let index = hour as usize;
        let off = self.on[..=index].iter().rev().take_while(|on| !**on).count();
        self.ppm[index] * (1.0 + off as f64)
    }
}

impl UptakeCase {
    /// A history whose purifier lasts about so many days more.
    pub(crate) fn simulated(chance: &mut Chance, days: f64) -> Self {
        let age = 24.0 * chance.ratio_between(5.0, 90.0);
        let left = 24.0 * days * chance.between(0.75, 1.25);
        let now = 24.0 * chance.between(91.0, 98.0);
        let end = now + 3.0 * left + 24.0 * 60.0;
        let work = Habit::any(chance).work(chance, 0.0, end);
        let inlet = Inlet::any(chance, &work, end);
        let flow_m3_h = chance.between(20.0, 60.0);
        let regenerated = (now - age).floor();
        let taken = inlet.uptake(regenerated, flow_m3_h);
        let so_far = taken[(now - regenerated) as usize];
        // The mean of all that is simulated, not of what comes next.
        let mean = taken[taken.len() - 1] / taken.len() as f64;
        let limit_mol = so_far + mean * left;
        let next = taken.partition_point(|sum| *sum < limit_mol).min(taken.len() - 1);
        let share = (limit_mol - taken[next - 1]) / (taken[next] - taken[next - 1]);
        let truth = regenerated + next as f64 - 1.0 + share.clamp(0.0, 1.0);

        let noise = chance.between(0.02, 0.08);
        let offset = chance.between(0.01, 0.05);
        let has_flow = chance.happens(0.5);
        let (mut level, mut flow) = (Vec::new(), Vec::new());
        let per_day = chance.one_of(&[4.0, 8.0, 24.0]);
        for at in reading_times(chance, per_day, 0.0, now) {
            let shown = inlet.shown(at) * (1.0 + noise * chance.normal()) + offset * chance.normal();
            level.push((at, (100.0 * shown.max(0.0)).round() / 100.0));
            if has_flow {
                let on = inlet.on[at as usize];
                let shown = if on { flow_m3_h * (1.0 + 0.01 * chance.normal()) } else { 0.0 };
                flow.push((at, (10.0 * shown).round() / 10.0));
            }
        }
        let bookings = work.into_iter().filter(|booking| booking.is_known(now)).collect();
        Self { level, flow_m3_h, flow, bookings, regenerated, limit_mol, now, truth }
    }
}

impl UptakeCase {
    /// The uptake since the regeneration as somebody sums it up with a pencil:
    /// by trapezoids from reading to reading, without the hours booked off.
    pub(crate) fn summed_up(&self) -> Readings {
        let level: Readings = self.level.iter().copied().filter(|(at, _)| *at >= self.regenerated).collect();
        let off = self.bookings.iter().filter(|booking| booking.circulation_off);
        let off: Vec<(f64, f64)> = off.map(|booking| (booking.start, booking.end)).collect();
        let mut sum = 0.0;
        let mut sums: Readings = level.first().map(|(at, _)| (*at, 0.0)).into_iter().collect();
        for pair in level.windows(2) {
            let ((from, before), (to, after)) = (pair[0], pair[1]);
            let rested = off.iter().map(|(start, end)| (end.min(to) - start.max(from)).max(0.0)).sum::<f64>();
            let hours = (to - from - rested).max(0.0);
            sum += 1e-6 * f64::midpoint(before, after) * self.flow_m3_h * MOL_PER_M3 * hours;
            sums.push((to, sum));
        }
        sums
    }
}

/// 5 ppm taken from 50 m³/h for 1000 h at 20 °C is 10.39 mol (exact
/// arithmetic from n = p·V/(R·T)).
#[test]
fn the_uptake_is_the_integral() {
    let inlet = Inlet { ppm: vec![5.0; 1000], on: vec![true; 1000] };
    let taken = inlet.uptake(0.0, 50.0);
    assert!((taken[1000] - 10.393).abs() < 1e-3, "{}", taken[1000]);
    let half = Inlet { on: (0..1000).map(|hour| hour % 2 == 0).collect(), ..inlet };
    assert!((half.uptake(0.0, 50.0)[1000] - 5.1965).abs() < 1e-3);
}

#[test]
fn purifiers_last_about_as_long_as_they_should() {
    for days in [7.0, 30.0, 90.0] {
        let cases: Vec<UptakeCase> =
            (0..60).map(|run| UptakeCase::simulated(&mut Chance::of(6, run), days)).collect();
        let mean = cases.iter().map(|case| (case.truth - case.now) / 24.0).sum::<f64>() / 60.0;
        assert!((mean / days - 1.0).abs() < 0.15, "{mean} of {days}");
        for case in &cases {
            assert!(case.truth > case.now && case.regenerated < case.now && case.limit_mol > 0.0);
            assert!(case.level.iter().all(|(at, ppm)| *at < case.now && *ppm >= 0.0));
        }
        assert!(cases.iter().any(|case| case.bookings.iter().any(|one| one.circulation_off)));
    }
}
