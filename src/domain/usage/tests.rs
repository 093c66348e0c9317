use super::*;
use crate::domain::booking::record::{BookedTransfer, BookedWork};
use crate::domain::booking::{Caution, Sample, Status};
use crate::domain::names::Remark;
use crate::domain::quantity::NormalLitres;
use chrono::TimeDelta;
use proptest::prelude::*;
use uuid::Uuid;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn booking(minutes: i64, gas_nl: f64, transfers: usize, purged: bool) -> Stored<Booking> {
    let start = at("2026-05-04T08:00:00Z");
    let transfer =
        BookedTransfer { antechamber: Uuid::from_u128(9).into(), sample: Sample::Compact, at: None };
    let value = Booking {
        glovebox: Uuid::from_u128(1).into(),
        person: Uuid::from_u128(2).into(),
        booked_by: "ada".to_owned(),
        group: None,
        series: None,
        status: Status::Confirmed,
        progress: Progress::Booked,
        interval: Interval::lasting(start, TimeDelta::minutes(minutes)).unwrap(),
        work: BookedWork {
            purpose: Remark::parse("").unwrap(),
            stations: vec![Uuid::from_u128(3).into(), Uuid::from_u128(4).into()],
            whole_box: true,
            transfers_in: vec![transfer; transfers],
            transfers_out: Vec::new(),
            instruments: Vec::new(),
            solvents: Vec::new(),
            cautions: if purged { vec![Caution::new(PURGED, "off")] } else { Vec::new() },
        },
        gas_estimate: NormalLitres::new(gas_nl).unwrap(),
        hold: None,
        started_at: None,
        closed_at: None,
        end_of_run: None,
        displaced_by: None,
    };
    Stored { id: Uuid::from_u128(77), version: 1, created_at: start, updated_at: start, value }
}

fn figures(stored: &Stored<Booking>, turns_nl: f64) -> Figures {
    entry(stored, turns_nl).unwrap().figures
}

#[test]
fn months_are_those_of_the_zone() {
    let may: Month = "2026-05".parse().unwrap();
    // Berlin is two hours ahead in summer (Directive 2000/84/EC).
    let range = may.range(Tz::Europe__Berlin);
    assert_eq!((range.start(), range.end()), (at("2026-04-30T22:00:00Z"), at("2026-05-31T22:00:00Z")));
    assert_eq!(Month::of(at("2026-05-31T22:00:00Z"), Tz::Europe__Berlin).to_string(), "2026-06");
    assert_eq!("2026-12".parse::<Month>().unwrap().next().to_string(), "2027-01");
    for bad in
        ["2026", "2026-13", "2026-00", "26-05", "2026-5", "+026-05", "1969-12", "2099-01", "2026-05-01"]
    {
        assert_eq!(bad.parse::<Month>(), Err(BadMonth), "{bad}");
    }
}

/// Exact: 100 min are 1.666… h, told as 1.67; two stations are 3.34 h.
#[test]
fn a_booking_counts_as_booked_until_it_is_closed_out() {
    let mut stored = booking(100, 12.3456, 2, false);
    let told = figures(&stored, 99.0);
    assert_eq!((told.booked, told.logged, told.station_time), (167, 0, 334));
    assert_eq!((told.transfers, told.turns_ml, told.purge_ml), (2, 12_346, 0));
    stored.value.progress = Progress::ClosedOut;
    stored.value.started_at = Some(at("2026-05-04T08:10:00Z"));
    stored.value.closed_at = Some(at("2026-05-04T08:40:00Z"));
    let told = figures(&stored, 0.0);
    assert_eq!((told.booked, told.logged, told.time()), (0, 50, 50));
    // Written down a day late, it was in use until its end.
    stored.value.closed_at = Some(at("2026-05-05T08:40:00Z"));
    assert_eq!(figures(&stored, 0.0).logged, 150);
    stored.value.progress = Progress::NoShow;
    assert_eq!(entry(&stored, 0.0), None);
}

