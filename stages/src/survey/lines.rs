//! Lines: what stands out of the floor by more than chance, with frequency and amplitude.
//!
//! The rule: a bin belongs to a line when noise of the floor's density would reach as high with a chance of
//! less than 0.1 % in any of the bins together (the tail of χ²_ν for one bin, times the number of bins),
//! the floor taken three standard deviations higher than it was found, and when it is at least twice the
//! floor. It holds for Gaussian noise; spikes and steps make lines of their own.

use std::f64::consts::PI;
use std::ops::Range;

use super::floor::Floor;
use super::{FIRST_BIN, LOBE, Scatter};
use crate::math::spectral::Density;

/// Chance of noise making a line anywhere in the spectrum.
const CHANCE: f64 = 1e-3;

/// Least height over the floor, as a ratio of power densities.
const LEAST: f64 = 2.0;

/// Height below the strongest line, as a ratio of powers, at which the window's side lobes begin; they are
/// 98 dB down.
const SIDE_LOBES: f64 = 5e-10;

/// Bins to either side over which the skirt of a line is followed.
const SKIRT: usize = 64;

/// A line.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Frequency in Hz: the mean over the line's power, which is exact for a steady sine.
    pub frequency: f64,
    /// Its standard uncertainty for a steady sine in this noise.
    pub frequency_u: f64,
    /// Rms amplitude in the unit of the samples: what the power over the floor adds up to.
    pub rms: f64,
    /// Its standard uncertainty for a steady sine in this noise.
    pub rms_u: f64,
    /// Height of its top over the floor, as a ratio of power densities.
    pub height: f64,
    /// Natural logarithm of the chance that noise reaches this height in any of the bins.
    pub ln_chance: f64,
    /// Root mean square width in Hz, that of the window included.
    pub width: f64,
    /// Whether it is wider than a steady sine.
    pub broad: bool,
    /// Its bins.
    pub region: Range<usize>,
}

impl Line {
    /// Peak amplitude, of a sine of this rms amplitude.
    pub fn peak(&self) -> f64 {
        std::f64::consts::SQRT_2 * self.rms
    }
}

/// ln of the chance that χ²_{2k} exceeds 2k·ratio: e^-x Σ x^j/j!, j below k, for x = k·ratio (the Poisson
/// sum for whole k; half the degrees of freedom are rounded down, which makes it larger).
fn ln_tail(k: f64, ratio: f64) -> f64 {
    let x = k * ratio;
    let (mut term, mut sum) = (1.0, 1.0);
    // Terms over the last one: (k - 1)(k - 2)... / x^i.
    let mut j = k - 1.0;
    while j >= 1.0 && term > 1e-17 * sum {
        term *= j / x;
        sum += term;
        j -= 1.0;
    }
    (-x + (k - 1.0) * libm::log(x) - libm::lgamma(k) + libm::log(sum)).min(0.0)
}

/// Finds the lines of a density over its floor, by frequency.
pub fn find(density: &Density, floor: &Floor, scatter: &Scatter) -> Vec<Line> {
    let (floor, floor_u) = (&floor.density, &floor.relative_uncertainty);
    let power = &density.density;
    let end = power.len().saturating_sub(1);
    let half = (0.5 * scatter.freedom).floor().max(1.0);
    let bins = (end.saturating_sub(FIRST_BIN)).max(1) as f64;
    let ln_chance = |height: f64| libm::log(bins) + ln_tail(half, height.max(1.0));
    let lowest_height = threshold(ln_chance);
    let higher = |k: usize| 1.0 + 3.0 * floor_u[k];
    let threshold = |k: usize| (lowest_height * higher(k)).max(LEAST);
    let height = |k: usize| power[k] / floor[k];
    let strongest = power.get(FIRST_BIN..end).unwrap_or(&[]);
    let least = SIDE_LOBES * strongest.iter().copied().fold(0.0, f64::max);
    let top = |k: &usize| {
        let around = k.saturating_sub(LOBE).max(FIRST_BIN)..(k + LOBE + 1).min(end);
        height(*k) >= threshold(*k)
            && power[*k] > least
            && around.into_iter().all(|j| j == *k || power[j] < power[*k])
    };
    let mut tops: Vec<usize> = (FIRST_BIN..end).filter(top).collect();
    // Chance alone makes tops in the skirt of a line; one that rises this far from its valley is real.
    let valley = |a: usize, b: usize| power[a..=b].iter().copied().fold(f64::INFINITY, f64::min);
    let mut i = 1;
    while i < tops.len() {
        let (a, b) = (tops[i - 1], tops[i]);
        let lower = power[a].min(power[b]);
        let enough = threshold(a).max(threshold(b));
        let rises =
            lower > enough * enough * valley(a, b) || height_of(valley(a, b), floor, a, b) < enough;
        if rises {
            i += 1;
            continue;
        }
        tops.remove(if power[a] < power[b] { i - 1 } else { i });
        // The one that stays has a new neighbour before it.
        i = i.saturating_sub(1).max(1);
    }
    let edges = |i: usize| {
        let before = i
            .checked_sub(1)
            .map_or(FIRST_BIN, |p| lowest(power, tops[p], tops[i]) + 1);
        let behind = tops
            .get(i + 1)
            .map_or(end, |n| lowest(power, tops[i], *n) + 1);
        let top = tops[i];
        let follows = |k: &usize| height(*k) > LEAST;
        let left = (before..top).rev().take(SKIRT).take_while(follows).last();
        let right = (top + 1..behind).take(SKIRT).take_while(follows).last();
        let left = left.unwrap_or(top).min(top - LOBE.min(top)).max(before);
        let right = right.unwrap_or(top).max(top + LOBE).min(behind - 1);
        left..right + 1
    };
    let all = (0..tops.len()).filter_map(|i| {
        let region = edges(i);
        let top = tops[i];
        measure(density, floor, scatter, region).map(|line| Line {
            height: height(top),
            ln_chance: ln_chance(height(top) / higher(top)),
            ..line
        })
    });
    all.collect()
}

