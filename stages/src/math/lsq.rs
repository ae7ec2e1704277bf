//! Linear least squares of rows that stream by: only a triangle of the size of the unknowns is kept.
//!
//! Rows are gathered in blocks of fixed size and folded into the triangle by Householder reflections
//! (Golub & Van Loan, *Matrix Computations*, 4th ed., 5.2 and 5.3), which needs neither the normal
//! equations nor the rows again. Blocks are counted in rows, so any slicing gives the same bits.

/// Most unknowns of a fit.
pub const MOST_UNKNOWNS: usize = 256;

/// Rows that are folded into the triangle at a time.
const BLOCK: usize = 64;

/// Below this sine of the angle between a column and those before it, the two are not told apart:
/// rounding alone makes about 1e-14 over millions of blocks, and fewer than four digits would be left.
pub const SMALLEST_ANGLE: f64 = 1e-12;

/// Why a least-squares fit has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LsqError {
    /// Fewer rows than unknowns.
    #[error("expected at least {needed} samples for as many unknowns, found {found}")]
    TooFew {
        /// Unknowns.
        needed: u64,
        /// Rows.
        found: u64,
    },
    /// A column is a combination of earlier ones, or zero.
    #[error(
        "expected independent terms, found that term {column} cannot be told from those before it"
    )]
    Dependent {
        /// Index of the column, from 0.
        column: usize,
    },
    /// The number of unknowns is out of range.
    #[error("expected 1 to {MOST_UNKNOWNS} unknowns, found {found}")]
    Unknowns {
        /// How many were asked for.
        found: usize,
    },
}

/// A sum that carries its rounding error along (Neumaier 1974).
#[derive(Clone, Copy, Debug, Default)]
pub struct Total {
    sum: f64,
    lost: f64,
}

impl Total {
    /// Adds a term.
    pub fn add(&mut self, x: f64) {
        let sum = self.sum + x;
        self.lost += if self.sum.abs() >= x.abs() {
            (self.sum - sum) + x
        } else {
            (x - sum) + self.sum
        };
        self.sum = sum;
    }

    /// The sum.
    pub fn value(&self) -> f64 {
        self.sum + self.lost
    }
}

/// Gathers rows of coefficients and right-hand sides.
#[derive(Clone, Debug)]
pub struct LeastSquares {
    unknowns: usize,
    /// Upper triangle, rows of `unknowns + 1`, the last column being the right-hand side.
    triangle: Vec<f64>,
    /// Rows not yet folded in, of the same width.
    block: Vec<f64>,
    /// One row of scratch.
    scratch: Vec<f64>,
    rows: u64,
    residual: Total,
}

impl LeastSquares {
    /// For this many unknowns.
    ///
    /// # Errors
    /// [`LsqError::Unknowns`] for none or more than [`MOST_UNKNOWNS`].
    pub fn new(unknowns: usize) -> Result<Self, LsqError> {
        if unknowns == 0 || unknowns > MOST_UNKNOWNS {
            return Err(LsqError::Unknowns { found: unknowns });
        }
        let width = unknowns + 1;
        Ok(LeastSquares {
            unknowns,
            triangle: vec![0.0; unknowns * width],
            block: Vec::with_capacity(BLOCK * width),
            scratch: vec![0.0; width],
            rows: 0,
            residual: Total::default(),
        })
    }

    /// Takes the row that `fill` writes (one coefficient per unknown, zero when it is called) and its
    /// right-hand side. Both must be finite.
    pub fn push(&mut self, right: f64, fill: impl FnOnce(&mut [f64])) {
        let start = self.block.len();
        self.block.resize(start + self.unknowns, 0.0);
        if let Some(row) = self.block.get_mut(start..) {
            fill(row);
        }
        self.block.push(right);
        self.rows += 1;
        if self.block.len() == BLOCK * (self.unknowns + 1) {
            self.fold();
        }
    }

