//! What drykeep does in a second, as a ratio to a general-purpose program that does
//! the like in the same run on the same machine: `cargo bench`, or `cargo bench
//! --bench load -- bookings` for one of them. The table is in `tests/benches/README.md`.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot run says so by a panic")]
#![expect(clippy::print_stdout, reason = "the table is what a benchmark is for")]

mod bookings;
mod footprint;
mod nights;
mod openings;
mod postgres;
mod readings;
mod recurrence;
mod service;

/// A benchmark's row of the table.
pub(crate) struct Row {
    /// What was measured.
    pub(crate) what: &'static str,
    /// Ours, with its unit.
    pub(crate) ours: String,
    /// The baseline's, with its unit.
    pub(crate) baseline: String,
    /// Ours in terms of the baseline's.
    pub(crate) ratio: f64,
    /// What the ratio is meant to be.
    pub(crate) aim: &'static str,
    /// Whether it is.
    pub(crate) met: bool,
}

type Benchmark = (&'static str, fn() -> Vec<Row>);

const ALL: [Benchmark; 6] = [
    ("bookings", bookings::run),
    ("readings", readings::run),
    ("openings", openings::run),
    ("recurrence", recurrence::run),
    ("footprint", footprint::run),
    ("nights", nights::run),
];

fn main() {
    let named: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    println!("| what | drykeep | baseline | ratio | aim | met |\n|---|---|---|---|---|---|");
    for (name, run) in ALL {
        if named.is_empty() || named.iter().any(|one| one == name) {
            for Row { what, ours, baseline, ratio, aim, met } in run() {
                let met = if met { "yes" } else { "no" };
                println!("| {what} | {ours} | {baseline} | {ratio:.2} | {aim} | {met} |");
            }
        }
    }
}
