//! `room-oxygen`: the oxygen left in a room that gas is let into.

use super::numbers::{Either, either, finite, needed};
use super::{Calculation, CalculationCaution};
use crate::domain::physics::Refusal as _;
use crate::domain::physics::gas::PureGas;
use crate::domain::physics::room_oxygen::{METHOD, Release, RoomCaution, RoomRelease};
use crate::domain::quantity::{CubicMetres, CubicMetresPerHour, PerHour, Percent};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A room and a release of gas into it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"room_volume_m3": 60.0, "released_m3": 10.77, "gas": "argon"}))]
pub(super) struct RoomOxygenQuestion {
    /// Volume of the room's air, m³; more than zero.
    #[schema(value_type = f64, required = true)]
    room_volume_m3: Option<f64>,
    /// Gas let in all at once, m³ at room temperature and pressure. Exactly
    /// one of `released_m3` and `release_m3_h` is given.
    released_m3: Option<f64>,
    /// Gas let in steadily and without end, m³/h.
    release_m3_h: Option<f64>,
    /// Fresh air, room volumes an hour; none unless given. It does not count
    /// for gas let in all at once.
    air_changes_per_hour: Option<f64>,
    /// The site's own least oxygen, per cent; 19.5 unless given.
    threshold_percent: Option<f64>,
    /// The gas, `argon`, `nitrogen`, `helium` or `hydrogen`, for what is said of where it gathers.
    #[schema(pattern = "^(argon|nitrogen|helium|hydrogen)$")]
    gas: Option<String>,
}

/// What becomes of the oxygen.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "lowest_oxygen_percent": 17.1895, "below_19_5": true, "mixed_oxygen_percent": 17.5077,
    "below_threshold": true, "threshold_percent": 19.5, "hours_to_threshold_unventilated": null,
    "method": "all at once: displacement 20.95*(V - v)/V, and well mixed 20.95*exp(-v/V)",
    "cautions": [{"code": "screening_only",
        "text": "A screening estimate for a well-mixed room, not a risk assessment; near the release oxygen is lower."}]
}))]
pub(super) struct RoomOxygenAnswer {
    /// Lowest oxygen, per cent: the gas displaces air (all at once) or is
    /// diluted by fresh air (steadily).
    lowest_oxygen_percent: f64,
    /// Whether that is below 19.5 %.
    below_19_5: bool,
    /// For gas let in all at once: the oxygen if it mixes as it flows in, per
    /// cent; the less pessimistic form.
    mixed_oxygen_percent: Option<f64>,
    /// Whether the lowest is below the site's own threshold.
    below_threshold: bool,
    /// The threshold used, per cent.
    threshold_percent: f64,
    /// For a steady release: hours until the threshold with the ventilation failed.
    hours_to_threshold_unventilated: Option<f64>,
    /// How it was computed.
    method: &'static str,
    /// What has to be said with it, the gravest first; never empty.
    cautions: Vec<CalculationCaution>,
}

impl RoomOxygenQuestion {
    fn release(&self, check: &mut Check) -> Option<Release> {
        let fields = ["released_m3", "release_m3_h"];
        match either(check, fields, self.released_m3, self.release_m3_h)? {
            Either::First(volume) => check.field(fields[0], CubicMetres::new(volume)).map(Release::Sudden),
            Either::Second(flow) => {
                check.field(fields[1], CubicMetresPerHour::new(flow)).map(Release::Steady)
            }
        }
    }

    fn gas(&self, check: &mut Check) -> Option<PureGas> {
        let name = self.gas.as_ref()?;
        let gas = PureGas::parse(name);
        if gas.is_none() {
            let detail =
                format!("{name:?} is not one of argon, nitrogen, helium, hydrogen; it may be left out");
            check.note(Violation::new("gas", "unknown_gas", detail));
        }
        gas
    }
}

impl Calculation for RoomOxygenQuestion {
    type Answer = RoomOxygenAnswer;

    fn answer(&self) -> Result<RoomOxygenAnswer, Violations> {
        let mut check = Check::default();
        let room = needed(&mut check, "room_volume_m3", self.room_volume_m3, CubicMetres::new);
        let release = self.release(&mut check);
        let changes = self.air_changes_per_hour.map(PerHour::new).transpose();
        let changes = check.field("air_changes_per_hour", changes);
        let threshold = self.threshold_percent.map(Percent::new).transpose();
        let threshold = check.field("threshold_percent", threshold);
        let gas = self.gas(&mut check);
        let parts = room.zip(release).zip(changes).zip(threshold);
        let release = check.build(parts, |(((room, release), air_changes), threshold)| RoomRelease {
            room,
            release,
            air_changes,
            threshold,
            gas,
        })?;
        let found = release.assess().map_err(|error| error.violation())?;
        finite(&[("release_m3_h", found.hours_to_threshold_unventilated.unwrap_or(0.0))])?;
        let said =
            |caution: &RoomCaution| CalculationCaution { code: caution.code(), text: caution.sentence() };
        Ok(RoomOxygenAnswer {
            lowest_oxygen_percent: found.lowest_oxygen_percent,
            below_19_5: found.below_19_5,
            mixed_oxygen_percent: found.mixed_oxygen_percent,
            below_threshold: found.below_threshold,
            threshold_percent: found.threshold_percent,
            hours_to_threshold_unventilated: found.hours_to_threshold_unventilated,
            method: METHOD,
            cautions: found.cautions.iter().map(said).collect(),
        })
    }
}
