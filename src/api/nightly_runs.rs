//! `/nightly-runs`: computing what is due, and the reports.

use super::Api;
use super::auth::Caller;
use super::body::{content_type, once_key, parse_json, read};
use super::crud;
use super::due_items::{DueBody, EvidenceBody};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::{self, Problem};
use crate::domain::upkeep::observations::Observation;
use crate::domain::upkeep::report::{Counts, ReportItem, ReportOrder, ReportSupply};
use crate::domain::upkeep::report_visit::ReportVisit;
use crate::domain::upkeep::stock::Quantity;
use crate::usecases::Error;
use crate::usecases::run_night::{self, Night};
use crate::usecases::under_way::Kind;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Largest body of a request to run.
const BODY_LIMIT: usize = 4096;

/// What to compute for.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "as_of": "2026-03-02T00:00:00+01:00" }))]
struct RunForm {
    /// The moment, RFC 3339, or a date, which means when that day begins in
    /// the facility's zone; now unless given, and never later.
    #[serde(default)]
    as_of: Option<String>,
}

/// How many items stand where.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "overdue": 1, "due": 0, "approaching": 3, "unknown": 2, "current": 30 }))]
struct CountsBody {
    /// Overdue.
    overdue: usize,
    /// Due today.
    due: usize,
    /// Approaching.
    approaching: usize,
    /// The data do not tell.
    unknown: usize,
    /// Nothing in sight.
    current: usize,
}

impl From<Counts> for CountsBody {
    fn from(counts: Counts) -> Self {
        let Counts { overdue, due, approaching, unknown, current } = counts;
        Self { overdue, due, approaching, unknown, current }
    }
}

/// A due item as a report lists it.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000004", "state": "overdue", "task": "room_monitor_test",
    "subject": "0199c5a0-0000-7000-8000-00000000000a", "subject_tag": "LAB-1",
    "due": { "earliest": "2026-02-20T08:00:00Z", "likely": "2026-02-20T08:00:00Z", "latest": "2026-02-20T08:00:00Z" },
    "act_by": "2026-02-20T08:00:00Z", "safety": true, "governing_trigger": "calendar",
    "why": "P3M after the service of 20 Nov 2025"
}))]
struct ReportItemBody {
    /// The due item.
    id: Uuid,
    /// Where it stands.
    state: &'static str,
    /// The task.
    task: String,
    /// The part.
    subject: Uuid,
    /// Its tag.
    subject_tag: String,
    /// When it is due.
    due: DueBody,
    /// The date to have acted by.
    act_by: Option<DateTime<Utc>>,
    /// Whether people's safety depends on it.
    safety: bool,
    /// The kind of trigger that governs.
    governing_trigger: Option<String>,
    /// Why, in a few words.
    why: String,
}

impl From<&ReportItem> for ReportItemBody {
    fn from(item: &ReportItem) -> Self {
        Self {
            id: item.id.uuid(),
            state: item.state.word(),
            task: item.task.to_string(),
            subject: item.subject.uuid(),
            subject_tag: item.subject_tag.clone(),
            due: item.due.into(),
            act_by: item.act_by,
            safety: item.safety,
            governing_trigger: item.governing_trigger.clone(),
            why: item.why.clone(),
        }
    }
}

/// A gas supply as a report lists it.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000007", "tag": "AR-1", "gas": "argon", "connected": ["AR-1-A"],
    "changeover_bar": 20.0, "usable_mol": 168.0, "daily_use_m3_15c_1bar": 0.244,
    "empty": { "earliest": "2026-03-17T00:00:00Z", "likely": "2026-03-18T12:00:00Z", "latest": "2026-03-20T00:00:00Z" },
    "exhausted": { "earliest": "2026-04-22T00:00:00Z", "likely": "2026-04-26T00:00:00Z", "latest": "2026-05-01T00:00:00Z" },
    "reason": null
}))]
struct ReportSupplyBody {
    /// The supply.
    id: Uuid,
    /// Its tag.
    tag: String,
    /// What it holds.
    gas: &'static str,
    /// Tags of its connected cylinders.
    connected: Vec<String>,
    /// The gauge pressure at which they are changed.
    changeover_bar: f64,
    /// What can be used before that, mol.
    usable_mol: Option<f64>,
    /// What is drawn in a day, m³ at 15 °C and 1 bar.
    daily_use_m3_15c_1bar: Option<f64>,
    /// When the connected cylinders are down to the changeover pressure.
    empty: DueBody,
    /// When those on standby are too.
    exhausted: DueBody,
    /// Why there are no dates.
    reason: Option<String>,
}

impl From<&ReportSupply> for ReportSupplyBody {
    fn from(supply: &ReportSupply) -> Self {
        Self {
            id: supply.id.uuid(),
            tag: supply.tag.to_string(),
            gas: supply.gas.word(),
            connected: supply.connected.iter().map(ToString::to_string).collect(),
            changeover_bar: supply.changeover_bar,
            usable_mol: supply.usable_mol,
            daily_use_m3_15c_1bar: supply.daily_use_m3,
            empty: supply.empty.into(),
            exhausted: supply.exhausted.into(),
            reason: supply.reason.clone(),
        }
    }
}

