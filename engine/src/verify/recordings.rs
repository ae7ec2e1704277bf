//! The recordings behind a result: where they are now, and whether they are what they were.

use std::path::{Path, PathBuf};

use super::texts::Texts;
use super::{Options, Problem, differing};
use crate::diagnostic::Diagnostics;
use crate::lineage::{Entry, Record, RecordedFile, Recording, axis};
use crate::recordings::{FileContent, RecordingSet};
use crate::run::{Job, each, on_threads};
use crate::session::open_sets;
use crate::store::{Hash, StoreError, StoredSamples};

/// Samples read at a time.
const BLOCK: u64 = 1 << 16;
/// Deepest folder below a given one that is looked into.
const DEEPEST: usize = 8;
/// Most files of the given folders that are looked at.
const MOST_FILES: usize = 100_000;

/// Where the files of an entry's recordings are now.
#[derive(Default)]
pub(crate) struct Found {
    /// Files of each recording, in the order of the record.
    pub files: Vec<(String, Vec<PathBuf>)>,
    /// What is nowhere.
    pub missing: Vec<Problem>,
    /// What is elsewhere: the path on record, and the present one.
    pub moved: Vec<(String, PathBuf)>,
}

impl Found {
    /// Files of the main recording.
    pub fn main(&self) -> Vec<PathBuf> {
        let main = self.files.iter().find(|(name, _)| name.is_empty());
        main.map(|(_, files)| files.clone()).unwrap_or_default()
    }

    /// The other recordings by name.
    pub fn with(&self) -> Vec<(String, PathBuf)> {
        let others = self.files.iter().filter(|(name, _)| !name.is_empty());
        others
            .filter_map(|(name, files)| Some((name.clone(), files.first()?.clone())))
            .collect()
    }

    /// All of them, opened.
    pub fn sets(&self, texts: &Texts) -> Vec<RecordingSet> {
        open_sets(&texts.recipe, &texts.wiring, &self.main(), &self.with())
    }
}

/// Looks for the files: as they were named, beside the result file, and in the given folders by the hash
/// of their samples.
pub(crate) fn find(record: &Record, entry: &Entry, texts: &Texts, options: &Options<'_>) -> Found {
    let mut found = Found::default();
    let folders = walk(options.folders);
    for recording in &entry.recordings {
        let mut files = Vec::new();
        let mut first = 0;
        for file in &recording.files {
            let points = first..first + file.points;
            first = points.end;
            let expected = Expected {
                record,
                entry,
                recording,
                points,
                texts,
                threads: options.threads,
            };
            match expected.find(file, &folders) {
                Some(path) => {
                    if path != Path::new(&file.path) {
                        found.moved.push((file.path.clone(), path.clone()));
                    }
                    files.push(path);
                }
                // It could not be read when it was run, either.
                None if file.bytes == 0 && record.lineage.version > 1 => {
                    files.push(PathBuf::from(&file.path));
                }
                None => found.missing.extend(expected.missing(file)),
            }
        }
        found.files.push((recording.name.clone(), files));
    }
    found
}

/// Every file in some folders, with its size.
fn walk(folders: &[PathBuf]) -> Vec<(PathBuf, u64)> {
    let mut found = Vec::new();
    let mut pending: Vec<(PathBuf, usize)> = folders.iter().map(|f| (f.clone(), 0)).collect();
    while let Some((folder, depth)) = pending.pop() {
        let entries = std::fs::read_dir(&folder).into_iter().flatten().flatten();
        for entry in entries {
            match entry.metadata() {
                Ok(data) if data.is_dir() && depth < DEEPEST => {
                    pending.push((entry.path(), depth + 1))
                }
                Ok(data) if data.is_file() && found.len() < MOST_FILES => {
                    found.push((entry.path(), data.len()));
                }
                _ => {}
            }
        }
    }
    found.sort();
    found
}

/// A file of a recording, as the record knows it.
struct Expected<'e> {
    record: &'e Record,
    entry: &'e Entry,
    recording: &'e Recording,
    /// Its points among those of the recording.
    points: std::ops::Range<u64>,
    texts: &'e Texts,
    threads: usize,
}

