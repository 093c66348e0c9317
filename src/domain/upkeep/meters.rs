//! Meters: use since the last service, and when it reaches its limit.
//!
//! Use is logged to date; then the future is walked week by week. People book
//! late, so that only the bookings of the next two weeks count as they stand;
//! in each later week the larger of what is booked and the recent weekly use.

use super::evidence::{Assessment, DueDates, Evidence, digits, is_stale};
use super::quantiles;
use super::rules::Meter;
use super::trend::{HORIZON_DAYS, Sample, after_hours, hours_between};
use crate::domain::calendar::Interval;
use crate::domain::calendar::interval::merge;
use chrono::{DateTime, TimeDelta, Utc};

/// Weeks that the recent use is averaged over.
const WEEKS: i64 = 8;
/// Hours of a week.
const WEEK_HOURS: f64 = 168.0;
/// Weeks ahead in which bookings count as they stand.
const SETTLED_WEEKS: i64 = 2;
/// A counter not read for so long says nothing of the present.
const STALE_DAYS: i64 = 56;

const SOURCE: &str = "sums; 80 % interval of a mean by Student's t";

/// Weekly use and how sure it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct WeeklyRate {
    mean: f64,
    low: f64,
    high: f64,
}

impl WeeklyRate {
    /// The mean of at least two weeks with its 80 % interval; not below nought.
    #[expect(clippy::cast_precision_loss, reason = "at most eight weeks")]
    pub(super) fn of(weeks: &[f64]) -> Option<Self> {
        if weeks.len() < 2 {
            return None;
        }
        let n = weeks.len() as f64;
        let t = quantiles::student(0.9, n - 1.0);
        let mean = weeks.iter().sum::<f64>() / n;
        let variance = weeks.iter().map(|week| (week - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let half = t * (variance / n).sqrt();
        Some(Self { mean, low: (mean - half).max(0.0), high: mean + half })
    }
}

/// Use of a meter that is added up from intervals of use.
pub(super) struct Booked<'a> {
    /// The meter.
    pub(super) meter: Meter,
    /// Its limit.
    pub(super) limit: f64,
    /// Past use and the booked future.
    pub(super) intervals: &'a [Interval],
    /// The last service, or where the record begins.
    pub(super) since: DateTime<Utc>,
    /// Where the record of use begins.
    pub(super) recorded_from: DateTime<Utc>,
}

impl Booked<'_> {
    /// When the limit is reached.
    pub(super) fn assess(&self, now: DateTime<Utc>) -> Assessment {
        // Nobody works twice at one place at a time: overlaps count once.
        let all = merge(self.intervals.to_vec());
        let clip = |from, to| -> Vec<Interval> {
            let Ok(range) = Interval::new(from, to) else { return Vec::new() };
            all.iter().filter_map(|one| one.intersection(&range)).collect()
        };
        let horizon = now + TimeDelta::days(HORIZON_DAYS);
        let (past, ahead) = (clip(self.since, now), clip(now.max(self.since), horizon));
        let (used, booked) = (total(&past), total(&ahead));
        let unit = self.meter.unit();
        let evidence = Evidence::new(
            "logged use to date, then two weeks as booked, then in each week the larger of what is booked and the mean \
             weekly use of the last eight weeks",
            SOURCE,
        )
        .with("used", used, unit)
        .with("limit", self.limit, unit)
        .with("booked_ahead", booked, unit);
        let summary = format!("{} of {} {unit} used", digits(used), digits(self.limit));
        if let Some(reached) = reached(&past, self.limit) {
            return Assessment::dated(DueDates::certain(reached), summary, evidence);
        }
        let weeks = weeks_back(now, self.recorded_from.min(self.since))
            .map(|(from, to)| total(&clip(from.min(to), to)))
            .collect::<Vec<_>>();
        let rate = WeeklyRate::of(&weeks);
        let ahead = Ahead { now, remaining: self.limit - used, booked: &ahead, settled: SETTLED_WEEKS };
        ahead.assess(self.meter, rate, summary, evidence)
    }
}

/// The weeks before `now` that the record covers, latest first.
fn weeks_back(
    now: DateTime<Utc>,
    recorded_from: DateTime<Utc>,
) -> impl Iterator<Item = (DateTime<Utc>, DateTime<Utc>)> {
    (1..=WEEKS)
        .map(move |week| (now - TimeDelta::weeks(week), now - TimeDelta::weeks(week - 1)))
        .take_while(move |(from, _)| *from >= recorded_from)
}

