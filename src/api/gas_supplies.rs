//! `/gas-supplies`: the model.

use super::crud::{Form, crud_routes};
use super::fields::{PartName, Present, at_most, distinct, refer, word};
use crate::domain::access::Actor;
use crate::domain::calendar::Length;
use crate::domain::facility::{
    Cylinder, CylinderState, GasSupply, ParseContext, Stored, SuppliedGas, ThingKind,
};
use crate::domain::ids::{GloveboxId, RoomId};
use crate::domain::names::{Name, Tag};
use crate::domain::physics::gas::{COLDEST_C, HIGHEST_GAUGE_BAR, WARMEST_C};
use crate::domain::quantity::{Celsius, GaugeBar, Litres};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::{Error, Tx, keep};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// Gauge pressure at which a cylinder is changed (common practice, no source).
const CHANGEOVER_BAR: f64 = 20.0;
/// Temperature where cylinders stand unless said otherwise, of our own choosing.
const TEMPERATURE_C: f64 = 20.0;
/// Most cylinders behind one panel.
const MOST_CYLINDERS: usize = 64;

/// A gas supply as callers write it: the cylinders behind one regulator or panel.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "tag": "AR-PANEL", "name": "Argon panel", "gas": "argon", "room": "LAB-1", "changeover_bar": 20.0,
    "temperature_c": 20.0, "lead_time": "P5D", "cylinders": [
        {"tag": "C1", "water_volume_l": 50.0, "fill_bar": 200.0, "state": "connected"},
        {"tag": "C2", "water_volume_l": 50.0, "fill_bar": 200.0, "state": "standby"}
    ]
}))]
pub(crate) struct GasSupplyForm {
    /// Tag on the panel: 1 to 24 of A-Z, 0-9 and '-'.
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: String,
    /// Name for people; the tag unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// `argon`, `nitrogen`, `helium`, or a mixture for regeneration:
    /// `hydrogen_5_in_nitrogen`, `hydrogen_5_in_argon` (5 mole-% hydrogen).
    gas: String,
    /// Id or tag of the room its cylinders stand in; answered as id. Without
    /// one they count in every room where a box stands that the supply feeds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    room: Option<String>,
    /// Gauge pressure at which a cylinder is changed, bar; 20 unless given (common practice).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    changeover_bar: Option<f64>,
    /// Temperature where the cylinders stand, °C; 20 unless given. Readings override it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    temperature_c: Option<f64>,
    /// How long a new cylinder takes to come (ISO 8601); not known unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lead_time: Option<String>,
    /// Its cylinders.
    #[serde(default)]
    cylinders: Vec<CylinderForm>,
}

/// A cylinder as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"tag": "C1", "water_volume_l": 50.0, "fill_bar": 200.0, "state": "connected"}))]
pub(crate) struct CylinderForm {
    /// Its id, to change one that is there; a tag that is there does the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    id: Option<Uuid>,
    /// Tag, unique within the supply; C1, C2, … unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[A-Z0-9-]{1,24}$")]
    tag: Option<String>,
    /// Water volume, litres.
    water_volume_l: f64,
    /// Filling pressure at 15 °C, bar gauge.
    fill_bar: f64,
    /// `connected`, `standby` (taking over by itself), `full` (in store) or `empty`.
    state: String,
}

/// A gas supply.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct GasSupplyBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    supply: GasSupplyForm,
    /// The room's tag.
    #[serde(skip_serializing_if = "Option::is_none")]
    room_tag: Option<String>,
    /// Ids of the gloveboxes that it feeds.
    gloveboxes: Vec<Uuid>,
    /// What to beware of; local codes and qualified people decide what follows from it.
    cautions: Vec<String>,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for GasSupplyForm {
    type Value = GasSupply;
    type View = GasSupplyBody;
    const PATH: &'static str = "gas-supplies";

    fn parse(
        &self,
        context: &mut dyn ParseContext,
        current: Option<&GasSupply>,
    ) -> Result<GasSupply, Violations> {
        let mut check = Check::default();
        let tag = check.field("tag", Tag::parse(&self.tag));
        let name = match &self.name {
            Some(name) => check.field("name", Name::parse(name)),
            None => Name::parse(&self.tag).ok(),
        };
        let gas = word(&mut check, "gas", &self.gas, &SuppliedGas::ALL, SuppliedGas::word);
        let room: Option<Option<RoomId>> = match &self.room {
            Some(room) => refer(&mut check, context, ThingKind::Room, "room", room).map(Some),
            None => Some(None),
        };
        let changeover =
            check.field("changeover_bar", GaugeBar::new(self.changeover_bar.unwrap_or(CHANGEOVER_BAR)));
        let in_range = changeover.is_none_or(|bar| (0.0..=HIGHEST_GAUGE_BAR).contains(&bar.get()));
        let detail = format!("must be 0 to {HIGHEST_GAUGE_BAR} bar");
        check.require(in_range, "changeover_bar", "out_of_range", detail);
        let temperature =
            check.field("temperature_c", Celsius::new(self.temperature_c.unwrap_or(TEMPERATURE_C)));
        let in_range = temperature.is_none_or(|at| (COLDEST_C..=WARMEST_C).contains(&at.get()));
        let detail = format!("must be {COLDEST_C} to {WARMEST_C} °C, where contents can be computed");
        check.require(in_range, "temperature_c", "out_of_range", detail);
        let lead_time = check.field("lead_time", self.lead_time.as_deref().map(Length::parse).transpose());
        let cylinders = self.parse_cylinders(&mut check, context, current, changeover);
        let supply = (|| {
            Some(GasSupply {
                tag: tag?,
                name: name?,
                gas: gas?,
                room: room?,
                changeover: changeover?,
                temperature: temperature?,
                lead_time: lead_time?,
                cylinders,
            })
        })();
        check.build(supply, |supply| supply)
    }

    fn of(supply: &GasSupply) -> Self {
        Self {
            tag: supply.tag.to_string(),
            name: Some(supply.name.to_string()),
            gas: supply.gas.word().to_owned(),
            room: supply.room.map(|id| id.to_string()),
            changeover_bar: Some(supply.changeover.get()),
            temperature_c: Some(supply.temperature.get()),
            lead_time: supply.lead_time.map(|length| length.to_string()),
            cylinders: supply.cylinders.iter().map(CylinderForm::of).collect(),
        }
    }

    fn view(tx: &mut Tx<'_>, actor: &Actor, stored: &Stored<GasSupply>) -> Result<GasSupplyBody, Error> {
        let fed = keep::fed_by(tx, actor, stored.id.into())?;
        let room = stored.value.room.map(|id| keep::tag_of(tx, id)).transpose()?;
        let gloveboxes = fed.into_iter().map(GloveboxId::uuid).collect();
        Ok(GasSupplyBody { gloveboxes, room_tag: room.flatten(), ..GasSupplyBody::from(stored) })
    }
}

