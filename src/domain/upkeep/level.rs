//! A level that was read with errors while it moved: what it is, what moves
//! it, and how sure it is to have passed a mark by some moment. Knows numbers
//! and hours only.
//!
//! The level is `c + Σ βₖ·xₖ(t) + w(t) + ∫s dt`: a start that is unknown anew
//! in each segment, known cumulative causes with coefficients common to all
//! segments, a wandering `w` of independent steps, and a rate `s` that drifts
//! about nought and forgets where it was within some weeks. Each reading
//! adds an error. Given how large wandering and drift are against the error,
//! a Kalman filter makes the readings independent of each other, and the
//! coefficients follow by least squares with priors, not below nought where
//! they cannot be. How large they are is not known: each of a grid of values
//! is weighed by how well it explains the readings, so that few readings give
//! wide intervals.
//!
//! Source: J. Durbin, S. J. Koopman, "Time Series Analysis by State Space
//! Methods", 2nd ed., Oxford 2012, sections 4.3 (filter) and 6.2 (regression);
//! the drifting rate is an Ornstein-Uhlenbeck process, integrated.

use super::nnls::nnls;
use super::triangle::Triangle;
use statrs::distribution::{ContinuousCDF as _, StudentsT};

/// How a level may move besides its causes; each pair of the two is weighed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Wandering against reading error over one usual step, as variances.
    pub wanderings: &'static [f64],
    /// What the drift of the rate moves the level in its memory, against reading
    /// error and wandering in that time, as variances.
    pub drifts: &'static [f64],
}

impl Grid {
    /// Next to none up to far more than the reading error, of either.
    pub const WIDE: Self =
        Self { wanderings: &[0.0, 0.01, 0.1, 0.5, 2.0, 20.0, 1000.0], drifts: &[0.3, 1.2, 5.0, 20.0, 80.0] };
}

/// The chances at which the earliest, likely and latest dates stand.
pub const CHANCES: [f64; 3] = [0.1, 0.5, 0.9];
/// Standard deviations from the mean to either end of an 80 % interval.
pub const EIGHTY: f64 = 1.281_552;

/// A rate forgets where it was within so many hours: twenty days, our own
/// choice between a spell of weather and a change of the people who come.
const MEMORY_HOURS: f64 = 480.0;

/// One reading, with what has moved the level until then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation<const P: usize> {
    /// When, hours after an origin of one's own.
    pub hours: f64,
    /// What was read.
    pub level: f64,
    /// The causes, each summed up since the origin.
    pub causes: [f64; P],
}

/// What is believed of a coefficient before any reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// The most likely value.
    pub mean: f64,
    /// Its standard deviation.
    pub sd: f64,
}

/// How readings are judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelModel<const P: usize> {
    /// What is believed of each coefficient before any reading.
    pub priors: [Prior; P],
    /// Whether coefficients cannot be below nought.
    pub nonnegative: bool,
    /// A reading is hardly better than this, in its own unit: what a dial shows.
    pub least_error: f64,
    /// Standard deviations of forecasts are widened by this factor: the world
    /// is not the model. Found by calibration.
    pub margin: f64,
    /// How the level may move besides its causes.
    pub grid: Grid,
}

/// How the level moves besides its causes; variances as multiples of a
/// reading error's.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Motion {
    /// Variance of the wandering, an hour.
    wandering: f64,
    /// Variance of the rate, per hour squared.
    rate: f64,
}

/// A level and its drifting rate, with their covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
struct State<const P: usize> {
    level: f64,
    rate: f64,
    /// The same of each cause, as the filter attributes them.
    level_causes: [f64; P],
    rate_causes: [f64; P],
    level_variance: f64,
    covariance: f64,
    rate_variance: f64,
}

