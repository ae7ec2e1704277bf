//! Whether what is averaged wanders within a record by more than white noise, and how uncertain that leaves its mean.
//!
//! The record is taken apart into cosines of half a turn, a whole one, three halves and so on over its length (the discrete
//! cosine transform). Behind a known chain white noise gives each a known variance; an amplitude that flickers or drifts
//! gives more to the slow ones.

use std::f64::consts::{FRAC_PI_2, LN_2, TAU};

use num_complex::Complex64;
use phasemill_engine::statistics::normal_above;

use super::patterns::{CHANCE as OF_PATTERNS, chance_of_part};

/// Waves of which there must be as many for them to be told apart.
const FEWEST: usize = 9;

/// The slowest waves, from which the uncertainty is taken.
pub const SLOWEST: usize = 3;

/// Probability with which white noise is taken for more, along one direction or the other: small, since what is taken for
/// more in one of two channels does not cancel from their difference.
const CHANCE: f64 = 0.005;

/// The same from which on it is worth a remark: a sweep asks it of hundreds of means, and who was told of something
/// that is not there reads no further.
const REMARKED: f64 = 1e-5;

/// Probability with which white noise is taken for a line.
const BESIDE: f64 = 0.5 * OF_PATTERNS;

/// Frequencies tried between two waves, to either side.
const STEPS: i32 = 8;

/// Of 1/f noise, the variance of the mean over a record that is told by another of the same length beside it, against what its slowest
/// waves tell as if it were white. With a density h/f the Allan variance is 2·ln(2)·h over any time (Barnes et al., IEEE
/// Trans. Instrum. Meas. 20, 105 (1971)). The wave k has the frequency k/(2T), where white noise of that density gives
/// the mean over T the variance h/k: on average of the slowest three h·(1 + 1/2 + 1/3)/3.
const FLICKER: f64 = 2.0 * LN_2 / ((1.0 + 1.0 / 2.0 + 1.0 / 3.0) / SLOWEST as f64);

/// What a record wanders by along a direction in the plane of in-phase and quadrature part.
#[derive(Clone, Debug, PartialEq)]
pub struct Wander {
    /// The direction, a number of size 1: along the mean or across.
    pub direction: Complex64,
    /// Whether it is so much more than noise that it is worth a remark.
    pub remarked: bool,
    /// From the lowest to the highest place of the slowest waves together.
    pub range: f64,
    /// The standard uncertainty of the mean, over that which white noise explains.
    pub raised: f64,
    /// Effects on the mean, of the slowest waves in turn, that add up to what is missing.
    pub effects: Vec<Complex64>,
}

/// A line beside the signal, which turns in the plane of in-phase and quadrature part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beside {
    /// Its frequency less that of the signal, in Hz.
    pub frequency: f64,
    /// Its amplitude at the signal's frequency, in front of what the chain takes off it.
    pub amplitude: f64,
}

/// A record as waves.
#[derive(Clone, Debug)]
pub struct Waves {
    /// The mean that was taken off.
    pub mean: Complex64,
    /// Its coefficients, from the slowest on, as far as the chain lets them through.
    coefficients: Vec<Complex64>,
    /// The variance that white noise of density 1 gives each.
    expected: Vec<f64>,
    /// Pieces of the record.
    pieces: usize,
}

