//! Keeping upkeep rules, and recording upkeep that was done.

use super::due_items;
use super::holds::{self, NewHold};
use super::keep::{self, Managed};
use super::{Error, Lookup, Result, Tx};
use super::{stock, visits};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::holds::{Hold, HoldSource};
use crate::domain::facility::{Glovebox, ParseContext, Policies, Scope, Stored};
use crate::domain::ids::{GloveboxId, ThingId};
use crate::domain::names::{Reference, Remark, Word};
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::{Draft, Outcome, Service, UpkeepRule, defaults};
use crate::domain::violations::{Check, Violation, Violations};
use crate::store::kept::Kept as _;
pub(crate) use crate::store::services::Narrowed;
use crate::store::{events, holds as stored_holds, rules, services, site, things};
use chrono::{DateTime, Utc};
use serde_json::json;
use std::collections::BTreeSet;
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
    parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<Draft, Violations>,
) -> Result<Stored<Service>> {
    actor.needs_any(Service::CHANGE)?;
    let draft = Lookup::parse(tx, parse)?;
    let service = decided(tx, draft, None)?;
    record(tx, actor, now, service)
}

/// Records a service that was checked.
pub(super) fn record(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    service: Service,
) -> Result<Stored<Service>> {
    let stored = keep::create(tx, actor, now, |_| Ok(service))?;
    stock::use_for_service(tx, actor, now, &stored)?;
    visits::done(tx, actor, now, &stored)?;
    due_items::refresh(tx, now, &actor.subject, stored.value.subject)?;
    if stored.value.is_failed_leak_test() {
        close_leaking(tx, actor, now, &stored.value)?;
    }
    Ok(stored)
}

/// The service that a draft comes to: on the part that its task is about, of a
/// task that is done on such parts, and with its outcome. `before` is what is
/// being corrected: what stood in it stands, whatever the rules say by now.
pub(super) fn decided(tx: &mut Tx<'_>, draft: Draft, before: Option<&Service>) -> Result<Service> {
    let rules = rules::all(tx)?;
    let mut draft = Draft { service: aimed(tx, &rules, draft.service)?, ..draft };
    let service = &mut draft.service;
    let kind = part_kind(tx, service.subject)?;
    let mut check = Check::default();
    let stood = before.is_some_and(|one| one.task == service.task && one.subject == service.subject);
    if !stood && let Some(kind) = kind {
        check.part("", known_task(&rules, kind, &service.task));
    }
    // Whole boxes, supplies and rooms are not replaced by a service, but something in them is.
    if service.replaced && service.restarts.is_none() && kind.is_some_and(|kind| !kind.is_part_of_glovebox())
    {
        service.restarts = Some(vec![service.task.clone()]);
    }
    let policy = site::find(tx)?.map_or_else(Policies::default, |site| site.value.policies);
    let judged_by = before.and_then(|one| one.required_class).unwrap_or(policy.required_tightness_class);
    let service = check.part("", draft.decide(judged_by));
    Ok(check.build(service, |service| service)?)
}

/// Passes when a rule on such parts knows the task.
fn known_task(
    rules: &[Stored<UpkeepRule>],
    kind: PartKind,
    task: &Word,
) -> std::result::Result<(), Violations> {
    // The usual tasks are known to everybody, whether the site has rules for them or not.
    let usual = defaults::default_rules();
    let all = rules.iter().map(|rule| &rule.value).chain(&usual);
    let on_kind = all.filter(|rule| rule.applies_to.kind == kind);
    let known: BTreeSet<&str> = on_kind.map(|rule| rule.task.as_str()).collect();
    if known.contains(task.as_str()) {
        return Ok(());
    }
    let part = kind.word().replace('_', " ");
    let known: Vec<&str> = known.into_iter().collect();
    let detail = format!("no upkeep rule for a {part} knows {task}; there are {}", known.join(", "));
    Err(Violation::new("task", "unknown_task", detail).into())
}

/// The service on the part that its task is about: people name the box where
/// they mean its only purifier.
fn aimed(tx: &mut Tx<'_>, rules: &[Stored<UpkeepRule>], service: Service) -> Result<Service> {
    let usual = defaults::default_rules();
    let all = rules.iter().map(|rule| &rule.value).chain(&usual);
    let kinds: Vec<PartKind> =
        all.filter(|rule| rule.task == service.task).map(|rule| rule.applies_to.kind).collect();
    if !kinds.contains(&PartKind::Purifier) || kinds.contains(&PartKind::Glovebox) {
        return Ok(service);
    }
    let named = Glovebox::find(tx, service.subject.uuid())?;
    let purifier = named.and_then(|glovebox| glovebox.value.purifier).map(|purifier| purifier.id.into());
    Ok(Service { subject: purifier.unwrap_or(service.subject), ..service })
}

/// Closes the box to use where the site's policy says so, unless it was tested
/// again since or is closed for a leak already.
pub(super) fn close_leaking(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    failed: &Service,
) -> Result<()> {
    let policy = site::find(tx)?.map_or_else(Policies::default, |site| site.value.policies);
    if !policy.hold_on_failed_leak_test {
        return Ok(());
    }
    let Some(glovebox) = glovebox_of(tx, failed.subject)? else { return Ok(()) };
    let later = services::on(tx, failed.subject, now)?.into_iter().any(|other| {
        other.task == failed.task && other.done_at > failed.done_at && other.outcome == Outcome::Passed
    });
    if later || open_for_leak(tx, glovebox)?.is_some() {
        return Ok(());
    }
    let figure = failed.leak_figure().filter(|figure| !figure.is_tight_enough());
    let reason = figure.map_or_else(
        || "A leak test was not passed.".to_owned(),
        |figure| format!("A leak test was not passed: {}.", figure.sentence()),
    );
    let reason = Remark::parse(&reason).expect("a sentence of our own that is printable and short");
    let evidence = json!({
        "task": failed.task, "done_at": failed.done_at, "findings": failed.findings, "measured": failed.measured,
        "hourly_leak_rate_per_h": figure.map(|figure| figure.found.hourly_leak_rate_per_h),
        "class": figure.and_then(|figure| figure.found.class),
        "required_class": figure.map(|figure| figure.required),
    });
    let new = NewHold { glovebox, part: None, source: HoldSource::LeakTest, reason, evidence };
    holds::open(tx, &actor.subject, now, new)?;
    Ok(())
}

/// The open hold that a leak test opened on the box.
pub(super) fn open_for_leak(tx: &mut Tx<'_>, glovebox: GloveboxId) -> Result<Option<Stored<Hold>>> {
    let open = stored_holds::open_of(tx, glovebox)?;
    Ok(open.into_iter().find(|hold| hold.value.source == HoldSource::LeakTest))
}

/// The kind of part that a thing is, where upkeep is done on such.
fn part_kind(tx: &mut Tx<'_>, id: ThingId) -> Result<Option<PartKind>> {
    let thing = things::get(tx, id.uuid())?;
    Ok(thing.and_then(|thing| PartKind::ALL.iter().copied().find(|kind| kind.thing() == thing.kind)))
}

pub(super) fn glovebox_of(tx: &mut Tx<'_>, id: ThingId) -> Result<Option<GloveboxId>> {
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
        let body = keep::audited(json!({ "version": 1, "task": stored.value.task }), None, Some(&stored));
        events::append(tx, now, "upkeep_rule.created", stored.id, &actor.subject, &body)?;
        added.push(stored);
    }
    Ok(added)
}
