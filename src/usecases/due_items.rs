//! Working out due items: loading what is known of each part, letting the
//! domain compute, and keeping the results under ids that stay.

use super::part_history::Loader;
use super::parts::{Parts, parts};
use super::two_hands::{Work, work_through};
use super::under_way::{Report, Step};
use super::{Error, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::{GasSupply, Scope, Stored};
use crate::domain::ids::ThingId;
use crate::domain::names::Reference;
use crate::domain::upkeep::contents::{self, GasForecast, SupplyHistory};
use crate::domain::upkeep::due::{self, History, Subject};
use crate::domain::upkeep::moves;
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::{DueItem, UpkeepRule};
pub(crate) use crate::store::due_date_history::Entry;
use crate::store::due_items;
pub(crate) use crate::store::due_items::{KeptItem, Narrowed};
use crate::store::{due_date_history, events, rules, site, things};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde_json::json;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Any of these lets a caller see what is due.
const SEE: &[Scope] = &[Scope::FacilityRead, Scope::FacilityManage, Scope::UpkeepManage];

/// It is told how far it is after so many parts.
const PARTS_AT_ONCE: usize = 48;

/// The zone that local times are shown in; UTC until the facility is set up.
pub(crate) fn zone(tx: &mut Tx<'_>) -> Result<Tz> {
    Ok(site::find(tx)?.map_or(Tz::UTC, |site| site.value.timezone))
}

/// Works out the items of every rule on every part it is about, or only on
/// some parts, as of a moment. Of `supplies` it is known already what there is
/// to know. How far it has come is told to `far`; each item is handed on as it comes, since
/// those of a large facility with their evidence are much to hold at once.
pub(crate) fn compute(
    tx: &mut Tx<'_>,
    parts: &Parts,
    only: Option<&BTreeSet<ThingId>>,
    supplies: &[(Stored<GasSupply>, SupplyHistory)],
    as_of: DateTime<Utc>,
    far: &Report,
    each: impl FnMut(&mut Tx<'_>, DueItem) -> Result<()>,
) -> Result<()> {
    let rules = rules::all(tx)?;
    let loader = Loader::new(tx, parts, as_of)?.knowing(supplies);
    let wanted = parts.subjects.iter().filter(|part| only.is_none_or(|only| only.contains(&part.id)));
    let wanted: Vec<Matched<'_>> = wanted.filter_map(|part| Matched::of(part, &rules)).collect();
    let mut work = PartByPart { loader, wanted: &wanted, far, each };
    work_through(wanted.len(), &mut work, |(matched, history)| matched.items(&history, as_of))
}

/// Loads what is known of each part, and hands its items on.
struct PartByPart<'a, 'b, 'c, F> {
    loader: Loader<'a, 'b, 'c>,
    wanted: &'c [Matched<'c>],
    far: &'c Report,
    each: F,
}

impl<'c, F: FnMut(&mut Tx<'_>, DueItem) -> Result<()>> Work for PartByPart<'_, '_, 'c, F> {
    type Loaded = (&'c Matched<'c>, History);
    type Judged = Vec<DueItem>;
    type Error = Error;

    fn load(&mut self, number: usize) -> Result<Self::Loaded> {
        if number.is_multiple_of(PARTS_AT_ONCE) {
            self.far.at(Step::Parts, number, self.wanted.len());
        }
        let matched = &self.wanted[number];
        let values: Vec<&UpkeepRule> = matched.rules.iter().map(|rule| &rule.value).collect();
        Ok((matched, self.loader.history(matched.subject, &values)?))
    }

    fn keep(&mut self, judged: Vec<DueItem>) -> Result<()> {
        judged.into_iter().try_for_each(|item| (self.each)(self.loader.tx(), item))
    }
}

/// A part, and the rules on it.
struct Matched<'a> {
    subject: &'a Subject,
    rules: Vec<&'a Stored<UpkeepRule>>,
}

impl<'a> Matched<'a> {
    /// `None` where no rule is about the part.
    fn of(subject: &'a Subject, rules: &'a [Stored<UpkeepRule>]) -> Option<Self> {
        let covers = |rule: &&Stored<UpkeepRule>| rule.value.applies_to.covers(subject.kind, subject.id);
        let rules: Vec<&Stored<UpkeepRule>> = rules.iter().filter(covers).collect();
        (!rules.is_empty()).then_some(Self { subject, rules })
    }

    fn items(&self, history: &History, as_of: DateTime<Utc>) -> Vec<DueItem> {
        let item = |rule: &&Stored<UpkeepRule>| DueItem {
            rule_version: rule.version,
            ..due::compute(rule.id.into(), &rule.value, self.subject, history, as_of)
        };
        self.rules.iter().map(item).collect()
    }
}

