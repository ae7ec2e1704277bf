//! The law of chi-square of generalised least squares, where the uncertainties of the values are estimates.
//!
//! Every source is an estimate of its own share of the covariance V, with its own degrees of freedom. What acts on one
//! value alone makes one term of the law with what else does; what acts on several makes one by itself. With P the
//! inverse of V less what the unknowns take up, P = V⁻¹ - V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, a source of covariance S has the traces
//! a = tr SP and b = tr SPSP ([`Ratio::estimated`]); all a together are the numbers less the unknowns. The law is exact
//! for independent values whose covariance has one estimate each, and right to first order in one over the degrees of
//! freedom in general.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use phasemill_engine::stage::Fault;
use phasemill_engine::statistics::{Law, Ratio};

use super::gls::Acting;
use super::gls_weights::{Weights, forward};

/// Part of all numbers below which a term is only rounding.
const ROUNDING: f64 = 1e-9;

/// Effects e on the numbers, as P needs them.
struct Prepared {
    /// L⁻¹e.
    white: Vec<f64>,
    /// X'V⁻¹e.
    along: Vec<f64>,
    /// What they change the unknowns by.
    moved: Vec<f64>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

impl Prepared {
    /// e'Pf.
    fn product(&self, other: &Prepared) -> f64 {
        dot(&self.white, &other.white) - dot(&self.along, &other.moved)
    }
}

/// What P is made of.
struct Inverse<'w> {
    weights: &'w Weights,
    /// Change of each unknown with each number.
    gains: Vec<Vec<f64>>,
}

impl Inverse<'_> {
    fn prepared(&self, effects: &[(usize, f64)]) -> Prepared {
        let Weights {
            n, root, columns, ..
        } = self.weights;
        let mut white = vec![0.0; *n];
        effects.iter().for_each(|(row, e)| white[*row] += e);
        forward(root, *n, &mut white);
        let moved = |gain: &Vec<f64>| effects.iter().map(|(row, e)| gain[*row] * e).sum();
        Prepared {
            along: columns.iter().map(|c| dot(c, &white)).collect(),
            moved: self.gains.iter().map(moved).collect(),
            white,
        }
    }

    /// The traces of SP and SPSP.
    fn traces(&self, source: &Acting) -> (f64, f64) {
        let components: Vec<&Vec<(usize, f64)>> = source.components.values().collect();
        let rows: BTreeSet<usize> = components
            .iter()
            .flat_map(|c| c.iter().map(|e| e.0))
            .collect();
        // By components, or by the numbers that they act on, whichever are fewer.
        let (all, share): (Vec<Prepared>, _) = if rows.len() < components.len() {
            let one = |row: &usize| self.prepared(&[(*row, 1.0)]);
            let rows: Vec<usize> = rows.into_iter().collect();
            (
                rows.iter().map(one).collect(),
                Some(covariance(&rows, &components)),
            )
        } else {
            (components.iter().map(|c| self.prepared(c)).collect(), None)
        };
        let m = all.len();
        let inner = |k: usize| all[k / m].product(&all[k % m]);
        let inner: Vec<f64> = (0..m * m).map(inner).collect();
        let product = match share {
            None => inner,
            Some(share) => {
                let sum = |k: usize| {
                    (0..m)
                        .map(|i| share[k / m * m + i] * inner[i * m + k % m])
                        .sum()
                };
                (0..m * m).map(sum).collect()
            }
        };
        let trace = (0..m).map(|i| product[i * m + i]).sum();
        let square = (0..m * m)
            .map(|k| product[k] * product[k % m * m + k / m])
            .sum();
        (trace, square)
    }
}

/// The law of chi-square by the sources that make up the covariance.
///
/// # Errors
/// Terms that cannot be told apart.
pub(super) fn law(weights: &Weights, sources: &BTreeMap<&str, Acting>) -> Result<Arc<Law>, Fault> {
    let solved = weights.solve(vec![0.0; weights.n])?;
    let all = solved.degrees_of_freedom as f64;
    let inverse = Inverse {
        weights,
        gains: weights.gains(&solved),
    };
    let mut left = all;
    let mut own: BTreeMap<usize, [f64; 3]> = BTreeMap::new();
    let mut terms: Vec<[f64; 3]> = Vec::new();
    for source in sources.values() {
        let only = source.values.first().filter(|_| source.values.len() == 1);
        // What is known and acts on several takes up the rest.
        if only.is_none() && source.freedom == f64::INFINITY {
            continue;
        }
        let (a, b) = inverse.traces(source);
        left -= a;
        let term = [
            a,
            (a * a + b) / source.freedom,
            (a * a + 2.0 * b) / source.freedom,
        ];
        match only {
            Some(value) => {
                let sums = own.entry(*value).or_default();
                sums.iter_mut().zip(term).for_each(|(sum, x)| *sum += x);
            }
            None => terms.push(term),
        }
    }
    let counts = |numbers: &f64| *numbers > ROUNDING * all;
    let estimated = own.into_values().chain(terms).filter(|[a, ..]| counts(a));
    let ratio = |[a, raised, spread]: [f64; 3]| Ratio::estimated(a, raised, spread);
    let known = Some(left).filter(counts).map(Ratio::known);
    Ok(Arc::new(Law::new(
        estimated.map(ratio).chain(known).collect(),
    )))
}

/// Covariance of these rows by the components.
fn covariance(rows: &[usize], components: &[&Vec<(usize, f64)>]) -> Vec<f64> {
    let m = rows.len();
    let mut sums = vec![0.0; m * m];
    for component in components {
        let effect = |row: usize| -> f64 {
            let own = component.iter().filter(|(r, _)| *r == row);
            own.map(|(_, e)| e).sum()
        };
        let effects: Vec<f64> = rows.iter().map(|row| effect(*row)).collect();
        for (k, sum) in sums.iter_mut().enumerate() {
            *sum += effects[k / m] * effects[k % m];
        }
    }
    sums
}

#[cfg(test)]
#[path = "gls_law_tests.rs"]
mod tests;
