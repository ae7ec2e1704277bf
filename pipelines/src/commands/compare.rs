//! `phasemill compare`: filter chains against each other, at once over the same recordings.

use std::path::{Path, PathBuf};

use phasemill_engine::compare::alternatives::{Alternative, check_all, headers, read};
use phasemill_engine::compare::{
    BASE, CompareError, Done, Expanded, Given, Need, Request, Words, expand, run as compare,
};
use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::session::{RunError, group, open_sets};
use phasemill_engine::units::{Quantity, Unit};
use phasemill_stages::REGISTRY;
use serde_json::json;

use super::run::operator;
use super::{Texts, complain, counted, named_file, refused, say, show, stopped_by_ctrl_c};
use crate::{compared, exit, progress};

/// Arguments of `compare`.
#[derive(clap::Args)]
pub struct Arguments {
    /// A recipe with `alternatives`, or several recipes, of which the first is the base; then the recordings.
    /// What ends in `.ron` is a recipe
    #[arg(required = true, num_args = 2.., value_name = "RECIPE... RECORDING")]
    files: Vec<PathBuf>,
    /// The wiring (RON): which dataset plays which role
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// Day of recordings that do not state their start time; today by default
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<jiff::civil::Date>,
    /// A further recording that the recipes name
    #[arg(long, value_name = "NAME=FILE", value_parser = named_file)]
    with: Vec<(String, PathBuf)>,
    /// The result to compare; by default the first with in-phase and quadrature part that is kept
    #[arg(long, value_name = "RESULT")]
    result: Option<String>,
    /// Recommend the chain with the least noise of those that settle to 1 % in this time
    #[arg(long, value_name = "TIME", value_parser = quantity, conflicts_with_all = ["largest_noise", "least_noise"])]
    largest_settling: Option<Quantity>,
    /// Recommend the chain that settles first of those with at most this noise
    #[arg(long, value_name = "NOISE", value_parser = quantity, conflicts_with = "least_noise")]
    largest_noise: Option<Quantity>,
    /// Recommend the chain with the least noise
    #[arg(long)]
    least_noise: bool,
    /// Keep the results of all chains and the comparison in a result file (HDF5)
    #[arg(long, short, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Also write a table with a row for each chain at each point
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Replace existing output
    #[arg(long)]
    overwrite: bool,
    /// Print all points; by default only where they are few
    #[arg(long)]
    points: bool,
    /// Print everything as JSON
    #[arg(long, conflicts_with = "points")]
    json: bool,
    /// Threads; 0 means one per core. Results do not depend on it
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
    /// Put no user's name on record; so does the environment variable PHASEMILL_ANONYMOUS
    #[arg(long)]
    anonymous: bool,
    /// Show no progress and no warnings
    #[arg(long, short)]
    quiet: bool,
}

fn quantity(text: &str) -> Result<Quantity, String> {
    Quantity::parse(text).map_err(|e| e.to_string())
}

/// How the stages are written that a comparison adds.
const WORDS: Words = Words {
    difference: |of, less| format!("Combine(of: [{of:?}, {less:?}], by: Difference)"),
    start: |of| format!("Onset(of: {of:?})"),
    agree: phasemill_stages::agreement,
};

/// A recipe, and where it came from.
struct Read {
    file: PathBuf,
    recipe: Recipe,
    found: Diagnostics,
}

impl Arguments {
    fn split(&self) -> (Vec<&Path>, Vec<PathBuf>) {
        let is_recipe = |f: &&PathBuf| f.extension().is_some_and(|e| e.eq_ignore_ascii_case("ron"));
        let recipes: Vec<&Path> = self
            .files
            .iter()
            .filter(is_recipe)
            .map(PathBuf::as_path)
            .collect();
        let recordings = self.files.iter().filter(|f| !is_recipe(f));
        (recipes, recordings.cloned().collect())
    }

