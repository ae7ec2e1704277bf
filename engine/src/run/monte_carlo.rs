//! Propagation of distributions by drawing from them (JCGM 101:2008), and a look at whether first order is
//! enough.
//!
//! What is measured at a point, and every constant, varies as its sources say; everything computed from
//! values is computed again for each trial. Draws depend on the seed, the source and the number of the
//! trial alone, so that results do not depend on threads.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rayon::prelude::*;

use super::{Job, Outcome};
use crate::aspect::{Aspect, Interval};
use crate::constant::Distribution;
use crate::graph::Node;
use crate::stage::{PointWork, Work};
use crate::value::{About, Coverage, Estimate, Evaluation, Part, Value};

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

/// A source with room for the draws of its components.
struct Urn<'o> {
    about: &'o About,
    seed: [u8; 32],
    /// Where its draws begin.
    slot: usize,
    components: usize,
}

/// Where the values of a run come from in a trial.
struct Trials<'o, 'r> {
    job: &'o Job<'r>,
    outcome: &'o Outcome,
    wanted: Vec<bool>,
    urns: Vec<Urn<'o>>,
    slots: BTreeMap<&'o str, usize>,
    /// What was measured, `[node][port][point]`, to be varied in each trial.
    measured: Vec<Vec<Vec<Option<Measured<'o>>>>>,
    /// Work that stages prepared for values that are drawn, `[node][point]`.
    instead: Vec<Vec<Option<Box<PointWork>>>>,
}

/// A value of the run, with the places of the draws that change it.
struct Measured<'o> {
    value: &'o Value,
    effects: Vec<(usize, Complex64)>,
}

impl Measured<'_> {
    /// The value in a trial. Its sources are drawn with that.
    fn varied(&self, draws: &[f64]) -> Value {
        let Value::Estimate(known) = self.value else {
            return self.value.clone();
        };
        let changes = self.effects.iter();
        let value = changes.fold(known.value, |z, (slot, effect)| z + effect * draws[*slot]);
        Value::Estimate(Estimate {
            value,
            parts: known.parts.as_ref().map(|_| Vec::new()),
            scatter: known.scatter,
            count: known.count,
            missing: known.missing,
            drawn: None,
        })
    }
}

impl Job<'_> {
    /// Looks where kept estimates do not follow their sources along straight lines, so that first-order
    /// propagation fails (JCGM 100:2008, 5.1.2, note): opposite draws of all sources must have opposite
    /// effects.
    pub(super) fn curved(&self, outcome: &Outcome) -> Vec<Curved> {
        let trials = Trials::new(self, outcome, 0, false);
        let pairs: Vec<Vec<Complex64>> = (0..PAIRS)
            .into_par_iter()
            .map(|trial| {
                let draws = trials.draws(trial);
                let opposite: Vec<f64> = draws.iter().map(|d| -d).collect();
                let (up, down) = (trials.run(&draws), trials.run(&opposite));
                up.iter().zip(&down).map(|(a, b)| 0.5 * (a + b)).collect()
            })
            .collect();
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
        all
    }

    /// The work of a stage on values that are drawn, for each point.
    fn drawn(&self, node: Node, outcome: &Outcome) -> Vec<Option<Box<PointWork>>> {
        let stage = node.checked_sub(self.recipe.inputs.len());
        let (Some(stage), Some(Work::Point(_))) = (stage, &self.works[node]) else {
            return Vec::new();
        };
        let flows = self.flows_into(node);
        let reads = self.reads(node).iter();
        let inputs: Vec<&[Option<Value>]> = reads
            .map(|&(source, port)| outcome.values[source][port].as_slice())
            .collect();
        let points = inputs.iter().map(|v| v.len()).max().unwrap_or(0);
        let at = |point: usize| {
            let value = |v: &&[Option<Value>]| if v.len() == 1 { 0 } else { point };
            let here: Option<Vec<&Value>> = inputs
                .iter()
                .map(|v| v.get(value(v)).and_then(Option::as_ref))
                .collect();
            self.recipe.stages[stage].configured.drawn(&flows, &here?)
        };
        (0..points).into_par_iter().map(at).collect()
    }

    /// Draws `count` trials. `None` when that would keep too many numbers.
    pub(super) fn simulate(&self, outcome: &Outcome, count: u64, seed: u64) -> Option<Simulation> {
        let trials = Trials::new(self, outcome, seed, true);
        let kept: Vec<_> = trials.kept().collect();
        let numbers: usize = kept.iter().map(|(.., values)| values.len()).sum();
        if (numbers as u64).saturating_mul(count) > MOST_NUMBERS {
            return None;
        }
        let drawn: Vec<Vec<Complex64>> = (0..count)
            .into_par_iter()
            .map(|trial| trials.run(&trials.draws(trial)))
            .collect();
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
        Some(Simulation {
            trials: count,
            seed,
            results: results.collect(),
        })
    }
}

