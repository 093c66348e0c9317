//! `SQLite`'s one writer: a thread that commits the requests waiting at it
//! together and answers them after the commit. One fsync then serves many
//! callers, and an answer once given is durable.
//!
//! Most requests that are refused have changed nothing by then, so they run one after the other in
//! one transaction. Where one leaves changes behind that are not wanted, the whole batch is
//! undone and done again, each request within a savepoint of its own.

use super::db::{Connector, Db, WRITER_SETTINGS};
use super::error::{StoreError, StoreResult};
use super::memory::Memory;
use super::schema::facility_revision;
use diesel::Connection;
use diesel::connection::{AnsiTransactionManager, SimpleConnection as _, TransactionManager};
use diesel::prelude::*;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// Requests committed together at most.
const LARGEST_BATCH: usize = 128;
/// Requests waiting at most; beyond this callers wait to be let in.
const LONGEST_QUEUE: usize = 4096;

/// A request that waits to be written.
pub(crate) trait Job: Send {
    /// Does its work, at that revision of the facility. Done again where what was done had to be
    /// undone.
    fn work(&mut self, db: &mut Db, revision: Option<i64>) -> Outcome;

    /// Tells the caller how it went, once the commit is decided.
    fn answer(self: Box<Self>, committed: Result<(), StoreError>);
}

/// What becomes of what a request changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// Its changes are kept.
    Keep,
    /// Its changes are undone.
    Undo,
}

/// The handle through which requests reach the writer.
#[derive(Debug)]
pub(crate) struct Writer {
    queue: Option<SyncSender<Box<dyn Job>>>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Starts the thread on a connection of its own.
    pub(in crate::store) fn start(connector: Connector, memory: Arc<Memory>) -> StoreResult<Self> {
        let (mut writer, mut batches) = Self::by_hand(connector, memory)?;
        let thread = std::thread::Builder::new()
            .name("writer".to_owned())
            .spawn(move || {
                while let Ok(first) = batches.jobs.recv() {
                    batches.commit_with(first);
                }
            })
            .map_err(|e| StoreError::Unavailable(e.to_string()))?;
        writer.thread = Some(thread);
        Ok(writer)
    }

    /// A writer without a thread: what waits is committed when its batches are told to.
    pub(in crate::store) fn by_hand(
        connector: Connector,
        memory: Arc<Memory>,
    ) -> StoreResult<(Self, Batches)> {
        let db = open(&connector)?;
        let (queue, jobs) = sync_channel(LONGEST_QUEUE);
        Ok((Self { queue: Some(queue), thread: None }, Batches { connector, db, memory, jobs }))
    }

    /// Hands a request in; its answer comes through the job itself.
    pub(crate) fn submit(&self, job: Box<dyn Job>) -> StoreResult<()> {
        self.queue
            .as_ref()
            .and_then(|queue| queue.try_send(job).ok())
            .ok_or_else(|| StoreError::Unavailable("the writer is overloaded or stopped".to_owned()))
    }
}

impl Drop for Writer {
    /// Lets the requests already waiting finish.
    fn drop(&mut self) {
        drop(self.queue.take());
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

/// The requests waiting at the writer, and the connection that commits them
/// batch by batch.
pub struct Batches {
    connector: Connector,
    db: Db,
    memory: Arc<Memory>,
    jobs: Receiver<Box<dyn Job>>,
}

impl std::fmt::Debug for Batches {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Batches").finish_non_exhaustive()
    }
}

impl Batches {
    /// Commits what is waiting, as one batch, and answers it. Tells whether
    /// anything was.
    pub fn commit(&mut self) -> bool {
        let first = self.jobs.try_recv();
        first.map(|first| self.commit_with(first)).is_ok()
    }

    /// Runs statements on the writer's connection, such as those that set how
    /// long it waits and how large the file may become.
    pub fn set(&mut self, statements: &str) -> StoreResult<()> {
        Ok(self.db.batch_execute(statements)?)
    }

