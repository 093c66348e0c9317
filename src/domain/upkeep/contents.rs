//! When a gas supply is down to its changeover pressure: moles from gauge
//! readings corrected for temperature, the rate they are drawn at, and a walk
//! into the future through a model of consumption.

use super::evidence::{Assessment, DueDates, Evidence, digits, is_stale};
use super::trend::{HORIZON_DAYS, Sample, THEIL_SEN_SOURCE, Trend, after_hours, hours_between};
use crate::domain::facility::{Cylinder, CylinderState, GasSupply, SuppliedGas};
use crate::domain::ids::CylinderId;
use crate::domain::names::Tag;
use crate::domain::physics::gas::{
    CylinderReading, GasError, GasMixture, METHOD, PureGas, cylinder_content, released_volume_m3,
};
use crate::domain::quantity::{Bar, Celsius, GaugeBar, Litres, Moles};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The fewest readings that a rate is taken from.
const FEWEST: usize = 3;
/// The shortest time that a rate is taken over, hours.
const SHORTEST_HOURS: f64 = 6.0;
/// A pressure not read for so long says nothing of the present.
const STALE_DAYS: i64 = 14;
/// A rate is taken over at most this many days back.
pub const WINDOW_DAYS: i64 = 90;
/// A temperature reading counts for pressures read so many hours before or after.
const TEMPERATURE_HOURS: i64 = 12;
/// Contents that rise by more than this share of a filling were topped up or exchanged.
const RISE: f64 = 0.03;
/// The most readings whose contents are computed; more are thinned evenly.
const MOST_READINGS: usize = 1000;
/// Points of the curve shown.
const CURVE_POINTS: i32 = 48;
/// Filling pressures are stated at this temperature, °C.
const FILLING_C: f64 = 15.0;
/// Standard atmosphere, bar: the air around the gauge unless known.
const AMBIENT_BAR: f64 = 1.013_25;

/// What is known of a supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyHistory {
    /// The supply and its cylinders as they stand.
    pub supply: GasSupply,
    /// Pressures read at the supply and at its connected cylinders, in order of time.
    pub gauge: Vec<Sample>,
    /// The last pressure read at each cylinder on standby.
    pub standby_gauge: BTreeMap<CylinderId, Sample>,
    /// Temperatures read at the supply, in order of time.
    pub temperature: Vec<Sample>,
    /// The last cylinder swap.
    pub last_swap: Option<DateTime<Utc>>,
}

/// Amounts drawn over some time: low, likely and high, in mol.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drawn {
    /// Hardly less.
    pub low: f64,
    /// The best single figure.
    pub likely: f64,
    /// Hardly more.
    pub high: f64,
}

/// How gas is drawn in the future.
pub trait Consumption {
    /// What is drawn from one instant to another.
    fn drawn(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Drawn;
}

/// Gas drawn evenly, in mol an hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steady {
    /// The rates.
    pub per_hour: Drawn,
}

impl Consumption for Steady {
    fn drawn(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Drawn {
        let hours = hours_between(from, to);
        Drawn {
            low: self.per_hour.low * hours,
            likely: self.per_hour.likely * hours,
            high: self.per_hour.high * hours,
        }
    }
}

/// A point of the forecast.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// When.
    pub at: DateTime<Utc>,
    /// Contents at the upper rate, mol.
    pub low_mol: f64,
    /// Contents at the likely rate, mol.
    pub likely_mol: f64,
    /// Contents at the lower rate, mol.
    pub high_mol: f64,
}

/// One cylinder in the forecast.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CylinderForecast {
    /// Its id.
    pub id: CylinderId,
    /// Its tag.
    pub tag: Tag,
    /// Where it stands.
    pub state: CylinderState,
    /// What is in it now, mol.
    pub contents_now_mol: Option<f64>,
    /// What of that can be used before changeover, mol.
    pub usable_mol: Option<f64>,
    /// When it is down to the changeover pressure.
    pub empty: Option<DueDates>,
}

