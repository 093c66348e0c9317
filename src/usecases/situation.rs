//! Loading what the domain needs to decide on bookings: the facility's rules,
//! the person, and a box as it stands over a span of time.

use super::{Error, Result, Tx};
use crate::domain::access::Actor;
use crate::domain::booking::BookingRequest;
use crate::domain::booking::claims::REACH;
use crate::domain::booking::decide::{BoxView, WindowTime, within_reach};
use crate::domain::booking::rules::{HoldView, RequesterView, SiteView, week_around};
use crate::domain::booking::{Busy, Owner};
use crate::domain::calendar::Interval;
use crate::domain::calendar::opening_hours::open_intervals;
use crate::domain::facility::windows::MaintenanceWindow;
use crate::domain::facility::{Glovebox, Person, Stored};
use crate::domain::ids::{BookingId, ThingId};
use crate::domain::names::{Reference, Tag};
use crate::store::kept::Kept as _;
use crate::store::{bookings, claims, memory};
use chrono::{DateTime, TimeDelta, Utc};
use std::sync::Arc;
use uuid::Uuid;

/// Opening hours and claims are loaded this far beyond a span, so that whatever
/// a booking within it can reach is seen.
const MARGIN: TimeDelta = REACH;

/// The facility's rules and hours over a span.
pub(crate) fn site_view(tx: &mut Tx<'_>, now: DateTime<Utc>, span: Interval) -> Result<SiteView> {
    let site = &memory::facility(tx)?.value;
    let wide = Interval::new(span.start() - MARGIN, span.end() + MARGIN).unwrap_or(span);
    let open = open_intervals(&site.opening_hours, site.timezone, wide)
        .map_err(|error| Error::invalid("start", "out_of_range", error.to_string()))?;
    let closures = site.closures.iter().filter(|closure| closure.interval.overlaps(&span)).cloned().collect();
    Ok(SiteView { now, zone: site.timezone, policies: site.policies.clone(), open, closures })
}

/// The person that an actor is: by token subject, or where the person has none
/// set, by id or tag.
pub(crate) fn person_of(tx: &mut Tx<'_>, actor: &Actor) -> Result<Option<Stored<Person>>> {
    if let Some(person) = memory::person_by_subject(tx, &actor.subject)? {
        return Ok(Some(Stored::clone(&person)));
    }
    let found = match (Uuid::parse_str(&actor.subject), Tag::parse(&actor.subject)) {
        (Ok(id), _) => Person::find(tx, id)?,
        (_, Ok(tag)) => match super::keep::load::<Person>(tx, &Reference::Tag(tag)) {
            Ok(person) => Some(person),
            Err(Error::Unknown { .. }) => None,
            Err(other) => return Err(other),
        },
        _ => None,
    };
    // Whoever has a subject signs in with that and nothing else.
    Ok(found.filter(|person| person.value.subject.is_none()))
}

/// Makes others who book for the person, plan their upkeep or use up what is left of
/// their groups' quotas wait for this transaction.
pub(crate) fn take_turns(tx: &mut Tx<'_>, person: &Stored<Person>) -> Result<()> {
    bookings::lock_person(tx, person.id.into())?;
    let mut groups = person.value.groups.clone();
    groups.sort_unstable();
    for group in &groups {
        bookings::lock_group(tx, group)?;
    }
    Ok(())
}

/// What is known of a person that bears on bookings within a span; a booking
/// being changed does not count against its own group.
pub(crate) fn requester_view(
    tx: &mut Tx<'_>,
    person: &Stored<Person>,
    site: &SiteView,
    span: Interval,
    without: Option<Uuid>,
) -> Result<RequesterView> {
    let held = memory::qualifications_of(tx, person.id.into())?;
    let mut group_bookings = Vec::new();
    let limited = site.policies.group_hours_per_week.is_some() || !site.policies.group_quotas.is_empty();
    if limited {
        let weeks = Interval::new(
            // One week more at the front for bookings that reach into it.
            week_around(span.start(), site.zone).start() - TimeDelta::days(7),
            week_around(span.end(), site.zone).end(),
        )
        .map_err(|e| Error::invalid("start", "out_of_range", e.to_string()))?;
        for group in &person.value.groups {
            let booked = bookings::of_group(tx, group, weeks)?;
            group_bookings.extend(
                booked
                    .into_iter()
                    .filter(|(id, _)| Some(*id) != without)
                    .map(|(_, interval)| (group.clone(), interval)),
            );
        }
    }
    Ok(RequesterView {
        person: person.value.clone(),
        qualifications: held.iter().map(|held| held.value.clone()).collect(),
        group_bookings,
        upkeep: memory::upkeep_by(tx, person.id.into())?
            .iter()
            .filter(|own| own.overlaps(&span))
            .copied()
            .collect(),
    })
}

