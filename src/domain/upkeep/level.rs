//! A level that was read with errors while it moved: what it is, what moves
//! it, and how sure it is to have passed a mark by some moment. Knows numbers
//! and hours only.
//!
//! The level is `c + Σ βₖ·xₖ(t) + w(t)`: a start that is unknown anew in each
//! segment, known cumulative causes with coefficients common to all segments,
//! and a wandering `w` of independent steps, whose variance grows by `q` an
//! hour. Each reading adds an error of variance `r`. Given `q/r`, a Kalman
//! filter makes the readings independent of each other, and the coefficients
//! follow by least squares with priors, not below nought where they cannot
//! be. `q/r` is not known: each of a row of values is weighed by how well it
//! explains the readings, so that few readings give wide intervals.
//!
//! Source: J. Durbin, S. J. Koopman, "Time Series Analysis by State Space
//! Methods", 2nd ed., Oxford 2012, sections 2.2 (filter) and 6.2 (regression).

use super::nnls::nnls;
use statrs::distribution::{ContinuousCDF as _, StudentsT};

/// Wandering against reading error over one usual step, `q·step/r`.
const RATIOS: [f64; 10] = [0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 30.0, 1000.0];

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
}

/// What the readings say for one ratio of wandering to error.
#[derive(Debug, Clone, PartialEq)]
struct Component<const P: usize> {
    weight: f64,
    /// Variance of a reading's error.
    variance: f64,
    /// Degrees of freedom of that.
    freedom: f64,
    /// Variance of the wandering, as a multiple of the former, an hour.
    ratio: f64,
    coefficients: [f64; P],
    /// Covariance of the coefficients as a multiple of the variance.
    covariance: [[f64; P]; P],
    /// The level without what the causes do, at the last reading.
    base: f64,
    /// The causes that the filter has attributed to that level.
    base_causes: [f64; P],
    /// Its variance as a multiple of the error's.
    base_variance: f64,
}

/// What readings say of the level and of what moves it.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit<const P: usize> {
    components: Vec<Component<P>>,
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
}

/// The filter's output for one ratio: readings made independent of each other.
struct Whitened<const P: usize> {
    rows: Vec<Vec<f64>>,
    targets: Vec<f64>,
    log_determinant: f64,
    base: f64,
    base_causes: [f64; P],
    base_variance: f64,
}

impl<const P: usize> LevelModel<P> {
    /// Judges readings, each segment in order of time and the segments too;
    /// the last one tells the present level. `None` without any reading in it.
    pub fn fit(&self, segments: &[Vec<Observation<P>>]) -> Option<Fit<P>> {
        let last = segments.last()?.last()?;
        let step = usual_step(segments);
        let scored: Vec<(f64, Component<P>)> =
            RATIOS.iter().map(|ratio| self.component(segments, ratio / step)).collect();
        let best = scored.iter().map(|(score, _)| *score).fold(f64::NEG_INFINITY, f64::max);
        let likely = scored.into_iter().map(|(score, one)| ((score - best).exp(), one));
        let likely: Vec<(f64, Component<P>)> = likely.filter(|(weight, _)| *weight > 1e-4).collect();
        let total: f64 = likely.iter().map(|(weight, _)| weight).sum();
        let components =
            likely.into_iter().map(|(weight, one)| Component { weight: weight / total, ..one }).collect();
        let readings = segments.iter().map(Vec::len).sum();
        Some(Fit { components, last_hours: last.hours, readings })
    }