#[test]
fn gas_is_divided_between_turns_and_purge() {
    let shares = |transfers, purged, turns_nl| {
        let told = figures(&booking(60, 100.0, transfers, purged), turns_nl);
        (told.turns_ml, told.purge_ml)
    };
    assert_eq!(shares(2, true, 30.0), (30_000, 70_000));
    assert_eq!(shares(2, true, 130.0), (100_000, 0));
    assert_eq!(shares(2, false, 30.0), (100_000, 0));
    assert_eq!(shares(0, true, 30.0), (0, 100_000));
}

fn some_entry() -> impl Strategy<Value = Entry> {
    let figures = (-9_i64..1000, -9_i64..1000, -9_i64..1000, -99_i64..1_000_000, -99_i64..1_000_000)
        .prop_map(|(logged, booked, transfers, turns_ml, purge_ml)| Figures {
            bookings: 1,
            logged,
            booked,
            station_time: 2 * (logged + booked),
            transfers,
            turns_ml,
            purge_ml,
        });
    let charged =
        (0_u128..12, 0_usize..4, 0_u128..4, 0_u128..3).prop_map(|(booking, group, person, glovebox)| {
            let group = ["Batteries", "Films", "Glasses"].get(group).map(|name| Name::parse(name).unwrap());
            Charged {
                booking: Uuid::from_u128(booking).into(),
                group,
                person: Uuid::from_u128(person).into(),
                glovebox: Uuid::from_u128(glovebox).into(),
            }
        });
    (charged, figures).prop_map(|(charged, figures)| Entry { charged, figures })
}

proptest! {
    /// Summed another way: each booking's own litres and hours, one by one.
    #[test]
    fn the_parts_of_every_grouping_come_to_the_whole(
        raw in prop::collection::vec((1_i64..900, 0.0_f64..5000.0, 0_usize..4, any::<bool>(), 0.0_f64..900.0), 0..40)
    ) {
        let stored: Vec<_> = raw
            .iter()
            .map(|(minutes, gas, transfers, purged, turns)| (booking(*minutes, *gas, *transfers, *purged), *turns))
            .zip(0_u128..)
            .map(|((mut stored, turns), number)| {
                stored.id = Uuid::from_u128(number);
                stored.value.group =
                    ["Batteries", "Films"].get(usize::try_from(number % 3).unwrap()).map(|name| Name::parse(name).unwrap());
                stored.value.person = Uuid::from_u128(number % 5).into();
                stored.value.glovebox = Uuid::from_u128(number % 2).into();
                (stored, turns)
            })
            .collect();
        let entries: Vec<Entry> = stored.iter().filter_map(|(stored, turns)| entry(stored, *turns)).collect();
        let litres: i64 = raw.iter().map(|(_, gas, ..)| whole(gas * 1000.0)).sum();
        let whole = total(&entries);
        prop_assert_eq!((whole.gas_ml(), whole.bookings), (litres, i64::try_from(raw.len()).unwrap()));
        let exact: f64 = raw.iter().map(|(_, gas, ..)| gas).sum();
        // Half a millilitre a booking is rounded away at most.
        #[expect(clippy::cast_precision_loss, reason = "small numbers")]
        let told = whole.gas_ml() as f64 / 1000.0;
        #[expect(clippy::cast_precision_loss, reason = "small numbers")]
        let allowed = 0.000_51 * raw.len() as f64;
        prop_assert!((told - exact).abs() <= allowed);
        for by in Grouping::ALL {
            prop_assert_eq!(grouped(&entries, by).into_values().sum::<Figures>(), whole);
        }
    }

    #[test]
    fn what_was_said_with_its_corrections_is_what_is_known_now(
        said in prop::collection::vec(some_entry(), 0..20),
        now in prop::collection::vec(some_entry(), 0..20),
    ) {
        let mut corrected = said.clone();
        corrected.extend(corrections(&said, &now));
        for by in Grouping::ALL {
            let nothing = |(_, figures): &(Part, Figures)| *figures != Figures::default();
            let told: Vec<_> = grouped(&corrected, by).into_iter().filter(nothing).collect();
            let known: Vec<_> = grouped(&now, by).into_iter().filter(nothing).collect();
            prop_assert_eq!(told, known);
        }
        prop_assert_eq!(corrections(&corrected, &now), vec![]);
    }
}
