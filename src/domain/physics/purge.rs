//! Purging a box by dilution: how many volume changes, how long, how much
//! gas. Knows nothing of why the box was opened.
//!
//! Well mixed, `C(t) = Cs + (C0 − Cs)·exp(−K·Q·t/V)`: sweep-through purging
//! as in the annex of NFPA 69, with the factor K for imperfect mixing.

use super::Refusal;
use crate::domain::quantity::{Fraction, Litres, LitresPerMinute, Minutes, Ppm};
use crate::domain::violations::Coded;
use std::borrow::Cow;
use thiserror::Error;

/// How a purge was computed.
pub const METHOD: &str = "dilution, well mixed but for the mixing factor: V/(K*Q)*ln((C0 - Cs)/(C - Cs)), as \
     sweep-through purging in the annex of NFPA 69";

/// A purge: a box, a flow of gas and how far to go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Purge {
    /// Volume of the box.
    pub volume: Litres,
    /// Flow of purge gas, at box conditions.
    pub flow: LitresPerMinute,
    /// Concentration before.
    pub from: Ppm,
    /// Concentration wanted.
    pub to: Ppm,
    /// Concentration in the purge gas.
    pub supply: Ppm,
    /// Mixing factor K of the site, above 0; 1 for perfect mixing.
    pub mixing: Fraction,
}

/// What the purge takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PurgeNeed {
    /// Volume changes under perfect mixing.
    pub volume_changes: f64,
    /// Time, min, with the mixing factor.
    pub minutes: f64,
    /// Gas, litres at box conditions, with the mixing factor.
    pub gas_l: f64,
}

/// Why a purge cannot get there.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum PurgeError {
    /// The purge gas itself holds as much or more.
    #[error("{to_ppm} ppm cannot be reached with purge gas that holds {supply_ppm} ppm itself")]
    SupplyNotBelowTarget {
        /// Concentration wanted, ppm.
        to_ppm: f64,
        /// Concentration in the purge gas, ppm.
        supply_ppm: f64,
    },
    /// The box is better than wanted already.
    #[error("the box is at {from_ppm} ppm, below the {to_ppm} ppm to reach, before any purge")]
    StartBelowTarget {
        /// Concentration before, ppm.
        from_ppm: f64,
        /// Concentration wanted, ppm.
        to_ppm: f64,
    },
    /// A mixing factor of nought.
    #[error("the mixing factor must be above 0 and at most 1")]
    NoMixing,
}

impl Coded for PurgeError {
    fn code(&self) -> &'static str {
        match self {
            Self::SupplyNotBelowTarget { .. } => "supply_not_below_target",
            Self::StartBelowTarget { .. } => "start_below_target",
            Self::NoMixing => "no_mixing",
        }
    }
}

impl Refusal for PurgeError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::SupplyNotBelowTarget { .. } => "to_ppm",
            Self::StartBelowTarget { .. } => "from_ppm",
            Self::NoMixing => "mixing",
        }
        .into()
    }
}

impl Purge {
    /// What it takes to get from the one concentration to the other.
    pub fn need(&self) -> Result<PurgeNeed, PurgeError> {
        if let Some(fault) = self.faults().into_iter().next() {
            return Err(fault);
        }
        let (from_ppm, to_ppm, supply_ppm) = (self.from.get(), self.to.get(), self.supply.get());
        let volume_changes = ((from_ppm - supply_ppm) / (to_ppm - supply_ppm)).ln();
        let gas_l = volume_changes * self.volume.get() / self.mixing.get();
        Ok(PurgeNeed { volume_changes, minutes: gas_l / self.flow.get(), gas_l })
    }

    /// Everything that keeps the purge from getting there.
    pub fn faults(&self) -> Vec<PurgeError> {
        let (from_ppm, to_ppm, supply_ppm) = (self.from.get(), self.to.get(), self.supply.get());
        let mut faults: Vec<PurgeError> = self.check_mixing().err().into_iter().collect();
        if to_ppm <= supply_ppm {
            faults.push(PurgeError::SupplyNotBelowTarget { to_ppm, supply_ppm });
        }
        if from_ppm < to_ppm {
            faults.push(PurgeError::StartBelowTarget { from_ppm, to_ppm });
        }
        faults
    }

