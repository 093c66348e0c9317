//! Rows of a least-squares problem, rotated one by one into a triangle, so
//! that many rows take no more room and time afterwards than a few.
//!
//! Source: W. Givens (1958); the row-by-row use is that of C. L. Lawson, R. J.
//! Hanson, "Solving Least Squares Problems", SIAM 1995, chapter 27.

/// `|A·x − b|²` of all rows taken in, as `|R·x − y|² + rest`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Triangle<const P: usize> {
    rows: [[f64; P]; P],
    targets: [f64; P],
    rest: f64,
    count: usize,
    sum: f64,
    squares: f64,
}

impl<const P: usize> Triangle<P> {
    /// Of no rows.
    pub(super) const fn new() -> Self {
        Self { rows: [[0.0; P]; P], targets: [0.0; P], rest: 0.0, count: 0, sum: 0.0, squares: 0.0 }
    }

    /// Takes in a row and what it should give.
    pub(super) fn absorb(&mut self, mut row: [f64; P], mut target: f64) {
        self.count += 1;
        self.sum += target;
        self.squares += target * target;
        for pivot in 0..P {
            let below = row[pivot];
            if below.abs() <= 0.0 {
                continue;
            }
            let length = length(self.rows[pivot][pivot], below);
            let (cosine, sine) = (self.rows[pivot][pivot] / length, below / length);
            for (above, beneath) in self.rows[pivot].iter_mut().zip(&mut row).skip(pivot) {
                (*above, *beneath) = (cosine * *above + sine * *beneath, cosine * *beneath - sine * *above);
            }
            let above = self.targets[pivot];
            self.targets[pivot] = cosine * above + sine * target;
            target = cosine * target - sine * above;
        }
        self.rest += target * target;
    }

    /// How many rows were taken in.
    pub(super) const fn count(&self) -> usize {
        self.count
    }

    /// The variance of what the rows should give.
    #[expect(clippy::cast_precision_loss, reason = "counts of readings")]
    pub(super) fn spread(&self) -> f64 {
        let n = self.count.max(1) as f64;
        (self.squares / n - (self.sum / n).powi(2)).max(0.0)
    }

    /// The triangle's own rows.
    pub(super) const fn rows(&self) -> &[[f64; P]; P] {
        &self.rows
    }

    /// What they should give.
    pub(super) const fn targets(&self) -> &[f64; P] {
        &self.targets
    }

    /// The sum of squares that coefficients leave.
    pub(super) fn left_by(&self, x: &[f64; P]) -> f64 {
        let off = |(row, target): (&[f64; P], &f64)| {
            (row.iter().zip(x).map(|(a, x)| a * x).sum::<f64>() - target).powi(2)
        };
        self.rest + self.rows.iter().zip(&self.targets).map(off).sum::<f64>()
    }
}

/// The length of a vector; where no square can be too large or too small, by squares,
/// which takes a fraction of the time.
fn length(one: f64, other: f64) -> f64 {
    let squares = one * one + other * other;
    if (1e-200..1e200).contains(&squares) { squares.sqrt() } else { one.hypot(other) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// A rotation keeps lengths: whatever the coefficients, the triangle
        /// leaves the same sum of squares as the rows do.
        #[test]
        fn a_triangle_leaves_what_its_rows_do(
            entries in prop::collection::vec(-5.0..5.0_f64, 4..60), x in prop::array::uniform3(-3.0..3.0_f64),
        ) {
            let mut triangle = Triangle::<3>::new();
            let mut squares = 0.0;
            for row in entries.chunks_exact(4) {
                triangle.absorb([row[0], row[1], row[2]], row[3]);
                squares += (row[0] * x[0] + row[1] * x[1] + row[2] * x[2] - row[3]).powi(2);
            }
            prop_assert_eq!(triangle.count(), entries.len() / 4);
            prop_assert!((triangle.left_by(&x) - squares).abs() < 1e-9 * (1.0 + squares));
        }
    }
}
