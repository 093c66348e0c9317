//! Stock items, and their movements, which are only ever added.

use super::Tx;
use super::error::{StoreError, StoreResult};
use super::kept::one_row;
use super::schema::{stock_items, stock_movements};
use super::things::{checked, uuid};
use crate::domain::calendar::{Length, Span};
use crate::domain::facility::{Stored, ThingKind};
use crate::domain::ids::{MovementId, ServiceId, StockItemId};
use crate::domain::names::{Name, Remark, Tag};
use crate::domain::upkeep::stock::{Kind, Movement, Quantity, ReorderPolicy, ServiceLevel, StockItem, What};
use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use uuid::Uuid;

#[derive(Queryable, Insertable, AsChangeset, serde::Serialize)]
#[diesel(table_name = stock_items, treat_none_as_null = true)]
struct ItemRow {
    id: String,
    tag: String,
    name: String,
    unit: String,
    lead_time: Option<String>,
    minimum: Option<f64>,
    service_level: Option<f64>,
    shelf_life: Option<String>,
    version: i32,
    created_at: NaiveDateTime,
    updated_at: NaiveDateTime,
}

impl From<&Stored<StockItem>> for ItemRow {
    fn from(stored: &Stored<StockItem>) -> Self {
        let item = &stored.value;
        let (minimum, service_level) = match item.reorder {
            ReorderPolicy::Minimum(minimum) => (Some(minimum.get()), None),
            ReorderPolicy::ServiceLevel(level) => (None, Some(level.get())),
        };
        Self {
            id: stored.id.to_string(),
            tag: item.tag.to_string(),
            name: item.name.to_string(),
            unit: item.unit.to_string(),
            lead_time: item.lead_time.map(|length| length.to_string()),
            minimum,
            service_level,
            shelf_life: item.shelf_life.map(|span| span.to_string()),
            version: stored.version,
            created_at: stored.created_at.naive_utc(),
            updated_at: stored.updated_at.naive_utc(),
        }
    }
}

impl TryFrom<ItemRow> for Stored<StockItem> {
    type Error = StoreError;

    fn try_from(row: ItemRow) -> StoreResult<Self> {
        let reorder = match (row.minimum, row.service_level) {
            (Some(minimum), _) => ReorderPolicy::Minimum(Quantity::nearest(minimum)),
            (None, Some(level)) => {
                ReorderPolicy::ServiceLevel(checked("stock_items.service_level", ServiceLevel::new(level))?)
            }
            (None, None) => return Err(StoreError::corrupt("stock_items.service_level", "it is missing")),
        };
        let lead_time = row.lead_time.as_deref().map(Length::parse).transpose();
        let shelf_life = row.shelf_life.as_deref().map(Span::parse).transpose();
        let value = StockItem {
            tag: checked("stock_items.tag", Tag::parse(&row.tag))?,
            name: checked("stock_items.name", Name::parse(&row.name))?,
            unit: checked("stock_items.unit", Name::parse(&row.unit))?,
            lead_time: checked("stock_items.lead_time", lead_time)?,
            reorder,
            shelf_life: checked("stock_items.shelf_life", shelf_life)?,
        };
        Ok(Self {
            id: uuid("stock_items.id", &row.id)?,
            version: row.version,
            created_at: row.created_at.and_utc(),
            updated_at: row.updated_at.and_utc(),
            value,
        })
    }
}

one_row!(StockItem, "stock_item", Some(ThingKind::StockItem), ItemRow, stock_items, |item| Some(&item.tag));