impl Waves {
    /// Of the means of equal pieces, some of which may be missing, where white noise of density 1 has the covariance
    /// `apart[k]` k pieces apart, and nothing beyond. There are at most so many waves, and they count up to the first that the
    /// chain lets through with less than this part of the power of the slowest. `None` where they are too few.
    pub fn new(
        pieces: &[Option<Complex64>],
        apart: &[f64],
        most: usize,
        through: f64,
    ) -> Option<Self> {
        let n = pieces.len();
        let there = || pieces.iter().flatten();
        // Half the pieces are enough: one that is missing counts as the mean.
        if n <= FEWEST || 2 * there().count() < n {
            return None;
        }
        let turns: Vec<(f64, f64)> = (0..4 * n)
            .map(|i| libm::sincos(FRAC_PI_2 * i as f64 / n as f64))
            .collect();
        let variance = |k: usize| {
            let sine = turns[2 * k].0;
            let terms = apart.iter().enumerate().skip(1).map(|(lag, covariance)| {
                let (sin, cos) = turns[2 * k * lag % (4 * n)];
                covariance * ((n - lag) as f64 * cos - sin / sine)
            });
            apart
                .first()
                .map_or(0.0, |own| own + 2.0 / n as f64 * terms.sum::<f64>())
        };
        let mut expected: Vec<f64> = Vec::new();
        for k in 1..n.min(most.saturating_add(1)) {
            let own = variance(k);
            let least = through * expected.first().copied().unwrap_or(0.0);
            // Also where rounding leaves nothing.
            if own <= least || own.is_nan() {
                break;
            }
            expected.push(own);
        }
        let mean = there().sum::<Complex64>() / there().count() as f64;
        let scale = (2.0 / n as f64).sqrt();
        let coefficient = |k: usize| {
            let terms = pieces.iter().enumerate().filter_map(|(i, piece)| {
                Some(((*piece)? - mean) * turns[k * (2 * i + 1) % (4 * n)].1)
            });
            terms.sum::<Complex64>() * scale
        };
        (expected.len() >= FEWEST).then(|| Waves {
            mean,
            coefficients: (1..=expected.len()).map(coefficient).collect(),
            expected,
            pieces: n,
        })
    }

    /// What goes beyond white noise along a direction, where white noise of density 1 gives the mean `variance`, and the noise
    /// that was found explains the variance `white` along this direction.
    pub fn wander(&self, direction: Complex64, variance: f64, white: f64) -> Option<Wander> {
        let along: Vec<f64> = self
            .coefficients
            .iter()
            .map(|c| (c * direction.conj()).re)
            .collect();
        let powers: Vec<f64> = along
            .iter()
            .zip(&self.expected)
            .map(|(c, e)| c * c / e)
            .collect();
        // In each of the two directions half as often as in either.
        let chance = 2.0 * chance_of_slow(&powers);
        let slowest = powers.get(..SLOWEST)?.iter().sum::<f64>() / SLOWEST as f64 * variance;
        if chance >= CHANCE || slowest <= white || white <= 0.0 {
            return None;
        }
        // By one factor for all records, so that what two of them see alike leaves their ratio.
        let scale = (variance * FLICKER / SLOWEST as f64).sqrt();
        let slow = || along.iter().zip(&self.expected).take(SLOWEST);
        let effect = |(c, e): (&f64, &f64)| direction * (scale * c / e.sqrt());
        Some(Wander {
            direction,
            remarked: chance < REMARKED,
            range: self.range(&along[..SLOWEST]),
            raised: (1.0 + FLICKER * slowest / white).sqrt(),
            effects: slow().map(effect).collect(),
        })
    }

    /// The line beside the signal that stands out of white noise as chance has it once in 100 000 cases at most, and is
    /// faster than the slowest waves. Both directions together give each wave a power with an exponential distribution, so
    /// that Fisher's test holds ([`chance_of_part`]). There are `per_second` pieces in a second. `None` where pieces are missing, behind which a line comes back at
    /// another phase.
    pub fn beside(&self, pieces: &[Option<Complex64>], per_second: f64) -> Option<Beside> {
        let pieces: Vec<Complex64> = pieces.iter().copied().collect::<Option<_>>()?;
        let (place, chance) = self.strongest()?;
        if place < SLOWEST || chance >= BESIDE {
            return None;
        }
        // The wave k turns k half times in the record, one way or the other; a line lies less than one wave from it.
        let n = pieces.len() as f64;
        let near = (-STEPS..=STEPS).map(|i| (place + 1) as f64 + f64::from(i) / f64::from(STEPS));
        let both = near.flat_map(|k| [0.5 * k / n, -0.5 * k / n]);
        let sum = |turns: &f64| {
            let terms = (0u32..).zip(&pieces).map(|(i, piece)| {
                let cycles = turns * f64::from(i);
                let (sin, cos) = libm::sincos(TAU * (cycles - cycles.floor()));
                (piece - self.mean) * Complex64::new(cos, -sin)
            });
            terms.sum::<Complex64>().norm() / n
        };
        let (turns, size) = both
            .map(|t| (t, sum(&t)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        // Of a line beyond the waves, what runs over into them is not where it is.
        let mut beyond = (self.expected.len() + 1..=pieces.len()).map(|k| 0.5 * k as f64 / n);
        if beyond.any(|t| sum(&t) > size || sum(&-t) > size) {
            return None;
        }
        let through = self.expected[place] / self.expected[0];
        Some(Beside {
            frequency: turns * per_second,
            amplitude: size / through.sqrt(),
        })
    }

    /// Which wave is the strongest, from zero on, and the chance that white noise has one as strong.
    fn strongest(&self) -> Option<(usize, f64)> {
        let waves = self.coefficients.iter().zip(&self.expected);
        let powers: Vec<f64> = waves.map(|(c, e)| c.norm_sqr() / e).collect();
        let largest = powers.iter().copied().fold(0.0, f64::max);
        let place = powers.iter().position(|p| *p == largest)?;
        let part = largest / powers.iter().sum::<f64>();
        Some((place, chance_of_part(part, powers.len())))
    }

    /// From the lowest to the highest place of some waves together.
    fn range(&self, waves: &[f64]) -> f64 {
        let n = self.pieces as f64;
        let place = |i: usize| -> f64 {
            let turn = FRAC_PI_2 * (2 * i + 1) as f64 / n;
            let terms = waves.iter().zip(1u32..);
            terms.map(|(c, k)| c * libm::cos(f64::from(k) * turn)).sum()
        };
        let places = (0..self.pieces).map(place);
        let (low, high) = places.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
            (low.min(x), high.max(x))
        });
        (high - low) * (2.0 / n).sqrt()
    }
}

