//! Where and when a piece of work fits.
