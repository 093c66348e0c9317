//! What drykeep knows about gloveboxes, people, time and gas.
//!
//! Everything here is pure: no input or output, no clock, no randomness, no
//! database and no HTTP. The present moment is always an argument.

pub mod access;
pub mod booking;
pub mod calendar;
pub mod calendar_feeds;
pub mod facility;
pub mod feed;
pub mod ids;
pub mod names;
pub mod physics;
pub mod planning;
pub mod quantity;
pub mod quota;
pub mod upkeep;
pub mod usage;
pub mod violations;
