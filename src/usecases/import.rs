//! Loading fixtures and files of readings.
