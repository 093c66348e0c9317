//! Upkeep rules.
