//! From the values of a run to a comparison.

use std::collections::BTreeSet;

use num_complex::Complex64;

use super::expand::{ExpandedChain, Words};
use super::report::{Axis, Chain, Comparison, Difference, Largest, Need, PointValue};
use super::{start, verdict};
use crate::aspect::Aspect;
use crate::check::Kept;
use crate::flow::Flow;
use crate::response::Figures;
use crate::run::{Job, Outcome};
use crate::value::{Estimate, Reach, Value};

/// Points from which on there is a largest one to speak of.
const FEWEST_FOR_A_PEAK: usize = 3;

/// Standard uncertainties by which a largest point has to exceed the median to be a peak.
pub(super) const STANDS_OUT: f64 = 5.0;

/// A chain's result in a job.
pub(super) struct Found<'j> {
    pub kept: &'j Kept,
    pub flow: &'j Flow,
    pub values: &'j [Option<Value>],
}

/// The kept output of this name.
pub(super) fn find<'j>(job: &'j Job<'_>, outcome: &'j Outcome, name: &str) -> Option<Found<'j>> {
    let kept = job.typed.results.iter().find(|k| k.name == name)?;
    Some(Found {
        kept,
        flow: job.typed.flow(kept.node, kept.port)?,
        values: &outcome.values[kept.node][kept.port],
    })
}

fn estimate(values: &[Option<Value>], point: usize) -> Option<&Estimate> {
    values.get(point)?.as_ref()?.estimate()
}

/// Compares the chains of a run.
pub(super) fn compare(
    job: &Job<'_>,
    outcome: &Outcome,
    chains: &[ExpandedChain],
    words: &Words,
    need: Option<Need>,
) -> Comparison {
    let Some(base) = chains.first().and_then(|c| find(job, outcome, &c.answer)) else {
        return Comparison::default();
    };
    let factor = base.flow.unit.si_factor();
    let axis = job.axis_of(base.kept.node);
    let complex = base.flow.kind.is_complex();
    let points = base.values.len();
    let mut comparison = Comparison {
        title: job.recipe.title.clone(),
        unit: base.flow.unit.ascii(),
        complex,
        convention: base
            .flow
            .convention
            .map_or(String::new(), |c| c.to_string()),
        axis: Axis {
            name: axis.name.clone(),
            unit: axis.unit.clone(),
            values: match axis.values.len() == points {
                true => axis.values.clone(),
                false => Vec::new(),
            },
        },
        points,
        chains: Vec::new(),
        recommended: None,
    };
    let found: Vec<Option<Found<'_>>> = chains
        .iter()
        .map(|c| find(job, outcome, &c.answer))
        .collect();
    let common = |point: &usize| {
        let known = |f: &Option<Found<'_>>| {
            let e = estimate(f.as_ref()?.values, *point)?;
            e.parts.as_ref().map(drop)
        };
        found.iter().all(|f| known(f).is_some())
    };
    let common: Vec<usize> = (0..points).filter(common).collect();
    for (expanded, found) in chains.iter().zip(&found) {
        let mut chain = Chain {
            name: expanded.name.clone(),
            said: expanded.said.clone(),
            output: expanded.answer.clone(),
            difference_output: expanded.difference.clone().unwrap_or_default(),
            same_as: expanded.same_as,
            ..Chain::default()
        };
        if let Some(found) = found {
            figures(&mut chain, job, found);
            let detected = detected(job, outcome, expanded, points);
            chain.values = (0..points)
                .map(|p| {
                    Some(point_value(
                        estimate(found.values, p)?,
                        complex,
                        factor,
                        detected[p],
                    ))
                })
                .collect();
            let asked = detected.iter().flatten().count();
            chain.detected = (asked > 0).then(|| {
                let yes = detected.iter().flatten().filter(|d| **d).count();
                (yes, asked)
            });
            let of_common = || common.iter().filter_map(|p| estimate(found.values, *p));
            let rms = |own: bool| {
                let all: Vec<f64> = of_common().map(|e| variance(e, complex, own)).collect();
                let mean = all.iter().sum::<f64>() / all.len() as f64;
                (!all.is_empty()).then(|| mean.sqrt() / factor)
            };
            (chain.uncertainty, chain.noise) = (rms(false), rms(true));
            chain.noise_known_to = known_to(of_common());
        }
        let difference = expanded.difference.as_ref();
        if let Some(difference) = difference.and_then(|d| find(job, outcome, d)) {
            let one = |p: usize| {
                let d = estimate(difference.values, p)?;
                Some(difference_at(estimate(base.values, p)?, d, complex, factor))
            };
            chain.differences = (0..points).map(one).collect();
            // A point without an evaluated uncertainty cannot take part.
            let evaluated = difference.values.iter().map(|v| {
                let known = v.as_ref().and_then(Value::estimate)?.parts.is_some();
                v.clone().filter(|_| known)
            });
            match (words.agree)(&evaluated.collect::<Vec<_>>(), complex) {
                Ok(agreement) => chain.agreement = Some(agreement),
                Err(why) => chain.agreement_not_known = why,
            }
        }
        chain.start = start::of(job, outcome, expanded);
        comparison.chains.push(chain);
    }
    peaks(&mut comparison, &odd(job, outcome));
    pareto(&mut comparison.chains);
    verdict::judge(&mut comparison, need.map(|n| (n, &base.flow.unit)));
    comparison
}

