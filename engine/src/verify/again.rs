//! Computes an entry again and compares every number.

use super::recordings::Found;
use super::texts::Texts;
use super::{Options, Problem, differing};
use crate::diagnostic::Diagnostics;
use crate::lineage::{Entry, Node, Output, Record, keys};
use crate::run::{Draws, Job, Monitor};
use crate::session::{Filled, Request, RunError, fill};
use crate::store::{Digest, ResultWriter, Scratch};

/// An entry that was computed again.
pub(crate) struct Again {
    /// What the run says of it.
    pub filled: Filled,
    /// Its numbers.
    pub scratch: Scratch,
}

/// Runs a recipe over the recordings of one entry, into a file that goes away; at one point alone where that is given
/// and no stage needs others.
pub(crate) fn run(
    texts: &Texts,
    main: Vec<std::path::PathBuf>,
    with: Vec<(String, std::path::PathBuf)>,
    only: Option<u64>,
    draws: Option<Draws>,
    threads: usize,
    monitor: &Monitor,
) -> Result<Again, RunError> {
    let mut writer = ResultWriter::scratch()?;
    let request = Request {
        recipe: &texts.recipe,
        wiring: &texts.wiring,
        recordings: main,
        with,
        only,
        output: writer.place(),
        overwrite: false,
        csv: None,
        budget: None,
        draws,
        threads,
        strict: false,
        operator: None,
        supersedes: None,
    };
    let filled = fill(&mut writer, &request, monitor)?;
    Ok(Again {
        filled,
        scratch: writer.into_scratch()?,
    })
}

/// An entry that is to be compared with what its texts and recordings give now.
pub(super) struct Twice<'t> {
    pub record: &'t Record,
    pub entry: &'t Entry,
    pub texts: &'t Texts,
    pub found: &'t Found,
}