/// Mean, standard deviation and the interval with as many trials below it as above (JCGM 101:2008, 7.6 and
/// 7.7). A phase is taken within half a turn of the estimate's.
fn summed_up(aspect: Aspect, estimate: &Estimate, drawn: &[Complex64]) -> (f64, Interval) {
    let middle = aspect.of(estimate);
    let number = |z: &Complex64| {
        let x = aspect.of(&Estimate::bare(*z));
        match aspect {
            Aspect::Phase => middle + (x - middle) - TAU * ((x - middle) / TAU).round(),
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

impl<'o, 'r> Trials<'o, 'r> {
    /// `prepared` has stages prepare for values that are drawn.
    fn new(job: &'o Job<'r>, outcome: &'o Outcome, seed: u64, prepared: bool) -> Self {
        let wanted = job
            .typed
            .needed(job.typed.results.iter().map(|kept| kept.node));
        let (mut urns, mut slots) = (Vec::new(), BTreeMap::new());
        let values = outcome
            .values
            .iter()
            .zip(&wanted)
            .filter(|(_, wanted)| **wanted);
        for value in values.flat_map(|(ports, _)| ports.iter().flatten().flatten()) {
            for part in value
                .estimate()
                .iter()
                .flat_map(|e| e.parts.iter().flatten())
            {
                let about = &*part.source.about;
                let urn = *slots.entry(about.name.as_str()).or_insert_with(|| {
                    let mut hasher = blake3::Hasher::new();
                    hasher.update(&seed.to_le_bytes());
                    hasher.update(about.name.as_bytes());
                    urns.push(Urn {
                        about,
                        seed: *hasher.finalize().as_bytes(),
                        slot: 0,
                        components: 0,
                    });
                    urns.len() - 1
                });
                let urn: &mut Urn<'_> = &mut urns[urn];
                urn.components = urn.components.max(part.source.index as usize + 1);
            }
        }
        let mut slot = 0;
        for urn in &mut urns {
            urn.slot = slot;
            slot += urn.components;
        }
        let place = |part: &Part| {
            let urn = &urns[*slots.get(part.source.about.name.as_str())?];
            Some((urn.slot + part.source.index as usize, part.effect))
        };
        let one = |value: &'o Value| {
            let parts = value.estimate().and_then(|e| e.parts.as_ref());
            let effects = parts.into_iter().flatten().filter_map(place).collect();
            Measured { value, effects }
        };
        let samples = |node: Node| {
            let work = &job.works[node];
            wanted[node] && matches!(work, None | Some(Work::Stream(_) | Work::Survey(_)))
        };
        let of_node = |(node, ports): (Node, &'o Vec<Vec<Option<Value>>>)| {
            let ports = ports.iter().filter(|_| samples(node));
            ports
                .map(|points| points.iter().map(|v| v.as_ref().map(one)).collect())
                .collect()
        };
        let measured = outcome.values.iter().enumerate().map(of_node).collect();
        let nodes = 0..job.plan.names.len();
        let instead = nodes.map(|node| match prepared && wanted[node] {
            true => job.drawn(node, outcome),
            false => Vec::new(),
        });
        Trials {
            instead: instead.collect(),
            job,
            outcome,
            wanted,
            urns,
            slots,
            measured,
        }
    }

    /// The kept estimates with their values in the run.
    fn kept(&self) -> impl Iterator<Item = (Node, usize, &'o [Option<Value>])> {
        let results = self.job.typed.results.iter();
        let estimates = results.filter(|kept| {
            let flow = self.job.typed.flow(kept.node, kept.port);
            flow.is_some_and(|f| f.kind.is_estimate() && f.evaluated)
        });
        estimates.map(|k| {
            (
                k.node,
                k.port,
                self.outcome.values[k.node][k.port].as_slice(),
            )
        })
    }

    /// A draw for every component of every source, in units of its standard uncertainty.
    fn draws(&self, trial: u64) -> Vec<f64> {
        let mut all = Vec::new();
        for urn in &self.urns {
            let mut random = ChaCha8Rng::from_seed(urn.seed);
            random.set_stream(trial);
            let scale = spread(urn.about, &mut random);
            all.extend(
                (0..urn.components).map(|_| scale * drawn(urn.about.distribution, &mut random)),
            );
        }
        all
    }

    /// The kept estimates in a trial; NaN where a stage failed.
    fn run(&self, draws: &[f64]) -> Vec<Complex64> {
        let job = self.job;
        let mut values: Vec<Vec<Vec<Option<Value>>>> = vec![Vec::new(); job.plan.names.len()];
        for &node in job.plan.order.iter().filter(|n| self.wanted[**n]) {
            let inputs = |values: &[Vec<Vec<Option<Value>>>]| {
                let reads = job.reads(node).iter();
                reads
                    .map(|&(source, port)| values[source][port].clone())
                    .collect::<Vec<_>>()
            };
            let mut own = match &job.works[node] {
                None | Some(Work::Stream(_) | Work::Survey(_)) => {
                    let varied = |m: &Option<Measured<'_>>| Some(m.as_ref()?.varied(draws));
                    let ports = self.measured[node].iter();
                    ports
                        .map(|points| points.iter().map(varied).collect())
                        .collect()
                }
                Some(work) => {
                    let mut inputs = inputs(&values);
                    // Weights rest on uncertainties, which are those of the run in every trial.
                    let weighs = matches!(work, Work::Series(_));
                    if weighs {
                        self.restore(node, &mut inputs);
                    }
                    let given: Vec<&[Option<Value>]> = inputs.iter().map(Vec::as_slice).collect();
                    let mut own = job.computed(node, &given, &self.instead[node]).0;
                    if weighs {
                        forget(&mut own);
                    }
                    own
                }
            };
            for value in own.iter_mut().flatten().flatten() {
                if let Value::Estimate(estimate) = value {
                    self.vary(estimate, draws);
                }
            }
            values[node] = own;
        }
        let failed = Complex64::new(f64::NAN, f64::NAN);
        self.kept()
            .flat_map(|(node, port, _)| &values[node][port])
            .map(|v| {
                v.as_ref()
                    .and_then(Value::estimate)
                    .map_or(failed, |e| e.value)
            })
            .collect()
    }

    /// Gives the inputs of a node the parts that they had in the run.
    fn restore(&self, node: Node, inputs: &mut [Vec<Option<Value>>]) {
        for (values, &(source, port)) in inputs.iter_mut().zip(self.job.reads(node)) {
            let run = &self.outcome.values[source][port];
            for (value, known) in values.iter_mut().zip(run) {
                if let (Some(Value::Estimate(value)), Some(Value::Estimate(known))) = (value, known)
                {
                    value.parts = known.parts.clone();
                }
            }
        }
    }

    /// Turns what is known of an estimate's sources into a change of its value.
    fn vary(&self, estimate: &mut Estimate, draws: &[f64]) {
        let Some(parts) = &mut estimate.parts else {
            return;
        };
        for part in parts.drain(..) {
            let urn = self.slots.get(part.source.about.name.as_str());
            if let Some(urn) = urn.map(|at| &self.urns[*at]) {
                estimate.value += part.effect * draws[urn.slot + part.source.index as usize];
            }
        }
    }
}

/// Takes the parts away from values whose sources have been drawn already: a stage over all points adds none.
fn forget(values: &mut [Vec<Option<Value>>]) {
    for value in values.iter_mut().flatten().flatten() {
        if let Value::Estimate(estimate) = value {
            estimate.parts = estimate.parts.take().map(|_| Vec::new());
        }
    }
}

/// The factor by which all components of a source are drawn too far apart because its uncertainty is known
/// from few degrees of freedom: that of the scaled and shifted t distribution (JCGM 101:2008, 6.4.9.2 and,
/// for several components, JCGM 102:2011, 5.3.2).
fn spread(about: &About, random: &mut ChaCha8Rng) -> f64 {
    let freedom = about.degrees_of_freedom;
    let normal =
        about.evaluation == Evaluation::Statistical || about.distribution == Distribution::Normal;
    if !normal || !freedom.is_finite() {
        return 1.0;
    }
    (freedom / chi_square(freedom, random)).sqrt()
}

/// A draw of mean 0 and variance 1.
fn drawn(distribution: Distribution, random: &mut ChaCha8Rng) -> f64 {
    match distribution {
        Distribution::Normal => normal(random),
        Distribution::Rectangular => (2.0 * unit(random) - 1.0) * distribution.divisor(),
        Distribution::Triangular => (unit(random) + unit(random) - 1.0) * distribution.divisor(),
        Distribution::Arcsine => libm::sin(TAU * unit(random)) * distribution.divisor(),
    }
}

/// Equally likely from 0 to below 1.
fn unit(random: &mut ChaCha8Rng) -> f64 {
    (random.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
}

/// Standard normal (Box and Muller, Ann. Math. Stat. 29, 610, 1958).
fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (a, b) = (1.0 - unit(random), unit(random));
    (-2.0 * libm::log(a)).sqrt() * libm::cos(TAU * b)
}

/// Chi-square, as twice a gamma variable of half the degrees of freedom (Marsaglia and Tsang, ACM Trans. Math.
/// Softw. 26, 363, 2000).
fn chi_square(freedom: f64, random: &mut ChaCha8Rng) -> f64 {
    let shape = 0.5 * freedom;
    // Below 1 the method needs a larger shape and a power (their section 6).
    let (shape, boost) = if shape < 1.0 {
        (shape + 1.0, libm::pow(1.0 - unit(random), 1.0 / shape))
    } else {
        (shape, 1.0)
    };
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / (9.0 * d).sqrt();
    loop {
        let x = normal(random);
        let v = 1.0 + c * x;
        let v = v * v * v;
        let u = 1.0 - unit(random);
        if v > 0.0 && libm::log(u) < 0.5 * x * x + d * (1.0 - v + libm::log(v)) {
            return 2.0 * d * v * boost;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moments of each distribution: mean 0 and variance 1, which over n draws are known to sqrt(1/n) and
    /// sqrt((k - 1)/n), with k the fourth moment, at most 3: within 5 of these.
    #[test]
    fn draws_have_mean_zero_and_variance_one() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let n = 200_000;
        for distribution in [
            Distribution::Normal,
            Distribution::Rectangular,
            Distribution::Triangular,
            Distribution::Arcsine,
        ] {
            let draws = (0..n).map(|_| drawn(distribution, &mut random));
            let (sum, square) = draws.fold((0.0, 0.0), |(s, q), x| (s + x, q + x * x));
            let n = f64::from(n);
            assert!((sum / n).abs() < 5.0 / n.sqrt(), "{distribution:?}");
            assert!(
                (square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt(),
                "{distribution:?}"
            );
        }
    }

    /// Chi-square of n degrees of freedom has mean n and variance 2n (its fourth central moment is 12n(n + 4)):
    /// within 5 standard deviations of what so many draws tell.
    #[test]
    fn chi_square_has_its_moments() {
        let mut random = ChaCha8Rng::seed_from_u64(2);
        let draws = 200_000;
        for n in [1.0, 2.0, 7.5, 31.0] {
            let all: Vec<f64> = (0..draws).map(|_| chi_square(n, &mut random)).collect();
            let m = f64::from(draws);
            let mean = all.iter().sum::<f64>() / m;
            let variance = all.iter().map(|x| (x - n) * (x - n)).sum::<f64>() / m;
            assert!((mean - n).abs() < 5.0 * (2.0 * n / m).sqrt(), "{n} {mean}");
            let of_variance = (12.0 * n * (n + 4.0) - 4.0 * n * n) / m;
            assert!(
                (variance - 2.0 * n).abs() < 5.0 * of_variance.sqrt(),
                "{n} {variance}"
            );
        }
    }

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
