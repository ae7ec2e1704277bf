//! A whole comparison: one run over the recordings, and what it comes to.

use std::path::PathBuf;

use super::expand::{Expanded, Words};
use super::report::{Comparison, Need};
use super::{CompareError, judge, table};
use crate::lineage::Compared;
use crate::recipe::Wiring;
use crate::run::{Job, Monitor, Outcome};
use crate::session::{self, Comparing, RunError, Summary, fill_with, keep_what_is_read};
use crate::store::ResultWriter;
use crate::table::CsvFile;

/// What is asked of a comparison.
pub struct Request<'r> {
    /// The chains.
    pub expanded: &'r Expanded,
    /// How they are compared.
    pub words: &'r Words,
    /// The wiring.
    pub wiring: &'r Wiring,
    /// The recordings.
    pub recordings: Vec<PathBuf>,
    /// Further recordings by the name that the recipes use.
    pub with: Vec<(String, PathBuf)>,
    /// The result file; `None` where nothing is to be kept.
    pub output: Option<PathBuf>,
    /// Where a table goes.
    pub csv: Option<PathBuf>,
    /// Whether existing files may be replaced.
    pub overwrite: bool,
    /// What is asked of a chain.
    pub need: Option<Need>,
    /// Threads; 0 means one per core. Results do not depend on it.
    pub threads: usize,
    /// Who runs it, to be put on record.
    pub operator: Option<String>,
    /// The texts of the recipes, which no output may replace.
    pub also_read: Vec<PathBuf>,
}

/// What a comparison gave.
pub struct Done {
    /// What was run.
    pub summary: Summary,
    /// By the name of the entry.
    pub comparisons: Vec<(String, Comparison)>,
}

/// Runs all chains over the recordings and compares them.
///
/// # Errors
/// [`CompareError::Run`] when nothing could be run; what fails at single points is in the summary.
pub fn run(request: &Request<'_>, monitor: &Monitor) -> Result<Done, CompareError> {
    let mut writer = match &request.output {
        Some(output) => ResultWriter::create(output, request.overwrite),
        None => ResultWriter::scratch(),
    }
    .map_err(RunError::from)?;
    let asked = session::Request {
        recipe: &request.expanded.recipe,
        wiring: request.wiring,
        recordings: request.recordings.clone(),
        with: request.with.clone(),
        only: None,
        output: writer.place(),
        overwrite: request.overwrite,
        csv: request.csv.clone(),
        budget: None,
        draws: None,
        threads: request.threads,
        strict: false,
        operator: request.operator.clone(),
        supersedes: None,
    };
    keep_what_is_read(&asked, &request.also_read)?;
    let csv = request.csv.as_deref();
    let csv = csv.map(|path| CsvFile::create(path, request.overwrite));
    let mut csv = csv.transpose().map_err(RunError::from)?;
    let mut comparisons = Vec::new();
    let compared = request.expanded.chains.iter().map(|c| Compared {
        name: c.name.clone(),
        said: c.said.clone(),
        output: c.answer.clone(),
    });
    let chains = &request.expanded.chains;
    let mut each = |writer: &mut ResultWriter, name: &str, job: &Job<'_>, outcome: &Outcome| {
        let found = judge::compare(job, outcome, chains, request.words, request.need);
        writer.comparison(name, &found)?;
        comparisons.push((name.to_owned(), found));
        Ok(())
    };
    let comparing = Comparing {
        compared: compared.collect(),
        each: &mut each,
    };
    let filled = fill_with(&mut writer, &asked, None, monitor, Some(comparing))?;
    if let Some(file) = &mut csv {
        file.write(&table::table(&comparisons))
            .map_err(RunError::from)?;
    }
    match &request.output {
        Some(_) => writer.finish().map_err(RunError::from)?,
        None => drop(writer),
    }
    if let Some(file) = csv {
        file.publish().map_err(RunError::from)?;
    }
    Ok(Done {
        summary: filled.summary,
        comparisons,
    })
}