/// The effects on a mean of each wave along all directions.
pub fn together(wander: &[Wander]) -> Vec<(u32, Complex64)> {
    let most = wander.iter().map(|w| w.effects.len()).max();
    let of = |i: usize| wander.iter().filter_map(|w| w.effects.get(i)).sum();
    (0u32..).zip((0..most.unwrap_or(0)).map(of)).collect()
}

/// Probability that white noise has slow waves as strong as these or stronger, against the others.
///
/// The mean of -ln(k), weighted with the powers of the waves k, is what tells noise that rises as a power of 1/k from white
/// noise with the greatest power (Robinson, J. Am. Stat. Assoc. 89, 1420 (1994), for small powers). That it exceeds t is that the
/// quadratic form Σ(-ln(k) - t)·x², x normal, is positive, whose probability comes by the saddle point (Lugannani & Rice, Adv. Appl.
/// Probab. 12, 475 (1980); Kuonen, Biometrika 86, 929 (1999)).
fn chance_of_slow(powers: &[f64]) -> f64 {
    let weights = || (1..=powers.len()).map(|k| -libm::log(k as f64));
    let all: f64 = powers.iter().sum();
    let found = weights().zip(powers).map(|(w, p)| w * p).sum::<f64>() / all;
    let form: Vec<f64> = weights().map(|w| w - found).collect();
    // Without an excess it is no rare case, whatever it is exactly.
    if found.is_nan() || form.iter().sum::<f64>() >= 0.0 {
        return 1.0;
    }
    // Nothing is stronger than the slowest wave alone.
    if form[0] <= 0.0 {
        return 0.0;
    }
    let slope = |s: f64| form.iter().map(|a| a / (1.0 - 2.0 * s * a)).sum::<f64>();
    let (mut low, mut high) = (0.0, 0.5 / form[0]);
    // Halved until nothing is left between.
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        match slope(middle) < 0.0 {
            true => low = middle,
            false => high = middle,
        }
    }
    let terms = form.iter().map(|a| 1.0 - 2.0 * low * a);
    let cumulant = -0.5 * terms.clone().map(libm::log).sum::<f64>();
    let curve = form.iter().zip(terms).map(|(a, t)| 2.0 * a * a / (t * t));
    let root = (-2.0 * cumulant).sqrt();
    let saddle = low * curve.sum::<f64>().sqrt();
    let density = libm::exp(cumulant) / TAU.sqrt();
    let near = normal_above(root) + density * (1.0 / saddle - 1.0 / root);
    // Both roots vanish together at the mean, where the form is as often positive as not.
    if root < 0.1 {
        0.5
    } else {
        near.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
#[path = "slow_tests.rs"]
mod tests;
