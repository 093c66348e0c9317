//! Quantities of a stock item in whole millionths of its unit, so that sums
//! are exact and a tenth taken ten times leaves nothing.

use crate::domain::quantity::QuantityError;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};

/// Millionths of one.
const SCALE: f64 = 1e6;
/// The most that one movement may be about, in the item's unit.
const MOST: f64 = 1e7;

/// A quantity of a stock item, in the item's own unit; below nought where
/// more is taken than there is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(from = "f64", into = "f64")]
pub struct Quantity(i64);

impl Quantity {
    /// None of it.
    pub const ZERO: Self = Self(0);

    /// A quantity above nought, at most ten million.
    pub fn positive(value: f64) -> Result<Self, QuantityError> {
        let quantity = Self::not_negative(value)?;
        if quantity == Self::ZERO {
            return Err(QuantityError::TooSmall { value, least: 1.0 / SCALE, unit: "" });
        }
        Ok(quantity)
    }

    /// A quantity of nought or more, at most ten million.
    pub fn not_negative(value: f64) -> Result<Self, QuantityError> {
        if !value.is_finite() {
            return Err(QuantityError::NotFinite);
        }
        if value < 0.0 {
            return Err(QuantityError::TooSmall { value, least: 0.0, unit: "" });
        }
        if value > MOST {
            return Err(QuantityError::TooLarge { value, most: MOST, unit: "" });
        }
        Ok(Self::nearest(value))
    }

    /// The nearest millionth; no number is none of it.
    pub fn nearest(value: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates")]
        let millionths = (value * SCALE).round() as i64;
        Self(millionths)
    }

    /// The number, in the item's unit.
    pub fn get(self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "fifteen digits are more than any stock has")]
        let millionths = self.0 as f64;
        millionths / SCALE
    }

    /// Whether more was taken than there is.
    pub const fn is_negative(self) -> bool {
        self.0 < 0
    }
}

impl From<f64> for Quantity {
    fn from(value: f64) -> Self {
        Self::nearest(value)
    }
}

impl From<Quantity> for f64 {
    fn from(quantity: Quantity) -> Self {
        quantity.get()
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.get().fmt(f)
    }
}

impl Add for Quantity {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Quantity {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Quantity {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl AddAssign for Quantity {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for Quantity {
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl Sum for Quantity {
    fn sum<I: Iterator<Item = Self>>(quantities: I) -> Self {
        quantities.fold(Self::ZERO, Add::add)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tenth_taken_ten_times_leaves_nothing() {
        let tenth = Quantity::positive(0.1).unwrap();
        let left = (0..10).fold(Quantity::positive(1.0).unwrap(), |left, _| left - tenth);
        assert_eq!(left, Quantity::ZERO);
        assert_eq!((tenth + tenth + tenth).to_string(), "0.3");
    }

    #[test]
    fn numbers_that_mean_nothing_are_refused() {
        assert_eq!(Quantity::positive(f64::NAN), Err(QuantityError::NotFinite));
        assert!(Quantity::positive(0.0).is_err() && Quantity::positive(1e-9).is_err());
        assert!(Quantity::not_negative(-1.0).is_err() && Quantity::not_negative(2e7).is_err());
        assert_eq!(Quantity::not_negative(0.0), Ok(Quantity::ZERO));
    }
}
