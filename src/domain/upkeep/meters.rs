//! Meters: hours and cycles since the last service.
