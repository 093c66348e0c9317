//! When a gas supply is down to its changeover pressure: contents from gauge
//! readings corrected for temperature, what draws them, and the booked future.

use super::evidence::{Assessment, DueDates, Evidence, digits, is_stale};
use super::gas_draw::{self, Draw};
use super::trend::{HORIZON_DAYS, Sample, after_hours, hours_between};
use super::use_ahead::GasUse;
pub use super::vessel::mixture;
use super::vessel::{FILLING_C, Vessel};
use crate::domain::facility::{Cylinder, CylinderState, GasSupply, SuppliedGas};
use crate::domain::ids::CylinderId;
use crate::domain::names::Tag;
use crate::domain::physics::gas::{METHOD, released_volume_m3};
use crate::domain::quantity::{Bar, Celsius, GaugeBar, Moles};
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// The fewest readings that a rate is taken from.
const FEWEST: usize = 3;
/// The shortest time that a rate is taken over, hours.
const SHORTEST_HOURS: f64 = 6.0;
/// A pressure not read for so long says nothing of the present.
const STALE_DAYS: i64 = 14;
/// A rate is taken over at most this many days back.
pub const WINDOW_DAYS: i64 = 90;
/// What was drawn in so many days is compared with what was to be expected.
const RECENT_DAYS: i64 = 7;
/// What was to be expected is learned from so many days at least.
const LEAST_LEARNED_DAYS: f64 = 7.0;
/// Points of the curve shown.
const CURVE_POINTS: i32 = 48;

/// A cylinder that fed the boxes before, as long as it did.
#[derive(Debug, Clone, PartialEq)]
pub struct FormerCylinder {
    /// The cylinder.
    pub cylinder: Cylinder,
    /// Pressures read at it while it was connected, in order of time.
    pub gauge: Vec<Sample>,
}

/// What is known of a supply.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyHistory {
    /// The supply and its cylinders as they stand.
    pub supply: GasSupply,
    /// Pressures read at the supply, and at its connected cylinders since they
    /// were connected, in order of time.
    pub gauge: Vec<Sample>,
    /// Cylinders connected before.
    pub former: Vec<FormerCylinder>,
    /// The last pressure read at each cylinder on standby.
    pub standby_gauge: BTreeMap<CylinderId, Sample>,
    /// Temperatures read at the supply, in order of time.
    pub temperature: Vec<Sample>,
    /// Cylinder swaps, in order of time.
    pub swaps: Vec<DateTime<Utc>>,
    /// Work at the boxes that it feeds, done and booked.
    pub uses: Vec<GasUse>,
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
    /// What the connected cylinders hold at changeover, at the temperature of now, mol.
    #[serde(default)]
    pub changeover_mol: Option<f64>,
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

impl GasForecast {
    /// Nothing but what stands by.
    fn nothing(standby: Vec<CylinderForecast>) -> Self {
        Self {
            contents_now_mol: None,
            usable_mol: None,
            changeover_mol: None,
            standby_usable_mol: standby
                .iter()
                .filter_map(|one| one.usable_mol)
                .fold(0.0, |sum, one| sum + one),
            daily_use_mol: None,
            daily_use_m3: None,
            empty: None,
            exhausted: None,
            reason: None,
            cylinders: standby,
            measured: Vec::new(),
            curve: Vec::new(),
            evidence: Evidence::new(gas_draw::MODEL, &format!("{METHOD}; {}", gas_draw::SOURCES)),
            cautions: vec![
                "A forecast from past readings: look at the gauge before relying on it.".to_owned(),
                "Changing cylinders is for people trained in it, by local rules.".to_owned(),
            ],
        }
    }
}

