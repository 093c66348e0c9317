//! Deciding on bookings, from the length of a turn to a full week.

use super::claims::{Fitted, fit, purge_need, turn_need};
use super::decide::{BoxView, WindowTime, openings};
use super::rules::{HoldView, RequesterView, SiteView, week_around};
use super::starts::Starts;
use super::*;
use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::site::{GroupQuota, SiteClosure};
use crate::domain::facility::*;
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Name, Reference, Remark, Tag};
use crate::domain::quantity::*;
use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

fn at(text: &str) -> DateTime<Utc> {
    format!("2030-03-{text}:00Z").parse().unwrap()
}

fn span(start: &str, end: &str) -> Interval {
    Interval::new(at(start), at(end)).unwrap()
}

fn id(n: u128) -> Uuid {
    Uuid::from_u128(n)
}

fn tag(text: &str) -> Tag {
    Tag::parse(text).unwrap()
}

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

/// 45 L, 16 m³/h, 0.05 mbar at best, three cycles down to 1 mbar.
fn chamber() -> Antechamber {
    Antechamber {
        id: id(20).into(),
        tag: tag("LARGE"),
        name: name("Large"),
        volume: Litres::new(45.0).unwrap(),
        pump_speed: CubicMetresPerHour::new(16.0).unwrap(),
        ultimate: Millibar::new(0.05).unwrap(),
        evacuate_to: Millibar::new(1.0).unwrap(),
        cycles: 3,
        refill: Minutes::new(1.5).unwrap(),
        hold: Minutes::new(0.0).unwrap(),
        measured_cycle: None,
    }
}

fn glovebox() -> Glovebox {
    let station =
        |n: u128, text: &str| Station { id: id(n).into(), tag: tag(text), name: name(text), port_pairs: 1 };
    Glovebox {
        tag: tag("OTTER"),
        name: name("Otter"),
        room: id(1).into(),
        working_gas: WorkingGas::Argon,
        internal_volume: Litres::new(1200.0).unwrap(),
        purge_flow: LitresPerMinute::new(120.0).unwrap(),
        stations: vec![station(10, "S1"), station(11, "S2")],
        antechambers: vec![chamber()],
        instruments: vec![Instrument { id: id(30).into(), tag: tag("SPIN"), name: name("Spin coater") }],
        purifier: Some(Purifier {
            id: id(40).into(),
            circulation: CubicMetresPerHour::new(50.0).unwrap(),
            columns: 1,
            oxygen_capacity: None,
            water_capacity: None,
            solvents: SolventRules::default(),
            regeneration_supply: None,
        }),
        gas_supply: None,
        limits: Limits::default(),
    }
}

fn on() -> BoxView {
    BoxView {
        id: id(2).into(),
        glovebox: glovebox(),
        holds: Vec::new(),
        windows: Vec::new(),
        busy: Vec::new(),
    }
}

fn site() -> SiteView {
    SiteView {
        now: at("04T06:00"),
        zone: chrono_tz::Europe::Berlin,
        policies: Policies::default(),
        open: vec![span("01T00:00", "31T00:00")],
        closures: Vec::new(),
    }
}

fn requester() -> RequesterView {
    let person = Person {
        tag: None,
        name: name("Ada Example"),
        subject: None,
        email: None,
        groups: vec![name("Interfaces")],
        active: true,
        working_hours: None,
        absences: Vec::new(),
    };
    let qualified = Qualification {
        person: id(50).into(),
        qualified_for: QualifiedFor::Glovebox(GloveboxId::from(id(2))),
        valid_until: None,
    };
    RequesterView { person, qualifications: vec![qualified], group_bookings: Vec::new(), upkeep: Vec::new() }
}

fn request(start: &str, end: &str) -> BookingRequest {
    let work = Work {
        places: Places::Any(1),
        transfers_in: Vec::new(),
        transfers_out: Vec::new(),
        instruments: Vec::new(),
        solvents: Vec::new(),
    };
    BookingRequest { work, interval: span(start, end), purpose: Remark::parse("").unwrap(), group: None }
}

