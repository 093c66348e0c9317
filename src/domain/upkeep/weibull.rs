//! How long parts live, from lives of which some are not over: the Weibull
//! distribution by maximum likelihood with right censoring. Knows numbers only.
//!
//! Of `n` lives `tᵢ`, `r` of them ended by failure, the likelihood is greatest
//! where `Σtᵢᵝ·ln tᵢ/Σtᵢᵝ − 1/β` equals the mean of `ln t` over the failures and
//! `ηᵝ = Σtᵢᵝ/r`: the NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3.
//! Intervals are those of the likelihood ratio: values whose likelihood, the
//! other parameter at its best, is not less than the greatest by more than
//! half the chi-squared point (W. Q. Meeker, L. A. Escobar, "Statistical
//! Methods for Reliability Data", Wiley 1998, section 8.3; from memory).

use super::quantiles;
use super::trend::CONFIDENCE;
use thiserror::Error;

/// Where the method is described.
pub const SOURCE: &str = "NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 (maximum likelihood with right \
                          censoring); intervals by the likelihood ratio";

/// No part's failures are spread less than a shape of this says.
const STEEPEST: f64 = 1e4;
/// Ends of intervals are looked for up to this many times from the estimate.
const FARTHEST: f64 = 1e6;

/// One life.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    /// How long it lasted, or has lasted so far.
    pub length: f64,
    /// Whether it ended by failure; else it was ended in time, or goes on.
    pub failed: bool,
}

/// Why there is no estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum NoEstimate {
    /// A life is not a finite length above nought.
    #[error("a life must be a finite length above nought")]
    NotALength,
    /// There is no life at all.
    #[error("no life is on record")]
    Nothing,
    /// Nothing has failed.
    #[error("none of {lives} lives has ended by failure yet: how long they can last is not known")]
    NoFailure {
        /// How many lives there are.
        lives: usize,
    },
    /// One failure does not tell how lives differ.
    #[error("one life of {lives} has ended by failure: one failure does not tell how much lives differ")]
    OneFailure {
        /// How many lives there are.
        lives: usize,
    },
    /// All failures came at one age that no part outlived.
    #[error(
        "every failure came at the same age and nothing outlived it: how much lives differ cannot be told"
    )]
    AllEqual,
}

/// Lives with shape β and scale η: the chance to outlive `t` is `exp(−(t/η)ᵝ)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weibull {
    /// The shape, β: above 1 parts wear out, below 1 they fail young.
    pub shape: f64,
    /// The scale, η: 63.2 % fail by then.
    pub scale: f64,
}

impl Weibull {
    /// The age that a part outlives with that chance.
    pub fn outlived_with(&self, chance: f64) -> f64 {
        self.scale * (-chance.ln()).powf(1.0 / self.shape)
    }

    /// The age by which one part in ten has failed.
    pub fn b10(&self) -> f64 {
        self.outlived_with(0.9)
    }

    /// The chance that a part of that age lasts so much longer.
    pub fn survival(&self, age: f64, longer: f64) -> f64 {
        let hazard = |t: f64| (t.max(0.0) / self.scale).powf(self.shape);
        (hazard(age) - hazard(age + longer.max(0.0))).exp()
    }

    /// How much longer a part of that age lasts with that chance.
    pub fn left_with(&self, age: f64, chance: f64) -> f64 {
        let hazard = (age.max(0.0) / self.scale).powf(self.shape) - chance.ln();
        (self.scale * hazard.powf(1.0 / self.shape) - age.max(0.0)).max(0.0)
    }
}

/// A number with the ends of its 80 % interval; none where an end is nowhere near.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Between {
    /// The most likely value.
    pub value: f64,
    /// Hardly less.
    pub low: Option<f64>,
    /// Hardly more.
    pub high: Option<f64>,
}

/// What lives say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The distribution.
    pub weibull: Weibull,
    /// Its shape.
    pub shape: Between,
    /// Its scale.
    pub scale: Between,
    /// The age by which one in ten has failed.
    pub b10: Between,
    /// The logarithm of the greatest likelihood.
    pub log_likelihood: f64,
}

/// The distribution that makes the lives most likely.
///
/// Mathematically one failure is enough where something outlived it; whether
/// such an estimate should be shown is for [`estimate`] to say.
pub fn most_likely(lives: &[Life]) -> Result<Weibull, NoEstimate> {
    Sample::of(lives)?.maximum()
}

/// What the lives say, with 80 % intervals, from two failures on.
pub fn estimate(lives: &[Life]) -> Result<Estimate, NoEstimate> {
    let sample = Sample::of(lives)?;
    if lives.iter().filter(|life| life.failed).count() == 1 {
        return Err(NoEstimate::OneFailure { lives: lives.len() });
    }
    let weibull = sample.maximum()?;
    Ok(sample.judged(weibull))
}

