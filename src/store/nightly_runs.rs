//! Nightly runs.
