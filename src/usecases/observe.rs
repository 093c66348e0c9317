//! What a night's look at the readings of each box points out.

use super::parts::Parts;
use super::{Result, Tx};
use crate::domain::booking::Why;
use crate::domain::calendar::Interval;
use crate::domain::facility::{GasSupply, Glovebox, LevelLimits, MeasuredQuantity, Stored};
use crate::domain::ids::ThingId;
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::upkeep::contents::{self, Recent, SupplyHistory};
use crate::domain::upkeep::observations::{
    Circulation, Observation, Scene, Stretch, box_pressure, consumption, in_order, level_under_circulation,
    off_stretches, oxygen_rise, silent, water_rise,
};
use crate::domain::upkeep::summed::{Manner, Summed};
use crate::store::{claims, gloveboxes, reading_days, readings, site};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use uuid::Uuid;

/// Times with the circulation off are compared over so many days.
const STRETCH_DAYS: i64 = 90;
/// Circulation is looked at reading by reading over so many days.
const CIRCULATION_DAYS: i64 = 30;
/// At most so many stretches are compared, the last ones.
const MOST_STRETCHES: usize = 40;
/// Levels and pressures are looked at over the last day.
const LEVEL_HOURS: i64 = 24;
/// How often a silent sensor used to be read is looked up so many days back.
const SPACING_DAYS: i64 = 14;

/// Looks at every box, as of a moment.
pub(super) fn observe(tx: &mut Tx<'_>, zone: Tz, as_of: DateTime<Utc>) -> Result<Vec<Observation>> {
    let required =
        site::find(tx)?.map(|site| site.value.policies).unwrap_or_default().required_tightness_class;
    let mut noticed = Vec::new();
    for stored in gloveboxes::all(tx)? {
        let id: ThingId = stored.id.into();
        let scene = Scene { id, tag: stored.value.tag.as_str(), zone, now: as_of };
        let circulation = circulation(tx, &stored, as_of)?;
        noticed.extend(rises(tx, &scene, &stored, &circulation, required)?);
        noticed.extend(standing(tx, &scene, &stored, &circulation)?);
    }
    Ok(in_order(noticed))
}

/// The supplies that gave clearly more of late than was to be expected.
pub(super) fn overdrawn(
    tx: &mut Tx<'_>,
    supplies: &[(Stored<GasSupply>, SupplyHistory)],
    parts: &Parts,
    zone: Tz,
    as_of: DateTime<Utc>,
) -> Result<Vec<Observation>> {
    let mut noticed = Vec::new();
    for (supply, history) in supplies {
        let fed = gloveboxes::fed_by(tx, supply.id.into())?.into_iter().map(ThingId::from);
        let boxes: Vec<String> = fed.filter_map(|id| Some(parts.subject(id)?.tag.clone())).collect();
        let scene = Scene { id: supply.id.into(), tag: supply.value.tag.as_str(), zone, now: as_of };
        noticed.extend(contents::recent(history, as_of).and_then(|recent| {
            let Recent { measured_mol, expected_mol, sd_mol, days } = recent;
            consumption(&scene, measured_mol, expected_mol, sd_mol, days, &boxes)
        }));
    }
    Ok(noticed)
}

/// What was read of a box's circulation, at the box or its purifier, and what
/// bookings have claimed it off for.
struct CirculationRecord {
    read: Vec<Summed>,
    claimed: Vec<Interval>,
}

fn circulation(
    tx: &mut Tx<'_>,
    stored: &Stored<Glovebox>,
    as_of: DateTime<Utc>,
) -> Result<CirculationRecord> {
    let from = as_of - TimeDelta::days(CIRCULATION_DAYS);
    let quantity = MeasuredQuantity::CirculationM3H;
    let read_at = [Some(stored.id), stored.value.purifier.as_ref().map(|purifier| purifier.id.uuid())];
    let mut read = Vec::new();
    for id in read_at.into_iter().flatten() {
        for series in readings::series_of(tx, id, quantity)? {
            read.extend(reading_days::between(tx, series.id, Manner::of(quantity), from, as_of)?);
        }
    }
    read.sort_by_key(|point| point.first.at);
    let mut claimed = Vec::new();
    if let Some(purifier) = &stored.value.purifier
        && let Ok(range) = Interval::new(as_of - TimeDelta::days(STRETCH_DAYS), as_of)
    {
        let busy = claims::touching(tx, &[purifier.id.into()], range)?;
        claimed.extend(busy.iter().filter(|one| one.why == Why::CirculationOff).map(|one| one.interval));
    }
    Ok(CirculationRecord { read, claimed })
}

