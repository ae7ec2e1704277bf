//! Generalised least squares over a series of estimates, with the covariance that their sources give them.
//!
//! With design matrix X, values y and covariance V the solution is (X'V⁻¹X)⁻¹X'V⁻¹y, a linear function of the
//! values (Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935)); so every source acts on it as on the values, and what
//! is made of it stays correlated with them. V = LL' (Cholesky); rows of L⁻¹X are solved by reflections.

use std::collections::BTreeMap;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::stage::{Checker, Fault};
use phasemill_engine::statistics::chi_square_above;
use phasemill_engine::value::{About, Estimate, Reach, Value};

use super::lsq::LeastSquares;

/// Most numbers that are solved for together: their covariance takes the square of it.
const MOST: usize = 2000;

/// Part of a variance that has to be left when what is known from the numbers before is taken out; rounding
/// leaves some 1e-16 per number.
const SINGULAR: f64 = 1e-12;

/// A number of an estimate: its part along a direction of size 1.
#[derive(Clone, Copy, Debug)]
struct Row {
    estimate: usize,
    direction: Complex64,
}

/// Numbers of the estimates of a series.
pub struct Observations<'e> {
    estimates: Vec<&'e Estimate>,
    /// Index in the series of each estimate.
    pub points: Vec<usize>,
    rows: Vec<Row>,
}

/// Whether a source tells one point from another; a constant acts on all.
pub fn own(about: &About) -> bool {
    about.reach != Reach::Everywhere
}

/// Reports an input that is no series of at least so many estimates with evaluated uncertainties.
pub fn expect_series(
    index: usize,
    input: &Flow,
    kinds: &[Kind],
    needed: u64,
    checker: &mut Checker<'_>,
) -> bool {
    if !checker.expect_kind(index, input, kinds) {
        return false;
    }
    if !input.evaluated {
        let message = "expected estimates with an evaluated uncertainty, found some without";
        let help = "weights and probabilities need one; let `Average` evaluate it";
        checker.error("of", Code::Uncertainty, message, help);
        return false;
    }
    if let Some(found) = input.points.filter(|n| *n < needed) {
        let message = format!("expected at least {needed} points, found {found}");
        checker.error(
            "of",
            Code::OutOfRange,
            message,
            "give a recording of a sweep, or do without",
        );
        return false;
    }
    true
}

impl<'e> Observations<'e> {
    /// The values of the usable points of a series along these directions each. A value of exactly zero without
    /// any uncertainty, as of a background point less itself, is left out.
    pub fn new(series: &'e [Option<Value>], directions: &[Complex64]) -> Self {
        let usable = series.iter().enumerate().filter_map(|(k, v)| {
            let estimate = v.as_ref()?.estimate()?;
            let nothing = estimate.value.norm_sqr() == 0.0
                && estimate.covariance().is_some_and(|c| c == [0.0; 3]);
            (!nothing).then_some((k, estimate))
        });
        let (points, estimates): (Vec<usize>, Vec<&Estimate>) = usable.unzip();
        let rows = (0..estimates.len()).flat_map(|estimate| {
            directions.iter().map(move |&direction| Row {
                estimate,
                direction,
            })
        });
        Observations {
            rows: rows.collect(),
            points,
            estimates,
        }
    }

    /// The estimates.
    pub fn estimates(&self) -> &[&'e Estimate] {
        &self.estimates
    }

    /// The number in a row.
    pub fn value(&self, row: usize) -> f64 {
        let row = &self.rows[row];
        (row.direction.conj() * self.estimates[row.estimate].value).re
    }

    /// How many numbers there are.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Covariance of the numbers by the sources that count, row after row.
    fn covariance(&self, counts: impl Fn(&About) -> bool) -> Vec<f64> {
        let mut sources: BTreeMap<(&str, u32), Vec<(usize, f64)>> = BTreeMap::new();
        for (k, row) in self.rows.iter().enumerate() {
            let parts = self.estimates[row.estimate].parts.iter().flatten();
            for part in parts.filter(|p| counts(&p.source.about)) {
                let key = (part.source.about.name.as_str(), part.source.index);
                let effect = (row.direction.conj() * part.effect).re;
                sources.entry(key).or_default().push((k, effect));
            }
        }
        let n = self.rows.len();
        let mut covariance = vec![0.0; n * n];
        for effects in sources.values() {
            for (i, a) in effects {
                for (j, b) in effects {
                    covariance[i * n + j] += a * b;
                }
            }
        }
        covariance
    }

