//! `/gloveboxes`, with the parts of each.

#![expect(unused_qualifications, reason = "utoipa writes query types with a path")]

mod antechambers;
mod parts;

use super::Api;
use super::auth::Caller;
use super::crud::{self, Form, item_routes};
use super::fields::{Present, at_most, distinct, refer, word};
use super::paging::{Listing, PageQuery};
use super::params::Params;
use super::problem::Problem;
use crate::domain::access::Actor;
use crate::domain::facility::{
    Antechamber, Glovebox, Instrument, ParseContext, Purifier, Station, Stored, ThingKind, WorkingGas,
};
use crate::domain::ids::GasSupplyId;
use crate::domain::names::{Name, Tag};
use crate::domain::quantity::{Litres, LitresPerMinute};
use crate::domain::violations::{Check, Violations};
use crate::usecases::{Error, Tx, keep};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use parts::{AntechamberForm, InstrumentForm, LimitsForm, PurifierForm, StationForm};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Most stations of one box.
const MOST_STATIONS: usize = 16;
/// Most antechambers of one box, and most instruments.
const MOST_PARTS: usize = 32;
/// Part of the box's volume that is let in each minute while purging, unless
/// said otherwise; of our own choosing.
const PURGED_A_MINUTE: f64 = 0.1;

/// A glovebox as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "LYNX", "name": "Lynx", "room": "LAB-1", "working_gas": "argon", "internal_volume_l": 1200.0,
    "stations": [{"tag": "S1", "port_pairs": 1}, {"tag": "S2", "port_pairs": 1}],
    "antechambers": [{
        "tag": "LARGE", "volume_l": 40.0, "pump_speed_m3_h": 12.0, "ultimate_mbar": 0.05,
        "evacuate_to_mbar": 1.0, "cycles": 3, "refill_minutes": 1.5, "hold_minutes": 2.0
    }],
    "instruments": [{"tag": "BALANCE", "name": "Analytical balance"}],
    "purifier": {"circulation_m3_h": 60.0, "columns": 1, "oxygen_capacity_mol": 1.5},
    "gas_supply": "AR-PANEL",
    "limits": {"oxygen_ppm": {"caution": 10.0, "action": 100.0}}
}))]
pub(crate) struct GloveboxForm {
    /// Tag on the box: 1 to 24 of A-Z, 0-9 and '-'.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: String,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// Id or tag of the room it stands in; answered as id.
    room: String,
    /// What it is filled with: `argon`, `nitrogen` or `helium`.
    working_gas: String,
    /// Inner volume, litres.
    internal_volume_l: f64,
    /// Flow of fresh gas while purging, L/min; a tenth of the volume a minute
    /// unless given, which is drykeep's own choice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    purge_flow_l_min: Option<f64>,
    /// Working places: 1 to 16.
    #[serde(default)]
    #[schema(required, min_items = 1, max_items = 16)]
    stations: Vec<StationForm>,
    /// Antechambers.
    #[serde(default)]
    antechambers: Vec<AntechamberForm>,
    /// Instruments inside, booked with the box.
    #[serde(default)]
    instruments: Vec<InstrumentForm>,
    /// Purifier, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    purifier: Option<PurifierForm>,
    /// Id or tag of the supply that feeds it with working gas; answered as id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gas_supply: Option<String>,
    /// Levels that call for caution and action.
    #[serde(default)]
    limits: LimitsForm,
}

