//! Correcting and withdrawing records of upkeep. Whatever such a record had
//! restarted counts again from what stood before it.

use super::keep::{self, Kept as _, Managed as _, Precondition};
use super::{Lookup, Result, Tx, due_items, stock, upkeep, visits};
use crate::domain::access::Actor;
use crate::domain::facility::{ParseContext, Stored};
use crate::domain::names::Reference;
use crate::domain::upkeep::{Draft, Service};
use crate::domain::violations::Violations;
use crate::store::events;
use chrono::{DateTime, Utc};
use serde_json::{Value, json};

/// Said where a hold outlives the test that opened it.
const STAYS: &str = "the hold that a failed leak test opened stays open until a person releases it";

/// Changes a record into what `parse` makes of the input and the present
/// state, and works out anew what it concerned and what it concerns.
pub(crate) fn correct_service(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    precondition: &Precondition,
    parse: impl FnOnce(&mut dyn ParseContext, &Service) -> std::result::Result<Draft, Violations>,
) -> Result<Stored<Service>> {
    actor.needs_any(Service::CHANGE)?;
    let before: Stored<Service> = keep::load(tx, reference)?;
    precondition.demands(before.version)?;
    let draft = Lookup::parse(tx, |context| parse(context, &before.value))?;
    let value = upkeep::decided(tx, draft, Some(&before.value))?;
    let after = Stored { version: before.version + 1, updated_at: now, value, ..before.clone() };
    Service::update(tx, &after)?;
    // A count in between makes it matter when it was done.
    let taken = |service: &Service| (service.task.clone(), service.subject, service.done_at);
    if taken(&after.value) != taken(&before.value) {
        stock::return_for_service(tx, actor, now, before.id.into())?;
        stock::use_for_service(tx, actor, now, &after)?;
        visits::undone(tx, actor, now, before.id.into())?;
        visits::done(tx, actor, now, &after)?;
    }
    note(tx, actor, now, "service.changed", &before, Some(&after))?;
    settle(tx, actor, now, &before.value, Some(&after.value))?;
    Ok(after)
}

/// Removes a record, and works out anew what it concerned.
pub(crate) fn withdraw_service(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    precondition: &Precondition,
) -> Result<()> {
    actor.needs_any(Service::CHANGE)?;
    let before: Stored<Service> = keep::load(tx, reference)?;
    precondition.demands(before.version)?;
    stock::return_for_service(tx, actor, now, before.id.into())?;
    visits::undone(tx, actor, now, before.id.into())?;
    Service::delete(tx, before.id)?;
    note(tx, actor, now, "service.removed", &before, None)?;
    settle(tx, actor, now, &before.value, None)
}

/// The one place where a record that no longer stands as it did is settled:
/// all that recording it had brought about is put right here.
fn settle(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    before: &Service,
    after: Option<&Service>,
) -> Result<()> {
    due_items::refresh(tx, now, &actor.subject, before.subject)?;
    let Some(after) = after else { return Ok(()) };
    if after.subject != before.subject {
        due_items::refresh(tx, now, &actor.subject, after.subject)?;
    }
    let failed_before = before.is_failed_leak_test() && before.subject == after.subject;
    if after.is_failed_leak_test() && !failed_before {
        upkeep::close_leaking(tx, actor, now, after)?;
    }
    Ok(())
}

/// Tells the world what the record says, and of a hold that outlives it.
fn note(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    kind: &str,
    was: &Stored<Service>,
    is: Option<&Stored<Service>>,
) -> Result<()> {
    let stored = is.unwrap_or(was);
    let (service, before) = (&stored.value, &was.value);
    let body = json!({
        "version": stored.version, "tag": null, "task": service.task, "subject": service.subject,
        "done_at": service.done_at, "outcome": service.outcome,
    });
    let mut body = keep::audited(body, Some(was), is);
    let gone =
        kind == "service.removed" || !service.is_failed_leak_test() || service.subject != before.subject;
    if before.is_failed_leak_test()
        && gone
        && let Some(glovebox) = upkeep::glovebox_of(tx, before.subject)?
        && let Some(hold) = upkeep::open_for_leak(tx, glovebox)?
    {
        body["hold"] = Value::from(hold.id.to_string());
        body["remark"] = Value::from(STAYS);
    }
    Ok(events::append(tx, now, kind, stored.id, &actor.subject, &body)?)
}
