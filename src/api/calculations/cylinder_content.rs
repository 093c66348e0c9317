//! `cylinder-content`: what a gas cylinder holds.

use super::numbers::{Either, either, needed, or};
use super::{Calculation, CalculationCaution};
use crate::domain::physics::Refusal as _;
use crate::domain::physics::gas::{CylinderReading, GasMixture, MixtureError, PureGas, cylinder_content};
use crate::domain::physics::mixture::Component;
use crate::domain::quantity::{Bar, Celsius, GaugeBar, Litres};
use crate::domain::violations::{Check, Violation, Violations};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// A gas cylinder and what its gauge and thermometer say.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"gas": "argon", "water_volume_l": 50.0, "gauge_bar": 200.0, "temperature_c": 15.0}))]
pub(super) struct CylinderContentQuestion {
    /// A pure gas: `argon`, `nitrogen`, `helium` or `hydrogen`. Exactly one of
    /// `gas` and `components` is given.
    #[schema(pattern = "^(argon|nitrogen|helium|hydrogen)$")]
    gas: Option<String>,
    /// A mixture: mole fraction of each of its components, which sum to 1.
    components: Option<BTreeMap<String, f64>>,
    /// Water volume of the cylinder, L; more than zero.
    #[schema(value_type = f64, required = true)]
    water_volume_l: Option<f64>,
    /// Pressure on the gauge, bar; up to 340.
    #[schema(value_type = f64, required = true)]
    gauge_bar: Option<f64>,
    /// Temperature of the gas, °C; -20 to 60.
    #[schema(value_type = f64, required = true)]
    temperature_c: Option<f64>,
    /// Pressure of the air around, bar; 0.5 to 1.1, and 1.01325 unless given.
    ambient_bar: Option<f64>,
}

/// The gas in a cylinder.
#[derive(Debug, Serialize, ToSchema)]
#[schema(example = json!({
    "moles": 447.953, "mass_kg": 17.8948, "volume_m3_15c_1bar": 10.7241, "volume_m3_0c_1atm": 10.0308,
    "compressibility": 0.936_502, "ideal_gas_error_percent": -6.349_83,
    "method": "real gas by GERG-2008 (ISO 20765-2) at gauge plus ambient pressure", "cautions": []
}))]
pub(super) struct CylinderContentAnswer {
    /// Amount of gas, mol.
    moles: f64,
    /// Its mass, kg.
    mass_kg: f64,
    /// What it fills as a real gas at 15 °C and 1 bar, m³.
    volume_m3_15c_1bar: f64,
    /// What it fills as a real gas at 0 °C and 1 atm, m³.
    volume_m3_0c_1atm: f64,
    /// Compressibility factor Z in the cylinder.
    compressibility: f64,
    /// What the ideal gas law would say too much, per cent of the true
    /// contents; negative where it says too little.
    ideal_gas_error_percent: f64,
    /// How it was computed.
    method: &'static str,
    /// What to know before relying on it.
    cautions: Vec<CalculationCaution>,
}

const ARGON_HELIUM: CalculationCaution = CalculationCaution {
    code: "argon_helium_estimated",
    text: "GERG-2008 has no parameters fitted to argon with helium: it may give up to 5 % too little gas here, and \
           the compressibility is off by as much.",
};

fn pure(name: &str) -> Result<GasMixture, Violations> {
    PureGas::parse(name).map(GasMixture::pure).ok_or_else(|| {
        let known: Vec<&str> = PureGas::ALL.iter().map(|gas| gas.name()).collect();
        let detail = format!("{name:?} is not one of {}; give a mixture as components", known.join(", "));
        Violation::new("gas", "unknown_gas", detail).into()
    })
}

fn mixture(components: &BTreeMap<String, f64>) -> Result<GasMixture, Violations> {
    let mut check = Check::default();
    for (name, &value) in components {
        let fault = match Component::parse(name) {
            None => MixtureError::Unknown { name: name.clone() },
            Some(known) if !(0.0..=1.0).contains(&value) => {
                MixtureError::Fraction { name: known.name(), value }
            }
            Some(_) => continue,
        };
        check.note(fault.violation());
    }
    check.finish(|| ())?;
    let parts = components.iter().map(|(name, value)| (name.as_str(), *value));
    GasMixture::from_components(parts).map_err(|error| error.violation().into())
}

/// Notes what of the parts given is outside the method's range; harmless
/// values stand in for the parts that were not, so that no fault hides another.
fn note_ranges(
    check: &mut Check,
    mixture: Option<GasMixture>,
    gauge: Option<GaugeBar>,
    temperature: Option<Celsius>,
    ambient: Option<Bar>,
) {
    let harmless = CylinderReading {
        water_volume: Litres::new(1.0).expect("a constant within range"),
        gauge: GaugeBar::new(0.0).expect("a constant within range"),
        temperature: Celsius::new(20.0).expect("a constant within range"),
        ambient: Bar::new(1.0).expect("a constant within range"),
    };
    let reading = CylinderReading {
        water_volume: harmless.water_volume,
        gauge: gauge.unwrap_or(harmless.gauge),
        temperature: temperature.unwrap_or(harmless.temperature),
        ambient: ambient.unwrap_or(harmless.ambient),
    };
    for fault in reading.faults(&mixture.unwrap_or(GasMixture::pure(PureGas::Nitrogen))) {
        check.note(fault.violation());
    }
}

impl Calculation for CylinderContentQuestion {
    type Answer = CylinderContentAnswer;

    fn answer(&self) -> Result<CylinderContentAnswer, Violations> {
        let mut check = Check::default();
        let given = either(&mut check, ["gas", "components"], self.gas.as_ref(), self.components.as_ref());
        let mixture = given.and_then(|given| {
            check.part(
                "",
                match given {
                    Either::First(name) => pure(name),
                    Either::Second(components) => mixture(components),
                },
            )
        });
        let water_volume = needed(&mut check, "water_volume_l", self.water_volume_l, Litres::new);
        let gauge = needed(&mut check, "gauge_bar", self.gauge_bar, GaugeBar::new);
        let temperature = needed(&mut check, "temperature_c", self.temperature_c, Celsius::new);
        let ambient = or(&mut check, "ambient_bar", self.ambient_bar, 1.013_25, Bar::new);
        note_ranges(&mut check, mixture, gauge, temperature, ambient);
        let parts = mixture.zip(water_volume).zip(gauge).zip(temperature).zip(ambient);
        let (mixture, reading) =
            check.build(parts, |((((mixture, water_volume), gauge), temperature), ambient)| {
                (mixture, CylinderReading { water_volume, gauge, temperature, ambient })
            })?;
        let contents = cylinder_content(&mixture, &reading).map_err(|error| error.violation())?;
        Ok(CylinderContentAnswer {
            moles: contents.moles,
            mass_kg: contents.mass_kg,
            volume_m3_15c_1bar: contents.volume_m3_15c_1bar,
            volume_m3_0c_1atm: contents.volume_m3_0c_1atm,
            compressibility: contents.compressibility,
            ideal_gas_error_percent: contents.ideal_gas_error_percent,
            method: contents.method,
            cautions: mixture.pairs_argon_with_helium().then_some(ARGON_HELIUM).into_iter().collect(),
        })
    }
}
