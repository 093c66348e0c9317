//! Upkeep: rules, readings, meters, and when each task falls due.

pub mod circulation;
mod condition;
pub mod contents;
pub mod defaults;
pub mod due;
pub mod evidence;
mod gas_draw;
pub mod leak_test;
pub mod level;
pub mod line;
pub mod lives;
pub mod meters;
pub mod moves;
pub mod nnls;
pub mod observations;
pub mod quantiles;
pub mod readings;
pub mod report;
mod rise;
pub mod room_assessment;
pub mod rules;
pub mod sensors;
pub mod services;
pub mod stock;
pub mod trend;
mod triangle;
mod uptake;
mod uptake_sum;
pub mod use_ahead;
mod vessel;
pub mod weibull;

pub use due::{DueItem, DueState, History, Subject, compute};
pub use rules::{AppliesTo, Closes, Consumable, Limit, Meter, PartKind, Species, Trigger, UpkeepRule};
pub use sensors::SensorReadings;
pub use services::{Draft, Outcome, Service};
pub use trend::Sample;
