//! Hours and cycles that bookings put on stations and antechambers.