    /// Solves for `unknowns` coefficients; `design` writes those of a row.
    ///
    /// # Errors
    /// Too few or too many numbers, ones without uncertainty, or terms that cannot be told apart.
    pub fn solve(
        &self,
        unknowns: usize,
        counts: impl Fn(&About) -> bool,
        design: impl Fn(usize, &mut [f64]),
    ) -> Result<Solution<'_, 'e>, Fault> {
        let n = self.rows.len();
        if n < unknowns.max(1) {
            return Err(Fault::TooFew {
                what: "points with a value",
                needed: unknowns.max(1) as u64,
                found: n as u64,
            });
        }
        let failed = |why: String| Fault::Numeric {
            what: "least squares",
            why,
        };
        if n > MOST {
            return Err(failed(format!(
                "expected at most {MOST} numbers, found {n}"
            )));
        }
        if self.estimates.iter().any(|e| e.parts.is_none()) {
            return Err(failed("the uncertainty of a point is not evaluated".into()));
        }
        let root = cholesky(self.covariance(counts), n).ok_or_else(|| {
            failed("the uncertainties of the points leave a combination of them without any".into())
        })?;
        let mut y: Vec<f64> = (0..n).map(|k| self.value(k)).collect();
        forward(&root, n, &mut y);
        let mut columns = vec![vec![0.0; n]; unknowns];
        let mut row = vec![0.0; unknowns];
        for k in 0..n {
            row.fill(0.0);
            design(k, &mut row);
            columns.iter_mut().zip(&row).for_each(|(c, x)| c[k] = *x);
        }
        columns.iter_mut().for_each(|c| forward(&root, n, c));
        let (coefficients, chi_square, gains) = if unknowns == 0 {
            (Vec::new(), y.iter().map(|x| x * x).sum(), Vec::new())
        } else {
            let mut solver = LeastSquares::new(unknowns).map_err(|e| failed(e.to_string()))?;
            for k in 0..n {
                solver.push(y[k], |row| {
                    row.iter_mut().zip(&columns).for_each(|(r, c)| *r = c[k]);
                });
            }
            let fit = solver.solve().map_err(|e| failed(e.to_string()))?;
            let gains = (0..unknowns).map(|i| {
                let inverse: Vec<f64> = (0..unknowns)
                    .map(|j| fit.unscaled_covariance(i, j))
                    .collect();
                let mut gain: Vec<f64> = (0..n)
                    .map(|k| inverse.iter().zip(&columns).map(|(a, c)| a * c[k]).sum())
                    .collect();
                backward(&root, n, &mut gain);
                gain
            });
            let gains = gains.collect();
            (fit.coefficients.clone(), fit.residual, gains)
        };
        Ok(Solution {
            observations: self,
            coefficients,
            gains,
            chi_square,
            degrees_of_freedom: n - unknowns,
        })
    }
}

/// A solution.
pub struct Solution<'o, 'e> {
    observations: &'o Observations<'e>,
    /// One per unknown.
    pub coefficients: Vec<f64>,
    /// Change of each coefficient with each number.
    gains: Vec<Vec<f64>>,
    /// Residuals times the inverse of their covariance times residuals.
    pub chi_square: f64,
    /// Numbers less unknowns.
    pub degrees_of_freedom: usize,
}

impl Solution<'_, '_> {
    /// A sum of coefficients with complex weights, as an estimate that shares the sources of the values.
    pub fn estimate(&self, weights: &[Complex64]) -> Estimate {
        let value = weights
            .iter()
            .zip(&self.coefficients)
            .map(|(w, c)| w * c)
            .sum();
        let per = self.observations.rows.len() / self.observations.estimates.len().max(1);
        Estimate::propagate(&self.observations.estimates, value, |input, d| {
            (input * per..(input + 1) * per)
                .map(|row| {
                    let along = (self.observations.rows[row].direction.conj() * d).re;
                    let gains = weights.iter().zip(&self.gains);
                    gains.map(|(w, g)| w * g[row]).sum::<Complex64>() * along
                })
                .sum()
        })
    }

    /// Chi-square, the probability of as much or more if the values scatter as their uncertainties say, and the
    /// Birge ratio sqrt(chi-square/degrees of freedom) (Birge, Phys. Rev. 40, 207 (1932)); the latter two are
    /// missing without degrees of freedom.
    pub fn tests(&self) -> [Estimate; 3] {
        let freedom = self.degrees_of_freedom as f64;
        let (p, birge) = match self.degrees_of_freedom {
            0 => (f64::NAN, f64::NAN),
            _ => (
                chi_square_above(self.chi_square, freedom),
                (self.chi_square / freedom).sqrt(),
            ),
        };
        [self.chi_square, p, birge].map(Estimate::real)
    }
}

/// The lower triangle L of V = LL', in place; `None` when V is singular.
fn cholesky(mut v: Vec<f64>, n: usize) -> Option<Vec<f64>> {
    for j in 0..n {
        let known: f64 = (0..j).map(|k| v[j * n + k] * v[j * n + k]).sum();
        let left = v[j * n + j] - known;
        if left.is_nan() || left <= SINGULAR * v[j * n + j] {
            return None;
        }
        let pivot = left.sqrt();
        v[j * n + j] = pivot;
        for i in j + 1..n {
            let known: f64 = (0..j).map(|k| v[i * n + k] * v[j * n + k]).sum();
            v[i * n + j] = (v[i * n + j] - known) / pivot;
        }
    }
    Some(v)
}

/// L⁻¹x, in place.
fn forward(root: &[f64], n: usize, x: &mut [f64]) {
    for i in 0..n {
        let known: f64 = (0..i).map(|k| root[i * n + k] * x[k]).sum();
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

#[cfg(test)]
#[path = "gls_tests.rs"]
mod tests;
