//! Holds.
