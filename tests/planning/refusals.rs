//! Refusals name the rules in the way, and what-if questions are obeyed.

use crate::instance::{ABox, APerson, ATask, AWindow, Instance, at, base, task_id};
use drykeep::domain::facility::WorkingGas;
use drykeep::domain::planning::snapshot::{Forbid, Pin};
use drykeep::domain::planning::{Plan, Refusal, Request, RuleFamily, Steps, propose, validate};
use drykeep::domain::upkeep::due::DueState;

/// One box, one safety task of an hour, one competent person, a window a day
/// from eight to noon for four days.
fn simple() -> Instance {
    let mut instance = Instance::empty(4);
    instance.boxes.push(ABox { gas: WorkingGas::Argon, stations: 1 });
    instance.people.push(APerson {
        working: (0..4).map(|day| (day * 1440 + 480, day * 1440 + 960)).collect(),
        absent: Vec::new(),
        competences: vec!["a".to_owned()],
    });
    instance.windows = (0..4)
        .map(|day| AWindow {
            start: day * 1440 + 480,
            end: day * 1440 + 720,
            boxes: None,
            tasks: Vec::new(),
            notice: None,
        })
        .collect();
    instance.tasks.push(ATask {
        task: "leak_test".to_owned(),
        glovebox: Some(0),
        attended: 60,
        unattended: 0,
        finish: 0,
        purge: 0,
        closes: "box".to_owned(),
        people: 1,
        competence: Some("a".to_owned()),
        needs: vec![("glove pair".to_owned(), 1000)],
        regeneration: false,
        earliest: None,
        act_by: Some(3 * 1440),
        safety: true,
        state: DueState::Approaching,
    });
    instance
}

fn asked(instance: &Instance, request: &Request) -> Result<Plan, Box<Refusal>> {
    let snapshot = instance.snapshot();
    let found = propose(&snapshot, request, base(), 1, &mut Steps(10_000));
    if let Ok(plan) = &found {
        assert_eq!(validate::faults(&snapshot, request, base(), plan), Vec::<String>::new());
    }
    found
}

fn in_the_way(instance: &Instance, request: &Request) -> Vec<RuleFamily> {
    let refusal = asked(instance, request).unwrap_err();
    assert!(refusal.proved, "{}", refusal.summary);
    refusal.in_the_way.iter().map(|way| way.family).collect()
}

#[test]
fn without_stock_the_refusal_names_the_stock() {
    let mut instance = simple();
    instance.stock = vec![(0, 0), (3 * 1440, 1000)];
    assert_eq!(in_the_way(&instance, &Request::default()), [RuleFamily::Stock, RuleFamily::ActBy]);
    let refusal = asked(&instance, &Request::default()).unwrap_err();
    assert!(refusal.summary.contains("stock: not enough glove pair"), "{}", refusal.summary);
    assert!(refusal.in_the_way.iter().all(|way| way.suffices));
}

#[test]
fn without_a_competent_person_the_refusal_names_the_competence() {
    let mut instance = simple();
    instance.people[0].competences.clear();
    assert_eq!(in_the_way(&instance, &Request::default()), [RuleFamily::Competence]);
}

#[test]
fn without_a_window_the_refusal_names_the_windows() {
    let mut instance = simple();
    for window in &mut instance.windows {
        window.tasks = vec!["glove_change".to_owned()];
    }
    assert_eq!(in_the_way(&instance, &Request::default()), [RuleFamily::Windows]);
}

#[test]
fn without_people_the_refusal_names_the_working_time() {
    let mut instance = simple();
    instance.people.clear();
    assert_eq!(in_the_way(&instance, &Request::default()), [RuleFamily::WorkingTime]);
}

#[test]
fn two_that_fit_alone_but_not_together_are_both_named() {
    let mut instance = simple();
    instance.boxes.push(ABox { gas: WorkingGas::Argon, stations: 1 });
    let mut other = instance.tasks[0].clone();
    other.glovebox = Some(1);
    instance.tasks.push(other);
    instance.windows.truncate(1);
    instance.windows[0].end = instance.windows[0].start + 60;
    let refusal = asked(&instance, &Request::default()).unwrap_err();
    assert_eq!(refusal.tasks, [task_id(0), task_id(1)]);
    let families: Vec<RuleFamily> = refusal.in_the_way.iter().map(|way| way.family).collect();
    // With a second person, or more windows, both would fit.
    assert!(families.contains(&RuleFamily::Windows), "{families:?}");
}

/// As many boxes as there are hours before all is to be done, and one more.
fn one_too_many() -> Instance {
    let mut instance = simple();
    instance.boxes = vec![ABox { gas: WorkingGas::Argon, stations: 1 }; 13];
    let task = instance.tasks[0].clone();
    instance.tasks = (0..13)
        .map(|glovebox| ATask { glovebox: Some(glovebox), needs: Vec::new(), ..task.clone() })
        .collect();
    instance
}

#[test]
fn what_fits_but_for_one_is_refused_whole_and_a_little_time_says_less_not_more() {
    let instance = one_too_many();
    // Three days with four hours of window and one person: twelve of thirteen fit.
    let refusal = asked(&instance, &Request::default()).unwrap_err();
    assert!(refusal.proved, "{}", refusal.summary);
    assert_eq!(refusal.tasks.len(), 13);
    let all: Vec<RuleFamily> = refusal.in_the_way.iter().map(|way| way.family).collect();
    assert!(all.contains(&RuleFamily::ActBy), "{all:?}");
    for steps in 1..60 {
        let found =
            propose(&instance.snapshot(), &Request::default(), base(), 1, &mut Steps(steps)).unwrap_err();
        assert!(!found.tasks.is_empty());
        assert!(found.in_the_way.iter().all(|way| all.contains(&way.family)), "{}", found.summary);
    }
}

#[test]
fn a_pin_is_kept_and_a_time_kept_free_stays_free() {
    let instance = simple();
    let pinned =
        Request { pins: vec![Pin { task: task_id(0), start: at(1440 + 600) }], ..Request::default() };
    assert_eq!(asked(&instance, &pinned).unwrap().visits[0].interval.start(), at(1440 + 600));
    let day = drykeep::domain::calendar::Interval::new(at(0), at(2 * 1440)).unwrap();
    let forbidden =
        Request { forbids: vec![Forbid { task: None, place: None, interval: day }], ..Request::default() };
    assert!(asked(&instance, &forbidden).unwrap().visits[0].interval.start() >= at(2 * 1440));
    let both = Request { forbids: forbidden.forbids, ..pinned };
    assert_eq!(in_the_way(&instance, &both), [RuleFamily::WhatIf]);
}

#[test]
fn a_pin_off_the_grid_is_refused_by_name() {
    let pinned = Request { pins: vec![Pin { task: task_id(0), start: at(607) }], ..Request::default() };
    assert_eq!(in_the_way(&simple(), &pinned), [RuleFamily::WhatIf]);
}

#[test]
fn every_visit_says_why_and_what_else_there_was() {
    let plan = asked(&simple(), &Request::default()).unwrap();
    let visit = &plan.visits[0];
    assert!(visit.reasons.iter().any(|reason| reason.contains("before it has to be")));
    let next = visit.next_best.unwrap();
    assert_ne!(next.start, visit.interval.start());
    assert!(next.more >= 0);
}
