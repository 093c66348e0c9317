//! Whatever is read from outside, given what nobody would write: nothing panics, and
//! what was read means what it says.
//!
//! Inputs are mutated from the corpus, which holds examples of each kind and whatever
//! once went wrong. `cargo test --test fuzz` runs some; ten million take
//!
//! ```sh
//! cargo test --test fuzz -- --ignored --nocapture
//! ```
//!
//! with another seed in `DRYKEEP_FUZZ_SEED` for another ten million. A failure shows the
//! input; saved under `corpus/TARGET/` it is tried first from then on.

#![expect(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod mutate;
mod targets;

use mutate::Mutator;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::Instant;
use targets::{ALL, Target};

fn corpus(target: &Target) -> Vec<Vec<u8>> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(target.name);
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(!files.is_empty(), "{} has no corpus", target.name);
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// Reads an input; tells whether it meant anything. A panic is told with the input.
fn attempt(target: &Target, input: &[u8], seed: u64) -> bool {
    catch_unwind(AssertUnwindSafe(|| (target.run)(input))).unwrap_or_else(|_| {
        panic!("seed {seed}: {} fails on {:?}", target.name, String::from_utf8_lossy(input))
    })
}

/// Tries so many mutated inputs; tells how many were read as meaning something.
fn fuzz(target: &Target, times: u64, seed: u64) -> u64 {
    let seeds = corpus(target);
    let mut mutator = Mutator::new(seed, seeds);
    let mut read = 0;
    for _ in 0..times {
        let input = mutator.next();
        if attempt(target, &input, seed) {
            read += 1;
            // What is understood is worth mutating further.
            mutator.keep(input);
        }
    }
    read
}

fn seed() -> u64 {
    #[expect(clippy::disallowed_methods, reason = "the tests' own setting")]
    let named = std::env::var("DRYKEEP_FUZZ_SEED").ok();
    named.map_or(1, |text| text.parse().expect("DRYKEEP_FUZZ_SEED is a number"))
}

#[test]
fn the_corpus_is_read_without_a_panic() {
    for target in &ALL {
        let inputs = corpus(target);
        let understood = inputs.iter().filter(|input| attempt(target, input, 0));
        assert!(understood.count() > 0, "nothing in the corpus of {} can be read", target.name);
    }
}

#[test]
fn some_mutated_inputs_are_read_without_a_panic() {
    for target in &ALL {
        let read = fuzz(target, target.share * 40, seed());
        assert!(read > 0, "no input of {} meant anything: the mutations are too wild", target.name);
    }
}

#[test]
#[ignore = "takes minutes"]
fn ten_million_inputs_are_read_without_a_panic() {
    let mut all = 0;
    for target in &ALL {
        let (times, begun) = (target.share * 100_000, Instant::now());
        let read = fuzz(target, times, seed());
        all += times;
        println!(
            "{}: {times} inputs, {read} understood, {:.0} s",
            target.name,
            begun.elapsed().as_secs_f64()
        );
    }
    println!("{all} inputs with seed {}", seed());
    assert!(all >= 10_000_000);
}
