//! What draws the gas of a supply: a base that flows always, so much for each
//! hour of work at the boxes it feeds, and the gas of antechamber turns and
//! purges as computed, times a factor. The three are found from contents read
//! in the past; the booked future then tells when the contents reach a mark.
//!
//! Between two readings Δmol = base·Δt + hourly·hours + factor·computed, with
//! coefficients not below nought (Lawson and Hanson), priors where data are
//! few, and doubt from a state-space model of the readings (`level`).

use super::evidence::{DueDates, Evidence};
use super::level::{Ahead, Estimate, Fit, Grid, LevelModel, Observation, Prior};
use super::trend::{HORIZON_DAYS, Sample, after_hours, hours_between};
use super::use_ahead::{GasUse, Total, UseCurve};
use chrono::{DateTime, TimeDelta, Utc};

/// How the dates are found, for evidence.
pub(super) const MODEL: &str = "contents from pressure and temperature; drawn = base x time + hourly x hours of work \
                     + factor x computed antechamber and purge gas, not below nought; walked through the \
                     booked future";
/// Where the methods come from, for evidence.
pub(super) const SOURCES: &str = "Lawson and Hanson, Solving Least Squares Problems (NNLS); Durbin and Koopman, Time \
                       Series Analysis by State Space Methods";

/// A box draws next to nothing to many moles an hour: no belief worth the name.
const BASE: Prior = Prior { mean: 0.0, sd: 10.0 };
/// Moving gloves and keeping the pressure take some gas, about 4 NL an hour
/// (common practice, no source); data soon outweigh it.
const HOURLY: Prior = Prior { mean: 0.2, sd: 0.3 };
/// Computed antechamber gas is drawn as computed, give or take.
const FACTOR: Prior = Prior { mean: 1.0, sd: 0.3 };
/// A pressure is hardly read better than this share of a filling.
const LEAST_ERROR: f64 = 0.0005;

/// Intervals are widened by so much; see `tests/calibration`.
const MARGIN: f64 = 1.08;

/// The chances at which the earliest, likely and latest dates stand.
const CHANCES: [f64; 3] = [0.1, 0.5, 0.9];

/// Standard deviations from the mean to either end of an 80 % interval.
const EIGHTY: f64 = 1.281_552;

/// How a supply's gas is drawn.
pub(super) struct Draw {
    fit: Fit<3>,
    curve: UseCurve,
    now: DateTime<Utc>,
    /// Hours of work from the first reading until now.
    worked: f64,
    /// Hours of work booked from now on.
    booked: f64,
}

impl Draw {
    /// Learns from contents read in the past, in stretches over which gas was
    /// only drawn, the last one the present; `filled` is what the cylinders
    /// hold when filled. All in mol. `None` without a reading in the last one.
    pub(super) fn learn(
        segments: &[Vec<Sample>],
        uses: &[GasUse],
        filled: f64,
        now: DateTime<Utc>,
    ) -> Option<Self> {
        let origin = segments.iter().flatten().map(|sample| sample.at).min()?;
        let curve = UseCurve::new(uses, origin, now);
        let observed = |sample: &Sample| {
            let hours = hours_between(origin, sample.at);
            let Total { hours: worked, computed_mol } = curve.until(hours);
            Observation { hours, level: -sample.value, causes: [hours, worked, computed_mol] }
        };
        let observations: Vec<Vec<Observation<3>>> =
            segments.iter().map(|segment| segment.iter().map(observed).collect()).collect();
        let model = LevelModel {
            priors: [BASE, HOURLY, FACTOR],
            nonnegative: true,
            least_error: LEAST_ERROR * filled,
            margin: MARGIN,
            grid: Grid::WIDE,
        };
        let (worked, booked) =
            (hours_of_work(uses, origin, now), hours_of_work(uses, now, DateTime::<Utc>::MAX_UTC));
        Some(Self { fit: model.fit(&observations)?, curve, now, worked, booked })
    }

    fn ahead(&self, hours: f64) -> Ahead<3> {
        let Total { hours: worked, computed_mol } = self.curve.until(hours);
        let unsure = self.curve.variance(hours);
        Ahead {
            hours,
            causes: [hours, worked, computed_mol],
            variances: [0.0, unsure.hours, unsure.computed_mol],
            common: 0.0,
        }
    }

