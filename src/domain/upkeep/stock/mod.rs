//! Stock: consumables that the boxes share. What there is and what is on
//! order follow from the movements on record and are never kept beside them;
//! what will be short follows from those and from the upkeep that is planned.
//!
//! Knows nothing of suppliers, prices or where things lie.

pub mod demand;
pub mod level;
pub mod lots;
pub mod movement;
pub mod projection;
pub mod quantity;
pub mod reorder;

pub use demand::{Demand, DemandSource, Wanted, demands};
pub use level::{Level, OpenOrder};
pub use lots::Lot;
pub use movement::{Draft, Kind, Movement, What};
pub use projection::{LineKind, Outlook, Projection, project};
pub use quantity::Quantity;

use super::rules::Consumable;
use crate::domain::calendar::{Length, Span};
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::QuantityError;

/// What a reorder point is to come from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReorderPolicy {
    /// A quantity that the site has set.
    Minimum(Quantity),
    /// The share of lead times that the stock is to last through, by the use on record.
    ServiceLevel(ServiceLevel),
}

/// A share of lead times, from one half up to but not including one.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct ServiceLevel(f64);

impl ServiceLevel {
    /// 95 % of lead times (common practice, no source).
    pub const USUAL: Self = Self(0.95);

    /// Checks the number: 0.5 to 0.9999.
    pub fn new(value: f64) -> Result<Self, QuantityError> {
        const LEAST: f64 = 0.5;
        const MOST: f64 = 0.9999;
        if !value.is_finite() {
            return Err(QuantityError::NotFinite);
        }
        if value < LEAST {
            return Err(QuantityError::TooSmall { value, least: LEAST, unit: "of 1" });
        }
        if value > MOST {
            return Err(QuantityError::TooLarge { value, most: MOST, unit: "of 1" });
        }
        Ok(Self(value))
    }

    /// The share, of one.
    pub const fn get(self) -> f64 {
        self.0
    }
}

/// A consumable that is kept in stock.
#[derive(Debug, Clone, PartialEq)]
pub struct StockItem {
    /// Its tag.
    pub tag: Tag,
    /// Its name; upkeep rules name it by this or by the tag.
    pub name: Name,
    /// What it is counted in: `pair`, `L`, `kg`.
    pub unit: Name,
    /// How long an order takes to come; not known unless given.
    pub lead_time: Option<Length>,
    /// What its reorder point comes from.
    pub reorder: ReorderPolicy,
    /// How long it keeps after it has come; for good unless given.
    pub shelf_life: Option<Span>,
}

impl StockItem {
    /// Whether people mean this item by a name: its tag or its name, in
    /// capitals or not.
    pub fn is_called(&self, name: &str) -> bool {
        self.tag.as_str().eq_ignore_ascii_case(name.trim()) || folded(self.name.as_str()) == folded(name)
    }

    /// How much of it a list of consumables takes; none where it is not named.
    pub fn taken_by(&self, consumables: &[Consumable]) -> Quantity {
        let named = consumables.iter().filter(|one| self.is_called(one.stock_item.as_str()));
        named.map(|one| Quantity::nearest(one.quantity.get())).sum()
    }
}

/// A name without regard to capitals.
pub fn folded(name: &str) -> String {
    name.trim().to_lowercase()
}

#[cfg(test)]
mod tests;
