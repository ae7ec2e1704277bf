//! What a recipe leaves of the noise of a bench: uncertainty against averaging time, the time that an
//! uncertainty needs, and the smallest signal that is detected.

use serde::Serialize;

use super::LOWEST;
use super::detect::{Limits, limits};
use super::kept::{Averages, Foreseen};
use super::sources::Sources;
use crate::check::Typed;
use crate::flow::Flow;
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::response::{Element, Figures, PowerLaw, Scatter, ScatterError};
use crate::units::Unit;

/// Longest average that is looked for, in s: a year.
const LONGEST: f64 = 3.2e7;

/// Part of a step that may be left when averaging begins, as `Average` has it by default.
const SETTLED: f64 = 1e-4;

/// White noise of density 1, from which the noise bandwidth follows.
const UNIT: PowerLaw = PowerLaw {
    at_1_hz: 1.0,
    exponent: 0.0,
};

/// What to expect of an average.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Expected {
    /// Seconds that are averaged, a whole number of samples.
    pub averaging_time_s: f64,
    /// The same with the settling time before it.
    pub total_time_s: f64,
    /// One-sided equivalent noise bandwidth of chain and average.
    pub noise_bandwidth_hz: f64,
    /// Standard uncertainty of the in-phase and of the quadrature part, and of an amplitude well above it, in
    /// units of the recording: noise, and lines at most.
    pub standard_uncertainty_unit: f64,
    /// What each source of noise makes of it.
    pub noise_unit: Vec<f64>,
    /// What each line makes of it, at most.
    pub lines_at_most_unit: Vec<f64>,
    /// Relative standard uncertainty of the amplitude of the stated signal.
    pub relative: Option<f64>,
    /// Standard uncertainty of its phase; `None` where the signal is below three standard uncertainties, so
    /// that a phase means nothing.
    pub phase_deg: Option<f64>,
    /// Amplitude that noise alone exceeds with a probability of 5 %.
    pub threshold_unit: f64,
    /// Smallest amplitude that exceeds the threshold with a probability of 95 %.
    pub smallest_amplitude_unit: f64,
    /// Smallest in-phase part of a signal of known phase that is detected with a probability of 95 %.
    pub smallest_in_phase_unit: f64,
}

/// Averages of a recipe with the same chain, and what becomes of the noise of a bench in them.
#[derive(Clone, Debug)]
pub struct Outlook {
    /// Names of the averages.
    pub averages: Vec<String>,
    /// Kept results that need them.
    pub results: Vec<String>,
    /// What becomes of them in kept results, where that is known point by point.
    pub foreseen: Vec<Foreseen>,
    /// Kept results that are made of averages with other chains too, and not foreseen.
    pub mixed: Vec<String>,
    /// Frequency of the signal at the input in Hz.
    pub frequency: f64,
    /// Seconds until the chain has settled to 0.01 %.
    pub settling: f64,
    /// Seconds that are averaged of a point of the recording, where one is given.
    pub point: Option<f64>,
    /// Whether the product lets the noise around odd harmonics in.
    pub switched: bool,
    sources: Sources,
    signal: Option<f64>,
    scatter: Scatter,
    amplitude: Limits,
    in_phase: Limits,
}

/// Averages whose outlook is not known, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Untold {
    /// Name of the average.
    pub average: String,
    /// The reason.
    pub why: ScatterError,
}

/// What is planned.
#[derive(Clone, Copy, Debug)]
pub struct Planned<'p> {
    /// What adds noise.
    pub sources: &'p Sources,
    /// Peak amplitude of the signal.
    pub signal: Option<f64>,
    /// Unit of what is recorded.
    pub unit: &'p Unit,
    /// Whether the lengths of flows are those of a recording.
    pub recorded: bool,
}

