//! drykeep models the gloveboxes of a shared facility and what they share,
//! takes bookings, and computes from logged use and readings when each kind
//! of upkeep falls due.
//!
//! The way through: `main → cli → server → { api, pages } → usecases → { domain, store }`.

pub mod api;
mod certificates;
pub mod cli;
pub mod clock;
pub mod config;
pub mod domain;
pub mod identity;
pub mod outbox;
mod pages;
pub mod server;
pub mod store;
pub mod telemetry;
pub mod usecases;
