//! How a use case can end other than well, as the world may see it.

use crate::domain::access::Missing;
use crate::domain::booking::{Conflict, PlannedClaim};
use crate::domain::calendar::Interval;
use crate::domain::facility::Scope;
use crate::domain::ids::GloveboxId;
use crate::domain::names::Tag;
use crate::domain::planning::Refusal;
use crate::domain::planning::changed::Change;
use crate::domain::violations::{Violation, Violations};
use crate::store::{CarriesStoreError, Constraint, StoreError};
use thiserror::Error;

/// Why a request was not carried out.
#[derive(Debug, Error)]
pub enum Error {
    /// There is no such thing, or the caller may not know of it.
    #[error("there is no {what} {reference}")]
    Unknown {
        /// The kind of thing.
        what: &'static str,
        /// How the caller named it.
        reference: String,
    },
    /// The request can be read but is wrong; every fault is named.
    #[error("{0}")]
    Invalid(Violations),
    /// The token does not allow it.
    #[error("the token lacks a scope that this needs")]
    Forbidden {
        /// Any one of these scopes would do.
        any_of: Vec<Scope>,
    },
    /// Allowed to some, but not to this caller.
    #[error("{0}")]
    NotYours(String),
    /// The thing has changed since the caller saw it.
    #[error("it has changed since; the present version is {current}")]
    Stale {
        /// The present version.
        current: i32,
    },
    /// The change needs an `If-Match` header.
    #[error("this change needs an If-Match header with the ETag last seen")]
    ConditionMissing,
    /// Something else has the name or place, or still refers to it.
    #[error("{detail}")]
    Taken {
        /// Stable code.
        code: &'static str,
        /// A sentence.
        detail: String,
    },
    /// The thing is not in a state that allows it.
    #[error("{0}")]
    WrongState(String),
    /// A booking that breaks rules or meets what is taken.
    #[error("the booking cannot be made as asked")]
    BookingRefused(Box<BookingRefusal>),
    /// No plan does what has to be done.
    #[error("{}", .0.summary)]
    PlanImpossible(Box<Refusal>),
    /// A plan that no longer fits.
    #[error("the plan no longer fits: {}", .0.iter().map(|change| change.detail.as_str()).collect::<Vec<_>>().join("; "))]
    PlanOutdated(Vec<Change>),
    /// Another plan is being made.
    #[error("another plan is being made; one at a time")]
    PlannerOccupied,
    /// The search was broken off.
    #[error("the service is stopping; the search was broken off")]
    PlannerStopped,
    /// The night is being computed already.
    #[error("the night is being computed just now, by this or another instance")]
    NightRunning,
    /// The idempotency key was used before with another request.
    #[error("the Idempotency-Key was used before with another request")]
    KeyReused,
    /// The store failed.
    #[error("the store failed")]
    Store(#[source] StoreError),
}

/// Everything in the way of a booking, and bookings that could be made instead.
#[derive(Debug, Clone, Default)]
pub struct BookingRefusal {
    /// Every rule broken.
    pub violations: Vec<Violation>,
    /// Everything that is taken, with the tags of what it is.
    pub conflicts: Vec<NamedConflict>,
    /// Up to three that would be accepted as they stand.
    pub alternatives: Vec<Alternative>,
}

/// A conflict with the name of what is taken.
#[derive(Debug, Clone)]
pub struct NamedConflict {
    /// The conflict.
    pub conflict: Conflict,
    /// Tag of the resource.
    pub tag: String,
}

/// A booking that could be made instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alternative {
    /// The box.
    pub glovebox: GloveboxId,
    /// Its tag.
    pub tag: Tag,
    /// Tags of the stations.
    pub stations: Vec<Tag>,
    /// When.
    pub interval: Interval,
    /// What it would claim.
    pub claims: Vec<PlannedClaim>,
}

/// Result of a use case.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    /// One violation of one field.
    pub fn invalid(field: &str, code: &'static str, detail: impl Into<String>) -> Self {
        Self::Invalid(Violation::new(field, code, detail).into())
    }

    /// There is no such thing.
    pub fn unknown(what: &'static str, reference: impl std::fmt::Display) -> Self {
        Self::Unknown { what, reference: reference.to_string() }
    }
}

impl From<StoreError> for Error {
    fn from(error: StoreError) -> Self {
        let StoreError::Constraint(constraint) = &error else { return Self::Store(error) };
        let taken = |code, detail: &str| Self::Taken { code, detail: detail.to_owned() };
        match constraint {
            Constraint::TagTaken => taken("tag_taken", "another thing carries this tag already"),
            Constraint::SubjectTaken => {
                taken("subject_taken", "another person signs in with this subject already")
            }
            Constraint::Reference => {
                taken("in_use", "something still refers to it, or it refers to something gone")
            }
            Constraint::ClaimsNeverOverlap
            | Constraint::IdempotencyKeyUsed
            | Constraint::NightlyRunExists
            | Constraint::Other(_) => Self::Store(error),
        }
    }
}

impl CarriesStoreError for Error {
    fn store_error(&self) -> Option<&StoreError> {
        if let Self::Store(error) = self { Some(error) } else { None }
    }
}

impl From<Violations> for Error {
    fn from(violations: Violations) -> Self {
        Self::Invalid(violations)
    }
}

impl From<Missing> for Error {
    fn from(missing: Missing) -> Self {
        Self::Forbidden { any_of: missing.any_of }
    }
}