/// Mean variance of the parts of an estimate; with `own`, by what is not shared by all points.
fn variance(estimate: &Estimate, complex: bool, own: bool) -> f64 {
    let parts = estimate.parts.iter().flatten();
    let parts = parts.filter(|p| !own || p.source.about.reach != Reach::Everywhere);
    let sum: f64 = parts
        .map(|p| match complex {
            true => p.effect.norm_sqr() / 2.0,
            false => p.effect.re * p.effect.re,
        })
        .sum();
    sum
}

/// How exactly a root mean square of uncertainties is known, as a part of it: from the degrees of freedom of what is
/// not shared by all points, 1/sqrt(2n) (JCGM 100:2008, E.4.3). Both parts of a value count once, since they share
/// them.
fn known_to<'e>(estimates: impl Iterator<Item = &'e Estimate>) -> Option<f64> {
    let freedom = estimates.filter_map(|e| {
        let own = e.parts.iter().flatten();
        let own = own.filter(|p| p.source.about.reach != Reach::Everywhere);
        let of_noise = Estimate {
            parts: Some(own.cloned().collect()),
            ..Estimate::bare(e.value)
        };
        Some(of_noise.uncertainty_along(Complex64::ONE)?.1)
    });
    let freedom: f64 = freedom.sum();
    (freedom > 0.0 && freedom.is_finite()).then(|| 1.0 / (2.0 * freedom).sqrt())
}

fn figures(chain: &mut Chain, job: &Job<'_>, found: &Found<'_>) {
    let line = job.typed.signal_frequency(job.recipe, found.flow);
    let Some(figures) = Figures::of(found.flow, line.map(|(f, _)| f)) else {
        return;
    };
    chain.noise_bandwidth = figures.noise_bandwidth;
    chain.value_noise_bandwidth = figures.value_noise_bandwidth;
    chain.settling = figures.settling;
    chain.delay = figures.delay;
}

/// Whether a signal was detected, point by point.
fn detected(
    job: &Job<'_>,
    outcome: &Outcome,
    chain: &ExpandedChain,
    points: usize,
) -> Vec<Option<bool>> {
    let told = chain.told_by.as_ref().and_then(|t| find(job, outcome, t));
    let values = told.and_then(|told| {
        let port = job.typed.ports[told.kept.node]
            .as_ref()?
            .get(told.kept.port)?;
        outcome.values[told.kept.node].get(port.companions?.detected)
    });
    let one = |p: usize| {
        let d = estimate(values?, p)?.value.re;
        (!d.is_nan()).then_some(d != 0.0)
    };
    (0..points).map(one).collect()
}

fn pair(z: Complex64, factor: f64) -> [f64; 2] {
    [z.re / factor, z.im / factor]
}

fn point_value(e: &Estimate, complex: bool, factor: f64, detected: Option<bool>) -> PointValue {
    let size = match complex {
        true => Aspect::Amplitude,
        false => Aspect::Value,
    };
    PointValue {
        value: pair(e.value, factor),
        u: e.standard_uncertainty().map(|u| pair(u, factor)),
        amplitude: size.of(e) / factor,
        amplitude_u: size.uncertainty(e).map(|(u, _)| u / factor),
        phase: complex.then(|| Aspect::Phase.of(e).to_degrees()),
        phase_u: match complex {
            true => Aspect::Phase.uncertainty(e).map(|(u, _)| u.to_degrees()),
            false => None,
        },
        detected,
    }
}

