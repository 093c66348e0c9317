//! Values of any column, as they are read from either database and put into it.

use super::Table;
use crate::store::error::{StoreError, StoreResult};
use chrono::{NaiveDateTime, SubsecRound as _};
use diesel::connection::DefaultLoadingMode;
use diesel::deserialize::{self, QueryableByName};
use diesel::pg::{Pg, PgConnection, PgRowByRowLoadingMode, PgValue};
use diesel::query_builder::SqlQuery;
use diesel::result::QueryResult;
use diesel::row::{Field as _, NamedRow, Row};
use diesel::sql_types::{BigInt, Bool, Double, Nullable, Text, Timestamp};
use diesel::sqlite::{Sqlite, SqliteConnection, SqliteType, SqliteValue};
use diesel::{RunQueryDsl as _, sql_query};

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Yes or no.
    Bool,
    /// A whole number.
    Integer,
    /// A number.
    Real,
    /// Text.
    Text,
    /// A moment, in UTC.
    Instant,
}

impl Kind {
    /// Of a type as either database calls it, in lower case.
    pub(super) fn of_type(name: &str) -> Option<Self> {
        Some(match name {
            "boolean" => Self::Bool,
            "integer" | "bigint" => Self::Integer,
            "double precision" => Self::Real,
            "text" => Self::Text,
            "timestamp" | "timestamp without time zone" => Self::Instant,
            _ => return None,
        })
    }
}

/// A value.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Cell {
    /// None.
    Null,
    /// Yes or no.
    Bool(bool),
    /// A whole number.
    Integer(i64),
    /// A number, finite.
    Real(f64),
    /// Text.
    Text(String),
    /// A moment, in UTC, to the microsecond.
    Instant(NaiveDateTime),
}

impl Cell {
    /// What a value as the database gave it means in a column of a kind.
    pub(super) fn of_kind(self, kind: Kind) -> Result<Self, String> {
        match (kind, self) {
            (_, Self::Null) => Ok(Self::Null),
            (Kind::Bool, Self::Integer(number @ (0 | 1))) => Ok(Self::Bool(number == 1)),
            // SQLite keeps no minus before a zero.
            (Kind::Real, Self::Real(number)) if number.is_finite() => Ok(Self::Real(number + 0.0)),
            (Kind::Instant, Self::Text(text)) => NaiveDateTime::parse_from_str(&text, "%Y-%m-%d %H:%M:%S%.f")
                .map(|at| Self::Instant(at.trunc_subsecs(6)))
                .map_err(|error| format!("{text:?} is no time: {error}")),
            (Kind::Integer, cell @ Self::Integer(_)) | (Kind::Text, cell @ Self::Text(_)) => Ok(cell),
            (kind, cell) => Err(format!("{cell:?} is not of the kind {kind:?}")),
        }
    }
}

/// A row as a database gave it.
pub(super) struct Raw(pub(super) Vec<Cell>);

impl QueryableByName<Sqlite> for Raw {
    fn build<'a>(row: &impl NamedRow<'a, Sqlite>) -> deserialize::Result<Self> {
        let cell = |at: usize| {
            let field = Row::get(row, at).ok_or("a column is missing")?;
            field.value().map_or(Ok(Cell::Null), of_sqlite)
        };
        Ok(Self((0..row.field_count()).map(cell).collect::<deserialize::Result<_>>()?))
    }
}

fn of_sqlite(value: SqliteValue<'_, '_, '_>) -> deserialize::Result<Cell> {
    match value.value_type() {
        None => Ok(Cell::Null),
        Some(SqliteType::Text) => {
            <String as deserialize::FromSql<Text, Sqlite>>::from_sql(value).map(Cell::Text)
        }
        Some(SqliteType::Long | SqliteType::Integer | SqliteType::SmallInt) => {
            <i64 as deserialize::FromSql<BigInt, Sqlite>>::from_sql(value).map(Cell::Integer)
        }
        Some(SqliteType::Double | SqliteType::Float) => {
            <f64 as deserialize::FromSql<Double, Sqlite>>::from_sql(value).map(Cell::Real)
        }
        Some(SqliteType::Binary) => Err("a value is neither text nor a number".into()),
    }
}

