//! Where a sensor's readings step up or down and stay there.

use super::sensors::NORMAL_MAD;
use super::trend::{Sample, hours_between, median, quick_median};

/// Readings on each side whose medians make a jump …
const JUMP_SIDE: usize = 4;
/// … and those whose medians show that it stays.
const STAY_SIDE: usize = 12;
/// Readings that must follow a jump.
const STAY_READINGS: usize = 6;
/// A jump is so many times what such medians usually differ by.
const JUMP_DEVIATIONS: f64 = 8.0;
/// Such a share of the readings on each side must lie on that side of a jump's middle.
const STAYS: f64 = 0.75;
/// Fewer readings tell no jump.
const FEWEST_TO_JUMP: usize = 24;

/// Where the level changes at once and stays: the number of the first reading
/// after it, and by how much.
pub(super) fn jumps(samples: &[Sample], floor: f64, spacing: f64) -> Vec<(usize, f64)> {
    if samples.len() < FEWEST_TO_JUMP {
        return Vec::new();
    }
    let changes: Vec<(usize, f64, f64)> =
        (JUMP_SIDE..=samples.len() - JUMP_SIDE).map(|at| change(samples, at)).collect();
    let mut slopes: Vec<f64> =
        changes.iter().filter(|(_, _, hours)| *hours > 0.0).map(|(_, size, hours)| size / hours).collect();
    let slope = quick_median(&mut slopes).unwrap_or(0.0);
    let usual_hours = spacing.max(f64::MIN_POSITIVE) * f64::from(u8::try_from(JUMP_SIDE).unwrap_or(u8::MAX));
    // Beyond the usual rise, and measured against how far levels wander in that time.
    let excess: Vec<f64> = changes
        .iter()
        .map(|(_, size, hours)| (size - slope * hours) / (hours / usual_hours).max(1.0).sqrt())
        .collect();
    let spread = |values: &[f64]| {
        NORMAL_MAD
            * quick_median(&mut values.iter().map(|value| value.abs()).collect::<Vec<_>>()).unwrap_or(0.0)
    };
    let overall = spread(&excess).max(floor);
    let is_large = |index: &usize| {
        let size = excess[*index].abs();
        if size <= JUMP_DEVIATIONS * overall {
            return false;
        }
        let (from, to) = (index.saturating_sub(2 * STAY_SIDE), (index + 2 * STAY_SIDE).min(excess.len()));
        size > JUMP_DEVIATIONS * spread(&excess[from..to])
    };
    let large: Vec<usize> = (0..changes.len()).filter(is_large).collect();
    // Of the medians around a jump the largest tells where, of equals the one at the largest step.
    let step = |index: usize| {
        let at = changes[index].0;
        (samples[at].value - samples[at - 1].value).abs()
    };
    let larger = |a: &&usize, b: &&usize| {
        excess[**a].abs().total_cmp(&excess[**b].abs()).then_with(|| step(**a).total_cmp(&step(**b)))
    };
    large
        .chunk_by(|one, other| other - one <= JUMP_SIDE)
        .filter_map(|together| together.iter().max_by(larger))
        .map(|index| (changes[*index].0, changes[*index].1))
        .filter(|(at, size)| stays(samples, *at, *size))
        .collect()
}

/// By how much the median of readings from `at` on exceeds that of those
/// before, and how many hours apart the two lie.
fn change(samples: &[Sample], at: usize) -> (usize, f64, f64) {
    let (before, after) = (&samples[at - JUMP_SIDE..at], &samples[at..at + JUMP_SIDE]);
    let level = |part: &[Sample]| {
        let mut values: [f64; JUMP_SIDE] = std::array::from_fn(|index| part[index].value);
        median(&mut values).unwrap_or(0.0)
    };
    let middle = |part: &[Sample]| part[0].at + (part[part.len() - 1].at - part[0].at) / 2;
    (at, level(after) - level(before), hours_between(middle(before), middle(after)))
}

/// Whether readings lie on the one side of a jump's middle before it and on
/// the other after it.
fn stays(samples: &[Sample], at: usize, size: f64) -> bool {
    let (before, after) = (&samples[at.saturating_sub(STAY_SIDE)..at], &samples[at..]);
    let after = &after[..after.len().min(STAY_SIDE)];
    let low = median(&mut before.iter().map(|sample| sample.value).collect::<Vec<_>>()).unwrap_or(0.0);
    let middle = low + size / 2.0;
    #[expect(clippy::cast_precision_loss, reason = "a dozen readings")]
    let share = |part: &[Sample], beyond: bool| {
        let is_beyond = |sample: &&Sample| ((sample.value - middle) * size > 0.0) == beyond;
        part.iter().filter(is_beyond).count() as f64 / part.len().max(1) as f64
    };
    after.len() >= STAY_READINGS && share(before, false) >= STAYS && share(after, true) >= STAYS
}
