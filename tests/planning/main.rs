//! Plans, checked by the validator in every test: against optima proved
//! elsewhere, on instances drawn to be awkward, and measured on a large one.

#![expect(clippy::unwrap_used, reason = "helpers of tests fail the test that calls them")]

mod awkward;
mod instance;
mod large;
mod optimum;
mod refusals;
