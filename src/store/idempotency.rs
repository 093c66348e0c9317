//! Answers kept under the key their request came with.

use super::Tx;
use super::error::{Constraint, StoreError, StoreResult};
use super::schema::idempotency_keys;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;

/// An answer as it was first given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct KeptAnswer {
    /// Hash of the request it answered.
    pub(crate) request_hash: String,
    /// HTTP status.
    pub(crate) status: i32,
    /// Body.
    pub(crate) body: String,
    /// `Location` header.
    pub(crate) location: Option<String>,
    /// `ETag` header.
    pub(crate) etag: Option<String>,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = idempotency_keys)]
struct KeyRow {
    actor: String,
    idempotency_key: String,
    request_hash: String,
    status: i32,
    body: String,
    location: Option<String>,
    etag: Option<String>,
    created_at: NaiveDateTime,
}

impl From<KeyRow> for KeptAnswer {
    fn from(row: KeyRow) -> Self {
        let KeyRow { request_hash, status, body, location, etag, .. } = row;
        Self { request_hash, status, body, location, etag }
    }
}

/// Takes the key for a request, or returns the answer it already has.
///
/// The row goes in first, so that of two requests with one key the second
/// waits for the first to commit and then finds its answer.
pub(crate) fn take(
    tx: &mut Tx<'_>,
    actor: &str,
    key: &str,
    request_hash: &str,
    now: DateTime<Utc>,
) -> StoreResult<Option<KeptAnswer>> {
    let row = KeyRow {
        actor: actor.to_owned(),
        idempotency_key: key.to_owned(),
        request_hash: request_hash.to_owned(),
        status: 0,
        body: String::new(),
        location: None,
        etag: None,
        created_at: now.naive_utc(),
    };
    let inserted: StoreResult<()> = tx.nested(|tx| {
        diesel::insert_into(idempotency_keys::table).values(&row).execute(tx.db())?;
        Ok(())
    });
    match inserted {
        Ok(()) => Ok(None),
        Err(error) if error.is(&Constraint::IdempotencyKeyUsed) => {
            let row: KeyRow = idempotency_keys::table
                .find((actor.to_owned(), key.to_owned()))
                .first(tx.db())
                .optional()?
                .ok_or(StoreError::Contention)?;
            Ok(Some(row.into()))
        }
        Err(error) => Err(error),
    }
}

/// The answer that a key has already, for requests whose work begins before
/// anything is written.
pub(crate) fn peek(tx: &mut Tx<'_>, actor: &str, key: &str) -> StoreResult<Option<KeptAnswer>> {
    let row: Option<KeyRow> =
        idempotency_keys::table.find((actor.to_owned(), key.to_owned())).first(tx.db()).optional()?;
    Ok(row.map(Into::into))
}

/// Keeps the answer under a key taken before in the same transaction.
pub(crate) fn keep(tx: &mut Tx<'_>, actor: &str, key: &str, answer: &KeptAnswer) -> StoreResult<()> {
    diesel::update(idempotency_keys::table.find((actor.to_owned(), key.to_owned())))
        .set((
            idempotency_keys::status.eq(answer.status),
            idempotency_keys::body.eq(&answer.body),
            idempotency_keys::location.eq(&answer.location),
            idempotency_keys::etag.eq(&answer.etag),
        ))
        .execute(tx.db())?;
    Ok(())
}

/// Forgets the keys taken before `before`.
pub(crate) fn forget(tx: &mut Tx<'_>, before: DateTime<Utc>) -> StoreResult<usize> {
    Ok(diesel::delete(idempotency_keys::table.filter(idempotency_keys::created_at.lt(before.naive_utc())))
        .execute(tx.db())?)
}
