//! Means of the same samples behind different chains: how far their errors agree follows from the chains.
//!
//! Each mean is a weighted sum of the noise in front of its chain, behind the last mixing. Where that noise is
//! white around the signal, as it is taken to be for each mean by itself, the covariance of two means of it is the
//! density times a sum over products of weights (`response/weights.rs`). So means of the same samples share one density:
//! that of the mean over the shortest time that has nearly the most degrees of freedom. What each of them has beyond
//! those before it is an independent component of the same source (Cholesky factor of the sums). Means of other channels
//! over the same times have the same components, each with the deviations of its own stretches.

mod join;
mod unknown;

use std::collections::BTreeMap;
use std::sync::Mutex;

use num_complex::Complex64;

use crate::check::Typed;
use crate::flow::Flow;
use crate::graph::Node;
use crate::response::{Element, Weights};
use crate::stage::{Follows, Span};
pub(crate) use unknown::report;

/// What is known of where a flow of samples comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Origin {
    /// The flow that it follows from linearly.
    pub root: (Node, usize),
    /// The factor from there, beyond what the response says.
    pub factor: Complex64,
    /// Whether a level was taken off, which matters until the flow is mixed.
    pub without_level: bool,
}

impl Origin {
    /// The flow itself.
    pub fn new(node: Node, port: usize) -> Self {
        Origin {
            root: (node, port),
            factor: Complex64::ONE,
            without_level: false,
        }
    }

    /// Where a flow comes from that follows from this one.
    pub fn then(self, follows: Follows, output: &Flow) -> Self {
        let mixes = output.response.elements.last() == Some(&Element::Mixed);
        match follows {
            Follows::Times(factor) => Origin {
                factor: self.factor * factor,
                without_level: self.without_level && !mixes,
                ..self
            },
            Follows::WithoutLevel => Origin {
                without_level: true,
                ..self
            },
        }
    }
}

/// What means must have in common for their noise to be the same.
#[derive(Clone, Debug, PartialEq)]
struct Front {
    root: (Node, usize),
    without_level: bool,
    line: Option<(String, u32, u32)>,
    switched: bool,
    before: Vec<Element>,
    rate: f64,
}

impl Front {
    /// Whether two flows are relative to different frequencies, so that white noise in them is independent.
    fn elsewhere(&self, other: &Front) -> bool {
        self.line.is_some() && other.line.is_some() && self.line != other.line
    }

    /// Whether weights of both are over the same times.
    fn beside(&self, other: &Front) -> bool {
        (&self.line, self.switched, self.rate) == (&other.line, other.switched, other.rate)
    }
}

/// A mean of samples of a point.
#[derive(Clone, Debug)]
struct Mean {
    node: Node,
    /// Its place in the list of fronts.
    front: usize,
    /// From the samples in front to what is averaged.
    factor: Complex64,
    behind: Vec<Element>,
    weights: Weights,
    /// Channels that are averaged behind the same chain.
    alike: usize,
}

/// Means that have noise in common, by lines and rates.
#[derive(Debug, Default)]
pub struct Joint {
    groups: Vec<Group>,
}

/// Means that are there at a point, with what they are the mean of.
type Spans = Vec<(Node, Span)>;

#[derive(Debug, Default)]
struct Group {
    /// In the order in which they run.
    means: Vec<Mean>,
    /// Covariances for white noise that were computed already.
    known: Mutex<BTreeMap<Spans, Vec<Vec<f64>>>>,
}

/// Where the samples of a mean of a point come from, and their flow; `None` for anything else.
fn averaged(typed: &Typed, node: Node) -> Option<(&Flow, Origin)> {
    let mean = typed.flow(node, 0)?;
    let &(source, port) = typed.reads[node].first()?;
    let input = typed.flow(source, port)?;
    let ends = matches!(mean.response.elements.last(), Some(Element::Average(..)));
    let found = (input, *typed.origins[source].get(port)?);
    (mean.kind.is_estimate() && input.kind.is_sampled() && ends).then_some(found)
}

