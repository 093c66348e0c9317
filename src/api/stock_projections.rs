//! `/stock-items/{id}/projection`: what there will be of an item, and by when
//! to order.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::crud;
use super::due_items::EvidenceBody;
use super::fields::instant;
use super::params::Params;
use super::problem::Problem;
use crate::domain::facility::Stored;
use crate::domain::upkeep::stock::projection::Line;
use crate::domain::upkeep::stock::{Projection, Quantity, StockItem};
use crate::domain::violations::Check;
use crate::usecases::stock;
use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A line of an outlook.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "at": "2026-03-31T08:00:00Z", "kind": "use", "change": -1.0, "balance": 1.0, "why": "glove_change on LYNX/S1",
    "due_item": "0199c5a0-0000-7000-8000-000000000004", "order": null
}))]
pub(crate) struct LineBody {
    /// When.
    at: DateTime<Utc>,
    /// `on_hand` (at the outset), `expiry` (a lot is past its date), `arrival`
    /// (an order comes) or `use` (planned upkeep takes some).
    kind: &'static str,
    /// What is added, or taken where below nought.
    change: f64,
    /// What is there afterwards and may be used; below nought where something is short.
    balance: f64,
    /// Why.
    why: String,
    /// The due item that takes some.
    due_item: Option<Uuid>,
    /// The order that comes.
    order: Option<Uuid>,
}

impl From<&Line> for LineBody {
    fn from(line: &Line) -> Self {
        Self {
            at: line.at,
            kind: line.kind.word(),
            change: line.change.get(),
            balance: line.balance.get(),
            why: line.why.clone(),
            due_item: line.due_item.map(Into::into),
            order: line.order.map(Into::into),
        }
    }
}

/// A lot that is past its date before it would be used.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "quantity": 2.0, "expires": "2026-06-30T22:00:00Z" }))]
pub(crate) struct WastedBody {
    /// How much of it.
    quantity: f64,
    /// Its date.
    expires: DateTime<Utc>,
}

/// The reorder point.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "point": 3.2, "position": 2.0, "reached": true, "reason": null }))]
pub(crate) struct ReorderBody {
    /// Order more once there is no more than this, usable and on order; null
    /// where the record does not tell.
    point: Option<f64>,
    /// What is usable and on order now.
    position: f64,
    /// Whether the point is reached.
    reached: bool,
    /// Why there is no point.
    reason: Option<String>,
}

/// What there will be of a stock item.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "stock_item": "0199c5a0-0000-7000-8000-00000000000c", "tag": "GLOVES-8", "unit": "pair",
    "computed_at": "2026-03-02T06:00:00Z", "until": "2027-03-02T06:00:00Z",
    "on_hand": 2.0, "usable": 2.0, "on_order": 0.0,
    "lines": [
        { "at": "2026-03-02T06:00:00Z", "kind": "on_hand", "change": 2.0, "balance": 2.0, "why": "on hand",
          "due_item": null, "order": null },
        { "at": "2026-03-31T08:00:00Z", "kind": "use", "change": -1.0, "balance": 1.0,
          "why": "glove_change on LYNX/S1", "due_item": "0199c5a0-0000-7000-8000-000000000004", "order": null }
    ],
    "first_shortfall": null, "quantity_short": null, "most_short": null,
    "order_by": null, "order_now": false, "reason": "nothing is short before 2 Mar 2027",
    "wasted": [],
    "reorder": { "point": null, "position": 2.0, "reached": false, "reason": "nothing of it is on record" },
    "cautions": [],
    "evidence": { "model": "time-phased record", "source": "inventory texts", "readings": null, "parameters": [],
        "notes": ["glove_change on LYNX/S1: likely due 31 Mar 2026, then every 365 days: from the last service, or entry, to that date"] }
}))]
pub(crate) struct ProjectionBody {
    /// The stock item.
    stock_item: Uuid,
    /// Its tag.
    tag: String,
    /// What it is counted in.
    unit: String,
    /// The moment it was worked out for.
    computed_at: DateTime<Utc>,
    /// How far it looks; nearer than asked where more is planned than is looked at.
    until: DateTime<Utc>,
    /// What there is by the record, lots past their date included.
    on_hand: f64,
    /// What there is that may still be used.
    usable: f64,
    /// What is on order.
    on_order: f64,
    /// What happens, in order of time; what is past its date never counts.
    lines: Vec<LineBody>,
    /// When something is short for the first time; null where nothing is.
    first_shortfall: Option<DateTime<Utc>>,
    /// How much is short then.
    quantity_short: Option<f64>,
    /// The most that is short at any time of the outlook.
    most_short: Option<f64>,
    /// By when to have ordered: the lead time before the first shortfall.
    order_by: Option<DateTime<Utc>>,
    /// Whether to order now: that date has come, or something is short already.
    order_now: bool,
    /// Why there is no date to have ordered by.
    reason: Option<String>,
    /// Lots that are past their date, or will be before they would be used.
    wasted: Vec<WastedBody>,
    /// The reorder point: by the site's own minimum, or mean use over the lead
    /// time + z·σ·√(lead time) from the use on record.
    reorder: ReorderBody,
    /// What to look into.
    cautions: Vec<String>,
    /// What it rests on.
    evidence: EvidenceBody,
}

