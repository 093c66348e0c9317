//! The nightly computation.
