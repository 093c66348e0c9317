//! `/services`: upkeep that was done.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::calculations::{self, CalculationCaution};
use super::conditional::IfMatch;
use super::fields::{at_most, instant, rfc3339, word};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use super::{conditional, crud};
use crate::domain::facility::{ParseContext, Stored, ThingKind};
use crate::domain::ids::{PersonId, ThingId};
use crate::domain::names::{Name, Reference, Remark, Word};
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::upkeep::defaults::LEAK_TEST;
use crate::domain::upkeep::leak_test::{LeakFigure, Measured};
use crate::domain::upkeep::rules::PartKind;
use crate::domain::upkeep::{Draft, Outcome, Service};
use crate::domain::violations::{Check, Coded as _, Violation, Violations};
use crate::usecases::correct_service::{correct_service, withdraw_service};
use crate::usecases::{keep, upkeep};
use actix_web::http::header::ETAG;
use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};
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
    /// The task that was done; one that an upkeep rule for such parts knows.
    task: String,
    /// The part it was done on, by id or tag. The box may be named where its only purifier is meant.
    subject: String,
    /// When it was done, RFC 3339; now unless given, from 2000 on and never later than now.
    #[serde(default)]
    #[schema(format = DateTime)]
    done_at: Option<String>,
    /// By whom: a person's id or tag, or a name; the caller unless given.
    #[serde(default)]
    done_by: Option<String>,
    /// `passed`, or `failed` for a test that was not passed or work that must
    /// be done again. Unless given, a leak test whose pressures were measured
    /// ends by its figure, and anything else is passed.
    #[serde(default)]
    outcome: Option<String>,
    /// What was found.
    #[serde(default)]
    findings: String,
    /// Tasks that what was found asks for: they fall due at once.
    #[serde(default)]
    calls_for: Vec<String>,
    /// Measured values by name: numbers, texts, true or false, or objects of
    /// such. Of a `leak_test`, `duration_min`, `start` and `end` are taken as a
    /// pressure-change test; each end holds `temperature_c` and the absolute
    /// `pressure_pa`, or `gauge_pa` with `barometer_pa`.
    #[serde(default)]
    measured: BTreeMap<String, Value>,
    /// Whether the part was replaced by a new one: then what counts by the
    /// calendar or by use counts from now on, and what the counter of the new
    /// part shows is not compared with what the old one's showed.
    #[serde(default)]
    replaced: bool,
    /// The tasks that the replacement restarts besides this one. Unless given,
    /// every task on a station, an antechamber or a purifier, and no other on a
    /// whole box, a gas supply or a room, of which only something was replaced.
    #[serde(default)]
    restarts: Option<Vec<String>>,
}

impl ServiceForm {
    /// When it says that it was done, where that can be read.
    pub(crate) fn done_at(&self) -> Option<DateTime<Utc>> {
        instant(&mut Check::default(), "done_at", self.done_at.as_deref()?)
    }

    /// The form that would produce the service.
    fn of(service: &Service) -> Self {
        let words = |words: &[Word]| words.iter().map(ToString::to_string).collect();
        Self {
            task: service.task.to_string(),
            subject: service.subject.to_string(),
            done_at: Some(rfc3339(service.done_at)),
            done_by: Some(service.done_by.to_string()),
            outcome: service.stated_outcome().map(|outcome| outcome.word().to_owned()),
            findings: service.findings.to_string(),
            calls_for: words(&service.calls_for),
            measured: service.measured.clone(),
            replaced: service.replaced,
            restarts: service.restarts.as_deref().map(words),
        }
    }

