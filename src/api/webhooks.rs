//! `/webhooks`: who is told of changes as they happen.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

mod views;

use super::Api;
use super::auth::Caller;
use super::body::{Body, once_key};
use super::changes::cursor;
use super::conditional::IfMatch;
use super::crud::{self, Form as _, merged, reference};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::calendar::duration::Length;
use crate::domain::facility::Scope;
use crate::domain::feed::{DeliveryState, Reach, Webhook};
use crate::domain::ids::{DeliveryId, WebhookId};
use crate::domain::violations::{Coded as _, Violation, Violations};
use crate::usecases::Error;
use crate::usecases::keep;
use crate::usecases::once::Answer;
use crate::usecases::webhooks::{self, Replay};
use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use views::{
    CreatedWebhookBody, DeliveryBody, ReplayBody, ReplayForm, RotatedBody, RotationForm, WebhookBody,
    WebhookForm,
};

/// The longest time for which two secrets sign, and the usual one.
const LONGEST_OVERLAP: &str = "P30D";
const USUAL_OVERLAP: &str = "P1D";

fn id_of(text: &str) -> Result<WebhookId, Problem> {
    text.parse().map_err(|_| Error::unknown("webhook", text).into())
}

/// Passes when the site lets messages go there.
fn reachable(reach: &Reach, webhook: Webhook) -> Result<Webhook, Violations> {
    match reach.admits_url(&webhook.url) {
        Ok(()) => Ok(webhook),
        Err(fault) => Err(Violation::new("url", fault.code(), fault.to_string()).into()),
    }
}

/// Set up a webhook.
///
/// From now on each change it wants is sent to it as a `CloudEvents` 1.0 event in JSON, signed as Standard Webhooks
/// 1.0.0 says. The `secret` is shown here only. A message counts as arrived when it is answered 2xx within 15 seconds;
/// otherwise it is sent again after 5 seconds, 5 minutes, 30 minutes, 2, 5, 10, 14, 20 and 24 hours.
/// After five days in which nothing arrived, or a 410, the webhook is switched off.
/// Messages may come twice or out of order: `id` tells one from another, `sequence` their order.
#[utoipa::path(tag = "changes", request_body = WebhookForm, security(("token" = ["facility:manage"])),
    responses((status = 201, description = "It was set up", body = CreatedWebhookBody)))]
#[post("/webhooks")]
async fn create_webhook(app: Api, caller: Caller, body: Body<WebhookForm>) -> Result<HttpResponse, Problem> {
    let (form, actor) = (body.value, caller.0);
    let (who, reach) = (actor.clone(), app.reach().clone());
    app.settle_feed(&actor, Scope::FacilityManage).await?;
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let (stored, secret) =
                webhooks::create(tx, &who, now, |context| reachable(&reach, form.parse(context, None)?))?;
            let view = CreatedWebhookBody::new(&stored, &secret);
            Ok(crud::created("webhooks", stored.id, stored.version, &view))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List the webhooks.
#[utoipa::path(tag = "changes", params(PageQuery), security(("token" = ["facility:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<WebhookBody>)))]
#[get("/webhooks")]
async fn list_webhooks(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    crud::list::<WebhookForm>(&app, caller.0, &request, &query.0).await
}

/// Show a webhook, without its secret.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:manage"])), responses((status = 200, description = "It", body = WebhookBody)))]
#[get("/webhooks/{id}")]
async fn get_webhook(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    crud::read::<WebhookForm>(&app, caller.0, &request, &id).await
}

/// Change a webhook by a JSON merge patch (RFC 7396).
///
/// Switched on again, it is sent what happened meanwhile.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")),
    request_body(content = WebhookForm, description = "The fields to change"),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "It, changed", body = WebhookBody)))]
#[patch("/webhooks/{id}")]
async fn patch_webhook(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let (reference, patch, reach) = (reference("webhook", &id)?, body.value, app.reach().clone());
    let stored = app
        .command(move |tx, now| {
            keep::change(tx, &caller.0, now, &reference, &if_match.0, |context, current: &Webhook| {
                let changed = merged::<WebhookForm>(current, &patch)?.parse(context, Some(current))?;
                reachable(&reach, changed)
            })
        })
        .await?;
    Ok(crud::shown(stored.version, &WebhookBody::from(&stored)))
}

/// Remove a webhook and the log of its deliveries.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:manage"])), responses((status = 204, description = "It was removed")))]
#[delete("/webhooks/{id}")]
async fn delete_webhook(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    crud::delete::<WebhookForm>(&app, caller.0, &id, if_match).await
}

/// Give a webhook a new secret, shown here only.
///
/// For a while (`overlap`, a day unless given) messages carry a signature by either secret.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")), request_body = RotationForm,
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "The new secret", body = RotatedBody)))]
#[post("/webhooks/{id}/secret-rotations")]
async fn rotate_webhook_secret(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<RotationForm>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let text = body.value.overlap.as_deref().unwrap_or(USUAL_OVERLAP);
    let overlap: Length =
        text.parse().map_err(|fault: crate::domain::calendar::duration::DurationError| {
            Problem::field("overlap", fault.code(), fault.to_string())
        })?;
    if LONGEST_OVERLAP.parse::<Length>().is_ok_and(|longest| overlap.delta() > longest.delta()) {
        return Err(Problem::field("overlap", "out_of_range", "must be at most P30D"));
    }
    let (secret, until) =
        app.command(move |tx, now| webhooks::rotate(tx, &caller.0, now, id, &if_match.0, overlap)).await?;
    Ok(HttpResponse::Ok().json(RotatedBody::new(&secret, until)))
}

