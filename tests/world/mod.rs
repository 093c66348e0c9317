//! A world for each test: a database of its own, the real server on a free
//! port, a clock set by hand, and callers named for what they are.

pub(crate) mod client;
pub(crate) mod furnished;
mod postgres;
mod process;
mod proxy;
pub(crate) mod raw;
mod receiver;
mod sqlite;

pub(crate) use client::{Answer, Client};
pub(crate) use postgres::OwnServer;
pub(crate) use process::{Process, run};
pub(crate) use proxy::Proxy;
pub(crate) use raw::Raw;
pub(crate) use receiver::{Received, Receiver};

use chrono::{DateTime, TimeZone as _, Utc};
use drykeep::clock::Clock;
use drykeep::config::HttpSettings;
use drykeep::domain::feed::Reach;
use drykeep::identity::{Claims, Verifier, sign};
use drykeep::store::{DatabaseUrl, Store};
use drykeep::usecases::App;
use std::hash::{DefaultHasher, Hasher as _};
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread::JoinHandle;
use std::time::Duration;

/// The shared secret of every world's tokens.
pub(crate) const SECRET: &[u8] = b"a secret of the tests, longer than it needs to be";
/// The `iss` and `aud` that every world's tokens carry.
pub(crate) const NAME: &str = "drykeep";
/// Everything a keeper of the facility may do.
const KEEPER: &str = "facility:read facility:manage bookings:write bookings:manage readings:write \
     upkeep:manage plans:manage usage:read nightly:run";
/// What a person who works in the boxes may do.
const RESEARCHER: &str = "facility:read bookings:write";

/// A running service with nothing in it.
pub(crate) struct World {
    clock: Clock,
    address: SocketAddr,
    database: Option<Database>,
    store: Store,
    server: actix_web::dev::ServerHandle,
    thread: Option<JoinHandle<()>>,
}

/// A database that exists for one test and is removed after it.
pub(crate) enum Database {
    /// A file in a directory of its own.
    Sqlite(sqlite::OwnFile),
    /// A database of its own on a server.
    Postgres(postgres::OwnDatabase),
}

impl Database {
    /// A migrated `SQLite` file.
    pub(crate) fn sqlite() -> Self {
        Self::Sqlite(sqlite::OwnFile::new())
    }

    /// A migrated `PostgreSQL` database; none where no server can be had, which is
    /// said on standard error.
    pub(crate) fn postgres() -> Option<Self> {
        postgres::OwnDatabase::new().map(Self::Postgres)
    }

    /// A copy of a file.
    pub(crate) fn sqlite_from(file: &Path) -> Self {
        Self::Sqlite(sqlite::OwnFile::copy_of(file))
    }

    /// What `SQLite` says of the file as a whole, which is `ok` where nothing is
    /// wrong; a server says nothing.
    pub(crate) fn integrity(&self) -> Vec<String> {
        #[derive(diesel::QueryableByName)]
        struct Row {
            #[diesel(sql_type = diesel::sql_types::Text)]
            found: String,
        }
        let query = "SELECT integrity_check AS found FROM pragma_integrity_check";
        let rows = self.raw().rows::<Row>(query, "SELECT 'ok' AS found");
        rows.into_iter().map(|row| row.found).collect()
    }

    /// A connection past the service.
    pub(crate) fn raw(&self) -> Raw {
        Raw::to(&self.url())
    }

    /// Its address.
    pub(crate) fn url(&self) -> DatabaseUrl {
        match self {
            Self::Sqlite(file) => DatabaseUrl::Sqlite(file.path().to_owned()),
            Self::Postgres(database) => DatabaseUrl::Postgres(database.url().to_owned()),
        }
    }
}

impl World {
    /// A service over an `SQLite` file.
    pub(crate) fn sqlite() -> Self {
        Self::over(Database::sqlite())
    }

    /// A service over an `SQLite` file that believes others' tokens.
    pub(crate) fn believing(verifier: Verifier) -> Self {
        Self::over_with(Database::sqlite(), verifier, HttpSettings::default().without_rates())
    }

    /// A service over a `PostgreSQL` database, where a server can be had.
    pub(crate) fn postgres() -> Option<Self> {
        Database::postgres().map(Self::over)
    }

