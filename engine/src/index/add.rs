//! Taking result files into the index.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::{Index, IndexError};
use crate::aspect::Aspect;
use crate::graph::split;
use crate::lineage::{Entry, RecordError};
use crate::saved::{Column, Digest, Part, Saved, SavedError};
use crate::store::Hash;
use crate::units::{Quantity, Unit};

/// What became of a file that was to be taken in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Added {
    /// It is new.
    New,
    /// It was known, at this place.
    Known,
    /// It was known at another place, where it is no more.
    Moved(PathBuf),
    /// It is a copy of a file that is still there.
    Copy(PathBuf),
    /// Other results were at this place; they are no longer known.
    Replaced,
}

/// What a look through files and folders gave.
#[derive(Debug, Default)]
pub struct Scan {
    /// Files taken in, with what became of them.
    pub added: Vec<(PathBuf, Added)>,
    /// HDF5 files in folders that are no result files.
    pub others: usize,
    /// Files that were known and are gone.
    pub gone: Vec<PathBuf>,
    /// Files that cannot be read, and why.
    pub broken: Vec<(PathBuf, IndexError)>,
}

/// A result file that was read.
#[derive(Clone, Debug)]
pub struct Found {
    /// Its path as given.
    pub path: PathBuf,
    /// Its absolute path.
    pub place: PathBuf,
    /// Its size and time of change.
    pub stamp: Stamp,
    /// What of it is kept.
    pub digest: Digest,
}

/// Files that are taken in together: each change of the index waits for the disk.
const BATCH: usize = 64;

/// Size and time of change of a file, by which a known one is recognised without opening it.
pub type Stamp = (i64, i64);

impl Index {
    /// Takes in result files, and all that are in folders and their subfolders. A file that cannot be
    /// read does not stop the others.
    ///
    /// # Errors
    /// [`IndexError`] when the index itself cannot be used.
    pub fn scan(&mut self, paths: &[PathBuf]) -> Result<Scan, IndexError> {
        let mut scan = Scan::default();
        let mut waiting = Vec::new();
        for path in paths {
            if !path.is_dir() {
                self.look(path, true, &mut scan, &mut waiting)?;
                continue;
            }
            let mut files = Vec::new();
            hdf5_files(path, &mut files, &mut scan.broken);
            for file in files {
                self.look(&file, false, &mut scan, &mut waiting)?;
            }
            let folder = resolved(path);
            self.write(|c| c.execute("INSERT OR IGNORE INTO folder VALUES (?1)", [text(&folder)]))?;
            scan.gone.extend(self.mark_gone(&folder)?);
        }
        self.take(&mut waiting, &mut scan)?;
        Ok(scan)
    }

    /// Takes in one result file.
    ///
    /// # Errors
    /// [`IndexError::Saved`] when it cannot be read.
    pub fn add(&mut self, path: &Path) -> Result<Added, IndexError> {
        match self.read_unknown(path)? {
            Some(found) => Ok(self.insert(&[found])?.pop().unwrap_or(Added::Known)),
            None => Ok(Added::Known),
        }
    }

    /// Reads a file, and takes in those that wait when there are many: files are read before the index is
    /// locked, and so few at a time that they fit in memory.
    fn look(
        &mut self,
        path: &Path,
        named: bool,
        scan: &mut Scan,
        waiting: &mut Vec<Found>,
    ) -> Result<(), IndexError> {
        match self.read_unknown(path) {
            Ok(Some(found)) => waiting.push(found),
            Ok(None) => scan.added.push((path.into(), Added::Known)),
            Err(IndexError::Saved(SavedError::Record(RecordError::NoResults { .. }))) if !named => {
                scan.others += 1;
            }
            Err(error @ IndexError::Unusable { .. }) => return Err(error),
            Err(error) => scan.broken.push((path.into(), error)),
        }
        match waiting.len() {
            BATCH => self.take(waiting, scan),
            _ => Ok(()),
        }
    }

