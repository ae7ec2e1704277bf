//! A whole run: recordings in, one result file out.

use std::collections::BTreeSet;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use crate::cache::Cache;
use crate::diagnostic::{Diagnostic, Diagnostics, Severity, counted};
use crate::lineage::{self, Compared, LeftOut, Lineage, Made};
use crate::recipe::{Recipe, Wiring};
use crate::recordings::{RecordingSet, is_sweep_of_files};
use crate::results;
use crate::run::{Draws, Finding, Job, Monitor, Outcome, Sink, copies, each, on_threads};
use crate::saved::Supersedes;
use crate::store::{ResultWriter, StoreError};
use crate::table::{CsvFile, Table};
use crate::units::Unit;

/// What a run is asked to do.
pub struct Request<'r> {
    /// The recipe, parsed without errors.
    pub recipe: &'r Recipe,
    /// The wiring; an empty one for recordings that describe themselves.
    pub wiring: &'r Wiring,
    /// The recordings: points of one sweep if the wiring says so, or else each by itself.
    pub recordings: Vec<PathBuf>,
    /// Further recordings by the name that the recipe uses.
    pub with: Vec<(String, PathBuf)>,
    /// The point, counted from 0, that alone is computed where no stage needs others.
    pub only: Option<u64>,
    /// The result file.
    pub output: PathBuf,
    /// Whether an existing result file may be replaced.
    pub overwrite: bool,
    /// Where a table of all estimates goes.
    pub csv: Option<PathBuf>,
    /// Where a table of what the uncertainties are made of goes.
    pub budget: Option<PathBuf>,
    /// Trials to draw intervals from, as a check of those that are computed.
    pub draws: Option<Draws>,
    /// Threads; 0 means one per core. Results do not depend on it.
    pub threads: usize,
    /// Whether warnings of the check reject a recording.
    pub strict: bool,
    /// Who runs it, to be put on record; `None` for an anonymous run.
    pub operator: Option<String>,
    /// Older results that these take the place of.
    pub supersedes: Option<Supersedes>,
}

/// What a run did.
#[derive(Debug, Default)]
pub struct Summary {
    /// One per recording.
    pub entries: Vec<EntrySummary>,
    /// Recordings that fell out, each with the reason.
    pub left_out: Vec<LeftOut>,
    /// Points of the others.
    pub points: u64,
    /// Points at which something failed.
    pub failed_points: u64,
}

/// What a run did with one recording.
#[derive(Debug)]
pub struct EntrySummary {
    /// Name of the group in the result file.
    pub name: String,
    /// Warnings of the check; its errors, where it was rejected.
    pub diagnostics: Diagnostics,
    /// What failed.
    pub failures: Vec<Finding>,
    /// What to remark on.
    pub remarks: Vec<Finding>,
    /// Lines that sum up each kept estimate.
    pub answers: Vec<String>,
    /// The first kept estimate of a sweep.
    pub sweep: Option<Sweep>,
}

/// An estimate along the points of a sweep, in SI units.
#[derive(Clone, Debug, PartialEq)]
pub struct Sweep {
    /// Its name; of a complex one its amplitude is meant.
    pub name: String,
    /// Its unit.
    pub unit: Unit,
    /// Name and unit of the axis; empty where points are only numbered.
    pub axis: (String, String),
    /// Place on the axis in its unit, or number of the point, and value there; NaN where there is none.
    pub points: Vec<(f64, f64)>,
}

/// Why a run gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The recipe or the wiring is rejected.
    #[error("{0}")]
    Rejected(Diagnostics),
    /// No recording could be used.
    #[error("{}", nothing_usable(.0))]
    NothingUsable(Vec<EntrySummary>),
    /// The files named do not fit the recipe or each other.
    #[error("{0}")]
    Files(String),
    /// The output cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The threads could not be started.
    #[error("cannot start the threads: {0}")]
    Threads(String),
    /// The user stopped the run.
    #[error("stopped; nothing was written")]
    Interrupted,
}

