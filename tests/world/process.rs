//! The service as a process of its own, for what becomes of one.

use super::{Client, KEEPER, NAME, token};
use drykeep::store::DatabaseUrl;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

/// The program, as a process of its own.
pub(crate) struct Process {
    child: Child,
    address: SocketAddr,
}

impl Process {
    /// Serves a database at a free port, with a file that holds the tests' secret.
    pub(crate) fn start(database: &DatabaseUrl, secret: &Path) -> Self {
        // The port is free when it is asked for, and most likely still when the
        // service takes it; otherwise another one is tried.
        for _ in 0..5 {
            let address = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
            let child = Command::new(env!("CARGO_BIN_EXE_drykeep"))
                .args(["serve", "--listen", &address.to_string(), "--database-url"])
                .arg(database.to_string())
                .env("DRYKEEP_SECRET_FILE", secret)
                .env("DRYKEEP_ISSUER", NAME)
                .env("DRYKEEP_AUDIENCE", NAME)
                .env("DRYKEEP_RATE_LIMITS", "false")
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
        for _ in 0..300 {
            if TcpStream::connect(self.address).is_ok() {
                return true;
            }
            if self.child.try_wait().unwrap().is_some() {
                return false;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        false
    }

    /// Where it is served.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// The keeper of the facility, who may do everything.
    pub(crate) fn keeper(&self) -> Client {
        Client::new(self.address, Some(format!("Bearer {}", token("keeper", KEEPER))))
    }

    /// SIGTERM, and how it ends.
    pub(crate) fn stop(&mut self) -> ExitStatus {
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(asked.success());
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
