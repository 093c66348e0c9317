//! `drykeep calculate`: the pure computations.
