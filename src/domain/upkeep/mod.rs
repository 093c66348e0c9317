//! Upkeep: rules, readings, meters, and when each task falls due.

pub mod contents;
pub mod due;
pub mod meters;
pub mod readings;
pub mod rules;
