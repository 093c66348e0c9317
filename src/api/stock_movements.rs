//! `/stock-items/{id}/movements`: what came, went, was ordered and was counted.

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::fields::{end_of_day, instant, word};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use super::{conditional, crud};
use crate::domain::facility::{ParseContext, Stored};
use crate::domain::names::{Name, Remark};
use crate::domain::upkeep::stock::{Draft, Kind, Movement, Quantity, StockItem, What};
use crate::domain::violations::{Check, Violations};
use crate::usecases::{Error, stock};
use actix_web::http::header::ETAG;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A movement of stock as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "kind": "received", "quantity": 6.0, "at": "2026-03-02T10:30:00Z", "expires": "2028-06-30", "order": "P-1042"
}))]
pub(crate) struct MovementForm {
    /// `received`, `used`, `ordered`, `order_withdrawn` (what is left of an
    /// order, or a part of it, will not come), `counted` (a stocktake: sets the
    /// level), `discarded`, or `reversed` (another movement was wrong and is
    /// undone).
    kind: String,
    /// How much, in the item's unit: all there is for a count; all that is
    /// outstanding unless given for an order withdrawn; never for a reversal.
    #[serde(default)]
    quantity: Option<f64>,
    /// When it happened; now unless given, and never later.
    #[serde(default)]
    at: Option<String>,
    /// `received`: until when the lot may be used, a day (to its end) or an
    /// instant; by the item's `shelf_life` unless given. `discarded`: the date
    /// of the lot; any lot unless given.
    #[serde(default)]
    expires: Option<String>,
    /// `ordered`: when it is expected, a day (to its end) or an instant; by the
    /// item's `lead_time` unless given.
    #[serde(default)]
    expected: Option<String>,
    /// `ordered`: what the order is called, up to 120 characters; unique within the item.
    #[serde(default)]
    number: Option<String>,
    /// `received`, `order_withdrawn`: the order that it fulfils or withdraws,
    /// by the movement's id or the order's number.
    #[serde(default)]
    order: Option<String>,
    /// `reversed`: the movement that was wrong.
    #[serde(default)]
    reverses: Option<Uuid>,
    /// A remark.
    #[serde(default)]
    remark: String,
}

impl MovementForm {
    /// When it says that it happened.
    pub(crate) fn at(&self) -> Option<DateTime<Utc>> {
        self.at.as_deref().and_then(|at| DateTime::parse_from_rfc3339(at).ok()).map(|at| at.to_utc())
    }

    /// Parses what the form alone shows.
    pub(crate) fn parse(
        &self,
        context: &mut dyn ParseContext,
        now: DateTime<Utc>,
    ) -> Result<Draft, Violations> {
        let mut check = Check::default();
        let kind = word(&mut check, "kind", &self.kind, Kind::ALL, Kind::word);
        let at = match &self.at {
            Some(at) => instant(&mut check, "at", at),
            None => Some(now),
        };
        if let Some(at) = at {
            check.require(at <= now, "at", "in_the_future", "must not be later than now");
            check.require(at.timestamp() >= 0, "at", "out_of_range", "must not be before 1970");
        }
        let mut day = |field, text: &Option<String>| match text {
            Some(text) => end_of_day(&mut check, context, field, text).map(Some),
            None => Some(None),
        };
        let expires = day("expires", &self.expires);
        let expected = day("expected", &self.expected);
        let number = check.field("number", self.number.as_deref().map(Name::parse).transpose());
        let remark = check.field("remark", Remark::parse(&self.remark));
        let parts = kind.zip(at).zip(expires).zip(expected).zip(number).zip(remark);
        check.build(parts, |(((((kind, at), expires), expected), number), remark)| Draft {
            kind,
            quantity: self.quantity,
            at,
            expires,
            expected,
            number,
            order: self.order.clone(),
            reverses: self.reverses,
            remark,
        })
    }
}

/// A movement of stock.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-00000000000e", "stock_item": "0199c5a0-0000-7000-8000-00000000000c",
    "stock_item_tag": "GLOVES-8", "kind": "received", "quantity": 6.0, "at": "2026-03-02T10:30:00Z",
    "expires": "2028-06-30T22:00:00Z", "expected": null, "number": null,
    "order": "0199c5a0-0000-7000-8000-00000000000d", "reverses": null, "service": null, "remark": "",
    "recorded_by": "keeper", "recorded_at": "2026-03-02T10:31:12Z"
}))]
pub(crate) struct MovementBody {
    /// Its id.
    id: Uuid,
    /// The stock item.
    stock_item: Uuid,
    /// Its tag.
    stock_item_tag: String,
    /// Its kind.
    kind: &'static str,
    /// How much, in the item's unit; null for a reversal.
    quantity: Option<f64>,
    /// When it happened.
    at: DateTime<Utc>,
    /// Until when the lot may be used.
    expires: Option<DateTime<Utc>>,
    /// When the order is expected.
    expected: Option<DateTime<Utc>>,
    /// What the order is called.
    number: Option<String>,
    /// The order that it fulfils or withdraws.
    order: Option<Uuid>,
    /// The movement that it undoes.
    reverses: Option<Uuid>,
    /// The service that used it.
    service: Option<Uuid>,
    /// A remark.
    remark: String,
    /// Who recorded it.
    recorded_by: String,
    /// When it was recorded.
    recorded_at: DateTime<Utc>,
}

