use super::*;
use crate::domain::names::Name;
use uuid::Uuid;

fn tag(text: &str) -> Tag {
    Tag::parse(text).unwrap()
}

fn cylinder(name: &str, state: CylinderState) -> KeptCylinder {
    KeptCylinder {
        supply: Uuid::from_u128(1).into(),
        supply_tag: tag("AR"),
        gas: SuppliedGas::Argon,
        changeover: GaugeBar::new(20.0).unwrap(),
        cylinder: Cylinder {
            id: Uuid::from_u128(2).into(),
            tag: tag(name),
            water_volume: Litres::new(50.0).unwrap(),
            fill: GaugeBar::new(200.0).unwrap(),
            state,
        },
        read: None,
        placed: true,
    }
}

fn read(bar: f64, celsius: f64) -> PressureRead {
    PressureRead {
        gauge: GaugeBar::new(bar).unwrap(),
        at: "2026-03-02T06:00:00Z".parse().unwrap(),
        temperature: Celsius::new(celsius).unwrap(),
        of_supply: false,
    }
}

fn glovebox(litres: f64, purge: f64) -> KeptBox {
    KeptBox {
        id: Uuid::from_u128(3).into(),
        tag: tag("LYNX"),
        gas: WorkingGas::Argon,
        volume: Litres::new(litres).unwrap(),
        purge_flow: LitresPerMinute::new(purge).unwrap(),
    }
}

fn room(volume: f64, changes: Option<f64>) -> RoomGas {
    RoomGas {
        room: Room {
            tag: tag("LAB-1"),
            name: Name::parse("Laboratory").unwrap(),
            volume: CubicMetres::new(volume).unwrap(),
            air_changes: changes.map(|n| PerHour::new(n).unwrap()),
            oxygen_monitor: false,
        },
        cylinders: Vec::new(),
        boxes: Vec::new(),
        fed_from_elsewhere: Vec::new(),
        nowhere: Vec::new(),
    }
}

fn assessed(gas: &RoomGas) -> RoomAssessment {
    assess(gas, Percent::new(DEFICIENT_PERCENT).unwrap()).unwrap()
}

fn case(found: &RoomAssessment, kind: ScenarioKind) -> &Scenario {
    found.scenarios.iter().find(|scenario| scenario.kind == kind).unwrap()
}

fn close(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value} is not {expected}");
}

/// 447.7 mol of argon by CoolProp's reference equation of state (50 L, 200 bar
/// gauge, 15 °C) at 24.04 L/mol fill 10.77 m³ at 20 °C and 1 atm; exact by
/// displacement: 20.95·(60 − 10.77)/60 = 17.19 %, in 30 m³ 13.43 %.
#[test]
fn a_full_cylinder_of_argon_takes_a_small_room_below_the_threshold() {
    for (volume, percent) in [(60.0, 17.19), (30.0, 13.43)] {
        let gas = RoomGas { cylinders: vec![cylinder("C1", CylinderState::Full)], ..room(volume, None) };
        let found = assessed(&gas);
        let largest = case(&found, ScenarioKind::LargestCylinder);
        close(largest.released_m3.unwrap(), 10.77, 0.02);
        close(largest.oxygen.lowest_oxygen_percent, percent, 0.02);
        // Exact: 20.95·exp(−10.77/V).
        let mixed = 20.95 * (-10.77_f64 / volume).exp();
        close(largest.oxygen.mixed_oxygen_percent.unwrap(), mixed, 0.02);
        assert!(largest.oxygen.below_19_5 && largest.oxygen.below_threshold);
        assert_eq!(found.lowest_oxygen_percent, Some(largest.oxygen.lowest_oxygen_percent));
        assert_eq!(found.cylinders[0].basis, Basis::Filling);
    }
}

#[test]
fn each_case_counts_what_it_says() {
    let states =
        [CylinderState::Connected, CylinderState::Standby, CylinderState::Full, CylinderState::Empty];
    let gas = RoomGas {
        cylinders: ["C1", "C2", "C3", "C4"]
            .into_iter()
            .zip(states)
            .map(|(name, state)| cylinder(name, state))
            .collect(),
        boxes: vec![glovebox(1200.0, 120.0), glovebox(800.0, 80.0)],
        ..room(200.0, Some(8.0))
    };
    let found = assessed(&gas);
    let one = found.cylinders[0].volume_m3;
    // Exact: the boxes hold 1.2 + 0.8 m³.
    close(case(&found, ScenarioKind::LargestCylinder).released_m3.unwrap(), one, 1e-9);
    close(case(&found, ScenarioKind::EverythingConnected).released_m3.unwrap(), one + 2.0, 1e-9);
    close(case(&found, ScenarioKind::EverythingKept).released_m3.unwrap(), 3.0 * one + 2.0, 1e-9);
    // The emptied one is shown with what its changeover pressure leaves in it.
    let emptied = &found.cylinders[3];
    assert!(!emptied.counted() && emptied.basis == Basis::Changeover);
    assert!((0.9..1.2).contains(&emptied.volume_m3), "{emptied:?}");
}

