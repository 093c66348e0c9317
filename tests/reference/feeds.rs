//! Calendar feeds as committed in `feeds/`: what is written today is what
//! other programs were shown to read. `check_feeds.py` reads the committed
//! files with packages that know nothing of drykeep, and compares what they
//! say with the `.json` beside each, which is made of the input here.

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use chrono_tz::Tz;
use drykeep::domain::booking::record::BookedWork;
use drykeep::domain::booking::{Booking, Progress, Status};
use drykeep::domain::calendar::ics::{Calendar, Event, ToDo};
use drykeep::domain::calendar::recurrence::RecurrenceText;
use drykeep::domain::calendar::{Interval, Length, Recurrence};
use drykeep::domain::calendar_feeds::entries::{self, BookingNames, Detail};
use drykeep::domain::calendar_feeds::{Whereabouts, span};
use drykeep::domain::facility::{MaintenanceWindow, Stored, WindowHolds};
use drykeep::domain::names::{Name, Remark, Tag, Word};
use drykeep::domain::planning::Place;
use drykeep::domain::planning::plan::Attendance;
use drykeep::domain::planning::record::{MaintenanceVisit, VisitStatus, VisitTask};
use drykeep::domain::quantity::NormalLitres;
use drykeep::domain::upkeep::evidence::DueDates;
use drykeep::domain::upkeep::{DueItem, DueState, PartKind};
use serde_json::{Value, json};
use std::path::PathBuf;
use uuid::Uuid;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn interval(start: &str, end: &str) -> Interval {
    Interval::new(at(start), at(end)).unwrap()
}

fn id(number: u128) -> Uuid {
    Uuid::from_u128(0x018f_0000_0000_7000_8000_0000_0000_0000 | number)
}

fn stored<T>(number: u128, version: i32, value: T) -> Stored<T> {
    let created_at = at("2026-03-01T08:00:00Z");
    let updated_at = created_at + TimeDelta::minutes(i64::from(version));
    Stored { id: id(number), version, created_at, updated_at, value }
}

fn booking(start: &str, end: &str, status: Status, purpose: &str) -> Booking {
    let cancelled = status == Status::Cancelled;
    Booking {
        glovebox: id(1).into(),
        person: id(2).into(),
        booked_by: "ada".to_owned(),
        group: Some(Name::parse("Films, thin; layers").unwrap()),
        series: None,
        status,
        progress: if cancelled { Progress::Cancelled } else { Progress::Booked },
        interval: interval(start, end),
        work: BookedWork {
            purpose: Remark::parse(purpose).unwrap(),
            stations: Vec::new(),
            whole_box: false,
            transfers_in: Vec::new(),
            transfers_out: Vec::new(),
            instruments: Vec::new(),
            solvents: Vec::new(),
            cautions: Vec::new(),
        },
        gas_estimate: NormalLitres::new(100.0).unwrap(),
        hold: None,
        started_at: None,
        closed_at: cancelled.then(|| at("2026-03-20T08:00:00Z")),
        end_of_run: None,
        displaced_by: None,
    }
}

fn names() -> BookingNames {
    let place = Whereabouts { glovebox: Tag::parse("LYNX").unwrap(), room: "Room 1, east".to_owned() };
    BookingNames {
        place,
        stations: vec!["S1".to_owned(), "S2".to_owned()],
        instruments: Vec::new(),
        zone: Tz::Europe__Berlin,
    }
}

fn window(dtstart: &str, zone: &str, holds: WindowHolds) -> MaintenanceWindow {
    let text = RecurrenceText {
        dtstart: dtstart.to_owned(),
        timezone: zone.to_owned(),
        rrule: Some("FREQ=WEEKLY;COUNT=6".to_owned()),
        ..RecurrenceText::default()
    };
    MaintenanceWindow {
        name: Name::parse("Monday upkeep").unwrap(),
        recurrence: Recurrence::parse(&text).unwrap(),
        duration: "PT2H".parse().unwrap(),
        gloveboxes: None,
        tasks: vec![Word::parse("glove_change").unwrap()],
        holds,
    }
}

