//! Closing a box to use until released. Opening a hold marks the bookings it
//! affects; releasing it takes the marks off again.

use super::keep::{self, Kept as _, Managed, Precondition};
use super::{Error, Lookup, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::booking::Booking;
use crate::domain::facility::holds::{Hold, HoldSource, Release};
use crate::domain::facility::{MeasuredQuantity, ParseContext, Scope, Stored, ThingKind};
use crate::domain::ids::{GloveboxId, HoldId, ThingId};
use crate::domain::names::{Reference, Remark, Tag};
use crate::domain::violations::Violations;
pub(crate) use crate::store::holds::HoldFilter;
use crate::store::{events, holds, things};
use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

impl Managed for Hold {
    const SEE: &'static [Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];
    const CHANGE: &'static [Scope] = &[Scope::UpkeepManage];
}

/// A hold with what people want to see beside it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ShownHold {
    /// The hold.
    pub(crate) hold: Stored<Hold>,
    /// Tag of the box.
    pub(crate) glovebox_tag: Option<Tag>,
    /// Tag of the part, where one is closed.
    pub(crate) part_tag: Option<Tag>,
    /// The bookings that carry its mark.
    pub(crate) bookings: Vec<Uuid>,
}

/// What to close, and why.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NewHold {
    /// The box.
    pub(crate) glovebox: GloveboxId,
    /// The station, antechamber or instrument of it; `None` for the whole box.
    pub(crate) part: Option<ThingId>,
    /// What closes it.
    pub(crate) source: HoldSource,
    /// Why, in a sentence.
    pub(crate) reason: Remark,
    /// What it rests on: an object.
    pub(crate) evidence: Value,
}

/// Opens a hold and marks the bookings it affects; the caller has been
/// authorised for whatever it is that opens it.
pub(crate) fn open(tx: &mut Tx<'_>, by: &str, now: DateTime<Utc>, new: NewHold) -> Result<Stored<Hold>> {
    holds::lock(tx, new.glovebox)?;
    let value = Hold {
        glovebox: new.glovebox,
        part: new.part,
        source: new.source,
        reason: new.reason,
        evidence: new.evidence,
        opened_by: by.to_owned(),
        opened_at: now,
        released: None,
    };
    let stored = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
    Hold::insert(tx, &stored)?;
    let hold = &stored.value;
    let body = json!({
        "version": 1, "glovebox": hold.glovebox, "part": hold.part, "source": hold.source.word(),
        "reason": hold.reason, "evidence": hold.evidence,
    });
    let body = keep::audited(body, None, Some(&stored));
    events::append(tx, now, "hold.opened", stored.id, by, &body)?;
    mark(tx, by, now, &stored)?;
    Ok(stored)
}

/// Marks the bookings that a hold closes and that no other hold has marked.
fn mark(tx: &mut Tx<'_>, by: &str, now: DateTime<Utc>, hold: &Stored<Hold>) -> Result<()> {
    for affected in holds::unmarked(tx, &hold.value, now)? {
        let before = Booking::find(tx, affected.booking)?;
        holds::mark(tx, &affected, hold.id.into(), now)?;
        let body = json!({ "version": affected.version + 1, "hold": hold.id, "status": "tentative" });
        let body = keep::audited(body, before.as_ref(), Booking::find(tx, affected.booking)?.as_ref());
        events::append(tx, now, "booking.affected", affected.booking, by, &body)?;
    }
    Ok(())
}

/// The open hold that a reading of the quantity opened on the box.
pub(crate) fn open_by_reading(
    tx: &mut Tx<'_>,
    glovebox: GloveboxId,
    quantity: MeasuredQuantity,
) -> Result<Option<Stored<Hold>>> {
    holds::lock(tx, glovebox)?;
    let open = holds::open_of(tx, glovebox)?;
    Ok(open.into_iter().find(|hold| hold.value.alarming_quantity() == Some(quantity)))
}

/// When a hold that a reading of the quantity opened on the box was last released.
pub(crate) fn last_release(
    tx: &mut Tx<'_>,
    glovebox: GloveboxId,
    quantity: MeasuredQuantity,
) -> Result<Option<DateTime<Utc>>> {
    let released = holds::released_by_reading_of(tx, glovebox)?;
    let mut of_quantity =
        released.into_iter().filter(|hold| hold.value.alarming_quantity() == Some(quantity));
    Ok(of_quantity.next().and_then(|hold| hold.value.released).map(|release| release.at))
}