/// Looks at the times with the circulation off that have ended.
fn rises(
    tx: &mut Tx<'_>,
    scene: &Scene<'_>,
    stored: &Stored<Glovebox>,
    circulation: &CirculationRecord,
    required: TightnessClass,
) -> Result<Vec<Observation>> {
    let ended = |interval: &Interval| interval.end() <= scene.now;
    let mut intervals: Vec<Interval> =
        off_stretches(&circulation.claimed, &circulation.read).into_iter().filter(ended).collect();
    let surplus = intervals.len().saturating_sub(MOST_STRETCHES);
    let mut stretches = Vec::with_capacity(intervals.len() - surplus);
    let oxygen = readings::series_of(tx, stored.id, MeasuredQuantity::OxygenPpm)?;
    let water = readings::series_of(tx, stored.id, MeasuredQuantity::WaterPpm)?;
    for interval in intervals.drain(surplus..) {
        let (from, until) = (interval.start(), interval.end());
        let oxygen = readings::samples_of(tx, &oxygen, from, until)?;
        let water = readings::samples_of(tx, &water, from, until)?;
        stretches.push(Stretch { interval, oxygen, water });
    }
    let volume = stored.value.internal_volume;
    let caution = stored.value.limits.water_ppm.caution;
    let oxygen = oxygen_rise(scene, volume, &stretches, required);
    let water = water_rise(scene, volume, &stretches, caution);
    Ok(oxygen.into_iter().chain(water).collect())
}

/// Looks at how things stand at the moment.
fn standing(
    tx: &mut Tx<'_>,
    scene: &Scene<'_>,
    stored: &Stored<Glovebox>,
    circulation: &CirculationRecord,
) -> Result<Vec<Observation>> {
    let day_ago = scene.now - TimeDelta::hours(LEVEL_HOURS);
    let mut noticed = Vec::new();
    for quantity in [MeasuredQuantity::OxygenPpm, MeasuredQuantity::WaterPpm] {
        let series = readings::series_of(tx, stored.id, quantity)?;
        let mut last = Vec::with_capacity(series.len());
        for one in &series {
            last.extend(readings::last_before(tx, one.id, readings::just_after(scene.now))?);
        }
        let fresh: Vec<f64> = last.iter().filter(|one| one.at >= day_ago).map(|one| one.value).collect();
        if fresh.is_empty() {
            noticed.extend(silence(tx, scene, stored.id, quantity)?);
            continue;
        }
        // Only a level that stands high now is worth reading back to when it rose.
        let stands_high = |limits: &LevelLimits| fresh.iter().any(|value| *value >= limits.caution.get());
        let limits = stored.value.limits.of(quantity).filter(|_| stored.value.purifier.is_some());
        if let Some(limits) = limits.filter(stands_high) {
            let read = readings::samples_of(tx, &series, day_ago, scene.now)?;
            let circulation = now_of(circulation, scene.now);
            noticed.extend(level_under_circulation(scene, quantity, limits, &read, circulation));
        }
    }
    let pressures = readings::samples(tx, stored.id, MeasuredQuantity::BoxPressureMbar, day_ago, scene.now)?;
    noticed.extend(box_pressure(scene, &pressures));
    Ok(noticed)
}

/// Whether the circulation runs at the moment: as read within the last day, else as booked.
fn now_of(circulation: &CirculationRecord, now: DateTime<Utc>) -> Circulation {
    let last = circulation.read.last().map(|point| point.last);
    let last = last.filter(|last| now - last.at <= TimeDelta::hours(LEVEL_HOURS));
    match last {
        Some(last) if last.value > 0.0 => Circulation::Read(last.value),
        Some(_) => Circulation::Off,
        None if circulation.claimed.iter().any(|claim| claim.contains(now)) => Circulation::Off,
        None => Circulation::NotBookedOff,
    }
}

fn silence(
    tx: &mut Tx<'_>,
    scene: &Scene<'_>,
    id: Uuid,
    quantity: MeasuredQuantity,
) -> Result<Option<Observation>> {
    let Some((last, _)) = readings::latest(tx, id, quantity, scene.now)? else { return Ok(None) };
    let read = readings::samples(tx, id, quantity, last - TimeDelta::days(SPACING_DAYS), last)?;
    Ok(silent(scene, quantity, &read))
}
