//! Which tables a copy of the database is made of, what columns they have, and
//! the statements to read and fill them.

use super::cells::{Cell, Kind, Raw};
use crate::store::Tx;
use crate::store::db::Db;
use crate::store::error::{StoreError, StoreResult};
use diesel::connection::SimpleConnection as _;
use diesel::sql_types::{BigInt, Text};
use diesel::{Connection as _, QueryableByName, RunQueryDsl as _, SqliteConnection, sql_query};
use std::fmt::Write as _;
use std::path::Path;

/// A table, the columns in which its rows refer to rows of the same table, and
/// those of its key. Rows that refer to none of their own come first.
struct Listed(&'static str, &'static [&'static str], &'static [&'static str]);

const ID: &[&str] = &["id"];

/// Every table that is copied; none refers to a later one.
const TABLES: &[Listed] = &[
    Listed("things", &["parent_id"], ID),
    Listed("facility", &[], ID),
    Listed("rooms", &[], ID),
    Listed("gas_supplies", &[], ID),
    Listed("cylinders", &[], ID),
    Listed("gloveboxes", &[], ID),
    Listed("stations", &[], ID),
    Listed("antechambers", &[], ID),
    Listed("instruments", &[], ID),
    Listed("purifiers", &[], ID),
    Listed("people", &[], ID),
    Listed("qualifications", &[], ID),
    Listed("holds", &[], ID),
    Listed("maintenance_plans", &[], ID),
    Listed("maintenance_visits", &[], ID),
    Listed("bookings", &[], ID),
    Listed("claims", &[], ID),
    Listed("maintenance_windows", &[], ID),
    Listed("upkeep_rules", &[], ID),
    Listed("services", &[], ID),
    Listed("due_items", &[], ID),
    Listed("due_date_history", &[], ID),
    Listed("nightly_runs", &[], ID),
    Listed("idempotency_keys", &[], &["actor", "idempotency_key"]),
    Listed("reading_series", &[], ID),
    Listed("readings", &[], &["series_id", "at"]),
    Listed("events", &[], &["seq"]),
    Listed("event_positions", &[], &["position"]),
    Listed("webhooks", &[], ID),
    Listed("webhook_deliveries", &[], ID),
    Listed("stock_items", &[], ID),
    // A reversal refers to a movement, which may refer to the order it came of.
    Listed("stock_movements", &["reverses_id", "order_id"], ID),
    Listed("calendar_keys", &[], ID),
    Listed("usage_closings", &[], &["month"]),
    Listed("usage_entries", &[], ID),
];

/// Tables that are left out of a copy, since what they hold follows from the
/// others or is of the moment: it is made anew where it is needed.
#[cfg(test)]
pub(super) const DERIVED: &[&str] =
    &["event_queue", "facility_revision", "reading_days", "stale_reading_days", "whole_days"];

/// Columns whose numbers are drawn from a sequence.
pub(super) const SERIALS: [(&str, &str); 3] =
    [("reading_series", "id"), ("events", "seq"), ("event_positions", "position")];

/// A column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Column {
    /// Its name.
    pub(crate) name: String,
    /// What it holds.
    pub(crate) kind: Kind,
}

/// A table as it is in a database.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Table {
    /// Its name.
    pub(crate) name: &'static str,
    /// Its columns, sorted by name.
    pub(crate) columns: Vec<Column>,
}

impl Table {
    /// What a row's values mean in their columns.
    pub(super) fn typed(&self, row: Raw) -> StoreResult<Vec<Cell>> {
        let cells = self.columns.iter().zip(row.0).map(|(column, cell)| {
            cell.of_kind(column.kind)
                .map_err(|why| StoreError::corrupt(self.name, format!("{}: {why}", column.name)))
        });
        cells.collect()
    }

    fn listed(&self) -> &'static Listed {
        let found = TABLES.iter().find(|listed| listed.0 == self.name);
        found.expect("a table is made from the list only")
    }

    fn kind(&self, column: &str) -> Kind {
        let found = self.columns.iter().find(|one| one.name == column);
        found.map_or(Kind::Text, |column| column.kind)
    }

    /// The names of its columns, for a statement.
    fn names(&self) -> String {
        let names: Vec<String> = self.columns.iter().map(|column| format!("\"{}\"", column.name)).collect();
        names.join(", ")
    }
}

/// The table of that name, where a copy holds it.
pub(crate) fn named(name: &str) -> Option<&'static str> {
    TABLES.iter().map(|listed| listed.0).find(|listed| *listed == name)
}

/// Whether rows of a table are sorted by that reference to rows of the same table.
#[cfg(test)]
pub(super) fn refers_to_itself(name: &str, column: &str) -> bool {
    TABLES.iter().any(|listed| listed.0 == name && listed.1.contains(&column))
}

/// The tables as the database has them.
pub(super) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Table>> {
    TABLES.iter().map(|listed| described(tx, listed.0)).collect()
}

#[derive(QueryableByName)]
struct ColumnRow {
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = Text)]
    kind: String,
}