impl Expected<'_> {
    fn find(&self, file: &RecordedFile, folders: &[(PathBuf, u64)]) -> Option<PathBuf> {
        let result = self.record.path.parent().unwrap_or(Path::new(""));
        let mut near = vec![PathBuf::from(&file.path)];
        for path in [&file.beside, &file.path]
            .into_iter()
            .filter(|p| !p.is_empty())
        {
            let path = result.join(path);
            if !near.contains(&path) {
                near.push(path);
            }
        }
        // A recording may have the name of the result file, which it is not, and two names.
        let mut known: Vec<PathBuf> = self.record.path.canonicalize().into_iter().collect();
        near.retain(|path| {
            let is_new = |path: &PathBuf| path.is_file() && !known.contains(path);
            let path = path.canonicalize().ok().filter(is_new);
            known.extend(path.clone());
            path.is_some()
        });
        // Where there is no choice, the comparison says what is the matter with it.
        if let ([_], true) = (near.as_slice(), folders.is_empty()) {
            return near.pop();
        }
        let name = Path::new(&file.path).file_name();
        let mut far: Vec<&(PathBuf, u64)> = folders.iter().collect();
        far.sort_by_key(|(path, size)| (path.file_name() != name, *size != file.bytes));
        let all = near.iter().chain(far.into_iter().map(|(path, _)| path));
        let mut same = all.filter(|path| self.is_same(path));
        same.next().or(near.first()).cloned()
    }

    /// Whether a file holds the samples on record.
    fn is_same(&self, path: &Path) -> bool {
        let Texts { recipe, wiring } = self.texts;
        let name = &self.recording.name;
        let set = RecordingSet::open(name, &[path.to_path_buf()], recipe, wiring);
        let Some(Ok(content)) = set.files.first().map(|f| &f.content) else {
            return false;
        };
        let inputs = recipe.inputs.iter().enumerate();
        content.points == self.points.end - self.points.start
            && inputs
                .filter(|(_, i)| i.recording == *name)
                .all(|(index, input)| {
                    let table = self.record.samples(&self.entry.name, &input.name.text);
                    let range = self.points.start as usize..self.points.end as usize;
                    let expected = table.ok().and_then(|t| Some(t.get(range)?.to_vec()));
                    let points: Vec<Spot<'_>> = (0..content.points).map(|p| (content, p)).collect();
                    let found = hashes(&points, index, self.threads);
                    expected.is_some_and(|e| found.is_ok_and(|f| f == e))
                })
    }

    fn missing(&self, file: &RecordedFile) -> Vec<Problem> {
        let message = format!(
            "its recording {} is not there; name a folder that holds it with `--in FOLDER`",
            file.path
        );
        let nodes = self.entry.inputs_from(&self.recording.name);
        nodes
            .map(|n| Problem::unchecked(&message).at_node(self.entry, &n.name))
            .collect()
    }
}

/// A file, and a point of it.
type Spot<'f> = (&'f FileContent, u64);

/// Hashes of the samples of an input at some points.
fn hashes(points: &[Spot<'_>], input: usize, threads: usize) -> Result<Vec<Hash>, StoreError> {
    let one = |&(content, point): &Spot<'_>| {
        let Some(header) = content.headers.get(input).and_then(Option::as_ref) else {
            return Ok([0; 32]);
        };
        let header = header.of_point(point)?;
        let reader = content.file.reader(&header)?;
        let mut hasher = blake3::Hasher::new();
        let mut stored = StoredSamples::default();
        let mut start = 0;
        while start < header.samples {
            let length = (header.samples - start).min(BLOCK);
            reader.read_stored(point, start, length as usize, &mut stored)?;
            hasher.update(stored.bytes());
            start += length;
        }
        Ok(*hasher.finalize().as_bytes())
    };
    match on_threads(threads, || each(points, one)) {
        Ok(all) => all.into_iter().collect(),
        // Without threads of its own it does the work itself.
        Err(_) => points.iter().map(one).collect(),
    }
}

