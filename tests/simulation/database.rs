//! The database's files, past the service: what is in them, copies of them, and
//! copies that were cut short.

use crate::chance::Chance;
use diesel::connection::SimpleConnection as _;
use diesel::deserialize::QueryableByName;
use diesel::sql_types::{BigInt, Text};
use diesel::sqlite::Sqlite;
use diesel::{Connection as _, RunQueryDsl as _, SqliteConnection, sql_query};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::{Path, PathBuf};

/// One text.
#[derive(QueryableByName)]
struct Line {
    #[diesel(sql_type = Text)]
    line: String,
}

/// One number.
#[derive(QueryableByName)]
struct Number {
    #[diesel(sql_type = BigInt)]
    number: i64,
}

/// A connection of the observer's own.
pub(crate) struct Observer {
    connection: SqliteConnection,
    /// The query that writes out each table, row by row.
    dumps: Vec<String>,
}

impl Observer {
    /// Looks at a file.
    pub(crate) fn of(path: &Path) -> Self {
        let mut connection = SqliteConnection::establish(path.to_str().unwrap()).unwrap();
        connection.batch_execute("PRAGMA busy_timeout = 0; PRAGMA temp_store = MEMORY").unwrap();
        let mut observer = Self { connection, dumps: Vec::new() };
        let tables =
            observer.lines("SELECT name AS line FROM sqlite_master WHERE type = 'table' ORDER BY name");
        observer.dumps = tables.iter().map(|table| observer.dump_of(table)).collect();
        observer
    }

    fn dump_of(&mut self, table: &str) -> String {
        let columns =
            self.lines(&format!("SELECT name AS line FROM pragma_table_info('{table}') ORDER BY cid"));
        let quoted: Vec<String> = columns.iter().map(|column| format!("quote({column})")).collect();
        format!(
            "SELECT coalesce(group_concat({}, char(10)), '') AS line FROM {table}",
            quoted.join("||'|'||")
        )
    }

    /// The rows of a query.
    pub(crate) fn rows<T: QueryableByName<Sqlite> + 'static>(&mut self, query: &str) -> Vec<T> {
        sql_query(query).load(&mut self.connection).unwrap_or_else(|error| panic!("{query}: {error}"))
    }

    /// The texts that a query names `line`.
    pub(crate) fn lines(&mut self, query: &str) -> Vec<String> {
        self.rows::<Line>(query).into_iter().map(|row| row.line).collect()
    }

    /// The number that a query names `number`.
    pub(crate) fn number(&mut self, query: &str) -> i64 {
        self.rows::<Number>(query)[0].number
    }

    /// Runs statements.
    pub(crate) fn run(&mut self, statements: &str) {
        self.connection.batch_execute(statements).unwrap_or_else(|error| panic!("{statements}: {error}"));
    }

    /// Everything in every table, in one number.
    pub(crate) fn digest(&mut self) -> u64 {
        let mut hash = DefaultHasher::new();
        for dump in self.dumps.clone() {
            self.lines(&dump).hash(&mut hash);
        }
        hash.finish()
    }

    /// Passes where the file is sound.
    pub(crate) fn assert_sound(&mut self) {
        let found = self.lines("SELECT integrity_check AS line FROM pragma_integrity_check");
        assert_eq!(found, ["ok"], "the file is damaged");
        let dangling = self.lines("SELECT \"table\" AS line FROM pragma_foreign_key_check");
        assert!(dangling.is_empty(), "rows refer to rows that are gone: {dangling:?}");
    }
}

/// The file and its write-ahead log, as they are on the disk at a moment.
#[derive(Clone)]
pub(crate) struct Image {
    file: Vec<u8>,
    log: Vec<u8>,
}

fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

impl Image {
    /// As it is now. What the process holds in its memory is not in it.
    pub(crate) fn of(path: &Path) -> Self {
        Self { file: std::fs::read(path).unwrap(), log: std::fs::read(log_of(path)).unwrap_or_default() }
    }

    /// Puts it in another place. The index of the log is made anew on opening.
    pub(crate) fn put(&self, path: &Path) {
        std::fs::write(path, &self.file).unwrap();
        if !self.log.is_empty() {
            std::fs::write(log_of(path), &self.log).unwrap();
        }
    }

    /// The disk when the power fails while a commit is written to the log: part
    /// of what it wrote is there, the rest is as before or is rubbish. The log is
    /// forced to the disk before anything of it goes into the file, so the file
    /// is as before. `None` where the commit wrote nothing.
    pub(crate) fn torn(before: &Self, after: &Self, chance: &mut Chance) -> Option<Self> {
        let same = before.log.iter().zip(&after.log).take_while(|(one, other)| one == other).count();
        let old = |at: usize| before.log.get(at);
        let last = (same..after.log.len()).rev().find(|at| old(*at) != after.log.get(*at))?;
        let cut = same + chance.below(last - same + 1);
        let mut log = after.log[..cut].to_vec();
        match chance.below(3) {
            // What had been written there before shows through.
            0 => log.extend_from_slice(before.log.get(cut..).unwrap_or_default()),
            1 => {
                let rubbish = chance.bytes();
                log.extend(rubbish.iter().cycle().take(last + 1 - cut).map(|byte| byte ^ 0x5a));
                let end = log.len() - 1;
                // Never what the commit would have written there.
                log[end] = !after.log[last];
            }
            _ => {}
        }
        Some(Self { file: before.file.clone(), log })
    }

    /// The disk when the power fails while the log is folded into the file: some
    /// pages are there and some are not, and the log still is.
    pub(crate) fn half_folded(before: &Self, after: &Self, chance: &mut Chance) -> Self {
        const PAGE: usize = 4096;
        let mut file = before.file.clone();
        file.resize(before.file.len().max(after.file.len()), 0);
        for (to, from) in file.chunks_mut(PAGE).zip(after.file.chunks(PAGE)) {
            if chance.permille(500) {
                to[..from.len()].copy_from_slice(from);
            }
        }
        Self { file, log: before.log.clone() }
    }
}
