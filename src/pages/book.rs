//! `/book`: say what you need, get places where it fits, take one. What is taken is
//! explained in words, with places that could be had instead; what a rule forbids
//! stands beside the field it is about.

mod ask;
mod need;
mod places;
mod refused;

use super::fault::Fault;
use super::forms::{self, Field, Filled, Form, Posted};
use super::layout::{self, Frame};
use super::session::Visitor;
use super::{Site, say};
use crate::domain::facility::Scope;
use crate::domain::violations::Violation;
use crate::usecases::choices::{self, Choices};
use crate::usecases::openings::{self, Opening};
use crate::usecases::{BookingRefusal, Error, book};
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use maud::{Markup, html};
use need::Need;

/// So many openings are shown.
const MOST_OPENINGS: usize = 12;

/// What is known when the page is written.
struct Told<'a> {
    choices: &'a Choices,
    visitor: &'a Visitor,
    form: Form<'a>,
    need: Option<&'a Need>,
    found: Option<&'a [Opening]>,
    refusal: Option<&'a BookingRefusal>,
}

#[get("/book")]
async fn show(app: Site, visitor: Visitor, request: HttpRequest) -> Result<HttpResponse, Fault> {
    let filled = Filled::of_query(&request);
    let asked = !filled.get("hours").is_empty();
    let actor = visitor.actor.clone();
    let (choices, filled, need, found, faults) = app
        .query(move |tx, now| {
            let choices = choices::look(tx, &actor, now)?;
            let filled = need::filled_up(filled, &choices);
            if !asked {
                return Ok((choices, filled, None, None, Vec::new()));
            }
            let need = match need::read(&filled, &choices) {
                Ok(need) => need,
                Err(faults) => return Ok((choices, filled, None, None, faults)),
            };
            match openings::find(tx, &actor, now, &need.search(), MOST_OPENINGS) {
                Ok(found) => Ok((choices, filled, Some(need), Some(found), Vec::new())),
                Err(Error::Invalid(faults)) => {
                    let faults = at_their_fields(faults.into_vec(), &choices);
                    Ok((choices, filled, Some(need), None, faults))
                }
                Err(other) => Err(other),
            }
        })
        .await?;
    let status = if faults.is_empty() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    let told = Told {
        choices: &choices,
        visitor: &visitor,
        form: Form { filled: &filled, faults: &faults },
        need: need.as_ref(),
        found: found.as_deref(),
        refusal: None,
    };
    Ok(answer(status, &told))
}

#[post("/book")]
async fn take(app: Site, posted: Posted) -> Result<HttpResponse, Fault> {
    let Posted { visitor, filled } = posted;
    let actor = visitor.actor.clone();
    let choices = app.query(move |tx, now| choices::look(tx, &actor, now)).await?;
    let filled = need::as_taken(need::filled_up(filled, &choices), choices.site.timezone);
    let again = |status, need: Option<&Need>, faults: &[Violation], refusal: Option<&BookingRefusal>| {
        let form = Form { filled: &filled, faults };
        answer(status, &Told { choices: &choices, visitor: &visitor, form, need, found: None, refusal })
    };
    let need = match need::read(&filled, &choices) {
        Ok(need) => need,
        Err(faults) => return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, None, &faults, None)),
    };
    if filled.is_by_key() {
        let fault = Violation::new(
            "",
            "by_key",
            "Nothing was booked yet: press the button of the place that you want.",
        );
        return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, Some(&need), &[fault], None));
    }
    let new = match need::booking(&filled, &need, &choices) {
        Ok(new) => new,
        Err(faults) => return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, Some(&need), &faults, None)),
    };
    let actor = visitor.actor.clone();
    match app.command(move |tx, now| book::book(tx, &actor, now, &new)).await {
        Ok(booked) => {
            let to = format!("/bookings/{}", booked.booking.id);
            Ok(HttpResponse::SeeOther().insert_header((LOCATION, to)).finish())
        }
        Err(Error::BookingRefused(refusal)) => {
            let faults = at_their_fields(refusal.violations.clone(), &choices);
            let status =
                if faults.is_empty() { StatusCode::CONFLICT } else { StatusCode::UNPROCESSABLE_ENTITY };
            Ok(again(status, Some(&need), &faults, Some(&refusal)))
        }
        Err(Error::Invalid(faults)) => {
            let faults = at_their_fields(faults.into_vec(), &choices);
            Ok(again(StatusCode::UNPROCESSABLE_ENTITY, Some(&need), &faults, None))
        }
        Err(other) => Err(other.into()),
    }
}

