//! `/maintenance-plans`: proposing, showing and adopting plans.

mod forms;
mod views;

pub(super) use views::{AttendanceBody, ClosedBody, OccupiedBody, OtherPlaceBody, SpanBody, closed};

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::IfMatch;
use super::crud;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::{self, Problem};
use crate::domain::names::Reference;
use crate::domain::planning::Refusal;
use crate::domain::planning::changed::Change;
use crate::domain::planning::record::ProposedPlan;
use crate::usecases::{Error, adopt_plan, keep, propose_plan};
use actix_web::web::Path;
use actix_web::{HttpRequest, HttpResponse, delete, get, post};
use forms::PlanForm;
use serde::Serialize;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;
use views::PlanBody;

const PATH: &str = "maintenance-plans";

/// A kind of rule in the way of a plan.
#[derive(Debug, Serialize)]
struct InTheWayBody<'a> {
    /// Its kind.
    rule: &'static str,
    /// What of it is in the way.
    detail: &'a str,
    /// What could be relaxed.
    relax: &'a str,
    /// Whether relaxing this kind alone is enough.
    suffices: bool,
}

/// Why there is no plan.
pub(super) fn refusal_problem(refusal: &Refusal) -> Problem {
    let ways: Vec<InTheWayBody<'_>> = refusal
        .in_the_way
        .iter()
        .map(|way| InTheWayBody {
            rule: way.family.word(),
            detail: &way.sentence,
            relax: &way.relax,
            suffices: way.suffices,
        })
        .collect();
    let tasks: Vec<Uuid> = refusal.tasks.iter().map(|id| id.uuid()).collect();
    Problem::new(problem::PLAN_IMPOSSIBLE, refusal.summary.clone())
        .with("tasks", tasks)
        .with("in_the_way", ways)
        .with("proved", refusal.proved)
}

/// Something that has changed since a plan was made.
#[derive(Debug, Serialize)]
struct ChangeBody<'a> {
    /// Stable code.
    code: &'static str,
    /// A sentence.
    detail: &'a str,
    /// The booking it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    booking: Option<Uuid>,
}

/// Why a plan can no longer be adopted.
pub(super) fn outdated_problem(detail: &str, changes: &[Change]) -> Problem {
    let changes: Vec<ChangeBody<'_>> = changes
        .iter()
        .map(|change| ChangeBody {
            code: change.code,
            detail: &change.detail,
            booking: change.booking.map(Into::into),
        })
        .collect();
    Problem::new(problem::PLAN_OUTDATED, detail).with("changes", changes)
}

/// Propose a plan: visits that do the due upkeep around the bookings.
///
/// Nothing on the calendar changes. The answer says what each visit displaces
/// and where those people could go, and proves how good the plan is: no other
/// counts for less than the lower bound. One plan is searched for at a time;
/// meanwhile others are told to try again (503). Where what must be done
/// cannot be placed, 422 names the kinds of rule in the way. To ask what would
/// be if, base a plan on an earlier one with pins, times kept free, or tasks
/// left out.
#[utoipa::path(tag = "plans", request_body = PlanForm, security(("token" = ["plans:manage"])),
    responses((status = 201, description = "It was proposed", body = PlanBody),
              (status = 503, description = "Another plan is being made, or the database cannot answer",
               body = Problem, content_type = "application/problem+json")))]
