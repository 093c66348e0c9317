//! The only reader of the time, and the mint of ids, which carry it, and of secrets.

use crate::domain::planning::Budget;
use chrono::{DateTime, SubsecRound, Utc};
use std::cell::RefCell;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Where the present comes from.
#[derive(Debug, Clone, Default)]
pub enum Clock {
    /// The machine's clock.
    #[default]
    System,
    /// A clock set by hand, in microseconds since 1970; for tests and replays.
    Set(Arc<AtomicI64>),
}

impl Clock {
    /// A clock that stands at `at` until it is set.
    pub fn standing_at(at: DateTime<Utc>) -> Self {
        Self::Set(Arc::new(AtomicI64::new(at.timestamp_micros())))
    }

    /// Moves a clock that is set by hand; the machine's clock ignores it.
    pub fn set(&self, at: DateTime<Utc>) {
        if let Self::Set(micros) = self {
            micros.store(at.timestamp_micros(), Ordering::SeqCst);
        }
    }

    /// The present, to the microsecond, which is what both databases keep.
    #[expect(clippy::disallowed_methods, reason = "this is where time enters")]
    pub fn now(&self) -> DateTime<Utc> {
        match self {
            Self::System => Utc::now().trunc_subsecs(6),
            Self::Set(micros) => {
                DateTime::from_timestamp_micros(micros.load(Ordering::SeqCst)).unwrap_or_default()
            }
        }
    }
}

/// A word to those who work for somebody: it is no longer wanted.
#[derive(Debug, Clone, Default)]
pub struct Halt(Arc<AtomicBool>);

impl Halt {
    /// Says it, for good.
    pub fn call(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether it was said.
    pub fn called(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// Says it when what waits for the work is dropped.
    pub fn when_dropped(&self) -> HaltWhenDropped {
        HaltWhenDropped(self.clone())
    }
}

/// Calls a [`Halt`] at its end.
#[derive(Debug)]
#[must_use = "dropped at once, it calls at once"]
pub struct HaltWhenDropped(Halt);

impl Drop for HaltWhenDropped {
    fn drop(&mut self) {
        self.0.call();
    }
}

/// A budget of so much time from now on, by the machine's clock, or less where a
/// halt is called.
#[derive(Debug)]
pub struct Until {
    end: Instant,
    halts: Vec<Halt>,
}

impl Until {
    /// Until `length` from now.
    pub fn after(length: Duration) -> Self {
        Self { end: Instant::now() + length, halts: Vec::new() }
    }

    /// The same, or until one of these is called.
    #[must_use]
    pub fn unless(self, halts: &[Halt]) -> Self {
        Self { halts: halts.to_vec(), ..self }
    }
}

impl Budget for Until {
    fn spent(&mut self) -> bool {
        self.left().is_some_and(|left| left.is_zero())
    }

    fn left(&self) -> Option<Duration> {
        if self.halts.iter().any(Halt::called) {
            return Some(Duration::ZERO);
        }
        Some(self.end.saturating_duration_since(Instant::now()))
    }
}

/// Makes ids.
type Mint = Box<dyn FnMut() -> Uuid>;

thread_local! {
    static MINT: RefCell<Option<Mint>> = const { RefCell::new(None) };
}

/// Lets the ids that this thread needs come from `mint`, so that what happens
/// on it can be repeated to the letter.
pub fn mint_ids_by(mint: impl FnMut() -> Uuid + 'static) {
    MINT.set(Some(Box::new(mint)));
}

/// A fresh id; ids minted later sort later.
pub fn fresh_id() -> Uuid {
    MINT.with_borrow_mut(|mint| mint.as_mut().map_or_else(Uuid::now_v7, |mint| mint()))
}

/// Fresh random bytes that nobody can guess.
pub fn fresh_secret() -> [u8; 32] {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).expect("the system has random numbers");
    bytes
}
