//! `/plan`: what wants doing and is not planned, a form that searches for a plan, and
//! what is on the calendar. `/plan/search/{id}`: how far a search is. `/plan/{id}`: a plan day by day beside what is booked,
//! with whom it displaces; adopted all of it or not at all.

mod desk;
mod search;
mod spread;

use super::bookings::seen;
use super::fault::Fault;
use super::forms::{Filled, Form, Posted};
use super::layout::{self, Frame};
use super::session::Visitor;
use super::{Site, say};
use crate::domain::calendar::Interval;
use crate::domain::facility::{ParseContext, ThingKind};
use crate::domain::names::Reference;
use crate::domain::planning::Refusal;
use crate::domain::planning::record::Scope;
use crate::domain::planning::snapshot::{Grid, Request};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::propose_plan::{self, Asked, LEAD, LONGEST_HORIZON};
use crate::usecases::{Error, adopt_plan, plan_desk};
use actix_web::http::StatusCode;
use actix_web::http::header::{LOCATION, RETRY_AFTER};
use actix_web::{HttpResponse, get, post, web};
use chrono::{DateTime, TimeDelta, Utc};
use std::time::Duration;
use uuid::Uuid;

/// How long is searched at most.
const TIME: Duration = Duration::from_secs(8);
/// The weeks that a plan may be about, and how many it is about unless told otherwise.
const WEEKS: [i64; 5] = [1, 2, 4, 8, 13];
const USUAL_WEEKS: &str = "4";

#[get("/plan")]
async fn show(app: Site, visitor: Visitor) -> Result<HttpResponse, Fault> {
    desk(&app, &visitor, StatusCode::OK, Filled::default(), &[], None).await
}

async fn desk(
    app: &Site,
    visitor: &Visitor,
    status: StatusCode,
    filled: Filled,
    faults: &[Violation],
    refusal: Option<&Refusal>,
) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let desk = app.query(move |tx, now| plan_desk::look(tx, &actor, now)).await?;
    let filled = filled.or("weeks", USUAL_WEEKS);
    let frame = Frame {
        title: "Plan upkeep",
        facility: desk.site.name.as_str(),
        here: "/plan",
        visitor,
        refresh: None,
    };
    let body = desk::page(&desk, visitor, Form { filled: &filled, faults }, refusal);
    let mut answer = HttpResponse::build(status);
    if status == StatusCode::SERVICE_UNAVAILABLE {
        answer.insert_header((RETRY_AFTER, "5"));
    }
    Ok(layout::sent(&mut answer, &layout::page(frame, &body)))
}

#[post("/plan")]
async fn propose(app: Site, posted: Posted) -> Result<HttpResponse, Fault> {
    let Posted { visitor, filled } = posted;
    let (actor, asked) = (visitor.actor.clone(), filled.clone());
    let prepared = app
        .query(move |tx, now| {
            propose_plan::prepare(tx, &actor, now, None, |context, _| read(&asked, context, now))
        })
        .await;
    let prepared = match prepared {
        Ok(prepared) => prepared,
        Err(Error::Invalid(faults)) => {
            let (status, faults) = (StatusCode::UNPROCESSABLE_ENTITY, faults.into_vec());
            return desk(&app, &visitor, status, filled, &faults, None).await;
        }
        Err(other) => return Err(other.into()),
    };
    match app.begin_search(&visitor.actor, prepared) {
        Ok(id) => {
            Ok(HttpResponse::SeeOther().insert_header((LOCATION, search::way_to(id, &filled))).finish())
        }
        Err(Error::PlannerOccupied) => {
            let busy = "Another plan is being searched for just now, one at a time. Try again in a moment.";
            let fault = Violation::new("", "occupied", busy);
            desk(&app, &visitor, StatusCode::SERVICE_UNAVAILABLE, filled, &[fault], None).await
        }
        Err(other) => Err(other.into()),
    }
}

/// What is asked of a plan.
fn read(filled: &Filled, context: &mut dyn ParseContext, now: DateTime<Utc>) -> Result<Asked, Violations> {
    let mut check = Check::default();
    let weeks = filled.get("weeks").parse::<i64>().ok().filter(|weeks| WEEKS.contains(weeks));
    check.require(weeks.is_some(), "weeks", "out_of_range", "Choose one of the lengths.");
    let from = now + LEAD;
    let length = weeks.map(|weeks| TimeDelta::weeks(weeks).min(LONGEST_HORIZON));
    let horizon = length.and_then(|length| Interval::lasting(from, length).ok());
    let gloveboxes = match filled.get("box") {
        "" => None,
        text => {
            let reference = check.field("box", text.parse::<Reference>());
            let found = reference.and_then(|tag| context.find(ThingKind::Glovebox, None, &tag));
            check.require(found.is_some(), "box", "unknown_reference", "There is no such box.");
            Some(found.into_iter().map(Into::into).collect())
        }
    };
    check.build(horizon, |horizon| Asked {
        scope: Scope {
            horizon,
            grid: Grid::Half,
            due_items: None,
            gloveboxes,
            request: Request::default(),
            seed: 0,
        },
        free: Vec::new(),
        named: Vec::new(),
        time: TIME,
    })
}

fn plan_id(text: &str) -> Result<Uuid, Fault> {
    text.parse().map_err(|_| Fault::nowhere())
}

#[get("/plan/{id}")]
async fn look(app: Site, visitor: Visitor, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    shown(&app, &visitor, plan_id(&id)?, StatusCode::OK, &[]).await
}

async fn shown(
    app: &Site,
    visitor: &Visitor,
    id: Uuid,
    status: StatusCode,
    changes: &[String],
) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let spread = app.query(move |tx, now| plan_desk::spread(tx, &actor, now, id)).await?;
    let (now, zone) = (spread.now, spread.site.timezone);
    let faults: Vec<Violation> = changes
        .iter()
        .map(|detail| Violation::new("", "outdated", format!("{}.", say::locally(detail, now, zone))))
        .collect();
    let frame = Frame {
        title: "A plan for upkeep",
        facility: spread.site.name.as_str(),
        here: "/plan",
        visitor,
        refresh: None,
    };
    let body = spread::page(&spread, visitor, &faults);
    Ok(layout::sent(&mut HttpResponse::build(status), &layout::page(frame, &body)))
}

#[post("/plan/{id}")]
async fn decide(app: Site, posted: Posted, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    let Posted { visitor, filled } = posted;
    let id = plan_id(&id)?;
    let (actor, seen) = (visitor.actor.clone(), seen(&filled));
    let (done, to) = match filled.get("do") {
        "adopt" => {
            let adopted = app.command(move |tx, now| adopt_plan::adopt(tx, &actor, now, id, &seen).map(drop));
            (adopted.await, format!("/plan/{id}"))
        }
        "discard" => {
            let gone = app.command(move |tx, now| propose_plan::discard(tx, &actor, now, id, &seen));
            (gone.await, "/plan".to_owned())
        }
        _ => return Err(Fault::unreadable_form()),
    };
    match done {
        Ok(()) => Ok(HttpResponse::SeeOther().insert_header((LOCATION, to)).finish()),
        Err(Error::PlanOutdated(changes)) => {
            let changes: Vec<String> = changes.into_iter().map(|change| change.detail).collect();
            shown(&app, &visitor, id, StatusCode::CONFLICT, &changes).await
        }
        Err(Error::WrongState(detail)) => shown(&app, &visitor, id, StatusCode::CONFLICT, &[detail]).await,
        Err(other) => Err(other.into()),
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show).service(propose).service(search::show).service(look).service(decide);
}
