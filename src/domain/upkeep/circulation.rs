//! When a box's gas ran through its purifier, and how much: by what was read,
//! else by what is booked and by what the purifier is rated for.

use super::observations::{STANDSTILL_M3_H, off_stretches};
use super::sensors::longest_step;
use super::summed::{SensorReadings, Summed, fullest, steady};
use super::trend::{Sample, forward, hours_between, value_beside};
use super::use_ahead::GasUse;
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::common;
use crate::domain::facility::Antechamber;
use crate::domain::physics::antechamber::ChamberError;
use crate::domain::physics::ingress::air_leak_water_to_oxygen;
use crate::domain::physics::{OXYGEN_IN_AIR_PPM, STANDARD_ATMOSPHERE_MBAR, ZERO_CELSIUS_K};
use crate::domain::quantity::{Celsius, CubicMetresPerHour, Fraction, Millibar, Moles};
use chrono::{DateTime, Utc};

/// The molar gas constant, J/(mol K) (CODATA 2018, exact).
const GAS_CONSTANT: f64 = 8.314_462_618;
/// The room that transfers bring air from: 23 °C and 50 % relative humidity
/// (an assumption; common practice, no source).
const ROOM: (f64, f64) = (23.0, 0.5);

/// Moles of an ideal gas in a cubic metre at 1 atm.
pub(super) fn moles_per_m3(celsius: f64) -> f64 {
    100.0 * STANDARD_ATMOSPHERE_MBAR / (GAS_CONSTANT * (ZERO_CELSIUS_K + celsius))
}

/// Air that antechamber turns let into a box, done and booked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Brought {
    /// The booking's time; counted at its start.
    pub interval: Interval,
    /// When it was booked.
    pub booked_at: DateTime<Utc>,
    /// Air.
    pub air: AirLeft,
}

/// What is left of the air in a chamber after its cycles.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct AirLeft {
    /// Oxygen, mol.
    pub oxygen_mol: f64,
    /// Water, mol.
    pub water_mol: f64,
}

impl AirLeft {
    /// What a turn of so many cycles leaves of the room's air (23 °C, 50 %
    /// relative humidity) in a chamber; what outgasses is not counted.
    pub fn after(chamber: &Antechamber, cycles: u32) -> Result<Self, ChamberError> {
        let turn = chamber.computed_turn(cycles)?;
        let moles = moles_per_m3(chamber.cycle().temperature.get()) * chamber.volume.get() / 1000.0;
        let oxygen_mol = 1e-6 * turn.residual_oxygen_ppm.min(OXYGEN_IN_AIR_PPM) * moles;
        let atmosphere = Millibar::new(STANDARD_ATMOSPHERE_MBAR).expect("a constant within range");
        let room = Celsius::new(ROOM.0).expect("a constant within range");
        let humidity = Fraction::new(ROOM.1).expect("a constant within range");
        let water_to_oxygen = air_leak_water_to_oxygen(room, humidity, atmosphere)
            .expect("a room well within the method's range");
        Ok(Self { oxygen_mol, water_mol: oxygen_mol * water_to_oxygen })
    }

    /// Two amounts together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self { oxygen_mol: self.oxygen_mol + other.oxygen_mol, water_mol: self.water_mol + other.water_mol }
    }
}

/// What is known of a purifier and of what goes through it.
#[derive(Debug, Clone, PartialEq)]
pub struct PurifierHistory {
    /// What it is rated to circulate.
    pub circulation: CubicMetresPerHour,
    /// Rated oxygen capacity.
    pub oxygen_capacity: Option<Moles>,
    /// Rated water capacity.
    pub water_capacity: Option<Moles>,
    /// Circulation read at it or its box, m³/h.
    pub flow: Vec<SensorReadings>,
    /// Temperatures read at its box, °C.
    pub temperature: Vec<SensorReadings>,
    /// Times for which bookings have the circulation off.
    pub off: Vec<GasUse>,
    /// Air that antechamber turns let in.
    pub brought: Vec<Brought>,
}

