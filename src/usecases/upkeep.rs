//! Keeping upkeep rules, and recording upkeep that was done.

use super::due_items;
use super::holds::{self, NewHold};
use super::keep::{self, Managed};
use super::stock;
use super::{Error, Lookup, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::holds::HoldSource;
use crate::domain::facility::{Glovebox, ParseContext, Scope, Stored};
use crate::domain::ids::{GloveboxId, ThingId};
use crate::domain::names::{Reference, Remark};
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::{Outcome, Service, UpkeepRule, defaults};
use crate::domain::violations::Violations;
use crate::store::kept::Kept as _;
pub(crate) use crate::store::services::Narrowed;
use crate::store::{events, holds as stored_holds, rules, services, things};
use chrono::{DateTime, Utc};
use serde_json::json;
use uuid::Uuid;

const SEE: &[Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];

impl Managed for UpkeepRule {
    const SEE: &'static [Scope] = SEE;
    const CHANGE: &'static [Scope] = &[Scope::UpkeepManage];
}

impl Managed for Service {
    const SEE: &'static [Scope] = SEE;
    const CHANGE: &'static [Scope] = &[Scope::UpkeepManage];
}

/// Records upkeep that was done, works out anew what it concerns, and closes
/// a box whose leak test failed.
pub(crate) fn record_service(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<Service, Violations>,
) -> Result<Stored<Service>> {
    actor.needs_any(Service::CHANGE)?;
    let parsed = Lookup::parse(tx, parse)?;
    let service = aimed(tx, parsed)?;
    let stored = keep::create(tx, actor, now, |_| Ok(service))?;
    stock::use_for_service(tx, actor, now, &stored)?;
    settle(tx, actor, now, &stored.value)?;
    Ok(stored)
}

/// The service on the part that its task is about: people name the box where
/// they mean its only purifier.
fn aimed(tx: &mut Tx<'_>, service: Service) -> Result<Service> {
    let kinds: Vec<PartKind> = rules::all(tx)?
        .into_iter()
        .filter(|rule| rule.value.task == service.task)
        .map(|rule| rule.value.applies_to.kind)
        .collect();
    if !kinds.contains(&PartKind::Purifier) || kinds.contains(&PartKind::Glovebox) {
        return Ok(service);
    }
    let named = Glovebox::find(tx, service.subject.uuid())?;
    let purifier = named.and_then(|glovebox| glovebox.value.purifier).map(|purifier| purifier.id.into());
    Ok(Service { subject: purifier.unwrap_or(service.subject), ..service })
}

/// Records a service that another use case has checked.
pub(super) fn record(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    service: Service,
) -> Result<Stored<Service>> {
    record_service(tx, actor, now, |_| Ok(service))
}

fn settle(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, service: &Service) -> Result<()> {
    due_items::refresh(tx, now, &actor.subject, service.subject)?;
    if service.task.as_str() == defaults::LEAK_TEST && service.outcome == Outcome::Failed {
        close_leaking(tx, actor, now, service)?;
    }
    Ok(())
}

/// Closes the box to use, unless it was tested again since or is closed for
/// a leak already.
fn close_leaking(tx: &mut Tx<'_>, actor: &Actor, now: DateTime<Utc>, failed: &Service) -> Result<()> {
    let Some(glovebox) = glovebox_of(tx, failed.subject)? else { return Ok(()) };
    let later = services::on(tx, failed.subject, now)?.into_iter().any(|other| {
        other.task == failed.task && other.done_at > failed.done_at && other.outcome == Outcome::Passed
    });
    let closed = stored_holds::open_of(tx, glovebox)?
        .into_iter()
        .any(|hold| hold.value.source == HoldSource::LeakTest);
    if later || closed {
        return Ok(());
    }
    let reason = Remark::parse("A leak test was not passed.").expect("a constant that passes its own check");
    let evidence = json!({
        "task": failed.task, "done_at": failed.done_at, "findings": failed.findings, "measured": failed.measured,
    });
    let new = NewHold { glovebox, part: None, source: HoldSource::LeakTest, reason, evidence };
    holds::open(tx, &actor.subject, now, new)?;
    Ok(())
}

fn glovebox_of(tx: &mut Tx<'_>, id: ThingId) -> Result<Option<GloveboxId>> {
    let Some(thing) = things::get(tx, id.uuid())? else { return Ok(None) };
    if thing.kind == PartKind::Glovebox.thing() {
        return Ok(Some(thing.id.into()));
    }
    let Some(parent) = thing.parent else { return Ok(None) };
    let parent = things::get(tx, parent)?.filter(|thing| thing.kind == PartKind::Glovebox.thing());
    Ok(parent.map(|thing| thing.id.into()))
}

/// Lists services, in the order they were recorded.
pub(crate) fn list_services(
    tx: &mut Tx<'_>,
    actor: &Actor,
    subject: Option<&Reference>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Stored<Service>>> {
    actor.needs_any(SEE)?;
    let mut narrowed = narrowed.clone();
    if let Some(reference) = subject {
        let found = things::matching(tx, reference)?.into_iter().next().ok_or_else(|| {
            Error::invalid("subject", "unknown_reference", format!("there is nothing called {reference}"))
        })?;
        narrowed.subject = Some(found.id.into());
    }
    Ok(services::page_of(tx, &narrowed, after, limit)?)
}

/// Adds the rules to start from, for the tasks that have none yet; tells
/// those added.
pub(crate) fn install_default_rules(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
) -> Result<Vec<Stored<UpkeepRule>>> {
    actor.needs_any(UpkeepRule::CHANGE)?;
    let present = rules::all(tx)?;
    let mut added = Vec::new();
    for value in defaults::default_rules() {
        if present.iter().any(|rule| rule.value.task == value.task) {
            continue;
        }
        let stored = Stored { id: fresh_id(), version: 1, created_at: now, updated_at: now, value };
        UpkeepRule::insert(tx, &stored)?;
        let body = json!({ "version": 1, "task": stored.value.task });
        events::append(tx, now, "upkeep_rule.created", stored.id, &actor.subject, &body)?;
        added.push(stored);
    }
    Ok(added)
}
