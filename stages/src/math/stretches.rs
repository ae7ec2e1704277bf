//! The uncertainty of a mean of correlated samples, from stretches of the record.
//!
//! The noise behind a filter is correlated, but how is known: from the filter's own response, where the noise
//! before it is white around the signal ([`NoiseShape`]). So the scatter of a few stretches tells the density
//! of the noise, and the density tells the variance of the mean of everything.

use num_complex::Complex64;
use phasemill_engine::response::NoiseShape;

use super::patterns::{Line, line};
use super::slow::{Beside, Wander, Waves, together};
use super::smooth::Smooth;
use super::sums::ComplexMean;

/// Pieces of which there are never as many; then pairs are joined.
const MOST_PIECES: usize = 256;

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
    /// How many there are.
    pub count: usize,
    /// Seconds of the shortest.
    shortest: f64,
    /// Seconds of each, on average: all of them together fill the record.
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
    /// Hz from the signal up to which that is all that shapes noise: none where a filter follows a clock that only the run
    /// finds, less than all where filters come before the mixing.
    pub known: f64,
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
        self.of_pieces(whole(piece).max(0.0) as usize, piece, samples, method)
    }

    fn of_pieces(&self, count: usize, piece: f64, samples: u64, method: Method) -> Option<Cut> {
        let seconds = piece / self.rate;
        let least = count.div_ceil(MOST).max(1);
        let cut = |method, pieces: usize| Cut {
            method,
            count: count / pieces,
            shortest: seconds * pieces as f64,
            length: samples as f64 / self.rate / (count / pieces) as f64,
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
        let lags = (self.shape.memory() / cut.shortest).ceil() as usize + 1;
        let apart = |lag: usize| {
            let seconds = lag as f64 * cut.shortest;
            self.shape.covariance(cut.shortest, seconds)
        };
        let (mut alternating, mut all) = (apart(0), apart(0));
        for lag in 1..=lags {
            let both = 2.0 * apart(lag);
            alternating += if lag % 2 == 0 { both } else { -both };
            all += both;
        }
        alternating / all
    }

    /// The covariances of stretches of white noise of density 1, up to each stretch itself.
    fn covariances(&self, stretches: &[Stretch]) -> Vec<Vec<f64>> {
        let row = |i: usize| {
            let own = stretches[i].seconds;
            let before = stretches[..=i].iter();
            before
                .map(|other| self.shape.between(other.seconds, own))
                .collect()
        };
        (0..stretches.len()).map(row).collect()
    }

    /// The effects on the mean over `samples` of what each stretch was found to deviate by; the sum of their
    /// products is the covariance of the mean. `None` when too few stretches have samples.
    pub fn evaluate(&self, pieces: &Pieces, samples: u64, method: Method) -> Option<Found> {
        let cut = self.of_pieces(pieces.whole.len(), pieces.length, pieces.seen, method)?;
        let stretches = pieces.stretches(cut.count, self.rate);
        let freedom = stretches
            .len()
            .checked_sub(1)
            .filter(|n| *n + 1 >= FEWEST)? as f64;
        let variance = self.shape.mean_variance(samples as f64 / self.rate);
        let covariances = self.covariances(&stretches);
        let deviations = match cut.method {
            Method::Neighbours => independent(&covariances, &stretches)?,
            _ => plain(&covariances, &stretches),
        };
        let scale = (variance / freedom).sqrt();
        // Behind a gap a line comes back at another phase.
        let whole = stretches.len() == cut.count;
        let effects = stretches.iter().zip(&deviations);
        let effects: Vec<_> = effects.map(|(s, d)| (s.place, d * scale)).collect();
        let means = pieces.smooth.means();
        let waves = self.waves(&pieces.smooth, &means);
        let wander = waves.as_ref().map(|w| wander(w, &effects, variance));
        let wander = wander.unwrap_or_default();
        let per_second = self.rate / pieces.smooth.apart();
        let beside = waves.as_ref().and_then(|w| w.beside(&means, per_second));
        Some(Found {
            beside,
            line: line(&deviations).filter(|_| whole),
            slow: together(&wander),
            wander,
            cut,
            freedom,
            effects,
        })
    }

    /// The record as waves, from its smooth means; `None` where it is not known what noise makes of them.
    fn waves(&self, smooth: &Smooth, means: &[Option<Complex64>]) -> Option<Waves> {
        let known = 2.0 * means.len() as f64 * self.known * smooth.apart() / self.rate;
        let most = smooth.waves().min(known as usize);
        let apart = smooth.covariances(&self.shape, self.rate);
        Waves::new(means, &apart, most, THROUGH)
    }
}

/// What a record wanders by beyond white noise, along its mean and across.
fn wander(waves: &Waves, effects: &[(u32, Complex64)], variance: f64) -> Vec<Wander> {
    let along = waves.mean / waves.mean.norm();
    let along = if along.re.is_finite() {
        along
    } else {
        Complex64::ONE
    };
    let white = |direction: Complex64| -> f64 {
        let parts = effects.iter().map(|(_, e)| (e * direction.conj()).re);
        parts.map(|x| x * x).sum()
    };
    let found = [along, along * Complex64::I].map(|d| waves.wander(d, variance, white(d)));
    found.into_iter().flatten().collect()
}

