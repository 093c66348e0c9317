//! From the facility as it is kept to the planner's terms.

use super::record::MaintenanceVisit;
use super::snapshot::{Competence, Need, Place, PlannedBox, StockLevel, Task, Worker};
use crate::domain::booking::claims::dilution_need;
use crate::domain::calendar::Interval;
use crate::domain::calendar::opening_hours::open_intervals;
use crate::domain::calendar::zone::RangeError;
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::{CylinderState, GasSupply, Glovebox, Person, Qualification, Site, Stored};
use crate::domain::ids::{DueItemId, GloveboxId, ThingId};
use crate::domain::names::Name;
use crate::domain::upkeep::rules::{Closes, PartKind};
use crate::domain::upkeep::stock::{Demand, DemandSource, LineKind, Projection, Quantity, StockItem};
use crate::domain::upkeep::{DueItem, UpkeepRule};
use chrono::{DateTime, TimeDelta, Utc};

/// The task during which a purifier of several columns goes on with another one.
const REGENERATION: &str = "purifier_regeneration";

/// The boxes and supplies that tasks are done on.
#[derive(Debug)]
pub struct Facility<'a> {
    boxes: &'a [Stored<Glovebox>],
    supplies: &'a [Stored<GasSupply>],
    planned: Vec<PlannedBox>,
}

impl<'a> Facility<'a> {
    /// The facility's boxes and supplies.
    pub fn new(boxes: &'a [Stored<Glovebox>], supplies: &'a [Stored<GasSupply>]) -> Self {
        Self { boxes, supplies, planned: boxes.iter().map(planned_box).collect() }
    }

    /// The boxes, in the planner's terms.
    pub fn planned(&self) -> &[PlannedBox] {
        &self.planned
    }

    /// A due item as a task to place. `stock` is what there is in stock, by
    /// which its consumables are known.
    pub fn task(&self, id: DueItemId, item: &DueItem, rule: &UpkeepRule, stock: &[StockItem]) -> Task {
        let (occupies, closes) = self.closed(item, rule);
        let glovebox = item.glovebox.and_then(|id| self.boxes.iter().find(|b| b.id == id.uuid()));
        let purifier = glovebox.and_then(|glovebox| glovebox.value.purifier.as_ref());
        let on_purifier = purifier.filter(|purifier| item.subject == purifier.id.into());
        let finish = rule.finish.map_or(TimeDelta::zero(), |length| length.delta());
        let unattended = rule.unattended.map_or(TimeDelta::zero(), |length| length.delta());
        let purge = glovebox.zip(rule.purge_dilution);
        Task {
            id,
            task: item.task.clone(),
            subject: item.subject,
            subject_tag: item.subject_tag.clone(),
            place: item.glovebox.map_or(Place::Elsewhere(item.subject), Place::Glovebox),
            state: item.state,
            earliest: item.due.and_then(|due| due.earliest).or(item.act_by),
            act_by: item.act_by,
            safety: item.safety,
            attended: rule.duration.delta() - finish,
            unattended,
            finish,
            purge: purge
                .map_or(TimeDelta::zero(), |(on, dilution)| dilution_need(&on.value, dilution).length),
            occupies,
            closes,
            people: rule.people,
            competence: rule.competence.clone(),
            consumables: needs(rule, stock),
            regenerates_from: on_purifier
                .and_then(|purifier| purifier.regeneration_supply)
                .filter(|_| !unattended.is_zero()),
        }
    }

    /// What a task occupies, and the boxes that are closed to use by that.
    fn closed(&self, item: &DueItem, rule: &UpkeepRule) -> (Vec<ThingId>, Vec<GloveboxId>) {
        let whole = |boxes: Vec<&PlannedBox>| {
            (boxes.iter().flat_map(|b| b.resources()).collect(), boxes.iter().map(|b| b.id).collect())
        };
        let home = item.glovebox.and_then(|id| self.planned.iter().find(|b| b.id == id));
        match (rule.closes, home) {
            (Closes::Nothing, _) => (Vec::new(), Vec::new()),
            (Closes::SuppliedBoxes, _) => whole(self.left_without_gas(item.subject)),
            (Closes::WholeBox, Some(_)) if self.goes_on_purifying(item) => (Vec::new(), Vec::new()),
            (Closes::WholeBox, Some(home)) => whole(vec![home]),
            (closes, Some(home)) => {
                let occupied = home.closed_by(closes, item.subject);
                let no_station_left =
                    home.stations.iter().all(|station| occupied.contains(&ThingId::from(*station)));
                let closed = (no_station_left && !occupied.is_empty()).then_some(home.id);
                (occupied, closed.into_iter().collect())
            }
            (_, None) => (Vec::new(), Vec::new()),
        }
    }

    /// Whether it is the regeneration of a purifier that has another column.
    fn goes_on_purifying(&self, item: &DueItem) -> bool {
        item.subject_kind == PartKind::Purifier
            && item.task.as_str() == REGENERATION
            && self.boxes.iter().any(|glovebox| {
                let purifier = glovebox.value.purifier.as_ref();
                purifier.is_some_and(|purifier| item.subject == purifier.id.into() && purifier.columns > 1)
            })
    }

