//! `phasemill catalogue`: an index of the results of a lab, and what can be asked of it.

mod ask;
mod only;
mod rerun;
mod show;

use std::path::PathBuf;

use clap::Subcommand;
use phasemill_engine::index::{Added, Index, IndexError, Scan};

use super::{complain, say};
use crate::exit;

/// Where the index is when nobody says.
const DEFAULT: &str = "phasemill-catalogue.sqlite";
/// The environment variable that may say so.
const VARIABLE: &str = "PHASEMILL_CATALOGUE";

/// Arguments of `catalogue`.
#[derive(clap::Args)]
pub struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// The index; by default what PHASEMILL_CATALOGUE names, or else phasemill-catalogue.sqlite here
    #[arg(long, value_name = "FILE", global = true)]
    index: Option<PathBuf>,
}

#[derive(Subcommand)]
enum Command {
    /// Take in result files, and all that are in folders
    #[command(after_help = "Example: phasemill catalogue add results/")]
    Add {
        /// Result files, or folders with them
        #[arg(required = true)]
        paths: Vec<PathBuf>,
    },
    /// Make the index anew from the result files
    #[command(after_help = "Example: phasemill catalogue rebuild results/")]
    Rebuild {
        /// Result files, or folders with them; by default those that the old index was made from
        paths: Vec<PathBuf>,
    },
    /// List the runs that are known, and which supersede which
    #[command(after_help = "Example: phasemill catalogue list")]
    List(ask::Listing),
    /// Show the results that used a recording, a constant or a kernel
    #[command(after_help = "Example: phasemill catalogue uses --constant gain=\"1.000e6 V/A\"")]
    Uses(ask::Usage),
    /// Show who used a recipe, in which version
    #[command(after_help = "Example: phasemill catalogue recipe chopped-light.ron")]
    Recipe(ask::OfRecipe),
    /// Find a printed number: the outputs that round to it
    #[command(after_help = "Example: phasemill catalogue find \"3.42(5) nA\" --at \"540 nm\"")]
    Find(ask::Search),
    /// Show the results that no longer hold: by a corrected constant, a raised kernel, a changed recording
    #[command(
        after_help = "Example: phasemill catalogue stale --corrected gain \"1.000e6 V/A\" \"1.012e6 V/A\""
    )]
    Stale(rerun::Staleness),
    /// Run all again that no longer holds; the old results stay, and the new ones say what they supersede
    #[command(
        after_help = "Example: phasemill catalogue rerun --corrected gain \"1.000e6 V/A\" \"1.012e6 V/A\" --of-wiring our-bench.ron --below results/film"
    )]
    Rerun(rerun::Again),
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let variable = || std::env::var_os(VARIABLE).filter(|v| !v.is_empty());
    let named = arguments
        .index
        .clone()
        .or_else(|| variable().map(PathBuf::from));
    let path = named.unwrap_or_else(|| DEFAULT.into());
    let done = match &arguments.command {
        Command::Add { paths } => Index::open(&path).and_then(|mut i| Ok(report(&i.scan(paths)?))),
        Command::Rebuild { paths } => rebuild(&path, paths),
        Command::List(a) => Index::existing(&path).and_then(|i| ask::list(&i, a)),
        Command::Uses(a) => Index::existing(&path).and_then(|i| ask::uses(&i, a)),
        Command::Recipe(a) => Index::existing(&path).and_then(|i| ask::recipe(&i, a)),
        Command::Find(a) => Index::existing(&path).and_then(|i| ask::find(&i, a)),
        Command::Stale(a) => Index::existing(&path).and_then(|i| rerun::stale(&i, a)),
        Command::Rerun(a) => Index::existing(&path).and_then(|mut i| rerun::again(&mut i, a)),
    };
    done.unwrap_or_else(|error| {
        complain(format!("error: {error}"));
        exit::REJECTED
    })
}

fn rebuild(path: &std::path::Path, paths: &[PathBuf]) -> Result<u8, IndexError> {
    let (mut index, known) = Index::anew(path)?;
    let paths = match paths {
        [] => known,
        given => given.to_vec(),
    };
    if paths.is_empty() {
        complain(
            "error: expected folders to look through, since the old index names none, found none; name them, as in `phasemill catalogue rebuild results/`",
        );
        return Ok(exit::REJECTED);
    }
    Ok(report(&index.scan(&paths)?))
}

/// Tells what a look through files and folders gave.
fn report(scan: &Scan) -> u8 {
    let count = |what: fn(&Added) -> bool| scan.added.iter().filter(|(_, a)| what(a)).count();
    for (path, added) in &scan.added {
        let path = show::short(path);
        match added {
            Added::Moved(from) => say(format!("moved: {path}, from {}", show::short(from))),
            Added::Copy(of) => say(format!("copy: {path}, of {}", show::short(of))),
            Added::Replaced => say(format!("replaced: {path} holds other results now")),
            Added::New | Added::Known => {}
        }
    }
    for path in &scan.gone {
        say(format!("gone: {}", show::short(path)));
    }
    for (_, error) in &scan.broken {
        complain(format!("failed: {error}"));
    }
    let new = scan.added.len() - count(|a| *a == Added::Known);
    let mut line = format!(
        "{new} taken in, {} known already",
        count(|a| *a == Added::Known)
    );
    if scan.others > 0 {
        line += &format!(", {} other HDF5 files without results", scan.others);
    }
    if !scan.broken.is_empty() {
        line += &format!(", {} that could not be read", scan.broken.len());
    }
    say(line);
    match (scan.broken.is_empty(), scan.added.is_empty()) {
        (true, _) => exit::DONE,
        (false, true) => exit::REJECTED,
        (false, false) => exit::FAILED,
    }
}
