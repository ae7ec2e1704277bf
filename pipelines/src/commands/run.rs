//! `phasemill run`: a recipe over recordings, into one result file.

use std::path::PathBuf;
use std::time::Instant;

use phasemill_engine::diagnostic;
use phasemill_engine::lineage::LeftOut;
use phasemill_engine::run::{Draws, FEWEST_TRIALS, Share, peak_memory};
use phasemill_engine::session::{Request, Summary};

use super::cache::Options;
use super::{Texts, complain, counted, named_file, refused, say, show, stopped_by_ctrl_c};
use crate::{exit, progress, sketch};

/// Warnings of a recording that are printed.
const MOST_WARNINGS: usize = 40;

/// Arguments of `run`.
#[derive(clap::Args)]
pub struct Arguments {
    #[command(flatten)]
    texts: Texts,
    /// The recordings: each by itself, or points of one sweep where the wiring says so
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// A further recording that the recipe names
    #[arg(long, value_name = "NAME=FILE", value_parser = named_file)]
    with: Vec<(String, PathBuf)>,
    /// The result file (HDF5)
    #[arg(long, short, value_name = "FILE")]
    out: PathBuf,
    /// Also write a table of all estimates
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Also write a table of what the uncertainties are made of, source by source
    #[arg(long, value_name = "FILE")]
    budget: Option<PathBuf>,
    /// Also draw the 95 % intervals from so many trials, as a check of those computed
    #[arg(long, value_name = "TRIALS", value_parser = clap::value_parser!(u64).range(FEWEST_TRIALS..))]
    monte_carlo: Option<u64>,
    /// What the trials are drawn from
    #[arg(
        long,
        default_value_t = 0,
        value_name = "NUMBER",
        requires = "monte_carlo"
    )]
    seed: u64,
    /// Replace existing output
    #[arg(long)]
    overwrite: bool,
    /// Threads; 0 means one per core. Results do not depend on it
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
    /// Say where the time went: by pass over the samples and what was done
    #[arg(long)]
    timings: bool,
    #[command(flatten)]
    cache: Options,
    /// Treat warnings of the check as errors
    #[arg(long)]
    strict: bool,
    /// Put no user's name on record; so does the environment variable PHASEMILL_ANONYMOUS
    #[arg(long)]
    anonymous: bool,
    /// Show no progress and no summary
    #[arg(long, short)]
    quiet: bool,
}

/// Runs the command.
pub fn run(arguments: Arguments) -> u8 {
    let Some((recipe, wiring, found)) = arguments.texts.read() else {
        return exit::REJECTED;
    };
    if arguments.strict && !found.is_empty() {
        show(&found);
        complain(format!(
            "rejected, since warnings are treated as errors: {}",
            counted(&found)
        ));
        return exit::REJECTED;
    }
    let monitor = stopped_by_ctrl_c();
    let request = Request {
        recipe: &recipe,
        wiring: &wiring,
        recordings: arguments.recordings,
        with: arguments.with,
        only: None,
        output: arguments.out,
        overwrite: arguments.overwrite,
        csv: arguments.csv,
        budget: arguments.budget,
        draws: arguments.monte_carlo.map(|trials| Draws {
            trials,
            seed: arguments.seed,
        }),
        threads: arguments.threads,
        strict: arguments.strict,
        operator: if arguments.anonymous {
            None
        } else {
            operator()
        },
        supersedes: None,
    };
    let cache = match arguments.cache.open() {
        Ok(cache) => cache,
        Err(error) => {
            complain(format!("error: {error}"));
            return exit::REJECTED;
        }
    };
    let began = Instant::now();
    let shown = (!arguments.quiet).then(|| progress::show(monitor.clone()));
    let result = phasemill_engine::session::run_with(&request, cache.as_ref(), &monitor);
    drop(shown);
    match result {
        Ok(summary) => {
            report(&summary, &request, arguments.quiet, began);
            if arguments.timings {
                account(&monitor.timings.shares(), began);
            }
            if let Some(cache) = &cache {
                arguments.cache.close(cache, arguments.quiet);
            }
            if summary.has_failures() {
                exit::FAILED
            } else {
                exit::DONE
            }
        }
        Err(error) => refused(&error),
    }
}

