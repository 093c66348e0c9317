//! `/plan/search/{id}`: a search that goes on, how far it is, and over to the plan when
//! there is one. It looks again by itself and never for ever: a search that nobody knows
//! of is said to be lost.

use super::{Site, desk, layout, plan_id};
use crate::domain::planning::weights::person_hours;
use crate::domain::violations::Violation;
use crate::pages::fault::Fault;
use crate::pages::forms::Filled;
use crate::pages::layout::Frame;
use crate::pages::say;
use crate::pages::session::Visitor;
use crate::usecases::searches::Seen;
use crate::usecases::site;
use crate::usecases::under_way::{Kind, Told};
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpRequest, HttpResponse, get, web};
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use std::time::Duration;

/// Seconds between two looks.
const REFRESH: u32 = 2;

/// Where a search is looked at, with what was asked, for the form in case nothing is found.
pub(super) fn way_to(id: uuid::Uuid, asked: &Filled) -> String {
    let begin = format!("/plan/search/{id}?");
    let mut address = url::form_urlencoded::Serializer::for_suffix(begin.clone(), begin.len());
    for name in ["weeks", "box"] {
        address.append_pair(name, asked.get(name));
    }
    address.finish()
}

#[get("/plan/search/{id}")]
pub(super) async fn show(
    app: Site,
    visitor: Visitor,
    id: web::Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, Fault> {
    let id = plan_id(&id)?;
    let filled = Filled::of_query(&request);
    let told = |code, text: &str| [Violation::new("", code, text)];
    match app.search_seen(&visitor.actor, id).await? {
        Seen::UnderWay(work) => going(&app, &visitor, &under_way(&work, app.now())).await,
        Seen::Elsewhere => going(&app, &visitor, &elsewhere()).await,
        Seen::Found => Ok(HttpResponse::SeeOther().insert_header((LOCATION, format!("/plan/{id}"))).finish()),
        Seen::Impossible(refusal) => {
            desk(&app, &visitor, StatusCode::UNPROCESSABLE_ENTITY, filled, &[], Some(&refusal)).await
        }
        Seen::BrokenOff(why) => {
            let fault =
                told("broken_off", &format!("The search came to nothing: {why}. Nothing was changed."));
            desk(&app, &visitor, StatusCode::SERVICE_UNAVAILABLE, filled, &fault, None).await
        }
        Seen::Unknown => {
            let fault = told(
                "lost",
                "This search is not known any more: the service was started anew meanwhile, or the search was long ago. \
                 Nothing was changed. Plans that were found and not adopted are listed below; search again for another.",
            );
            desk(&app, &visitor, StatusCode::NOT_FOUND, filled, &fault, None).await
        }
    }
}

async fn going(app: &Site, visitor: &Visitor, far: &Markup) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let site = app.query(move |tx, _| site::get(tx, &actor)).await?.value;
    let frame = Frame {
        title: "Searching for a plan",
        facility: site.name.as_str(),
        here: "/plan",
        visitor,
        refresh: Some(REFRESH),
    };
    let body = html! {
        header.day { h1 { "Searching for a plan" } }
        div.search id="search" role="status" data-refresh=(REFRESH) {
            (far)
            p.late hidden { "▲ The service does not answer; this is how far it was." }
        }
        p.quiet.again {
            "You are taken to the plan when it is there. You may leave: it will be listed under “Plan”. "
            "Nothing on the calendar changes until you adopt it."
        }
    };
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::page(frame, &body)))
}

fn under_way(work: &Told, now: DateTime<Utc>) -> Markup {
    let allowed = match work.kind {
        Kind::Search(time) => time,
        Kind::Night | Kind::Import => Duration::ZERO,
    };
    let (used, allowed) =
        ((now - work.since).num_seconds().max(0), i64::try_from(allowed.as_secs()).unwrap_or(0));
    html! {
        p.lead {
            @if used < allowed { (used) " of at most " (allowed) " seconds of searching are used." }
            @else { "The time for searching is used; what was found is being written down." }
        }
        progress max=(allowed) value=(used.min(allowed)) aria-label="Time used" {}
        p {
            @match work.reached() {
                None => "It looks first whether all that must be done can be placed.",
                Some((cost, bound)) if cost <= bound => {
                    "The best plan so far counts for " (say::level(person_hours(cost))) " person-hours, and none can count for less."
                }
                Some((cost, bound)) => {
                    "The best plan so far counts for " (say::level(person_hours(cost))) " person-hours; none can count for less than "
                    (say::level(person_hours(bound.max(0)))) "."
                }
            }
        }
    }
}

fn elsewhere() -> Markup {
    html! {
        p.lead { "This search is not known to the part of the service that answers you." }
        p {
            "If another part is at it, you are taken to the plan when it is there. If the service was started anew meanwhile, "
            "the search is lost; that is said here in a minute and a half at the latest."
        }
    }
}