/// Every item, in order of id.
pub(crate) fn all(tx: &mut Tx<'_>) -> StoreResult<Vec<Stored<StockItem>>> {
    let rows: Vec<ItemRow> = stock_items::table.order(stock_items::id).load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

#[derive(Queryable, Insertable)]
#[diesel(table_name = stock_movements)]
struct MovementRow {
    id: String,
    stock_item_id: String,
    kind: String,
    quantity: Option<f64>,
    at: NaiveDateTime,
    expires_at: Option<NaiveDateTime>,
    expected_at: Option<NaiveDateTime>,
    number: Option<String>,
    order_id: Option<String>,
    reverses_id: Option<String>,
    service_id: Option<String>,
    remark: String,
    recorded_by: String,
    recorded_at: NaiveDateTime,
}

impl MovementRow {
    fn of(item: StockItemId, movement: &Movement) -> Self {
        let row = Self {
            id: movement.id.to_string(),
            stock_item_id: item.to_string(),
            kind: movement.what.kind().word().to_owned(),
            quantity: movement.what.quantity().map(Quantity::get),
            at: movement.at.naive_utc(),
            expires_at: None,
            expected_at: None,
            number: None,
            order_id: None,
            reverses_id: None,
            service_id: None,
            remark: movement.remark.to_string(),
            recorded_by: movement.recorded_by.clone(),
            recorded_at: movement.recorded_at.naive_utc(),
        };
        let naive = |at: &Option<DateTime<Utc>>| at.map(|at| at.naive_utc());
        match &movement.what {
            What::Received { expires, order, .. } => {
                Self { expires_at: naive(expires), order_id: order.map(|id| id.to_string()), ..row }
            }
            What::Used { service, .. } => Self { service_id: service.map(|id| id.to_string()), ..row },
            What::Ordered { expected, number, .. } => {
                Self { expected_at: naive(expected), number: number.as_ref().map(ToString::to_string), ..row }
            }
            What::OrderWithdrawn { order, .. } => Self { order_id: Some(order.to_string()), ..row },
            What::Counted { .. } => row,
            What::Discarded { expires, .. } => Self { expires_at: naive(expires), ..row },
            What::Reversed { movement } => Self { reverses_id: Some(movement.to_string()), ..row },
        }
    }

    fn what(&self) -> StoreResult<What> {
        let corrupt = |what| StoreError::corrupt(what, "it is missing or no known word");
        let quantity = self.quantity.map(Quantity::nearest).ok_or(corrupt("stock_movements.quantity"));
        let id = |what, text: &Option<String>| -> StoreResult<Option<Uuid>> {
            text.as_deref().map(|text| uuid(what, text)).transpose()
        };
        let order = id("stock_movements.order_id", &self.order_id)?;
        let utc = |at: Option<NaiveDateTime>| at.map(|at| at.and_utc());
        Ok(match Kind::from_word(&self.kind).ok_or(corrupt("stock_movements.kind"))? {
            Kind::Received => What::Received {
                quantity: quantity?,
                expires: utc(self.expires_at),
                order: order.map(Into::into),
            },
            Kind::Used => What::Used {
                quantity: quantity?,
                service: id("stock_movements.service_id", &self.service_id)?.map(Into::into),
            },
            Kind::Ordered => What::Ordered {
                quantity: quantity?,
                expected: utc(self.expected_at),
                number: checked(
                    "stock_movements.number",
                    self.number.as_deref().map(Name::parse).transpose(),
                )?,
            },
            Kind::OrderWithdrawn => What::OrderWithdrawn {
                quantity: quantity?,
                order: order.ok_or(corrupt("stock_movements.order_id"))?.into(),
            },
            Kind::Counted => What::Counted { quantity: quantity? },
            Kind::Discarded => What::Discarded { quantity: quantity?, expires: utc(self.expires_at) },
            Kind::Reversed => What::Reversed {
                movement: id("stock_movements.reverses_id", &self.reverses_id)?
                    .ok_or(corrupt("stock_movements.reverses_id"))?
                    .into(),
            },
        })
    }
}

impl TryFrom<MovementRow> for Movement {
    type Error = StoreError;

    fn try_from(row: MovementRow) -> StoreResult<Self> {
        Ok(Self {
            id: uuid("stock_movements.id", &row.id)?.into(),
            what: row.what()?,
            at: row.at.and_utc(),
            remark: checked("stock_movements.remark", Remark::parse(&row.remark))?,
            recorded_by: row.recorded_by,
            recorded_at: row.recorded_at.and_utc(),
        })
    }
}

/// Adds a movement of an item.
pub(crate) fn add(tx: &mut Tx<'_>, item: StockItemId, movement: &Movement) -> StoreResult<()> {
    let row = MovementRow::of(item, movement);
    diesel::insert_into(stock_movements::table).values(&row).execute(tx.db())?;
    Ok(())
}

/// All movements of an item, in the order they were recorded in.
pub(crate) fn movements(tx: &mut Tx<'_>, item: StockItemId) -> StoreResult<Vec<Movement>> {
    let rows: Vec<MovementRow> = stock_movements::table
        .filter(stock_movements::stock_item_id.eq(item.to_string()))
        .order(stock_movements::id)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The movement of an item of that id.
pub(crate) fn movement(tx: &mut Tx<'_>, item: StockItemId, id: MovementId) -> StoreResult<Option<Movement>> {
    let row: Option<MovementRow> = stock_movements::table
        .find(id.to_string())
        .filter(stock_movements::stock_item_id.eq(item.to_string()))
        .first(tx.db())
        .optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Up to `limit` movements of an item in the order they were recorded in,
/// after the one of id `after`.
pub(crate) fn page_of(
    tx: &mut Tx<'_>,
    item: StockItemId,
    after: Option<Uuid>,
    limit: i64,
) -> StoreResult<Vec<Movement>> {
    let after = after.map(|id| id.to_string()).unwrap_or_default();
    let rows: Vec<MovementRow> = stock_movements::table
        .filter(stock_movements::stock_item_id.eq(item.to_string()))
        .filter(stock_movements::id.gt(after))
        .order(stock_movements::id)
        .limit(limit)
        .load(tx.db())?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// What a service used, with the item, in the order it was recorded in.
pub(crate) fn used_by(tx: &mut Tx<'_>, service: ServiceId) -> StoreResult<Vec<(StockItemId, Movement)>> {
    let rows: Vec<MovementRow> = stock_movements::table
        .filter(stock_movements::service_id.eq(service.to_string()))
        .order((stock_movements::stock_item_id, stock_movements::id))
        .load(tx.db())?;
    rows.into_iter()
        .map(|row| {
            let item = uuid("stock_movements.stock_item_id", &row.stock_item_id)?;
            Ok((item.into(), row.try_into()?))
        })
        .collect()
}
