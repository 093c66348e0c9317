//! Cylinders standing at one pressure: what they hold by pressure and
//! temperature, and what of the readings can be used. Knows nothing of what
//! draws the gas.

use super::contents::SupplyHistory;
use super::trend::{Sample, hours_between, medians, value_at};
use crate::domain::facility::{Cylinder, CylinderState, SuppliedGas};
use crate::domain::physics::gas::{CylinderReading, GasError, GasMixture, PureGas, cylinder_content};
use crate::domain::quantity::{Bar, Celsius, GaugeBar, Litres};
use chrono::{DateTime, Utc};

/// A temperature reading counts for pressures read so many hours before or after.
const TEMPERATURE_HOURS: f64 = 12.0;
/// Contents that rise by more than this share of a filling were topped up or exchanged.
const RISE: f64 = 0.03;
/// The most readings of a segment whose contents are computed; more are thinned evenly.
const MOST_READINGS: usize = 2000;
/// From so many days on, several readings a day are condensed to their median,
/// so that what comes and goes with the day does not count.
const DAYS_TO_CONDENSE: f64 = 10.0;
/// Filling pressures are stated at this temperature, °C.
pub(super) const FILLING_C: f64 = 15.0;
/// Standard atmosphere, bar: the air around the gauge unless known.
const AMBIENT_BAR: f64 = 1.013_25;

/// Cylinders standing at one pressure, taken together.
pub(super) struct Vessel<'a> {
    history: &'a SupplyHistory,
    pub(super) cylinders: Vec<&'a Cylinder>,
    pub(super) volume: Litres,
    gas: GasMixture,
}

impl<'a> Vessel<'a> {
    /// All that are connected; `None` where none is.
    pub(super) fn connected(history: &'a SupplyHistory) -> Option<Self> {
        let connected = |cylinder: &&Cylinder| cylinder.state == CylinderState::Connected;
        let cylinders: Vec<&Cylinder> = history.supply.cylinders.iter().filter(connected).collect();
        (!cylinders.is_empty()).then(|| Self::of(history, cylinders))
    }

    pub(super) fn of(history: &'a SupplyHistory, cylinders: Vec<&'a Cylinder>) -> Self {
        let litres: f64 = cylinders.iter().map(|cylinder| cylinder.water_volume.get()).sum();
        let volume = Litres::new(litres).unwrap_or(cylinders[0].water_volume);
        Self { history, cylinders, volume, gas: mixture(history.supply.gas) }
    }

    pub(super) fn moles(&self, gauge: GaugeBar, temperature: Celsius) -> Result<f64, GasError> {
        let ambient = Bar::new(AMBIENT_BAR).expect("a constant within range");
        let reading = CylinderReading { water_volume: self.volume, gauge, temperature, ambient };
        Ok(cylinder_content(&self.gas, &reading)?.moles)
    }

    /// What they hold when filled, mol.
    pub(super) fn filled(&self) -> Result<f64, GasError> {
        let temperature = Celsius::new(FILLING_C).expect("a constant within range");
        let mut sum = 0.0;
        for cylinder in &self.cylinders {
            let one = Self { cylinders: vec![cylinder], volume: cylinder.water_volume, ..*self };
            sum += one.moles(cylinder.fill, temperature)?;
        }
        Ok(sum)
    }

    /// The temperature at an instant: evenly between the readings around it,
    /// else the nearest reading, else the one stated for the supply.
    pub(super) fn temperature_at(&self, at: DateTime<Utc>) -> Celsius {
        let value = value_at(&self.history.temperature, at, TEMPERATURE_HOURS);
        value.and_then(|value| Celsius::new(value).ok()).unwrap_or(self.history.supply.temperature)
    }

