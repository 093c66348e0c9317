//! The record of every change, written in the transaction that makes it.

use super::Tx;
use super::db::either;
use super::error::StoreResult;
use super::schema::events;
use crate::domain::feed;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use serde::Serialize;
use uuid::Uuid;

#[derive(Insertable)]
#[diesel(table_name = events)]
struct EventRow<'a> {
    at: NaiveDateTime,
    kind: &'a str,
    subject_id: String,
    actor: &'a str,
    body: String,
}

/// Appends what happened to one thing. The body holds the facts that anyone who
/// sees the facility may know, and under `before` and `after` the thing itself as
/// far as it is noted, for the audit only.
pub(crate) fn append(
    tx: &mut Tx<'_>,
    at: DateTime<Utc>,
    kind: &str,
    subject: Uuid,
    actor: &str,
    body: &impl Serialize,
) -> StoreResult<()> {
    debug_assert!(feed::is_known(kind), "{kind} is not in the vocabulary of events");
    let body = serde_json::to_string(body).expect("what happened always serialises");
    let row = EventRow { at: at.naive_utc(), kind, subject_id: subject.to_string(), actor, body };
    let statement = diesel::insert_into(events::table).values(&row);
    either!(tx.db(), connection => statement.execute(connection)?);
    Ok(())
}
