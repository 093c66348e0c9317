//! `/holds`.

#![expect(unused_qualifications, reason = "utoipa qualifies the query types of params(…)")]

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::{self, IfMatch};
use super::crud;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::facility::{ParseContext, ThingKind};
use crate::domain::ids::{GloveboxId, HoldId, ThingId};
use crate::domain::names::{Reference, Remark};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::Error;
use crate::usecases::holds::{self, ShownHold};
use actix_web::http::header::ETAG;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A hold as a person opens it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "glovebox": "LYNX", "part": "LYNX/LARGE", "reason": "The outer door does not seal."
}))]
struct HoldForm {
    /// The box: id or tag.
    glovebox: String,
    /// The station, antechamber or instrument of the box that is closed: id,
    /// tag, or `BOX/PART`. The whole box unless given.
    #[serde(default)]
    part: Option<String>,
    /// Why, in a sentence; up to 2000 characters.
    reason: String,
}

/// What is said on releasing a hold.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "remark": "Door seal changed, leak test passed." }))]
struct ReleaseForm {
    /// What was found and done; up to 2000 characters.
    #[serde(default)]
    remark: String,
}

/// The end of a hold.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "by": "keeper", "at": "2026-03-02T15:00:00Z", "remark": "Door seal changed, leak test passed."
}))]
struct ReleaseBody {
    /// The token subject of whoever released it.
    by: String,
    /// When.
    at: DateTime<Utc>,
    /// What was found and done.
    remark: String,
}

/// A box, or part of it, closed to use until released.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0190f0a2-7d10-7000-8000-000000000001",
    "glovebox": "0190f0a2-7d10-7000-8000-000000000002", "glovebox_tag": "LYNX",
    "part": null, "part_tag": null, "source": "reading",
    "reason": "oxygen_ppm read 140 ppm, at or past the action level of 100 ppm",
    "evidence": {"quantity": "oxygen_ppm", "value": 140.0, "limit": 100.0, "unit": "ppm",
                 "at": "2026-03-02T11:00:00Z", "sensor": "o2-1"},
    "opened_by": "gateway", "opened_at": "2026-03-02T11:00:04Z",
    "open": true, "released": null, "bookings": [],
    "created_at": "2026-03-02T11:00:04Z", "updated_at": "2026-03-02T11:00:04Z"
}))]
pub(crate) struct HoldBody {
    /// Its id.
    id: Uuid,
    /// The box.
    glovebox: Uuid,
    /// Tag of the box.
    glovebox_tag: Option<String>,
    /// The part of the box that is closed; null for the whole box.
    part: Option<Uuid>,
    /// Tag of the part.
    part_tag: Option<String>,
    /// What opened it: `reading`, `leak_test` or `person`.
    source: &'static str,
    /// Why, in a sentence.
    reason: String,
    /// What it rests on; for a reading its quantity, value and the action level.
    #[schema(value_type = Object)]
    evidence: Value,
    /// The token subject of whoever opened it, or sent the reading that did.
    opened_by: String,
    /// Since when.
    opened_at: DateTime<Utc>,
    /// Whether it still closes the box.
    open: bool,
    /// Its end, once released.
    released: Option<ReleaseBody>,
    /// The bookings that are tentative because of it.
    bookings: Vec<Uuid>,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl From<&ShownHold> for HoldBody {
    fn from(shown: &ShownHold) -> Self {
        let hold = &shown.hold.value;
        Self {
            id: shown.hold.id,
            glovebox: hold.glovebox.uuid(),
            glovebox_tag: shown.glovebox_tag.as_ref().map(ToString::to_string),
            part: hold.part.map(ThingId::uuid),
            part_tag: shown.part_tag.as_ref().map(ToString::to_string),
            source: hold.source.word(),
            reason: hold.reason.to_string(),
            evidence: hold.evidence.clone(),
            opened_by: hold.opened_by.clone(),
            opened_at: hold.opened_at,
            open: hold.is_open(),
            released: hold.released.as_ref().map(|release| ReleaseBody {
                by: release.by.clone(),
                at: release.at,
                remark: release.remark.to_string(),
            }),
            bookings: shown.bookings.clone(),
            created_at: shown.hold.created_at,
            updated_at: shown.hold.updated_at,
        }
    }
}

/// Query of the list of holds.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct HoldQuery {
    /// Those of this box only: id or tag.
    glovebox: Option<String>,
    /// `true` for the open ones only, `false` for the released ones only.
    #[param(value_type = Option<bool>)]
    open: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// The kinds of part that a hold may close on their own.
const PARTS: [ThingKind; 3] = [ThingKind::Station, ThingKind::Antechamber, ThingKind::Instrument];

impl HoldForm {
    fn parse(
        &self,
        context: &mut dyn ParseContext,
    ) -> Result<(GloveboxId, Option<ThingId>, Remark), Violations> {
        let mut check = Check::default();
        let reason = check.field("reason", Remark::parse(&self.reason));
        check.require(!self.reason.trim().is_empty(), "reason", "empty", "must not be empty");
        let glovebox = check.field("glovebox", self.glovebox.parse::<Reference>()).and_then(|reference| {
            let found = context.find(ThingKind::Glovebox, None, &reference);
            check.require(found.is_some(), "glovebox", "unknown_reference", "there is no such glovebox");
            found
        });
        let part = match (&self.part, glovebox) {
            (Some(text), Some(glovebox)) => check.part("", part_of(context, glovebox, text)),
            (Some(_), None) | (None, _) => None,
        };
        check.build(glovebox.zip(reason), |(glovebox, reason)| {
            (glovebox.into(), part.map(ThingId::from), reason)
        })
    }
}

fn part_of(context: &mut dyn ParseContext, glovebox: Uuid, text: &str) -> Result<Uuid, Violations> {
    let unknown = || {
        let detail = "the box has no station, antechamber or instrument of this id or tag";
        Violations::from(Violation::new("part", "unknown_reference", detail))
    };
    let reference: Reference = text.parse().map_err(|_| unknown())?;
    PARTS.iter().find_map(|kind| context.find(*kind, Some(glovebox), &reference)).ok_or_else(unknown)
}

fn hold_id(text: &str) -> Result<HoldId, Problem> {
    text.parse().map_err(|_| Error::unknown("hold", text).into())
}

/// Close a box, or part of it, to use.
///
/// The bookings it affects, those booked or in use that have not ended and
/// that use what is closed, turn `tentative` until the hold is released.
#[utoipa::path(tag = "holds", request_body = HoldForm, security(("token" = ["upkeep:manage"])),
    responses((status = 201, description = "It is closed", body = HoldBody)))]