/// A stock item of which more must be ordered, as a report lists it.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-00000000000c", "tag": "GLOVES-8", "name": "glove pair", "unit": "pair",
    "usable": 2.0, "on_order": 0.0, "order_by": "2026-03-10T08:00:00Z", "first_shortfall": "2026-03-31T08:00:00Z",
    "quantity_short": 1.0, "order_now": false, "reorder_point": null, "cautions": []
}))]
struct ReportOrderBody {
    /// The item.
    id: Uuid,
    /// Its tag.
    tag: String,
    /// Its name.
    name: String,
    /// What it is counted in.
    unit: String,
    /// What there is that may still be used.
    usable: f64,
    /// What is on order.
    on_order: f64,
    /// By when to have ordered; null where the lead time is not known or nothing will be short.
    order_by: Option<DateTime<Utc>>,
    /// When something is short for the first time.
    first_shortfall: Option<DateTime<Utc>>,
    /// How much is short then.
    quantity_short: Option<f64>,
    /// Whether to order now: that date has come, or the reorder point is reached.
    order_now: bool,
    /// The reorder point, where it is reached.
    reorder_point: Option<f64>,
    /// What to look into.
    cautions: Vec<String>,
}

impl From<&ReportOrder> for ReportOrderBody {
    fn from(order: &ReportOrder) -> Self {
        Self {
            id: order.id.uuid(),
            tag: order.tag.to_string(),
            name: order.name.to_string(),
            unit: order.unit.to_string(),
            usable: order.usable.get(),
            on_order: order.on_order.get(),
            order_by: order.order_by,
            first_shortfall: order.first_shortfall,
            quantity_short: order.quantity_short.map(Quantity::get),
            order_now: order.order_now,
            reorder_point: order.reorder_point,
            cautions: order.cautions.clone(),
        }
    }
}

/// Something that the readings point out, and that no rule makes due.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "kind": "silent_sensor", "subject": "0199c5a0-0000-7000-8000-000000000005", "subject_tag": "LYNX",
    "text": "water_ppm has not been read for 26 h, last 1.5 ppm on Sun 1 Mar 2026 04:00 CET",
    "evidence": {
        "model": "time since the last reading, beyond a day and three times the usual time between readings",
        "source": "drykeep's own choice", "readings": null,
        "parameters": [{ "name": "silence", "value": 26.0, "low": null, "high": null, "unit": "h" }], "notes": []
    }
}))]
struct ObservationBody {
    /// `oxygen_rise`, `water_rise`, `level_under_circulation`, `box_pressure`,
    /// `consumption` or `silent_sensor`; more may come.
    kind: &'static str,
    /// The part.
    subject: Uuid,
    /// Its tag.
    subject_tag: String,
    /// A sentence; a pointer, never a diagnosis.
    text: String,
    /// What it rests on.
    evidence: EvidenceBody,
}

impl From<&Observation> for ObservationBody {
    fn from(observation: &Observation) -> Self {
        Self {
            kind: observation.kind.word(),
            subject: observation.subject.uuid(),
            subject_tag: observation.subject_tag.clone(),
            text: observation.text.clone(),
            evidence: (&observation.evidence).into(),
        }
    }
}

/// A visit for upkeep that the report tells of.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ReportVisitBody {
    /// Its id.
    id: Uuid,
    /// Tag of its place.
    place_tag: String,
    /// What is still to be done in it.
    tasks: Vec<String>,
    /// Who is to do it.
    people: Vec<String>,
    /// Those of them who are away at the time, or no longer active.
    away: Vec<String>,
    /// When it begins.
    start: DateTime<Utc>,
    /// When it ends.
    end: DateTime<Utc>,
    /// Whether it is over without everything having been done.
    missed: bool,
}

impl From<&ReportVisit> for ReportVisitBody {
    fn from(visit: &ReportVisit) -> Self {
        let ReportVisit { id, place_tag, tasks, people, away, start, end, missed } = visit.clone();
        Self { id, place_tag, tasks, people, away, start, end, missed }
    }
}

/// A run of the nightly computation.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-00000000000b", "as_of": "2026-03-01T23:00:00Z",
    "started_at": "2026-03-02T01:00:00Z", "finished_at": "2026-03-02T01:00:00Z", "timezone": "Europe/Berlin",
    "counts": { "overdue": 0, "due": 0, "approaching": 3, "unknown": 2, "current": 30 },
    "safety_overdue": false
}))]
pub(crate) struct NightBody {
    /// Its id.
    id: Uuid,
    /// The moment it was computed for.
    as_of: DateTime<Utc>,
    /// When it began.
    started_at: DateTime<Utc>,
    /// When it ended.
    finished_at: DateTime<Utc>,
    /// The facility's zone.
    timezone: String,
    /// How many items stand where.
    counts: CountsBody,
    /// Whether something that people's safety depends on is overdue.
    safety_overdue: bool,
}

