//! One recipe for all chains, with the stages that compare them.

use std::sync::Arc;

use super::merge::{Given, Merged, renamed};
use super::report::Agreement;
use super::{BASE, CompareError};
use crate::check::{Kept, Typed, check};
use crate::diagnostic::{Diagnostics, SourceText, listed};
use crate::flow::Flow;
use crate::graph::split;
use crate::recipe::Recipe;
use crate::stage::Registry;
use crate::value::Value;

/// How the stages are written that a comparison adds, and the test that goes with them; the engine itself names no
/// stage.
#[derive(Clone, Copy)]
pub struct Words {
    /// A stage that takes the second flow, given by name, from the first.
    pub difference: fn(&str, &str) -> String,
    /// A stage that shows how the samples of a flow come up at the start of a point: a curve against time, the
    /// settled value being 1.
    pub start: fn(&str) -> String,
    /// Whether differences are zero, with their full covariance; complex ones count twice.
    ///
    /// The error says why that cannot be told.
    pub agree: fn(&[Option<Value>], bool) -> Result<Agreement, String>,
}

/// Where a chain is found in the recipe that holds all of them.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpandedChain {
    /// The name of the chain.
    pub name: String,
    /// What it changes, or where it came from.
    pub said: String,
    /// The output that is compared.
    pub answer: String,
    /// The output that says whether there is a signal, where the recipe asks for one.
    pub told_by: Option<String>,
    /// The difference to the base; `None` where it is the base, or does the same.
    pub difference: Option<String>,
    /// How samples come up at the start of a point.
    pub start: Option<String>,
    /// The flow of samples behind that.
    pub samples: Option<String>,
    /// An earlier chain that does the same.
    pub same_as: Option<usize>,
}

/// A recipe that holds all chains.
pub struct Expanded {
    /// The recipe.
    pub recipe: Recipe,
    /// The chains, the base first.
    pub chains: Vec<ExpandedChain>,
    /// What is remarked on in the comparison itself, and in none of the recipes.
    pub warnings: Diagnostics,
}

