//! The uncertainty of a mean of correlated samples, from stretches of the record.
//!
//! The noise behind a filter is correlated, but how is known: from the filter's own response, where the noise
//! before it is white around the signal ([`NoiseShape`]). So the scatter of a few stretches tells the density
//! of the noise, and the density tells the variance of the mean of everything.

use num_complex::Complex64;
use phasemill_engine::response::NoiseShape;

use super::patterns::{Line, line};
use super::sums::ComplexMean;

/// Pieces of which there are never as many; then pairs are joined.
const MOST_PIECES: usize = 128;

/// Stretches of which there are never more. Their scatter tells an uncertainty to 1/sqrt(2·31) of itself
/// (JCGM 100:2008, E.4.3); more and shorter ones would look at frequencies farther from the signal.
const MOST: usize = 32;

/// Stretches longer than the settling time that are preferred to shorter ones.
const ENOUGH: usize = 10;

/// Stretches below which there is no uncertainty.
pub const FEWEST: usize = 3;

/// Power, against that at the signal, that a chain must still let through at frequencies that are used.
const THROUGH: f64 = 0.1;

/// Ways to choose the stretches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// The first of the others that finds enough of them.
    Automatic,
    /// Longer than the settling time.
    Stretches,
    /// Shorter ones, made independent.
    Neighbours,
}

/// The stretches that a record is cut into.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cut {
    /// Never `Automatic`.
    pub method: Method,
    /// Pieces in each.
    pieces: usize,
    /// How many there are.
    pub count: usize,
    /// Seconds of each.
    pub length: f64,
}

/// How a record can be cut.
#[derive(Clone, Debug)]
pub struct Grid {
    /// Samples of the shortest piece: a period of the reference where that is known and longer than a sample,
    /// so that what ripples with it is the same in all.
    pub base: f64,
    /// Seconds until the chain has settled to 1 %.
    pub settling: f64,
    /// Samples per second.
    pub rate: f64,
    /// How the chain correlates noise.
    pub shape: NoiseShape,
}

impl Grid {
    /// The stretches of a record of so many samples; `None` when they are too few.
    pub fn cut(&self, samples: u64, method: Method) -> Option<Cut> {
        // A piece ends at the sample nearest to its end.
        let whole = |piece: f64| ((samples as f64 + 0.5) / piece).ceil() - 1.0;
        let mut piece = self.base.max(1.0);
        while whole(piece) >= MOST_PIECES as f64 {
            piece *= 2.0;
        }
        self.of_pieces(whole(piece).max(0.0) as usize, piece, method)
    }

    fn of_pieces(&self, count: usize, piece: f64, method: Method) -> Option<Cut> {
        let seconds = piece / self.rate;
        let least = count.div_ceil(MOST).max(1);
        let cut = |method, pieces: usize| Cut {
            method,
            pieces,
            count: count / pieces,
            length: seconds * pieces as f64,
        };
        let settled = (self.settling / seconds).ceil();
        if method != Method::Neighbours && settled < count as f64 {
            let found = cut(Method::Stretches, least.max(settled as usize));
            let needed = if method == Method::Automatic {
                ENOUGH
            } else {
                FEWEST
            };
            if found.count >= needed {
                return Some(found);
            }
        }
        if method == Method::Stretches {
            return None;
        }
        (least..=count / FEWEST)
            .map(|pieces| cut(Method::Neighbours, pieces))
            .find(|cut| self.lets_through(cut) >= THROUGH)
    }

    /// The power of white noise, against that at the signal, that is left at the highest frequency that
    /// stretches tell apart, half of one per stretch: the sum of their covariances with alternating sign.
    fn lets_through(&self, cut: &Cut) -> f64 {
        let lags = (self.shape.memory() / cut.length).ceil() as usize + 1;
        let (mut alternating, mut all) = (self.covariance(cut, 0), self.covariance(cut, 0));
        for lag in 1..=lags {
            let both = 2.0 * self.covariance(cut, lag);
            alternating += if lag % 2 == 0 { both } else { -both };
            all += both;
        }
        alternating / all
    }

