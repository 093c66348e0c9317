//! What was acknowledged is there, as it was acknowledged, and nothing else is;
//! holds are honoured; each change of a thing has its event.

use crate::claims::Claims;
use crate::database::Observer;
use crate::feed::Feed;
use crate::model::{Booked, Held, Model, instant};
use diesel::QueryableByName;
use diesel::sql_types::{BigInt, Bool, Double, Nullable, Text};
use std::collections::BTreeSet;

#[derive(QueryableByName)]
struct BookingRow {
    #[diesel(sql_type = Text)]
    id: String,
    #[diesel(sql_type = Text)]
    glovebox: String,
    #[diesel(sql_type = Text)]
    person: String,
    #[diesel(sql_type = Text)]
    start: String,
    #[diesel(sql_type = Text)]
    end: String,
    #[diesel(sql_type = Text)]
    status: String,
    #[diesel(sql_type = Text)]
    progress: String,
    #[diesel(sql_type = Nullable<Text>)]
    hold: Option<String>,
    #[diesel(sql_type = BigInt)]
    version: i64,
    #[diesel(sql_type = Bool)]
    gives_way: bool,
}

#[derive(QueryableByName)]
struct HoldRow {
    #[diesel(sql_type = Text)]
    id: String,
    #[diesel(sql_type = Text)]
    glovebox: String,
    #[diesel(sql_type = Nullable<Text>)]
    part: Option<String>,
    #[diesel(sql_type = Bool)]
    open: bool,
}

#[derive(QueryableByName)]
struct ReadingRow {
    #[diesel(sql_type = Text)]
    subject: String,
    #[diesel(sql_type = Text)]
    quantity: String,
    #[diesel(sql_type = Text)]
    at: String,
    #[diesel(sql_type = Double)]
    value: f64,
}

#[derive(QueryableByName)]
struct VersionRow {
    #[diesel(sql_type = Text)]
    id: String,
    #[diesel(sql_type = BigInt)]
    version: i64,
}

/// The tables whose every version has an event.
const VERSIONED: [&str; 12] = [
    "bookings",
    "facility",
    "gloveboxes",
    "holds",
    "maintenance_plans",
    "maintenance_visits",
    "maintenance_windows",
    "people",
    "qualifications",
    "rooms",
    "services",
    "upkeep_rules",
];

fn bookings(observer: &mut Observer, only: &str) -> Vec<(String, Booked)> {
    let rows: Vec<BookingRow> = observer.rows(&format!(
        "SELECT id, glovebox_id AS glovebox, person_id AS person, starts_at AS start, ends_at AS \"end\", status, \
         progress, hold_id AS hold, version, work LIKE '%\"may_give_way\"%' AS gives_way FROM bookings {only}"
    ));
    let booked = |row: BookingRow| {
        let booked = Booked {
            glovebox: row.glovebox,
            person: row.person,
            start: instant(&row.start),
            end: instant(&row.end),
            status: row.status,
            progress: row.progress,
            hold: row.hold,
            version: row.version,
            gives_way: row.gives_way,
        };
        (row.id, booked)
    };
    rows.into_iter().map(booked).collect()
}

/// Passes where some bookings are as they were acknowledged.
pub(crate) fn assert_bookings(observer: &mut Observer, model: &Model, only: &BTreeSet<String>) {
    if only.is_empty() {
        return;
    }
    let ids: Vec<String> = only.iter().map(|id| format!("'{id}'")).collect();
    let found = bookings(observer, &format!("WHERE id IN ({})", ids.join(",")));
    assert_eq!(found.len(), only.len(), "of {only:?} only these are there: {found:?}");
    for (id, booked) in found {
        assert_eq!(Some(&booked), model.bookings.get(&id), "{id} is not as it was acknowledged");
    }
}

/// Passes where no work that a hold closes is promised to anybody.
pub(crate) fn assert_holds_are_honoured(model: &Model, claims: &Claims) {
    for (id, held) in model.holds.iter().filter(|(_, held)| held.open) {
        for (booking, booked) in &model.bookings {
            if booked.glovebox != held.glovebox || !booked.stands() || booked.end <= model.latest {
                continue;
            }
            let closed = |held: &Held| {
                let uses = |part: &String| {
                    claims.of(booking).any(|claim| claim.resource == *part && claim.end > model.latest)
                };
                held.part.as_ref().is_none_or(uses)
            };
            assert!(
                !closed(held) || (booked.hold.is_some() && booked.status == "tentative"),
                "hold {id} closes what booking {booking} was promised: {held:?} {booked:?}"
            );
        }
    }
}

/// Passes where everything is as it was acknowledged, and nothing else is there.
pub(crate) fn assert_all(observer: &mut Observer, model: &Model, feed: &Feed) {
    let found = bookings(observer, "");
    assert_eq!(found.len(), model.bookings.len(), "bookings that nobody was told of, or that are gone");
    for (id, booked) in found {
        assert_eq!(Some(&booked), model.bookings.get(&id), "{id} is not as it was acknowledged");
    }
    assert_holds(observer, model);
    assert_readings(observer, model);
    for table in VERSIONED {
        let rows: Vec<VersionRow> = observer.rows(&format!("SELECT id, version FROM {table}"));
        for VersionRow { id, version } in rows {
            let events = feed.versions.get(&id).copied().unwrap_or(0);
            assert_eq!(version, events, "{table} {id} is of version {version} and had {events} events");
        }
    }
}

fn assert_holds(observer: &mut Observer, model: &Model) {
    let rows: Vec<HoldRow> = observer
        .rows("SELECT id, glovebox_id AS glovebox, part_id AS part, released_at IS NULL AS open FROM holds");
    assert_eq!(rows.len(), model.holds.len(), "holds that nobody was told of, or that are gone");
    for HoldRow { id, glovebox, part, open } in rows {
        let held = Held { glovebox, part, open };
        assert_eq!(Some(&held), model.holds.get(&id), "hold {id} is not as it was acknowledged");
    }
}

fn assert_readings(observer: &mut Observer, model: &Model) {
    let rows: Vec<ReadingRow> = observer.rows(
        "SELECT t.tag AS subject, s.quantity, r.at, r.value FROM readings r \
         JOIN reading_series s ON s.id = r.series_id JOIN things t ON t.id = s.subject_id WHERE s.sensor = 'probe'",
    );
    assert_eq!(rows.len(), model.readings.len(), "readings that nobody was told of, or that are gone");
    for row in rows {
        let at = instant(&row.at).timestamp_micros();
        let known = model.readings.iter().find(|((subject, quantity, when), _)| {
            *when == at && *subject == row.subject && *quantity == row.quantity
        });
        let value = known.map(|(_, value)| value.to_bits());
        assert_eq!(value, Some(row.value.to_bits()), "{} {} at {}", row.subject, row.quantity, row.at);
    }
}
