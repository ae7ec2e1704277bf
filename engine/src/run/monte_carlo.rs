//! Propagation of distributions by drawing from them (JCGM 101:2008), and a look at whether first order is
//! enough.

use std::f64::consts::TAU;
use std::sync::atomic::Ordering;

use num_complex::Complex64;
use rayon::prelude::*;

use super::trials::{SeriesTrials, Trials};
use super::{Draws, Job, Monitor, Outcome};
use crate::aspect::{Aspect, Interval};
use crate::flow::Flow;
use crate::graph::Node;
use crate::value::{Coverage, Estimate, Value};

/// Trials when nobody says how many. The ends of a 95 % interval are then known to some 3 % of its standard
/// uncertainty.
pub const TRIALS: u64 = 10_000;

/// Fewest trials that are of use: an end of the interval then has 25 trials beyond it.
pub const FEWEST_TRIALS: u64 = 1000;

/// Numbers of all trials that are kept at a time.
pub const MOST_NUMBERS: u64 = 1 << 27;

/// Pairs of opposite trials that show whether a result follows its sources along straight lines.
const PAIRS: u64 = 8;

/// Part of the standard uncertainty by which opposite changes may fail to cancel.
const STRAIGHT: f64 = 0.1;

/// What drawing gave for one kept result.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// The node.
    pub node: Node,
    /// The port.
    pub port: usize,
    /// For each point: mean and interval of each number of the estimate, and trials that gave none.
    pub points: Vec<Option<Numbers>>,
}

/// Mean and interval of each aspect of an estimate.
#[derive(Clone, Debug, PartialEq)]
pub struct Numbers {
    /// In the order of [`Aspect::all`].
    pub aspects: Vec<(f64, Interval)>,
    /// Trials in which a stage failed.
    pub failed: u64,
}

impl Numbers {
    /// Mean and interval of one number.
    pub fn of(&self, aspect: Aspect) -> Option<(f64, Interval)> {
        let mut all = Aspect::all(self.aspects.len() > 1)
            .iter()
            .zip(&self.aspects);
        all.find_map(|(known, found)| (*known == aspect).then_some(*found))
    }
}

/// A whole simulation.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulation {
    /// Number of trials.
    pub trials: u64,
    /// What the draws were made from.
    pub seed: u64,
    /// One per kept estimate.
    pub results: Vec<Drawn>,
}

/// Kept estimates whose first-order uncertainty fails.
#[derive(Clone, Debug, PartialEq)]
pub struct Curved {
    /// The node.
    pub node: Node,
    /// The port.
    pub port: usize,
    /// For each point, by how much of the uncertainty opposite changes fail to cancel.
    pub by: Vec<f64>,
}

impl Curved {
    /// Whether first order is not enough at this point.
    pub fn at(&self, point: usize) -> bool {
        self.by.get(point).is_some_and(|by| *by > STRAIGHT)
    }
}

impl Job<'_> {
    /// Looks where kept estimates do not follow their sources along straight lines, so that first-order
    /// propagation fails (JCGM 100:2008, 5.1.2, note): opposite draws of all sources must have opposite
    /// effects. `None` when the run is stopped.
    pub(super) fn curved(
        &self,
        outcome: &Outcome,
        series: &SeriesTrials,
        monitor: &Monitor,
    ) -> Option<Vec<Curved>> {
        let trials = Trials::new(self, outcome, series, 0, false);
        let phases = self.phases(&trials);
        let pair = |trial| {
            monitor.goes_on()?;
            let draws = trials.draws(trial);
            let opposite: Vec<f64> = draws.iter().map(|d| -d).collect();
            let [up, down] = [draws, opposite].map(|draws| phases.near(trials.run(&draws)));
            Some(up.iter().zip(&down).map(|(a, b)| 0.5 * (a + b)).collect())
        };
        let pairs: Vec<Vec<Complex64>> = (0..PAIRS)
            .into_par_iter()
            .map(pair)
            .collect::<Option<_>>()?;
        let mut next = 0;
        let mut all = Vec::new();
        for (node, port, values) in trials.kept() {
            let by = values.iter().map(|value| {
                let at = next;
                next += 1;
                let estimate = value.as_ref().and_then(Value::estimate);
                let variance =
                    estimate.and_then(|e| e.covariance().map(|[rr, ii, _]| (e, rr + ii)));
                let Some((estimate, variance)) = variance.filter(|(_, v)| *v > 0.0) else {
                    return 0.0;
                };
                let square = pairs.iter().map(|p| (p[at] - estimate.value).norm_sqr());
                (square.sum::<f64>() / PAIRS as f64 / variance).sqrt()
            });
            let by: Vec<f64> = by.collect();
            // A trial in which a stage failed is no straight line either.
            let by: Vec<f64> = by
                .into_iter()
                .map(|x| if x.is_nan() { f64::INFINITY } else { x })
                .collect();
            if by.iter().any(|x| *x > STRAIGHT) {
                all.push(Curved { node, port, by });
            }
        }
        Some(all)
    }

    /// Draws `count` trials. `None` when that would keep too many numbers, or the run is stopped.
    pub(super) fn simulate(
        &self,
        outcome: &Outcome,
        series: &SeriesTrials,
        Draws {
            trials: count,
            seed,
        }: Draws,
        monitor: &Monitor,
    ) -> Option<Simulation> {
        let trials = Trials::new(self, outcome, series, seed, true);
        let phases = self.phases(&trials);
        let kept: Vec<_> = trials.kept().collect();
        let numbers: usize = kept.iter().map(|(.., values)| values.len()).sum();
        if (numbers as u64).saturating_mul(count) > MOST_NUMBERS {
            return None;
        }
        monitor.trials.fetch_add(count, Ordering::Relaxed);
        let one = |trial| {
            monitor.goes_on()?;
            let found = phases.near(trials.run(&trials.draws(trial)));
            monitor.drawn.fetch_add(1, Ordering::Relaxed);
            Some(found)
        };
        let drawn: Vec<Vec<Complex64>> =
            (0..count).into_par_iter().map(one).collect::<Option<_>>()?;
        let mut next = 0;
        let results = kept.into_iter().map(|(node, port, values)| {
            let complex = self
                .typed
                .flow(node, port)
                .is_some_and(|f| f.kind.is_complex());
            let first = next;
            next += values.len();
            let points: Vec<Option<Numbers>> = (0..values.len())
                .into_par_iter()
                .map(|point| {
                    monitor.goes_on()?;
                    let estimate = values[point].as_ref().and_then(Value::estimate)?;
                    estimate.parts.as_ref()?;
                    let column = drawn.iter().map(|trial| trial[first + point]);
                    let there: Vec<Complex64> = column.filter(|z| !z.re.is_nan()).collect();
                    let failed = count - there.len() as u64;
                    let aspects = Aspect::all(complex).iter();
                    let aspects = aspects.map(|a| summed_up(*a, estimate, &there)).collect();
                    (!there.is_empty()).then_some(Numbers { aspects, failed })
                })
                .collect();
            Drawn { node, port, points }
        });
        let results = results.collect();
        monitor.goes_on()?;
        Some(Simulation {
            trials: count,
            seed,
            results,
        })
    }
}

