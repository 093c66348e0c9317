use super::tables::{DERIVED, named};
use crate::store::db::{Connector, DatabaseUrl};
use crate::store::memory::Memory;
use crate::store::{Store, Tx, in_transaction};
use diesel::sql_types::Text;
use diesel::{QueryableByName, RunQueryDsl as _, sql_query};

#[derive(QueryableByName)]
struct Name {
    #[diesel(sql_type = Text)]
    name: String,
}

fn names(url: &DatabaseUrl, query: &str) -> Vec<String> {
    let super::Db::Sqlite(mut connection) = Connector(url.clone()).open().unwrap() else {
        panic!("the test opens a file")
    };
    let rows: Vec<Name> = sql_query(query).load(&mut connection).unwrap();
    rows.into_iter().map(|row| row.name).collect()
}

fn fresh(folder: &tempfile::TempDir) -> DatabaseUrl {
    let url = DatabaseUrl::Sqlite(folder.path().join("fresh.db"));
    Store::open(&url).unwrap().close();
    url
}

/// The other backend has the same tables: `tests/service/migrations.rs`.
#[test]
fn every_table_is_copied_or_known_to_follow_from_others() {
    let folder = tempfile::tempdir().unwrap();
    let url = fresh(&folder);
    let all = names(
        &url,
        "SELECT name FROM sqlite_master WHERE type = 'table' \
         AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' AND name NOT LIKE '\\_\\_%' ESCAPE '\\'",
    );
    assert!(all.len() > 30, "{all:?}");
    for name in &all {
        assert!(
            named(name).is_some() != DERIVED.contains(&name.as_str()),
            "{name} must stand in TABLES or, where it can be made anew from the others, in DERIVED"
        );
    }
}

/// Otherwise filling one table would refer to rows that are not there yet.
#[test]
fn no_table_refers_to_a_later_one() {
    let folder = tempfile::tempdir().unwrap();
    let url = fresh(&folder);
    let mut db = Connector(url.clone()).open().unwrap();
    let memory = Memory::default();
    let order: Vec<&str> = in_transaction(&mut db, |db| super::tables(&mut Tx::new(db, &memory)))
        .unwrap()
        .iter()
        .map(|table| table.name)
        .collect();
    let mut seen = 0;
    for (at, name) in order.iter().enumerate() {
        let query =
            format!("SELECT \"table\" || '.' || \"from\" AS name FROM pragma_foreign_key_list('{name}')");
        for reference in names(&url, &query) {
            let (to, column) = reference.split_once('.').unwrap();
            let before = order[..at].contains(&to);
            let own = to == *name && super::tables::refers_to_itself(name, column);
            assert!(before || own, "{name}.{column} refers to {to}");
            seen += 1;
        }
    }
    assert!(seen > 30, "only {seen} references");
}
