//! Part of a budget, for a step of the search that must not take all of it.

use super::plan::Budget;
use std::time::Duration;

/// No more than so many of its steps, and some of its time
/// kept back.
pub(super) struct Part<'b> {
    whole: &'b mut dyn Budget,
    steps: u64,
    kept: Duration,
}

impl<'b> Part<'b> {
    /// So many steps, and one part in so many of the time that is left.
    pub(super) fn new(whole: &'b mut dyn Budget, steps: u64, parts: u32) -> Self {
        let left = whole.left().unwrap_or_default();
        Self { whole, steps, kept: left.saturating_sub(left / parts) }
    }
}

impl Budget for Part<'_> {
    fn spent(&mut self) -> bool {
        self.steps = self.steps.saturating_sub(1);
        self.whole.spent() || self.steps == 0 || self.left().is_some_and(|left| left.is_zero())
    }

    fn left(&self) -> Option<Duration> {
        self.whole.left().map(|left| left.saturating_sub(self.kept))
    }
}
