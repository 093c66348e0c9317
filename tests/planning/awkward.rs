//! Whatever is drawn, an answer is valid, the same for one seed, and no
//! budget is too small for one.

use crate::instance::{ABooking, ABox, APerson, ATask, AWindow, Instance, base};
use drykeep::domain::facility::WorkingGas;
use drykeep::domain::planning::{Plan, Request, Steps, propose, validate};
use drykeep::domain::upkeep::due::DueState;
use proptest::prelude::*;

fn minute(days: i64) -> impl Strategy<Value = i64> {
    // Often on the quarter, sometimes off it, sometimes outside the horizon.
    prop_oneof![(0..days * 96).prop_map(|quarter| quarter * 15), -600..days * 1440 + 600]
}

fn span(days: i64) -> impl Strategy<Value = (i64, i64)> {
    // Without length, too.
    (minute(days), prop_oneof![Just(0), 1_i64..700, Just(2880)])
        .prop_map(|(start, length)| (start, start + length))
}

prop_compose! {
    fn task(days: i64)(
        glovebox in proptest::option::weighted(0.9, 0_usize..3),
        (attended, unattended, finish, purge) in (0_i64..180, prop_oneof![Just(0), 0_i64..1200], 0_i64..60, 0_i64..90),
        closes in prop_oneof![Just("box"), Just("station"), Just("nothing")],
        (people, needs, regeneration, safety) in (0_u8..3, any::<bool>(), any::<bool>(), proptest::bool::weighted(0.15)),
        competence in proptest::option::of(Just("a".to_owned())),
        act_by in proptest::option::of(-1440..days * 1440 + 1440),
    ) -> ATask {
        ATask {
            task: "x".to_owned(),
            glovebox,
            attended,
            unattended,
            finish,
            purge,
            closes: if glovebox.is_none() { "nothing" } else { closes }.to_owned(),
            people,
            competence,
            needs: if needs { vec![("glove pair".to_owned(), 1000)] } else { Vec::new() },
            regeneration,
            earliest: act_by,
            act_by,
            safety,
            state: DueState::Due,
        }
    }
}

prop_compose! {
    fn instance()(days in 1_i64..4)(
        stations in proptest::collection::vec(1_usize..3, 3),
        tasks in proptest::collection::vec(task(days), 0..7),
        people in proptest::collection::vec(
            (proptest::collection::vec(span(days), 0..4), proptest::collection::vec(span(days), 0..2), any::<bool>()),
            0..4,
        ),
        windows in proptest::collection::vec((span(days), proptest::option::of(0_usize..3), proptest::option::of(0_i64..2000)), 0..8),
        bookings in proptest::collection::vec((span(days), 0_usize..3, any::<bool>()), 0..8),
        stock in proptest::collection::vec((minute(days), 0_i64..3000), 0..3),
        least in 0_u32..3,
        days in Just(days),
    ) -> Instance {
        Instance {
            boxes: stations.into_iter().map(|stations| ABox { gas: WorkingGas::Argon, stations }).collect(),
            people: people.into_iter().map(|(working, absent, able)| APerson {
                working,
                absent,
                competences: able.then(|| "a".to_owned()).into_iter().collect(),
            }).collect(),
            windows: windows.into_iter().map(|((start, end), glovebox, notice)| AWindow {
                start,
                end,
                boxes: glovebox.map(|one| vec![one]),
                tasks: Vec::new(),
                notice,
            }).collect(),
            bookings: bookings.into_iter().map(|((start, end), glovebox, tentative)| ABooking {
                glovebox,
                station: 0,
                start,
                end,
                tentative,
                equal: !tentative,
            }).collect(),
            tasks,
            stock,
            open_minimum: [(WorkingGas::Argon, least)].into(),
            ..Instance::empty(days)
        }
    }
}

fn check(instance: &Instance, plan: &Plan) {
    let faults = validate::faults(&instance.snapshot(), &Request::default(), base(), plan);
    assert_eq!(faults, Vec::<String>::new());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn every_answer_is_valid_and_the_same_for_one_seed(instance in instance(), steps in 1_u64..2000) {
        let snapshot = instance.snapshot();
        let ask = || propose(&snapshot, &Request::default(), base(), 3, &mut Steps(steps));
        let answer = ask();
        if let Ok(plan) = &answer {
            check(&instance, plan);
        }
        prop_assert_eq!(answer, ask());
    }

    #[test]
    fn more_search_never_costs_more(instance in instance()) {
        let snapshot = instance.snapshot();
        let ask = |steps| propose(&snapshot, &Request::default(), base(), 3, &mut Steps(steps)).map(|plan| plan.cost);
        if let (Ok(little), Ok(much)) = (ask(2), ask(3000)) {
            prop_assert!(much <= little);
        }
    }
}

#[test]
fn nothing_to_place_is_a_plan_without_visits() {
    let instance = Instance::empty(1);
    let plan = propose(&instance.snapshot(), &Request::default(), base(), 0, &mut Steps(10)).unwrap();
    assert_eq!((plan.visits.len(), plan.cost, plan.lower_bound), (0, 0, 0));
}
