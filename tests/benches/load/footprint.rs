//! What 500 boxes take: memory, and the time until the service is ready.

use super::Row;
use super::service::{Connection, Service};
use serde_json::json;

pub(crate) fn run() -> Vec<Row> {
    let service = Service::start();
    service.furnish(500, "ada");
    service.create("/upkeep-rules/defaults", &json!({}));
    let (service, took) = service.restarted();
    service.create("/nightly-runs", &json!({}));
    let mut ada = Connection::new(service.address, &service.token("ada", "facility:read"));
    for path in ["/gloveboxes?limit=500", "/openings?duration=PT3H&limit=100", "/due-items?limit=500"] {
        assert_eq!(ada.get(path), 200, "{}", ada.text());
    }
    let (memory, seconds) = (service.most_memory(), took.as_secs_f64());
    vec![
        Row {
            what: "most memory with 500 boxes, after a night and long lists",
            ours: format!("{memory:.0} MB"),
            baseline: "150 MB".to_owned(),
            ratio: memory / 150.0,
            aim: "≤ 1",
            met: memory <= 150.0,
        },
        Row {
            what: "start with 500 boxes",
            ours: format!("{seconds:.2} s"),
            baseline: "0.3 s".to_owned(),
            ratio: seconds / 0.3,
            aim: "≤ 1",
            met: seconds <= 0.3,
        },
    ]
}