    /// Covariance of two stretches of white noise of density 1.
    fn covariance(&self, cut: &Cut, apart: usize) -> f64 {
        self.shape.covariance(cut.length, apart as f64 * cut.length)
    }

    /// The Cholesky factor of the covariance of the stretches at these places.
    fn factor(&self, cut: &Cut, places: &[usize]) -> Option<Vec<Vec<f64>>> {
        let apart: Vec<f64> = (0..cut.count).map(|k| self.covariance(cut, k)).collect();
        let mut factor: Vec<Vec<f64>> = Vec::new();
        for (i, &place) in places.iter().enumerate() {
            let mut row: Vec<f64> = Vec::new();
            for (j, &other) in places[..=i].iter().enumerate() {
                let known = |k: &usize| if j == i { row[*k] } else { factor[j][*k] };
                let explained: f64 = (0..j).map(|k| row[k] * known(&k)).sum();
                let rest = apart[place - other] - explained;
                row.push(if j < i {
                    rest / factor[j][j]
                } else if rest > 0.0 {
                    rest.sqrt()
                } else {
                    return None;
                });
            }
            factor.push(row);
        }
        Some(factor)
    }

    /// The effects on the mean over `samples` of what each stretch was found to deviate by; the sum of their
    /// products is the covariance of the mean. `None` when too few stretches have samples.
    pub fn evaluate(&self, pieces: &Pieces, samples: u64, method: Method) -> Option<Found> {
        let cut = self.of_pieces(pieces.whole.len(), pieces.length, method)?;
        let (places, means): (Vec<usize>, Vec<Complex64>) = pieces.stretches(cut.pieces).unzip();
        let freedom = means.len().checked_sub(1).filter(|n| *n + 1 >= FEWEST)? as f64;
        let variance = self.shape.mean_variance(samples as f64 / self.rate);
        let deviations = match cut.method {
            Method::Neighbours => self.independent(&cut, &places, &means)?,
            _ => self.plain(&cut, &places, &means),
        };
        let scale = (variance / freedom).sqrt();
        let product = |a: Complex64, b: Complex64| a.re * b.re + a.im * b.im;
        let pairs = deviations.windows(2).zip(places.windows(2));
        let next: f64 = pairs
            .filter(|(_, p)| p[1] == p[0] + 1)
            .map(|(d, _)| product(d[0], d[1]))
            .sum();
        let all: f64 = deviations.iter().map(|d| product(*d, *d)).sum();
        let alike = next / all + 1.0 / means.len() as f64;
        // Behind a gap a line comes back at another phase.
        let whole = places.windows(2).all(|p| p[1] == p[0] + 1);
        let effects = places.iter().zip(&deviations);
        Some(Found {
            line: line(&deviations).filter(|_| whole),
            cut,
            freedom,
            effects: effects
                .map(|(place, d)| (*place as u32, d * scale))
                .collect(),
            drifts: (means.len() >= ENOUGH && alike > 3.3 / (means.len() as f64).sqrt())
                .then_some(alike),
        })
    }

    /// Deviations from the mean, in units in which white noise of density 1 gives 1 in the mean.
    fn plain(&self, cut: &Cut, places: &[usize], means: &[Complex64]) -> Vec<Complex64> {
        let n = means.len() as f64;
        let together: f64 = places
            .iter()
            .flat_map(|i| places.iter().map(|j| self.covariance(cut, i.abs_diff(*j))))
            .sum();
        let expected = (n * self.covariance(cut, 0) - together / n) / (n - 1.0);
        let mean = means.iter().sum::<Complex64>() / n;
        let scale = 1.0 / expected.sqrt();
        means.iter().map(|y| (y - mean) * scale).collect()
    }