/// Lives measured against the longest, so that powers stay finite.
struct Sample {
    /// Logarithms of all lives, nought for the longest.
    logs: Vec<f64>,
    longest: f64,
    failures: f64,
    /// Sum of the logarithms of those that failed.
    failed_logs: f64,
}

impl Sample {
    #[expect(clippy::cast_precision_loss, reason = "counts of lives")]
    fn of(lives: &[Life]) -> Result<Self, NoEstimate> {
        if lives.iter().any(|life| !(life.length.is_finite() && life.length > 0.0)) {
            return Err(NoEstimate::NotALength);
        }
        if lives.is_empty() {
            return Err(NoEstimate::Nothing);
        }
        let failures = lives.iter().filter(|life| life.failed).count();
        if failures == 0 {
            return Err(NoEstimate::NoFailure { lives: lives.len() });
        }
        let longest = lives.iter().map(|life| life.length).fold(0.0, f64::max);
        let log = |life: &Life| (life.length / longest).ln();
        Ok(Self {
            logs: lives.iter().map(log).collect(),
            longest,
            failures: failures as f64,
            failed_logs: lives.iter().filter(|life| life.failed).map(log).sum(),
        })
    }

    /// Sums of `uᵝ` and `uᵝ·ln u` over all lives.
    fn powers(&self, shape: f64) -> (f64, f64) {
        self.logs.iter().fold((0.0, 0.0), |(sum, weighted), log| {
            let power = (shape * log).exp();
            (sum + power, weighted + power * log)
        })
    }

    /// Rises with the shape and is nought where the likelihood is greatest.
    fn slope(&self, shape: f64) -> f64 {
        let (sum, weighted) = self.powers(shape);
        weighted / sum - 1.0 / shape - self.failed_logs / self.failures
    }

    fn maximum(&self) -> Result<Weibull, NoEstimate> {
        let mut high = 1.0;
        while self.slope(high) < 0.0 {
            high *= 2.0;
            if high > STEEPEST {
                return Err(NoEstimate::AllEqual);
            }
        }
        let mut low = high / 2.0;
        while self.slope(low) > 0.0 {
            low /= 2.0;
        }
        let shape = root(low, high, |shape| self.slope(shape) < 0.0);
        let (sum, _) = self.powers(shape);
        Ok(Weibull { shape, scale: self.longest * (sum / self.failures).powf(1.0 / shape) })
    }

    /// The logarithm of the likelihood of the lives as they are.
    fn log_likelihood(&self, weibull: &Weibull) -> f64 {
        let (sum, _) = self.powers(weibull.shape);
        let ratio = self.longest / weibull.scale;
        self.failures * (weibull.shape.ln() + weibull.shape * ratio.ln() - self.longest.ln())
            + (weibull.shape - 1.0) * self.failed_logs
            - sum * ratio.powf(weibull.shape)
    }

    fn judged(&self, weibull: Weibull) -> Estimate {
        let most = self.log_likelihood(&weibull);
        // With one degree of freedom the chi-squared point is a normal one's square.
        let enough = most - quantiles::normal(0.5 + CONFIDENCE / 2.0).powi(2) / 2.0;
        let of_shape = |shape: f64| {
            let (sum, _) = self.powers(shape);
            let scale = self.longest * (sum / self.failures).powf(1.0 / shape);
            self.log_likelihood(&Weibull { shape, scale }) >= enough
        };
        let of_age = |fraction: f64| move |age: f64| self.best_with(age, fraction, weibull.shape) >= enough;
        Estimate {
            weibull,
            shape: around(weibull.shape, of_shape),
            scale: around(weibull.scale, of_age(1.0)),
            b10: around(weibull.b10(), of_age(-(0.9_f64.ln()))),
            log_likelihood: most,
        }
    }

    /// The greatest likelihood with `(age/η)ᵝ = hazard`, over the shape.
    fn best_with(&self, age: f64, hazard: f64, near: f64) -> f64 {
        let likelihood = |log_shape: f64| {
            let shape = log_shape.exp();
            self.log_likelihood(&Weibull { shape, scale: age / hazard.powf(1.0 / shape) })
        };
        // The likelihood has one summit along this path: first a stride that
        // holds it, then the golden section.
        let (mut low, mut high) = (near.ln() - 1.0, near.ln() + 1.0);
        for _ in 0..20 {
            let middle = likelihood(f64::midpoint(low, high));
            if likelihood(low) > middle {
                low -= 1.0;
            } else if likelihood(high) > middle {
                high += 1.0;
            } else {
                break;
            }
        }
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
        let (mut at_left, mut at_right) = (likelihood(left), likelihood(right));
        while high - low > 1e-9 {
            if at_left > at_right {
                (high, right, at_right) = (right, left, at_left);
                left = high - golden * (high - low);
                at_left = likelihood(left);
            } else {
                (low, left, at_left) = (left, right, at_right);
                right = low + golden * (high - low);
                at_right = likelihood(right);
            }
        }
        at_left.max(at_right)
    }
}