/// Faults as the use cases name them, at the fields of this page and by its clock.
fn at_their_fields(faults: Vec<Violation>, choices: &Choices) -> Vec<Violation> {
    let of = |field: &str| match field.split(['[', '.']).next().unwrap_or_default() {
        "duration" | "end" => "hours",
        "from" => "from",
        "start" => "start",
        "glovebox" => "box",
        "station" | "stations" => "stations",
        "instruments" => "instruments",
        "solvents" => "solvents",
        "transfers_in" => "in_compact",
        "transfers_out" => "out_compact",
        "antechamber" => "chamber",
        "purpose" => "purpose",
        "group" => "group",
        "for" => "for",
        _ => "",
    };
    let told = |fault: Violation| {
        let detail = say::locally(&fault.detail, choices.now, choices.site.timezone);
        let end = if detail.ends_with(['.', '?']) { "" } else { "." };
        Violation::new(of(&fault.field), fault.code, format!("{detail}{end}"))
    };
    faults.into_iter().map(told).collect()
}

fn answer(status: StatusCode, told: &Told<'_>) -> HttpResponse {
    let title = match (status, told.found) {
        (StatusCode::CONFLICT, _) => "That time is taken",
        (StatusCode::UNPROCESSABLE_ENTITY, _) => "Please mend: book a place",
        (_, Some(_)) => "Places to book",
        _ => "Book a place",
    };
    let frame = Frame {
        title,
        facility: told.choices.site.name.as_str(),
        here: "/book",
        visitor: told.visitor,
        refresh: None,
    };
    layout::sent(&mut HttpResponse::build(status), &layout::page(frame, &body(told)))
}

fn body(told: &Told<'_>) -> Markup {
    // What is wrong may be in either form; the first one is open where it has its faults.
    let settled = told.need.is_some() && !told.form.faults.iter().any(|fault| need::has(&fault.field));
    // Where only the need is at fault, there is nothing yet to choose from.
    let chosen = told.form.faults.iter().any(|fault| !need::has(&fault.field));
    let begun = told.need.is_some() && (told.found.is_some() || told.refusal.is_some() || chosen);
    html! {
        header.day { h1 { "Book a place" } }
        (told.form.summary())
        @if let Some(refusal) = told.refusal { (refused::explained(refusal, told)) }
        @match told.need.filter(|_| settled) {
            Some(need) => {
                details.asked {
                    summary { "You asked for " (need.in_words(told.choices)) ". Change this" }
                    (ask::form(told))
                }
            },
            None => {
                @if !begun && told.choices.boxes.is_empty() { p.lead { "No box is on record yet." } }
                @else { (ask::form(told)) }
            }
        }
        @if begun { (places::section(told)) }
    }
}

/// What a booking is asked besides the need: what for, whose, on which group's account.
fn about(told: &Told<'_>) -> Markup {
    let own = told.choices.own.as_ref();
    let groups = own.map_or(&[][..], |own| own.value.groups.as_slice());
    html! {
        (told.form.lines(Field {
            name: "purpose",
            label: "What it is for",
            hint: "A few words. The keeper can read them; others see only that the place is taken.",
        }))
        @if groups.len() > 1 {
            @let options: Vec<(String, String)> =
                groups.iter().map(|group| (group.to_string(), group.to_string())).collect();
            (told.form.choice(Field { name: "group", label: "On the account of", hint: "" }, &options))
        }
        @if told.visitor.may(Scope::BookingsManage) {
            @let myself = own.map(|own| (String::new(), format!("myself ({})", own.value.name)));
            @let nobody = || (String::new(), "choose a person".to_owned());
            @let others = told.choices.others.iter().map(|one| (one.id.to_string(), one.value.name.to_string()));
            @let options: Vec<(String, String)> =
                std::iter::once(myself.unwrap_or_else(nobody)).chain(others).collect();
            (told.form.choice(Field { name: "for", label: "For whom", hint: "" }, &options))
        }
    }
}

/// The way to look for places like one that somebody had or was offered.
pub(super) fn way_to(glovebox: &str, hours: f64, from: &str) -> String {
    let mut address = url::form_urlencoded::Serializer::for_suffix("/book?".to_owned(), 6);
    address.append_pair("where", &format!("box:{glovebox}"));
    address.append_pair("hours", &format!("{hours:.2}")).append_pair("from", from);
    address.finish()
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show).service(take);
}

/// The hidden stamp and the need, which a form that books carries on.
fn carried(told: &Told<'_>) -> Markup {
    html! {
        (forms::stamp(told.visitor))
        (forms::only_by_button())
        @for name in need::FIELDS {
            @for value in told.form.filled.all(name) {
                @if !value.is_empty() { input type="hidden" name=(name) value=(value); }
            }
        }
    }
}
