//! When a reading is, or will be, above a limit for long enough: judged by
//! each sensor on its own, and the one that says so first governs.

use super::circulation::Circulation;
use super::evidence::{Assessment, DueDates, Evidence, Verdict, digits, is_stale};
use super::rise;
use super::sensors::{self, FaultKind, Inspected, SensorReadings};
use super::trend::{Sample, hours_between};
use crate::domain::calendar::Length;
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// Readings older than this many days say nothing of the present level.
const STALE_DAYS: i64 = 7;
/// Trends are taken over at most this many days back.
pub(super) const WINDOW_DAYS: i64 = 120;
/// What is said of what sensors show …
const SHOWN: [FaultKind; 5] =
    [FaultKind::Stuck, FaultKind::Saturated, FaultKind::Jump, FaultKind::Serviced, FaultKind::Lone];
/// … and of when they show nothing.
const SILENCES: [FaultKind; 2] = [FaultKind::DroppedOut, FaultKind::Silent];

/// The limit of a condition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Condition {
    /// What is read.
    pub(super) quantity: MeasuredQuantity,
    /// The limit, in its unit.
    pub(super) limit: f64,
    /// How long it must stay above.
    pub(super) sustained: Option<Length>,
}

impl Condition {
    /// How long it must stay above the limit.
    pub(super) fn stay(&self) -> TimeDelta {
        self.sustained.map_or_else(TimeDelta::zero, |length| length.delta())
    }
}

/// What is known of the quantity.
pub(super) struct Levels<'a> {
    /// What each sensor showed.
    pub(super) sensors: &'a [SensorReadings],
    /// When the gas circulated, where only levels under circulation count.
    pub(super) circulation: Option<Circulation>,
    /// When work was done on the part, of whatever kind.
    pub(super) services: Vec<DateTime<Utc>>,
    /// When the task was last done.
    pub(super) since: DateTime<Utc>,
    /// The moment.
    pub(super) now: DateTime<Utc>,
    /// The facility's zone, for what people read.
    pub(super) zone: Tz,
}

impl Levels<'_> {
    /// From when readings count.
    fn start(&self) -> DateTime<Utc> {
        self.since.max(self.now - TimeDelta::days(WINDOW_DAYS))
    }

    fn counts(&self, sample: &Sample) -> bool {
        self.circulation.as_ref().is_none_or(|gas| gas.at(sample.at).is_some())
    }

    fn is_recent(&self, sample: &Sample) -> bool {
        sample.at > self.start() && sample.at <= self.now
    }

    /// What is wrong with the sensors, in sentences. What they show without
    /// circulation is no fault, and no silence either.
    fn told(&self, inspected: &[Inspected], unit: &str, everything: &[Inspected]) -> Vec<String> {
        let told = |one: &Inspected, kinds: &[FaultKind]| one.told(kinds, self.start(), unit, self.zone);
        let shown = inspected.iter().flat_map(|one| told(one, &SHOWN));
        let mut told: Vec<String> =
            shown.chain(everything.iter().flat_map(|one| told(one, &SILENCES))).collect();
        if inspected.iter().any(|one| one.faults.iter().any(|fault| fault.to > self.start())) {
            told.push(
                "values set aside and those of a sensor that stuck or sat at the end of its scale do not count for the \
                 trend, though above the limit they count as such; a jump begins the trend anew"
                    .to_owned(),
            );
        }
        told
    }
}

/// Judges what was read after the last service.
pub(super) fn assess(condition: Condition, levels: &Levels<'_>) -> Assessment {
    let (quantity, unit) = (condition.quantity, condition.quantity.unit());
    let inspect =
        |sensors: &[SensorReadings]| sensors::inspect(quantity, sensors, &levels.services, levels.now);
    let everything = inspect(levels.sensors);
    let inspected = match &levels.circulation {
        None => everything.clone(),
        Some(_) => {
            let counted = levels.sensors.iter().map(|one| {
                let samples = one.samples.iter().filter(|sample| levels.counts(sample)).copied();
                SensorReadings::new(one.sensor.clone(), samples.collect())
            });
            inspect(&counted.collect::<Vec<_>>())
        }
    };
    let mut judged: Vec<(&Inspected, Assessment)> =
        inspected.iter().map(|one| (one, judge(condition, one, levels))).collect();
    // Of equals the sensor with the most readings, which comes first.
    let governing = (0..judged.len()).min_by_key(|index| rank(&judged[*index].1.verdict));
    let left_out = levels.circulation.as_ref().map(|_| {
        let recent = |all: &[Inspected]| {
            all.iter().flat_map(Inspected::samples).filter(|one| levels.is_recent(one)).count()
        };
        let count = recent(&everything) - recent(&inspected);
        format!("the level counts while the circulation runs: {count} reading(s) without it were left out")
    });
    let Some(governing) = governing else {
        let reason = format!("no reading of {} since the last service", quantity.word());
        let mut evidence = evidence(condition);
        evidence.notes.extend(left_out);
        return Assessment::unknown(reason, evidence);
    };
    let (sensor, mut assessment) = judged.remove(governing);
    let mut notes = vec![format!("by {}", sensor.name())];
    notes.extend(judged.iter().map(|(other, one)| format!("{}: {}", other.name(), one.summary)));
    notes.extend(left_out);
    notes.extend(levels.told(&inspected, unit, &everything));
    notes.append(&mut assessment.evidence.notes);
    assessment.evidence.notes = notes;
    assessment
}

