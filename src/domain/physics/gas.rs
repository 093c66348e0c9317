//! What is in a gas cylinder: moles from pressure, temperature and water
//! volume, and the way back, with the GERG-2008 equation of state
//! (ISO 20765-2) in the `aga8` crate's port of the NIST reference code.
//!
//! Knows nothing of supplies, readings or forecasts. Only `Fluid` touches
//! the crate, so that another implementation can take its place.

pub use super::mixture::{GasMixture, MixtureError, PureGas};
use super::{Refusal, kelvin};
use crate::domain::quantity::{Bar, Celsius, GaugeBar, Litres, Moles, NormalLitres};
use crate::domain::violations::Coded;
use aga8::gerg2008::Gerg2008;
use std::borrow::Cow;
use thiserror::Error;

/// Coldest cylinder answered for, °C: a gas store outdoors in winter.
pub const COLDEST_C: f64 = -20.0;
/// Warmest cylinder answered for, °C: above what cylinders may be stored at.
pub const WARMEST_C: f64 = 60.0;
/// Highest gauge pressure answered for, bar: a cylinder filled to 300 bar at
/// 15 °C and warmed in the sun, still inside the 350 bar to which the normal
/// range of GERG-2008 extends (90 to 450 K).
pub const HIGHEST_GAUGE_BAR: f64 = 340.0;
/// Lowest ambient pressure answered for, bar: the highest towns on Earth.
pub const LOWEST_AMBIENT_BAR: f64 = 0.5;
/// Highest ambient pressure answered for, bar.
pub const HIGHEST_AMBIENT_BAR: f64 = 1.1;

/// Molar volume of an ideal gas at 273.15 K and 101 325 Pa, L/mol
/// (CODATA 2018, exact since the constants were fixed).
pub const IDEAL_MOLAR_VOLUME_L: f64 = 22.413_969_54;

/// How the contents were computed, for the answer.
pub const METHOD: &str = "real gas by GERG-2008 (ISO 20765-2) at gauge plus ambient pressure";

/// The gas constant as GERG-2008 has it, J/(mol K), so that the
/// compressibility is the equation's own.
const GERG_GAS_CONSTANT: f64 = 8.314_472;

/// How closely the pressure found for a density must give that density back;
/// a larger difference means that the state is no single gas phase.
const ROUND_TRIP: f64 = 1e-6;

/// A cylinder and what its gauge and thermometer say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CylinderReading {
    /// Water volume of the cylinder (of all of them together, in a bundle).
    pub water_volume: Litres,
    /// Pressure on the gauge.
    pub gauge: GaugeBar,
    /// Temperature of the gas.
    pub temperature: Celsius,
    /// Pressure of the air around the gauge.
    pub ambient: Bar,
}

/// The gas in a cylinder.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contents {
    /// Amount of gas, mol.
    pub moles: f64,
    /// Its mass, kg.
    pub mass_kg: f64,
    /// Real-gas volume of the same moles at 15 °C and 1 bar, m³.
    pub volume_m3_15c_1bar: f64,
    /// Real-gas volume of the same moles at 0 °C and 1 atm, m³.
    pub volume_m3_0c_1atm: f64,
    /// Compressibility factor Z in the cylinder.
    pub compressibility: f64,
    /// What the ideal gas law would say too much, `100·(Z − 1)` per cent;
    /// negative where it understates the contents.
    pub ideal_gas_error_percent: f64,
    /// How it was computed.
    pub method: &'static str,
}