/// Compares headers, axes and, where nothing will be computed again, samples; whether the recipe fits the
/// recordings at all. Where one point of an output is what matters, and it needs no others, only its samples are read.
pub(crate) fn compare(
    record: &Record,
    entry: &Entry,
    texts: &Texts,
    sets: Vec<RecordingSet>,
    wanted: Option<(&str, u64)>,
    options: &Options<'_>,
    problems: &mut Vec<Problem>,
) -> bool {
    let mut found = Diagnostics::default();
    let unusable: Vec<&RecordingSet> = sets.iter().filter(|s| s.is_unusable()).collect();
    for set in &unusable {
        let why = set.files.iter().find_map(|f| f.content.as_ref().err());
        let message = format!(
            "its recording cannot be read: {}",
            why.map_or(String::new(), ToString::to_string)
        );
        for node in entry.inputs_from(&set.name) {
            problems.push(Problem::unchecked(&message).at_node(entry, &node.name));
        }
    }
    if !unusable.is_empty() {
        return false;
    }
    let Some(job) = Job::new(&texts.recipe, sets, &mut found) else {
        let first = found
            .iter()
            .find(|d| d.severity == crate::diagnostic::Severity::Error);
        let message = first.map_or("", |d| d.message.as_str());
        let message = format!("the recipe does not fit the recording any more: {message}");
        problems.push(Problem::differs(message).of(entry));
        return false;
    };
    let alone = wanted.and_then(|(output, point)| {
        let stage = crate::graph::split(output).0;
        let node = job.plan.names.iter().position(|name| name == stage)?;
        (!job.need_all_points()[node]).then_some(point)
    });
    for (set, recording) in job.sets.iter().zip(&entry.recordings) {
        if record.lineage.version > 1 && axis(&set.axis) != recording.axis {
            problems
                .push(Problem::differs("the axis of its recording is not what it was").of(entry));
        }
    }
    for input in 0..texts.recipe.inputs.len() {
        let name = &texts.recipe.inputs[input].name.text;
        let (Some(header), Some(was)) = (
            job.sets.iter().find_map(|s| s.header(input)),
            entry.node(name).and_then(|n| n.input.as_ref()),
        ) else {
            continue;
        };
        let mut differs = |message: String| {
            problems.push(Problem::differs(message).at_node(entry, name));
        };
        let cuts = header.cuts.iter().map(|c| (c.first, c.length));
        let now: Vec<(u64, u64)> = cuts.collect();
        let apart = (0..now.len().max(was.cuts.len())).find(|i| now.get(*i) != was.cuts.get(*i));
        if let Some(point) = apart {
            let words = |cuts: &[(u64, u64)]| match cuts.get(point) {
                Some((first, length)) => format!("samples {first} to {}", first + length),
                None => "not there".to_owned(),
            };
            let (now, then) = (words(&now), words(&was.cuts));
            differs(format!(
                "point {point} of the record is {now}, it was {then}"
            ));
        } else if header.canonical() != was.header {
            differs(format!(
                "its header says `{}`, it said `{}`",
                header.canonical(),
                was.header
            ));
        }
        if !crate::lineage::same_numbers(&header.stored, &was.stored) {
            differs(format!(
                "its samples are {}, they were {}",
                header.stored, was.stored
            ));
        }
        if options.quick {
            samples(record, entry, &job, (input, alone), options, problems);
        }
    }
    true
}

/// Compares the samples of an input, point by point, or at one.
fn samples(
    record: &Record,
    entry: &Entry,
    job: &Job<'_>,
    (input, only): (usize, Option<u64>),
    options: &Options<'_>,
    problems: &mut Vec<Problem>,
) {
    let name = &job.plan.names[input];
    // What is wrong with the table itself was said.
    let Ok(mut table) = record.samples(&entry.name, name) else {
        return;
    };
    let own = &job.recipe.inputs[input].recording;
    let files = job
        .sets
        .iter()
        .filter(|s| s.name == *own)
        .flat_map(|s| &s.files);
    let mut now: Vec<Option<Spot<'_>>> = Vec::new();
    for file in files {
        match &file.content {
            Ok(content) => now.extend((0..content.points).map(|point| Some((content, point)))),
            Err(_) => now.push(None),
        }
    }
    // A recording with a single point goes with every point of the others.
    let first = match only.filter(|_| now.len() > 1 || table.len() > 1) {
        Some(only) => {
            let only = only as usize;
            table = table.get(only).copied().into_iter().collect();
            now = now.get(only).copied().into_iter().collect();
            only as u64
        }
        None => 0,
    };
    let there: Vec<Spot<'_>> = now.iter().flatten().copied().collect();
    let mut hashes = match hashes(&there, input, options.threads) {
        Ok(hashes) => hashes.into_iter(),
        Err(error) => {
            let problem = Problem::unchecked(error.to_string());
            return problems.push(problem.at_node(entry, name));
        }
    };
    let of = |spot: &Option<Spot<'_>>| spot.and_then(|_| hashes.next()).unwrap_or([0; 32]);
    let now: Vec<Hash> = now.iter().map(of).collect();
    // What could not be read when it was run is left out.
    let mut points = differing(&table, &now);
    points.retain(|p| table.get(*p as usize).is_some_and(|h| *h != [0; 32]));
    points.iter_mut().for_each(|p| *p += first);
    if !points.is_empty() {
        let problem = Problem::differs("its samples are not those that were used");
        problems.push(problem.at_points(points).at_node(entry, name));
    }
}