fn difference_at(base: &Estimate, d: &Estimate, complex: bool, factor: f64) -> Difference {
    let size = |z: Complex64| libm::hypot(z.re, z.im);
    let (amplitude, along) = match complex {
        true => {
            let scale = size(base.value);
            let along = (scale > 0.0).then(|| base.value / scale);
            (size(base.value + d.value) - scale, along)
        }
        false => (d.value.re, Some(Complex64::ONE)),
    };
    let u = along.and_then(|along| d.uncertainty_along(along));
    Difference {
        value: pair(d.value, factor),
        u: d.standard_uncertainty().map(|u| pair(u, factor)),
        amplitude: amplitude / factor,
        amplitude_u: u.map(|(u, _)| u / factor),
    }
}

/// Marks the chains that no other has both less noise and less settling time than.
fn pareto(chains: &mut [Chain]) {
    let place = |c: &Chain| Some((c.settles()?, c.noise?));
    let places: Vec<Option<(f64, f64)>> = chains.iter().map(place).collect();
    for (chain, own) in chains.iter_mut().zip(&places) {
        chain.unbeaten = own.map(|(settling, noise)| {
            let beats = |(t, u): &(f64, f64)| {
                *t <= settling && *u <= noise && (*t < settling || *u < noise)
            };
            !places.iter().flatten().any(beats)
        });
    }
}

impl Chain {
    /// Seconds to 1 %.
    pub fn settles(&self) -> Option<f64> {
        self.settling.first().and_then(|(_, t)| *t)
    }
}

fn median(mut sizes: Vec<f64>) -> f64 {
    sizes.sort_by(f64::total_cmp);
    let half = sizes.len() / 2;
    match sizes.len() % 2 {
        1 => sizes[half],
        _ => 0.5 * (sizes[half - 1] + sizes[half]),
    }
}

/// Points at which a channel of the main recording is remarked on, as where samples are cut off.
fn odd(job: &Job<'_>, outcome: &Outcome) -> BTreeSet<usize> {
    let is_channel = |node: &str| job.recipe.inputs.iter().any(|i| i.name.text == node);
    let remarks = outcome
        .remarks
        .iter()
        .filter(|r| r.recording.is_empty() && is_channel(&r.node));
    remarks.filter_map(|r| Some(r.point? as usize)).collect()
}

/// The largest points of a sweep, and whether the base's is still there. Odd ones have no part in that.
fn peaks(comparison: &mut Comparison, odd: &BTreeSet<usize>) {
    let axis = comparison.axis.values.clone();
    let mut base: Option<Largest> = None;
    for chain in &mut comparison.chains {
        let there = chain
            .values
            .iter()
            .enumerate()
            .filter(|(p, _)| !odd.contains(p));
        let there: Vec<(usize, &PointValue)> =
            there.filter_map(|(p, v)| Some((p, v.as_ref()?))).collect();
        let usable = there.iter().filter(|(_, v)| v.amplitude.is_finite());
        // Of equal ones the first.
        let largest = usable.fold(
            None,
            |most: Option<&(usize, &PointValue)>, one| match most {
                Some(m) if m.1.amplitude >= one.1.amplitude => Some(m),
                _ => Some(one),
            },
        );
        let Some((point, value)) = largest.filter(|_| there.len() >= FEWEST_FOR_A_PEAK) else {
            continue;
        };
        let middle = median(there.iter().map(|(_, v)| v.amplitude).collect());
        let u = value.amplitude_u.filter(|u| *u > 0.0);
        let stands_out = u.map(|u| (value.amplitude - middle) / u);
        let is_peak = stands_out.map(|s| s >= STANDS_OUT);
        let change = base.and_then(|b| {
            let d = chain.differences.get(b.point)?.as_ref()?;
            Some((d.amplitude / b.height, d.amplitude_u.map(|u| u / b.height)))
        });
        let found = Largest {
            point: *point,
            at: axis.get(*point).copied(),
            height: value.amplitude,
            height_u: value.amplitude_u,
            stands_out,
            change,
            still_there: match base {
                Some(b) if b.stands_out.is_some_and(|s| s >= STANDS_OUT) => {
                    is_peak.map(|is| is && point.abs_diff(b.point) <= 1)
                }
                _ => None,
            },
        };
        chain.largest = Some(found);
        base = base.or(Some(found));
    }
}

#[cfg(test)]
#[path = "judge_tests.rs"]
mod tests;