/// What is left until the limit, and what is booked of it.
struct Ahead<'a> {
    now: DateTime<Utc>,
    remaining: f64,
    booked: &'a [Interval],
    /// Weeks in which nothing is expected beyond what is booked.
    settled: i64,
}

impl Ahead<'_> {
    fn assess(
        &self,
        meter: Meter,
        rate: Option<WeeklyRate>,
        summary: String,
        evidence: Evidence,
    ) -> Assessment {
        let unit = meter.unit();
        let evidence = match rate {
            Some(rate) => {
                evidence.with_range("weekly_use", rate.mean, (rate.low, rate.high), &format!("{unit} a week"))
            }
            None => {
                evidence.noting("less than two weeks of use are on record: no weekly use is taken from them")
            }
        };
        let Some(likely) = self.walk(rate.map_or(0.0, |rate| rate.mean), self.settled) else {
            return match rate {
                Some(rate) if rate.mean > 0.0 => Assessment::not_in_sight(
                    format!("{summary}; at the recent use the limit is more than {HORIZON_DAYS} days away"),
                    evidence,
                ),
                Some(_) => {
                    let reason =
                        format!("{summary}; not used of late, and the bookings do not reach the limit");
                    Assessment::not_in_sight(reason, evidence)
                }
                None => Assessment::unknown(
                    format!(
                        "{summary}; the bookings do not reach the limit, and the use on record is too short for a rate"
                    ),
                    evidence,
                ),
            };
        };
        let earliest =
            rate.and_then(|rate| self.walk(rate.high, 0)).map_or(likely, |early| early.min(likely));
        let latest = self.walk(rate.map_or(0.0, |rate| rate.low), self.settled);
        let evidence = evidence.noting(if self.settled > 0 {
            "people book late: in each week beyond the next two the larger of what is booked and the weekly use counts; \
             the earliest date takes its upper end, from now on, and the latest its lower end"
        } else {
            "the earliest date takes the upper end of the weekly use and the latest its lower end"
        });
        Assessment::dated(DueDates { earliest: Some(earliest), likely, latest }, summary, evidence)
    }

    /// When what remains is used up: what is booked as it stands and, beyond so
    /// many weeks, what each week is short of the weekly use, spread evenly.
    fn walk(&self, weekly: f64, settled: i64) -> Option<DateTime<Utc>> {
        let mut left = self.remaining;
        for week in 0..HORIZON_DAYS / 7 {
            let (from, to) = (self.now + TimeDelta::weeks(week), self.now + TimeDelta::weeks(week + 1));
            let range = Interval::new(from, to).ok()?;
            let booked: Vec<Interval> =
                self.booked.iter().filter_map(|one| one.intersection(&range)).collect();
            let short = if week < settled { 0.0 } else { (weekly - total(&booked)).max(0.0) };
            let even = short / WEEK_HOURS;
            let worked = booked.iter().flat_map(|one| [(one.start(), even), (one.end(), 1.0 + even)]);
            let mut at = from;
            for (until, pace) in worked.chain([(to, even)]) {
                let used = pace * hours_between(at, until);
                if pace > 0.0 && used >= left {
                    return after_hours(at, left / pace);
                }
                left -= used;
                at = until;
            }
        }
        None
    }
}

fn total(intervals: &[Interval]) -> f64 {
    intervals.iter().map(Interval::hours).sum()
}

/// When so many hours of the intervals, in order, have passed.
fn reached(intervals: &[Interval], hours: f64) -> Option<DateTime<Utc>> {
    let mut left = hours;
    for interval in intervals {
        if interval.hours() >= left {
            return after_hours(interval.start(), left);
        }
        left -= interval.hours();
    }
    None
}

/// Use of a meter that a counter reports.
pub(super) struct Counted<'a> {
    /// The meter.
    pub(super) meter: Meter,
    /// Its limit.
    pub(super) limit: f64,
    /// The counter's readings, in order of time.
    pub(super) samples: &'a [Sample],
    /// The last service, or where the record begins.
    pub(super) since: DateTime<Utc>,
    /// When what carries the counter was replaced by a new one.
    pub(super) replaced: &'a [DateTime<Utc>],
}

