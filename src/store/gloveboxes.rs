//! Gloveboxes and their parts.
