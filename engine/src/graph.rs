//! The dependency graph of a recipe: who reads whom, in which order, and where it goes in a circle.
//! The only module that names `petgraph`.

use std::collections::BTreeMap;

use petgraph::Direction;
use petgraph::algo::{tarjan_scc, toposort};
use petgraph::graph::{DiGraph, NodeIndex};

use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::recipe::Recipe;
use crate::text::FlowName;

/// A node: the inputs of the recipe come first, then its stages, both in the order of the text.
pub type Node = usize;

/// The dependency graph of a recipe.
#[derive(Clone, Debug)]
pub struct Graph {
    /// Nodes such that each comes after all that it reads; those in or behind a circle are absent.
    pub order: Vec<Node>,
    /// For every node, the node behind each input; `None` where the name is unknown.
    pub reads: Vec<Vec<Option<Node>>>,
    /// For every result, its node.
    pub results: Vec<Option<Node>>,
}

impl Graph {
    /// Builds the graph; unknown names, circles and what nobody reads are reported.
    pub fn build(recipe: &Recipe, diagnostics: &mut Diagnostics) -> Graph {
        let mut names: Vec<&str> = recipe.inputs.iter().map(|i| i.name.text.as_str()).collect();
        names.extend(recipe.stages.iter().map(|s| s.name.text.as_str()));
        let mut graph: DiGraph<(), usize> = DiGraph::new();
        let nodes: Vec<NodeIndex> = names.iter().map(|_| graph.add_node(())).collect();
        let mut known = BTreeMap::new();
        for (node, name) in names.iter().enumerate() {
            known.entry(*name).or_insert(node);
        }
        // `this` is the stage that reads: to offer it to itself would be to offer a circle.
        let mut find = |flow: &FlowName, this: Option<Node>| {
            let (node, _) = split(&flow.text);
            let found = known.get(node).copied();
            if found.is_none() {
                let others = names.iter().enumerate().filter(|(n, _)| Some(*n) != this);
                diagnostics.push(
                    Diagnostic::error(
                        Code::UnknownName,
                        Some(flow.place.clone()),
                        format!("unknown flow `{node}`"),
                    )
                    .suggest(
                        node,
                        others.map(|(_, name)| *name).filter(|n| !n.is_empty()),
                    ),
                );
            }
            found
        };
        let mut reads = vec![Vec::new(); recipe.inputs.len()];
        for (i, stage) in recipe.stages.iter().enumerate() {
            let this = recipe.inputs.len() + i;
            let flows = stage.described.flows.iter();
            let inputs: Vec<Option<Node>> = flows.map(|f| find(f, Some(this))).collect();
            for (k, input) in inputs.iter().enumerate() {
                if let Some(input) = input {
                    graph.add_edge(nodes[*input], nodes[this], k);
                }
            }
            reads.push(inputs);
        }
        let results: Vec<Option<Node>> = recipe.results.iter().map(|f| find(f, None)).collect();
        let order = order_without_circles(&graph);
        report_circles(&graph, recipe, &names, diagnostics);
        // What a fault keeps from being read is not unused.
        if !diagnostics.has_errors() {
            report_unused(&graph, recipe, &results, diagnostics);
        }
        Graph {
            order,
            reads,
            results,
        }
    }
}

/// Splits `stage.port` into stage and port.
pub fn split(flow: &str) -> (&str, Option<&str>) {
    match flow.split_once('.') {
        Some((node, port)) => (node, Some(port)),
        None => (flow, None),
    }
}

