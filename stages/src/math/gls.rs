//! Generalised least squares over a series of estimates, with the covariance that their sources give them.
//!
//! With design matrix X, values y and covariance V the solution is (X'V⁻¹X)⁻¹X'V⁻¹y, a linear function of the
//! values (Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935)); so every source acts on it as on the values, and what
//! is made of it stays correlated with them. What rests on V and X alone serves any values ([`Weights`]).

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::stage::{Checker, Fault};
use phasemill_engine::statistics::too_good;
use phasemill_engine::units::{Unit, format_quantity};
use phasemill_engine::value::{About, Estimate, Reach, Value};

use super::gls_law::law;
use super::gls_weights::{Singular, Solved, Weights, failed};

/// Most numbers that are solved for together: their covariance takes the square of it.
const MOST: usize = 2000;

/// A number of an estimate: its part along a direction of size 1.
#[derive(Clone, Copy, Debug)]
struct Row {
    estimate: usize,
    direction: Complex64,
}

/// A source of uncertainty, as it acts on the numbers.
#[derive(Default)]
pub(super) struct Acting {
    pub freedom: f64,
    /// The estimates that it acts on.
    pub values: BTreeSet<usize>,
    /// Rows and the effects on them of each independent component.
    pub components: BTreeMap<u32, Vec<(usize, f64)>>,
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
        Self::of_points(series, directions, |_| true)
    }

    /// The same of the points that are `taken`.
    pub fn of_points(
        series: &'e [Option<Value>],
        directions: &[Complex64],
        taken: impl Fn(usize) -> bool,
    ) -> Self {
        let usable = series.iter().enumerate().filter_map(|(k, v)| {
            let estimate = v.as_ref().filter(|_| taken(k))?.estimate()?;
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

    /// The numbers in the rows.
    pub fn values(&self) -> Vec<f64> {
        let value = |row: &Row| along(row.direction, self.estimates[row.estimate].value);
        self.rows.iter().map(value).collect()
    }

    /// Where the numbers come from: points of the series and directions.
    pub fn places(&self) -> Places {
        let place = |row: &Row| (self.points[row.estimate], row.direction);
        Places(self.rows.iter().map(place).collect())
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
    pub fn covariance(&self, counts: impl Fn(&About) -> bool) -> Vec<f64> {
        // Effects by source, its components, and rows. Parts of one source follow each other, so that names
        // need not be compared for each.
        let mut known: BTreeMap<&str, usize> = BTreeMap::new();
        let mut sources: Vec<Vec<(u32, usize, f64)>> = Vec::new();
        for (k, row) in self.rows.iter().enumerate() {
            let mut last: Option<(&Arc<About>, Option<usize>)> = None;
            for part in self.estimates[row.estimate].parts.iter().flatten() {
                let about = &part.source.about;
                let at = match last {
                    Some((before, at)) if Arc::ptr_eq(before, about) => at,
                    _ => counts(about).then(|| {
                        *known.entry(about.name.as_str()).or_insert_with(|| {
                            sources.push(Vec::new());
                            sources.len() - 1
                        })
                    }),
                };
                last = Some((about, at));
                if let Some(source) = at.and_then(|at| sources.get_mut(at)) {
                    source.push((part.source.index, k, along(row.direction, part.effect)));
                }
            }
        }
        let n = self.rows.len();
        let mut covariance = vec![0.0; n * n];
        // In the order of names and components, so that sums do not depend on where a source came up first.
        for at in known.into_values() {
            let source = &mut sources[at];
            source.sort_by_key(|(component, ..)| *component);
            for effects in source.chunk_by(|a, b| a.0 == b.0) {
                for (k, (_, i, a)) in effects.iter().enumerate() {
                    for (_, j, b) in &effects[..=k] {
                        covariance[i * n + j] += a * b;
                    }
                }
            }
        }
        for i in 0..n {
            for j in 0..i {
                covariance[j * n + i] = covariance[i * n + j];
            }
        }
        covariance
    }

    /// What the uncertainties say of `unknowns` coefficients; `design` writes those of a row.
    ///
    /// # Errors
    /// Too few or too many numbers, ones without uncertainty, or terms that cannot be told apart.
    pub fn weights(
        &self,
        unknowns: usize,
        counts: impl Fn(&About) -> bool,
        design: impl Fn(usize, &mut [f64]),
    ) -> Result<Weights, Fault> {
        let n = self.rows.len();
        if n < unknowns.max(1) {
            return Err(Fault::TooFew {
                what: "points with a value",
                needed: unknowns.max(1) as u64,
                found: n as u64,
            });
        }
        if n > MOST {
            return Err(failed(format!(
                "expected at most {MOST} numbers, found {n}"
            )));
        }
        if self.estimates.iter().any(|e| e.parts.is_none()) {
            return Err(failed("the uncertainty of a point is not evaluated".into()));
        }
        let weights = Weights::new(self.covariance(&counts), n, unknowns, design);
        let weights = weights.map_err(|singular| failed(self.tied(singular)))?;
        let law = law(&weights, &self.sources(counts))?;
        Ok(weights.with_law(law))
    }

    /// The sources that count, by name.
    fn sources(&self, counts: impl Fn(&About) -> bool) -> BTreeMap<&'e str, Acting> {
        let mut sources: BTreeMap<&str, Acting> = BTreeMap::new();
        for (k, row) in self.rows.iter().enumerate() {
            let parts = self.estimates[row.estimate].parts.iter().flatten();
            for part in parts.filter(|p| counts(&p.source.about)) {
                let about = &part.source.about;
                let acting = sources.entry(&about.name).or_default();
                acting.freedom = about.degrees_of_freedom;
                acting.values.insert(row.estimate);
                let component = acting.components.entry(part.source.index).or_default();
                component.push((k, along(row.direction, part.effect)));
            }
        }
        sources
    }

    /// Why numbers with such a covariance have no weights.
    fn tied(&self, singular: Singular) -> String {
        let Row {
            estimate,
            direction,
        } = self.rows[singular.row];
        let (part, remedy) = match (self.rows.len() > self.estimates.len(), direction.re) {
            (false, _) => ("value", ""),
            (true, 0.0) => (
                "quadrature part",
                ", or take the in-phase parts alone (`Parts`)",
            ),
            (true, _) => ("in-phase part", ", or take one part alone (`Parts`)"),
        };
        let point = self.points[estimate];
        match singular.bare {
            true => format!(
                "the {part} of point {point} has no uncertainty of its own, from which its weight would follow"
            ),
            false => format!(
                "the {part} of point {point} follows from the points before it, with no uncertainty of its own, as where a \
                 phase or a mean that was found from all points was taken out of them; do that behind this stage{remedy}"
            ),
        }
    }

    /// Solves for `unknowns` coefficients; `design` writes those of a row.
    ///
    /// # Errors
    /// As of [`Observations::weights`].
    pub fn solve(
        &self,
        unknowns: usize,
        counts: impl Fn(&About) -> bool,
        design: impl Fn(usize, &mut [f64]),
    ) -> Result<Solution<'_, 'e>, Fault> {
        let weights = self.weights(unknowns, counts, design)?;
        let solved = weights.solve(self.values())?;
        Ok(Solution {
            observations: self,
            gains: weights.gains(&solved),
            solved,
        })
    }
}

/// The part of a number along a direction of size 1.
fn along(direction: Complex64, z: Complex64) -> f64 {
    (direction.conj() * z).re
}

/// Points of a series, counted from 0, and directions of size 1 along which their values are taken.
pub struct Places(Vec<(usize, Complex64)>);

impl Places {
    /// The numbers there; `None` where a point has no value.
    pub fn values(&self, series: &[Option<Complex64>]) -> Option<Vec<f64>> {
        let value = |&(point, direction): &(usize, Complex64)| {
            Some(along(direction, (*series.get(point)?)?))
        };
        self.0.iter().map(value).collect()
    }
}

/// A solution that knows what it was made of.
pub struct Solution<'o, 'e> {
    observations: &'o Observations<'e>,
    /// The numbers.
    pub solved: Solved,
    /// Change of each coefficient with each number.
    gains: Vec<Vec<f64>>,
}

impl Solution<'_, '_> {
    /// A sum of coefficients with complex weights, as an estimate that shares the sources of the values.
    pub fn estimate(&self, weights: &[Complex64]) -> Estimate {
        let value = self.solved.sum(weights);
        let per = self.observations.rows.len() / self.observations.estimates.len().max(1);
        Estimate::propagate(&self.observations.estimates, value, |input, d| {
            (input * per..(input + 1) * per)
                .map(|row| {
                    let along = along(self.observations.rows[row].direction, d);
                    let gains = weights.iter().zip(&self.gains);
                    gains.map(|(w, g)| w * g[row]).sum::<Complex64>() * along
                })
                .sum()
        })
    }

    /// [`Solved::tests`] as estimates.
    pub fn tests(&self) -> [Estimate; 3] {
        self.solved.tests().map(Estimate::real)
    }
}

/// What to remark on in the values of a stage that ends with chi-square, its probability and the Birge ratio.
pub fn too_close(values: &[Vec<Option<Value>>]) -> Vec<String> {
    let number = |from_end: usize| {
        let port = values.len().checked_sub(from_end)?;
        Some(values[port].first()?.as_ref()?.estimate()?.value.re)
    };
    let (Some(chi_square), Some(p), Some(birge)) = (number(3), number(2), number(1)) else {
        return Vec::new();
    };
    let freedom = (chi_square / (birge * birge)).round();
    let remark = too_good(p, freedom).then(|| {
        format!(
            "chi-square is {} over {freedom} degrees of freedom, and chance gives as little in less than one of 1000: the \
             uncertainties may be overstated, or the points not independent, as where one noise is in all of them",
            format_quantity(chi_square, &Unit::one(), 3)
        )
    });
    remark.into_iter().collect()
}

#[cfg(test)]
#[path = "gls_tests.rs"]
mod tests;
