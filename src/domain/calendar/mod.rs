//! Time: intervals, opening hours, closures and recurrences.

pub mod interval;
pub mod opening_hours;
pub mod recurrence;

pub use interval::Interval;
