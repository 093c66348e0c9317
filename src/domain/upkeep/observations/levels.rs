//! Levels, pressures and silences that stand out now.

use super::{Observation, ObservationKind, Scene};
use crate::domain::facility::{LevelLimits, MeasuredQuantity};
use crate::domain::upkeep::evidence::{Evidence, digits};
use crate::domain::upkeep::report::moment;
use crate::domain::upkeep::trend::{Sample, hours_between, median};
use chrono::TimeDelta;

/// A reading older than this says nothing of now.
const FRESH: TimeDelta = TimeDelta::hours(24);
/// A level or pressure must have stood out for so long, where it was read meanwhile.
const STANDING: TimeDelta = TimeDelta::hours(1);
/// Two readings farther apart say nothing of the time between.
const LONGEST_STEP: TimeDelta = TimeDelta::hours(2);
/// Box pressures within this, mbar to either side, are common (common practice, no source).
const COMMON_MBAR: f64 = 15.0;
/// Silence is noticed beyond this many hours …
const SILENT_HOURS: f64 = 24.0;
/// … and this many times the usual time between readings.
const SILENT_TIMES: f64 = 3.0;

/// Whether a box's circulation runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Circulation {
    /// It was read to run, m³/h.
    Read(f64),
    /// It is not read, and no booking has it off.
    NotBookedOff,
    /// It is off.
    Off,
}

/// Whether oxygen or water has stood past its caution level for an hour
/// although the circulation runs. `readings` are in order of time, until now.
pub fn level_under_circulation(
    scene: &Scene<'_>,
    quantity: MeasuredQuantity,
    limits: LevelLimits,
    readings: &[Sample],
    circulation: Circulation,
) -> Option<Observation> {
    let how = match circulation {
        Circulation::Off => return None,
        Circulation::Read(m3_h) => format!("the circulation running at {} m³/h", digits(m3_h)),
        Circulation::NotBookedOff => "the circulation not booked off (it is not read)".to_owned(),
    };
    let last = readings.last().filter(|last| scene.now - last.at <= FRESH)?;
    let caution = limits.caution.get();
    let run: Vec<Sample> =
        readings.iter().rev().take_while(|sample| sample.value >= caution).copied().collect();
    let since = run.last()?;
    // One lone high value may be the air that a transfer brought.
    if last.at - since.at < STANDING && readings.len() > run.len() {
        return None;
    }
    let name = quantity.word().trim_end_matches("_ppm");
    let text = format!(
        "{name} stands at {} ppm, past the caution level of {} ppm since {}, with {how}",
        digits(last.value),
        digits(caution),
        moment(since.at, scene.zone)
    );
    let used: Vec<Sample> = run.into_iter().rev().collect();
    let evidence = Evidence::new(
        "every reading of the last hour at least at or past the caution level, with the circulation not off",
        "the box's own caution level",
    )
    .with_readings(&used)
    .with("caution_level", caution, "ppm")
    .with("level", last.value, "ppm")
    .noting("a worn purifier, a leak, permeation and a drifted sensor all look like this");
    Some(scene.noticed(ObservationKind::LevelUnderCirculation, text, evidence))
}

/// Whether a box's pressure was, within the last day, outside -15 to 15 mbar
/// for an hour or longer. `readings` are in order of time, until now.
pub fn box_pressure(scene: &Scene<'_>, readings: &[Sample]) -> Option<Observation> {
    let outside = |sample: &Sample| sample.value.abs() > COMMON_MBAR;
    let recent: Vec<Sample> =
        readings.iter().filter(|sample| scene.now - sample.at <= FRESH).copied().collect();
    let together = |a: &Sample, b: &Sample| outside(a) && outside(b) && b.at - a.at <= LONGEST_STEP;
    let run = recent
        .chunk_by(together)
        .rfind(|run| matches!(run, [first, .., last] if last.at - first.at >= STANDING))?;
    let (first, last) = (run.first()?, run.last()?);
    let farthest = run.iter().max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))?;
    let text = format!(
        "box pressure was outside -15 to 15 mbar for {} h from {}, at most {} mbar",
        digits(hours_between(first.at, last.at)),
        moment(first.at, scene.zone),
        digits(farthest.value)
    );
    let evidence = Evidence::new(
        "readings one after the other outside the range for an hour or longer within the last day",
        "-15 to 15 mbar: common practice, no source",
    )
    .with_readings(run)
    .with("farthest", farthest.value, "mbar");
    Some(scene.noticed(ObservationKind::BoxPressure, text, evidence))
}

/// Whether a quantity that used to be read has not been for a day, and for
/// longer than three times the usual. `readings` are the last ones there are.
pub fn silent(scene: &Scene<'_>, quantity: MeasuredQuantity, readings: &[Sample]) -> Option<Observation> {
    let last = readings.last()?;
    let silence = hours_between(last.at, scene.now);
    let mut steps: Vec<f64> = readings.windows(2).map(|pair| hours_between(pair[0].at, pair[1].at)).collect();
    let usual = median(&mut steps);
    if silence <= SILENT_HOURS.max(SILENT_TIMES * usual.unwrap_or(0.0)) {
        return None;
    }
    let text = format!(
        "{} has not been read for {} h, last {} {} on {}",
        quantity.word(),
        digits(silence),
        digits(last.value),
        quantity.unit(),
        moment(last.at, scene.zone)
    );
    let mut evidence = Evidence::new(
        "time since the last reading, beyond a day and three times the usual time between readings",
        "drykeep's own choice",
    )
    .with_readings(readings)
    .with("silence", silence, "h");
    if let Some(usual) = usual {
        evidence = evidence.with("usual_step", usual, "h");
    }
    Some(scene.noticed(ObservationKind::SilentSensor, text, evidence))
}
