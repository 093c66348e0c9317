//! Gases and their mixtures, named as GERG-2008 knows them. Knows
//! compositions only, not pressures or cylinders.

use super::Refusal;
use crate::domain::violations::Coded;
use aga8::composition::Composition;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// How far the mole fractions of a mixture may sum away from one.
pub const SUM_TOLERANCE: f64 = 1e-6;

/// A gas supplied pure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PureGas {
    /// Argon.
    Argon,
    /// Nitrogen.
    Nitrogen,
    /// Helium.
    Helium,
    /// Hydrogen.
    Hydrogen,
}

impl PureGas {
    /// Every pure gas.
    pub const ALL: [Self; 4] = [Self::Argon, Self::Nitrogen, Self::Helium, Self::Hydrogen];

    /// The gas's name in the contract.
    pub const fn name(self) -> &'static str {
        self.component().name()
    }

    /// The gas of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|gas| gas.name() == name)
    }

    const fn component(self) -> Component {
        match self {
            Self::Argon => Component::Argon,
            Self::Nitrogen => Component::Nitrogen,
            Self::Helium => Component::Helium,
            Self::Hydrogen => Component::Hydrogen,
        }
    }
}

macro_rules! components {
    ($($variant:ident $name:ident $saturation:expr;)*) => {
        /// One of the 21 substances that GERG-2008 (ISO 20765-2) covers.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Component {
            $(#[doc = concat!("The substance written `", stringify!($name), "` in requests.")] $variant,)*
        }

        impl Component {
            /// Every component, in the order of the enumeration.
            pub const ALL: [Self; COMPONENTS] = [$(Self::$variant),*];

            /// The component's name in the contract.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => stringify!($name),)* }
            }

            /// Vapour pressure at the coldest temperature that cylinder
            /// contents are answered for, in bar; `None` for a gas that is
            /// above its critical temperature there.
            const fn coldest_saturation_bar(self) -> Option<f64> {
                match self { $(Self::$variant => $saturation,)* }
            }
        }

        fn composition(fractions: &[f64; COMPONENTS]) -> Composition {
            Composition { $($name: fractions[Component::$variant as usize],)* }
        }
    };
}

const COMPONENTS: usize = 21;

// Saturation pressures at -20 °C, rounded down: CoolProp 8.0.0 reference equations of state;
// water is the sublimation pressure of IAPWS R14-08(2011).
components! {
    Methane methane None;
    Nitrogen nitrogen None;
    CarbonDioxide carbon_dioxide Some(19.69);
    Ethane ethane Some(14.21);
    Propane propane Some(2.445);
    Isobutane isobutane Some(0.7247);
    NButane n_butane Some(0.4521);
    Isopentane isopentane Some(0.1341);
    NPentane n_pentane Some(0.0903);
    Hexane hexane Some(0.0186);
    Heptane heptane Some(0.003_94);
    Octane octane Some(0.000_84);
    Nonane nonane Some(0.000_18);
    Decane decane Some(0.000_039);
    Hydrogen hydrogen None;
    Oxygen oxygen None;
    CarbonMonoxide carbon_monoxide None;
    Water water Some(0.001_032);
    HydrogenSulfide hydrogen_sulfide Some(5.463);
    Helium helium None;
    Argon argon None;
}

impl Component {
    /// The component of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|component| component.name() == name)
    }
}

/// Why a composition was refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum MixtureError {
    /// A name that is no component of GERG-2008.
    #[error("{name:?} is not one of the 21 substances of GERG-2008, such as argon, nitrogen or hydrogen")]
    Unknown {
        /// The name given.
        name: String,
    },
    /// A component given twice.
    #[error("{name} is given more than once")]
    Repeated {
        /// The component's name.
        name: &'static str,
    },
    /// A mole fraction that is not between nought and one.
    #[error("the mole fraction of {name} must be a number from 0 to 1, not {value}")]
    Fraction {
        /// The component's name.
        name: &'static str,
        /// The value given.
        value: f64,
    },
    /// The fractions do not add up to one.
    #[error("the mole fractions must sum to 1 within {SUM_TOLERANCE}, not {sum}")]
    Sum {
        /// Their sum.
        sum: f64,
    },
}

impl Coded for MixtureError {
    fn code(&self) -> &'static str {
        match self {
            Self::Unknown { .. } => "unknown_component",
            Self::Repeated { .. } => "repeated_component",
            Self::Fraction { .. } => "mole_fraction_out_of_range",
            Self::Sum { .. } => "mole_fractions_do_not_sum_to_one",
        }
    }
}

impl Refusal for MixtureError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::Unknown { name } => format!("components.{name}").into(),
            Self::Repeated { name } | Self::Fraction { name, .. } => format!("components.{name}").into(),
            Self::Sum { .. } => "components".into(),
        }
    }
}

/// A gas of known composition; the mole fractions sum to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasMixture {
    fractions: [f64; COMPONENTS],
}

impl GasMixture {
    /// The pure gas.
    pub const fn pure(gas: PureGas) -> Self {
        let mut fractions = [0.0; COMPONENTS];
        fractions[gas.component() as usize] = 1.0;
        Self { fractions }
    }

