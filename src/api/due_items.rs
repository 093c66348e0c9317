//! `/due-items`: when each task falls due, and why.

#![expect(unused_qualifications, reason = "utoipa qualifies the query types of params(…)")]

use super::Api;
use super::auth::Caller;
use super::fields::instant;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use super::{conditional, crud};
use crate::domain::names::Reference;
use crate::domain::upkeep::due::TriggerState;
use crate::domain::upkeep::evidence::{DueDates, Evidence};
use crate::domain::upkeep::moves::{Move, Reason};
use crate::domain::upkeep::{DueItem, DueState};
use crate::domain::violations::Check;
use crate::usecases::Error;
use crate::usecases::due_items::{self, Entry, KeptItem, Narrowed};
use crate::usecases::visits::{self, Planned};
use actix_web::http::header::ETAG;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// When something is expected; every member null where the data do not tell.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
#[schema(example = json!({
    "earliest": "2026-03-04T06:00:00Z", "likely": "2026-03-06T15:00:00Z", "latest": "2026-03-09T02:00:00Z"
}))]
pub(crate) struct DueBody {
    /// Hardly before: the 10 % point, where the date is uncertain.
    earliest: Option<DateTime<Utc>>,
    /// The best single date.
    likely: Option<DateTime<Utc>>,
    /// Hardly after: the 90 % point; null where no late date follows from the data.
    latest: Option<DateTime<Utc>>,
}

impl From<Option<DueDates>> for DueBody {
    fn from(due: Option<DueDates>) -> Self {
        Self {
            earliest: due.and_then(|due| due.earliest),
            likely: due.map(|due| due.likely),
            latest: due.and_then(|due| due.latest),
        }
    }
}

/// A stretch without readings.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "from": "2026-02-20T06:00:00Z", "to": "2026-02-23T06:00:00Z" }))]
pub(crate) struct GapBody {
    /// The last reading before it.
    from: DateTime<Utc>,
    /// The first reading after it.
    to: DateTime<Utc>,
}

/// The readings that were used.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "count": 40, "first": "2026-02-01T06:00:00Z", "last": "2026-03-02T06:00:00Z", "gaps": []
}))]
pub(crate) struct ReadingsUsedBody {
    /// How many.
    count: usize,
    /// When the first was taken.
    first: Option<DateTime<Utc>>,
    /// When the last was taken.
    last: Option<DateTime<Utc>>,
    /// Stretches without any, longer than a day and than five times the usual spacing.
    gaps: Vec<GapBody>,
}

/// A number that a date follows from.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "name": "daily_use", "value": 10.2, "low": 9.6, "high": 10.9, "unit": "mol a day" }))]
pub(crate) struct ParameterBody {
    /// What it is.
    name: String,
    /// Its value.
    value: f64,
    /// Lower end of its uncertainty; null for an exact number.
    low: Option<f64>,
    /// Upper end of its uncertainty; null for an exact number.
    high: Option<f64>,
    /// Its unit.
    unit: String,
}

/// What a date, or the lack of one, rests on.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "model": "interval since the last service", "source": "the rule itself", "readings": null,
    "parameters": [], "notes": []
}))]
pub(crate) struct EvidenceBody {
    /// How it was worked out.
    model: String,
    /// Where the method comes from.
    source: String,
    /// The readings used; null where the trigger uses none.
    readings: Option<ReadingsUsedBody>,
    /// The numbers used and found.
    parameters: Vec<ParameterBody>,
    /// What was assumed, and what to keep in mind.
    notes: Vec<String>,
}

impl From<&Evidence> for EvidenceBody {
    fn from(evidence: &Evidence) -> Self {
        let readings = evidence.readings.as_ref().map(|used| ReadingsUsedBody {
            count: used.count,
            first: used.first,
            last: used.last,
            gaps: used.gaps.iter().map(|gap| GapBody { from: gap.from, to: gap.to }).collect(),
        });
        let parameters = evidence.parameters.iter().cloned().map(|one| ParameterBody {
            name: one.name,
            value: one.value,
            low: one.low,
            high: one.high,
            unit: one.unit,
        });
        Self {
            model: evidence.model.clone(),
            source: evidence.source.clone(),
            readings,
            parameters: parameters.collect(),
            notes: evidence.notes.clone(),
        }
    }
}

