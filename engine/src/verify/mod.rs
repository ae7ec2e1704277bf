//! Proves a result file by doing it again: what it holds against its record, its texts and recordings
//! against what the keys were made of, and every number against one that is computed anew, bit by bit.

mod again;
mod recordings;
mod stored;
mod texts;

use std::fmt;
use std::path::PathBuf;

pub(crate) use again::run as run_again;
pub(crate) use recordings::{Found, compare, find};
pub use stored::unfit;
pub(crate) use texts::{Texts, compare as compare_texts, open as texts, read_texts};

use crate::lineage::{Chosen, Entry, Output, Record, RecordError};
use crate::run::Monitor;
use crate::stage::Registry;
use crate::store::{Digest, Hash};

/// What a verification is asked to do.
#[derive(Clone, Copy)]
pub struct Options<'o> {
    /// The stages there are.
    pub registry: &'o Registry,
    /// Folders in which recordings that were moved are looked for by the hash of their samples.
    pub folders: &'o [PathBuf],
    /// Whether hashes are compared only, and nothing is computed again.
    pub quick: bool,
    /// Threads; 0 means one per core.
    pub threads: usize,
}

/// Whether something differs, or could not be looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// It is not as it was.
    Differs,
    /// It cannot be told.
    Unchecked,
}

/// Something that is not as it was, or cannot be told, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// Which of the two.
    pub kind: Kind,
    /// The entry; `None` for what belongs to the whole file.
    pub entry: Option<String>,
    /// The node or output; `None` for what belongs to the whole entry.
    pub place: Option<Place>,
    /// The first point concerned.
    pub point: Option<u64>,
    /// All points concerned; none where that is not known.
    pub points: Vec<u64>,
    /// The first sample or bin concerned.
    pub sample: Option<u64>,
    /// What is the matter.
    pub message: String,
}

/// A place in an entry.
#[derive(Clone, Debug, PartialEq)]
pub enum Place {
    /// A node, and with it everything behind it.
    Node(String),
    /// An output.
    Output(String),
}

impl Problem {
    fn new(kind: Kind, message: impl Into<String>) -> Self {
        Problem {
            kind,
            entry: None,
            place: None,
            point: None,
            points: Vec::new(),
            sample: None,
            message: message.into(),
        }
    }

    fn differs(message: impl Into<String>) -> Self {
        Self::new(Kind::Differs, message)
    }

    fn unchecked(message: impl Into<String>) -> Self {
        Self::new(Kind::Unchecked, message)
    }

    fn of(self, entry: &Entry) -> Self {
        Problem {
            entry: Some(entry.name.clone()),
            ..self
        }
    }

    fn at_node(self, entry: &Entry, node: &str) -> Self {
        let place = Some(Place::Node(node.into()));
        Problem { place, ..self }.of(entry)
    }

    fn at_output(self, entry: &Entry, output: &str) -> Self {
        let place = Some(Place::Output(output.into()));
        Problem { place, ..self }.of(entry)
    }

    fn at_points(self, points: Vec<u64>) -> Self {
        Problem {
            point: points.first().copied(),
            points,
            ..self
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.place {
            Some(Place::Node(name) | Place::Output(name)) => write!(f, "`{name}`")?,
            None => f.write_str("the file")?,
        }
        if let Some(point) = self.point {
            write!(f, ", point {point}")?;
        }
        if let Some(sample) = self.sample {
            write!(f, ", sample {sample}")?;
        }
        write!(f, ": {}", self.message)
    }
}

/// Indices at which two tables of hashes differ.
fn differing(a: &[Hash], b: &[Hash]) -> Vec<u64> {
    let all = 0..a.len().max(b.len());
    let differs = |&p: &usize| a.get(p) != b.get(p);
    all.filter(differs).map(|p| p as u64).collect()
}

/// What was found of one output.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The entry.
    pub entry: String,
    /// The output.
    pub output: String,
    /// What is the matter with it; nothing where it is identical. Where the chain parts comes first.
    pub problems: Vec<Problem>,
}

/// What a verification found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// One per output.
    pub outputs: Vec<Verdict>,
    /// What concerns no single output.
    pub problems: Vec<Problem>,
    /// Recordings that were found in another place, with the place that is on record.
    pub moved: Vec<(String, PathBuf)>,
}

