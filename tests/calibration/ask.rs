//! Where the simulations meet drykeep: a case is put as the service would
//! load it, and its dates are read off. All that follows the domain's
//! interface is here.

use crate::drift::DriftCase;
use crate::gas::{CHANGEOVER_BAR, CYLINDER_L, FILL_BAR, GasCase};
use crate::score::Dates;
use crate::uptake::UptakeCase;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use drykeep::domain::calendar::{Interval, Length};
use drykeep::domain::facility::{Cylinder, CylinderState, GasSupply, MeasuredQuantity};
use drykeep::domain::names::{Name, Tag, Word};
use drykeep::domain::quantity::{Celsius, CubicMetresPerHour, Fraction, GaugeBar, Litres, Moles};
use drykeep::domain::upkeep::circulation::PurifierHistory;
use drykeep::domain::upkeep::contents::{SupplyHistory, forecast};
use drykeep::domain::upkeep::due::{History, Subject};
use drykeep::domain::upkeep::evidence::DueDates;
use drykeep::domain::upkeep::services::{Relation, ServiceNote};
use drykeep::domain::upkeep::use_ahead::GasUse;
use drykeep::domain::upkeep::{
    AppliesTo, Closes, Limit, PartKind, Sample, SensorReadings, Species, Trigger, UpkeepRule, compute,
};
use std::collections::BTreeMap;
use uuid::Uuid;

/// A level must stay above its limit for so many hours to be due.
pub(crate) const SUSTAINED_HOURS: f64 = 6.0;

/// An hour of the simulations as a moment; hour nought is a Monday's midnight.
fn moment(hour: f64) -> DateTime<Utc> {
    let monday: DateTime<Utc> = "2026-01-05T00:00:00Z".parse().unwrap();
    monday + TimeDelta::seconds((hour * 3600.0).round() as i64)
}

fn samples(readings: &[(f64, f64)]) -> Vec<Sample> {
    readings.iter().map(|(at, value)| Sample { at: moment(*at), value: *value }).collect()
}

/// Hours from now.
fn dates(due: DueDates, now: f64) -> Dates {
    let hours = |at: DateTime<Utc>| (at - moment(now)).num_seconds() as f64 / 3600.0;
    Dates { earliest: due.earliest.map(hours), likely: hours(due.likely), latest: due.latest.map(hours) }
}

/// When drykeep says that the supply is down to its changeover pressure.
pub(crate) fn gas(case: &GasCase) -> Option<Dates> {
    let cylinder = |number: u8| Cylinder {
        id: Uuid::from_u128(u128::from(number) + 1).into(),
        tag: Tag::parse(&format!("C-{number}")).unwrap(),
        water_volume: Litres::new(CYLINDER_L).unwrap(),
        fill: GaugeBar::new(FILL_BAR).unwrap(),
        state: CylinderState::Connected,
    };
    let uses = case.bookings.iter().map(|booking| GasUse {
        interval: Interval::new(moment(booking.start), moment(booking.end)).unwrap(),
        computed_mol: booking.turns.iter().map(|turn| turn.size * case.turn_mol).sum(),
        booked_at: moment(booking.booked_at()),
    });
    let history = SupplyHistory {
        supply: GasSupply {
            tag: Tag::parse("PANEL").unwrap(),
            name: Name::parse("Panel").unwrap(),
            gas: case.gas,
            changeover: GaugeBar::new(CHANGEOVER_BAR).unwrap(),
            temperature: Celsius::new(case.stated_c).unwrap(),
            lead_time: None,
            room: None,
            cylinders: (0..case.cylinders).map(cylinder).collect(),
        },
        gauge: samples(&case.gauge),
        former: Vec::new(),
        standby_gauge: BTreeMap::new(),
        temperature: samples(&case.temperature),
        swaps: case.swaps.iter().map(|swap| moment(*swap)).collect(),
        uses: uses.collect(),
    };
    forecast(&history, moment(case.now)).empty.map(|due| dates(due, case.now))
}

/// When drykeep says that the level has stayed above the limit for long enough.
pub(crate) fn drift(case: &DriftCase) -> Option<Dates> {
    let trigger = Trigger::Condition {
        quantity: case.quantity,
        limit: Limit::new(case.limit).unwrap(),
        sustained: Some(Length::parse(&format!("PT{SUSTAINED_HOURS}H")).unwrap()),
    };
    let mut history = History::empty(Tz::UTC);
    history.readings.insert(case.quantity, one_sensor(&case.readings));
    asked("filter_change", PartKind::Glovebox, trigger, history, case.reset, case.now)
}

/// When drykeep says that the purifier has taken up four fifths of its capacity.
pub(crate) fn uptake(case: &UptakeCase) -> Option<Dates> {
    let trigger = Trigger::Uptake { species: Species::Oxygen, fraction: Fraction::new(0.8).unwrap() };
    let mut history = History::empty(Tz::UTC);
    history.readings.insert(MeasuredQuantity::OxygenPpm, one_sensor(&case.level));
    let off = case.bookings.iter().filter(|booking| booking.circulation_off).map(|booking| GasUse {
        interval: Interval::new(moment(booking.start), moment(booking.end)).unwrap(),
        computed_mol: 0.0,
        booked_at: moment(booking.booked_at()),
    });
    history.purifier = Some(PurifierHistory {
        circulation: CubicMetresPerHour::new(case.flow_m3_h).unwrap(),
        oxygen_capacity: Some(Moles::new(case.limit_mol / 0.8).unwrap()),
        water_capacity: None,
        flow: if case.flow.is_empty() { Vec::new() } else { one_sensor(&case.flow) },
        temperature: Vec::new(),
        off: off.collect(),
        brought: Vec::new(),
    });
    asked("purifier_regeneration", PartKind::Purifier, trigger, history, case.regenerated, case.now)
}

fn one_sensor(readings: &[(f64, f64)]) -> Vec<SensorReadings> {
    vec![SensorReadings::new("", samples(readings))]
}

/// The dates of a rule with one trigger on a part that was served once.
fn asked(
    task: &str,
    kind: PartKind,
    trigger: Trigger,
    mut history: History,
    served: f64,
    now: f64,
) -> Option<Dates> {
    let task = Word::parse(task).unwrap();
    history.services.push(ServiceNote {
        relation: Relation::Itself,
        task: task.clone(),
        done_at: moment(served),
        failed: false,
        calls_for: Vec::new(),
        replaced: false,
        restarts: None,
    });
    let rule = UpkeepRule {
        task,
        applies_to: AppliesTo::all(kind),
        triggers: vec![trigger],
        duration: Length::parse("PT1H").unwrap(),
        unattended: None,
        finish: None,
        purge_dilution: None,
        closes: Closes::Nothing,
        people: 1,
        competence: None,
        consumables: Vec::new(),
        approach: Length::parse("P14D").unwrap(),
        safety: false,
    };
    let subject = Subject {
        id: Uuid::from_u128(7).into(),
        kind,
        tag: "LYNX".to_owned(),
        glovebox: None,
        created_at: moment(0.0),
    };
    let item = compute(Uuid::nil().into(), &rule, &subject, &history, moment(now));
    item.due.map(|due| dates(due, now))
}