fn front(input: &Flow, origin: &Origin) -> Option<Front> {
    Some(Front {
        root: origin.root,
        without_level: origin.without_level,
        line: input.clock.clone(),
        switched: input.switched,
        before: input.response.around_mixing().0.to_vec(),
        rate: (input.rate? * input.response.kept_behind_mixing() as f64 * 1e6).round(),
    })
}

/// Says of means of the same samples, and of what is made of them, that their uncertainty rests on one density.
pub(crate) fn tell(typed: &mut Typed) {
    let nodes = 0..typed.ports.len();
    let of = |node: Node| {
        let (input, origin) = averaged(typed, node)?;
        let mean = typed.flow(node, 0)?;
        mean.stretches?;
        Some((node, front(input, &origin)?))
    };
    let means: Vec<(Node, Front)> = nodes.clone().filter_map(of).collect();
    let shared = means.iter().filter(|(node, own)| {
        let other = |(n, front): &(Node, Front)| n != node && front == own;
        means.iter().any(other)
    });
    let shared: Vec<Node> = shared.map(|(node, _)| *node).collect();
    for node in nodes {
        if !typed.chain(node).iter().any(|n| shared.contains(n)) {
            continue;
        }
        for port in typed.ports[node].iter_mut().flatten() {
            if let Some(told) = &mut port.flow.evaluation {
                *told += ", or those of another mean of the same samples";
            }
        }
    }
}

impl Joint {
    /// The other means with which a mean has, or may have, noise in common.
    pub(crate) fn beside(&self, node: Node) -> Vec<Node> {
        let means = || self.groups.iter().flat_map(|g| &g.means).map(|m| m.node);
        match means().any(|n| n == node) {
            true => means().filter(|n| *n != node).collect(),
            false => Vec::new(),
        }
    }

    /// The means among these nodes that have noise in common with another.
    pub(crate) fn new(typed: &Typed, wanted: impl Fn(Node) -> bool) -> Self {
        let nodes = typed.graph.order.iter().copied();
        let of = |node: Node| {
            let (input, origin) = averaged(typed, node)?;
            let evaluated = typed.flow(node, 0)?.evaluated;
            let own = front(input, &origin)?;
            evaluated.then_some((node, own, origin, input))
        };
        let found: Vec<(Node, Front, Origin, &Flow)> =
            nodes.filter(|n| wanted(*n)).filter_map(of).collect();
        let shared = |own: &Front| found.iter().filter(|(_, f, ..)| f == own).count() > 1;
        let mut fronts: Vec<&Front> = Vec::new();
        let mut groups: Vec<Group> = Vec::new();
        for (node, own, origin, input) in &found {
            // What stands beside no means of the same samples has nothing to agree with.
            if !found.iter().any(|(_, f, ..)| f.beside(own) && shared(f)) {
                continue;
            }
            let behind = input.response.around_mixing().1;
            // A chain that was followed once need not be followed again.
            let mut others = groups.iter().flat_map(|g| &g.means);
            let weights = match others.find(|m| m.behind == behind) {
                Some(twin) => Some(twin.weights.clone()),
                None => input.response.weights(),
            };
            let Some(weights) = weights else { continue };
            let place = fronts.iter().position(|f| *f == own);
            let place = place.unwrap_or_else(|| {
                fronts.push(own);
                fronts.len() - 1
            });
            let alike = found.iter().filter(|(_, f, _, other)| {
                f != own && f.beside(own) && other.response.around_mixing().1 == behind
            });
            let mean = Mean {
                node: *node,
                front: place,
                factor: origin.factor,
                behind: behind.to_vec(),
                weights,
                alike: alike.count(),
            };
            let here = |g: &&mut Group| g.means.iter().any(|m| fronts[m.front].beside(own));
            match groups.iter_mut().find(here) {
                Some(group) => group.means.push(mean),
                None => groups.push(Group {
                    means: vec![mean],
                    ..Group::default()
                }),
            }
        }
        Joint { groups }
    }
}
