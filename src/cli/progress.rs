//! Tells on standard error that long work goes on: one line that is written anew on a
//! terminal, a line now and then elsewhere, and nothing where the work is quick. How far
//! it has come is what the register says, from which the pages take it too. Knows nothing
//! else of what the work is.

use crate::usecases::under_way::{Told, UnderWay};
use std::io::{IsTerminal as _, Write as _};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::Duration;

/// How often a terminal's line is written anew.
const BEAT: Duration = Duration::from_millis(250);
/// So many beats pass before anything is said.
const QUIET: u64 = 4;
/// Elsewhere than on a terminal a line comes after so many beats, and again after as many.
const APART: u64 = 40;
/// Back to the beginning of the line, which is wiped.
const WIPE: &str = "\r\x1b[2K";

/// Work that goes on; telling of it ends when this is dropped.
#[derive(Debug)]
pub(super) struct Progress {
    /// Dropped when the work has ended, which the teller notices.
    goes_on: Option<Sender<()>>,
    teller: Option<JoinHandle<()>>,
}

impl Progress {
    /// Begins to tell of work, and of how far it is by the register.
    pub(super) fn begin(what: &str, register: &UnderWay) -> Self {
        let (goes_on, ended) = mpsc::channel::<()>();
        let register = register.clone();
        let mut teller =
            Teller { terminal: std::io::stderr().is_terminal(), what: what.to_owned(), beats: 0 };
        let teller = std::thread::spawn(move || {
            loop {
                match ended.recv_timeout(BEAT) {
                    Err(RecvTimeoutError::Timeout) => show(&teller.beat(far(&register).as_deref())),
                    Ok(()) | Err(RecvTimeoutError::Disconnected) => return show(teller.end()),
                }
            }
        });
        Self { goes_on: Some(goes_on), teller: Some(teller) }
    }

    /// Nothing is told, for output that programs read.
    pub(super) const fn silent() -> Self {
        Self { goes_on: None, teller: None }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        drop(self.goes_on.take());
        if let Some(teller) = self.teller.take() {
            drop(teller.join());
        }
    }
}

/// How far the work of this process has come.
fn far(register: &UnderWay) -> Option<String> {
    register.all().first().and_then(Told::how_far)
}

/// What is written, beat by beat.
struct Teller {
    terminal: bool,
    what: String,
    beats: u64,
}

impl Teller {
    fn beat(&mut self, far: Option<&str>) -> String {
        self.beats += 1;
        let far = far.map(|far| format!(": {far}")).unwrap_or_default();
        let line = format!("{}{far}, {} s so far", self.what, self.beats * 250 / 1000);
        if self.terminal && self.beats >= QUIET {
            format!("{WIPE}{line}")
        } else if !self.terminal && self.beats.is_multiple_of(APART) {
            format!("{line}\n")
        } else {
            String::new()
        }
    }

    const fn end(&self) -> &'static str {
        if self.terminal && self.beats >= QUIET { WIPE } else { "" }
    }
}

fn show(text: &str) {
    if !text.is_empty() {
        let mut out = std::io::stderr();
        // Nothing can be done when standard error is gone.
        drop(out.write_all(text.as_bytes()).and_then(|()| out.flush()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(terminal: bool, beats: u64) -> Vec<String> {
        let mut teller = Teller { terminal, what: "working".into(), beats: 0 };
        let said = (0..beats).map(|_| teller.beat(None));
        said.filter(|text| !text.is_empty()).collect()
    }

    #[test]
    fn quick_work_is_not_told_of() {
        assert!(told(true, 3).is_empty() && told(false, 39).is_empty());
    }

    #[test]
    fn a_terminal_has_one_line_and_a_log_a_line_now_and_then() {
        assert_eq!(
            told(true, 8),
            ["1", "1", "1", "1", "2"].map(|seconds| format!("{WIPE}working, {seconds} s so far"))
        );
        assert_eq!(told(false, 80), ["working, 10 s so far\n", "working, 20 s so far\n"]);
        let mut teller = Teller { terminal: true, what: "working".into(), beats: 3 };
        let line = teller.beat(Some("taking in, 10 of 20 rows"));
        assert_eq!(line, format!("{WIPE}working: taking in, 10 of 20 rows, 1 s so far"));
        let ended = Teller { terminal: true, what: String::new(), beats: 8 };
        assert_eq!((ended.end(), Teller { terminal: false, ..ended }.end()), (WIPE, ""));
    }
}
