//! `phasemill check`: a recipe alone, or against the headers of recordings; what is wrong, and what the
//! chains will do.

use std::path::{Path, PathBuf};

use phasemill_engine::check::{Typed, check};
use phasemill_engine::compare::alternatives;
use phasemill_engine::diagnostic::{self, Diagnostic, Diagnostics, Severity};
use phasemill_engine::graph::Node;
use phasemill_engine::lineage::describe;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::recordings::{RecordingSet, Unusable};
use phasemill_engine::run::Job;
use phasemill_engine::session::{check_recordings, group, open_sets};
use serde_json::{Value, json};

use super::{Texts, complain, counted, named_file, say, show};
use crate::exit;
use crate::figures::{Group, groups};
use crate::plot;

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
    /// Draw the frequency responses (SVG)
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print everything as JSON, for editors and other programs
    #[arg(long, conflicts_with = "plan")]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let mut report = Report::new(arguments);
    if let Some(Err(message)) = arguments.plot.as_deref().map(plot::place) {
        report.error(message);
        return report.told();
    }
    let parsed = match arguments.texts.parse() {
        Ok(parsed) => parsed,
        Err(message) => {
            report.error(message);
            return report.finish();
        }
    };
    match parsed {
        (Some(recipe), wiring, alone) if !alone.has_errors() => {
            check_all(&mut report, &recipe, &wiring, &alone);
        }
        (_, _, alone) => report.verdict(&alone, None),
    }
    report.finish()
}

fn check_all(report: &mut Report<'_>, recipe: &Recipe, wiring: &Wiring, alone: &Diagnostics) {
    let arguments = report.arguments;
    if arguments.recordings.is_empty() {
        let mut found = alone.clone();
        let typed = check(recipe, |_| None, &mut found);
        report.say(format!(
            "{}: {}",
            arguments.texts.recipe.display(),
            recipe.title
        ));
        report.chains(recipe, &typed, None);
        report.alternatives(recipe, &mut [], &mut found);
        return report.verdict(&found.sorted(), None);
    }
    if let Err(error) = check_recordings(recipe, &arguments.with) {
        return report.error(format!("error: {error}"));
    }
    for (name, paths) in group(wiring, &arguments.recordings) {
        let sets = open_sets(recipe, wiring, &paths, &arguments.with);
        let files = sets.iter().flat_map(|s| &s.files);
        let broken: Vec<&Unusable> = files.filter_map(|f| f.content.as_ref().err()).collect();
        let mut diagnostics = alone.clone();
        if !broken.is_empty() {
            for unusable in broken {
                match unusable.diagnostics() {
                    found if found.is_empty() => report.failed(format!("error: {unusable}")),
                    found => diagnostics.extend(found),
                }
            }
            if diagnostics.has_errors() {
                report.say(format!("{name}: {}", recipe.title));
                let before = report.code;
                report.verdict(&diagnostics.sorted(), Some(&name));
                // It is the recording that fails, as in a run.
                if before == exit::DONE {
                    report.code = exit::FAILED;
                }
            }
            continue;
        }
        let mut job = Job::new(recipe, sets, &mut diagnostics);
        report.say(format!("{name}: {}", recipe.title));
        if let Some(job) = &mut job {
            report.chains(recipe, &job.typed, Some(&name));
            for set in &job.sets {
                let what = if set.name.is_empty() {
                    "recording"
                } else {
                    set.name.as_str()
                };
                let points = diagnostic::counted(set.points().len() as u64, "point");
                report.say(format!("{what}: {points}"));
            }
            if arguments.plan {
                report.say(job.plan.to_string().trim_end());
            }
            report.alternatives(recipe, &mut job.sets, &mut diagnostics);
        }
        report.verdict(&diagnostics.sorted(), Some(&name));
    }
}

impl Report<'_> {
    /// Checks the alternatives that the recipe carries.
    fn alternatives(&self, recipe: &Recipe, sets: &mut [RecordingSet], found: &mut Diagnostics) {
        let registry = &phasemill_stages::REGISTRY;
        let headers = alternatives::headers(recipe, registry, sets);
        match alternatives::check_all(recipe, registry, &headers, found) {
            0 => {}
            1 => self.say("alternatives for `compare`: 1"),
            n => self.say(format!("alternatives for `compare`: {n}")),
        }
    }
}

/// What was found, printed as it is found or, as JSON, at the end.
struct Report<'a> {
    arguments: &'a Arguments,
    code: u8,
    errors: Vec<String>,
    diagnostics: Vec<Value>,
    results: Vec<Value>,
    /// Chains to be drawn, each once.
    drawn: Vec<Group>,
}

impl<'a> Report<'a> {
    fn new(arguments: &'a Arguments) -> Self {
        Report {
            arguments,
            code: exit::DONE,
            errors: Vec::new(),
            diagnostics: Vec::new(),
            results: Vec::new(),
            drawn: Vec::new(),
        }
    }

    fn say(&self, text: impl AsRef<str>) {
        if !self.arguments.json {
            say(text);
        }
    }

