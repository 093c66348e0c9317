//! When a gas supply is down to its changeover pressure.