    /// A service over a database.
    pub(crate) fn over(database: Database) -> Self {
        Self::over_with(database, verifier(), HttpSettings::default().without_rates())
    }

    /// A service over an `SQLite` file whose callers are held to something.
    pub(crate) fn holding_callers_to(settings: HttpSettings) -> Self {
        Self::over_with(Database::sqlite(), verifier(), settings)
    }

    fn over_with(database: Database, verifier: Verifier, settings: HttpSettings) -> Self {
        let clock = Clock::standing_at(monday_morning());
        let store = Store::open(&database.url()).unwrap().answering_within(settings.answer_within);
        let (address, server, thread) = serving(&store, &clock, verifier, settings);
        Self { clock, address, database: Some(database), store, server, thread: Some(thread) }
    }

    /// A service of its own over a copy of what this one, on `SQLite`, holds.
    pub(crate) fn copied(&self) -> Self {
        let world = Self::over(Database::Sqlite(sqlite::OwnFile::holding(&mut self.raw())));
        world.clock.set(self.now());
        world
    }

    /// Another instance of the service on the same database and clock.
    pub(crate) fn beside(&self) -> Self {
        self.answering_within(HttpSettings::default().answer_within)
    }

    /// The same, waiting so long for the database and no longer.
    pub(crate) fn answering_within(&self, patience: Duration) -> Self {
        let url = self.database.as_ref().expect("a running world has a database").url();
        let store = Store::open(&url).unwrap().answering_within(patience);
        let settings = HttpSettings::default().without_rates();
        let (address, server, thread) = serving(&store, &self.clock, verifier(), settings);
        Self { clock: self.clock.clone(), address, database: None, store, server, thread: Some(thread) }
    }

    /// The same service, stopped and started again.
    pub(crate) fn restarted(mut self) -> Self {
        self.stop();
        let database = self.database.take().expect("a running world has a database");
        Self::over(database)
    }

    /// The present in this world.
    pub(crate) fn now(&self) -> DateTime<Utc> {
        self.clock.now()
    }

    /// Moves the world's clock.
    pub(crate) fn it_is_now(&self, at: DateTime<Utc>) {
        self.clock.set(at);
    }

    /// Where it listens.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// Where its data is.
    pub(crate) fn database(&self) -> DatabaseUrl {
        self.database.as_ref().expect("a running world has a database").url()
    }

    /// A connection to its database past the service.
    pub(crate) fn raw(&self) -> Raw {
        self.database.as_ref().expect("a running world has a database").raw()
    }

    /// Somebody without a token.
    pub(crate) fn anyone(&self) -> Client {
        Client::new(self.address, None)
    }

    /// Somebody with the text of an `Authorization` header of their own making.
    pub(crate) fn bearing(&self, authorization: &str) -> Client {
        Client::new(self.address, Some(authorization.to_owned()))
    }

    /// Somebody with a token for the scopes named.
    pub(crate) fn caller(&self, subject: &str, scope: &str) -> Client {
        self.bearing(&format!("Bearer {}", token(subject, scope)))
    }

    /// The keeper of the facility, who may do everything.
    pub(crate) fn keeper(&self) -> Client {
        self.caller("keeper", KEEPER)
    }

    /// A person who works in the boxes.
    pub(crate) fn researcher(&self, subject: &str) -> Client {
        self.caller(subject, RESEARCHER)
    }
}

/// Starts the server on a free port. Its webhooks may go to receivers on this machine.
fn serving(
    store: &Store,
    clock: &Clock,
    verifier: Verifier,
    settings: HttpSettings,
) -> (SocketAddr, actix_web::dev::ServerHandle, JoinHandle<()>) {
    let networks = vec!["127.0.0.0/8".parse().unwrap()];
    let reach = Reach { http: true, networks, authorities: None };
    let app = App::new(store.clone(), clock.clone()).reaching(reach);
    app.prepare().unwrap();
    let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
    let address = listener.local_addr().unwrap();
    let (sender, receiver) = channel();
    let thread = std::thread::spawn(move || {
        actix_web::rt::System::new().block_on(async move {
            let server = drykeep::server::serve(app, verifier, listener, 2, &settings).unwrap();
            sender.send(server.handle()).unwrap();
            server.await.unwrap();
        });
    });
    let server = receiver.recv().expect("the server starts");
    (address, server, thread)
}

