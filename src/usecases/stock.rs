//! Stock: recording what comes and goes, what a service used, and the outlook
//! from the upkeep that is planned.

use super::keep::{self, Managed};
use super::parts::{Parts, parts};
use super::visits::{self, Planned};
use super::{Error, Lookup, Result, Tx};
use crate::clock::fresh_id;
use crate::domain::access::Actor;
use crate::domain::facility::{ParseContext, Scope, Stored};
use crate::domain::ids::{DueItemId, MovementId, ServiceId, StockItemId, ThingId};
use crate::domain::names::{Reference, Remark, Word};
use crate::domain::upkeep::report::ReportOrder;
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::stock::level::effective;
use crate::domain::upkeep::stock::{
    Draft, Level, Movement, Outlook, Projection, Quantity, StockItem, Wanted, What, demands, project,
};
use crate::domain::upkeep::{DueItem, Service, UpkeepRule};
use crate::domain::violations::Violations;
use crate::store::kept::Kept as _;
use crate::store::{due_items, events, rules, stock, things};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// How far an outlook looks unless told otherwise.
const USUAL_DAYS: i64 = 365;
/// How far an outlook looks at most.
const MOST_DAYS: i64 = 3 * 366;
/// What must be ordered within so many days stands in the nightly report.
const REPORT_DAYS: i64 = 14;
/// The most planned tasks that an outlook's evidence tells one by one.
const MOST_NOTES: usize = 50;

impl Managed for StockItem {
    const SEE: &'static [Scope] = &[Scope::FacilityRead];
    const CHANGE: &'static [Scope] = &[Scope::UpkeepManage];

    /// Refused where rules could not tell it from another item.
    fn check(tx: &mut Tx<'_>, stored: &Stored<Self>) -> Result<()> {
        let others = stock::all(tx)?.into_iter().filter(|other| other.id != stored.id);
        for other in others {
            let item = &stored.value;
            if other.value.is_called(item.name.as_str()) || item.is_called(other.value.name.as_str()) {
                let detail = format!("stock item {} is called so already", other.value.tag);
                return Err(Error::invalid("name", "taken", detail));
            }
        }
        Ok(())
    }
}

/// What there is of an item, as recorded so far.
pub(crate) fn level(tx: &mut Tx<'_>, item: StockItemId) -> Result<Level> {
    Ok(Level::of(&stock::movements(tx, item)?, DateTime::<Utc>::MAX_UTC))
}

/// Records a movement of an item.
pub(crate) fn record_movement(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    parse: impl FnOnce(&mut dyn ParseContext) -> std::result::Result<Draft, Violations>,
) -> Result<(Stored<StockItem>, Movement)> {
    actor.needs_any(StockItem::CHANGE)?;
    let mut item: Stored<StockItem> = keep::load(tx, reference)?;
    let zone = super::due_items::zone(tx)?;
    let draft = Lookup::parse(tx, parse)?;
    let present = stock::movements(tx, item.id.into())?;
    let what = draft.judge(&item.value, &present, zone)?;
    let movement = Movement {
        id: fresh_id().into(),
        what,
        at: draft.at,
        remark: draft.remark,
        recorded_by: actor.subject.clone(),
        recorded_at: now,
    };
    add(tx, actor, now, &mut item, &movement)?;
    Ok((item, movement))
}

/// Adds a movement. The item counts one version on, so that whoever holds it
/// learns that its level is another one, and two that move it at once take turns.
fn add(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    item: &mut Stored<StockItem>,
    movement: &Movement,
) -> Result<()> {
    item.version += 1;
    item.updated_at = now;
    StockItem::update(tx, item)?;
    stock::add(tx, item.id.into(), movement)?;
    let body = json!({
        "version": item.version, "tag": item.value.tag, "movement": movement.id,
        "kind": movement.what.kind().word(), "quantity": movement.what.quantity(), "at": movement.at,
    });
    Ok(events::append(tx, now, "stock_item.moved", item.id, &actor.subject, &body)?)
}

/// Lists an item's movements, in the order they were recorded in.
pub(crate) fn list_movements(
    tx: &mut Tx<'_>,
    actor: &Actor,
    reference: &Reference,
    after: Option<Uuid>,
    limit: i64,
) -> Result<(Stored<StockItem>, Vec<Movement>)> {
    let item = keep::get::<StockItem>(tx, actor, reference)?;
    let found = stock::page_of(tx, item.id.into(), after, limit)?;
    Ok((item, found))
}

