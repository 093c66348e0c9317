//! The only part that speaks to a database. It stores what it is given and
//! returns what it finds; it decides nothing.

pub(crate) mod archive;
mod bell;
pub(crate) mod bookings;
pub(crate) mod calendar_keys;
pub(crate) mod claims;
pub(crate) mod db;
pub(crate) mod deliveries;
pub(crate) mod due_date_history;
pub(crate) mod due_items;
pub(crate) mod error;
pub(crate) mod events;
mod examine;
pub(crate) mod feed;
pub(crate) mod gas_supplies;
pub(crate) mod gloveboxes;
pub(crate) mod holds;
pub(crate) mod idempotency;
mod instant;
pub(crate) mod kept;
pub(crate) mod memory;
mod migrate;
pub(crate) mod nightly_runs;
pub(crate) mod people;
pub(crate) mod plans;
pub(crate) mod qualifications;
pub(crate) mod reading_days;
pub(crate) mod readings;
mod rooms;
pub(crate) mod rules;
mod schema;
pub(crate) mod services;
pub(crate) mod site;
pub(crate) mod stock;
mod taken;
pub(crate) mod things;
pub(crate) mod usage;
pub(crate) mod usage_closings;
pub(crate) mod visits;
pub(crate) mod webhooks;
pub(crate) mod windows;
mod writer;

pub use archive::copy_sqlite;
pub use db::{DatabaseUrl, UnknownDatabaseUrl, is_in_use};
pub use error::{CarriesStoreError, Constraint, StoreError, StoreResult};
pub use examine::{Examination, examine};
pub(crate) use migrate::schema as schema_name;
pub use writer::Batches;

use bell::Bell;
use db::{Connector, Db};
use diesel::Connection;
use diesel::connection::SimpleConnection as _;
use diesel::r2d2::Pool;
use memory::{Known, Memory};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::oneshot;
use writer::{Outcome, Writer};

/// Connections for reading, and for writing on `PostgreSQL`.
const POOL_SIZE: u32 = 16;
/// How often a transaction lost to a concurrent one is tried again.
const ATTEMPTS: usize = 5;
/// How long a request is kept waiting unless told otherwise.
const PATIENCE: Duration = Duration::from_secs(60);

/// A connection inside a transaction, as handed to the code that uses it.
pub(crate) struct Tx<'a> {
    db: &'a mut Db,
    memory: &'a Memory,
    known: Known,
    /// Whether it changes nothing, and sees the database as it was at one moment.
    only_reads: bool,
    /// The last event at that moment, once asked for.
    last_event: Option<taken::Mark>,
}

impl<'a> Tx<'a> {
    fn new(db: &'a mut Db, memory: &'a Memory) -> Self {
        Self { db, memory, known: Known::Nothing, only_reads: false, last_event: None }
    }

    fn reading(db: &'a mut Db, memory: &'a Memory) -> Self {
        Self { only_reads: true, ..Self::new(db, memory) }
    }

    /// The connection, for the store's own modules.
    pub(in crate::store) fn db(&mut self) -> &mut Db {
        self.db
    }

    /// Runs `work` so that its changes are undone when it fails, while what
    /// was done before it in the same transaction stays.
    pub(crate) fn nested<T, E: From<StoreError>>(
        &mut self,
        work: impl FnOnce(&mut Tx<'_>) -> Result<T, E>,
    ) -> Result<T, E> {
        let (memory, known) = (self.memory, &mut self.known);
        in_transaction(self.db, |db| {
            let mut tx = Tx { known: *known, ..Tx::new(db, memory) };
            let done = work(&mut tx);
            *known = tx.known;
            done
        })
    }
}

/// Where everything is kept; cheap to clone.
#[derive(Clone)]
pub struct Store {
    inner: Arc<Inner>,
    /// How long a caller that can wait is kept waiting.
    patience: Duration,
}

struct Inner {
    url: DatabaseUrl,
    pool: Pool<Connector>,
    /// Present on `SQLite` only; taken out on close.
    writer: Mutex<Option<Writer>>,
    /// Whether reads run at once where they are asked for.
    in_turn: bool,
    bell: Arc<Bell>,
    memory: Arc<Memory>,
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Store({})", self.inner.url)
    }
}

impl Store {
    /// Opens the database, creating an `SQLite` file where there is none, and
    /// applies the migrations that are missing.
    pub fn open(url: &DatabaseUrl) -> StoreResult<Self> {
        let connector = migrated(url)?;
        let memory = Arc::default();
        let writer = match url {
            DatabaseUrl::Sqlite(_) => Some(Writer::start(connector.clone(), Arc::clone(&memory))?),
            DatabaseUrl::Postgres(_) => None,
        };
        Ok(Self::over(connector, writer, memory, false))
    }