fn order_without_circles(graph: &DiGraph<(), usize>) -> Vec<Node> {
    let mut circular = vec![false; graph.node_count()];
    for component in tarjan_scc(graph) {
        let itself = component.len() == 1 && graph.contains_edge(component[0], component[0]);
        if component.len() > 1 || itself {
            component.iter().for_each(|n| circular[n.index()] = true);
        }
    }
    if !circular.contains(&true) {
        return toposort(graph, None)
            .map(|o| o.into_iter().map(NodeIndex::index).collect())
            .unwrap_or_default();
    }
    // What lies behind a circle cannot be ordered either.
    let mut pending: Vec<NodeIndex> = graph
        .node_indices()
        .filter(|n| circular[n.index()])
        .collect();
    while let Some(node) = pending.pop() {
        for next in graph.neighbors(node) {
            if !circular[next.index()] {
                circular[next.index()] = true;
                pending.push(next);
            }
        }
    }
    let rest = graph.filter_map(
        |n, _| (!circular[n.index()]).then_some(n.index()),
        |_, e| Some(*e),
    );
    toposort(&rest, None)
        .map(|o| o.into_iter().map(|n| rest[n]).collect())
        .unwrap_or_default()
}

/// Names the whole path of each circle.
fn report_circles(
    graph: &DiGraph<(), usize>,
    recipe: &Recipe,
    names: &[&str],
    diagnostics: &mut Diagnostics,
) {
    for component in tarjan_scc(graph) {
        let Some(start) = component.iter().copied().min() else {
            continue;
        };
        if component.len() == 1 && !graph.contains_edge(start, start) {
            continue;
        }
        // Walk backwards along the first input that stays inside, until a node comes again.
        let mut path = vec![start];
        let circle = loop {
            let here = path[path.len() - 1];
            let inputs = graph.neighbors_directed(here, Direction::Incoming);
            let Some(next) = inputs.filter(|n| component.contains(n)).min() else {
                break path;
            };
            match path.iter().position(|n| *n == next) {
                Some(first) => {
                    let mut circle = path.split_off(first);
                    circle.push(next);
                    break circle;
                }
                None => path.push(next),
            }
        };
        let text = circle
            .iter()
            .rev()
            .map(|n| format!("`{}`", names[n.index()]))
            .collect::<Vec<_>>()
            .join(" -> ");
        let stage = circle
            .iter()
            .map(|n| n.index())
            .min()
            .and_then(|n| n.checked_sub(recipe.inputs.len()));
        let place = stage
            .and_then(|s| recipe.stages.get(s))
            .map(|s| s.name.place.clone());
        let (message, help) = match circle.as_slice() {
            [one, _] => (
                format!("`{}` reads itself", names[one.index()]),
                "let it read something else",
            ),
            _ => (
                format!("stages depend on each other in a circle, each on the one before: {text}"),
                "let one of them read something else",
            ),
        };
        diagnostics.push(Diagnostic::error(Code::Cycle, place, message).help(help));
    }
}

fn report_unused(
    graph: &DiGraph<(), usize>,
    recipe: &Recipe,
    results: &[Option<Node>],
    diagnostics: &mut Diagnostics,
) {
    let unread = |node: usize| {
        let outgoing = graph
            .neighbors_directed(NodeIndex::new(node), Direction::Outgoing)
            .next();
        outgoing.is_none() && !results.contains(&Some(node))
    };
    let inputs = recipe.inputs.iter().map(|i| ("input", &i.name));
    let stages = recipe.stages.iter().map(|s| ("stage", &s.name));
    for (node, (what, name)) in inputs.chain(stages).enumerate() {
        if unread(node) {
            let message = format!("{what} `{}` is read by nothing and not kept", name.text);
            diagnostics.push(
                Diagnostic::warning(Code::Unused, Some(name.place.clone()), message)
                    .help("read it, name it in `results`, or remove it"),
            );
        }
    }
    for (name, _) in &recipe.constants {
        if !recipe
            .stages
            .iter()
            .any(|s| s.described.constants.contains(&name.text))
        {
            let message = format!("constant `{}` is used by no stage", name.text);
            diagnostics.push(
                Diagnostic::warning(Code::Unused, Some(name.place.clone()), message)
                    .help("use it, or remove it"),
            );
        }
    }
}
