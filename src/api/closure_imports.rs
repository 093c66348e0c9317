//! `/facility/closures/import`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::Api;
use super::auth::Caller;
use super::body::{content_type, read};
use super::conditional::IfMatch;
use super::crud;
use super::facility::ClosureForm;
use super::params::Params;
use super::problem::{self, Problem};
use crate::domain::calendar::ics::closures::Skipped;
use crate::domain::names::Reference;
use crate::domain::violations::{Violation, Violations};
use crate::usecases::import_closures::{Imported, allowed, import};
use actix_web::{HttpRequest, HttpResponse, post, web};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

/// Largest file taken.
const FILE_LIMIT: usize = 1024 * 1024;

/// What the closures are of.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct ImportQuery {
    /// The one box that is closed, by id or tag; all unless given.
    glovebox: Option<String>,
}

/// An entry that was not taken over.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"line": 12, "uid": "drill@site.example", "code": "cancelled", "detail": "the event was called off"}))]
pub(crate) struct SkippedEntryBody {
    /// The line of the file it begins on, from 1.
    line: usize,
    /// Its `UID`.
    uid: Option<String>,
    /// Stable code.
    code: &'static str,
    /// Why, in a sentence.
    detail: String,
}

impl From<Skipped> for SkippedEntryBody {
    fn from(skipped: Skipped) -> Self {
        let Skipped { line, uid, code, detail } = skipped;
        Self { line, uid, code, detail }
    }
}

/// What became of a file.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "added": [{"start": "2026-12-23T23:00:00Z", "end": "2027-01-01T23:00:00Z", "reason": "Winter break"}],
    "known": 3,
    "skipped": [{"line": 12, "uid": "drill@site.example", "code": "cancelled", "detail": "the event was called off"}]
}))]
pub(crate) struct ImportedBody {
    /// The closures that are new.
    added: Vec<ClosureForm>,
    /// How many of the file's closures were there already.
    known: usize,
    /// What was not taken over, in the order of the file.
    skipped: Vec<SkippedEntryBody>,
}

/// Take closures over from an iCalendar file.
///
/// Each event becomes a closure, for the same time and with its summary as the reason. What recurs is expanded
/// for two years, up to 366 times an event; days are days of the facility's zone, as are times without a zone.
/// A closure of the same time, reason and box is not added again, so a file may be sent as often as one likes;
/// an event that was moved in it adds another closure and leaves the old one. A file that cannot be read
/// changes nothing; single events that cannot be used are named in `skipped`.
#[utoipa::path(tag = "facility", params(ImportQuery),
    request_body(content = String, content_type = "text/calendar", description = "An iCalendar file, 1 MiB at most",
        example = json!("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//site//EN\r\nBEGIN:VEVENT\r\nUID:1@site.example\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;VALUE=DATE:20261224\r\nDTEND;VALUE=DATE:20270102\r\nSUMMARY:Winter break\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n")),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "What became of it", body = ImportedBody,
        headers(("ETag" = String, description = "Version of the facility, for If-Match.")))))]
#[post("/facility/closures/import")]
async fn import_closures(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<ImportQuery>,
    if_match: IfMatch,
    payload: web::Payload,
) -> Result<HttpResponse, Problem> {
    let actor = caller.0;
    // A file is not read for whoever may not send one.
    allowed(&actor)?;
    let kind = content_type(&request);
    if kind != "text/calendar" {
        return Err(Problem::new(
            problem::UNSUPPORTED,
            format!("the body must be text/calendar, not {kind:?}"),
        ));
    }
    let glovebox = query.0.glovebox.as_ref().map(|text| text.parse::<Reference>()).transpose();
    let glovebox = glovebox.map_err(|error| {
        let fault: Violations = Violation::new("glovebox", "unknown_reference", error.to_string()).into();
        Problem::invalid(&fault)
    })?;
    let file = read(payload.into_inner(), FILE_LIMIT).await?;
    let imported =
        app.command(move |tx, now| import(tx, &actor, now, &if_match.0, glovebox.as_ref(), &file)).await?;
    let Imported { version, added, known, skipped } = imported;
    let view = ImportedBody {
        added: added.iter().map(ClosureForm::of).collect(),
        known,
        skipped: skipped.into_iter().map(SkippedEntryBody::from).collect(),
    };
    Ok(crud::shown(version, &view))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(import_closures);
}
