//! Computes an entry again and compares every number.

use super::recordings::Found;
use super::texts::Texts;
use super::{Options, Problem};
use crate::diagnostic::Diagnostics;
use crate::lineage::{Entry, Node, Output, Record, keys};
use crate::run::{Job, Monitor};
use crate::session::{Filled, Request, RunError, fill};
use crate::store::{Digest, ResultWriter, Scratch};

/// An entry that was computed again.
pub(crate) struct Again {
    /// What the run says of it.
    pub filled: Filled,
    /// Its numbers.
    pub scratch: Scratch,
}

/// Runs a recipe over the recordings of one entry, into a file that goes away.
pub(crate) fn run(
    texts: &Texts,
    main: Vec<std::path::PathBuf>,
    with: Vec<(String, std::path::PathBuf)>,
    threads: usize,
    monitor: &Monitor,
) -> Result<Again, RunError> {
    let mut writer = ResultWriter::scratch()?;
    let request = Request {
        recipe: &texts.recipe,
        wiring: &texts.wiring,
        recordings: main,
        with,
        output: writer.place(),
        overwrite: false,
        csv: None,
        threads,
        strict: false,
        operator: None,
    };
    let filled = fill(&mut writer, &request, monitor)?;
    Ok(Again {
        filled,
        scratch: writer.into_scratch()?,
    })
}

/// Computes an entry again and compares keys and contents.
#[allow(
    clippy::too_many_arguments,
    reason = "each is one of the things compared"
)]
pub(super) fn compute<'d>(
    record: &Record,
    entry: &Entry,
    texts: &Texts,
    found: &Found,
    options: &Options<'_>,
    monitor: &Monitor,
    digest_of: impl Fn(&Output) -> Option<&'d Digest>,
    problems: &mut Vec<Problem>,
) {
    let again = match run(texts, found.main(), found.with(), options.threads, monitor) {
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
        let why = failures
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("; ");
        return problems
            .push(Problem::differs(format!("cannot be computed again: {why}")).of(entry));
    };
    let scratch = match Record::open(again.scratch.path()) {
        Ok(scratch) => scratch,
        Err(error) => return problems.push(Problem::unchecked(error.to_string()).of(entry)),
    };
    let other: Vec<&str> = entry
        .nodes
        .iter()
        .filter(|n| is_of_another_version(texts, n))
        .map(|n| n.name.as_str())
        .collect();
    chains(
        record,
        entry,
        texts,
        found,
        (&scratch, now),
        &other,
        problems,
    );
    for output in &entry.outputs {
        // What another version of a kernel made cannot be compared, which was said.
        if entry
            .chain(output)
            .iter()
            .any(|n| other.contains(&n.name.as_str()))
        {
            continue;
        }
        let Some(new) = now.outputs.iter().find(|o| o.name == output.name) else {
            problems.push(
                Problem::differs("it is not computed any more").at_output(entry, &output.name),
            );
            continue;
        };
        // What cannot be read was said.
        let Some(old) = digest_of(output) else {
            continue;
        };
        if record.lineage.version > 1 && old.content() == new.content {
            continue;
        }
        let spot = record.file.difference(
            (&entry.name, &output.name),
            &scratch.file,
            (&now.name, &new.name),
            output.points,
        );
        match spot {
            Ok(None) if record.lineage.version == 1 => {}
            Ok(None) => problems.push(
                Problem::differs(
                    "its names, units, axes or attributes are not those that come out",
                )
                .at_output(entry, &output.name),
            ),
            Ok(Some(spot)) => {
                let why = reason(now, spot.point);
                let problem = Problem {
                    sample: spot.sample,
                    ..Problem::differs(format!("{}{why}", spot.message)).at_point(spot.point)
                };
                problems.push(problem.at_output(entry, &output.name));
            }
            Err(error) => {
                let problem = Problem::differs(error.to_string());
                problems.push(problem.at_output(entry, &output.name));
            }
        }
    }
}

/// Whether a node was made by a kernel of another version than the present one.
fn is_of_another_version(texts: &Texts, node: &Node) -> bool {
    let mut stages = texts.recipe.stages.iter();
    let stage = stages.find(|s| s.name.text == node.name);
    stage.is_some_and(|s| s.stage.numeric_version() != node.numeric_version)
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

/// Finds the first nodes whose keys differ, and says why.
fn chains(
    record: &Record,
    entry: &Entry,
    texts: &Texts,
    found: &Found,
    (scratch, now): (&Record, &Entry),
    other: &[&str],
    problems: &mut Vec<Problem>,
) {
    let first = first_keys(record, texts, found, (scratch, now));
    let key_of = |node: &Node| match &first {
        Some(keys) => keys
            .iter()
            .find(|(name, _)| *name == node.name)
            .map(|(_, k)| k.clone()),
        None => now.node(&node.name).map(|n| n.key.clone()),
    };
    let mut parted: Vec<&str> = Vec::new();
    for node in &entry.nodes {
        if key_of(node).as_ref() == Some(&node.key) {
            continue;
        }
        let behind = node
            .reads
            .iter()
            .any(|r| parted.contains(&crate::graph::split(r).0));
        parted.push(&node.name);
        // What lies behind the first one differs for its sake.
        if behind || other.contains(&node.name.as_str()) {
            continue;
        }
        let problem = match &node.input {
            None => Problem::differs("from here on the derivation differs"),
            Some(_) => {
                let was = record.samples(&entry.name, &node.name).unwrap_or_default();
                let is = scratch.samples(&now.name, &node.name).unwrap_or_default();
                let point = (0..was.len().max(is.len())).find(|&p| was.get(p) != is.get(p));
                match point {
                    Some(point) => Problem::differs("its samples are not those that were used")
                        .at_point(Some(point as u64)),
                    None => Problem::differs("from here on the derivation differs"),
                }
            }
        };
        problems.push(problem.at_node(entry, &node.name));
    }
}

/// Keys as version 1 made them, where the record is of that version.
fn first_keys(
    record: &Record,
    texts: &Texts,
    found: &Found,
    (scratch, now): (&Record, &Entry),
) -> Option<Vec<(String, String)>> {
    if record.lineage.version != 1 {
        return None;
    }
    let job = Job::new(
        &texts.recipe,
        found.sets(texts),
        &mut Diagnostics::default(),
    )?;
    let samples = |input: usize| {
        let table = scratch.samples(&now.name, &job.plan.names[input]);
        crate::lineage::in_digits(&table.unwrap_or_default())
    };
    let keys = keys(&job, 1, samples);
    let digits = |k: &Option<blake3::Hash>| k.map(|k| k.to_hex().to_string()).unwrap_or_default();
    let names = job.plan.names.iter().cloned();
    Some(names.zip(keys.iter().map(digits)).collect())
}