    /// Opens an `SQLite` file for a caller who decides when what waits to be
    /// written is committed. Nothing then runs beside the caller, and whatever
    /// order things happen in can be had again: for simulations. What is remembered is compared
    /// with what is stored.
    pub fn open_in_turn(path: &Path) -> StoreResult<(Self, Batches)> {
        let connector = migrated(&DatabaseUrl::Sqlite(path.to_owned()))?;
        let memory = Arc::new(Memory::doubted());
        let (writer, batches) = Writer::by_hand(connector.clone(), Arc::clone(&memory))?;
        Ok((Self::over(connector, Some(writer), memory, true), batches))
    }

    fn over(connector: Connector, writer: Option<Writer>, memory: Arc<Memory>, in_turn: bool) -> Self {
        let pool = connector.pool(POOL_SIZE);
        let (url, writer) = (connector.0, Mutex::new(writer));
        Self {
            inner: Arc::new(Inner { url, pool, writer, in_turn, bell: Arc::default(), memory }),
            patience: PATIENCE,
        }
    }

    /// The same, keeping requests waiting for so long at most.
    #[must_use]
    pub fn answering_within(self, patience: Duration) -> Self {
        Self { patience, ..self }
    }

    /// Where the data is.
    pub fn url(&self) -> &DatabaseUrl {
        &self.inner.url
    }

    /// Finishes the writes already accepted and refuses further ones.
    pub fn close(&self) {
        self.inner.bell.close();
        drop(self.inner.writer.lock().unwrap_or_else(PoisonError::into_inner).take());
    }

    /// Whether it was closed.
    pub(crate) fn is_closed(&self) -> bool {
        self.inner.bell.is_closed()
    }

    /// Wakes those who wait for a change.
    pub(crate) fn ring(&self) {
        self.inner.bell.ring();
    }

    /// Waits until this process has committed something since `seen` was told, or
    /// the store is closed, or so long; tells what to ask with next time.
    pub(crate) fn wait_for_change(&self, seen: u64, longest: Duration) -> u64 {
        self.inner.bell.wait(seen, longest)
    }

