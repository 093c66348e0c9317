//! The whole database as rows of plain cells, the same from either backend, and
//! a fresh database filled from them. Knows nothing of the file they are kept in.

mod cells;
mod tables;

pub(crate) use cells::{Cell, Kind};
pub(crate) use tables::{Table, named};

use super::db::{Connector, DatabaseUrl, Db};
use super::error::{StoreError, StoreResult};
use super::memory::Memory;
use super::{Tx, feed, in_transaction, migrate, reading_days};
use diesel::connection::SimpleConnection as _;
use std::path::Path;
use tables::SERIALS;

/// How many values a statement may carry; both databases take more.
const MOST_VALUES: usize = 8_000;

/// Reads everything as it was at one moment, on a connection of its own. A
/// database whose migrations are not all applied is refused, and none is made.
pub(crate) fn snapshot<T, E: From<StoreError>>(
    url: &DatabaseUrl,
    work: impl FnOnce(&mut Tx<'_>) -> Result<T, E>,
) -> Result<T, E> {
    let mut db = existing(url)?;
    let missing = migrate::missing(&mut db)?;
    if !missing.is_empty() {
        let why = format!("{} must be applied first, which a start of the service does", missing.join(", "));
        return Err(StoreError::Migration(why).into());
    }
    // What was committed gets its place in the feed first, so that the copy has it too.
    let memory = Memory::default();
    in_transaction(&mut db, |db| feed::number(&mut Tx::new(db, &memory)))?;
    in_transaction(&mut db, |db| {
        if let Db::Postgres(connection) = db {
            connection
                .batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
                .map_err(StoreError::from)?;
        }
        work(&mut Tx::new(db, &memory))
    })
}

/// Opens a database that is there already.
pub(super) fn existing(url: &DatabaseUrl) -> StoreResult<Db> {
    if let DatabaseUrl::Sqlite(path) = url
        && !path.is_file()
    {
        return Err(StoreError::Unavailable(format!("there is no file {}", path.display())));
    }
    Connector(url.clone()).open()
}

/// Fills a database, brought to the present schema first, in one transaction
/// that keeps others out.
pub(crate) fn fill<T, E: From<StoreError>>(
    url: &DatabaseUrl,
    work: impl FnOnce(&mut Tx<'_>) -> Result<T, E>,
) -> Result<T, E> {
    let mut db = Connector(url.clone()).open()?;
    migrate::migrate(&mut db)?;
    let memory = Memory::default();
    in_transaction(&mut db, |db| {
        let tx = &mut Tx::new(db, &memory);
        tables::lock(tx)?;
        let done = work(tx)?;
        settle(tx)?;
        Ok(done)
    })
}

/// The names of the tables that hold something already.
pub(crate) fn occupied(tx: &mut Tx<'_>) -> StoreResult<Vec<&'static str>> {
    let mut occupied = Vec::new();
    for table in tables::all(tx)? {
        if tables::holds_any(tx, &table)? {
            occupied.push(table.name);
        }
    }
    Ok(occupied)
}

/// The tables that a copy is made of, in an order in which none refers to a later one.
pub(crate) fn tables(tx: &mut Tx<'_>) -> StoreResult<Vec<Table>> {
    tables::all(tx)
}

/// How many rows a table has.
pub(crate) fn count(tx: &mut Tx<'_>, table: &Table) -> StoreResult<u64> {
    tables::count(tx, table)
}

/// Hands over each row of a table, in the order of its key, without keeping any.
pub(crate) fn each_row<E: From<StoreError>>(
    tx: &mut Tx<'_>,
    table: &Table,
    mut take: impl FnMut(Vec<Cell>) -> Result<(), E>,
) -> Result<(), E> {
    let query = diesel::sql_query(tables::select(tx, table));
    match tx.db() {
        Db::Sqlite(connection) => {
            for row in cells::sqlite_rows(query, connection)? {
                take(table.typed(row.map_err(StoreError::from)?)?)?;
            }
        }
        Db::Postgres(connection) => {
            for row in cells::postgres_rows(query, connection)? {
                take(table.typed(row.map_err(StoreError::from)?)?)?;
            }
        }
    }
    Ok(())
}

/// How many rows of a table [`insert`] takes at once.
pub(crate) fn rows_at_once(table: &Table) -> usize {
    MOST_VALUES / table.columns.len().max(1)
}

/// Makes a table ready to be filled: positions that events were given while they
/// were filled in give way to those they had.
pub(crate) fn begin(tx: &mut Tx<'_>, table: &Table) -> StoreResult<()> {
    if table.name == "event_positions" {
        tables::run(tx, "DELETE FROM event_positions")?;
    }
    Ok(())
}

/// Puts rows into a table.
pub(crate) fn insert(tx: &mut Tx<'_>, table: &Table, rows: &[Vec<Cell>]) -> StoreResult<()> {
    if rows.is_empty() {
        return Ok(());
    }
    let statement = tables::insertion(tx, table, rows.len());
    match tx.db() {
        Db::Sqlite(connection) => cells::insert_sqlite(statement, table, rows, connection),
        Db::Postgres(connection) => cells::insert_postgres(statement, table, rows, connection),
    }
}

/// Gives a place in the feed to events that had none, and lets numbers be drawn
/// after those that are there.
fn settle(tx: &mut Tx<'_>) -> StoreResult<()> {
    reading_days::all_touched(tx)?;
    if let Db::Sqlite(_) = tx.db() {
        return tables::run(
            tx,
            "INSERT INTO event_positions (seq) SELECT seq FROM events \
             WHERE seq NOT IN (SELECT seq FROM event_positions) ORDER BY seq",
        );
    }
    for (table, column) in SERIALS {
        tables::run(
            tx,
            &format!(
                "SELECT setval(pg_get_serial_sequence('{table}', '{column}'), \
                 COALESCE(max({column}), 0) + 1, false) FROM {table}"
            ),
        )?;
    }
    // Only now: a position is drawn from a sequence that has just been set.
    tables::run(tx, "DELETE FROM event_queue WHERE seq IN (SELECT seq FROM event_positions)")
}

/// Copies an `SQLite` file while others write to it, as it is at one moment, into
/// a file that is empty; the copy is looked over before this returns.
pub fn copy_sqlite(from: &Path, to: &Path) -> StoreResult<()> {
    let mut db = existing(&DatabaseUrl::Sqlite(from.to_owned()))?;
    let Some(name) = to.to_str() else {
        return Err(StoreError::Unavailable("the name of the copy is not UTF-8".to_owned()));
    };
    db.batch_execute(&format!("VACUUM INTO '{}'", name.replace('\'', "''")))?;
    let faults = tables::integrity(to)?;
    if faults == ["ok"] { Ok(()) } else { Err(StoreError::corrupt("database", faults.join("; "))) }
}

#[cfg(test)]
mod tests;