impl Counted<'_> {
    /// When the limit is reached.
    pub(super) fn assess(&self, now: DateTime<Utc>) -> Assessment {
        let (word, unit) = (self.meter.word(), self.meter.unit());
        let known: Vec<Sample> = self.samples.iter().filter(|sample| sample.at <= now).copied().collect();
        let Sums { sums, unseen } = running_sums(&known, self.replaced);
        let evidence = Evidence::new(
            "counter readings since the last service, then the mean weekly use of the last eight weeks",
            SOURCE,
        )
        .with("limit", self.limit, unit);
        let Some(last) = sums.last().copied() else {
            let reason = format!("no reading of {word}");
            return Assessment::unknown(reason, evidence.with_readings(&known));
        };
        let (base, evidence) = match at_instant(&sums, self.since) {
            Some(base) => (base, evidence),
            None => (
                0.0,
                evidence
                    .noting("the first reading is later than the last service: use before it is not counted"),
            ),
        };
        let evidence = if unseen.is_empty() {
            evidence
        } else {
            evidence.noting(
                "the part was replaced: what its counter showed before and after is not compared, and use between \
                 the two readings is not counted",
            )
        };
        let counted: Vec<Sample> = known.iter().filter(|sample| sample.at > self.since).copied().collect();
        let used = last.value - base;
        let evidence = evidence.with_readings(&counted).with("used", used, unit);
        let summary = format!("{} of {} {unit} used", digits(used), digits(self.limit));
        let past_limit = |after: &Sample| after.at > self.since && after.value - base >= self.limit;
        for (before, after) in sums.iter().zip(sums.iter().skip(1)) {
            if past_limit(after) {
                let reached = interpolate(before, after, base + self.limit).max(self.since);
                return Assessment::dated(DueDates::certain(reached), summary, evidence);
            }
        }
        if is_stale(last.at, now, STALE_DAYS) {
            let reason = format!("the last reading of {word} is more than {STALE_DAYS} days old");
            return Assessment::unknown(reason, evidence);
        }
        let first = sums.first().map_or(last.at, |first| first.at);
        let weeks: Vec<f64> = weeks_back(last.at, first)
            .filter(|(from, to)| !unseen.iter().any(|gap| gap.start() < *to && *from < gap.end()))
            .filter_map(|(from, to)| Some(at_instant(&sums, to)? - at_instant(&sums, from)?))
            .collect();
        // What was used between the last reading and a later service does not count.
        let from = last.at.max(self.since);
        let ahead = Ahead { now: from, remaining: self.limit - used, booked: &[], settled: 0 };
        ahead.assess(self.meter, WeeklyRate::of(&weeks), summary, evidence)
    }
}

/// A counter's readings as use.
pub(super) struct Sums {
    /// Use since the first reading, at each reading.
    pub(super) sums: Vec<Sample>,
    /// Between the last reading before a replacement and the first after it,
    /// where nobody saw how much was used.
    unseen: Vec<Interval>,
}

/// The counter as use since its first reading. A counter that falls below half
/// was reset to nought, and what it shows then is use; a smaller fall is a
/// correction or a second, coarser reading of it, and no use (our own rule).
/// A new part's counter may begin anywhere: the difference to what the old
/// one's showed is no use. A reading at the instant of a replacement is the
/// new part's.
pub(super) fn running_sums(samples: &[Sample], replaced: &[DateTime<Utc>]) -> Sums {
    let mut sums: Vec<Sample> = Vec::with_capacity(samples.len());
    let mut unseen = Vec::new();
    let mut previous: Option<f64> = None;
    for sample in samples {
        let last = sums.last().copied();
        let across = |before: &Sample| replaced.iter().any(|at| before.at < *at && *at <= sample.at);
        if let Some(before) = last.filter(across) {
            unseen.extend(Interval::new(before.at, sample.at));
            previous = None;
        }
        let step = previous.map_or(0.0, |before| match sample.value {
            value if value >= before => value - before,
            value if value < before / 2.0 => value,
            _ => 0.0,
        });
        sums.push(Sample { at: sample.at, value: last.map_or(0.0, |sum| sum.value) + step });
        // After a small fall the height already counted stands.
        previous =
            previous.filter(|before| (before / 2.0..*before).contains(&sample.value)).or(Some(sample.value));
    }
    Sums { sums, unseen }
}

/// The sum at an instant, evenly between the readings around it; after the
/// last reading, the last; `None` before the first.
pub(super) fn at_instant(sums: &[Sample], at: DateTime<Utc>) -> Option<f64> {
    let next = sums.partition_point(|sum| sum.at <= at);
    let before = sums.get(next.checked_sub(1)?)?;
    let Some(after) = sums.get(next) else { return Some(before.value) };
    let share = hours_between(before.at, at) / hours_between(before.at, after.at);
    Some(before.value + share * (after.value - before.value))
}