/// When gas circulated until now, and how much.
#[derive(Debug, Clone)]
pub(super) struct Circulation {
    nominal: f64,
    flow: Vec<Sample>,
    longest: f64,
    off: Vec<Interval>,
    /// Hours off until the beginning of each interval.
    before: Vec<f64>,
}

impl Circulation {
    /// What is known of it until now.
    pub(super) fn until(purifier: &PurifierHistory, now: DateTime<Utc>) -> Self {
        let read: Vec<Summed> = fullest(&purifier.flow, now);
        let claimed: Vec<Interval> = purifier.off.iter().map(|off| off.interval).collect();
        let past: Vec<Interval> = Interval::new(DateTime::<Utc>::MIN_UTC, now).into_iter().collect();
        let off = common(&off_stretches(&claimed, &read), &past);
        let mut sum = 0.0;
        let before = off
            .iter()
            .map(|interval| {
                let before = sum;
                sum += interval.hours();
                before
            })
            .collect();
        let flow = steady(&read);
        let longest = longest_step(&flow);
        Self { nominal: purifier.circulation.get(), flow, longest, off, before }
    }

    /// Whether it was read at all.
    pub(super) const fn is_read(&self) -> bool {
        !self.flow.is_empty()
    }

    /// When it was off.
    pub(super) fn off(&self) -> &[Interval] {
        &self.off
    }

    /// Hours off between two instants.
    pub(super) fn hours_off(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
        (self.off_until(to) - self.off_until(from)).max(0.0)
    }

    fn off_until(&self, at: DateTime<Utc>) -> f64 {
        self.off_until_from(&mut self.place(at), at)
    }

    /// Hours off until an instant no earlier than the place.
    pub(super) fn off_until_from(&self, place: &mut Place, at: DateTime<Utc>) -> f64 {
        forward(&self.off, &mut place.off, |interval| interval.start() <= at);
        let Some(last) = place.off.checked_sub(1) else { return 0.0 };
        let interval = &self.off[last];
        self.before[last] + hours_between(interval.start(), at.min(interval.end()))
    }

    /// Where an instant lies among what is known.
    fn place(&self, at: DateTime<Utc>) -> Place {
        Place {
            off: self.off.partition_point(|interval| interval.start() <= at),
            flow: self.flow.partition_point(|sample| sample.at < at),
        }
    }

    /// How much circulated at an instant, m³/h: `None` when none did. Between
    /// a reading of none and one of some, the nearer one counts.
    pub(super) fn at(&self, at: DateTime<Utc>) -> Option<f64> {
        self.at_from(&mut self.place(at), at).map(|(flow, _)| flow)
    }

    /// The same at an instant no earlier than the place, and whether it was read.
    pub(super) fn at_from(&self, place: &mut Place, at: DateTime<Utc>) -> Option<(f64, bool)> {
        forward(&self.off, &mut place.off, |interval| interval.start() <= at);
        if place.off.checked_sub(1).is_some_and(|last| self.off[last].contains(at)) {
            return None;
        }
        forward(&self.flow, &mut place.flow, |sample| sample.at < at);
        let read = self.read_beside(place.flow, at);
        let flow = read.unwrap_or(self.nominal);
        (flow >= STANDSTILL_M3_H).then_some((flow, read.is_some()))
    }

    fn read_beside(&self, next: usize, at: DateTime<Utc>) -> Option<f64> {
        let near = |sample: &&Sample| hours_between(sample.at, at).abs() <= self.longest;
        let before = next.checked_sub(1).and_then(|before| self.flow.get(before)).filter(near);
        let after = self.flow.get(next).filter(near);
        if let (Some(before), Some(after)) = (before, after)
            && (before.value < STANDSTILL_M3_H || after.value < STANDSTILL_M3_H)
        {
            let nearer = if after.at - at <= at - before.at { after } else { before };
            return Some(nearer.value);
        }
        value_beside(&self.flow, next, at, self.longest)
    }
}

