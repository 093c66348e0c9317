use super::*;
use crate::domain::names::Tag;
use uuid::Uuid;

fn now() -> DateTime<Utc> {
    "2026-03-02T12:00:00Z".parse().unwrap()
}

fn raw() -> RawReading<'static> {
    RawReading {
        subject: Some("LYNX"),
        quantity: Some("oxygen_ppm"),
        at: Some("2026-03-02T12:00:00+01:00"),
        value: Some(0.4),
        unit: None,
        sensor: None,
    }
}

fn fault_of(raw: RawReading<'_>) -> &'static str {
    let mut batch = Batch::received_at(now());
    batch.push(Ok(raw));
    batch.rejected().first().map_or("none", |rejected| rejected.fault.code())
}

#[test]
fn a_good_row_is_taken_with_its_time_in_utc() {
    let mut batch = Batch::received_at(now());
    batch.push(Ok(raw()));
    let row = batch.rows()[0];
    assert_eq!(row.at, "2026-03-02T11:00:00Z".parse::<DateTime<Utc>>().unwrap());
    assert_eq!(batch.subjects(), [Reference::Tag(Tag::parse("LYNX").unwrap())]);
    assert_eq!(batch.sensors()[row.sensor], "");
}

#[test]
fn each_bad_row_is_told_why_and_spoils_no_other() {
    assert_eq!(fault_of(RawReading { subject: None, ..raw() }), "missing_field");
    assert_eq!(fault_of(RawReading { subject: Some("lynx"), ..raw() }), "unknown_subject");
    assert_eq!(fault_of(RawReading { quantity: Some("happiness"), ..raw() }), "unknown_quantity");
    assert_eq!(fault_of(RawReading { at: Some("2026-03-02T11:00:00"), ..raw() }), "bad_time");
    assert_eq!(fault_of(RawReading { value: Some(-0.1), ..raw() }), "implausible_value");
    assert_eq!(fault_of(RawReading { value: Some(f64::NAN), ..raw() }), "not_finite");
    assert_eq!(fault_of(RawReading { unit: Some("mbar"), ..raw() }), "unknown_unit");
    assert_eq!(fault_of(RawReading { sensor: Some("\u{7}"), ..raw() }), "bad_sensor");
    let mut batch = Batch::received_at(now());
    batch.push(Err(RowFault::Malformed("no row".to_owned())));
    batch.push(Ok(raw()));
    assert_eq!((batch.count(), batch.rows()[0].index, batch.rejected()[0].index), (2, 1, 0));
}

#[test]
fn times_of_the_future_and_of_clocks_never_set_are_refused() {
    let at = |text| fault_of(RawReading { at: Some(text), ..raw() });
    assert_eq!(at("2026-03-02T12:05:00Z"), "none");
    assert_eq!(at("2026-03-02T12:05:00.000001Z"), "in_the_future");
    assert_eq!(at("2000-01-01T00:00:00Z"), "none");
    assert_eq!(at("1999-12-31T23:59:59Z"), "too_old");
    // RFC 3339, section 5.8: a leap second.
    assert_eq!(at("2016-12-31T23:59:60Z"), "none");
}

#[test]
fn subjects_and_sensors_are_kept_once() {
    let mut batch = Batch::received_at(now());
    for (subject, sensor) in [("LYNX", "a"), ("OTTER", "b"), ("LYNX", "a"), ("LYNX", "")] {
        batch.push(Ok(RawReading { subject: Some(subject), sensor: Some(sensor), ..raw() }));
    }
    assert_eq!(batch.subjects().len(), 2);
    assert_eq!(batch.sensors(), ["", "a", "b"]);
    assert_eq!(batch.rows().iter().map(|row| row.sensor).collect::<Vec<_>>(), [1, 2, 1, 0]);
}

#[test]
fn the_subject_is_the_thing_the_quantity_is_read_at() {
    let thing = |number, kind| Thing { id: Uuid::from_u128(number), kind, parent: None, tag: None };
    let reference: Reference = "LARGE".parse().unwrap();
    let chambers = [thing(1, ThingKind::Antechamber), thing(2, ThingKind::Antechamber)];
    let pick = |found: &[Thing]| {
        subject(MeasuredQuantity::PumpHours, &reference, found).map(|thing| thing.id).map_err(|e| e.code())
    };
    assert_eq!(pick(&chambers[..1]), Ok(Uuid::from_u128(1)));
    assert_eq!(pick(&chambers), Err("ambiguous_subject"));
    assert_eq!(pick(&[]), Err("unknown_subject"));
    assert_eq!(pick(&[thing(3, ThingKind::Room)]), Err("wrong_subject"));
    assert_eq!(pick(&[thing(3, ThingKind::Room), chambers[0].clone()]), Ok(Uuid::from_u128(1)));
}

#[test]
fn a_warm_cylinder_is_believed_and_an_overfull_one_is_not() {
    let check = |value, fill| check_rating(MeasuredQuantity::GaugeBar, value, fill).map_err(|e| e.code());
    // CoolProp 8.0.0: argon at 200 bar and 10 °C reads 222.3 bar at 30 °C.
    assert_eq!(check(222.3, Some(200.0)), Ok(()));
    assert_eq!(check(230.0, Some(200.0)), Ok(()));
    assert_eq!(check(230.1, Some(200.0)), Err("above_rating"));
    assert_eq!(check(400.0, None), Ok(()));
    assert!(check_rating(MeasuredQuantity::OxygenPpm, 400.0, Some(200.0)).is_ok());
}

#[test]
fn a_trace_of_exactly_nothing_is_flagged() {
    assert_eq!(flag(MeasuredQuantity::OxygenPpm, 0.0), Some("zero"));
    assert_eq!(flag(MeasuredQuantity::OxygenPpm, 0.01), None);
    assert_eq!(flag(MeasuredQuantity::GaugeBar, 0.0), None);
}

#[test]
fn oxygen_at_a_hundred_ppm_calls_for_action() {
    // 100 ppm closes a box: common practice, no source.
    let reached = |value| action_level_reached(&Limits::default(), MeasuredQuantity::OxygenPpm, value);
    assert!(reached(100.0).is_some());
    assert_eq!(reached(99.999), None);
    assert_eq!(action_level_reached(&Limits::default(), MeasuredQuantity::GaugeBar, 1e3), None);
}

#[test]
fn neither_a_history_nor_what_was_released_closes_a_box() {
    let ago = |hours| now() - TimeDelta::hours(hours);
    assert!(closes_the_box(ago(24), now(), None));
    assert!(!closes_the_box(ago(25), now(), None));
    assert!(closes_the_box(ago(1), now(), Some(ago(2))));
    assert!(!closes_the_box(ago(2), now(), Some(ago(2))));
}