    fn commit_with(&mut self, first: Box<dyn Job>) {
        let Self { connector, db, memory, jobs } = self;
        let mut done = Vec::new();
        let decided = catch_unwind(AssertUnwindSafe(|| commit_together(db, memory, first, jobs, &mut done)));
        let broken = decided.is_err();
        let committed = decided.unwrap_or_else(|_| {
            Err(StoreError::Unavailable("a request failed while being written".to_owned()))
        });
        if let Err(error) = &committed {
            tracing::error!(%error, "a batch of writes was not committed");
        }
        let failed = broken || committed.is_err();
        if failed {
            memory.forget();
        }
        for job in done {
            job.answer(match &committed {
                Ok(()) => Ok(()),
                Err(error) => Err(StoreError::Unavailable(error.to_string())),
            });
        }
        if failed {
            match open(connector) {
                Ok(fresh) => *db = fresh,
                Err(error) => tracing::error!(%error, "the writer could not reopen the database"),
            }
        }
    }
}

/// A connection set up for writing.
fn open(connector: &Connector) -> StoreResult<Db> {
    let mut db = connector.open()?;
    db.batch_execute(WRITER_SETTINGS)?;
    db.batch_execute(
        "CREATE TEMP TABLE writer_batch (number BIGINT NOT NULL); INSERT INTO writer_batch VALUES (0);",
    )?;
    Ok(db)
}

diesel::table! {
    /// The number of the batch, of this connection only and changed within each batch's
    /// transaction: it falls back where `SQLite` has undone the transaction by itself.
    writer_batch (number) {
        number -> BigInt,
    }
}
diesel::allow_tables_to_appear_in_same_query!(writer_batch, facility_revision);

#[diesel::declare_sql_function]
extern "SQL" {
    /// Rows changed so far through this connection.
    fn total_changes() -> BigInt;
}

/// How things stand between two requests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Queryable)]
struct Standing {
    batch: i64,
    changes: i64,
    revision: Option<i64>,
}

impl Standing {
    /// How things stand in a batch.
    fn of(db: &mut Db, batch: i64) -> StoreResult<Self> {
        let now = Self::now(sqlite(db)?)?;
        if now.batch == batch { Ok(now) } else { Err(lost()) }
    }

    fn now(connection: &mut SqliteConnection) -> StoreResult<Self> {
        let revision = facility_revision::table.select(facility_revision::revision).single_value();
        let now = writer_batch::table.select((writer_batch::number, total_changes(), revision));
        Ok(now.first(connection)?)
    }
}

fn sqlite(db: &mut Db) -> StoreResult<&mut SqliteConnection> {
    match db {
        Db::Sqlite(connection) => Ok(connection),
        Db::Postgres(_) => Err(only_sqlite()),
    }
}

fn only_sqlite() -> StoreError {
    StoreError::Unavailable("only SQLite has one writer".to_owned())
}

fn lost() -> StoreError {
    StoreError::Unavailable("the database undid a batch of writes by itself".to_owned())
}

/// Does a request and those that wait behind it, all in one transaction.
fn commit_together(
    db: &mut Db,
    memory: &Memory,
    first: Box<dyn Job>,
    jobs: &Receiver<Box<dyn Job>>,
    done: &mut Vec<Box<dyn Job>>,
) -> StoreResult<()> {
    let mut standing = begin(db)?;
    let batch = standing.batch;
    let mut next = Some(first);
    while let Some(mut job) = next {
        let outcome = job.work(db, standing.revision);
        done.push(job);
        let before = standing;
        standing = Standing::of(db, batch)?;
        if outcome == Outcome::Undo && standing.changes != before.changes {
            return redo(db, memory, jobs, done);
        }
        next = if done.len() < LARGEST_BATCH { jobs.try_recv().ok() } else { None };
    }
    commit(db)
}

/// Undoes what was done and does it again, and whatever else waits, undoing only what each request
/// wants undone.
fn redo(
    db: &mut Db,
    memory: &Memory,
    jobs: &Receiver<Box<dyn Job>>,
    done: &mut Vec<Box<dyn Job>>,
) -> StoreResult<()> {
    AnsiTransactionManager::rollback_transaction(sqlite(db)?)?;
    memory.forget();
    let batch = begin(db)?.batch;
    for job in done.iter_mut() {
        within_savepoint(db, batch, &mut **job)?;
    }
    while done.len() < LARGEST_BATCH
        && let Ok(mut job) = jobs.try_recv()
    {
        let kept = within_savepoint(db, batch, &mut *job);
        done.push(job);
        kept?;
    }
    Standing::of(db, batch)?;
    commit(db)
}

fn within_savepoint(db: &mut Db, batch: i64, job: &mut dyn Job) -> StoreResult<()> {
    let revision = Standing::of(db, batch)?.revision;
    let kept: Result<(), diesel::result::Error> = db.transaction(|db| match job.work(db, revision) {
        Outcome::Keep => Ok(()),
        Outcome::Undo => Err(diesel::result::Error::RollbackTransaction),
    });
    match kept {
        Ok(()) | Err(diesel::result::Error::RollbackTransaction) => Ok(()),
        Err(error) => Err(error.into()),
    }
}

/// Begins a batch.
fn begin(db: &mut Db) -> StoreResult<Standing> {
    let connection = sqlite(db)?;
    AnsiTransactionManager::begin_transaction_sql(connection, "BEGIN IMMEDIATE")?;
    diesel::update(writer_batch::table)
        .set(writer_batch::number.eq(writer_batch::number + 1))
        .execute(connection)?;
    Standing::now(connection)
}

fn commit(db: &mut Db) -> StoreResult<()> {
    Ok(AnsiTransactionManager::commit_transaction(sqlite(db)?)?)
}

#[cfg(test)]
mod tests {
    use crate::store::{Store, StoreError, Tx, events, feed};
    use chrono::DateTime;
    use diesel::connection::SimpleConnection as _;
    use serde_json::json;
    use uuid::Uuid;