    /// A result file, read, unless it is known as it is.
    fn read_unknown(&self, path: &Path) -> Result<Option<Found>, IndexError> {
        let place = resolved(path);
        let stamp = stamp(path);
        let known: Option<Stamp> = self.read(|c| {
            c.prepare_cached("SELECT length, modified FROM place WHERE path = ?1 AND gone = 0")?
                .query_row([text(&place)], |r| Ok((r.get(0)?, r.get(1)?)))
                .optional()
        })?;
        if known.is_some() && known == stamp {
            return Ok(None);
        }
        let digest = Saved::open(path)?.digest().map_err(SavedError::Store)?;
        Ok(Some(Found {
            path: path.into(),
            place,
            stamp: stamp.unwrap_or_default(),
            digest,
        }))
    }

    /// Takes in files that were read, together.
    fn take(&mut self, waiting: &mut Vec<Found>, scan: &mut Scan) -> Result<(), IndexError> {
        let done = self.insert(waiting)?;
        scan.added
            .extend(waiting.drain(..).map(|f| f.path).zip(done));
        Ok(())
    }

    /// Takes in result files that were read, all of them or none; what became of each.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn insert(&mut self, found: &[Found]) -> Result<Vec<Added>, IndexError> {
        self.write(|c| {
            let insert = |f: &Found| insert(c, &f.place, f.stamp, &f.digest);
            found.iter().map(insert).collect()
        })
    }

    /// Folders and single files that were taken in.
    pub fn folders(&self) -> Result<Vec<PathBuf>, IndexError> {
        self.read(|c| {
            let sql = "SELECT path FROM folder UNION SELECT path FROM place WHERE gone = 0 AND NOT EXISTS (
                           SELECT 1 FROM folder WHERE substr(place.path, 1, length(folder.path)) = folder.path)
                       ORDER BY 1";
            c
                .prepare(sql)?
                .query_map([], |r| r.get::<_, String>(0))?
                .map(|p| p.map(PathBuf::from))
                .collect()
        })
    }

    /// Marks the files below a folder that are there no more.
    fn mark_gone(&mut self, folder: &Path) -> Result<Vec<PathBuf>, IndexError> {
        let known: Vec<String> = self.read(|c| {
            c.prepare("SELECT path FROM place WHERE gone = 0 ORDER BY path")?
                .query_map([], |r| r.get(0))?
                .collect()
        })?;
        let gone: Vec<PathBuf> = known
            .into_iter()
            .map(PathBuf::from)
            .filter(|p| p.starts_with(folder) && !p.exists())
            .collect();
        self.write(|c| {
            for path in &gone {
                c.execute("UPDATE place SET gone = 1 WHERE path = ?1", [text(path)])?;
            }
            Ok(())
        })?;
        Ok(gone)
    }

    pub(super) fn read<T>(
        &self,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, IndexError> {
        work(&self.connection).map_err(|e| self.fault(&e))
    }

    fn write<T>(
        &mut self,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, IndexError> {
        let path = self.path.clone();
        // What is going to be written is locked at once: a lock that is asked for later may not be had.
        let attempt = |connection: &mut Connection| {
            let transaction =
                connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = work(&transaction)?;
            transaction.commit()?;
            Ok(done)
        };
        attempt(&mut self.connection).map_err(|e: rusqlite::Error| super::damaged(&path, &e))
    }
}

fn insert(
    c: &Connection,
    place: &Path,
    (length, modified): Stamp,
    digest: &Digest,
) -> rusqlite::Result<Added> {
    let at = text(place);
    let before: Option<(i64, String)> = c
        .prepare_cached(
            "SELECT run.id, identity FROM place JOIN run ON run.id = run WHERE path = ?1",
        )?
        .query_row([&at], |r| Ok((r.get(0)?, r.get(1)?)))
        .optional()?;
    let known: Option<i64> = c
        .prepare_cached("SELECT id FROM run WHERE identity = ?1")?
        .query_row([&digest.identity], |r| r.get(0))
        .optional()?;
    let elsewhere: Vec<String> = c
        .prepare_cached("SELECT path FROM place WHERE run = ?1 AND path <> ?2 ORDER BY path")?
        .query_map(params![known, at], |r| r.get(0))?
        .collect::<Result<_, _>>()?;
    let run = match known {
        Some(run) => run,
        None => insert_run(c, digest)?,
    };
    c.prepare_cached(
        "INSERT OR REPLACE INTO place (path, run, length, modified, gone) VALUES (?1, ?2, ?3, ?4, 0)",
    )?
    .execute(params![at, run, length, modified])?;
    let (there, moved): (Vec<_>, Vec<_>) =
        elsewhere.into_iter().partition(|p| Path::new(p).exists());
    for path in &moved {
        c.execute("DELETE FROM place WHERE path = ?1", [path])?;
    }
    // Results that are nowhere any more, because others took their place.
    let before_run = before.as_ref().map(|(id, _)| *id);
    c.execute(
        "DELETE FROM run WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM place WHERE run = ?1)",
        [before_run],
    )?;
    Ok(match (before, there.first(), moved.first()) {
        (Some((before, _)), ..) if before != run => Added::Replaced,
        (Some(_), ..) => Added::Known,
        (None, Some(other), _) => Added::Copy(other.into()),
        (None, None, Some(old)) => Added::Moved(old.into()),
        (None, None, None) => Added::New,
    })
}

fn insert_run(c: &Connection, digest: &Digest) -> rusqlite::Result<i64> {
    let lineage = &digest.lineage;
    c.prepare_cached(
        "INSERT INTO run (identity, began, program, operator, recipe_name, recipe_version, supersedes)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
    )?
    .execute(params![
        digest.identity,
        lineage.began,
        lineage.program,
        lineage.operator.as_deref().unwrap_or(""),
        digest.recipe_name,
        digest.recipe_version,
        digest.supersedes
    ])?;
    let run = c.last_insert_rowid();
    for left_out in &lineage.left_out {
        c.prepare_cached("INSERT INTO left_out (run, said) VALUES (?1, ?2)")?
            .execute(params![run, left_out.to_string()])?;
    }
    let (mut columns, mut samples) = (digest.columns.iter(), digest.samples.iter());
    for entry in &lineage.entries {
        c.prepare_cached("INSERT INTO entry (run, name, title) VALUES (?1, ?2, ?3)")?
            .execute(params![run, entry.name, entry.title])?;
        let id = c.last_insert_rowid();
        insert_recordings(c, id, entry)?;
        let nodes = insert_nodes(c, id, entry, &mut samples)?;
        for output in &entry.outputs {
            let column = columns.next().cloned().unwrap_or_default();
            c.prepare_cached(
                "INSERT INTO output (entry, name, unit, axis, axis_unit) VALUES (?1, ?2, ?3, ?4, ?5)",
            )?
            .execute(params![id, output.name, column.unit, column.axis, column.axis_unit])?;
            let output_id = c.last_insert_rowid();
            for node in behind(entry, &output.node) {
                c.prepare_cached("INSERT OR IGNORE INTO behind (node, output) VALUES (?1, ?2)")?
                    .execute(params![nodes.get(node), output_id])?;
            }
            insert_numbers(c, output_id, &column)?;
        }
    }
    Ok(run)
}

fn insert_recordings(c: &Connection, entry: i64, record: &Entry) -> rusqlite::Result<()> {
    for recording in &record.recordings {
        for file in &recording.files {
            let path = &file.path;
            c.prepare_cached(
                "INSERT INTO recording (entry, role, path, file_name) VALUES (?1, ?2, ?3, ?4)",
            )?
            .execute(params![entry, recording.name, path, file_name(path)])?;
        }
    }
    Ok(())
}

fn insert_nodes<'e, 's>(
    c: &Connection,
    entry: i64,
    record: &'e Entry,
    samples: &mut impl Iterator<Item = &'s Vec<Hash>>,
) -> rusqlite::Result<BTreeMap<&'e str, i64>> {
    let mut ids = BTreeMap::new();
    for node in &record.nodes {
        c.prepare_cached(
            "INSERT INTO node (entry, name, stage, version, key) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![
            entry,
            node.name,
            node.stage,
            node.numeric_version,
            node.key
        ])?;
        let id = c.last_insert_rowid();
        ids.insert(node.name.as_str(), id);
        let hashes = node.input.as_ref().and_then(|_| samples.next());
        for (point, hash) in hashes.into_iter().flatten().enumerate() {
            // Zeros stand for samples that could not be read.
            if *hash != Hash::default() {
                let digits = blake3::Hash::from_bytes(*hash).to_hex();
                c.prepare_cached("INSERT INTO sample (node, point, hash) VALUES (?1, ?2, ?3)")?
                    .execute(params![id, point as i64, digits.as_str()])?;
            }
        }
        for constant in &node.constants {
            let (name, text) = (&constant.name, &constant.value);
            let quantity = Quantity::parse(text).ok();
            let dimension = quantity
                .as_ref()
                .map_or(String::new(), |q| Unit::si_name(&q.unit.ascii()));
            c.prepare_cached(
                "INSERT INTO constant (node, name, text, dimension, value) VALUES (?1, ?2, ?3, ?4, ?5)",
            )?
            .execute(params![id, name, text, dimension, quantity.map(|q| q.value)])?;
        }
    }
    Ok(ids)
}

