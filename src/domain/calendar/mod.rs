//! Time: zones, durations, intervals, opening hours, closures and recurrences.
//!
//! Nothing here knows what happens at those times: bookings, visits and
//! holds are other modules' business.

pub mod duration;
pub mod free_busy;
pub mod ics;
pub mod interval;
pub mod opening_hours;
mod pattern;
mod plain;
pub mod recurrence;
pub mod rule;
pub mod zone;

pub use duration::{Length, Span};
pub use interval::Interval;
pub use opening_hours::{Closure, WeeklyHours};
pub use recurrence::Recurrence;
pub use zone::LocalTime;