fn through(sample: Sample) -> Transfer {
    Transfer { antechamber: Some("LARGE".parse::<Reference>().unwrap()), sample, at: None }
}

fn somebody() -> Owner {
    Owner::Booking(id(900).into())
}

fn busy(resource: u128, start: &str, end: &str) -> Busy {
    Busy { resource: id(resource).into(), interval: span(start, end), why: Why::Work, owner: somebody() }
}

fn codes(refused: Result<Decision, Refused>) -> Vec<&'static str> {
    refused.unwrap_err().violations.iter().map(|violation| violation.code).collect()
}

/// Pump-down at constant speed, any vacuum technology handbook:
/// 0.045/16·60·ln((1013.25−0.05)/(1−0.05)) = 1.177 min, with the refill 2.677,
/// three times 8.03 min: nine whole minutes.
#[test]
fn a_turn_is_as_long_as_pumping_and_refilling_take() {
    assert_eq!(turn_need(&chamber(), Sample::Compact, 3).unwrap().length, TimeDelta::minutes(9));
    assert_eq!(turn_need(&chamber(), Sample::Porous, 3).unwrap().length, TimeDelta::minutes(25));
}

#[test]
fn a_measured_cycle_wins_over_the_computed_one() {
    let measured = Antechamber { measured_cycle: Some(Minutes::new(4.0).unwrap()), ..chamber() };
    assert_eq!(turn_need(&measured, Sample::Compact, 3).unwrap().length, TimeDelta::minutes(12));
    assert_eq!(turn_need(&measured, Sample::Porous, 2).unwrap().length, TimeDelta::minutes(24));
}

/// Sweep-through dilution, NFPA 69 annex: ln(1000) = 6.908 volume changes of
/// 1200 L at 120 L/min: 69.08 min.
#[test]
fn the_purge_is_as_long_as_dilution_takes() {
    assert_eq!(purge_need(&glovebox(), &Policies::default()).length, TimeDelta::minutes(70));
}

#[test]
fn turns_are_claimed_outside_the_work_and_queue_up() {
    let mut wanted = request("04T09:00", "04T12:00");
    wanted.work.transfers_in = vec![through(Sample::Compact), through(Sample::Compact)];
    wanted.work.transfers_out = vec![through(Sample::Compact)];
    let decision = decide(&wanted, &site(), &requester(), &on()).unwrap();
    let turns: Vec<Interval> = decision
        .claims
        .iter()
        .filter(|claim| claim.resource == id(20).into())
        .map(|claim| claim.interval)
        .collect();
    assert_eq!(
        turns,
        vec![span("04T08:51", "04T09:00"), span("04T08:42", "04T08:51"), span("04T12:00", "04T12:09")]
    );
}

#[test]
fn a_stated_transfer_time_fixes_the_turn() {
    let mut wanted = request("04T09:00", "04T12:00");
    wanted.work.transfers_in = vec![Transfer { at: Some(at("04T10:00")), ..through(Sample::Compact) }];
    let decision = decide(&wanted, &site(), &requester(), &on()).unwrap();
    assert!(decision.claims.iter().any(|claim| claim.interval == span("04T09:51", "04T10:00")));
    wanted.work.transfers_in[0].at = Some(at("04T13:00"));
    assert_eq!(codes(decide(&wanted, &site(), &requester(), &on())), vec!["transfer_outside_work"]);
    wanted.work.transfers_in = vec![Transfer { at: Some(at("04T10:00")), ..through(Sample::Compact) }; 2];
    assert_eq!(codes(decide(&wanted, &site(), &requester(), &on())), vec!["transfers_overlap"]);
}