/// The stretch around a value over which something holds.
fn around(value: f64, holds: impl Fn(f64) -> bool) -> Between {
    let end = |factor: f64| {
        let (mut inside, mut outside) = (value, value * factor);
        while holds(outside) {
            (inside, outside) = (outside, outside * factor);
            if !(value / FARTHEST..=value * FARTHEST).contains(&outside) {
                return None;
            }
        }
        Some(root(inside, outside, &holds))
    };
    Between { value, low: end(1.0 / 1.5), high: end(1.5) }
}

/// Where something that holds at `from` ceases to hold towards `to`.
fn root(mut from: f64, mut to: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..200 {
        let middle = f64::midpoint(from, to);
        if (to - from).abs() <= 1e-13 * middle.abs() {
            break;
        }
        if holds(middle) { from = middle } else { to = middle }
    }
    f64::midpoint(from, to)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lives(failed: &[f64], censored: &[f64]) -> Vec<Life> {
        let life = |failed| move |length: &f64| Life { length: *length, failed };
        failed.iter().map(life(true)).chain(censored.iter().map(life(false))).collect()
    }

    #[test]
    fn without_failures_nothing_is_estimated() {
        assert_eq!(estimate(&[]), Err(NoEstimate::Nothing));
        assert_eq!(estimate(&lives(&[], &[3.0, 4.0])), Err(NoEstimate::NoFailure { lives: 2 }));
        assert_eq!(estimate(&lives(&[100.0], &[200.0; 4])), Err(NoEstimate::OneFailure { lives: 5 }));
        assert_eq!(estimate(&lives(&[100.0; 3], &[])), Err(NoEstimate::AllEqual));
        assert_eq!(estimate(&lives(&[100.0; 3], &[40.0])), Err(NoEstimate::AllEqual));
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(estimate(&lives(&[100.0, bad], &[])), Err(NoEstimate::NotALength));
        }
    }

    /// Equal failures tell something once a part outlived them.
    #[test]
    fn what_outlived_equal_failures_tells_how_lives_differ() {
        let found = estimate(&lives(&[100.0; 3], &[150.0])).unwrap();
        assert!(found.weibull.shape > 1.0 && found.weibull.scale > 100.0, "{found:?}");
    }

    /// Exact arithmetic: with shape 1 lives are forgotten, exp(−1) outlive the
    /// scale at any age; with shape 2 and scale 10, a part of age 10 lasts to
    /// 20 with exp(1 − 4).
    #[test]
    fn survival_is_that_of_the_formula() {
        let forgetful = Weibull { shape: 1.0, scale: 10.0 };
        assert!((forgetful.survival(37.0, 10.0) - (-1.0_f64).exp()).abs() < 1e-12);
        let wearing = Weibull { shape: 2.0, scale: 10.0 };
        assert!((wearing.survival(10.0, 10.0) - (-3.0_f64).exp()).abs() < 1e-12);
        assert!((wearing.left_with(10.0, (-3.0_f64).exp()) - 10.0).abs() < 1e-9);
        assert!((wearing.survival(0.0, wearing.b10()) - 0.9).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn whatever_the_unit_the_lives_are_the_same(
            failed in prop::collection::vec(1.0..500.0_f64, 2..12), censored in prop::collection::vec(1.0..500.0_f64, 0..12),
        ) {
            let found = estimate(&lives(&failed, &censored));
            let in_days = |hours: &Vec<f64>| hours.iter().map(|h| h / 24.0).collect::<Vec<_>>();
            let scaled = estimate(&lives(&in_days(&failed), &in_days(&censored)));
            match (found, scaled) {
                (Ok(one), Ok(other)) => {
                    prop_assert!((one.weibull.shape / other.weibull.shape - 1.0).abs() < 1e-6);
                    prop_assert!((one.weibull.scale / other.weibull.scale / 24.0 - 1.0).abs() < 1e-6);
                    for range in [one.shape, one.scale, one.b10] {
                        prop_assert!(range.low.is_none_or(|low| low < range.value));
                        prop_assert!(range.high.is_none_or(|high| high > range.value));
                    }
                }
                (one, other) => prop_assert_eq!(one.is_err(), other.is_err()),
            }
        }
    }
}
