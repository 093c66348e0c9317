//! The outlook for an item: a record by time of what there is, what is to
//! come and what will be taken, and by when more must be ordered.
//!
//! What is past its date never counts. At one instant a lot goes off before
//! something comes, and something comes before something is taken.

use super::demand::{Demand, DemandSource};
use super::level::Level;
use super::lots::Lots;
use super::movement::Movement;
use super::quantity::Quantity;
use super::reorder::{ReorderPoint, reorder_point, weeks_of};
use super::{Lot, StockItem};
use crate::domain::ids::{DueItemId, MovementId};
use crate::domain::upkeep::evidence::Evidence;
use crate::domain::upkeep::rules::words;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

words! {
    /// What a line of the outlook is about.
    LineKind {
        /// What there is at the outset.
        OnHand = "on_hand",
        /// A lot goes off.
        Expiry = "expiry",
        /// An order comes.
        Arrival = "arrival",
        /// Upkeep takes some.
        Use = "use",
    }
}

/// What the outlook is worked out from.
#[derive(Debug, Clone, Copy)]
pub struct Outlook<'a> {
    /// The item.
    pub item: &'a StockItem,
    /// All its movements on record.
    pub movements: &'a [Movement],
    /// Planned uses, in order of time.
    pub demands: &'a [Demand],
    /// The present.
    pub now: DateTime<Utc>,
    /// How far it looks.
    pub until: DateTime<Utc>,
    /// The zone that days are counted in.
    pub zone: Tz,
}

/// A line of the outlook.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// When.
    pub at: DateTime<Utc>,
    /// What it is about.
    pub kind: LineKind,
    /// What is added, or taken where below nought.
    pub change: Quantity,
    /// What is there afterwards; below nought where something is short.
    pub balance: Quantity,
    /// Why, for people.
    pub why: String,
    /// The due item that takes some.
    pub due_item: Option<DueItemId>,
    /// The order that comes.
    pub order: Option<MovementId>,
}

/// A lot that is past its date before it is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wasted {
    /// Its date.
    pub expires: DateTime<Utc>,
    /// How much of it.
    pub quantity: Quantity,
}

/// The outlook for an item.
#[derive(Debug, Clone, PartialEq)]
pub struct Projection {
    /// The moment it was worked out for.
    pub computed_at: DateTime<Utc>,
    /// How far it looks.
    pub until: DateTime<Utc>,
    /// What there is by the record, whatever its age.
    pub on_hand: Quantity,
    /// What there is that may still be used.
    pub usable: Quantity,
    /// What is on order.
    pub on_order: Quantity,
    /// Line by line.
    pub lines: Vec<Line>,
    /// When something is short for the first time.
    pub first_shortfall: Option<DateTime<Utc>>,
    /// How much is short then.
    pub quantity_short: Option<Quantity>,
    /// The most that is short at any time of the outlook.
    pub most_short: Option<Quantity>,
    /// By when to have ordered: the lead time before the first shortfall.
    pub order_by: Option<DateTime<Utc>>,
    /// Whether that is now or past, or something is short already.
    pub order_now: bool,
    /// Why there is no date to have ordered by.
    pub reason: Option<String>,
    /// Lots that go off before they would be used, those past their date first.
    pub wasted: Vec<Wasted>,
    /// The reorder point.
    pub reorder: ReorderPoint,
    /// Whether what is usable and on order is at or below that point.
    pub reorder_reached: bool,
    /// What to look into.
    pub cautions: Vec<String>,
    /// What it rests on.
    pub evidence: Evidence,
}

