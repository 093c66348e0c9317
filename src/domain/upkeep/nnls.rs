//! Least squares with coefficients that cannot be negative. Knows numbers only.
//!
//! Source: C. L. Lawson, R. J. Hanson, "Solving Least Squares Problems",
//! SIAM 1995 (first 1974), chapter 23: the active-set method.

/// Columns whose part that is perpendicular to those before is smaller than
/// this share of their length depend on them.
const DEPENDENT: f64 = 1e-12;

/// The vector x ≥ 0 that makes |A·x − b| least.
///
/// `rows` are the rows of A, all of one length; `b` has as many entries as
/// there are rows. Without rows the answer is empty. Of columns that depend
/// on each other, as few as can be are used.
pub fn nnls(rows: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    let width = rows.first().map_or(0, Vec::len);
    let mut x = vec![0.0; width];
    let mut used: Vec<usize> = Vec::new();
    let mut barred = vec![false; width];
    let scale = gradient(rows, b, &x).iter().fold(0.0_f64, |most, one| most.max(one.abs()));
    // Each round adds a column or bars one; the bound is far above what is needed.
    for _ in 0..(8 * width + 8) {
        let gains = gradient(rows, b, &x);
        let free = (0..width).filter(|column| !used.contains(column) && !barred[*column]);
        let best = free.max_by(|one, other| gains[*one].total_cmp(&gains[*other]));
        let Some(column) = best.filter(|column| gains[*column] > 1e-13 * scale) else { break };
        used.push(column);
        let Some(mut found) = least_squares(rows, b, &used) else {
            barred[used.pop().expect("a column was just added")] = true;
            continue;
        };
        if found.last().is_some_and(|newest| *newest <= 0.0) {
            // Its gain was rounding.
            barred[used.pop().expect("a column was just added")] = true;
            continue;
        }
        while found.iter().any(|value| *value <= 0.0) {
            step_to_the_edge(&mut x, &mut used, &found);
            match least_squares(rows, b, &used) {
                Some(next) => found = next,
                None => break,
            }
        }
        x.fill(0.0);
        for (column, value) in used.iter().zip(&found) {
            x[*column] = value.max(0.0);
        }
        barred.fill(false);
    }
    x
}

/// Goes from `x` towards `found` until the first coefficient is nought, and
/// drops what is.
fn step_to_the_edge(x: &mut [f64], used: &mut Vec<usize>, found: &[f64]) {
    let share = used
        .iter()
        .zip(found)
        .filter(|(_, value)| **value <= 0.0)
        .map(|(column, value)| x[*column] / (x[*column] - value))
        .fold(1.0_f64, f64::min);
    for (column, value) in used.iter().zip(found) {
        x[*column] += share * (value - x[*column]);
    }
    let at_edge = |value: f64, x: f64| value <= 0.0 && x <= 1e-14 * (1.0 + value.abs());
    let mut kept = Vec::with_capacity(used.len());
    for (column, value) in used.iter().zip(found) {
        if at_edge(*value, x[*column]) {
            x[*column] = 0.0;
        } else {
            kept.push(*column);
        }
    }
    if kept.len() == used.len() {
        // Rounding hid the edge: the smallest goes.
        let smallest = kept.iter().copied().min_by(|one, other| x[*one].total_cmp(&x[*other]));
        kept.retain(|column| Some(*column) != smallest);
    }
    *used = kept;
}

/// Aᵀ·(b − A·x).
fn gradient(rows: &[Vec<f64>], b: &[f64], x: &[f64]) -> Vec<f64> {
    let mut sum = vec![0.0; x.len()];
    for (row, target) in rows.iter().zip(b) {
        let left = target - row.iter().zip(x).map(|(a, x)| a * x).sum::<f64>();
        for (sum, a) in sum.iter_mut().zip(row) {
            *sum += a * left;
        }
    }
    sum
}

/// Least squares over some columns, by orthogonalisation done twice; `None`
/// where a column depends on those before it.
fn least_squares(rows: &[Vec<f64>], b: &[f64], columns: &[usize]) -> Option<Vec<f64>> {
    let mut basis: Vec<Vec<f64>> = Vec::with_capacity(columns.len());
    let mut upper = vec![vec![0.0; columns.len()]; columns.len()];
    for (index, column) in columns.iter().enumerate() {
        let mut vector: Vec<f64> = rows.iter().map(|row| row[*column]).collect();
        let length = dot(&vector, &vector).sqrt();
        for _ in 0..2 {
            for (before, unit) in basis.iter().enumerate() {
                let along = dot(unit, &vector);
                upper[before][index] += along;
                vector.iter_mut().zip(unit).for_each(|(v, u)| *v -= along * u);
            }
        }
        let rest = dot(&vector, &vector).sqrt();
        if rest <= DEPENDENT * length || rest <= 0.0 {
            return None;
        }
        upper[index][index] = rest;
        basis.push(vector.into_iter().map(|v| v / rest).collect());
    }
    let mut x: Vec<f64> = basis.iter().map(|unit| dot(unit, b)).collect();
    for index in (0..x.len()).rev() {
        let known: f64 = (index + 1..x.len()).map(|later| upper[index][later] * x[later]).sum();
        x[index] = (x[index] - known) / upper[index][index];
    }
    Some(x)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// By hand: the first coefficient is the mean of 2 and 1.
    #[test]
    fn an_inner_optimum_is_that_of_least_squares() {
        let x = nnls(&[vec![1.0, 0.0], vec![1.0, 0.0], vec![0.0, 1.0]], &[2.0, 1.0, 1.0]);
        assert!((x[0] - 1.5).abs() < 1e-15 && (x[1] - 1.0).abs() < 1e-15);
    }

    #[test]
    fn what_would_be_negative_is_nought() {
        let x = nnls(&[vec![1.0, 0.0], vec![1.0, 0.0], vec![0.0, 1.0]], &[-1.0, -1.0, -1.0]);
        assert_eq!(x, [0.0, 0.0]);
        assert!(nnls(&[], &[]).is_empty());
        // The same column twice: one of them does the work.
        let x = nnls(&[vec![1.0, 1.0], vec![2.0, 2.0]], &[1.0, 2.0]);
        assert!((x[0] + x[1] - 1.0).abs() < 1e-12);
    }

    proptest! {
        /// The conditions of Karush, Kuhn and Tucker, which only the optimum meets.
        #[test]
        fn no_feasible_step_improves(
            entries in prop::collection::vec(-5.0..5.0_f64, 24), b in prop::collection::vec(-5.0..5.0_f64, 6),
        ) {
            let rows: Vec<Vec<f64>> = entries.chunks(4).map(<[f64]>::to_vec).collect();
            let x = nnls(&rows, &b);
            for (x, gain) in x.iter().zip(gradient(&rows, &b, &x)) {
                prop_assert!(*x >= 0.0 && gain < 1e-8 && (*x <= 0.0 || gain.abs() < 1e-8), "{} {}", x, gain);
            }
        }
    }
}
