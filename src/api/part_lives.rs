//! `/upkeep-rules/{id}/lives`: how long the parts under a rule lived.

use super::Api;
use super::auth::Caller;
use super::crud;
use super::problem::Problem;
use crate::domain::upkeep::Meter;
use crate::domain::upkeep::due::Subject;
use crate::domain::upkeep::lives::PartLife;
use crate::domain::upkeep::weibull::{self, Between, Estimate};
use crate::usecases::lives::{self, RuleLives};
use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// One life of one part.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "subject": "0199c5a0-0000-7000-8000-000000000005", "subject_tag": "LYNX/S1",
    "from": "2025-03-03T09:00:00Z", "to": "2026-01-19T14:30:00Z", "ending": "failed", "length": 412.5,
    "half_last_longer": null
}))]
struct LifeBody {
    /// The part.
    subject: Uuid,
    /// Its tag, with the box's for a part of a box.
    subject_tag: String,
    /// When it began: the service that put the part in order.
    from: DateTime<Utc>,
    /// When it ended, or now.
    to: DateTime<Utc>,
    /// `failed`, `changed` (in time) or `in_use` (still).
    ending: &'static str,
    /// How long, in the answer's `unit`; null where the meter was not read in time.
    length: Option<f64>,
    /// For a part in use: half of the parts of its age last longer than this
    /// from now on, by the estimate, in the same unit.
    half_last_longer: Option<f64>,
}

/// A figure with its 80 % interval.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({ "value": 1.72, "low": 1.15, "high": 2.44 }))]
struct BetweenBody {
    /// The most likely value.
    value: f64,
    /// Hardly less; null where the data set no such end.
    low: Option<f64>,
    /// Hardly more; null where the data set no such end.
    high: Option<f64>,
}

impl From<Between> for BetweenBody {
    fn from(between: Between) -> Self {
        Self { value: between.value, low: between.low, high: between.high }
    }
}

/// What the lives say together: a Weibull distribution.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "shape": { "value": 1.72, "low": 1.15, "high": 2.44 }, "scale": { "value": 607.0, "low": 485.0, "high": 852.0 },
    "b10": { "value": 164.0, "low": 93.4, "high": 235.0 }, "interval_percent": 80,
    "method": "maximum likelihood with right censoring"
}))]
struct LifeEstimateBody {
    /// Above 1 parts wear out, below 1 they fail young.
    shape: BetweenBody,
    /// 63.2 % have failed by this age, in the answer's `unit`.
    scale: BetweenBody,
    /// One in ten has failed by this age.
    b10: BetweenBody,
    /// How sure the intervals are, per cent.
    interval_percent: u8,
    /// How it was found, and where that is described.
    method: &'static str,
}

impl From<&Estimate> for LifeEstimateBody {
    fn from(estimate: &Estimate) -> Self {
        Self {
            shape: estimate.shape.into(),
            scale: estimate.scale.into(),
            b10: estimate.b10.into(),
            interval_percent: 80,
            method: weibull::SOURCE,
        }
    }
}

/// How long the parts under a rule lived.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "rule": "0199c5a0-0000-7000-8000-000000000001", "task": "glove_change", "meter": "station_hours", "unit": "h",
    "counted": 20, "failures": 10, "left_out": 0,
    "estimate": {
        "shape": { "value": 1.72, "low": 1.15, "high": 2.44 }, "scale": { "value": 607.0, "low": 485.0, "high": 852.0 },
        "b10": { "value": 164.0, "low": 93.4, "high": 235.0 }, "interval_percent": 80,
        "method": "maximum likelihood with right censoring"
    },
    "reason": null, "lives": [],
    "cautions": ["All parts are taken as alike and as used alike."]
}))]
pub(crate) struct RuleLivesBody {
    /// The rule.
    rule: Uuid,
    /// Its task.
    task: String,
    /// The meter that lives are measured in, the rule's first; null for days.
    meter: Option<&'static str>,
    /// The unit of lengths.
    unit: &'static str,
    /// Lives that the estimate rests on.
    counted: usize,
    /// How many of them ended by failure.
    failures: usize,
    /// Lives without any use, or whose meter was not read in time.
    left_out: usize,
    /// What they say together; null where they cannot, for the `reason`.
    estimate: Option<LifeEstimateBody>,
    /// Why there is no estimate.
    reason: Option<String>,
    /// Every life, part by part, in order of time.
    lives: Vec<LifeBody>,
    /// What to keep in mind.
    cautions: Vec<String>,
}

impl From<&RuleLives> for RuleLivesBody {
    fn from(all: &RuleLives) -> Self {
        let estimate = all.found.estimate.as_ref();
        let life = |(subject, life): &(Subject, PartLife)| LifeBody {
            subject: subject.id.uuid(),
            subject_tag: subject.tag.clone(),
            from: life.from,
            to: life.to,
            ending: life.ending.word(),
            length: life.length,
            half_last_longer: estimate
                .ok()
                .zip(life.age())
                .map(|(estimate, age)| estimate.weibull.left_with(age, 0.5)),
        };
        Self {
            rule: all.rule.id,
            task: all.rule.value.task.to_string(),
            meter: all.meter.map(Meter::word),
            unit: all.meter.map_or("days", |meter| meter.unit()),
            counted: all.found.counted,
            failures: all.found.failures,
            left_out: all.found.left_out,
            estimate: estimate.ok().map(Into::into),
            reason: estimate.err().map(ToString::to_string),
            lives: all.lives.iter().map(life).collect(),
            cautions: all.found.cautions(),
        }
    }
}

/// Show how long the parts under a rule lived, and what that says.
///
/// A life is the time between two services of the rule's task on one part, or
/// two replacements of it, in the rule's first usage meter where it has one,
/// else in days. It ended by failure when the service failed, or when what a service found called for
/// the task; otherwise the part was changed in time, or is still in use, and
/// lived at least so long. From two failures on, a Weibull distribution is
/// fitted to all lives; before that the answer says why there is none.
#[utoipa::path(tag = "upkeep", params(("id" = String, Path, description = "Id of the rule")),
    security(("token" = ["facility:read"]), ("token" = ["upkeep:manage"])),
    responses((status = 200, description = "The lives", body = RuleLivesBody)))]
#[get("/upkeep-rules/{id}/lives")]
async fn get_part_lives(app: Api, caller: Caller, id: web::Path<String>) -> Result<HttpResponse, Problem> {
    let reference = crud::reference("upkeep_rule", &id)?;
    let found = app.query(move |tx, now| lives::of_rule(tx, &caller.0, now, &reference)).await?;
    Ok(HttpResponse::Ok().json(RuleLivesBody::from(&found)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(get_part_lives);
}