    /// A mixture from the names and mole fractions of its components.
    ///
    /// What the sum misses of one, within [`SUM_TOLERANCE`], is spread over
    /// the components.
    ///
    /// ```
    /// use drykeep::domain::physics::mixture::GasMixture;
    /// assert!(GasMixture::from_components([("argon", 0.95), ("hydrogen", 0.05)]).is_ok());
    /// assert!(GasMixture::from_components([("argon", 0.95)]).is_err());
    /// ```
    pub fn from_components<'a>(
        parts: impl IntoIterator<Item = (&'a str, f64)>,
    ) -> Result<Self, MixtureError> {
        let mut fractions = [None; COMPONENTS];
        for (name, value) in parts {
            let component =
                Component::parse(name).ok_or_else(|| MixtureError::Unknown { name: name.to_owned() })?;
            let name = component.name();
            if !(0.0..=1.0).contains(&value) {
                return Err(MixtureError::Fraction { name, value });
            }
            if fractions[component as usize].replace(value).is_some() {
                return Err(MixtureError::Repeated { name });
            }
        }
        let fractions = fractions.map(|fraction| fraction.unwrap_or(0.0));
        let sum: f64 = fractions.iter().sum();
        // A hair more than the tolerance, so that 0.999999 as written passes.
        if (sum - 1.0).abs() > SUM_TOLERANCE * (1.0 + 1e-9) {
            return Err(MixtureError::Sum { sum });
        }
        Ok(Self { fractions: fractions.map(|fraction| fraction / sum) })
    }

    /// Whether it holds argon and helium together, at least 1 mole-% of each.
    ///
    /// GERG-2008 estimates this pair by a combining rule instead of parameters fitted to it: it gives
    /// up to 5 % less gas than the equation of Tkaczuk et al. (J. Phys. Chem.
    /// Ref. Data 49, 2020) in CoolProp 8.0.0 (see the tests). The other pairs
    /// of a glovebox's gases stay within 0.25 %.
    pub fn pairs_argon_with_helium(&self) -> bool {
        [Component::Argon, Component::Helium].iter().all(|one| self.fraction(*one) >= 0.01)
    }

    /// The mole fraction of a component.
    pub fn fraction(&self, component: Component) -> f64 {
        self.fractions[component as usize]
    }

    /// The highest absolute pressure, bar, at which nothing condenses down to
    /// -20 °C; infinite for a mixture of permanent gases.
    ///
    /// By Raoult's law over the condensables: the pressure at which the sum
    /// of their shares of saturation reaches one.
    pub(super) fn condenses_above_bar(&self) -> f64 {
        let saturation: f64 = Component::ALL
            .into_iter()
            .filter_map(|component| Some(self.fraction(component) / component.coldest_saturation_bar()?))
            .sum();
        1.0 / saturation
    }

    pub(super) fn composition(&self) -> Composition {
        composition(&self.fractions)
    }
}

impl From<PureGas> for GasMixture {
    fn from(gas: PureGas) -> Self {
        Self::pure(gas)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(parts: &[(&str, f64)]) -> (Cow<'static, str>, &'static str) {
        let error = GasMixture::from_components(parts.iter().copied()).unwrap_err();
        (error.field(), error.code())
    }

    #[test]
    fn a_composition_that_means_nothing_is_refused_by_name() {
        assert_eq!(refused(&[("xenon", 1.0)]), ("components.xenon".into(), "unknown_component"));
        assert_eq!(
            refused(&[("argon", f64::NAN)]),
            ("components.argon".into(), "mole_fraction_out_of_range")
        );
        assert_eq!(
            refused(&[("argon", 1.1), ("hydrogen", -0.1)]),
            ("components.argon".into(), "mole_fraction_out_of_range")
        );
        assert_eq!(
            refused(&[("argon", 0.5), ("argon", 0.5)]),
            ("components.argon".into(), "repeated_component")
        );
        assert_eq!(
            refused(&[("argon", 0.95), ("hydrogen", 0.049_99)]),
            ("components".into(), "mole_fractions_do_not_sum_to_one")
        );
        assert_eq!(refused(&[]), ("components".into(), "mole_fractions_do_not_sum_to_one"));
    }

    #[test]
    fn a_sum_within_the_tolerance_is_made_exactly_one() {
        let mixture = GasMixture::from_components([("argon", 0.95), ("hydrogen", 0.050_000_5)]).unwrap();
        let sum: f64 = Component::ALL.into_iter().map(|component| mixture.fraction(component)).sum();
        assert!((sum - 1.0).abs() < 1e-15, "{sum}");
    }

    #[test]
    fn every_component_is_found_by_its_name() {
        for component in Component::ALL {
            assert_eq!(Component::parse(component.name()), Some(component));
        }
        assert_eq!(PureGas::parse("helium"), Some(PureGas::Helium));
        assert_eq!(PureGas::parse("methane"), None);
    }

    #[test]
    fn only_condensable_components_bound_the_pressure() {
        let forming = GasMixture::from_components([("nitrogen", 0.95), ("hydrogen", 0.05)]).unwrap();
        assert!(forming.condenses_above_bar().is_infinite());
        let welding = GasMixture::from_components([("argon", 0.9), ("carbon_dioxide", 0.1)]).unwrap();
        assert!((welding.condenses_above_bar() - 196.9).abs() < 1e-9);
    }
}
