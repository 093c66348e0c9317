//! The facility as a whole.
