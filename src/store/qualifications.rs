//! Qualifications.