/// A glovebox.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct GloveboxBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    glovebox: GloveboxForm,
    /// The room's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    room_tag: Option<String>,
    /// The gas supply's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    gas_supply_tag: Option<String>,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for GloveboxForm {
    type Value = Glovebox;
    type View = GloveboxBody;
    const PATH: &'static str = "gloveboxes";

    fn parse(
        &self,
        context: &mut dyn ParseContext,
        current: Option<&Glovebox>,
    ) -> Result<Glovebox, Violations> {
        let mut check = Check::default();
        let tag = check.field("tag", Tag::parse(&self.tag));
        let name = match &self.name {
            Some(name) => check.field("name", Name::parse(name)),
            None => Name::parse(&self.tag).ok(),
        };
        let room = refer(&mut check, context, ThingKind::Room, "room", &self.room);
        let working_gas =
            word(&mut check, "working_gas", &self.working_gas, &WorkingGas::ALL, WorkingGas::word);
        let internal_volume = check.field("internal_volume_l", Litres::new(self.internal_volume_l));
        let purge_flow = match (self.purge_flow_l_min, internal_volume) {
            (Some(flow), _) => check.field("purge_flow_l_min", LitresPerMinute::new(flow)),
            (None, Some(volume)) => {
                check.field("purge_flow_l_min", LitresPerMinute::new(volume.get() * PURGED_A_MINUTE))
            }
            (None, None) => None,
        };
        let gas_supply = check.part("", self.parse_supply(context, working_gas));
        let parts = self.parse_parts(&mut check, context, current);
        let purifier = check.part("purifier", self.parse_purifier(context, current));
        let limits = check.part("limits", self.limits.parse());
        let glovebox = (|| {
            Some(Glovebox {
                tag: tag?,
                name: name?,
                room: room?,
                working_gas: working_gas?,
                internal_volume: internal_volume?,
                purge_flow: purge_flow?,
                stations: parts.stations,
                antechambers: parts.antechambers,
                instruments: parts.instruments,
                purifier: purifier?,
                gas_supply: gas_supply?,
                limits: limits?,
            })
        })();
        check.build(glovebox, |glovebox| glovebox)
    }

    fn of(glovebox: &Glovebox) -> Self {
        Self {
            tag: glovebox.tag.to_string(),
            name: Some(glovebox.name.to_string()),
            room: glovebox.room.to_string(),
            working_gas: glovebox.working_gas.word().to_owned(),
            internal_volume_l: glovebox.internal_volume.get(),
            purge_flow_l_min: Some(glovebox.purge_flow.get()),
            stations: glovebox.stations.iter().map(StationForm::of).collect(),
            antechambers: glovebox.antechambers.iter().map(AntechamberForm::of).collect(),
            instruments: glovebox.instruments.iter().map(InstrumentForm::of).collect(),
            purifier: glovebox.purifier.as_ref().map(PurifierForm::of),
            gas_supply: glovebox.gas_supply.map(|id| id.to_string()),
            limits: LimitsForm::of(&glovebox.limits),
        }
    }

    fn view(tx: &mut Tx<'_>, _: &Actor, stored: &Stored<Glovebox>) -> Result<GloveboxBody, Error> {
        let room_tag = keep::tag_of(tx, stored.value.room)?;
        let gas_supply_tag = match stored.value.gas_supply {
            Some(supply) => keep::tag_of(tx, supply)?,
            None => None,
        };
        Ok(GloveboxBody { room_tag, gas_supply_tag, ..GloveboxBody::from(stored) })
    }
}

/// The parts of a box that have tags.
struct TaggedParts {
    stations: Vec<Station>,
    antechambers: Vec<Antechamber>,
    instruments: Vec<Instrument>,
}

/// The parts of a box that have tags, whatever kind they are.
fn tagged(glovebox: &Glovebox) -> impl Iterator<Item = (Uuid, &Tag)> {
    let stations = glovebox.stations.iter().map(|one| (one.id.uuid(), &one.tag));
    let antechambers = glovebox.antechambers.iter().map(|one| (one.id.uuid(), &one.tag));
    let instruments = glovebox.instruments.iter().map(|one| (one.id.uuid(), &one.tag));
    stations.chain(antechambers).chain(instruments)
}

impl GloveboxForm {
    fn parse_supply(
        &self,
        context: &mut dyn ParseContext,
        working_gas: Option<WorkingGas>,
    ) -> Result<Option<GasSupplyId>, Violations> {
        let Some(text) = &self.gas_supply else { return Ok(None) };
        let mut check = Check::default();
        let id: Option<GasSupplyId> = refer(&mut check, context, ThingKind::GasSupply, "gas_supply", text);
        let supplied = id.and_then(|id| context.supplied_gas(id));
        if let (Some(supplied), Some(gas)) = (supplied, working_gas) {
            let detail = format!("it holds {}, and the box is filled with {}", supplied.word(), gas.word());
            check.require(supplied.working_gas() == Some(gas), "gas_supply", "gas_mismatch", detail);
        }
        check.finish(|| id)
    }

    fn parse_purifier(
        &self,
        context: &mut dyn ParseContext,
        current: Option<&Glovebox>,
    ) -> Result<Option<Purifier>, Violations> {
        let present = current.and_then(|glovebox| glovebox.purifier.as_ref()).map(|one| one.id.uuid());
        self.purifier.as_ref().map(|form| form.parse(context, present)).transpose()
    }

