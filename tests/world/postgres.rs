//! `PostgreSQL` databases for tests, each made from a template that was migrated
//! once, on the server that `DRYKEEP_TEST_POSTGRES` names or else on one that
//! the test run starts for itself.

use super::setting;
use diesel::connection::SimpleConnection as _;
use diesel::{Connection as _, PgConnection, RunQueryDsl as _};
use drykeep::store::{DatabaseUrl, Store};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

/// A database that is dropped with this.
pub(crate) struct OwnDatabase {
    name: String,
    url: String,
    server: &'static Server,
}

impl OwnDatabase {
    pub(super) fn new() -> Option<Self> {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let server = server()?;
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("drykeep_test_{}_{number}", std::process::id());
        // A run that was killed may have left one of the same name behind.
        server.run(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)"));
        server.run(&format!("CREATE DATABASE {name} TEMPLATE {}", server.template));
        Some(Self { url: server.url_of(&name), name, server })
    }

    /// Its address.
    pub(crate) fn url(&self) -> &str {
        &self.url
    }
}

impl Drop for OwnDatabase {
    fn drop(&mut self) {
        self.server.run(&format!("DROP DATABASE IF EXISTS {} WITH (FORCE)", self.name));
    }
}

/// A server of a test's own, with one database, that can be killed and started
/// again. It keeps what it has acknowledged when its processes are killed, and is
/// not made to outlive the machine.
pub(crate) struct OwnServer {
    base: String,
    guard: Child,
}

impl OwnServer {
    /// A running one; none, with a line on standard error, where there are no programs for it.
    pub(crate) fn start() -> Option<Self> {
        let Some(folder) = binaries() else {
            missing();
            return None;
        };
        let (base, guard) = start(&folder, "-c fsync=off");
        Some(Self { base, guard })
    }

    /// Its database.
    pub(crate) fn url(&self) -> DatabaseUrl {
        DatabaseUrl::Postgres(self.base.clone())
    }

    fn tell(&mut self, word: &str) {
        let pipe = self.guard.stdin.as_mut().expect("the shell has a pipe");
        writeln!(pipe, "{word}").unwrap();
        pipe.flush().unwrap();
    }

    /// SIGKILL to the process that all others of the server belong to.
    pub(crate) fn kill(&mut self) {
        self.tell("kill");
    }

    /// SIGQUIT, on which it ends at once, leaving everything to the recovery.
    pub(crate) fn stop_at_once(&mut self) {
        self.tell("quit");
    }

    /// Starts it again and waits until it lets somebody in. What is left of a
    /// killed one keeps it from starting for a moment.
    pub(crate) fn start_again(&mut self) {
        for attempt in 0..600 {
            if attempt % 4 == 0 {
                self.tell("start");
            }
            if PgConnection::establish(&self.base).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("the test server does not start again");
    }
}

impl Drop for OwnServer {
    /// The shell stops the server and removes what it kept.
    fn drop(&mut self) {
        drop(self.guard.stdin.take());
        drop(self.guard.wait());
    }
}

/// A server on which databases can be created.
struct Server {
    /// Address of its maintenance database.
    base: String,
    /// A migrated database that others are copied from.
    template: String,
    /// The connection over which databases come and go.
    control: Mutex<PgConnection>,
    /// Ends the server when this process ends, however it ends.
    _guard: Option<Child>,
}

/// The server of this run; none, with a line on standard error, where there is no
/// server to be had and none is required.
fn server() -> Option<&'static Server> {
    static SERVER: OnceLock<Option<Server>> = OnceLock::new();
    let server = SERVER.get_or_init(|| {
        if let Some(base) = setting("DRYKEEP_TEST_POSTGRES") {
            return Some(Server::at(base, None));
        }
        binaries().map(|folder| {
            let (base, guard) =
                start(&folder, "-c fsync=off -c full_page_writes=off -c synchronous_commit=off");
            Server::at(base, Some(guard))
        })
    });
    if server.is_none() {
        missing();
    }
    server.as_ref()
}

fn missing() {
    let required = setting("DRYKEEP_REQUIRE_POSTGRES").is_some_and(|value| value != "0");
    assert!(!required, "DRYKEEP_REQUIRE_POSTGRES is set, but no PostgreSQL server was found");
    let test = std::thread::current().name().unwrap_or("a test").to_owned();
    // What is printed with a macro is shown only for tests that fail.
    let mut seen = std::io::stderr();
    writeln!(seen, "skipped {test}: no PostgreSQL found; see DRYKEEP_TEST_POSTGRES").unwrap();
}

impl Server {
    fn at(base: String, guard: Option<Child>) -> Self {
        let control = PgConnection::establish(&base)
            .unwrap_or_else(|error| panic!("no connection to the test server: {error}"));
        let template = format!("drykeep_template_{}", super::fingerprint("postgres"));
        let server = Self { base, template, control: Mutex::new(control), _guard: guard };
        server.make_template();
        server
    }

    /// The address of another database of this server.
    fn url_of(&self, name: &str) -> String {
        let (scheme, rest) = self.base.split_once("://").expect("an address has a scheme");
        let (host, query) = rest.split_once('?').map_or((rest, ""), |(host, query)| (host, query));
        let host = host.split('/').next().unwrap_or_default();
        let query = if query.is_empty() { String::new() } else { format!("?{query}") };
        format!("{scheme}://{host}/{name}{query}")
    }

