//! The oxygen assessment of a room: the gas on record there, as last read.

use super::keep::{self, Managed as _};
use super::{Result, Tx};
use crate::domain::access::Actor;
use crate::domain::facility::{Cylinder, CylinderState, GasSupply, Glovebox, MeasuredQuantity, Room, Stored};
use crate::domain::ids::{GasSupplyId, RoomId};
use crate::domain::names::{Name, Reference};
use crate::domain::quantity::{Celsius, GaugeBar, Percent};
use crate::domain::upkeep::room_assessment::{
    KeptBox, KeptCylinder, PressureRead, RoomAssessment, RoomGas, assess,
};
use crate::domain::upkeep::{Service, defaults};
use crate::domain::violations::Violation;
use crate::store::kept::Kept as _;
use crate::store::{gloveboxes, readings, services, site};
use chrono::{DateTime, TimeDelta, Utc};

/// A temperature counts for a pressure read so long before or after.
const TEMPERATURE_NEAR: TimeDelta = TimeDelta::hours(12);

/// A room with its assessment.
pub(crate) struct AssessedRoom {
    /// The room.
    pub(crate) room: Stored<Room>,
    /// The boxes that stand there.
    pub(crate) boxes: Vec<KeptBox>,
    /// The site's least oxygen.
    pub(crate) threshold: Percent,
    /// The facility's name.
    pub(crate) facility: Name,
    /// What was worked out.
    pub(crate) assessment: RoomAssessment,
}

/// Assesses a room from the gas on record there, as things are now.
pub(crate) fn assess_room(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
) -> Result<AssessedRoom> {
    actor.needs_any(Room::SEE)?;
    let room: Stored<Room> = keep::load(tx, reference)?;
    let site = site::get(tx)?.value;
    let threshold = site.policies.oxygen_deficiency;
    let gas = gas_of(tx, &room, now)?;
    let assessment = assess(&gas, threshold)
        .map_err(|error| Violation::new("oxygen_deficiency_percent", "out_of_range", error.to_string()))
        .map_err(|fault| super::Error::Invalid(fault.into()))?;
    Ok(AssessedRoom { room, boxes: gas.boxes, threshold, facility: site.name, assessment })
}

/// The gas on record in a room. A supply without a room counts wherever a box
/// stands that it feeds.
fn gas_of(tx: &mut Tx<'_>, room: &Stored<Room>, now: DateTime<Utc>) -> Result<RoomGas> {
    let id: RoomId = room.id.into();
    let boxes = gloveboxes::all(tx)?;
    let here = |one: &&Stored<Glovebox>| one.value.room == id;
    let mut gas = RoomGas {
        room: room.value.clone(),
        cylinders: Vec::new(),
        boxes: boxes.iter().filter(here).map(kept_box).collect(),
        fed_from_elsewhere: Vec::new(),
        nowhere: Vec::new(),
    };
    let mut supplies = GasSupply::page(tx, None, i64::MAX)?;
    supplies.sort_by(|a, b| a.value.tag.cmp(&b.value.tag));
    for supply in &supplies {
        let supply_id: GasSupplyId = supply.id.into();
        let feeds = |one: &&Stored<Glovebox>| one.value.gas_supply == Some(supply_id);
        let feeds_here = boxes.iter().filter(feeds).any(|one| here(&one));
        match supply.value.room {
            Some(room) if room == id => gas.cylinders.extend(cylinders(tx, supply, true, now)?),
            Some(_) if feeds_here => gas.fed_from_elsewhere.push(supply.value.tag.clone()),
            None if feeds_here => gas.cylinders.extend(cylinders(tx, supply, false, now)?),
            None if !boxes.iter().any(|one| feeds(&one)) => gas.nowhere.push(supply.value.tag.clone()),
            Some(_) | None => {}
        }
    }
    Ok(gas)
}

fn kept_box(stored: &Stored<Glovebox>) -> KeptBox {
    KeptBox {
        id: stored.id.into(),
        tag: stored.value.tag.clone(),
        gas: stored.value.working_gas,
        volume: stored.value.internal_volume,
        purge_flow: stored.value.purge_flow,
    }
}

/// The cylinders of a supply with what was last read of each.
fn cylinders(
    tx: &mut Tx<'_>,
    supply: &Stored<GasSupply>,
    placed: bool,
    now: DateTime<Utc>,
) -> Result<Vec<KeptCylinder>> {
    let swaps: Vec<Service> = services::on(tx, supply.id.into(), now)?
        .into_iter()
        .filter(|service| service.task.as_str() == defaults::CYLINDER_SWAP)
        .collect();
    let mut kept = Vec::with_capacity(supply.value.cylinders.len());
    for cylinder in &supply.value.cylinders {
        kept.push(KeptCylinder {
            supply: supply.id.into(),
            supply_tag: supply.value.tag.clone(),
            gas: supply.value.gas,
            changeover: supply.value.changeover,
            read: last_read(tx, supply, cylinder, &swaps, now)?,
            cylinder: cylinder.clone(),
            placed,
        });
    }
    Ok(kept)
}

/// The last pressure read of a cylinder's present filling: at the cylinder
/// itself or, while it is connected, at its supply.
fn last_read(
    tx: &mut Tx<'_>,
    supply: &Stored<GasSupply>,
    cylinder: &Cylinder,
    swaps: &[Service],
    now: DateTime<Utc>,
) -> Result<Option<PressureRead>> {
    let bar = MeasuredQuantity::GaugeBar;
    let names = |swap: &&Service| {
        swap.names_cylinder("removed", &cylinder.tag) || swap.names_cylinder("connected", &cylinder.tag)
    };
    // What was read before it was last put on or taken off is of a former filling,
    // and a supply's gauge shows other cylinders before the last swap.
    let own_since = swaps.iter().filter(names).map(|swap| swap.done_at).max();
    let shared_since = swaps.iter().map(|swap| swap.done_at).max();
    let since =
        |read: &(DateTime<Utc>, f64), from: Option<DateTime<Utc>>| from.is_none_or(|from| read.0 >= from);
    let emptied = cylinder.state == CylinderState::Empty;
    let own = readings::latest(tx, cylinder.id.uuid(), bar, now)?
        // What an emptied cylinder showed last was read before it was taken off.
        .filter(|read| emptied || since(read, own_since))
        .map(|read| (read, false));
    let shared = if cylinder.state == CylinderState::Connected {
        readings::latest(tx, supply.id, bar, now)?
            .filter(|read| since(read, shared_since))
            .map(|read| (read, true))
    } else {
        None
    };
    let Some(((at, value), of_supply)) = own.into_iter().chain(shared).max_by_key(|((at, _), _)| *at) else {
        return Ok(None);
    };
    let Ok(gauge) = GaugeBar::new(value) else { return Ok(None) };
    let temperature = temperature_near(tx, supply, at, now)?;
    Ok(Some(PressureRead { gauge, at, temperature, of_supply }))
}

/// The temperature read at the supply nearest to an instant, else the one
/// stated for it.
fn temperature_near(
    tx: &mut Tx<'_>,
    supply: &Stored<GasSupply>,
    at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<Celsius> {
    let until = (at + TEMPERATURE_NEAR).min(now);
    let read =
        readings::samples(tx, supply.id, MeasuredQuantity::TemperatureC, at - TEMPERATURE_NEAR, until)?;
    let nearest = read.into_iter().min_by_key(|read| (read.at - at).abs());
    Ok(nearest.and_then(|read| Celsius::new(read.value).ok()).unwrap_or(supply.value.temperature))
}