/// What one trigger of an item says.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "kind": "calendar", "quantity": null, "governs": true, "known": true,
    "due": { "earliest": "2026-07-15T08:00:00Z", "likely": "2026-07-15T08:00:00Z", "latest": "2026-07-15T08:00:00Z" },
    "reason": null, "summary": "P6M after the service of 15 Jan 2026"
}))]
pub(crate) struct TriggerBody {
    /// Kind of trigger.
    kind: String,
    /// The quantity or meter that it looks at, for those that look at one.
    quantity: Option<String>,
    /// Whether it governs: it has the earliest likely date.
    governs: bool,
    /// Whether the data could tell, be it that no date is in sight.
    known: bool,
    /// When the task falls due by it.
    due: DueBody,
    /// Why there is no date.
    reason: Option<String>,
    /// The decisive figures in a few words.
    summary: String,
    /// What that rests on; left out in lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    evidence: Option<EvidenceBody>,
}

impl TriggerBody {
    fn of(trigger: &TriggerState, whole: bool) -> Self {
        Self {
            kind: trigger.kind.clone(),
            quantity: trigger.quantity.clone(),
            governs: trigger.governs,
            known: trigger.known,
            due: trigger.due.into(),
            reason: trigger.reason.clone(),
            summary: trigger.summary.clone(),
            evidence: whole.then(|| EvidenceBody::from(&trigger.evidence)),
        }
    }
}

/// One reason why a due item moved.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "reason": "reading", "detail": "14 new readings of gauge_bar" }))]
pub(crate) struct ReasonBody {
    /// `first` (computed for the first time), `service` (recorded, corrected or
    /// withdrawn), `rule` (the rule was changed), `reading` (came in or was
    /// removed), `booking` (booked or logged use changed), `part` (the part or
    /// the facility was changed) or `time` (nothing but time has passed).
    reason: &'static str,
    /// What it was, in a few words.
    detail: String,
}

impl From<&Reason> for ReasonBody {
    fn from(reason: &Reason) -> Self {
        Self { reason: reason.cause.word(), detail: reason.detail.clone() }
    }
}

/// The last move of a due item.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "at": "2026-03-02T00:00:00Z", "from_state": "current",
    "from": { "earliest": "2026-03-07T06:00:00Z", "likely": "2026-03-09T15:00:00Z", "latest": "2026-03-12T02:00:00Z" },
    "reasons": [{ "reason": "reading", "detail": "14 new readings of gauge_bar" }],
    "detail": "moved 3 days earlier: 14 new readings of gauge_bar"
}))]
pub(crate) struct MoveBody {
    /// The moment that it was computed for.
    at: DateTime<Utc>,
    /// When it was due before.
    from: DueBody,
    /// Where it stood before.
    from_state: &'static str,
    /// Why, the most specific first.
    reasons: Vec<ReasonBody>,
    /// The whole in a sentence.
    detail: String,
}

impl From<&Move> for MoveBody {
    fn from(moved: &Move) -> Self {
        Self {
            at: moved.at,
            from: moved.from.into(),
            from_state: moved.from_state.word(),
            reasons: moved.reasons.iter().map(Into::into).collect(),
            detail: moved.detail.clone(),
        }
    }
}

/// Where a due item stood from a moment on, and why.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-00000000000c", "at": "2026-03-02T00:00:00Z", "state": "approaching",
    "due": { "earliest": "2026-03-04T06:00:00Z", "likely": "2026-03-06T15:00:00Z", "latest": "2026-03-09T02:00:00Z" },
    "governing_trigger": "contents",
    "reasons": [{ "reason": "reading", "detail": "14 new readings of gauge_bar" }],
    "detail": "moved 3 days earlier: 14 new readings of gauge_bar"
}))]
pub(crate) struct DueHistoryBody {
    /// Its id.
    id: Uuid,
    /// The moment that it was computed for.
    at: DateTime<Utc>,
    /// Where it stood.
    state: &'static str,
    /// When it was due.
    due: DueBody,
    /// The kind of trigger that governed.
    governing_trigger: Option<String>,
    /// Why, the most specific first.
    reasons: Vec<ReasonBody>,
    /// The whole in a sentence.
    detail: String,
}