#[post("/maintenance-plans")]
async fn propose_maintenance_plan(
    app: Api,
    caller: Caller,
    body: Body<PlanForm>,
) -> Result<HttpResponse, Problem> {
    let (actor, form, once) = (caller.0, body.value, body.once);
    if let Some(answer) = app.answered(&actor, once.as_ref()).await? {
        return Ok(crud::respond(answer));
    }
    let who = actor.clone();
    let prepared = app
        .query(move |tx, now| {
            let based_on = form.based_on();
            propose_plan::prepare(tx, &who, now, based_on, |context, earlier| {
                form.parse(context, now, earlier)
            })
        })
        .await?;
    let found = app.search(&actor, prepared).await?;
    let found = app
        .query(move |tx, now| {
            let alternatives = propose_plan::rehouse(tx, now, &found.plan)?;
            Ok(ProposedPlan { alternatives, ..found })
        })
        .await?;
    let who = actor.clone();
    let answer = app
        .command_once(&actor, once, move |tx, now| {
            let stored = propose_plan::save(tx, &who, now, &found)?;
            Ok(crud::created(PATH, stored.id, stored.version, &PlanBody::new(tx, &stored)?))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List the plans, in the order they were made.
#[utoipa::path(tag = "plans", params(PageQuery), security(("token" = ["plans:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<PlanBody>)))]
#[get("/maintenance-plans")]
async fn list_maintenance_plans(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let page = query.0.parse()?;
    let views = app
        .query(move |tx, _| {
            let found = keep::list::<ProposedPlan>(tx, &caller.0, page.after, page.probe())?;
            found
                .iter()
                .map(|plan| Ok((plan.id, PlanBody::new(tx, plan)?)))
                .collect::<Result<Vec<_>, Error>>()
        })
        .await?;
    let listing = Listing::new(views, page, |(id, _)| id.to_string());
    Ok(listing.map_owned(|(_, view)| view).answer(&request))
}

fn plan_id(text: &str) -> Result<Uuid, Problem> {
    text.parse().map_err(|_| Error::unknown("maintenance_plan", text).into())
}

/// Show a plan.
#[utoipa::path(tag = "plans", params(("id" = String, Path, description = "Id")),
    security(("token" = ["plans:manage"])), responses((status = 200, description = "It", body = PlanBody)))]
#[get("/maintenance-plans/{id}")]
async fn get_maintenance_plan(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = plan_id(&id)?;
    let (version, view) = app
        .query(move |tx, _| {
            let plan = keep::get::<ProposedPlan>(tx, &caller.0, &Reference::Id(id))?;
            Ok((plan.version, PlanBody::new(tx, &plan)?))
        })
        .await?;
    Ok(crud::shown_unless_known(&request, version, &view))
}

/// Put a plan on the calendar, all of it or nothing.
///
/// Its visits are confirmed, and the bookings that give way are cancelled;
/// their holders learn of it by the change feed. Where something has changed
/// since that matters to it, 409 names what. An `If-Match` header is honoured.
#[utoipa::path(tag = "plans",
    params(("id" = String, Path, description = "Id"),
           ("If-Match" = Option<String>, Header, description = "The ETag last seen.")),
    security(("token" = ["plans:manage"])),
    responses((status = 200, description = "It, adopted", body = PlanBody),
              (status = 409, description = "It no longer fits, or was adopted before", body = Problem,
               content_type = "application/problem+json"),
              (status = 412, description = "It has changed since", body = Problem,
               content_type = "application/problem+json")))]
#[post("/maintenance-plans/{id}/adopt")]
async fn adopt_maintenance_plan(
    app: Api,
    caller: Caller,
    id: Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = plan_id(&id)?;
    let (version, view) = app
        .command(move |tx, now| {
            let adopted = adopt_plan::adopt(tx, &caller.0, now, id, &if_match.0)?;
            Ok((adopted.version, PlanBody::new(tx, &adopted)?))
        })
        .await?;
    Ok(crud::shown(version, &view))
}

/// Throw a plan away that was not adopted.
#[utoipa::path(tag = "plans", params(("id" = String, Path, description = "Id")),
    security(("token" = ["plans:manage"])), responses((status = 204, description = "It was removed")))]
#[delete("/maintenance-plans/{id}")]
async fn delete_maintenance_plan(
    app: Api,
    caller: Caller,
    id: Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = plan_id(&id)?;
    app.command(move |tx, now| propose_plan::discard(tx, &caller.0, now, id, &if_match.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(propose_maintenance_plan)
        .service(list_maintenance_plans)
        .service(get_maintenance_plan)
        .service(adopt_maintenance_plan)
        .service(delete_maintenance_plan);
}
