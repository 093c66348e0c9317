//! drykeep models the gloveboxes of a shared facility and what they share,
//! takes bookings, and computes from logged use and readings when each kind
//! of upkeep falls due.
//!
//! The way through: `main → cli → server → api → usecases → { domain, store }`.

pub mod domain;
