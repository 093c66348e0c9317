//! What there is of an item and what is on order, as its movements tell.

use super::lots::Lots;
use super::movement::{Movement, What};
use super::quantity::Quantity;
use crate::domain::ids::MovementId;
use crate::domain::names::Name;
use chrono::{DateTime, Utc};
use std::collections::HashSet;

/// An order of which something is still to come.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenOrder {
    /// The movement that ordered it.
    pub id: MovementId,
    /// What the order is called.
    pub number: Option<Name>,
    /// When it was ordered.
    pub ordered_at: DateTime<Utc>,
    /// When it is expected.
    pub expected: Option<DateTime<Utc>>,
    /// What is still to come; above nought.
    pub outstanding: Quantity,
}

/// What there is of an item at a moment.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Level {
    /// What lies there.
    pub lots: Lots,
    /// What is to come, in the order in which it was ordered.
    pub orders: Vec<OpenOrder>,
    /// When the record first fell below nought since the last count: more was
    /// taken than was there, so something on record is wrong.
    pub below_nought_at: Option<DateTime<Utc>>,
    /// When it was last counted.
    pub counted_at: Option<DateTime<Utc>>,
}

impl Level {
    /// The level that movements, in whatever order they are given, make up
    /// until a moment. Those of one instant count in the order of their ids,
    /// which is the order they were recorded in. What was undone does not
    /// count, whenever it was undone.
    pub fn of(movements: &[Movement], until: DateTime<Utc>) -> Self {
        let mut level = Self::default();
        for movement in effective(movements).into_iter().filter(|movement| movement.at <= until) {
            level.apply(movement);
        }
        level.orders.retain(|order| order.outstanding > Quantity::ZERO);
        level
    }

    /// What there is by the record, whatever its age; below nought where more
    /// was taken than there was.
    pub fn on_hand(&self) -> Quantity {
        self.lots.total()
    }

    /// What is still to come of all orders.
    pub fn on_order(&self) -> Quantity {
        self.orders.iter().map(|order| order.outstanding).sum()
    }

    /// The earliest date among the lots, be it past.
    pub fn next_expiry(&self) -> Option<DateTime<Utc>> {
        self.lots.as_slice().iter().find_map(|lot| lot.expires)
    }

    fn apply(&mut self, movement: &Movement) {
        let at = movement.at;
        match &movement.what {
            What::Received { quantity, expires, order } => {
                self.lots.add(*quantity, *expires);
                if let Some(order) = order {
                    self.fulfil(*order, *quantity);
                }
            }
            What::Used { quantity, .. } => {
                let lacking = self.lots.take_usable(*quantity, at);
                // What was used was there: rather past its date than out of nothing.
                self.take(lacking, at);
            }
            What::Ordered { quantity, expected, number } => self.orders.push(OpenOrder {
                id: movement.id,
                number: number.clone(),
                ordered_at: at,
                expected: *expected,
                outstanding: *quantity,
            }),
            What::OrderWithdrawn { quantity, order } => self.fulfil(*order, *quantity),
            What::Counted { quantity } => {
                self.lots.set_total(*quantity);
                self.below_nought_at = None;
                self.counted_at = Some(at);
            }
            What::Discarded { quantity, expires } => {
                let lacking = match expires {
                    Some(expires) => self.lots.take_dated(*quantity, *expires),
                    None => *quantity,
                };
                self.take(lacking, at);
            }
            // Left out beforehand together with what it undoes.
            What::Reversed { .. } => {}
        }
    }

    fn take(&mut self, quantity: Quantity, at: DateTime<Utc>) {
        if self.lots.take_any(quantity) > Quantity::ZERO {
            self.below_nought_at.get_or_insert(at);
        }
    }

    fn fulfil(&mut self, order: MovementId, quantity: Quantity) {
        if let Some(open) = self.orders.iter_mut().find(|open| open.id == order) {
            open.outstanding = (open.outstanding - quantity).max(Quantity::ZERO);
        }
    }
}

/// The movements that count, in order of when they happened: without those
/// that were undone and those that undo them.
pub fn effective(movements: &[Movement]) -> Vec<&Movement> {
    let mut undone = HashSet::new();
    for movement in movements {
        if let What::Reversed { movement: wrong } = movement.what {
            undone.insert(movement.id);
            undone.insert(wrong);
        }
    }
    let mut counted: Vec<&Movement> =
        movements.iter().filter(|movement| !undone.contains(&movement.id)).collect();
    counted.sort_by_key(|movement| (movement.at, movement.id));
    counted
}
