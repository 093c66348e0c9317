//! What a keeper who plans wants before them: what is due and not planned, what is
//! on the calendar, plans not adopted yet; and one plan beside what is booked.

use super::due_items::{self, KeptItem, Narrowed};
use super::keep::{self, Managed};
use super::named::Names;
use super::run_booking::{self, Sight, Wanted};
use super::visits::{self, Planned};
use super::{Result, Tx, site};
use crate::domain::access::Actor;
use crate::domain::booking::Progress;
use crate::domain::calendar::Interval;
use crate::domain::facility::{Glovebox, Site, Stored};
use crate::domain::ids::{BookingId, GloveboxId};
use crate::domain::names::Reference;
use crate::domain::planning::record::{MaintenanceVisit, ProposedPlan, VisitStatus};
use crate::domain::upkeep::DueState;
use crate::store::plans;
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use uuid::Uuid;

/// More of anything than a facility has at once.
const MOST: i64 = 1000;
/// So many plans that were not adopted are told of.
const MOST_PROPOSED: i64 = 5;
/// Visits that are over are told of for so long, if something of them is left to do.
const REMEMBERED: TimeDelta = TimeDelta::days(31);

/// What planning begins with.
#[derive(Debug)]
pub(crate) struct Desk {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// Its boxes, by tag.
    pub(crate) boxes: Vec<Stored<Glovebox>>,
    /// What wants doing, the most pressing first.
    pub(crate) wanting: Vec<KeptItem>,
    /// What of it is on the calendar.
    pub(crate) planned: Planned,
    /// The plans last proposed that were not adopted, the newest first.
    pub(crate) proposed: Vec<Stored<ProposedPlan>>,
    /// The visits on the calendar, those missed first.
    pub(crate) visits: Vec<OnCalendar>,
}

/// A visit with the names of where and who.
#[derive(Debug)]
pub(crate) struct OnCalendar {
    /// The visit.
    pub(crate) visit: Stored<MaintenanceVisit>,
    /// Where.
    pub(crate) place: String,
    /// Who is to do it.
    pub(crate) people: Vec<String>,
}

