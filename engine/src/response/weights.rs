//! With which weights a mean behind a chain takes the noise in front of it, and so what several means of the
//! same samples have in common.
//!
//! A mean m = Σ w(t)·n(t) of white noise n of variance 1 in each sample has the variance Σ w², and two of them
//! the covariance Σ w·w'. The weights are the chain's impulse response summed over the samples that are averaged;
//! times are counted in samples in front of the chain. Between the ends of a mean they are constant, but for what a
//! decimation folds.

use super::frequency::gain;
use super::noise::{Impulse, Summed};
use super::{Element, Response};
use crate::stage::Span;

/// Places at which the step response is kept.
const PLACES: usize = 4096;

/// Part of a step that may be left when the impulse response is cut off.
const REST: f64 = 1e-5;

/// Part of a step from which on a mean counts as settled where its ends are looked at closely.
const SETTLED: f64 = 1e-4;

/// Cells into which each end of a mean is cut.
const CELLS: u32 = 512;

/// Longest period of folded weights that is followed, in samples.
const LONGEST: u64 = 1 << 20;

/// The weights of one chain, for means over any time.
#[derive(Clone, Debug, PartialEq)]
pub struct Weights {
    /// Samples in front for one that is averaged.
    every: u64,
    /// Samples from one place to the next; the first lies half a sample before the impulse.
    bin: f64,
    /// Step response at the places, from 0 to 1.
    step: Vec<f64>,
    /// Its integral, in samples.
    ramp: Vec<f64>,
    /// Samples until it has settled.
    memory: f64,
    /// By how much of one the weight at each phase between two averaged samples differs from their mean.
    folded: Vec<f64>,
}

impl Response {
    /// The elements up to the last mixing, and those behind it, without a mean at the end.
    pub(crate) fn around_mixing(&self) -> (&[Element], &[Element]) {
        let mixed = self.elements.iter().rposition(|e| *e == Element::Mixed);
        let (before, behind) = self.elements.split_at(mixed.map_or(0, |i| i + 1));
        match behind.split_last() {
            Some((Element::Average(..), rest)) => (before, rest),
            _ => (before, behind),
        }
    }

    /// Samples behind the last mixing for one that is kept at the end.
    pub(crate) fn kept_behind_mixing(&self) -> u64 {
        kept(self.around_mixing().1)
    }

    /// What is left, at most, of a tone `off` Hz from a line in the means of `seconds` each behind a mixing with that
    /// line, against a tone on it; as if the means had no zeros, since tones wander across them. `None` without a mixing, and
    /// where the line does not pass.
    pub(crate) fn beside(&self, line: f64, off: f64, seconds: f64) -> Option<f64> {
        let (before, behind) = self.around_mixing();
        before.last()?;
        let own = gain(before, line).norm() * gain(behind, 0.0).norm();
        let other = gain(before, line + off).norm() * gain(behind, off).norm();
        let cycles = std::f64::consts::PI * (off * seconds).abs();
        (own > 1e-6).then(|| other / own * (1.0 / cycles).min(1.0))
    }

    /// The weights of means behind the last mixing.
    ///
    /// `None` where they are not known before the run, where the chain would have to be followed for more than
    /// 2^27 samples, or where it has no gain at zero frequency.
    pub(crate) fn weights(&self) -> Option<Weights> {
        Weights::new(self.around_mixing().1)
    }
}

/// Samples at the start of a chain for one at its end.
pub(super) fn kept(elements: &[Element]) -> u64 {
    elements.iter().fold(1, |every, e| match e {
        Element::KeepEvery(n) => every.saturating_mul(*n),
        _ => every,
    })
}

impl Weights {
    fn new(elements: &[Element]) -> Option<Self> {
        if elements.iter().any(Element::awaits_frequency) {
            return None;
        }
        let every = kept(elements);
        if every > LONGEST {
            return None;
        }
        let Summed {
            length: bin,
            stretches: places,
            phases,
        } = Impulse::new(elements, REST)?.summed(PLACES, every as usize);
        let gain: f64 = places.iter().sum();
        if !gain.is_finite() || gain.abs() <= 1e-6 {
            return None;
        }
        let (mut step, mut ramp) = (vec![0.0], vec![0.0]);
        let (mut level, mut area) = (0.0, 0.0);
        for place in &places {
            let before = level;
            level += place / gain;
            area += 0.5 * (before + level) * bin as f64;
            step.push(level);
            ramp.push(area);
        }
        let settled = step.iter().rposition(|s| (s - 1.0).abs() > SETTLED);
        let share = every as f64 / gain;
        Some(Weights {
            every,
            bin: bin as f64,
            memory: (settled.unwrap_or(0) + 1) as f64 * bin as f64,
            step,
            ramp,
            folded: phases.iter().map(|p| p * share - 1.0).collect(),
        })
    }

