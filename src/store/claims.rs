//! Claims: which resource is occupied when.
