//! `drykeep import`: loads fixtures and readings.