/// Shows a movement of an item.
pub(crate) fn get_movement(
    tx: &mut Tx<'_>,
    actor: &Actor,
    reference: &Reference,
    id: MovementId,
) -> Result<(Stored<StockItem>, Movement)> {
    let item = keep::get::<StockItem>(tx, actor, reference)?;
    let found = stock::movement(tx, item.id.into(), id)?;
    let movement = found.ok_or_else(|| Error::unknown("stock_movement", id))?;
    Ok((item, movement))
}

/// Takes from stock what a service used by the rules for its task; tells the
/// movements. A shortage does not keep what was done from being recorded.
pub(crate) fn use_for_service(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    stored: &Stored<Service>,
) -> Result<Vec<MovementId>> {
    let service = &stored.value;
    let Some(thing) = things::get(tx, service.subject.uuid())? else { return Ok(Vec::new()) };
    let Some(kind) = PartKind::ALL.iter().copied().find(|kind| kind.thing() == thing.kind) else {
        return Ok(Vec::new());
    };
    let rules: Vec<UpkeepRule> = rules::all(tx)?
        .into_iter()
        .map(|rule| rule.value)
        .filter(|rule| rule.task == service.task && rule.applies_to.covers(kind, service.subject))
        .collect();
    let mut moved = Vec::new();
    if rules.iter().all(|rule| rule.consumables.is_empty()) {
        return Ok(moved);
    }
    for mut item in stock::all(tx)? {
        // Done once, the task takes what it takes, however many rules ask for it.
        let taken = rules.iter().map(|rule| item.value.taken_by(&rule.consumables)).max().unwrap_or_default();
        if taken <= Quantity::ZERO {
            continue;
        }
        let movement = Movement {
            id: fresh_id().into(),
            what: What::Used { quantity: taken, service: Some(stored.id.into()) },
            at: service.done_at,
            remark: remark(&service.task.to_string()),
            recorded_by: actor.subject.clone(),
            recorded_at: now,
        };
        add(tx, actor, now, &mut item, &movement)?;
        moved.push(movement.id);
    }
    Ok(moved)
}

/// Undoes what a service took from stock, for a service that is taken off the
/// record or taken anew after a correction.
pub(crate) fn return_for_service(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    service: ServiceId,
) -> Result<()> {
    for (item, used) in stock::used_by(tx, service)? {
        let present = stock::movements(tx, item)?;
        if !effective(&present).into_iter().any(|movement| movement.id == used.id) {
            continue;
        }
        let mut item: Stored<StockItem> = keep::load(tx, &Reference::Id(item.uuid()))?;
        let movement = Movement {
            id: fresh_id().into(),
            what: What::Reversed { movement: used.id },
            at: now,
            remark: remark("the service was corrected or removed"),
            recorded_by: actor.subject.clone(),
            recorded_at: now,
        };
        add(tx, actor, now, &mut item, &movement)?;
    }
    Ok(())
}

fn remark(text: &str) -> Remark {
    Remark::parse(text).expect("a constant or a word that passes the check")
}

/// The outlook for an item from now until a moment, by default a year ahead.
pub(crate) fn projection(
    tx: &mut Tx<'_>,
    actor: &Actor,
    now: DateTime<Utc>,
    reference: &Reference,
    until: Option<DateTime<Utc>>,
) -> Result<(Stored<StockItem>, Projection)> {
    let item = keep::get::<StockItem>(tx, actor, reference)?;
    let until = until.unwrap_or(now + TimeDelta::days(USUAL_DAYS));
    if until <= now || until > now + TimeDelta::days(MOST_DAYS) {
        let detail = format!("must be later than now and at most {MOST_DAYS} days ahead");
        return Err(Error::invalid("until", "out_of_range", detail));
    }
    let naming: Vec<Stored<UpkeepRule>> = rules::all(tx)?
        .into_iter()
        .filter(|rule| item.value.taken_by(&rule.value.consumables) > Quantity::ZERO)
        .collect();
    let ids: Vec<_> = naming.iter().map(|rule| rule.id.into()).collect();
    let kept = due_items::of_rules(tx, &ids)?;
    let due: Vec<(DueItemId, DueItem)> = kept.into_iter().map(|kept| (kept.id.into(), kept.item)).collect();
    let projection = Ahead::load(tx, &naming, now)?.of(tx, &item, &due, until)?;
    Ok((item, projection))
}