/// Why no contents, or no pressure, can be given.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum GasError {
    /// The absolute pressure is nought or less.
    #[error("{gauge_bar} bar gauge at {ambient_bar} bar ambient is at or below vacuum")]
    BelowVacuum {
        /// Gauge pressure, bar.
        gauge_bar: f64,
        /// Ambient pressure, bar.
        ambient_bar: f64,
    },
    /// Above what the method is answered for.
    #[error("{gauge_bar:.1} bar gauge is above the {HIGHEST_GAUGE_BAR} bar that the method is used for")]
    PressureTooHigh {
        /// Gauge pressure, bar.
        gauge_bar: f64,
    },
    /// Outside the range of temperatures the method is answered for.
    #[error("{temperature_c} °C is outside the {COLDEST_C} to {WARMEST_C} °C that the method is used for")]
    Temperature {
        /// Temperature, °C.
        temperature_c: f64,
    },
    /// No ambient pressure of an inhabited place.
    #[error(
        "ambient pressure must be from {LOWEST_AMBIENT_BAR} to {HIGHEST_AMBIENT_BAR} bar, not {ambient_bar}"
    )]
    Ambient {
        /// Ambient pressure, bar.
        ambient_bar: f64,
    },
    /// Part of the gas may be liquid, so that pressure does not tell contents.
    #[error(
        "above {limit_bar:.2} bar absolute part of this mixture can condense at {COLDEST_C} °C, and pressure \
         no longer tells the contents"
    )]
    MayCondense {
        /// Highest absolute pressure without condensation, bar.
        limit_bar: f64,
    },
    /// More gas than the method answers for in that volume.
    #[error("{moles} mol in this volume is more than the method is used for")]
    TooMuchGas {
        /// Amount of gas, mol.
        moles: f64,
    },
    /// The equation of state found no density.
    #[error("the equation of state found no gas density for this state")]
    NoDensity,
}

impl Coded for GasError {
    fn code(&self) -> &'static str {
        match self {
            Self::BelowVacuum { .. } => "below_vacuum",
            Self::PressureTooHigh { .. } => "pressure_out_of_range",
            Self::Temperature { .. } => "temperature_out_of_range",
            Self::Ambient { .. } => "ambient_out_of_range",
            Self::MayCondense { .. } => "may_condense",
            Self::TooMuchGas { .. } => "too_much_gas",
            Self::NoDensity => "no_density",
        }
    }
}

impl Refusal for GasError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::BelowVacuum { .. } | Self::PressureTooHigh { .. } | Self::NoDensity => "gauge_bar",
            Self::Temperature { .. } => "temperature_c",
            Self::Ambient { .. } => "ambient_bar",
            Self::MayCondense { .. } => "components",
            Self::TooMuchGas { .. } => "moles",
        }
        .into()
    }
}

/// What a cylinder holds.
///
/// Agrees with CoolProp's reference equations of state within 0.25 % for the
/// gases of a glovebox from -20 to 60 °C and up to 340 bar (see the tests).
///
/// ```
/// use drykeep::domain::physics::gas::{CylinderReading, GasMixture, PureGas, cylinder_content};
/// use drykeep::domain::quantity::{Bar, Celsius, GaugeBar, Litres};
/// let reading = CylinderReading {
///     water_volume: Litres::new(50.0)?,
///     gauge: GaugeBar::new(200.0)?,
///     temperature: Celsius::new(15.0)?,
///     ambient: Bar::new(1.01325)?,
/// };
/// let contents = cylinder_content(&GasMixture::pure(PureGas::Argon), &reading).unwrap();
/// assert!((contents.volume_m3_15c_1bar - 10.72).abs() < 0.02);
/// # Ok::<(), drykeep::domain::quantity::QuantityError>(())
/// ```
pub fn cylinder_content(mixture: &GasMixture, reading: &CylinderReading) -> Result<Contents, GasError> {
    let absolute_bar = absolute(mixture, reading)?;
    let mut fluid = Fluid::new(mixture)?;
    let temperature_k = kelvin(reading.temperature);
    let density = fluid.density(absolute_bar, temperature_k)?;
    let moles = density * reading.water_volume.get();
    let compressibility = 100.0 * absolute_bar / (density * GERG_GAS_CONSTANT * temperature_k);
    Ok(Contents {
        moles,
        mass_kg: moles * fluid.molar_mass() / 1000.0,
        volume_m3_15c_1bar: moles / fluid.density(1.0, 288.15)? / 1000.0,
        volume_m3_0c_1atm: moles / fluid.density(1.013_25, 273.15)? / 1000.0,
        compressibility,
        ideal_gas_error_percent: 100.0 * (compressibility - 1.0),
        method: METHOD,
    })
}