fn visit() -> MaintenanceVisit {
    let time = interval("2026-03-30T06:00:00Z", "2026-03-30T09:30:00Z");
    let attended = Attendance {
        interval: interval("2026-03-30T06:00:00Z", "2026-03-30T07:00:00Z"),
        people: vec![id(2).into()],
    };
    let task = VisitTask {
        due_item: id(40).into(),
        task: Word::parse("glove_change").unwrap(),
        subject: id(11).into(),
        subject_tag: "LYNX/S1".to_owned(),
        interval: time,
        attended: vec![attended],
        consumables: Vec::new(),
        last_service: None,
        service: None,
    };
    MaintenanceVisit {
        plan: id(50).into(),
        place: Place::Glovebox(id(1).into()),
        interval: time,
        status: VisitStatus::Confirmed,
        window: id(30).into(),
        tasks: vec![task],
        purge: None,
        closes: vec![(id(1).into(), time)],
        displaced: Vec::new(),
        reasons: vec!["before its date, 3 April".to_owned(), "no booking gives way".to_owned()],
    }
}

fn due_item(state: DueState, safety: bool) -> DueItem {
    let likely = at("2026-04-03T10:00:00Z");
    DueItem {
        rule: id(60).into(),
        rule_version: 1,
        subject: id(11).into(),
        subject_kind: PartKind::Station,
        subject_tag: "LYNX/S1".to_owned(),
        glovebox: Some(id(1).into()),
        task: Word::parse("glove_change").unwrap(),
        state,
        due: Some(DueDates { earliest: None, likely, latest: None }),
        governing_trigger: None,
        reason: Some("500 h of use".to_owned()),
        triggers: Vec::new(),
        act_by: Some(likely),
        safety,
        last_service: None,
        computed_at: at("2026-03-20T02:00:00Z"),
    }
}

/// Text that has broken calendars: separators, line ends, text from right to
/// left with its marks, characters of several code points, separators that
/// some programs take for line ends, and length.
fn nasty() -> [String; 6] {
    [
        "comma, semicolon; backslash \\ colon: \"quotes\" \\n is no line end; \\, is no comma".to_owned(),
        "first line\nsecond line\n\n  fourth line, indented\twith a tab".to_owned(),
        "\u{5d0}\u{5d1}\u{5d2} \u{200f}\u{627}\u{644}\u{639}\u{631}\u{628}\u{64a}\u{629}\u{200f}; \u{202b}123\u{202c}".to_owned(),
        "\u{1f9e4}\u{1f468}\u{200d}\u{1f52c}\u{1f3f4}\u{e0067}\u{e0062}\u{e0073}\u{e0063}\u{e0074}\u{e007f} e\u{301}\u{301}".repeat(6),
        "a\u{2028}b\u{2029}c\u{feff}d".to_owned(),
        "\u{fc}x\u{1f9e4},;".repeat(100),
    ]
}

/// A feed with what a reader has to find in it.
struct Feed {
    name: &'static str,
    calendar: Calendar,
}

fn feed(name: &'static str, zone: Tz, events: Vec<Event>, to_dos: Vec<ToDo>) -> Feed {
    let span = span(at("2026-03-25T00:00:00Z"), Length::of_seconds(300 * 86_400).unwrap());
    let calendar = Calendar {
        name: format!("{name}, invented"),
        description: String::new(),
        zone,
        span,
        refresh: Length::of_seconds(900).unwrap(),
        events,
        to_dos,
    };
    Feed { name, calendar }
}

fn box_feed() -> Feed {
    let outline = |number, version, booking| {
        let occupied = interval("2026-03-28T21:30:00Z", "2026-03-29T04:20:00Z");
        entries::booking(&stored(number, version, booking), &names(), Some(occupied), Detail::Outline)
    };
    let secret = "what it is for is not told";
    let mut events = vec![
        // Across the night on which the clocks of Berlin go forward, and the one on which they go back.
        outline(101, 1, booking("2026-03-28T22:00:00Z", "2026-03-29T04:00:00Z", Status::Confirmed, secret)),
        outline(102, 3, booking("2026-10-24T22:00:00Z", "2026-10-25T05:00:00Z", Status::Tentative, secret)),
        // From the first 02:30 of that night to the second one.
        outline(103, 1, booking("2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", Status::Confirmed, secret)),
        outline(104, 2, booking("2026-04-01T08:00:00Z", "2026-04-01T10:00:00Z", Status::Cancelled, secret)),
    ];
    let always = stored(30, 1, window("2026-03-16T08:00:00", "Europe/Berlin", WindowHolds::Always));
    let needed = WindowHolds::WhenNeeded { notice: None };
    let needed = stored(31, 4, window("2026-03-18T08:00:00", "America/New_York", needed));
    let range = interval("2026-03-01T00:00:00Z", "2026-06-01T00:00:00Z");
    for window in [&always, &needed] {
        let times = window.value.occurrences(range).unwrap();
        events.extend(times.into_iter().map(|time| entries::window(window, time, "LYNX, Room 1, east")));
    }
    events.extend(entries::visit(&stored(70, 2, visit()), id(1).into(), "LYNX, Room 1, east"));
    let items = [(DueState::Overdue, true), (DueState::Approaching, false), (DueState::Current, false)];
    let to_dos = items.into_iter().zip(80..).filter_map(|((state, safety), number)| {
        entries::to_do(id(number), 5, &due_item(state, safety), "LYNX, Room 1, east")
    });
    feed("box", Tz::Europe__Berlin, events, to_dos.collect())
}

