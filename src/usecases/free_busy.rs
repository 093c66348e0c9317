//! Busy time of boxes and their stations.

use super::situation::{all_windows, resources};
use super::{Error, Result, Tx, keep};
use crate::domain::access::Actor;
use crate::domain::booking::claims::{Owner, REACH};
use crate::domain::booking::{Booking, Status};
use crate::domain::calendar::Interval;
use crate::domain::calendar::free_busy::{BusyTime, BusyType, overlay};
use crate::domain::calendar::interval::gaps;
use crate::domain::calendar::opening_hours::open_intervals;
use crate::domain::facility::holds::Hold;
use crate::domain::facility::{Glovebox, MaintenanceWindow, Scope, Site, Stored};
use crate::domain::ids::{BookingId, GloveboxId, StationId, ThingId};
use crate::domain::names::{Reference, Tag};
use crate::store::bookings::Wanted;
use crate::store::holds::HoldFilter;
use crate::store::{bookings, claims, gloveboxes, holds, site};
use chrono::{DateTime, Utc};
use std::collections::HashMap;

/// Any of these lets a caller see when boxes are busy.
const SEE: &[Scope] = &[Scope::FacilityRead, Scope::BookingsWrite, Scope::BookingsManage];

/// Busy time of one box.
#[derive(Debug)]
pub(crate) struct BoxBusy {
    /// The box.
    pub(crate) glovebox: GloveboxId,
    /// Its tag.
    pub(crate) tag: Tag,
    /// When anything of it is taken, or it is closed.
    pub(crate) busy: Vec<BusyTime>,
    /// When each of its stations is taken or closed.
    pub(crate) stations: Vec<(StationId, Tag, Vec<BusyTime>)>,
}

/// When one box, or every box, is busy within a range.
pub(crate) fn find(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    glovebox: Option<&Reference>,
    range: Interval,
) -> Result<Vec<BoxBusy>> {
    actor.needs_any(SEE)?;
    let boxes = match glovebox {
        None => gloveboxes::all(tx)?,
        Some(reference) => match keep::load::<Glovebox>(tx, reference) {
            Ok(found) => vec![found],
            Err(Error::Unknown { .. }) => {
                let detail = format!("there is no glovebox {reference}");
                return Err(Error::invalid("glovebox", "unknown_reference", detail));
            }
            Err(other) => return Err(other),
        },
    };
    let site = site::get(tx)?.value;
    let windows = all_windows(tx)?;
    boxes.iter().map(|glovebox| of_box(tx, glovebox, &site, &windows, range, now)).collect()
}

fn of_box(
    tx: &mut Tx<'_>,
    glovebox: &Stored<Glovebox>,
    site: &Site,
    windows: &[Stored<MaintenanceWindow>],
    range: Interval,
    now: DateTime<Utc>,
) -> Result<BoxBusy> {
    let id = GloveboxId::from(glovebox.id);
    let mut closed = closed(id, site, windows, range)?;
    let mut parts = taken(tx, glovebox, range)?;
    for hold in holds::page(tx, HoldFilter { glovebox: Some(id), open: None }, None, i64::MAX)? {
        // What is closed until released is closed for as long as is asked about.
        let Some(time) = held(&hold.value, range, now) else { continue };
        match hold.value.part {
            None => closed.push(time),
            Some(part) => parts.push((part, time)),
        }
    }
    let of_part = |part: ThingId| parts.iter().filter(move |(of, _)| *of == part).map(|(_, time)| *time);
    let stations = glovebox.value.stations.iter().map(|station| {
        let times: Vec<BusyTime> = closed.iter().copied().chain(of_part(station.id.into())).collect();
        (station.id, station.tag.clone(), overlay(range, &times))
    });
    let all: Vec<BusyTime> = closed.iter().copied().chain(parts.iter().map(|(_, time)| *time)).collect();
    Ok(BoxBusy {
        glovebox: id,
        tag: glovebox.value.tag.clone(),
        busy: overlay(range, &all),
        stations: stations.collect(),
    })
}

/// When the whole box is closed: closed hours, closures and windows that
/// always hold.
fn closed(
    id: GloveboxId,
    site: &Site,
    windows: &[Stored<MaintenanceWindow>],
    range: Interval,
) -> Result<Vec<BusyTime>> {
    let out_of_range = |error: String| Error::invalid("to", "out_of_range", error);
    let open = open_intervals(&site.opening_hours, site.timezone, range)
        .map_err(|error| out_of_range(error.to_string()))?;
    let mut times = gaps(range, open);
    let closures = site.closures.iter().filter(|closure| closure.glovebox.is_none_or(|only| only == id));
    times.extend(closures.map(|closure| closure.interval));
    for window in windows.iter().filter(|window| window.value.is_closed() && window.value.applies_to(id)) {
        times.extend(window.value.occurrences(range).map_err(|error| out_of_range(error.to_string()))?);
    }
    let unavailable = |interval| BusyTime { interval, busy: BusyType::Unavailable };
    Ok(times.into_iter().map(unavailable).collect())
}

/// What bookings and visits have taken, part by part.
fn taken(tx: &mut Tx<'_>, glovebox: &Stored<Glovebox>, range: Interval) -> Result<Vec<(ThingId, BusyTime)>> {
    let wanted = Wanted {
        glovebox: Some(glovebox.id.into()),
        from: Some(range.start() - REACH),
        to: Some(range.end() + REACH),
        ..Wanted::default()
    };
    let found: Vec<Stored<Booking>> = bookings::select(tx, &wanted, None, i64::MAX)?;
    let status: HashMap<BookingId, Status> =
        found.iter().map(|booking| (booking.id.into(), booking.value.status)).collect();
    let claims = claims::touching(tx, &resources(&glovebox.value), range)?;
    let busy = |owner| match owner {
        Owner::Visit(_) => BusyType::Unavailable,
        Owner::Booking(id) if status.get(&id) == Some(&Status::Tentative) => BusyType::Tentative,
        Owner::Booking(_) => BusyType::Busy,
    };
    Ok(claims
        .into_iter()
        .map(|claim| (claim.resource, BusyTime { interval: claim.interval, busy: busy(claim.owner) }))
        .collect())
}

/// The time over which a hold closes something, within a range.
fn held(hold: &Hold, range: Interval, now: DateTime<Utc>) -> Option<BusyTime> {
    let end = hold.released.as_ref().map_or(range.end().max(now), |release| release.at);
    let interval = Interval::new(hold.opened_at, end).ok()?.intersection(&range)?;
    Some(BusyTime { interval, busy: BusyType::Unavailable })
}
