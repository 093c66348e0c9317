//! `/maintenance-visits`: upkeep on the calendar.

#![expect(unused_qualifications, reason = "utoipa qualifies the query types of params(…)")]

use super::Api;
use super::auth::Caller;
use super::bookings::CautionBody;
use super::conditional::IfMatch;
use super::crud;
use super::fields::{instant, word};
use super::maintenance_plans::{AttendanceBody, ClosedBody, OccupiedBody, SpanBody, closed};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::names::Reference;
use crate::domain::planning::Place;
use crate::domain::planning::cautions::cautions;
use crate::domain::planning::record::{VisitStatus, VisitTask};
use crate::domain::violations::{Check, Violations};
use crate::usecases::named::Names;
use crate::usecases::visits::{self, Narrowed, ShownVisit};
use crate::usecases::{Error, Tx};
use actix_web::web::Path;
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A task of a visit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct VisitTaskBody {
    /// Id of the due item.
    due_item: Uuid,
    /// The task.
    task: String,
    /// Id of the part.
    subject: Uuid,
    /// The part's tag.
    subject_tag: String,
    /// From when.
    start: DateTime<Utc>,
    /// Until when, what runs by itself included.
    end: DateTime<Utc>,
    /// The attended parts, in order.
    attended: Vec<AttendanceBody>,
    /// Id of the service that recorded it as done.
    service: Option<Uuid>,
}

/// A visit for upkeep.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000020", "plan": "0199c5a0-0000-7000-8000-000000000010",
    "status": "confirmed", "missed": false, "glovebox": "0199c5a0-0000-7000-8000-000000000005",
    "place": "0199c5a0-0000-7000-8000-000000000005", "place_tag": "LYNX",
    "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
    "window": "0199c5a0-0000-7000-8000-000000000011",
    "tasks": [{
        "due_item": "0199c5a0-0000-7000-8000-000000000004", "task": "leak_test",
        "subject": "0199c5a0-0000-7000-8000-000000000005", "subject_tag": "LYNX",
        "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
        "attended": [{"start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z",
                      "people": [{"id": "0199c5a0-0000-7000-8000-000000000012", "name": "Ivo Brandl"}]}],
        "service": null
    }],
    "purge": null,
    "closes": [{"glovebox": "0199c5a0-0000-7000-8000-000000000005", "glovebox_tag": "LYNX",
                "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z"}],
    "claims": [{"resource": "0199c5a0-0000-7000-8000-000000000006", "resource_tag": "LYNX/S1",
                "start": "2026-04-08T14:00:00Z", "end": "2026-04-08T16:00:00Z"}],
    "displaced": [], "reasons": ["leak_test on LYNX is done 6 days before it has to be."], "cautions": [],
    "created_at": "2026-04-01T08:05:00Z", "updated_at": "2026-04-01T08:05:00Z"
}))]
pub(crate) struct VisitBody {
    /// Its id.
    id: Uuid,
    /// Id of the plan it is from.
    plan: Uuid,
    /// `confirmed`, `completed` or `cancelled`.
    status: &'static str,
    /// Whether it is over without everything having been done: its tasks are
    /// planned anew with the next plan.
    missed: bool,
    /// Id of the box; absent for what belongs to no box.
    glovebox: Option<Uuid>,
    /// Id of the place: the box, the supply or the room.
    place: Uuid,
    /// Its tag.
    place_tag: Option<String>,
    /// From the first task.
    start: DateTime<Utc>,
    /// To the end of the purge.
    end: DateTime<Utc>,
    /// Id of the maintenance window that it begins in.
    window: Uuid,
    /// Its tasks, in order.
    tasks: Vec<VisitTaskBody>,
    /// The purge at its end.
    purge: Option<SpanBody>,
    /// The boxes closed to use.
    closes: Vec<ClosedBody>,
    /// Everything that it occupies, people's time too; nothing once it is called off.
    claims: Vec<OccupiedBody>,
    /// The bookings that gave way to it.
    displaced: Vec<Uuid>,
    /// Why it is where it is.
    reasons: Vec<String>,
    /// What to mind.
    cautions: Vec<CautionBody>,
    /// When it was put on the calendar.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl VisitBody {
    fn new(
        tx: &mut Tx<'_>,
        names: &mut Names,
        shown: &ShownVisit,
        now: DateTime<Utc>,
    ) -> Result<Self, Error> {
        let visit = &shown.visit.value;
        let place = visit.place.thing().uuid();
        let mut tasks = Vec::new();
        for task in &visit.tasks {
            tasks.push(task_body(tx, names, task)?);
        }
        let claims = shown.claims.iter();
        Ok(Self {
            id: shown.visit.id,
            plan: visit.plan.uuid(),
            status: visit.status.word(),
            missed: visit.is_missed(now),
            glovebox: matches!(visit.place, Place::Glovebox(_)).then_some(place),
            place,
            place_tag: names.of(tx, place)?,
            start: visit.interval.start(),
            end: visit.interval.end(),
            window: visit.window.uuid(),
            tasks,
            purge: visit.purge.map(Into::into),
            closes: closed(tx, names, &visit.closes)?,
            claims: claims
                .map(|claim| OccupiedBody::new(tx, names, claim.resource.uuid(), claim.interval))
                .collect::<Result<_, Error>>()?,
            displaced: visit.displaced.iter().map(|id| id.uuid()).collect(),
            reasons: visit.reasons.clone(),
            cautions: cautions(visit.tasks.iter().map(|task| &task.task), visit.purge.is_some())
                .iter()
                .map(CautionBody::from)
                .collect(),
            created_at: shown.visit.created_at,
            updated_at: shown.visit.updated_at,
        })
    }
}