/// Works the outlook out.
pub fn project(outlook: &Outlook<'_>) -> Projection {
    let level = Level::of(outlook.movements, outlook.now);
    let run = Run::over(outlook, &level);
    let first = run.lines.iter().find(|line| line.balance.is_negative());
    let least = run.lines.iter().map(|line| line.balance).min().unwrap_or_default();
    let (first_shortfall, quantity_short) = (first.map(|line| line.at), first.map(|line| -line.balance));
    let order_by = first_shortfall
        .zip(outlook.item.lead_time)
        .and_then(|(at, lead_time)| at.checked_sub_signed(lead_time.delta()));
    let usable = level.lots.usable(outlook.now);
    let reorder = reorder_point(outlook.item, outlook.movements, outlook.now);
    let position = (usable + level.on_order()).get();
    Projection {
        computed_at: outlook.now,
        until: outlook.until,
        on_hand: level.on_hand(),
        usable,
        on_order: level.on_order(),
        first_shortfall,
        quantity_short,
        most_short: Some(-least).filter(|short| *short > Quantity::ZERO),
        order_by,
        order_now: order_by.or(first_shortfall).is_some_and(|at| at <= outlook.now),
        reason: outlook.no_date(first_shortfall, order_by),
        wasted: run.wasted,
        reorder_reached: reorder.point.is_some_and(|point| position <= point),
        cautions: outlook.cautions(&level),
        evidence: outlook.evidence(&level, &reorder),
        reorder,
        lines: run.lines,
    }
}

/// What can happen, in the order in which it does at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Step {
    Expires,
    Arrives(usize),
    Taken(usize),
}

/// Going through time.
struct Run {
    lots: Lots,
    lines: Vec<Line>,
    wasted: Vec<Wasted>,
}

impl Run {
    fn over(outlook: &Outlook<'_>, level: &Level) -> Self {
        let mut run = Self { lots: level.lots.clone(), lines: Vec::new(), wasted: Vec::new() };
        run.waste(outlook.now);
        run.line(outlook.now, LineKind::OnHand, run.lots.total(), "on hand".to_owned());
        for (at, step) in outlook.steps(level) {
            match step {
                Step::Expires => {
                    let gone = run.waste(at);
                    if gone > Quantity::ZERO {
                        run.line(at, LineKind::Expiry, -gone, "past its date".to_owned());
                    }
                }
                Step::Arrives(index) => {
                    let order = &level.orders[index];
                    run.lots.add(order.outstanding, outlook.keeps_until(at));
                    let why = match &order.number {
                        Some(number) => format!("order {number}"),
                        None => format!("order of {}", outlook.day(order.ordered_at)),
                    };
                    run.line(at, LineKind::Arrival, order.outstanding, why).order = Some(order.id);
                }
                Step::Taken(index) => {
                    let demand = &outlook.demands[index];
                    let DemandSource::DueItem { id, .. } = demand.source;
                    // Nothing past its date is left, so that any lot may be used.
                    run.lots.take_any(demand.quantity);
                    run.line(at, LineKind::Use, -demand.quantity, demand.why.clone()).due_item = Some(id);
                }
            }
        }
        run
    }

    /// Takes off what is past its date; tells how much that is.
    fn waste(&mut self, at: DateTime<Utc>) -> Quantity {
        let gone = self.lots.take_expired(at);
        let wasted = |lot: &Lot| Some(Wasted { expires: lot.expires?, quantity: lot.quantity });
        self.wasted.extend(gone.iter().filter_map(wasted));
        gone.iter().map(|lot| lot.quantity).sum()
    }

    fn line(&mut self, at: DateTime<Utc>, kind: LineKind, change: Quantity, why: String) -> &mut Line {
        let balance = self.lots.total();
        self.lines.push(Line { at, kind, change, balance, why, due_item: None, order: None });
        self.lines.last_mut().expect("one was just added")
    }
}