    /// A fault that has no place in a text.
    fn error(&mut self, message: String) {
        self.code = exit::REJECTED;
        self.tell(message);
    }

    /// A recording that cannot be read; the others can still be checked.
    fn failed(&mut self, message: String) {
        if self.code == exit::DONE {
            self.code = exit::FAILED;
        }
        self.tell(message);
    }

    fn tell(&mut self, message: String) {
        if self.arguments.json {
            let bare = message.strip_prefix("error: ").unwrap_or(&message);
            self.errors.push(bare.to_owned());
        } else {
            complain(message);
        }
    }

    fn verdict(&mut self, diagnostics: &Diagnostics, recording: Option<&str>) {
        let rejected =
            diagnostics.has_errors() || (self.arguments.strict && !diagnostics.is_empty());
        if rejected {
            self.code = exit::REJECTED;
        }
        if self.arguments.json {
            let list = diagnostics.iter().map(|d| as_json(d, recording));
            self.diagnostics.extend(list);
            return;
        }
        show(diagnostics);
        let word = if rejected { "rejected" } else { "accepted" };
        let line = format!("{word}: {}", counted(diagnostics));
        // A recipe that is wrong by itself has nothing else to print.
        if diagnostics.has_errors() && recording.is_none() {
            complain(line);
        } else {
            say(line);
        }
    }

    /// The chain from input to each result, with what flows at each step, and what the chains will do.
    fn chains(&mut self, recipe: &Recipe, typed: &Typed, recording: Option<&str>) {
        let groups = groups(recipe, typed);
        if self.arguments.json {
            for group in &groups {
                let mut value = group.json();
                value["recording"] = json!(recording);
                self.results.push(value);
            }
        } else {
            print_chains(recipe, typed);
            for group in &groups {
                say(format!(
                    "  {}: {}",
                    group.results.join(", "),
                    group.heading()
                ));
                let table = group.table();
                if !table.is_empty() {
                    say(table.trim_end());
                }
                group
                    .remarks()
                    .iter()
                    .for_each(|remark| say(format!("      note: {remark}")));
            }
        }
        for group in groups {
            if !group.figures.needs_frequency && !self.drawn.contains(&group) {
                self.drawn.push(group);
            }
        }
    }

    fn finish(mut self) -> u8 {
        if let Some(path) = &self.arguments.plot
            && let Err(message) = draw(path, &self.drawn)
        {
            self.error(message);
        }
        self.told()
    }

    /// Prints what is printed at the end; the exit code.
    fn told(self) -> u8 {
        if self.arguments.json {
            let all = json!({
                "accepted": self.code == exit::DONE,
                "errors": self.errors,
                "diagnostics": self.diagnostics,
                "results": self.results,
            });
            say(format!("{all:#}"));
        }
        self.code
    }
}

fn draw(path: &Path, groups: &[Group]) -> Result<(), String> {
    if groups.is_empty() {
        return Err(format!(
            "error: nothing to draw in {}: give a recording, and keep a result behind a filter or an average",
            path.display()
        ));
    }
    plot::write(path, &plot::svg(groups))
}

/// A diagnostic for an editor: line and column from 1, in characters; the range in bytes.
pub fn as_json(diagnostic: &Diagnostic, recording: Option<&str>) -> Value {
    let place = diagnostic.place.as_ref();
    let line_column = place.map(|p| p.line_column());
    json!({
        "code": diagnostic.code.text(),
        "severity": match diagnostic.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        },
        "recording": recording,
        "file": place.map(|p| p.source.name.as_str()),
        "line": line_column.map(|(line, _)| line),
        "column": line_column.map(|(_, column)| column),
        "bytes": place.map(|p| [p.range.start, p.range.end]),
        "message": diagnostic.message,
        "notes": diagnostic.notes,
        "help": diagnostic.help,
    })
}

/// What flows at each step, once; then the chain from the inputs to each result.
fn print_chains(recipe: &Recipe, typed: &Typed) {
    let inputs = recipe.inputs.len();
    let named = |node: Node| match node.checked_sub(inputs) {
        None => (recipe.inputs[node].name.text.as_str(), "input"),
        Some(stage) => {
            let entry = &recipe.stages[stage];
            (entry.name.text.as_str(), entry.stage.name())
        }
    };
    let needed = typed.needed(typed.results.iter().map(|kept| kept.node));
    for &node in typed.graph.order.iter().filter(|n| needed[**n]) {
        let (name, stage) = named(node);
        for (k, port) in typed.ports[node].iter().flatten().enumerate() {
            let port_name = if port.name().is_empty() {
                ""
            } else {
                &format!(".{}", port.name())
            };
            let stage = if k == 0 { stage } else { "" };
            say(format!(
                "  {:<22} {stage:<13} {}",
                format!("{name}{port_name}"),
                describe(&port.flow)
            ));
        }
    }
    for kept in &typed.results {
        let chain = typed.chain(kept.node).into_iter();
        let steps: Vec<&str> = chain.map(|node| named(node).0).collect();
        say(format!("  result {}: {}", kept.name, steps.join(" > ")));
    }
}
