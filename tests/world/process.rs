//! The service as a process of its own, for what becomes of one.

use super::{Client, NAME, SECRET};
use drykeep::store::DatabaseUrl;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::Duration;

/// The program, as a process of its own.
pub(crate) struct Process {
    child: Child,
    address: SocketAddr,
}

/// A database's address in full; what a `DatabaseUrl` shows of itself is for people.
fn address_of(database: &DatabaseUrl) -> String {
    match database {
        DatabaseUrl::Sqlite(path) => format!("sqlite://{}", path.display()),
        DatabaseUrl::Postgres(url) => url.clone(),
    }
}

/// Runs a command of the program on a database to its end.
#[track_caller]
pub(crate) fn run(database: &DatabaseUrl, arguments: &[&str]) -> Ended {
    let output = Command::new(env!("CARGO_BIN_EXE_drykeep"))
        .args(arguments)
        .args(["--database-url", &address_of(database)])
        .current_dir(std::env::temp_dir())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    Ended { asked: arguments.join(" "), output }
}

/// How a command ended.
pub(crate) struct Ended {
    asked: String,
    output: Output,
}

impl Ended {
    fn said(&self) -> String {
        format!(
            "{}{}",
            String::from_utf8_lossy(&self.output.stdout),
            String::from_utf8_lossy(&self.output.stderr)
        )
    }

    /// Its exit code, and what it said.
    pub(crate) fn code(&self) -> (Option<i32>, String) {
        (self.output.status.code(), self.said())
    }

    /// What it said, having ended well.
    #[track_caller]
    pub(crate) fn succeeded(&self) -> String {
        let said = self.said();
        assert!(self.output.status.success(), "drykeep {}: {} {said}", self.asked, self.output.status);
        said
    }

    /// What it said, having ended with the exit code of commands that failed.
    #[track_caller]
    pub(crate) fn failed(&self) -> String {
        self.with_code(2)
    }

    /// What it said, having ended with an exit code.
    #[track_caller]
    pub(crate) fn with_code(&self, code: i32) -> String {
        let said = self.said();
        assert_eq!(self.output.status.code(), Some(code), "drykeep {}: {said}", self.asked);
        said
    }
}

impl Process {
    /// Serves a database, with the tests' secret in a file of the folder.
    pub(crate) fn serving(database: &DatabaseUrl, folder: &Path) -> Self {
        Self::serving_with(database, folder, &[])
    }

    /// The same, with further settings in its environment.
    pub(crate) fn serving_with(database: &DatabaseUrl, folder: &Path, settings: &[(&str, &str)]) -> Self {
        let secret = folder.join("tokens.secret");
        std::fs::write(&secret, SECRET).unwrap();
        Self::start_with(database, &secret, settings)
    }

    /// Serves a database at a free port, with a file that holds the tests' secret.
    pub(crate) fn start(database: &DatabaseUrl, secret: &Path) -> Self {
        Self::start_with(database, secret, &[])
    }

    fn start_with(database: &DatabaseUrl, secret: &Path, settings: &[(&str, &str)]) -> Self {
        // The port is free when it is asked for, and most likely still when the
        // service takes it; otherwise another one is tried.
        for _ in 0..5 {
            let address = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
            let child = Command::new(env!("CARGO_BIN_EXE_drykeep"))
                .args(["serve", "--listen", &address.to_string(), "--database-url"])
                .arg(address_of(database))
                .env("DRYKEEP_SECRET_FILE", secret)
                .env("DRYKEEP_ISSUER", NAME)
                .env("DRYKEEP_AUDIENCE", NAME)
                .env("DRYKEEP_RATE_LIMITS", "false")
                .envs(settings.iter().copied())
                .current_dir(secret.parent().unwrap())
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            let mut process = Self { child, address };
            if process.answers() {
                return process;
            }
        }
        panic!("the service does not start");
    }

    fn answers(&mut self) -> bool {
        for _ in 0..3000 {
            if TcpStream::connect(self.address).is_ok() {
                return true;
            }
            if self.child.try_wait().unwrap().is_some() {
                return false;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        false
    }

    /// Where it is served.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// The keeper of the facility, who may do everything.
    pub(crate) fn keeper(&self) -> Client {
        Client::keeper_at(self.address)
    }

    /// SIGTERM, and how it ends.
    pub(crate) fn stop(&mut self) -> ExitStatus {
        self.ask_to_stop();
        self.ends()
    }

    /// SIGTERM.
    pub(crate) fn ask_to_stop(&self) {
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(asked.success());
    }

    /// Waits for it to end.
    pub(crate) fn ends(&mut self) -> ExitStatus {
        self.child.wait().unwrap()
    }

    /// SIGKILL: the process gets no chance to finish anything.
    pub(crate) fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}
