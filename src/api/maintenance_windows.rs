//! `/maintenance-windows`.

mod occurrences;

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::IfMatch;
use super::crud::{self, Form};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::calendar::recurrence::RecurrenceText;
use crate::domain::calendar::{Length, Recurrence};
use crate::domain::facility::windows::{
    WindowError, WindowHolds, few_named, rare_enough, short_enough, some_named,
};
use crate::domain::facility::{MaintenanceWindow, ParseContext, Stored, ThingKind};
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Name, Reference, Word};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::keep::Kept as _;
use crate::usecases::windows::{self, Announced};
use actix_web::web::Path;
use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// A maintenance window as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "name": "Monday upkeep", "dtstart": "2026-03-02T08:00:00", "timezone": "Europe/Berlin",
    "duration": "PT2H", "rrule": "FREQ=WEEKLY;BYDAY=MO", "exdates": ["2026-04-06T08:00:00"],
    "gloveboxes": ["0197e0a2-5a10-7c3e-9b1f-3d2f6a7b8c9d"], "tasks": ["glove_change", "leak_test"],
    "holds": "when_needed", "notice": "P7D"
}))]
pub(crate) struct WindowForm {
    /// Name for people; `Maintenance` unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// First start on the wall of `timezone`, without an offset.
    dtstart: String,
    /// IANA time zone that `dtstart`, `rdates` and `exdates` are in; the facility's unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    timezone: Option<String>,
    /// How long each lasts in elapsed time, ISO 8601; at most 14 days.
    duration: String,
    /// RFC 5545 recurrence rule, DAILY to YEARLY; absent for a single window
    /// and what `rdates` adds. With a rule, `dtstart` is an occurrence only
    /// where the rule names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rrule: Option<String>,
    /// Further starts, written as `dtstart`; at most 500.
    #[serde(default)]
    rdates: Vec<String>,
    /// Starts left out, written as `dtstart`; at most 500.
    #[serde(default)]
    exdates: Vec<String>,
    /// Ids or tags of the gloveboxes meant; absent or null for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gloveboxes: Option<Vec<String>>,
    /// The upkeep tasks it is for; empty for any.
    #[serde(default)]
    tasks: Vec<String>,
    /// `always`: never bookable. `when_needed`: bookable, given up when planned work lands in it.
    #[schema(pattern = "^(always|when_needed)$")]
    holds: String,
    /// With `when_needed`: how long before it begins those who booked into it
    /// are told at the latest, ISO 8601.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    notice: Option<String>,
}

/// A maintenance window.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct WindowBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    window: WindowForm,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

/// A maintenance window just created or changed.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct AnnouncedWindowBody {
    #[serde(flatten)]
    window: WindowBody,
    /// Where the window always holds: ids of the bookings in the next 90 days
    /// that overlap it, by start, the first 100. They stand until cancelled.
    affected_bookings: Vec<Uuid>,
}

impl WindowForm {
    /// The form with the zone written out.
    pub(crate) fn in_zone(mut self, zone: chrono_tz::Tz) -> Self {
        self.timezone.get_or_insert_with(|| zone.name().to_owned());
        self
    }

    fn when(&self) -> Result<Recurrence, Violations> {
        let recurrence = Recurrence::parse(&RecurrenceText {
            dtstart: self.dtstart.clone(),
            timezone: self.timezone.clone().unwrap_or_default(),
            rrule: self.rrule.clone(),
            rdates: self.rdates.clone(),
            exdates: self.exdates.clone(),
        })?;
        let mut check = Check::default();
        check.field("rrule", rare_enough(&recurrence));
        check.finish(|| recurrence)
    }

    fn lasting(&self) -> Result<Length, Violations> {
        let mut check = Check::default();
        let length = check.field("duration", Length::parse(&self.duration));
        let short = length.and_then(|length| check.field("duration", short_enough(length)));
        check.build(short, |length| length)
    }

    fn which(&self, context: &mut dyn ParseContext) -> Result<Option<Vec<GloveboxId>>, Violations> {
        let Some(texts) = &self.gloveboxes else { return Ok(None) };
        let mut check = Check::default();
        let named = check.field("gloveboxes", some_named(texts.len()));
        // A list that is too long is not looked up.
        let found = named.map(|()| check.each("gloveboxes", texts, |text| glovebox(context, text)));
        check.finish(|| found)
    }

    fn what(&self) -> Result<Vec<Word>, Violations> {
        let mut check = Check::default();
        check.field("tasks", few_named(self.tasks.len()));
        let mut tasks = Vec::with_capacity(self.tasks.len());
        for (index, text) in self.tasks.iter().enumerate() {
            tasks.extend(check.field(&format!("tasks[{index}]"), Word::parse(text)));
        }
        check.finish(|| tasks)
    }

    fn keeps(&self) -> Result<WindowHolds, Violations> {
        let mut check = Check::default();
        let notice = check.field("notice", self.notice.as_deref().map(Length::parse).transpose());
        let holds = match WindowHolds::from_parts(&self.holds, notice.flatten()) {
            Ok(holds) => Some(holds),
            Err(error) => {
                let field = if error == WindowError::NoticeOfAlways { "notice" } else { "holds" };
                check.field(field, Err(error))
            }
        };
        check.build(holds, |holds| holds)
    }
}

fn glovebox(context: &mut dyn ParseContext, text: &str) -> Result<GloveboxId, Violations> {
    let reference: Reference = text.parse().map_err(|_| unknown_glovebox(text))?;
    context
        .find(ThingKind::Glovebox, None, &reference)
        .map(GloveboxId::from)
        .ok_or_else(|| unknown_glovebox(text).into())
}