/// A run with its report.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-00000000000b", "as_of": "2026-03-01T23:00:00Z",
    "started_at": "2026-03-02T01:00:00Z", "finished_at": "2026-03-02T01:00:00Z", "timezone": "Europe/Berlin",
    "counts": { "overdue": 0, "due": 0, "approaching": 0, "unknown": 0, "current": 0 },
    "safety_overdue": false, "items": [], "gas_supplies": [], "orders": [], "observations": [], "visits": [],
    "text": "What is due, as of Mon 2 Mar 2026 00:00 CET (Europe/Berlin)\n"
}))]
pub(crate) struct NightReportBody {
    #[serde(flatten)]
    night: NightBody,
    /// The due items, the most pressing first.
    items: Vec<ReportItemBody>,
    /// The gas supplies.
    gas_supplies: Vec<ReportSupplyBody>,
    /// What must be ordered within 14 days or should have been, the most pressing first.
    orders: Vec<ReportOrderBody>,
    /// What the readings point out besides.
    observations: Vec<ObservationBody>,
    /// Visits of the next week, and those that were missed.
    visits: Vec<ReportVisitBody>,
    /// The report as text.
    text: String,
}

impl From<&Night> for NightBody {
    fn from(night: &Night) -> Self {
        Self {
            id: night.id,
            as_of: night.report.as_of,
            started_at: night.started_at,
            finished_at: night.finished_at,
            timezone: night.report.timezone.clone(),
            counts: night.report.counts.into(),
            safety_overdue: night.report.safety_overdue,
        }
    }
}

impl From<&Night> for NightReportBody {
    fn from(night: &Night) -> Self {
        Self {
            night: night.into(),
            items: night.report.items.iter().map(Into::into).collect(),
            gas_supplies: night.report.gas_supplies.iter().map(Into::into).collect(),
            orders: night.report.orders.iter().map(Into::into).collect(),
            observations: night.report.observations.iter().map(Into::into).collect(),
            visits: night.report.visits.iter().map(Into::into).collect(),
            text: night.report.text.clone(),
        }
    }
}

/// Work out what is due and write the report.
///
/// Readings and services later than the moment are left out of account. A
/// moment that was computed before gets its report again (200), unchanged.
/// While a night is being computed no other is begun. The body may be left out.
#[utoipa::path(tag = "upkeep", request_body = Option<RunForm>, security(("token" = ["nightly:run"])),
    responses((status = 201, description = "It was computed", body = NightReportBody),
              (status = 200, description = "It had been computed before", body = NightReportBody),
              (status = 409, description = "It is being computed just now; again after `Retry-After`", body = Problem, content_type = "application/problem+json")))]
#[post("/nightly-runs")]
async fn run_nightly(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, Problem> {
    let bytes = read(payload.into_inner(), BODY_LIMIT).await?;
    let form: RunForm = if bytes.is_empty() {
        RunForm::default()
    } else if content_type(&request) == "application/json" {
        parse_json(&bytes)?
    } else {
        return Err(Problem::new(problem::UNSUPPORTED, "the body must be application/json"));
    };
    let once = once_key(&request, &bytes)?;
    let actor = caller.0;
    let who = actor.clone();
    let work = app.under_way().begin(Kind::Night, app.now());
    app.sum_up_days(&actor, &work.report()).await?;
    let far = work.report();
    let answer = app
        .command_once(&actor, once, move |tx, now| {
            let as_of = form.as_of.as_deref().map(|text| run_night::moment(tx, text)).transpose()?;
            let run = run_night::run_night(tx, &who, now, as_of, &far)?;
            let body = NightReportBody::from(&run.night);
            let mut answer = crud::created("nightly-runs", run.night.id, 1, &body);
            answer.status = if run.again { 200 } else { 201 };
            Ok(answer)
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List the runs, in the order they were started, without their reports.
#[utoipa::path(tag = "upkeep", params(PageQuery),
    security(("token" = ["facility:read"]), ("token" = ["nightly:run"])),
    responses((status = 200, description = "A page of them", body = Listing<NightBody>)))]
#[get("/nightly-runs")]
async fn list_nightly_runs(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let page = query.0.parse()?;
    let found = app.query(move |tx, _| run_night::list(tx, &caller.0, page.after, page.probe())).await?;
    let listing = Listing::new(found, page, |night| night.id.to_string());
    Ok(listing.map(|night| NightBody::from(night)).answer(&request))
}

/// Show a run with its report.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["nightly:run"])),
    responses((status = 200, description = "It", body = NightReportBody)))]
#[get("/nightly-runs/{id}")]
async fn get_nightly_run(app: Api, caller: Caller, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let id = Uuid::parse_str(&id).map_err(|_| Error::unknown("nightly_run", id.as_str()))?;
    let night = app.query(move |tx, _| run_night::get(tx, &caller.0, id)).await?;
    Ok(crud::shown(1, &NightReportBody::from(&night)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(run_nightly).service(list_nightly_runs).service(get_nightly_run);
}