/// What is left in a supply and how long it lasts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GasForecast {
    /// What is in the connected cylinders now, mol.
    pub contents_now_mol: Option<f64>,
    /// What of that can be used before changeover, mol.
    pub usable_mol: Option<f64>,
    /// What cylinders on standby add to that, mol.
    pub standby_usable_mol: f64,
    /// What is drawn in a day, mol, with its 80 % interval.
    pub daily_use_mol: Option<(f64, f64, f64)>,
    /// The same as real gas at 15 °C and 1 bar, m³.
    pub daily_use_m3: Option<f64>,
    /// When the connected cylinders are down to the changeover pressure.
    pub empty: Option<DueDates>,
    /// When those on standby are too.
    pub exhausted: Option<DueDates>,
    /// Why there are no dates.
    pub reason: Option<String>,
    /// The cylinders in use and on standby.
    pub cylinders: Vec<CylinderForecast>,
    /// Contents from the readings of the segment, mol.
    pub measured: Vec<Sample>,
    /// Contents to come.
    pub curve: Vec<CurvePoint>,
    /// What it rests on.
    pub evidence: Evidence,
    /// What to keep in mind.
    pub cautions: Vec<String>,
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

/// How long a supply lasts.
pub fn forecast(history: &SupplyHistory, now: DateTime<Utc>) -> GasForecast {
    let contents = Vessel::connected(history);
    let standby = standby(history, now);
    let mut answer = GasForecast {
        contents_now_mol: None,
        usable_mol: None,
        standby_usable_mol: standby.iter().filter_map(|one| one.usable_mol).fold(0.0, |sum, one| sum + one),
        daily_use_mol: None,
        daily_use_m3: None,
        empty: None,
        exhausted: None,
        reason: None,
        cylinders: standby,
        measured: Vec::new(),
        curve: Vec::new(),
        evidence: Evidence::new(
            "contents from pressure and temperature; rate by the median of pairwise slopes (Theil-Sen) since the \
             last swap or rise; then drawn evenly",
            &format!("{METHOD}; {THEIL_SEN_SOURCE}"),
        ),
        cautions: vec![
            "A forecast from past readings: look at the gauge before relying on it.".to_owned(),
            "Changing cylinders is for people trained in it, by local rules.".to_owned(),
        ],
    };
    let Some(contents) = contents else {
        answer.reason = Some("no cylinder is connected".to_owned());
        return answer;
    };
    if let Err(reason) = fill(&mut answer, &contents, history, now) {
        answer.reason = Some(reason);
    }
    let connected = contents.cylinders.iter().map(|cylinder| share(cylinder, &contents, &answer));
    let mut cylinders: Vec<CylinderForecast> = connected.collect();
    cylinders.append(&mut answer.cylinders);
    answer.cylinders = cylinders;
    answer
}

/// What a connected cylinder has of what all of them have: they stand at one pressure.
fn share(cylinder: &Cylinder, vessel: &Vessel<'_>, whole: &GasForecast) -> CylinderForecast {
    let share = cylinder.water_volume.get() / vessel.volume.get();
    CylinderForecast {
        id: cylinder.id,
        tag: cylinder.tag.clone(),
        state: cylinder.state,
        contents_now_mol: whole.contents_now_mol.map(|mol| mol * share),
        usable_mol: whole.usable_mol.map(|mol| mol * share),
        empty: whole.empty,
    }
}