#[test]
fn turns_that_take_days_are_an_error_not_a_booking() {
    let mut slow = on();
    slow.glovebox.antechambers[0].measured_cycle = Some(Minutes::new(1440.0).unwrap());
    let mut wanted = request("10T09:00", "10T12:00");
    wanted.work.transfers_in = vec![through(Sample::Compact)];
    assert_eq!(codes(decide(&wanted, &site(), &requester(), &slow)), vec!["turns_too_long"]);
}

#[test]
fn work_that_poisons_the_catalyst_takes_the_circulation_and_then_the_box() {
    let mut wanted = request("04T09:00", "04T12:00");
    wanted.work.solvents = vec![Solvent::classify(name("dichloromethane"))];
    let decision = decide(&wanted, &site(), &requester(), &on()).unwrap();
    let claimed = |resource: u128, why, interval| {
        decision.claims.contains(&PlannedClaim { resource: id(resource).into(), interval, why })
    };
    assert!(claimed(40, Why::CirculationOff, span("04T09:00", "04T12:00")));
    for resource in [40, 10, 11] {
        assert!(claimed(resource, Why::Purge, span("04T12:00", "04T13:10")), "{resource}");
    }
    assert!(decision.work.cautions.iter().any(|caution| caution.code == "circulation_off"));
    // Hydrocarbons pass through the purifier's solvent trap.
    wanted.work.solvents = vec![Solvent::classify(name("Toluene"))];
    let harmless = decide(&wanted, &site(), &requester(), &on()).unwrap();
    assert_eq!(harmless.claims.len(), 1);
}

#[test]
fn a_refused_solvent_is_named() {
    let mut strict = on();
    let purifier = strict.glovebox.purifier.as_mut().unwrap();
    purifier.solvents.refused = vec![SolventClass::Thiol];
    let mut wanted = request("04T09:00", "04T12:00");
    wanted.work.solvents = vec![Solvent::classify(name("thiophenol"))];
    assert_eq!(codes(decide(&wanted, &site(), &requester(), &strict)), vec!["solvent_refused"]);
}

#[test]
fn every_rule_broken_is_named_at_once() {
    let mut view = site();
    view.policies.minimum_notice = Some(Length::of_seconds(86_400).unwrap());
    view.open = vec![span("04T00:00", "04T08:00")];
    view.closures = vec![SiteClosure {
        interval: span("04T07:00", "05T00:00"),
        reason: name("Fire drill"),
        glovebox: None,
    }];
    view.policies.group_quotas =
        vec![GroupQuota { group: name("Interfaces"), hours_per_week: Hours::new(10.0).unwrap() }];
    let mut who = requester();
    who.person.active = false;
    who.qualifications.clear();
    let mut wanted = request("04T07:00", "05T07:00");
    wanted.work.places = Places::Named(vec!["S9".parse().unwrap()]);
    wanted.work.instruments = vec!["LASER".parse().unwrap()];
    wanted.work.transfers_in =
        vec![Transfer { antechamber: Some("HUGE".parse().unwrap()), ..through(Sample::Compact) }];
    let held =
        BoxView { holds: vec![HoldView { id: id(60).into(), reason: "wet".to_owned(), part: None }], ..on() };
    assert_eq!(
        codes(decide(&wanted, &view, &who, &held)),
        vec![
            "short_notice",
            "too_long",
            "outside_opening_hours",
            "closed",
            "person_inactive",
            "not_qualified",
            "quota_exceeded",
            "on_hold",
            "unknown_station",
            "unknown_instrument",
            "unknown_antechamber"
        ]
    );
}

#[test]
fn a_qualification_must_last_as_long_as_the_work() {
    let mut who = requester();
    who.qualifications[0].valid_until = Some(at("04T11:00"));
    let wanted = request("04T09:00", "04T12:00");
    assert_eq!(codes(decide(&wanted, &site(), &who, &on())), vec!["qualification_expired"]);
    who.qualifications[0].valid_until = Some(at("04T12:00"));
    assert!(decide(&wanted, &site(), &who, &on()).is_ok());
}

