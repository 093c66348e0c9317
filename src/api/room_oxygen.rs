//! `/rooms/{id}/oxygen-assessment`: what would become of a room's oxygen if
//! the gas kept there got out.

use super::Api;
use super::auth::Caller;
use super::crud;
use super::due_items::EvidenceBody;
use super::problem::Problem;
use crate::domain::physics::room_oxygen::DEFICIENT_PERCENT;
use crate::domain::quantity::{PerHour, Percent};
use crate::domain::upkeep::room_assessment::{
    CountedCylinder, KeptBox, RoomRemark, Scenario, is_default, threshold_source,
};
use crate::usecases::assess_room::{AssessedRoom, assess_room};
use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The least oxygen that the cases are compared with.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "percent": 19.5, "set_by": "default",
    "source": "below 19.5 % counts as oxygen-deficient by OSHA 29 CFR 1910.134"
}))]
struct OxygenThresholdBody {
    /// The threshold, per cent.
    percent: f64,
    /// `default`, or the name of the facility whose policy it is.
    set_by: String,
    /// Where it comes from.
    source: &'static str,
}

/// One way in which gas gets out, and the oxygen it leaves.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "kind": "largest_cylinder", "ventilation": "failed", "what": "the largest single cylinder, AR-PANEL/C1, at once",
    "released_m3": 10.77, "boxes_m3": 0.0, "release_m3_h": null, "lowest_oxygen_percent": 17.19,
    "mixed_oxygen_percent": 17.51, "below_19_5": true, "below_threshold": true,
    "hours_to_threshold_unventilated": null
}))]
struct RoomScenarioBody {
    /// `largest_cylinder`, `everything_connected` or `everything_kept`, each all at once, or
    /// `broken_line`, steadily.
    kind: &'static str,
    /// `failed`, where fresh air does not count, or `running`.
    ventilation: &'static str,
    /// The case in words.
    what: String,
    /// Gas let out at once, m³ at 20 °C and 1 atm; null for a steady release.
    released_m3: Option<f64>,
    /// The part of it that boxes hold, m³.
    boxes_m3: Option<f64>,
    /// Gas let out steadily and without end, m³/h; null for a release all at once.
    release_m3_h: Option<f64>,
    /// Lowest oxygen, per cent: the gas displaces air (all at once), or is
    /// diluted by fresh air (steadily).
    lowest_oxygen_percent: f64,
    /// For a release all at once: the oxygen if the gas mixes as it flows in,
    /// per cent; the less pessimistic form.
    mixed_oxygen_percent: Option<f64>,
    /// Whether the lowest is below 19.5 %.
    below_19_5: bool,
    /// Whether the lowest is below the site's threshold.
    below_threshold: bool,
    /// For a steady release: hours until the threshold with the ventilation failed.
    hours_to_threshold_unventilated: Option<f64>,
}

impl From<&Scenario> for RoomScenarioBody {
    fn from(scenario: &Scenario) -> Self {
        let oxygen = &scenario.oxygen;
        Self {
            kind: scenario.kind.word(),
            ventilation: if scenario.ventilated { "running" } else { "failed" },
            what: scenario.what.clone(),
            released_m3: scenario.released_m3,
            boxes_m3: scenario.boxes_m3,
            release_m3_h: scenario.release_m3_h,
            lowest_oxygen_percent: oxygen.lowest_oxygen_percent,
            mixed_oxygen_percent: oxygen.mixed_oxygen_percent,
            below_19_5: oxygen.below_19_5,
            below_threshold: oxygen.below_threshold,
            hours_to_threshold_unventilated: oxygen.hours_to_threshold_unventilated,
        }
    }
}

