//! Services: upkeep that was done.