impl From<&Entry> for DueHistoryBody {
    fn from(entry: &Entry) -> Self {
        Self {
            id: entry.id,
            at: entry.at,
            state: entry.state.word(),
            due: entry.due.into(),
            governing_trigger: entry.governing_trigger.clone(),
            reasons: entry.reasons.iter().map(Into::into).collect(),
            detail: entry.detail.clone(),
        }
    }
}

/// When a task falls due on a part.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000004", "rule": "0199c5a0-0000-7000-8000-000000000001",
    "subject": "0199c5a0-0000-7000-8000-000000000005", "subject_kind": "glovebox", "subject_tag": "LYNX",
    "glovebox": "0199c5a0-0000-7000-8000-000000000005", "task": "leak_test", "state": "current",
    "due": { "earliest": "2026-07-15T08:00:00Z", "likely": "2026-07-15T08:00:00Z", "latest": "2026-07-15T08:00:00Z" },
    "governing_trigger": "calendar", "reason": null, "triggers": [], "act_by": "2026-07-15T08:00:00Z",
    "safety": false, "last_service": "2026-01-15T09:00:00Z", "computed_at": "2026-03-02T00:00:00Z",
    "moved": null, "planned": null
}))]
pub(crate) struct DueItemBody {
    /// Its id, the same from night to night.
    id: Uuid,
    /// The rule.
    rule: Uuid,
    /// The part.
    subject: Uuid,
    /// The part's kind.
    subject_kind: &'static str,
    /// The part's tag, with the box's for a part of a box.
    subject_tag: String,
    /// The box that it is or belongs to.
    glovebox: Option<Uuid>,
    /// The task.
    task: String,
    /// `unknown`, `current`, `approaching`, `due` (on the day of `act_by`) or `overdue` (after it).
    state: &'static str,
    /// When it is due, by the trigger that governs.
    due: DueBody,
    /// The kind of trigger that governs.
    governing_trigger: Option<String>,
    /// Why there is no date.
    reason: Option<String>,
    /// What each trigger says, in the rule's order.
    triggers: Vec<TriggerBody>,
    /// The date to have acted by: the likely one, or the earliest where safety depends on it.
    act_by: Option<DateTime<Utc>>,
    /// Whether people's safety depends on it.
    safety: bool,
    /// When it was last done, or the part was replaced by a new one.
    last_service: Option<DateTime<Utc>>,
    /// The moment it was computed for.
    computed_at: DateTime<Utc>,
    /// How it last moved: its state or governing trigger changed, or the likely
    /// date by more than an hour; null where it has not since it was first computed.
    moved: Option<MoveBody>,
    /// The visit on the calendar that it is to be done in; null where there is none.
    planned: Option<PlannedBody>,
}

/// When a due item is to be done.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "visit": "0199c5a0-0000-7000-8000-00000000000d", "start": "2026-07-06T06:00:00Z" }))]
pub(crate) struct PlannedBody {
    /// Id of the maintenance visit.
    visit: Uuid,
    /// When work at it begins.
    start: DateTime<Utc>,
}

impl DueItemBody {
    fn of(kept: &KeptItem, planned: &Planned, whole: bool) -> Self {
        let item: &DueItem = &kept.item;
        Self {
            id: kept.id,
            rule: item.rule.uuid(),
            subject: item.subject.uuid(),
            subject_kind: item.subject_kind.word(),
            subject_tag: item.subject_tag.clone(),
            glovebox: item.glovebox.map(Into::into),
            task: item.task.to_string(),
            state: item.state.word(),
            due: item.due.into(),
            governing_trigger: item.governing_trigger.clone(),
            reason: item.reason.clone(),
            triggers: item.triggers.iter().map(|trigger| TriggerBody::of(trigger, whole)).collect(),
            act_by: item.act_by,
            safety: item.safety,
            last_service: item.last_service,
            computed_at: item.computed_at,
            moved: kept.moved.as_ref().map(Into::into),
            planned: planned
                .get(&(item.task.clone(), item.subject))
                .map(|(visit, start)| PlannedBody { visit: visit.uuid(), start: *start }),
        }
    }
}

