//! Weights of generalised least squares: what a covariance V and a design X say of a solution, whatever the numbers are.
//!
//! V = LL' (Cholesky); rows of L⁻¹X, with the numbers beside them, are solved by reflections. L and L⁻¹X are made once
//! and serve any numbers, as those of trials.

use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::stage::Fault;
use phasemill_engine::statistics::{Law, Ratio};

use super::lsq::{Fit, LeastSquares};

/// Part of a variance that has to be left when what is known from the numbers before is taken out; rounding
/// leaves some 1e-16 per number.
const SINGULAR: f64 = 1e-12;

/// A covariance without an inverse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Singular {
    /// The first number that follows from those before it.
    pub row: usize,
    /// Whether it has no variance at all.
    pub bare: bool,
}

/// A fault of a solution.
pub fn failed(why: String) -> Fault {
    Fault::Numeric {
        what: "least squares",
        why,
    }
}

/// What uncertainties and terms say of a solution, whatever the numbers are.
pub struct Weights {
    pub(super) n: usize,
    /// L of V = LL', row after row.
    pub(super) root: Vec<f64>,
    /// Those of L⁻¹X.
    pub(super) columns: Vec<Vec<f64>>,
    /// That of chi-square.
    law: Arc<Law>,
}

impl Weights {
    /// Of `n` numbers with a covariance, row after row; `design` writes the terms of a row.
    ///
    /// # Errors
    /// A covariance that is singular.
    pub fn new(
        covariance: Vec<f64>,
        n: usize,
        unknowns: usize,
        design: impl Fn(usize, &mut [f64]),
    ) -> Result<Self, Singular> {
        let root = cholesky(covariance, n)?;
        let mut columns = vec![vec![0.0; n]; unknowns];
        let mut row = vec![0.0; unknowns];
        for k in 0..n {
            row.fill(0.0);
            design(k, &mut row);
            columns.iter_mut().zip(&row).for_each(|(c, x)| c[k] = *x);
        }
        columns.iter_mut().for_each(|c| forward(&root, n, c));
        let freedom = Ratio::known(n.saturating_sub(unknowns) as f64);
        Ok(Weights {
            n,
            root,
            columns,
            law: Arc::new(Law::new(vec![freedom])),
        })
    }

    /// With the law of chi-square of a covariance that was estimated; without it that of one that is known.
    pub fn with_law(self, law: Arc<Law>) -> Self {
        Weights { law, ..self }
    }

    /// The law of chi-square.
    pub fn law(&self) -> &Arc<Law> {
        &self.law
    }

    /// The solution for these numbers.
    ///
    /// # Errors
    /// Terms that cannot be told apart.
    pub fn solve(&self, mut y: Vec<f64>) -> Result<Solved, Fault> {
        forward(&self.root, self.n, &mut y);
        let unknowns = self.columns.len();
        let degrees_of_freedom = self.n - unknowns;
        if unknowns == 0 {
            return Ok(Solved {
                coefficients: Vec::new(),
                chi_square: y.iter().map(|x| x * x).sum(),
                degrees_of_freedom,
                law: self.law.clone(),
                fit: None,
            });
        }
        let mut solver = LeastSquares::new(unknowns).map_err(|e| failed(e.to_string()))?;
        for (k, y) in y.iter().enumerate() {
            solver.push(*y, |row| {
                row.iter_mut()
                    .zip(&self.columns)
                    .for_each(|(r, c)| *r = c[k]);
            });
        }
        let fit = solver.solve().map_err(|e| failed(e.to_string()))?;
        Ok(Solved {
            coefficients: fit.coefficients.clone(),
            chi_square: fit.residual,
            degrees_of_freedom,
            law: self.law.clone(),
            fit: Some(fit),
        })
    }

    /// Change of each coefficient with each number.
    pub fn gains(&self, solved: &Solved) -> Vec<Vec<f64>> {
        let Some(fit) = &solved.fit else {
            return Vec::new();
        };
        let unknowns = self.columns.len();
        let gains = (0..unknowns).map(|i| {
            let inverse: Vec<f64> = (0..unknowns)
                .map(|j| fit.unscaled_covariance(i, j))
                .collect();
            let sum = |k: usize| {
                inverse
                    .iter()
                    .zip(&self.columns)
                    .map(|(a, c)| a * c[k])
                    .sum()
            };
            let mut gain: Vec<f64> = (0..self.n).map(sum).collect();
            backward(&self.root, self.n, &mut gain);
            gain
        });
        gains.collect()
    }
}

/// What numbers give.
pub struct Solved {
    /// One per unknown.
    pub coefficients: Vec<f64>,
    /// Residuals times the inverse of their covariance times residuals.
    pub chi_square: f64,
    /// Numbers less unknowns.
    pub degrees_of_freedom: usize,
    law: Arc<Law>,
    fit: Option<Fit>,
}

impl Solved {
    /// A sum of coefficients with complex weights.
    pub fn sum(&self, weights: &[Complex64]) -> Complex64 {
        let terms = weights.iter().zip(&self.coefficients);
        terms.map(|(w, c)| w * c).sum()
    }

    /// Chi-square, the probability of as much or more if the values scatter as their uncertainties say, as far as these
    /// are known (`gls_law`), and the Birge ratio sqrt(chi-square/degrees of freedom) (Birge, Phys. Rev. 40, 207 (1932)); the latter two are
    /// missing without degrees of freedom.
    pub fn tests(&self) -> [f64; 3] {
        let freedom = self.degrees_of_freedom as f64;
        let (p, birge) = match self.degrees_of_freedom {
            0 => (f64::NAN, f64::NAN),
            _ => (
                self.law.above(self.chi_square),
                (self.chi_square / freedom).sqrt(),
            ),
        };
        [self.chi_square, p, birge]
    }
}

/// The lower triangle L of V = LL', in place.
fn cholesky(mut v: Vec<f64>, n: usize) -> Result<Vec<f64>, Singular> {
    for j in 0..n {
        let known: f64 = (0..j).map(|k| v[j * n + k] * v[j * n + k]).sum();
        let left = v[j * n + j] - known;
        if left.is_nan() || left <= SINGULAR * v[j * n + j] {
            return Err(Singular {
                row: j,
                bare: v[j * n + j] <= 0.0,
            });
        }
        let pivot = left.sqrt();
        v[j * n + j] = pivot;
        for i in j + 1..n {
            let known: f64 = (0..j).map(|k| v[i * n + k] * v[j * n + k]).sum();
            v[i * n + j] = (v[i * n + j] - known) / pivot;
        }
    }
    Ok(v)
}

/// L⁻¹x, in place.
pub(super) fn forward(root: &[f64], n: usize, x: &mut [f64]) {
    let first = x.iter().position(|x| *x != 0.0).unwrap_or(n);
    for i in first..n {
        let known: f64 = (first..i).map(|k| root[i * n + k] * x[k]).sum();
        x[i] = (x[i] - known) / root[i * n + i];
    }
}

/// L'⁻¹x, in place.
fn backward(root: &[f64], n: usize, x: &mut [f64]) {
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|k| root[k * n + i] * x[k]).sum();
        x[i] = (x[i] - known) / root[i * n + i];
    }
}
