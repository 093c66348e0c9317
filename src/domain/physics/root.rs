//! A bracketed root of a monotone function. Knows nothing of physics.

/// Steps after which bisection has exhausted the digits of any `f64` bracket
/// used here.
const MOST_STEPS: u32 = 200;

/// The place in `[low, high]` where the increasing function `f` crosses zero,
/// to within `tolerance`.
///
/// Bisection: thirty-odd cheap evaluations buy a result that cannot leave the
/// bracket. A root outside the bracket is answered with the nearer end, so
/// the caller checks the ends first.
pub(super) fn increasing_root(low: f64, high: f64, tolerance: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (low, high);
    for _ in 0..MOST_STEPS {
        let middle = f64::midpoint(low, high);
        if high - low <= tolerance {
            return middle;
        }
        if f(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_root_is_found_to_the_tolerance_asked() {
        // Exact: the square root of two, as printed in any table of constants.
        let root = increasing_root(0.0, 2.0, 1e-9, |x| x * x - 2.0);
        assert!((root - std::f64::consts::SQRT_2).abs() <= 1e-9, "{root}");
    }
}