impl GasSupplyForm {
    fn parse_cylinders(
        &self,
        check: &mut Check,
        context: &mut dyn ParseContext,
        current: Option<&GasSupply>,
        changeover: Option<GaugeBar>,
    ) -> Vec<Cylinder> {
        at_most(check, "cylinders", &self.cylinders, MOST_CYLINDERS);
        let tags: Vec<String> = self
            .cylinders
            .iter()
            .zip(1..)
            .map(|(cylinder, number)| cylinder.tag.clone().unwrap_or_else(|| format!("C{number}")))
            .collect();
        let field = |part: &'static str| move |i: usize| format!("cylinders[{i}].{part}");
        distinct(check, "duplicate_tag", tags.iter().enumerate().map(|(i, tag)| (field("tag")(i), tag)));
        let ids = self.cylinders.iter().enumerate();
        distinct(check, "duplicate_id", ids.filter_map(|(i, one)| Some((field("id")(i), one.id?))));
        let present = Present::new(
            current.iter().flat_map(|supply| &supply.cylinders).map(|one| (one.id.into(), one.tag.clone())),
            self.cylinders.iter().map(|one| one.id),
        );
        let mut cylinders = Vec::new();
        for ((i, cylinder), tag) in self.cylinders.iter().enumerate().zip(&tags) {
            let parsed = cylinder.parse(context, &present, tag, changeover);
            cylinders.extend(check.part(&format!("cylinders[{i}]"), parsed));
        }
        cylinders
    }
}

impl CylinderForm {
    fn parse(
        &self,
        context: &mut dyn ParseContext,
        present: &Present,
        tag: &str,
        changeover: Option<GaugeBar>,
    ) -> Result<Cylinder, Violations> {
        let mut check = Check::default();
        let part = present.identify(&mut check, context, &PartName { id: self.id, tag, name: None });
        let water_volume = check.field("water_volume_l", Litres::new(self.water_volume_l));
        let fill = check.field("fill_bar", GaugeBar::new(self.fill_bar));
        if let Some(fill) = fill {
            if fill.get() > HIGHEST_GAUGE_BAR {
                let detail =
                    format!("must be at most {HIGHEST_GAUGE_BAR} bar, where contents can be computed");
                check.note(Violation::new("fill_bar", "too_large", detail));
            } else if fill.get() <= changeover.map_or(0.0, |bar| bar.get().max(0.0)) {
                let detail = "must be above the changeover pressure, or there is nothing to use";
                check.note(Violation::new("fill_bar", "not_above_changeover", detail));
            }
        }
        let state = word(&mut check, "state", &self.state, &CylinderState::ALL, CylinderState::word);
        let cylinder = (|| {
            let part = part?;
            Some(Cylinder {
                id: part.id.into(),
                tag: part.tag,
                water_volume: water_volume?,
                fill: fill?,
                state: state?,
            })
        })();
        check.build(cylinder, |cylinder| cylinder)
    }

    fn of(cylinder: &Cylinder) -> Self {
        Self {
            id: Some(cylinder.id.uuid()),
            tag: Some(cylinder.tag.to_string()),
            water_volume_l: cylinder.water_volume.get(),
            fill_bar: cylinder.fill.get(),
            state: cylinder.state.word().to_owned(),
        }
    }
}

impl From<&Stored<GasSupply>> for GasSupplyBody {
    fn from(stored: &Stored<GasSupply>) -> Self {
        Self {
            id: stored.id,
            supply: GasSupplyForm::of(&stored.value),
            room_tag: None,
            gloveboxes: Vec::new(),
            cautions: stored.value.gas.cautions().into_iter().map(str::to_owned).collect(),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

crud_routes! {
    GasSupplyForm, GasSupplyBody, tag "gas", path "/gas-supplies", item "/gas-supplies/{id}",
    see "facility:read", change "facility:manage",
    create_gas_supply "Add a gas supply.",
    list_gas_supplies "List the gas supplies.",
    get_gas_supply "Show a gas supply.",
    patch_gas_supply "Change a gas supply by a JSON merge patch (RFC 7396).",
    delete_gas_supply "Remove a gas supply that nothing refers to.",
}