/// The earliest date comes first, then what can say that none is in sight.
fn rank(verdict: &Verdict) -> (u8, Option<DateTime<Utc>>) {
    match verdict {
        Verdict::Dated(due) => (0, Some(due.likely)),
        Verdict::NotInSight(_) => (1, None),
        Verdict::Unknown(_) => (2, None),
    }
}

fn evidence(condition: Condition) -> Evidence {
    Evidence::new(rise::MODEL, rise::SOURCES).with("limit", condition.limit, condition.quantity.unit())
}

/// What one sensor says.
fn judge(condition: Condition, sensor: &Inspected, levels: &Levels<'_>) -> Assessment {
    let (word, unit) = (condition.quantity.word(), condition.quantity.unit());
    let now = levels.now;
    let shown: Vec<Sample> = sensor.samples().iter().filter(|one| levels.is_recent(one)).copied().collect();
    let evidence = evidence(condition).with_readings(&shown);
    let Some(last) = shown.last() else {
        return Assessment::unknown(format!("no reading of {word} since the last service"), evidence);
    };
    let evidence = evidence.with("last_reading", last.value, unit);
    // A fault must not hide an alarm: whatever was shown above the limit counts.
    let alarming: Vec<Sample> =
        sensor.alarming(condition.limit).filter(|one| levels.is_recent(one)).collect();
    let first = above_since(condition, &alarming);
    let reached =
        first.filter(|first| alarming.last().is_some_and(|last| *first + condition.stay() <= last.at));
    if let (Some(first), Some(last)) = (reached, alarming.last()) {
        return exceeded(condition, first, last, evidence);
    }
    if is_stale(last.at, now, STALE_DAYS) {
        let reason = format!("the last reading of {word} is more than {STALE_DAYS} days old");
        return Assessment::unknown(reason, evidence);
    }
    if let (Some(first), Some(last)) = (first, alarming.last()) {
        return exceeded(condition, first, last, evidence);
    }
    let believed: Vec<Sample> = sensor.believed().filter(|one| levels.is_recent(one)).collect();
    if believed.last().is_none_or(|last| is_stale(last.at, now, STALE_DAYS)) {
        let reason = format!("no reading of {word} in the last {STALE_DAYS} days can be believed");
        return Assessment::unknown(reason, evidence);
    }
    rise::forecast(condition, &believed, &sensor.steps, now, evidence)
}

/// Since when every reading is above the limit; a stretch without readings
/// that is longer than the level must be sustained ends the run, since
/// nobody saw what it did.
fn above_since(condition: Condition, samples: &[Sample]) -> Option<DateTime<Utc>> {
    let longest = condition.sustained.map_or(TimeDelta::hours(1), |length| length.delta());
    let mut first: Option<DateTime<Utc>> = None;
    for sample in samples.iter().rev() {
        if sample.value <= condition.limit || first.is_some_and(|later| later - sample.at > longest) {
            break;
        }
        first = Some(sample.at);
    }
    first
}

/// The level is above the limit: due once it has been so for long enough.
fn exceeded(condition: Condition, first: DateTime<Utc>, last: &Sample, evidence: Evidence) -> Assessment {
    let due = first + condition.stay();
    let reached = due <= last.at;
    let summary = format!(
        "{} {} against a limit of {}, above it for {} h",
        digits(last.value),
        condition.quantity.unit(),
        digits(condition.limit),
        digits(hours_between(first, last.at)),
    );
    let dates = DueDates { latest: reached.then_some(due), ..DueDates::certain(due) };
    let evidence = if reached {
        evidence
    } else {
        evidence.noting("above the limit, but not yet for long enough; it is due then if it stays there")
    };
    Assessment::dated(dates, summary, evidence)
}

#[cfg(test)]
#[path = "condition_tests.rs"]
mod tests;