impl Job<'_> {
    /// Which kept numbers are phases by themselves, and which estimates they have.
    fn phases(&self, trials: &Trials<'_, '_>) -> Phases {
        let of_result = |(node, port, values): (Node, usize, &[Option<Value>])| {
            let flow = self.typed.flow(node, port);
            let is_phase = flow.is_some_and(Flow::is_phase);
            let middle = |value: &Option<Value>| Some(value.as_ref()?.estimate()?.value.re);
            let middles = values.iter().map(|v| middle(v).filter(|_| is_phase));
            middles.collect::<Vec<_>>()
        };
        Phases(trials.kept().flat_map(of_result).collect())
    }
}

/// Of every kept number that is a phase, its estimate.
struct Phases(Vec<Option<f64>>);

impl Phases {
    /// What was drawn, phases within half a turn of their estimates.
    fn near(&self, mut drawn: Vec<Complex64>) -> Vec<Complex64> {
        for (z, middle) in drawn.iter_mut().zip(&self.0) {
            if let Some(middle) = middle {
                z.re = nearest(z.re, *middle);
            }
        }
        drawn
    }
}

/// A phase within half a turn of another.
fn nearest(x: f64, middle: f64) -> f64 {
    middle + (x - middle) - TAU * ((x - middle) / TAU).round()
}

/// Mean, standard deviation and the interval with as many trials below it as above (JCGM 101:2008, 7.6 and
/// 7.7). A phase is taken within half a turn of the estimate's.
fn summed_up(aspect: Aspect, estimate: &Estimate, drawn: &[Complex64]) -> (f64, Interval) {
    let middle = aspect.of(estimate);
    let number = |z: &Complex64| {
        let x = aspect.of(&Estimate::bare(*z));
        match aspect {
            Aspect::Phase => nearest(x, middle),
            _ => x,
        }
    };
    let mut sorted: Vec<f64> = drawn.iter().map(number).collect();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len() as f64;
    let mean = sorted.iter().sum::<f64>() / n;
    let square: f64 = sorted.iter().map(|x| (x - mean) * (x - mean)).sum();
    let beyond = (0.5 * (1.0 - Coverage::PROBABILITY) * n).round() as usize;
    let beyond = beyond.min((sorted.len() - 1) / 2);
    let interval = Interval {
        u: (square / (n - 1.0)).sqrt(),
        degrees_of_freedom: f64::NAN,
        low: sorted[beyond],
        high: sorted[sorted.len() - 1 - beyond],
    };
    (mean, interval)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 101 trials from -50 to 50 with 2.5 % cut off on either side: from -47 to 47.
    #[test]
    fn the_interval_leaves_as_much_below_as_above() {
        let drawn: Vec<Complex64> = (-50..=50)
            .map(|i| Complex64::new(f64::from(i), 0.0))
            .collect();
        let (mean, found) = summed_up(Aspect::Value, &Estimate::real(0.0), &drawn);
        assert_eq!((mean, found.low, found.high), (0.0, -47.0, 47.0));
    }
}
