//! What a night's look at the readings points out, each with its evidence:
//! things that no rule makes due and that a keeper would want to know. Knows
//! nothing of where readings come from, and makes no diagnosis.

mod levels;
mod rise;

pub use levels::{Circulation, box_pressure, level_under_circulation, silent};
pub use rise::{STANDSTILL_M3_H, Stretch, off_stretches, oxygen_rise, water_rise};

use super::evidence::{Evidence, digits};
use crate::domain::ids::ThingId;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// What an observation is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ObservationKind {
    /// Oxygen rises fast while the circulation is off.
    OxygenRise,
    /// Water rises while the circulation is off, and oxygen does not.
    WaterRise,
    /// A level stays high although the circulation runs.
    LevelUnderCirculation,
    /// The box's pressure left the range that is common.
    BoxPressure,
    /// More gas is used than the model expects.
    Consumption,
    /// Nothing has been read for long.
    SilentSensor,
}

impl ObservationKind {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::OxygenRise => "oxygen_rise",
            Self::WaterRise => "water_rise",
            Self::LevelUnderCirculation => "level_under_circulation",
            Self::BoxPressure => "box_pressure",
            Self::Consumption => "consumption",
            Self::SilentSensor => "silent_sensor",
        }
    }
}

/// Something noticed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// What it is about.
    pub kind: ObservationKind,
    /// The part.
    pub subject: ThingId,
    /// Its tag.
    pub subject_tag: String,
    /// A sentence.
    pub text: String,
    /// What it rests on.
    pub evidence: Evidence,
}

/// The part looked at, and the moment it is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The part.
    pub id: ThingId,
    /// Its tag.
    pub tag: &'a str,
    /// The facility's zone, which times are shown in.
    pub zone: Tz,
    /// The moment.
    pub now: DateTime<Utc>,
}

impl Scene<'_> {
    fn noticed(&self, kind: ObservationKind, text: String, evidence: Evidence) -> Observation {
        Observation { kind, subject: self.id, subject_tag: self.tag.to_owned(), text, evidence }
    }
}

/// Puts observations in the order in which they are shown, the same for the same data.
pub fn in_order(mut observations: Vec<Observation>) -> Vec<Observation> {
    observations.sort_by(|a, b| {
        (&a.subject_tag, a.kind, &a.text, a.subject).cmp(&(&b.subject_tag, b.kind, &b.text, b.subject))
    });
    observations
}

/// A supply is noticed when it gives more than this share beyond what its
/// model expects, and more than [`DEVIATIONS`] standard deviations; both of
/// our own choosing.
const EXCESS: f64 = 0.25;
/// How many standard deviations an excess must exceed.
const DEVIATIONS: f64 = 2.0;

/// Whether a supply gave clearly more, over so many days, than its model
/// expects; `sd_mol` is the standard deviation of the expectation.
pub fn consumption(
    supply: &Scene<'_>,
    measured_mol: f64,
    predicted_mol: f64,
    sd_mol: f64,
    days: f64,
    boxes: &[String],
) -> Option<Observation> {
    let known = [measured_mol, predicted_mol, sd_mol, days].iter().all(|number| number.is_finite());
    let excess = measured_mol - predicted_mol;
    if !known || predicted_mol < 0.0 || excess <= EXCESS * predicted_mol || excess <= DEVIATIONS * sd_mol {
        return None;
    }
    let more = if predicted_mol > 0.0 {
        format!("{} % more than its model expects", digits((100.0 * excess / predicted_mol).round()))
    } else {
        "where its model expects none".to_owned()
    };
    let feeds = if boxes.is_empty() { String::new() } else { format!("; it feeds {}", boxes.join(", ")) };
    let text = format!(
        "{} mol were drawn in {} days, {more} ({} ± {} mol){feeds}",
        digits(measured_mol),
        digits(days),
        digits(predicted_mol),
        digits(sd_mol)
    );
    let evidence = Evidence::new(
        "moles drawn by the readings against those that the gas model expects for the same time",
        "noticed beyond 25 % and two standard deviations (drykeep's own choice)",
    )
    .with("measured", measured_mol, "mol")
    .with_range("expected", predicted_mol, (predicted_mol - sd_mol, predicted_mol + sd_mol), "mol")
    .with("days", days, "d")
    .noting("a leak, a longer purge, work that was not booked or a cylinder read wrongly all look like this");
    Some(supply.noticed(ObservationKind::Consumption, text, evidence))
}

#[cfg(test)]
#[path = "observations_tests.rs"]
mod tests;
