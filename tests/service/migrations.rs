//! The migrations as data: either backend gets the same from its own.

use crate::world::{Database, Raw, in_both_databases};
use diesel::QueryableByName;
use diesel::sql_types::Text;
use diesel_migrations::{FileBasedMigrations, MigrationHarness as _};
use drykeep::store::Store;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A line of what a database says of itself.
#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

fn lines(raw: &mut Raw, sqlite: &str, postgres: &str) -> BTreeSet<String> {
    raw.rows::<Line>(sqlite, postgres).into_iter().map(|row| row.line).collect()
}

/// Table, column, type and whether it may be null. A primary key is never null,
/// which `SQLite` leaves unsaid for an INTEGER PRIMARY KEY.
fn columns(raw: &mut Raw) -> BTreeSet<String> {
    lines(
        raw,
        "SELECT t.name || '.' || c.name || ' ' || \
             CASE lower(c.type) WHEN 'timestamp' THEN 'timestamp without time zone' ELSE lower(c.type) END || \
             CASE WHEN c.\"notnull\" OR c.pk THEN ' not null' ELSE '' END AS line \
         FROM sqlite_master t JOIN pragma_table_info(t.name) c \
         WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND t.name NOT LIKE '\\_\\_%' ESCAPE '\\'",
        "SELECT table_name || '.' || column_name || ' ' || replace(replace(data_type, 'bigint', 'integer'), 'bytea', 'blob') || \
             CASE is_nullable WHEN 'NO' THEN ' not null' ELSE '' END AS line \
         FROM information_schema.columns \
         WHERE table_schema = 'public' AND table_name NOT LIKE '\\_\\_%'",
    )
}

/// Which column refers to which, and what happens when that is deleted.
fn references(raw: &mut Raw) -> BTreeSet<String> {
    lines(
        raw,
        "SELECT t.name || '.' || f.\"from\" || ' -> ' || f.\"table\" || '.' || f.\"to\" || ' ' || f.on_delete AS line \
         FROM sqlite_master t JOIN pragma_foreign_key_list(t.name) f WHERE t.type = 'table'",
        "SELECT conrelid::regclass || '.' || a.attname || ' -> ' || confrelid::regclass || '.' || b.attname || ' ' || \
             CASE confdeltype WHEN 'a' THEN 'NO ACTION' WHEN 'c' THEN 'CASCADE' ELSE confdeltype::text END AS line \
         FROM pg_constraint \
         JOIN pg_attribute a ON a.attrelid = conrelid AND a.attnum = conkey[1] \
         JOIN pg_attribute b ON b.attrelid = confrelid AND b.attnum = confkey[1] \
         WHERE contype = 'f'",
    )
}

/// The indexes that were given a name, and whether each is unique.
fn indexes(raw: &mut Raw) -> BTreeSet<String> {
    lines(
        raw,
        "SELECT i.name || ' on ' || t.name || CASE WHEN i.\"unique\" THEN ' unique' ELSE '' END AS line \
         FROM sqlite_master t JOIN pragma_index_list(t.name) i WHERE t.type = 'table' AND i.origin = 'c'",
        "SELECT indexrelid::regclass || ' on ' || indrelid::regclass || \
             CASE WHEN indisunique THEN ' unique' ELSE '' END AS line \
         FROM pg_index i JOIN pg_class c ON c.oid = i.indrelid \
         WHERE c.relnamespace = 'public'::regnamespace \
           AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = i.indexrelid)",
    )
}

fn folder(backend: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations").join(backend)
}

fn migration_names(backend: &str) -> BTreeSet<String> {
    std::fs::read_dir(folder(backend))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect()
}

#[test]
fn both_backends_have_migrations_of_the_same_names() {
    let names = migration_names("sqlite");
    assert!(!names.is_empty());
    assert_eq!(names, migration_names("postgres"));
}

#[test]
fn both_backends_yield_the_same_tables() {
    let Some(postgres) = Database::postgres() else { return };
    let sqlite = Database::sqlite();
    let (mut sqlite, mut postgres) = (sqlite.raw(), postgres.raw());
    assert!(columns(&mut sqlite).contains("rooms.air_changes_per_hour double precision"));
    assert!(columns(&mut sqlite).contains("rooms.volume_m3 double precision not null"));
    same(&columns(&mut sqlite), &columns(&mut postgres));
    assert!(references(&mut sqlite).contains("claims.booking_id -> bookings.id CASCADE"));
    same(&references(&mut sqlite), &references(&mut postgres));
    assert!(indexes(&mut sqlite).contains("things_tag on things unique"));
    same(&indexes(&mut sqlite), &indexes(&mut postgres));
}

#[track_caller]
fn same(sqlite: &BTreeSet<String>, postgres: &BTreeSet<String>) {
    let apart: Vec<_> = sqlite.symmetric_difference(postgres).collect();
    assert!(apart.is_empty(), "only one of the backends has {apart:#?}");
}

/// Takes back every migration.
fn revert(raw: &mut Raw) {
    let migrations = |backend| FileBasedMigrations::from_path(folder(backend)).unwrap();
    match raw {
        Raw::Sqlite(connection) => connection.revert_all_migrations(migrations("sqlite")).unwrap(),
        Raw::Postgres(connection) => connection.revert_all_migrations(migrations("postgres")).unwrap(),
    };
}

in_both_databases! {
    /// Opening a database that is up to date changes nothing, and what was taken
    /// back can be put there again.
    fn what_is_migrated_down_and_up_again_is_as_it_was(database) {
        let mut raw = database.raw();
        let before = (columns(&mut raw), references(&mut raw), indexes(&mut raw));
        Store::open(&database.url()).unwrap().close();
        assert_eq!((columns(&mut raw), references(&mut raw), indexes(&mut raw)), before);
        revert(&mut raw);
        assert_eq!(columns(&mut raw), BTreeSet::new());
        Store::open(&database.url()).unwrap().close();
        assert_eq!((columns(&mut raw), references(&mut raw), indexes(&mut raw)), before);
    }

    /// Each waits for the one that is at it, and then finds nothing missing.
    fn services_that_start_at_once_migrate_once(database) {
        let mut raw = database.raw();
        let before = columns(&mut raw);
        revert(&mut raw);
        std::thread::scope(|scope| {
            let openers: Vec<_> = (0..4).map(|_| scope.spawn(|| Store::open(&database.url()))).collect();
            for opener in openers {
                opener.join().unwrap().unwrap().close();
            }
        });
        assert_eq!(columns(&mut raw), before);
    }
}