    /// Parses and checks the form; what it leaves open is the caller's and
    /// now. `current` is what is being corrected.
    pub(crate) fn parse(
        &self,
        context: &mut dyn ParseContext,
        caller: &str,
        now: DateTime<Utc>,
        current: Option<&Service>,
    ) -> Result<Draft, Violations> {
        let mut check = Check::default();
        let task = check.field("task", Word::parse(&self.task));
        let subject = check.part("", subject(context, &self.subject));
        let done_at = match &self.done_at {
            Some(text) => instant(&mut check, "done_at", text),
            None => Some(now.trunc_subsecs(6)),
        };
        if let Some(at) = done_at {
            check.require(at <= now, "done_at", "in_the_future", "must not be later than now");
            check.require(at.timestamp() >= YEAR_2000, "done_at", "too_old", "must not be before 2000");
        }
        let who = self.done_by.as_deref().unwrap_or(caller);
        let done_by = check.field("done_by", Name::parse(who));
        let person = match current {
            Some(current) if current.done_by.as_str() == who => current.person,
            _ => self.done_by.as_deref().and_then(|text| person(context, text)),
        };
        let stated = self
            .outcome
            .as_deref()
            .map(|text| word(&mut check, "outcome", text, Outcome::ALL, Outcome::word));
        let findings = check.field("findings", Remark::parse(&self.findings));
        let calls_for = words(&mut check, "calls_for", &self.calls_for);
        let restarts = self.restarts.as_ref().map(|tasks| words(&mut check, "restarts", tasks));
        let detail = "only a replacement restarts other tasks";
        check.require(self.replaced || restarts.is_none(), "restarts", "not_replaced", detail);
        check.part("measured", measured(&self.measured));
        if self.task == LEAK_TEST {
            // The class does not matter to whether the values can be read.
            check.part("measured", LeakFigure::of(&self.measured, TightnessClass::Four));
        }
        let parts = task.zip(subject).zip(done_at).zip(done_by).zip(findings);
        check.build(parts, |((((task, subject), done_at), done_by), findings)| Draft {
            service: Service {
                subject,
                task,
                done_at,
                done_by,
                person,
                outcome: stated.flatten().unwrap_or(Outcome::Passed),
                findings,
                calls_for,
                measured: self.measured.clone(),
                replaced: self.replaced,
                restarts,
                required_class: None,
            },
            stated: stated.flatten(),
        })
    }
}

/// 1 January 2000 in seconds since 1970; what is dated before is a mistake.
const YEAR_2000: i64 = 946_684_800;

fn words(check: &mut Check, field: &str, tasks: &[String]) -> Vec<Word> {
    at_most(check, field, tasks, MOST_MEASURED);
    check.each(field, tasks, |task| {
        Word::parse(task).map_err(|e| Violation::new("", e.code(), e.to_string()).into())
    })
}

/// Passes when the values are numbers, texts, true or false, or objects of such.
fn measured(values: &Measured) -> Result<(), Violations> {
    let mut check = Check::default();
    let mut count = 0;
    let plain = |value: &Value| value.is_number() || value.is_string() || value.is_boolean();
    for (name, value) in values {
        match value.as_object() {
            Some(inner) => {
                count += inner.len();
                for (part, _) in inner.iter().filter(|(_, value)| !plain(value)) {
                    let detail = "must be a number, a text, true or false";
                    check.note(Violation::new(format!("{name}.{part}"), "wrong_type", detail));
                }
            }
            None if plain(value) => count += 1,
            None => {
                let detail = "must be a number, a text, true or false, or an object of such";
                check.note(Violation::new(name.as_str(), "wrong_type", detail));
            }
        }
    }
    let few = format!("a service has at most {MOST_MEASURED} measured values");
    check.require(count <= MOST_MEASURED, "", "too_many", few);
    check.finish(|| ())
}

/// The part that a reference names, of whatever kind.
fn subject(context: &mut dyn ParseContext, text: &str) -> Result<ThingId, Violations> {
    // Due items call a box's only purifier so; the task tells the rest.
    let text = text.strip_suffix("/purifier").unwrap_or(text);
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
    "measured": {}, "replaced": false, "restarts": null, "leak_test": null,
    "created_at": "2026-03-02T10:35:00Z", "updated_at": "2026-03-02T10:35:00Z"
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
    /// Whether the part was replaced by a new one.
    replaced: bool,
    /// The tasks that the replacement restarts besides this one; null for every task on the part.
    restarts: Option<Vec<String>>,
    /// What a leak test shows; null where no pressures were measured.
    leak_test: Option<LeakTestBody>,
    /// When it was recorded.
    created_at: DateTime<Utc>,
    /// When it was last corrected.
    updated_at: DateTime<Utc>,
}

