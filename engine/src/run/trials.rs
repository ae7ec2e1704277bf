//! Trials: what a run gives when its sources of uncertainty are drawn.
//!
//! What is measured at a point, and every constant, varies as its sources say; everything computed from
//! values is computed again for each trial, without uncertainties. Draws depend on the seed, the source and the number
//! of the trial alone, so that results do not depend on threads.

use std::collections::BTreeMap;
use std::sync::Arc;

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;

use super::distributions::{drawn, spread};
use super::{Job, Outcome};
use crate::graph::Node;
use crate::stage::{PointWork, TrialWork, Work};
use crate::value::{About, Estimate, Part, Reach, Value};

/// What stages over all points do in trials; none for other stages, and for those that gave nothing in the run.
pub(super) type SeriesTrials = Vec<Option<Box<TrialWork>>>;

/// A source with room for the draws of its components.
struct Urn<'o> {
    about: &'o About,
    seed: [u8; 32],
    /// Where its draws begin.
    slot: usize,
    components: usize,
}

/// Where the values of a run come from in a trial.
pub(super) struct Trials<'o, 'r> {
    job: &'o Job<'r>,
    outcome: &'o Outcome,
    wanted: Vec<bool>,
    urns: Vec<Urn<'o>>,
    slots: BTreeMap<&'o str, usize>,
    /// What was measured, `[node][port][point]`, to be varied in each trial.
    measured: Vec<Vec<Vec<Option<Measured<'o>>>>>,
    /// Work that stages prepared for values that are drawn, `[node][point]`.
    instead: Vec<Vec<Option<Box<PointWork>>>>,
    series: &'o SeriesTrials,
}

/// A value of the run, with the places of the draws that change it.
struct Measured<'o> {
    value: &'o Value,
    effects: Vec<(usize, Complex64)>,
    /// What turns it, in radians: a turn changes no amplitude, which to first order it would.
    turns: Vec<(usize, f64)>,
}

impl Measured<'_> {
    /// The value in a trial. Its sources are drawn with that.
    fn varied(&self, draws: &[f64]) -> Value {
        let Value::Estimate(known) = self.value else {
            return self.value.clone();
        };
        let changes = self.effects.iter();
        let value = changes.fold(known.value, |z, (slot, effect)| z + effect * draws[*slot]);
        if self.turns.is_empty() {
            return drawn_as(known, value);
        }
        let turns = self.turns.iter();
        let turn: f64 = turns.map(|(slot, angle)| angle * draws[*slot]).sum();
        let turn = Complex64::new(libm::cos(turn), libm::sin(turn));
        drawn_as(known, value * turn)
    }
}

/// A value of a trial in place of that of the run; its sources have been drawn.
fn drawn_as(run: &Estimate, value: Complex64) -> Value {
    Value::Estimate(Estimate {
        value,
        parts: run.parts.as_ref().map(|_| Vec::new()),
        scatter: run.scatter,
        count: run.count,
        missing: run.missing,
        drawn: None,
    })
}

impl Job<'_> {
    /// What stages over all points that kept results need do in trials.
    pub(super) fn series_trials(&self, outcome: &Outcome) -> SeriesTrials {
        let wanted = self.needed();
        let of_node = |node: Node| {
            let Some(Work::Series(work)) = self.works[node].as_ref().filter(|_| wanted[node])
            else {
                return None;
            };
            let reads = self.reads(node).iter();
            let inputs: Vec<&[Option<Value>]> = reads
                .map(|&(source, port)| outcome.values[source][port].as_slice())
                .collect();
            // A series that failed in the run has said why there.
            work.trials(&inputs, &self.axis_of(node)).ok()
        };
        (0..self.plan.names.len())
            .into_par_iter()
            .map(of_node)
            .collect()
    }

    /// The nodes that kept results need.
    fn needed(&self) -> Vec<bool> {
        let kept = self.typed.results.iter().map(|kept| kept.node);
        self.typed.needed(kept)
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
}

