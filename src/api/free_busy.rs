//! `/free-busy`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

use super::auth::Caller;
use super::fields::instant;
use super::params::Params;
use super::problem::Problem;
use super::{Api, accept};
use crate::domain::calendar::Interval;
use crate::domain::calendar::free_busy::BusyTime;
use crate::domain::calendar::ics::FreeBusy;
use crate::domain::calendar::ics::components::write_free_busy;
use crate::domain::names::Reference;
use crate::domain::violations::{Check, Violations};
use crate::usecases::free_busy::{BoxBusy, find};
use crate::usecases::openings::LONGEST_SEARCH;
use actix_web::http::header::VARY;
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Which busy time is wanted.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct FreeBusyQuery {
    /// One box, by id or tag; all unless given.
    glovebox: Option<String>,
    /// From when; now unless given.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Until when, exclusive; 14 days later unless given, 120 at most.
    #[param(format = DateTime)]
    to: Option<String>,
}

impl FreeBusyQuery {
    fn parse(&self, now: DateTime<Utc>) -> Result<(Option<Reference>, Interval), Violations> {
        let mut check = Check::default();
        let glovebox =
            check.field("glovebox", self.glovebox.as_ref().map(|text| text.parse::<Reference>()).transpose());
        let from = self.from.as_ref().map_or(Some(now), |text| instant(&mut check, "from", text));
        let to = match &self.to {
            Some(text) => instant(&mut check, "to", text),
            None => from.map(|from| from + TimeDelta::days(14)),
        };
        let range = from.zip(to).and_then(|(from, to)| {
            let range = Interval::new(from, to).ok().filter(|range| range.length() <= LONGEST_SEARCH);
            check.require(range.is_some(), "to", "bad_range", "must come after `from`, by 120 days at most");
            range
        });
        check.build(glovebox.zip(range), |parts| parts)
    }
}

/// A stretch of busy time.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({"start": "2026-03-02T08:00:00Z", "end": "2026-03-02T11:00:00Z", "fbtype": "BUSY"}))]
pub(crate) struct BusyTimeBody {
    /// From when.
    start: DateTime<Utc>,
    /// Until when.
    end: DateTime<Utc>,
    /// `BUSY`, `BUSY-TENTATIVE` or `BUSY-UNAVAILABLE` (RFC 5545 §3.2.9).
    fbtype: &'static str,
}

/// Busy time of a station.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StationBusyBody {
    /// The station.
    station: Uuid,
    /// Its tag.
    tag: String,
    /// When it is taken, or closed.
    busy: Vec<BusyTimeBody>,
}

/// Busy time of a box.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BoxBusyBody {
    /// The box.
    glovebox: Uuid,
    /// Its tag.
    glovebox_tag: String,
    /// When anything of it is taken, or all of it closed; a box of several stations may still have one free.
    busy: Vec<BusyTimeBody>,
    /// The same for each of its stations.
    stations: Vec<StationBusyBody>,
}

/// Busy time, box by box.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "from": "2026-03-02T00:00:00Z", "to": "2026-03-03T00:00:00Z",
    "items": [{
        "glovebox": "0190f0a2-7000-7000-8000-000000000001", "glovebox_tag": "OTTER",
        "busy": [{"start": "2026-03-02T08:00:00Z", "end": "2026-03-02T11:00:00Z", "fbtype": "BUSY"}],
        "stations": [{"station": "0190f0a2-7000-7000-8000-000000000002", "tag": "S1",
                      "busy": [{"start": "2026-03-02T08:00:00Z", "end": "2026-03-02T11:00:00Z", "fbtype": "BUSY"}]}]
    }]
}))]
pub(crate) struct FreeBusyBody {
    /// From when.
    from: DateTime<Utc>,
    /// Until when.
    to: DateTime<Utc>,
    /// The boxes.
    items: Vec<BoxBusyBody>,
}

fn times(busy: &[BusyTime]) -> Vec<BusyTimeBody> {
    let body = |time: &BusyTime| BusyTimeBody {
        start: time.interval.start(),
        end: time.interval.end(),
        fbtype: time.busy.word(),
    };
    busy.iter().map(body).collect()
}

impl From<&BoxBusy> for BoxBusyBody {
    fn from(found: &BoxBusy) -> Self {
        let stations = found.stations.iter().map(|(id, tag, busy)| StationBusyBody {
            station: id.uuid(),
            tag: tag.to_string(),
            busy: times(busy),
        });
        Self {
            glovebox: found.glovebox.uuid(),
            glovebox_tag: found.tag.to_string(),
            busy: times(&found.busy),
            stations: stations.collect(),
        }
    }
}

/// Find when boxes are busy.
///
/// In the words of RFC 5545: `BUSY` what is booked, antechamber turns and purges included, `BUSY-TENTATIVE` what
/// is booked but not for certain, `BUSY-UNAVAILABLE` what is closed: by hours, closures, holds, maintenance
/// visits and windows that always hold. JSON, or VFREEBUSY components by `Accept: text/calendar`.
#[utoipa::path(tag = "calendars", params(FreeBusyQuery),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "Busy time",
        content((FreeBusyBody = "application/json"), (String = "text/calendar")))))]
#[get("/free-busy")]
async fn show_free_busy(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<FreeBusyQuery>,
) -> Result<HttpResponse, Problem> {
    let now = app.now();
    let (glovebox, range) = query.0.parse(now).map_err(|faults| Problem::invalid(&faults))?;
    let found = app.query(move |tx, now| find(tx, &caller.0, now, glovebox.as_ref(), range)).await?;
    let mut answer = HttpResponse::Ok();
    answer.insert_header((VARY, "accept"));
    if accept::preferred(&request, &["application/json", "text/calendar"]) == "text/calendar" {
        let all: Vec<FreeBusy> = found.iter().map(|one| component(one, range, now)).collect();
        return Ok(answer.content_type(super::ICALENDAR).body(write_free_busy(&all)));
    }
    let items = found.iter().map(BoxBusyBody::from).collect();
    Ok(answer.json(FreeBusyBody { from: range.start(), to: range.end(), items }))
}

fn component(found: &BoxBusy, range: Interval, now: DateTime<Utc>) -> FreeBusy {
    FreeBusy {
        uid: format!("free-busy-{}@drykeep", found.glovebox),
        comment: found.tag.to_string(),
        stamped: now,
        range,
        busy: found.busy.clone(),
    }
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(show_free_busy);
}
