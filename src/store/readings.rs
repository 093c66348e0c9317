//! Readings.
