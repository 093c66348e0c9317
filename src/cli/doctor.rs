//! `drykeep doctor`: checks configuration, database, clock and contract.