impl<'o, 'r> Trials<'o, 'r> {
    /// `prepared` has stages on values of one point prepare for values that are drawn.
    pub(super) fn new(
        job: &'o Job<'r>,
        outcome: &'o Outcome,
        series: &'o SeriesTrials,
        seed: u64,
        prepared: bool,
    ) -> Self {
        let wanted = job.needed();
        let (mut urns, mut slots) = (Vec::new(), BTreeMap::new());
        let values = outcome
            .values
            .iter()
            .zip(&wanted)
            .filter(|(_, wanted)| **wanted);
        for value in values.flat_map(|(ports, _)| ports.iter().flatten().flatten()) {
            let mut last: Option<(&Arc<About>, usize)> = None;
            let estimate = value.estimate();
            for part in estimate.iter().flat_map(|e| e.parts.iter().flatten()) {
                let about = &part.source.about;
                // Parts of one source follow each other, so that names need not be looked up for each.
                let urn = match last {
                    Some((before, urn)) if Arc::ptr_eq(before, about) => urn,
                    _ => *slots.entry(about.name.as_str()).or_insert_with(|| {
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
                    }),
                };
                last = Some((about, urn));
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
            let parts = parts.into_iter().flatten();
            let size = value.estimate().map_or(Complex64::ZERO, |e| e.value);
            // A real value, a phase, is off by what a complex one is turned by.
            let turning =
                |p: &&Part| p.source.about.reach == Reach::Clock && (p.effect / size).im != 0.0;
            let angle = |(slot, effect): (usize, Complex64)| (slot, (effect / size).im);
            Measured {
                value,
                effects: parts
                    .clone()
                    .filter(|p| !turning(p))
                    .filter_map(place)
                    .collect(),
                turns: match size.norm_sqr() > 0.0 {
                    true => parts.filter(turning).filter_map(place).map(angle).collect(),
                    false => Vec::new(),
                },
            }
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
            series,
            job,
            outcome,
            wanted,
            urns,
            slots,
            measured,
        }
    }

    /// The kept estimates with their values in the run.
    pub(super) fn kept(&self) -> impl Iterator<Item = (Node, usize, &'o [Option<Value>])> {
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
    pub(super) fn draws(&self, trial: u64) -> Vec<f64> {
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
    pub(super) fn run(&self, draws: &[f64]) -> Vec<Complex64> {
        let job = self.job;
        let mut values: Vec<Vec<Vec<Option<Value>>>> = vec![Vec::new(); job.plan.names.len()];
        for &node in job.plan.order.iter().filter(|n| self.wanted[**n]) {
            let mut own = match &job.works[node] {
                None | Some(Work::Stream(_) | Work::Survey(_)) => {
                    let varied = |m: &Option<Measured<'_>>| Some(m.as_ref()?.varied(draws));
                    let ports = self.measured[node].iter();
                    ports
                        .map(|points| points.iter().map(varied).collect())
                        .collect()
                }
                Some(Work::Point(_)) => {
                    let reads = job.reads(node).iter();
                    let inputs: Vec<&[Option<Value>]> = reads
                        .map(|&(source, port)| values[source][port].as_slice())
                        .collect();
                    job.computed(node, &inputs, &self.instead[node]).0
                }
                Some(Work::Series(_)) => self.over_series(node, &values),
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

    /// What a stage over all points gives, where it gave something in the run.
    fn over_series(
        &self,
        node: Node,
        values: &[Vec<Vec<Option<Value>>>],
    ) -> Vec<Vec<Option<Value>>> {
        let number = |v: &Option<Value>| Some(v.as_ref()?.estimate()?.value);
        let reads = self.job.reads(node).iter();
        let inputs: Vec<Vec<Option<Complex64>>> = reads
            .map(|&(source, port)| values[source][port].iter().map(number).collect())
            .collect();
        let work = self.series[node].as_ref();
        let found = work.and_then(|work| work(&inputs)).unwrap_or_default();
        let of_port = |(port, run): (usize, &Vec<Option<Value>>)| {
            let of_point = |(point, run): (usize, &Option<Value>)| {
                let value = (*found.get(port)?.get(point)?)?;
                Some(drawn_as(run.as_ref()?.estimate()?, value))
            };
            run.iter().enumerate().map(of_point).collect()
        };
        let run = self.outcome.values[node].iter();
        run.enumerate().map(of_port).collect()
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