#[test]
fn the_past_and_what_lies_beyond_the_horizon_are_refused() {
    let past = request("04T05:00", "04T07:00");
    assert_eq!(codes(decide(&past, &site(), &requester(), &on())), vec!["in_the_past"]);
    let walk_up = request("04T05:56", "04T07:00");
    assert!(decide(&walk_up, &site(), &requester(), &on()).is_ok());
    let mut hurried = request("04T06:02", "04T07:00");
    hurried.work.transfers_in = vec![through(Sample::Compact)];
    assert_eq!(codes(decide(&hurried, &site(), &requester(), &on())), vec!["no_time_for_transfer"]);
    let first = &openings(&hurried, span("04T00:00", "05T00:00"), &site(), &on(), 5).unwrap().1[0];
    assert_eq!(first.first, at("04T06:09"));
    let mut view = site();
    view.policies.horizon = Length::of_seconds(7 * 86_400).unwrap();
    let far = request("11T06:01", "11T07:00");
    assert_eq!(codes(decide(&far, &view, &requester(), &on())), vec!["beyond_horizon"]);
}

/// The last Sunday of March has 23 hours in Berlin: EU directive 2000/84/EC.
#[test]
fn a_week_over_the_change_to_summer_time_has_an_hour_less() {
    let week = week_around(at("27T12:00"), chrono_tz::Europe::Berlin);
    assert!((week.hours() - 167.0).abs() < 1e-9);
    assert_eq!(week.start(), at("24T23:00"));
}

#[test]
fn a_quota_counts_each_week_by_itself() {
    let mut view = site();
    view.policies.group_hours_per_week = Some(Hours::new(6.0).unwrap());
    let mut who = requester();
    who.group_bookings = vec![(name("Interfaces"), span("05T08:00", "05T12:00"))];
    let fits = request("06T08:00", "06T10:00");
    assert!(decide(&fits, &view, &who, &on()).is_ok());
    let over = request("06T08:00", "06T10:30");
    assert_eq!(codes(decide(&over, &view, &who, &on())), vec!["quota_exceeded"]);
    let next_week = request("12T08:00", "12T13:00");
    assert!(decide(&next_week, &view, &who, &on()).is_ok());
}

#[test]
fn any_station_means_the_first_free_one() {
    let mut taken = on();
    taken.busy = vec![busy(10, "04T08:00", "04T10:00")];
    let wanted = request("04T09:00", "04T12:00");
    let decision = decide(&wanted, &site(), &requester(), &taken).unwrap();
    assert_eq!(decision.work.stations, vec![id(11).into()]);
    taken.busy.push(busy(11, "04T11:00", "04T13:00"));
    let refused = decide(&wanted, &site(), &requester(), &taken).unwrap_err();
    assert!(refused.violations.is_empty());
    assert_eq!(refused.conflicts.len(), 1);
}

#[test]
fn touching_times_do_not_conflict() {
    let mut taken = on();
    taken.busy = vec![busy(10, "04T08:00", "04T09:00"), busy(10, "04T12:00", "04T13:00")];
    let mut wanted = request("04T09:00", "04T12:00");
    wanted.work.places = Places::Named(vec!["S1".parse().unwrap()]);
    assert!(decide(&wanted, &site(), &requester(), &taken).is_ok());
}

#[test]
fn a_window_is_never_bookable_or_may_need_its_time_back() {
    let window = |always| WindowTime {
        window: id(70).into(),
        name: "Tuesday service".to_owned(),
        interval: span("05T06:00", "05T10:00"),
        always,
    };
    let wanted = request("05T09:00", "05T12:00");
    let closed = BoxView { windows: vec![window(true)], ..on() };
    let refused = decide(&wanted, &site(), &requester(), &closed).unwrap_err();
    assert!(matches!(refused.conflicts[0].blocker, decide::Blocker::Window { .. }));
    let lent = BoxView { windows: vec![window(false)], ..on() };
    let decision = decide(&wanted, &site(), &requester(), &lent).unwrap();
    assert_eq!(decision.status, Status::Tentative);
    assert!(decision.work.cautions.iter().any(|caution| caution.code == "may_give_way"));
}

