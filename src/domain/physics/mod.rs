//! The physics of the box and its gas, as pure functions of checked quantities.
//!
//! Each module takes a struct of newtypes, answers with a struct of plain
//! numbers whose names carry their units, and refuses with an error that
//! knows which field is at fault. Nothing here knows of bookings or rules.

pub mod antechamber;
pub mod gas;
pub mod ingress;
pub mod mixture;
pub mod moisture;
pub mod purge;
pub mod room_oxygen;
mod root;
pub mod tightness;

use crate::domain::quantity::Celsius;
use crate::domain::violations::{Coded, Violation};
use std::borrow::Cow;

/// Oxygen in dry air, parts per million by mole: 20.95 % (the usual rounded
/// value of the standard atmosphere).
pub const OXYGEN_IN_AIR_PPM: f64 = 209_500.0;

/// One standard atmosphere, millibar.
pub const STANDARD_ATMOSPHERE_MBAR: f64 = 1013.25;

/// 0 °C on the absolute scale, kelvin.
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// A refusal by a computation, which names the request's field that caused it.
pub trait Refusal: Coded {
    /// The offending field, named as in the published contract.
    fn field(&self) -> Cow<'static, str>;

    /// The refusal as a [`Violation`] for the sender.
    fn violation(&self) -> Violation {
        Violation::new(self.field(), self.code(), self.to_string())
    }
}

/// The temperature in kelvin.
fn kelvin(temperature: Celsius) -> f64 {
    temperature.get() + ZERO_CELSIUS_K
}
