//! Swapping a cylinder, and how long the gas lasts.
