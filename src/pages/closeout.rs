//! `/bookings/{id}/closeout`: what is written down on leaving, on a phone, with one
//! hand: a few numbers, one tick, one button. What is left empty is not recorded.

use super::bookings::{id_of, seen};
use super::fault::Fault;
use super::forms::{self, Field, Filled, Form, Posted};
use super::layout::{self, Frame};
use super::session::Visitor;
use super::{Site, held, say};
use crate::domain::booking::record::CylinderPressure;
use crate::domain::booking::{EndOfRun, Progress};
use crate::domain::ids::BookingId;
use crate::domain::names::{Remark, Tag};
use crate::domain::quantity::{GaugeBar, Ppm, QuantityError};
use crate::domain::upkeep::standing::Standing;
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::booking_sheet::{self, Sheet};
use crate::usecases::{Error, run_booking};
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{HttpResponse, get, post, web};
use maud::{Markup, html};

#[get("/bookings/{id}/closeout")]
async fn show(app: Site, visitor: Visitor, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    let sheet = look(&app, &visitor, id_of(&id)?).await?;
    Ok(answer(StatusCode::OK, &sheet, &visitor, &Filled::default(), &[]))
}

/// The booking, for whoever may close it out.
async fn look(app: &Site, visitor: &Visitor, id: BookingId) -> Result<Sheet, Fault> {
    let actor = visitor.actor.clone();
    let sheet = app.query(move |tx, now| booking_sheet::look(tx, &actor, now, id)).await?;
    if !sheet.may_change {
        return Err(Error::NotYours("this booking is somebody else’s".to_owned()).into());
    }
    Ok(sheet)
}

#[post("/bookings/{id}/closeout")]
async fn close(app: Site, posted: Posted, id: web::Path<String>) -> Result<HttpResponse, Fault> {
    let Posted { visitor, filled } = posted;
    let id = id_of(&id)?;
    let sheet = look(&app, &visitor, id).await?;
    let again = |status, faults: Vec<Violation>| answer(status, &sheet, &visitor, &filled, &faults);
    if filled.is_by_key() {
        let fault = Violation::new(
            "",
            "by_key",
            "Nothing was closed out yet: press the button when all is filled in.",
        );
        return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, vec![fault]));
    }
    let record = match read(&filled, &sheet) {
        Ok(record) => record,
        Err(faults) => return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, faults.into_vec())),
    };
    let read: Vec<String> = record.cylinders.iter().map(|read| gauge_of(&sheet, read)).collect();
    let (actor, seen) = (visitor.actor.clone(), seen(&filled));
    let closed =
        app.command(move |tx, now| run_booking::close_out(tx, &actor, now, id, &seen, &record)).await;
    match closed {
        Ok(_) => Ok(HttpResponse::SeeOther().insert_header((LOCATION, format!("/bookings/{id}"))).finish()),
        Err(Error::WrongState(detail)) => {
            let detail = say::locally(&format!("{detail}."), sheet.now, sheet.site.timezone);
            Ok(again(StatusCode::CONFLICT, vec![Violation::new("", "wrong_state", detail)]))
        }
        Err(Error::Invalid(faults)) => {
            let at_its_field = |fault: Violation| {
                let number = fault.field.strip_prefix("cylinder_pressures[");
                let number = number.and_then(|rest| rest.split(']').next()?.parse::<usize>().ok());
                let field = number.and_then(|number| read.get(number).cloned()).unwrap_or(fault.field);
                Violation::new(field, fault.code, say::capital(&fault.detail))
            };
            let faults = faults.into_vec().into_iter().map(at_its_field).collect();
            Ok(again(StatusCode::UNPROCESSABLE_ENTITY, faults))
        }
        Err(other) => Err(other.into()),
    }
}

/// The field for the gauge of a cylinder.
fn gauge(tag: &Tag) -> String {
    format!("gauge-{tag}")
}

fn gauge_of(sheet: &Sheet, read: &CylinderPressure) -> String {
    sheet.cylinders.iter().find(|one| one.id == read.cylinder).map_or_else(String::new, |one| gauge(&one.tag))
}

/// Reads the record, or says everything that is wrong with it.
fn read(filled: &Filled, sheet: &Sheet) -> Result<EndOfRun, Violations> {
    let mut check = Check::default();
    let oxygen = number(&mut check, filled, "oxygen_ppm", Ppm::new);
    let water = number(&mut check, filled, "water_ppm", Ppm::new);
    let mut cylinders = Vec::new();
    for cylinder in &sheet.cylinders {
        if let Some(gauge) = number(&mut check, filled, &gauge(&cylinder.tag), GaugeBar::new) {
            cylinders.push(CylinderPressure { cylinder: cylinder.id, gauge });
        }
    }
    let remarks = check.field("remarks", Remark::parse(filled.get("remarks")));
    // A box without antechambers has none that is not under vacuum.
    let chambers_under_vacuum =
        sheet.glovebox.value.antechambers.is_empty() || filled.get("chambers_under_vacuum") == "yes";
    check.build(remarks, |remarks| EndOfRun { cylinders, oxygen, water, chambers_under_vacuum, remarks })
}

