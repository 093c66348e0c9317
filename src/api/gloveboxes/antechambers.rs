//! `/gloveboxes/{id}/antechambers`: the antechambers of a box one by one. They
//! are part of their box, so its version goes up with every change of one.

use super::parts::AntechamberForm;
use super::{MOST_PARTS, tagged};
use crate::api::Api;
use crate::api::auth::Caller;
use crate::api::body::Body;
use crate::api::conditional::IfMatch;
use crate::api::crud::{self, patched, reference};
use crate::api::fields::Present;
use crate::api::paging::Listing;
use crate::api::problem::Problem;
use crate::domain::access::Actor;
use crate::domain::facility::{Antechamber, Glovebox, ParseContext, Stored};
use crate::domain::names::Reference;
use crate::domain::physics::antechamber::ChamberError;
use crate::domain::violations::{Check, Violations};
use crate::usecases::keep::{self, Precondition};
use crate::usecases::{Error, Tx};
use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// An antechamber with what is computed of it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct AntechamberBody {
    #[serde(flatten)]
    antechamber: AntechamberForm,
    /// Length of the first cycle by the pump-down formula, from air at 1 atm, min.
    computed_cycle_minutes: f64,
    /// Length of all cycles of a compact sample, min: by the measured cycle
    /// where there is one, else as computed.
    turn_minutes: f64,
    /// Gas of all refills of a compact sample, litres at 0 °C and 1 atm.
    turn_gas_nl: f64,
    /// Oxygen after the last refill of a compact sample, ppm, in an empty
    /// chamber without leaks.
    residual_oxygen_ppm: f64,
}

impl AntechamberBody {
    fn of(chamber: &Antechamber) -> Result<Self, Error> {
        let cycles = chamber.cycles.into();
        // Nothing that was parsed is refused here.
        let refused = |error: ChamberError| Error::WrongState(format!("{}: {error}", chamber.tag));
        let turn = chamber.computed_turn(cycles).map_err(refused)?;
        Ok(Self {
            antechamber: AntechamberForm::of(chamber),
            computed_cycle_minutes: turn.cycle_minutes,
            turn_minutes: chamber.turn_minutes(cycles).map_err(refused)?,
            turn_gas_nl: turn.gas_nl,
            residual_oxygen_ppm: turn.residual_oxygen_ppm,
        })
    }
}

/// The antechambers that a box has, to be continued by the forms with these ids.
pub(super) fn present(current: Option<&Glovebox>, named: impl IntoIterator<Item = Option<Uuid>>) -> Present {
    let chambers = current.into_iter().flat_map(|glovebox| &glovebox.antechambers);
    Present::new(chambers.map(|one| (one.id.uuid(), one.tag.clone())), named)
}

/// A chamber as the form makes it, to stand beside the other parts of the box.
fn parse_beside(
    form: &AntechamberForm,
    context: &mut dyn ParseContext,
    glovebox: &Glovebox,
    current: Option<&Antechamber>,
) -> Result<Antechamber, Violations> {
    let own = current.map(|chamber| (chamber.id.uuid(), chamber.tag.clone()));
    let named = own.as_ref().map(|(id, _)| *id);
    let mut check = Check::default();
    let taken = tagged(glovebox).any(|(id, tag)| Some(id) != named && tag.as_str() == form.tag);
    check.require(!taken, "tag", "duplicate_tag", "another part of the box carries this tag");
    let full = current.is_none() && glovebox.antechambers.len() >= MOST_PARTS;
    check.require(!full, "", "too_many", format!("a box has at most {MOST_PARTS} antechambers"));
    let mut form = form.clone();
    form.id = form.id.or(named);
    let chamber = check.part("", form.parse(context, &Present::new(own, [named])));
    check.build(chamber, |chamber| chamber)
}

/// The place of the chamber that a path names, and the box as it is.
fn find(
    tx: &mut Tx<'_>,
    actor: &Actor,
    glovebox: &Reference,
    chamber: &Reference,
) -> Result<(Stored<Glovebox>, usize), Error> {
    let stored = keep::get::<Glovebox>(tx, actor, glovebox)?;
    let is_it = |one: &Antechamber| match chamber {
        Reference::Id(id) => one.id.uuid() == *id,
        Reference::Tag(tag) => one.tag == *tag,
        Reference::Part(whole, part) => stored.value.tag == *whole && one.tag == *part,
    };
    let place = stored.value.antechambers.iter().position(is_it);
    let place = place.ok_or_else(|| Error::unknown("antechamber", chamber))?;
    Ok((stored, place))
}

fn show(stored: &Stored<Glovebox>, place: usize) -> Result<AntechamberBody, Error> {
    let chamber = stored.value.antechambers.get(place);
    AntechamberBody::of(chamber.ok_or_else(|| Error::unknown("antechamber", place))?)
}

/// List the antechambers of a glovebox, with how long a turn takes.
#[utoipa::path(tag = "gloveboxes", params(("id" = String, Path, description = "Id or tag of the box")),
    security(("token" = ["facility:read"])),
    responses((status = 200, description = "All of them", body = Listing<AntechamberBody>)))]
