//! What stands on the calendar for the next days, in the facility's zone.

use crate::cli::Failure;
use crate::domain::access::Actor;
use crate::domain::booking::Progress;
use crate::domain::calendar::Interval;
use crate::domain::facility::{Glovebox, MaintenanceWindow, Person, Stored};
use crate::usecases::book::Booked;
use crate::usecases::run_booking::{self, Wanted};
use crate::usecases::{App, Result, Tx, keep, site};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;
use std::fmt::Write as _;
use uuid::Uuid;

/// How far the calendar looks ahead.
const DAYS: i64 = 3;
/// How far ahead closures are told.
const CLOSURE_DAYS: i64 = 28;
/// More than the invented facility has of anything in that time.
const MOST: i64 = 1000;

/// One line of the calendar.
struct Mark {
    interval: Interval,
    place: String,
    what: String,
}

/// The bookings, windows and closures of the next days, as text.
pub(super) fn ahead(app: &App, zone: Tz) -> std::result::Result<String, Failure> {
    Ok(app.query_blocking(|tx, now| {
        let range = Interval::lasting(now, TimeDelta::days(DAYS)).map_err(|_| {
            crate::usecases::Error::invalid("", "empty_interval", "three days are no interval")
        })?;
        let mut marks = bookings(tx, range)?;
        marks.extend(windows(tx, range)?);
        marks.extend(closures(tx, now)?);
        marks.sort_by(|a, b| (a.interval, &a.place).cmp(&(b.interval, &b.place)));
        Ok(written(&marks, now, zone))
    })?)
}

fn bookings(tx: &mut Tx<'_>, range: Interval) -> Result<Vec<Mark>> {
    let operator = Actor::operator();
    let wanted = Wanted {
        from: Some(range.start()),
        to: Some(range.end()),
        progress: vec![Progress::Booked, Progress::InUse],
        ..Wanted::default()
    };
    let found = run_booking::list(tx, &operator, wanted, None, MOST)?;
    let boxes = by_id(keep::list::<Glovebox>(tx, &operator, None, MOST)?);
    let people = by_id(keep::list::<Person>(tx, &operator, None, MOST)?);
    Ok(found.iter().map(|(booked, _)| mark(booked, &boxes, &people)).collect())
}

fn by_id<T>(stored: Vec<Stored<T>>) -> HashMap<Uuid, T> {
    stored.into_iter().map(|one| (one.id, one.value)).collect()
}

fn mark(booked: &Booked, boxes: &HashMap<Uuid, Glovebox>, people: &HashMap<Uuid, Person>) -> Mark {
    let booking = &booked.booking.value;
    let glovebox = boxes.get(&booking.glovebox.uuid());
    let stations: Vec<String> = glovebox
        .iter()
        .flat_map(|glovebox| booking.work.stations.iter().filter_map(|id| glovebox.station(*id)))
        .map(|station| station.tag.to_string())
        .collect();
    let tag = glovebox.map(|glovebox| glovebox.tag.to_string()).unwrap_or_default();
    let who = people.get(&booking.person.uuid()).map(|person| person.name.to_string()).unwrap_or_default();
    let group = booking.group.as_ref().map(|group| format!(" ({group})")).unwrap_or_default();
    let under_way = if booking.progress == Progress::InUse { ", under way" } else { "" };
    Mark {
        interval: booking.interval,
        place: format!("{tag}/{}", stations.join("+")),
        what: format!("{}: {who}{group}{under_way}", booking.work.purpose),
    }
}

fn windows(tx: &mut Tx<'_>, range: Interval) -> Result<Vec<Mark>> {
    let operator = Actor::operator();
    let boxes = by_id(keep::list::<Glovebox>(tx, &operator, None, MOST)?);
    let mut marks = Vec::new();
    for window in keep::list::<MaintenanceWindow>(tx, &operator, None, MOST)? {
        let window = window.value;
        let place = match &window.gloveboxes {
            None => "all boxes".to_owned(),
            Some(ids) => {
                let tags =
                    ids.iter().filter_map(|id| boxes.get(&id.uuid())).map(|found| found.tag.to_string());
                tags.collect::<Vec<_>>().join(", ")
            }
        };
        let holds = if window.is_closed() { "not bookable" } else { "bookable, given up when needed" };
        for interval in window.occurrences(range).unwrap_or_default() {
            marks.push(Mark { interval, place: place.clone(), what: format!("{} ({holds})", window.name) });
        }
    }
    Ok(marks)
}

fn closures(tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<Vec<Mark>> {
    let site = site::get(tx, &Actor::operator())?.value;
    let soon = now + TimeDelta::days(CLOSURE_DAYS);
    let ahead = |interval: &Interval| interval.end() > now && interval.start() < soon;
    Ok(site
        .closures
        .iter()
        .filter(|closure| ahead(&closure.interval))
        .map(|closure| Mark {
            interval: closure.interval,
            place: "closed".to_owned(),
            what: closure.reason.to_string(),
        })
        .collect())
}

fn written(marks: &[Mark], now: DateTime<Utc>, zone: Tz) -> String {
    let offset = now.with_timezone(&zone).format("%Z");
    let mut text = format!("\nOn the calendar for {DAYS} days (times in {}, {offset})\n", zone.name());
    for mark in marks {
        let (start, end) =
            (mark.interval.start().with_timezone(&zone), mark.interval.end().with_timezone(&zone));
        let last = if start.date_naive() == end.date_naive() { "%H:%M" } else { "%a %-d %b %H:%M" };
        let when = format!("{} to {}", start.format("%a %-d %b %H:%M"), end.format(last));
        // Writing to a string cannot fail.
        writeln!(text, "  {when:<34} {:<16} {}", mark.place, mark.what).unwrap_or_default();
    }
    if marks.is_empty() {
        text.push_str("  nothing\n");
    }
    text
}