    fn run(&self, sql: &str) {
        let mut control = self.control.lock().unwrap_or_else(PoisonError::into_inner);
        control.batch_execute(sql).unwrap_or_else(|error| panic!("{sql}: {error}"));
    }

    fn has_template(&self) -> bool {
        let mut control = self.control.lock().unwrap_or_else(PoisonError::into_inner);
        let found: i64 = diesel::select(diesel::dsl::sql::<diesel::sql_types::BigInt>(&format!(
            "(SELECT count(*) FROM pg_database WHERE datname = '{}')",
            self.template
        )))
        .get_result(&mut *control)
        .unwrap();
        found == 1
    }

    /// Migrates a database under another name and then gives it the template's,
    /// so that a template is always whole. Runs side by side take turns.
    fn make_template(&self) {
        self.run("SELECT pg_advisory_lock(20300107)");
        if !self.has_template() {
            let making = format!("{}_making", self.template);
            self.run(&format!("DROP DATABASE IF EXISTS {making} WITH (FORCE)"));
            self.run(&format!("CREATE DATABASE {making}"));
            Store::open(&DatabaseUrl::Postgres(self.url_of(&making))).unwrap().close();
            self.run(&format!(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{making}'"
            ));
            self.run(&format!("ALTER DATABASE {making} RENAME TO {}", self.template));
        }
        self.run("SELECT pg_advisory_unlock(20300107)");
    }
}

/// Where the server's programs are: on the path, or where Debian and its
/// relatives put them, the newest version first.
fn binaries() -> Option<PathBuf> {
    let on_path = std::env::split_paths(&setting("PATH").unwrap_or_default()).collect::<Vec<_>>();
    let mut versions: Vec<PathBuf> = ["/usr/lib/postgresql", "/usr/local/pgsql", "/opt/homebrew/opt"]
        .iter()
        .filter_map(|folder| std::fs::read_dir(folder).ok())
        .flatten()
        .filter_map(Result::ok)
        .map(|entry| entry.path().join("bin"))
        .collect();
    versions.sort_by_key(|folder| {
        let version =
            folder.parent().and_then(Path::file_name).map(|name| name.to_string_lossy().into_owned());
        std::cmp::Reverse(version.and_then(|text| text.parse::<u32>().ok()))
    });
    on_path
        .into_iter()
        .chain(versions)
        .find(|folder| folder.join("initdb").is_file() && folder.join("postgres").is_file())
}

/// The user a server has to run as, since it refuses to run as root.
fn other_user() -> Option<&'static str> {
    let run = |arguments: &[&str]| Command::new("id").args(arguments).output().ok();
    let is_root = run(&["-u"]).is_some_and(|output| output.stdout.starts_with(b"0\n"));
    let exists = |user: &str| run(&["-u", user]).is_some_and(|output| output.status.success());
    is_root.then(|| if exists("postgres") { "postgres" } else { "nobody" })
}

/// Makes a cluster in a directory of its own and starts a server on it that
/// listens at a socket in the same directory and nowhere else.
///
/// A shell waits at the other end of a pipe: when this process ends, even when it
/// is killed, the pipe closes, and the shell stops the server and removes the
/// directory. Before that it does what it is told to over the pipe.
fn start(binaries: &Path, durability: &str) -> (String, Child) {
    let folder = tempfile::Builder::new().prefix("drykeep-pg-").tempdir().unwrap().keep();
    let user = other_user();
    if let Some(user) = user {
        let owned = Command::new("chown").arg(user).arg(&folder).status().unwrap();
        assert!(owned.success(), "the cluster's directory cannot be given to {user}");
    }
    let script = r#"
        trap '' INT TERM
        "$bin/initdb" -D "$dir/data" -U drykeep -A trust -E UTF8 --locale=C -N >"$dir/log" 2>&1 || exit 1
        up() {
            "$bin/postgres" -D "$dir/data" -k "$dir" -c listen_addresses= -c max_connections=300 $durability \
                -c shared_buffers=32MB -c max_wal_size=256MB >>"$dir/log" 2>&1 </dev/null &
            server=$!
        }
        up
        while read -r word; do
            case $word in
                kill) kill -KILL $server; wait $server ;;
                quit) kill -QUIT $server; wait $server ;;
                start) kill -0 $server 2>/dev/null || up ;;
            esac
        done
        kill -INT $server
        wait $server
        rm -rf "$dir"
    "#;
    let mut command = Command::new(if user.is_some() { "runuser" } else { "sh" });
    if let Some(user) = user {
        command.args(["-u", user, "--", "sh"]);
    }
    #[expect(clippy::zombie_processes, reason = "the shell ends after this process does")]
    let guard = command
        .args(["-c", script])
        .env("bin", binaries)
        .env("dir", &folder)
        .env("durability", durability)
        .current_dir("/")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let base = format!("postgres:///postgres?host={}&user=drykeep", folder.display());
    for _ in 0..600 {
        if PgConnection::establish(&base).is_ok() {
            return (base, guard);
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    let log = std::fs::read_to_string(folder.join("log")).unwrap_or_default();
    panic!("the test server did not start:\n{log}");
}