    /// Rows taken so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Folds the gathered rows into the triangle: one reflection per column, which takes the column of
    /// the block to zero.
    fn fold(&mut self) {
        let width = self.unknowns + 1;
        for (j, top) in self.triangle.chunks_exact_mut(width).enumerate() {
            let below: f64 = self
                .block
                .chunks_exact(width)
                .map(|row| row[j] * row[j])
                .sum();
            if below == 0.0 {
                continue;
            }
            let head = top[j];
            let norm = (head * head + below).sqrt();
            let corner = if head > 0.0 { -norm } else { norm };
            // The reflection is 1 - 2vv'/v'v with v = (head - corner, column of the block).
            let v = head - corner;
            let scale = -1.0 / (v * corner);
            let sums = &mut self.scratch[j + 1..width];
            for (sum, above) in sums.iter_mut().zip(&top[j + 1..width]) {
                *sum = v * above;
            }
            for row in self.block.chunks_exact(width) {
                let factor = row[j];
                for (sum, x) in sums.iter_mut().zip(&row[j + 1..width]) {
                    *sum += factor * x;
                }
            }
            sums.iter_mut().for_each(|sum| *sum *= scale);
            top[j] = corner;
            for (above, sum) in top[j + 1..width].iter_mut().zip(&*sums) {
                *above -= v * sum;
            }
            for row in self.block.chunks_exact_mut(width) {
                let factor = row[j];
                for (x, sum) in row[j + 1..width].iter_mut().zip(&*sums) {
                    *x -= factor * sum;
                }
            }
        }
        for row in self.block.chunks_exact(width) {
            self.residual.add(row[self.unknowns] * row[self.unknowns]);
        }
        self.block.clear();
    }

    /// Sine of the angle between a column and those before it; zero for a column of zeros.
    fn sine(&self, j: usize) -> f64 {
        let at = |i: usize| self.triangle[i * (self.unknowns + 1) + j];
        let length = (0..=j).map(|i| at(i) * at(i)).sum::<f64>().sqrt();
        if length > 0.0 {
            at(j).abs() / length
        } else {
            0.0
        }
    }

    /// The first column whose angle to those before it has at most this sine, by the rows so far.
    pub fn dependent(&mut self, sine: f64) -> Option<usize> {
        self.fold();
        (0..self.unknowns).find(|j| self.sine(*j) <= sine)
    }

    /// The solution.
    ///
    /// # Errors
    /// [`LsqError::TooFew`] rows, or a [`LsqError::Dependent`] column.
    pub fn solve(mut self) -> Result<Fit, LsqError> {
        let p = self.unknowns;
        if self.rows < p as u64 {
            return Err(LsqError::TooFew {
                needed: p as u64,
                found: self.rows,
            });
        }
        if let Some(column) = self.dependent(SMALLEST_ANGLE) {
            return Err(LsqError::Dependent { column });
        }
        let at = |i: usize, j: usize| self.triangle[i * (p + 1) + j];
        // The inverse of the triangle, column by column, by back substitution.
        let mut root = vec![0.0; p * p];
        for k in 0..p {
            root[k * p + k] = 1.0 / at(k, k);
            for i in (0..k).rev() {
                let sum: f64 = (i + 1..=k).map(|m| at(i, m) * root[m * p + k]).sum();
                root[i * p + k] = -sum / at(i, i);
            }
        }
        let mut coefficients = vec![0.0; p];
        for i in (0..p).rev() {
            let known: f64 = (i + 1..p).map(|k| at(i, k) * coefficients[k]).sum();
            coefficients[i] = (at(i, p) - known) / at(i, i);
        }
        Ok(Fit {
            coefficients,
            residual: self.residual.value(),
            rows: self.rows,
            root,
        })
    }
}

/// A least-squares solution.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// One per unknown.
    pub coefficients: Vec<f64>,
    /// Sum of the squared residuals.
    pub residual: f64,
    /// Rows behind it.
    pub rows: u64,
    /// Inverse of the triangle, p by p, rows one after another.
    root: Vec<f64>,
}

impl Fit {
    /// Rows less unknowns.
    pub fn degrees_of_freedom(&self) -> u64 {
        self.rows - self.coefficients.len() as u64
    }

