//! A PostgreSQL server of its own, with its defaults: what it says is written is
//! on the disk.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

pub(crate) struct Postgres {
    folder: tempfile::TempDir,
    binaries: PathBuf,
    user: Option<&'static str>,
}

impl Postgres {
    /// Makes a cluster and starts a server that listens at a socket in its folder.
    pub(crate) fn start() -> Self {
        let binaries = binaries().expect("PostgreSQL's server programs are needed for the baseline");
        let root =
            std::fs::metadata("/proc/self").is_ok_and(|own| std::os::unix::fs::MetadataExt::uid(&own) == 0);
        let server =
            Self { folder: tempfile::tempdir().unwrap(), binaries, user: root.then_some("postgres") };
        if let Some(user) = server.user {
            assert!(Command::new("chown").arg(user).arg(server.folder.path()).status().unwrap().success());
        }
        let at = |name: &str| server.folder.path().join(name).display().to_string();
        server.must("initdb", &["-D", &at("data"), "-U", "bench", "-A", "trust", "-E", "UTF8", "--locale=C"]);
        let options =
            format!("-k {} -c listen_addresses= -c max_connections=200", server.folder.path().display());
        server.must("pg_ctl", &["-D", &at("data"), "-l", &at("log"), "-o", &options, "-w", "start"]);
        server
    }

    /// Runs statements.
    pub(crate) fn run(&self, sql: &str) -> String {
        let socket = self.folder.path().display().to_string();
        self.must("psql", &["-h", &socket, "-U", "bench", "-v", "ON_ERROR_STOP=1", "-Atqc", sql, "postgres"])
    }

    /// Runs a script with data in it.
    pub(crate) fn script(&self, script: &str) {
        let file = self.folder.path().join("data.sql");
        std::fs::write(&file, script).unwrap();
        let socket = self.folder.path().display().to_string();
        let file = file.display().to_string();
        self.must("psql", &["-h", &socket, "-U", "bench", "-v", "ON_ERROR_STOP=1", "-qf", &file, "postgres"]);
    }

    /// Transactions a second of a script of one, by so many clients on two threads.
    pub(crate) fn pgbench(&self, script: &str, clients: usize, lasting: Duration) -> f64 {
        let file = self.folder.path().join("script.sql");
        std::fs::write(&file, script).unwrap();
        let (file, socket) = (file.display().to_string(), self.folder.path().display().to_string());
        let (clients, seconds) = (clients.to_string(), lasting.as_secs().to_string());
        let out = self.must(
            "pgbench",
            &[
                "-h", &socket, "-U", "bench", "-n", "-M", "prepared", "-f", &file, "-c", &clients, "-j", "2",
                "-T", &seconds, "postgres",
            ],
        );
        let line = out.lines().find(|line| line.starts_with("tps = ")).expect("pgbench tells its rate");
        line["tps = ".len()..].split(' ').next().unwrap().parse().unwrap()
    }

    fn must(&self, program: &str, arguments: &[&str]) -> String {
        // Clients may be elsewhere than the server's programs; then the path has them.
        let beside = self.binaries.join(program);
        let program = if beside.is_file() { beside } else { PathBuf::from(program) };
        let mut command = match self.user {
            Some(user) => {
                let mut command = Command::new("runuser");
                command.args(["-u", user, "--"]).arg(&program);
                command
            }
            None => Command::new(&program),
        };
        // A server that is started keeps what it is given open.
        let log = tempfile::NamedTempFile::new().unwrap();
        let done = command
            .args(arguments)
            .current_dir("/")
            .stdout(log.reopen().unwrap())
            .stderr(log.reopen().unwrap())
            .status()
            .unwrap();
        let said = std::fs::read_to_string(log.path()).unwrap();
        assert!(done.success(), "{}: {said}", program.display());
        said
    }
}

impl Drop for Postgres {
    fn drop(&mut self) {
        let data = self.folder.path().join("data").display().to_string();
        self.must("pg_ctl", &["-D", &data, "-m", "immediate", "-w", "stop"]);
    }
}

/// Where the newest of Debian's versions is, unless one is on the path.
fn binaries() -> Option<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
        .map(|entry| entry.path().join("bin"))
        .filter(|folder| folder.join("initdb").is_file())
        .collect();
    all.sort();
    #[expect(clippy::disallowed_methods, reason = "programs are looked for where the shell would")]
    let path = std::env::var("PATH").unwrap_or_default();
    std::env::split_paths(&path).find(|folder| Path::new(folder).join("initdb").is_file()).or(all.pop())
}
