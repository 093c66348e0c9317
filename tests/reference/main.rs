//! What drykeep computes, against values computed or published elsewhere.
//! The data, their sources and tolerances are described in `README.md`.

mod physics;