/// The gauge pressure of so many moles in that volume.
///
/// Pressure is explicit in density, so no iteration is needed; the density
/// found at that pressure must agree within one part in a million, or the
/// state is not a single gas. No gas at all reads as a vacuum.
pub fn gauge_pressure_of(
    mixture: &GasMixture,
    moles: Moles,
    water_volume: Litres,
    temperature: Celsius,
    ambient: Bar,
) -> Result<GaugeBar, GasError> {
    check_surroundings(temperature, ambient)?;
    if moles.get() <= 0.0 {
        return gauge(-ambient.get());
    }
    let mut fluid = Fluid::new(mixture)?;
    let temperature_k = kelvin(temperature);
    let density = moles.get() / water_volume.get();
    let ideal_bar = density * GERG_GAS_CONSTANT * temperature_k / 100.0;
    // Far above any pressure in range the equation means nothing: stop before asking it.
    if ideal_bar > 2.0 * HIGHEST_GAUGE_BAR {
        return Err(GasError::TooMuchGas { moles: moles.get() });
    }
    let absolute_bar = fluid.pressure_bar(density, temperature_k);
    if absolute_bar <= 0.0 {
        // Only a fluid torn between liquid and gas has such a point on its isotherm.
        return Err(GasError::NoDensity);
    }
    check_absolute(mixture, absolute_bar, absolute_bar - ambient.get(), ambient)?;
    let again = fluid.density(absolute_bar, temperature_k)?;
    let off = (again / density - 1.0).abs();
    if off.is_nan() || off > ROUND_TRIP {
        return Err(GasError::NoDensity);
    }
    gauge(absolute_bar - ambient.get())
}

/// What the gauge would read at another temperature, with the same gas in
/// the cylinder: the reading to compare with a limit stated for `at`.
pub fn gauge_at_temperature(
    mixture: &GasMixture,
    reading: &CylinderReading,
    at: Celsius,
) -> Result<GaugeBar, GasError> {
    let absolute_bar = absolute(mixture, reading)?;
    let density = Fluid::new(mixture)?.density(absolute_bar, kelvin(reading.temperature))?;
    let moles = density * reading.water_volume.get();
    let moles = Moles::new(moles).map_err(|_| GasError::TooMuchGas { moles })?;
    gauge_pressure_of(mixture, moles, reading.water_volume, at, reading.ambient)
}

/// The moles that can still be drawn before the cylinder, at its present
/// temperature, is down to the pressure at which it is changed; nought when
/// it is there already.
pub fn usable_moles(
    mixture: &GasMixture,
    reading: &CylinderReading,
    changeover: GaugeBar,
) -> Result<f64, GasError> {
    let now = cylinder_content(mixture, reading)?;
    let then = cylinder_content(mixture, &CylinderReading { gauge: changeover, ..*reading })?;
    Ok((now.moles - then.moles).max(0.0))
}

/// The real-gas volume, m³, that so many moles fill in a room.
pub fn released_volume_m3(
    mixture: &GasMixture,
    moles: Moles,
    temperature: Celsius,
    ambient: Bar,
) -> Result<f64, GasError> {
    check_surroundings(temperature, ambient)?;
    check_absolute(mixture, ambient.get(), 0.0, ambient)?;
    Ok(moles.get() / Fluid::new(mixture)?.density(ambient.get(), kelvin(temperature))? / 1000.0)
}

/// An amount of gas in the litres of consumption accounts: an ideal gas at
/// 0 °C and 1 atm, whatever the gas.
pub fn normal_litres(moles: Moles) -> NormalLitres {
    NormalLitres::new(moles.get() * IDEAL_MOLAR_VOLUME_L).expect("the range of NormalLitres covers Moles")
}

fn gauge(bar: f64) -> Result<GaugeBar, GasError> {
    GaugeBar::new(bar).map_err(|_| GasError::NoDensity)
}

impl CylinderReading {
    /// Everything that keeps the contents from being computed.
    pub fn faults(&self, mixture: &GasMixture) -> Vec<GasError> {
        let gauge_bar = self.gauge.get();
        [
            check_temperature(self.temperature),
            check_ambient(self.ambient),
            check_absolute(mixture, gauge_bar + self.ambient.get(), gauge_bar, self.ambient),
        ]
        .into_iter()
        .filter_map(Result::err)
        .collect()
    }
}

fn check_surroundings(temperature: Celsius, ambient: Bar) -> Result<(), GasError> {
    check_temperature(temperature)?;
    check_ambient(ambient)
}