impl Twice<'_> {
    /// Computes the entry again and compares keys and contents.
    pub fn compare<'d>(
        &self,
        options: &Options<'_>,
        monitor: &Monitor,
        digest_of: impl Fn(&Output) -> Option<&'d Digest>,
        problems: &mut Vec<Problem>,
    ) {
        let entry = self.entry;
        let (main, with) = (self.found.main(), self.found.with());
        let draws = self.record.lineage.draws;
        let draws = draws.map(|(trials, seed)| Draws { trials, seed });
        let again = match run(
            self.texts,
            main,
            with,
            None,
            draws,
            options.threads,
            monitor,
        ) {
            Ok(again) => again,
            Err(error) => {
                let problem = match error {
                    RunError::Interrupted => Problem::unchecked("stopped by the user"),
                    RunError::Store(error) => Problem::unchecked(error.to_string()),
                    error => Problem::differs(format!("cannot be computed again: {error}")),
                };
                return problems.push(problem.of(entry));
            }
        };
        let Some(now) = again.filled.lineage.entries.first() else {
            let failures = again
                .filled
                .summary
                .entries
                .iter()
                .flat_map(|e| &e.failures);
            let why: Vec<String> = failures.map(ToString::to_string).collect();
            let message = format!("cannot be computed again: {}", why.join("; "));
            return problems.push(Problem::differs(message).of(entry));
        };
        let scratch = match Record::open(again.scratch.path()) {
            Ok(scratch) => scratch,
            Err(error) => return problems.push(Problem::unchecked(error.to_string()).of(entry)),
        };
        self.chains(&scratch, now, problems);
        for output in &entry.outputs {
            // What another version of a kernel made cannot be compared, which was said.
            if entry
                .chain(output)
                .iter()
                .any(|n| self.is_of_another_version(n))
            {
                continue;
            }
            // What cannot be read was said.
            if let Some(old) = digest_of(output) {
                self.output(&scratch, now, output, old, problems);
            }
        }
    }

    /// Compares what is stored of an output with what comes out.
    fn output(
        &self,
        scratch: &Record,
        now: &Entry,
        output: &Output,
        old: &Digest,
        problems: &mut Vec<Problem>,
    ) {
        let mut report =
            |problem: Problem| problems.push(problem.at_output(self.entry, &output.name));
        let Some(new) = now.outputs.iter().find(|o| o.name == output.name) else {
            return report(Problem::differs("it is not computed any more"));
        };
        let is_first = self.record.lineage.version == 1;
        if !is_first && old.content() == new.content {
            return;
        }
        let spot = self.record.file.difference(
            (&self.entry.name, &output.name),
            &scratch.file,
            (&now.name, &new.name),
            output.points,
        );
        match spot {
            // All that is there comes out; a newer program may write more beside it.
            Ok(None) => {}
            Ok(Some(spot)) => {
                let why = reason(now, spot.point);
                let table = scratch.contents(&now.name, &new.name).unwrap_or_default();
                let problem = Problem::differs(format!("{}{why}", spot.message));
                report(Problem {
                    point: spot.point,
                    points: match spot.point {
                        Some(_) => differing(&old.points, &table),
                        None => Vec::new(),
                    },
                    sample: spot.sample,
                    ..problem
                });
            }
            Err(error) => report(Problem::differs(error.to_string())),
        }
    }

    /// Whether a node was made by a kernel of another version than the present one.
    fn is_of_another_version(&self, node: &Node) -> bool {
        let mut stages = self.texts.recipe.stages.iter();
        let stage = stages.find(|s| s.name.text == node.name);
        stage.is_some_and(|s| s.stage.numeric_version() != node.numeric_version)
    }

    /// Finds the first nodes whose keys differ, and says why.
    fn chains(&self, scratch: &Record, now: &Entry, problems: &mut Vec<Problem>) {
        let entry = self.entry;
        let first = self.first_keys(scratch, now);
        let key_of = |node: &Node| match &first {
            Some(keys) => {
                let key = keys.iter().find(|(name, _)| *name == node.name);
                key.map(|(_, k)| k.clone())
            }
            None => now.node(&node.name).map(|n| n.key.clone()),
        };
        let mut parted: Vec<&str> = Vec::new();
        for node in &entry.nodes {
            if key_of(node).as_ref() == Some(&node.key) {
                continue;
            }
            let mut reads = node.reads.iter().map(|r| crate::graph::split(r).0);
            let behind = reads.any(|r| parted.contains(&r));
            parted.push(&node.name);
            // What lies behind the first one differs for its sake.
            if behind || self.is_of_another_version(node) {
                continue;
            }
            let samples = |record: &Record, entry: &Entry| {
                record.samples(&entry.name, &node.name).unwrap_or_default()
            };
            let (was, is) = (samples(self.record, entry), samples(scratch, now));
            let points = differing(&was, &is);
            let problem = match (&node.input, points.is_empty()) {
                (Some(_), false) => {
                    Problem::differs("its samples are not those that were used").at_points(points)
                }
                _ => Problem::differs("from here on the derivation differs"),
            };
            problems.push(problem.at_node(entry, &node.name));
        }
    }

    /// Keys as version 1 made them, where the record is of that version.
    fn first_keys(&self, scratch: &Record, now: &Entry) -> Option<Vec<(String, String)>> {
        if self.record.lineage.version != 1 {
            return None;
        }
        let sets = self.found.sets(self.texts);
        let job = Job::new(&self.texts.recipe, sets, &mut Diagnostics::default())?;
        let samples = |input: usize| {
            let table = scratch.samples(&now.name, &job.plan.names[input]);
            crate::lineage::in_digits(&table.unwrap_or_default())
        };
        let keys = keys(&job, 1, samples);
        let digits = |k: &Option<blake3::Hash>| k.map(|k| k.to_hex().to_string());
        let names = job.plan.names.iter().cloned();
        let keys = keys.iter().map(|k| digits(k).unwrap_or_default());
        Some(names.zip(keys).collect())
    }
}

/// What failed at a point this time.
fn reason(now: &Entry, point: Option<u64>) -> String {
    let Some(point) = point else {
        return String::new();
    };
    let here = |f: &&String| {
        f.contains(&format!("point {point}:")) || f.contains(&format!("point {point},"))
    };
    match now.failures.iter().find(here) {
        Some(failure) => format!("; computed again it failed: {failure}"),
        None => String::new(),
    }
}
