//! When a level that is below a limit rises to it: the slope of its readings
//! since the last reset, and how sure the level is to have passed the limit
//! by some moment. Knows nothing of sensors' faults.

use super::condition::Condition;
use super::evidence::{Assessment, DueDates, Evidence, digits};
use super::level::{Ahead, CHANCES, EIGHTY, Fit, Grid, LevelModel, Observation, Prior};
use super::sensors::{NORMAL_MAD, last_digit};
use super::trend::{
    CONFIDENCE, HORIZON_DAYS, Sample, TheilSen, after_hours, hours_between, intercept, median, medians,
    theil_sen,
};
use chrono::{DateTime, TimeDelta, Utc};

/// How the dates are found, for evidence.
pub(super) const MODEL: &str = "level against its limit; slope by the median of pairwise slopes (Theil-Sen) with Sen's interval; dates from a \
     level that wanders while it rises, read with errors";
/// Where the methods come from, for evidence.
pub(super) const SOURCES: &str = "P. K. Sen, Journal of the American Statistical Association 63 (1968) 1379-1389; \
     Durbin and Koopman, Time Series Analysis by State Space Methods";

/// The fewest readings that a trend is taken from.
const FEWEST: usize = 5;
/// The shortest time that a trend is taken over, hours.
const SHORTEST_HOURS: f64 = 24.0;
/// Over so many days the medians of days stand for the readings, over twice as
/// many those of two days, so that what comes and goes with the day does not
/// count; over less, those of quarters of a day.
const DAYS_FOR_DAYS: f64 = 10.0;
/// Residuals of the line are cut at so many robust standard deviations.
const WINSORISED: f64 = 3.0;
/// A rise that is not clear at this confidence is told from none by nobody.
const EVEN: f64 = 0.5;
/// Intervals are widened by so much; see `tests/calibration`.
const MARGIN: f64 = 1.05;
/// Levels drift rather than wander: what a sensor's errors have in common from
/// reading to reading looks like wandering, and is none.
const GRID: Grid = Grid { wanderings: &[0.0, 0.02, 0.1], drifts: &[0.05, 0.2, 1.0, 4.0, 16.0] };
/// A sensor's errors hang together for a day or two: this share of a median's
/// variance is common to all of late, and not averaged out.
const COMMON: f64 = 1.8;
/// Readings as hours after the first and values.
type Points = Vec<(f64, f64)>;

/// The level is below the limit: when it rises to it. `steps` tells where the
/// readings jumped: the first one after each jump.
pub(super) fn forecast(
    condition: Condition,
    samples: &[Sample],
    steps: &[DateTime<Utc>],
    now: DateTime<Utc>,
    evidence: Evidence,
) -> Assessment {
    let word = condition.quantity.word();
    let jumped = |sample: &Sample| steps.partition_point(|step| *step <= sample.at);
    let stretches: Vec<&[Sample]> = samples.chunk_by(|one, other| jumped(one) == jumped(other)).collect();
    let present = stretches.last().copied().unwrap_or_default();
    let spanned = match (present.first(), present.last()) {
        (Some(first), Some(last)) => hours_between(first.at, last.at),
        _ => 0.0,
    };
    let Some(origin) = samples.first().map(|first| first.at) else {
        return Assessment::unknown(format!("no reading of {word} can be believed"), evidence);
    };
    let (points, bin) = condensed(present, origin);
    let enough = present.len() >= FEWEST && spanned >= SHORTEST_HOURS && points.len() >= 3;
    let Some(line) = theil_sen(&points, CONFIDENCE).filter(|_| enough) else {
        let what = if stretches.len() > 1 { "jump" } else { "service" };
        let reason = format!(
            "below the limit, but a trend of {word} needs {FEWEST} readings over {SHORTEST_HOURS} hours since the \
             last {what}"
        );
        return Assessment::unknown(reason, evidence);
    };
    let daily = |per_hour: f64| 24.0 * per_hour;
    let unit = format!("{} a day", condition.quantity.unit());
    let mut evidence = evidence
        .with_range("slope", daily(line.slope), (daily(line.low), daily(line.high)), &unit)
        .with("trend_hours", spanned, "h")
        .noting(
            "80 % interval of the slope; what it was taken through is taken as independent of each other",
        );
    if let Some(hours) = bin {
        let count = points.len();
        evidence =
            evidence.noting(format!("medians of {hours} h each stand for the readings, {count} in all"));
    }
    if stretches.len() > 1 {
        evidence = evidence.noting("the slope is that since the last jump");
    }
    let told_from_none = theil_sen(&points, EVEN).is_some_and(|even| even.low > 0.0);
    if line.slope <= 0.0 || !told_from_none {
        let reason = if line.slope > 0.0 {
            format!("{word} is below the limit, and its rise cannot be told from none")
        } else {
            format!("{word} is below the limit and does not rise")
        };
        return Assessment::not_in_sight(reason, evidence);
    }
    let climb = Climb { condition, origin, now, line };
    climb.assess(&stretches, evidence)
}