/// What failed of each recording; what is wrong with their headers is in their diagnostics.
fn nothing_usable(entries: &[EntrySummary]) -> String {
    let lines = entries.iter().flat_map(|e| &e.failures);
    let lines: String = lines.map(|f| format!("\n  {f}")).collect();
    format!("no recording could be used:{lines}")
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.recording.is_empty() {
            write!(f, "{}, ", self.recording)?;
        }
        if let Some(point) = self.point {
            write!(f, "point {point}")?;
            f.write_str(if self.node.is_empty() { ": " } else { ", " })?;
        }
        f.write_str(&self.without_point())
    }
}

/// Opens the recordings of one entry: the main one and those that the recipe combines it with.
pub fn open_sets(
    recipe: &Recipe,
    wiring: &Wiring,
    main: &[PathBuf],
    with: &[(String, PathBuf)],
) -> Vec<RecordingSet> {
    let mut sets = vec![RecordingSet::open("", main, recipe, wiring)];
    sets.extend(
        with.iter().map(|(name, path)| {
            RecordingSet::open(name, std::slice::from_ref(path), recipe, wiring)
        }),
    );
    sets
}

/// Checks that each recording that the recipe names is given, and no other.
pub fn check_recordings(recipe: &Recipe, with: &[(String, PathBuf)]) -> Result<(), RunError> {
    let mut named: Vec<&str> = recipe
        .inputs
        .iter()
        .map(|i| i.recording.as_str())
        .filter(|n| !n.is_empty())
        .collect();
    named.sort_unstable();
    named.dedup();
    for name in &named {
        if !with.iter().any(|(n, _)| n == name) {
            let message =
                format!("the recipe needs a recording `{name}`; give it with `--with {name}=FILE`");
            return Err(RunError::Files(message));
        }
    }
    for (name, _) in with {
        if !named.contains(&name.as_str()) {
            let message = match named.is_empty() {
                true => {
                    format!("the recipe names no recording `{name}`; leave `--with {name}=...` out")
                }
                false => format!(
                    "the recipe names no recording `{name}`; it names {}",
                    named.join(", ")
                ),
            };
            return Err(RunError::Files(message));
        }
    }
    Ok(())
}

/// What a run reads never changes: an output that would replace it is refused, and so are two outputs
/// of one name. `also` is read besides what the request names.
pub(crate) fn keep_what_is_read(request: &Request<'_>, also: &[PathBuf]) -> Result<(), RunError> {
    let texts = std::iter::once(&request.recipe.source).chain(&request.wiring.source);
    let texts: Vec<PathBuf> = texts.map(|s| PathBuf::from(&s.name)).collect();
    let with = request.with.iter().map(|(_, path)| path);
    let read: Vec<PathBuf> = request
        .recordings
        .iter()
        .chain(with)
        .chain(&texts)
        .chain(also)
        .map(|p| resolved(p))
        .collect();
    let outputs = [
        ("the result file", Some(&request.output)),
        ("the table of estimates", request.csv.as_ref()),
        ("the table of budgets", request.budget.as_ref()),
    ];
    let mut written: Vec<(&str, PathBuf)> = Vec::new();
    for (what, given) in outputs.into_iter().filter_map(|(what, p)| Some((what, p?))) {
        let path = resolved(given);
        if let Some((other, _)) = written.iter().find(|(_, p)| *p == path) {
            let message = format!(
                "{other} and {what} have one name, {}; choose another for one of them",
                given.display()
            );
            return Err(RunError::Files(message));
        }
        written.push((what, path));
    }
    for (_, path) in &written {
        if read.contains(path) {
            let message = format!("the output would replace {}, which is read", path.display());
            return Err(RunError::Files(format!("{message}; choose another name")));
        }
    }
    Ok(())
}

/// A path without links and detours, also of a file that does not exist yet.
fn resolved(path: &Path) -> PathBuf {
    let folder = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    path.canonicalize()
        .or_else(|_| {
            Ok(folder
                .canonicalize()?
                .join(path.file_name().unwrap_or_default()))
        })
        .unwrap_or_else(|_: std::io::Error| path.into())
}