/// `PostgreSQL`'s numbers for the types that a table is asked for.
const PG_INT8: u32 = 20;
const PG_TEXT: u32 = 25;
const PG_FLOAT8: u32 = 701;

impl QueryableByName<Pg> for Raw {
    fn build<'a>(row: &impl NamedRow<'a, Pg>) -> deserialize::Result<Self> {
        let cell = |at: usize| {
            let field = Row::get(row, at).ok_or("a column is missing")?;
            field.value().map_or(Ok(Cell::Null), of_postgres)
        };
        Ok(Self((0..row.field_count()).map(cell).collect::<deserialize::Result<_>>()?))
    }
}

fn of_postgres(value: PgValue<'_>) -> deserialize::Result<Cell> {
    match value.get_oid().get() {
        PG_TEXT => <String as deserialize::FromSql<Text, Pg>>::from_sql(value).map(Cell::Text),
        PG_INT8 => <i64 as deserialize::FromSql<BigInt, Pg>>::from_sql(value).map(Cell::Integer),
        PG_FLOAT8 => <f64 as deserialize::FromSql<Double, Pg>>::from_sql(value).map(Cell::Real),
        other => Err(format!("a value is of the unexpected type {other}").into()),
    }
}

/// The rows of a query, one at a time.
pub(super) fn sqlite_rows(
    query: SqlQuery,
    connection: &mut SqliteConnection,
) -> StoreResult<impl Iterator<Item = QueryResult<Raw>>> {
    Ok(query.load_iter::<Raw, DefaultLoadingMode>(connection)?)
}

/// The same; `PostgreSQL` would otherwise send them all at once.
pub(super) fn postgres_rows(
    query: SqlQuery,
    connection: &mut PgConnection,
) -> StoreResult<impl Iterator<Item = QueryResult<Raw>>> {
    Ok(query.load_iter::<Raw, PgRowByRowLoadingMode>(connection)?)
}

/// Binds every value of `rows`, typed as its column is; an expression that works
/// for one backend at a time.
macro_rules! filled {
    ($statement:ident, $table:ident, $rows:ident, $backend:ty) => {{
        let mut query = sql_query($statement).into_boxed::<$backend>();
        for (cell, column) in $rows.iter().flat_map(|row| row.iter().zip(&$table.columns)) {
            query = match cell {
                Cell::Bool(value) => query.bind::<Bool, _>(*value),
                Cell::Integer(value) => query.bind::<BigInt, _>(*value),
                Cell::Real(value) => query.bind::<Double, _>(*value),
                Cell::Text(value) => query.bind::<Text, _>(value.as_str()),
                Cell::Instant(value) => query.bind::<Timestamp, _>(*value),
                Cell::Null => match column.kind {
                    Kind::Bool => query.bind::<Nullable<Bool>, _>(None::<bool>),
                    Kind::Integer => query.bind::<Nullable<BigInt>, _>(None::<i64>),
                    Kind::Real => query.bind::<Nullable<Double>, _>(None::<f64>),
                    Kind::Text => query.bind::<Nullable<Text>, _>(None::<&str>),
                    Kind::Instant => query.bind::<Nullable<Timestamp>, _>(None::<NaiveDateTime>),
                },
            };
        }
        query
    }};
}

pub(super) fn insert_sqlite(
    statement: String,
    table: &Table,
    rows: &[Vec<Cell>],
    connection: &mut SqliteConnection,
) -> StoreResult<()> {
    filled!(statement, table, rows, Sqlite).execute(connection).map(drop).map_err(StoreError::from)
}

pub(super) fn insert_postgres(
    statement: String,
    table: &Table,
    rows: &[Vec<Cell>],
    connection: &mut PgConnection,
) -> StoreResult<()> {
    filled!(statement, table, rows, Pg).execute(connection).map(drop).map_err(StoreError::from)
}
