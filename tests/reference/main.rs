//! What drykeep computes, against values computed or published elsewhere.
//! The data, their sources and tolerances are described in `README.md`.

#![expect(clippy::unwrap_used, reason = "helpers of tests fail the test that calls them")]

mod feeds;
mod physics;
mod recurrence;
mod statistics;
mod stock;
mod trends;
mod webhooks;