/// Looks at what there is to plan.
pub(crate) fn look(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Desk> {
    let site = site::get(tx, actor)?.value;
    actor.needs_any(<ProposedPlan as Managed>::SEE)?;
    let mut boxes = keep::list::<Glovebox>(tx, actor, None, MOST)?;
    boxes.sort_by(|one, other| one.value.tag.cmp(&other.value.tag));
    let states = vec![DueState::Overdue, DueState::Due, DueState::Approaching];
    let narrowed = Narrowed { states: Some(states), ..Narrowed::default() };
    let mut wanting = due_items::list(tx, actor, None, &narrowed, None, MOST)?;
    wanting.sort_by_key(|kept| {
        let by = kept.item.act_by.unwrap_or(DateTime::<Utc>::MAX_UTC);
        (std::cmp::Reverse(kept.item.state), by, kept.item.subject_tag.clone(), kept.id)
    });
    Ok(Desk {
        now,
        site,
        boxes,
        wanting,
        planned: visits::planned(tx, now)?,
        proposed: plans::latest_proposed(tx, MOST_PROPOSED)?,
        visits: on_calendar(tx, actor, now)?,
    })
}

fn on_calendar(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Vec<OnCalendar>> {
    let narrowed = visits::Narrowed {
        status: Some(vec![VisitStatus::Confirmed]),
        from: Some(now - REMEMBERED),
        ..visits::Narrowed::default()
    };
    let mut names = Names::default();
    let mut found = Vec::new();
    for shown in visits::list(tx, actor, None, narrowed, None, MOST)? {
        let visit = shown.visit;
        let place = names.of(tx, visit.value.place.thing())?.unwrap_or_default();
        let mut people = BTreeSet::new();
        for id in visit.value.to_do().flat_map(|task| &task.attended).flat_map(|part| &part.people) {
            people.extend(names.of(tx, *id)?);
        }
        found.push(OnCalendar { visit, place, people: people.into_iter().collect() });
    }
    found.sort_by_key(|one| (one.visit.value.interval, one.visit.id));
    Ok(found)
}

/// A booking on the calendar while a plan would be carried out.
#[derive(Debug)]
pub(crate) struct Beside {
    /// The booking.
    pub(crate) id: BookingId,
    /// Its box.
    pub(crate) glovebox: GloveboxId,
    /// The box's tag.
    pub(crate) tag: String,
    /// When.
    pub(crate) interval: Interval,
    /// Whose it is, where the caller may know.
    pub(crate) who: Option<String>,
}

/// A plan beside the calendar.
#[derive(Debug)]
pub(crate) struct Spread {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// The plan.
    pub(crate) plan: Stored<ProposedPlan>,
    /// What its places, boxes and people are called.
    pub(crate) names: HashMap<Uuid, String>,
    /// The bookings that give way, as they are or were.
    pub(crate) displaced: BTreeMap<BookingId, Beside>,
    /// What is booked on its boxes in its time, by start.
    pub(crate) beside: Vec<Beside>,
}

/// Shows a plan beside what is booked.
pub(crate) fn spread(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, id: Uuid) -> Result<Spread> {
    let site = site::get(tx, actor)?.value;
    let plan = keep::get::<ProposedPlan>(tx, actor, &Reference::Id(id))?;
    let mut known = Names::default();
    let mut names = HashMap::new();
    let (mut boxes, mut displaced) = (BTreeSet::new(), BTreeMap::new());
    for visit in &plan.value.plan.visits {
        let people = visit.tasks.iter().flat_map(|task| &task.attended).flat_map(|part| &part.people);
        let closed = visit.closes.iter().map(|(glovebox, _)| *glovebox);
        boxes.extend(closed.clone());
        let ids = people.map(|id| id.uuid()).chain(closed.map(GloveboxId::uuid));
        for id in ids.chain([visit.place.thing().uuid()]) {
            names.extend(known.of(tx, id)?.map(|name| (id, name)));
        }
        for one in &visit.displaced {
            let Some(booking) = visits::booking(tx, one.booking)? else { continue };
            let value = booking.value;
            boxes.insert(value.glovebox);
            let beside = Beside {
                id: one.booking,
                glovebox: value.glovebox,
                tag: known.of(tx, value.glovebox)?.unwrap_or_default(),
                interval: value.interval,
                who: known.of(tx, value.person)?,
            };
            displaced.insert(one.booking, beside);
        }
    }
    let beside = booked(tx, actor, &mut known, &boxes, plan.value.scope.horizon)?;
    Ok(Spread { now, site, plan, names, displaced, beside })
}

/// What is booked on some boxes over a stretch of time.
fn booked(
    tx: &mut Tx<'_>,
    actor: &Actor,
    names: &mut Names,
    boxes: &BTreeSet<GloveboxId>,
    horizon: Interval,
) -> Result<Vec<Beside>> {
    let mut found = Vec::new();
    for glovebox in boxes {
        let wanted = Wanted {
            glovebox: Some(*glovebox),
            from: Some(horizon.start()),
            to: Some(horizon.end()),
            progress: vec![Progress::Booked, Progress::InUse],
            ..Wanted::default()
        };
        for (booked, sight) in run_booking::list(tx, actor, wanted, None, MOST)? {
            let value = &booked.booking.value;
            found.push(Beside {
                id: booked.booking.id.into(),
                glovebox: *glovebox,
                tag: names.of(tx, *glovebox)?.unwrap_or_default(),
                interval: value.interval,
                who: if sight == Sight::Whole { names.of(tx, value.person)? } else { None },
            });
        }
    }
    found.sort_by_key(|one| (one.interval, one.id));
    Ok(found)
}