/// What the readings say for one motion.
#[derive(Debug, Clone, PartialEq)]
struct Component<const P: usize> {
    weight: f64,
    /// Variance of a reading's error.
    variance: f64,
    /// Degrees of freedom of that.
    freedom: f64,
    motion: Motion,
    coefficients: [f64; P],
    /// Covariance of the coefficients as a multiple of the variance.
    covariance: [[f64; P]; P],
    /// Where the filter stands after the last reading.
    state: State<P>,
}

/// What readings say of the level and of what moves it.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit<const P: usize> {
    components: Vec<Component<P>>,
    margin: f64,
    last_hours: f64,
    readings: usize,
}

/// A number that is not known well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The mean.
    pub mean: f64,
    /// The standard deviation.
    pub sd: f64,
}

/// A moment at which the level is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ahead<const P: usize> {
    /// When, hours after the origin.
    pub hours: f64,
    /// The causes until then, as far as they are foreseen.
    pub causes: [f64; P],
    /// How sure they are foreseen: the variance of each.
    pub variances: [f64; P],
    /// A variance that adds to the level's own: of errors that readings have in
    /// common, which many of them do not average out.
    pub common: f64,
}

/// The filter's output for one motion: readings made independent of each other.
struct Whitened<const P: usize> {
    readings: Triangle<P>,
    log_determinant: f64,
    state: State<P>,
}

impl<const P: usize> LevelModel<P> {
    /// Judges readings, each segment in order of time and the segments too;
    /// the last one tells the present level. `None` without any reading in it.
    pub fn fit(&self, segments: &[Vec<Observation<P>>]) -> Option<Fit<P>> {
        let last = segments.last()?.last()?;
        let step = usual_step(segments);
        let passages = passages(segments);
        let Grid { wanderings, drifts } = self.grid;
        let motions = wanderings
            .iter()
            .flat_map(|wandering| drifts.iter().map(move |drift| Motion::of(wandering / step, *drift)));
        let scored: Vec<(f64, Component<P>)> =
            motions.map(|motion| self.component(segments, &passages, motion)).collect();
        let best = scored.iter().map(|(score, _)| *score).fold(f64::NEG_INFINITY, f64::max);
        let likely = scored.into_iter().map(|(score, one)| ((score - best).exp(), one));
        let likely: Vec<(f64, Component<P>)> = likely.filter(|(weight, _)| *weight > 1e-4).collect();
        let total: f64 = likely.iter().map(|(weight, _)| weight).sum();
        let components =
            likely.into_iter().map(|(weight, one)| Component { weight: weight / total, ..one }).collect();
        let readings = segments.iter().map(Vec::len).sum();
        Some(Fit { components, margin: self.margin, last_hours: last.hours, readings })
    }