/// A number, unless the field is empty.
fn number<T>(
    check: &mut Check,
    filled: &Filled,
    field: &str,
    of: impl Fn(f64) -> Result<T, QuantityError>,
) -> Option<T> {
    let text = filled.get(field);
    if text.is_empty() {
        return None;
    }
    // To some "1,250" is a thousand and more: read a thousand times too low, it would close nothing.
    if text.split_once(',').is_some_and(|(whole, rest)| rest.len() == 3 && whole != "0") {
        check.note(Violation::new(
            field,
            "ambiguous",
            "Write it with a point or without a comma: 1.25 or 1250.",
        ));
        return None;
    }
    let Ok(value) = text.replace(',', ".").parse::<f64>() else {
        check.note(Violation::new(field, "no_number", "Give a number, or leave it empty."));
        return None;
    };
    check.field(field, of(value))
}

fn answer(
    status: StatusCode,
    sheet: &Sheet,
    visitor: &Visitor,
    filled: &Filled,
    faults: &[Violation],
) -> HttpResponse {
    let title = if faults.is_empty() { "Close out" } else { "Please mend: close out" };
    let frame =
        Frame { title, facility: sheet.site.name.as_str(), here: "/bookings", visitor, refresh: None };
    let body = page(sheet, visitor, Form { filled, faults });
    layout::sent(&mut HttpResponse::build(status), &layout::page(frame, &body))
}

fn page(sheet: &Sheet, visitor: &Visitor, form: Form<'_>) -> Markup {
    let value = &sheet.booked.booking.value;
    let (now, zone) = (sheet.now, sheet.site.timezone);
    let back = format!("/bookings/{}", sheet.booked.booking.id);
    let open = value.progress == Progress::InUse
        || (value.progress == Progress::Booked && value.interval.start() <= now);
    html! {
        header.day.short {
            h1 { "Close out " (sheet.glovebox.value.tag) }
            p.quiet { a href=(back) { (say::span(value.interval.start(), value.interval.end(), now, zone)) } }
        }
        (form.summary())
        @for hold in &sheet.holds { (held::article(hold, sheet.glovebox.value.tag.as_str(), held::Under::Page, now, zone)) }
        @if open { (fields(sheet, visitor, form)) }
        @else {
            p.lead {
                @match value.progress {
                    Progress::Booked => { "It has not begun: it can be closed out from " (say::moment(value.interval.start(), now, zone)) " on." },
                    Progress::ClosedOut => "It is closed out already.",
                    Progress::InUse | Progress::NoShow | Progress::Cancelled => "It was cancelled or released, so there is nothing to close out.",
                }
            }
        }
    }
}

fn fields(sheet: &Sheet, visitor: &Visitor, form: Form<'_>) -> Markup {
    let booking = &sheet.booked.booking;
    let last = |level: &Standing| {
        level.last.map_or_else(
            || "ppm".to_owned(),
            |last| format!("ppm; {} was read {}", say::level(last.value), say::ago(last.at, sheet.now)),
        )
    };
    let (oxygen, water) = (last(&sheet.oxygen), last(&sheet.water));
    html! {
        form.closeout method="post" action={ "/bookings/" (booking.id) "/closeout" } {
            (forms::stamp(visitor))
            (forms::only_by_button())
            input type="hidden" name="version" value=(booking.version);
            p.hint { "As it is now. What you leave empty is not recorded." }
            div.row {
                (form.number(Field { name: "oxygen_ppm", label: "Oxygen", hint: &oxygen }))
                (form.number(Field { name: "water_ppm", label: "Water", hint: &water }))
                @for cylinder in &sheet.cylinders {
                    @let label = format!("Cylinder {}", cylinder.tag);
                    @let hint = format!("bar on its gauge, {}", cylinder.state.word());
                    (form.number(Field { name: &gauge(&cylinder.tag), label: &label, hint: &hint }))
                }
            }
            @if !sheet.glovebox.value.antechambers.is_empty() {
                (form.tick(Field { name: "chambers_under_vacuum", label: "Every antechamber is under vacuum", hint: "" }, "yes"))
            }
            (form.lines(Field { name: "remarks", label: "Anything else", hint: "" }))
            button { "Close out" }
        }
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show).service(close);
}