/// Groups the recordings into entries: one sweep, or one entry each.
pub fn group(wiring: &Wiring, recordings: &[PathBuf]) -> Vec<(String, Vec<PathBuf>)> {
    let name = |path: &Path| {
        let stem = path.file_stem().map_or("entry".into(), |s| {
            s.to_string_lossy().replace(['/', '.'], "_")
        });
        // The result file keeps its texts, and what a comparison found, under these names.
        match stem.as_str() {
            "provenance" | "comparison" => format!("{stem}_1"),
            _ => stem,
        }
    };
    if is_sweep_of_files(wiring) {
        let first = recordings.first().map_or("entry".into(), |p| name(p));
        return vec![(first, recordings.to_vec())];
    }
    let mut taken = BTreeSet::new();
    let mut entry = |path: &PathBuf| {
        let stem = name(path);
        let others = (2..).map(|k| format!("{stem}_{k}"));
        let mut names = std::iter::once(stem.clone()).chain(others);
        let entry = names.find(|n| taken.insert(n.clone())).unwrap_or(stem);
        (entry, vec![path.clone()])
    };
    recordings.iter().map(&mut entry).collect()
}

/// Runs a recipe over recordings and writes the result file.
pub fn run(request: &Request<'_>, monitor: &Monitor) -> Result<Summary, RunError> {
    run_with(request, None, monitor)
}

/// The same with a cache of intermediate results.
pub fn run_with(
    request: &Request<'_>,
    cache: Option<&Cache>,
    monitor: &Monitor,
) -> Result<Summary, RunError> {
    keep_what_is_read(request, &[])?;
    let mut writer = ResultWriter::create(&request.output, request.overwrite)?;
    let file = |path: &Option<PathBuf>| {
        let file = path
            .as_deref()
            .map(|p| CsvFile::create(p, request.overwrite));
        file.transpose()
    };
    let files = [file(&request.csv)?, file(&request.budget)?];
    let done = fill_with(&mut writer, request, cache, monitor, None)?;
    // All are complete before any gets its name.
    let mut files: Vec<(CsvFile, Table)> = files
        .into_iter()
        .zip(done.tables)
        .filter_map(|(file, table)| Some((file?, table)))
        .collect();
    for (file, table) in &mut files {
        file.write(table)?;
    }
    writer.finish()?;
    for (file, _) in files {
        file.publish()?;
    }
    Ok(done.summary)
}

/// What [`fill`] left beside the file.
pub struct Filled {
    /// What was done.
    pub summary: Summary,
    /// Estimates, and what their uncertainties are made of; empty where they are not asked for.
    pub tables: [Table; 2],
    /// The record.
    pub lineage: Lineage,
}

/// What a comparison adds to a run.
pub(crate) struct Comparing<'c> {
    /// What is compared, for the record.
    pub compared: Vec<Compared>,
    /// Called for every entry when its results are written, before the file is sealed.
    pub each: &'c mut CompareEntry<'c>,
}

