//! How often the intervals that drykeep states hold the truth, on histories
//! made by chance from a seed. How they are made and what comes out of it is
//! in `README.md`.

#![expect(clippy::unwrap_used, reason = "helpers of tests fail the test that calls them")]
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    reason = "hours and counts of simulations, all small and not negative where they become indices"
)]

mod ask;
mod chance;
mod drift;
mod gas;
mod score;
mod uptake;
mod work;

use chance::Chance;
use drift::DriftCase;
use gas::GasCase;
use score::{HEAD, Outcome, Row, all_runs, line_through_last_two};
use uptake::UptakeCase;

/// The seed of every history; the table tells it.
const SEED: u64 = 20_260_305;
/// How far ahead the true dates lie, days.
const AHEAD: [f64; 3] = [7.0, 30.0, 90.0];
/// An 80 % interval holds the truth in so many per cent of the runs.
const HELD: std::ops::RangeInclusive<f64> = 75.0..=85.0;

/// Computes the rows of a kind and compares them with the committed table.
fn assert_calibrated(kind: &'static str, outcome: impl Fn(&mut Chance, f64) -> Outcome + Sync) {
    let rows: Vec<Row> = (0_u64..)
        .zip(AHEAD)
        .map(|(index, days)| {
            // Kinds and horizons draw from seeds of their own.
            let seed = SEED + 10 * index + kind.len() as u64 * 1000;
            Row::of(kind, days, &all_runs(|run| outcome(&mut Chance::of(seed, run), days)))
        })
        .collect();
    let table: String = rows.iter().map(|row| row.line() + "\n").collect();
    let unfit: Vec<f64> = rows.iter().map(Row::inside).filter(|inside| !HELD.contains(inside)).collect();
    assert!(unfit.is_empty(), "the intervals hold {unfit:?} % of the truth:\n{HEAD}{table}");
    assert!(rows.iter().all(|row| row.factor() > 1.0), "a line does better:\n{HEAD}{table}");
    let readme = include_str!("README.md");
    let committed: Vec<&str> =
        readme.lines().filter(|line| line.starts_with(&format!("| {kind} |"))).collect();
    let same =
        committed.len() == rows.len() && rows.iter().zip(committed).all(|(row, line)| row.agrees_with(line));
    assert!(same, "the table of tests/calibration/README.md says otherwise than what was computed:\n{table}");
    assert!(readme.contains(HEAD) && readme.contains(&format!("seed {SEED}")));
}

#[test]
fn four_of_five_gas_forecasts_hold_the_true_date() {
    assert_calibrated("gas", |chance, days| {
        let case = GasCase::simulated(chance, days);
        Outcome {
            truth: case.truth - case.now,
            dates: ask::gas(&case),
            baseline: line_through_last_two(&case.gauge, gas::CHANGEOVER_BAR, case.now),
        }
    });
}

#[test]
fn four_of_five_drift_forecasts_hold_the_true_date() {
    assert_calibrated("drift", |chance, days| {
        let case = DriftCase::simulated(chance, days);
        Outcome {
            truth: case.truth + ask::SUSTAINED_HOURS - case.now,
            dates: ask::drift(&case),
            baseline: line_through_last_two(&case.readings, case.limit, case.now)
                .map(|hours| hours + ask::SUSTAINED_HOURS),
        }
    });
}

#[test]
fn four_of_five_uptake_forecasts_hold_the_true_date() {
    assert_calibrated("uptake", |chance, days| {
        let case = UptakeCase::simulated(chance, days);
        Outcome {
            truth: case.truth - case.now,
            dates: ask::uptake(&case),
            baseline: line_through_last_two(&case.summed_up(), case.limit_mol, case.now),
        }
    });
}