/// How long a supply lasts.
pub fn forecast(history: &SupplyHistory, now: DateTime<Utc>) -> GasForecast {
    let contents = Vessel::connected(history);
    let standby = standby(history, now);
    let mut answer = GasForecast::nothing(standby);
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

/// Works out contents, draw and dates; the reason where that fails.
fn fill(
    answer: &mut GasForecast,
    vessel: &Vessel<'_>,
    history: &SupplyHistory,
    now: DateTime<Utc>,
) -> Result<(), String> {
    let changeover_c = vessel.temperature_at(now);
    let changeover = vessel.moles(history.supply.changeover, changeover_c).map_err(|e| e.to_string())?;
    answer.changeover_mol = Some(changeover);
    let segments = segments(vessel, history, now, answer)?;
    let (draw, last) = present(answer, vessel, history, &segments, changeover, now)?;
    let month = draw.daily(now + TimeDelta::days(30));
    if month.1 <= f64::EPSILON * last.value {
        return Err("the contents did not fall over the readings".to_owned());
    }
    let left = draw.left(now).mean;
    answer.contents_now_mol = Some(left.max(0.0));
    answer.usable_mol = Some((left - changeover).max(0.0));
    let foreseen = answer.empty.or_else(|| draw.reaches(changeover));
    let until = foreseen.map_or(now + TimeDelta::days(30), |due| due.likely.max(now));
    let daily = draw.daily(until);
    answer.daily_use_mol = Some(daily);
    answer.daily_use_m3 = one_mole_m3(history.supply.gas).map(|m3| daily.1 * m3);
    let evidence = std::mem::take(&mut answer.evidence).with_range(
        "daily_use",
        daily.1,
        (daily.0, daily.2),
        "mol a day",
    );
    answer.evidence = draw.explain(evidence, until);
    let Some(empty) = foreseen else {
        return Err(format!("at the present rate it lasts more than {HORIZON_DAYS} days"));
    };
    if empty.latest.is_none() {
        answer.evidence.notes.push(format!(
            "by what was read it may as well last more than {HORIZON_DAYS} days: there is no latest date"
        ));
    }
    answer.empty = Some(empty);
    answer.exhausted = if answer.standby_usable_mol > 0.0 {
        draw.reaches(changeover.min(left) - answer.standby_usable_mol)
    } else {
        Some(empty)
    };
    answer.curve = curve(&draw, empty, now);
    Ok(())
}

/// What was read last, and what the readings say of the draw. Fills in what
/// is known without it.
fn present(
    answer: &mut GasForecast,
    vessel: &Vessel<'_>,
    history: &SupplyHistory,
    segments: &[Vec<Sample>],
    changeover: f64,
    now: DateTime<Utc>,
) -> Result<(Draw, Sample), String> {
    let Some((segment, last)) = segments.last().and_then(|segment| Some((segment, *segment.last()?))) else {
        return Err("no pressure has been read since the last swap".to_owned());
    };
    answer.measured.clone_from(segment);
    let read = history.gauge.iter().rev().find(|sample| sample.at <= now).map_or(last.at, |sample| sample.at);
    if is_stale(read, now, STALE_DAYS) {
        return Err(format!("the last pressure reading is more than {STALE_DAYS} days old"));
    }
    answer.contents_now_mol = Some(last.value);
    answer.usable_mol = Some((last.value - changeover).max(0.0));
    if last.value <= changeover {
        let below = segment.iter().rev().take_while(|sample| sample.value <= changeover).last();
        answer.empty = below.map(|first| DueDates::certain(first.at));
    }
    let covered: f64 = segments
        .iter()
        .filter_map(|segment| Some(hours_between(segment.first()?.at, segment.last()?.at)))
        .sum();
    let filled = vessel.filled().map_err(|e| e.to_string())?;
    let (learned_from, note) = learned_from(segments, history, now);
    answer.evidence.notes.extend(note);
    let draw = Draw::learn(&learned_from, &history.uses, filled, now);
    let draw = draw.filter(|draw| draw.readings() >= FEWEST && covered >= SHORTEST_HOURS);
    let draw =
        draw.ok_or_else(|| format!("a rate needs {FEWEST} pressure readings over {SHORTEST_HOURS} hours"))?;
    Ok((draw, last))
}

/// The readings that tell how much flows always and how much work takes, and what to say of it.
///
/// Where readings were brought in from a time before bookings were kept here, what work drew then would
/// count as flowing always, and what is booked would come on top of it. Readings of such a time are left
/// out once there are enough others.
fn learned_from<'a>(
    segments: &'a [Vec<Sample>],
    history: &SupplyHistory,
    now: DateTime<Utc>,
) -> (Cow<'a, [Vec<Sample>]>, Option<String>) {
    let first_read = segments.iter().flatten().map(|sample| sample.at).min();
    let first_use = history.uses.iter().map(|one| one.interval.start()).min();
    let (Some(first_read), Some(first_use)) = (first_read, first_use) else {
        return (Cow::Borrowed(segments), None);
    };
    let begun = first_use.min(now);
    if hours_between(first_read, begun) <= 24.0 * LEAST_LEARNED_DAYS {
        return (Cow::Borrowed(segments), None);
    }
    let since: Vec<Vec<Sample>> = segments
        .iter()
        .map(|segment| segment.iter().filter(|sample| sample.at >= begun).copied().collect())
        .filter(|segment: &Vec<Sample>| !segment.is_empty())
        .collect();
    let days: f64 = since
        .iter()
        .filter_map(|segment| Some(hours_between(segment.first()?.at, segment.last()?.at) / 24.0))
        .sum();
    let unworked = format!("no work is on record from {} to {}", first_read.date_naive(), begun.date_naive());
    let presently = segments.last().and_then(|segment| segment.last()).is_some_and(|last| last.at >= begun);
    if presently && days >= LEAST_LEARNED_DAYS && since.iter().flatten().count() >= FEWEST {
        let note = format!("{unworked}: what was read until then is left out of how much work takes");
        return (Cow::Owned(since), Some(note));
    }
    let note = format!(
        "{unworked}: what was drawn until then counts as flowing always, so that dates may come early"
    );
    (Cow::Borrowed(segments), Some(note))
}