    /// Deviations from the mean of least squares, made independent of each other: the forward solution
    /// with the Cholesky factor of their covariance.
    fn independent(
        &self,
        cut: &Cut,
        places: &[usize],
        means: &[Complex64],
    ) -> Option<Vec<Complex64>> {
        let factor = self.factor(cut, places)?;
        let mut ones: Vec<f64> = Vec::new();
        let mut values: Vec<Complex64> = Vec::new();
        for (row, y) in factor.iter().zip(means) {
            let i = values.len();
            let one: f64 = row.iter().zip(&ones).map(|(f, x)| f * x).sum();
            let value: Complex64 = row.iter().zip(&values).map(|(f, x)| x * *f).sum();
            ones.push((1.0 - one) / row[i]);
            values.push((y - value) / row[i]);
        }
        let weight: f64 = ones.iter().map(|x| x * x).sum();
        let mean = ones
            .iter()
            .zip(&values)
            .map(|(x, y)| y * *x)
            .sum::<Complex64>()
            / weight;
        Some(
            ones.iter()
                .zip(&values)
                .map(|(x, y)| y - mean * *x)
                .collect(),
        )
    }
}

/// What stretches tell of the uncertainty of a mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// How the record was cut.
    pub cut: Cut,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Effects on the mean, with the places of their stretches.
    pub effects: Vec<(u32, Complex64)>,
    /// The correlation of neighbouring stretches, where it is more than chance gives once in 2000 cases: then
    /// what was averaged drifts, and the uncertainty is too small.
    pub drifts: Option<f64>,
    /// A line among the stretches that chance does not give: then what was averaged beats with something.
    pub line: Option<Line>,
}

/// The means of equal pieces of a record of any length.
#[derive(Clone, Debug)]
pub struct Pieces {
    /// Samples of a piece.
    length: f64,
    /// Mean and number of the samples that are there, of each whole piece.
    whole: Vec<(Complex64, u64)>,
    filling: ComplexMean,
    seen: u64,
}

impl Pieces {
    /// Pieces of at least `base` samples.
    pub fn new(base: f64) -> Self {
        Pieces {
            length: base.max(1.0),
            whole: Vec::new(),
            filling: ComplexMean::default(),
            seen: 0,
        }
    }

    /// Takes the next samples.
    pub fn extend(&mut self, mut samples: &[Complex64]) {
        while !samples.is_empty() {
            let end = (self.length * (self.whole.len() + 1) as f64).round();
            let room = (end as u64).saturating_sub(self.seen).max(1);
            let (now, later) = samples.split_at(samples.len().min(room as usize));
            self.filling.extend(now);
            self.seen += now.len() as u64;
            samples = later;
            if self.seen as f64 >= end {
                self.whole.push((self.filling.mean(), self.filling.count()));
                self.filling = ComplexMean::default();
                if self.whole.len() == MOST_PIECES {
                    self.length *= 2.0;
                    self.whole = joined(&self.whole, 2).collect();
                }
            }
        }
    }

    /// Places and means of the stretches of which at least half the samples are there.
    fn stretches(&self, pieces: usize) -> impl Iterator<Item = (usize, Complex64)> {
        let half = 0.5 * self.length * pieces as f64;
        joined(&self.whole, pieces)
            .enumerate()
            .filter(move |(_, (_, n))| *n as f64 >= half)
            .map(|(place, (mean, _))| (place, mean))
    }
}

/// The means of so many pieces at a time.
fn joined(pieces: &[(Complex64, u64)], at_a_time: usize) -> impl Iterator<Item = (Complex64, u64)> {
    pieces.chunks_exact(at_a_time).map(|pieces| {
        let there = pieces.iter().filter(|(_, n)| *n > 0);
        let (sum, count) = there.fold((Complex64::default(), 0), |(sum, count), (mean, n)| {
            (sum + mean * *n as f64, count + n)
        });
        (sum / count.max(1) as f64, count)
    })
}

#[cfg(test)]
#[path = "stretches_tests.rs"]
mod tests;
