//! A booking with everything that its holder wants to know at the box, and the
//! bookings of whoever asks.

use super::book::Booked;
use super::holds::{self, ShownHold};
use super::keep::{self, Managed};
use super::named::Names;
use super::run_booking::{self, Sight, Wanted};
use super::situation::person_of;
use super::{Result, Tx, morning, site, visits};
use crate::domain::access::Actor;
use crate::domain::booking::Progress;
use crate::domain::facility::{
    Cylinder, CylinderState, GasSupply, Glovebox, MeasuredQuantity, Scope, Site, Stored,
};
use crate::domain::ids::{BookingId, PersonId, ThingId};
use crate::domain::names::Reference;
use crate::domain::planning::record::OtherPlace;
use crate::domain::upkeep::standing::Standing;
use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;

/// More bookings than one person has, and more holds than a box has.
const MOST: i64 = 1000;
/// Bookings that ended are told of for so long.
const REMEMBERED: TimeDelta = TimeDelta::days(60);

/// A booking, and what it needs knowing.
#[derive(Debug)]
pub(crate) struct Sheet {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// The booking with its claims.
    pub(crate) booked: Booked,
    /// How much of it the caller may see.
    pub(crate) sight: Sight,
    /// Whether it is the caller's own.
    pub(crate) own: bool,
    /// Whether the caller may begin, end and cancel it.
    pub(crate) may_change: bool,
    /// Whose it is, where the caller may know.
    pub(crate) who: Option<String>,
    /// The box.
    pub(crate) glovebox: Stored<Glovebox>,
    /// What the parts are called that it occupies.
    pub(crate) parts: HashMap<ThingId, String>,
    /// The holds open on the box.
    pub(crate) holds: Vec<ShownHold>,
    /// Where it could have gone, if it gave way to upkeep.
    pub(crate) elsewhere: Vec<OtherPlace>,
    /// The cylinders that feed the box or stand by for it.
    pub(crate) cylinders: Vec<Cylinder>,
    /// The box's oxygen.
    pub(crate) oxygen: Standing,
    /// Its water.
    pub(crate) water: Standing,
}

/// Shows a booking.
pub(crate) fn look(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, id: BookingId) -> Result<Sheet> {
    let site = site::get(tx, actor)?.value;
    let (booked, sight) = run_booking::show(tx, actor, id)?;
    let value = &booked.booking.value;
    let own = person_of(tx, actor)?.is_some_and(|person| PersonId::from(person.id) == value.person);
    let may_change = actor.has(Scope::BookingsManage) || (own && actor.has(Scope::BookingsWrite));
    let mut names = Names::default();
    let who = if sight == Sight::Whole { names.of(tx, value.person)? } else { None };
    let glovebox: Stored<Glovebox> = keep::load(tx, &Reference::Id(value.glovebox.uuid()))?;
    let mut parts = HashMap::new();
    let claimed = booked.claims.iter().map(|claim| claim.resource);
    let stations = value.work.stations.iter().map(|station| ThingId::from(*station));
    for part in claimed.chain(stations) {
        parts.extend(names.of(tx, part)?.map(|name| (part, name)));
    }
    let on = Reference::Id(glovebox.id);
    let limits = glovebox.value.limits;
    Ok(Sheet {
        holds: holds::list(tx, actor, Some(&on), Some(true), None, MOST)?,
        elsewhere: if sight == Sight::Whole {
            visits::elsewhere_for(tx, &booked.booking)?
        } else {
            Vec::new()
        },
        cylinders: cylinders(tx, &glovebox.value)?,
        oxygen: morning::standing(tx, glovebox.id, MeasuredQuantity::OxygenPpm, limits.oxygen_ppm, now)?,
        water: morning::standing(tx, glovebox.id, MeasuredQuantity::WaterPpm, limits.water_ppm, now)?,
        now,
        site,
        booked,
        sight,
        own,
        may_change,
        who,
        glovebox,
        parts,
    })
}

fn cylinders(tx: &mut Tx<'_>, on: &Glovebox) -> Result<Vec<Cylinder>> {
    let Some(id) = on.gas_supply else { return Ok(Vec::new()) };
    let supply: Stored<GasSupply> = keep::load(tx, &Reference::Id(id.uuid()))?;
    let mut cylinders = supply.value.cylinders;
    cylinders.retain(|one| matches!(one.state, CylinderState::Connected | CylinderState::Standby));
    cylinders.sort_by(|one, other| one.tag.cmp(&other.tag));
    Ok(cylinders)
}

/// A booking in a list.
#[derive(Debug)]
pub(crate) struct Listed {
    /// The booking.
    pub(crate) booked: Booked,
    /// Tag of the box.
    pub(crate) glovebox: String,
    /// Tags of the stations, after the box's.
    pub(crate) stations: Vec<String>,
    /// Whether a hold closes what it uses.
    pub(crate) held: bool,
}

/// The caller's bookings.
#[derive(Debug)]
pub(crate) struct Mine {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// Whether the caller is a person of the facility at all.
    pub(crate) known: bool,
    /// Those that are not over: not begun, or not closed out, by start.
    pub(crate) coming: Vec<Listed>,
    /// Those that ended of late, the last first.
    pub(crate) past: Vec<Listed>,
}

/// Lists the caller's bookings.
pub(crate) fn mine(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Mine> {
    actor.needs_any(<Site as Managed>::SEE)?;
    let site = site::get(tx, actor)?.value;
    let own = person_of(tx, actor)?.map(|person| PersonId::from(person.id));
    let (mut coming, mut past) = (Vec::new(), Vec::new());
    if own.is_some() {
        let wanted = Wanted { person: own, from: Some(now - REMEMBERED), ..Wanted::default() };
        let mut names = Names::default();
        for (booked, _) in run_booking::list(tx, actor, wanted, None, MOST)? {
            let value = &booked.booking.value;
            let glovebox = names.of(tx, value.glovebox)?.unwrap_or_default();
            let mut stations = Vec::new();
            for station in &value.work.stations {
                stations.extend(keep::tag_of(tx, *station)?);
            }
            let open = matches!(value.progress, Progress::Booked | Progress::InUse);
            let listed = Listed { held: value.hold.is_some(), glovebox, stations, booked };
            if open { coming.push(listed) } else { past.push(listed) }
        }
    }
    coming.sort_by_key(|one| (one.booked.booking.value.interval, one.booked.booking.id));
    past.sort_by_key(|one| {
        std::cmp::Reverse((one.booked.booking.value.interval.start(), one.booked.booking.id))
    });
    Ok(Mine { now, site, known: own.is_some(), coming, past })
}
