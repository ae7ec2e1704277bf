//! `phasemill export`: results by open standards.

use std::path::PathBuf;

use phasemill_engine::export::{CrateOptions, ExportError, Notation, write_crate, write_prov};
use phasemill_engine::lineage::{Chosen, Entry};
use phasemill_engine::rerun::Source;
use phasemill_engine::saved::Saved;
use phasemill_engine::verify::unfit;
use phasemill_stages::REGISTRY;

use super::{complain, say};
use crate::exit;
use crate::graph::{Graph, svg};

/// Arguments of `export`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file
    results: PathBuf,
    #[command(flatten)]
    targets: Targets,
    /// Copy the recordings into the crate as well, so that it can be verified anywhere
    #[arg(long, requires = "crate_folder")]
    include_recordings: bool,
    /// A further file for the crate that was made from the results: a table, a text, another plot
    #[arg(long, value_name = "FILE", requires = "crate_folder")]
    add: Vec<PathBuf>,
    /// The licence of the crate: a URL, or words
    #[arg(long, value_name = "LICENCE", requires = "crate_folder")]
    licence: Option<String>,
    /// The author of the crate
    #[arg(long, value_name = "NAME", requires = "crate_folder")]
    author: Option<String>,
    /// The organization of the author, which publishes the crate
    #[arg(long, value_name = "NAME", requires = "crate_folder")]
    organization: Option<String>,
    /// The address (URL) of the organization
    #[arg(long, value_name = "URL", requires = "organization")]
    organization_url: Option<String>,
    /// Look in this folder for recordings that were moved; they are known by the hash of their samples
    #[arg(long = "in", value_name = "FOLDER", requires = "crate_folder")]
    folders: Vec<PathBuf>,
    /// Keep the user's name and paths, which otherwise do not leave
    #[arg(long)]
    with_names: bool,
    /// Replace existing files; an existing crate is never replaced
    #[arg(long)]
    overwrite: bool,
}

/// What to write: at least one of these.
#[derive(clap::Args)]
#[group(required = true, multiple = true)]
struct Targets {
    /// Write the lineage as W3C PROV in JSON
    #[arg(long, value_name = "FILE")]
    prov_json: Option<PathBuf>,
    /// Write the lineage as W3C PROV in the notation for people
    #[arg(long, value_name = "FILE")]
    prov_n: Option<PathBuf>,
    /// Write the run as an RO-Crate into a new folder
    #[arg(long = "crate", value_name = "FOLDER")]
    crate_folder: Option<PathBuf>,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match exported(arguments) {
        Ok(()) => exit::DONE,
        Err(error) => {
            complain(format!("error: {error}"));
            exit::REJECTED
        }
    }
}

fn exported(arguments: &Arguments) -> Result<(), ExportError> {
    let saved = Saved::open(&arguments.results)?;
    let everything: Vec<Chosen<'_>> = saved
        .lineage()
        .entries
        .iter()
        .flat_map(Entry::everything)
        .collect();
    let unfit = unfit(&saved.record, &everything);
    let unfit: Vec<String> = unfit.iter().map(ToString::to_string).collect();
    for problem in &unfit {
        complain(format!("warning: {problem}; `phasemill verify` says more"));
    }
    let targets = &arguments.targets;
    for (target, notation) in [
        (&targets.prov_json, Notation::Json),
        (&targets.prov_n, Notation::N),
    ] {
        if let Some(target) = target {
            let (names, overwrite) = (arguments.with_names, arguments.overwrite);
            write_prov(&saved, notation, names, target, overwrite)?;
            say(format!("lineage in {}", target.display()));
        }
    }
    if let Some(target) = &targets.crate_folder {
        let source = Source {
            registry: &REGISTRY,
            folders: &arguments.folders,
        };
        let entry = saved.lineage().entries.first();
        let diagram = entry.map(|entry| svg(&Graph::whole(entry), &entry.title));
        let options = CrateOptions {
            include_recordings: arguments.include_recordings,
            with_names: arguments.with_names,
            licence: arguments.licence.as_deref(),
            author: arguments.author.as_deref(),
            organization: arguments.organization.as_deref(),
            organization_url: arguments.organization_url.as_deref(),
            add: &arguments.add,
            diagram: diagram.as_deref(),
            warnings: &unfit,
        };
        write_crate(&saved, &source, &options, target)?;
        say(format!("crate in {}", target.display()));
    }
    Ok(())
}
