//! Air getting into a box whose purifier is off, from the rise of oxygen; and
//! what a leak does to oxygen and water otherwise. Knows nothing of where
//! readings come from.
//!
//! Model: `V·dC/dt = q·(Ca − C)` with Ca the oxygen of air. Its solution is a
//! straight line in `−ln(1 − C/Ca)` with the slope `q/V`, which is fitted by
//! ordinary least squares. Below a per cent of oxygen that is the fit of C
//! itself; the volume leaving the box is taken to equal what comes in.

use super::moisture::{MoistureError, vapour_pressure};
use super::{OXYGEN_IN_AIR_PPM, Refusal};
use crate::domain::quantity::{
    Celsius, CubicMetresPerHour, Fraction, Hours, Litres, Millibar, Minutes, PerHour, Ppm,
};
use crate::domain::violations::Coded;
use std::borrow::Cow;
use thiserror::Error;

/// How an ingress was found.
pub const METHOD: &str = "least squares of V*dC/dt = q*(20.95 % - C) over readings with the purifier off; the hourly \
     leak rate is q/V, as the oxygen method of tightness testing has it";

/// Oxygen at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OxygenReading {
    /// Time since any common zero.
    pub at: Minutes,
    /// Oxygen in the box.
    pub oxygen: Ppm,
}

/// Air getting in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ingress {
    /// Air entering, mL/min at box conditions; negative when oxygen fell.
    pub ingress_ml_min: f64,
    /// The same as a fraction of the box's volume an hour.
    pub hourly_leak_rate_per_h: f64,
    /// Standard error of the ingress, mL/min; `None` from two readings, which
    /// any line fits.
    pub standard_error_ml_min: Option<f64>,
    /// Whether the ingress is more than twice its standard error above
    /// nought; never from two readings.
    pub distinguishable: bool,
}

/// Why no ingress can be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum IngressError {
    /// No line through fewer than two readings.
    #[error("at least two readings are needed, and three for a standard error; {count} given")]
    TooFew {
        /// Readings given.
        count: usize,
    },
    /// No slope without time.
    #[error("the readings must be of different times")]
    OneTime,
    /// As much oxygen as air, or more.
    #[error("{oxygen_ppm} ppm of oxygen is not below that of air")]
    NotBelowAir {
        /// Which reading, from 0.
        index: usize,
        /// Oxygen, ppm.
        oxygen_ppm: f64,
    },
}

impl Coded for IngressError {
    fn code(&self) -> &'static str {
        match self {
            Self::TooFew { .. } => "too_few_readings",
            Self::OneTime => "readings_of_one_time",
            Self::NotBelowAir { .. } => "oxygen_not_below_air",
        }
    }
}

impl Refusal for IngressError {
    fn field(&self) -> Cow<'static, str> {
        match self {
            Self::TooFew { .. } | Self::OneTime => "readings".into(),
            Self::NotBelowAir { index, .. } => format!("readings[{index}].oxygen_ppm").into(),
        }
    }
}

/// The air getting into a closed box of that volume, by least squares.
pub fn air_ingress(volume: Litres, readings: &[OxygenReading]) -> Result<Ingress, IngressError> {
    if readings.len() < 2 {
        return Err(IngressError::TooFew { count: readings.len() });
    }
    let mut points = Vec::with_capacity(readings.len());
    for (index, reading) in readings.iter().enumerate() {
        let oxygen_ppm = reading.oxygen.get();
        if oxygen_ppm >= OXYGEN_IN_AIR_PPM {
            return Err(IngressError::NotBelowAir { index, oxygen_ppm });
        }
        points.push((reading.at.get(), -(-oxygen_ppm / OXYGEN_IN_AIR_PPM).ln_1p()));
    }
    let line = least_squares(&points).ok_or(IngressError::OneTime)?;
    let millilitres = volume.get() * 1000.0;
    let ingress_ml_min = line.slope * millilitres;
    let standard_error_ml_min = line.standard_error.map(|error| error * millilitres);
    Ok(Ingress {
        ingress_ml_min,
        hourly_leak_rate_per_h: line.slope * 60.0,
        standard_error_ml_min,
        distinguishable: standard_error_ml_min.is_some_and(|error| ingress_ml_min > 2.0 * error),
    })
}

/// The slope of a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// The slope, ordinate by abscissa.
    pub slope: f64,
    /// Its standard error; `None` from two points, which any line fits.
    pub standard_error: Option<f64>,
}