/// A density in terms of the lower floor of two bins.
fn height_of(density: f64, floor: &[f64], a: usize, b: usize) -> f64 {
    density / floor[a].min(floor[b])
}

/// The bin with the lowest density between two.
fn lowest(power: &[f64], a: usize, b: usize) -> usize {
    let between = (a + 1..b).min_by(|i, j| power[*i].total_cmp(&power[*j]));
    between.unwrap_or(a)
}

/// The height at which the chance is what is allowed.
fn threshold(ln_chance: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (1.0, 2.0);
    while ln_chance(high) > libm::log(CHANCE) {
        low = high;
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if ln_chance(middle) > libm::log(CHANCE) {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Power and mean frequency over the bins of a line, the floor taken off. The power of a sine through a
/// window adds up to the square of its rms amplitude, and its mean frequency is that of the sine, since the
/// autocorrelation of the window ends smoothly at its length (Parseval).
fn measure(
    density: &Density,
    floor: &[f64],
    scatter: &Scatter,
    region: Range<usize>,
) -> Option<Line> {
    let bin = density.frequency.get(1)? - density.frequency.first()?;
    let over: Vec<f64> = region
        .clone()
        .map(|k| (density.density[k] - floor[k]).max(0.0))
        .collect();
    let sum: f64 = over.iter().sum();
    let centre = over
        .iter()
        .enumerate()
        .map(|(i, p)| i as f64 * p)
        .sum::<f64>()
        / sum;
    if !(sum > 0.0 && sum.is_finite()) {
        return None;
    }
    // What the noise of the bins themselves adds to a weighted sum of them.
    let noise = |weight: &dyn Fn(usize) -> f64| {
        let pairs = (0..over.len()).flat_map(|i| (0..over.len()).map(move |j| (i, j)));
        let each = pairs.filter_map(|(i, j)| {
            let r = scatter.correlation.get(i.abs_diff(j))?;
            let both = floor[region.start + i] * floor[region.start + j];
            Some(weight(i) * weight(j) * r * r * both)
        });
        2.0 / scatter.freedom * each.sum::<f64>()
    };
    let power = bin * sum;
    let around = floor[region.start + (centre.round() as usize).min(over.len() - 1)];
    let off = noise(&|i| i as f64 - centre) / (sum * sum) * bin * bin;
    let turn = around * scatter.slope / (8.0 * PI * PI * power);
    let spread = noise(&|_| 1.0) * bin * bin + 2.0 * power * around * scatter.weight;
    let squares: f64 = over.iter().map(|p| p * p).sum();
    let apart = |(i, p): (usize, &f64)| (i as f64 - centre) * (i as f64 - centre) * p;
    let width = bin * (over.iter().enumerate().map(apart).sum::<f64>() / sum).sqrt();
    // Equivalent number of bins; a steady sine through this window fills at most 2.9.
    let bins = sum * sum / squares;
    let rms = power.sqrt();
    Some(Line {
        frequency: density.frequency[region.start] + centre * bin,
        frequency_u: (off + turn).sqrt(),
        rms,
        rms_u: 0.5 * spread.sqrt() / rms,
        height: 0.0,
        ln_chance: 0.0,
        width,
        broad: bins > 4.0,
        region,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// χ² with 2 degrees of freedom is exponential; with 4, Q(x) = (1 + x)·e^-x; by hand. A dozen roundings
    /// of numbers below 100.
    #[test]
    fn the_tail_is_that_of_the_poisson_sum() {
        for x in [1.0, 3.0, 40.0] {
            assert!((ln_tail(1.0, x) + x).abs() < 1e-13 * x);
            let expected = libm::log1p(2.0 * x) - 2.0 * x;
            assert!(
                (ln_tail(2.0, x) - expected).abs() < 1e-13 * (1.0 + 2.0 * x),
                "{x}"
            );
        }
    }
}