/// Writes what there is to say of an entry, given by its name.
pub(crate) type CompareEntry<'c> =
    dyn FnMut(&mut ResultWriter, &str, &Job<'_>, &Outcome) -> Result<(), StoreError> + 'c;

/// Runs a recipe over recordings and fills a result file, which does not yet have its name.
pub fn fill(
    writer: &mut ResultWriter,
    request: &Request<'_>,
    monitor: &Monitor,
) -> Result<Filled, RunError> {
    fill_with(writer, request, None, monitor, None)
}

/// The same with a cache of intermediate results, and with a comparison of what comes out.
pub(crate) fn fill_with(
    writer: &mut ResultWriter,
    request: &Request<'_>,
    cache: Option<&Cache>,
    monitor: &Monitor,
    mut comparing: Option<Comparing<'_>>,
) -> Result<Filled, RunError> {
    check_recordings(request.recipe, &request.with)?;
    let began = lineage::now();
    let (mut jobs, mut rejected) = prepare(request)?;
    for (_, job, _) in &mut jobs {
        job.cache = cache.map(|cache| cache.attach(job));
    }
    monitor.total.store(
        jobs.iter().map(|(_, job, _)| job.work()).sum(),
        Ordering::Relaxed,
    );
    let points = |(_, job, _): &(String, Job<'_>, Diagnostics)| job.points();
    monitor
        .points
        .store(jobs.iter().map(points).sum(), Ordering::Relaxed);
    let mut all_sinks = Vec::new();
    for (name, job, _) in &jobs {
        all_sinks.push(results::open(writer, name, job)?);
    }
    let work: Vec<(&Job<'_>, &Vec<Sink>)> =
        jobs.iter().map(|(_, job, _)| job).zip(&all_sinks).collect();
    let mut outcomes: Vec<Outcome> = on_threads(request.threads, || {
        each(&work, |(job, sinks)| job.run(sinks, request.draws, monitor))
    })
    .map_err(|e| RunError::Threads(e.to_string()))?;
    drop(all_sinks);
    if outcomes.iter().any(|o| o.interrupted) || monitor.stop.load(Ordering::Relaxed) {
        return Err(RunError::Interrupted);
    }
    let named: Vec<(&str, &Job<'_>)> = jobs.iter().map(|(n, job, _)| (n.as_str(), job)).collect();
    copies::remark(&named, &mut outcomes);
    let mut summary = Summary::default();
    let mut made = Made {
        request,
        began,
        compared: match &mut comparing {
            Some(comparing) => std::mem::take(&mut comparing.compared),
            None => Vec::new(),
        },
        left_out: left_out(request, &rejected),
        entries: Vec::new(),
    };
    let [mut estimates, mut budgets] = [Table::default(), Table::default()];
    for ((name, job, diagnostics), outcome) in jobs.iter().zip(&outcomes) {
        results::write(writer, name, job, outcome)?;
        if let Some(comparing) = &mut comparing {
            (comparing.each)(writer, name, job, outcome)?;
        }
        if request.csv.is_some() {
            estimates.add_estimates(name, job, outcome);
        }
        if request.budget.is_some() {
            budgets.add_budgets(name, job, outcome);
        }
        made.entries.push((name, job, outcome, diagnostics));
        summary.add(name, job, outcome, diagnostics.clone());
        if let (Some(entry), true) = (summary.entries.last_mut(), request.draws.is_some()) {
            entry.answers.extend(results::compared(job, outcome));
        }
    }
    results::write_texts(writer, request.recipe, request.wiring, &jobs)?;
    let timings = monitor.timings.shares();
    // Before the seal, which covers it.
    if let Some(supersedes) = &request.supersedes {
        results::write_supersedes(writer, supersedes)?;
    }
    // The time takes no part in what is sealed.
    results::write_timings(writer, &timings)?;
    let lineage = lineage::seal(writer, &made)?;
    if monitor.stop.load(Ordering::Relaxed) {
        return Err(RunError::Interrupted);
    }
    summary.left_out = made.left_out;
    summary.entries.append(&mut rejected);
    Ok(Filled {
        summary,
        tables: [estimates, budgets],
        lineage,
    })
}

type Prepared<'r> = (Vec<(String, Job<'r>, Diagnostics)>, Vec<EntrySummary>);

/// Opens and checks every entry. What is wrong with one does not stop the others; when all are wrong
/// for the same kind of reason the run is rejected.
fn prepare<'r>(request: &Request<'r>) -> Result<Prepared<'r>, RunError> {
    let mut jobs = Vec::new();
    let mut rejected: Vec<EntrySummary> = Vec::new();
    let mut faults = Diagnostics::default();
    for (name, paths) in group(request.wiring, &request.recordings) {
        let sets = open_sets(request.recipe, request.wiring, &paths, &request.with);
        if sets.iter().any(RecordingSet::is_unusable) {
            let mut entry = EntrySummary::unusable(name, &sets);
            let roles = &mut entry.diagnostics;
            request.wiring.check_roles(request.recipe, roles);
            rejected.push(entry);
            continue;
        }
        let mut diagnostics = Diagnostics::default();
        request.wiring.check_roles(request.recipe, &mut diagnostics);
        let mut job = Job::new(request.recipe, sets, &mut diagnostics);
        if let Some(point) = request.only {
            job = job.map(|job| alone(job, point)).transpose()?;
        }
        match job.filter(|_| !request.strict || diagnostics.is_empty()) {
            Some(job) => jobs.push((name, job, diagnostics.sorted())),
            None => {
                let diagnostics = diagnostics.sorted();
                faults.extend(diagnostics.clone());
                let message = "the recipe does not fit this recording".to_owned();
                let failure = Finding {
                    recording: String::new(),
                    point: None,
                    node: String::new(),
                    message,
                };
                rejected.push(EntrySummary {
                    name,
                    diagnostics,
                    failures: vec![failure],
                    remarks: Vec::new(),
                    answers: Vec::new(),
                    sweep: None,
                });
            }
        }
    }
    match (jobs.is_empty(), faults.is_empty()) {
        (true, false) => Err(RunError::Rejected(faults)),
        (true, true) => Err(RunError::NothingUsable(rejected)),
        _ => Ok((jobs, rejected)),
    }
}

