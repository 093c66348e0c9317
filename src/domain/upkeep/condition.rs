//! When a reading is, or will be, above a limit for long enough: judged by
//! each sensor on its own, and the one that says so first governs.

use super::circulation::Circulation;
use super::evidence::{Assessment, DueDates, Evidence, Verdict, digits, is_stale};
use super::rise;
use super::sensors::{self, FaultKind, Inspected, SensorReadings, Silences, Worth};
use super::summed::Summed;
use super::trend::{Sample, hours_between};
use crate::domain::calendar::Length;
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

/// Readings older than this many days say nothing of the present level.
const STALE_DAYS: i64 = 7;
/// Trends are taken over at most this many days back.
pub(super) const WINDOW_DAYS: i64 = 120;
/// What is said of what sensors show, besides when they show nothing.
const SHOWN: [FaultKind; 5] =
    [FaultKind::Stuck, FaultKind::Saturated, FaultKind::Jump, FaultKind::Serviced, FaultKind::Lone];

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
    pub(super) circulation: Option<&'a Circulation>,
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

    /// Whether a sensor is judged by what it showed at an instant: a day longer
    /// than trends are taken over.
    fn is_late_enough(&self, at: DateTime<Utc>) -> bool {
        at > self.now - TimeDelta::days(WINDOW_DAYS + 1)
    }

    fn is_recent(&self, at: DateTime<Utc>) -> bool {
        at > self.start() && at <= self.now
    }

    /// What is wrong with the sensors, in sentences. What they show without
    /// circulation is no fault, and no silence either.
    fn told(&self, inspected: &[Inspected], unit: &str, everything: &[Silences]) -> Vec<String> {
        let shown = inspected.iter().flat_map(|one| one.told(&SHOWN, self.start(), unit, self.zone));
        let silent = everything.iter().flat_map(|one| one.told(self.start(), unit, self.zone));
        let mut told: Vec<String> = shown.chain(silent).collect();
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
    let lately = |point: &Summed| levels.is_late_enough(point.at);
    // On a whole day the circulation did not stand for long.
    let runs = |point: &Summed, gas: &Circulation| point.is_long() || gas.at(point.at).is_some();
    let counts = |point: &Summed| lately(point) && levels.circulation.is_none_or(|gas| runs(point, gas));
    let everything = sensors::silences(levels.sensors, lately, levels.now);
    let inspected = sensors::inspect_where(quantity, levels.sensors, counts, &levels.services, levels.now);
    let mut judged: Vec<(&Inspected, Assessment)> = inspected
        .iter()
        .map(|one| {
            let tail = tail_of(one, levels.sensors).iter().copied();
            let tail = tail.filter(|sample| counts(&Summed::single(*sample)));
            (one, judge(condition, one, &tail.collect::<Vec<_>>(), levels))
        })
        .collect();
    // Of equals the sensor with the most readings, which comes first.
    let governing = (0..judged.len()).min_by_key(|index| rank(&judged[*index].1.verdict));
    let left_out = levels.circulation.as_ref().map(|_| {
        let recent = |points: &mut dyn Iterator<Item = &Summed>| {
            points.filter(|point| levels.is_recent(point.at)).map(|point| u64::from(point.count)).sum::<u64>()
        };
        let all = recent(&mut everything.iter().flat_map(|one| &one.points));
        let count = all - recent(&mut inspected.iter().flat_map(Inspected::points).map(|(point, _)| point));
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

/// The last readings of a sensor one by one, where they were summed up.
fn tail_of<'a>(sensor: &Inspected, all: &'a [SensorReadings]) -> &'a [Sample] {
    let own = all.iter().find(|one| sensor.is_of(one));
    own.map_or(&[], SensorReadings::tail)
}

/// What one sensor says.
fn judge(condition: Condition, sensor: &Inspected, tail: &[Sample], levels: &Levels<'_>) -> Assessment {
    let (word, unit) = (condition.quantity.word(), condition.quantity.unit());
    let now = levels.now;
    let recent = |point: &Summed| levels.is_recent(point.at);
    let shown: Vec<Summed> = sensor.points().map(|(point, _)| *point).filter(recent).collect();
    let evidence = evidence(condition).with_summed(&shown);
    let Some(last) = shown.last().map(|point| point.last) else {
        return Assessment::unknown(format!("no reading of {word} since the last service"), evidence);
    };
    let evidence = evidence.with("last_reading", last.value, unit);
    // A fault must not hide an alarm: whatever was shown above the limit counts.
    let run = alarm(condition, sensor, tail, levels);
    let reached = run.filter(|(first, last)| *first + condition.stay() <= last.at);
    if let Some((first, last)) = reached {
        return exceeded(condition, first, &last, evidence);
    }
    if is_stale(last.at, now, STALE_DAYS) {
        let reason = format!("the last reading of {word} is more than {STALE_DAYS} days old");
        return Assessment::unknown(reason, evidence);
    }
    if let Some((first, last)) = run {
        return exceeded(condition, first, &last, evidence);
    }
    let believed: Vec<Sample> = sensor.believed().filter(|one| levels.is_recent(one.at)).collect();
    if believed.last().is_none_or(|last| is_stale(last.at, now, STALE_DAYS)) {
        let reason = format!("no reading of {word} in the last {STALE_DAYS} days can be believed");
        return Assessment::unknown(reason, evidence);
    }
    rise::forecast(condition, &believed, &sensor.steps, now, evidence)
}

/// Since when every reading is above the limit, and the last one; a stretch
/// without readings that is longer than the level must be sustained ends the
/// run, since nobody saw what it did. Readings below the limit that cannot be
/// believed do not count. Of an hour whose readings were summed up all must be
/// above, so that the run may begin up to an hour later than it did; of a whole
/// day long ago likewise.
fn alarm(
    condition: Condition,
    sensor: &Inspected,
    tail: &[Sample],
    levels: &Levels<'_>,
) -> Option<(DateTime<Utc>, Sample)> {
    let longest = condition.sustained.map_or(TimeDelta::hours(1), |length| length.delta());
    let above = |value: f64| value > condition.limit;
    let tail = &tail[..tail.partition_point(|sample| sample.at <= levels.now)];
    let whole = tail.first().map_or(DateTime::<Utc>::MAX_UTC, |first| first.at);
    let counts = |sample: &&Sample| above(sample.value) || sensor.worth_at(sample.at) == Worth::Good;
    let one_by_one = tail.iter().filter(counts).map(|sample| Summed::single(*sample));
    let before = sensor.alarming(condition.limit).filter(|point| point.last.at < whole);
    let mut run: Option<(DateTime<Utc>, Sample)> = None;
    for point in one_by_one.rev().chain(before.rev()) {
        if !levels.is_recent(point.at) {
            break;
        }
        let seen = run.is_none_or(|(later, _)| later - point.last.at <= longest);
        if !above(point.low) || !seen {
            break;
        }
        run = Some((point.first.at, run.map_or(point.last, |(_, last)| last)));
    }
    run
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