/// Deviations from the mean, in units in which white noise of density 1 gives 1 in the mean: longer stretches count
/// for more.
fn plain(covariances: &[Vec<f64>], stretches: &[Stretch]) -> Vec<Complex64> {
    let n = stretches.len() as f64;
    let all: f64 = stretches.iter().map(Stretch::length).sum();
    let share: Vec<f64> = stretches.iter().map(|s| s.length() / all).collect();
    let (mut own, mut together) = (0.0, 0.0);
    for (i, row) in covariances.iter().enumerate() {
        own += share[i] * row[i];
        together += share[i] * share[i] * row[i];
        let others = row[..i].iter().zip(&share);
        together += 2.0 * share[i] * others.map(|(c, share)| c * share).sum::<f64>();
    }
    let each = stretches.iter().zip(&share);
    let mean: Complex64 = each.map(|(s, share)| s.mean * *share).sum();
    let scale = ((n - 1.0) / (own - together)).sqrt();
    let each = stretches.iter().zip(&share);
    each.map(|(s, share)| (s.mean - mean) * (scale * share.sqrt()))
        .collect()
}

/// The Cholesky factor of a covariance, of which the lower half is given.
fn factor(covariances: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let mut factor: Vec<Vec<f64>> = Vec::new();
    for (i, covariance) in covariances.iter().enumerate() {
        let mut row: Vec<f64> = Vec::new();
        for (j, all) in covariance.iter().enumerate() {
            let known = |k: &usize| if j == i { row[*k] } else { factor[j][*k] };
            let explained: f64 = (0..j).map(|k| row[k] * known(&k)).sum();
            let rest = all - explained;
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

/// Deviations from the mean of least squares, made independent of each other: the forward solution with the Cholesky
/// factor of their covariance.
fn independent(covariances: &[Vec<f64>], stretches: &[Stretch]) -> Option<Vec<Complex64>> {
    let factor = factor(covariances)?;
    let mut ones: Vec<f64> = Vec::new();
    let mut values: Vec<Complex64> = Vec::new();
    for (row, stretch) in factor.iter().zip(stretches) {
        let i = values.len();
        let one: f64 = row.iter().zip(&ones).map(|(f, x)| f * x).sum();
        let value: Complex64 = row.iter().zip(&values).map(|(f, x)| x * *f).sum();
        ones.push((1.0 - one) / row[i]);
        values.push((stretch.mean - value) / row[i]);
    }
    let weight: f64 = ones.iter().map(|x| x * x).sum();
    let each = || ones.iter().zip(&values);
    let mean = each().map(|(x, y)| y * *x).sum::<Complex64>() / weight;
    Some(each().map(|(x, y)| y - mean * *x).collect())
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
    /// What the record wanders by beyond white noise, along the mean and across.
    pub wander: Vec<Wander>,
    /// Effects on the mean of that, with the places of the waves.
    pub slow: Vec<(u32, Complex64)>,
    /// A line beside the signal that chance does not give.
    pub beside: Option<Beside>,
    /// A line among the stretches that chance does not give: then what was averaged beats with something.
    pub line: Option<Line>,
}

/// One of the stretches that a record is cut into.
struct Stretch {
    /// Its place among them.
    place: u32,
    /// Seconds from the start of the record to its start and to its end.
    seconds: [f64; 2],
    mean: Complex64,
}

impl Stretch {
    fn length(&self) -> f64 {
        self.seconds[1] - self.seconds[0]
    }
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
    smooth: Smooth,
}

impl Pieces {
    /// Pieces of at least `base` samples.
    pub fn new(base: f64) -> Self {
        Pieces {
            length: base.max(1.0),
            whole: Vec::new(),
            filling: ComplexMean::default(),
            seen: 0,
            smooth: Smooth::new(base),
        }
    }

    /// Takes the next samples.
    pub fn extend(&mut self, mut samples: &[Complex64]) {
        self.smooth.extend(samples);
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
                    let pairs = self.whole.chunks_exact(2);
                    self.whole = pairs.map(|pair| joined(pair.iter())).collect();
                }
            }
        }
    }

    /// The stretches of which at least half the samples are there: so many of them fill the record, each of as many
    /// pieces as another or one more, the last with what is left behind the last whole piece.
    fn stretches(&self, count: usize, rate: f64) -> Vec<Stretch> {
        let first = |place: usize| place * self.whole.len() / count;
        let stretch = |place: usize| {
            let last = place + 1 == count;
            let pieces = &self.whole[first(place)..first(place + 1)];
            let rest = (self.filling.mean(), self.filling.count());
            let (mean, there) = joined(pieces.iter().chain(last.then_some(&rest)));
            let end = match last {
                true => self.seen as f64,
                false => self.length * first(place + 1) as f64,
            };
            let start = self.length * first(place) as f64;
            let seconds = [start / rate, end / rate];
            let place = place as u32;
            let found = Stretch {
                place,
                seconds,
                mean,
            };
            (there as f64 >= 0.5 * (end - start)).then_some(found)
        };
        (0..count).filter_map(stretch).collect()
    }
}

/// The mean of pieces together, and the number of samples behind it.
fn joined<'p>(pieces: impl Iterator<Item = &'p (Complex64, u64)>) -> (Complex64, u64) {
    let there = pieces.filter(|(_, n)| *n > 0);
    let (sum, count) = there.fold((Complex64::default(), 0), |(sum, count), (mean, n)| {
        (sum + mean * *n as f64, count + n)
    });
    (sum / count.max(1) as f64, count)
}

#[cfg(test)]
#[path = "stretches_tests.rs"]
mod tests;