/// What was read of the contents, in stretches over which gas was only drawn;
/// the last one begins with the last swap or rise and may be empty.
fn segments(
    vessel: &Vessel<'_>,
    history: &SupplyHistory,
    now: DateTime<Utc>,
    answer: &mut GasForecast,
) -> Result<Vec<Vec<Sample>>, String> {
    let from = now - TimeDelta::days(WINDOW_DAYS);
    let within = |gauge: &[Sample]| -> Vec<Sample> {
        gauge.iter().filter(|sample| sample.at >= from && sample.at <= now).copied().collect()
    };
    let mut notes = Vec::new();
    let mut segments: Vec<Vec<Sample>> = Vec::new();
    for former in &history.former {
        let vessel = Vessel::of(history, vec![&former.cylinder]);
        segments.extend(vessel.segments(&within(&former.gauge), &mut notes).map_err(|e| e.to_string())?);
    }
    let swaps: Vec<DateTime<Utc>> = history.swaps.iter().filter(|swap| **swap <= now).copied().collect();
    let swapped = |sample: &Sample| swaps.partition_point(|swap| *swap <= sample.at);
    let used = within(&history.gauge);
    for stretch in used.chunk_by(|one, other| swapped(one) == swapped(other)) {
        segments.extend(vessel.segments(stretch, &mut notes).map_err(|e| e.to_string())?);
    }
    segments.retain(|segment| !segment.is_empty());
    segments.sort_by_key(|segment| segment[0].at);
    if used.last().is_none_or(|last| swapped(last) < swaps.len()) {
        segments.push(Vec::new());
    }
    let all: Vec<Sample> = segments.iter().flatten().copied().collect();
    let mut evidence = std::mem::take(&mut answer.evidence)
        .with_readings(&all)
        .with("water_volume", vessel.volume.get(), "L")
        .with("changeover", history.supply.changeover.get(), "bar gauge");
    if history.temperature.is_empty() {
        let stated = history.supply.temperature;
        notes.push(format!("no temperature was read: {stated} is taken, as stated for the supply"));
    }
    evidence.notes.append(&mut notes);
    answer.evidence = evidence;
    Ok(segments)
}

/// What was drawn of late, against what was to be expected by what was read before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recent {
    /// Drawn by the readings, mol.
    pub measured_mol: f64,
    /// Expected for the same time and the work done in it, mol.
    pub expected_mol: f64,
    /// Standard deviation of the difference, mol.
    pub sd_mol: f64,
    /// Over so many days.
    pub days: f64,
}

/// Compares what was drawn in the last week with what the readings before it
/// lead to expect; `None` where a swap or too few readings stand in the way.
pub fn recent(history: &SupplyHistory, now: DateTime<Utc>) -> Option<Recent> {
    let vessel = Vessel::connected(history)?;
    let mut ignored = GasForecast::nothing(Vec::new());
    let mut segments = segments(&vessel, history, now, &mut ignored).ok()?;
    let last = *segments.last()?.last()?;
    let cut = last.at - TimeDelta::days(RECENT_DAYS);
    let current = segments.last_mut()?;
    let before = current.iter().rposition(|sample| sample.at <= cut)?;
    let from = current[before];
    current.truncate(before + 1);
    let covered: f64 =
        segments.iter().filter_map(|one| Some(hours_between(one.first()?.at, one.last()?.at))).sum();
    if covered < 24.0 * LEAST_LEARNED_DAYS {
        return None;
    }
    let (learned_from, _) = learned_from(&segments, history, now);
    let draw = Draw::learn(&learned_from, &history.uses, vessel.filled().ok()?, now)?;
    let expected = draw.drawn(from.at, last.at);
    let error = draw.reading_error();
    Some(Recent {
        measured_mol: from.value - last.value,
        expected_mol: expected.mean,
        sd_mol: (expected.sd * expected.sd + 2.0 * error * error).sqrt(),
        days: hours_between(from.at, last.at) / 24.0,
    })
}

/// The volume of a mole at 15 °C and 1 bar, m³.
fn one_mole_m3(gas: SuppliedGas) -> Option<f64> {
    let temperature = Celsius::new(FILLING_C).ok()?;
    released_volume_m3(&mixture(gas), Moles::new(1.0).ok()?, temperature, Bar::new(1.0).ok()?).ok()
}

/// Contents from now until a little after the likely date. Where little is known the model
/// leaves room for a rate below nought; but a cylinder does not fill itself, so that no
/// contents are expected above those before.
fn curve(draw: &Draw, empty: DueDates, now: DateTime<Utc>) -> Vec<CurvePoint> {
    let until = empty.latest.unwrap_or(empty.likely).max(now + TimeDelta::days(1));
    let hours = hours_between(now, until.min(now + TimeDelta::days(HORIZON_DAYS)));
    let mut before = (f64::INFINITY, f64::INFINITY, f64::INFINITY);
    (0..=CURVE_POINTS)
        .filter_map(|point| after_hours(now, hours * f64::from(point) / f64::from(CURVE_POINTS)))
        .map(|at| {
            let (low, likely, high) = draw.band(at);
            before = (before.0.min(low), before.1.min(likely), before.2.min(high));
            CurvePoint { at, low_mol: before.0, likely_mol: before.1, high_mol: before.2 }
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