    /// Where a mean begins and ends, in samples in front: each averaged one stands for those around it.
    fn ends(&self, span: &Span) -> [f64; 2] {
        let every = self.every as f64;
        [span.first, span.first + span.samples].map(|k| (k as f64 - 0.5) * every)
    }

    /// Samples in front that a mean is over.
    pub(crate) fn samples(&self, span: &Span) -> f64 {
        span.samples as f64 * self.every as f64
    }

    /// The integral of the step response up to a time.
    fn ramp(&self, time: f64) -> f64 {
        let place = (time + 0.5) / self.bin;
        let last = self.ramp.len() - 1;
        if place <= 0.0 {
            return 0.0;
        }
        if place >= last as f64 {
            return self.ramp[last] + (place - last as f64) * self.bin;
        }
        let at = place as usize;
        let part = place - at as f64;
        let slope = self.step[at + 1] - self.step[at];
        self.ramp[at] + self.bin * part * (self.step[at] + 0.5 * part * slope)
    }

    /// The mean weights of the samples between each two times that follow one another.
    fn between(&self, [start, end]: [f64; 2], times: &[f64]) -> Vec<f64> {
        let ramps = times
            .iter()
            .map(|t| (self.ramp(end - t), self.ramp(start - t)));
        let ramps: Vec<(f64, f64)> = ramps.collect();
        let weight = |(t, ramp): (&[f64], &[(f64, f64)])| {
            let parts = (ramp[0].0 - ramp[1].0) - (ramp[0].1 - ramp[1].1);
            parts / ((t[1] - t[0]) * (end - start))
        };
        times.windows(2).zip(ramps.windows(2)).map(weight).collect()
    }
}

/// Covariances of means of the same white noise, of variance 1 in each sample. Nothing was recorded before the
/// first sample.
pub(crate) fn covariances(means: &[(&Weights, Span)]) -> Vec<Vec<f64>> {
    let ends: Vec<[f64; 2]> = means.iter().map(|(w, span)| w.ends(span)).collect();
    let mut cuts: Vec<u64> = Vec::new();
    for ((weights, _), ends) in means.iter().zip(&ends) {
        let length = weights.memory + 1.0;
        for end in ends {
            let cut = |k: u32| end + 1.0 - length * f64::from(k) / f64::from(CELLS);
            // What is not below zero is in the order of its bits; the first sample begins at -1/2.
            cuts.extend((0..=CELLS).map(|k| (cut(k) + 0.5).max(0.0).to_bits()));
        }
    }
    cuts.sort_unstable();
    cuts.dedup();
    let cuts: Vec<f64> = cuts.iter().map(|c| f64::from_bits(*c) - 0.5).collect();
    let each = means.iter().zip(&ends);
    let weights: Vec<Vec<f64>> = each.map(|((w, _), e)| w.between(*e, &cuts)).collect();
    let mut all = vec![vec![0.0; means.len()]; means.len()];
    for (cell, times) in cuts.windows(2).enumerate() {
        for (i, row) in all.iter_mut().enumerate() {
            let share = (times[1] - times[0]) * weights[i][cell];
            for (sum, other) in row.iter_mut().zip(&weights[..=i]) {
                *sum += share * other[cell];
            }
        }
    }
    for i in 0..means.len() {
        for j in 0..=i {
            let ([a, b], [c, d]) = (ends[i], ends[j]);
            let both = (b.min(d) - a.max(c)).max(0.0);
            let folded = together(&means[i].0.folded, &means[j].0.folded);
            all[i][j] += folded * both / ((b - a) * (d - c));
            all[j][i] = all[i][j];
        }
    }
    all
}