/// What a leak test by the pressure-change method shows.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "hourly_leak_rate_per_h": 4.886_39e-4, "class": 1, "required_class": 3, "tight_enough": true,
    "signed_rate_per_h": -4.886_39e-4, "uncorrected_rate_per_h": 4.886_39e-4, "correction_per_h": 0.0,
    "method": "pressure change",
    "cautions": [{"code": "not_a_certificate", "text": "Conformity needs the standard itself and a competent tester."}]
}))]
pub(crate) struct LeakTestBody {
    /// Fraction of the gas gained or lost in an hour.
    hourly_leak_rate_per_h: f64,
    /// Class after ISO 10648-2, 1 to 4; null for a box too leaky for any.
    class: Option<u8>,
    /// The class that the facility required when it was recorded.
    required_class: u8,
    /// Whether the class is the one required or a better one.
    tight_enough: bool,
    /// The rate with its sign: above zero when the box gained gas.
    signed_rate_per_h: f64,
    /// The rate without correction: of the gauge where the barometer is
    /// given, else of the absolute pressure.
    uncorrected_rate_per_h: f64,
    /// What temperature and barometer contributed to the signed rate.
    correction_per_h: f64,
    /// How it was found.
    method: &'static str,
    /// What to know before relying on it.
    cautions: Vec<CalculationCaution>,
}

impl From<&LeakFigure> for LeakTestBody {
    fn from(figure: &LeakFigure) -> Self {
        let found = &figure.found;
        Self {
            hourly_leak_rate_per_h: found.hourly_leak_rate_per_h,
            class: found.class.map(u8::from),
            required_class: figure.required.number(),
            tight_enough: figure.is_tight_enough(),
            signed_rate_per_h: found.signed_rate_per_h,
            uncorrected_rate_per_h: found.uncorrected_rate_per_h,
            correction_per_h: found.correction_per_h,
            method: found.method,
            cautions: calculations::cautions_of_tightness(found),
        }
    }
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
            replaced: service.replaced,
            restarts: service.restarts.as_ref().map(|tasks| tasks.iter().map(ToString::to_string).collect()),
            leak_test: service.leak_figure().as_ref().map(Into::into),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// Record upkeep that was done.
///
/// It restarts what its task counts from, by when it was done: of several,
/// the latest counts, in whatever order they are recorded. The due items it
/// concerns are worked out anew at once. Where a part was `replaced`, every
/// task on it counts from then. A `leak_test` with measured pressures is given
/// its hourly leak rate and class; worse than the facility's
/// `required_tightness_class` it is not passed. A failed `leak_test` closes the
/// box by a hold until a person releases it, unless the facility's policy says
/// otherwise.
#[utoipa::path(tag = "upkeep", request_body = ServiceForm, security(("token" = ["upkeep:manage"])),
    responses((status = 201, description = "It was recorded", body = ServiceBody)))]
#[post("/services")]
async fn record_service(app: Api, caller: Caller, body: Body<ServiceForm>) -> Result<HttpResponse, Problem> {
    let (actor, form) = (caller.0, body.value);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let stored = upkeep::record_service(tx, &who, now, |context| {
                form.parse(context, &who.subject, now, None)
            })?;
            Ok(crud::created("services", stored.id, stored.version, &ServiceBody::from(&stored)))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Query of the list of services.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
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

/// Correct a service by a JSON merge patch (RFC 7396).
///
/// What it had restarted counts anew, by when it was done and of which task on
/// which part it is now; the due items that it concerned and concerns are
/// worked out at once. An outcome that only followed from the figure of a leak
/// test follows it again; the class required of the box stays the one that the
/// test was judged by. A hold that a failed leak test opened stays open until
/// a person releases it.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    request_body(content = ServiceForm, description = "The fields to change"),
    security(("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It, corrected", body = ServiceBody)))]
#[patch("/services/{id}")]
async fn patch_service(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("service", &id)?;
    let (actor, patch) = (caller.0, body.value);
    let stored = app
        .command(move |tx, now| {
            correct_service(tx, &actor, now, &reference, &if_match.0, |context, current| {
                let form = crud::patched(&ServiceForm::of(current), &patch)?;
                form.parse(context, &actor.subject, now, Some(current))
            })
        })
        .await?;
    Ok(crud::shown(stored.version, &ServiceBody::from(&stored)))
}

/// Withdraw a service that was recorded by mistake.
///
/// What it had restarted counts again from what stood before. A hold that a
/// failed leak test opened stays open until a person releases it, and
/// cylinders stay as a swap left them.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["upkeep:manage"])), responses((status = 204, description = "It was removed")))]
#[delete("/services/{id}")]
async fn delete_service(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("service", &id)?;
    app.command(move |tx, now| withdraw_service(tx, &caller.0, now, &reference, &if_match.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(record_service).service(list_services).service(get_service);
    config.service(patch_service).service(delete_service);
}
