//! The plan: which passes over the samples, which nodes run in each, what is gathered. Inert,
//! printable and comparable; made from recipe and headers only.

use std::fmt;

use crate::check::Typed;
use crate::fuse::Together;
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::stage::{Fault, Work};

/// Samples that are read at a time from each channel.
pub const BLOCK: usize = 1 << 15;

/// Where a node runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    /// Once per point of one recording.
    Lane,
    /// Once for all points together.
    Gathered,
}

/// The plan of one run over one recording (and those it is combined with).
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Nodes in the order in which they run.
    pub order: Vec<Node>,
    /// Names of the nodes, for printing.
    pub names: Vec<String>,
    /// Where each node runs.
    pub scope: Vec<Scope>,
    /// The pass from which on a node delivers samples; 0 is the first.
    pub level: Vec<usize>,
    /// Whether a node looks at all samples of a point before it delivers any.
    pub surveys: Vec<bool>,
    /// `passes[p][node]`: whether the node delivers samples in pass `p`.
    pub passes: Vec<Vec<bool>>,
    /// The pass in which a node delivers for the last time; 0 for one that delivers no samples.
    pub closes: Vec<usize>,
    /// Chains of which only the kept samples are computed.
    pub together: Vec<Together>,
    /// Samples read at a time.
    pub block: usize,
}

/// Prepares the work of every stage, by node. Fails with the stage's name and its fault.
pub fn prepare(recipe: &Recipe, typed: &Typed) -> Result<Vec<Option<Work>>, (String, Fault)> {
    let inputs = recipe.inputs.len();
    let count = inputs + recipe.stages.len();
    let mut works: Vec<Option<Work>> = (0..count).map(|_| None).collect();
    for (entry, node) in recipe.stages.iter().zip(inputs..) {
        let flows: Vec<_> = typed.reads[node]
            .iter()
            .filter_map(|&(source, port)| typed.flow(source, port).cloned())
            .collect();
        let work = entry.configured.prepare(&flows);
        works[node] = Some(work.map_err(|fault| (entry.name.text.clone(), fault))?);
    }
    Ok(works)
}

/// Plans the passes, with some chains computed together.
pub fn plan(
    recipe: &Recipe,
    typed: &Typed,
    works: &[Option<Work>],
    together: Vec<Together>,
) -> Plan {
    let inputs = recipe.inputs.len();
    let count = works.len();
    let mut scope = vec![Scope::Lane; count];
    let mut level = vec![0; count];
    let mut surveys = vec![false; count];
    let reads = |node: Node| -> Vec<Node> {
        match together.iter().find(|t| t.head == node) {
            Some(together) => std::iter::once(together.source.0)
                .chain(together.clock)
                .collect(),
            None => typed.reads[node]
                .iter()
                .map(|(source, _)| *source)
                .collect(),
        }
    };
    for &node in &typed.graph.order {
        let Some(work) = &works[node] else {
            continue;
        };
        let gathered = matches!(work, Work::Series(_))
            || typed.recordings[node].len() > 1
            || typed.reads[node]
                .iter()
                .any(|&(source, _)| scope[source] == Scope::Gathered);
        scope[node] = if gathered {
            Scope::Gathered
        } else {
            Scope::Lane
        };
        surveys[node] = matches!(work, Work::Survey(_)) || together.iter().any(|t| t.head == node);
        let from = reads(node)
            .iter()
            .map(|source| level[*source])
            .max()
            .unwrap_or(0);
        level[node] = from + usize::from(surveys[node]);
    }
    let streams =
        |node: Node| matches!(works[node], None | Some(Work::Stream(_) | Work::Survey(_)));
    // A clock of which chains know the phase and no one wants the samples has its say, and no samples.
    let mut told: Vec<Node> = together.iter().filter_map(|t| t.clock).collect();
    // What chains that are computed together pass over is not needed by them.
    let roots = typed.results.iter().map(|kept| kept.node);
    let used = used(typed, roots, reads);
    let last = (0..count)
        .filter(|&n| used[n] && streams(n))
        .map(|n| level[n])
        .max()
        .unwrap_or(0);
    surveys
        .iter_mut()
        .zip(&used)
        .for_each(|(surveys, used)| *surveys &= used);
    let mut passes = vec![vec![false; count]; last + 1];
    for &node in typed
        .graph
        .order
        .iter()
        .rev()
        .filter(|n| used[**n] && streams(**n))
    {
        // What no one asks for in any pass runs as soon as it can.
        if !passes.iter().any(|needed| needed[node]) && node >= inputs {
            passes[level[node]][node] = true;
        } else {
            told.retain(|n| *n != node);
        }
        let held = together.iter().any(|t| t.head == node);
        for (pass, needed) in passes.iter_mut().enumerate() {
            let looks = surveys[node] && level[node] == pass + 1;
            if held && looks {
                reads(node)
                    .first()
                    .iter()
                    .for_each(|source| needed[**source] = true);
            } else if looks || (needed[node] && !held && !told.contains(&node)) {
                reads(node).iter().for_each(|source| needed[*source] = true);
            }
        }
    }
    // An input that is kept as it is.
    for node in (0..inputs).filter(|n| used[*n]) {
        if !passes.iter().any(|needed| needed[node]) {
            passes[last][node] = true;
        }
    }
    let closes = (0..count)
        .map(|node| passes.iter().rposition(|needed| needed[node]).unwrap_or(0))
        .collect();
    let names = recipe
        .inputs
        .iter()
        .map(|i| &i.name)
        .chain(recipe.stages.iter().map(|s| &s.name));
    Plan {
        order: typed.graph.order.clone(),
        names: names.map(|n| n.text.clone()).collect(),
        scope,
        level,
        surveys,
        passes,
        closes,
        together,
        block: BLOCK,
    }
}

