//! Loading everything the planner may know: due items with their rules, boxes
//! with their claims, windows, people, stock.

use super::parts::{Parts, parts};
use super::situation::{all_windows, box_view, resources};
use super::{Error, Result, Tx};
use crate::domain::booking::claims::Owner;
use crate::domain::booking::decide::BoxView;
use crate::domain::booking::rules::SiteView;
use crate::domain::booking::{Booking, Busy, Progress};
use crate::domain::calendar::Interval;
use crate::domain::facility::{Glovebox, MaintenanceWindow, Qualification, Site, Stored};
use crate::domain::ids::{BookingId, DueItemId, ThingId};
use crate::domain::names::Word;
use crate::domain::planning::as_good::Openings;
use crate::domain::planning::facts::{self, Facility};
use crate::domain::planning::record::{Basis, MaintenanceVisit, Scope};
use crate::domain::planning::snapshot::{
    ClosedBox, Occupied, OpenMinimum, PlannedBooking, PlannedBox, StockLevel, WindowOccurrence, Worker,
};
use crate::domain::planning::{Place, Snapshot, Task};
use crate::domain::upkeep::stock::{Demand, Outlook, StockItem, project};
use crate::domain::upkeep::{DueState, UpkeepRule};
use crate::domain::violations::{Violation, Violations};
use crate::store::bookings::Wanted;
use crate::store::due_items::{KeptItem, Narrowed};
use crate::store::{
    bookings, claims, due_items, gloveboxes, holds, people, qualifications, rules, site, stock, visits,
};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// The most tasks that one plan is about.
pub(crate) const MOST_TASKS: usize = 300;

/// Whether openings are looked for that are as good as bookings that could
/// give way; only the cost depends on them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Weigh {
    /// They are.
    Openings,
    /// They are not, and none is as good.
    Nothing,
}

/// A snapshot, and how each of its due items stood.
#[derive(Debug, Clone)]
pub(crate) struct Loaded {
    /// What the planner knows.
    pub(crate) snapshot: Snapshot,
    /// The due items.
    pub(crate) basis: Vec<Basis>,
}

/// Loads what bears on a plan.
pub(crate) fn load(tx: &mut Tx<'_>, now: DateTime<Utc>, scope: &Scope, weigh: Weigh) -> Result<Loaded> {
    let horizon = scope.horizon;
    let site = site::get(tx)?.value;
    let boxes = gloveboxes::all(tx)?;
    let parts = parts(tx)?;
    let open_visits = visits::ahead(tx, now)?;
    let items = stock::all(tx)?;
    let facility = Facility::new(&boxes, &parts.supplies);
    let (tasks, basis) = tasks(tx, scope, &facility, &open_visits, &items)?;
    let windows = all_windows(tx)?;
    let held: Vec<Qualification> =
        qualifications::page_of(tx, qualifications::Narrowed::default(), None, i64::MAX)?
            .into_iter()
            .map(|stored| stored.value)
            .collect();
    let people = workers(tx, &held, &site, horizon)?;
    let busy = busy(tx, &boxes, &parts, &people, horizon)?;
    let (bookings, mut taken) = split(tx, now, horizon, &people, busy)?;
    taken.extend(closures(&site, facility.planned(), horizon));
    let equal = match weigh {
        Weigh::Nothing => BTreeSet::new(),
        Weigh::Openings => {
            let site_view = super::situation::site_view(tx, now, horizon)?;
            let views = views(tx, &boxes, &windows, horizon)?;
            as_good(&views, &site_view, &held, &bookings)
        }
    };
    let snapshot = Snapshot {
        horizon,
        grid: scope.grid,
        boxes: facility.planned().to_vec(),
        bookings: bookings.iter().map(|(booking, claims)| planned_booking(booking, claims, &equal)).collect(),
        taken,
        closed: closed(tx, &site, &boxes, &open_visits, now, horizon)?,
        windows: occurrences(&windows, horizon)?,
        people,
        stock: levels(tx, &items, &tasks, &open_visits, now, &site, horizon)?,
        open_minimum: site
            .policies
            .planning
            .open_minimum
            .iter()
            .map(|(gas, boxes)| OpenMinimum { gas: *gas, boxes: *boxes })
            .collect(),
        weights: site.policies.planning.weights.clone(),
        tasks,
    };
    Ok(Loaded { snapshot, basis })
}