fn check_temperature(temperature: Celsius) -> Result<(), GasError> {
    let temperature_c = temperature.get();
    if (COLDEST_C..=WARMEST_C).contains(&temperature_c) {
        Ok(())
    } else {
        Err(GasError::Temperature { temperature_c })
    }
}

fn check_ambient(ambient: Bar) -> Result<(), GasError> {
    let ambient_bar = ambient.get();
    if !(LOWEST_AMBIENT_BAR..=HIGHEST_AMBIENT_BAR).contains(&ambient_bar) {
        return Err(GasError::Ambient { ambient_bar });
    }
    Ok(())
}

fn check_absolute(
    mixture: &GasMixture,
    absolute_bar: f64,
    gauge_bar: f64,
    ambient: Bar,
) -> Result<(), GasError> {
    if absolute_bar <= 0.0 {
        return Err(GasError::BelowVacuum { gauge_bar, ambient_bar: ambient.get() });
    }
    if gauge_bar > HIGHEST_GAUGE_BAR {
        return Err(GasError::PressureTooHigh { gauge_bar });
    }
    let limit_bar = mixture.condenses_above_bar();
    if absolute_bar > limit_bar {
        return Err(GasError::MayCondense { limit_bar });
    }
    Ok(())
}

fn absolute(mixture: &GasMixture, reading: &CylinderReading) -> Result<f64, GasError> {
    check_surroundings(reading.temperature, reading.ambient)?;
    let absolute_bar = reading.gauge.get() + reading.ambient.get();
    check_absolute(mixture, absolute_bar, reading.gauge.get(), reading.ambient)?;
    Ok(absolute_bar)
}

/// The equation of state with a composition set.
struct Fluid(Box<Gerg2008>);

impl Fluid {
    fn new(mixture: &GasMixture) -> Result<Self, GasError> {
        let mut gerg = Box::new(Gerg2008::new());
        // A composition that was not taken would silently give the ideal gas.
        gerg.set_composition(&mixture.composition()).map_err(|_| GasError::NoDensity)?;
        gerg.molar_mass();
        Ok(Self(gerg))
    }

    /// Molar mass, g/mol.
    fn molar_mass(&self) -> f64 {
        self.0.mm
    }

    /// Molar density, mol/L, at an absolute pressure and temperature.
    fn density(&mut self, absolute_bar: f64, temperature_k: f64) -> Result<f64, GasError> {
        self.0.p = absolute_bar * 100.0;
        self.0.t = temperature_k;
        // The crate starts from the ideal gas only when the last density is not negative.
        self.0.d = 0.0;
        self.0.density(0).map_err(|_| GasError::NoDensity)?;
        if self.0.d.is_finite() && self.0.d > 0.0 { Ok(self.0.d) } else { Err(GasError::NoDensity) }
    }