/// Half-hour offsets: Newfoundland, and Lord Howe Island, which moves by half an hour.
fn person_feed(name: &'static str, zone: Tz) -> Feed {
    let starts = (0..).map(|day| at("2026-03-30T12:00:00Z") + TimeDelta::days(day));
    let mut events: Vec<Event> = nasty()
        .iter()
        .zip(starts)
        .zip(200..)
        .map(|((purpose, start), number)| {
            let end = start + TimeDelta::minutes(95);
            let whole = booking(&start.to_rfc3339(), &end.to_rfc3339(), Status::Confirmed, purpose);
            entries::booking(&stored(number, 1, whole), &names(), None, Detail::Whole)
        })
        .collect();
    events.extend(entries::attendance(&stored(70, 1, visit()), id(2).into(), "LYNX, Room 1, east"));
    feed(name, zone, events, Vec::new())
}

fn feeds() -> Vec<Feed> {
    vec![
        box_feed(),
        person_feed("person", Tz::America__St_Johns),
        person_feed("far_person", Tz::Australia__Lord_Howe),
        feed("empty", Tz::UTC, Vec::new(), Vec::new()),
    ]
}

/// What a reader has to find, from the entries and not from the text.
fn expected(feed: &Feed) -> Value {
    let time = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
    let entry = |entry: &entries_of::Entry| {
        json!({
            "uid": entry.uid, "sequence": entry.sequence, "created": time(entry.created),
            "modified": time(entry.modified), "summary": entry.summary, "description": entry.description,
            "location": entry.location, "categories": entry.categories,
        })
    };
    let with = |mut all: Value, more: Value| {
        all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        all
    };
    let events = feed.calendar.events.iter().map(|event| {
        let more = json!({
            "start": time(event.interval.start()), "end": time(event.interval.end()),
            "status": event.status.word(), "transparent": event.transparent,
        });
        with(entry(&event.entry), more)
    });
    let to_dos = feed.calendar.to_dos.iter().map(|to_do| {
        with(entry(&to_do.entry), json!({ "due": time(to_do.due), "priority": to_do.priority }))
    });
    json!({
        "name": feed.calendar.name, "zone": feed.calendar.zone.name(),
        "events": events.collect::<Vec<_>>(), "to_dos": to_dos.collect::<Vec<_>>(),
    })
}

use drykeep::domain::calendar::ics::components as entries_of;

fn path(name: &str, kind: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/feeds").join(format!("{name}.{kind}"))
}

#[expect(clippy::disallowed_methods, reason = "the tests' own settings are no settings of the service")]
fn to_be_written() -> bool {
    std::env::var("DRYKEEP_WRITE_FEEDS").is_ok()
}

#[test]
fn feeds_are_written_as_they_were_shown_to_others() {
    for feed in feeds() {
        let text = feed.calendar.write();
        let facts = format!("{:#}\n", expected(&feed));
        for (kind, now) in [("ics", &text), ("json", &facts)] {
            let path = path(feed.name, kind);
            if to_be_written() {
                std::fs::write(&path, now).unwrap();
            }
            let committed = std::fs::read_to_string(&path).unwrap_or_default();
            assert!(
                committed == *now,
                "{} is not what is written now; after DRYKEEP_WRITE_FEEDS=1 cargo test --test reference feeds, see \
                 git diff and run tests/reference/check_feeds.py",
                path.display()
            );
        }
    }
}

#[test]
fn what_a_booking_is_for_is_not_in_the_feed_of_its_box() {
    assert!(!box_feed().calendar.write().replace("\r\n ", "").contains("is not told"));
}

/// RFC 5545 §3.1 and §3.6.
#[test]
fn lines_are_short_and_end_as_they_must() {
    for feed in feeds() {
        let text = feed.calendar.write();
        assert!(text.ends_with("END:VCALENDAR\r\n"));
        assert!(!text.replace("\r\n", "").contains(['\r', '\n']));
        assert!(text.split("\r\n").all(|line| line.len() <= 75));
    }
}
