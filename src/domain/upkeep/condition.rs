//! When a reading is, or will be, above a limit for long enough.

use super::evidence::{Assessment, DueDates, Evidence, digits, is_stale};
use super::trend::{HORIZON_DAYS, Sample, THEIL_SEN_SOURCE, Trend, hours_between};
use crate::domain::calendar::Length;
use crate::domain::facility::MeasuredQuantity;
use chrono::{DateTime, TimeDelta, Utc};

/// The fewest readings that a trend is taken from.
const FEWEST: usize = 5;
/// The shortest time that a trend is taken over, hours.
const SHORTEST_HOURS: f64 = 24.0;
/// Readings older than this many days say nothing of the present level.
const STALE_DAYS: i64 = 7;
/// Trends are taken over at most this many days back.
pub(super) const WINDOW_DAYS: i64 = 120;

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

/// Judges readings, in order of time, taken after `since`.
pub(super) fn assess(
    condition: Condition,
    samples: &[Sample],
    since: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Assessment {
    let (word, unit) = (condition.quantity.word(), condition.quantity.unit());
    let from = since.max(now - TimeDelta::days(WINDOW_DAYS));
    let used: Vec<Sample> =
        samples.iter().filter(|sample| sample.at > from && sample.at <= now).copied().collect();
    let evidence = Evidence::new(
        "level against its limit; trend by the median of pairwise slopes (Theil-Sen), extrapolated",
        THEIL_SEN_SOURCE,
    )
    .with_readings(&used)
    .with("limit", condition.limit, unit);
    let Some(last) = used.last() else {
        return Assessment::unknown(format!("no reading of {word} since the last service"), evidence);
    };
    let evidence = evidence.with("last_reading", last.value, unit);
    if is_stale(last.at, now, STALE_DAYS) {
        let reason = format!("the last reading of {word} is more than {STALE_DAYS} days old");
        return Assessment::unknown(reason, evidence);
    }
    match above_since(condition, &used) {
        Some(first) => exceeded(condition, first, last, evidence),
        None => forecast(condition, &used, now, evidence),
    }
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
    let due = first + condition.sustained.map_or_else(TimeDelta::zero, |length| length.delta());
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

/// The level is below the limit: when the trend takes it there.
fn forecast(condition: Condition, samples: &[Sample], now: DateTime<Utc>, evidence: Evidence) -> Assessment {
    let word = condition.quantity.word();
    let spanned = match (samples.first(), samples.last()) {
        (Some(first), Some(last)) => hours_between(first.at, last.at),
        _ => 0.0,
    };
    let trend = Trend::of(samples).filter(|_| samples.len() >= FEWEST && spanned >= SHORTEST_HOURS);
    let Some(trend) = trend else {
        let reason = format!(
            "below the limit, but a trend of {word} needs {FEWEST} readings over {SHORTEST_HOURS} hours since \
             the last service"
        );
        return Assessment::unknown(reason, evidence);
    };
    let line = trend.line;
    let daily = |per_hour: f64| 24.0 * per_hour;
    let unit = format!("{} a day", condition.quantity.unit());
    let evidence = evidence
        .with_range("slope", daily(line.slope), (daily(line.low), daily(line.high)), &unit)
        .noting("80 % interval of the slope; the readings are taken as independent of each other");
    let evidence = match trend.condensed_hours {
        Some(hours) => evidence
            .noting(format!("medians of {hours} h each stand for the readings, {} in all", trend.count())),
        None => evidence,
    };
    let stay = condition.sustained.map_or_else(TimeDelta::zero, |length| length.delta());
    // A line that is above the limit already, while the last reading is not, says "any time now".
    let crossing = |slope| trend.rises_to(condition.limit, slope, now).map(|at| at.max(now) + stay);
    let Some(likely) = crossing(line.slope) else {
        let reason = if line.slope > 0.0 {
            format!("{word} rises too slowly to reach the limit within {HORIZON_DAYS} days")
        } else {
            format!("{word} is below the limit and does not rise")
        };
        return Assessment::not_in_sight(reason, evidence);
    };
    let latest = crossing(line.low).filter(|latest| *latest >= likely);
    let evidence = if latest.is_none() {
        evidence.noting("the slope's interval reaches down to no rise in the time looked at: no latest date")
    } else {
        evidence
    };
    let earliest = crossing(line.high).map(|earliest| earliest.min(likely));
    let summary = format!(
        "{} {} rising {} a day, limit {}",
        digits(samples.last().map_or(0.0, |last| last.value)),
        condition.quantity.unit(),
        digits(daily(line.slope)),
        digits(condition.limit),
    );
    Assessment::dated(DueDates { earliest, likely, latest }, summary, evidence)
}

#[cfg(test)]
mod tests {
    use super::super::evidence::Verdict;
    use super::*;
    use proptest::prelude::*;

    fn start() -> DateTime<Utc> {
        "2026-03-01T00:00:00Z".parse().unwrap()
    }

    fn at(hours: i64) -> DateTime<Utc> {
        start() + TimeDelta::hours(hours)
    }

    fn series(values: &[(i64, f64)]) -> Vec<Sample> {
        values.iter().map(|(hour, value)| Sample { at: at(*hour), value: *value }).collect()
    }

    fn oxygen() -> Condition {
        Condition {
            quantity: MeasuredQuantity::OxygenPpm,
            limit: 10.0,
            sustained: Some(Length::parse("PT6H").unwrap()),
        }
    }

    fn judge(values: &[(i64, f64)], now: i64) -> Verdict {
        assess(oxygen(), &series(values), start() - TimeDelta::hours(1), at(now)).verdict
    }

    #[test]
    fn a_level_sustained_above_its_limit_is_due_since_then() {
        let readings = [(0, 2.0), (2, 12.0), (4, 13.0), (6, 12.0), (8, 15.0), (9, 14.0)];
        assert_eq!(judge(&readings, 10), Verdict::Dated(DueDates::certain(at(8))));
    }

    #[test]
    fn a_level_that_came_back_is_not_due() {
        let verdict = judge(&[(0, 12.0), (2, 12.0), (4, 13.0), (6, 12.0), (8, 15.0), (30, 2.0)], 31);
        assert!(matches!(verdict, Verdict::NotInSight(_)), "{verdict:?}");
    }

    #[test]
    fn an_unseen_stretch_does_not_count_as_sustained() {
        let verdict = judge(&[(0, 12.0), (8, 12.0), (9, 12.0)], 10);
        assert_eq!(
            verdict,
            Verdict::Dated(DueDates { earliest: Some(at(14)), likely: at(14), latest: None })
        );
    }

    /// A straight line crosses where arithmetic says: 1 ppm plus 0.5 ppm a
    /// day reaches 10 ppm after 18 days.
    #[test]
    fn a_rising_level_is_due_where_its_line_crosses() {
        let readings: Vec<(i64, f64)> =
            (0..8_i32).map(|day| (24 * i64::from(day), 1.0 + 0.5 * f64::from(day))).collect();
        assert_eq!(judge(&readings, 24 * 7), Verdict::Dated(DueDates::certain(at(24 * 18 + 6))));
    }

    #[test]
    fn nothing_is_guessed() {
        assert!(matches!(judge(&[], 10), Verdict::Unknown(_)));
        assert!(matches!(judge(&[(0, 1.0), (1, 1.1)], 10), Verdict::Unknown(_)));
        let old: Vec<(i64, f64)> = (0..8_i32).map(|day| (24 * i64::from(day), f64::from(day))).collect();
        assert!(matches!(judge(&old, 24 * 15), Verdict::Unknown(_)));
    }

    #[test]
    fn a_slope_that_may_be_nought_has_no_latest_date() {
        let readings: Vec<(i64, f64)> =
            [1.0, 1.6, 0.9, 1.8, 1.1, 1.5, 1.3, 1.2].into_iter().zip(0..).map(|(v, d)| (24 * d, v)).collect();
        let found = assess(oxygen(), &series(&readings), start() - TimeDelta::hours(1), at(24 * 7));
        if let Verdict::Dated(due) = found.verdict {
            assert_eq!(due.latest, None);
        }
        let slope = found.evidence.parameters.iter().find(|parameter| parameter.name == "slope").unwrap();
        assert!(slope.low.unwrap() < 0.0 && slope.high.unwrap() > 0.0);
    }

    proptest! {
        #[test]
        fn dates_are_in_order(values in prop::collection::vec(0.0..9.9_f64, 5..60)) {
            let readings: Vec<(i64, f64)> = (0_i64..).map(|n| 12 * n).zip(values).collect();
            let now = readings.last().unwrap().0;
            if let Verdict::Dated(due) = judge(&readings, now) {
                prop_assert!(due.earliest.is_none_or(|earliest| earliest <= due.likely));
                prop_assert!(due.latest.is_none_or(|latest| due.likely <= latest));
                prop_assert!(due.likely >= at(now));
            }
        }
    }
}