/// Joins recipes to one that runs all of them and compares the result of this name with that of the first;
/// by default the first complex estimate that is kept, or else the first real one.
///
/// # Errors
/// [`CompareError`] where they cannot be compared.
pub fn expand(
    givens: &[Given<'_>],
    registry: &Registry,
    words: &Words,
    result: Option<&str>,
) -> Result<Expanded, CompareError> {
    let unlike = |message: String| Err(CompareError::Unlike(message));
    let Some(first) = givens.first().filter(|_| givens.len() > 1) else {
        return unlike(
            "expected something to compare with, found none; give a second recipe, or write `alternatives` in the first".into(),
        );
    };
    let mut merged = Merged::of(givens)?;
    let mut chains: Vec<ExpandedChain> = Vec::new();
    let mut flows: Vec<Flow> = Vec::new();
    let mut known: Vec<String> = Vec::new();
    for (given, names) in givens.iter().zip(merged.names.clone()) {
        let mut found = Diagnostics::default();
        let typed = check(given.recipe, |_| None, &mut found);
        known.extend(found.iter().map(|d| d.message.clone()));
        let wanted = result.or(match chains.first() {
            // The same result of each, where they have it.
            Some(base)
                if given
                    .recipe
                    .stages
                    .iter()
                    .any(|s| s.name.text == split(&base.answer).0) =>
            {
                Some(base.answer.as_str())
            }
            _ => None,
        });
        let (kept, flow) = choose(given, &typed, wanted)?;
        if let Some(base) = flows.first()
            && (base.kind != flow.kind
                || !base.unit.same_dimension(&flow.unit)
                || base.convention != flow.convention)
        {
            let words = crate::lineage::describe;
            return unlike(format!(
                "`{}` gives a {}, and `{}` a {}; choose results of one kind with `--result`",
                first.name,
                words(base),
                given.name,
                words(&flow)
            ));
        }
        let answer = renamed(&names, &kept.name);
        let samples = samples_behind(given.recipe, &typed, &kept).map(|s| renamed(&names, &s));
        let told_by = told_by(&typed, &kept).map(|t| renamed(&names, &t));
        let same_as = chains.iter().position(|c| c.answer == answer);
        chains.push(ExpandedChain {
            name: given.name.clone(),
            said: given.said.clone(),
            answer,
            told_by,
            difference: None,
            start: None,
            samples,
            same_as,
        });
        flows.push(flow);
    }
    add_stages(&mut merged, &mut chains, words);
    let file = &first.recipe.source.name;
    // Folders are nobody's business who reads the recipe in a result file.
    let text = merged.text(file.rsplit(['/', '\\']).next().unwrap_or(file));
    let name = format!("{file}, all chains");
    let (recipe, mut found) = Recipe::parse(&name, &text, registry);
    let Some(mut recipe) = recipe.filter(|_| !found.has_errors()) else {
        return Err(CompareError::Rejected(found.sorted()));
    };
    check(&recipe, |_| None, &mut found);
    if found.has_errors() {
        return Err(CompareError::Rejected(found.sorted()));
    }
    let mut warnings = Diagnostics::default();
    let new = found.iter().filter(|d| !known.contains(&d.message));
    new.for_each(|d| warnings.push(d.clone()));
    recipe.used_on = first.recipe.used_on;
    // On record it is the file that the user named.
    recipe.source = Arc::new(SourceText {
        name: file.clone(),
        text,
    });
    Ok(Expanded {
        recipe,
        chains,
        warnings: warnings.sorted(),
    })
}

/// Adds differences, and the curves of how samples come up; what two chains share is there once.
fn add_stages(merged: &mut Merged, chains: &mut [ExpandedChain], words: &Words) {
    for k in 0..chains.len() {
        let chain = chains[k].clone();
        if k > 0 && chain.same_as.is_none() {
            let text = (words.difference)(&chain.answer, &chains[0].answer);
            chains[k].difference = Some(merged.make("difference", &chain.name, text));
        }
        if let Some(samples) = &chain.samples {
            let known = chains[..k].iter().find(|c| c.samples == chain.samples);
            chains[k].start = match known.and_then(|c| c.start.clone()) {
                Some(known) => Some(known),
                None => Some(merged.make("start", &chain.name, (words.start)(samples))),
            };
        }
    }
}

/// The result to compare.
fn choose(
    given: &Given<'_>,
    typed: &Typed,
    wanted: Option<&str>,
) -> Result<(Kept, Flow), CompareError> {
    let all = typed.results.iter();
    let all = all.filter_map(|k| Some((k, typed.flow(k.node, k.port)?)));
    let estimates: Vec<(&Kept, &Flow)> = all.filter(|(_, f)| f.kind.is_estimate()).collect();
    let found = match wanted {
        Some(name) => estimates.iter().find(|(k, _)| k.name == name),
        None => {
            let complex = estimates.iter().find(|(_, f)| f.kind.is_complex());
            complex.or(estimates.first())
        }
    };
    let file = &given.recipe.source.name;
    let whose = match given.name.as_str() {
        BASE => file.clone(),
        name => format!("{file}, `{name}`"),
    };
    found.map(|(k, f)| ((*k).clone(), (*f).clone())).ok_or_else(|| {
        let names = listed(estimates.iter().map(|(k, _)| k.name.as_str()));
        CompareError::Unlike(match wanted {
            Some(name) => format!("{whose}: expected a kept result with a value per point, found `{name}`; choose one of {names} with `--result`"),
            None => format!("{whose}: expected a kept result with a value per point, found none; keep one in `results`"),
        })
    })
}

/// The kept output that says whether a result holds a signal: the result itself, or one that reads it.
fn told_by(typed: &Typed, answer: &Kept) -> Option<String> {
    let says = |k: &&Kept| {
        let ports = typed.ports[k.node].as_ref();
        let companions = ports.and_then(|p| p.get(k.port)?.companions);
        companions.is_some_and(|c| c.limit.is_some())
    };
    let own = |k: &&Kept| (k.node, k.port) == (answer.node, answer.port);
    let reads = |k: &&Kept| typed.reads[k.node].contains(&(answer.node, answer.port));
    let mut told = typed.results.iter().filter(says);
    told.find(|k| own(k) || reads(k)).map(|k| k.name.clone())
}

/// The last samples on the way to a result, of the main recording.
fn samples_behind(recipe: &Recipe, typed: &Typed, answer: &Kept) -> Option<String> {
    let inputs = recipe.inputs.len();
    let sampled = |&(source, port): &(usize, usize)| {
        let main = typed.recordings[source].iter().all(String::is_empty);
        let flow = typed.flow(source, port)?;
        let behind = !flow.response.elements.is_empty() || flow.clock.is_some();
        (main && flow.kind.is_complex() && flow.kind.is_sampled() && behind)
            .then_some((source, port))
    };
    let chain = typed.chain(answer.node);
    let ends = chain.iter().rev().filter(|n| {
        let flow = typed.flow(**n, 0);
        flow.is_some_and(|f| f.kind.is_estimate())
    });
    let found = ends.filter_map(|n| typed.reads[*n].iter().find_map(sampled));
    let (node, port) = found.into_iter().next()?;
    let name = &recipe.stages.get(node.checked_sub(inputs)?)?.name.text;
    match typed.ports[node].as_ref()?.get(port)?.name() {
        "" => Some(name.clone()),
        port => Some(format!("{name}.{port}")),
    }
}