impl World {
    fn stop(&mut self) {
        // The command is sent at once; the future would only wait for its end.
        drop(self.server.stop(true));
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
            && !std::thread::panicking()
        {
            panic!("the server panicked");
        }
        self.store.close();
    }
}

impl Drop for World {
    /// Stops the server before its database is removed.
    fn drop(&mut self) {
        self.stop();
    }
}

/// Where every world's clock stands at first: a Monday morning, in UTC.
pub(crate) fn monday_morning() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2030, 1, 7, 8, 0, 0).unwrap()
}

fn verifier() -> Verifier {
    Verifier::default().with_secret(SECRET, NAME, NAME).unwrap()
}

/// Claims of a token that is valid for an hour of the machine's clock, which is
/// the clock that tokens are checked by.
pub(crate) fn claims(subject: &str, scope: &str) -> Claims {
    let now = Clock::System.now().timestamp();
    Claims {
        sub: subject.to_owned(),
        iss: NAME.to_owned(),
        aud: NAME.into(),
        exp: now + 3600,
        iat: Some(now),
        scope: scope.to_owned(),
    }
}

/// A token that every world accepts.
pub(crate) fn token(subject: &str, scope: &str) -> String {
    sign(SECRET, &claims(subject, scope)).unwrap()
}

/// Identifies the present migrations of a backend, so that a template made from
/// others is not taken for one made from these.
fn fingerprint(backend: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations").join(backend);
    let mut migrations: Vec<_> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path().join("up.sql")).collect();
    migrations.sort();
    let mut hash = DefaultHasher::new();
    for path in migrations {
        hash.write(&std::fs::read(path).unwrap());
    }
    format!("{:016x}", hash.finish())
}

/// A setting of the test run.
#[expect(clippy::disallowed_methods, reason = "the tests' own settings are no settings of the service")]
pub(crate) fn setting(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}

/// What several threads do until they are told to stop; a test that fails tells them too.
#[derive(Default)]
pub(crate) struct Stop(AtomicBool);

impl Stop {
    /// Whether to go on.
    pub(crate) fn not_yet(&self) -> bool {
        !self.0.load(Ordering::Relaxed)
    }

    /// Tells them at its end.
    pub(crate) fn at_the_end(&self) -> StopAtEnd<'_> {
        StopAtEnd(self)
    }
}

/// Tells those who watch a [`Stop`] when it is dropped.
pub(crate) struct StopAtEnd<'a>(&'a Stop);

impl Drop for StopAtEnd<'_> {
    fn drop(&mut self) {
        self.0.0.store(true, Ordering::Relaxed);
    }
}

/// Writes a test once and runs it on either backend, as `name::sqlite` and
/// `name::postgres`.
macro_rules! on_both_backends {
    ($($(#[doc = $doc:literal])* fn $name:ident($world:ident) $body:block)*) => {$(
        $(#[doc = $doc])*
        fn $name($world: &$crate::world::World) $body

        mod $name {
            #[test]
            fn sqlite() {
                super::$name(&$crate::world::World::sqlite());
            }

            #[test]
            fn postgres() {
                if let Some(world) = $crate::world::World::postgres() {
                    super::$name(&world);
                }
            }
        }
    )*};
}
pub(crate) use on_both_backends;

/// [`on_both_backends`] for tests that need a database but no service.
macro_rules! in_both_databases {
    ($($(#[doc = $doc:literal])* fn $name:ident($database:ident) $body:block)*) => {$(
        $(#[doc = $doc])*
        fn $name($database: &$crate::world::Database) $body

        mod $name {
            #[test]
            fn sqlite() {
                super::$name(&$crate::world::Database::sqlite());
            }

            #[test]
            fn postgres() {
                if let Some(database) = $crate::world::Database::postgres() {
                    super::$name(&database);
                }
            }
        }
    )*};
}
pub(crate) use in_both_databases;
