//! Bookings: a request, the claims it needs, every rule it must keep, and
//! what becomes of it.

pub mod claims;
pub mod decide;
pub mod record;
pub mod request;
pub mod rules;
pub mod starts;
#[cfg(test)]
mod tests;

pub use claims::{Owner, PlannedClaim, Why};
pub use decide::{Busy, Conflict, Decision, Refused, decide};
pub use record::{Booking, Caution, EndOfRun, Progress, Status};
pub use request::{BookingRequest, Places, Sample, Transfer, Work};
