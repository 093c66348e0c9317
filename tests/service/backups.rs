//! `drykeep backup`: a copy of the file while the service is written to.

use crate::world::{Client, Database, Process, Stop, World, run};
use serde_json::json;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Mutex;
use std::time::Duration;

fn backup(database: &Database, copy: &Path) -> String {
    run(&database.url(), &["backup", copy.to_str().unwrap()]).succeeded()
}

fn rooms(keeper: &Client) -> BTreeSet<String> {
    keeper.get_all("/rooms?limit=500").iter().map(|room| room["tag"].as_str().unwrap().to_owned()).collect()
}

/// The copies hold what was acknowledged before each was begun, and nothing half done.
#[test]
fn a_copy_made_under_load_holds_all_that_was_acknowledged_before() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let process = Process::serving(&database.url(), folder.path());
    let (keeper, stop, acknowledged) = (process.keeper(), Stop::default(), Mutex::new(BTreeSet::new()));
    let mut copies = Vec::new();
    std::thread::scope(|scope| {
        let stopping = stop.at_the_end();
        for writer in 0..8 {
            let (keeper, stop, acknowledged) = (keeper.clone(), &stop, &acknowledged);
            scope.spawn(move || {
                for n in (0_u32..).take_while(|_| stop.not_yet()) {
                    let tag = format!("R{writer}-{n}");
                    keeper.post("/rooms", &json!({ "tag": tag, "volume_m3": 50 })).is(201);
                    acknowledged.lock().unwrap().insert(tag);
                }
            });
        }
        for round in 0..3 {
            while acknowledged.lock().unwrap().len() < 20 * (round + 1) {
                std::thread::sleep(Duration::from_millis(20));
            }
            let before = acknowledged.lock().unwrap().clone();
            let copy = folder.path().join(format!("copy-{round}.db"));
            let said = backup(&database, &copy);
            assert!(said.contains("a sound copy"), "{said}");
            copies.push((copy, before));
        }
        drop(stopping);
    });
    for (copy, before) in copies {
        for side in ["db-wal", "db-shm", "db-journal"] {
            assert!(!copy.with_extension(side).exists(), "a copy is one file");
        }
        let copied = Database::sqlite_from(&copy);
        assert_eq!(copied.integrity(), ["ok"]);
        let restored = World::over(copied);
        let kept = rooms(&restored.keeper());
        let lost: Vec<_> = before.difference(&kept).collect();
        assert!(lost.is_empty(), "{lost:?}");
        let told = restored.keeper().get_all("/changes?limit=500");
        let created = told.iter().filter(|event| event["type"] == "drykeep.room.created").count();
        assert_eq!(created, kept.len(), "a room and the event that tells of it belong together");
    }
}

#[test]
fn a_copy_is_its_owners_and_takes_no_other_files_place() {
    let database = Database::sqlite();
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("it's a copy.db");
    backup(&database, &copy);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        assert_eq!(std::fs::metadata(&copy).unwrap().permissions().mode() & 0o777, 0o600);
    }
    let before = std::fs::read(&copy).unwrap();
    let said = run(&database.url(), &["backup", copy.to_str().unwrap()]).failed();
    assert!(said.contains("left alone"), "{said}");
    assert_eq!(std::fs::read(&copy).unwrap(), before);
    assert_eq!(folder.path().read_dir().unwrap().count(), 1, "nothing half made is left");
}

#[test]
fn a_database_on_a_server_is_backed_up_by_the_servers_own_means() {
    let Some(database) = Database::postgres() else { return };
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy");
    let said = run(&database.url(), &["backup", copy.to_str().unwrap()]).failed();
    assert!(said.contains("pg_dump"), "{said}");
    assert!(!copy.exists());
}