    /// What the readings say for one ratio, and the logarithm of its weight.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    fn component(&self, segments: &[Vec<Observation<P>>], ratio: f64) -> (f64, Component<P>) {
        let white = whiten(segments, ratio);
        // Half a reading's worth of belief in the least error keeps the
        // variance from nought where readings fall on a line.
        let (belief, least) = (0.5, self.least_error * self.least_error);
        let freedom = (white.rows.len().saturating_sub(P) as f64).max(1.0) + belief;
        let mut variance = spread(&white.targets).max(least);
        let mut coefficients = [0.0; P];
        for _ in 0..4 {
            coefficients = self.regress(&white, variance);
            let rest: f64 = white
                .rows
                .iter()
                .zip(&white.targets)
                .map(|(row, target)| (target - product(row, &coefficients)).powi(2))
                .sum();
            variance = ((rest + belief * least) / freedom).max(0.05 * least);
        }
        let information = self.information(&white, variance);
        let (covariance, log_information) = inverse(&information);
        let score = -0.5 * (freedom * variance.ln() + white.log_determinant + log_information);
        let component = Component {
            weight: 0.0,
            variance,
            freedom,
            ratio,
            coefficients,
            covariance,
            base: white.base,
            base_causes: white.base_causes,
            base_variance: white.base_variance,
        };
        (score, component)
    }

    fn regress(&self, white: &Whitened<P>, variance: f64) -> [f64; P] {
        let mut rows = white.rows.clone();
        let mut targets = white.targets.clone();
        for (index, prior) in self.priors.iter().enumerate() {
            let weight = variance.sqrt() / prior.sd;
            rows.push((0..P).map(|column| if column == index { weight } else { 0.0 }).collect());
            targets.push(weight * prior.mean);
        }
        let mut coefficients = [0.0; P];
        if self.nonnegative {
            coefficients.copy_from_slice(&nnls(&rows, &targets));
            return coefficients;
        }
        let (covariance, _) = inverse(&self.information(white, variance));
        let mut moments = [0.0; P];
        for (row, target) in rows.iter().zip(&targets) {
            moments.iter_mut().zip(row).for_each(|(sum, x)| *sum += x * target);
        }
        for (coefficient, row) in coefficients.iter_mut().zip(&covariance) {
            *coefficient = product(row, &moments);
        }
        coefficients
    }

    /// The information on the coefficients, as a multiple of 1/variance.
    fn information(&self, white: &Whitened<P>, variance: f64) -> [[f64; P]; P] {
        let mut sum = [[0.0; P]; P];
        for row in &white.rows {
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
fn whiten<const P: usize>(segments: &[Vec<Observation<P>>], ratio: f64) -> Whitened<P> {
    let mut white = Whitened {
        rows: Vec::new(),
        targets: Vec::new(),
        log_determinant: 0.0,
        base: 0.0,
        base_causes: [0.0; P],
        base_variance: 1.0,
    };
    for segment in segments {
        let Some(first) = segment.first() else { continue };
        // The first reading of a segment alone tells where the level starts.
        let (mut level, mut causes, mut variance) = (first.level, first.causes, 1.0);
        for pair in segment.windows(2) {
            let next = &pair[1];
            let predicted = variance + ratio * (next.hours - pair[0].hours).max(0.0);
            let (total, gain) = (predicted + 1.0, predicted / (predicted + 1.0));
            let root = total.sqrt();
            white.targets.push((next.level - level) / root);
            white.rows.push(next.causes.iter().zip(&causes).map(|(new, old)| (new - old) / root).collect());
            white.log_determinant += total.ln();
            level += gain * (next.level - level);
            causes.iter_mut().zip(&next.causes).for_each(|(old, new)| *old += gain * (new - *old));
            variance = predicted / total;
        }
        (white.base, white.base_causes, white.base_variance) = (level, causes, variance);
    }
    white
}

/// The median time between readings of a segment, hours.
fn usual_step<const P: usize>(segments: &[Vec<Observation<P>>]) -> f64 {
    let steps = segments.iter().flat_map(|segment| segment.windows(2));
    let mut steps: Vec<f64> = steps.map(|pair| pair[1].hours - pair[0].hours).collect();
    super::trend::median(&mut steps).filter(|step| *step > 0.0).unwrap_or(1.0)
}

#[expect(clippy::cast_precision_loss, reason = "counts of readings")]
fn spread(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let mean = values.iter().sum::<f64>() / n;
    values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n
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
        let lever = difference(&ahead.causes, &self.base_causes);
        let mean = self.base + product(&lever, &self.coefficients);
        let wandered = self.base_variance + self.ratio * (ahead.hours - last_hours).max(0.0);
        let variance = self.variance * (wandered + self.doubt(&lever)) + self.unforeseen(&ahead.variances);
        (mean, variance.sqrt())
    }

    /// The change between two moments: mean and variance.
    fn change(&self, from: &Ahead<P>, to: &Ahead<P>) -> (f64, f64) {
        let lever = difference(&to.causes, &from.causes);
        let wandered = self.ratio * (to.hours - from.hours).max(0.0);
        let unforeseen = self.unforeseen(&difference(&to.variances, &from.variances));
        let variance = self.variance * (wandered + self.doubt(&lever)) + unforeseen.max(0.0);
        (product(&lever, &self.coefficients), variance)
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

    /// The standard deviation of what the level wanders in a day.
    pub fn daily_wandering(&self) -> f64 {
        self.components.iter().map(|one| one.weight * one.variance * one.ratio * 24.0).sum::<f64>().sqrt()
    }

    /// The level at a moment.
    pub fn level(&self, ahead: &Ahead<P>) -> Estimate {
        mixed(self.components.iter().map(|one| {
            let (mean, sd) = one.level(self.last_hours, ahead);
            (one.weight, mean, sd * sd * widened(one.freedom))
        }))
    }

    /// How much the level changes from one moment to a later one.
    pub fn change(&self, from: &Ahead<P>, to: &Ahead<P>) -> Estimate {
        mixed(self.components.iter().map(|one| {
            let (mean, variance) = one.change(from, to);
            (one.weight, mean, variance * widened(one.freedom))
        }))
    }

    /// How likely the level is at or above `mark` at a moment.
    pub fn chance_above(&self, mark: f64, ahead: &Ahead<P>) -> f64 {
        let chance = |one: &Component<P>| {
            let (mean, sd) = one.level(self.last_hours, ahead);
            one.weight * student((mean - mark) / sd, one.freedom)
        };
        self.components.iter().map(chance).sum()
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
        let reached = |hours: f64| self.chance_above(mark, &ahead(hours)) >= chance;
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
