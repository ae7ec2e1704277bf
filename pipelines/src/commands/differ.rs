//! `phasemill differ`: why a number of one result file differs from one of another.

use std::path::PathBuf;

use phasemill_engine::differ::{DifferError, Options, Report, differ};
use phasemill_engine::lineage::{Chosen, Record};

use super::{addressed, complain, say, stopped_by_ctrl_c};
use crate::exit;

/// Arguments of `differ`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The first result file, with an output behind it where there are several: `a.h5:answer[3]`
    first: PathBuf,
    /// The second, likewise; by default the output of the same name
    second: PathBuf,
    /// Look in this folder for recordings that were moved
    #[arg(long = "in", value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// Threads; 0 means one per core
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match report(arguments) {
        Ok(report) => {
            show(&report);
            match report.is_computed() {
                true => exit::DONE,
                false => exit::FAILED,
            }
        }
        Err((message, code)) => {
            complain(format!("error: {message}"));
            code
        }
    }
}

fn report(arguments: &Arguments) -> Result<Report, (String, u8)> {
    let rejected = |message: String| (message, exit::REJECTED);
    let open = |path: &PathBuf| Record::open(path).map_err(|e| rejected(e.to_string()));
    let (path_a, output_a) = addressed(&arguments.first, None);
    let (path_b, output_b) = addressed(&arguments.second, None);
    let (a, b) = (open(&path_a)?, open(&path_b)?);
    let of_a = one(&a, output_a.as_deref(), &path_a).map_err(rejected)?;
    let wanted = output_b.unwrap_or_else(|| of_a.output.name.clone());
    let of_b = one(&b, Some(&wanted), &path_b).map_err(rejected)?;
    let monitor = stopped_by_ctrl_c();
    let options = Options {
        registry: &phasemill_stages::REGISTRY,
        folders: &arguments.folders,
        threads: arguments.threads,
    };
    differ((&a, of_a), (&b, of_b), &options, &monitor).map_err(|error| match error {
        DifferError::Interrupted => ("stopped".to_owned(), exit::STOPPED),
        error => rejected(error.to_string()),
    })
}

/// The one output that is meant.
fn one<'r>(
    record: &'r Record,
    text: Option<&str>,
    path: &std::path::Path,
) -> Result<Chosen<'r>, String> {
    let file = path.display();
    let mut chosen = record.choose(text).map_err(|e| format!("{file}: {e}"))?;
    // The name of a stage with several outputs may be that of one of them too, which is meant then.
    let is_meant = |c: &Chosen<'_>| c.output.name == c.output.node;
    if text.is_some() && chosen.iter().filter(|c| is_meant(c)).count() == 1 {
        chosen.retain(is_meant);
    }
    match chosen.as_slice() {
        [one] => Ok(*one),
        [first, ..] => {
            let names = chosen
                .iter()
                .map(|c| format!("{}:{}", c.entry.name, c.output.name));
            Err(format!(
                "{file}: expected one output, found {}; name one, as in `{file}:{}:{}`",
                names.collect::<Vec<_>>().join(", "),
                first.entry.name,
                first.output.name
            ))
        }
        [] => Err(format!("{file}: it holds no output")),
    }
}

/// Significant digits of the numbers that are compared; effects are told to the same place.
const DIGITS: i32 = 7;

/// How numbers are written: with so many places, or with powers of ten.
struct Style(Option<usize>);

impl Style {
    fn of(report: &Report) -> Self {
        let all = report.numbers.iter().flatten();
        let largest = all.fold(0.0f64, |m, x| m.max(x.abs()));
        let decade = libm::floor(libm::log10(largest));
        let plain = (-4.0..7.0).contains(&decade);
        Style(plain.then(|| (DIGITS - 1 - decade as i32).max(0) as usize))
    }

    fn signed(&self, numbers: &[f64]) -> String {
        let one = |x: &f64| match self.0 {
            Some(places) => format!("{:>+14.places$}", x + 0.0),
            None => format!("{x:>+14.*e}", DIGITS as usize - 2),
        };
        numbers.iter().map(one).collect::<Vec<_>>().join(" ")
    }
}

/// The points, with their places where they are not the same.
fn points(report: &Report) -> String {
    let of = |k: usize| match report.places[k].as_str() {
        "" => format!("point {}", report.points[k]),
        place => format!("point {} ({place})", report.points[k]),
    };
    match report.points {
        [a, b] if a == b => format!("point {a}"),
        _ => format!("{} of the first and {} of the second", of(0), of(1)),
    }
}

fn show(report: &Report) {
    let [a, b] = &report.outputs;
    let sample = report
        .sample
        .map_or(String::new(), |s| format!(", sample {s}"));
    let unit = match report.unit.as_str() {
        "" | "1" => String::new(),
        unit => format!(" in {unit}"),
    };
    let names = if a == b {
        a.clone()
    } else {
        format!("{a} and {b}")
    };
    say(format!("{names}, {}{sample}{unit}", points(report)));
    let head: Vec<String> = report.columns.iter().map(|c| format!("{c:>14}")).collect();
    say(format!("{:48} {}", "", head.join(" ")));
    let style = Style::of(report);
    let row = |what: &str, numbers: &[f64]| say(format!("{what:48} {}", style.signed(numbers)));
    row("first", &report.numbers[0]);
    row("second", &report.numbers[1]);
    report
        .versions
        .iter()
        .for_each(|v| say(format!("of another version: {v}")));
    if report.is_same() {
        report.notes.iter().for_each(|n| say(format!("note: {n}")));
        return say("the same, bit by bit");
    }
    let less: Vec<f64> = report.numbers[1]
        .iter()
        .zip(&report.numbers[0])
        .map(|(b, a)| b - a)
        .collect();
    row("difference", &less);
    say("what explains it, one change at a time from the first towards the second:");
    let zero = |n: &Option<Vec<f64>>| n.as_ref().is_none_or(|n| n.iter().all(|x| *x == 0.0));
    if let Some(program) = report.program[0]
        .as_ref()
        .filter(|_| !zero(&report.program[0]))
    {
        let what = match report.changed[0] {
            true => "  undoing the change of the first stored value",
            false => "  this program instead of the first one's",
        };
        row(what, program);
    }
    for cause in &report.causes {
        for (k, (what, (from, to))) in cause.what.iter().zip(&cause.from_to).enumerate() {
            let text = format!("  {what}: {from} -> {to}");
            match (&cause.effect, k + 1 == cause.what.len()) {
                (Some(effect), true) if text.chars().count() <= 48 => row(&text, effect),
                (Some(effect), true) => {
                    say(text);
                    row("", effect);
                }
                (None, true) => say(format!("{text}   ({})", cause.why_not)),
                (_, false) => say(format!("{text}, with")),
            }
        }
    }
    if let Some(rest) = report
        .interaction
        .as_ref()
        .filter(|_| report.causes.len() > 1 || !zero(&report.interaction))
    {
        row("  what they do together beyond the sum", rest);
    }
    if let Some(program) = report.program[1]
        .as_ref()
        .filter(|_| !zero(&report.program[1]))
    {
        let back: Vec<f64> = program.iter().map(|x| -x).collect();
        let what = match report.changed[1] {
            true => "  the change of the second stored value since",
            false => "  the second one's program instead of this",
        };
        row(what, &back);
    }
    if !report.idle.is_empty() {
        say(format!(
            "differs without an effect here: {}",
            report.idle.join(", ")
        ));
    }
    report.notes.iter().for_each(|n| say(format!("note: {n}")));
}
