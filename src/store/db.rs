//! One connection, to either backend, and how it is opened.

use super::error::{StoreError, StoreResult};
use diesel::connection::SimpleConnection;
use diesel::r2d2::{ManageConnection, Pool};
use diesel::{Connection, PgConnection, SqliteConnection};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::time::Duration;
use thiserror::Error;

/// A connection to either backend.
#[derive(diesel::MultiConnection)]
pub(crate) enum Db {
    /// An embedded `SQLite` file.
    Sqlite(SqliteConnection),
    /// A `PostgreSQL` server.
    Postgres(PgConnection),
}

/// Does the same on the connection itself, whichever it is: its statements are
/// prepared once, and what the combined connection cannot express compiles.
macro_rules! either {
    ($db:expr, $connection:ident => $work:expr) => {
        match $db {
            crate::store::db::Db::Sqlite($connection) => $work,
            crate::store::db::Db::Postgres($connection) => $work,
        }
    };
}
pub(in crate::store) use either;

/// Where the data is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DatabaseUrl {
    /// An `SQLite` file beside the process.
    Sqlite(PathBuf),
    /// A `PostgreSQL` server.
    Postgres(String),
}

/// A database address of an unknown form.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("a database address is sqlite://PATH or postgres://…")]
pub struct UnknownDatabaseUrl;

impl FromStr for DatabaseUrl {
    type Err = UnknownDatabaseUrl;

    fn from_str(text: &str) -> Result<Self, UnknownDatabaseUrl> {
        match text.split_once("://") {
            Some(("sqlite", path)) if !path.is_empty() => Ok(Self::Sqlite(PathBuf::from(path))),
            Some(("postgres" | "postgresql", _)) => Ok(Self::Postgres(text.to_owned())),
            _ => Err(UnknownDatabaseUrl),
        }
    }
}

impl std::fmt::Display for DatabaseUrl {
    /// Never shows a password.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Sqlite(path) => write!(f, "sqlite://{}", path.display()),
            Self::Postgres(url) => {
                let (scheme, rest) = url.split_once("://").unwrap_or(("postgres", ""));
                let host = rest.rsplit_once('@').map_or(rest, |(_, host)| host);
                let host = host.split_once('?').map_or(host, |(host, _)| host);
                write!(f, "{scheme}://{host}")
            }
        }
    }
}

/// What every `SQLite` connection is set to: a write-ahead log that readers do
/// not block, an fsync at each commit, and foreign keys enforced.
const SQLITE_SETTINGS: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; \
     PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY;";

/// For the one connection that writes: 8 MiB of pages kept, since the pages at the ends of indexes
/// are written again and again; and for the same reason a log of 16 MiB before it is
/// folded into the file.
pub(crate) const WRITER_SETTINGS: &str = "PRAGMA cache_size = -8192; PRAGMA wal_autocheckpoint = 4000;";

/// Opens an `SQLite` file, creating it where there is none.
pub(crate) fn open_sqlite(path: &Path) -> StoreResult<Db> {
    let unavailable = |e: &dyn std::fmt::Display| StoreError::Unavailable(format!("{}: {e}", path.display()));
    keep_private(path).map_err(|e| unavailable(&e))?;
    let mut connection = SqliteConnection::establish(&path.to_string_lossy()).map_err(|e| unavailable(&e))?;
    connection.batch_execute(SQLITE_SETTINGS).map_err(|e| unavailable(&e))?;
    Ok(Db::Sqlite(connection))
}

/// Whether another connection, of whichever process, has an `SQLite` file open. Where none has, its log is
/// folded in and given up, which only the last connection can do: for files that are to be removed.
pub fn is_in_use(path: &Path) -> bool {
    if !path.exists() {
        return false;
    }
    let Ok(mut connection) = SqliteConnection::establish(&path.to_string_lossy()) else { return false };
    let alone = connection.batch_execute("PRAGMA busy_timeout = 0; PRAGMA journal_mode = DELETE;");
    // A file that is no database fails otherwise, and nobody uses it as one.
    matches!(alone.map_err(StoreError::from), Err(StoreError::Unavailable(_)))
}

/// Makes a missing file, readable by its owner only: it holds who was where.
/// `SQLite` gives its side files the same mode.
fn keep_private(path: &Path) -> std::io::Result<()> {
    if path == Path::new(":memory:") || path.exists() {
        return Ok(());
    }
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path).map(drop)
}

/// Connects to a `PostgreSQL` server.
pub(crate) fn open_postgres(url: &str) -> StoreResult<Db> {
    let unavailable = |e: &dyn std::fmt::Display| StoreError::Unavailable(e.to_string());
    let mut connection = PgConnection::establish(url).map_err(|e| unavailable(&e))?;
    connection
        .batch_execute("SET TIME ZONE 'UTC'; SET client_min_messages = warning; SET lock_timeout = '10s';")
        .map_err(|e| unavailable(&e))?;
    Ok(Db::Postgres(connection))
}

/// Opens pooled connections.
#[derive(Debug, Clone)]
pub(crate) struct Connector(pub(crate) DatabaseUrl);

impl Connector {
    /// Opens one connection.
    pub(crate) fn open(&self) -> StoreResult<Db> {
        match &self.0 {
            DatabaseUrl::Sqlite(path) => open_sqlite(path),
            DatabaseUrl::Postgres(url) => open_postgres(url),
        }
    }

    /// A pool of at most `size` connections, opened when first needed.
    pub(crate) fn pool(&self, size: u32) -> Pool<Self> {
        Pool::builder()
            .max_size(size)
            .min_idle(Some(0))
            .connection_timeout(Duration::from_secs(5))
            .build_unchecked(self.clone())
    }
}

impl ManageConnection for Connector {
    type Connection = Db;
    type Error = StoreError;

    fn connect(&self) -> Result<Db, StoreError> {
        self.open()
    }

    fn is_valid(&self, connection: &mut Db) -> Result<(), StoreError> {
        connection.batch_execute("SELECT 1").map_err(|cause| {
            tracing::debug!(?cause, "a connection is no longer good");
            StoreError::from(cause)
        })
    }

    fn has_broken(&self, connection: &mut Db) -> bool {
        use diesel::connection::TransactionManager as _;
        <Db as Connection>::TransactionManager::is_broken_transaction_manager(connection)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_in_use_while_a_connection_has_it_open() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("used.db");
        assert!(!is_in_use(&path), "there is none");
        let mut db = open_sqlite(&path).unwrap();
        db.batch_execute("CREATE TABLE boxes (tag TEXT); INSERT INTO boxes VALUES ('LYNX');").unwrap();
        assert!(is_in_use(&path));
        db.batch_execute("INSERT INTO boxes VALUES ('OTTER');").unwrap();
        drop(db);
        assert!(!is_in_use(&path));
        std::fs::write(&path, "no database").unwrap();
        assert!(!is_in_use(&path));
    }
}
