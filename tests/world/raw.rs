//! Connections past the service, for what only the database itself can show.

use diesel::connection::SimpleConnection as _;
use diesel::deserialize::QueryableByName;
use diesel::pg::Pg;
use diesel::result::Error;
use diesel::sqlite::Sqlite;
use diesel::{Connection as _, PgConnection, RunQueryDsl as _, SqliteConnection, sql_query};
use drykeep::store::DatabaseUrl;

/// A connection to either backend.
pub(crate) enum Raw {
    /// To an `SQLite` file.
    Sqlite(SqliteConnection),
    /// To a `PostgreSQL` server.
    Postgres(PgConnection),
}

impl Raw {
    /// Connects.
    pub(crate) fn to(url: &DatabaseUrl) -> Self {
        match url {
            DatabaseUrl::Sqlite(path) => {
                let mut connection = SqliteConnection::establish(path.to_str().unwrap()).unwrap();
                connection.batch_execute("PRAGMA foreign_keys = ON; PRAGMA busy_timeout = 5000").unwrap();
                Self::Sqlite(connection)
            }
            DatabaseUrl::Postgres(url) => Self::Postgres(PgConnection::establish(url).unwrap()),
        }
    }

    /// Runs one statement, so that the database's answer to it is known.
    pub(crate) fn run(&mut self, statement: &str) -> Result<usize, Error> {
        match self {
            Self::Sqlite(connection) => sql_query(statement).execute(connection),
            Self::Postgres(connection) => sql_query(statement).execute(connection),
        }
    }

    /// How many rows there are in a table, or in a table with conditions.
    pub(crate) fn count(&mut self, of: &str) -> i64 {
        #[derive(diesel::QueryableByName)]
        struct Row {
            #[diesel(sql_type = diesel::sql_types::BigInt)]
            number: i64,
        }
        let query = format!("SELECT count(*) AS number FROM {of}");
        self.rows::<Row>(&query, &query)[0].number
    }

    /// Runs a query in the dialect of the backend.
    pub(crate) fn rows<T>(&mut self, sqlite: &str, postgres: &str) -> Vec<T>
    where
        T: QueryableByName<Sqlite> + QueryableByName<Pg> + 'static,
    {
        match self {
            Self::Sqlite(connection) => sql_query(sqlite).load(connection).unwrap(),
            Self::Postgres(connection) => sql_query(postgres).load(connection).unwrap(),
        }
    }
}
