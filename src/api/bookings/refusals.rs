//! How a booking that cannot be made is answered.

use super::forms::BookingForm;
use crate::api::fields::rfc3339;
use crate::api::problem::{self, Problem};
use crate::domain::booking::claims::Owner;
use crate::domain::booking::decide::Blocker;
use crate::usecases::{Alternative, BookingRefusal, NamedConflict};
use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

/// Something that is taken.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct ConflictBody {
    /// Id of the resource, or of the box for a maintenance window.
    resource: Uuid,
    /// Its tag.
    resource_tag: String,
    /// Since when it is taken.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
    /// What the booking wanted it for.
    wanted_for: &'static str,
    /// `booking`, `maintenance_window` or `maintenance_visit`.
    taken_by: &'static str,
    /// What it is taken for, or the window's name.
    taken_for: String,
}

impl From<&NamedConflict> for ConflictBody {
    fn from(named: &NamedConflict) -> Self {
        let conflict = &named.conflict;
        let (taken_by, taken_for) = match &conflict.blocker {
            Blocker::Claim { why, owner: Owner::Booking(_) } => ("booking", why.word().to_owned()),
            Blocker::Claim { why, owner: Owner::Visit(_) } => ("maintenance_visit", why.word().to_owned()),
            Blocker::Window { name, .. } => ("maintenance_window", name.clone()),
        };
        Self {
            resource: conflict.resource.uuid(),
            resource_tag: named.tag.clone(),
            start: conflict.interval.start(),
            end: conflict.interval.end(),
            wanted_for: conflict.wanted_for.word(),
            taken_by,
            taken_for,
        }
    }
}

/// An alternative: the form sent, moved to where and when it would be accepted.
fn alternative(form: Option<&BookingForm>, other: &Alternative) -> Value {
    let stations: Vec<String> = other.stations.iter().map(ToString::to_string).collect();
    match form {
        Some(form) => json!(form.relocated(other.tag.to_string(), stations, other.interval)),
        None => json!({
            "glovebox": other.tag.to_string(),
            "stations": stations,
            "start": rfc3339(other.interval.start()),
            "end": rfc3339(other.interval.end()),
        }),
    }
}

/// The problem that a refusal is: rules broken (422), or a time taken (409).
/// Either way everything found is in it.
pub(crate) fn refusal_problem(refusal: &BookingRefusal, form: Option<&BookingForm>) -> Problem {
    let conflicts: Vec<ConflictBody> = refusal.conflicts.iter().map(Into::into).collect();
    let alternatives: Vec<Value> =
        refusal.alternatives.iter().map(|other| alternative(form, other)).collect();
    if refusal.violations.is_empty() {
        let taken: Vec<&str> = refusal.conflicts.iter().map(|named| named.tag.as_str()).collect();
        return Problem::new(problem::BOOKING_CONFLICT, format!("taken at that time: {}", taken.join(", ")))
            .with("conflicts", conflicts)
            .with("alternatives", alternatives);
    }
    let details: Vec<&str> = refusal.violations.iter().map(|broken| broken.detail.as_str()).collect();
    let refused = Problem::new(problem::BOOKING_NOT_ALLOWED, details.join("; "))
        .with("violations", &refusal.violations);
    if conflicts.is_empty() {
        return refused;
    }
    refused.with("conflicts", conflicts).with("alternatives", alternatives)
}