/// The due items that the plan is about, as tasks.
fn tasks(
    tx: &mut Tx<'_>,
    scope: &Scope,
    facility: &Facility<'_>,
    open_visits: &[Stored<MaintenanceVisit>],
    items: &[Stored<StockItem>],
) -> Result<(Vec<Task>, Vec<Basis>)> {
    let rules: HashMap<_, Stored<UpkeepRule>> =
        rules::all(tx)?.into_iter().map(|rule| (rule.id, rule)).collect();
    let items: Vec<StockItem> = items.iter().map(|item| item.value.clone()).collect();
    let mut wanted = wanted(tx, scope)?;
    let planned = |kept: &KeptItem| {
        open_visits.iter().any(|visit| visit.value.is_to_do(&kept.item.task, kept.item.subject))
    };
    wanted.retain(|kept| !planned(kept));
    // What several rules ask for on one part is done once, by the first date.
    wanted.sort_by_key(|kept| (kept.item.act_by.is_none(), kept.item.act_by, kept.id));
    let mut seen: BTreeSet<(Word, ThingId)> = BTreeSet::new();
    wanted.retain(|kept| seen.insert((kept.item.task.clone(), kept.item.subject)));
    if wanted.len() > MOST_TASKS {
        let detail = format!("a plan is about {MOST_TASKS} tasks at most, not {}; name fewer", wanted.len());
        return Err(Error::invalid("due_items", "too_many", detail));
    }
    let mut found = (Vec::new(), Vec::new());
    for kept in wanted {
        let Some(rule) = rules.get(&kept.item.rule.uuid()) else { continue };
        let task = facility.task(kept.id.into(), &kept.item, &rule.value, &items);
        found.1.push(Basis::of(&task, rule.version, kept.item.last_service));
        found.0.push(task);
    }
    Ok(found)
}

/// The due items that are named, or all that need something done within the
/// horizon; those that are pinned in any case.
fn wanted(tx: &mut Tx<'_>, scope: &Scope) -> Result<Vec<KeptItem>> {
    let all = due_items::page(tx, &Narrowed::default(), None, i64::MAX)?;
    let pinned: Vec<DueItemId> = scope.request.pins.iter().map(|pin| pin.task).collect();
    let presses = |kept: &KeptItem| {
        matches!(kept.item.state, DueState::Approaching | DueState::Due | DueState::Overdue)
            || kept.item.act_by.is_some_and(|by| by <= scope.horizon.end())
    };
    Ok(all
        .into_iter()
        .filter(|kept| {
            let id = DueItemId::from(kept.id);
            let here = scope
                .gloveboxes
                .as_ref()
                .is_none_or(|boxes| kept.item.glovebox.is_some_and(|on| boxes.contains(&on)));
            let asked =
                scope.due_items.as_ref().map_or_else(|| here && presses(kept), |ids| ids.contains(&id));
            asked || pinned.contains(&id)
        })
        .collect())
}

fn workers(tx: &mut Tx<'_>, held: &[Qualification], site: &Site, horizon: Interval) -> Result<Vec<Worker>> {
    let mut workers = Vec::new();
    for person in people::active(tx)? {
        let own: Vec<Qualification> =
            held.iter().filter(|one| one.person == person.id.into()).cloned().collect();
        let found = facts::worker(&person, &own, site, horizon)
            .map_err(|error| Error::invalid("to", "out_of_range", error.to_string()))?;
        workers.extend(found);
    }
    Ok(workers)
}

/// Every claim within the horizon that a visit could meet.
fn busy(
    tx: &mut Tx<'_>,
    boxes: &[Stored<Glovebox>],
    parts: &Parts,
    people: &[Worker],
    horizon: Interval,
) -> Result<Vec<Busy>> {
    let mut things: Vec<ThingId> = boxes.iter().flat_map(|glovebox| resources(&glovebox.value)).collect();
    things.extend(boxes.iter().map(|glovebox| ThingId::from(glovebox.id)));
    // Supplies and rooms are places of their own.
    let elsewhere = parts.subjects.iter().filter(|part| part.glovebox.is_none());
    things.extend(elsewhere.map(|part| part.id));
    things.extend(people.iter().map(|person| ThingId::from(person.id)));
    Ok(claims::touching(tx, &things, horizon)?)
}