/// When the sum was at `value`, evenly between two readings.
fn interpolate(before: &Sample, after: &Sample, value: f64) -> DateTime<Utc> {
    let rise = after.value - before.value;
    let share = if rise > 0.0 { ((value - before.value) / rise).clamp(0.0, 1.0) } else { 1.0 };
    after_hours(before.at, share * hours_between(before.at, after.at)).unwrap_or(after.at)
}

#[cfg(test)]
mod tests {
    use super::super::evidence::Verdict;
    use super::*;

    fn now() -> DateTime<Utc> {
        "2026-03-02T00:00:00Z".parse().unwrap()
    }

    fn hours(n: i64) -> DateTime<Utc> {
        now() + TimeDelta::hours(n)
    }

    fn span(from: i64, to: i64) -> Interval {
        Interval::new(hours(from), hours(to)).unwrap()
    }

    fn weekly(hours_each: i64) -> Vec<Interval> {
        (1..=8).map(|week| span(-168 * week, -168 * week + hours_each)).collect()
    }

    fn booked(limit: f64, intervals: &[Interval]) -> Assessment {
        let since = now() - TimeDelta::weeks(8);
        Booked { meter: Meter::StationHours, limit, intervals, since, recorded_from: since }.assess(now())
    }

    #[test]
    fn the_date_lies_inside_the_booking_that_reaches_the_limit() {
        let mut intervals = weekly(10);
        intervals.extend([span(24, 32), span(48, 56)]);
        let Verdict::Dated(due) = booked(90.0, &intervals).verdict else { panic!("a date") };
        assert_eq!((due.likely, due.latest), (hours(50), Some(hours(50))));
        // Moving the second booking a day moves the date a day.
        intervals.pop();
        intervals.push(span(72, 80));
        let Verdict::Dated(moved) = booked(90.0, &intervals).verdict else { panic!("a date") };
        assert_eq!(moved.likely, hours(74));
    }

    /// 80 h used in eight equal weeks, 8 h booked in the next two: the 12 h left
    /// at 10 h a week take 1.2 weeks from then on.
    #[test]
    fn beyond_two_weeks_the_recent_weekly_use_goes_on() {
        let mut intervals = weekly(10);
        intervals.push(span(24, 32));
        let Verdict::Dated(due) = booked(100.0, &intervals).verdict else { panic!("a date") };
        assert_eq!(due.likely, hours(336) + TimeDelta::seconds(725_760));
        assert_eq!(due.latest, Some(due.likely));
        // From now on, booked or not, the use of late would take two weeks.
        assert_eq!(due.earliest, Some(hours(336)));
    }

    /// A lone booking of 4 h in the fourth week does not hide the usual 10 h of
    /// the third: 20 h are used by the end of the fourth.
    #[test]
    fn a_booking_far_ahead_does_not_hide_the_habit() {
        let mut intervals = weekly(10);
        intervals.push(span(168 * 3, 168 * 3 + 4));
        let Verdict::Dated(due) = booked(100.0, &intervals).verdict else { panic!("a date") };
        assert_eq!(due.likely, hours(168 * 4));
        // More than usual counts as booked: 10 h in the third week, 10 of 16 h in the fourth.
        intervals.pop();
        intervals.push(span(168 * 3, 168 * 3 + 16));
        let Verdict::Dated(due) = booked(100.0, &intervals).verdict else { panic!("a date") };
        assert_eq!(due.likely, hours(168 * 3 + 10));
        assert!(
            booked(100.0, &intervals).evidence.notes.iter().any(|note| note.contains("people book late"))
        );
    }

