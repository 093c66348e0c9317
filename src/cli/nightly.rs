//! `drykeep nightly`: computes what is due.
