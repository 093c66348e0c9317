//! Taking in readings.
