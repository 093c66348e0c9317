//! Bookings, visits, windows and due items as entries of a calendar.

use super::{BACK, Whereabouts};
use crate::domain::booking::{Booking, Progress, Status};
use crate::domain::calendar::Interval;
use crate::domain::calendar::ics::components::Entry;
use crate::domain::calendar::ics::{Event, EventStatus, ToDo, utc};
use crate::domain::facility::{MaintenanceWindow, Stored};
use crate::domain::ids::{GloveboxId, PersonId};
use crate::domain::planning::record::{MaintenanceVisit, VisitStatus};
use crate::domain::upkeep::{DueItem, DueState};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use uuid::Uuid;

/// Characters of a summary at most.
const LONGEST_SUMMARY: usize = 120;

/// Closes what no tool of this kind should leave out.
const CAUTION: &str = "drykeep does not say that anything is safe; local rules and qualified people decide.";

/// How much of a booking a feed tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// What its holder knows.
    Whole,
    /// When and where, but neither whose it is nor what for.
    Outline,
}

/// What things of a booking are called, and where its times are told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookingNames {
    /// Box and room.
    pub place: Whereabouts,
    /// The stations' tags.
    pub stations: Vec<String>,
    /// The instruments' tags.
    pub instruments: Vec<String>,
    /// The facility's zone.
    pub zone: Tz,
}

fn uid(id: impl std::fmt::Display) -> String {
    format!("{id}@drykeep")
}

/// How often something was changed, by its version, the first being 1.
fn sequence(version: i32) -> u32 {
    u32::try_from(version - 1).unwrap_or(0)
}

/// The first line of a text, cut to the length of a summary.
fn summary(text: &str) -> String {
    let line = text.lines().next().unwrap_or_default();
    if line.chars().count() <= LONGEST_SUMMARY {
        return line.to_owned();
    }
    line.chars().take(LONGEST_SUMMARY - 1).chain(['\u{2026}']).collect()
}

fn words(task: &crate::domain::names::Word) -> String {
    task.as_str().replace('_', " ")
}

/// Whether a booking belongs in a feed: what was called off stays for a while only.
pub fn is_worth_telling(booking: &Booking, now: DateTime<Utc>) -> bool {
    booking.status != Status::Cancelled || booking.closed_at.is_some_and(|at| now - at <= BACK)
}

/// A booking as an event; `occupied` is the time with its turns and its purge.
pub fn booking(
    stored: &Stored<Booking>,
    names: &BookingNames,
    occupied: Option<Interval>,
    detail: Detail,
) -> Event {
    let booking = &stored.value;
    let status = match (booking.status, booking.progress) {
        (Status::Cancelled, _) | (_, Progress::Cancelled | Progress::NoShow) => EventStatus::Cancelled,
        (Status::Tentative, _) => EventStatus::Tentative,
        (Status::Confirmed, _) => EventStatus::Confirmed,
    };
    let places = if booking.work.whole_box { "whole box".to_owned() } else { names.stations.join(", ") };
    let told = match detail {
        Detail::Outline => format!("Booked: {places}"),
        Detail::Whole if booking.work.purpose.as_str().is_empty() => {
            format!("{} ({places})", names.place.glovebox)
        }
        Detail::Whole => format!("{} ({places}): {}", names.place.glovebox, booking.work.purpose),
    };
    let mut categories = vec!["Booking".to_owned()];
    categories.extend(booking.group.as_ref().map(ToString::to_string));
    Event {
        entry: Entry {
            uid: uid(stored.id),
            sequence: sequence(stored.version),
            created: stored.created_at,
            modified: stored.updated_at,
            summary: summary(&told),
            description: description(booking, names, occupied, detail),
            location: names.place.to_string(),
            categories,
        },
        interval: booking.interval,
        status,
        transparent: status == EventStatus::Cancelled,
    }
}

fn description(
    booking: &Booking,
    names: &BookingNames,
    occupied: Option<Interval>,
    detail: Detail,
) -> String {
    let work = &booking.work;
    let mut lines = Vec::new();
    if detail == Detail::Whole && !work.purpose.as_str().is_empty() {
        lines.push(work.purpose.to_string());
    }
    if let Some(occupied) = occupied.filter(|occupied| *occupied != booking.interval) {
        let shown = |at: DateTime<Utc>| at.with_timezone(&names.zone).format("%Y-%m-%d %H:%M %Z");
        let (from, until) = (shown(occupied.start()), shown(occupied.end()));
        lines.push(format!("Occupied with its transfers and purge: {from} to {until}"));
    }
    let mut list = |what: &str, items: Vec<String>| {
        if !items.is_empty() {
            lines.push(format!("{what}: {}", items.join(", ")));
        }
    };
    list("Instruments", names.instruments.clone());
    list("Solvents", work.solvents.iter().map(|solvent| solvent.name.to_string()).collect());
    if detail == Detail::Whole {
        let kinds = |transfers: &[crate::domain::booking::record::BookedTransfer]| {
            transfers.iter().map(|transfer| transfer.sample.word().to_owned()).collect::<Vec<_>>()
        };
        list("Transfers in", kinds(&work.transfers_in));
        list("Transfers out", kinds(&work.transfers_out));
        lines.extend(work.cautions.iter().map(|caution| caution.text.clone()));
    }
    lines.join("\n")
}

