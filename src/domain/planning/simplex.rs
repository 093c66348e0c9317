//! Linear programmes that grow: the revised simplex method with the inverse
//! of the basis kept in full, as textbooks have it.
//!
//! Rows are equations with a first column of their own, or limits that may be
//! exceeded at a price, so that a basis at hand stays feasible when rows and
//! columns are added. Right-hand sides are moved a little apart, which keeps
//! the method from standing still where many limits meet. Results are
//! approximate: whoever needs a proof computes it anew from the duals.

use super::plan::Budget;

/// What counts as nought for a reduced cost, in cost units.
const COST_NOUGHT: f64 = 1e-5;

/// What counts as nought for a pivot.
const PIVOT_NOUGHT: f64 = 1e-7;

/// Pivots between two looks at the budget.
const PIVOTS_A_STEP: usize = 40;

/// Pivots after which values and duals are computed anew.
const PIVOTS_TO_REFRESH: usize = 60;

/// Coefficients by row.
type Column = Vec<(usize, f64)>;

/// A linear programme to be minimised, with its present basis.
#[derive(Debug, Default)]
pub(super) struct Simplex {
    costs: Vec<f64>,
    columns: Vec<Column>,
    in_basis: Vec<bool>,
    right: Vec<f64>,
    /// By row, the column that is basic there.
    basic: Vec<usize>,
    /// By row of the basis, the inverse.
    inverse: Vec<Vec<f64>>,
    /// By row, the value of its basic column.
    values: Vec<f64>,
    duals: Vec<f64>,
}

impl Simplex {
    /// How many rows there are.
    pub(super) const fn rows(&self) -> usize {
        self.right.len()
    }

    /// A little that differs from row to row.
    fn apart(&self) -> f64 {
        let number = u32::try_from(self.rows() % 9973).unwrap_or(0);
        let part = f64::from(number.wrapping_mul(2_654_435_761) >> 12) / f64::from(u32::MAX >> 12);
        1e-6 * (1.0 + part)
    }

    /// A row in which columns add up to one, with a first column that costs
    /// `cost` by itself.
    pub(super) fn add_equation(&mut self, cost: f64) -> usize {
        let row = self.rows();
        let right = 1.0 + self.apart();
        self.right.push(right);
        let first = self.add_column(cost, vec![(row, 1.0)]);
        self.enter(row, first, right, vec![0.0; row], 1.0);
        row
    }

    /// A limit for columns already there; exceeding it costs `dear` a unit.
    pub(super) fn add_limit(&mut self, limit: f64, dear: f64, used: &[(usize, f64)]) -> usize {
        let row = self.rows();
        let right = limit + self.apart();
        let mut amounts = vec![0.0; self.columns.len()];
        for (column, amount) in used {
            self.columns[*column].push((row, *amount));
            amounts[*column] = *amount;
        }
        let mut reached = 0.0;
        let mut combined = vec![0.0; row];
        for at in 0..row {
            let amount = amounts[self.basic[at]];
            if amount != 0.0 {
                reached += amount * self.values[at];
                for (sum, part) in combined.iter_mut().zip(&self.inverse[at]) {
                    *sum += amount * part;
                }
            }
        }
        self.right.push(right);
        let spare = self.add_column(0.0, vec![(row, 1.0)]);
        let beyond = self.add_column(dear, vec![(row, -1.0)]);
        if reached <= right {
            for part in &mut combined {
                *part = -*part;
            }
            self.enter(row, spare, right - reached, combined, 1.0);
        } else {
            self.enter(row, beyond, reached - right, combined, -1.0);
        }
        row
    }

    fn enter(&mut self, row: usize, column: usize, value: f64, mut inverse: Vec<f64>, own: f64) {
        for line in &mut self.inverse {
            line.push(0.0);
        }
        inverse.push(own);
        self.inverse.push(inverse);
        self.basic.push(column);
        self.in_basis[column] = true;
        self.values.push(value);
        self.duals.push(0.0);
        debug_assert_eq!(self.basic.len(), row + 1);
    }

    /// A column with its cost.
    pub(super) fn add_column(&mut self, cost: f64, column: Column) -> usize {
        self.costs.push(cost);
        self.columns.push(column);
        self.in_basis.push(false);
        self.columns.len() - 1
    }

    /// What one unit more of a row's right-hand side would cost.
    pub(super) fn dual(&self, row: usize) -> f64 {
        self.duals[row]
    }

    /// The columns above nought, with their values.
    pub(super) fn solution(&self) -> impl Iterator<Item = (usize, f64)> {
        self.basic.iter().copied().zip(self.values.iter().copied()).filter(|(_, value)| *value > 1e-4)
    }