/// Where an instant lies among the times off and the readings; instants are
/// asked for one after the other, so that nothing is searched twice.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Place {
    off: usize,
    flow: usize,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::names::{Name, Tag};
    use crate::domain::quantity::{Litres, Minutes};
    use chrono::TimeDelta;
    use uuid::Uuid;

    fn at(hours: i64) -> DateTime<Utc> {
        "2026-03-02T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + TimeDelta::hours(hours)
    }

    fn near(found: f64, expected: f64, relative: f64) {
        assert!((found / expected - 1.0).abs() <= relative, "{found} is not {expected}");
    }

    /// Exact: n/V = p/RT; 41.5712 mol/m³ at 20 °C and 1 atm.
    #[test]
    fn a_cubic_metre_holds_what_the_gas_law_says() {
        near(moles_per_m3(20.0), 101_325.0 / (8.314_462_618 * 293.15), 1e-12);
        near(moles_per_m3(20.0), 41.5712, 1e-6);
    }

    /// Exact: 40 L at 20 °C hold 1.662848 mol; two cycles to 10 mbar leave
    /// (10/1013.25)² of 20.95 %; water at 23 °C and 50 % is 0.066 of that
    /// (saturation pressure 2810 Pa: 1405/101325/0.2095).
    #[test]
    fn a_turn_lets_in_what_its_cycles_leave() {
        let chamber = Antechamber {
            id: Uuid::nil().into(),
            tag: Tag::parse("LARGE").unwrap(),
            name: Name::parse("Large").unwrap(),
            volume: Litres::new(40.0).unwrap(),
            pump_speed: CubicMetresPerHour::new(12.0).unwrap(),
            ultimate: Millibar::new(0.05).unwrap(),
            evacuate_to: Millibar::new(10.0).unwrap(),
            cycles: 2,
            refill: Minutes::new(1.0).unwrap(),
            hold: Minutes::new(0.0).unwrap(),
            measured_cycle: None,
        };
        let air = AirLeft::after(&chamber, 2).unwrap();
        near(air.oxygen_mol, 1.662_848 * 0.2095 * (10.0_f64 / 1013.25).powi(2), 1e-5);
        near(air.water_mol / air.oxygen_mol, 0.0662, 0.005);
        assert!(AirLeft::after(&chamber, 0).is_err());
    }

    fn purifier(flow: &[(i64, f64)], off: &[(i64, i64)]) -> Circulation {
        let samples = flow.iter().map(|(hour, value)| Sample { at: at(*hour), value: *value }).collect();
        let off = off.iter().map(|(from, to)| GasUse {
            interval: Interval::new(at(*from), at(*to)).unwrap(),
            computed_mol: 0.0,
            booked_at: at(*from),
        });
        let purifier = PurifierHistory {
            circulation: CubicMetresPerHour::new(60.0).unwrap(),
            oxygen_capacity: None,
            water_capacity: None,
            flow: vec![SensorReadings::new("", samples)],
            temperature: Vec::new(),
            off: off.collect(),
            brought: Vec::new(),
        };
        Circulation::until(&purifier, at(100))
    }

    #[test]
    fn without_readings_it_runs_as_rated_but_for_what_is_booked_off() {
        let circulation = purifier(&[], &[(10, 14), (20, 21), (99, 104)]);
        assert_eq!(
            (circulation.at(at(9)), circulation.at(at(10)), circulation.at(at(14))),
            (Some(60.0), None, Some(60.0))
        );
        assert!((circulation.hours_off(at(0), at(12)) - 2.0).abs() < 1e-12);
        assert!((circulation.hours_off(at(11), at(100)) - 5.0).abs() < 1e-12);
    }

    #[test]
    fn what_is_read_wins() {
        let circulation = purifier(&[(0, 40.0), (4, 50.0), (8, 0.0), (12, 0.0), (16, 50.0)], &[(3, 5)]);
        assert_eq!(circulation.at(at(2)), Some(45.0), "evenly between");
        assert_eq!(circulation.at(at(4)), Some(50.0), "booked off, but seen to run");
        assert_eq!((circulation.at(at(7)), circulation.at(at(5))), (None, Some(50.0)), "the nearer one");
        assert_eq!((circulation.at(at(10)), circulation.at(at(40))), (None, Some(60.0)));
        assert!((circulation.hours_off(at(0), at(100)) - 4.0).abs() < 1e-12);
    }
}