    /// What the readings say for one motion, and the logarithm of its weight.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    fn component(
        &self,
        segments: &[Vec<Observation<P>>],
        passages: &[Passage],
        motion: Motion,
    ) -> (f64, Component<P>) {
        let white = whiten(segments, passages, motion);
        // Half a reading's worth of belief in the least error keeps the
        // variance from nought where readings fall on a line.
        let (belief, least) = (0.5, self.least_error * self.least_error);
        let freedom = (white.readings.count().saturating_sub(P) as f64).max(1.0) + belief;
        let mut variance = white.readings.spread().max(least);
        let mut coefficients = [0.0; P];
        for _ in 0..4 {
            coefficients = self.regress(&white.readings, variance);
            let rest = white.readings.left_by(&coefficients);
            variance = ((rest + belief * least) / freedom).max(0.05 * least);
        }
        let information = self.information(&white.readings, variance);
        let (covariance, log_information) = inverse(&information);
        let score = -0.5 * (freedom * variance.ln() + white.log_determinant + log_information);
        let component = Component {
            weight: 0.0,
            variance,
            freedom,
            motion,
            coefficients,
            covariance,
            state: white.state,
        };
        (score, component)
    }

    fn regress(&self, readings: &Triangle<P>, variance: f64) -> [f64; P] {
        let mut all = *readings;
        for (index, prior) in self.priors.iter().enumerate() {
            let weight = variance.sqrt() / prior.sd;
            all.absorb(
                std::array::from_fn(|column| if column == index { weight } else { 0.0 }),
                weight * prior.mean,
            );
        }
        let mut coefficients = [0.0; P];
        if self.nonnegative {
            let rows: Vec<Vec<f64>> = all.rows().iter().map(|row| row.to_vec()).collect();
            coefficients.copy_from_slice(&nnls(&rows, all.targets()));
            return coefficients;
        }
        // The priors leave no nought on the diagonal: solved from below.
        for row in (0..P).rev() {
            let known: f64 = (row + 1..P).map(|later| all.rows()[row][later] * coefficients[later]).sum();
            coefficients[row] = (all.targets()[row] - known) / all.rows()[row][row];
        }
        coefficients
    }

    /// The information on the coefficients, as a multiple of 1/variance.
    fn information(&self, readings: &Triangle<P>, variance: f64) -> [[f64; P]; P] {
        let mut sum = [[0.0; P]; P];
        for row in readings.rows() {
            for (line, a) in sum.iter_mut().zip(row) {
                line.iter_mut().zip(row).for_each(|(cell, b)| *cell += a * b);
            }
        }
        for (index, prior) in self.priors.iter().enumerate() {
            sum[index][index] += variance / (prior.sd * prior.sd);
        }
        sum
    }
}

/// Runs the filter over each segment for the readings and for every cause.
/// Where a segment begins the level is unknown; the rate goes on. `passages` are those
/// to each reading.
fn whiten<const P: usize>(
    segments: &[Vec<Observation<P>>],
    passages: &[Passage],
    motion: Motion,
) -> Whitened<P> {
    let mut state = State::unknown(motion);
    let (mut readings, mut log_determinant) = (Triangle::new(), 0.0);
    let observed = segments
        .iter()
        .flat_map(|segment| segment.iter().enumerate().map(|(place, observation)| (place == 0, observation)));
    for ((begins, next), passage) in observed.zip(passages) {
        state = state.after(passage, motion);
        if begins {
            state = state.restarted(next);
            continue;
        }
        let total = state.level_variance + 1.0;
        let root = total.sqrt();
        let causes = difference(&next.causes, &state.level_causes).map(|x| x / root);
        readings.absorb(causes, (next.level - state.level) / root);
        log_determinant += total.ln();
        state = state.having_read(next);
    }
    Whitened { readings, log_determinant, state }
}

/// Some hours that pass, and what they come to for whatever motion.
#[derive(Debug, Clone, Copy)]
struct Passage {
    hours: f64,
    /// What a rate moves the level in that time, if it is left alone.
    reach: f64,
    /// What is left of a rate.
    kept: f64,
    /// What a rate's drift moves the level, as a multiple of its variance.
    drifted: f64,
}

impl Passage {
    fn of(hours: f64) -> Self {
        let (kept, span) = ((-hours / MEMORY_HOURS).exp(), hours / MEMORY_HOURS);
        let drifted = (2.0 * span - 3.0 + 4.0 * kept - kept * kept).max(0.0);
        Self { hours, reach: MEMORY_HOURS * -(-hours / MEMORY_HOURS).exp_m1(), kept, drifted }
    }
}

/// What passes until each reading, one after the other; worked out once for all motions,
/// since exponentials take longer than all the rest of a step.
fn passages<const P: usize>(segments: &[Vec<Observation<P>>]) -> Vec<Passage> {
    let mut last: Option<f64> = None;
    let mut passages: Vec<Passage> = Vec::with_capacity(segments.iter().map(Vec::len).sum());
    for observation in segments.iter().flatten() {
        let hours = last.map_or(0.0, |last| observation.hours - last).max(0.0);
        // Readings are evenly apart mostly.
        let same = passages.last().filter(|before| before.hours.to_bits() == hours.to_bits());
        passages.push(same.copied().unwrap_or_else(|| Passage::of(hours)));
        last = Some(observation.hours);
    }
    passages
}

