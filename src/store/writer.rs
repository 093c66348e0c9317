//! `SQLite`'s one writer: a thread that commits the requests waiting at it
//! together, each within a savepoint of its own, and answers them after the
//! commit. One fsync then serves many callers, and an answer once given is
//! durable.

use super::db::{Connector, Db};
use super::error::{StoreError, StoreResult};
use diesel::Connection;
use diesel::connection::{AnsiTransactionManager, TransactionManager};
use std::panic::{AssertUnwindSafe, catch_unwind};
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

/// The handle through which requests reach the writer's thread.
#[derive(Debug)]
pub(crate) struct Writer {
    queue: Option<SyncSender<Job>>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    /// Starts the thread on a connection of its own.
    pub(crate) fn start(connector: Connector) -> StoreResult<Self> {
        let db = connector.open()?;
        let (queue, jobs) = sync_channel(LONGEST_QUEUE);
        let thread = std::thread::Builder::new()
            .name("writer".to_owned())
            .spawn(move || run(&connector, db, &jobs))
            .map_err(|e| StoreError::Unavailable(e.to_string()))?;
        Ok(Self { queue: Some(queue), thread: Some(thread) })
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

fn run(connector: &Connector, mut db: Db, jobs: &Receiver<Job>) {
    while let Ok(first) = jobs.recv() {
        let mut answers = Vec::new();
        let decided = catch_unwind(AssertUnwindSafe(|| commit_together(&mut db, first, jobs, &mut answers)));
        let broken = decided.is_err();
        let result = decided.unwrap_or_else(|_| {
            Err(StoreError::Unavailable("a request failed while being written".to_owned()))
        });
        if let Err(error) = &result {
            tracing::error!(%error, "a batch of writes was not committed");
        }
        for answer in answers {
            answer(match &result {
                Ok(()) => Ok(()),
                Err(error) => Err(StoreError::Unavailable(error.to_string())),
            });
        }
        if broken || result.is_err() {
            match connector.open() {
                Ok(fresh) => db = fresh,
                Err(error) => tracing::error!(%error, "the writer could not reopen the database"),
            }
        }
    }
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
