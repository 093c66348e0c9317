//! Upkeep: rules, readings, meters, and when each task falls due.

mod condition;
pub mod contents;
pub mod defaults;
pub mod due;
pub mod evidence;
pub mod leak_test;
pub mod meters;
pub mod moves;
pub mod readings;
pub mod report;
pub mod rules;
pub mod services;
pub mod trend;

pub use due::{DueItem, DueState, History, Subject, compute};
pub use rules::{AppliesTo, Closes, Consumable, Limit, Meter, PartKind, Species, Trigger, UpkeepRule};
pub use services::{Draft, Outcome, Service};
pub use trend::Sample;
