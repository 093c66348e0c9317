//! Oxygen left in a room that gas is let into: a screening estimate. Knows
//! nothing of which cylinder or box the gas comes from.
//!
//! Sudden release, gas displacing air, `20.95·(V − v)/V` per cent, the
//! pessimistic form that published university guidance on cryogenic and
//! compressed gases uses; the same well mixed as it flows in, `20.95·exp(−v/V)`.
//! Steady release q against fresh air `Q = n·V`: `20.95·Q/(Q + q)`.

use super::gas::PureGas;
use super::{OXYGEN_IN_AIR_PPM, Refusal};
use crate::domain::quantity::{CubicMetres, CubicMetresPerHour, PerHour, Percent};
use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// Below this a place is oxygen-deficient by OSHA 29 CFR 1910.134, and EIGA
/// Doc 44 lets nobody in without more; sites set from 18 to 19.5 %.
pub const DEFICIENT_PERCENT: f64 = 19.5;

/// How the oxygen was computed.
pub const METHOD: &str = "all at once: displacement 20.95*(V - v)/V, and well mixed 20.95*exp(-v/V); steadily: \
     20.95*Q/(Q + q) with fresh air Q; 19.5 % by OSHA 29 CFR 1910.134";

const AIR_PERCENT: f64 = OXYGEN_IN_AIR_PPM / 1e4;

/// How gas gets into the room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Release {
    /// All at once: this much, at room temperature and pressure. Ventilation
    /// does not count.
    Sudden(CubicMetres),
    /// Steadily, without end.
    Steady(CubicMetresPerHour),
}

/// A room and a release into it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoomRelease {
    /// Volume of the room.
    pub room: CubicMetres,
    /// The release.
    pub release: Release,
    /// Fresh air, room volumes an hour; none known counts as none.
    pub air_changes: Option<PerHour>,
    /// The site's least oxygen, [`DEFICIENT_PERCENT`] by default.
    pub threshold: Option<Percent>,
    /// The gas, where known, for what is said of where it gathers.
    pub gas: Option<PureGas>,
}

/// Something that has to be said with every number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RoomCaution {
    /// Oxygen falls below the threshold.
    BelowThreshold,
    /// The gas could fill the room.
    FillsRoom,
    /// The gas runs without any fresh air.
    NoFreshAir,
    /// The case with failed ventilation comes first.
    VentilationFailedFirst,
    /// Nothing warns a person of it.
    NoSenseDetects,
    /// Argon gathers low.
    ArgonPools,
    /// Helium and hydrogen gather high.
    LightGasRises,
    /// Hydrogen burns.
    HydrogenBurns,
    /// An estimate, not an assessment.
    ScreeningOnly,
    /// Others decide.
    LocalCodesDecide,
}

impl RoomCaution {
    /// The caution's stable code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::BelowThreshold => "below_threshold",
            Self::FillsRoom => "fills_room",
            Self::NoFreshAir => "no_fresh_air",
            Self::VentilationFailedFirst => "ventilation_failed_first",
            Self::NoSenseDetects => "no_sense_detects",
            Self::ArgonPools => "argon_pools",
            Self::LightGasRises => "light_gas_rises",
            Self::HydrogenBurns => "hydrogen_burns",
            Self::ScreeningOnly => "screening_only",
            Self::LocalCodesDecide => "local_codes_decide",
        }
    }

    /// The caution as a sentence for people.
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::BelowThreshold => {
                "Oxygen falls below the least that is set for people without breathing air."
            }
            Self::FillsRoom => "There is as much gas as the room holds: next to no oxygen would be left.",
            Self::NoFreshAir => {
                "Without fresh air a steady release has no end: the oxygen falls towards nothing."
            }
            Self::VentilationFailedFirst => {
                "Look at the case with the ventilation failed first; the ventilation may be what fails."
            }
            Self::NoSenseDetects => {
                "No human sense detects a lack of oxygen; people collapse without warning. Only a working oxygen \
                 monitor tells."
            }
            Self::ArgonPools => {
                "Argon is heavier than air and pools in pits, channels and low corners, where oxygen is lower than \
                 this figure for the whole room."
            }
            Self::LightGasRises => {
                "This gas is lighter than air and gathers under the ceiling, where oxygen is lower than this figure \
                 for the whole room."
            }
            Self::HydrogenBurns => "Hydrogen burns and explodes in air; this figure looks at oxygen alone.",
            Self::ScreeningOnly => {
                "A screening estimate for a well-mixed room, not a risk assessment; near the release oxygen is lower."
            }
            Self::LocalCodesDecide => {
                "Local codes and competent people decide what is acceptable and required."
            }
        }
    }
}

