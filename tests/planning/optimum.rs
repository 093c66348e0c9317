//! Optima against OR-tools CP-SAT, and the large instance.
//!
//! `tests/reference/plans.json` holds random small instances with the optimum
//! that CP-SAT proved, from a model written on its own by
//! `tests/reference/generate_plans.py`, which names versions and seed.

use crate::instance::{Instance, base};
use drykeep::domain::planning::{Budget, Request, Steps, Stopped, propose, validate};
use serde::Deserialize;
use std::time::{Duration, Instant};

#[derive(Deserialize)]
struct Reference {
    instances: Vec<Instance>,
}

/// OR-tools CP-SAT 9.15.6755, proven optima; whole numbers, so no tolerance.
#[test]
fn small_plans_cost_what_cp_sat_proves_to_be_the_least() {
    let reference: Reference = serde_json::from_str(include_str!("../reference/plans.json")).unwrap();
    let mut compared = 0;
    let mut wrong = Vec::new();
    for (number, instance) in reference.instances.iter().enumerate() {
        let snapshot = instance.snapshot();
        let request = Request::default();
        let found = propose(&snapshot, &request, base(), 7, &mut Steps(100_000));
        let text = match (&found, instance.optimum) {
            (Ok(plan), Some(least)) => {
                let faults = validate::faults(&snapshot, &request, base(), plan);
                let right = plan.cost == least
                    && plan.lower_bound == least
                    && plan.stopped == Stopped::Proved
                    && faults.is_empty();
                (!right).then(|| {
                    format!(
                        "{number}: {} (bound {}) for {least}, {:?} {faults:?}",
                        plan.cost, plan.lower_bound, plan.stopped
                    )
                })
            }
            (Ok(plan), None) => Some(format!("{number}: {} where nothing fits", plan.cost)),
            (Err(refusal), Some(least)) => {
                Some(format!("{number}: refused for {least}: {}", refusal.summary))
            }
            (Err(refusal), None) => {
                (!refusal.proved || refusal.tasks.is_empty()).then(|| format!("{number}: {refusal:?}"))
            }
        };
        wrong.extend(text);
        compared += 1;
    }
    assert!(wrong.is_empty(), "{} of {compared}:\n{}", wrong.len(), wrong.join("\n"));
    assert!(compared >= 200);
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

/// Sixty tasks in eight weeks on twenty boxes among 1500 bookings, with ten
/// seconds: printed, not asserted, because it depends on the machine.
#[test]
#[ignore = "a measurement: run it by name, with --release and --nocapture"]
fn a_large_plan_within_ten_seconds() {
    let reference: Reference = serde_json::from_str(include_str!("../reference/plans_large.json")).unwrap();
    for (number, instance) in reference.instances.iter().enumerate() {
        let snapshot = instance.snapshot();
        let request = Request::default();
        let begun = Instant::now();
        let mut budget = Until(begun + Duration::from_secs(10));
        let plan = propose(&snapshot, &request, base(), 7, &mut budget).unwrap();
        let took = begun.elapsed();
        let faults = validate::faults(&snapshot, &request, base(), &plan);
        assert!(faults.is_empty(), "{faults:?}");
        let text = format!(
            "instance {number}: {} visits, {} left out, cost {}, bound {}, gap {:.2} %, {}, {:.1} s; CP-SAT within 60 s: {:?}",
            plan.visits.len(),
            plan.unplaced.len(),
            plan.cost,
            plan.lower_bound,
            plan.gap() * 100.0,
            plan.stopped.word(),
            took.as_secs_f64(),
            instance.reached,
        );
        println!("{text}");
    }
}