    fn need(&self, unit: &Unit) -> Result<Option<Need>, String> {
        let number = |q: &Quantity, name: &str, unit: &Unit| match q.unit.same_dimension(unit) {
            true if q.value > 0.0 => Ok(q.value),
            true => Err(format!(
                "expected with `--{name}` more than zero, found `{}`",
                q.text
            )),
            false => Err(format!(
                "expected with `--{name}` a quantity in {}, found `{}`",
                unit.ascii(),
                q.text
            )),
        };
        Ok(match (&self.largest_settling, &self.largest_noise) {
            (Some(q), _) => Some(Need::LargestSettling(number(
                q,
                "largest-settling",
                &Unit::second(),
            )?)),
            (_, Some(q)) => Some(Need::LargestNoise(number(q, "largest-noise", unit)?)),
            _ => self.least_noise.then_some(Need::LeastNoise),
        })
    }
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match compared(arguments) {
        Ok(code) => code,
        Err(Refusal::Said) => exit::REJECTED,
        Err(Refusal::Message(message)) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
        Err(Refusal::Faults(found)) => {
            show(&found);
            complain(format!("rejected: {}", counted(&found)));
            exit::REJECTED
        }
        Err(Refusal::Run(error)) => refused(&error),
    }
}

/// Why nothing was compared.
enum Refusal {
    /// It was said already.
    Said,
    Message(String),
    Faults(Diagnostics),
    Run(RunError),
}

impl From<CompareError> for Refusal {
    fn from(error: CompareError) -> Self {
        match error {
            CompareError::Unlike(message) => Refusal::Message(message),
            CompareError::Rejected(found) => Refusal::Faults(found),
            CompareError::Run(error) => Refusal::Run(error),
        }
    }
}

fn compared(arguments: &Arguments) -> Result<u8, Refusal> {
    let (files, recordings) = arguments.split();
    if files.is_empty() {
        return Err(Refusal::Message(
            "expected a recipe, found none; name one that ends in `.ron`, then the recordings"
                .into(),
        ));
    }
    if recordings.is_empty() {
        return Err(Refusal::Message(
            "expected a recording, found none; name it after the recipes".into(),
        ));
    }
    let mut recipes: Vec<Read> = Vec::new();
    let mut wiring = Wiring::default();
    for file in files {
        let texts = Texts {
            recipe: file.into(),
            wiring: arguments.wiring.clone(),
            date: arguments.date,
        };
        let (recipe, wired, found) = texts.read().ok_or(Refusal::Said)?;
        wiring = wired;
        recipes.push(Read {
            file: file.into(),
            recipe,
            found,
        });
    }
    let alternatives = match recipes.as_slice() {
        [one] => alternatives_of(arguments, one, &wiring, &recordings)?,
        _ => Vec::new(),
    };
    if !arguments.quiet {
        recipes.iter().for_each(|r| show(&r.found));
    }
    let expanded = expand(
        &givens(&recipes, &alternatives),
        &REGISTRY,
        &WORDS,
        arguments.result.as_deref(),
    )?;
    if !arguments.quiet {
        show(&expanded.warnings);
    }
    let need = arguments
        .need(&unit_of(&expanded))
        .map_err(Refusal::Message)?;
    let request = Request {
        expanded: &expanded,
        words: &WORDS,
        wiring: &wiring,
        recordings,
        with: arguments.with.clone(),
        output: arguments.out.clone(),
        csv: arguments.csv.clone(),
        overwrite: arguments.overwrite,
        need,
        threads: arguments.threads,
        operator: if arguments.anonymous {
            None
        } else {
            operator()
        },
        also_read: recipes.iter().map(|r| r.file.clone()).collect(),
    };
    let monitor = stopped_by_ctrl_c();
    let shown = (!arguments.quiet).then(|| progress::show(monitor.clone()));
    let done = compare(&request, &monitor);
    drop(shown);
    Ok(report(arguments, &done?))
}