    /// Absolute pressure, bar, at a molar density, mol/L, and temperature.
    fn pressure_bar(&mut self, density: f64, temperature_k: f64) -> f64 {
        self.0.t = temperature_k;
        self.0.d = density;
        self.0.pressure() / 100.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::physics::mixture::Component;
    use proptest::prelude::*;

    fn reading(gauge_bar: f64, temperature_c: f64) -> CylinderReading {
        CylinderReading {
            water_volume: Litres::new(50.0).unwrap(),
            gauge: GaugeBar::new(gauge_bar).unwrap(),
            temperature: Celsius::new(temperature_c).unwrap(),
            ambient: Bar::new(1.01325).unwrap(),
        }
    }

    fn close(actual: f64, expected: f64, relative: f64) {
        assert!((actual / expected - 1.0).abs() <= relative, "{actual} is not {expected}");
    }

    #[test]
    fn the_equation_of_state_gives_the_published_check_value() {
        // AGA Report No. 8 Part 2 (GERG-2008): the NIST reference code's check
        // of its 21-component mixture at 400 K and 50 MPa.
        let mixture = GasMixture::from_components([
            ("methane", 0.778_24),
            ("nitrogen", 0.02),
            ("carbon_dioxide", 0.06),
            ("ethane", 0.08),
            ("propane", 0.03),
            ("isobutane", 0.001_5),
            ("n_butane", 0.003),
            ("isopentane", 0.000_5),
            ("n_pentane", 0.001_65),
            ("hexane", 0.002_15),
            ("heptane", 0.000_88),
            ("octane", 0.000_24),
            ("nonane", 0.000_15),
            ("decane", 0.000_09),
            ("hydrogen", 0.004),
            ("oxygen", 0.005),
            ("carbon_monoxide", 0.002),
            ("water", 0.000_1),
            ("hydrogen_sulfide", 0.002_5),
            ("helium", 0.007),
            ("argon", 0.001),
        ])
        .unwrap();
        let density = Fluid::new(&mixture).unwrap().density(500.0, 400.0).unwrap();
        close(density, 12.798_286_260_820_62, 1e-10);
        close(50_000.0 / (density * GERG_GAS_CONSTANT * 400.0), 1.174_690_666_383_717, 1e-10);
    }

    #[test]
    fn a_full_argon_cylinder_holds_what_the_reference_equation_says() {
        // CoolProp 8.0.0, reference equation of state of argon: 447.7 mol.
        let full = cylinder_content(&PureGas::Argon.into(), &reading(200.0, 15.0)).unwrap();
        close(full.moles, 447.7, 0.0025);
        close(full.mass_kg, 17.89, 0.0025);
        close(full.volume_m3_15c_1bar, 10.72, 0.0025);
        assert!((full.ideal_gas_error_percent + 6.3).abs() < 0.2, "{full:?}");
        // The same source for nitrogen: 9.58 m³, overstated by 4.9 %.
        let nitrogen = cylinder_content(&PureGas::Nitrogen.into(), &reading(200.0, 15.0)).unwrap();
        close(nitrogen.volume_m3_15c_1bar, 9.58, 0.0025);
        assert!((nitrogen.ideal_gas_error_percent - 4.9).abs() < 0.1, "{nitrogen:?}");
    }

    #[test]
    fn a_warmer_cylinder_reads_more_with_the_same_gas() {
        // CoolProp 8.0.0: 200 bar gauge at 10 °C, the same moles at 30 °C.
        for (gas, expected) in [(PureGas::Argon, 222.3), (PureGas::Nitrogen, 220.6), (PureGas::Helium, 214.0)]
        {
            let warm = gauge_at_temperature(&gas.into(), &reading(200.0, 10.0), Celsius::new(30.0).unwrap());
            close(warm.unwrap().get(), expected, 0.001);
        }
    }

    #[test]
    fn the_usable_gas_ends_at_the_changeover_pressure() {
        let argon = GasMixture::pure(PureGas::Argon);
        let changeover = GaugeBar::new(20.0).unwrap();
        let usable = usable_moles(&argon, &reading(200.0, 15.0), changeover).unwrap();
        // CoolProp 8.0.0: 447.7 mol at 200 bar less 44.52 mol at 20 bar.
        close(usable, 447.7 - 44.516, 0.0025);
        assert!(usable_moles(&argon, &reading(15.0, 15.0), changeover).unwrap().abs() < f64::EPSILON);
    }

    #[test]
    fn one_mole_is_the_codata_molar_volume() {
        // CODATA 2018: molar volume of ideal gas (273.15 K, 101.325 kPa).
        let one = normal_litres(Moles::new(1.0).unwrap());
        close(one.get(), 22.413_969_54, 1e-12);
        assert!(normal_litres(Moles::new(1e9).unwrap()).get() > 2e10);
    }

    #[test]
    fn a_cylinder_let_into_a_room_fills_its_real_volume() {
        // CoolProp 8.0.0: 447.7 mol of argon at 20 °C and 1 atm, 10.77 m³.
        let volume = released_volume_m3(
            &PureGas::Argon.into(),
            Moles::new(447.7).unwrap(),
            Celsius::new(20.0).unwrap(),
            Bar::new(1.01325).unwrap(),
        );
        close(volume.unwrap(), 10.77, 0.001);
    }

    #[test]
    fn what_lies_outside_the_method_is_refused_by_field() {
        let argon = GasMixture::pure(PureGas::Argon);
        let refused = |reading: CylinderReading| {
            let error = cylinder_content(&argon, &reading).unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        assert_eq!(refused(reading(200.0, 60.1)), is("temperature_c", "temperature_out_of_range"));
        assert_eq!(refused(reading(200.0, -20.1)), is("temperature_c", "temperature_out_of_range"));
        assert_eq!(refused(reading(340.1, 15.0)), is("gauge_bar", "pressure_out_of_range"));
        assert_eq!(refused(reading(-1.05, 15.0)), is("gauge_bar", "below_vacuum"));
        assert_eq!(refused(reading(-1.01325, 15.0)), is("gauge_bar", "below_vacuum"));
        let mountain = CylinderReading { ambient: Bar::new(0.4).unwrap(), ..reading(200.0, 15.0) };
        assert_eq!(refused(mountain), is("ambient_bar", "ambient_out_of_range"));
        let carbon_dioxide = GasMixture::from_components([("carbon_dioxide", 1.0)]).unwrap();
        let error = cylinder_content(&carbon_dioxide, &reading(50.0, 15.0)).unwrap_err();
        assert_eq!((&*error.field(), error.code()), ("components", "may_condense"));
    }

    #[test]
    fn too_many_moles_for_the_volume_are_refused() {
        let ask = |moles: f64| {
            gauge_pressure_of(
                &PureGas::Argon.into(),
                Moles::new(moles).unwrap(),
                Litres::new(50.0).unwrap(),
                Celsius::new(15.0).unwrap(),
                Bar::new(1.01325).unwrap(),
            )
        };
        assert!(matches!(ask(5e6), Err(GasError::TooMuchGas { .. })));
        assert!(matches!(ask(850.0), Err(GasError::PressureTooHigh { .. })));
        assert!((ask(0.0).unwrap().get() + 1.01325).abs() < 1e-12);
    }

    fn gases() -> impl Strategy<Value = GasMixture> {
        let forming = |balance| GasMixture::from_components([(balance, 0.95), ("hydrogen", 0.05)]).unwrap();
        prop_oneof![
            prop::sample::select(&PureGas::ALL[..]).prop_map(GasMixture::pure),
            Just(forming("argon")),
            Just(forming("nitrogen")),
        ]
    }

    proptest! {
        #[test]
        fn contents_grow_with_pressure(
            gas in gases(), low in -1.0..339.0_f64, more in 0.01..200.0_f64, t in COLDEST_C..=WARMEST_C,
        ) {
            let high = (low + more).min(HIGHEST_GAUGE_BAR);
            let less = cylinder_content(&gas, &reading(low, t)).unwrap();
            let full = cylinder_content(&gas, &reading(high, t)).unwrap();
            prop_assert!(full.moles > less.moles);
            prop_assert!(full.compressibility.is_finite() && full.mass_kg.is_finite());
        }

        #[test]
        fn the_pressure_of_the_contents_is_the_reading(
            gas in gases(), bar in -1.0..339.9_f64, t in COLDEST_C..=WARMEST_C,
        ) {
            let there = reading(bar, t);
            let moles = Moles::new(cylinder_content(&gas, &there).unwrap().moles).unwrap();
            let back = gauge_pressure_of(&gas, moles, there.water_volume, there.temperature, there.ambient);
            let off = back.unwrap().get() - bar;
            prop_assert!(off.abs() <= 1e-6 * (bar + 1.01325), "{off}");
        }

        #[test]
        fn a_mixture_is_answered_with_numbers_or_refused(
            heavy in prop::sample::select(&Component::ALL[..]), share in 0.0..=1.0_f64,
            bar in -1.1..1000.0_f64, t in -273.15..2000.0_f64, ambient in 0.0..1000.0_f64,
        ) {
            let parts = [("helium", 1.0 - share), (heavy.name(), share)];
            let parts = parts.into_iter().skip(usize::from(heavy == Component::Helium));
            if let Ok(mixture) = GasMixture::from_components(parts) {
                let reading = CylinderReading { ambient: Bar::new(ambient).unwrap(), ..reading(bar, t) };
                if let Ok(contents) = cylinder_content(&mixture, &reading) {
                    prop_assert!(contents.moles > 0.0 && contents.moles.is_finite());
                    prop_assert!(contents.volume_m3_0c_1atm.is_finite());
                }
            }
        }
    }
}
