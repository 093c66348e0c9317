//! Holds: a box, or part of it, closed to use until released.
