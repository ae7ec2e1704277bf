//! `phasemill verify`: whether a result file is what its recipe and recordings give.

use std::path::PathBuf;
use std::sync::atomic::Ordering;

use phasemill_engine::export::open_crate;
use phasemill_engine::lineage::{LeftOut, Record};
use phasemill_engine::report::counted;
use phasemill_engine::verify::{Kind, Options, Report, verify};

use super::{addressed, complain, say, sign, stopped_by_ctrl_c};
use crate::{exit, progress};

/// Arguments of `verify`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file, or the folder of an exported crate; an output or one point of it may stand behind a
    /// file, as in `results.h5:answer[17]`
    results: PathBuf,
    /// Look in this folder for recordings that were moved; they are known by the hash of their samples
    #[arg(long = "in", value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// Compare hashes only: what is stored, the texts, the samples; compute nothing again
    #[arg(long)]
    quick: bool,
    /// Also check the signature, against the signers that this file allows (as ssh-keygen's allowed signers)
    #[arg(long, value_name = "FILE")]
    signers: Option<PathBuf>,
    /// The signature; by default beside the result file, with `.sig` behind its name
    #[arg(long, value_name = "FILE", requires = "signers")]
    signature: Option<PathBuf>,
    /// Threads; 0 means one per core
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
    /// Print what was found as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let (path, output) = addressed(&arguments.results, None);
    let Some(place) = Place::of(path, arguments) else {
        return exit::REJECTED;
    };
    let record = match Record::open(&place.results) {
        Ok(record) => record,
        Err(error) => {
            complain(format!("error: {error}"));
            return match error.is_no_results() {
                true => exit::REJECTED,
                false => exit::FAILED,
            };
        }
    };
    let chosen = match record.choose(output.as_deref()) {
        Ok(chosen) => chosen,
        Err(message) => {
            complain(format!("error: {message}"));
            return exit::REJECTED;
        }
    };
    if let Some(folder) = arguments.folders.iter().find(|f| !f.is_dir()) {
        let message = "error: expected a folder behind `--in`, found none at";
        complain(format!("{message} {}", folder.display()));
        return exit::REJECTED;
    }
    let monitor = stopped_by_ctrl_c();
    let options = Options {
        registry: &phasemill_stages::REGISTRY,
        folders: &place.folders,
        quick: arguments.quick,
        threads: arguments.threads,
    };
    let shown = (!arguments.json && !arguments.quick).then(|| progress::show(monitor.clone()));
    let mut report = verify(&record, &options, &monitor);
    drop(shown);
    if output.is_some() {
        report = report.of(&chosen);
    }
    if monitor.stop.load(Ordering::Relaxed) {
        complain("stopped; nothing was decided");
        return exit::STOPPED;
    }
    match arguments.json {
        true => say(json(&report, &record.lineage.left_out)),
        false => show(&report, &record.lineage.left_out, arguments.quick),
    }
    let (made, this) = (&record.lineage.program, env!("CARGO_PKG_VERSION"));
    if !report.is_identical() && made != this {
        complain(format!(
            "note: made by phasemill {made}, and this is {this}"
        ));
    }
    match report.is_identical() & is_signed(arguments, &record) & place.whole {
        true => exit::DONE,
        false => exit::FAILED,
    }
}

/// Where results and recordings are.
struct Place {
    results: PathBuf,
    folders: Vec<PathBuf>,
    /// Whether the files around the results are what they were.
    whole: bool,
}

impl Place {
    /// A result file, or the one in a crate, beside which its recordings are.
    fn of(path: PathBuf, arguments: &Arguments) -> Option<Self> {
        let mut place = Place {
            results: path,
            folders: arguments.folders.clone(),
            whole: true,
        };
        if place.results.is_dir() {
            let opened = open_crate(&place.results)
                .map_err(|error| complain(format!("error: {error}")))
                .ok()?;
            for (file, why) in &opened.changed {
                complain(format!("differs: {}: {why}", file.display()));
            }
            place.whole = opened.changed.is_empty();
            place.folders.push(place.results);
            place.results = opened.results;
        }
        Some(place)
    }
}

/// Whether the signature is good, where one is asked for.
fn is_signed(arguments: &Arguments, record: &Record) -> bool {
    let Some(signers) = &arguments.signers else {
        return true;
    };
    let signature = arguments.signature.clone();
    let signature = signature.unwrap_or_else(|| sign::signature_of(&record.path));
    // The text as it is now is what must have been signed, whatever seal stands beside it.
    match sign::check(&record.digest, &signature, signers) {
        Ok(name) => {
            // What is printed as JSON stays JSON.
            match arguments.json {
                true => complain(format!("signed by {name}")),
                false => say(format!("signed by {name}")),
            }
            true
        }
        Err(why) => {
            complain(format!("signature: {why}"));
            false
        }
    }
}

fn word(kind: Kind) -> &'static str {
    match kind {
        Kind::Differs => "differs",
        Kind::Unchecked => "cannot be checked",
    }
}

fn show(report: &Report, left_out: &[LeftOut], quick: bool) {
    for left_out in left_out {
        say(format!("left out when it was run: {left_out}"));
    }
    for (was, is) in &report.moved {
        say(format!("recording {was} found at {}", is.display()));
    }
    for problem in &report.problems {
        say(format!("{}: {problem}", word(problem.kind)));
    }
    let mut good = 0;
    for verdict in &report.outputs {
        let name = format!("{}:{}", verdict.entry, verdict.output);
        match verdict.problems.split_first() {
            None => {
                good += 1;
                // What belongs to the whole entry keeps its outputs from being called the same.
                let concerned = report.problems.iter().any(|p| {
                    p.kind == Kind::Unchecked || p.entry.as_deref() == Some(&verdict.entry)
                });
                say(format!(
                    "{name}: {}",
                    match (concerned, quick) {
                        (true, _) => {
                            good -= 1;
                            "not decided, see above"
                        }
                        (_, true) => "hashes fit",
                        _ => "identical",
                    }
                ));
            }
            Some((first, others)) => {
                say(format!("{name}: {}, {first}", word(first.kind)));
                for other in others {
                    say(format!("    {}: {other}", word(other.kind)));
                }
            }
        }
    }
    let of = report.outputs.len();
    let what = if quick {
        "whose hashes fit"
    } else {
        "identical, bit by bit"
    };
    let without = match left_out.len() as u64 {
        0 => String::new(),
        n => format!("; the run left out {}", counted(n, "recording")),
    };
    say(format!(
        "{good} of {} {what}{without}",
        counted(of as u64, "output")
    ));
}

fn json(report: &Report, left_out: &[LeftOut]) -> String {
    let problem = |p: &phasemill_engine::verify::Problem| {
        serde_json::json!({
            "kind": word(p.kind), "entry": p.entry, "point": p.point, "sample": p.sample, "text": p.to_string(),
        })
    };
    let problems =
        |all: &[phasemill_engine::verify::Problem]| all.iter().map(problem).collect::<Vec<_>>();
    let outputs: Vec<_> = report
        .outputs
        .iter()
        .map(|v| serde_json::json!({
            "entry": v.entry, "output": v.output, "identical": v.problems.is_empty(), "problems": problems(&v.problems),
        }))
        .collect();
    let whole = serde_json::json!({
        "identical": report.is_identical(), "outputs": outputs, "problems": problems(&report.problems),
        "left_out": left_out,
    });
    // Texts, numbers and lists always have a JSON form.
    serde_json::to_string_pretty(&whole).unwrap_or_default()
}