/// Keeps an item under the id it has, or a fresh one, unless what is kept was
/// computed for a later moment; a move is noted with its reasons. Tells the id.
pub(crate) fn keep(tx: &mut Tx<'_>, now: DateTime<Utc>, by: &str, zone: Tz, item: &DueItem) -> Result<Uuid> {
    let Some(known) = due_items::of(tx, item.rule, item.subject)? else {
        let kept = KeptItem { id: fresh_id(), version: 1, item: item.clone(), moved: None };
        due_items::insert(tx, &kept)?;
        let reason = moves::first();
        let detail = reason.detail.clone();
        due_date_history::append(tx, fresh_id(), kept.id, item, &[reason], &detail)?;
        note(tx, now, by, None, &kept)?;
        return Ok(kept.id);
    };
    if known.item.computed_at > item.computed_at || known.item == *item {
        return Ok(known.id);
    }
    let moved = moves::between(&known.item, item, zone);
    if let Some(moved) = &moved {
        due_date_history::append(tx, fresh_id(), known.id, item, &moved.reasons, &moved.detail)?;
    }
    let kept = KeptItem {
        id: known.id,
        version: known.version + 1,
        item: item.clone(),
        moved: moved.or(known.moved),
    };
    due_items::update(tx, &kept)?;
    if known.item.state != item.state {
        note(tx, now, by, Some(&known.item), &kept)?;
    }
    Ok(kept.id)
}

/// Tells the world that an item stands elsewhere than before.
fn note(
    tx: &mut Tx<'_>,
    now: DateTime<Utc>,
    by: &str,
    before: Option<&DueItem>,
    kept: &KeptItem,
) -> Result<()> {
    let item = &kept.item;
    let stands = |item: &DueItem| json!({ "state": item.state.word(), "act_by": item.act_by });
    let body = json!({
        "version": kept.version, "state": item.state.word(), "task": item.task, "subject": item.subject,
        "act_by": item.act_by, "safety": item.safety,
        "before": before.map(stands), "after": stands(item),
    });
    Ok(events::append(tx, now, "due_item.changed", kept.id, by, &body)?)
}

/// Works out anew what concerns a part, its parts and its box, as things are now.
pub(crate) fn refresh(tx: &mut Tx<'_>, now: DateTime<Utc>, by: &str, subject: ThingId) -> Result<()> {
    let zone = zone(tx)?;
    let parts = parts(tx)?;
    let family = parts.family(subject);
    compute(tx, &parts, Some(&family), &[], now, &Report::default(), |tx, item| {
        keep(tx, now, by, zone, &item).map(drop)
    })
}

/// What is known of every gas supply, as of a moment.
pub(crate) fn supplies(
    tx: &mut Tx<'_>,
    parts: &Parts,
    as_of: DateTime<Utc>,
) -> Result<Vec<(Stored<GasSupply>, SupplyHistory)>> {
    let mut loader = Loader::new(tx, parts, as_of)?;
    let load = |supply: &Stored<GasSupply>| Ok((supply.clone(), loader.supply(&supply.value, supply.id)?));
    parts.supplies.iter().map(load).collect()
}

/// The forecast of one gas supply, as things are now.
pub(crate) fn forecast(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
) -> Result<(Stored<GasSupply>, GasForecast)> {
    actor.needs_any(SEE)?;
    let supply: Stored<GasSupply> = super::keep::load(tx, reference)?;
    let parts = Parts::only_supply(supply);
    let found = supplies(tx, &parts, now)?.into_iter().next();
    let (supply, history) = found.ok_or_else(|| Error::unknown("gas_supply", reference))?;
    Ok((supply, contents::forecast(&history, now)))
}

/// Shows one item.
pub(crate) fn get(tx: &mut Tx<'_>, actor: &Actor, id: Uuid) -> Result<KeptItem> {
    actor.needs_any(SEE)?;
    due_items::find(tx, id)?.ok_or_else(|| Error::unknown("due_item", id))
}

/// How an item moved, the newest last.
pub(crate) fn history(
    tx: &mut Tx<'_>,
    actor: &Actor,
    id: Uuid,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<Entry>> {
    let item = get(tx, actor, id)?;
    Ok(due_date_history::page(tx, item.id, after, limit)?)
}

/// Lists items, in order of id; a box may be named by its tag.
pub(crate) fn list(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: Option<&Reference>,
    narrowed: &Narrowed,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Vec<KeptItem>> {
    actor.needs_any(SEE)?;
    let mut narrowed = narrowed.clone();
    if let Some(reference) = glovebox {
        let boxes = things::matching(tx, reference)?;
        let found = boxes.into_iter().find(|thing| thing.kind == PartKind::Glovebox.thing());
        let found = found.ok_or_else(|| {
            Error::invalid("glovebox", "unknown_reference", format!("there is no glovebox {reference}"))
        })?;
        narrowed.glovebox = Some(found.id.into());
    }
    Ok(due_items::page(tx, &narrowed, after, limit)?)
}