impl Motion {
    /// A motion of that wandering an hour, whose drift moves the level in its
    /// memory by `drift` times what errors and wandering do.
    fn of(wandering: f64, drift: f64) -> Self {
        let moved = drift * (1.0 + wandering * MEMORY_HOURS);
        Self { wandering, rate: moved / (MEMORY_HOURS * MEMORY_HOURS) }
    }

    /// Variance that some hours add to the level.
    fn spread(self, passage: &Passage) -> f64 {
        self.wandering * passage.hours + self.rate * MEMORY_HOURS * MEMORY_HOURS * passage.drifted
    }
}

impl<const P: usize> State<P> {
    /// Nothing is known but how rates usually are.
    const fn unknown(motion: Motion) -> Self {
        Self {
            level: 0.0,
            rate: 0.0,
            level_causes: [0.0; P],
            rate_causes: [0.0; P],
            level_variance: 1.0,
            covariance: 0.0,
            rate_variance: motion.rate,
        }
    }

    /// Some hours later.
    fn after(self, passage: &Passage, motion: Motion) -> Self {
        let Passage { reach, kept, .. } = *passage;
        let moved = |level: [f64; P], rate: [f64; P]| std::array::from_fn(|k| level[k] + reach * rate[k]);
        let added = motion.rate * MEMORY_HOURS * (1.0 - kept) * (1.0 - kept);
        Self {
            level: self.level + reach * self.rate,
            rate: kept * self.rate,
            level_causes: moved(self.level_causes, self.rate_causes),
            rate_causes: self.rate_causes.map(|rate| kept * rate),
            level_variance: self.level_variance
                + 2.0 * reach * self.covariance
                + reach * reach * self.rate_variance
                + motion.spread(passage),
            covariance: kept * (self.covariance + reach * self.rate_variance) + added,
            rate_variance: kept * kept * self.rate_variance + motion.rate * (1.0 - kept * kept),
        }
    }

    /// With a level that this reading alone tells.
    fn restarted(self, first: &Observation<P>) -> Self {
        Self { level: first.level, level_causes: first.causes, level_variance: 1.0, covariance: 0.0, ..self }
    }

    /// After a reading.
    fn having_read(self, reading: &Observation<P>) -> Self {
        let total = self.level_variance + 1.0;
        let (gain, rate_gain) = (self.level_variance / total, self.covariance / total);
        let surprise = reading.level - self.level;
        let causes = difference(&reading.causes, &self.level_causes);
        let corrected = |from: [f64; P], gain: f64| std::array::from_fn(|k| from[k] + gain * causes[k]);
        Self {
            level: self.level + gain * surprise,
            rate: self.rate + rate_gain * surprise,
            level_causes: corrected(self.level_causes, gain),
            rate_causes: corrected(self.rate_causes, rate_gain),
            level_variance: gain,
            covariance: self.covariance * (1.0 - gain),
            rate_variance: self.rate_variance - rate_gain * self.covariance,
        }
    }
}

/// The median time between readings of a segment, hours.
fn usual_step<const P: usize>(segments: &[Vec<Observation<P>>]) -> f64 {
    let steps = segments.iter().flat_map(|segment| segment.windows(2));
    let mut steps: Vec<f64> = steps.map(|pair| pair[1].hours - pair[0].hours).collect();
    super::trend::median(&mut steps).filter(|step| *step > 0.0).unwrap_or(1.0)
}

