//! `/services`: upkeep that was done.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use super::{conditional, crud};
use crate::domain::facility::{ParseContext, Stored, ThingKind};
use crate::domain::ids::{PersonId, ThingId};
use crate::domain::names::{Name, Reference, Remark, Word};
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::{Outcome, Service};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::{keep, upkeep};
use actix_web::http::header::ETAG;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use chrono::{DateTime, SubsecRound as _, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The most measured values of one service.
const MOST_MEASURED: usize = 50;

/// A service as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "task": "glove_change", "subject": "LYNX/S1", "done_at": "2026-03-02T10:30:00Z", "done_by": "M. Keeper",
    "findings": "Left glove stiff at the cuff.", "measured": { "port_pairs": 1 }
}))]
pub(crate) struct ServiceForm {
    /// The task that was done.
    task: String,
    /// The part it was done on, by id or tag. The box may be named where its only purifier is meant.
    subject: String,
    /// When it was done; now unless given, and never later.
    #[serde(default)]
    done_at: Option<DateTime<Utc>>,
    /// By whom: a person's id or tag, or a name; the caller unless given.
    #[serde(default)]
    done_by: Option<String>,
    /// `passed`, or `failed` for a test that was not passed or work that must be done again.
    #[serde(default = "passed")]
    outcome: String,
    /// What was found.
    #[serde(default)]
    findings: String,
    /// Tasks that what was found asks for: they fall due at once.
    #[serde(default)]
    calls_for: Vec<String>,
    /// Measured values by name.
    #[serde(default)]
    measured: BTreeMap<String, Value>,
}

fn passed() -> String {
    Outcome::Passed.word().to_owned()
}

impl ServiceForm {
    /// When it says that it was done.
    pub(crate) fn done_at(&self) -> Option<DateTime<Utc>> {
        self.done_at
    }

    /// Parses and checks the form; what it leaves open is the caller's and now.
    pub(crate) fn parse(
        &self,
        context: &mut dyn ParseContext,
        caller: &str,
        now: DateTime<Utc>,
    ) -> Result<Service, Violations> {
        let mut check = Check::default();
        let task = check.field("task", Word::parse(&self.task));
        let subject = check.part("", subject(context, &self.subject));
        let done_at = self.done_at.unwrap_or(now).trunc_subsecs(6);
        check.require(done_at <= now, "done_at", "in_the_future", "must not be later than now");
        let who = self.done_by.as_deref().unwrap_or(caller);
        let done_by = check.field("done_by", Name::parse(who));
        let person = self.done_by.as_deref().and_then(|text| person(context, text));
        let outcome = Outcome::from_word(&self.outcome);
        check.require(outcome.is_some(), "outcome", "unknown_word", "must be passed or failed");
        let findings = check.field("findings", Remark::parse(&self.findings));
        let calls_for = check.each("calls_for", &self.calls_for, |task| {
            Word::parse(task).map_err(|e| Violation::new("", "bad_word", e.to_string()).into())
        });
        let few = format!("a service has at most {MOST_MEASURED} measured values");
        check.require(self.measured.len() <= MOST_MEASURED, "measured", "too_many", few);
        let parts = task.zip(subject).zip(done_by).zip(outcome).zip(findings);
        check.build(parts, |((((task, subject), done_by), outcome), findings)| Service {
            subject,
            task,
            done_at,
            done_by,
            person,
            outcome,
            findings,
            calls_for,
            measured: self.measured.clone(),
        })
    }
}

/// The part that a reference names, of whatever kind.
fn subject(context: &mut dyn ParseContext, text: &str) -> Result<ThingId, Violations> {
    let found = text.parse::<Reference>().ok().and_then(|reference| {
        PartKind::ALL.iter().find_map(|kind| context.find(kind.thing(), None, &reference))
    });
    found.map(ThingId::from).ok_or_else(|| {
        let detail = format!("there is no part {text:?} that upkeep is done on, or several have this tag");
        Violation::new("subject", "unknown_reference", detail).into()
    })
}

/// The person that a text names, where it names one.
fn person(context: &mut dyn ParseContext, text: &str) -> Option<PersonId> {
    let reference: Reference = text.parse().ok()?;
    context.find(ThingKind::Person, None, &reference).map(PersonId::from)
}

