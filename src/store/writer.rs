//! `SQLite`'s one writer: a thread that commits the requests waiting at it
//! together, each within a savepoint of its own, and answers them after the
//! commit. One fsync then serves many callers, and an answer once given is
//! durable.

use super::db::{Connector, Db, WRITER_SETTINGS};
use super::error::{StoreError, StoreResult};
use super::memory::Memory;
use diesel::Connection;
use diesel::connection::{AnsiTransactionManager, SimpleConnection as _, TransactionManager};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// Requests committed together at most.
const LARGEST_BATCH: usize = 128;
/// Requests waiting at most; beyond this callers wait to be let in.
const LONGEST_QUEUE: usize = 4096;

/// Tells a caller how its request went, once the commit is decided.
pub(crate) type Answer = Box<dyn FnOnce(Result<(), StoreError>) + Send>;
/// A request: does its work in a savepoint and returns how to answer, and
/// whether its changes are to be kept.
pub(crate) type Job = Box<dyn FnOnce(&mut Db) -> (Answer, Outcome) + Send>;

/// What becomes of a request's savepoint.
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
    queue: Option<SyncSender<Job>>,
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
    pub(crate) fn submit(&self, job: Job) -> StoreResult<()> {
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
    jobs: Receiver<Job>,
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

    fn commit_with(&mut self, first: Job) {
        let Self { connector, db, memory, jobs } = self;
        let mut answers = Vec::new();
        let decided = catch_unwind(AssertUnwindSafe(|| commit_together(db, first, jobs, &mut answers)));
        let broken = decided.is_err();
        let result = decided.unwrap_or_else(|_| {
            Err(StoreError::Unavailable("a request failed while being written".to_owned()))
        });
        if let Err(error) = &result {
            tracing::error!(%error, "a batch of writes was not committed");
        }
        if broken || result.is_err() {
            memory.forget();
        }
        for answer in answers {
            answer(match &result {
                Ok(()) => Ok(()),
                Err(error) => Err(StoreError::Unavailable(error.to_string())),
            });
        }
        if broken || result.is_err() {
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
    if matches!(db, Db::Sqlite(_)) {
        db.batch_execute(WRITER_SETTINGS)?;
    }
    Ok(db)
}

fn commit_together(
    db: &mut Db,
    first: Job,
    jobs: &Receiver<Job>,
    answers: &mut Vec<Answer>,
) -> Result<(), StoreError> {
    begin(db)?;
    let mut next = Some(first);
    while let Some(job) = next {
        let mut answer = None;
        let kept: Result<(), diesel::result::Error> = db.transaction(|db| {
            let (how, outcome) = job(db);
            answer = Some(how);
            if outcome == Outcome::Keep { Ok(()) } else { Err(diesel::result::Error::RollbackTransaction) }
        });
        answers.extend(answer);
        match kept {
            Ok(()) | Err(diesel::result::Error::RollbackTransaction) => {}
            Err(error) => return Err(error.into()),
        }
        next = if answers.len() < LARGEST_BATCH { jobs.try_recv().ok() } else { None };
    }
    commit(db)
}

fn begin(db: &mut Db) -> Result<(), StoreError> {
    match db {
        Db::Sqlite(connection) => {
            Ok(AnsiTransactionManager::begin_transaction_sql(connection, "BEGIN IMMEDIATE")?)
        }
        Db::Postgres(connection) => Ok(AnsiTransactionManager::begin_transaction(connection)?),
    }
}

fn commit(db: &mut Db) -> Result<(), StoreError> {
    match db {
        Db::Sqlite(connection) => Ok(AnsiTransactionManager::commit_transaction(connection)?),
        Db::Postgres(connection) => Ok(AnsiTransactionManager::commit_transaction(connection)?),
    }
}

#[cfg(test)]
mod tests {
    use crate::store::{Store, StoreError, Tx, events, feed};
    use chrono::DateTime;
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
}
