//! `drykeep demo`: the main job on an invented facility.
