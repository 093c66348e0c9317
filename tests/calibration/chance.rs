//! Chance with a seed: the same numbers on every machine and in every thread.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};

/// A source of random numbers.
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    /// The numbers of one run, whatever other runs draw.
    pub(crate) fn of(seed: u64, run: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(run);
        Self(rng)
    }

    /// A number of [0, 1), every one alike.
    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A number between two, every one alike.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A number between two positive ones, every ratio alike.
    pub(crate) fn ratio_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// Whether something of that probability happens.
    pub(crate) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// One of several.
    pub(crate) fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        let index = (self.unit() * choices.len() as f64) as usize;
        choices[index.min(choices.len() - 1)]
    }

    /// A standard normal number (G. E. P. Box, M. E. Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
    }

    /// A positive factor of mean one whose logarithm has that standard deviation.
    pub(crate) fn factor(&mut self, sd: f64) -> f64 {
        (sd * self.normal() - sd * sd / 2.0).exp()
    }
}

/// Something that wanders about nought and forgets where it was
/// (an Ornstein-Uhlenbeck process).
pub(crate) struct Wander {
    sd: f64,
    memory_hours: f64,
    value: f64,
}

impl Wander {
    /// It has that standard deviation in the long run, and a correlation of
    /// 1/e over that many hours.
    pub(crate) fn new(chance: &mut Chance, sd: f64, memory_hours: f64) -> Self {
        Self { sd, memory_hours, value: sd * chance.normal() }
    }

    /// Where it is so many hours later.
    pub(crate) fn after(&mut self, chance: &mut Chance, hours: f64) -> f64 {
        let kept = (-hours / self.memory_hours).exp();
        self.value = kept * self.value + (1.0 - kept * kept).sqrt() * self.sd * chance.normal();
        self.value
    }
}

#[test]
fn runs_are_repeatable_and_differ_from_each_other() {
    let draw = |run| Chance::of(7, run).normal();
    assert!((draw(3) - draw(3)).abs() < 1e-15 && (draw(3) - draw(4)).abs() > 1e-6);
}

/// Mean, variance and the 90 % point (1.281552, any table) of the normal
/// distribution; bounds are five standard errors of 40 000 draws.
#[test]
fn normal_numbers_are_normal() {
    let mut chance = Chance::of(1, 1);
    let draws: Vec<f64> = (0..40_000).map(|_| chance.normal()).collect();
    let n = draws.len() as f64;
    let mean = draws.iter().sum::<f64>() / n;
    let variance = draws.iter().map(|x| x * x).sum::<f64>() / n;
    let above = draws.iter().filter(|x| **x > 1.281_552).count() as f64 / n;
    assert!(mean.abs() < 0.025 && (variance - 1.0).abs() < 0.036, "{mean} {variance}");
    assert!((above - 0.1).abs() < 0.0075, "{above}");
}

#[test]
fn wandering_keeps_its_size_and_forgets() {
    let mut chance = Chance::of(2, 1);
    let mut wander = Wander::new(&mut chance, 2.0, 10.0);
    let path: Vec<f64> = (0..40_000).map(|_| wander.after(&mut chance, 5.0)).collect();
    let n = path.len() as f64;
    let variance = path.iter().map(|x| x * x).sum::<f64>() / n;
    let lagged = path.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / n;
    assert!((variance - 4.0).abs() < 0.3, "{variance}");
    assert!((lagged / variance - (-0.5_f64).exp()).abs() < 0.03, "{}", lagged / variance);
}
