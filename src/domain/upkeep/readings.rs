//! Readings: what sensors and people report.