/// The outlook of every average of mixed samples that a kept result needs.
pub fn averages(
    recipe: &Recipe,
    typed: &Typed,
    planned: &Planned<'_>,
) -> (Vec<Outlook>, Vec<Untold>) {
    let (mut told, mut untold) = (Vec::<Told>::new(), Vec::new());
    let averaging = averaging(typed);
    for (node, results) in &averaging {
        let (Some(flow), Some(entry)) = (
            typed.flow(*node, 0),
            node.checked_sub(recipe.inputs.len())
                .and_then(|stage| recipe.stages.get(stage)),
        ) else {
            continue;
        };
        let name = entry.name.text.clone();
        let alike = |told: &&mut Told| {
            (&told.flow.response, told.flow.switched) == (&flow.response, flow.switched)
                && Some(told.outlook.frequency) == frequency(recipe, typed, flow)
        };
        if let Some(same) = told.iter_mut().find(alike) {
            same.nodes.push(*node);
            same.outlook.averages.push(name);
            let known = &mut same.outlook.results;
            let more = results.iter().filter(|r| !known.contains(r)).cloned();
            let more: Vec<String> = more.collect();
            known.extend(more);
            continue;
        }
        match Outlook::of(recipe, typed, flow, planned) {
            Ok(outlook) => told.push(Told {
                flow: flow.clone(),
                nodes: vec![*node],
                outlook: Outlook {
                    averages: vec![name],
                    results: results.clone(),
                    ..outlook
                },
            }),
            Err(why) => untold.push(Untold { average: name, why }),
        }
    }
    let foreseen = |Told { nodes, outlook, .. }| {
        let others = averaging.iter().map(|(node, _)| *node);
        let others: Vec<Node> = others.filter(|node| !nodes.contains(node)).collect();
        let averages = Averages {
            recipe,
            typed,
            own: &nodes,
            others: &others,
            frequency: outlook.frequency,
            signal: planned.signal,
            unit: planned.unit,
        };
        Outlook {
            foreseen: averages.foreseen(),
            mixed: averages.mixed(),
            ..outlook
        }
    };
    (told.into_iter().map(foreseen).collect(), untold)
}

/// Averages with the same chain.
struct Told {
    flow: Flow,
    nodes: Vec<Node>,
    outlook: Outlook,
}

/// Nodes that average mixed samples, with the kept results that need them, in the order in which they run.
fn averaging(typed: &Typed) -> Vec<(Node, Vec<String>)> {
    let averages = |node: Node| {
        let flow = typed.flow(node, 0)?;
        let elements = &flow.response.elements;
        let ends = matches!(elements.last(), Some(Element::Average(..)));
        let (source, port) = *typed.reads[node].first()?;
        let sampled = typed.flow(source, port)?.kind.is_sampled();
        (ends && sampled && elements.contains(&Element::Mixed)).then_some(())
    };
    let chains: Vec<(&str, Vec<Node>)> = typed
        .results
        .iter()
        .map(|kept| (kept.name.as_str(), typed.chain(kept.node)))
        .collect();
    let order = typed.graph.order.iter().copied();
    order
        .filter(|node| averages(*node).is_some())
        .map(|node| {
            let needing = chains.iter().filter(|(_, chain)| chain.contains(&node));
            (node, needing.map(|(name, _)| (*name).to_owned()).collect())
        })
        .filter(|(_, results): &(Node, Vec<String>)| !results.is_empty())
        .collect()
}

/// Frequency of the signal of a flow in Hz.
fn frequency(recipe: &Recipe, typed: &Typed, flow: &Flow) -> Option<f64> {
    typed.signal_frequency(recipe, flow).map(|(f, _)| f)
}

