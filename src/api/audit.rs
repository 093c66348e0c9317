//! `/audit`: who did what, when, and what it was before and after.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::changes::cursor;
use super::fields::instant;
use super::paging;
use super::params::Params;
use super::problem::Problem;
use crate::domain::facility::Scope;
use crate::domain::feed::{Event, type_of};
use crate::domain::names::Reference;
use crate::domain::violations::{Check, Violations};
use crate::usecases::follow::{self, AuditQuery};
use actix_web::http::header::LINK;
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Which events.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct Query {
    /// To this thing, by id or tag. What was removed is found by its id only.
    subject: Option<String>,
    /// By whoever has this token subject.
    actor: Option<String>,
    /// Not before this.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Before this.
    #[param(format = DateTime)]
    to: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
}

impl Query {
    fn parse(&self) -> Result<AuditQuery, Violations> {
        let mut check = Check::default();
        let subject =
            self.subject.as_ref().and_then(|text| check.field("subject", text.parse::<Reference>()));
        let from = self.from.as_ref().and_then(|text| instant(&mut check, "from", text));
        let to = self.to.as_ref().and_then(|text| instant(&mut check, "to", text));
        check.finish(|| AuditQuery { subject, actor: self.actor.clone(), from, to })
    }
}

/// Something that somebody did.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "5b1f0c7d9a0e4f0d8c1c6a52e7d3b9f4", "at": "2030-01-07T08:00:00Z", "actor": "keeper",
    "type": "drykeep.room.changed", "subject": "01935b5f-0d1e-7b2c-9d3e-4f5a6b7c8d9e",
    "data": {"version": 2, "tag": "LAB-1"},
    "before": {"tag": "LAB-1", "name": "Synthesis laboratory", "volume_m3": 180.0, "air_changes_per_hour": 8.0, "oxygen_monitor": true},
    "after": {"tag": "LAB-1", "name": "Synthesis laboratory", "volume_m3": 175.5, "air_changes_per_hour": 8.0, "oxygen_monitor": true}
}))]
struct AuditBody {
    /// Id of the event, as in the feed of changes.
    id: String,
    /// When.
    at: DateTime<Utc>,
    /// Token subject of whoever did it; `operator` for the command line and what the service does by itself.
    actor: String,
    /// What was done.
    #[serde(rename = "type")]
    kind: String,
    /// Id of the thing it was done to.
    subject: Uuid,
    /// The facts, as in the feed of changes.
    #[schema(value_type = Object)]
    data: Map<String, Value>,
    /// The thing as it was before, as it is kept; null where there was none, or where it was not noted.
    #[schema(value_type = Option<Object>)]
    before: Option<Value>,
    /// The thing as it was after, as it is kept; null where there is none, or where it was not noted.
    #[schema(value_type = Option<Object>)]
    after: Option<Value>,
}

impl From<&Event> for AuditBody {
    fn from(event: &Event) -> Self {
        Self {
            id: event.id.clone(),
            at: event.at,
            actor: event.actor.clone(),
            kind: type_of(&event.kind),
            subject: event.subject,
            data: event.facts(),
            before: event.before().cloned(),
            after: event.after().cloned(),
        }
    }
}

/// A page of the audit.
#[derive(Debug, Clone, Serialize, ToSchema)]
struct AuditPage {
    /// What was done, in the order in which it took effect.
    items: Vec<AuditBody>,
    /// The cursor of the next page; null on the last.
    next: Option<String>,
}

/// See who did what, when, and what it was before and after.
///
/// What is written here is never changed or deleted: the database refuses it.
#[utoipa::path(tag = "changes", params(Query), security(("token" = ["facility:manage"])),
    responses((status = 200, description = "A page of what was done", body = AuditPage)))]
#[get("/audit")]
async fn list_audit(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<Query>,
) -> Result<HttpResponse, Problem> {
    let wanted = query.0.parse().map_err(|faults| Problem::invalid(&faults))?;
    let limit = paging::limit(query.0.limit.as_deref())?;
    let after = cursor("after", query.0.after.as_deref())?;
    app.settle_feed(&caller.0, Scope::FacilityManage).await?;
    let mut events = app.query(move |tx, _| follow::audit(tx, &caller.0, &wanted, &after, limit + 1)).await?;
    let limit = usize::try_from(limit).unwrap_or(500);
    let more = events.len() > limit;
    events.truncate(limit);
    let next = events.last().filter(|_| more).map(|last| last.cursor().to_string());
    let mut answer = HttpResponse::Ok();
    if let Some(next) = &next {
        answer.insert_header((LINK, paging::next_link(&request, next)));
    }
    Ok(answer.json(AuditPage { items: events.iter().map(Into::into).collect(), next }))
}

/// Puts the routes on a scope.
pub(super) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(list_audit);
}
