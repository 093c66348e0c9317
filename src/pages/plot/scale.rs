//! From values to shares of an axis, and where its ticks stand. Pure; whatever it is
//! given, a place lies between the ends.

/// So many decades at least, so that a level that hardly moves is not blown up.
const FEWEST_DECADES: i32 = 2;
/// Levels beyond these powers of ten are drawn at the ends.
const POWERS: (i32, i32) = (-3, 6);

/// An axis of values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::pages) enum Scale {
    /// Equal steps for equal differences.
    Linear {
        /// The value at its beginning.
        low: f64,
        /// The value at its end.
        high: f64,
        /// Between two ticks.
        step: f64,
    },
    /// Equal steps for equal ratios, from one power of ten to another.
    Log {
        /// The power at its beginning.
        low: i32,
        /// The power at its end.
        high: i32,
    },
}

impl Scale {
    /// From nought to at least the greatest of the values, in about so many steps.
    pub(in crate::pages) fn from_nought(values: impl IntoIterator<Item = f64>, steps: f64) -> Self {
        let greatest = values.into_iter().filter(|value| value.is_finite()).fold(0.0, f64::max);
        let greatest = if greatest > 0.0 { greatest.min(1e300) } else { 1.0 };
        let step = round_step(greatest / steps.max(1.0));
        Self::Linear { low: 0.0, high: step * (greatest / step - 1e-9).ceil(), step }
    }

    /// Whole decades around the values; what is not above nought has no place of its own.
    pub(in crate::pages) fn decades(values: impl IntoIterator<Item = f64>) -> Self {
        let mut ends: Option<(i32, i32)> = None;
        for value in values.into_iter().filter(|value| value.is_finite() && *value > 0.0) {
            let (low, high) = (power(value, f64::floor), power(value, f64::ceil));
            ends = Some(ends.map_or((low, high), |(least, most)| (least.min(low), most.max(high))));
        }
        let (low, high) = ends.unwrap_or((-1, 2));
        Self::Log { low, high: high.max(low + FEWEST_DECADES) }
    }

    /// Where a value lies, from 0 at the beginning to 1 at the end; beyond them at them.
    pub(in crate::pages) fn share(self, value: f64) -> f64 {
        let share = match self {
            Self::Linear { low, high, .. } => (value - low) / (high - low),
            Self::Log { low, high } => {
                let power = value.max(1e-300).log10();
                (power - f64::from(low)) / f64::from(high - low)
            }
        };
        if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
    }

    /// The values that ticks stand at, with what is written there.
    pub(in crate::pages) fn ticks(self) -> Vec<(f64, String)> {
        match self {
            Self::Linear { low, high, step } => (0..=40)
                .map(|n| low + step * f64::from(n))
                .take_while(|value| *value <= high + step * 0.01)
                .map(|value| (value, plain(value, step)))
                .collect(),
            Self::Log { low, high } => (low..=high)
                .map(|power| 10f64.powi(power))
                .map(|value| (value, plain(value, value)))
                .collect(),
        }
    }
}

/// The power of ten of a value above nought, rounded, within the powers that are drawn.
#[expect(clippy::cast_possible_truncation, reason = "clamped before")]
fn power(value: f64, rounded: fn(f64) -> f64) -> i32 {
    rounded(value.log10()).clamp(f64::from(POWERS.0), f64::from(POWERS.1)) as i32
}

/// The next of 1, 2 and 5 times a power of ten.
fn round_step(least: f64) -> f64 {
    let ten = 10f64.powf(least.log10().floor());
    let fitting =
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|times| times * ten).find(|step| *step >= least * 0.999_999);
    fitting.unwrap_or(10.0 * ten)
}

/// A tick's value with the decimals that its step needs.
fn plain(value: f64, step: f64) -> String {
    let decimals = if step >= 1.0 || step <= 0.0 { 0.0 } else { (-step.log10()).ceil().min(6.0) };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 6")]
    let decimals = decimals as usize;
    if value.abs() >= 1e7 { format!("{value:.0e}") } else { format!("{value:.decimals$}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(scale: Scale) -> Vec<String> {
        scale.ticks().into_iter().map(|(_, text)| text).collect()
    }

    #[test]
    fn ticks_are_round_and_reach_the_greatest_value() {
        assert_eq!(told(Scale::from_nought([3.2, 187.0], 4.0)), ["0", "50", "100", "150", "200"]);
        assert_eq!(told(Scale::from_nought([0.07], 4.0)), ["0.00", "0.02", "0.04", "0.06", "0.08"]);
        assert_eq!(told(Scale::from_nought([100.0], 5.0)), ["0", "20", "40", "60", "80", "100"]);
        assert_eq!(told(Scale::decades([0.04, 30.0])), ["0.01", "0.1", "1", "10", "100"]);
        assert_eq!(told(Scale::decades([2.0])), ["1", "10", "100"]);
    }

    #[test]
    fn a_decade_is_as_long_as_the_next() {
        let scale = Scale::decades([0.1, 100.0]);
        for (value, share) in
            [(0.1, 0.0), (1.0, 1.0 / 3.0), (10.0, 2.0 / 3.0), (100.0, 1.0), (0.0, 0.0), (1e9, 1.0)]
        {
            assert!((scale.share(value) - share).abs() < 1e-9, "{value}");
        }
    }

    #[test]
    fn every_place_lies_between_the_ends() {
        let wild = [0.0, -1.0, 1e-308, 1e308, f64::MAX, f64::MIN, f64::MIN_POSITIVE, f64::INFINITY, f64::NAN];
        for one in wild {
            for scale in [Scale::from_nought([one], 4.0), Scale::decades([one, 1.0])] {
                let ticks = scale.ticks();
                assert!((2..=41).contains(&ticks.len()), "{scale:?} has {} ticks", ticks.len());
                for value in wild {
                    assert!((0.0..=1.0).contains(&scale.share(value)), "{value} on {scale:?}");
                }
            }
        }
    }
}