impl Outlook {
    fn of(
        recipe: &Recipe,
        typed: &Typed,
        flow: &Flow,
        planned: &Planned<'_>,
    ) -> Result<Self, ScatterError> {
        let known = frequency(recipe, typed, flow);
        let figures = Figures::of(flow, known).ok_or(ScatterError::NotAveraged)?;
        let frequency = known.ok_or(ScatterError::NoFrequency)?;
        let settled = figures.settling.iter().find(|(part, _)| *part == SETTLED);
        let settling = settled.and_then(|(_, time)| *time);
        let mut laws = planned.sources.laws.clone();
        laws.push(UNIT);
        let scatter = figures.scatter(&laws, LOWEST, flow.switched)?;
        let settling = settling.ok_or(ScatterError::TooLong)?;
        let (amplitude, in_phase) = limits();
        Ok(Outlook {
            averages: Vec::new(),
            results: Vec::new(),
            foreseen: Vec::new(),
            mixed: Vec::new(),
            frequency,
            settling,
            point: figures.duration.filter(|_| planned.recorded),
            switched: flow.switched,
            sources: planned.sources.clone(),
            signal: planned.signal,
            scatter,
            amplitude,
            in_phase,
        })
    }

    /// Samples per second that are averaged.
    pub fn rate(&self) -> f64 {
        self.scatter.rate()
    }

    /// The sources that add noise and lines.
    pub fn sources(&self) -> &Sources {
        &self.sources
    }

    /// Variance that noise and lines leave, each by itself, and that of white noise of density 1.
    fn variances(&self, seconds: f64) -> (Vec<f64>, Vec<f64>, f64) {
        let mut noise = self.scatter.variances(seconds);
        let unit = noise.pop().unwrap_or(0.0);
        let tones = self.sources.tones.iter().map(|tone| {
            let left = tone.amplitude * self.scatter.tone(tone.frequency, seconds);
            left * left
        });
        (noise, tones.collect(), unit)
    }

    fn variance(&self, seconds: f64) -> f64 {
        let (noise, tones, _) = self.variances(seconds);
        noise.iter().chain(&tones).sum()
    }

    /// What to expect of an average over a time in s.
    pub fn expected(&self, seconds: f64) -> Expected {
        let averaged = self.scatter.samples(seconds) / self.scatter.rate();
        let (noise, tones, unit) = self.variances(averaged);
        let u = noise.iter().chain(&tones).sum::<f64>().sqrt();
        let roots = |powers: Vec<f64>| powers.into_iter().map(f64::sqrt).collect();
        let relative = self.signal.map(|signal| u / signal);
        Expected {
            averaging_time_s: averaged,
            total_time_s: averaged + self.settling,
            noise_bandwidth_hz: 0.5 * unit,
            standard_uncertainty_unit: u,
            noise_unit: roots(noise),
            lines_at_most_unit: roots(tones),
            relative,
            phase_deg: relative.filter(|r| 3.0 * r <= 1.0).map(f64::to_degrees),
            threshold_unit: self.amplitude.threshold * u,
            smallest_amplitude_unit: self.amplitude.smallest * u,
            smallest_in_phase_unit: self.in_phase.smallest * u,
        }
    }

    /// Shortest average in s whose standard uncertainty is no larger than `uncertainty` in units of the
    /// recording; `None` if a year is not enough.
    pub fn time_for(&self, uncertainty: f64) -> Option<f64> {
        let rate = self.scatter.rate();
        // What is met but for rounding is met.
        let limit = uncertainty * uncertainty * (1.0 + 1e-9);
        let enough = |samples: f64| self.variance(samples / rate) <= limit;
        let most = LONGEST * rate;
        let mut high = 1.0;
        while !enough(high) {
            if high >= most {
                return None;
            }
            high *= 2.0;
        }
        let mut low = if high > 1.0 { 0.5 * high } else { 1.0 };
        while high - low > 1.0 {
            let middle = (0.5 * (low + high)).floor();
            if enough(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Some(high / rate)
    }

    /// Shortest average in s that detects an amplitude with a probability of 95 %.
    pub fn time_to_detect(&self, amplitude: f64) -> Option<f64> {
        self.time_for(amplitude / self.amplitude.smallest)
    }
}
