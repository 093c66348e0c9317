//! What somebody who wants to book can choose from: the boxes with what is in them,
//! and whom they may book for.

use super::keep::{self, Managed};
use super::situation::person_of;
use super::{Result, Tx, site};
use crate::domain::access::Actor;
use crate::domain::facility::{Glovebox, Person, Scope, Site, Stored};
use chrono::{DateTime, Utc};

/// More boxes, and more people, than one facility has.
const MOST: i64 = 1000;

/// What can be chosen.
#[derive(Debug)]
pub(crate) struct Choices {
    /// The moment.
    pub(crate) now: DateTime<Utc>,
    /// The facility.
    pub(crate) site: Site,
    /// Its boxes, by tag.
    pub(crate) boxes: Vec<Stored<Glovebox>>,
    /// Who the caller is, where they are a person of the facility.
    pub(crate) own: Option<Stored<Person>>,
    /// Whom the caller may book for besides, by name; nobody without `bookings:manage`.
    pub(crate) others: Vec<Stored<Person>>,
}

/// Looks at what there is.
pub(crate) fn look(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>) -> Result<Choices> {
    actor.needs_any(<Glovebox as Managed>::SEE)?;
    let site = site::get(tx, actor)?.value;
    let mut boxes = keep::list::<Glovebox>(tx, actor, None, MOST)?;
    boxes.sort_by(|one, other| one.value.tag.cmp(&other.value.tag));
    let own = person_of(tx, actor)?;
    let mut others = Vec::new();
    if actor.has(Scope::BookingsManage) {
        others = keep::list::<Person>(tx, actor, None, MOST)?;
        others.retain(|one| one.value.active && own.as_ref().is_none_or(|own| own.id != one.id));
        others.sort_by(|one, other| one.value.name.cmp(&other.value.name));
    }
    Ok(Choices { now, site, boxes, own, others })
}
