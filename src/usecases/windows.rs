//! Maintenance windows.