/// The alternatives that a recipe carries, checked against the headers of all recordings.
fn alternatives_of(
    arguments: &Arguments,
    read_recipe: &Read,
    wiring: &Wiring,
    recordings: &[PathBuf],
) -> Result<Vec<Alternative>, Refusal> {
    let recipe = &read_recipe.recipe;
    let mut found = Diagnostics::default();
    check_all(recipe, &REGISTRY, &[], &mut found);
    if !found.has_errors() {
        for (_, paths) in group(wiring, recordings) {
            let mut sets = open_sets(recipe, wiring, &paths, &arguments.with);
            let headers = headers(recipe, &REGISTRY, &mut sets);
            check_all(recipe, &REGISTRY, &headers, &mut found);
        }
    }
    if found.has_errors() {
        return Err(Refusal::Faults(found.sorted()));
    }
    if !arguments.quiet {
        show(&found.sorted());
    }
    let (alternatives, _) = read(recipe, &REGISTRY);
    if alternatives.is_empty() {
        return Err(Refusal::Message(format!(
            "{}: expected `alternatives`, found none; write some, as in `alternatives: {{ \"slower\": Step(set: [\"smooth.kind.time_constant\"], to: [\"100 ms\", \"1 s\"]) }}`, or give a second recipe",
            read_recipe.file.display()
        )));
    }
    Ok(alternatives)
}

/// The chains: of one recipe and its alternatives, or of several recipes by the names of their files.
fn givens<'r>(recipes: &'r [Read], alternatives: &'r [Alternative]) -> Vec<Given<'r>> {
    if let [one] = recipes {
        let base = Given {
            name: BASE.into(),
            said: file_name(&one.file),
            recipe: &one.recipe,
        };
        let others = alternatives.iter().map(|a| Given {
            name: a.name.clone(),
            said: a.said.clone(),
            recipe: &a.recipe,
        });
        return std::iter::once(base).chain(others).collect();
    }
    let mut all: Vec<Given<'r>> = Vec::new();
    for read in recipes {
        let stem = read.file.file_stem().unwrap_or_default().to_string_lossy();
        let stem = stem.replace(['.', '/', '(', ')'], " ");
        let numbered = (2..).map(|k| format!("{stem} {k}"));
        let mut names = std::iter::once(stem.clone()).chain(numbered);
        let free = names.find(|n| all.iter().all(|g| g.name != *n));
        all.push(Given {
            name: free.unwrap_or(stem),
            said: file_name(&read.file),
            recipe: &read.recipe,
        });
    }
    all
}

/// A file without its folder.
fn file_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}

/// The unit of the result that is compared, as far as the recipe tells.
fn unit_of(expanded: &Expanded) -> Unit {
    let recipe = &expanded.recipe;
    let typed = phasemill_engine::check::check(recipe, |_| None, &mut Diagnostics::default());
    let answer = expanded.chains.first().map_or("", |c| c.answer.as_str());
    let kept = typed.results.iter().find(|k| k.name == answer);
    let flow = kept.and_then(|k| typed.flow(k.node, k.port));
    flow.map_or_else(Unit::one, |f| f.unit.clone())
}

fn report(arguments: &Arguments, done: &Done) -> u8 {
    if arguments.json {
        let all: Vec<_> = done
            .comparisons
            .iter()
            .map(|(name, comparison)| json!({ "recording": name, "comparison": comparison }))
            .collect();
        say(serde_json::to_string_pretty(&all).unwrap_or_default());
    } else {
        for (name, comparison) in &done.comparisons {
            compared::print(name, comparison, arguments.points);
        }
    }
    for entry in &done.summary.entries {
        for remark in entry.remarks.iter().filter(|_| !arguments.quiet) {
            complain(format!("warning: {}: {remark}", entry.name));
        }
        for failure in &entry.failures {
            complain(format!("failed: {}: {failure}", entry.name));
        }
    }
    if !arguments.json && !arguments.quiet {
        for (what, file) in [("results", &arguments.out), ("table", &arguments.csv)] {
            if let Some(file) = file {
                say(format!("{what} in {}", file.display()));
            }
        }
    }
    match done.summary.has_failures() {
        true => exit::FAILED,
        false => exit::DONE,
    }
}
