//! `/calendars`: feeds for calendar programs, each opened by its own key.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::conditional;
use super::params::Params;
use super::problem::Problem;
use crate::domain::names::Reference;
use crate::usecases::Error;
use crate::usecases::calendar_feeds::{self, Asked};
use actix_web::http::header::{CACHE_CONTROL, ETAG};
use actix_web::{HttpRequest, HttpResponse, get, web};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// The key of a feed.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct KeyQuery {
    /// The key, as `POST /calendar-keys` gave it.
    #[serde(default)]
    key: String,
}

/// Subscribe to the calendar of a glovebox.
///
/// iCalendar (RFC 5545) with bookings and maintenance visits as events, those called off included for thirty
/// days; maintenance windows, transparent where they can be booked; and due items as to-dos. Whose bookings they
/// are and what for is left out. From thirty days back to the facility's booking horizon. A wrong or revoked key
/// and a box that does not exist are answered alike, 404.
#[utoipa::path(tag = "calendars", params(("tag" = String, Path, description = "Tag or id of the box"), KeyQuery),
    security(("calendar_key" = [])),
    responses((status = 200, description = "The calendar", body = String, content_type = "text/calendar",
                  headers(("ETag" = String, description = "Version of the text, for If-None-Match."))),
              (status = 304, description = "The caller has this version")))]
#[get("/calendars/gloveboxes/{tag}.ics")]
async fn glovebox_calendar(
    app: Api,
    request: HttpRequest,
    tag: web::Path<String>,
    query: Params<KeyQuery>,
) -> Result<HttpResponse, Problem> {
    feed(&app, &request, &tag, query.0, Asked::Glovebox).await
}

/// Subscribe to the calendar of a person.
///
/// iCalendar (RFC 5545) with the person's own bookings in full, those called off included for thirty days, and
/// the maintenance visits that the person attends. A wrong or revoked key and a person who does not exist are
/// answered alike, 404.
#[utoipa::path(tag = "calendars", params(("id" = String, Path, description = "Id or tag of the person"), KeyQuery),
    security(("calendar_key" = [])),
    responses((status = 200, description = "The calendar", body = String, content_type = "text/calendar",
                  headers(("ETag" = String, description = "Version of the text, for If-None-Match."))),
              (status = 304, description = "The caller has this version")))]
#[get("/calendars/people/{id}.ics")]
async fn person_calendar(
    app: Api,
    request: HttpRequest,
    id: web::Path<String>,
    query: Params<KeyQuery>,
) -> Result<HttpResponse, Problem> {
    feed(&app, &request, &id, query.0, Asked::Person).await
}

async fn feed(
    app: &Api,
    request: &HttpRequest,
    named: &str,
    query: KeyQuery,
    asked: fn(Reference) -> Asked,
) -> Result<HttpResponse, Problem> {
    let reference = named.parse().map_err(|_| Error::unknown("calendar with this key:", named))?;
    let asked = asked(reference);
    let feed = app.query(move |tx, now| calendar_feeds::open(tx, now, &asked, &query.key)).await?;
    if let Some(key) = feed.to_be_noted {
        app.command(move |tx, now| calendar_feeds::note_use(tx, now, key)).await?;
    }
    let etag = conditional::etag_of(feed.text.as_bytes());
    let known = conditional::names(request, &etag);
    let mut answer = if known { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    // The address holds the key, so no shared cache may keep the answer.
    answer.insert_header((ETAG, etag)).insert_header((CACHE_CONTROL, "private, no-cache"));
    if known {
        return Ok(answer.finish());
    }
    Ok(answer.content_type(super::ICALENDAR).body(feed.text))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(glovebox_calendar).service(person_calendar);
}
