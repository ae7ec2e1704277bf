//! `phasemill check`: a recipe alone, or against the headers of recordings.

use std::path::PathBuf;

use phasemill_engine::check::check;
use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::graph::Node;
use phasemill_engine::lineage::describe;
use phasemill_engine::recipe::Recipe;
use phasemill_engine::run::Job;
use phasemill_engine::session::{check_recordings, group, open_sets};

use super::{Texts, complain, counted, named_file, say, show};
use crate::exit;

/// Arguments of `check`.
#[derive(clap::Args)]
pub struct Arguments {
    #[command(flatten)]
    texts: Texts,
    /// Recordings to check against; only their headers are read
    recordings: Vec<PathBuf>,
    /// A further recording that the recipe names
    #[arg(long, value_name = "NAME=FILE", value_parser = named_file)]
    with: Vec<(String, PathBuf)>,
    /// Treat warnings as errors
    #[arg(long)]
    strict: bool,
    /// Print the plan as well
    #[arg(long)]
    plan: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let Some((recipe, wiring, alone)) = arguments.texts.read() else {
        return exit::REJECTED;
    };
    if arguments.recordings.is_empty() {
        let mut ignored = Diagnostics::default();
        let typed = check(&recipe, |_| None, &mut ignored);
        say(format!(
            "{}: {}",
            arguments.texts.recipe.display(),
            recipe.title
        ));
        print_chains(&recipe, &typed);
        return verdict(&alone, arguments.strict);
    }
    if let Err(error) = check_recordings(&recipe, &arguments.with) {
        complain(format!("error: {error}"));
        return exit::REJECTED;
    }
    let mut code = exit::DONE;
    for (name, paths) in group(&wiring, &arguments.recordings) {
        let sets = open_sets(&recipe, &wiring, &paths, &arguments.with);
        let files = sets.iter().flat_map(|s| &s.files);
        let broken: Vec<String> = files
            .filter_map(|f| f.content.as_ref().err())
            .map(|e| format!("error: {e}"))
            .collect();
        if !broken.is_empty() {
            broken.iter().for_each(complain);
            code = exit::REJECTED;
            continue;
        }
        let mut diagnostics = alone.clone();
        let job = Job::new(&recipe, sets, &mut diagnostics);
        say(format!("{name}: {}", recipe.title));
        if let Some(job) = &job {
            print_chains(&recipe, &job.typed);
            for set in &job.sets {
                let what = if set.name.is_empty() {
                    "recording"
                } else {
                    set.name.as_str()
                };
                say(format!("{what}: {} points", set.points().len()));
            }
            if arguments.plan {
                say(job.plan.to_string().trim_end());
            }
        }
        code = code.max(verdict(&diagnostics.sorted(), arguments.strict));
    }
    code
}

fn verdict(diagnostics: &Diagnostics, strict: bool) -> u8 {
    show(diagnostics);
    let rejected = diagnostics.has_errors() || (strict && !diagnostics.is_empty());
    say(format!(
        "{}: {}",
        if rejected { "rejected" } else { "accepted" },
        counted(diagnostics)
    ));
    if rejected { exit::REJECTED } else { exit::DONE }
}

/// The chain from input to each result, with what flows at each step.
fn print_chains(recipe: &Recipe, typed: &phasemill_engine::check::Typed) {
    for kept in &typed.results {
        say(format!("  {}", kept.name));
        for node in chain(typed, kept.node) {
            let inputs = recipe.inputs.len();
            let (name, what) = match node.checked_sub(inputs) {
                None => (&recipe.inputs[node].name.text, "input"),
                Some(stage) => (
                    &recipe.stages[stage].name.text,
                    recipe.stages[stage].stage.name(),
                ),
            };
            let flows: Vec<String> = typed.ports[node]
                .iter()
                .flatten()
                .map(|p| describe(&p.flow))
                .collect();
            let first = flows.first().cloned().unwrap_or_default();
            let more = if flows.len() > 1 {
                format!(" (and {} more)", flows.len() - 1)
            } else {
                String::new()
            };
            say(format!("    {name:<16} {what:<13} {first}{more}"));
        }
    }
}

/// Everything that a node depends on, and itself, in order.
fn chain(typed: &phasemill_engine::check::Typed, node: Node) -> Vec<Node> {
    let mut wanted = vec![false; typed.ports.len()];
    wanted[node] = true;
    for &n in typed.graph.order.iter().rev() {
        if wanted[n] {
            typed.reads[n]
                .iter()
                .for_each(|&(source, _)| wanted[source] = true);
        }
    }
    typed
        .graph
        .order
        .iter()
        .copied()
        .filter(|n| wanted[*n])
        .collect()
}