/// Medians of stretches of equal length, counted from the last reading, where
/// readings are closer than that; the length in hours where any were joined.
fn condensed(samples: &[Sample], origin: DateTime<Utc>) -> (Points, Option<i64>) {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return (Vec::new(), None) };
    let days = hours_between(first.at, last.at) / 24.0;
    let hours = if days >= 2.0 * DAYS_FOR_DAYS {
        48
    } else if days >= DAYS_FOR_DAYS {
        24
    } else {
        6
    };
    let condensed = medians(samples, hours);
    let points: Points =
        condensed.iter().map(|sample| (hours_between(origin, sample.at), sample.value)).collect();
    let joined = points.len() < samples.len();
    (points, joined.then_some(hours))
}

/// Values no farther from the line of that slope than so many robust standard deviations.
fn winsorised(points: &Points, slope: f64, floor: f64) -> Points {
    let Some(base) = intercept(points, slope) else { return points.clone() };
    let line = |x: f64| base + slope * x;
    let mut off: Vec<f64> = points.iter().map(|(x, y)| (y - line(*x)).abs()).collect();
    let most = (WINSORISED * NORMAL_MAD * median(&mut off).unwrap_or(0.0)).max(floor);
    points.iter().map(|(x, y)| (*x, y.clamp(line(*x) - most, line(*x) + most))).collect()
}

/// A level on its way up.
struct Climb {
    condition: Condition,
    origin: DateTime<Utc>,
    now: DateTime<Utc>,
    line: TheilSen,
}

impl Climb {
    fn assess(&self, stretches: &[&[Sample]], evidence: Evidence) -> Assessment {
        let (word, unit) = (self.condition.quantity.word(), self.condition.quantity.unit());
        let limit = self.condition.limit;
        let Some(fit) = self.fit(stretches) else {
            return Assessment::unknown(format!("no reading of {word} can be believed"), evidence);
        };
        let now = hours_between(self.origin, self.now);
        let common = COMMON * fit.reading_error().powi(2);
        let ahead = |hours: f64| ahead(hours, common);
        let level = fit.level(&ahead(now));
        let evidence = evidence
            .with_range(
                "level_now",
                level.mean,
                (level.mean - EIGHTY * level.sd, level.mean + EIGHTY * level.sd),
                unit,
            )
            .with("reading_error", fit.reading_error(), unit)
            .with("daily_wandering", fit.daily_wandering(), unit);
        let until = now + hours_between(self.now, self.now + TimeDelta::days(HORIZON_DAYS));
        let [earliest, likely, latest] = CHANCES.map(|chance| {
            let hours = fit.reaches(limit, chance, (now, until), ahead)?;
            Some(after_hours(self.now, hours - now)? + self.condition.stay())
        });
        let Some(likely) = likely else {
            let reason =
                format!("{word} rises too slowly to reach the limit for certain within {HORIZON_DAYS} days");
            return Assessment::not_in_sight(reason, evidence);
        };
        let pace = 24.0 * (limit - level.mean) / hours_between(self.now, likely).max(1.0);
        let evidence = evidence
            .with("pace_until_likely", pace, &format!("{unit} a day"))
            .noting("(limit - level_now) / pace_until_likely gives the days until the likely date; the pace is the slope, \
                 corrected by how the level moved of late")
            .noting("earliest and latest are the 10 % and 90 % points of a level above the limit");
        let evidence = match (latest, self.line.low > 0.0) {
            (Some(_), _) => evidence,
            (None, false) => evidence.noting("the slope's interval includes zero: no latest date"),
            (None, true) => {
                evidence.noting(format!("it may as well take more than {HORIZON_DAYS} days: no latest date"))
            }
        };
        let summary = format!(
            "{} {unit} rising {} a day, limit {}",
            digits(level.mean),
            digits(24.0 * self.line.slope),
            digits(limit),
        );
        Assessment::dated(DueDates { earliest, likely, latest }, summary, evidence)
    }

    fn fit(&self, stretches: &[&[Sample]]) -> Option<Fit<1>> {
        let step = stretches.iter().map(|stretch| last_digit(stretch)).reduce(f64::min).unwrap_or(1e-6);
        // Rounding to a step has the variance of step²/12.
        let least_error = (step / 12.0_f64.sqrt()).max(1e-6 * self.condition.limit);
        let segments = stretches.iter().map(|stretch| {
            let (points, _) = condensed(stretch, self.origin);
            let points = winsorised(&points, self.line.slope, step);
            let observed = |(hours, level): (f64, f64)| Observation { hours, level, causes: [hours] };
            points.into_iter().map(observed).collect()
        });
        let segments: Vec<Vec<Observation<1>>> = segments.collect();
        let model = LevelModel {
            // Half the limit in a day, up or down, is no belief worth the name.
            priors: [Prior { mean: 0.0, sd: self.condition.limit / 48.0 }],
            nonnegative: false,
            least_error,
            margin: MARGIN,
            grid: GRID,
        };
        model.fit(&segments)
    }
}

fn ahead(hours: f64, common: f64) -> Ahead<1> {
    Ahead { hours, causes: [hours], variances: [0.0], common }
}