impl MovementBody {
    fn of(item: &Stored<StockItem>, movement: &Movement) -> Self {
        let body = Self {
            id: movement.id.uuid(),
            stock_item: item.id,
            stock_item_tag: item.value.tag.to_string(),
            kind: movement.what.kind().word(),
            quantity: movement.what.quantity().map(Quantity::get),
            at: movement.at,
            expires: None,
            expected: None,
            number: None,
            order: None,
            reverses: None,
            service: None,
            remark: movement.remark.to_string(),
            recorded_by: movement.recorded_by.clone(),
            recorded_at: movement.recorded_at,
        };
        match &movement.what {
            What::Received { expires, order, .. } => {
                Self { expires: *expires, order: order.map(Into::into), ..body }
            }
            What::Used { service, .. } => Self { service: service.map(Into::into), ..body },
            What::Ordered { expected, number, .. } => {
                Self { expected: *expected, number: number.as_ref().map(ToString::to_string), ..body }
            }
            What::OrderWithdrawn { order, .. } => Self { order: Some(order.uuid()), ..body },
            What::Counted { .. } => body,
            What::Discarded { expires, .. } => Self { expires: *expires, ..body },
            What::Reversed { movement } => Self { reverses: Some(movement.uuid()), ..body },
        }
    }
}

/// Record a movement of stock.
///
/// What there is, lot by lot, and what is on order follow from the movements.
/// Used stock comes from the lots that expire first and are not past their
/// date. A movement is never changed: a wrong one is undone by a movement of
/// the kind `reversed` and recorded anew. More can be used than the record
/// says there is; the item then shows that the record must be wrong.
#[utoipa::path(tag = "stock", params(("id" = String, Path, description = "Id or tag of the item")),
    request_body = MovementForm, security(("token" = ["upkeep:manage"])),
    responses((status = 201, description = "It was recorded", body = MovementBody)))]
#[post("/stock-items/{id}/movements")]
async fn record_stock_movement(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    body: Body<MovementForm>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("stock_item", &id)?;
    let (actor, form) = (caller.0, body.value);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let (item, movement) =
                stock::record_movement(tx, &who, now, &reference, |context| form.parse(context, now))?;
            let path = format!("stock-items/{}/movements", item.id);
            Ok(crud::created(&path, movement.id, 1, &MovementBody::of(&item, &movement)))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List a stock item's movements, in the order they were recorded in.
#[utoipa::path(tag = "stock", params(("id" = String, Path, description = "Id or tag of the item"), PageQuery),
    security(("token" = ["facility:read"])),
    responses((status = 200, description = "A page of them", body = Listing<MovementBody>)))]
#[get("/stock-items/{id}/movements")]
async fn list_stock_movements(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("stock_item", &id)?;
    let page = query.0.parse()?;
    let (item, found) = app
        .query(move |tx, _| stock::list_movements(tx, &caller.0, &reference, page.after, page.probe()))
        .await?;
    let listing = Listing::new(found, page, |movement| movement.id.to_string());
    Ok(listing.map(|movement| MovementBody::of(&item, movement)).answer(&request))
}

/// Show a movement of stock.
#[utoipa::path(tag = "stock", params(("id" = String, Path, description = "Id or tag of the item"),
        ("movement" = String, Path, description = "Id of the movement")),
    security(("token" = ["facility:read"])),
    responses((status = 200, description = "It", body = MovementBody)))]
#[get("/stock-items/{id}/movements/{movement}")]
async fn get_stock_movement(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, Problem> {
    let (id, movement) = path.into_inner();
    let reference = crud::reference("stock_item", &id)?;
    let movement =
        Uuid::parse_str(&movement).map_err(|_| Error::unknown("stock_movement", movement.as_str()))?;
    let (item, found) =
        app.query(move |tx, _| stock::get_movement(tx, &caller.0, &reference, movement.into())).await?;
    // Movements never change.
    if conditional::none_match(&request, 1) {
        return Ok(HttpResponse::NotModified().insert_header((ETAG, conditional::etag(1))).finish());
    }
    Ok(crud::shown(1, &MovementBody::of(&item, &found)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(record_stock_movement).service(list_stock_movements).service(get_stock_movement);
}
