//! `phasemill trace`: where an output came from, back to the samples.

use std::path::PathBuf;

use phasemill_engine::lineage::{Chosen, Lineage, Record, methods, open_results};
use phasemill_engine::saved::{BudgetLine, budget};
use phasemill_engine::store::StoreError;
use phasemill_engine::units::{Unit, format_quantity};
use phasemill_engine::verify::{Kind, Problem, unfit};
use serde_json::{Value, json};

use super::{addressed, complain, say};
use crate::exit;
use crate::graph::{Graph, svg};

/// Arguments of `trace`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file; an output may stand behind it, as in `results.h5:answer[17]`
    results: PathBuf,
    /// The output, as `answer`, `answer[17]` for one point, or `recording:answer`; all by default
    output: Option<String>,
    /// Print the lineage as JSON
    #[arg(long, group = "form")]
    json: bool,
    /// Name no user, and files without their folders, as for others to see
    #[arg(long)]
    public: bool,
    /// Print a paragraph for the methods section of a paper
    #[arg(long, group = "form")]
    methods: bool,
    /// Print the graph in Graphviz' language
    #[arg(long, group = "form")]
    dot: bool,
    /// Draw the graph (SVG)
    #[arg(long, value_name = "FILE", group = "form")]
    graph: Option<PathBuf>,
    /// Print the recipe as it was run
    #[arg(long, group = "form")]
    recipe: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match traced(arguments) {
        Ok(text) => {
            say(text.trim_end());
            exit::DONE
        }
        Err(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}

fn traced(arguments: &Arguments) -> Result<String, String> {
    let (path, output) = addressed(&arguments.results, arguments.output.as_deref());
    if let (Some(second), (_, Some(first))) =
        (&arguments.output, addressed(&arguments.results, None))
    {
        return Err(format!(
            "expected one output, found `{first}` behind the file and `{second}`; leave one of them out"
        ));
    }
    if arguments.recipe {
        let file = open_results(&path).map_err(|e| e.to_string())?;
        return file.text("/provenance/recipe").map_err(|e| e.to_string());
    }
    let mut record = Record::open_for(&path, output.as_deref()).map_err(|e| e.to_string())?;
    if arguments.public {
        record.lineage = record.lineage.public();
    }
    let chosen = record.choose(output.as_deref())?;
    let unfit: Vec<String> = unfit(&record, &chosen).iter().map(warned).collect();
    unfit
        .iter()
        .for_each(|line| complain(format!("warning: {line}")));
    if arguments.json {
        return json_of(&record, &chosen, &unfit);
    }
    if arguments.methods {
        let paragraphs = by_entry(&chosen).into_iter();
        let paragraphs = paragraphs.map(|some| methods(&record.lineage, some[0].entry, &some));
        return Ok(paragraphs.collect::<Vec<_>>().join("\n\n"));
    }
    if arguments.dot || arguments.graph.is_some() {
        let entries = by_entry(&chosen);
        let first = &entries[0];
        if let [_, other, ..] = entries.as_slice() {
            return Err(format!(
                "expected outputs of one entry, found some of `{}` and `{}`; name one, as in `{}:{}`",
                first[0].entry.name, other[0].entry.name, first[0].entry.name, first[0].output.name
            ));
        }
        let (graph, title) = (Graph::of(first[0].entry, first), &first[0].entry.title);
        return match &arguments.graph {
            None => Ok(graph.dot(title)),
            Some(file) => std::fs::write(file, svg(&graph, title))
                .map(|()| format!("graph drawn in {}", file.display()))
                .map_err(|e| format!("cannot write {}: {e}", file.display())),
        };
    }
    let mut text = made(&record.lineage);
    for line in &unfit {
        text += &format!("NOT AS IT WAS WRITTEN: {line}\n");
    }
    for left_out in &record.lineage.left_out {
        text += &format!("left out of the run: {left_out}\n");
    }
    for chosen in chosen {
        let entry = chosen.entry;
        let story = record.story(chosen).map_err(|e| e.to_string())?;
        text += &format!("\n{}: {}\n{story}", entry.name, entry.title);
        let lines = budget_of(&record, &chosen).map_err(|e| e.to_string())?;
        text += &lines
            .iter()
            .map(|line| told(line, &chosen))
            .collect::<String>();
    }
    Ok(text)
}

/// What is not as it was written, as a warning.
fn warned(problem: &Problem) -> String {
    match problem.kind {
        Kind::Differs => format!("{problem}; `phasemill verify` says more"),
        Kind::Unchecked => problem.message.clone(),
    }
}

/// Which program made it, when, on what, and for whom.
fn made(lineage: &Lineage) -> String {
    let libraries = lineage.libraries.iter().map(|(n, v)| format!("{n} {v}"));
    let with = match libraries.collect::<Vec<_>>() {
        none if none.is_empty() => String::new(),
        some => format!(" ({})", some.join(", ")),
    };
    let machine = lineage.machine.as_ref();
    let machine = machine.map_or(String::new(), |m| format!(", {} {}", m.os, m.architecture));
    let by = lineage.operator.as_ref();
    let by = by.map_or(String::new(), |name| format!(" by {name}"));
    format!(
        "made by phasemill {}{with} on {}{by}{machine}\n",
        lineage.program, lineage.began
    )
}

/// Points up to which the budget of one is looked for; beyond, reading all parts takes longer than a look is
/// worth.
const MOST_POINTS: u64 = 4096;

/// The budget of the point that was chosen, or of the only one.
fn budget_of(record: &Record, chosen: &Chosen<'_>) -> Result<Vec<BudgetLine>, StoreError> {
    let points = chosen.output.points;
    let point = chosen.point.or((points == 1).then_some(0));
    match point.filter(|_| points <= MOST_POINTS) {
        Some(point) => {
            let group = format!("/{}/{}", chosen.entry.name, chosen.output.name);
            budget(&record.file, &group, point)
        }
        None => Ok(Vec::new()),
    }
}

/// A line of a budget.
fn told(line: &BudgetLine, chosen: &Chosen<'_>) -> String {
    let unit = chosen
        .entry
        .flow(chosen.output)
        .map_or("", |f| f.unit.as_str());
    let unit = if unit == "1" { "" } else { unit };
    let freedom = line.degrees_of_freedom.map_or(String::new(), |n| {
        format!(", {} degrees of freedom", short(&format!("{n:.1}")))
    });
    let quantity = line
        .told_quantity()
        .map_or(String::new(), |quantity| format!(", {quantity}"));
    let unit = Unit::parse(unit).unwrap_or_else(|_| Unit::one());
    let shown = |x: f64| format_quantity(x * unit.si_factor(), &unit, 3);
    let parts = |both: [f64; 2]| match both {
        [x, 0.0] => shown(x),
        [x, y] => format!("in phase {}, quadrature {}", shown(x), shown(y)),
    };
    let per = line.quantity.as_ref().map_or("", |(.., unit)| unit);
    let sensitivity = line.sensitivity.map_or(String::new(), |both| {
        format!("; sensitivity {} per {per}", parts(both))
    });
    let source: Vec<&str> = line.source.split(' ').map(short).collect();
    format!(
        "uncertainty: {:.1} % type {} from {}{quantity}{freedom}: {}{sensitivity}\n",
        100.0 * line.share,
        line.evaluation,
        source.join(" "),
        parts(line.contribution)
    )
}

/// A number without idle zeros behind its point; any other text as it is.
fn short(text: &str) -> &str {
    match text.parse::<f64>().is_ok() && text.contains('.') && !text.contains(['e', 'E']) {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => text,
    }
}

/// Outputs by the entry that they belong to; at least one.
fn by_entry<'r>(chosen: &[Chosen<'r>]) -> Vec<Vec<Chosen<'r>>> {
    let mut found: Vec<Vec<Chosen<'r>>> = Vec::new();
    for one in chosen {
        match found
            .iter_mut()
            .find(|some| some[0].entry.name == one.entry.name)
        {
            Some(some) => some.push(*one),
            None => found.push(vec![*one]),
        }
    }
    found
}

