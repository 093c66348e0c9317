//! Large instances against OR-tools CP-SAT with a minute on two cores.
//!
//! `tests/reference/plans_large.json` holds sixty tasks in eight weeks on
//! twenty boxes among 1500 bookings, of several kinds, in a form that does not
//! repeat names; `tests/reference/generate_plans.py` names versions and seed.

use crate::instance::{ABooking, ABox, APerson, ATask, AWindow, Instance, base};
use drykeep::domain::facility::WorkingGas;
use drykeep::domain::planning::{Budget, Request, Steps, propose, validate};
use drykeep::domain::upkeep::due::DueState;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

const DAY: i64 = 1440;

#[derive(Deserialize)]
struct Reference {
    instances: Vec<Packed>,
}

/// Start and end from the day's beginning, box, tasks, notice; the days.
type Windows = (i64, i64, usize, Vec<String>, Option<i64>, Vec<i64>);

/// Kind, box, people, earliest, act by, safety.
type Row = (usize, usize, u8, i64, i64, bool);

/// Box and station; start, length, tentative (1) and equal opening (2).
type Bookings = (usize, usize, Vec<(i64, i64, u8)>);

#[derive(Deserialize)]
struct Packed {
    name: String,
    grid: i64,
    days: i64,
    boxes: Vec<ABox>,
    people: Vec<PackedPerson>,
    windows: Vec<Windows>,
    kinds: Vec<Kind>,
    tasks: Vec<Row>,
    bookings: Vec<Bookings>,
    stock: Vec<(i64, i64)>,
    open_minimum: BTreeMap<WorkingGas, u32>,
    reached: i64,
    bound: i64,
}

#[derive(Deserialize)]
struct PackedPerson {
    days: Vec<i64>,
    competences: Vec<String>,
}

#[derive(Deserialize)]
struct Kind {
    task: String,
    attended: i64,
    unattended: i64,
    finish: i64,
    purge: i64,
    closes: String,
    competence: Option<String>,
    needs: Vec<(String, i64)>,
    regeneration: bool,
    state: DueState,
}

fn instances() -> Vec<Packed> {
    let text = include_str!("../reference/plans_large.json");
    serde_json::from_str::<Reference>(text).unwrap().instances
}

impl Packed {
    fn instance(&self) -> Instance {
        Instance {
            grid: self.grid,
            boxes: self.boxes.clone(),
            people: self.people.iter().map(PackedPerson::person).collect(),
            windows: self.windows.iter().flat_map(windows).collect(),
            tasks: self.tasks.iter().map(|row| self.task(*row)).collect(),
            bookings: self.bookings.iter().flat_map(|(b, s, rows)| bookings(*b, *s, rows)).collect(),
            stock: self.stock.clone(),
            open_minimum: self.open_minimum.clone(),
            ..Instance::empty(self.days)
        }
    }

    fn task(&self, row: Row) -> ATask {
        let (kind, glovebox, people, earliest, act_by, safety) = row;
        let kind = &self.kinds[kind];
        ATask {
            task: kind.task.clone(),
            glovebox: Some(glovebox),
            attended: kind.attended,
            unattended: kind.unattended,
            finish: kind.finish,
            purge: kind.purge,
            closes: kind.closes.clone(),
            people,
            competence: kind.competence.clone(),
            needs: kind.needs.clone(),
            regeneration: kind.regeneration,
            earliest: Some(earliest),
            act_by: Some(act_by),
            safety,
            state: kind.state,
        }
    }
}

impl PackedPerson {
    /// At work from eight to half past four.
    fn person(&self) -> APerson {
        APerson {
            working: self.days.iter().map(|day| (day * DAY + 480, day * DAY + 990)).collect(),
            absent: Vec::new(),
            competences: self.competences.clone(),
        }
    }
}

fn windows(row: &Windows) -> Vec<AWindow> {
    let (start, end, glovebox, tasks, notice, days) = row;
    let on = |day: &i64| AWindow {
        start: day * DAY + start,
        end: day * DAY + end,
        boxes: Some(vec![*glovebox]),
        tasks: tasks.clone(),
        notice: *notice,
    };
    days.iter().map(on).collect()
}

fn bookings(glovebox: usize, station: usize, rows: &[(i64, i64, u8)]) -> Vec<ABooking> {
    let one = |(start, length, flags): &(i64, i64, u8)| ABooking {
        glovebox,
        station,
        start: *start,
        end: start + length,
        tentative: flags & 1 == 1,
        equal: flags & 2 == 2,
    };
    rows.iter().map(one).collect()
}

/// A budget of so much time.
struct Until(Instant);

impl Budget for Until {
    fn spent(&mut self) -> bool {
        Instant::now() >= self.0
    }

    fn left(&self) -> Option<Duration> {
        Some(self.0.saturating_duration_since(Instant::now()))
    }
}

/// Printed, not asserted, because it depends on the machine.
#[test]
#[ignore = "a measurement: run it by name, with --release and --nocapture"]
fn large_plans_within_ten_seconds() {
    for large in instances() {
        let snapshot = large.instance().snapshot();
        let request = Request::default();
        let begun = Instant::now();
        let mut budget = Until(begun + Duration::from_secs(10));
        let plan = propose(&snapshot, &request, base(), 7, &mut budget).unwrap();
        let took = begun.elapsed();
        let faults = validate::faults(&snapshot, &request, base(), &plan);
        assert!(faults.is_empty(), "{faults:?}");
        println!(
            "{}: cost {}, bound {}, gap {:.2} %, {} left out, {}, {:.1} s; CP-SAT within 60 s: cost {}, bound {}",
            large.name,
            plan.cost,
            plan.lower_bound,
            plan.gap() * 100.0,
            plan.unplaced.len(),
            plan.stopped.word(),
            took.as_secs_f64(),
            large.reached,
            large.bound,
        );
    }
}

/// Steps of search, the same on every machine, and a matter of seconds: fewer
/// where CP-SAT is far behind, because each takes longer there.
fn steps(name: &str) -> u64 {
    if name.starts_with("very tight") { 300 } else { 600 }
}

/// OR-tools CP-SAT 9.15.6755 with a minute on two cores. Whole numbers, so no
/// tolerance; the bound proved elsewhere bounds what is found here, and the
/// other way round.
#[test]
fn large_plans_cost_no_more_than_what_cp_sat_reaches_in_a_minute() {
    let reference = instances();
    assert!(reference.len() >= 16);
    // Second ones of a kind are for the measurement only.
    for large in reference.into_iter().filter(|large| !large.name.ends_with("again")) {
        let snapshot = large.instance().snapshot();
        let request = Request::default();
        let plan = propose(&snapshot, &request, base(), 7, &mut Steps(steps(&large.name))).unwrap();
        let faults = validate::faults(&snapshot, &request, base(), &plan);
        assert_eq!(faults, Vec::<String>::new(), "{}", large.name);
        assert!(plan.cost <= large.reached, "{}: {} for {}", large.name, plan.cost, large.reached);
        assert!(plan.cost >= large.bound, "{}: {} under {}", large.name, plan.cost, large.bound);
        assert!(plan.lower_bound <= large.reached, "{}: bound {}", large.name, plan.lower_bound);
        // A twentieth while so little is searched; the measurement shows what ten seconds bring.
        assert!(plan.gap() <= 0.05, "{}: {} to {}", large.name, plan.lower_bound, plan.cost);
    }
}