    /// The boxes that have no gas while a cylinder of their supply is swapped:
    /// none where another stands by.
    fn left_without_gas(&self, supply: ThingId) -> Vec<&PlannedBox> {
        let stands_by = self.supplies.iter().any(|one| {
            ThingId::from(one.id) == supply
                && one.value.cylinders.iter().any(|cylinder| cylinder.state == CylinderState::Standby)
        });
        let fed =
            self.boxes.iter().filter(|glovebox| glovebox.value.gas_supply.map(ThingId::from) == Some(supply));
        let fed: Vec<GloveboxId> = fed.filter(|_| !stands_by).map(Glovebox::id_of).collect();
        self.planned.iter().filter(|b| fed.contains(&b.id)).collect()
    }
}

fn planned_box(stored: &Stored<Glovebox>) -> PlannedBox {
    let glovebox = &stored.value;
    PlannedBox {
        id: Glovebox::id_of(stored),
        tag: glovebox.tag.to_string(),
        gas: glovebox.working_gas,
        stations: glovebox.stations.iter().map(|part| part.id).collect(),
        antechambers: glovebox.antechambers.iter().map(|part| part.id).collect(),
        instruments: glovebox.instruments.iter().map(|part| part.id.into()).collect(),
        // A box without a purifier has nothing to switch off; it stands for itself.
        circulation: glovebox.purifier.as_ref().map_or(stored.id.into(), |part| part.id.into()),
    }
}

/// What a rule uses up, under the names that the stock has for it.
fn needs(rule: &UpkeepRule, stock: &[StockItem]) -> Vec<Need> {
    let named = rule.consumables.iter().map(|one| {
        let known = stock.iter().find(|item| item.is_called(one.stock_item.as_str()));
        let item = known.map_or_else(|| one.stock_item.clone(), |item| item.name.clone());
        Need { item, thousandths: thousandths(one.quantity.get()).max(1) }
    });
    let mut needs: Vec<Need> = Vec::new();
    for need in named {
        match needs.iter_mut().find(|other| other.item == need.item) {
            Some(other) => other.thousandths += need.thousandths,
            None => needs.push(need),
        }
    }
    needs
}

#[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates")]
fn thousandths(quantity: f64) -> i64 {
    (quantity * 1000.0).round() as i64
}

/// The levels of a stock item ahead, from the outlook with what is planned
/// already taken off.
pub fn stock_levels(item: &Name, outlook: &Projection) -> Vec<StockLevel> {
    let level = |from, balance: Quantity| StockLevel {
        item: item.clone(),
        from,
        thousandths: thousandths(balance.get()),
    };
    let changes = outlook.lines.iter().filter(|line| line.kind != LineKind::OnHand);
    let mut levels = vec![level(outlook.computed_at, outlook.usable)];
    levels.extend(changes.map(|line| level(line.at, line.balance)));
    levels
}

/// What a visit on the calendar is still going to take of an item.
pub fn visit_demands(visit: &MaintenanceVisit, item: &Name, now: DateTime<Utc>) -> Vec<Demand> {
    let takes = visit.to_do().flat_map(|task| task.consumables.iter().map(move |need| (task, need)));
    takes
        .filter(|(_, need)| need.item == *item)
        .map(|(task, need)| Demand {
            at: task.interval.start().max(now),
            quantity: Quantity::nearest(in_units(need.thousandths)),
            source: DemandSource::DueItem { id: task.due_item, repetition: 0 },
            why: format!("{} on {}", task.task, task.subject_tag),
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "fifteen digits are more than any stock has")]
fn in_units(thousandths: i64) -> f64 {
    thousandths as f64 / 1000.0
}

/// A person as somebody who does upkeep; `None` for one who does none: who
/// has neither working hours nor a qualification for a task.
pub fn worker(
    person: &Stored<Person>,
    held: &[Qualification],
    site: &Site,
    horizon: Interval,
) -> Result<Option<Worker>, RangeError> {
    let competences: Vec<Competence> = held
        .iter()
        .filter_map(|one| match &one.qualified_for {
            QualifiedFor::Task(word) => Some(Competence { word: word.clone(), valid_until: one.valid_until }),
            QualifiedFor::Glovebox(_) => None,
        })
        .collect();
    let own = person.value.working_hours.as_ref();
    if own.is_none() && competences.is_empty() {
        return Ok(None);
    }
    let mut absent: Vec<Interval> = person.value.absences.iter().map(|absence| absence.interval).collect();
    if own.is_none() {
        // Whoever works when the facility is open does not while it is closed.
        let closures = site.closures.iter().filter(|closure| closure.glovebox.is_none());
        absent.extend(closures.map(|closure| closure.interval));
    }
    absent.retain(|absence| absence.overlaps(&horizon));
    Ok(Some(Worker {
        id: person.id.into(),
        name: person.value.name.to_string(),
        working: open_intervals(own.unwrap_or(&site.opening_hours), site.timezone, horizon)?,
        absent,
        competences,
    }))
}
