//! People.
