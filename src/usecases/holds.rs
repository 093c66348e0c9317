//! Holds: closing a box to use until released.