fn task_body(tx: &mut Tx<'_>, names: &mut Names, task: &VisitTask) -> Result<VisitTaskBody, Error> {
    let attended = task.attended.iter().map(|part| AttendanceBody::new(tx, names, part));
    Ok(VisitTaskBody {
        due_item: task.due_item.uuid(),
        task: task.task.to_string(),
        subject: task.subject.uuid(),
        subject_tag: task.subject_tag.clone(),
        start: task.interval.start(),
        end: task.interval.end(),
        attended: attended.collect::<Result<_, Error>>()?,
        service: task.service.map(Into::into),
    })
}

/// Query of the list of visits.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct VisitQuery {
    /// Those at this box, supply or room only: id or tag.
    glovebox: Option<String>,
    /// Those that stand in one of these ways: `confirmed`, `completed`, `cancelled`, by commas.
    status: Option<String>,
    /// Those that end after this (RFC 3339).
    #[param(value_type = Option<DateTime<Utc>>)]
    from: Option<String>,
    /// Those that begin before this (RFC 3339).
    #[param(value_type = Option<DateTime<Utc>>)]
    to: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

impl VisitQuery {
    fn narrowed(&self) -> Result<(Option<Reference>, Narrowed), Violations> {
        let mut check = Check::default();
        let glovebox =
            check.field("glovebox", self.glovebox.as_deref().map(str::parse::<Reference>).transpose());
        let status = self.status.as_deref().map(|words| {
            words
                .split(',')
                .filter_map(|text| word(&mut check, "status", text, &VisitStatus::ALL, VisitStatus::word))
                .collect()
        });
        let mut time =
            |field, text: &Option<String>| text.as_ref().and_then(|text| instant(&mut check, field, text));
        let (from, to) = (time("from", &self.from), time("to", &self.to));
        check.build(glovebox, |glovebox| (glovebox, Narrowed { status, from, to, ..Narrowed::default() }))
    }
}

/// List the visits, in the order they were put on the calendar.
#[utoipa::path(tag = "plans", params(VisitQuery),
    security(("token" = ["facility:read"]), ("token" = ["plans:manage"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<VisitBody>)))]
#[get("/maintenance-visits")]
async fn list_maintenance_visits(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<VisitQuery>,
) -> Result<HttpResponse, Problem> {
    let (glovebox, narrowed) = query.0.narrowed().map_err(|faults| Problem::invalid(&faults))?;
    let page = PageQuery { limit: query.0.limit, after: query.0.after }.parse()?;
    let views = app
        .query(move |tx, now| {
            let found = visits::list(tx, &caller.0, glovebox.as_ref(), narrowed, page.after, page.probe())?;
            let mut names = Names::default();
            found
                .iter()
                .map(|shown| Ok((shown.visit.id, VisitBody::new(tx, &mut names, shown, now)?)))
                .collect::<Result<Vec<_>, Error>>()
        })
        .await?;
    let listing = Listing::new(views, page, |(id, _)| id.to_string());
    Ok(listing.map_owned(|(_, view)| view).answer(&request))
}

fn visit_id(text: &str) -> Result<Uuid, Problem> {
    text.parse().map_err(|_| Error::unknown("maintenance_visit", text).into())
}

/// Show a visit.
#[utoipa::path(tag = "plans", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["plans:manage"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It", body = VisitBody)))]
#[get("/maintenance-visits/{id}")]
async fn get_maintenance_visit(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = visit_id(&id)?;
    let (version, view) = app
        .query(move |tx, now| {
            let shown = visits::get(tx, &caller.0, id)?;
            Ok((shown.visit.version, VisitBody::new(tx, &mut Names::default(), &shown, now)?))
        })
        .await?;
    Ok(crud::shown_unless_known(&request, version, &view))
}

/// Call a visit off and free what it occupied.
///
/// Bookings that gave way to it do not come back by themselves. An `If-Match`
/// header is honoured.
#[utoipa::path(tag = "plans",
    params(("id" = String, Path, description = "Id"),
           ("If-Match" = Option<String>, Header, description = "The ETag last seen.")),
    security(("token" = ["plans:manage"])),
    responses((status = 200, description = "It, cancelled", body = VisitBody),
              (status = 412, description = "It has changed since", body = Problem,
               content_type = "application/problem+json")))]
#[post("/maintenance-visits/{id}/cancel")]
async fn cancel_maintenance_visit(
    app: Api,
    caller: Caller,
    id: Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = visit_id(&id)?;
    let (version, view) = app
        .command(move |tx, now| {
            let shown = visits::cancel(tx, &caller.0, now, id, &if_match.0)?;
            Ok((shown.visit.version, VisitBody::new(tx, &mut Names::default(), &shown, now)?))
        })
        .await?;
    Ok(crud::shown(version, &view))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(list_maintenance_visits).service(get_maintenance_visit).service(cancel_maintenance_visit);
}
