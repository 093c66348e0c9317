//! The weekly hours during which the facility is open, and closures of it.