    /// What is left at a moment, mol.
    pub(super) fn left(&self, at: DateTime<Utc>) -> Estimate {
        let Estimate { mean, sd } = self.fit.level(&self.ahead(self.curve.hours_at(at)));
        Estimate { mean: -mean, sd }
    }

    /// What is left at a moment, mol: low, likely and high of the 80 % interval.
    pub(super) fn band(&self, at: DateTime<Utc>) -> (f64, f64, f64) {
        let Estimate { mean, sd } = self.left(at);
        ((mean - EIGHTY * sd).max(0.0), mean.max(0.0), (mean + EIGHTY * sd).max(0.0))
    }

    /// What is drawn from one moment to a later one, mol.
    pub(super) fn drawn(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Estimate {
        self.fit.change(&self.ahead(self.curve.hours_at(from)), &self.ahead(self.curve.hours_at(to)))
    }

    /// What is drawn in a day, mol: low, likely and high of the 80 % interval,
    /// as the mean from now until `until`, though of a day at least.
    pub(super) fn daily(&self, until: DateTime<Utc>) -> (f64, f64, f64) {
        let until = until.max(self.now + TimeDelta::days(1));
        let days = hours_between(self.now, until) / 24.0;
        let Estimate { mean, sd } = self.drawn(self.now, until);
        ((mean - EIGHTY * sd).max(0.0) / days, mean / days, (mean + EIGHTY * sd) / days)
    }

    /// When no more than `mark` mol are left; `None` where that is not likely
    /// within the horizon.
    pub(super) fn reaches(&self, mark: f64) -> Option<DueDates> {
        let from = self.curve.hours_at(self.now);
        let until = from + hours_between(self.now, self.now + TimeDelta::days(HORIZON_DAYS));
        let [earliest, likely, latest] = CHANCES.map(|chance| {
            let hours = self.fit.reaches(-mark, chance, (from, until), |hours| self.ahead(hours))?;
            after_hours(self.now, hours - from)
        });
        likely.map(|likely| DueDates { earliest, likely, latest })
    }

    /// The figures that the date follows from, for someone to add up: what is
    /// usable = base·hours + hourly·work + factor·computed gas until `until`.
    pub(super) fn explain(&self, evidence: Evidence, until: DateTime<Utc>) -> Evidence {
        let range = |index: usize| {
            let Estimate { mean, sd } = self.fit.coefficient(index);
            (mean, ((mean - EIGHTY * sd).max(0.0), mean + EIGHTY * sd))
        };
        let ([base, hourly, factor], weekly) = ([0, 1, 2].map(range), self.curve.weekly());
        let (from, to) = (self.curve.hours_at(self.now), self.curve.hours_at(until));
        let (before, after) = (self.curve.until(from), self.curve.until(to));
        let ahead = if self.curve.learned() {
            "to what is booked comes what people used to book later than so long ahead, at the usual weekly rate"
        } else {
            "bookings of the next two weeks count as they stand; in each later week the larger of what is booked and \
             the usual week counts"
        };
        evidence
            .with_range("base_draw", base.0, base.1, "mol/h")
            .with_range("draw_per_hour_of_work", hourly.0, hourly.1, "mol/h")
            .with_range("factor_on_computed_gas", factor.0, factor.1, "1")
            .with("hours_until_likely", to - from, "h")
            .with("work_until_likely", after.hours - before.hours, "h")
            .with("computed_gas_until_likely", after.computed_mol - before.computed_mol, "mol")
            .with("work_since_first_reading", self.worked, "h")
            .with("booked_work", self.booked, "h")
            .with("usual_weekly_work", weekly.mean.hours, "h a week")
            .with("usual_weekly_computed_gas", weekly.mean.computed_mol, "mol a week")
            .with("reading_error", self.fit.reading_error(), "mol")
            .with("daily_wandering", self.fit.daily_wandering(), "mol")
            .noting(ahead)
            .noting("earliest and latest are the 10 % and 90 % points; ranges hold 80 %")
    }

    /// The standard deviation of a reading's error, mol.
    pub(super) fn reading_error(&self) -> f64 {
        self.fit.reading_error()
    }

    /// How many readings it rests on.
    pub(super) const fn readings(&self) -> usize {
        self.fit.readings()
    }
}

/// Hours of work between two moments.
fn hours_of_work(uses: &[GasUse], from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    let within = |one: &GasUse| hours_between(one.interval.start().max(from), one.interval.end().min(to));
    uses.iter().map(|one| within(one).max(0.0)).sum()
}
