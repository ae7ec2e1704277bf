//! Warns where values of the same samples are combined whose errors agree to an extent that is not known.

use std::collections::BTreeSet;

use super::{Front, averaged, front};
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::flow::Kind;
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::response::Element;

/// Adds the warnings about a recipe without errors.
pub(crate) fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    for (stage, entry) in recipe.stages.iter().enumerate() {
        let node = recipe.inputs.len() + stage;
        let reads = &typed.reads[node];
        let estimates = reads
            .iter()
            .map(|&(source, port)| made_of(typed, source, port));
        let estimates: Vec<BTreeSet<Node>> = estimates.collect();
        let pairs = (0..reads.len()).flat_map(|j| (0..j).map(move |i| (i, j)));
        let unknown = pairs.into_iter().find_map(|(i, j)| {
            let all = estimates[i].iter().flat_map(|a| {
                let others = estimates[j].iter();
                others.map(move |b| (*a, *b))
            });
            all.into_iter()
                .find_map(|(a, b)| Some((a, b, unknown(typed, a, b)?)))
        });
        let Some((a, b, input)) = unknown else {
            continue;
        };
        let name = |node: Node| match node.checked_sub(recipe.inputs.len()) {
            None => recipe.inputs[node].name.text.as_str(),
            Some(stage) => recipe.stages[stage].name.text.as_str(),
        };
        let message = format!(
            "`{}` and `{}` come from the same samples of `{}`, and how far their errors agree is not known: they count as \
             independent in `{}`",
            name(a),
            name(b),
            name(input),
            entry.name.text
        );
        diagnostics.push(
            Diagnostic::warning(Code::Uncertainty, Some(entry.place.clone()), message).help(
                "a difference comes out too uncertain, a sum too certain; take both from means behind one mixing that \
                 differ by filters behind it, or from one fit",
            ),
        );
    }
}

/// The nodes that make the values behind an evaluated estimate of samples.
fn made_of(typed: &Typed, node: Node, port: usize) -> BTreeSet<Node> {
    let estimate = |&(node, port): &(Node, usize)| {
        let flow = typed.flow(node, port);
        flow.is_some_and(|f| f.kind.is_estimate())
    };
    let mut all = BTreeSet::new();
    if !typed
        .flow(node, port)
        .is_some_and(|f| f.evaluated && f.kind.is_estimate())
    {
        return all;
    }
    let mut open = vec![(node, port)];
    let mut seen = BTreeSet::new();
    while let Some((node, port)) = open.pop() {
        if !seen.insert((node, port)) {
            continue;
        }
        let values: Vec<(Node, usize)> =
            typed.reads[node].iter().copied().filter(estimate).collect();
        if values.is_empty() {
            all.insert(node);
        }
        open.extend(values);
    }
    all
}

/// The inputs whose samples a value is made of, those of a clock aside.
fn channels(typed: &Typed, node: Node) -> BTreeSet<Node> {
    let mut all = BTreeSet::new();
    let mut open = vec![node];
    let mut seen = BTreeSet::new();
    while let Some(node) = open.pop() {
        if !seen.insert(node) {
            continue;
        }
        if typed.reads[node].is_empty() {
            all.insert(node);
        }
        let data = |&&(source, port): &&(Node, usize)| {
            let flow = typed.flow(source, port);
            flow.is_some_and(|f| f.kind != Kind::Clock)
        };
        open.extend(typed.reads[node].iter().filter(data).map(|(node, _)| *node));
    }
    all
}

/// An input whose samples both are made of in ways that do not tell how far they agree.
fn unknown(typed: &Typed, a: Node, b: Node) -> Option<Node> {
    let own = channels(typed, a);
    let shared = channels(typed, b).into_iter().find(|c| own.contains(c))?;
    if a == b {
        return None;
    }
    // Without a recording nothing is known of means.
    typed.flow(shared, 0)?.rate?;
    let (first, second) = (known(typed, a), known(typed, b));
    let agree = match (&first, &second) {
        (Some((first, told)), Some((second, other))) => {
            first == second && *told && *other || first.elsewhere(second)
        }
        _ => false,
    };
    (!agree).then_some(shared)
}

/// What is in front of a mean, and whether its weights can be told; `None` for other values.
fn known(typed: &Typed, node: Node) -> Option<(Front, bool)> {
    let (input, origin) = averaged(typed, node)?;
    let behind = input.response.around_mixing().1;
    let untold = |e: &Element| matches!(e, Element::Periods { samples: None, .. });
    Some((front(input, &origin)?, !behind.iter().any(untold)))
}
