//! `/bookings`.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

mod forms;
mod refusals;

pub(crate) use forms::{
    BookedBody, BookingBody, BookingForm, CautionBody, EndOfRunForm, SeriesBody, StationRef,
};
pub(crate) use refusals::refusal_problem;

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::{self, IfMatch};
use super::crud;
use super::fields::instant;
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::access::Actor;
use crate::domain::booking::{Booking, Progress};
use crate::domain::facility::{Glovebox, Person, Stored};
use crate::domain::ids::BookingId;
use crate::domain::names::Reference;
use crate::domain::violations::{Check, Violations};
use crate::usecases::book::{self, Booked, BookedSeries, NewBooking};
use crate::usecases::once::Answer;
use crate::usecases::run_booking::{self, Sight, Wanted};
use crate::usecases::{Error, Lookup, Tx};
use crate::usecases::{keep, visits};
use actix_web::{HttpRequest, HttpResponse, get, patch, post, web};
use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;
use utoipa_actix_web::service_config::ServiceConfig;

/// Which bookings are wanted.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct BookingQuery {
    /// On this box, by id or tag.
    glovebox: Option<String>,
    /// Of this person, by id or tag.
    person: Option<String>,
    /// Of this series.
    series: Option<String>,
    /// Ending after this.
    #[param(format = DateTime)]
    from: Option<String>,
    /// Beginning before this.
    #[param(format = DateTime)]
    to: Option<String>,
    /// As far along as one of these, separated by commas: `booked`, `in_use`, `closed_out`, `no_show`, `cancelled`.
    progress: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// The query, with references still to be resolved.
struct Filter {
    glovebox: Option<Reference>,
    person: Option<Reference>,
    wanted: Wanted,
}

impl BookingQuery {
    fn parse(&self) -> Result<Filter, Violations> {
        let mut check = Check::default();
        let reference = |check: &mut Check, field: &str, text: &Option<String>| {
            text.as_ref().and_then(|text| check.field(field, text.parse::<Reference>()))
        };
        let glovebox = reference(&mut check, "glovebox", &self.glovebox);
        let person = reference(&mut check, "person", &self.person);
        let series = self.series.as_ref().and_then(|text| {
            let id = text.parse().ok();
            check.require(id.is_some(), "series", "bad_id", "must be the id of a series");
            id
        });
        let from = self.from.as_ref().and_then(|text| instant(&mut check, "from", text));
        let to = self.to.as_ref().and_then(|text| instant(&mut check, "to", text));
        let words = self.progress.iter().flat_map(|text| text.split(',')).map(str::trim);
        let mut progress = Vec::new();
        for word in words {
            let known = Progress::from_word(word);
            check.require(known.is_some(), "progress", "unknown_word", format!("{word:?} is no such stage"));
            progress.extend(known);
        }
        let wanted = Wanted { series, from, to, progress, ..Wanted::default() };
        check.finish(|| Filter { glovebox, person, wanted })
    }
}

fn id_of(text: &str) -> Result<BookingId, Problem> {
    text.parse().map_err(|_| Error::unknown("booking", text).into())
}

fn shown(booked: &Booked, sight: Sight) -> HttpResponse {
    crud::shown(booked.booking.version, &BookingBody::new(booked, sight))
}

/// A refusal, with alternatives in the form that was sent.
fn explained(error: Error, form: &BookingForm) -> Problem {
    if let Error::BookingRefused(refusal) = &error {
        return refusal_problem(refusal, Some(form));
    }
    error.into()
}

/// What was booked.
enum Made {
    One(Box<Booked>),
    Series(BookedSeries),
}

fn made(tx: &mut Tx<'_>, who: &Actor, now: DateTime<Utc>, new: &NewBooking) -> Result<Made, Error> {
    match &new.rrule {
        None => book::book(tx, who, now, new).map(|booked| Made::One(Box::new(booked))),
        Some(rrule) => book::book_series(tx, who, now, new, rrule).map(Made::Series),
    }
}

fn told(made: &Made) -> Answer {
    match made {
        Made::One(booked) => {
            let view = BookedBody::One(BookingBody::new(booked, Sight::Whole));
            crud::created("bookings", booked.booking.id, booked.booking.version, &view)
        }
        Made::Series(series) => {
            let mut answer = crud::created("bookings", "", 1, &BookedBody::Series(SeriesBody::from(series)));
            answer.location = Some(format!("{}/bookings?series={}", super::BASE, series.id));
            answer.etag = None;
            answer
        }
    }
}

