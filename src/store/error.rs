//! What can go wrong in the database, told apart in one place for both
//! backends: PostgreSQL reports constraint names, SQLite columns and messages.

use diesel::result::{DatabaseErrorKind, Error as DieselError};
use thiserror::Error;

/// A rule the database itself enforces.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Constraint {
    /// Two claims on one resource would overlap.
    ClaimsNeverOverlap,
    /// Another thing carries the tag already.
    TagTaken,
    /// Another person signs in with that token subject already.
    SubjectTaken,
    /// The idempotency key has been used.
    IdempotencyKeyUsed,
    /// The night has been computed for that instant.
    NightlyRunExists,
    /// The row refers to something missing, or is itself referred to.
    Reference,
    /// Any other, by what the database calls it.
    Other(String),
}

/// An error of the store.
#[derive(Debug, Error)]
pub enum StoreError {
    /// A rule of the database refused the change.
    #[error("the database refused the change ({0:?})")]
    Constraint(Constraint),
    /// Lost against a concurrent transaction; the same change may be tried again.
    #[error("lost against a concurrent change")]
    Contention,
    /// The database cannot be reached, is full or is too busy.
    #[error("the database is not available: {0}")]
    Unavailable(String),
    /// The caller has waited for long enough; a change may still be made.
    #[error("the database took too long")]
    TookTooLong,
    /// A fault of the program.
    #[error("{0}")]
    Panicked(String),
    /// A stored value is not one this version can have written.
    #[error("stored {what} cannot be read: {why}")]
    Corrupt {
        /// The column or document.
        what: &'static str,
        /// What is wrong with it.
        why: String,
    },
    /// Applying the migrations failed.
    #[error("migrating the database failed: {0}")]
    Migration(String),
    /// Anything else the database said.
    #[error("database error")]
    Database(#[source] DieselError),
}

/// Result of a store function.
pub type StoreResult<T> = Result<T, StoreError>;

/// An error that may carry a [`StoreError`], so that lost races can be tried again.
pub trait CarriesStoreError: From<StoreError> {
    /// The store error inside, if it is one.
    fn store_error(&self) -> Option<&StoreError>;
}

impl CarriesStoreError for StoreError {
    fn store_error(&self) -> Option<&StoreError> {
        Some(self)
    }
}

impl StoreError {
    /// A stored value that cannot be read.
    pub fn corrupt(what: &'static str, why: impl std::fmt::Display) -> Self {
        Self::Corrupt { what, why: why.to_string() }
    }

    /// Whether the database refused because of `constraint`.
    pub fn is(&self, constraint: &Constraint) -> bool {
        matches!(self, Self::Constraint(found) if found == constraint)
    }
}

impl From<DieselError> for StoreError {
    fn from(error: DieselError) -> Self {
        let DieselError::DatabaseError(kind, info) = &error else {
            // How far a transaction had come is no longer known where its connection was lost.
            if matches!(
                error,
                DieselError::BrokenTransactionManager
                    | DieselError::NotInTransaction
                    | DieselError::AlreadyInTransaction
            ) {
                return Self::Unavailable("the connection broke inside a transaction".to_owned());
            }
            if let DieselError::RollbackErrorOnCommit { commit_error, .. } = error {
                return Self::from(*commit_error);
            }
            return Self::Database(error);
        };
        let message = info.message();
        let name = info.constraint_name().unwrap_or(message);
        #[expect(
            clippy::wildcard_enum_match_arm,
            reason = "diesel's list is open; the rest is told by message"
        )]
        match kind {
            DatabaseErrorKind::UniqueViolation => Self::Constraint(unique(name)),
            DatabaseErrorKind::ForeignKeyViolation => Self::Constraint(Constraint::Reference),
            DatabaseErrorKind::ExclusionViolation => Self::Constraint(Constraint::ClaimsNeverOverlap),
            DatabaseErrorKind::SerializationFailure => Self::Contention,
            DatabaseErrorKind::ClosedConnection | DatabaseErrorKind::UnableToSendCommand => {
                Self::Unavailable(message.to_owned())
            }
            _ if name.contains("claims_never_overlap") => Self::Constraint(Constraint::ClaimsNeverOverlap),
            _ if message.contains("deadlock detected") => Self::Contention,
            _ if [
                "database is locked",
                "disk is full",
                // SQLite ends the whole transaction where the disk is full: what
                // fails then is undoing the part of it that met the full disk.
                "no such savepoint",
                "no transaction is active",
                "disk I/O error",
                "lock timeout",
                "terminating connection",
                "shutting down",
                "starting up",
                "recovery mode",
                "not yet accepting connections",
                "closed the connection",
                "no connection to the server",
                "could not send data to server",
                "could not receive data from server",
            ]
            .iter()
            .any(|known| message.contains(known)) =>
            {
                Self::Unavailable(message.to_owned())
            }
            _ => Self::Database(error),
        }
    }
}

/// Tells unique constraints apart by PostgreSQL's name or SQLite's columns.
fn unique(name: &str) -> Constraint {
    const KNOWN: [(&str, Constraint); 7] = [
        ("things_tag", Constraint::TagTaken),
        ("people_subject", Constraint::SubjectTaken),
        ("people.subject", Constraint::SubjectTaken),
        ("idempotency_keys_pkey", Constraint::IdempotencyKeyUsed),
        ("idempotency_keys.actor", Constraint::IdempotencyKeyUsed),
        ("nightly_runs_as_of_key", Constraint::NightlyRunExists),
        ("nightly_runs.as_of", Constraint::NightlyRunExists),
    ];
    KNOWN
        .into_iter()
        .find(|(known, _)| name.contains(known))
        .map_or_else(|| Constraint::Other(name.to_owned()), |(_, constraint)| constraint)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_connection_that_is_lost_makes_the_database_unavailable() {
        for error in [
            DieselError::BrokenTransactionManager,
            DieselError::NotInTransaction,
            DieselError::AlreadyInTransaction,
            DieselError::DatabaseError(
                DatabaseErrorKind::Unknown,
                Box::new("FATAL:  the database system is in recovery mode".to_owned()),
            ),
        ] {
            assert!(matches!(StoreError::from(error), StoreError::Unavailable(_)));
        }
    }
}
