//! What a text goes through before a run: parsing, checking, figures, messages, and preparing the work.
//! The fuzzer calls it, and the test suite replays the corpus with it.

use phasemill_engine::bench::Bench;
use phasemill_engine::check::{Typed, check};
use phasemill_engine::compare::alternatives;
use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::explain::made_up;
use phasemill_engine::flow::Flow;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::response::Figures;
use phasemill_engine::store::ChannelHeader;
use phasemill_stages::REGISTRY;

/// Longest point in samples whose work is prepared; a longer one may rightly ask for more memory and time
/// than a try is given.
const LONGEST: u64 = 100_000;

/// Takes a text as a wiring or a bench if it begins like one, and else as a recipe.
pub fn take(text: &str) {
    if text.trim_start().starts_with("Bench") {
        let (bench, found) = Bench::parse("fuzzed.ron", text);
        drop(bench.map(|bench| bench.to_ron()));
        return show(found);
    }
    if text.trim_start().starts_with("Wiring") {
        let (wiring, found) = Wiring::parse("fuzzed.ron", text);
        let (recipe, _) = Recipe::parse("other.ron", OTHER, &REGISTRY);
        let mut all = found;
        if let Some(recipe) = &recipe {
            wiring.check_roles(recipe, &mut all);
        }
        show(all);
        return;
    }
    let (recipe, found) = Recipe::parse("fuzzed.ron", text, &REGISTRY);
    let Some(recipe) = recipe else {
        return show(found);
    };
    let headers: Vec<ChannelHeader> = text.lines().take(64).filter_map(made_up).collect();
    let faulty = found.has_errors();
    for headers in [&[], headers.as_slice()] {
        let mut all = found.clone();
        let known = |role: &str| headers.iter().find(|h| h.role == role);
        let typed = check(&recipe, known, &mut all);
        let accepted = !faulty && !all.has_errors();
        alternatives::check_all(&recipe, &REGISTRY, headers, &mut all);
        show(all);
        for kept in &typed.results {
            if let Some(flow) = typed.flow(kept.node, kept.port) {
                let line = typed.signal_frequency(&recipe, flow).map(|(f, _)| f);
                drop(Figures::of(flow, line));
            }
        }
        let complete = recipe
            .inputs
            .iter()
            .all(|i| known(&i.name.text).is_some_and(|h| h.samples <= LONGEST));
        if accepted && complete {
            prepare(&recipe, &typed);
        }
    }
}

const OTHER: &str =
    r#"Recipe(title: "x", inputs: { "a": Wave(unit: "V") }, stages: {}, results: [])"#;

/// All messages, as a person reads them, in the order of the text.
fn show(found: Diagnostics) {
    drop(found.sorted().to_string());
}

/// What is accepted against headers can be prepared.
fn prepare(recipe: &Recipe, typed: &Typed) {
    for (stage, entry) in recipe.stages.iter().enumerate() {
        let reads = &typed.reads[recipe.inputs.len() + stage];
        let flows: Vec<Flow> = reads
            .iter()
            .filter_map(|&(node, port)| typed.flow(node, port).cloned())
            .collect();
        if let Err(fault) = entry.configured.prepare(&flows) {
            panic!(
                "`{}` was accepted and cannot be prepared: {fault}",
                entry.name.text
            );
        }
    }
}
