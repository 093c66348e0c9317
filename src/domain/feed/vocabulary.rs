//! The words for what can happen. What follows the feed relies on them: words
//! are added, never changed.

use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// What every type of event begins with.
pub const PREFIX: &str = "drykeep.";

/// Every kind of event, without the prefix, and what it tells.
pub const EVENT_TYPES: &[(&str, &str)] = &[
    ("booking.affected", "a hold closes what a booking needs"),
    ("booking.cancelled", "a booking was called off"),
    ("booking.changed", "a booking was changed"),
    ("booking.closed_out", "the work is done and its record is in"),
    ("booking.created", "a booking was made"),
    ("booking.displaced", "a booking gave way to upkeep"),
    ("booking.no_show", "nobody came and the time was released"),
    ("booking.restored", "the hold that affected a booking was released"),
    ("booking.started", "work began"),
    ("calendar_key.created", "somebody may subscribe to a calendar"),
    ("calendar_key.revoked", "a calendar's key opens nothing any more"),
    ("due_item.changed", "an upkeep task is due at another time or in another state"),
    ("facility.changed", "the facility's hours, closures or policies were changed"),
    ("facility.created", "the service was started for the first time"),
    ("gas_supply.changed", "a gas supply or its cylinders were changed"),
    ("gas_supply.created", "a gas supply was added"),
    ("gas_supply.removed", "a gas supply was removed"),
    ("glovebox.changed", "a glovebox or its parts were changed"),
    ("glovebox.created", "a glovebox was added"),
    ("glovebox.removed", "a glovebox was removed"),
    ("hold.opened", "a box or part of it was closed to use"),
    ("hold.released", "it was opened to use again"),
    ("maintenance_plan.adopted", "a plan's visits were put on the calendar"),
    ("maintenance_plan.created", "a plan was proposed"),
    ("maintenance_plan.removed", "a plan was thrown away"),
    ("maintenance_visit.cancelled", "a visit was called off"),
    ("maintenance_visit.changed", "a visit was changed"),
    ("maintenance_visit.completed", "a visit's work is done"),
    ("maintenance_visit.created", "a visit was put on the calendar"),
    ("maintenance_window.changed", "a maintenance window was changed"),
    ("maintenance_window.created", "a maintenance window was added"),
    ("maintenance_window.removed", "a maintenance window was removed"),
    ("nightly_run.finished", "what is due was computed"),
    ("person.changed", "a person's record was changed"),
    ("person.created", "a person was added"),
    ("person.removed", "a person was removed"),
    ("qualification.changed", "a qualification was changed"),
    ("qualification.created", "a qualification was added"),
    ("qualification.removed", "a qualification was removed"),
    ("reading.removed", "a reading was withdrawn"),
    ("readings.received", "readings of one quantity on one part came in"),
    ("room.changed", "a room was changed"),
    ("room.created", "a room was added"),
    ("room.removed", "a room was removed"),
    ("service.changed", "the record of an upkeep that was done was corrected"),
    ("service.created", "upkeep was done"),
    ("service.removed", "the record of an upkeep was withdrawn"),
    ("stock_item.changed", "a consumable was changed"),
    ("stock_item.created", "a consumable was added"),
    ("stock_item.moved", "a consumable was bought, used or counted"),
    ("stock_item.removed", "a consumable was removed"),
    ("upkeep_rule.changed", "an upkeep rule was changed"),
    ("upkeep_rule.created", "an upkeep rule was added"),
    ("upkeep_rule.removed", "an upkeep rule was removed"),
    ("usage_statement.closed", "the statements of a month stay as they are from now on"),
    ("webhook.changed", "a webhook was changed"),
    ("webhook.created", "a webhook was added"),
    ("webhook.disabled", "a webhook was switched off because it failed for too long"),
    ("webhook.ping", "somebody asked for a trial delivery; never in the feed"),
    ("webhook.removed", "a webhook was removed"),
    ("webhook.secret_rotated", "a webhook was given a new secret"),
];

/// Whether a kind is one of those listed.
pub fn is_known(kind: &str) -> bool {
    EVENT_TYPES.iter().any(|(known, _)| *known == kind)
}

/// The type under which a kind of event is told of.
pub fn type_of(kind: &str) -> String {
    format!("{PREFIX}{kind}")
}

/// Which types of event are wanted: one, or all that begin alike (`drykeep.booking.*`).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct TypeFilter(String);

/// A filter that no event can ever pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error(
    "must be a type of event, such as drykeep.booking.created, or a group of them, such as drykeep.booking.*"
)]
pub struct UnknownType;

impl Coded for UnknownType {
    fn code(&self) -> &'static str {
        "unknown_type"
    }
}

impl TypeFilter {
    /// Checks that some event can pass.
    pub fn parse(text: &str) -> Result<Self, UnknownType> {
        let filter = Self(text.to_owned());
        if EVENT_TYPES.iter().any(|(kind, _)| filter.passes(kind)) { Ok(filter) } else { Err(UnknownType) }
    }

    /// Whether an event of a kind passes.
    pub fn passes(&self, kind: &str) -> bool {
        let Some(wanted) = self.0.strip_prefix(PREFIX) else { return false };
        match wanted.strip_suffix(".*") {
            Some(group) => kind.split_once('.').is_some_and(|(thing, _)| thing == group),
            None => wanted == kind,
        }
    }
}

impl TryFrom<String> for TypeFilter {
    type Error = UnknownType;

    fn try_from(text: String) -> Result<Self, UnknownType> {
        Self::parse(&text)
    }
}

impl From<TypeFilter> for String {
    fn from(filter: TypeFilter) -> Self {
        filter.0
    }
}

impl fmt::Display for TypeFilter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_are_sorted_and_each_stands_once() {
        let mut words: Vec<&str> = EVENT_TYPES.iter().map(|(kind, _)| *kind).collect();
        let listed = words.clone();
        words.sort_unstable();
        words.dedup();
        assert_eq!(words, listed);
    }

    #[test]
    fn a_filter_passes_one_type_or_a_group() {
        let one = TypeFilter::parse("drykeep.booking.created").unwrap();
        assert!(one.passes("booking.created") && !one.passes("booking.changed"));
        let group = TypeFilter::parse("drykeep.booking.*").unwrap();
        assert!(group.passes("booking.created") && group.passes("booking.no_show"));
        assert!(!group.passes("hold.opened"));
        for nothing in [
            "",
            "*",
            "booking.created",
            "drykeep.*",
            "drykeep.booking",
            "drykeep.bookings.*",
            "drykeep.book*",
        ] {
            assert_eq!(TypeFilter::parse(nothing), Err(UnknownType), "{nothing:?}");
        }
    }
}
