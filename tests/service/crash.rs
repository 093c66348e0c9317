//! What was answered is kept when processes are killed at any moment: the service
//! on either backend, and the server that it keeps its data on. Nothing is ever
//! there by half, and a request sent again under its key is answered as before.

mod ledger;
mod writers;

use crate::world::{Client, Database, OwnServer, Process, Raw, SECRET, Stop, setting};
use drykeep::store::{DatabaseUrl, Store};
use ledger::Ledger;
use proptest::strategy::{Strategy as _, ValueTree as _};
use proptest::test_runner::{Config, RngSeed, TestRunner};
use serde_json::json;
use std::path::PathBuf;
use std::time::{Duration, Instant};
use tempfile::TempDir;
use writers::{Writer, furnish};

/// Kills of a run on each backend when all of it is run.
const KILLS: u32 = 200;
/// Kills that every run of the tests has.
const FEW: u32 = 5;
/// Who write at a time.
const WRITERS: u32 = 32;
const SEED: u64 = 20_300_108;

/// Where the data is kept in this run.
enum Kept {
    InAFile(Database),
    OnAServer(OwnServer),
}

impl Kept {
    fn url(&self) -> DatabaseUrl {
        match self {
            Self::InAFile(database) => database.url(),
            Self::OnAServer(server) => server.url(),
        }
    }
}

/// What is killed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Victim {
    /// The service.
    Service,
    /// The database server, by SIGKILL.
    Server,
    /// The database server, by the signal on which it ends at once.
    ServerAtOnce,
}

struct Run {
    kept: Kept,
    folder: TempDir,
    runner: TestRunner,
    ledger: Ledger,
    writers: Vec<Writer>,
}

impl Run {
    fn over(kept: Kept) -> Self {
        let seed = setting("DRYKEEP_CRASH_SEED").map_or(SEED, |text| text.parse().expect("a whole number"));
        let runner = TestRunner::new(Config { rng_seed: RngSeed::Fixed(seed), ..Config::default() });
        let folder = tempfile::tempdir().unwrap();
        Store::open(&kept.url()).unwrap().close();
        let first = Process::serving(&kept.url(), folder.path());
        let writers = furnish(&first.keeper(), WRITERS);
        Self { kept, folder, runner, ledger: Ledger::default(), writers }
    }

    fn secret(&self) -> PathBuf {
        let secret = self.folder.path().join("tokens.secret");
        std::fs::write(&secret, SECRET).unwrap();
        secret
    }

    fn pick(&mut self, range: std::ops::Range<u64>) -> u64 {
        range.new_tree(&mut self.runner).unwrap().current()
    }

    /// Servers take longer to start again, so that they are killed more seldom.
    fn victim(&mut self, round: u32) -> Victim {
        match (&self.kept, round % 10) {
            (Kept::OnAServer(_), 3) => Victim::Server,
            (Kept::OnAServer(_), 1) => Victim::ServerAtOnce,
            _ => Victim::Service,
        }
    }

    /// Writes, kills, starts again and looks at what is there, so many times.
    fn kill(mut self, kills: u32) {
        let began = Instant::now();
        let mut process = Process::start(&self.kept.url(), &self.secret());
        for round in 0..kills {
            let victim = self.victim(round);
            let moment = Duration::from_millis(self.pick(20..500));
            self.write_through(&mut process, victim, moment);
            if victim == Victim::Service {
                process = Process::start(&self.kept.url(), &self.secret());
            }
            let mut raw = Raw::to(&self.kept.url());
            self.ledger.nothing_is_there_by_half(&mut raw);
            if let Kept::InAFile(database) = &self.kept
                && (round % 20 == 0 || round + 1 == kills)
            {
                assert_eq!(database.integrity(), ["ok"], "after kill {round}");
            }
            self.ledger.what_was_cut_off_can_be_sent_again(process.address());
            self.ledger.answers_are_given_again(process.address());
            self.ledger.all_acknowledged_is_there(&mut raw);
            self.ledger.follow(&process.keeper());
        }
        self.ledger.the_feed_is_as_it_was_followed(&process.keeper());
        self.ledger.proves_something(kills);
        let mut out = std::io::stderr();
        std::io::Write::write_fmt(
            &mut out,
            format_args!(
                "{kills} kills in {:.0} s: {}\n",
                began.elapsed().as_secs_f64(),
                self.ledger.summary()
            ),
        )
        .unwrap();
    }

    /// Lets everybody write, and kills somebody after a moment.
    fn write_through(&mut self, process: &mut Process, victim: Victim, moment: Duration) {
        let (stop, address) = (Stop::default(), process.address());
        let (writers, kept, ledger) = (&mut self.writers, &mut self.kept, &mut self.ledger);
        std::thread::scope(|scope| {
            let stopping = stop.at_the_end();
            let stop = &stop;
            let all: Vec<_> = writers
                .iter_mut()
                .map(|writer| scope.spawn(move || writer.write_at(address, stop, victim == Victim::Service)))
                .collect();
            std::thread::sleep(moment);
            match (victim, kept) {
                (Victim::Service, _) => process.kill(),
                (victim, Kept::OnAServer(server)) => {
                    if victim == Victim::Server {
                        server.kill();
                    } else {
                        server.stop_at_once();
                    }
                    std::thread::sleep(Duration::from_millis(100));
                    server.start_again();
                    recovers(&Client::keeper_at(address));
                    std::thread::sleep(moment);
                }
                (_, Kept::InAFile(_)) => unreachable!("a file has no server"),
            }
            drop(stopping);
            for writer in all {
                ledger.take_in(writer.join().unwrap());
            }
        });
    }
}

/// A service whose database was away is ready again by itself.
fn recovers(client: &Client) {
    let began = Instant::now();
    while client.try_get("/health/ready").is_none_or(|answer| answer.status != 200) {
        assert!(began.elapsed() < Duration::from_secs(20), "the service does not recover");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn on_postgres(kills: u32) {
    if let Some(server) = OwnServer::start() {
        Run::over(Kept::OnAServer(server)).kill(kills);
    }
}

#[test]
fn what_was_acknowledged_survives_kills_on_sqlite() {
    Run::over(Kept::InAFile(Database::sqlite())).kill(FEW);
}

#[test]
fn what_was_acknowledged_survives_kills_on_postgres() {
    on_postgres(FEW);
}

#[test]
#[ignore = "minutes; the steps of CI run it"]
fn two_hundred_kills_on_sqlite() {
    Run::over(Kept::InAFile(Database::sqlite())).kill(KILLS);
}

#[test]
#[ignore = "minutes; the steps of CI run it"]
fn two_hundred_kills_on_postgres() {
    on_postgres(KILLS);
}

/// A stop that was asked for is no kill: the process ends by itself and well.
#[test]
fn a_stop_that_was_asked_for_ends_well() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let mut process = Process::serving(&database.url(), folder.path());
    process.keeper().post("/rooms", &json!({ "tag": "A", "volume_m3": 50 })).is(201);
    let ended = process.stop();
    assert!(ended.success(), "{ended}");
    assert_eq!(database.integrity(), ["ok"]);
}
