//! `/gas-supplies/{id}/forecast` and `/gas-supplies/{id}/cylinder-swaps`.

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::crud;
use super::due_items::{DueBody, EvidenceBody};
use super::problem::Problem;
use crate::domain::facility::{GasSupply, Stored};
use crate::domain::names::Reference;
use crate::domain::upkeep::contents::{CurvePoint, CylinderForecast, GasForecast};
use crate::domain::violations::Check;
use crate::usecases::swap_cylinder::{self, Swap, Swapped};
use crate::usecases::{Error, due_items};
use actix_web::{HttpResponse, get, post, web};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// What is drawn in a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "low_mol": 9.6, "likely_mol": 10.2, "high_mol": 10.9, "likely_m3_15c_1bar": 0.244 }))]
struct DailyUseBody {
    /// Lower end of the 80 % interval, mol.
    low_mol: f64,
    /// The best single figure, mol.
    likely_mol: f64,
    /// Upper end of the 80 % interval, mol.
    high_mol: f64,
    /// The best single figure as real gas at 15 °C and 1 bar, m³.
    likely_m3_15c_1bar: Option<f64>,
}

/// One cylinder in a forecast.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000006", "tag": "AR-1-A", "state": "connected",
    "contents_now_mol": 212.0, "usable_mol": 168.0,
    "empty": { "earliest": "2026-03-17T00:00:00Z", "likely": "2026-03-18T12:00:00Z", "latest": "2026-03-20T00:00:00Z" }
}))]
struct CylinderForecastBody {
    /// Its id.
    id: Uuid,
    /// Its tag.
    tag: String,
    /// `connected` or `standby`.
    state: &'static str,
    /// What is in it now, mol.
    contents_now_mol: Option<f64>,
    /// What of that can be used before changeover, mol.
    usable_mol: Option<f64>,
    /// When it is down to the changeover pressure.
    empty: DueBody,
}

impl From<&CylinderForecast> for CylinderForecastBody {
    fn from(cylinder: &CylinderForecast) -> Self {
        Self {
            id: cylinder.id.uuid(),
            tag: cylinder.tag.to_string(),
            state: cylinder.state.word(),
            contents_now_mol: cylinder.contents_now_mol,
            usable_mol: cylinder.usable_mol,
            empty: cylinder.empty.into(),
        }
    }
}

/// Contents to come.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "at": "2026-03-05T00:00:00Z", "low_mol": 180.0, "likely_mol": 182.0, "high_mol": 184.0 }))]
struct CurvePointBody {
    /// When.
    at: DateTime<Utc>,
    /// At the upper rate, mol.
    low_mol: f64,
    /// At the likely rate, mol.
    likely_mol: f64,
    /// At the lower rate, mol.
    high_mol: f64,
}

impl From<&CurvePoint> for CurvePointBody {
    fn from(point: &CurvePoint) -> Self {
        Self { at: point.at, low_mol: point.low_mol, likely_mol: point.likely_mol, high_mol: point.high_mol }
    }
}

/// Contents that were read.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "at": "2026-03-01T06:00:00Z", "contents_mol": 214.0 }))]
struct MeasuredPointBody {
    /// When.
    at: DateTime<Utc>,
    /// Contents, corrected for temperature, mol.
    contents_mol: f64,
}