/// The job at one point alone, where no stage needs others.
fn alone<'r>(job: Job<'r>, point: u64) -> Result<Job<'r>, RunError> {
    // One that nobody asks for would not fit a single point either.
    if job.need_all_points().contains(&true) {
        return Ok(job);
    }
    let (recipe, mut sets) = (job.recipe, job.sets);
    let points = sets.iter().map(|set| set.points().len()).max();
    if points.is_none_or(|points| points as u64 <= point) {
        return Err(RunError::Files(format!("there is no point {point}")));
    }
    sets.iter_mut().for_each(|set| set.keep(point as usize));
    let mut found = Diagnostics::default();
    Job::new(recipe, sets, &mut found).ok_or(RunError::Rejected(found))
}

/// What is put on record of recordings that could not be used.
fn left_out(request: &Request<'_>, rejected: &[EntrySummary]) -> Vec<LeftOut> {
    let groups = group(request.wiring, &request.recordings);
    let of = |entry: &EntrySummary| {
        let own = groups.iter().filter(|(name, _)| *name == entry.name);
        let failures = entry.failures.iter().map(ToString::to_string);
        let found = entry.diagnostics.iter();
        let found = found.filter(|d| d.severity == Severity::Error || request.strict);
        let found: Vec<String> = found.map(Diagnostic::in_a_line).collect();
        // What was found says more than that it was.
        let failures = failures.filter(|_| found.is_empty());
        LeftOut {
            name: entry.name.clone(),
            files: own
                .flat_map(|(_, paths)| paths)
                .map(|p| p.display().to_string())
                .collect(),
            why: failures.chain(found.iter().cloned()).collect(),
        }
    };
    rejected.iter().map(of).collect()
}

impl EntrySummary {
    fn unusable(name: String, sets: &[RecordingSet]) -> Self {
        let files = sets
            .iter()
            .flat_map(|s| s.files.iter().map(move |f| (&s.name, f)));
        let mut diagnostics = Diagnostics::default();
        let mut failures = Vec::new();
        for (set, file) in files {
            let Err(unusable) = &file.content else {
                continue;
            };
            let found = unusable.diagnostics();
            let message = match found.len() {
                0 => unusable.to_string(),
                n => format!(
                    "{}: {} in what its headers say",
                    file.path.display(),
                    counted(n as u64, "fault")
                ),
            };
            diagnostics.extend(found);
            failures.push(Finding {
                recording: set.clone(),
                point: None,
                node: String::new(),
                message,
            });
        }
        EntrySummary {
            name,
            diagnostics,
            failures,
            remarks: Vec::new(),
            answers: Vec::new(),
            sweep: None,
        }
    }
}

impl Summary {
    fn add(&mut self, name: &str, job: &Job<'_>, outcome: &Outcome, diagnostics: Diagnostics) {
        // Those of the recordings it is compared with are not what was asked for.
        let points = job.sets.first().map_or(0, |s| s.points().len());
        let here = outcome.failures.iter().filter(|f| f.recording.is_empty());
        let mut failed: Vec<Option<u64>> = here.map(|f| f.point).collect();
        failed.sort_unstable();
        failed.dedup();
        self.points += points as u64;
        self.failed_points += failed.len() as u64;
        self.entries.push(EntrySummary {
            name: name.into(),
            diagnostics,
            failures: outcome.failures.clone(),
            remarks: outcome.remarks.clone(),
            answers: results::answers(job, outcome),
            sweep: results::sweep(job, outcome),
        });
    }

    /// Whether anything failed.
    pub fn has_failures(&self) -> bool {
        self.entries.iter().any(|e| !e.failures.is_empty())
    }
}