type Giving = Vec<(Stored<Booking>, Vec<Occupied>)>;

/// Claims of bookings that have not begun, which may give way, and all others.
fn split(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    horizon: Interval,
    people: &[Worker],
    busy: Vec<Busy>,
) -> Result<(Giving, Vec<Occupied>)> {
    let asked = Wanted {
        from: Some(now.min(horizon.start())),
        progress: vec![Progress::Booked, Progress::InUse],
        ..Wanted::default()
    };
    let standing = bookings::select(tx, &asked, None, i64::MAX)?;
    // Whoever does upkeep does not while their hands are in the gloves.
    let mut taken: Vec<Occupied> = standing
        .iter()
        .map(|booking| &booking.value)
        .filter(|booking| people.iter().any(|worker| worker.id == booking.person))
        .map(|booking| Occupied { resource: booking.person.into(), interval: booking.interval })
        .collect();
    let booked = standing.into_iter().filter(|booking| booking.value.progress == Progress::Booked);
    let mut giving: BTreeMap<BookingId, (Stored<Booking>, Vec<Occupied>)> =
        booked.map(|booking| (booking.id.into(), (booking, Vec::new()))).collect();
    for claim in busy {
        let occupied = Occupied { resource: claim.resource, interval: claim.interval };
        let own = match claim.owner {
            Owner::Booking(id) => giving.get_mut(&id),
            Owner::Visit(_) => None,
        };
        match own {
            Some((_, claims)) => claims.push(occupied),
            None => taken.push(occupied),
        }
    }
    Ok((giving.into_values().filter(|(_, claims)| !claims.is_empty()).collect(), taken))
}

/// While a box, or the whole facility, is closed, nothing is done to it and
/// nothing runs by itself.
fn closures(site: &Site, boxes: &[PlannedBox], horizon: Interval) -> Vec<Occupied> {
    let mut taken = Vec::new();
    for closure in site.closures.iter().filter(|closure| closure.interval.overlaps(&horizon)) {
        for closed in boxes.iter().filter(|b| closure.glovebox.is_none_or(|only| only == b.id)) {
            let things = closed.resources().into_iter().chain([closed.id.into()]);
            taken.extend(things.map(|resource| Occupied { resource, interval: closure.interval }));
        }
    }
    taken
}

fn planned_booking(
    booking: &Stored<Booking>,
    claims: &[Occupied],
    equal: &BTreeSet<BookingId>,
) -> PlannedBooking {
    let id = BookingId::from(booking.id);
    PlannedBooking {
        id,
        person: booking.value.person,
        work: booking.value.interval,
        claims: claims.to_vec(),
        status: booking.value.status,
        booked_at: booking.created_at,
        equal_opening: equal.contains(&id),
    }
}

/// Each box over the whole horizon.
fn views(
    tx: &mut Tx<'_>,
    boxes: &[Stored<Glovebox>],
    windows: &[Stored<MaintenanceWindow>],
    horizon: Interval,
) -> Result<Vec<BoxView>> {
    boxes.iter().map(|glovebox| box_view(tx, glovebox, windows, horizon, None)).collect()
}

/// The bookings that could give way and for which an opening is as good.
fn as_good(
    views: &[BoxView],
    site: &SiteView,
    held: &[Qualification],
    bookings: &Giving,
) -> BTreeSet<BookingId> {
    let openings = Openings::new(views, site, held);
    let in_a_window = |claims: &[Occupied], on: &BoxView| {
        claims.iter().any(|claim| on.windows.iter().any(|window| window.interval.overlaps(&claim.interval)))
    };
    bookings
        .iter()
        .filter(|(booking, claims)| {
            views.iter().any(|on| on.id == booking.value.glovebox && in_a_window(claims, on))
        })
        .filter(|(booking, _)| openings.one_as_good_as(booking))
        .map(|(booking, _)| booking.id.into())
        .collect()
}

