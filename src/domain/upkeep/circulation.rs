//! When a box's gas ran through its purifier, and how much: by what was read,
//! else by what is booked and by what the purifier is rated for.

use super::days::EVEN;
use super::observations::{STANDSTILL_M3_H, off_stretches};
use super::sensors::longest_step;
use super::summed::{SensorReadings, Summed, fullest, steady};
use super::trend::{Tick, forward, hours_of, micros, tick_beside};
use super::use_ahead::GasUse;
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::common;
use crate::domain::facility::Antechamber;
use crate::domain::physics::antechamber::ChamberError;
use crate::domain::physics::ingress::air_leak_water_to_oxygen;
use crate::domain::physics::{OXYGEN_IN_AIR_PPM, STANDARD_ATMOSPHERE_MBAR, ZERO_CELSIUS_K};
use crate::domain::quantity::{Celsius, CubicMetresPerHour, Fraction, Millibar, Moles};
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use std::collections::{BTreeMap, BTreeSet};

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
    flow: Vec<Tick>,
    /// The longest time between two readings that counts as seen, microseconds.
    longest: i64,
    off: Vec<Interval>,
    stands: Vec<Standstill>,
    /// °C in the box.
    warmth: Vec<Tick>,
}

/// A time off in microseconds, and the hours off until it begins.
#[derive(Debug, Clone, Copy)]
struct Standstill {
    start: i64,
    end: i64,
    before: f64,
}

impl Circulation {
    /// What is known of it until now.
    pub(super) fn until(purifier: &PurifierHistory, now: DateTime<Utc>) -> Self {
        let read: Vec<Summed> = fullest(&purifier.flow, now);
        let off = purifier.off_until(&read, now);
        let mut before = 0.0;
        let stands = off.iter().map(|interval| {
            let (start, end) = (interval.start().timestamp_micros(), interval.end().timestamp_micros());
            let stand = Standstill { start, end, before };
            before += interval.hours();
            stand
        });
        let stands = stands.collect();
        let flow = steady(&read).iter().map(Tick::of).collect();
        let longest = micros(longest_step(&read));
        let warmth = fullest(&purifier.temperature, now);
        let warmth = warmth.iter().map(|point| Tick::of(&point.average())).collect();
        Self { nominal: purifier.circulation.get(), flow, longest, off, stands, warmth }
    }

    /// Whether it was read at all.
    pub(super) const fn is_read(&self) -> bool {
        !self.flow.is_empty()
    }

    /// How warm the gas was that circulated, °C, in order of time.
    pub(super) fn temperature(&self) -> &[Tick] {
        &self.warmth
    }

    /// When it was off.
    pub(super) fn off(&self) -> &[Interval] {
        &self.off
    }

    /// Hours off between two instants.
    pub(super) fn hours_off(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
        let until = |at: DateTime<Utc>| {
            let at = at.timestamp_micros();
            self.off_until_from(&mut self.place(at), at)
        };
        (until(to) - until(from)).max(0.0)
    }

    /// Whether it ran all the time from one instant to another, as evenly as
    /// counts for one figure.
    pub(super) fn is_even(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
        let (from, to) = (from.timestamp_micros(), to.timestamp_micros());
        let stands = self.stands.partition_point(|stand| stand.end <= from);
        if self.stands.get(stands).is_some_and(|stand| stand.start < to) {
            return false;
        }
        let first = self.flow.partition_point(|tick| tick.at < from);
        let last = self.flow.partition_point(|tick| tick.at <= to);
        // Before the first reading and after the last there may be gaps.
        let seen = &self.flow[first.saturating_sub(1)..(last + 1).min(self.flow.len())];
        let (low, high) = seen
            .iter()
            .fold((f64::INFINITY, 0.0_f64), |(low, high), tick| (low.min(tick.value), high.max(tick.value)));
        let gap = |pair: &[Tick]| pair[1].at - pair[0].at > self.longest;
        !self.is_read() || (first < last && high - low <= EVEN * high && !seen.windows(2).any(gap))
    }

    /// Hours off until an instant no earlier than the place.
    pub(super) fn off_until_from(&self, place: &mut Place, at: i64) -> f64 {
        forward(&self.stands, &mut place.off, |stand| stand.start <= at);
        let Some(last) = place.off.checked_sub(1) else { return 0.0 };
        let stand = &self.stands[last];
        stand.before + hours_of(at.min(stand.end) - stand.start)
    }

    /// Where an instant lies among what is known.
    fn place(&self, at: i64) -> Place {
        Place {
            off: self.stands.partition_point(|stand| stand.start <= at),
            flow: self.flow.partition_point(|tick| tick.at < at),
        }
    }

    /// How much circulated at an instant, m³/h: `None` when none did. Between
    /// a reading of none and one of some, the nearer one counts.
    pub(super) fn at(&self, at: DateTime<Utc>) -> Option<f64> {
        let at = at.timestamp_micros();
        self.at_from(&mut self.place(at), at).map(|(flow, _)| flow)
    }

    /// The same at an instant no earlier than the place, and whether it was read.
    pub(super) fn at_from(&self, place: &mut Place, at: i64) -> Option<(f64, bool)> {
        forward(&self.stands, &mut place.off, |stand| stand.start <= at);
        if place.off.checked_sub(1).is_some_and(|last| at < self.stands[last].end) {
            return None;
        }
        forward(&self.flow, &mut place.flow, |tick| tick.at < at);
        let read = self.read_beside(place.flow, at);
        let flow = read.unwrap_or(self.nominal);
        (flow >= STANDSTILL_M3_H).then_some((flow, read.is_some()))
    }

    fn read_beside(&self, next: usize, at: i64) -> Option<f64> {
        let before = next.checked_sub(1).and_then(|before| self.flow.get(before));
        let before = before.filter(|tick| at - tick.at <= self.longest);
        let after = self.flow.get(next).filter(|tick| tick.at - at <= self.longest);
        if let (Some(before), Some(after)) = (before, after)
            && (before.value < STANDSTILL_M3_H || after.value < STANDSTILL_M3_H)
        {
            let nearer = if after.at - at <= at - before.at { after } else { before };
            return Some(nearer.value);
        }
        tick_beside(&self.flow, next, at, self.longest)
    }
}

impl PurifierHistory {
    /// When it was off until now, by what was read of the flow and what is booked.
    fn off_until(&self, read: &[Summed], now: DateTime<Utc>) -> Vec<Interval> {
        let claimed: Vec<Interval> = self.off.iter().map(|off| off.interval).collect();
        let past: Vec<Interval> = Interval::new(DateTime::<Utc>::MIN_UTC, now).into_iter().collect();
        common(&off_stretches(&claimed, read), &past)
    }

    /// The days (UTC) on which the circulation was off for more than so many hours.
    pub fn days_off(&self, hours: f64, now: DateTime<Utc>) -> BTreeSet<NaiveDate> {
        let mut off: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        for interval in &self.off_until(&fullest(&self.flow, now), now) {
            let (mut date, last) = (interval.start().date_naive(), interval.end().date_naive());
            while date <= last {
                let begin = date.and_time(NaiveTime::MIN).and_utc();
                let day = Interval::new(begin, begin + TimeDelta::days(1));
                let part = day.ok().and_then(|day| day.intersection(interval));
                *off.entry(date).or_default() += part.map_or(0.0, |part| part.hours());
                date += TimeDelta::days(1);
            }
        }
        off.into_iter().filter(|(_, off)| *off > hours).map(|(date, _)| date).collect()
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
    use crate::domain::upkeep::trend::Sample;
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
