//! What a result file holds, against its own record.

use super::{Digests, Problem, differing};
use crate::lineage::{Chosen, Entry, Output, Record, digest_of};
use crate::store::{Digest, Hash};

/// Compares everything that the record has a hash of; the digests of the outputs that could be read.
pub(super) fn check(record: &Record, quick: bool, problems: &mut Vec<Problem>) -> Digests {
    let mut digests = Digests::new();
    sealed(record, problems);
    let first = record.lineage.version == 1;
    if !first {
        frame(record, problems);
    }
    for entry in &record.lineage.entries {
        for node in entry.nodes.iter().filter(|_| !first) {
            let Some(input) = &node.input else { continue };
            match record.samples(&entry.name, &node.name) {
                Ok(table) if digest_of(&table) == input.samples => {}
                Ok(_) => problems.push(
                    Problem::differs("the table of hashes of its samples is not what was written")
                        .at_node(entry, &node.name),
                ),
                Err(error) => problems.push(
                    Problem::differs(format!("the table of hashes of its samples: {error}"))
                        .at_node(entry, &node.name),
                ),
            }
        }
        for output in &entry.outputs {
            match record.file.digest(&entry.name, &output.name, output.points) {
                Err(error) => problems.push(unreadable(&error).at_output(entry, &output.name)),
                Ok(digest) => {
                    if !first {
                        compare(record, entry, output, &digest, problems);
                    } else if quick {
                        let message = "a record of version 1 holds no hash of what is stored; leave `--quick` out";
                        problems.push(Problem::unchecked(message).at_output(entry, &output.name));
                    }
                    digests.push((entry.name.clone(), output.name.clone(), digest));
                }
            }
        }
    }
    digests
}

fn sealed(record: &Record, problems: &mut Vec<Problem>) {
    if !record.is_whole() {
        problems.push(Problem::differs(
            "the lineage is not what was sealed; its statements cannot be relied on",
        ));
    }
}

/// Most numbers of outputs that [`unfit`] reads.
const MOST_NUMBERS: u64 = 1 << 24;

/// What of some outputs, or of single points of them, is not what was written, told by hashes alone: quick, since
/// neither recipe nor recordings are looked at. Where there is very much of it, it says that it did not look. A record
/// of version 1 has no hashes to tell by.
pub fn unfit(record: &Record, chosen: &[Chosen<'_>]) -> Vec<Problem> {
    let mut problems = Vec::new();
    sealed(record, &mut problems);
    if record.lineage.version == 1 {
        return problems;
    }
    let mut numbers = 0;
    for &Chosen {
        entry,
        output,
        point,
    } in chosen
    {
        let group = format!("/{}/{}", entry.name, output.name);
        let first = ["value", "in_phase", "cycles"].map(|c| format!("{group}/{c}"));
        let shapes = first.iter().map(|path| record.file.shape(path));
        numbers += shapes
            .map(|s| s.iter().product::<u64>().max(1))
            .sum::<u64>();
        if numbers > MOST_NUMBERS {
            let message = "what is stored was not compared with its hashes, since there is very much of it; \
                           `phasemill verify --quick` does";
            problems.push(Problem::unchecked(message));
            break;
        }
        match record.file.digest(&entry.name, &output.name, output.points) {
            Ok(digest) => compare(record, entry, output, &digest, &mut problems),
            Err(error) => problems.push(unreadable(&error).at_output(entry, &output.name)),
        }
        let of_others = |p: &Problem| {
            let here = p.place == Some(super::Place::Output(output.name.clone()))
                && p.entry.as_ref() == Some(&entry.name);
            here && !p.points.is_empty() && point.is_some_and(|point| !p.points.contains(&point))
        };
        problems.retain(|p| !of_others(p));
    }
    problems
}

fn unreadable(error: &crate::store::StoreError) -> Problem {
    Problem::differs(format!("cannot be read: {error}"))
}

/// What belongs to no output.
fn frame(record: &Record, problems: &mut Vec<Problem>) {
    let entries = record.lineage.entries.iter();
    let outputs = entries.flat_map(|e| {
        e.outputs
            .iter()
            .map(move |o| format!("{}/{}", e.name, o.name))
    });
    let found = match record.file.frame(&outputs.collect::<Vec<_>>()) {
        Ok(found) => found,
        Err(error) => return problems.push(unreadable(&error)),
    };
    let expected = &record.lineage.frame;
    for (path, hash) in expected {
        match found.iter().find(|(p, _)| p == path) {
            Some((_, now)) if now == hash => {}
            Some(_) => problems.push(Problem::differs(format!(
                "`{path}` or its attributes are not what was written"
            ))),
            None => problems.push(Problem::differs(format!("`{path}` is no longer there"))),
        }
    }
    for (path, _) in found
        .iter()
        .filter(|(p, _)| !expected.iter().any(|(e, _)| e == p))
    {
        problems.push(Problem::differs(format!(
            "`{path}` was not written by the run"
        )));
    }
}

/// An output against the hashes of its points, which are themselves against the record.
fn compare(
    record: &Record,
    entry: &Entry,
    output: &Output,
    digest: &Digest,
    problems: &mut Vec<Problem>,
) {
    if digest.content() == output.content {
        // The values are right; the table beside them must be, too.
        let table = record.contents(&entry.name, &output.name);
        if table.ok().as_ref() != Some(&digest.points) {
            let message = "the table of hashes of its points is not what was written";
            problems.push(Problem::differs(message).at_output(entry, &output.name));
        }
        return;
    }
    let table = record
        .contents(&entry.name, &output.name)
        .unwrap_or_default();
    let with = |form: Hash, points: &[Hash]| {
        let points = points.to_vec();
        Digest { form, points }.content() == output.content
    };
    let (message, points) = if with(digest.form, &table) {
        let points = differing(&table, &digest.points);
        ("what is stored is not what was written", points)
    } else if table == digest.points {
        (
            "its names, units, axes or attributes are not what was written",
            Vec::new(),
        )
    } else {
        (
            "what is stored, or the hashes of it, is not what was written",
            Vec::new(),
        )
    };
    let problem = Problem::differs(message).at_points(points);
    problems.push(problem.at_output(entry, &output.name));
}