/// What is left in a supply and how long it lasts.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "supply": "0199c5a0-0000-7000-8000-000000000007", "supply_tag": "AR-1", "gas": "argon",
    "changeover_bar": 20.0, "computed_at": "2026-03-02T00:00:00Z",
    "contents_now_mol": 212.0, "usable_mol": 168.0, "standby_usable_mol": 403.0,
    "daily_use": { "low_mol": 9.6, "likely_mol": 10.2, "high_mol": 10.9, "likely_m3_15c_1bar": 0.244 },
    "empty": { "earliest": "2026-03-17T00:00:00Z", "likely": "2026-03-18T12:00:00Z", "latest": "2026-03-20T00:00:00Z" },
    "exhausted": { "earliest": "2026-04-22T00:00:00Z", "likely": "2026-04-26T00:00:00Z", "latest": "2026-05-01T00:00:00Z" },
    "reason": null, "cylinders": [], "measured": [], "curve": [],
    "evidence": { "model": "contents from pressure and temperature", "source": "GERG-2008", "readings": null,
                  "parameters": [], "notes": [] },
    "cautions": ["A forecast from past readings: look at the gauge before relying on it."]
}))]
pub(crate) struct GasForecastBody {
    /// The supply.
    supply: Uuid,
    /// Its tag.
    supply_tag: String,
    /// What it holds.
    gas: &'static str,
    /// The gauge pressure at which a cylinder is changed.
    changeover_bar: f64,
    /// The moment it was computed for.
    computed_at: DateTime<Utc>,
    /// What is in the connected cylinders now, mol.
    contents_now_mol: Option<f64>,
    /// What of that can be used before changeover, mol.
    usable_mol: Option<f64>,
    /// What cylinders on standby add to that, mol.
    standby_usable_mol: f64,
    /// What is drawn in a day.
    daily_use: Option<DailyUseBody>,
    /// When the connected cylinders are down to the changeover pressure.
    empty: DueBody,
    /// When those on standby are too.
    exhausted: DueBody,
    /// Why there are no dates.
    reason: Option<String>,
    /// The cylinders connected and on standby.
    cylinders: Vec<CylinderForecastBody>,
    /// Contents that were read since the last swap or rise.
    measured: Vec<MeasuredPointBody>,
    /// Contents to come.
    curve: Vec<CurvePointBody>,
    /// What the dates rest on.
    evidence: EvidenceBody,
    /// What to keep in mind.
    cautions: Vec<String>,
}

impl GasForecastBody {
    fn of(supply: &Stored<GasSupply>, forecast: GasForecast, computed_at: DateTime<Utc>) -> Self {
        let daily_m3 = forecast.daily_use_m3;
        Self {
            supply: supply.id,
            supply_tag: supply.value.tag.to_string(),
            gas: supply.value.gas.word(),
            changeover_bar: supply.value.changeover.get(),
            computed_at,
            contents_now_mol: forecast.contents_now_mol,
            usable_mol: forecast.usable_mol,
            standby_usable_mol: forecast.standby_usable_mol,
            daily_use: forecast.daily_use_mol.map(|(low_mol, likely_mol, high_mol)| DailyUseBody {
                low_mol,
                likely_mol,
                high_mol,
                likely_m3_15c_1bar: daily_m3,
            }),
            empty: forecast.empty.into(),
            exhausted: forecast.exhausted.into(),
            reason: forecast.reason,
            cylinders: forecast.cylinders.iter().map(Into::into).collect(),
            measured: forecast
                .measured
                .iter()
                .map(|sample| MeasuredPointBody { at: sample.at, contents_mol: sample.value })
                .collect(),
            curve: forecast.curve.iter().map(Into::into).collect(),
            evidence: EvidenceBody::from(&forecast.evidence),
            cautions: forecast.cautions,
        }
    }
}

/// Tell how long a gas supply lasts, by its readings up to now.
///
/// Contents are computed as real gas (GERG-2008) from gauge readings of the
/// supply or its connected cylinders, corrected for the temperature read
/// nearest in time. A forecast that the data cannot carry has null dates and a reason.
#[utoipa::path(tag = "gas", params(("id" = String, Path, description = "Id or tag of the supply")),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "The forecast", body = GasForecastBody)))]
#[get("/gas-supplies/{id}/forecast")]
async fn get_gas_forecast(app: Api, caller: Caller, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("gas_supply", &id)?;
    let body = app
        .query(move |tx, now| {
            let (supply, forecast) = due_items::forecast(tx, &caller.0, now, &reference)?;
            Ok(GasForecastBody::of(&supply, forecast, now))
        })
        .await?;
    Ok(HttpResponse::Ok().json(body))
}

