//! Chains of linear stages computed together: of a chain that mixes, filters and keeps one sample of many, only
//! the kept ones are ever computed, from sums over the others. They equal those of the stages one by one but for
//! rounding.
//!
//! A stage says that it is linear by [`crate::stage::Configured::linear`]; the engine looks for chains that end
//! where samples are left out, and follows them back as far as they are linear.

mod aside;
mod bank;
pub mod following;
pub mod group;
mod lanes;
mod sections;
mod series;
mod shapes;
pub mod slab;
mod taps;
mod turns;
mod weights;
mod windows;

#[cfg(test)]
mod tests;

use std::sync::Arc;

use crate::check::Typed;
use crate::flow::Kind;
use crate::graph::Node;
use crate::recipe::Recipe;
pub use aside::Kept;
pub use bank::plain_sum;
use group::{Chain, Filter, Group, Mixing};
use sections::Sections;
use taps::Taps;
pub(crate) use weights::Weights;

/// What a stage does to its first input, where that is linear and known before any sample is read.
#[derive(Clone)]
pub enum Linear {
    /// The mean of the point is taken away.
    LessMean,
    /// It is multiplied by a number.
    Times(f64),
    /// It is multiplied by `scale·(sin + i·cos)` of the phase of a clock, the second input, at the harmonic n/m.
    Mixed {
        /// n.
        harmonic: u32,
        /// m.
        divisor: u32,
        /// The scale.
        scale: f64,
    },
    /// Second-order sections `[b0, b1, b2, a1, a2]`, from rest.
    Sections(Vec<[f64; 5]>),
    /// A finite impulse response, from rest; the first tap is for the newest sample.
    Taps(Vec<f64>),
    /// One sample of so many is kept, the first included.
    Keep(u64),
    /// Not what it does to its input: a clock whose phase is known, by sample and harmonic n/m in cycles.
    Steady(Arc<dyn Fn(u64, u32, u32) -> f64 + Send + Sync>),
    /// Not what it does to its input: a clock that a survey finds in the samples, and then tells
    /// ([`crate::stage::Survey::phases`]).
    Found,
}

/// Fewest samples of which one is kept for which computing them together pays.
const FEWEST: u64 = 32;

/// A chain that is computed together, as a plan tells it. The outputs are those of its last stage.
#[derive(Clone, Debug, PartialEq)]
pub struct Together {
    /// The last stage, which leaves samples out.
    pub head: Node,
    /// The wave that it starts from.
    pub source: (Node, usize),
    /// The stages in between, from the source on, and the clock.
    pub through: Vec<Node>,
    /// The clock, where it is found in the samples.
    pub clock: Option<Node>,
    /// Whether the mean of the point is taken away.
    pub less_mean: bool,
    /// One sample of so many of the recording is kept.
    pub every: u64,
}

/// Groups of chains, and the source of each and whether the mean is taken away.
pub struct Shared {
    /// The chains and what they have in common.
    pub group: Group,
    /// The wave that they start from.
    pub source: (Node, usize),
    /// Whether its mean is taken away.
    pub less_mean: bool,
    /// The clock, where it is found in the samples.
    pub clock: Option<Node>,
    /// Their last stages.
    pub heads: Vec<Node>,
}

impl Shared {
    /// Whether the mean of the source is taken in a look of its own, while the clock is looked for.
    pub fn takes_mean_first(&self) -> bool {
        self.less_mean && self.clock.is_some()
    }
}

/// A chain on its way back from its last stage.
#[derive(Clone)]
struct Traced {
    head: Node,
    source: (Node, usize),
    through: Vec<Node>,
    every: u64,
    factor: f64,
    sections: Vec<[f64; 5]>,
    taps: Option<Vec<f64>>,
    mixing: Option<(Node, u32, u32)>,
    less_mean: bool,
}

/// Looks for chains that can be computed together.
pub fn find(recipe: &Recipe, typed: &Typed, wanted: &[bool]) -> (Vec<Together>, Vec<Shared>) {
    let tracer = Tracer {
        recipe,
        typed,
        wanted,
    };
    let mut traced: Vec<Vec<Traced>> = Vec::new();
    for &node in typed.graph.order.iter().filter(|n| wanted[**n]) {
        let Some(chain) = tracer.trace(node) else {
            continue;
        };
        let alike = |other: &Vec<Traced>| {
            let key = |t: &Traced| (t.source, t.mixing, t.less_mean, t.every);
            other.first().is_some_and(|o| key(o) == key(&chain))
        };
        match traced.iter_mut().find(|group| alike(group)) {
            Some(group) => group.push(chain),
            None => traced.push(vec![chain]),
        }
    }
    let (mut all, mut shared) = (Vec::new(), Vec::new());
    for group in traced {
        let Some(first) = group.first().cloned() else {
            continue;
        };
        let mixing = first.mixing.and_then(|mixing| tracer.mixing(mixing));
        let mixing = mixing.unwrap_or(Mixing::None);
        let found = matches!(mixing, Mixing::Found(..));
        let clock = first.mixing.map(|(clock, ..)| clock).filter(|_| found);
        let mut chains = Vec::new();
        let mut heads = Vec::new();
        for traced in group {
            let filter = match &traced.taps {
                Some(taps) => Some(Filter::Taps(Taps::new(taps, |n| mixing.ahead(n)))),
                None => Sections::new(&traced.sections, traced.every)
                    .map(|s| Filter::Sections(Box::new(s))),
            };
            let Some(filter) = filter else { continue };
            let every = tracer.of_input(&traced);
            all.push(Together {
                head: traced.head,
                source: traced.source,
                through: traced.through,
                clock,
                less_mean: traced.less_mean,
                every,
            });
            heads.push(traced.head);
            chains.push(Chain {
                filter,
                factor: traced.factor,
            });
        }
        if !chains.is_empty() {
            shared.push(Shared {
                group: Group::new(chains, first.every, mixing),
                clock,
                source: first.source,
                less_mean: first.less_mean,
                heads,
            });
        }
    }
    (all, shared)
}

