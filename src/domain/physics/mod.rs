//! The physics of the box and its gas, as pure functions of checked quantities.

pub mod antechamber;
pub mod gas;
pub mod ingress;
pub mod moisture;
pub mod purge;
pub mod room_oxygen;
pub mod tightness;