/// A service.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000002", "task": "glove_change",
    "subject": "0199c5a0-0000-7000-8000-000000000003", "done_at": "2026-03-02T10:30:00Z",
    "done_by": "M. Keeper", "person": null, "outcome": "passed", "findings": "", "calls_for": [],
    "measured": {}, "created_at": "2026-03-02T10:35:00Z"
}))]
pub(crate) struct ServiceBody {
    /// Its id.
    id: Uuid,
    /// The task that was done.
    task: String,
    /// The part it was done on.
    subject: Uuid,
    /// When it was done.
    done_at: DateTime<Utc>,
    /// By whom, as given.
    done_by: String,
    /// The person, where `done_by` names one.
    person: Option<Uuid>,
    /// How it ended: `passed` or `failed`.
    outcome: &'static str,
    /// What was found.
    findings: String,
    /// Tasks that what was found asks for.
    calls_for: Vec<String>,
    /// Measured values by name.
    measured: BTreeMap<String, Value>,
    /// When it was recorded.
    created_at: DateTime<Utc>,
}

impl From<&Stored<Service>> for ServiceBody {
    fn from(stored: &Stored<Service>) -> Self {
        let service = &stored.value;
        Self {
            id: stored.id,
            task: service.task.to_string(),
            subject: service.subject.uuid(),
            done_at: service.done_at,
            done_by: service.done_by.to_string(),
            person: service.person.map(PersonId::uuid),
            outcome: service.outcome.word(),
            findings: service.findings.to_string(),
            calls_for: service.calls_for.iter().map(ToString::to_string).collect(),
            measured: service.measured.clone(),
            created_at: stored.created_at,
        }
    }
}

/// Record upkeep that was done.
///
/// It restarts what its task counts from, by when it was done: of several,
/// the latest counts, in whatever order they are recorded. The due items it
/// concerns are worked out anew at once. A failed `leak_test` closes the box
/// by a hold until a person releases it.
#[utoipa::path(tag = "upkeep", request_body = ServiceForm, security(("token" = ["upkeep:manage"])),
    responses((status = 201, description = "It was recorded", body = ServiceBody)))]
#[post("/services")]
async fn record_service(app: Api, caller: Caller, body: Body<ServiceForm>) -> Result<HttpResponse, Problem> {
    let (actor, form) = (caller.0, body.value);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let stored =
                upkeep::record_service(tx, &who, now, |context| form.parse(context, &who.subject, now))?;
            Ok(crud::created("services", stored.id, stored.version, &ServiceBody::from(&stored)))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Query of the list of services.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
struct ServiceQuery {
    /// Only those on this part, by id or tag.
    subject: Option<String>,
    /// Only those of this task.
    task: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// List services, in the order they were recorded.
#[utoipa::path(tag = "upkeep", params(ServiceQuery),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<ServiceBody>)))]
#[get("/services")]
async fn list_services(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<ServiceQuery>,
) -> Result<HttpResponse, Problem> {
    let query = query.0;
    let page = PageQuery { limit: query.limit, after: query.after }.parse()?;
    let mut check = Check::default();
    let subject = check.field("subject", query.subject.as_deref().map(str::parse::<Reference>).transpose());
    let task = check.field("task", query.task.as_deref().map(Word::parse).transpose());
    let (subject, task) =
        check.build(subject.zip(task), |parts| parts).map_err(|faults| Problem::invalid(&faults))?;
    let narrowed = upkeep::Narrowed { subject: None, task };
    let found = app
        .query(move |tx, _| {
            upkeep::list_services(tx, &caller.0, subject.as_ref(), &narrowed, page.after, page.probe())
        })
        .await?;
    let listing = Listing::new(found, page, |stored| stored.id.to_string());
    Ok(listing.map(|stored| ServiceBody::from(stored)).answer(&request))
}

/// Show a service.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It", body = ServiceBody)))]
#[get("/services/{id}")]
async fn get_service(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("service", &id)?;
    let stored = app.query(move |tx, _| keep::get::<Service>(tx, &caller.0, &reference)).await?;
    if conditional::none_match(&request, stored.version) {
        let tag = conditional::etag(stored.version);
        return Ok(HttpResponse::NotModified().insert_header((ETAG, tag)).finish());
    }
    Ok(crud::shown(stored.version, &ServiceBody::from(&stored)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(record_service).service(list_services).service(get_service);
}