/// A visit for upkeep at a box, or one that closes the box, as an event;
/// nothing where it concerns the box in no way.
pub fn visit(stored: &Stored<MaintenanceVisit>, glovebox: GloveboxId, location: &str) -> Option<Event> {
    let visit = &stored.value;
    let closed = visit.closes.iter().filter(|(id, _)| *id == glovebox).map(|(_, interval)| *interval);
    let interval = if visit.place.thing() == glovebox.into() { visit.interval } else { spanned(closed)? };
    Some(visit_event(stored, uid(stored.id), interval, location.to_owned()))
}

/// The part of a visit that a person attends, as an event; nothing for others.
pub fn attendance(stored: &Stored<MaintenanceVisit>, person: PersonId, location: &str) -> Option<Event> {
    let attended = stored.value.tasks.iter().flat_map(|task| &task.attended);
    let theirs = attended.filter(|part| part.people.contains(&person)).map(|part| part.interval);
    let identifier = uid(format!("{}-{person}", stored.id));
    Some(visit_event(stored, identifier, spanned(theirs)?, location.to_owned()))
}

fn visit_event(
    stored: &Stored<MaintenanceVisit>,
    uid: String,
    interval: Interval,
    location: String,
) -> Event {
    let visit = &stored.value;
    let tasks: Vec<String> =
        visit.tasks.iter().map(|task| format!("{} {}", words(&task.task), task.subject_tag)).collect();
    let status = match visit.status {
        VisitStatus::Confirmed | VisitStatus::Completed => EventStatus::Confirmed,
        VisitStatus::Cancelled => EventStatus::Cancelled,
    };
    Event {
        entry: Entry {
            uid,
            sequence: sequence(stored.version),
            created: stored.created_at,
            modified: stored.updated_at,
            summary: summary(&format!("Upkeep: {}", tasks.join(", "))),
            description: visit.reasons.join("\n"),
            location,
            categories: vec!["Upkeep".to_owned()],
        },
        interval,
        status,
        transparent: status == EventStatus::Cancelled,
    }
}

/// From the first start to the last end.
fn spanned(intervals: impl Iterator<Item = Interval>) -> Option<Interval> {
    intervals.reduce(|one, other| {
        let (start, end) = (one.start().min(other.start()), one.end().max(other.end()));
        Interval::new(start, end).unwrap_or(one)
    })
}

/// One occurrence of a maintenance window as an event; a window that is only
/// kept when needed leaves the time free.
pub fn window(stored: &Stored<MaintenanceWindow>, interval: Interval, location: &str) -> Event {
    let window = &stored.value;
    let tasks: Vec<String> = window.tasks.iter().map(words).collect();
    let held = if window.is_closed() {
        "Nothing is booked in it."
    } else {
        "Bookings in it give way when work is planned there."
    };
    let meant = if tasks.is_empty() { String::new() } else { format!("For: {}\n", tasks.join(", ")) };
    Event {
        entry: Entry {
            uid: uid(format!("{}-{}", stored.id, utc(interval.start()))),
            sequence: sequence(stored.version),
            created: stored.created_at,
            modified: stored.updated_at,
            summary: summary(&format!("Maintenance window: {}", window.name)),
            description: format!("{meant}{held}"),
            location: location.to_owned(),
            categories: vec!["Maintenance window".to_owned()],
        },
        interval,
        status: EventStatus::Confirmed,
        transparent: !window.is_closed(),
    }
}

/// A due item as a to-do; nothing where no date calls for anything yet. What
/// people's safety depends on has the highest priority.
pub fn to_do(id: Uuid, version: i32, item: &DueItem, location: &str) -> Option<ToDo> {
    let pressing = matches!(item.state, DueState::Approaching | DueState::Due | DueState::Overdue);
    let due = item.act_by.filter(|_| pressing)?;
    let caution = if item.safety { format!("\n{CAUTION}") } else { String::new() };
    let mut categories = vec!["Upkeep".to_owned()];
    categories.extend(item.safety.then(|| "Safety".to_owned()));
    Some(ToDo {
        entry: Entry {
            uid: uid(id),
            sequence: sequence(version),
            created: item.last_service.unwrap_or(item.computed_at).min(item.computed_at),
            modified: item.computed_at,
            summary: summary(&format!("{} {} ({})", words(&item.task), item.subject_tag, item.state.word())),
            description: format!("{}{caution}", item.summary()),
            location: location.to_owned(),
            categories,
        },
        due,
        priority: if item.safety { 1 } else { 5 },
    })
}
