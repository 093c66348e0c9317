//! Upkeep rules: what makes which task due on which kind of part.
