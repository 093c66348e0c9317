//! The whole service, as its callers meet it, on both backends.

#![expect(clippy::unwrap_used, reason = "in a test a panic is the report")]

#[path = "../world/mod.rs"]
mod world;

mod archive;
mod audit;
mod authorisation;
mod backups;
mod bookings;
mod calculations;
mod calendars;
mod changes;
mod claims;
mod closure_imports;
mod constraints;
mod crash;
mod facility;
mod gas;
mod gateway;
mod headers;
mod instances;
mod issuers;
mod limits;
mod lives;
mod migrations;
mod nights;
mod ownership;
mod pages;
mod pages_booking;
mod pages_hostile;
mod pages_under_way;
mod plans;
mod readings;
mod remembered;
mod room_oxygen;
mod rooms;
mod stock;
mod token_corpus;
mod tokens;
mod upkeep;
mod uptake;
mod usage_statements;
mod webhooks;
mod windows;
