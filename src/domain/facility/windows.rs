//! Maintenance windows: recurring times kept for upkeep.