fn unknown_glovebox(text: &str) -> Violation {
    Violation::new("", "unknown_reference", format!("there is no glovebox {text}"))
}

impl Form for WindowForm {
    type Value = MaintenanceWindow;
    type View = WindowBody;
    const PATH: &'static str = "maintenance-windows";

    fn parse(
        &self,
        context: &mut dyn ParseContext,
        _: Option<&MaintenanceWindow>,
    ) -> Result<MaintenanceWindow, Violations> {
        let mut check = Check::default();
        let name = check.field("name", Name::parse(self.name.as_deref().unwrap_or("Maintenance")));
        let recurrence = check.part("", self.when());
        let duration = check.part("", self.lasting());
        let gloveboxes = check.part("", self.which(context));
        let tasks = check.part("", self.what());
        let holds = check.part("", self.keeps());
        let parts = name.zip(recurrence).zip(duration).zip(gloveboxes).zip(tasks).zip(holds);
        check
            .build(parts, |(((((name, recurrence), duration), gloveboxes), tasks), holds)| {
                MaintenanceWindow { name, recurrence, duration, gloveboxes, tasks, holds }
            })?
            .checked()
    }

    fn of(window: &MaintenanceWindow) -> Self {
        let when = RecurrenceText::from(window.recurrence.clone());
        let ids = |list: &Vec<GloveboxId>| list.iter().map(ToString::to_string).collect();
        Self {
            name: Some(window.name.to_string()),
            dtstart: when.dtstart,
            timezone: Some(when.timezone),
            duration: window.duration.to_string(),
            rrule: when.rrule,
            rdates: when.rdates,
            exdates: when.exdates,
            gloveboxes: window.gloveboxes.as_ref().map(ids),
            tasks: window.tasks.iter().map(ToString::to_string).collect(),
            holds: window.holds.word().to_owned(),
            notice: window.holds.notice().map(|notice| notice.to_string()),
        }
    }
}

impl From<&Stored<MaintenanceWindow>> for WindowBody {
    fn from(stored: &Stored<MaintenanceWindow>) -> Self {
        Self {
            id: stored.id,
            window: WindowForm::of(&stored.value),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

impl From<&Announced> for AnnouncedWindowBody {
    fn from(announced: &Announced) -> Self {
        Self {
            window: WindowBody::from(&announced.window),
            affected_bookings: announced.affected.iter().map(|id| id.uuid()).collect(),
        }
    }
}

/// Add a maintenance window.
///
/// The answer names the bookings that a window which always holds falls upon.
#[utoipa::path(tag = "upkeep", request_body = WindowForm,
    security(("token" = ["upkeep:manage"]), ("token" = ["facility:manage"])),
    responses((status = 201, description = "It was created", body = AnnouncedWindowBody)))]
#[post("/maintenance-windows")]
async fn create_maintenance_window(
    app: Api,
    caller: Caller,
    body: Body<WindowForm>,
) -> Result<HttpResponse, Problem> {
    let (actor, form) = (caller.0.clone(), body.value);
    let answer = app
        .command_once(&caller.0, body.once, move |tx, now| {
            let made = windows::create(tx, &actor, now, |context, zone| {
                form.clone().in_zone(zone).parse(context, None)
            })?;
            let view = AnnouncedWindowBody::from(&made);
            Ok(crud::created(WindowForm::PATH, made.window.id, made.window.version, &view))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// List the maintenance windows.
#[utoipa::path(tag = "upkeep", params(PageQuery),
    security(("token" = ["facility:read"]), ("token" = ["facility:manage"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of them", body = Listing<WindowBody>)))]
#[get("/maintenance-windows")]
async fn list_maintenance_windows(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<PageQuery>,
) -> Result<HttpResponse, Problem> {
    crud::list::<WindowForm>(&app, caller.0, &request, &query.0).await
}

/// Show a maintenance window.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["facility:manage"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "It", body = WindowBody)))]
#[get("/maintenance-windows/{id}")]
async fn get_maintenance_window(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: Path<String>,
) -> Result<HttpResponse, Problem> {
    crud::read::<WindowForm>(&app, caller.0, &request, &id).await
}

/// Change a maintenance window by a JSON merge patch (RFC 7396).
///
/// The answer names the bookings that a window which always holds falls upon.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    request_body(content = WindowForm, description = "The fields to change"),
    security(("token" = ["upkeep:manage"]), ("token" = ["facility:manage"])),
    responses((status = 200, description = "It, changed", body = AnnouncedWindowBody)))]
#[patch("/maintenance-windows/{id}")]
async fn patch_maintenance_window(
    app: Api,
    caller: Caller,
    id: Path<String>,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference(MaintenanceWindow::NAME, &id)?;
    let patch = body.value;
    let made = app
        .command(move |tx, now| {
            windows::change(tx, &caller.0, now, &reference, &if_match.0, |context, zone, current| {
                crud::merged::<WindowForm>(current, &patch)?.in_zone(zone).parse(context, Some(current))
            })
        })
        .await?;
    Ok(crud::shown(made.window.version, &AnnouncedWindowBody::from(&made)))
}

/// Remove a maintenance window.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id")),
    security(("token" = ["upkeep:manage"]), ("token" = ["facility:manage"])),
    responses((status = 204, description = "It was removed")))]
#[delete("/maintenance-windows/{id}")]
async fn delete_maintenance_window(
    app: Api,
    caller: Caller,
    id: Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    crud::delete::<WindowForm>(&app, caller.0, &id, if_match).await
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_maintenance_window)
        .service(list_maintenance_windows)
        .service(get_maintenance_window)
        .service(patch_maintenance_window)
        .service(delete_maintenance_window)
        .service(occurrences::list_maintenance_window_occurrences);
}