/// Send a webhook a trial message, of type `drykeep.webhook.ping`.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:manage"])),
    responses((status = 201, description = "The delivery, to be looked at again in a moment", body = DeliveryBody)))]
#[post("/webhooks/{id}/pings")]
async fn ping_webhook(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let (once, actor) = (once_key(&request, &[])?, caller.0);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, once, move |tx, now| {
            let delivery = webhooks::ping(tx, &who, now, id)?;
            let place = format!("webhooks/{id}/deliveries");
            // A delivery changes without a version that a condition could name.
            Ok(Answer { etag: None, ..crud::created(&place, delivery.id, 1, &DeliveryBody::from(&delivery)) })
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Send messages to a webhook again.
///
/// Either one delivery, or everything that it wants after a cursor of `/changes`, a thousand events at a time.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id")), request_body = ReplayForm,
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "How many, and where to go on", body = ReplayBody)))]
#[post("/webhooks/{id}/replays")]
async fn replay_webhook(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    body: Body<ReplayForm>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let what = match (&body.value.after, &body.value.delivery) {
        (Some(after), None) => Replay::After(cursor("after", Some(after))?),
        (None, Some(text)) => Replay::One(
            text.parse().map_err(|_| Problem::field("delivery", "bad_id", "must be the id of a delivery"))?,
        ),
        (None, None) | (Some(_), Some(_)) => {
            return Err(Problem::field("after", "either_or", "give a cursor or a delivery, and not both"));
        }
    };
    let (deliveries, next) =
        app.command(move |tx, now| webhooks::replay(tx, &caller.0, now, id, &what)).await?;
    Ok(HttpResponse::Ok().json(ReplayBody { deliveries, next: next.map(|next| next.to_string()) }))
}

/// Which deliveries.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DeliveryQuery {
    /// In this state: `pending`, `delivered`, `failed`.
    state: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// List what was sent to a webhook and is to be sent, in the order it was put on the list.
///
/// What is done with is kept for thirty days.
#[utoipa::path(tag = "changes", params(("id" = String, Path, description = "Id"), DeliveryQuery),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<DeliveryBody>)))]
#[get("/webhooks/{id}/deliveries")]
async fn list_deliveries(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
    query: Params<DeliveryQuery>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let page = PageQuery { limit: query.0.limit.clone(), after: query.0.after.clone() }.parse()?;
    let state = match &query.0.state {
        None => None,
        Some(word) => Some(DeliveryState::from_word(word).ok_or_else(|| {
            Problem::field("state", "unknown_word", "must be pending, delivered or failed")
        })?),
    };
    let found = app
        .query(move |tx, _| webhooks::list_deliveries(tx, &caller.0, id, state, page.after, page.probe()))
        .await?;
    let listing = Listing::new(found, page, |delivery| delivery.id.to_string());
    Ok(listing.map(|delivery| DeliveryBody::from(delivery)).answer(&request))
}

/// Show what became of one message to a webhook.
#[utoipa::path(tag = "changes",
    params(("id" = String, Path, description = "Id of the webhook"),
        ("delivery" = String, Path, description = "Id of the delivery")),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "It", body = DeliveryBody)))]
#[get("/webhooks/{id}/deliveries/{delivery}")]
async fn get_delivery(
    app: Api,
    caller: Caller,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, Problem> {
    let webhook = id_of(&path.0)?;
    let id: DeliveryId = path.1.parse().map_err(|_| Error::unknown("delivery", &path.1))?;
    let delivery = app.query(move |tx, _| webhooks::delivery(tx, &caller.0, webhook, id)).await?;
    Ok(HttpResponse::Ok().json(DeliveryBody::from(&delivery)))
}

/// A kind of event.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({"type": "drykeep.booking.created", "description": "a booking was made"}))]
struct EventTypeBody {
    /// Its type.
    #[serde(rename = "type")]
    kind: String,
    /// What it tells.
    description: &'static str,
}

/// List the types of event there are.
#[utoipa::path(tag = "changes", security(("token" = ["facility:read"])),
    responses((status = 200, description = "All of them", body = Listing<EventTypeBody>)))]
#[get("/event-types")]
async fn list_event_types(caller: Caller, request: HttpRequest) -> Result<HttpResponse, Problem> {
    caller.0.needs(Scope::FacilityRead).map_err(Error::from)?;
    let types = crate::domain::feed::EVENT_TYPES
        .iter()
        .map(|(kind, description)| EventTypeBody { kind: crate::domain::feed::type_of(kind), description });
    Ok(Listing::whole(types.collect()).answer(&request))
}

/// Puts the routes on a scope.
pub(super) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_webhook)
        .service(list_webhooks)
        .service(get_webhook)
        .service(patch_webhook)
        .service(delete_webhook)
        .service(rotate_webhook_secret)
        .service(ping_webhook)
        .service(replay_webhook)
        .service(list_deliveries)
        .service(get_delivery)
        .service(list_event_types);
}
