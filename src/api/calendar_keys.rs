//! `/calendar-keys`.

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::IfMatch;
use super::crud;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::calendar_feeds::FeedOf;
use crate::domain::names::{Name, Reference};
use crate::domain::violations::{Check, Violations};
use crate::usecases::Error;
use crate::usecases::calendar_keys::{self, NewKey, ShownKey};
use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A key to be made.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"label": "Calendar on my telephone"}))]
pub(crate) struct CalendarKeyForm {
    /// What it is for.
    label: String,
    /// Id or tag of the box whose feed it opens; one's own feed unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    glovebox: Option<String>,
}

/// A key of a calendar feed.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0190f0a2-7000-7000-8000-00000000000c", "feed": "person",
    "of": "0190f0a2-7000-7000-8000-00000000000b", "of_tag": "ADA", "label": "Calendar on my telephone",
    "path": "/api/v1/calendars/people/0190f0a2-7000-7000-8000-00000000000b.ics",
    "key": "kq3vY0m9wX1n7cTz4bR8sLhJd2gPfE6uA5iOyVxQ0Zk", "made_by": "ada",
    "created_at": "2026-03-02T08:00:00Z", "last_used_at": null
}))]
pub(crate) struct CalendarKeyBody {
    /// Its id.
    id: Uuid,
    /// `glovebox` or `person`.
    feed: &'static str,
    /// The box or person.
    of: Uuid,
    /// Its tag.
    of_tag: Option<String>,
    /// What it is for.
    label: String,
    /// Where the feed is; the key is added as `?key=`.
    path: String,
    /// The key; only in the answer that makes it, since its hash alone is kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    key: Option<String>,
    /// The token subject of whoever made it.
    made_by: String,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was last used, to the hour.
    last_used_at: Option<DateTime<Utc>>,
}

impl From<&ShownKey> for CalendarKeyBody {
    fn from(shown: &ShownKey) -> Self {
        let (key, of) = (&shown.key.value, shown.key.value.of.thing().uuid());
        let path = match key.of {
            FeedOf::Glovebox(_) => {
                let named = shown.tag.clone().unwrap_or_else(|| of.to_string());
                format!("{}/calendars/gloveboxes/{named}.ics", super::BASE)
            }
            FeedOf::Person(_) => format!("{}/calendars/people/{of}.ics", super::BASE),
        };
        Self {
            id: shown.key.id,
            feed: key.of.word(),
            of,
            of_tag: shown.tag.clone(),
            label: key.label.to_string(),
            path,
            key: None,
            made_by: key.made_by.clone(),
            created_at: shown.key.created_at,
            last_used_at: key.last_used_at,
        }
    }
}

impl CalendarKeyForm {
    fn parse(&self) -> Result<(Name, Option<Reference>), Violations> {
        let mut check = Check::default();
        let label = check.field("label", Name::parse(&self.label));
        let glovebox =
            check.field("glovebox", self.glovebox.as_ref().map(|text| text.parse::<Reference>()).transpose());
        check.build(label.zip(glovebox), |parts| parts)
    }
}

fn id_of(text: &str) -> Result<Uuid, Problem> {
    text.parse().map_err(|_| Error::unknown("calendar_key", text).into())
}

/// Make a key that opens a calendar feed.
///
/// One's own feed, or with `facility:manage` that of a box. The key is in this answer and never again: only its
/// hash is kept. An answer given again for the same `Idempotency-Key` is without it.
#[utoipa::path(tag = "calendars", request_body = CalendarKeyForm,
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"]),
             ("token" = ["facility:manage"])),
    responses((status = 201, description = "The key", body = CalendarKeyBody)))]
#[post("/calendar-keys")]
async fn create_calendar_key(
    app: Api,
    caller: Caller,
    body: Body<CalendarKeyForm>,
) -> Result<HttpResponse, Problem> {
    let (label, glovebox) = body.value.parse().map_err(|faults| Problem::invalid(&faults))?;
    let NewKey { key, hash } = calendar_keys::fresh();
    let actor = caller.0;
    let who = actor.clone();
    let mut answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let shown = calendar_keys::make(tx, &who, now, glovebox.as_ref(), label.clone(), hash.clone())?;
            let view = CalendarKeyBody::from(&shown);
            Ok(crud::created("calendar-keys", shown.key.id, shown.key.version, &view))
        })
        .await?;
    // Added to what was kept of the answer, so that the key itself is never stored.
    if !answer.replayed
        && let Ok(Value::Object(mut view)) = serde_json::from_str(&answer.body)
    {
        view.insert("key".to_owned(), key.into());
        answer.body = Value::Object(view).to_string();
    }
    Ok(crud::respond(answer))
}

/// List the keys of one's own calendar feed; with `facility:manage` everybody's.
#[utoipa::path(tag = "calendars", params(PageQuery),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"]),
             ("token" = ["facility:manage"])),
    responses((status = 200, description = "A page of keys", body = Listing<CalendarKeyBody>)))]
#[get("/calendar-keys")]
async fn list_calendar_keys(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let page = query.0.parse()?;
    let found = app.query(move |tx, _| calendar_keys::list(tx, &caller.0, page.after, page.probe())).await?;
    let listing = Listing::new(found, page, |shown| shown.key.id.to_string());
    Ok(listing.map(|shown| CalendarKeyBody::from(shown)).answer(&request))
}

/// Show a key of a calendar feed, without the key itself.
#[utoipa::path(tag = "calendars", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"]),
             ("token" = ["facility:manage"])),
    responses((status = 200, description = "The key", body = CalendarKeyBody)))]
#[get("/calendar-keys/{id}")]
async fn get_calendar_key(app: Api, caller: Caller, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let shown = app.query(move |tx, _| calendar_keys::get(tx, &caller.0, id)).await?;
    Ok(crud::shown(shown.key.version, &CalendarKeyBody::from(&shown)))
}

/// Revoke a key: from now on it opens nothing.
#[utoipa::path(tag = "calendars", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"]),
             ("token" = ["facility:manage"])),
    responses((status = 204, description = "It was revoked")))]
#[delete("/calendar-keys/{id}")]
async fn revoke_calendar_key(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    app.command(move |tx, now| calendar_keys::revoke(tx, &caller.0, now, id, &if_match.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_calendar_key)
        .service(list_calendar_keys)
        .service(get_calendar_key)
        .service(revoke_calendar_key);
}