/// A cylinder that counts in the room, and what it holds.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "cylinder": "0199c5a0-0000-7000-8000-000000000006", "cylinder_tag": "C1",
    "gas_supply": "0199c5a0-0000-7000-8000-000000000007", "gas_supply_tag": "AR-PANEL", "gas": "argon",
    "state": "connected", "counted": true, "room_on_record": true, "water_volume_l": 50.0, "basis": "reading",
    "gauge_bar": 151.0, "temperature_c": 19.0, "read_at": "2026-03-02T06:00:00Z", "moles": 334.0, "volume_m3": 8.03
}))]
struct RoomCylinderBody {
    /// The cylinder.
    cylinder: Uuid,
    /// Its tag.
    cylinder_tag: String,
    /// Its supply.
    gas_supply: Uuid,
    /// The supply's tag.
    gas_supply_tag: String,
    /// What is in it.
    gas: &'static str,
    /// `connected`, `standby`, `full` or `empty`.
    state: &'static str,
    /// Whether the sums hold it; one on record as empty is shown only.
    counted: bool,
    /// Whether its supply is on record as standing in this room; otherwise it
    /// feeds a box here and is counted for want of knowing better.
    room_on_record: bool,
    /// Water volume, L.
    water_volume_l: f64,
    /// What the contents follow from: `reading` at the cylinder, `supply_reading`,
    /// its `filling` at 15 °C, or the `changeover` pressure of one that is empty.
    basis: &'static str,
    /// That pressure, bar gauge.
    gauge_bar: f64,
    /// The temperature that goes with it, °C.
    temperature_c: f64,
    /// When it was read; null where it was not.
    read_at: Option<DateTime<Utc>>,
    /// Amount of gas, mol, by GERG-2008.
    moles: f64,
    /// What it fills at 20 °C and 1 atm, m³.
    volume_m3: f64,
}

impl From<&CountedCylinder> for RoomCylinderBody {
    fn from(counted: &CountedCylinder) -> Self {
        let kept = &counted.kept;
        Self {
            cylinder: kept.cylinder.id.uuid(),
            cylinder_tag: kept.cylinder.tag.to_string(),
            gas_supply: kept.supply.uuid(),
            gas_supply_tag: kept.supply_tag.to_string(),
            gas: kept.gas.word(),
            state: kept.cylinder.state.word(),
            counted: counted.counted(),
            room_on_record: kept.placed,
            water_volume_l: kept.cylinder.water_volume.get(),
            basis: counted.basis.word(),
            gauge_bar: counted.gauge.get(),
            temperature_c: counted.temperature.get(),
            read_at: counted.read_at,
            moles: counted.moles,
            volume_m3: counted.volume_m3,
        }
    }
}

/// A box in the room.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "glovebox": "0199c5a0-0000-7000-8000-000000000005", "glovebox_tag": "LYNX", "working_gas": "argon",
    "volume_m3": 1.2, "purge_flow_l_min": 120.0
}))]
struct RoomBoxBody {
    /// The box.
    glovebox: Uuid,
    /// Its tag.
    glovebox_tag: String,
    /// What it is filled with.
    working_gas: &'static str,
    /// Its inner volume, m³.
    volume_m3: f64,
    /// Flow of fresh gas while purging, L/min: the largest of the room stands for a broken line.
    purge_flow_l_min: f64,
}

impl From<&KeptBox> for RoomBoxBody {
    fn from(kept: &KeptBox) -> Self {
        Self {
            glovebox: kept.id.uuid(),
            glovebox_tag: kept.tag.to_string(),
            working_gas: kept.gas.word(),
            volume_m3: kept.volume.get() / 1000.0,
            purge_flow_l_min: kept.purge_flow.get(),
        }
    }
}

/// Something to know.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "code": "screening_only",
    "text": "A screening estimate for a well-mixed room, not a risk assessment; near the release oxygen is lower."
}))]
struct RoomRemarkBody {
    /// Stable code.
    code: &'static str,
    /// A sentence.
    text: String,
}

impl From<&RoomRemark> for RoomRemarkBody {
    fn from(remark: &RoomRemark) -> Self {
        Self { code: remark.code, text: remark.text.clone() }
    }
}

