//! The visits for upkeep that a nightly report tells of.

use super::report::moment;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// A visit on the calendar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReportVisit {
    /// Its id.
    pub id: Uuid,
    /// Tag of its place.
    pub place_tag: String,
    /// What is still to be done in it.
    pub tasks: Vec<String>,
    /// Who is to do it.
    pub people: Vec<String>,
    /// Those of them who are away at the time, or no longer active.
    pub away: Vec<String>,
    /// When it begins.
    pub start: DateTime<Utc>,
    /// When it ends.
    pub end: DateTime<Utc>,
    /// Whether it is over without everything having been done.
    pub missed: bool,
}

impl ReportVisit {
    /// The visit in a line.
    pub fn line(&self, zone: Tz) -> String {
        let away = if self.away.is_empty() {
            String::new()
        } else {
            format!(" (AWAY: {}; cancel it and plan anew)", self.away.join(", "))
        };
        let what = self.tasks.join(", ");
        let when = moment(self.start, zone);
        format!("{:<16} {when}  {what}: {}{away}", self.place_tag, self.people.join(", "))
    }
}