/// Ordinary least squares; `None` when all abscissae are one.
pub fn least_squares(points: &[(f64, f64)]) -> Option<Slope> {
    // Counted from the first, so that what is equal leaves nothing to rounding.
    let (x0, y0) = *points.first()?;
    let points: Vec<(f64, f64)> = points.iter().map(|(x, y)| (x - x0, y - y0)).collect();
    #[expect(clippy::cast_precision_loss, reason = "nobody sends 2^52 readings")]
    let count = points.len() as f64;
    let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / count;
    let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / count;
    let sxx: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
    let sxy: f64 = points.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    let slope = sxy / sxx;
    if !slope.is_finite() {
        return None;
    }
    let residual: f64 = points.iter().map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2)).sum();
    let standard_error = (points.len() > 2).then(|| (residual / (count - 2.0) / sxx).sqrt());
    Some(Slope { slope, standard_error })
}

/// Oxygen, ppm, that a closed box free of it has after some time at an hourly
/// leak rate: `Ca·(1 − exp(−T_f·t))`.
pub fn oxygen_gained_ppm(hourly_leak_rate: PerHour, elapsed: Hours) -> f64 {
    -OXYGEN_IN_AIR_PPM * (-hourly_leak_rate.get() * elapsed.get()).exp_m1()
}

/// Oxygen, ppm, at which a box settles with an ingress of air, mL/min, while
/// a purifier takes all oxygen from the flow through it: `q·Ca/(Q + q)`.
/// An ingress below nought counts as none.
pub fn settled_oxygen_ppm(ingress_ml_min: f64, purifier: CubicMetresPerHour) -> f64 {
    let ingress_m3_h = ingress_ml_min.max(0.0) * 60.0 / 1e6;
    if ingress_m3_h.is_finite() {
        ingress_m3_h / (purifier.get() + ingress_m3_h) * OXYGEN_IN_AIR_PPM
    } else {
        OXYGEN_IN_AIR_PPM
    }
}

