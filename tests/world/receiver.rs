//! Somebody on this machine to whom webhooks are sent.

use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A message as it came in.
#[derive(Debug, Clone)]
pub(crate) struct Received {
    /// The path it was sent to.
    pub(crate) path: String,
    /// Headers by their names in lower case.
    pub(crate) headers: BTreeMap<String, String>,
    /// The body.
    pub(crate) text: String,
}

impl Received {
    /// The body as JSON.
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap()
    }
}

#[derive(Default)]
struct State {
    received: Vec<Received>,
    answers: VecDeque<u16>,
}

/// A receiver that keeps what it gets. It answers 204 unless told otherwise, and
/// ends with the test run.
#[derive(Clone)]
pub(crate) struct Receiver {
    port: u16,
    state: Arc<Mutex<State>>,
}

impl Receiver {
    /// A receiver on a free port.
    pub(crate) fn new() -> Self {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let receiver =
            Self { port: listener.local_addr().unwrap().port(), state: Arc::new(Mutex::default()) };
        let own = receiver.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let own = own.clone();
                std::thread::spawn(move || own.answer(&stream.unwrap()));
            }
        });
        receiver
    }

    /// Where it is.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.port)
    }

    /// Answers the next messages with these statuses.
    pub(crate) fn answer_next(&self, statuses: &[u16]) {
        self.state.lock().unwrap().answers.extend(statuses);
    }

    /// All that came so far.
    pub(crate) fn received(&self) -> Vec<Received> {
        self.state.lock().unwrap().received.clone()
    }

    /// Waits until so many messages have come, and returns all.
    #[track_caller]
    pub(crate) fn wait_for(&self, count: usize) -> Vec<Received> {
        for _ in 0..1000 {
            let received = self.received();
            if received.len() >= count {
                return received;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("{} of {count} messages came", self.received().len());
    }

    fn answer(&self, stream: &TcpStream) {
        let mut reader = BufReader::new(stream);
        let mut line = String::new();
        if reader.read_line(&mut line).unwrap_or(0) == 0 {
            return;
        }
        let path = line.split(' ').nth(1).unwrap().to_owned();
        let mut headers = BTreeMap::new();
        loop {
            line.clear();
            reader.read_line(&mut line).unwrap();
            let Some((name, value)) = line.trim_end().split_once(": ") else { break };
            headers.insert(name.to_lowercase(), value.to_owned());
        }
        let length = headers.get("content-length").map_or(0, |length| length.parse().unwrap());
        let mut body = vec![0; length];
        reader.read_exact(&mut body).unwrap();
        let text = String::from_utf8(body).unwrap();
        let status = {
            let mut state = self.state.lock().unwrap();
            state.received.push(Received { path, headers, text });
            state.answers.pop_front().unwrap_or(204)
        };
        let answer = format!("HTTP/1.1 {status} Said\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
        let mut stream = stream;
        stream.write_all(answer.as_bytes()).unwrap();
    }
}
