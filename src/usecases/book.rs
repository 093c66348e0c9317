//! Making a booking.
