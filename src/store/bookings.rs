//! Bookings.
