//! How often the intervals that drykeep states hold the truth, on histories
//! made by chance from a seed. How they are made and what comes out of it is
//! in `README.md`.

#![expect(clippy::unwrap_used, reason = "helpers of tests fail the test that calls them")]
#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_sign_loss,
    reason = "hours and counts of simulations, all small and not negative where they become indices"
)]

mod chance;
mod drift;
mod gas;
mod uptake;
mod work;
