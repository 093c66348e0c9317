//! What is due equals a computation from scratch: the same night on a copy of the
//! database from which everything that nights had made was taken out.

use crate::calls::{Call, Intent, Who};
use crate::database::{Image, Observer};
use crate::service::{Front, Service};
use chrono::{DateTime, Utc};
use drykeep::clock::Clock;
use serde_json::json;
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;

/// What nights make, and what they keep of readings; and what is planted to go wrong (`plants`).
const MADE: &str = "DROP TRIGGER IF EXISTS plant; DELETE FROM due_date_history; DELETE FROM due_items; DELETE FROM nightly_runs; \
     DELETE FROM whole_days; DELETE FROM reading_days; INSERT OR IGNORE INTO stale_reading_days (series_id, day) \
     SELECT DISTINCT series_id, CAST(strftime('%s', at) AS INTEGER) / 86400 FROM readings;";

/// What is due of each rule on each part, as of the moment of a night.
fn due(observer: &mut Observer, as_of: DateTime<Utc>) -> BTreeMap<String, String> {
    let lines = observer.lines(&format!(
        "SELECT rule_id || ' on ' || subject_id || char(9) || json_array(glovebox_id, task, state, likely_at, safety, \
         body, computed_at) AS line FROM due_items WHERE julianday(computed_at) <= julianday('{}') + 1e-9",
        as_of.format("%F %T%.f")
    ));
    let split =
        |line: String| line.split_once('\t').map(|(of, what)| (of.to_owned(), what.to_owned())).unwrap();
    lines.into_iter().map(split).collect()
}

/// Passes where a night that has just been computed left what it would have left
/// had there been none before it.
pub(crate) async fn assert_as_from_scratch(
    front: &Rc<Front>,
    clock: &Clock,
    path: &Path,
    scratch: &Path,
    observer: &mut Observer,
) {
    Image::of(path).put(scratch);
    Observer::of(scratch).run(MADE);
    let mut service = Service::open(Rc::clone(front), scratch, clock);
    let night = Call::post(Who::Keeper, "/nightly-runs", json!({}), Intent::Night);
    let reply = service.ask(&night).await;
    assert_eq!(reply.status, 201, "a night from scratch: {}", reply.body);
    service.cut_off();
    let (kept, fresh) = (due(observer, clock.now()), due(&mut Observer::of(scratch), clock.now()));
    for (of, what) in &kept {
        assert_eq!(Some(what), fresh.get(of), "kept, and from scratch, of rule {of}");
    }
    // What was computed for a later moment, before the clock was set back, stays as it was.
    let later = observer.number(&format!(
        "SELECT count(*) AS number FROM due_items WHERE julianday(computed_at) > julianday('{}') + 1e-9",
        clock.now().format("%F %T%.f")
    ));
    assert_eq!(kept.len() + usize::try_from(later).unwrap(), fresh.len(), "as many items as from scratch");
}
