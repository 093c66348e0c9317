//! Brings a database to the present schema.

use super::db::Db;
use super::error::{StoreError, StoreResult};
use diesel::connection::SimpleConnection;
use diesel::migration::MigrationSource;
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

const SQLITE: EmbeddedMigrations = embed_migrations!("migrations/sqlite");
const POSTGRES: EmbeddedMigrations = embed_migrations!("migrations/postgres");

/// Any number; two instances starting at once take turns on it.
const ADVISORY_LOCK: &str = "4917203586";

/// Why the migrations could not be applied to a file.
#[derive(Debug, thiserror::Error)]
enum Refused {
    #[error("{0}")]
    Migration(Box<dyn std::error::Error + Send + Sync>),
    #[error("{0}")]
    Database(#[from] diesel::result::Error),
}

/// Applies the migrations that are missing; names those it applied.
pub(crate) fn migrate(db: &mut Db) -> StoreResult<Vec<String>> {
    let failed = |e: &dyn std::fmt::Display| StoreError::Migration(e.to_string());
    match db {
        // Within one immediate transaction: a second instance that starts at the
        // same moment waits, and then finds nothing missing.
        Db::Sqlite(connection) => connection
            .immediate_transaction(|connection| {
                let applied = connection.run_pending_migrations(SQLITE).map_err(Refused::Migration)?;
                Ok(applied.iter().map(ToString::to_string).collect())
            })
            .map_err(|e: Refused| failed(&e)),
        Db::Postgres(connection) => {
            connection
                .batch_execute(&format!("SELECT pg_advisory_lock({ADVISORY_LOCK})"))
                .map_err(|e| failed(&e))?;
            let applied = connection
                .run_pending_migrations(POSTGRES)
                .map(|applied| applied.iter().map(ToString::to_string).collect())
                .map_err(|e| failed(&e));
            connection
                .batch_execute(&format!("SELECT pg_advisory_unlock({ADVISORY_LOCK})"))
                .map_err(|e| failed(&e))?;
            applied
        }
    }
}

/// The name of the schema that this program works with: that of the last migration.
pub(crate) fn schema() -> StoreResult<String> {
    let all = MigrationSource::<diesel::sqlite::Sqlite>::migrations(&SQLITE)
        .map_err(|error| StoreError::Migration(error.to_string()))?;
    Ok(all.iter().map(|one| one.name().to_string()).max().unwrap_or_default())
}

/// Names the migrations that are missing, applying none.
pub(crate) fn missing(db: &mut Db) -> StoreResult<Vec<String>> {
    let failed = |e: &dyn std::fmt::Display| StoreError::Migration(e.to_string());
    match db {
        Db::Sqlite(connection) => connection
            .pending_migrations(SQLITE)
            .map(|pending| pending.iter().map(|one| one.name().to_string()).collect())
            .map_err(|e| failed(&e)),
        Db::Postgres(connection) => connection
            .pending_migrations(POSTGRES)
            .map(|pending| pending.iter().map(|one| one.name().to_string()).collect())
            .map_err(|e| failed(&e)),
    }
}