/// Query of the list of due items.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
struct DueQuery {
    /// Only those in these states, separated by commas.
    #[param(example = "due,overdue")]
    state: Option<String>,
    /// Only those of this box and its parts, by id or tag.
    glovebox: Option<String>,
    /// Only those likely due before this time (RFC 3339).
    before: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// The state of a word, or why there is none.
fn states(text: &str) -> Result<Vec<DueState>, String> {
    text.split(',')
        .map(|word| {
            DueState::from_word(word.trim()).ok_or_else(|| {
                let known: Vec<&str> = DueState::ALL.iter().map(|state| state.word()).collect();
                format!("{word:?} is none of {}", known.join(", "))
            })
        })
        .collect()
}

/// List due items as last computed, without the evidence.
#[utoipa::path(tag = "upkeep", params(DueQuery),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<DueItemBody>)))]
#[get("/due-items")]
async fn list_due_items(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<DueQuery>,
) -> Result<HttpResponse, Problem> {
    let query = query.0;
    let page = PageQuery { limit: query.limit, after: query.after }.parse()?;
    let mut check = Check::default();
    let glovebox =
        check.field("glovebox", query.glovebox.as_deref().map(str::parse::<Reference>).transpose());
    let states = query.state.as_deref().map(states).transpose();
    check.require(states.is_ok(), "state", "unknown_word", states.clone().err().unwrap_or_default());
    let before = query.before.as_deref().and_then(|text| instant(&mut check, "before", text));
    let parts = glovebox.zip(states.ok());
    let (glovebox, states) = check.build(parts, |parts| parts).map_err(|faults| Problem::invalid(&faults))?;
    let narrowed = Narrowed { states, glovebox: None, before };
    let (found, planned) = app
        .query(move |tx, now| {
            let found =
                due_items::list(tx, &caller.0, glovebox.as_ref(), &narrowed, page.after, page.probe())?;
            Ok((found, visits::planned(tx, now)?))
        })
        .await?;
    let listing = Listing::new(found, page, |kept| kept.id.to_string());
    Ok(listing.map(|kept| DueItemBody::of(kept, &planned, false)).answer(&request))
}

/// Show a due item with the whole evidence.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It", body = DueItemBody)))]
#[get("/due-items/{id}")]
async fn get_due_item(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = Uuid::parse_str(&id).map_err(|_| Error::unknown("due_item", id.as_str()))?;
    let (kept, planned) =
        app.query(move |tx, now| Ok((due_items::get(tx, &caller.0, id)?, visits::planned(tx, now)?))).await?;
    if conditional::none_match(&request, kept.version) {
        let tag = conditional::etag(kept.version);
        return Ok(HttpResponse::NotModified().insert_header((ETAG, tag)).finish());
    }
    Ok(crud::shown(kept.version, &DueItemBody::of(&kept, &planned, true)))
}

/// Show how a due item moved, the newest last.
///
/// There is an entry for when it was first computed, and one for each time
/// that its state or its governing trigger changed, or its likely date by more
/// than an hour.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id"), PageQuery),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of its history", body = Listing<DueHistoryBody>)))]
#[get("/due-items/{id}/history")]
async fn list_due_item_history(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    let page = query.0.parse()?;
    let id = Uuid::parse_str(&id).map_err(|_| Error::unknown("due_item", id.as_str()))?;
    let found =
        app.query(move |tx, _| due_items::history(tx, &caller.0, id, page.after, page.probe())).await?;
    let listing = Listing::new(found, page, |entry| entry.id.to_string());
    Ok(listing.map(|entry| DueHistoryBody::from(entry)).answer(&request))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(list_due_items).service(get_due_item).service(list_due_item_history);
}
