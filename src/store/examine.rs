//! Looking a database over without changing what it holds.

use super::db::{Connector, DatabaseUrl, Db};
use super::error::StoreResult;
use super::instant::far_ahead;
use super::schema::{events, reading_series};
use super::{StoreError, Tx, in_transaction, memory::Memory, migrate, readings};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::{max, sql};
use diesel::prelude::*;
use diesel::sql_types::{Integer, Text};

/// What an examination found.
#[derive(Debug, Clone, PartialEq)]
pub struct Examination {
    /// Migrations that this program knows and the database does not have yet.
    pub missing_migrations: Vec<String>,
    /// Settings of the connection that are not as they should be, with what they are.
    pub wrong_settings: Vec<String>,
    /// What the database says of its own integrity, where it says anything; `ok` for nothing wrong.
    pub integrity: Option<String>,
    /// When the last event happened.
    pub last_event: Option<DateTime<Utc>>,
    /// When the last reading was taken.
    pub last_reading: Option<DateTime<Utc>>,
}

/// Looks a database over; fails where it cannot be reached or written to.
pub fn examine(url: &DatabaseUrl) -> StoreResult<Examination> {
    let mut db = Connector(url.clone()).open()?;
    let missing_migrations = migrate::missing(&mut db)?;
    let (wrong_settings, integrity) = match &mut db {
        Db::Sqlite(connection) => (settings(connection)?, Some(integrity(connection)?)),
        Db::Postgres(_) => (Vec::new(), None),
    };
    try_to_write(&mut db)?;
    let (mut last_event, mut last_reading) = (None, None);
    if missing_migrations.is_empty() {
        let memory = Memory::default();
        (last_event, last_reading) = in_transaction(&mut db, |db| latest(&mut Tx::new(db, &memory)))?;
    }
    Ok(Examination { missing_migrations, wrong_settings, integrity, last_event, last_reading })
}

fn settings(connection: &mut SqliteConnection) -> StoreResult<Vec<String>> {
    let journal: String = sql::<Text>("PRAGMA journal_mode").get_result(connection)?;
    let synchronous: i32 = sql::<Integer>("PRAGMA synchronous").get_result(connection)?;
    let foreign_keys: i32 = sql::<Integer>("PRAGMA foreign_keys").get_result(connection)?;
    let mut wrong = Vec::new();
    if journal != "wal" {
        wrong.push(format!("journal_mode is {journal}, not wal: readers and the writer block each other"));
    }
    if synchronous < 2 {
        wrong.push(format!(
            "synchronous is {synchronous}, not 2 (FULL): a power cut may lose what was acknowledged"
        ));
    }
    if foreign_keys != 1 {
        wrong.push("foreign_keys is off".to_owned());
    }
    Ok(wrong)
}

fn integrity(connection: &mut SqliteConnection) -> StoreResult<String> {
    Ok(sql::<Text>("PRAGMA quick_check(1)").get_result(connection)?)
}

/// Writes within a transaction that is undone.
fn try_to_write(db: &mut Db) -> StoreResult<()> {
    enum Undone {
        OnPurpose,
        Failed(StoreError),
    }
    impl From<StoreError> for Undone {
        fn from(error: StoreError) -> Self {
            Self::Failed(error)
        }
    }
    let write = |db: &mut Db| -> Result<(), Undone> {
        let create = "CREATE TABLE drykeep_doctor_probe (probe INTEGER)";
        diesel::sql_query(create).execute(db).map_err(|error| Undone::Failed(error.into()))?;
        Err(Undone::OnPurpose)
    };
    match in_transaction(db, write) {
        Ok(()) | Err(Undone::OnPurpose) => Ok(()),
        Err(Undone::Failed(error)) => Err(error),
    }
}

type Latest = (Option<DateTime<Utc>>, Option<DateTime<Utc>>);

fn latest(tx: &mut Tx<'_>) -> StoreResult<Latest> {
    let event: Option<NaiveDateTime> = events::table.select(max(events::at)).first(tx.db())?;
    let series: Vec<i64> = reading_series::table.select(reading_series::id).load(tx.db())?;
    let mut reading: Option<DateTime<Utc>> = None;
    // The end of each series is one step down the primary key.
    for number in series {
        let last = readings::last_before(tx, number, far_ahead())?;
        reading = reading.max(last.map(|point| point.at));
    }
    Ok((event.map(|at| at.and_utc()), reading))
}