    /// Contents by what was read, oldest first, in stretches over which gas was
    /// only drawn: each begins where contents rose. Remarks go to `notes`.
    pub(super) fn segments(
        &self,
        gauge: &[Sample],
        notes: &mut Vec<String>,
    ) -> Result<Vec<Vec<Sample>>, GasError> {
        let every = gauge.len() / MOST_READINGS + 1;
        let mut contents = Vec::with_capacity(gauge.len() / every + 1);
        // Counted from the end, so that the last reading is always among them.
        for sample in gauge.iter().rev().step_by(every).rev() {
            let read = GaugeBar::new(sample.value).map_err(|error| error.to_string());
            let read = read.and_then(|gauge| {
                self.moles(gauge, self.temperature_at(sample.at)).map_err(|error| error.to_string())
            });
            match read {
                Ok(value) => contents.push(Sample { at: sample.at, value }),
                Err(error) => notes.push(format!("a reading of {} bar was left out: {error}", sample.value)),
            }
        }
        if every > 1 {
            notes.push(format!("every {every}th reading is used"));
        }
        let rise = RISE * self.filled()?;
        let contents = without_spikes(&contents, rise, notes);
        let segments: Vec<Vec<Sample>> =
            contents.chunk_by(|before, after| after.value - before.value <= rise).map(daily).collect();
        if segments.len() > 1 {
            notes.push(
                "contents rose, as after a swap or a refill: each rise begins a stretch of its own"
                    .to_owned(),
            );
        }
        Ok(segments)
    }
}

/// Without readings that both neighbours contradict while they agree with
/// each other: a slip of the pen, a gauge tapped, another cylinder read.
fn without_spikes(contents: &[Sample], tolerance: f64, notes: &mut Vec<String>) -> Vec<Sample> {
    let lone = |index: usize| {
        let (Some(before), Some(after)) =
            (index.checked_sub(1).and_then(|i| contents.get(i)), contents.get(index + 1))
        else {
            return false;
        };
        let off = |one: &Sample| (contents[index].value - one.value).abs() > tolerance;
        // Gas drawn in between may part the neighbours, but not as far.
        let drawn = (before.value - after.value).abs();
        let beyond = contents[index].value > before.value.max(after.value) + tolerance
            || contents[index].value < before.value.min(after.value) - tolerance;
        off(before)
            && off(after)
            && beyond
            && drawn < (contents[index].value - after.value).abs().max(tolerance)
    };
    let (mut kept, mut aside) = (Vec::with_capacity(contents.len()), Vec::new());
    for (index, sample) in contents.iter().enumerate() {
        if lone(index) { aside.push(*sample) } else { kept.push(*sample) }
    }
    if let Some(first) = aside.first() {
        notes.push(format!(
            "{} reading(s) set aside, because those before and after contradict them; the first at {}",
            aside.len(),
            first.at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
        ));
    }
    kept
}

/// One value a day, the median, where a long stretch has more.
fn daily(stretch: &[Sample]) -> Vec<Sample> {
    let (Some(first), Some(last)) = (stretch.first(), stretch.last()) else { return Vec::new() };
    let days = hours_between(first.at, last.at) / 24.0;
    #[expect(clippy::cast_precision_loss, reason = "a count of readings")]
    let many = stretch.len() as f64 > 1.5 * days;
    if days < DAYS_TO_CONDENSE || !many {
        return stretch.to_vec();
    }
    medians(stretch, 24)
}

/// The gas of a supply as a mixture.
pub fn mixture(gas: SuppliedGas) -> GasMixture {
    let forming = |balance| {
        GasMixture::from_components([(balance, 0.95), ("hydrogen", 0.05)])
            .expect("fractions that sum to one of known components")
    };
    match gas {
        SuppliedGas::Argon => PureGas::Argon.into(),
        SuppliedGas::Nitrogen => PureGas::Nitrogen.into(),
        SuppliedGas::Helium => PureGas::Helium.into(),
        SuppliedGas::Hydrogen5InNitrogen => forming("nitrogen"),
        SuppliedGas::Hydrogen5InArgon => forming("argon"),
    }
}