    /// Reads within one consistent transaction.
    pub(crate) fn read_blocking<T, E: From<StoreError>>(
        &self,
        work: impl FnOnce(&mut Tx<'_>) -> Result<T, E>,
    ) -> Result<T, E> {
        let mut db = self.inner.pool.get().map_err(|e| StoreError::Unavailable(e.to_string()))?;
        in_transaction(&mut db, |db| {
            if let Db::Postgres(connection) = db {
                connection
                    .batch_execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
                    .map_err(StoreError::from)?;
            }
            work(&mut Tx::reading(db, &self.inner.memory))
        })
    }

    /// Reads within one consistent transaction, off the async threads. Given up
    /// after a while; the work then ends by itself.
    pub(crate) async fn read<T, E>(
        &self,
        work: impl FnOnce(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    ) -> Result<T, E>
    where
        T: Send + 'static,
        E: From<StoreError> + Send + 'static,
    {
        if self.inner.in_turn {
            return self.read_blocking(work);
        }
        let store = self.clone();
        self.patiently(off_thread(move || store.read_blocking(work))).await
    }

    /// Writes within one transaction; durable once it has returned. Given up after
    /// a while, when it may still be done.
    ///
    /// `work` may run more than once, when the database asks to try again.
    pub(crate) async fn write<T, E>(
        &self,
        work: impl Fn(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    ) -> Result<T, E>
    where
        T: Send + 'static,
        E: CarriesStoreError + Send + 'static,
    {
        match &self.inner.url {
            DatabaseUrl::Sqlite(_) => {
                let answer = self.submit(work)?;
                self.patiently(async { answer.await.unwrap_or_else(|_| Err(writer_gone().into())) }).await
            }
            DatabaseUrl::Postgres(_) => {
                let store = self.clone();
                self.patiently(off_thread(move || store.write_postgres(work))).await
            }
        }
    }

    async fn patiently<T, E: From<StoreError>>(
        &self,
        work: impl Future<Output = Result<T, E>>,
    ) -> Result<T, E> {
        tokio::time::timeout(self.patience, work)
            .await
            .unwrap_or_else(|_| Err(StoreError::TookTooLong.into()))
    }

    /// [`Store::write`] for callers outside the async runtime.
    pub(crate) fn write_blocking<T, E>(
        &self,
        work: impl Fn(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    ) -> Result<T, E>
    where
        T: Send + 'static,
        E: CarriesStoreError + Send + 'static,
    {
        match &self.inner.url {
            DatabaseUrl::Sqlite(_) => {
                self.submit(work)?.blocking_recv().unwrap_or_else(|_| Err(writer_gone().into()))
            }
            DatabaseUrl::Postgres(_) => self.write_postgres(work),
        }
    }

    fn submit<T, E>(
        &self,
        work: impl Fn(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    ) -> Result<oneshot::Receiver<Result<T, E>>, StoreError>
    where
        T: Send + 'static,
        E: CarriesStoreError + Send + 'static,
    {
        let (sender, receiver) = oneshot::channel();
        let job = Box::new(Request {
            work,
            span: tracing::Span::current(),
            bell: Arc::clone(&self.inner.bell),
            memory: Arc::clone(&self.inner.memory),
            done: Err(writer_gone().into()),
            sender,
        });
        let guard = self.inner.writer.lock().unwrap_or_else(PoisonError::into_inner);
        guard.as_ref().ok_or_else(writer_gone)?.submit(job)?;
        Ok(receiver)
    }

    fn write_postgres<T, E: CarriesStoreError>(
        &self,
        work: impl Fn(&mut Tx<'_>) -> Result<T, E>,
    ) -> Result<T, E> {
        let mut db = self.inner.pool.get().map_err(|e| StoreError::Unavailable(e.to_string()))?;
        let mut attempt = 1;
        loop {
            let result = in_transaction(&mut db, |db| work(&mut Tx::new(db, &self.inner.memory)));
            let lost = matches!(&result, Err(e) if matches!(e.store_error(), Some(StoreError::Contention)));
            if !lost || attempt == ATTEMPTS {
                if result.is_ok() {
                    self.ring();
                }
                return result;
            }
            attempt += 1;
        }
    }
}

/// A write on its way to the writer and back.
struct Request<W, T, E> {
    work: W,
    span: tracing::Span,
    bell: Arc<Bell>,
    memory: Arc<Memory>,
    /// What the work came to when it was last done.
    done: Result<T, E>,
    sender: oneshot::Sender<Result<T, E>>,
}

impl<W, T, E> writer::Job for Request<W, T, E>
where
    W: Fn(&mut Tx<'_>) -> Result<T, E> + Send,
    T: Send,
    E: CarriesStoreError + Send,
{
    fn work(&mut self, db: &mut Db, revision: Option<i64>) -> Outcome {
        let known = revision.map_or(Known::Nothing, Known::Revision);
        let mut tx = Tx { known, ..Tx::new(db, &self.memory) };
        self.done = self.span.in_scope(|| (self.work)(&mut tx));
        if self.done.is_ok() { Outcome::Keep } else { Outcome::Undo }
    }

    fn answer(self: Box<Self>, committed: Result<(), StoreError>) {
        let done = match committed {
            Ok(()) => self.done,
            Err(error) => self.done.and(Err(error.into())),
        };
        if done.is_ok() {
            self.bell.ring();
        }
        // A caller that has gone away does not want its answer.
        drop(self.sender.send(done));
    }
}

/// Where to connect to, with the migrations applied.
fn migrated(url: &DatabaseUrl) -> StoreResult<Connector> {
    let connector = Connector(url.clone());
    let applied = migrate::migrate(&mut connector.open()?)?;
    if !applied.is_empty() {
        tracing::info!(?applied, "migrated the database");
    }
    Ok(connector)
}

fn writer_gone() -> StoreError {
    StoreError::Unavailable("the writer has stopped".to_owned())
}

/// Runs work that keeps a thread busy where it keeps no request waiting.
pub(crate) async fn off_thread<T, E>(work: impl FnOnce() -> Result<T, E> + Send + 'static) -> Result<T, E>
where
    T: Send + 'static,
    E: From<StoreError> + Send + 'static,
{
    let span = tracing::Span::current();
    tokio::task::spawn_blocking(move || span.in_scope(work)).await.unwrap_or_else(|cut| {
        let why = format!("work was cut short: {cut}");
        let error = if cut.is_panic() { StoreError::Panicked(why) } else { StoreError::Unavailable(why) };
        Err(error.into())
    })
}

/// Begins work that keeps a thread busy and that nobody waits for.
pub(crate) fn begin_off_thread(work: impl FnOnce() + Send + 'static) {
    let span = tracing::Span::current();
    drop(tokio::task::spawn_blocking(move || span.in_scope(work)));
}

/// Keeps a caller's error apart from the database's own within a transaction.
enum Failed<E> {
    Caller(E),
    Database(diesel::result::Error),
}

impl<E> From<diesel::result::Error> for Failed<E> {
    fn from(error: diesel::result::Error) -> Self {
        Self::Database(error)
    }
}

fn in_transaction<T, E: From<StoreError>>(
    db: &mut Db,
    work: impl FnOnce(&mut Db) -> Result<T, E>,
) -> Result<T, E> {
    db.transaction(|db| work(db).map_err(Failed::Caller)).map_err(|failed| match failed {
        Failed::Caller(error) => error,
        Failed::Database(error) => StoreError::from(error).into(),
    })
}