    #[test]
    fn use_past_the_limit_is_due_since_it_was_reached() {
        let found = booked(75.0, &weekly(10));
        assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(hours(-168 + 5))));
        assert_eq!(found.summary, "80 of 75 h used");
    }

    #[test]
    fn a_place_not_used_has_no_date_in_sight() {
        assert!(matches!(booked(500.0, &[]).verdict, Verdict::NotInSight(_)));
        let fresh = Booked {
            meter: Meter::StationHours,
            limit: 500.0,
            intervals: &[span(-5, -1)],
            since: hours(-24),
            recorded_from: hours(-24),
        };
        assert!(matches!(fresh.assess(now()).verdict, Verdict::Unknown(_)));
    }

    /// Hours 8, 10, 12, 10 of four weeks: mean 10, s = √(8/3), and t for three
    /// degrees of freedom 1.6377 (scipy 1.17.1, t.ppf(0.9, 3)): half width
    /// 1.6377·√(2/3) = 1.3372.
    #[test]
    fn the_weekly_rate_has_students_interval() {
        let rate = WeeklyRate::of(&[8.0, 10.0, 12.0, 10.0]).unwrap();
        assert!((rate.mean - 10.0).abs() < 1e-12);
        assert!((rate.high - 11.3372).abs() < 1e-4 && (rate.low - 8.6628).abs() < 1e-4);
        assert_eq!(WeeklyRate::of(&[8.0]), None);
    }

    fn counter(values: &[(i64, f64)]) -> Vec<Sample> {
        values.iter().map(|(hour, value)| Sample { at: hours(*hour), value: *value }).collect()
    }

    fn pump(limit: f64, since: DateTime<Utc>) -> Counted<'static> {
        Counted { meter: Meter::PumpHours, limit, samples: &[], since, replaced: &[] }
    }

    /// 20 h a week since a service half way between two readings.
    #[test]
    fn a_counter_is_extrapolated_at_its_recent_rate() {
        let samples = counter(
            &(-8..=0_i32).map(|w| (168 * i64::from(w), 1000.0 + 20.0 * f64::from(w))).collect::<Vec<_>>(),
        );
        let pump = Counted { samples: &samples, ..pump(100.0, hours(-168 - 84)) };
        let found = pump.assess(now());
        assert_eq!(found.summary, "30 of 100 h used");
        assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(hours(588))));
    }

    #[test]
    fn a_counter_that_was_reset_goes_on_counting() {
        let samples = counter(&[(-504, 900.0), (-336, 950.0), (-168, 10.0), (0, 60.0)]);
        let pump = Counted { samples: &samples, ..pump(100.0, hours(-504)) };
        // 50 h, then 10 h after the reset, then 50 h: the hundredth hour is at 4/5 of the last week.
        let Verdict::Dated(due) = pump.assess(now()).verdict else { panic!("a date") };
        assert_eq!(due.likely, hours(-168) + TimeDelta::minutes(168 * 48));
        assert!(matches!(Counted { samples: &[], ..pump }.assess(now()).verdict, Verdict::Unknown(_)));
    }

    /// A pump with 5000 h on its counter comes in half way between two readings:
    /// of 900 → 5010 h nothing is use, then 10 h and 30 h are.
    #[test]
    fn across_a_replacement_nothing_is_counted() {
        let readings =
            [(-672, 860.0), (-504, 880.0), (-336, 900.0), (-168, 5010.0), (-84, 5020.0), (0, 5050.0)];
        let samples = counter(&readings);
        let replaced = [hours(-252)];
        let new = Counted { samples: &samples, replaced: &replaced, ..pump(100.0, replaced[0]) };
        let found = new.assess(now());
        assert_eq!(found.summary, "40 of 100 h used");
        assert!(found.evidence.notes.iter().any(|note| note.contains("the part was replaced")));
        // 40 h in the last week, 20 h in each of the first two; the week of the
        // replacement was not seen: mean 80/3, so 60 h take 2.25 weeks.
        let Verdict::Dated(due) = found.verdict else { panic!("a date") };
        assert_eq!(due.likely, hours(378));
        // Without the replacement the jump would be use.
        let old = Counted { replaced: &[], ..new };
        assert_eq!(old.assess(now()).summary, "2095 of 100 h used");
    }

    #[test]
    fn a_reading_at_the_replacement_is_the_new_parts() {
        let samples = counter(&[(-336, 900.0), (-168, 3.0), (0, 23.0)]);
        let replaced = [hours(-168)];
        let new = Counted { samples: &samples, replaced: &replaced, ..pump(100.0, replaced[0]) };
        assert!(new.assess(now()).summary.starts_with("20 of 100 h used"));
        // Not read since: nothing is used, and the rate before goes on from the replacement.
        let steady = counter(&[(-504, 840.0), (-336, 860.0), (-168, 880.0)]);
        let replaced = [hours(-84)];
        let unread = Counted { samples: &steady, replaced: &replaced, ..pump(100.0, replaced[0]) };
        let found = unread.assess(now());
        assert_eq!(found.summary, "0 of 100 h used");
        assert_eq!(found.verdict, Verdict::Dated(DueDates::certain(hours(-84 + 5 * 168))));
    }
}
