//! Tells those who wait for changes that something was committed.

use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

#[derive(Debug, Default, Clone, Copy)]
struct State {
    rung: u64,
    closed: bool,
}

/// A bell that is rung after each commit of this process.
#[derive(Debug, Default)]
pub(super) struct Bell {
    state: Mutex<State>,
    waiting: Condvar,
}

impl Bell {
    fn change(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner));
        self.waiting.notify_all();
    }

    /// Something was committed.
    pub(super) fn ring(&self) {
        self.change(|state| state.rung = state.rung.wrapping_add(1));
    }

    /// Nothing more will be committed.
    pub(super) fn close(&self) {
        self.change(|state| state.closed = true);
    }

    /// Whether nothing more will be committed.
    pub(super) fn is_closed(&self) -> bool {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).closed
    }

    /// Waits until it has been rung since it had been rung `seen` times, or so
    /// long; tells how often it has been rung.
    pub(super) fn wait(&self, seen: u64, longest: Duration) -> u64 {
        let state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let quiet = |state: &mut State| state.rung == seen && !state.closed;
        let waited = self.waiting.wait_timeout_while(state, longest, quiet);
        waited.unwrap_or_else(PoisonError::into_inner).0.rung
    }
}