#[test]
fn a_hold_on_a_part_closes_what_needs_the_part() {
    let hold = HoldView { id: id(60).into(), reason: "torn glove".to_owned(), part: Some(id(10).into()) };
    let held = BoxView { holds: vec![hold], ..on() };
    let anywhere = request("04T09:00", "04T12:00");
    let decision = decide(&anywhere, &site(), &requester(), &held).unwrap();
    assert_eq!(decision.work.stations, vec![id(11).into()]);
    let mut there = anywhere.clone();
    there.work.places = Places::Named(vec!["S1".parse().unwrap()]);
    assert_eq!(codes(decide(&there, &site(), &requester(), &held)), vec!["on_hold"]);
    let range = span("04T06:00", "05T06:00");
    assert!(openings(&there, range, &site(), &held, 10).is_none());
    assert!(openings(&anywhere, range, &site(), &held, 10).unwrap().1[0].stations == vec![id(11).into()]);
}

mod any_calendar {
    use super::*;
    use proptest::prelude::*;

    fn fitted(wanted: &BookingRequest) -> Fitted {
        fit(&wanted.work, wanted.interval, &glovebox(), &Policies::default()).unwrap()
    }

    /// Each range of starts with what fits there.
    fn each((fitted, starts): (Fitted, Vec<Starts>)) -> impl Iterator<Item = (Fitted, Starts)> {
        starts.into_iter().map(move |one| (fitted.clone(), one))
    }

    proptest! {
        /// Whatever is taken, what is granted meets nothing taken, and every
        /// opening offered is granted.
        #[test]
        fn grants_meet_nothing_taken_and_openings_are_granted(
            taken in prop::collection::vec((0_usize..5, 0_i64..2000, 5_i64..200), 0..25),
            start in 0_i64..1500,
            minutes in 10_i64..300,
            transfers in 0_usize..3,
            poison in any::<bool>(),
        ) {
            let resources = [10, 11, 20, 30, 40];
            let begin = at("04T07:00");
            let minute = |n: i64| begin + TimeDelta::minutes(n);
            let mut view = on();
            for (which, from, length) in taken {
                let interval = Interval::new(minute(from), minute(from + length)).unwrap();
                let resource = id(resources[which]).into();
                view.busy.push(Busy { resource, interval, why: Why::Work, owner: somebody() });
            }
            let mut wanted = request("04T09:00", "04T12:00");
            wanted.interval = Interval::new(minute(start), minute(start + minutes)).unwrap();
            wanted.work.transfers_in = vec![through(Sample::Compact); transfers];
            if poison {
                wanted.work.solvents = vec![Solvent::classify(name("chloroform"))];
            }
            if let Ok(decision) = decide(&wanted, &site(), &requester(), &view) {
                for claim in &decision.claims {
                    for busy in &view.busy {
                        prop_assert!(busy.resource != claim.resource || !busy.interval.overlaps(&claim.interval));
                    }
                }
                prop_assert_eq!(decision.claims.len(), fitted(&wanted).offsets.len() + 1);
            }
            let range = Interval::new(begin, begin + TimeDelta::days(2)).unwrap();
            for (fitted, starts) in openings(&wanted, range, &site(), &view, 50).into_iter().flat_map(each) {
                for start in [starts.first, starts.last, starts.nearest(wanted.interval.start())] {
                    let interval = Interval::lasting(start, fitted.length).unwrap();
                    let there = BookingRequest { interval, ..wanted.clone() };
                    prop_assert!(decide(&there, &site(), &requester(), &view).is_ok(), "{}", interval);
                }
            }
        }
    }
}