/// Mean product of two periodic sequences; none where they repeat together too late to be followed.
fn together(a: &[f64], b: &[f64]) -> f64 {
    let (n, m) = (a.len(), b.len());
    if n == 1 || m == 1 {
        return 0.0;
    }
    let (mut x, mut y) = (n, m);
    while y != 0 {
        (x, y) = (y, x % y);
    }
    let period = (n / x).saturating_mul(m);
    if period as u64 > LONGEST {
        return 0.0;
    }
    let pairs = a.iter().cycle().zip(b.iter().cycle()).take(period);
    pairs.map(|(a, b)| a * b).sum::<f64>() / period as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pole(a: f64) -> Element {
        Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], 1.0)
    }

    fn chain(elements: &[Element]) -> Weights {
        Weights::new(elements).expect("short")
    }

    /// The weights one by one: an impulse at each sample, through the chain, averaged.
    fn slow(elements: &[Element], span: Span, length: usize) -> Vec<f64> {
        let every = chain(elements).every as usize;
        let impulse = Impulse::new(elements, 1e-12).expect("short");
        let mut response = Vec::new();
        impulse.follow(|more| response.extend_from_slice(more));
        let gain: f64 = response.iter().sum::<f64>() / every as f64;
        let averaged = (span.first..span.first + span.samples).map(|k| k as usize * every);
        let mut weights = vec![0.0; length];
        for at in averaged {
            for (t, weight) in weights.iter_mut().enumerate().take(at + 1) {
                let h = response.get(at - t).copied().unwrap_or(0.0);
                *weight += h / (gain * span.samples as f64) / every as f64;
            }
        }
        weights
    }

    #[track_caller]
    fn agree(chains: &[(&[Element], u64, u64)], length: usize, tolerance: f64) {
        let weights: Vec<Weights> = chains.iter().map(|(e, ..)| chain(e)).collect();
        let spans = chains.iter().map(|(_, first, samples)| Span {
            first: *first,
            samples: *samples,
        });
        let spans: Vec<Span> = spans.collect();
        let means: Vec<(&Weights, Span)> = weights.iter().zip(spans.iter().copied()).collect();
        let found = covariances(&means);
        let each = chains.iter().zip(&spans);
        let all: Vec<Vec<f64>> = each.map(|((e, ..), s)| slow(e, *s, length)).collect();
        for i in 0..all.len() {
            for j in 0..i {
                let exact: f64 = all[i]
                    .iter()
                    .zip(&all[j])
                    .map(|(a, b)| (a - b) * (a - b))
                    .sum();
                let difference = found[i][i] + found[j][j] - 2.0 * found[i][j];
                assert!(
                    (difference / exact - 1.0).abs() < tolerance,
                    "{i} {j}: {difference} {exact}"
                );
            }
        }
    }

    /// Variances of differences, which are a hundredth of those of the means, against sums over all samples. One sample
    /// of 30 to 90 in a time constant, taken as straight lines, changes them by some (1/30)²·10; memories are cut
    /// off at 1e-4 of a step, against weights of which a tenth is left at most.
    #[test]
    fn differences_are_those_of_all_weights() {
        let fast = [pole(0.97)];
        let slow = [pole(0.985), pole(0.985), pole(0.985)];
        let mean = [Element::Periods {
            samples: Some(80.5),
            rate: 1.0,
            stated: true,
        }];
        let kept = [pole(0.985), pole(0.985), Element::KeepEvery(5)];
        agree(
            &[
                (&fast, 300, 4000),
                (&slow, 700, 3600),
                (&mean, 81, 4219),
                (&kept, 120, 740),
                (&fast, 900, 3400),
            ],
            4300,
            0.02,
        );
    }

    /// Every seventh sample of white noise has in common with all of them what it is made of: variance 7/n of the mean,
    /// and a covariance of 1/n. With every third it shares one sample in 21.
    #[test]
    fn what_decimation_folds_is_counted() {
        let [seventh, third] = [7, 3].map(|n| chain(&[Element::KeepEvery(n)]));
        let all = chain(&[]);
        let span = |samples| Span { first: 0, samples };
        let found = covariances(&[
            (&all, span(21_000)),
            (&seventh, span(3000)),
            (&third, span(7000)),
        ]);
        // The ends of a mean are counted to a sample or a period of what is kept.
        let near = |x: f64, y: f64| assert!((x / y - 1.0).abs() < 1.5e-3, "{x} {y}");
        near(found[0][0], 1.0 / 21_000.0);
        near(found[1][1], 1.0 / 3000.0);
        near(found[0][1], 1.0 / 21_000.0);
        near(found[1][2], 1000.0 / (3000.0 * 7000.0));
    }

    #[test]
    fn what_is_not_known_before_the_run_has_none() {
        let unknown = Element::Periods {
            samples: None,
            rate: 1.0,
            stated: false,
        };
        assert_eq!(Weights::new(&[unknown]), None);
        assert_eq!(Weights::new(&[Element::Taps(vec![1.0, -1.0], 1.0)]), None);
    }
}
