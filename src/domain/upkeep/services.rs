//! Upkeep that was done: what, on which part, when, by whom, with what result.

use super::rules::words;
use crate::domain::ids::{PersonId, ThingId};
use crate::domain::names::{Name, Remark, Word};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

words! {
    /// How a service ended.
    Outcome {
        /// Done, and in order.
        Passed = "passed",
        /// A test that failed, or work that must be done again.
        Failed = "failed",
    }
}

/// A record of upkeep that was done; it restarts the meters of its task.
#[derive(Debug, Clone, PartialEq)]
pub struct Service {
    /// The part it was done on.
    pub subject: ThingId,
    /// The task.
    pub task: Word,
    /// When it was done.
    pub done_at: DateTime<Utc>,
    /// By whom, as people call them.
    pub done_by: Name,
    /// The person, where they are known here.
    pub person: Option<PersonId>,
    /// How it ended.
    pub outcome: Outcome,
    /// What was found.
    pub findings: Remark,
    /// Tasks that what was found asks for.
    pub calls_for: Vec<Word>,
    /// Measured values, as JSON by name.
    pub measured: BTreeMap<String, serde_json::Value>,
}

/// How a service's part is related to the part that is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Relation {
    /// It is the same part.
    Itself,
    /// It is a part of it.
    Part,
    /// It is the glovebox that it belongs to.
    Whole,
}

/// What of a service matters for when things fall due.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServiceNote {
    /// How its part is related to the part looked at.
    pub relation: Relation,
    /// The task that was done.
    pub task: Word,
    /// When.
    pub done_at: DateTime<Utc>,
    /// Whether it failed.
    pub failed: bool,
    /// Tasks that it asks for.
    pub calls_for: Vec<Word>,
}

impl Service {
    /// What matters of it for a part so related to its own.
    pub fn note(&self, relation: Relation) -> ServiceNote {
        ServiceNote {
            relation,
            task: self.task.clone(),
            done_at: self.done_at,
            failed: self.outcome == Outcome::Failed,
            calls_for: self.calls_for.clone(),
        }
    }
}
