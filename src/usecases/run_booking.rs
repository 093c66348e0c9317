//! What happens to a booking once made.