/// What must be ordered soon, or should have been, as of a moment for which
/// `due` was worked out.
pub(crate) fn to_order(
    tx: &mut Tx<'_>,
    as_of: DateTime<Utc>,
    due: &[(DueItemId, DueItem)],
) -> Result<Vec<ReportOrder>> {
    let items = stock::all(tx)?;
    if items.is_empty() {
        return Ok(Vec::new());
    }
    let rules = rules::all(tx)?;
    let ahead = Ahead::load(tx, &rules, as_of)?;
    let soon = as_of + TimeDelta::days(REPORT_DAYS);
    let mut listed = Vec::new();
    for item in items {
        let lead_time = item.value.lead_time.map_or(TimeDelta::zero(), |length| length.delta());
        let projection = ahead.of(tx, &item, due, soon + lead_time + TimeDelta::days(1))?;
        let pressing = projection.order_now || projection.reorder_reached;
        if pressing || projection.order_by.is_some_and(|at| at <= soon) {
            listed.push(ReportOrder::of(item.id.into(), &item.value, &projection));
        }
    }
    Ok(listed)
}

/// What outlooks share.
struct Ahead<'a> {
    rules: &'a [Stored<UpkeepRule>],
    parts: Parts,
    now: DateTime<Utc>,
    zone: chrono_tz::Tz,
    planned: Planned,
}

impl<'a> Ahead<'a> {
    fn load(tx: &mut Tx<'_>, rules: &'a [Stored<UpkeepRule>], now: DateTime<Utc>) -> Result<Self> {
        let zone = super::due_items::zone(tx)?;
        Ok(Self { rules, parts: parts(tx)?, now, zone, planned: visits::planned(tx, now)? })
    }

    fn of(
        &self,
        tx: &mut Tx<'_>,
        item: &Stored<StockItem>,
        due: &[(DueItemId, DueItem)],
        until: DateTime<Utc>,
    ) -> Result<Projection> {
        let wanted = self.wanted(&item.value, due);
        let (planned, until) = demands(&wanted, self.now, until);
        let movements = stock::movements(tx, item.id.into())?;
        let outlook = Outlook {
            item: &item.value,
            movements: &movements,
            demands: &planned,
            now: self.now,
            until,
            zone: self.zone,
        };
        let mut projection = project(&outlook);
        let missing = self.not_worked_out(&item.value, due);
        if missing > 0 {
            projection.cautions.push(format!(
                "no due date was worked out yet for {missing} of the tasks that take some of it; they do not count \
                 until the next night"
            ));
        }
        projection.evidence.notes.extend(wanted.iter().take(MOST_NOTES).map(|one| one.basis(self.zone)));
        if wanted.len() > MOST_NOTES {
            projection.evidence.notes.push(format!("and {} more", wanted.len() - MOST_NOTES));
        }
        Ok(projection)
    }

    /// How many tasks that take some of an item, each on a part, have no due item.
    fn not_worked_out(&self, item: &StockItem, due: &[(DueItemId, DueItem)]) -> usize {
        let known: BTreeSet<(Uuid, ThingId)> =
            due.iter().map(|(_, due)| (due.rule.uuid(), due.subject)).collect();
        self.rules
            .iter()
            .filter(|rule| item.taken_by(&rule.value.consumables) > Quantity::ZERO)
            .flat_map(|rule| self.parts.subjects.iter().map(move |subject| (rule, subject)))
            .filter(|(rule, subject)| rule.value.applies_to.covers(subject.kind, subject.id))
            .filter(|(rule, subject)| !known.contains(&(rule.id, subject.id)))
            .count()
    }

    /// What each task on each part takes of an item: once, by the item that
    /// falls due first, however many rules ask for it.
    fn wanted(&self, item: &StockItem, due: &[(DueItemId, DueItem)]) -> Vec<Wanted> {
        let taken: BTreeMap<Uuid, Quantity> = self
            .rules
            .iter()
            .map(|rule| (rule.id, item.taken_by(&rule.value.consumables)))
            .filter(|(_, quantity)| *quantity > Quantity::ZERO)
            .collect();
        let entered: BTreeMap<ThingId, DateTime<Utc>> =
            self.parts.subjects.iter().map(|subject| (subject.id, subject.created_at)).collect();
        let mut first: BTreeMap<(&Word, ThingId), Wanted> = BTreeMap::new();
        for (id, due) in due {
            let Some(quantity) = taken.get(&due.rule.uuid()) else { continue };
            let entered = entered.get(&due.subject).copied();
            let planned = self.planned.get(&(due.task.clone(), due.subject)).map(|(_, at)| *at);
            let one = Wanted { planned, ..Wanted::of(*id, due, entered, *quantity) };
            let known = first.entry((&due.task, due.subject)).or_insert_with(|| one.clone());
            let earlier = one.likely.is_some_and(|at| known.likely.is_none_or(|known| at < known));
            let most = known.quantity.max(one.quantity);
            if earlier {
                *known = one;
            }
            known.quantity = most;
        }
        first.into_values().collect()
    }
}
