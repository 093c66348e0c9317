//! The order in which events are told to others.
//!
//! `PostgreSQL` draws an event's number (`seq`) before its transaction commits, so
//! a reader who has seen 7 may see 6 appear later. Triggers therefore put every
//! new event into a queue; whoever holds one lock takes what has been committed
//! from the queue and gives it positions. Whoever comes next sees those positions
//! and gives higher ones, so positions become visible in their order and none
//! appears later between those already seen. Among events numbered together,
//! and between those numbered one after the other, the order is the one in which
//! changes that depend on each other were made: a change that waits for another
//! writes its event after that one has been committed.
//!
//! `SQLite` has one writer; its trigger gives the position at once.

use super::Tx;
use super::db::Db;
use super::error::StoreResult;
use super::schema::{event_positions, event_queue, events};
use super::things::uuid;
use crate::domain::feed::{Cursor, Event};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use uuid::Uuid;

/// Any number; those who number events take turns on it.
const NUMBERING: i64 = 4_917_203_587;

type Row = (i64, String, NaiveDateTime, String, String, String, String);

const COLUMNS: (
    event_positions::position,
    event_positions::id,
    events::at,
    events::kind,
    events::subject_id,
    events::actor,
    events::body,
) = (
    event_positions::position,
    event_positions::id,
    events::at,
    events::kind,
    events::subject_id,
    events::actor,
    events::body,
);

fn event(row: Row) -> StoreResult<Event> {
    let (position, id, at, kind, subject, actor, body) = row;
    Ok(Event {
        position,
        id,
        at: at.and_utc(),
        kind,
        subject: uuid("events.subject_id", &subject)?,
        actor,
        body: super::things::checked("events.body", serde_json::from_str(&body))?,
    })
}

/// Whether committed events wait for a position.
pub(crate) fn waiting(tx: &mut Tx<'_>) -> StoreResult<bool> {
    Ok(event_queue::table.select(event_queue::seq).first::<i64>(tx.db()).optional()?.is_some())
}

/// Gives positions to the committed events that have none; returns how many.
pub(crate) fn number(tx: &mut Tx<'_>) -> StoreResult<usize> {
    let Db::Postgres(connection) = tx.db() else { return Ok(0) };
    // A statement of its own: the next one's snapshot has to be taken with the lock held.
    sql_query(format!("SELECT pg_advisory_xact_lock({NUMBERING})")).execute(connection)?;
    Ok(sql_query(
        "WITH taken AS (DELETE FROM event_queue RETURNING seq) \
         INSERT INTO event_positions (seq) SELECT seq FROM taken ORDER BY seq",
    )
    .execute(connection)?)
}

/// Up to `limit` events after a position, in order.
pub(crate) fn after(tx: &mut Tx<'_>, position: i64, limit: i64) -> StoreResult<Vec<Event>> {
    let rows: Vec<Row> = event_positions::table
        .inner_join(events::table)
        .filter(event_positions::position.gt(position))
        .order(event_positions::position)
        .limit(limit)
        .select(COLUMNS)
        .load(tx.db())?;
    rows.into_iter().map(event).collect()
}

/// The event at a position.
pub(crate) fn at(tx: &mut Tx<'_>, position: i64) -> StoreResult<Option<Event>> {
    let row: Option<Row> = event_positions::table
        .inner_join(events::table)
        .filter(event_positions::position.eq(position))
        .select(COLUMNS)
        .first(tx.db())
        .optional()?;
    row.map(event).transpose()
}

/// The id of the event that a cursor stands after.
pub(crate) fn id_at(tx: &mut Tx<'_>, cursor: &Cursor) -> StoreResult<Option<String>> {
    Ok(event_positions::table
        .find(cursor.position())
        .select(event_positions::id)
        .first(tx.db())
        .optional()?)
}

/// The highest position given; 0 where none is.
pub(crate) fn last(tx: &mut Tx<'_>) -> StoreResult<i64> {
    let last: Option<i64> = event_positions::table
        .select(event_positions::position)
        .order(event_positions::position.desc())
        .first(tx.db())
        .optional()?;
    Ok(last.unwrap_or(0))
}

/// Which events an audit asks for.
#[derive(Debug, Clone, Default)]
pub(crate) struct Audited {
    /// To this thing.
    pub(crate) subject: Option<Uuid>,
    /// By whoever has this token subject.
    pub(crate) actor: Option<String>,
    /// Not before this.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Before this.
    pub(crate) to: Option<DateTime<Utc>>,
}

/// Up to `limit` of the events asked for after a position, in order.
pub(crate) fn audited(
    tx: &mut Tx<'_>,
    wanted: &Audited,
    position: i64,
    limit: i64,
) -> StoreResult<Vec<Event>> {
    let mut query = event_positions::table
        .inner_join(events::table)
        .filter(event_positions::position.gt(position))
        .order(event_positions::position)
        .limit(limit)
        .select(COLUMNS)
        .into_boxed();
    if let Some(subject) = wanted.subject {
        query = query.filter(events::subject_id.eq(subject.to_string()));
    }
    if let Some(actor) = &wanted.actor {
        query = query.filter(events::actor.eq(actor.clone()));
    }
    if let Some(from) = wanted.from {
        query = query.filter(events::at.ge(from.naive_utc()));
    }
    if let Some(to) = wanted.to {
        query = query.filter(events::at.lt(to.naive_utc()));
    }
    let rows: Vec<Row> = query.load(tx.db())?;
    rows.into_iter().map(event).collect()
}