#[post("/holds")]
async fn open_hold(app: Api, caller: Caller, body: Body<HoldForm>) -> Result<HttpResponse, Problem> {
    let (actor, form) = (caller.0, body.value);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let shown = holds::open_by_person(tx, &who, now, |context| form.parse(context))?;
            Ok(crud::created("holds", shown.hold.id, shown.hold.version, &HoldBody::from(&shown)))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List the holds, in the order they were opened.
#[utoipa::path(tag = "holds", params(HoldQuery),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<HoldBody>)))]
#[get("/holds")]
async fn list_holds(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<HoldQuery>,
) -> Result<HttpResponse, Problem> {
    let query = query.0;
    let page = PageQuery { limit: query.limit, after: query.after }.parse()?;
    let glovebox = query
        .glovebox
        .map(|text| text.parse::<Reference>())
        .transpose()
        .map_err(|e| Problem::field("glovebox", "unknown_reference", e.to_string()))?;
    let open = query
        .open
        .map(|text| text.parse::<bool>())
        .transpose()
        .map_err(|_| Problem::field("open", "bad_parameter", "must be true or false"))?;
    let shown = app
        .query(move |tx, _| holds::list(tx, &caller.0, glovebox.as_ref(), open, page.after, page.probe()))
        .await?;
    let listing = Listing::new(shown, page, |shown| shown.hold.id.to_string());
    Ok(listing.map(|shown| HoldBody::from(shown)).answer(&request))
}

/// Show a hold.
#[utoipa::path(tag = "holds", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It", body = HoldBody)))]
#[get("/holds/{id}")]
async fn get_hold(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = hold_id(&id)?;
    let shown = app.query(move |tx, _| holds::get(tx, &caller.0, id)).await?;
    let version = shown.hold.version;
    if conditional::none_match(&request, version) {
        return Ok(HttpResponse::NotModified().insert_header((ETAG, conditional::etag(version))).finish());
    }
    Ok(crud::shown(version, &HoldBody::from(&shown)))
}

/// Release a hold: open the box to use again.
///
/// The bookings that were tentative because of it are confirmed, unless
/// another open hold closes them too. An `If-Match` header is honoured. To
/// release is a person's decision: nothing here says that the box is fit for use.
#[utoipa::path(tag = "holds", request_body = ReleaseForm,
    params(("id" = String, Path, description = "Id"),
           ("If-Match" = Option<String>, Header, description = "The ETag last seen.")),
    security(("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It, released", body = HoldBody),
              (status = 412, description = "It has changed since", body = Problem,
               content_type = "application/problem+json")))]
#[post("/holds/{id}/release")]
async fn release_hold(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<ReleaseForm>,
) -> Result<HttpResponse, Problem> {
    let id = hold_id(&id)?;
    let mut check = Check::default();
    let remark = check.field("remark", Remark::parse(&body.value.remark));
    let remark = check.build(remark, |remark| remark).map_err(|faults| Problem::invalid(&faults))?;
    let shown = app
        .command(move |tx, now| holds::release(tx, &caller.0, now, id, &if_match.0, remark.clone()))
        .await?;
    Ok(crud::shown(shown.hold.version, &HoldBody::from(&shown)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(open_hold).service(list_holds).service(get_hold).service(release_hold);
}
