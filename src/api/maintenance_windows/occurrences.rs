//! `/maintenance-windows/{id}/occurrences`.

use crate::api::auth::Caller;
use crate::api::fields::instant;
use crate::api::paging::{Listing, PageQuery};
use crate::api::params::Params;
use crate::api::problem::Problem;
use crate::api::{Api, crud};
use crate::domain::calendar::Interval;
use crate::domain::facility::MaintenanceWindow;
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::keep::Kept as _;
use crate::usecases::windows;
use actix_web::web::Path;
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, SecondsFormat, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The stretch of time asked for, and the part of the list.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(super) struct OccurrencesQuery {
    /// Occurrences that end after this; RFC 3339, from 1970 on.
    #[param(required = true, value_type = Option<DateTime<Utc>>)]
    from: Option<String>,
    /// Occurrences that begin before this; RFC 3339, at most 800 days after `from`, up to the end of 2099.
    #[param(required = true, value_type = Option<DateTime<Utc>>)]
    to: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// One occurrence of a maintenance window.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "start": "2026-03-30T06:00:00Z", "end": "2026-03-30T08:00:00Z",
    "local_start": "2026-03-30T08:00:00+02:00", "local_end": "2026-03-30T10:00:00+02:00",
    "timezone": "Europe/Berlin"
}))]
pub(super) struct OccurrenceBody {
    /// First instant inside.
    start: DateTime<Utc>,
    /// First instant after it.
    end: DateTime<Utc>,
    /// The start as the clocks of the zone show it, with their offset.
    local_start: String,
    /// The end as the clocks of the zone show it, with their offset.
    local_end: String,
    /// The zone.
    timezone: String,
}

impl OccurrenceBody {
    fn new(zone: Tz, occurrence: &Interval) -> Self {
        let local = |at: DateTime<Utc>| at.with_timezone(&zone).to_rfc3339_opts(SecondsFormat::AutoSi, false);
        Self {
            start: occurrence.start(),
            end: occurrence.end(),
            local_start: local(occurrence.start()),
            local_end: local(occurrence.end()),
            timezone: zone.name().to_owned(),
        }
    }
}

/// An instant that must be given.
fn needed(check: &mut Check, field: &str, text: Option<&str>) -> Option<DateTime<Utc>> {
    if text.is_none() {
        check.note(Violation::new(field, "missing_field", "must be given"));
    }
    text.and_then(|text| instant(check, field, text))
}

impl OccurrencesQuery {
    fn range(&self) -> Result<Interval, Violations> {
        let mut check = Check::default();
        let from = needed(&mut check, "from", self.from.as_deref());
        let to = needed(&mut check, "to", self.to.as_deref());
        let range = from.zip(to).and_then(|(from, to)| {
            let range = Interval::new(from, to);
            check.require(range.is_ok(), "to", "empty_range", "must come after from");
            range.ok()
        });
        check.build(range, |range| range)
    }

    fn after(&self) -> Result<Option<DateTime<Utc>>, Problem> {
        let bad = |_| Problem::field("after", "bad_cursor", "must be the `next` of a page");
        self.after.as_deref().map(|text| text.parse().map_err(bad)).transpose()
    }
}

/// List when a maintenance window is, within a stretch of time.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id"), OccurrencesQuery),
    security(("token" = ["facility:read"]), ("token" = ["facility:manage"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "A page of occurrences, whole, in order of their start",
        body = Listing<OccurrenceBody>)))]
#[get("/maintenance-windows/{id}/occurrences")]
pub(super) async fn list_maintenance_window_occurrences(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: Path<String>,
    query: Params<OccurrencesQuery>,
) -> Result<HttpResponse, Problem> {
    let query = query.0;
    let page = PageQuery { limit: query.limit.clone(), after: None }.parse()?;
    let after = query.after()?;
    let range = query.range().map_err(|faults| Problem::invalid(&faults))?;
    let reference = crud::reference(MaintenanceWindow::NAME, &id)?;
    let (zone, found) =
        app.query(move |tx, _| windows::occurrences(tx, &caller.0, &reference, range)).await?;
    let probe = usize::try_from(page.probe()).unwrap_or(usize::MAX);
    let rest: Vec<Interval> = found
        .into_iter()
        .filter(|occurrence| after.is_none_or(|after| occurrence.start() > after))
        .take(probe)
        .collect();
    let cursor = |last: &Interval| last.start().to_rfc3339_opts(SecondsFormat::Secs, true);
    let listing = Listing::new(rest, page, cursor);
    Ok(listing.map(|occurrence| OccurrenceBody::new(zone, occurrence)).answer(&request))
}