    fn append(tx: &mut Tx<'_>, length: usize) -> Result<(), StoreError> {
        let body = json!({ "remark": "x".repeat(length) });
        events::append(tx, DateTime::UNIX_EPOCH, "room.changed", Uuid::nil(), "keeper", &body)
    }

    /// `SQLite` then undoes the whole transaction by itself, with the part of it
    /// that met the full disk, so that undoing the part fails too.
    #[test]
    fn a_full_disk_is_told_as_such_from_within_a_part_of_a_transaction() {
        let folder = tempfile::tempdir().unwrap();
        let (store, mut batches) = Store::open_in_turn(&folder.path().join("full.db")).unwrap();
        batches.set("PRAGMA max_page_count = 1").unwrap();
        let answer = store
            .submit(|tx| {
                append(tx, 1)?;
                tx.nested(|tx| append(tx, 1_000_000))
            })
            .unwrap();
        assert!(batches.commit());
        let answer = answer.blocking_recv().unwrap();
        assert!(matches!(answer, Err(StoreError::Unavailable(_))), "{answer:?}");
        assert_eq!(store.read_blocking(feed::last).unwrap(), 0);
        // The next one finds a connection that works.
        let answer = store.submit(|tx| append(tx, 1)).unwrap();
        assert!(batches.commit());
        answer.blocking_recv().unwrap().unwrap();
    }

    /// What one request wrote before it was refused is undone, whatever it shares a batch with.
    #[test]
    fn of_a_refused_request_nothing_is_kept() {
        let folder = tempfile::tempdir().unwrap();
        let (store, mut batches) = Store::open_in_turn(&folder.path().join("batch.db")).unwrap();
        let refused = || Err::<(), _>(StoreError::Contention);
        let written = |length: usize| {
            move |tx: &mut Tx<'_>| {
                append(tx, length)?;
                feed::last(tx)
            }
        };
        let before = store.submit(written(1)).unwrap();
        let halfway = store.submit(move |tx| append(tx, 1).and_then(|()| refused())).unwrap();
        let untouched = store.submit(move |_| refused()).unwrap();
        let after = store.submit(written(2)).unwrap();
        while batches.commit() {}
        let first = before.blocking_recv().unwrap().unwrap();
        assert!(matches!(halfway.blocking_recv().unwrap(), Err(StoreError::Contention)));
        assert!(matches!(untouched.blocking_recv().unwrap(), Err(StoreError::Contention)));
        let last = after.blocking_recv().unwrap().unwrap();
        assert_eq!((first, last), (1, 2), "no number is used up by what was refused");
        assert_eq!(store.read_blocking(feed::last).unwrap(), 2);
    }

    /// `SQLite` undoes a transaction by itself on some errors. Who takes no notice is not acknowledged,
    /// and nothing that follows in the batch is written by itself.
    #[test]
    fn after_a_transaction_is_lost_nothing_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let (store, mut batches) = Store::open_in_turn(&folder.path().join("lost.db")).unwrap();
        let before = store.submit(|tx| append(tx, 1)).unwrap();
        let loses = store.submit(|tx| Ok::<_, StoreError>(tx.db().batch_execute("ROLLBACK")?)).unwrap();
        let follows = store.submit(|tx| append(tx, 1)).unwrap();
        assert!(batches.commit());
        assert!(matches!(before.blocking_recv().unwrap(), Err(StoreError::Unavailable(_))));
        assert!(matches!(loses.blocking_recv().unwrap(), Err(StoreError::Unavailable(_))));
        assert_eq!(store.read_blocking(feed::last).unwrap(), 0);
        assert!(batches.commit());
        follows.blocking_recv().unwrap().unwrap();
        assert_eq!(store.read_blocking(feed::last).unwrap(), 1);
    }
}
