//! Chance with a seed: the same numbers on every machine.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};

/// A source of random numbers.
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    /// The numbers of one use of one world.
    pub(crate) fn of(seed: u64, stream: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    /// A number from `low` up to but not including `high`, which must be above it.
    pub(crate) fn within(&mut self, low: i64, high: i64) -> i64 {
        let width = u64::try_from(high - low).expect("a range runs upwards");
        low + i64::try_from(self.0.next_u64() % width).expect("less than the width")
    }

    /// A number below `count`.
    pub(crate) fn below(&mut self, count: usize) -> usize {
        let count = u64::try_from(count).expect("a count");
        usize::try_from(self.0.next_u64() % count).expect("less than the count")
    }

    /// Whether something happens that happens so many times in a thousand.
    pub(crate) fn permille(&mut self, times: i64) -> bool {
        self.within(0, 1000) < times
    }

    /// One of several.
    pub(crate) fn one_of<T: Clone>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len())].clone()
    }

    /// One of several, each as often as its weight says.
    pub(crate) fn weighed<T: Copy>(&mut self, choices: &[(i64, T)]) -> T {
        let mut left = self.within(0, choices.iter().map(|(weight, _)| weight).sum());
        for (weight, choice) in choices {
            left -= weight;
            if left < 0 {
                return *choice;
            }
        }
        unreachable!("the weights were summed up")
    }

    /// Sixteen random bytes.
    pub(crate) fn bytes(&mut self) -> [u8; 16] {
        let mut bytes = [0; 16];
        self.0.fill_bytes(&mut bytes);
        bytes
    }
}