#[test]
fn a_broken_line_is_followed_with_the_ventilation_failed_before_it_runs() {
    // Exact: 120 L/min are 7.2 m³/h; 20.95·800/(800 + 7.2) = 20.763 % at 8 changes in 100 m³.
    let gas =
        RoomGas { boxes: vec![glovebox(1200.0, 120.0), glovebox(900.0, 60.0)], ..room(100.0, Some(8.0)) };
    let found = assessed(&gas);
    let lines: Vec<&Scenario> =
        found.scenarios.iter().filter(|scenario| scenario.kind == ScenarioKind::BrokenLine).collect();
    assert_eq!(lines.len(), 2);
    assert!(!lines[0].ventilated && lines[1].ventilated);
    close(lines[0].release_m3_h.unwrap(), 7.2, 1e-9);
    close(lines[0].oxygen.lowest_oxygen_percent, 0.0, 1e-12);
    // Exact: 100·(1 − 19.5/20.95)/7.2 h until 19.5 % by displacement.
    close(lines[0].oxygen.hours_to_threshold_unventilated.unwrap(), 0.961_3, 1e-4);
    close(lines[1].oxygen.lowest_oxygen_percent, 20.763, 5e-4);
    assert!(found.scenarios.iter().rev().skip(1).all(|scenario| !scenario.ventilated));
    let unknown = assessed(&RoomGas { room: room(100.0, None).room, ..gas });
    assert!(unknown.scenarios.iter().all(|scenario| !scenario.ventilated));
    assert!(unknown.evidence.notes.iter().any(|note| note.contains("no air changes are on record")));
}

#[test]
fn more_gas_than_room_leaves_nothing_rather_than_less() {
    let many = (1..=9).map(|number| cylinder(&format!("C{number}"), CylinderState::Connected)).collect();
    let found = assessed(&RoomGas { cylinders: many, ..room(30.0, None) });
    let all = case(&found, ScenarioKind::EverythingKept);
    assert!(all.released_m3.unwrap() > 30.0);
    close(all.oxygen.lowest_oxygen_percent, 0.0, 1e-12);
    assert!(all.oxygen.mixed_oxygen_percent.unwrap() > 0.0);
    assert_eq!(found.cautions[0].code, "fills_room");
}

#[test]
fn a_pressure_read_counts_with_its_temperature_and_time() {
    // CoolProp's reference equation: the same argon reads 200 bar at 10 °C and 222.3 bar at 30 °C.
    let cold = KeptCylinder { read: Some(read(200.0, 10.0)), ..cylinder("C1", CylinderState::Connected) };
    let warm = KeptCylinder { read: Some(read(222.3, 30.0)), ..cylinder("C2", CylinderState::Connected) };
    let found = assessed(&RoomGas { cylinders: vec![cold, warm], ..room(100.0, None) });
    let [cold, warm] = found.cylinders.as_slice() else { panic!("{found:?}") };
    close(cold.volume_m3 / warm.volume_m3, 1.0, 0.0025);
    assert_eq!((cold.basis, cold.read_at), (Basis::Reading, Some(read(1.0, 1.0).at)));
}

#[test]
fn a_cylinder_on_record_as_full_counts_as_full() {
    let low = KeptCylinder { read: Some(read(18.0, 20.0)), ..cylinder("C1", CylinderState::Full) };
    let found = assessed(&RoomGas { cylinders: vec![low], ..room(100.0, None) });
    assert_eq!(found.cylinders[0].basis, Basis::Filling);
    assert!(found.evidence.notes.iter().any(|note| note.contains("AR/C1 is on record as full")));
    let high = KeptCylinder { read: Some(read(205.0, 15.0)), ..cylinder("C1", CylinderState::Full) };
    let found = assessed(&RoomGas { cylinders: vec![high], ..room(100.0, None) });
    assert_eq!(found.cylinders[0].basis, Basis::Reading);
}

#[test]
fn a_reading_outside_the_method_gives_way_to_the_filling() {
    let vacuum = KeptCylinder { read: Some(read(-1.09, 20.0)), ..cylinder("C1", CylinderState::Connected) };
    let found = assessed(&RoomGas { cylinders: vec![vacuum], ..room(100.0, None) });
    assert_eq!(found.cylinders[0].basis, Basis::Filling);
    assert!(found.evidence.notes[0].contains("cannot be used"), "{:?}", found.evidence.notes);
}

#[test]
fn what_always_holds_is_always_said() {
    let unplaced = KeptCylinder { placed: false, ..cylinder("C1", CylinderState::Connected) };
    let full = RoomGas {
        cylinders: vec![unplaced.clone(), unplaced],
        fed_from_elsewhere: vec![tag("N2")],
        nowhere: vec![tag("REGEN")],
        ..room(100.0, None)
    };
    for gas in [room(100.0, None), full.clone()] {
        let said: Vec<&str> = assessed(&gas).cautions.iter().map(|caution| caution.code).collect();
        for always in [
            "ventilation_failed_first",
            "no_sense_detects",
            "argon_pools",
            "light_gas_rises",
            "no_oxygen_monitor_on_record",
            "screening_only",
            "local_codes_decide",
        ] {
            assert!(said.contains(&always), "{said:?} lacks {always}");
        }
    }
    let bare = assessed(&room(100.0, None));
    assert!(bare.scenarios.is_empty() && bare.lowest_oxygen_percent.is_none());
    assert!(bare.cautions.iter().any(|caution| caution.code == "no_gas_on_record"));
    let found = assessed(&full);
    let text = |code: &str| found.cautions.iter().find(|caution| caution.code == code).unwrap().text.clone();
    assert!(text("supply_without_room").starts_with("No room is on record for AR, which"));
    assert!(text("fed_from_another_room").starts_with("N2 stands"));
    assert!(text("supply_counted_nowhere").contains("REGEN"));
}

#[test]
fn a_site_names_its_own_threshold() {
    // Exact: 20.95·(1 − 10.77/100) = 18.69 % lies between 18 and 19.5 %.
    let gas = RoomGas { cylinders: vec![cylinder("C1", CylinderState::Connected)], ..room(100.0, None) };
    let own = Percent::new(18.0).unwrap();
    let found = assess(&gas, own).unwrap();
    let oxygen = &case(&found, ScenarioKind::LargestCylinder).oxygen;
    assert!(oxygen.below_19_5 && !oxygen.below_threshold);
    assert!(!is_default(own) && is_default(Percent::new(19.5).unwrap()));
}
