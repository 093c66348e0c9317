//! Gas supplies and their cylinders.