/// The screening estimate of a room.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "room": "0199c5a0-0000-7000-8000-00000000000a", "room_tag": "LAB-1", "volume_m3": 60.0,
    "air_changes_per_hour": 8.0, "oxygen_monitor": true, "computed_at": "2026-03-02T08:00:00Z",
    "threshold": {
        "percent": 19.5, "set_by": "default",
        "source": "below 19.5 % counts as oxygen-deficient by OSHA 29 CFR 1910.134"
    },
    "lowest_oxygen_percent": 17.19, "below_19_5": true, "below_threshold": true,
    "scenarios": [{
        "kind": "largest_cylinder", "ventilation": "failed",
        "what": "the largest single cylinder, AR-PANEL/C1, at once", "released_m3": 10.77, "boxes_m3": 0.0,
        "release_m3_h": null, "lowest_oxygen_percent": 17.19, "mixed_oxygen_percent": 17.51, "below_19_5": true,
        "below_threshold": true, "hours_to_threshold_unventilated": null
    }],
    "cylinders": [], "gloveboxes": [],
    "cautions": [{
        "code": "screening_only",
        "text": "A screening estimate for a well-mixed room, not a risk assessment; near the release oxygen is lower."
    }],
    "evidence": {
        "model": "all at once, ventilation not counted: displacement 20.95*(V_room - V_gas)/V_room",
        "source": "19.5 % as oxygen-deficient by OSHA 29 CFR 1910.134", "readings": null,
        "parameters": [{ "name": "room_volume", "value": 60.0, "low": null, "high": null, "unit": "m³" }], "notes": []
    }
}))]
struct OxygenAssessmentBody {
    /// The room.
    room: Uuid,
    /// Its tag.
    room_tag: String,
    /// Volume of air, m³.
    volume_m3: f64,
    /// Air changes an hour; null when not known, which counts as none.
    air_changes_per_hour: Option<f64>,
    /// Whether a fixed oxygen monitor with alarm is on record.
    oxygen_monitor: bool,
    /// When it was computed.
    computed_at: DateTime<Utc>,
    /// The least oxygen that the cases are compared with, and who set it.
    threshold: OxygenThresholdBody,
    /// Lowest oxygen, per cent, of the cases all at once, by displacement;
    /// null where no gas is on record, which says nothing of the room.
    lowest_oxygen_percent: Option<f64>,
    /// Whether that is below 19.5 %; null where there is none.
    below_19_5: Option<bool>,
    /// Whether that is below the site's threshold; null where there is none.
    below_threshold: Option<bool>,
    /// The cases, those with the ventilation failed first.
    scenarios: Vec<RoomScenarioBody>,
    /// The cylinders on record here, with contents as last read.
    cylinders: Vec<RoomCylinderBody>,
    /// The boxes here.
    gloveboxes: Vec<RoomBoxBody>,
    /// What has to be said with it, the gravest first; never empty.
    cautions: Vec<RoomRemarkBody>,
    /// Formulas, their source, and what was assumed.
    evidence: EvidenceBody,
}

impl OxygenAssessmentBody {
    fn of(found: &AssessedRoom, now: DateTime<Utc>) -> Self {
        let (room, assessment, threshold) = (&found.room.value, &found.assessment, found.threshold);
        let below = |limit: f64| assessment.lowest_oxygen_percent.map(|lowest| lowest < limit);
        Self {
            room: found.room.id,
            room_tag: room.tag.to_string(),
            volume_m3: room.volume.get(),
            air_changes_per_hour: room.air_changes.map(PerHour::get),
            oxygen_monitor: room.oxygen_monitor,
            computed_at: now,
            threshold: OxygenThresholdBody {
                percent: Percent::get(threshold),
                set_by: if is_default(threshold) { "default".to_owned() } else { found.facility.to_string() },
                source: threshold_source(threshold),
            },
            lowest_oxygen_percent: assessment.lowest_oxygen_percent,
            below_19_5: below(DEFICIENT_PERCENT),
            below_threshold: below(threshold.get()),
            scenarios: assessment.scenarios.iter().map(Into::into).collect(),
            cylinders: assessment.cylinders.iter().map(Into::into).collect(),
            gloveboxes: found.boxes.iter().map(Into::into).collect(),
            cautions: assessment.cautions.iter().map(Into::into).collect(),
            evidence: (&assessment.evidence).into(),
        }
    }
}

/// What would become of a room's oxygen if the gas on record there got out.
///
/// A screening estimate, not an assessment: local codes and competent people
/// decide. From contents by GERG-2008 at the last pressure read, else the
/// filling; a supply without a room counts wherever it feeds a box.
#[utoipa::path(tag = "facility", params(("id" = String, Path, description = "Id or tag of the room")),
    security(("token" = ["facility:read"]), ("token" = ["facility:manage"])),
    responses((status = 200, description = "The estimate", body = OxygenAssessmentBody)))]
#[get("/rooms/{id}/oxygen-assessment")]
async fn get_oxygen_assessment(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("room", &id)?;
    let body = app
        .query(move |tx, now| {
            let found = assess_room(tx, &caller.0, now, &reference)?;
            Ok(OxygenAssessmentBody::of(&found, now))
        })
        .await?;
    Ok(HttpResponse::Ok().json(body))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(get_oxygen_assessment);
}
