//! Physical quantities as newtypes: the unit is in the type's name, the
//! value is finite and within what the instrument or the trade can mean.

use crate::domain::violations::Coded;
use serde::{Deserialize, Serialize};
use std::fmt;
use thiserror::Error;

/// Why a number was refused as a quantity.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum QuantityError {
    /// NaN or an infinity.
    #[error("must be a finite number")]
    NotFinite,
    /// Below the least value allowed.
    #[error("must be at least {least} {unit}, not {value}")]
    TooSmall {
        /// The offending value.
        value: f64,
        /// The least value allowed.
        least: f64,
        /// The unit.
        unit: &'static str,
    },
    /// At or below a bound that must be exceeded.
    #[error("must be more than {bound} {unit}, not {value}")]
    NotAbove {
        /// The offending value.
        value: f64,
        /// The bound to exceed.
        bound: f64,
        /// The unit.
        unit: &'static str,
    },
    /// Above the greatest value allowed.
    #[error("must be at most {most} {unit}, not {value}")]
    TooLarge {
        /// The offending value.
        value: f64,
        /// The greatest value allowed.
        most: f64,
        /// The unit.
        unit: &'static str,
    },
}

impl Coded for QuantityError {
    fn code(&self) -> &'static str {
        match self {
            Self::NotFinite => "not_finite",
            Self::TooSmall { .. } | Self::NotAbove { .. } => "too_small",
            Self::TooLarge { .. } => "too_large",
        }
    }
}

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident [$unit:literal] $bound:ident $least:literal .. $most:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// The unit's symbol.
            pub const UNIT: &'static str = $unit;

            /// Checks that the number is finite and in range.
            pub fn new(value: f64) -> Result<Self, QuantityError> {
                if !value.is_finite() {
                    return Err(QuantityError::NotFinite);
                }
                quantities!(@lower $bound value, $least, $unit);
                if value > $most {
                    return Err(QuantityError::TooLarge { value, most: $most, unit: $unit });
                }
                Ok(Self(value))
            }

            /// The number, in the unit of the type.
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = QuantityError;
            fn try_from(value: f64) -> Result<Self, QuantityError> {
                Self::new(value)
            }
        }

        impl From<$name> for f64 {
            fn from(quantity: $name) -> f64 {
                quantity.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)?;
                f.write_str(concat!(" ", $unit))
            }
        }
    )*};
    (@lower at_least $value:ident, $least:literal, $unit:literal) => {
        if $value < $least {
            return Err(QuantityError::TooSmall { value: $value, least: $least, unit: $unit });
        }
    };
    (@lower above $value:ident, $least:literal, $unit:literal) => {
        if $value <= $least {
            return Err(QuantityError::NotAbove { value: $value, bound: $least, unit: $unit });
        }
    };
}

quantities! {
    /// A volume, litres.
    Litres ["L"] above 0.0 .. 1e7;
    /// A volume, cubic metres.
    CubicMetres ["m³"] above 0.0 .. 1e6;
    /// Pumping speed or circulation, cubic metres an hour.
    CubicMetresPerHour ["m³/h"] above 0.0 .. 1e6;
    /// A gas flow, litres a minute at box conditions.
    LitresPerMinute ["L/min"] above 0.0 .. 1e6;
    /// An absolute pressure, millibar.
    Millibar ["mbar"] at_least 0.0 .. 1e6;
    /// An absolute pressure, bar.
    Bar ["bar"] at_least 0.0 .. 1000.0;
    /// An absolute pressure, pascal.
    Pascal ["Pa"] at_least 0.0 .. 1e9;
    /// A pressure above ambient, bar. Below zero means under vacuum.
    GaugeBar ["bar gauge"] at_least -1.1 .. 1000.0;
    /// A temperature, degrees Celsius.
    Celsius ["°C"] at_least -273.15 .. 2000.0;
    /// A mole fraction, parts per million of the total (wet) gas.
    Ppm ["ppm"] at_least 0.0 .. 1e6;
    /// A time, minutes.
    Minutes ["min"] at_least 0.0 .. 1e7;
    /// A time, hours.
    Hours ["h"] at_least 0.0 .. 1e7;
    /// Air changes an hour.
    PerHour ["1/h"] at_least 0.0 .. 1000.0;
    /// An amount of substance, moles.
    Moles ["mol"] at_least 0.0 .. 1e9;
    /// An amount of gas as the litres it fills at 0 °C and 1 atm as an ideal gas.
    NormalLitres ["NL"] at_least 0.0 .. 1e11;
    /// A share in per cent.
    Percent ["%"] at_least 0.0 .. 100.0;
    /// A fraction of one.
    Fraction ["of 1"] at_least 0.0 .. 1.0;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_that_mean_nothing_are_refused() {
        assert_eq!(Ppm::new(f64::NAN), Err(QuantityError::NotFinite));
        assert_eq!(Ppm::new(f64::INFINITY), Err(QuantityError::NotFinite));
        assert!(matches!(Ppm::new(-0.1), Err(QuantityError::TooSmall { .. })));
        assert!(matches!(Litres::new(0.0), Err(QuantityError::NotAbove { .. })));
        assert!(matches!(Fraction::new(1.5), Err(QuantityError::TooLarge { .. })));
    }
}