/// A swap as callers write it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "removed": "AR-1-A", "connected": "AR-1-B", "at": "2026-03-02T10:30:00Z", "gauge_bar": 198.0
}))]
struct SwapForm {
    /// The cylinder taken off, by id or tag; it must be connected and is empty afterwards.
    removed: String,
    /// The cylinder put on, by id or tag; it must be full or on standby.
    connected: String,
    /// When; now unless given, and never later.
    #[serde(default)]
    at: Option<DateTime<Utc>>,
    /// The pressure of the new cylinder, bar gauge: kept as a reading.
    #[serde(default)]
    gauge_bar: Option<f64>,
}

/// A swap that was recorded.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000008", "supply": "0199c5a0-0000-7000-8000-000000000007",
    "removed": "0199c5a0-0000-7000-8000-000000000006", "removed_tag": "AR-1-A",
    "connected": "0199c5a0-0000-7000-8000-000000000009", "connected_tag": "AR-1-B",
    "at": "2026-03-02T10:30:00Z", "gauge_bar": 198.0
}))]
pub(crate) struct SwapBody {
    /// The service that records it.
    id: Uuid,
    /// The supply.
    supply: Uuid,
    /// The cylinder taken off, now `empty`.
    removed: Uuid,
    /// Its tag.
    removed_tag: String,
    /// The cylinder put on, now `connected`.
    connected: Uuid,
    /// Its tag.
    connected_tag: String,
    /// When.
    at: DateTime<Utc>,
    /// The pressure of the new cylinder, bar gauge.
    gauge_bar: Option<f64>,
}

impl From<&Swapped> for SwapBody {
    fn from(swapped: &Swapped) -> Self {
        Self {
            id: swapped.service.id,
            supply: swapped.supply.id,
            removed: swapped.removed.id.uuid(),
            removed_tag: swapped.removed.tag.to_string(),
            connected: swapped.connected.id.uuid(),
            connected_tag: swapped.connected.tag.to_string(),
            at: swapped.service.value.done_at,
            gauge_bar: swapped.gauge_bar,
        }
    }
}

impl SwapForm {
    fn parse(&self) -> Result<Swap, Error> {
        let mut check = Check::default();
        let removed = check.field("removed", self.removed.parse::<Reference>());
        let connected = check.field("connected", self.connected.parse::<Reference>());
        let (at, gauge_bar) = (self.at, self.gauge_bar);
        let swap = check.build(removed.zip(connected), |(removed, connected)| Swap {
            removed,
            connected,
            at,
            gauge_bar,
        })?;
        Ok(swap)
    }
}

/// Record that a cylinder was taken off and another put on.
///
/// The one is `empty` then, the other `connected`; a `cylinder_swap` service
/// is recorded on the supply, and the pressure is kept as a reading of the
/// new cylinder. `Location` is the service.
#[utoipa::path(tag = "gas", request_body = SwapForm,
    params(("id" = String, Path, description = "Id or tag of the supply")),
    security(("token" = ["upkeep:manage"])),
    responses((status = 201, description = "It was recorded", body = SwapBody)))]
#[post("/gas-supplies/{id}/cylinder-swaps")]
async fn record_cylinder_swap(
    app: Api,
    caller: Caller,
    id: web::Path<String>,
    body: Body<SwapForm>,
) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("gas_supply", &id)?;
    let (actor, swap) = (caller.0, body.value.parse()?);
    let who = actor.clone();
    let answer = app
        .command_once(&actor, body.once, move |tx, now| {
            let swapped = swap_cylinder::swap(tx, &who, now, &reference, &swap)?;
            let service = &swapped.service;
            Ok(crud::created("services", service.id, service.version, &SwapBody::from(&swapped)))
        })
        .await?;
    Ok(crud::respond(answer))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(get_gas_forecast).service(record_cylinder_swap);
}
