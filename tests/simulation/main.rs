//! The application on `SQLite` under a seeded scheduler and a clock set by hand:
//! people, managers and programs ask at random, commits fail and are torn, disks
//! fill up, the process is cut off at any statement, clocks jump; what must hold
//! is checked after each turn against a model that shares no code with it.
//!
//! Everything follows from the seed, which is printed. To see a failure again, from the world that it names on:
//! `DRYKEEP_SIM_SEED=… DRYKEEP_SIM_WORLD=… DRYKEEP_SIM_STEPS=2000 DRYKEEP_SIM_THREADS=1
//! cargo test --release --test simulation -- --ignored`.

#![expect(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod actors;
mod calls;
mod chance;
mod claims;
mod database;
mod due;
mod explain;
mod faults;
mod feed;
mod furnished;
mod kept;
mod model;
mod plants;
mod service;
mod tally;
mod usage;
mod world;

use plants::{PLANTS, Plant};
use service::Front;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::time::Instant;
use tally::Tally;
use world::World;

/// The seed of the runs that every change has to pass.
const SEED: u64 = 20_300_107;
/// Steps that one world lasts.
const WORLD: u64 = 2000;

/// Of a thousand requests or crowds of them, how many something happens to, unless it is set.
const FAULTS: i64 = 8;

/// A setting of the test run.
#[expect(clippy::disallowed_methods, reason = "the tests' own settings are no settings of the service")]
fn setting(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name} is a whole number, not {text:?}")))
}

/// Runs so many steps of a seed's worlds, every so many-th of them from one on.
/// A step is a request and its answer, a look at the feed, or a crash; those that
/// are committed together are checked together.
fn run(seed: u64, first: u64, stride: u64, steps: u64, planted: Option<&Plant>) -> (u64, Tally) {
    faults::watch();
    if setting("DRYKEEP_SIM_LOG").is_some() {
        drop(tracing_subscriber::fmt().with_max_level(tracing::Level::WARN).with_ansi(false).try_init());
    }
    let faults = setting("DRYKEEP_SIM_FAULTS").map_or(FAULTS, |faults| i64::try_from(faults).unwrap());
    actix_web::rt::System::new().block_on(async {
        let front = std::rc::Rc::new(Front::new().await);
        let template = world::template(&front).await;
        let template = planted.map_or_else(|| template.clone(), |planted| planted.in_image(&template));
        let mut sum = Tally::default();
        let (mut number, mut done) = (first, 0);
        while done < steps {
            let end = (done + WORLD).min(steps);
            let mut world = World::new(&front, &template, seed, number, faults).await;
            while done < end {
                noted(&format!("seed {seed}, world {number}, after {done} steps"));
                done += world.turn().await;
            }
            sum.add(&world.end().await);
            number += stride;
        }
        (done, sum)
    })
}

thread_local! {
    static WHERE: std::cell::RefCell<String> = const { std::cell::RefCell::new(String::new()) };
}

fn noted(place: &str) {
    WHERE.with_borrow_mut(|known| place.clone_into(known));
}

/// Runs it and says where it was when it fails.
#[expect(clippy::print_stderr, reason = "where it failed is what one needs to see it again")]
fn told(seed: u64, first: u64, stride: u64, steps: u64) -> (u64, Tally) {
    catch_unwind(AssertUnwindSafe(|| run(seed, first, stride, steps, None))).unwrap_or_else(|panic| {
        WHERE.with_borrow(|place| eprintln!("it failed at {place}"));
        resume_unwind(panic)
    })
}

#[test]
fn a_few_thousand_steps_break_nothing() {
    let seed = setting("DRYKEEP_SIM_SEED").unwrap_or(SEED);
    println!("seed {seed}\n{}", told(seed, 0, 1, 4000).1);
}

/// What is found can be found again.
#[test]
fn a_seed_tells_the_whole_story() {
    let once = told(SEED, 0, 1, 600);
    assert_eq!(once, told(SEED, 0, 1, 600));
    assert_ne!(once.1.trace, told(SEED + 1, 0, 1, 600).1.trace);
}

/// What is planted is found: a table of where, and by which check.
#[test]
#[ignore = "takes minutes; run with --release"]
fn planted_faults_are_found() {
    let seed = setting("DRYKEEP_SIM_SEED").unwrap_or(SEED);
    let mut missed = Vec::new();
    for plant in &PLANTS {
        let sought = catch_unwind(AssertUnwindSafe(|| run(seed, 0, 1, 20 * WORLD, Some(plant))));
        let panic = sought.err();
        let said = panic.as_ref().and_then(|panic| panic.downcast_ref::<String>().map(String::as_str));
        // Anything else that fails is no find.
        if let Some(said) = said.filter(|said| said.contains(plant.says)) {
            let place = WHERE.with_borrow(Clone::clone);
            let said: String = said.lines().next().unwrap_or_default().chars().take(100).collect();
            println!("{}: {place}: {said}", plant.what);
        } else {
            missed.push((plant.what, said.map(str::to_owned)));
        }
    }
    // With nothing planted the same world is sound.
    run(seed, 0, 1, WORLD, None);
    assert!(missed.is_empty(), "not found within {} steps: {missed:?}", 20 * WORLD);
}

#[test]
#[ignore = "takes minutes; run with --release"]
fn a_million_steps_break_nothing() {
    let seed = setting("DRYKEEP_SIM_SEED").unwrap_or(SEED);
    let steps = setting("DRYKEEP_SIM_STEPS").unwrap_or(1_000_000);
    let threads = setting("DRYKEEP_SIM_THREADS").unwrap_or(2).max(1);
    let world = setting("DRYKEEP_SIM_WORLD").unwrap_or(0);
    println!("seed {seed}");
    let begun = Instant::now();
    let runs: Vec<(u64, Tally)> = std::thread::scope(|scope| {
        let runs: Vec<_> = (world..world + threads)
            .map(|first| scope.spawn(move || told(seed, first, threads, steps.div_ceil(threads))))
            .collect();
        runs.into_iter().map(|run| run.join().unwrap_or_else(|panic| resume_unwind(panic))).collect()
    });
    let (mut done, mut sum) = (0, Tally::default());
    for (steps, tally) in &runs {
        done += steps;
        sum.add(tally);
    }
    println!("{done} steps on {threads} threads in {:.0} s\n{sum}", begun.elapsed().as_secs_f64());
}