fn product(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn difference<const P: usize>(a: &[f64; P], b: &[f64; P]) -> [f64; P] {
    std::array::from_fn(|index| a[index] - b[index])
}

/// The inverse of a symmetric positive definite matrix and the logarithm of
/// its determinant, by elimination.
fn inverse<const P: usize>(matrix: &[[f64; P]; P]) -> ([[f64; P]; P], f64) {
    let mut left = *matrix;
    let mut right = [[0.0; P]; P];
    for (index, row) in right.iter_mut().enumerate() {
        row[index] = 1.0;
    }
    let mut log_determinant = 0.0;
    for pivot in 0..P {
        let divisor = left[pivot][pivot].max(f64::MIN_POSITIVE);
        log_determinant += divisor.ln();
        left[pivot].iter_mut().chain(right[pivot].iter_mut()).for_each(|cell| *cell /= divisor);
        let (pivot_left, pivot_right) = (left[pivot], right[pivot]);
        for row in (0..P).filter(|row| *row != pivot) {
            let factor = left[row][pivot];
            left[row].iter_mut().zip(&pivot_left).for_each(|(cell, p)| *cell -= factor * p);
            right[row].iter_mut().zip(&pivot_right).for_each(|(cell, p)| *cell -= factor * p);
        }
    }
    (right, log_determinant)
}

impl<const P: usize> Component<P> {
    /// The level at a moment: mean and standard deviation.
    fn level(&self, last_hours: f64, ahead: &Ahead<P>) -> (f64, f64) {
        let state = self.state.after(&Passage::of((ahead.hours - last_hours).max(0.0)), self.motion);
        let lever = difference(&ahead.causes, &state.level_causes);
        let mean = state.level + product(&lever, &self.coefficients);
        let variance = self.variance * (state.level_variance + self.doubt(&lever))
            + self.unforeseen(&ahead.variances)
            + ahead.common;
        (mean, variance.sqrt())
    }

    /// The change between two moments: mean and variance.
    fn change(&self, last_hours: f64, from: &Ahead<P>, to: &Ahead<P>) -> (f64, f64) {
        let state = self.state.after(&Passage::of((from.hours - last_hours).max(0.0)), self.motion);
        let passage = Passage::of((to.hours - from.hours).max(0.0));
        let reach = passage.reach;
        let moved: [f64; P] =
            std::array::from_fn(|k| to.causes[k] - from.causes[k] - reach * state.rate_causes[k]);
        let mean = product(&moved, &self.coefficients) + reach * state.rate;
        let wandered = self.motion.spread(&passage) + reach * reach * state.rate_variance;
        let unforeseen = self.unforeseen(&difference(&to.variances, &from.variances));
        (mean, self.variance * (wandered + self.doubt(&moved)) + unforeseen.max(0.0))
    }

    /// What not knowing the coefficients adds, as a multiple of the variance.
    fn doubt(&self, lever: &[f64; P]) -> f64 {
        let doubt: f64 = lever.iter().zip(&self.covariance).map(|(one, row)| one * product(row, lever)).sum();
        doubt.max(0.0)
    }

    /// What not knowing the causes adds.
    fn unforeseen(&self, variances: &[f64; P]) -> f64 {
        self.coefficients.iter().zip(variances).map(|(beta, variance)| beta * beta * variance).sum()
    }
}

impl<const P: usize> Fit<P> {
    /// How many readings it rests on.
    pub const fn readings(&self) -> usize {
        self.readings
    }

    /// A coefficient: its mean and standard deviation over all that is possible.
    pub fn coefficient(&self, index: usize) -> Estimate {
        mixed(self.components.iter().map(|one| {
            let variance = one.variance * one.covariance[index][index] * widened(one.freedom);
            (one.weight, one.coefficients[index], variance)
        }))
    }

    /// The standard deviation of a reading's error.
    pub fn reading_error(&self) -> f64 {
        self.components.iter().map(|one| one.weight * one.variance).sum::<f64>().sqrt()
    }

    /// The standard deviation of what the level moves in a day without a cause.
    pub fn daily_wandering(&self) -> f64 {
        let passage = Passage::of(24.0);
        let day = |one: &Component<P>| {
            one.variance * (one.motion.spread(&passage) + passage.reach * passage.reach * one.motion.rate)
        };
        self.components.iter().map(|one| one.weight * day(one)).sum::<f64>().sqrt()
    }

    /// The level at a moment.
    pub fn level(&self, ahead: &Ahead<P>) -> Estimate {
        mixed(self.components.iter().map(|one| {
            let (mean, sd) = one.level(self.last_hours, ahead);
            (one.weight, mean, (self.margin * sd).powi(2) * widened(one.freedom))
        }))
    }

    /// How much the level changes from one moment to a later one.
    pub fn change(&self, from: &Ahead<P>, to: &Ahead<P>) -> Estimate {
        mixed(self.components.iter().map(|one| {
            let (mean, variance) = one.change(self.last_hours, from, to);
            (one.weight, mean, self.margin.powi(2) * variance * widened(one.freedom))
        }))
    }

    /// How likely the level is at or above `mark` at a moment.
    pub fn chance_above(&self, mark: f64, ahead: &Ahead<P>) -> f64 {
        let chance = |one: &Component<P>| {
            let (mean, sd) = one.level(self.last_hours, ahead);
            one.weight * student((mean - mark) / (self.margin * sd), one.freedom)
        };
        self.components.iter().map(chance).sum()
    }

    /// Whether the level is at or above `mark` with that chance at a moment: as soon as
    /// what is left to be weighed can no longer change it.
    fn is_above(&self, mark: f64, chance: f64, ahead: &Ahead<P>) -> bool {
        const ROUNDING: f64 = 1e-9;
        let (mut found, mut left) = (0.0, 1.0 + ROUNDING);
        for one in &self.components {
            let (mean, sd) = one.level(self.last_hours, ahead);
            found += one.weight * student((mean - mark) / (self.margin * sd), one.freedom);
            left -= one.weight;
            if found >= chance || found + left < chance {
                break;
            }
        }
        found >= chance
    }

    /// The first moment from `from` to `until` (hours) at which the level is
    /// at or above `mark` with that chance, to a minute; `None` where there
    /// is none. `ahead` tells the causes at a moment. Causes must not fall.
    pub fn reaches(
        &self,
        mark: f64,
        chance: f64,
        (from, until): (f64, f64),
        ahead: impl Fn(f64) -> Ahead<P>,
    ) -> Option<f64> {
        const MINUTE: f64 = 1.0 / 60.0;
        let reached = |hours: f64| self.is_above(mark, chance, &ahead(hours));
        if reached(from) {
            return Some(from);
        }
        // Strides that double find the first crossing rather than a later one.
        let (mut low, mut stride) = (from, 6.0);
        let mut high = loop {
            let next = (low + stride).min(until);
            if reached(next) {
                break next;
            }
            if next >= until {
                return None;
            }
            (low, stride) = (next, stride * 1.5);
        };
        while high - low > MINUTE {
            let middle = f64::midpoint(low, high);
            if reached(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }
}

/// How much wider Student's distribution is than the normal one, in variance;
/// bounded where it has none.
fn widened(freedom: f64) -> f64 {
    if freedom > 2.5 { freedom / (freedom - 2.0) } else { 5.0 }
}

/// The distribution of Student at `t`.
fn student(t: f64, freedom: f64) -> f64 {
    if t.is_nan() {
        return 0.5;
    }
    StudentsT::new(0.0, 1.0, freedom).map_or(0.5, |student| student.cdf(t))
}

/// Mean and standard deviation of a mixture of (weight, mean, variance).
fn mixed(parts: impl Iterator<Item = (f64, f64, f64)> + Clone) -> Estimate {
    let mean: f64 = parts.clone().map(|(weight, mean, _)| weight * mean).sum();
    let variance: f64 = parts.map(|(weight, one, variance)| weight * (variance + (one - mean).powi(2))).sum();
    Estimate { mean, sd: variance.sqrt() }
}

#[cfg(test)]
#[path = "level_tests.rs"]
mod tests;
