//! The gas supplies as whoever looks after them wants to see them: what is left, how
//! it falls, the work that is booked at their boxes. One read.

use super::parts::parts;
use super::{Result, Tx, due_items, keep};
use crate::domain::access::Actor;
use crate::domain::calendar::Interval;
use crate::domain::facility::{GasSupply, Site, Stored};
use crate::domain::upkeep::contents::{self, GasForecast};
use crate::store::site;
use chrono::{DateTime, Utc};

/// Every supply at a moment.
#[derive(Debug)]
pub(crate) struct GasSeen {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// The supplies, by tag.
    pub(crate) supplies: Vec<SupplySeen>,
}

/// A supply at a moment.
#[derive(Debug)]
pub(crate) struct SupplySeen {
    /// The supply.
    pub(crate) supply: Stored<GasSupply>,
    /// How long it lasts.
    pub(crate) forecast: GasForecast,
    /// Tags of the boxes that it feeds.
    pub(crate) boxes: Vec<String>,
    /// The work that is booked at them from now on, in order of start.
    pub(crate) booked: Vec<Interval>,
}

/// Looks at every supply.
pub(crate) fn look(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<GasSeen> {
    actor.needs_any(<GasSupply as keep::Managed>::SEE)?;
    let site = site::get(tx)?.value;
    let parts = parts(tx)?;
    let mut supplies = Vec::new();
    for (supply, history) in due_items::supplies(tx, &parts, now)? {
        let mut boxes = Vec::new();
        for id in keep::fed_by(tx, actor, supply.id.into())? {
            boxes.extend(keep::tag_of(tx, id)?);
        }
        boxes.sort();
        let mut booked: Vec<Interval> =
            history.uses.iter().map(|one| one.interval).filter(|interval| interval.end() > now).collect();
        booked.sort();
        supplies.push(SupplySeen { forecast: contents::forecast(&history, now), supply, boxes, booked });
    }
    supplies.sort_by(|one, other| one.supply.value.tag.cmp(&other.supply.value.tag));
    Ok(GasSeen { now, site, supplies })
}
