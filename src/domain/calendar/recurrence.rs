//! RFC 5545 recurrences in a time zone, bounded and checked.