fn insert_numbers(c: &Connection, output: i64, column: &Column) -> rusqlite::Result<()> {
    let own = dimension(c, &column.unit)?;
    let angle = dimension(c, "rad")?;
    for value in &column.values {
        c.prepare_cached(
            "INSERT INTO number (output, point, part, dimension, value, uncertainty, axis)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .execute(params![
            output,
            value.point as i64,
            part_number(value.part),
            if value.part == Part::Number(Aspect::Phase) {
                angle
            } else {
                own
            },
            value.value,
            value.uncertainty,
            value.axis
        ])?;
    }
    Ok(())
}

/// The number of a dimension, by its SI unit.
fn dimension(c: &Connection, unit: &str) -> rusqlite::Result<i64> {
    let unit = Unit::si_name(unit);
    c.prepare_cached("INSERT OR IGNORE INTO dimension (unit) VALUES (?1)")?
        .execute([&unit])?;
    c.prepare_cached("SELECT id FROM dimension WHERE unit = ?1")?
        .query_row([&unit], |r| r.get(0))
}

fn part_number(part: Part) -> i64 {
    Part::ALL.iter().position(|p| *p == part).unwrap_or(0) as i64
}

/// The nodes behind a node, itself included.
fn behind<'e>(entry: &'e Entry, node: &'e str) -> Vec<&'e str> {
    let mut found = vec![node];
    let mut next = 0;
    while let Some(name) = found.get(next).copied() {
        next += 1;
        for node in entry.nodes.iter().filter(|n| n.name == name) {
            for read in &node.reads {
                let read = split(read).0;
                if !found.contains(&read) {
                    found.push(read);
                }
            }
        }
    }
    found
}

