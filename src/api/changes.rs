//! `/changes`: every change in order, for those who keep a copy.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::paging;
use super::params::Params;
use super::problem::Problem;
use crate::domain::facility::Scope;
use crate::domain::feed::{BadCursor, CloudEvent, Cursor};
use crate::domain::violations::Coded as _;
use crate::usecases::follow;
use actix_web::http::header::LINK;
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

/// Which part of the feed.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct FeedQuery {
    /// The `next` of the answer before; from the beginning unless given.
    after: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
}

/// A change as a `CloudEvents` 1.0 event.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "specversion": "1.0", "id": "5b1f0c7d9a0e4f0d8c1c6a52e7d3b9f4",
    "source": "urn:uuid:01935b5e-9d00-7a51-8f20-3f1f3d6a2b10", "type": "drykeep.booking.created",
    "subject": "01935b60-3c11-7c3e-9a77-5d2f8e9b4c21", "time": "2030-01-07T08:00:00Z",
    "datacontenttype": "application/json", "sequence": "0000000000000042",
    "data": {
        "version": 1, "glovebox": "01935b5f-1a2b-7d4c-8e6f-7a8b9c0d1e2f", "start": "2030-01-08T09:00:00Z",
        "end": "2030-01-08T12:00:00Z", "status": "confirmed", "progress": "booked"
    }
}))]
pub(crate) struct ChangeBody {
    /// Version of `CloudEvents`; `1.0`.
    specversion: &'static str,
    /// Names the event. Whoever has dealt with it before may pass over it.
    id: String,
    /// The facility, as a URN.
    source: String,
    /// What happened: `drykeep.`, the thing in the singular, and what became of it.
    #[serde(rename = "type")]
    kind: String,
    /// Id of the thing it happened to.
    subject: String,
    /// When.
    time: DateTime<Utc>,
    /// Media type of `data`; `application/json`.
    datacontenttype: &'static str,
    /// Sorts as text in the order of the feed.
    sequence: String,
    /// The facts that one needs to tell whether to fetch the thing: its `version`, and what its kind adds.
    #[schema(value_type = Object)]
    data: Value,
}

impl From<CloudEvent> for ChangeBody {
    fn from(event: CloudEvent) -> Self {
        let CloudEvent { specversion, id, source, kind, subject, time, datacontenttype, sequence, data } =
            event;
        Self { specversion, id, source, kind, subject, time, datacontenttype, sequence, data }
    }
}

/// A part of the feed.
#[derive(Debug, Clone, Serialize, ToSchema)]
struct ChangesBody {
    /// The changes, in the order in which they took effect.
    items: Vec<ChangeBody>,
    /// Where to go on, now or later; always given.
    next: String,
}

/// Follow every change, in order.
///
/// Ask again with `after` set to the `next` of the answer before: what comes was not told yet, nothing is left
/// out and nothing is told twice. `next` is always given, so one asks until `items` is empty and then again
/// after a while; a `Link` to the next part is there while more follows already.
/// Changes are told of, not shown: fetch the thing where its `version` is newer than the copy.
/// Changes are kept as long as the database is. Whose a booking is is told to its holder and with
/// `bookings:manage`; who made a change is told by the audit only.
#[utoipa::path(tag = "changes", params(FeedQuery), security(("token" = ["facility:read"])),
    responses((status = 200, description = "The changes after the cursor", body = ChangesBody)))]
#[get("/changes")]
async fn list_changes(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<FeedQuery>,
) -> Result<HttpResponse, Problem> {
    let limit = paging::limit(query.0.limit.as_deref())?;
    let after = cursor("after", query.0.after.as_deref())?;
    app.settle_feed(&caller.0, Scope::FacilityRead).await?;
    let limit = usize::try_from(limit).unwrap_or(500);
    let changes = app.query(move |tx, _| follow::changes(tx, &caller.0, &after, limit)).await?;
    let next = changes.next.to_string();
    let mut answer = HttpResponse::Ok();
    if changes.more {
        answer.insert_header((LINK, paging::next_link(&request, &next)));
    }
    let items = changes.events.into_iter().map(Into::into).collect();
    Ok(answer.json(ChangesBody { items, next }))
}

/// A cursor of the feed; the beginning unless given.
pub(crate) fn cursor(field: &str, text: Option<&str>) -> Result<Cursor, Problem> {
    let Some(text) = text else { return Ok(Cursor::start()) };
    text.parse().map_err(|bad: BadCursor| Problem::field(field, bad.code(), bad.to_string()))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(list_changes);
}