fn described(tx: &mut Tx<'_>, name: &'static str) -> StoreResult<Table> {
    let rows: Vec<ColumnRow> = match tx.db() {
        Db::Sqlite(connection) => {
            sql_query(format!("SELECT name, lower(type) AS kind FROM pragma_table_info('{name}')"))
                .load(connection)?
        }
        Db::Postgres(connection) => sql_query(format!(
            "SELECT column_name::text AS name, data_type::text AS kind FROM information_schema.columns \
             WHERE table_schema = current_schema() AND table_name = '{name}'"
        ))
        .load(connection)?,
    };
    let mut columns = Vec::with_capacity(rows.len());
    for ColumnRow { name: column, kind } in rows {
        let kind = Kind::of_type(&kind)
            .ok_or_else(|| StoreError::corrupt(name, format!("{column} is of the unknown type {kind}")))?;
        columns.push(Column { name: column, kind });
    }
    if columns.is_empty() {
        return Err(StoreError::corrupt(name, "there is no such table"));
    }
    columns.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(Table { name, columns })
}

/// Keeps writers out until the transaction ends. They would meet a database that
/// is half filled, and what they wrote would keep it from being filled.
pub(super) fn lock(tx: &mut Tx<'_>) -> StoreResult<()> {
    match tx.db() {
        // Any write takes the one lock there is; this one changes nothing.
        Db::Sqlite(_) => run(tx, "DELETE FROM event_queue WHERE seq < 0"),
        Db::Postgres(_) => {
            let names: Vec<&str> = TABLES.iter().map(|listed| listed.0).collect();
            run(tx, &format!("LOCK TABLE {} IN SHARE ROW EXCLUSIVE MODE", names.join(", ")))
        }
    }
}

/// Runs a statement that gives nothing back.
pub(super) fn run(tx: &mut Tx<'_>, statement: &str) -> StoreResult<()> {
    Ok(tx.db().batch_execute(statement)?)
}

#[derive(QueryableByName)]
struct Counted {
    #[diesel(sql_type = BigInt)]
    rows: i64,
}

fn counted(tx: &mut Tx<'_>, query: &str) -> StoreResult<i64> {
    let found: Counted = match tx.db() {
        Db::Sqlite(connection) => sql_query(query).get_result(connection)?,
        Db::Postgres(connection) => sql_query(query).get_result(connection)?,
    };
    Ok(found.rows)
}

pub(super) fn count(tx: &mut Tx<'_>, table: &Table) -> StoreResult<u64> {
    let rows = counted(tx, &format!("SELECT count(*) AS rows FROM {}", table.name))?;
    Ok(u64::try_from(rows).unwrap_or_default())
}

pub(super) fn holds_any(tx: &mut Tx<'_>, table: &Table) -> StoreResult<bool> {
    let query = format!("SELECT count(*) AS rows FROM (SELECT 1 FROM {} LIMIT 1) AS first", table.name);
    Ok(counted(tx, &query)? > 0)
}

/// Reads a table in the order of its key, which is the same on both backends.
/// `PostgreSQL` is asked for few types of value; `SQLite` knows few others.
pub(super) fn select(tx: &mut Tx<'_>, table: &Table) -> String {
    let postgres = matches!(tx.db(), Db::Postgres(_));
    let Listed(_, own, key) = table.listed();
    let columns: Vec<String> = table
        .columns
        .iter()
        .map(|Column { name, kind }| match kind {
            Kind::Integer if postgres => format!("\"{name}\"::bigint AS \"{name}\""),
            Kind::Bool if postgres => format!("\"{name}\"::int::bigint AS \"{name}\""),
            Kind::Instant if postgres => {
                format!("to_char(\"{name}\", 'YYYY-MM-DD HH24:MI:SS.US') AS \"{name}\"")
            }
            Kind::Integer | Kind::Bool | Kind::Instant | Kind::Real | Kind::Text => format!("\"{name}\""),
        })
        .collect();
    let mut order: Vec<String> = own.iter().map(|column| format!("(\"{column}\" IS NOT NULL)")).collect();
    for column in *key {
        // By bytes, whatever language the database sorts by. Of the table, since
        // a column of the answer has the same name and another type.
        let bytes = if postgres && table.kind(column) == Kind::Text { " COLLATE \"C\"" } else { "" };
        order.push(format!("{}.\"{column}\"{bytes}", table.name));
    }
    format!("SELECT {} FROM {} ORDER BY {}", columns.join(", "), table.name, order.join(", "))
}

/// Puts so many rows into a table.
pub(super) fn insertion(tx: &mut Tx<'_>, table: &Table, rows: usize) -> String {
    let postgres = matches!(tx.db(), Db::Postgres(_));
    let mut statement = format!("INSERT INTO {} ({}) VALUES ", table.name, table.names());
    let width = table.columns.len();
    for row in 0..rows {
        let places: Vec<String> = (1..=width)
            .map(|at| if postgres { format!("${}", row * width + at) } else { "?".to_owned() })
            .collect();
        let comma = if row > 0 { ", " } else { "" };
        // Writing to a string cannot fail.
        write!(statement, "{comma}({})", places.join(", ")).unwrap_or_default();
    }
    statement
}

/// What `SQLite` says of a file as a whole; `ok` where nothing is wrong with it.
pub(super) fn integrity(path: &Path) -> StoreResult<Vec<String>> {
    #[derive(QueryableByName)]
    struct Found {
        #[diesel(sql_type = Text)]
        fault: String,
    }
    let mut connection = SqliteConnection::establish(&path.to_string_lossy())
        .map_err(|error| StoreError::Unavailable(error.to_string()))?;
    let found: Vec<Found> =
        sql_query("SELECT integrity_check AS fault FROM pragma_integrity_check").load(&mut connection)?;
    Ok(found.into_iter().map(|row| row.fault).collect())
}