    /// Standard deviation of the residuals, s = sqrt(RSS / degrees of freedom); `None` without any.
    pub fn residual_sd(&self) -> Option<f64> {
        let dof = self.degrees_of_freedom();
        (dof > 0).then(|| (self.residual / dof as f64).sqrt())
    }

    /// Row `i` of the root G of the unscaled covariance, (D'D)^-1 = G·G': the change of coefficient `i`
    /// with each of as many independent sources of unit variance, for residuals of unit variance.
    pub fn root(&self, i: usize) -> &[f64] {
        let p = self.coefficients.len();
        self.root.get(i * p..(i + 1) * p).unwrap_or(&[])
    }

    /// Unscaled covariance of coefficients `i` and `j`, an element of (D'D)^-1.
    pub fn unscaled_covariance(&self, i: usize, j: usize) -> f64 {
        self.root(i)
            .iter()
            .zip(self.root(j))
            .map(|(a, b)| a * b)
            .sum()
    }

    /// Covariance of coefficients `i` and `j`, s²(D'D)^-1; `None` without degrees of freedom.
    pub fn covariance(&self, i: usize, j: usize) -> Option<f64> {
        self.residual_sd()
            .map(|s| s * s * self.unscaled_covariance(i, j))
    }

    /// Standard error of coefficient `i`; `None` without degrees of freedom.
    pub fn standard_error(&self, i: usize) -> Option<f64> {
        self.residual_sd()
            .map(|s| s * self.unscaled_covariance(i, i).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(rows: &[(Vec<f64>, f64)]) -> Result<Fit, LsqError> {
        let mut solver = LeastSquares::new(rows[0].0.len())?;
        for (row, right) in rows {
            solver.push(*right, |r| r.copy_from_slice(row));
        }
        solver.solve()
    }

    /// Normal equations solved by Gauss-Jordan elimination: coefficients and (D'D)^-1.
    fn slow(rows: &[(Vec<f64>, f64)]) -> (Vec<f64>, Vec<Vec<f64>>) {
        let p = rows[0].0.len();
        let mut m = vec![vec![0.0; 2 * p]; p];
        let mut right = vec![0.0; p];
        for (row, y) in rows {
            for i in 0..p {
                right[i] += row[i] * y;
                (0..p).for_each(|j| m[i][j] += row[i] * row[j]);
            }
        }
        (0..p).for_each(|i| m[i][p + i] = 1.0);
        for i in 0..p {
            let pivot = m[i][i];
            m[i].iter_mut().for_each(|x| *x /= pivot);
            for k in (0..p).filter(|k| *k != i) {
                let factor = m[k][i];
                (0..2 * p).for_each(|j| m[k][j] -= factor * m[i][j]);
            }
        }
        let inverse: Vec<Vec<f64>> = m.iter().map(|row| row[p..].to_vec()).collect();
        (
            inverse
                .iter()
                .map(|row| row.iter().zip(&right).map(|(a, b)| a * b).sum())
                .collect(),
            inverse,
        )
    }

    /// Numbers from -0.5 to 0.5 by a congruential generator (Knuth's MMIX constants).
    fn noise(n: usize) -> Vec<f64> {
        let mut state = 1u64;
        let next = |_| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        (0..n).map(next).collect()
    }

    /// Points (0, 1), (1, 3), (2, 4): slope 3/2, level 7/6, residuals -1/6, 1/3, -1/6 (by hand), so RSS
    /// 1/6 and (D'D)^-1 = [[5/6, -1/2], [-1/2, 1/2]]. A dozen roundings of numbers below 4: 1e-14.
    #[test]
    fn a_line_through_three_points() {
        let rows: Vec<_> = [1.0, 3.0, 4.0]
            .iter()
            .enumerate()
            .map(|(x, y)| (vec![1.0, x as f64], *y))
            .collect();
        let fit = fit(&rows).expect("a line");
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-14, "{a} {b}");
        near(fit.coefficients[0], 7.0 / 6.0);
        near(fit.coefficients[1], 1.5);
        near(fit.residual, 1.0 / 6.0);
        near(fit.unscaled_covariance(0, 0), 5.0 / 6.0);
        near(fit.unscaled_covariance(0, 1), -0.5);
        near(fit.unscaled_covariance(1, 1), 0.5);
        near(
            fit.standard_error(1).expect("one degree of freedom"),
            (1.0f64 / 12.0).sqrt(),
        );
        assert_eq!(fit.degrees_of_freedom(), 1);
    }

    /// Random well-conditioned columns (condition of D'D below 10): the normal equations lose one
    /// digit of sixteen over 1000 rows, rounding to 1e-13 relative at worst; 1e-11 leaves a margin.
    #[test]
    fn many_rows_agree_with_the_normal_equations() {
        for (rows, p) in [(7, 7), (64, 5), (65, 5), (1000, 12)] {
            let values = noise(rows * (p + 1));
            let rows: Vec<_> = values
                .chunks(p + 1)
                .map(|r| (r[..p].to_vec(), r[p]))
                .collect();
            let fit = fit(&rows).expect("a solution");
            let (coefficients, inverse) = slow(&rows);
            // A square random system may have a condition of 1e4, squared by the normal equations.
            let bound = if rows.len() == p { 1e-6 } else { 1e-11 };
            for i in 0..p {
                let size = inverse[i][i].abs().max(1.0);
                assert!(
                    (fit.coefficients[i] - coefficients[i]).abs() < bound * size,
                    "{p} {i}"
                );
                for (j, expected) in inverse[i].iter().enumerate() {
                    let size = size.max(inverse[j][j].abs());
                    assert!(
                        (fit.unscaled_covariance(i, j) - expected).abs() < bound * size,
                        "{p} {i} {j}"
                    );
                }
            }
            let residuals = |(row, y): &(Vec<f64>, f64)| {
                let model: f64 = row.iter().zip(&fit.coefficients).map(|(a, b)| a * b).sum();
                (y - model) * (y - model)
            };
            let expected: f64 = rows.iter().map(residuals).sum();
            assert!(
                (fit.residual - expected).abs() < 1e-12 * rows.len() as f64,
                "{p}"
            );
        }
    }

    /// The Hilbert-like columns x^k, k = 0 to 6, on 100 points of 0 to 1 have a condition near 1e6, where
    /// the normal equations would keep four digits; reflections keep 16 - 6, checked to nine.
    #[test]
    fn a_badly_conditioned_polynomial_keeps_its_digits() {
        let rows: Vec<(Vec<f64>, f64)> = (0..100)
            .map(|i| {
                let x = f64::from(i) / 99.0;
                let powers: Vec<f64> = (0..7).map(|k| x.powi(k)).collect();
                let sum = powers.iter().sum();
                (powers, sum)
            })
            .collect();
        let fit = fit(&rows).expect("a polynomial");
        assert!(
            fit.coefficients.iter().all(|c| (c - 1.0).abs() < 1e-9),
            "{:?}",
            fit.coefficients
        );
    }

    #[test]
    fn a_dependent_column_is_named() {
        let rows: Vec<_> = noise(300)
            .chunks(2)
            .map(|r| (vec![r[0], r[1], r[0] - 3.0 * r[1], 1.0], 1.0))
            .collect();
        assert_eq!(fit(&rows), Err(LsqError::Dependent { column: 2 }));
        let rows: Vec<_> = noise(30).iter().map(|x| (vec![*x, 0.0], 1.0)).collect();
        assert_eq!(fit(&rows), Err(LsqError::Dependent { column: 1 }));
    }

    #[test]
    fn too_few_rows_or_unknowns_are_refused() {
        assert_eq!(
            fit(&[(vec![1.0, 2.0], 0.0)]),
            Err(LsqError::TooFew {
                needed: 2,
                found: 1
            })
        );
        assert!(LeastSquares::new(0).is_err() && LeastSquares::new(MOST_UNKNOWNS + 1).is_err());
    }
}