/// The user's name as the system has it, unless the environment asks for none.
pub fn operator() -> Option<String> {
    if std::env::var_os("PHASEMILL_ANONYMOUS").is_some_and(|v| !v.is_empty() && v != "0") {
        return None;
    }
    let name = |key: &&str| std::env::var(key).ok().filter(|n| !n.is_empty());
    ["USER", "LOGNAME", "USERNAME"].iter().find_map(name)
}

/// Says where the time went.
fn account(shares: &[Share], began: Instant) {
    let wall = began.elapsed().as_secs_f64();
    let all: f64 = shares.iter().map(|s| s.seconds).sum();
    let bytes: u64 = shares.iter().map(|s| s.bytes).sum();
    say(format!(
        "{:>4}  {:>9}  {:>5}  {:>12}  {:>9}  what",
        "pass", "time", "part", "Msamples/s", "MB read"
    ));
    for share in shares {
        let rate = match share.samples as f64 / share.seconds / 1e6 {
            rate if rate.is_finite() => format!("{rate:.0}"),
            _ => String::new(),
        };
        let read = match share.bytes {
            0 => String::new(),
            bytes => format!("{:.1}", bytes as f64 / 1e6),
        };
        say(format!(
            "{:>4}  {:>7.3} s  {:>3.0} %  {rate:>12}  {read:>9}  {}",
            share.pass,
            share.seconds,
            100.0 * share.seconds / all,
            share.what
        ));
    }
    let memory = peak_memory().map_or(String::new(), |bytes| {
        format!(", at most {:.0} MiB of memory", bytes as f64 / 1_048_576.0)
    });
    say(format!(
        "{all:.3} s of all threads in {wall:.3} s, {:.1} MB of samples read{memory}",
        bytes as f64 / 1e6
    ));
}

fn report(summary: &Summary, request: &Request<'_>, quiet: bool, began: Instant) {
    for entry in &summary.entries {
        let fell_out = summary.left_out.iter().any(|l| l.name == entry.name);
        if !quiet && !fell_out {
            say(format!("{}: {}", entry.name, request.recipe.title));
        }
        if !quiet || entry.diagnostics.has_errors() {
            show(&entry.diagnostics);
        }
        if !quiet {
            entry
                .answers
                .iter()
                .for_each(|line| say(format!("  {line}")));
            if let Some(sketch) = entry.sweep.as_ref().and_then(sketch::on_terminal) {
                say(sketch);
            }
        }
        for remark in entry.remarks.iter().filter(|_| !quiet).take(MOST_WARNINGS) {
            complain(format!("warning: {}: {remark}", entry.name));
        }
        if let more @ 1.. = entry.remarks.len().saturating_sub(MOST_WARNINGS)
            && !quiet
        {
            complain(format!(
                "warning: {}: and {more} more, which the result file holds; `phasemill report` shows them",
                entry.name
            ));
        }
        for failure in &entry.failures {
            complain(format!("failed: {}: {failure}", entry.name));
        }
    }
    if !quiet {
        let recordings = summary.entries.len() as u64;
        let fell_out = summary.left_out.len() as u64;
        if fell_out > 0 {
            say(format!(
                "{fell_out} of {} fell out:",
                diagnostic::counted(recordings, "recording")
            ));
            for recording in &summary.left_out {
                let more = match recording.why.len().saturating_sub(1) {
                    0 => String::new(),
                    n => format!("; and {} more", diagnostic::counted(n as u64, "fault")),
                };
                let first = LeftOut {
                    why: recording.why.iter().take(1).cloned().collect(),
                    ..recording.clone()
                };
                say(format!("  {first}{more}"));
            }
        }
        let failed = match summary.failed_points {
            0 => String::new(),
            n => format!(", something failed at {n} of them"),
        };
        let seconds = began.elapsed().as_secs_f64();
        say(format!(
            "{}{}{failed}, {seconds:.1} s, written to {}",
            match recordings {
                1 => String::new(),
                n => format!("{} of {n} recordings, ", n - fell_out),
            },
            diagnostic::counted(summary.points, "point"),
            request.output.display()
        ));
        if let Some(budget) = &request.budget {
            say(format!("budget in {}", budget.display()));
        }
        if let Some(csv) = &request.csv {
            say(format!("table in {}", csv.display()));
        }
    }
}