impl ProjectionBody {
    fn of(item: &Stored<StockItem>, outlook: &Projection) -> Self {
        Self {
            stock_item: item.id,
            tag: item.value.tag.to_string(),
            unit: item.value.unit.to_string(),
            computed_at: outlook.computed_at,
            until: outlook.until,
            on_hand: outlook.on_hand.get(),
            usable: outlook.usable.get(),
            on_order: outlook.on_order.get(),
            lines: outlook.lines.iter().map(Into::into).collect(),
            first_shortfall: outlook.first_shortfall,
            quantity_short: outlook.quantity_short.map(Quantity::get),
            most_short: outlook.most_short.map(Quantity::get),
            order_by: outlook.order_by,
            order_now: outlook.order_now,
            reason: outlook.reason.clone(),
            wasted: outlook
                .wasted
                .iter()
                .map(|lot| WastedBody { quantity: lot.quantity.get(), expires: lot.expires })
                .collect(),
            reorder: ReorderBody {
                point: outlook.reorder.point,
                position: (outlook.usable + outlook.on_order).get(),
                reached: outlook.reorder_reached,
                reason: outlook.reorder.reason.clone(),
            },
            cautions: outlook.cautions.clone(),
            evidence: (&outlook.evidence).into(),
        }
    }
}

/// Query of an outlook.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct ProjectionQuery {
    /// How far to look, RFC 3339; a year ahead unless given, at most three.
    until: Option<String>,
}

/// Show what there will be of a stock item, and by when to order.
///
/// Every due item whose rule takes some of the item and that has a likely date
/// counts then, what is overdue now, and again each time its own cycle has
/// passed: the time from the last service, or from the part's entry, to the
/// likely date. Orders count when they are expected, and not after that
/// until they have come.
#[utoipa::path(tag = "stock",
    params(("id" = String, Path, description = "Id or tag of the item"), ProjectionQuery),
    security(("token" = ["facility:read"])),
    responses((status = 200, description = "The outlook", body = ProjectionBody)))]
#[get("/stock-items/{id}/projection")]
async fn project_stock_item(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    query: Params<ProjectionQuery>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("stock_item", &id)?;
    let mut check = Check::default();
    let until = match &query.0.until {
        Some(text) => instant(&mut check, "until", text).map(Some),
        None => Some(None),
    };
    let until = check.build(until, |until| until).map_err(|faults| Problem::invalid(&faults))?;
    let (item, outlook) =
        app.query(move |tx, now| stock::projection(tx, &caller.0, now, &reference, until)).await?;
    Ok(HttpResponse::Ok().json(ProjectionBody::of(&item, &outlook)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(project_stock_item);
}