    fn refresh(&mut self) {
        for (value, line) in self.values.iter_mut().zip(&self.inverse) {
            *value = line.iter().zip(&self.right).map(|(part, right)| part * right).sum();
        }
        self.duals.fill(0.0);
        for (column, line) in self.basic.iter().zip(&self.inverse) {
            let cost = self.costs[*column];
            if cost != 0.0 {
                for (dual, part) in self.duals.iter_mut().zip(line) {
                    *dual += cost * part;
                }
            }
        }
    }

    fn reduced(&self, column: usize) -> f64 {
        let paid: f64 = self.columns[column].iter().map(|(row, amount)| self.duals[*row] * amount).sum();
        self.costs[column] - paid
    }

    /// Pivots until no column lowers the cost, the pivots are used up or the
    /// budget is spent. True where the optimum is reached.
    pub(super) fn minimise(&mut self, pivots: usize, budget: &mut dyn Budget) -> bool {
        self.refresh();
        for pivot in 1..=pivots {
            let mut best = (-COST_NOUGHT, None);
            for column in 0..self.columns.len() {
                if !self.in_basis[column] {
                    let reduced = self.reduced(column);
                    if reduced < best.0 {
                        best = (reduced, Some(column));
                    }
                }
            }
            let (reduced, Some(column)) = best else { return true };
            let direction = self.direction(column);
            let Some(row) = self.leaving(&direction) else { return false };
            self.pivot(row, column, reduced, &direction);
            if pivot % PIVOTS_TO_REFRESH == 0 {
                self.refresh();
            }
            if pivot % PIVOTS_A_STEP == 0 && budget.spent() {
                return false;
            }
        }
        false
    }

    /// By row, by how much its basic column falls for one unit of a column.
    fn direction(&self, column: usize) -> Vec<f64> {
        let entries = &self.columns[column];
        let along = |line: &Vec<f64>| entries.iter().map(|(row, amount)| line[*row] * amount).sum();
        self.inverse.iter().map(along).collect()
    }

    /// The row whose basic column reaches nought first; of several, the one
    /// with the largest pivot.
    fn leaving(&self, direction: &[f64]) -> Option<usize> {
        let ratios = || {
            let rows = direction.iter().zip(&self.values).enumerate();
            rows.filter(|(_, (fall, _))| **fall > PIVOT_NOUGHT)
        };
        let most =
            ratios().map(|(_, (fall, value))| (value.max(0.0) + 1e-9) / fall).fold(f64::INFINITY, f64::min);
        let near = ratios().filter(|(_, (fall, value))| value.max(0.0) / *fall <= most);
        near.max_by(|(_, (one, _)), (_, (other, _))| one.total_cmp(other)).map(|(row, _)| row)
    }

    fn pivot(&mut self, row: usize, column: usize, reduced: f64, direction: &[f64]) {
        let by = 1.0 / direction[row];
        let step = self.values[row].max(0.0) * by;
        let mut line = std::mem::take(&mut self.inverse[row]);
        let mut filled: Vec<usize> = Vec::new();
        for (at, part) in line.iter_mut().enumerate() {
            if part.abs() > 1e-12 {
                *part *= by;
                filled.push(at);
            } else {
                *part = 0.0;
            }
        }
        for (other, fall) in direction.iter().enumerate() {
            if other != row && *fall != 0.0 {
                let into = &mut self.inverse[other];
                for at in &filled {
                    into[*at] -= fall * line[*at];
                }
                self.values[other] -= fall * step;
            }
        }
        for at in &filled {
            self.duals[*at] += reduced * line[*at];
        }
        self.inverse[row] = line;
        self.values[row] = step;
        self.in_basis[self.basic[row]] = false;
        self.basic[row] = column;
        self.in_basis[column] = true;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::planning::Steps;

    fn cost(programme: &Simplex) -> f64 {
        programme.solution().map(|(column, share)| programme.costs[column] * share).sum()
    }

    /// The smallest odd cycle, known from any textbook on set packing: half of
    /// each edge, until a row says that two edges of a triangle always meet.
    #[test]
    fn rows_and_columns_can_be_added_to_a_basis_at_hand() {
        let mut programme = Simplex::default();
        let nodes: Vec<usize> = (0..3).map(|_| programme.add_equation(1.0)).collect();
        assert!(programme.minimise(100, &mut Steps(100)));
        assert!((cost(&programme) - 3.0).abs() < 1e-4);
        let edges: Vec<(usize, f64)> = [(0, 1), (1, 2), (0, 2)]
            .map(|(one, other)| programme.add_column(1.0, vec![(nodes[one], 1.0), (nodes[other], 1.0)]))
            .map(|edge| (edge, 1.0))
            .to_vec();
        assert!(programme.minimise(100, &mut Steps(100)));
        assert!((cost(&programme) - 1.5).abs() < 1e-4);
        let row = programme.add_limit(1.0, 100.0, &edges);
        assert!(programme.minimise(100, &mut Steps(100)));
        assert!((cost(&programme) - 2.0).abs() < 1e-4);
        assert!(programme.dual(row) <= 0.0);
    }
}