/// Files below a folder that have the ending of HDF5 files, in order; links to folders are not followed. A
/// folder that cannot be read does not hide the others.
fn hdf5_files(folder: &Path, found: &mut Vec<PathBuf>, broken: &mut Vec<(PathBuf, IndexError)>) {
    let listed = std::fs::read_dir(folder).and_then(|list| {
        list.map(|e| e.map(|e| e.path()))
            .collect::<Result<Vec<_>, _>>()
    });
    let mut paths = match listed {
        Ok(paths) => paths,
        Err(error) => {
            let error = IndexError::Unreadable {
                path: folder.into(),
                why: error.to_string().to_lowercase(),
            };
            return broken.push((folder.into(), error));
        }
    };
    paths.sort();
    for path in paths {
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("");
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if name.starts_with('.') {
            continue;
        }
        // The results in an exported crate are a copy of others.
        let is_crate = || path.join(crate::export::METADATA).exists();
        if path.is_dir() && !path.is_symlink() && !is_crate() {
            hdf5_files(&path, found, broken);
        } else if ["h5", "hdf5", "nxs", "hdf"].contains(&ending) && path.is_file() {
            found.push(path);
        }
    }
}

pub(super) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// A path that means the same from every folder.
pub(super) fn resolved(path: &Path) -> PathBuf {
    path.canonicalize()
        .or_else(|_| std::path::absolute(path))
        .unwrap_or_else(|_| path.into())
}

fn text(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

fn stamp(path: &Path) -> Option<Stamp> {
    let data = std::fs::metadata(path).ok()?;
    let modified = data.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
    Some((data.len() as i64, modified.as_nanos() as i64))
}