fn json_of(record: &Record, chosen: &[Chosen<'_>], unfit: &[String]) -> Result<String, String> {
    let lineage = &record.lineage;
    let mut outputs = Vec::new();
    for c in chosen {
        let mut whole = json!({ "entry": c.entry.told(), "output": c.output });
        if let Some(point) = c.point {
            whole["point"] = point_of(record, c, point).map_err(|e| e.to_string())?;
        }
        let cached = &c.entry.from_cache;
        let chain = c.entry.chain(c.output);
        let names = chain.iter().map(|n| &n.name).filter(|n| cached.contains(n));
        whole["from_cache"] = json!(names.collect::<Vec<_>>());
        let budget = budget_of(record, c).map_err(|e| e.to_string())?;
        if !budget.is_empty() {
            whole["budget"] = json!(budget);
        }
        outputs.push(whole);
    }
    let whole = json!({
        "version": lineage.version, "program": lineage.program, "libraries": lineage.libraries,
        "machine": lineage.machine, "operator": lineage.operator, "began": lineage.began, "ended": lineage.ended,
        "seal": record.seal, "outputs": outputs, "left_out": lineage.left_out, "not_as_written": unfit,
    });
    serde_json::to_string_pretty(&whole).map_err(|e| e.to_string())
}

/// What is known of one point: its content, and the samples of each input.
fn point_of(
    record: &Record,
    chosen: &Chosen<'_>,
    point: u64,
) -> Result<Value, phasemill_engine::store::StoreError> {
    let (entry, output) = (chosen.entry, chosen.output);
    let hex = |hash: [u8; 32]| hash.iter().map(|b| format!("{b:02x}")).collect::<String>();
    let mut inputs = Vec::new();
    for node in entry.chain(output) {
        let Some(input) = &node.input else { continue };
        let index = if input.points == 1 { 0 } else { point };
        let place = entry.file_of(&input.recording, point);
        let first = (output.from * input.rate).ceil() as u64;
        inputs.push(json!({
            "input": node.name, "dataset": input.dataset, "file": place.map(|(f, _)| &f.path),
            "point_of_file": place.map(|(_, within)| within),
            "samples": [first.min(input.length), input.length],
            "hash": hex(record.sample_of(&entry.name, &node.name, index)?),
        }));
    }
    let content = match record.lineage.version {
        1 => None,
        _ => Some(hex(record.content_of(&entry.name, &output.name, point)?)),
    };
    Ok(json!({ "index": point, "content": content, "inputs": inputs }))
}
