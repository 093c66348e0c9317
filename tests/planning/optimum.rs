//! Optima against OR-tools CP-SAT.
//!
//! `tests/reference/plans.json` holds random small instances with the optimum
//! that CP-SAT proved, from a model written on its own by
//! `tests/reference/generate_plans.py`, which names versions and seed.

use crate::instance::{Instance, base};
use drykeep::domain::planning::{Request, Steps, Stopped, propose, validate};
use serde::Deserialize;

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

/// Wherever the search is stopped, the bound is one.
#[test]
fn no_bound_lies_above_the_least_that_cp_sat_proves() {
    let reference: Reference = serde_json::from_str(include_str!("../reference/plans.json")).unwrap();
    let (mut open, mut compared) = (0, 0);
    for (number, instance) in reference.instances.iter().enumerate() {
        let Some(least) = instance.optimum else { continue };
        let snapshot = instance.snapshot();
        for steps in (1..=24).chain([40, 80, 160, 320]) {
            let request = Request::default();
            let Ok(plan) = propose(&snapshot, &request, base(), 7, &mut Steps(steps)) else { continue };
            let right = plan.lower_bound <= least && least <= plan.cost;
            assert!(right, "{number}, {steps} steps: {} to {} for {least}", plan.lower_bound, plan.cost);
            let stopped = (plan.stopped == Stopped::Proved) == (plan.cost == plan.lower_bound);
            assert!(stopped, "{number}, {steps} steps: {:?}", plan.stopped);
            open += usize::from(plan.lower_bound < plan.cost);
            compared += 1;
        }
    }
    // Some searches must have been stopped before their end, or nothing was tested.
    assert!(open > 0 && compared > 5_000, "{open} of {compared}");
}