/// Works out contents, rate and dates; the reason where that fails.
fn fill(
    answer: &mut GasForecast,
    vessel: &Vessel<'_>,
    history: &SupplyHistory,
    now: DateTime<Utc>,
) -> Result<(), String> {
    let changeover_c = vessel.temperature_at(now);
    let changeover = vessel.moles(history.supply.changeover, changeover_c).map_err(|e| e.to_string())?;
    let segment = segment(vessel, history, now, answer)?;
    answer.measured.clone_from(&segment);
    let Some(last) = segment.last().copied() else {
        return Err("no pressure has been read since the last swap".to_owned());
    };
    if is_stale(last.at, now, STALE_DAYS) {
        return Err(format!("the last pressure reading is more than {STALE_DAYS} days old"));
    }
    answer.contents_now_mol = Some(last.value);
    answer.usable_mol = Some((last.value - changeover).max(0.0));
    if last.value <= changeover {
        let below = segment.iter().rev().take_while(|sample| sample.value <= changeover).last();
        answer.empty = below.map(|first| DueDates::certain(first.at));
    }
    let draw = rate(&segment, answer, &history.supply)?;
    let gone = draw.drawn(last.at, now).likely;
    answer.contents_now_mol = Some((last.value - gone).max(0.0));
    answer.usable_mol = Some((last.value - gone - changeover).max(0.0));
    let usable = last.value - changeover;
    if answer.empty.is_none() {
        let Some(empty) = walk(&draw, last.at, now, usable) else {
            return Err(format!("at the present rate it lasts more than {HORIZON_DAYS} days"));
        };
        answer.empty = Some(empty);
    }
    if answer.standby_usable_mol > 0.0 {
        answer.exhausted = walk(&draw, last.at, now, usable.max(0.0) + answer.standby_usable_mol);
    } else {
        answer.exhausted = answer.empty;
    }
    answer.curve = curve(&draw, &last, answer.empty, now);
    Ok(())
}

/// The contents read since the last swap or rise, oldest first.
fn segment(
    vessel: &Vessel<'_>,
    history: &SupplyHistory,
    now: DateTime<Utc>,
    answer: &mut GasForecast,
) -> Result<Vec<Sample>, String> {
    let from = history
        .last_swap
        .filter(|swap| *swap <= now)
        .unwrap_or(DateTime::<Utc>::MIN_UTC)
        .max(now - TimeDelta::days(WINDOW_DAYS));
    let used: Vec<Sample> =
        history.gauge.iter().filter(|sample| sample.at >= from && sample.at <= now).copied().collect();
    let every = used.len() / MOST_READINGS + 1;
    let mut moles = Vec::with_capacity(used.len() / every + 1);
    // Counted from the end, so that the last reading is always among them.
    for sample in used.iter().rev().step_by(every).rev() {
        let gauge = GaugeBar::new(sample.value).map_err(|e| e.to_string())?;
        match vessel.moles(gauge, vessel.temperature_at(sample.at)) {
            Ok(value) => moles.push(Sample { at: sample.at, value }),
            Err(error) => answer.evidence.notes.push(format!("a reading of {gauge} was left out: {error}")),
        }
    }
    let full = vessel.filled().map_err(|e| e.to_string())?;
    let begins = moles.windows(2).rposition(|pair| pair[1].value - pair[0].value > RISE * full);
    let segment = moles.split_off(begins.map_or(0, |before| before + 1));
    let evidence = std::mem::take(&mut answer.evidence)
        .with_readings(&segment)
        .with("water_volume", vessel.volume.get(), "L")
        .with("changeover", history.supply.changeover.get(), "bar gauge");
    answer.evidence = match (begins, every) {
        (Some(_), _) => evidence.noting("contents rose, so only the readings since then are used"),
        (None, 1) => evidence,
        (None, _) => evidence.noting(format!("every {every}th reading is used")),
    };
    if history.temperature.is_empty() {
        let note = format!(
            "no temperature was read: {} is taken, as stated for the supply",
            history.supply.temperature
        );
        answer.evidence.notes.push(note);
    }
    Ok(segment)
}

/// The rate that the contents fall at.
fn rate(segment: &[Sample], answer: &mut GasForecast, supply: &GasSupply) -> Result<Steady, String> {
    let spanned = match (segment.first(), segment.last()) {
        (Some(first), Some(last)) => hours_between(first.at, last.at),
        _ => 0.0,
    };
    let trend = Trend::of(segment).filter(|_| segment.len() >= FEWEST && spanned >= SHORTEST_HOURS);
    let Some(trend) = trend else {
        return Err(format!(
            "a rate needs {FEWEST} pressure readings over {SHORTEST_HOURS} hours since the last swap"
        ));
    };
    let line = trend.line;
    let per_hour = Drawn { low: (-line.high).max(0.0), likely: -line.slope, high: -line.low };
    let daily = |rate: f64| 24.0 * rate;
    answer.evidence = std::mem::take(&mut answer.evidence)
        .with_range(
            "daily_use",
            daily(per_hour.likely),
            (daily(-line.high), daily(per_hour.high)),
            "mol a day",
        )
        .noting("80 % interval of the slope; the readings are taken as independent of each other");
    if line.slope >= 0.0 {
        return Err("the contents did not fall over the readings since the last swap".to_owned());
    }
    if line.high >= 0.0 {
        answer
            .evidence
            .notes
            .push("the slope's interval reaches down to no use at all: there is no latest date".to_owned());
    }
    answer.daily_use_mol = Some((daily(per_hour.low), daily(per_hour.likely), daily(per_hour.high)));
    answer.daily_use_m3 = one_mole_m3(supply.gas).map(|m3| daily(per_hour.likely) * m3);
    Ok(Steady { per_hour })
}