    fn parse_parts(
        &self,
        check: &mut Check,
        context: &mut dyn ParseContext,
        current: Option<&Glovebox>,
    ) -> TaggedParts {
        let station_tags: Vec<String> = self
            .stations
            .iter()
            .zip(1..)
            .map(|(station, number)| station.tag.clone().unwrap_or_else(|| format!("S{number}")))
            .collect();
        self.check_lists(check, &station_tags);
        let present = Present::new(
            current
                .into_iter()
                .flat_map(|glovebox| &glovebox.stations)
                .map(|one| (one.id.uuid(), one.tag.clone())),
            self.stations.iter().map(|one| one.id),
        );
        let mut stations = Vec::new();
        for ((i, form), tag) in self.stations.iter().enumerate().zip(&station_tags) {
            let parsed = form.parse(context, &present, tag);
            stations.extend(check.part(&format!("stations[{i}]"), parsed));
        }
        let present = antechambers::present(current, self.antechambers.iter().map(|one| one.id));
        let antechambers =
            check.each("antechambers", &self.antechambers, |form| form.parse(context, &present));
        let present = Present::new(
            current
                .into_iter()
                .flat_map(|glovebox| &glovebox.instruments)
                .map(|one| (one.id.uuid(), one.tag.clone())),
            self.instruments.iter().map(|one| one.id),
        );
        let instruments = check.each("instruments", &self.instruments, |form| form.parse(context, &present));
        TaggedParts { stations, antechambers, instruments }
    }

    /// Checks how many parts there are, and that no two share a tag or an id.
    fn check_lists(&self, check: &mut Check, station_tags: &[String]) {
        let detail = format!("a box has 1 to {MOST_STATIONS} stations");
        let enough = (1..=MOST_STATIONS).contains(&self.stations.len());
        check.require(enough, "stations", "out_of_range", detail);
        at_most(check, "antechambers", &self.antechambers, MOST_PARTS);
        at_most(check, "instruments", &self.instruments, MOST_PARTS);
        let stations = station_tags.iter().zip(self.stations.iter().map(|one| one.id));
        let antechambers = self.antechambers.iter().map(|one| (&one.tag, one.id));
        let instruments = self.instruments.iter().map(|one| (&one.tag, one.id));
        let parts: Vec<(String, &String, Option<Uuid>)> = (stations.enumerate())
            .map(|(i, (tag, id))| (format!("stations[{i}]"), tag, id))
            .chain(antechambers.enumerate().map(|(i, (tag, id))| (format!("antechambers[{i}]"), tag, id)))
            .chain(instruments.enumerate().map(|(i, (tag, id))| (format!("instruments[{i}]"), tag, id)))
            .collect();
        distinct(check, "duplicate_tag", parts.iter().map(|(part, tag, _)| (format!("{part}.tag"), *tag)));
        let ids = parts.iter().filter_map(|(part, _, id)| Some((format!("{part}.id"), (*id)?)));
        distinct(check, "duplicate_id", ids);
    }
}

impl From<&Stored<Glovebox>> for GloveboxBody {
    fn from(stored: &Stored<Glovebox>) -> Self {
        Self {
            id: stored.id,
            glovebox: GloveboxForm::of(&stored.value),
            room_tag: None,
            gas_supply_tag: None,
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// Query of the list of gloveboxes.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(crate) struct GloveboxQuery {
    /// Only those filled with this gas: `argon`, `nitrogen` or `helium`.
    working_gas: Option<String>,
    /// How many at most: 1 to 500, 100 unless given.
    limit: Option<String>,
    /// The `next` of the page before.
    after: Option<String>,
}

/// List the gloveboxes.
#[utoipa::path(tag = "gloveboxes", params(GloveboxQuery), security(("token" = ["facility:read"])),
    responses((status = 200, description = "A page of them", body = Listing<GloveboxBody>)))]
#[get("/gloveboxes")]
async fn list_gloveboxes(
    app: Api,
    caller: Caller,
    request: HttpRequest,
    query: Params<GloveboxQuery>,
) -> Result<HttpResponse, Problem> {
    let GloveboxQuery { working_gas, limit, after } = query.0;
    let page = PageQuery { limit, after }.parse()?;
    let mut check = Check::default();
    let gas = working_gas
        .and_then(|text| word(&mut check, "working_gas", &text, &WorkingGas::ALL, WorkingGas::word));
    check.finish(|| ()).map_err(|violations| Problem::invalid(&violations))?;
    crud::list_of::<GloveboxForm>(&app, caller.0, &request, page, move |tx, actor| {
        keep::list_gloveboxes(tx, actor, gas, page.after, page.probe())
    })
    .await
}

item_routes! {
    GloveboxForm, GloveboxBody, tag "gloveboxes", path "/gloveboxes", item "/gloveboxes/{id}",
    see "facility:read", change "facility:manage",
    create_glovebox "Add a glovebox with its parts.",
    get_glovebox "Show a glovebox with its parts.",
    patch_glovebox "Change a glovebox by a JSON merge patch (RFC 7396). A list of parts replaces the one \
        there is: parts keep their ids by `id`, else by `tag`, and one left out is removed unless something, \
        such as a booking, refers to it.",
    delete_glovebox "Remove a glovebox that nothing refers to.",
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config
        .service(create_glovebox)
        .service(list_gloveboxes)
        .service(get_glovebox)
        .service(patch_glovebox)
        .service(delete_glovebox);
    antechambers::routes(config);
}
