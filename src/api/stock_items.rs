//! `/stock-items`: consumables that the boxes share, as they are kept.

use super::crud::{Form, crud_routes};
use crate::domain::access::Actor;
use crate::domain::calendar::{Length, Span};
use crate::domain::facility::{ParseContext, Stored};
use crate::domain::names::{Name, Tag};
use crate::domain::upkeep::stock::{Level, Quantity, ReorderPolicy, ServiceLevel, StockItem};
use crate::domain::violations::{Check, Violations};
use crate::usecases::{Error, Tx, stock};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A stock item as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "GLOVES-8", "name": "glove pair", "unit": "pair", "lead_time": "P21D", "service_level": 0.95,
    "shelf_life": "P3Y"
}))]
pub(crate) struct StockItemForm {
    /// Tag on the shelf: 1 to 24 of A-Z, 0-9 and '-'.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: String,
    /// Name for people; the tag unless given. Upkeep rules name their
    /// consumables by this or by the tag, in capitals or not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// What it is counted in: `pair`, `L`, `kg`; `piece` unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    unit: Option<String>,
    /// How long an order takes to come (ISO 8601, exact: weeks, days, hours); not known unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lead_time: Option<String>,
    /// A reorder point of the site's own, in the item's unit. It takes the place of `service_level`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    minimum: Option<f64>,
    /// The share of lead times that the stock is to last through, 0.5 to
    /// 0.9999, from which the reorder point is worked out; 0.95 unless this or
    /// `minimum` is given (common practice).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    service_level: Option<f64>,
    /// How long it keeps after it has come (ISO 8601), where a lot says nothing
    /// else; for good unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    shelf_life: Option<String>,
}

/// Some of a stock item that keeps equally long.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "quantity": 4.0, "expires": "2028-06-30T22:00:00Z" }))]
pub(crate) struct LotBody {
    /// How much.
    quantity: f64,
    /// Until when it may be used; null where no date is known.
    expires: Option<DateTime<Utc>>,
}

/// A stock item.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct StockItemBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    item: StockItemForm,
    /// What there is by the record, in the item's unit, lots past their date
    /// included; below nought where more was taken than there was.
    on_hand: f64,
    /// What is still to come of all orders.
    on_order: f64,
    /// The earliest date among the lots, be it past; null where none has one.
    next_expiry: Option<DateTime<Utc>>,
    /// What there is, lot by lot, those that expire first in front.
    lots: Vec<LotBody>,
    /// When it was last counted.
    counted_at: Option<DateTime<Utc>>,
    /// When the record first fell below nought since the last count: a count
    /// or a movement must be wrong.
    below_nought_at: Option<DateTime<Utc>>,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed or moved.
    updated_at: DateTime<Utc>,
}

/// What an item is counted in unless its form says.
const UNIT: &str = "piece";

impl Form for StockItemForm {
    type Value = StockItem;
    type View = StockItemBody;
    const PATH: &'static str = "stock-items";

    fn parse(&self, _: &mut dyn ParseContext, _: Option<&StockItem>) -> Result<StockItem, Violations> {
        let mut check = Check::default();
        let tag = check.field("tag", Tag::parse(&self.tag));
        let name = match &self.name {
            Some(name) => check.field("name", Name::parse(name)),
            None => Name::parse(&self.tag).ok(),
        };
        let unit = check.field("unit", Name::parse(self.unit.as_deref().unwrap_or(UNIT)));
        let lead_time = check.field("lead_time", self.lead_time.as_deref().map(Length::parse).transpose());
        let shelf_life = check.field("shelf_life", self.shelf_life.as_deref().map(Span::parse).transpose());
        let reorder = self.reorder(&mut check);
        let parts = tag.zip(name).zip(unit).zip(lead_time).zip(shelf_life).zip(reorder);
        check.build(parts, |(((((tag, name), unit), lead_time), shelf_life), reorder)| StockItem {
            tag,
            name,
            unit,
            lead_time,
            reorder,
            shelf_life,
        })
    }

    fn of(item: &StockItem) -> Self {
        let (minimum, service_level) = match item.reorder {
            ReorderPolicy::Minimum(minimum) => (Some(minimum.get()), None),
            ReorderPolicy::ServiceLevel(level) => (None, Some(level.get())),
        };
        Self {
            tag: item.tag.to_string(),
            name: Some(item.name.to_string()),
            unit: Some(item.unit.to_string()),
            lead_time: item.lead_time.map(|length| length.to_string()),
            minimum,
            service_level,
            shelf_life: item.shelf_life.map(|span| span.to_string()),
        }
    }

    fn view(tx: &mut Tx<'_>, _: &Actor, stored: &Stored<StockItem>) -> Result<StockItemBody, Error> {
        let level = stock::level(tx, stored.id.into())?;
        Ok(StockItemBody::from(stored).at(&level))
    }
}

impl StockItemForm {
    /// By `minimum` where it is given, so that a change can name it alone.
    fn reorder(&self, check: &mut Check) -> Option<ReorderPolicy> {
        let level = self.service_level.map_or(Ok(ServiceLevel::USUAL), ServiceLevel::new);
        let level = check.field("service_level", level);
        match self.minimum {
            Some(minimum) => {
                check.field("minimum", Quantity::not_negative(minimum)).map(ReorderPolicy::Minimum)
            }
            None => level.map(ReorderPolicy::ServiceLevel),
        }
    }
}

impl StockItemBody {
    fn at(self, level: &Level) -> Self {
        let lot = |lot: &crate::domain::upkeep::stock::Lot| LotBody {
            quantity: lot.quantity.get(),
            expires: lot.expires,
        };
        Self {
            on_hand: level.on_hand().get(),
            on_order: level.on_order().get(),
            next_expiry: level.next_expiry(),
            lots: level.lots.as_slice().iter().map(lot).collect(),
            counted_at: level.counted_at,
            below_nought_at: level.below_nought_at,
            ..self
        }
    }
}

impl From<&Stored<StockItem>> for StockItemBody {
    fn from(stored: &Stored<StockItem>) -> Self {
        Self {
            id: stored.id,
            item: StockItemForm::of(&stored.value),
            on_hand: 0.0,
            on_order: 0.0,
            next_expiry: None,
            lots: Vec::new(),
            counted_at: None,
            below_nought_at: None,
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

crud_routes! {
    StockItemForm, StockItemBody, tag "stock", path "/stock-items", item "/stock-items/{id}",
    see "facility:read", change "upkeep:manage",
    create_stock_item "Add a stock item.",
    list_stock_items "List the stock items, with what there is of them.",
    get_stock_item "Show a stock item, with what there is of it.",
    patch_stock_item "Change a stock item by a JSON merge patch (RFC 7396).",
    delete_stock_item "Remove a stock item that was never moved.",
}