/// The volume of a mole at 15 °C and 1 bar, m³.
fn one_mole_m3(gas: SuppliedGas) -> Option<f64> {
    let temperature = Celsius::new(FILLING_C).ok()?;
    released_volume_m3(&mixture(gas), Moles::new(1.0).ok()?, temperature, Bar::new(1.0).ok()?).ok()
}

/// Walks hour by hour from `from` until so much is drawn; `None` where the
/// likely amount is not drawn within the horizon after `now`.
pub fn walk(
    draw: &impl Consumption,
    from: DateTime<Utc>,
    now: DateTime<Utc>,
    usable_mol: f64,
) -> Option<DueDates> {
    let hour = TimeDelta::hours(1);
    let end = now + TimeDelta::days(HORIZON_DAYS);
    let mut drawn = Drawn { low: 0.0, likely: 0.0, high: 0.0 };
    let (mut earliest, mut likely, mut latest) = (None, None, None);
    let mut at = from;
    let reached = |found: &mut Option<DateTime<Utc>>, before: f64, step: f64, at| {
        if found.is_none() && step > 0.0 && before + step >= usable_mol {
            *found = after_hours(at, ((usable_mol - before) / step).max(0.0));
        }
    };
    while at < end && latest.is_none() {
        let step = draw.drawn(at, at + hour);
        reached(&mut earliest, drawn.high, step.high, at);
        reached(&mut likely, drawn.likely, step.likely, at);
        reached(&mut latest, drawn.low, step.low, at);
        drawn = Drawn {
            low: drawn.low + step.low,
            likely: drawn.likely + step.likely,
            high: drawn.high + step.high,
        };
        at += hour;
    }
    likely.map(|likely| DueDates { earliest, likely, latest })
}

/// Contents from now until a little after the likely date.
fn curve(
    draw: &impl Consumption,
    last: &Sample,
    empty: Option<DueDates>,
    now: DateTime<Utc>,
) -> Vec<CurvePoint> {
    let Some(empty) = empty else { return Vec::new() };
    let until = empty.latest.unwrap_or(empty.likely).max(now + TimeDelta::days(1));
    let hours = hours_between(now, until.min(now + TimeDelta::days(HORIZON_DAYS)));
    (0..=CURVE_POINTS)
        .filter_map(|point| after_hours(now, hours * f64::from(point) / f64::from(CURVE_POINTS)))
        .map(|at| {
            let drawn = draw.drawn(last.at, at);
            let left = |drawn: f64| (last.value - drawn).max(0.0);
            CurvePoint {
                at,
                low_mol: left(drawn.high),
                likely_mol: left(drawn.likely),
                high_mol: left(drawn.low),
            }
        })
        .collect()
}

/// Cylinders on standby: what was last read at them, or their filling.
fn standby(history: &SupplyHistory, now: DateTime<Utc>) -> Vec<CylinderForecast> {
    let on_standby = |cylinder: &&Cylinder| cylinder.state == CylinderState::Standby;
    history
        .supply
        .cylinders
        .iter()
        .filter(on_standby)
        .map(|cylinder| {
            let vessel = Vessel::of(history, vec![cylinder]);
            let read = history.standby_gauge.get(&cylinder.id).filter(|sample| sample.at <= now);
            let held = read.map_or_else(
                || vessel.filled().ok(),
                |sample| {
                    let gauge = GaugeBar::new(sample.value).ok()?;
                    vessel.moles(gauge, vessel.temperature_at(sample.at)).ok()
                },
            );
            let kept = vessel.moles(history.supply.changeover, vessel.temperature_at(now)).ok();
            CylinderForecast {
                id: cylinder.id,
                tag: cylinder.tag.clone(),
                state: cylinder.state,
                contents_now_mol: held,
                usable_mol: held.zip(kept).map(|(held, kept)| (held - kept).max(0.0)),
                empty: None,
            }
        })
        .collect()
}