/// What becomes of the oxygen.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomOxygen {
    /// Lowest oxygen, per cent, by the pessimistic form.
    pub lowest_oxygen_percent: f64,
    /// Lowest oxygen, per cent, when the gas mixes as it flows in; only for a
    /// sudden release.
    pub mixed_oxygen_percent: Option<f64>,
    /// Whether the lowest is below 19.5 %.
    pub below_19_5: bool,
    /// Whether the lowest is below the site's own threshold.
    pub below_threshold: bool,
    /// The site's threshold used, per cent.
    pub threshold_percent: f64,
    /// Hours until a steady release takes the room to the threshold with the
    /// ventilation failed, by displacement; only for a steady release.
    pub hours_to_threshold_unventilated: Option<f64>,
    /// What has to be said with it, the gravest first; never empty.
    pub cautions: Vec<RoomCaution>,
}

/// Why no estimate is made.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum RoomError {
    /// A threshold that says nothing.
    #[error("the least oxygen must be above 0 and below the {AIR_PERCENT} % of air, not {threshold_percent}")]
    Threshold {
        /// The threshold, per cent.
        threshold_percent: f64,
    },
}

impl Coded for RoomError {
    fn code(&self) -> &'static str {
        match self {
            Self::Threshold { .. } => "threshold_out_of_range",
        }
    }
}

impl Refusal for RoomError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::Threshold { .. } => "threshold_percent".into(),
        }
    }
}

impl RoomRelease {
    /// The oxygen left, with the cautions that belong to it.
    pub fn assess(&self) -> Result<RoomOxygen, RoomError> {
        let threshold_percent = self.threshold.map_or(DEFICIENT_PERCENT, Percent::get);
        if threshold_percent <= 0.0 || threshold_percent >= AIR_PERCENT {
            return Err(RoomError::Threshold { threshold_percent });
        }
        let room = self.room.get();
        let fresh = self.fresh_air_m3_h();
        let (lowest, mixed, hours) = match self.release {
            Release::Sudden(gas) => {
                let share = gas.get() / room;
                (AIR_PERCENT * (1.0 - share).max(0.0), Some(AIR_PERCENT * (-share).exp()), None)
            }
            Release::Steady(flow) => {
                let margin_m3 = room * (1.0 - threshold_percent / AIR_PERCENT);
                (AIR_PERCENT * fresh / (fresh + flow.get()), None, Some(margin_m3 / flow.get()))
            }
        };
        let below_threshold = lowest < threshold_percent;
        Ok(RoomOxygen {
            lowest_oxygen_percent: lowest,
            mixed_oxygen_percent: mixed,
            below_19_5: lowest < DEFICIENT_PERCENT,
            below_threshold,
            threshold_percent,
            hours_to_threshold_unventilated: hours,
            cautions: self.cautions(below_threshold),
        })
    }

    fn fresh_air_m3_h(&self) -> f64 {
        self.air_changes.map_or(0.0, PerHour::get) * self.room.get()
    }