/// The roots and what they depend on, by what nodes read.
fn used(
    typed: &Typed,
    roots: impl Iterator<Item = Node>,
    reads: impl Fn(Node) -> Vec<Node>,
) -> Vec<bool> {
    let mut used = vec![false; typed.reads.len()];
    roots.for_each(|node| used[node] = true);
    for &node in typed.graph.order.iter().rev() {
        if used[node] {
            reads(node).iter().for_each(|source| used[*source] = true);
        }
    }
    used
}

impl Plan {
    /// What a node is computed from, of which it `reads` some directly.
    pub fn sources(&self, node: Node, reads: &[(Node, usize)]) -> Vec<(Node, usize)> {
        match self.together.iter().find(|t| t.head == node) {
            Some(together) => vec![together.source],
            None => reads.to_vec(),
        }
    }

    /// How many samples there are for each that is kept of a chain computed together, by its last stage.
    pub fn every(&self, node: Node) -> Option<u64> {
        let together = self.together.iter().find(|t| t.head == node)?;
        Some(together.every)
    }

    /// Whether a node looks at the samples in this pass.
    pub fn looks(&self, node: Node, pass: usize) -> bool {
        self.surveys[node] && self.level[node] == pass + 1 && self.passes.len() > pass + 1
    }
}

impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (p, needed) in self.passes.iter().enumerate() {
            let list = |pick: &dyn Fn(Node) -> bool| {
                let names = self
                    .order
                    .iter()
                    .filter(|n| pick(**n))
                    .map(|n| self.names[*n].as_str());
                names.collect::<Vec<_>>().join(", ")
            };
            writeln!(
                f,
                "pass {} of {}, blocks of {} samples",
                p + 1,
                self.passes.len(),
                self.block
            )?;
            writeln!(
                f,
                "  delivers: {}",
                list(&|n| needed[n] && self.scope[n] == Scope::Lane)
            )?;
            let looks = list(&|n| self.looks(n, p));
            if !looks.is_empty() {
                writeln!(f, "  looked at by: {looks}")?;
            }
            for together in self.together.iter().filter(|t| self.looks(t.head, p)) {
                let name = |n: &Node| self.names[*n].as_str();
                let through: Vec<&str> = together.through.iter().map(name).collect();
                writeln!(
                    f,
                    "  computed together up to {}, kept samples only: {}",
                    name(&together.head),
                    through.join(", ")
                )?;
            }
        }
        let gathered = self
            .order
            .iter()
            .filter(|n| self.scope[**n] == Scope::Gathered)
            .map(|n| self.names[*n].as_str());
        let gathered = gathered.collect::<Vec<_>>().join(", ");
        if !gathered.is_empty() {
            writeln!(f, "over all points: {gathered}")?;
        }
        Ok(())
    }
}
