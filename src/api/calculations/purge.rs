//! `purge`: how much flow it takes to purge a box by dilution.

use super::Calculation;
use super::numbers::{finite, needed, or};
use crate::domain::physics::Refusal;
use crate::domain::physics::purge::{METHOD, Purge};
use crate::domain::quantity::{Fraction, Litres, LitresPerMinute, Ppm};
use crate::domain::violations::{Check, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A box, a flow of gas and how far to go.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"volume_l": 1000.0, "flow_l_min": 50.0, "from_ppm": 209_500.0, "to_ppm": 100.0}))]
pub(super) struct PurgeQuestion {
    /// Volume of the box, L; more than zero.
    #[schema(value_type = f64, required = true)]
    volume_l: Option<f64>,
    /// Flow of purge gas at box conditions, L/min; more than zero.
    #[schema(value_type = f64, required = true)]
    flow_l_min: Option<f64>,
    /// Concentration before, ppm.
    #[schema(value_type = f64, required = true)]
    from_ppm: Option<f64>,
    /// Concentration to reach, ppm; above `supply_ppm`.
    #[schema(value_type = f64, required = true)]
    to_ppm: Option<f64>,
    /// Concentration in the purge gas, ppm; 0 unless given.
    supply_ppm: Option<f64>,
    /// How well the gas mixes: the share of the flow that dilutes, above 0 up
    /// to 1; 1, perfect mixing, unless given.
    mixing: Option<f64>,
}

/// What the purge takes.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "volume_changes": 7.64731, "minutes": 152.946, "gas_l": 7647.31,
    "method": "dilution, well mixed but for the mixing factor: V/(K*Q)*ln((C0 - Cs)/(C - Cs))"
}))]
pub(super) struct PurgeAnswer {
    /// Volume changes under perfect mixing.
    volume_changes: f64,
    /// Time, min.
    minutes: f64,
    /// Gas, L at box conditions.
    gas_l: f64,
    /// How it was computed.
    method: &'static str,
}

impl Calculation for PurgeQuestion {
    type Answer = PurgeAnswer;

    fn answer(&self) -> Result<PurgeAnswer, Violations> {
        let mut check = Check::default();
        let volume = needed(&mut check, "volume_l", self.volume_l, Litres::new);
        let flow = needed(&mut check, "flow_l_min", self.flow_l_min, LitresPerMinute::new);
        let from = needed(&mut check, "from_ppm", self.from_ppm, Ppm::new);
        let to = needed(&mut check, "to_ppm", self.to_ppm, Ppm::new);
        let supply = or(&mut check, "supply_ppm", self.supply_ppm, 0.0, Ppm::new);
        let mixing = or(&mut check, "mixing", self.mixing, 1.0, Fraction::new);
        let parts = volume.zip(flow).zip(from).zip(to).zip(supply).zip(mixing);
        let purge = check.build(parts, |(((((volume, flow), from), to), supply), mixing)| Purge {
            volume,
            flow,
            from,
            to,
            supply,
            mixing,
        })?;
        let faults = purge.faults().iter().map(Refusal::violation).collect();
        if let Some(faults) = Violations::from_vec(faults) {
            return Err(faults);
        }
        let need = purge.need().map_err(|error| error.violation())?;
        finite(&[("mixing", need.gas_l), ("flow_l_min", need.minutes)])?;
        Ok(PurgeAnswer {
            volume_changes: need.volume_changes,
            minutes: need.minutes,
            gas_l: need.gas_l,
            method: METHOD,
        })
    }
}
