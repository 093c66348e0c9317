//! The facility as a whole: there from the first start on, seen and changed.

use super::keep::{self, Managed, Precondition};
use super::{Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::calendar::WeeklyHours;
use crate::domain::facility::{ParseContext, Policies, Site, Stored};
use crate::domain::names::{Name, Reference, Remark};
use crate::domain::violations::Violations;
use crate::store::{events, site};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde_json::json;

/// Whether the facility has been set up.
pub(crate) fn exists(tx: &mut Tx<'_>) -> Result<bool> {
    Ok(site::find(tx)?.is_some())
}

/// The facility, set up with defaults where it is not there yet: always open,
/// in UTC, under the default policies.
pub(crate) fn ensure(tx: &mut Tx<'_>, now: DateTime<Utc>) -> Result<Stored<Site>> {
    if let Some(stored) = site::find(tx)? {
        return Ok(stored);
    }
    // Another instance that starts at the same moment waits here, and then finds it.
    site::keep_others_from_adding(tx)?;
    if let Some(stored) = site::find(tx)? {
        return Ok(stored);
    }
    let value = Site {
        name: Name::parse("Glovebox facility").expect("a constant name"),
        timezone: Tz::UTC,
        contact: Remark::parse("").expect("a remark may be empty"),
        opening_hours: WeeklyHours::always(),
        closures: Vec::new(),
        policies: Policies::default(),
    };
    let stored = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
    site::put(tx, &stored)?;
    let body = keep::audited(json!({ "version": 1, "tag": null }), None, Some(&stored));
    events::append(tx, now, "facility.created", stored.id, &Actor::operator().subject, &body)?;
    Ok(stored)
}

/// Shows the facility.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor) -> Result<Stored<Site>> {
    actor.needs_any(Site::SEE)?;
    Ok(site::get(tx)?)
}

/// Changes the facility into what `parse` makes of the input and the present state.
pub(crate) fn change(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    precondition: &Precondition,
    parse: impl FnOnce(&mut dyn ParseContext, &Site) -> std::result::Result<Site, Violations>,
) -> Result<Stored<Site>> {
    let id = ensure(tx, now)?.id;
    keep::change(tx, actor, now, &Reference::Id(id), precondition, parse)
}
