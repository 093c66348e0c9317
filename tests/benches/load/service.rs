//! The release build of the service as a process of its own, and a client that
//! costs as little as can be, since it runs on the same cores.

use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const SCOPES: &str = "facility:read facility:manage bookings:write bookings:manage readings:write \
     upkeep:manage plans:manage usage:read nightly:run";

/// A running service with a folder of its own.
pub(crate) struct Service {
    child: Child,
    pub(crate) address: SocketAddr,
    pub(crate) folder: tempfile::TempDir,
    keeper: String,
}

impl Service {
    /// Starts it on a new SQLite file.
    pub(crate) fn start() -> Self {
        Self::over(tempfile::tempdir().unwrap()).0
    }

    /// Stops it and starts it again; tells how long it took to be ready.
    pub(crate) fn restarted(mut self) -> (Self, Duration) {
        let folder = std::mem::replace(&mut self.folder, tempfile::tempdir().unwrap());
        drop(self);
        Self::over(folder)
    }

    fn over(folder: tempfile::TempDir) -> (Self, Duration) {
        let address = TcpListener::bind(("127.0.0.1", 0)).unwrap().local_addr().unwrap();
        let begun = Instant::now();
        let child = command(folder.path())
            .args(["serve", "--listen", &address.to_string()])
            .env("DRYKEEP_LOG", "warn")
            .env("DRYKEEP_RATE_LIMITS", "false")
            .stderr(std::fs::File::create(folder.path().join("log")).unwrap())
            .spawn()
            .unwrap();
        while TcpStream::connect(address).is_err() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let ready = ureq::get(format!("http://{address}/health/ready")).call().unwrap();
        assert_eq!(ready.status(), 200);
        let took = begun.elapsed();
        let mut service = Self { child, address, folder, keeper: String::new() };
        service.keeper = service.token("keeper", SCOPES);
        (service, took)
    }

    /// The most memory that it has had resident, MB.
    pub(crate) fn most_memory(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmHWM:")).expect("Linux tells of memory");
        line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
    }

    /// Runs the night as the command does, for one that takes longer than a request may.
    pub(crate) fn nightly(&self, as_of: &str) {
        let ran = command(self.folder.path()).args(["nightly", "--as-of", as_of]).output().unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    }

    /// A token of its own.
    pub(crate) fn token(&self, subject: &str, scope: &str) -> String {
        let issued = command(self.folder.path())
            .args(["token", "issue", "--sub", subject, "--scope", scope])
            .output()
            .unwrap();
        String::from_utf8(issued.stdout).unwrap().trim().to_owned()
    }

    /// Creates something as the keeper.
    pub(crate) fn create(&self, path: &str, body: &Value) -> Value {
        let request = ureq::post(format!("http://{}/api/v1{path}", self.address));
        self.send(request, path, body)
    }

    /// Changes something as the keeper.
    pub(crate) fn change(&self, path: &str, body: &Value) -> Value {
        let request = ureq::patch(format!("http://{}/api/v1{path}", self.address)).header("if-match", "*");
        self.send(request, path, body)
    }

    fn send(
        &self,
        request: ureq::RequestBuilder<ureq::typestate::WithBody>,
        path: &str,
        body: &Value,
    ) -> Value {
        let answer = request
            .header("authorization", format!("Bearer {}", self.keeper))
            .config()
            .http_status_as_error(false)
            .build()
            .send_json(body);
        let mut answer = answer.unwrap();
        let text = answer.body_mut().read_to_string().unwrap();
        assert!(answer.status().is_success(), "{path}: {text}");
        serde_json::from_str(&text).unwrap()
    }

    /// Puts in so many boxes of two stations, and a person who may use them all.
    pub(crate) fn furnish(&self, boxes: usize, person: &str) {
        self.create("/rooms", &json!({ "tag": "LAB", "volume_m3": 180.0 }));
        let cylinder = |tag: &str, state: &str| json!({ "tag": tag, "water_volume_l": 50.0, "fill_bar": 200.0, "state": state });
        let supply = json!({
            "tag": "AR", "gas": "argon", "changeover_bar": 20.0, "temperature_c": 20.0,
            "cylinders": [cylinder("C1", "connected"), cylinder("C2", "standby")]
        });
        self.create("/gas-supplies", &supply);
        self.create("/people", &json!({ "tag": "P1", "name": person, "subject": person }));
        for number in 0..boxes {
            let tag = format!("BOX-{number}");
            let glovebox = json!({
                "tag": tag, "room": "LAB", "working_gas": "argon", "internal_volume_l": 1200.0, "gas_supply": "AR",
                "stations": [{ "tag": "S1", "port_pairs": 1 }, { "tag": "S2", "port_pairs": 1 }],
                "antechambers": [{
                    "tag": "LARGE", "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
                    "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "hold_minutes": 2.0
                }],
                "purifier": { "circulation_m3_h": 60.0, "columns": 1 }
            });
            self.create("/gloveboxes", &glovebox);
            self.create("/qualifications", &json!({ "person": "P1", "glovebox": tag }));
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
        if std::thread::panicking() {
            println!("{}", std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default());
        }
    }
}

fn command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_drykeep"));
    command.current_dir(folder).stdin(Stdio::null()).stdout(Stdio::piped());
    command
}

/// A connection that is kept open.
pub(crate) struct Connection {
    stream: TcpStream,
    token: String,
    buffer: Vec<u8>,
}

impl Connection {
    pub(crate) fn new(address: SocketAddr, token: &str) -> Self {
        let stream = TcpStream::connect(address).unwrap();
        stream.set_nodelay(true).unwrap();
        Self { stream, token: token.to_owned(), buffer: Vec::new() }
    }

    /// Posts a body and tells the status; the answer stays in the buffer.
    pub(crate) fn post(&mut self, path: &str, kind: &str, body: &[u8]) -> u16 {
        self.ask("POST", path, &format!("Content-Type: {kind}\r\nContent-Length: {}\r\n", body.len()), body)
    }

    /// Gets something and tells the status; the answer stays in the buffer.
    pub(crate) fn get(&mut self, path: &str) -> u16 {
        self.ask("GET", path, "", b"")
    }

    fn ask(&mut self, method: &str, path: &str, headers: &str, body: &[u8]) -> u16 {
        self.buffer.clear();
        write!(
            self.buffer,
            "{method} /api/v1{path} HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {}\r\n{headers}\r\n",
            self.token
        )
        .unwrap();
        self.buffer.extend_from_slice(body);
        self.stream.write_all(&self.buffer).unwrap();
        self.answer()
    }

    fn answer(&mut self) -> u16 {
        self.buffer.clear();
        let mut chunk = [0_u8; 16384];
        let head = loop {
            let read = self.stream.read(&mut chunk).unwrap();
            assert!(read > 0, "the service hung up");
            self.buffer.extend_from_slice(&chunk[..read]);
            if let Some(end) = self.buffer.windows(4).position(|four| four == b"\r\n\r\n") {
                break end + 4;
            }
        };
        let text = std::str::from_utf8(&self.buffer[..head]).unwrap();
        let length: usize = text
            .lines()
            .find_map(|line| {
                let (name, value) = line.split_once(':')?;
                name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse().unwrap())
            })
            .unwrap_or_else(|| panic!("an answer does not say how long it is: {text}"));
        let status = text[9..12].parse().unwrap();
        while self.buffer.len() < head + length {
            let read = self.stream.read(&mut chunk).unwrap();
            assert!(read > 0, "the service hung up");
            self.buffer.extend_from_slice(&chunk[..read]);
        }
        status
    }

    /// The last answer.
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.buffer).into_owned()
    }
}