#[get("/gloveboxes/{id}/antechambers")]
async fn list_antechambers(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let glovebox = reference("glovebox", &id)?;
    let chambers = app
        .query(move |tx, _| {
            let stored = keep::get::<Glovebox>(tx, &caller.0, &glovebox)?;
            stored.value.antechambers.iter().map(AntechamberBody::of).collect::<Result<Vec<_>, _>>()
        })
        .await?;
    Ok(Listing::whole(chambers).answer(&request))
}

/// Show an antechamber of a glovebox; its entity tag is the box's.
#[utoipa::path(tag = "gloveboxes",
    params(("id" = String, Path, description = "Id or tag of the box"),
        ("chamber" = String, Path, description = "Id or tag of the antechamber")),
    security(("token" = ["facility:read"])),
    responses((status = 200, description = "It", body = AntechamberBody)))]
#[get("/gloveboxes/{id}/antechambers/{chamber}")]
async fn get_antechamber(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse, Problem> {
    let (glovebox, chamber) = (reference("glovebox", &path.0)?, reference("antechamber", &path.1)?);
    let (version, view) = app
        .query(move |tx, _| {
            let (stored, place) = find(tx, &caller.0, &glovebox, &chamber)?;
            Ok((stored.version, show(&stored, place)?))
        })
        .await?;
    Ok(crud::shown_unless_known(&request, version, &view))
}

/// Add an antechamber to a glovebox, whose version goes up. If-Match is honoured, not needed.
#[utoipa::path(tag = "gloveboxes", params(("id" = String, Path, description = "Id or tag of the box")),
    request_body = AntechamberForm, security(("token" = ["facility:manage"])),
    responses((status = 201, description = "It was added", body = AntechamberBody)))]
#[post("/gloveboxes/{id}/antechambers")]
async fn add_antechamber(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    if_match: IfMatch,
    body: Body<AntechamberForm>,
) -> Result<HttpResponse, Problem> {
    let glovebox = reference("glovebox", &id)?;
    let actor = caller.0;
    let who = actor.clone();
    let form = body.value;
    let precondition = if if_match.0 == Precondition::None { Precondition::Any } else { if_match.0 };
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let stored =
                keep::change(tx, &who, now, &glovebox, &precondition, |context, current: &Glovebox| {
                    let mut changed = current.clone();
                    changed.antechambers.push(parse_beside(&form, context, current, None)?);
                    Ok(changed)
                })?;
            let view = show(&stored, stored.value.antechambers.len() - 1)?;
            let path = format!("gloveboxes/{}/antechambers", stored.id);
            let chamber = view.antechamber.id.unwrap_or_default();
            Ok(crud::created(&path, chamber, stored.version, &view))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Change an antechamber by a JSON merge patch (RFC 7396); If-Match takes the box's entity tag.
#[utoipa::path(tag = "gloveboxes",
    params(("id" = String, Path, description = "Id or tag of the box"),
        ("chamber" = String, Path, description = "Id or tag of the antechamber")),
    request_body(content = AntechamberForm, description = "The fields to change"),
    security(("token" = ["facility:manage"])),
    responses((status = 200, description = "It, changed", body = AntechamberBody)))]
#[patch("/gloveboxes/{id}/antechambers/{chamber}")]
async fn patch_antechamber(
    app: Api,
    caller: Caller,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let (glovebox, chamber) = (reference("glovebox", &path.0)?, reference("antechamber", &path.1)?);
    let wanted = body.value;
    let (version, view) = app
        .command(move |tx, now| {
            let actor = &caller.0;
            let (_, place) = find(tx, actor, &glovebox, &chamber)?;
            let stored =
                keep::change(tx, actor, now, &glovebox, &if_match.0, |context, current: &Glovebox| {
                    let mut changed = current.clone();
                    let own = &mut changed.antechambers[place];
                    let form: AntechamberForm = patched(&AntechamberForm::of(own), &wanted)?;
                    *own = parse_beside(&form, context, current, Some(own))?;
                    Ok(changed)
                })?;
            Ok((stored.version, show(&stored, place)?))
        })
        .await?;
    Ok(crud::shown(version, &view))
}

/// Remove an antechamber that nothing, such as a booking, refers to; If-Match takes the box's entity tag.
#[utoipa::path(tag = "gloveboxes",
    params(("id" = String, Path, description = "Id or tag of the box"),
        ("chamber" = String, Path, description = "Id or tag of the antechamber")),
    security(("token" = ["facility:manage"])),
    responses((status = 204, description = "It was removed")))]
#[delete("/gloveboxes/{id}/antechambers/{chamber}")]
async fn delete_antechamber(
    app: Api,
    caller: Caller,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
) -> Result<HttpResponse, Problem> {
    let (glovebox, chamber) = (reference("glovebox", &path.0)?, reference("antechamber", &path.1)?);
    app.command(move |tx, now| {
        let actor = &caller.0;
        let (_, place) = find(tx, actor, &glovebox, &chamber)?;
        keep::change(tx, actor, now, &glovebox, &if_match.0, |_, current: &Glovebox| {
            let mut changed = current.clone();
            changed.antechambers.remove(place);
            Ok(changed)
        })
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Puts the routes on a scope.
pub(super) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(list_antechambers)
        .service(get_antechamber)
        .service(add_antechamber)
        .service(patch_antechamber)
        .service(delete_antechamber);
}
