//! `air-ingress`: the air getting into a closed box, from the rise of oxygen.

use super::numbers::{finite, needed};
use super::{Calculation, CalculationCaution};
use crate::domain::physics::ingress::{Ingress, IngressError, METHOD, OxygenReading, air_ingress};
use crate::domain::physics::{OXYGEN_IN_AIR_PPM, Refusal as _};
use crate::domain::quantity::{Litres, Minutes, Ppm};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Oxygen in a closed box, read over time with the purifier off.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"volume_l": 1000.0, "readings": [
    {"minutes": 0.0, "oxygen_ppm": 1.0}, {"minutes": 30.0, "oxygen_ppm": 6.1}, {"minutes": 60.0, "oxygen_ppm": 11.0}
]}))]
pub(super) struct AirIngressQuestion {
    /// Volume of the box, L; more than zero.
    #[schema(value_type = f64, required = true)]
    volume_l: Option<f64>,
    /// Two readings at least; three for a standard error.
    #[schema(value_type = Vec<OxygenReadingForm>, required = true)]
    readings: Option<Vec<OxygenReadingForm>>,
}

/// Oxygen at one time.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"minutes": 30.0, "oxygen_ppm": 6.1}))]
struct OxygenReadingForm {
    /// Time since any common zero, min.
    #[schema(value_type = f64, required = true)]
    minutes: Option<f64>,
    /// Oxygen, ppm; below that of air.
    #[schema(value_type = f64, required = true)]
    oxygen_ppm: Option<f64>,
}

/// Air getting in.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "ingress_ml_min": 0.795_568, "hourly_leak_rate_per_h": 4.773_41e-5, "standard_error_ml_min": 0.009_180_95,
    "distinguishable": true, "method": "least squares of V*dC/dt = q*(20.95 % - C)", "cautions": []
}))]
pub(super) struct AirIngressAnswer {
    /// Air entering, mL/min at box conditions; below zero when oxygen fell.
    ingress_ml_min: f64,
    /// The same as a fraction of the box's volume an hour.
    hourly_leak_rate_per_h: f64,
    /// Standard error of the ingress, mL/min; null from two readings.
    standard_error_ml_min: Option<f64>,
    /// Whether the ingress is more than twice its standard error above zero.
    distinguishable: bool,
    /// How it was computed.
    method: &'static str,
    /// What to know before relying on it.
    cautions: Vec<CalculationCaution>,
}

fn reading(index: usize, form: &OxygenReadingForm) -> Result<OxygenReading, Violations> {
    let mut check = Check::default();
    let at = needed(&mut check, "minutes", form.minutes, Minutes::new);
    let oxygen = needed(&mut check, "oxygen_ppm", form.oxygen_ppm, Ppm::new);
    if let Some(oxygen_ppm) = oxygen.map(Ppm::get).filter(|ppm| *ppm >= OXYGEN_IN_AIR_PPM) {
        check.field("oxygen_ppm", Err::<(), _>(IngressError::NotBelowAir { index, oxygen_ppm }));
    }
    check.build(at.zip(oxygen), |(at, oxygen)| OxygenReading { at, oxygen })
}

fn cautions(found: &Ingress) -> Vec<CalculationCaution> {
    let mut cautions = Vec::new();
    if found.standard_error_ml_min.is_none() {
        cautions.push(CalculationCaution {
            code: "no_standard_error",
            text: "Two readings fit any line; three or more tell how far to trust it.",
        });
    } else if !found.distinguishable {
        cautions.push(CalculationCaution {
            code: "not_distinguishable",
            text: "The rise is within twice its standard error of none: read for longer.",
        });
    }
    if found.ingress_ml_min < 0.0 {
        cautions.push(CalculationCaution {
            code: "oxygen_fell",
            text: "Oxygen fell, so something takes it up or thins it; this is no measure of air getting in.",
        });
    }
    cautions
}

impl Calculation for AirIngressQuestion {
    type Answer = AirIngressAnswer;

    fn answer(&self) -> Result<AirIngressAnswer, Violations> {
        let mut check = Check::default();
        let volume = needed(&mut check, "volume_l", self.volume_l, Litres::new);
        let mut readings = Vec::new();
        match &self.readings {
            None => check.note(Violation::new("readings", "missing_field", "must be given")),
            Some(forms) if forms.len() < 2 => {
                check.note(IngressError::TooFew { count: forms.len() }.violation());
            }
            Some(forms) => {
                for (index, form) in forms.iter().enumerate() {
                    readings.extend(check.part(&format!("readings[{index}]"), reading(index, form)));
                }
            }
        }
        let volume = check.build(volume, |volume| volume)?;
        let found = air_ingress(volume, &readings).map_err(|error| error.violation())?;
        let error = found.standard_error_ml_min.unwrap_or(0.0);
        finite(&[("readings", found.ingress_ml_min), ("readings", error)])?;
        Ok(AirIngressAnswer {
            ingress_ml_min: found.ingress_ml_min,
            hourly_leak_rate_per_h: found.hourly_leak_rate_per_h,
            standard_error_ml_min: found.standard_error_ml_min,
            distinguishable: found.distinguishable,
            method: METHOD,
            cautions: cautions(&found),
        })
    }
}