/// The ratio of water to oxygen, mole for mole, that a plain air leak brings
/// from a room: what a measured ratio is to be compared with before anything
/// is said of leak, permeation or outgassing.
///
/// Oxygen counts as in dry air, as everywhere here. The room must be above
/// freezing, since relative humidity is over liquid water.
pub fn air_leak_water_to_oxygen(
    room: Celsius,
    relative_humidity: Fraction,
    pressure: Millibar,
) -> Result<f64, MoistureError> {
    if room.get() < 0.01 {
        return Err(MoistureError::FrostPoint { frost_point_c: room.get() });
    }
    let pressure_mbar = pressure.get();
    let vapour_mbar = relative_humidity.get() * vapour_pressure(room)?.get() / 100.0;
    if pressure_mbar <= vapour_mbar {
        return Err(MoistureError::Pressure { pressure_mbar });
    }
    Ok(vapour_mbar / pressure_mbar * 1e6 / OXYGEN_IN_AIR_PPM)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn readings(points: &[(f64, f64)]) -> Vec<OxygenReading> {
        points
            .iter()
            .map(|&(minutes, ppm)| OxygenReading {
                at: Minutes::new(minutes).unwrap(),
                oxygen: Ppm::new(ppm).unwrap(),
            })
            .collect()
    }

    fn fit(points: &[(f64, f64)]) -> Result<Ingress, IngressError> {
        air_ingress(Litres::new(1000.0).unwrap(), &readings(points))
    }

    #[test]
    fn ten_ppm_an_hour_in_a_cubic_metre_is_a_trickle_of_air() {
        // Exact: 1e6 mL · 10e-6 / 60 / 0.2095 = 0.7955 mL/min.
        let found = fit(&[(0.0, 1.0), (30.0, 6.0), (60.0, 11.0)]).unwrap();
        assert!((found.ingress_ml_min - 0.7955).abs() < 1e-4, "{found:?}");
        assert!((found.hourly_leak_rate_per_h - 4.773e-5).abs() < 1e-8, "{found:?}");
        assert!(found.standard_error_ml_min.unwrap() < 1e-4 && found.distinguishable);
    }

    #[test]
    fn the_standard_error_is_that_of_a_regression_line() {
        // Exact, by hand from the textbook formulas for a line through
        // (0, 10), (60, 21), (120, 29), (180, 42): slope 3120/18000 ppm/min, squared
        // residuals 4.2, standard error sqrt(4.2/2/18000); times 1e6 mL / 209 500 ppm.
        let found = fit(&[(0.0, 10.0), (60.0, 21.0), (120.0, 29.0), (180.0, 42.0)]).unwrap();
        assert!((found.ingress_ml_min - 0.173_333 / 0.2095).abs() < 5e-4, "{found:?}");
        assert!((found.standard_error_ml_min.unwrap() - 0.010_801_2 / 0.2095).abs() < 1e-4, "{found:?}");
    }

    #[test]
    fn a_class_1_box_gains_oxygen_as_the_exponential_says() {
        // Exact: 209 500·(1 − exp(−5e-4·t)).
        for (hours, ppm) in [(1.0, 104.7), (10.0, 1044.9), (24.0, 2499.0)] {
            let gained = oxygen_gained_ppm(PerHour::new(5e-4).unwrap(), Hours::new(hours).unwrap());
            assert!((gained - ppm).abs() < 0.06 + 1e-4 * ppm, "{hours} h: {gained}");
        }
    }

    #[test]
    fn a_purifier_settles_where_it_takes_what_comes_in() {
        // Exact: 1 mL/min of air against 50 m³/h is 6e-5/50.00006 of 209 500 ppm.
        let settled = settled_oxygen_ppm(1.0, CubicMetresPerHour::new(50.0).unwrap());
        assert!((settled - 0.251_399_7).abs() < 1e-6, "{settled}");
        assert!(settled_oxygen_ppm(-1.0, CubicMetresPerHour::new(50.0).unwrap()).abs() < f64::EPSILON);
    }

    #[test]
    fn room_air_brings_little_water_for_its_oxygen() {
        // Exact from IAPWS SR1-86: 23 °C, 50 % relative humidity, about 0.066.
        let ratio = air_leak_water_to_oxygen(
            Celsius::new(23.0).unwrap(),
            Fraction::new(0.5).unwrap(),
            Millibar::new(1013.25).unwrap(),
        );
        assert!((ratio.unwrap() - 0.066).abs() < 5e-4);
    }

    #[test]
    fn readings_that_make_no_line_are_refused_by_field() {
        let refused = |points: &[(f64, f64)]| {
            let error = fit(points).unwrap_err();
            (error.field().into_owned(), error.code())
        };
        let is = |field: &str, code| (field.to_owned(), code);
        assert_eq!(refused(&[]), is("readings", "too_few_readings"));
        assert_eq!(refused(&[(0.0, 1.0)]), is("readings", "too_few_readings"));
        assert_eq!(refused(&[(5.0, 1.0), (5.0, 2.0)]), is("readings", "readings_of_one_time"));
        let full = [(0.0, 1.0), (5.0, 209_500.0)];
        assert_eq!(refused(&full), is("readings[1].oxygen_ppm", "oxygen_not_below_air"));
    }

    #[test]
    fn only_a_rise_beyond_its_error_is_an_ingress() {
        // Slope and standard error by hand: 16, 0.4 and -16 standard errors.
        let rising = [(0.0, 10.0), (60.0, 21.0), (120.0, 29.0), (180.0, 42.0)];
        let noise = [(0.0, 10.0), (60.0, 12.0), (120.0, 9.0), (180.0, 12.0)];
        let falling = [(0.0, 42.0), (60.0, 29.0), (120.0, 21.0), (180.0, 10.0)];
        assert!(fit(&rising).unwrap().distinguishable);
        assert!(!fit(&noise).unwrap().distinguishable);
        let found = fit(&falling).unwrap();
        assert!(found.ingress_ml_min < 0.0 && !found.distinguishable, "{found:?}");
    }

    #[test]
    fn two_readings_have_no_standard_error() {
        let found = fit(&[(0.0, 1.0), (60.0, 11.0)]).unwrap();
        assert_eq!(found.standard_error_ml_min, None);
        assert!(!found.distinguishable);
    }

    proptest! {
        #[test]
        fn a_leak_is_recovered_from_the_oxygen_it_makes(rate in 1e-6..0.5_f64, step in 0.1..3.0_f64) {
            let points: Vec<_> = (0..6)
                .map(|i| f64::from(i) * step)
                .map(|h| (h * 60.0, oxygen_gained_ppm(PerHour::new(rate).unwrap(), Hours::new(h).unwrap())))
                .collect();
            let found = fit(&points).unwrap();
            prop_assert!((found.hourly_leak_rate_per_h / rate - 1.0).abs() < 1e-8, "{found:?}");
        }

        #[test]
        fn every_fit_is_a_number(points in prop::collection::vec((0.0..1e7_f64, 0.0..1e6_f64), 0..6)) {
            if let Ok(found) = fit(&points) {
                prop_assert!(found.ingress_ml_min.is_finite());
                prop_assert!(found.standard_error_ml_min.is_none_or(f64::is_finite));
            }
        }
    }
}