    /// The concentration, ppm, after purging for so long, whatever was wanted.
    pub fn concentration_after(&self, elapsed: Minutes) -> Result<f64, PurgeError> {
        self.check_mixing()?;
        let changes = self.mixing.get() * self.flow.get() * elapsed.get() / self.volume.get();
        let supply = self.supply.get();
        Ok(supply + (self.from.get() - supply) * (-changes).exp())
    }

    fn check_mixing(&self) -> Result<(), PurgeError> {
        if self.mixing.get() > 0.0 { Ok(()) } else { Err(PurgeError::NoMixing) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn purge(from: f64, to: f64, supply: f64) -> Purge {
        Purge {
            volume: Litres::new(1000.0).unwrap(),
            flow: LitresPerMinute::new(50.0).unwrap(),
            from: Ppm::new(from).unwrap(),
            to: Ppm::new(to).unwrap(),
            supply: Ppm::new(supply).unwrap(),
            mixing: Fraction::new(1.0).unwrap(),
        }
    }

    #[test]
    fn volume_changes_are_those_of_dilution() {
        // Exact: natural logarithms of the ratios (NFPA 69 annex, sweep-through).
        for (to, supply, changes) in [(100.0, 0.0, 7.647_31), (1.0, 0.0, 12.252_48), (100.0, 2.0, 7.667_50)] {
            let need = purge(209_500.0, to, supply).need().unwrap();
            assert!((need.volume_changes - changes).abs() < 5e-6, "{need:?}");
            assert!((need.gas_l - 1000.0 * changes).abs() < 5e-3, "{need:?}");
            assert!((need.minutes - 20.0 * changes).abs() < 1e-4, "{need:?}");
        }
    }

    #[test]
    fn poor_mixing_takes_more_gas_and_time() {
        let good = purge(209_500.0, 100.0, 0.0);
        let poor = Purge { mixing: Fraction::new(0.5).unwrap(), ..good };
        let (good, poor) = (good.need().unwrap(), poor.need().unwrap());
        assert!((poor.minutes / good.minutes - 2.0).abs() < 1e-12);
        assert!((poor.volume_changes - good.volume_changes).abs() < 1e-12);
    }

    #[test]
    fn what_the_gas_cannot_do_is_refused_by_field() {
        let refused = |purge: Purge| {
            let error = purge.need().unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        assert_eq!(refused(purge(209_500.0, 1.0, 2.0)), is("to_ppm", "supply_not_below_target"));
        assert_eq!(refused(purge(209_500.0, 2.0, 2.0)), is("to_ppm", "supply_not_below_target"));
        assert_eq!(refused(purge(209_500.0, 0.0, 0.0)), is("to_ppm", "supply_not_below_target"));
        assert_eq!(refused(purge(50.0, 100.0, 0.0)), is("from_ppm", "start_below_target"));
        let still = Purge { mixing: Fraction::new(0.0).unwrap(), ..purge(209_500.0, 1.0, 0.0) };
        assert_eq!(refused(still), is("mixing", "no_mixing"));
    }

    proptest! {
        #[test]
        fn purging_for_the_time_found_reaches_the_target(
            from in 0.0..=1e6_f64, to in 0.0..=1e6_f64, supply in 0.0..100.0_f64, mixing in 0.01..=1.0_f64,
        ) {
            let purge = Purge { mixing: Fraction::new(mixing).unwrap(), ..purge(from, to, supply) };
            if let Ok(need) = purge.need() {
                let reached = purge.concentration_after(Minutes::new(need.minutes).unwrap()).unwrap();
                prop_assert!((reached - to).abs() <= 1e-9 * from.max(1.0), "{reached}");
            } else {
                prop_assert!(to <= supply || from < to);
            }
        }
    }
}