    fn cautions(&self, below_threshold: bool) -> Vec<RoomCaution> {
        use RoomCaution as C;
        let fills = matches!(self.release, Release::Sudden(gas) if gas >= self.room);
        let unventilated = matches!(self.release, Release::Steady(_)) && self.fresh_air_m3_h() <= 0.0;
        let light = matches!(self.gas, Some(PureGas::Helium | PureGas::Hydrogen));
        // Where the gas is not known it may be argon, the worst to be silent about.
        let pools = matches!(self.gas, Some(PureGas::Argon) | None);
        [
            (C::FillsRoom, fills),
            (C::NoFreshAir, unventilated),
            (C::BelowThreshold, below_threshold),
            (C::VentilationFailedFirst, true),
            (C::NoSenseDetects, true),
            (C::ArgonPools, pools),
            (C::LightGasRises, light),
            (C::HydrogenBurns, self.gas == Some(PureGas::Hydrogen)),
            (C::ScreeningOnly, true),
            (C::LocalCodesDecide, true),
        ]
        .into_iter()
        .filter_map(|(caution, applies)| applies.then_some(caution))
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sudden(room: f64, gas: f64) -> RoomRelease {
        RoomRelease {
            room: CubicMetres::new(room).unwrap(),
            release: Release::Sudden(CubicMetres::new(gas).unwrap()),
            air_changes: None,
            threshold: None,
            gas: Some(PureGas::Argon),
        }
    }

    fn steady(room: f64, flow: f64, changes: Option<f64>) -> RoomRelease {
        RoomRelease {
            release: Release::Steady(CubicMetresPerHour::new(flow).unwrap()),
            air_changes: changes.map(|n| PerHour::new(n).unwrap()),
            ..sudden(room, 1.0)
        }
    }

    #[test]
    fn a_cylinder_let_into_a_room_displaces_its_air() {
        // Exact: 20.95·(V − 10.77)/V; below the 19.5 % of OSHA 29 CFR 1910.134.
        for (room, percent) in [(60.0, 17.19), (30.0, 13.43)] {
            let found = sudden(room, 10.77).assess().unwrap();
            assert!((found.lowest_oxygen_percent - percent).abs() < 0.005, "{found:?}");
            assert!(found.below_19_5 && found.below_threshold);
            assert!(found.cautions.contains(&RoomCaution::BelowThreshold));
        }
    }

    #[test]
    fn mixing_leaves_more_than_displacement() {
        // Exact: 20.95·exp(−10.77/60) = 17.508.
        let found = sudden(60.0, 10.77).assess().unwrap();
        assert!((found.mixed_oxygen_percent.unwrap() - 17.508).abs() < 0.001, "{found:?}");
    }

    #[test]
    fn fresh_air_holds_a_steady_release_down() {
        // Exact: 20.95·240/241 = 20.863.
        let found = steady(40.0, 1.0, Some(6.0)).assess().unwrap();
        assert!((found.lowest_oxygen_percent - 20.863).abs() < 5e-4, "{found:?}");
        assert!(!found.below_19_5);
        assert!(found.cautions.contains(&RoomCaution::VentilationFailedFirst));
        // Exact: 40 m³·(1 − 19.5/20.95) displaced at 1 m³/h.
        assert!((found.hours_to_threshold_unventilated.unwrap() - 2.768).abs() < 0.001, "{found:?}");
    }

    #[test]
    fn a_steady_release_without_fresh_air_is_taken_to_its_end() {
        for none in [None, Some(0.0)] {
            let found = steady(40.0, 1.0, none).assess().unwrap();
            assert!(found.lowest_oxygen_percent.abs() < f64::EPSILON && found.below_19_5);
            assert_eq!(found.cautions[0], RoomCaution::NoFreshAir);
        }
    }

    #[test]
    fn more_gas_than_room_leaves_nothing_rather_than_less() {
        let found = sudden(10.0, 30.0).assess().unwrap();
        assert!(found.lowest_oxygen_percent.abs() < f64::EPSILON);
        assert_eq!(found.cautions[0], RoomCaution::FillsRoom);
    }

    #[test]
    fn a_site_names_its_own_threshold() {
        // Exact: 20.95·0.9 = 18.855 lies between 18 and 19.5 %.
        let site =
            |percent| RoomRelease { threshold: Some(Percent::new(percent).unwrap()), ..sudden(10.0, 1.0) };
        let found = site(18.0).assess().unwrap();
        assert!(found.below_19_5 && !found.below_threshold);
        let error = site(21.0).assess().unwrap_err();
        assert_eq!((&*error.field(), error.code()), ("threshold_percent", "threshold_out_of_range"));
    }

    #[test]
    fn what_always_holds_is_always_said() {
        for gas in [None, Some(PureGas::Nitrogen), Some(PureGas::Helium), Some(PureGas::Hydrogen)] {
            let said = RoomRelease { gas, ..sudden(1000.0, 1.0) }.assess().unwrap().cautions;
            for always in [
                RoomCaution::VentilationFailedFirst,
                RoomCaution::NoSenseDetects,
                RoomCaution::ScreeningOnly,
                RoomCaution::LocalCodesDecide,
            ] {
                assert!(said.contains(&always), "{gas:?} lacks {always:?}");
            }
            assert_eq!(said.contains(&RoomCaution::ArgonPools), gas.is_none());
            assert_eq!(said.contains(&RoomCaution::HydrogenBurns), gas == Some(PureGas::Hydrogen));
        }
    }

    proptest! {
        #[test]
        fn displacement_is_never_above_dilution(room in 0.1..1e6_f64, gas in 0.1..1e6_f64) {
            let found = sudden(room, gas).assess().unwrap();
            prop_assert!((0.0..=AIR_PERCENT).contains(&found.lowest_oxygen_percent));
            prop_assert!(found.lowest_oxygen_percent <= found.mixed_oxygen_percent.unwrap());
        }

        #[test]
        fn more_fresh_air_leaves_more_oxygen(flow in 0.1..1e6_f64, n in 0.1..999.0_f64, more in 0.01..1.0_f64) {
            let less = steady(40.0, flow, Some(n)).assess().unwrap().lowest_oxygen_percent;
            let rich = steady(40.0, flow, Some(n + more)).assess().unwrap().lowest_oxygen_percent;
            prop_assert!(rich > less);
        }
    }
}