impl Outlook<'_> {
    /// What happens from now until the end, in order.
    fn steps(&self, level: &Level) -> BTreeSet<(DateTime<Utc>, Step)> {
        let arrivals = level.orders.iter().enumerate().filter_map(|(index, order)| {
            Some((order.expected.filter(|expected| *expected > self.now)?, Step::Arrives(index)))
        });
        let arrivals: Vec<(DateTime<Utc>, Step)> = arrivals.collect();
        let of_arrivals = arrivals.iter().filter_map(|(at, _)| self.keeps_until(*at));
        let expiries = level.lots.as_slice().iter().filter_map(|lot| lot.expires).chain(of_arrivals);
        let taken = self.demands.iter().enumerate().map(|(index, demand)| (demand.at, Step::Taken(index)));
        let all = expiries.map(|at| (at, Step::Expires)).chain(arrivals.iter().copied()).chain(taken);
        all.filter(|(at, _)| *at >= self.now && *at < self.until).collect()
    }

    /// Until when what comes at a moment keeps, by the item's shelf life.
    fn keeps_until(&self, at: DateTime<Utc>) -> Option<DateTime<Utc>> {
        self.item.shelf_life.and_then(|life| life.add_to(at, self.zone).ok())
    }

    fn day(&self, at: DateTime<Utc>) -> String {
        at.with_timezone(&self.zone).format("%-d %b %Y").to_string()
    }

    fn no_date(&self, short: Option<DateTime<Utc>>, order_by: Option<DateTime<Utc>>) -> Option<String> {
        match (short, order_by) {
            (_, Some(_)) => None,
            (Some(_), None) => Some("its lead time is not known".to_owned()),
            (None, None) if self.demands.is_empty() => {
                Some(format!("no planned upkeep takes any of it before {}", self.day(self.until)))
            }
            (None, None) => Some(format!("nothing is short before {}", self.day(self.until))),
        }
    }

    fn cautions(&self, level: &Level) -> Vec<String> {
        let mut cautions = Vec::new();
        if let Some(at) = level.below_nought_at {
            cautions.push(format!(
                "the record fell below nought on {}: more was taken than was there, so that a count or a movement \
                 must be wrong; count what is there",
                self.day(at)
            ));
        }
        let expired = level.on_hand() - level.lots.usable(self.now);
        if expired > Quantity::ZERO {
            cautions
                .push(format!("{expired} {} on hand is past its date and does not count", self.item.unit));
        }
        for order in &level.orders {
            let of = order
                .number
                .as_ref()
                .map_or_else(|| format!("of {}", self.day(order.ordered_at)), ToString::to_string);
            match order.expected {
                None => cautions.push(format!(
                    "order {of} has no date on which it is expected; its {} does not count",
                    order.outstanding
                )),
                Some(expected) if expected <= self.now => cautions.push(format!(
                    "order {of} was expected by {} and has not come; its {} does not count until it has",
                    self.day(expected),
                    order.outstanding
                )),
                Some(_) => {}
            }
        }
        cautions
    }

    fn evidence(&self, level: &Level, reorder: &ReorderPoint) -> Evidence {
        let unit = self.item.unit.as_str();
        let mut evidence = Evidence::new(
            "time-phased record: on hand + expected orders − planned use, without what is past its date; \
             order by = first shortfall − lead time",
            "the time-phased (MRP) record and the reorder point of the inventory texts",
        )
        .with("on_hand", level.on_hand().get(), unit)
        .with("usable", level.lots.usable(self.now).get(), unit)
        .with("on_order", level.on_order().get(), unit);
        if let Some(lead_time) = self.item.lead_time {
            evidence = evidence.with("lead_time", weeks_of(lead_time.delta()), "weeks");
        }
        if let Some(weekly) = &reorder.weekly {
            #[expect(clippy::cast_precision_loss, reason = "a few hundred weeks at most")]
            let weeks = weekly.weeks as f64;
            evidence = evidence
                .with("weeks_on_record", weeks, "weeks")
                .with("mean_weekly_use", weekly.mean, unit)
                .with("deviation_of_weekly_use", weekly.deviation, unit);
        }
        if let Some(z) = reorder.z {
            evidence = evidence.with("z", z, "").noting(
                "the reorder point takes weeks for independent and their use for normally distributed; \
                 use in rare large lots is neither",
            );
        }
        match level.counted_at {
            Some(at) => evidence.noting(format!("last counted on {}", self.day(at))),
            None => evidence.noting("never counted: the level is the sum of what was recorded"),
        }
    }
}
