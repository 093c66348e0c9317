//! Nights that were computed, one for each moment, with their reports.

use super::Tx;
use super::db::Db;
use super::error::{Constraint, StoreError, StoreResult};
use super::schema::nightly_runs;
use super::site::document;
use super::things::{checked, uuid};
use crate::domain::upkeep::report::NightlyReport;
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

/// A night that was computed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Night {
    /// Its id.
    pub(crate) id: Uuid,
    /// When the computation began.
    pub(crate) started_at: DateTime<Utc>,
    /// When it ended.
    pub(crate) finished_at: DateTime<Utc>,
    /// What it found.
    pub(crate) report: NightlyReport,
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = nightly_runs)]
struct NightRow {
    id: String,
    as_of: NaiveDateTime,
    started_at: NaiveDateTime,
    finished_at: NaiveDateTime,
    safety_overdue: bool,
    report: String,
}

impl TryFrom<NightRow> for Night {
    type Error = StoreError;

    fn try_from(row: NightRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("nightly_runs.id", &row.id)?,
            started_at: row.started_at.and_utc(),
            finished_at: row.finished_at.and_utc(),
            report: checked("nightly_runs.report", serde_json::from_str(&row.report))?,
        })
    }
}

/// Any number; nights take turns on it.
const NIGHTS: i64 = 4_917_203_588;

/// Whether no other night is being computed, from now until the transaction
/// ends. `SQLite` has one writer, so that none is.
pub(crate) fn alone(tx: &mut Tx<'_>) -> StoreResult<bool> {
    let Db::Postgres(connection) = tx.db() else { return Ok(true) };
    let lock = format!("SELECT pg_try_advisory_xact_lock({NIGHTS}) AS taken");
    Ok(diesel::sql_query(lock).get_result::<Lock>(connection)?.taken)
}

/// Whether a night is being computed by any process, where the database can tell:
/// `PostgreSQL` shows who holds the lock, the file of `SQLite` does not.
pub(crate) fn under_way(tx: &mut Tx<'_>) -> StoreResult<bool> {
    let Db::Postgres(connection) = tx.db() else { return Ok(false) };
    let held = format!(
        "SELECT EXISTS (SELECT 1 FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 1 \
         AND database = (SELECT oid FROM pg_database WHERE datname = current_database()) \
         AND (classid::bigint << 32 | objid::bigint) = {NIGHTS}) AS taken"
    );
    Ok(diesel::sql_query(held).get_result::<Lock>(connection)?.taken)
}

#[derive(QueryableByName)]
struct Lock {
    #[diesel(sql_type = diesel::sql_types::Bool)]
    taken: bool,
}

/// Takes the moment for a computation, so that a second one waits for the
/// first and then finds its report; `false` where it is taken already.
pub(crate) fn take(tx: &mut Tx<'_>, id: Uuid, as_of: DateTime<Utc>, now: DateTime<Utc>) -> StoreResult<bool> {
    let row = NightRow {
        id: id.to_string(),
        as_of: as_of.naive_utc(),
        started_at: now.naive_utc(),
        finished_at: now.naive_utc(),
        safety_overdue: false,
        report: String::new(),
    };
    let taken: StoreResult<()> = tx.nested(|tx| {
        diesel::insert_into(nightly_runs::table).values(&row).execute(tx.db())?;
        Ok(())
    });
    match taken {
        Ok(()) => Ok(true),
        Err(error) if error.is(&Constraint::NightlyRunExists) => Ok(false),
        Err(error) => Err(error),
    }
}

/// Keeps the report of a moment taken before in the same transaction.
pub(crate) fn finish(tx: &mut Tx<'_>, night: &Night) -> StoreResult<()> {
    diesel::update(nightly_runs::table.find(night.id.to_string()))
        .set((
            nightly_runs::finished_at.eq(night.finished_at.naive_utc()),
            nightly_runs::safety_overdue.eq(night.report.safety_overdue),
            nightly_runs::report.eq(document(&night.report)),
        ))
        .execute(tx.db())?;
    Ok(())
}

/// The night of that id.
pub(crate) fn find(tx: &mut Tx<'_>, id: Uuid) -> StoreResult<Option<Night>> {
    let row: Option<NightRow> = nightly_runs::table.find(id.to_string()).first(tx.db()).optional()?;
    row.map(TryInto::try_into).transpose()
}

/// The night computed for a moment.
pub(crate) fn at(tx: &mut Tx<'_>, as_of: DateTime<Utc>) -> StoreResult<Option<Night>> {
    let row: Option<NightRow> =
        nightly_runs::table.filter(nightly_runs::as_of.eq(as_of.naive_utc())).first(tx.db()).optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Up to `limit` of them in order of id, after the one of id `after`.
pub(crate) fn page(tx: &mut Tx<'_>, after: Option<Uuid>, limit: i64) -> StoreResult<Vec<Night>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let rows: Vec<NightRow> = nightly_runs::table
        .filter(nightly_runs::id.gt(after))
        .order(nightly_runs::id)
        .limit(limit)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The night computed for the latest moment.
pub(crate) fn latest(tx: &mut Tx<'_>) -> StoreResult<Option<Night>> {
    let row: Option<NightRow> =
        nightly_runs::table.order(nightly_runs::as_of.desc()).first(tx.db()).optional()?;
    row.map(TryInto::try_into).transpose()
}