/// Book a place at a box, or a series of times.
///
/// `start` to `end` is time with hands in the gloves; antechamber turns and the purge after work with the
/// circulation off are claimed outside it. With `recurrence` the answer is a series.
#[utoipa::path(tag = "bookings", request_body = BookingForm,
    security(("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses(
        (status = 201, description = "The booking; with `recurrence`, the series", body = BookedBody),
        (status = 409, description = "The time is taken: `conflicts` and up to three `alternatives`", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The input is not valid, or rules are broken: `violations` names every one", body = Problem, content_type = "application/problem+json")))]
#[post("/bookings")]
async fn create_booking(app: Api, caller: Caller, body: Body<BookingForm>) -> Result<HttpResponse, Problem> {
    let form = body.value;
    let new = form.parse().map_err(|faults| Problem::invalid(&faults))?;
    let actor = caller.0;
    let who = actor.clone();
    let answer = app
        .command_once_told(&actor, body.once, move |tx, now| made(tx, &who, now, &new), told)
        .await
        .map_err(|error| explained(error, &form))?;
    Ok(crud::respond(answer))
}

/// List bookings.
///
/// Without `facility:read` only one's own; of others', what they are for and whose they are is left out.
#[utoipa::path(tag = "bookings", params(BookingQuery),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "A page of bookings", body = Listing<BookingBody>)))]
#[get("/bookings")]
async fn list_bookings(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<BookingQuery>,
) -> Result<HttpResponse, Problem> {
    let filter = query.0.parse().map_err(|faults| Problem::invalid(&faults))?;
    let page = PageQuery { limit: query.0.limit.clone(), after: query.0.after.clone() }.parse()?;
    let found = app
        .query(move |tx, _| {
            let mut wanted = filter.wanted;
            if let Some(reference) = &filter.glovebox {
                wanted.glovebox = Some(keep::resolve::<Glovebox>(tx, reference)?.into());
            }
            if let Some(reference) = &filter.person {
                wanted.person = Some(keep::resolve::<Person>(tx, reference)?.into());
            }
            run_booking::list(tx, &caller.0, wanted, page.after, page.probe())
        })
        .await?;
    let listing = Listing::new(found, page, |(booked, _)| booked.booking.id.to_string());
    Ok(listing.map(|(booked, sight)| BookingBody::new(booked, *sight)).answer(&request))
}

/// Show a booking.
#[utoipa::path(tag = "bookings", params(("id" = String, Path, description = "Id")),
    security(("token" = ["facility:read"]), ("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "The booking", body = BookingBody)))]
#[get("/bookings/{id}")]
async fn get_booking(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let (booked, sight, elsewhere) = app
        .query(move |tx, _| {
            let (booked, sight) = run_booking::show(tx, &caller.0, id)?;
            let elsewhere = visits::elsewhere_for(tx, &booked.booking)?;
            Ok((booked, sight, elsewhere))
        })
        .await?;
    if conditional::none_match(&request, booked.booking.version) {
        return Ok(HttpResponse::NotModified().finish());
    }
    let view = BookingBody::new(&booked, sight).with_alternatives(&elsewhere, sight);
    Ok(crud::shown(booked.booking.version, &view))
}

/// What a booking becomes under a merge patch.
fn rewritten(current: &Stored<Booking>, patch: &Value) -> Result<NewBooking, Error> {
    let mut form = BookingForm::of(&current.value);
    // Naming places one way replaces the other ways of naming them.
    if ["station", "stations", "whole_box", "glovebox"].iter().any(|name| patch.get(name).is_some()) {
        form = BookingForm { station: None, stations: Vec::new(), whole_box: false, ..form };
    }
    let form = crud::patched(&form, patch)?;
    let fixed = [("for", form.beneficiary.is_some()), ("recurrence", form.recurrence.is_some())];
    if let Some((field, _)) = fixed.into_iter().find(|(_, given)| *given) {
        return Err(Error::invalid(field, "not_changeable", "cannot be changed; cancel and book again"));
    }
    Ok(form.parse()?)
}

/// Change a booking that has not begun, by a JSON merge patch (RFC 7396) of the form it was written in.
#[utoipa::path(tag = "bookings", params(("id" = String, Path, description = "Id")),
    request_body(content = BookingForm, description = "The fields to change"),
    security(("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "The changed booking", body = BookingBody)))]
#[patch("/bookings/{id}")]
async fn patch_booking(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let patch = body.value;
    let booked = app
        .command(move |tx, now| {
            book::change(tx, &caller.0, now, id, &if_match.0, |current| {
                let new = rewritten(current, &patch)?;
                Ok((new.glovebox, new.request))
            })
        })
        .await?;
    Ok(shown(&booked, Sight::Whole))
}

/// Cancel a booking and free its time.
#[utoipa::path(tag = "bookings", params(("id" = String, Path, description = "Id")),
    security(("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "The cancelled booking", body = BookingBody)))]
#[post("/bookings/{id}/cancel")]
async fn cancel_booking(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let booked = app.command(move |tx, now| run_booking::cancel(tx, &caller.0, now, id, &if_match.0)).await?;
    Ok(shown(&booked, Sight::Whole))
}

/// Begin the work of a booking.
///
/// From its first claim on (an antechamber turn, say) until its end; refused while a hold closes the box.
#[utoipa::path(tag = "bookings", params(("id" = String, Path, description = "Id")),
    security(("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "The booking, in use", body = BookingBody)))]
#[post("/bookings/{id}/start")]
async fn start_booking(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let booked = app.command(move |tx, now| run_booking::start(tx, &caller.0, now, id, &if_match.0)).await?;
    Ok(shown(&booked, Sight::Whole))
}

/// Close a booking out with what was written down on leaving.
///
/// Pressures and levels become readings; a level at or past its action level closes the box. Working time that
/// is left becomes free; turns and purges still to come stay claimed.
#[utoipa::path(tag = "bookings", params(("id" = String, Path, description = "Id")),
    request_body = EndOfRunForm, security(("token" = ["bookings:write"]), ("token" = ["bookings:manage"])),
    responses((status = 200, description = "The booking, closed out", body = BookingBody)))]
#[post("/bookings/{id}/closeout")]
async fn close_out_booking(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<EndOfRunForm>,
) -> Result<HttpResponse, Problem> {
    let id = id_of(&id)?;
    let form = body.value;
    let booked = app
        .command(move |tx, now| {
            let record = Lookup::parse(tx, |context| form.parse(context))?;
            run_booking::close_out(tx, &caller.0, now, id, &if_match.0, &record)
        })
        .await?;
    Ok(shown(&booked, Sight::Whole))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_booking)
        .service(list_bookings)
        .service(get_booking)
        .service(patch_booking)
        .service(cancel_booking)
        .service(start_booking)
        .service(close_out_booking);
}