/// Everything that can be claimed at a box.
pub(crate) fn resources(glovebox: &Glovebox) -> Vec<ThingId> {
    let mut all: Vec<ThingId> = glovebox.stations.iter().map(|part| part.id.into()).collect();
    all.extend(glovebox.antechambers.iter().map(|part| ThingId::from(part.id)));
    all.extend(glovebox.instruments.iter().map(|part| ThingId::from(part.id)));
    all.extend(glovebox.purifier.iter().map(|part| ThingId::from(part.id)));
    all
}

/// A box as it stands over a span; a booking being changed is not in its own way.
pub(crate) fn box_view(
    tx: &mut Tx<'_>,
    glovebox: &Stored<Glovebox>,
    windows: &[Stored<MaintenanceWindow>],
    span: Interval,
    without: Option<BookingId>,
) -> Result<BoxView> {
    let wide = Interval::new(span.start() - MARGIN, span.end() + MARGIN).unwrap_or(span);
    let busy = claims::touching(tx, &resources(&glovebox.value), wide)?;
    box_with(tx, glovebox, windows, span, without, busy)
}

/// A box as far as a request for it goes: of what is taken there, what the request
/// could meet.
pub(crate) fn box_for(
    tx: &mut Tx<'_>,
    glovebox: &Stored<Glovebox>,
    windows: &[Stored<MaintenanceWindow>],
    request: &BookingRequest,
    site: &SiteView,
    without: Option<BookingId>,
) -> Result<BoxView> {
    let busy = claims::overlapping(tx, &within_reach(request, &glovebox.value, &site.policies))?;
    box_with(tx, glovebox, windows, request.interval, without, busy)
}

fn box_with(
    tx: &mut Tx<'_>,
    glovebox: &Stored<Glovebox>,
    windows: &[Stored<MaintenanceWindow>],
    span: Interval,
    without: Option<BookingId>,
    mut busy: Vec<Busy>,
) -> Result<BoxView> {
    let id = Glovebox::id_of(glovebox);
    busy.retain(|claim| without.is_none_or(|own| claim.owner != Owner::Booking(own)));
    let open = memory::open_holds(tx, id)?;
    let holds = open
        .iter()
        .map(|hold| HoldView {
            id: hold.id.into(),
            reason: hold.value.reason.to_string(),
            part: hold.value.part,
        })
        .collect();
    Ok(BoxView {
        id,
        glovebox: glovebox.value.clone(),
        holds,
        windows: window_times(windows, id, span)?,
        busy,
    })
}

fn window_times(
    windows: &[Stored<MaintenanceWindow>],
    id: crate::domain::ids::GloveboxId,
    span: Interval,
) -> Result<Vec<WindowTime>> {
    let mut times = Vec::new();
    for window in windows.iter().filter(|window| window.value.applies_to(id)) {
        let occurrences = window
            .value
            .occurrences(span)
            .map_err(|error| Error::invalid("start", "out_of_range", error.to_string()))?;
        times.extend(occurrences.into_iter().map(|interval| WindowTime {
            window: window.id.into(),
            name: window.value.name.to_string(),
            interval,
            always: window.value.is_closed(),
        }));
    }
    Ok(times)
}

/// All maintenance windows.
pub(crate) fn all_windows(tx: &mut Tx<'_>) -> Result<Arc<Vec<Stored<MaintenanceWindow>>>> {
    Ok(memory::all_windows(tx)?)
}