/// Boxes that are closed for another reason than the plan's own visits.
fn closed(
    tx: &mut Tx<'_>,
    site: &Site,
    boxes: &[Stored<Glovebox>],
    open_visits: &[Stored<MaintenanceVisit>],
    now: DateTime<Utc>,
    horizon: Interval,
) -> Result<Vec<ClosedBox>> {
    let mut closed = Vec::new();
    for stored in boxes {
        let glovebox = Glovebox::id_of(stored);
        let on_hold = holds::open_of(tx, glovebox)?.iter().any(|hold| hold.value.part.is_none());
        // Nobody knows when a hold is released: it counts to the end.
        let held = Interval::new(now.min(horizon.start()), horizon.end()).ok().filter(|_| on_hold);
        let closures = site.closures.iter().filter(|one| one.glovebox.is_none_or(|only| only == glovebox));
        let times = closures.map(|closure| closure.interval).chain(held);
        closed.extend(times.map(|interval| ClosedBox { glovebox, interval }));
    }
    let visited = open_visits.iter().flat_map(|visit| &visit.value.closes);
    closed.extend(visited.map(|(glovebox, interval)| ClosedBox { glovebox: *glovebox, interval: *interval }));
    closed.retain(|one| one.interval.overlaps(&horizon));
    Ok(closed)
}

fn occurrences(windows: &[Stored<MaintenanceWindow>], horizon: Interval) -> Result<Vec<WindowOccurrence>> {
    let mut found = Vec::new();
    for window in windows {
        let times = window
            .value
            .occurrences(horizon)
            .map_err(|error| Error::invalid("to", "out_of_range", error.to_string()))?;
        found.extend(times.into_iter().map(|interval| WindowOccurrence {
            window: window.id.into(),
            interval,
            gloveboxes: window.value.gloveboxes.clone(),
            tasks: window.value.tasks.clone(),
            holds: window.value.holds,
        }));
    }
    Ok(found)
}

/// What there is of each item that the tasks use, with what visits on the
/// calendar take already taken off.
fn levels(
    tx: &mut Tx<'_>,
    items: &[Stored<StockItem>],
    tasks: &[Task],
    open_visits: &[Stored<MaintenanceVisit>],
    now: DateTime<Utc>,
    site: &Site,
    horizon: Interval,
) -> Result<Vec<StockLevel>> {
    let mut levels = Vec::new();
    for item in items {
        let name = &item.value.name;
        if !tasks.iter().any(|task| task.consumables.iter().any(|need| need.item == *name)) {
            continue;
        }
        let movements = stock::movements(tx, item.id.into())?;
        let mut demands: Vec<Demand> =
            open_visits.iter().flat_map(|visit| facts::visit_demands(&visit.value, name, now)).collect();
        demands.sort_by_key(|demand| demand.at);
        let outlook = Outlook {
            item: &item.value,
            movements: &movements,
            demands: &demands,
            now,
            until: horizon.end(),
            zone: site.timezone,
        };
        levels.extend(facts::stock_levels(name, &project(&outlook)));
    }
    Ok(levels)
}

/// The place that a part of the facility belongs to.
pub(crate) fn place_of(parts: &Parts, thing: ThingId) -> Option<Place> {
    let subject = parts.subject(thing)?;
    Some(subject.glovebox.map_or(Place::Elsewhere(subject.id), Place::Glovebox))
}

/// A due item that a request names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Named {
    /// The field that does.
    pub(crate) field: String,
    /// The due item.
    pub(crate) id: DueItemId,
    /// Whether it is to be placed.
    pub(crate) to_place: bool,
}

/// Passes when every due item that is named is there, and those to be placed
/// are not on the calendar already.
pub(crate) fn check_named(tx: &mut Tx<'_>, now: DateTime<Utc>, named: &[Named]) -> Result<()> {
    let open_visits = visits::ahead(tx, now)?;
    let mut faults = Vec::new();
    for Named { field, id, to_place } in named {
        let Some(kept) = due_items::find(tx, id.uuid())? else {
            let detail = format!("there is no due item {id}");
            faults.push(Violation::new(field.clone(), "unknown_reference", detail));
            continue;
        };
        let visit = open_visits.iter().find(|visit| visit.value.is_to_do(&kept.item.task, kept.item.subject));
        if let Some(visit) = visit.filter(|_| *to_place) {
            let detail = format!(
                "{} on {} is on the calendar already, from {}",
                kept.item.task,
                kept.item.subject_tag,
                visit.value.interval.start().format("%FT%TZ")
            );
            faults.push(Violation::new(field.clone(), "already_planned", detail));
        }
    }
    match Violations::from_vec(faults) {
        None => Ok(()),
        Some(violations) => Err(violations.into()),
    }
}