struct Tracer<'t> {
    recipe: &'t Recipe,
    typed: &'t Typed,
    wanted: &'t [bool],
}

impl Tracer<'_> {
    fn linear(&self, node: Node) -> Option<Linear> {
        let stage = node.checked_sub(self.recipe.inputs.len())?;
        let flows: Vec<_> = self.typed.reads[node]
            .iter()
            .filter_map(|&(source, port)| self.typed.flow(source, port).cloned())
            .collect();
        self.recipe.stages.get(stage)?.configured.linear(&flows)
    }

    /// What a harmonic of a clock is to a chain; `None` where the clock is not told.
    fn mixing(&self, (clock, n, m): (Node, u32, u32)) -> Option<Mixing> {
        match self.linear(clock)? {
            Linear::Steady(phase) => {
                Some(Mixing::Steady(Arc::new(move |sample| phase(sample, n, m))))
            }
            Linear::Found => Some(Mixing::Found(n, m)),
            _ => None,
        }
    }

    /// Samples of the recording for one that a chain keeps: its source may have fewer. Rates fall by whole factors.
    fn of_input(&self, chain: &Traced) -> u64 {
        let mut input = chain.source.0;
        while let Some(&(before, _)) = self.typed.reads[input].first() {
            input = before;
        }
        let rate = |node: Node| self.typed.flow(node, 0)?.rate;
        let times = rate(input).zip(rate(chain.source.0));
        let times = times.map_or(1, |(input, source)| (input / source).round() as u64);
        chain.every.saturating_mul(times.max(1))
    }

    fn is_found(&self, mixing: (Node, u32, u32)) -> bool {
        matches!(self.mixing(mixing), Some(Mixing::Found(..)))
    }

    /// Whether anyone but the chain uses another port of a stage.
    fn other_ports_used(&self, node: Node) -> bool {
        let kept = self
            .typed
            .results
            .iter()
            .any(|k| k.node == node && k.port > 0);
        let readers = self.typed.reads.iter().zip(self.wanted);
        kept || readers.filter(|(_, wanted)| **wanted).any(|(reads, _)| {
            reads
                .iter()
                .any(|&(source, port)| source == node && port > 0)
        })
    }

    fn trace(&self, head: Node) -> Option<Traced> {
        let Linear::Keep(every) = self.linear(head)? else {
            return None;
        };
        let flow = self.typed.flow(head, 0)?;
        let alone = self.typed.recordings[head].len() == 1;
        if every < FEWEST || !alone || flow.missing.gap.is_some() || flow.missing.late {
            return None;
        }
        let mut chain = Traced {
            head,
            source: *self.typed.reads[head].first()?,
            through: Vec::new(),
            every,
            factor: 1.0,
            sections: Vec::new(),
            taps: None,
            mixing: None,
            less_mean: false,
        };
        while self.extend(&mut chain).is_some() {}
        // A finite impulse response behind a clock that is not steady is left to its stage.
        let steady = !chain.mixing.is_some_and(|mixing| self.is_found(mixing));
        let filtered = (chain.taps.is_some() && steady) || !chain.sections.is_empty();
        let kind = self.typed.flow(chain.source.0, chain.source.1)?.kind;
        chain.through.reverse();
        (filtered && kind == Kind::Wave).then_some(chain)
    }

    /// Follows a chain back by one stage; `None` where it begins.
    fn extend(&self, chain: &mut Traced) -> Option<()> {
        let (node, port) = chain.source;
        let linear = self.linear(node).filter(|_| port == 0)?;
        // What lies before the mixing acts on the wave, and the filter only what comes behind it.
        let waved = chain.mixing.is_some() || chain.less_mean;
        match linear {
            Linear::Times(factor) => chain.factor *= factor,
            Linear::Sections(sections) if !waved && chain.taps.is_none() => {
                chain.sections.splice(0..0, sections);
            }
            Linear::Taps(taps) if !waved && chain.taps.is_none() && chain.sections.is_empty() => {
                chain.taps = Some(taps);
            }
            Linear::Mixed {
                harmonic,
                divisor,
                scale,
            } if !waved => {
                let (clock, _) = *self.typed.reads[node].get(1)?;
                let mixing = (clock, harmonic, divisor);
                self.mixing(mixing)?;
                chain.mixing = Some(mixing);
                chain.factor *= scale;
                chain.through.push(clock);
            }
            // Where the clock has to be found first, the mean is, too, before the chain is computed.
            Linear::LessMean if !chain.less_mean && !self.other_ports_used(node) => {
                let early = self.typed.reads[node].first()?.0 < self.recipe.inputs.len();
                if chain.mixing.is_some_and(|mixing| self.is_found(mixing)) && !early {
                    return None;
                }
                chain.less_mean = true;
            }
            _ => return None,
        }
        chain.through.push(node);
        chain.source = *self.typed.reads[node].first()?;
        Some(())
    }
}
