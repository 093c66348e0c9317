//! `/bookings`: mine, the coming ones first. `/bookings/{id}`: one of them, with what
//! it occupies when, what to mind, and what can be done with it.

mod sheet;

use super::fault::Fault;
use super::forms::{Filled, Form, Posted};
use super::layout::{self, Frame};
use super::session::Visitor;
use super::{Site, say};
use crate::domain::booking::{Progress, Status};
use crate::domain::ids::BookingId;
use crate::domain::violations::Violation;
use crate::usecases::booking_sheet::{self, Listed, Mine};
use crate::usecases::keep::Precondition;
use crate::usecases::{Error, run_booking};
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpResponse, get, post, web};
use maud::{Markup, html};

/// So many bookings that ended are shown.
const MOST_PAST: usize = 10;

#[get("/bookings")]
async fn list(app: Site, visitor: Visitor) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let mine = app.query(move |tx, now| booking_sheet::mine(tx, &actor, now)).await?;
    let frame = Frame {
        title: "Your bookings",
        facility: mine.site.name.as_str(),
        here: "/bookings",
        visitor: &visitor,
        refresh: None,
    };
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::page(frame, &listed(&mine))))
}

fn listed(mine: &Mine) -> Markup {
    html! {
        header.day {
            h1 { "Your bookings" }
            p.quiet { "Times are those of " (say::zone(mine.now, mine.site.timezone)) "." }
        }
        @if !mine.known {
            p.lead { "Whoever you are signed in as is no person of this facility, so nothing is booked in their name." }
        } @else if mine.coming.is_empty() {
            p.lead { "Nothing is booked in your name." }
        }
        @if !mine.coming.is_empty() {
            ul.bookings { @for one in &mine.coming { (row(one, mine)) } }
        }
        p { a.button href="/book" { "Book a place" } }
        @if !mine.past.is_empty() {
            section aria-labelledby="past" {
                h2 id="past" { "Of late" }
                ul.bookings { @for one in mine.past.iter().take(MOST_PAST) { (row(one, mine)) } }
            }
        }
    }
}

fn row(one: &Listed, mine: &Mine) -> Markup {
    let booking = &one.booked.booking;
    let value = &booking.value;
    let (now, zone) = (mine.now, mine.site.timezone);
    let (start, end) = (value.interval.start(), value.interval.end());
    let closable = value.progress == Progress::InUse || (value.progress == Progress::Booked && start <= now);
    html! {
        li {
            div {
                p.when { a href={ "/bookings/" (booking.id) } { (say::span(start, end, now, zone)) } }
                p.place { strong { (one.glovebox) } " " (say::and(&one.stations)) }
                @if !value.work.purpose.as_str().is_empty() {
                    p.quiet.brief dir="auto" { (say::name(value.work.purpose.as_str())) }
                }
                p { (stands(value.progress, value.status, one.held, value.displaced_by.is_some())) }
            }
            @if closable { a.button href={ "/bookings/" (booking.id) "/closeout" } { "Close out" } }
        }
    }
}

/// Where a booking stands, in a word or two.
fn stands(progress: Progress, status: Status, held: bool, displaced: bool) -> Markup {
    html! {
        @match progress {
            Progress::Booked if held => span.word { "▲ a hold closes the box" },
            Progress::Booked if status == Status::Tentative => span { "◇ tentative: may have to give way" },
            Progress::Booked => span { "○ booked" },
            Progress::InUse => span { "● under way" },
            Progress::ClosedOut => span.quiet { "✓ closed out" },
            Progress::NoShow => span.quiet { "– released, since nobody came" },
            Progress::Cancelled if displaced => span.word { "▲ gave way to upkeep" },
            Progress::Cancelled => span.quiet { "– cancelled" },
        }
    }
}

/// The booking of an address.
pub(super) fn id_of(text: &str) -> Result<BookingId, Fault> {
    text.parse().map_err(|_| Fault::nowhere())
}

/// The version that a form was written for.
pub(super) fn seen(filled: &Filled) -> Precondition {
    filled.get("version").parse().map_or(Precondition::Any, |version| Precondition::OneOf(vec![version]))
}

#[get("/bookings/{id}")]
async fn show(app: Site, visitor: Visitor, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    shown(&app, &visitor, id_of(&id)?, StatusCode::OK, &[]).await
}

async fn shown(
    app: &Site,
    visitor: &Visitor,
    id: BookingId,
    status: StatusCode,
    faults: &[String],
) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let sheet = app.query(move |tx, now| booking_sheet::look(tx, &actor, now, id)).await?;
    let faults: Vec<Violation> = faults
        .iter()
        .map(|detail| Violation::new("", "refused", say::locally(detail, sheet.now, sheet.site.timezone)))
        .collect();
    let filled = Filled::default();
    let form = Form { filled: &filled, faults: &faults };
    let frame = Frame {
        title: "A booking",
        facility: sheet.site.name.as_str(),
        here: "/bookings",
        visitor,
        refresh: None,
    };
    let body = sheet::page(&sheet, visitor, form);
    Ok(layout::sent(&mut HttpResponse::build(status), &layout::page(frame, &body)))
}

#[post("/bookings/{id}")]
async fn change(app: Site, posted: Posted, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    let Posted { visitor, filled } = posted;
    let id = id_of(&id)?;
    let (actor, seen) = (visitor.actor.clone(), seen(&filled));
    let done = match filled.get("do") {
        "start" => app.command(move |tx, now| run_booking::start(tx, &actor, now, id, &seen)).await,
        "cancel" => app.command(move |tx, now| run_booking::cancel(tx, &actor, now, id, &seen)).await,
        _ => return Err(Fault::unreadable_form()),
    };
    match done {
        Ok(_) => Ok(HttpResponse::SeeOther().insert_header((LOCATION, format!("/bookings/{id}"))).finish()),
        Err(Error::WrongState(detail)) => {
            shown(&app, &visitor, id, StatusCode::CONFLICT, &[format!("{detail}.")]).await
        }
        Err(Error::BookingRefused(refusal)) => {
            let details: Vec<String> =
                refusal.violations.iter().map(|broken| format!("{}.", broken.detail)).collect();
            shown(&app, &visitor, id, StatusCode::UNPROCESSABLE_ENTITY, &details).await
        }
        Err(other) => Err(other.into()),
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(list).service(show).service(change);
}