/// Opens a hold because a person says so. `parse` finds the box, the part and the reason.
pub(crate) fn open_by_person(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    parse: impl FnOnce(&mut dyn ParseContext) -> Result<(GloveboxId, Option<ThingId>, Remark), Violations>,
) -> Result<ShownHold> {
    actor.needs_any(Hold::CHANGE)?;
    let (glovebox, part, reason) = Lookup::parse(tx, parse)?;
    let new = NewHold { glovebox, part, source: HoldSource::Person, reason, evidence: json!({}) };
    let stored = open(tx, &actor.subject, now, new)?;
    show(tx, stored)
}

/// Releases a hold: its marks go, and what was tentative because of it is
/// confirmed, unless another open hold closes it too.
pub(crate) fn release(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    id: HoldId,
    precondition: &Precondition,
    remark: Remark,
) -> Result<ShownHold> {
    actor.needs_any(Hold::CHANGE)?;
    let seen: Stored<Hold> = keep::load(tx, &Reference::Id(id.uuid()))?;
    holds::lock(tx, seen.value.glovebox)?;
    // Read again behind the lock: somebody else may have released it meanwhile.
    let current: Stored<Hold> = keep::load(tx, &Reference::Id(id.uuid()))?;
    precondition.allows(current.version)?;
    if let Some(release) = &current.value.released {
        return Err(Error::WrongState(format!("the hold was released already, by {}", release.by)));
    }
    let by = actor.subject.clone();
    let released = Some(Release { by: by.clone(), at: now, remark });
    let changed = Stored {
        version: current.version + 1,
        updated_at: now,
        value: Hold { released, ..current.value.clone() },
        ..current
    };
    Hold::update(tx, &changed)?;
    let body = json!({ "version": changed.version, "glovebox": changed.value.glovebox,
        "remark": changed.value.released.as_ref().map(|release| &release.remark) });
    let body = keep::audited(body, Some(&current), Some(&changed));
    events::append(tx, now, "hold.released", changed.id, &by, &body)?;
    let freed = holds::marked(tx, id)?;
    let before = freed.iter().map(|one| Ok(Booking::find(tx, one.booking)?)).collect::<Result<Vec<_>>>()?;
    holds::unmark(tx, id, now)?;
    for (affected, before) in freed.iter().zip(before) {
        let body = json!({ "version": affected.version + 1, "hold": null });
        let body = keep::audited(body, before.as_ref(), Booking::find(tx, affected.booking)?.as_ref());
        events::append(tx, now, "booking.restored", affected.booking, &by, &body)?;
    }
    for other in holds::open_of(tx, changed.value.glovebox)? {
        mark(tx, &by, now, &other)?;
    }
    show(tx, changed)
}

/// Shows one hold.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: HoldId) -> Result<ShownHold> {
    actor.needs_any(Hold::SEE)?;
    let stored = keep::load(tx, &Reference::Id(id.uuid()))?;
    show(tx, stored)
}

/// Lists holds, in the order they were opened.
pub(crate) fn list(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: Option<&Reference>,
    open: Option<bool>,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<ShownHold>> {
    actor.needs_any(Hold::SEE)?;
    let glovebox = match glovebox {
        Some(reference) => Some(known_glovebox(tx, reference)?),
        None => None,
    };
    let found = holds::page(tx, HoldFilter { glovebox, open }, after, limit)?;
    found.into_iter().map(|stored| show(tx, stored)).collect()
}

/// The box that a filter names; one that does not exist is the filter's fault.
fn known_glovebox(tx: &mut Tx<'_>, reference: &Reference) -> Result<GloveboxId> {
    let boxes = things::matching(tx, reference)?;
    boxes.into_iter().find(|thing| thing.kind == ThingKind::Glovebox).map(|thing| thing.id.into()).ok_or_else(
        || Error::invalid("glovebox", "unknown_reference", format!("there is no glovebox {reference}")),
    )
}

fn show(tx: &mut Tx<'_>, hold: Stored<Hold>) -> Result<ShownHold> {
    let glovebox_tag = things::get(tx, hold.value.glovebox.uuid())?.and_then(|thing| thing.tag);
    let part_tag = match hold.value.part {
        Some(part) => things::get(tx, part.uuid())?.and_then(|thing| thing.tag),
        None => None,
    };
    let bookings = holds::marked(tx, hold.id.into())?.into_iter().map(|marked| marked.booking).collect();
    Ok(ShownHold { hold, glovebox_tag, part_tag, bookings })
}
