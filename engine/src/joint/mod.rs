//! Means of the same samples behind different chains: how far their errors agree follows from the chains.
//!
//! Each mean is a weighted sum of the noise in front of its chain, behind the last mixing. Where that noise is
//! white around the signal, as it is taken to be for each mean by itself, the covariance of two means of it is the
//! density times a sum over products of weights (`response/weights.rs`). So means of the same samples share one density:
//! that of the mean with the most degrees of freedom. What each of them has beyond those before it is an
//! independent component of the same source (Cholesky factor of the sums). Means of other channels over the same
//! times have the same components, each with the deviations of its own stretches.

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

#[derive(Debug, Default)]
struct Group {
    /// In the order in which they run.
    means: Vec<Mean>,
    /// Covariances for white noise that were computed already.
    known: Mutex<BTreeMap<Vec<(usize, Span)>, Vec<Vec<f64>>>>,
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
    /// The means among these nodes that have noise in common with another.
    pub(crate) fn new(typed: &Typed, wanted: impl Fn(Node) -> bool) -> Self {
        let mut fronts: Vec<(Front, usize)> = Vec::new();
        let mut means: Vec<Mean> = Vec::new();
        let nodes = typed.graph.order.iter().copied();
        for node in nodes.filter(|n| wanted(*n)) {
            let Some((input, origin)) = averaged(typed, node) else {
                continue;
            };
            if typed.flow(node, 0).is_none_or(|f| !f.evaluated) {
                continue;
            }
            let behind = input.response.around_mixing().1;
            let Some(own) = front(input, &origin) else {
                continue;
            };
            let place = fronts.iter().position(|(f, _)| *f == own);
            let place = place.unwrap_or_else(|| {
                fronts.push((own, 0));
                fronts.len() - 1
            });
            // A chain that was followed once need not be followed again.
            let twin = means.iter().find(|m| m.behind == behind);
            let weights = match twin {
                Some(twin) => Some(twin.weights.clone()),
                None => input.response.weights(),
            };
            let Some(weights) = weights else { continue };
            fronts[place].1 += 1;
            means.push(Mean {
                node,
                front: place,
                factor: origin.factor,
                behind: behind.to_vec(),
                weights,
                alike: 0,
            });
        }
        let mut groups: Vec<Group> = Vec::new();
        let mut leaders: Vec<usize> = Vec::new();
        let chains: Vec<(usize, Vec<Element>)> =
            means.iter().map(|m| (m.front, m.behind.clone())).collect();
        for mut mean in means {
            let own = &fronts[mean.front].0;
            let alike = chains.iter().filter(|(front, behind)| {
                *front != mean.front && *behind == mean.behind && fronts[*front].0.beside(own)
            });
            mean.alike = alike.count();
            let beside = |at: &&usize| fronts[**at].0.beside(own);
            match leaders.iter().position(|at| beside(&at)) {
                Some(group) => groups[group].means.push(mean),
                None => {
                    leaders.push(mean.front);
                    groups.push(Group {
                        means: vec![mean],
                        ..Group::default()
                    });
                }
            }
        }
        groups.retain(|group| group.means.iter().any(|m| fronts[m.front].1 > 1));
        Joint { groups }
    }
}