/// Cylinders standing at one pressure, taken together.
struct Vessel<'a> {
    history: &'a SupplyHistory,
    cylinders: Vec<&'a Cylinder>,
    volume: Litres,
    gas: GasMixture,
}

impl<'a> Vessel<'a> {
    /// All that are connected; `None` where none is.
    fn connected(history: &'a SupplyHistory) -> Option<Self> {
        let connected = |cylinder: &&Cylinder| cylinder.state == CylinderState::Connected;
        let cylinders: Vec<&Cylinder> = history.supply.cylinders.iter().filter(connected).collect();
        (!cylinders.is_empty()).then(|| Self::of(history, cylinders))
    }

    fn of(history: &'a SupplyHistory, cylinders: Vec<&'a Cylinder>) -> Self {
        let litres: f64 = cylinders.iter().map(|cylinder| cylinder.water_volume.get()).sum();
        let volume = Litres::new(litres).unwrap_or(cylinders[0].water_volume);
        Self { history, cylinders, volume, gas: mixture(history.supply.gas) }
    }

    fn moles(&self, gauge: GaugeBar, temperature: Celsius) -> Result<f64, GasError> {
        let ambient = Bar::new(AMBIENT_BAR).expect("a constant within range");
        let reading = CylinderReading { water_volume: self.volume, gauge, temperature, ambient };
        Ok(cylinder_content(&self.gas, &reading)?.moles)
    }

    /// What they hold when filled, mol.
    fn filled(&self) -> Result<f64, GasError> {
        let temperature = Celsius::new(FILLING_C).expect("a constant within range");
        let mut sum = 0.0;
        for cylinder in &self.cylinders {
            let one = Self { cylinders: vec![cylinder], volume: cylinder.water_volume, ..*self };
            sum += one.moles(cylinder.fill, temperature)?;
        }
        Ok(sum)
    }

    /// The temperature read nearest to an instant, else the one stated for the supply.
    fn temperature_at(&self, at: DateTime<Utc>) -> Celsius {
        let readings = &self.history.temperature;
        let next = readings.partition_point(|sample| sample.at < at);
        let around =
            next.checked_sub(1).and_then(|before| readings.get(before)).into_iter().chain(readings.get(next));
        around
            .filter(|sample| (sample.at - at).abs() <= TimeDelta::hours(TEMPERATURE_HOURS))
            .min_by_key(|sample| (sample.at - at).abs())
            .and_then(|sample| Celsius::new(sample.value).ok())
            .unwrap_or(self.history.supply.temperature)
    }
}

/// When a swap falls due.
pub(super) fn assess(history: &SupplyHistory, now: DateTime<Utc>) -> Assessment {
    let forecast = forecast(history, now);
    let Some(due) = forecast.empty else {
        let reason = forecast.reason.unwrap_or_else(|| "no forecast".to_owned());
        let lasts = forecast.usable_mol.is_some() && forecast.daily_use_mol.is_some();
        return if lasts {
            Assessment::not_in_sight(reason, forecast.evidence)
        } else {
            Assessment::unknown(reason, forecast.evidence)
        };
    };
    let last = history.gauge.iter().rev().find(|sample| sample.at <= now);
    let pressure = last.map_or_else(String::new, |last| format!("{} bar, ", digits(last.value)));
    let daily = forecast
        .daily_use_m3
        .map_or_else(String::new, |daily| format!(", {} m³ a day (15 °C, 1 bar)", digits(daily)));
    let usable = digits(forecast.usable_mol.unwrap_or(0.0));
    Assessment::dated(due, format!("{pressure}{usable} mol to changeover{daily}"), forecast.evidence)
}

#[cfg(test)]
#[path = "contents_tests.rs"]
mod tests;