impl Report {
    /// What of it concerns some outputs, or single points of them.
    pub fn of(mut self, chosen: &[Chosen<'_>]) -> Report {
        self.outputs.retain_mut(|verdict| {
            let own = |c: &&Chosen<'_>| {
                (&c.entry.name, &c.output.name) == (&verdict.entry, &verdict.output)
            };
            let Some(chosen) = chosen.iter().find(own) else {
                return false;
            };
            if let Some(point) = chosen.point {
                verdict
                    .problems
                    .retain(|p| p.points.is_empty() || p.points.contains(&point));
                for problem in &mut verdict.problems {
                    if let Some(first) = problem.point.replace(point).filter(|f| *f != point) {
                        problem.sample = None;
                        problem.message = format!("as at point {first}: {}", problem.message);
                    }
                }
            }
            true
        });
        self
    }

    /// Whether everything is as it was.
    pub fn is_identical(&self) -> bool {
        self.problems.is_empty() && self.outputs.iter().all(|o| o.problems.is_empty())
    }
}

/// Verifies a result file.
///
/// # Errors
/// When its record cannot be opened; whatever else is wrong is in the report.
pub fn verify(record: &Record, options: &Options<'_>, monitor: &Monitor) -> Report {
    let mut problems = Vec::new();
    let digests = stored::check(record, options.quick, &mut problems);
    let mut moved = Vec::new();
    match texts::read(record, options.registry, &mut problems) {
        None => {}
        Some(texts) => {
            for entry in &record.lineage.entries {
                let found = recordings::find(record, entry, &texts, options);
                moved.extend(found.moved.clone());
                if !found.missing.is_empty() {
                    problems.extend(found.missing);
                    continue;
                }
                let sets = found.sets(&texts);
                let fits =
                    recordings::compare(record, entry, &texts, sets, None, options, &mut problems);
                if fits && !options.quick {
                    let of = |output: &Output| digest_of(&digests, entry, output);
                    let twice = again::Twice {
                        record,
                        entry,
                        texts: &texts,
                        found: &found,
                    };
                    twice.compare(options, monitor, of, &mut problems);
                }
            }
        }
    }
    report(record, problems, moved)
}

/// Digests of the outputs as they are in the file: entry, output, digest.
type Digests = Vec<(String, String, Digest)>;

fn digest_of<'d>(digests: &'d Digests, entry: &Entry, output: &Output) -> Option<&'d Digest> {
    let found = digests
        .iter()
        .find(|(e, o, _)| *e == entry.name && *o == output.name);
    found.map(|(.., d)| d)
}

/// Sorts the problems to the outputs that they concern, in the order of the chain.
fn report(record: &Record, problems: Vec<Problem>, moved: Vec<(String, PathBuf)>) -> Report {
    let mut outputs = Vec::new();
    for entry in &record.lineage.entries {
        for output in &entry.outputs {
            let mut own: Vec<Problem> = Vec::new();
            let here = || {
                problems
                    .iter()
                    .filter(|p| p.entry.as_deref() == Some(&entry.name))
            };
            for node in entry.chain(output) {
                let at = Some(Place::Node(node.name.clone()));
                own.extend(here().filter(|p| p.place == at).cloned());
            }
            let at = Some(Place::Output(output.name.clone()));
            own.extend(here().filter(|p| p.place == at).cloned());
            outputs.push(Verdict {
                entry: entry.name.clone(),
                output: output.name.clone(),
                problems: own,
            });
        }
    }
    let concerns_one = |p: &Problem| outputs.iter().any(|o| o.problems.contains(p));
    Report {
        problems: problems
            .iter()
            .filter(|p| !concerns_one(p))
            .cloned()
            .collect(),
        outputs,
        moved,
    }
}

/// Opens a record and verifies it.
///
/// # Errors
/// When the record cannot be opened.
pub fn verify_file(
    path: &std::path::Path,
    options: &Options<'_>,
    monitor: &Monitor,
) -> Result<Report, RecordError> {
    Ok(verify(&Record::open(path)?, options, monitor))
}
