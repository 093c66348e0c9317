//! Checks against published values and other people's libraries; where each
//! file comes from stands in `README.md` beside it.

mod recurrence;
