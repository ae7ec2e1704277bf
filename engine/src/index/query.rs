//! Which results used a recording, a constant, a kernel or a recipe, and which supersede which.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Component, Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, ToSql};
use serde::Serialize;

use super::add::file_name;
use super::{Index, IndexError};
use crate::diagnostic::nearest;
use crate::units::{Quantity, Unit};

/// What results may have used.
#[derive(Clone, Debug, PartialEq)]
pub enum Uses {
    /// A recording, by its path or a part of it from the end.
    RecordingAt(PathBuf),
    /// A recording, by the beginning of the hash of a point's samples, or of the key of an input.
    RecordingOf(String),
    /// A constant by name, with a value where one is given.
    Constant(String, Option<String>),
    /// A stage by name, of a numeric version of its kernel where one is given.
    Kernel(String, Option<u32>),
}

/// An output that used something.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Use {
    /// The result file, or where it was last.
    pub file: PathBuf,
    /// Whether it is there no more.
    pub gone: bool,
    /// The file that supersedes it.
    pub superseded_by: Option<PathBuf>,
    /// When the run began.
    pub began: String,
    /// The entry of the file.
    pub entry: String,
    /// The output.
    pub output: String,
    /// What of it was used, in words.
    pub what: String,
}

/// Outputs that used something, and whether there are more than were asked for.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Used {
    /// The outputs, in the order in which they were taken in.
    pub outputs: Vec<Use>,
    /// Whether there are more.
    pub more: bool,
}

/// A file in a chain of results that supersede each other.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Link {
    /// The file, or where it was last.
    pub file: PathBuf,
    /// Whether it is there no more.
    pub gone: bool,
}

/// A run that the index knows.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Run {
    /// Its files: the result file and its copies.
    pub files: Vec<Link>,
    /// When it began.
    pub began: String,
    /// Version of the program.
    pub program: String,
    /// Who ran it; empty where the record does not say.
    pub operator: String,
    /// Titles of its entries.
    pub titles: BTreeSet<String>,
    /// Hash of its recipe's canonical form.
    pub recipe_version: String,
    /// Number of its outputs.
    pub outputs: u64,
    /// Recordings that it left out, each with the reason.
    pub left_out: Vec<String>,
    /// What it supersedes, what that supersedes, and so on; newest first.
    pub supersedes: Vec<Link>,
    /// What supersedes it.
    pub superseded_by: Option<Link>,
}

/// A version of a recipe and the runs that used it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RecipeUse {
    /// Hash of the recipe's canonical form.
    pub version: String,
    /// Titles.
    pub titles: BTreeSet<String>,
    /// Names of the files it was read from.
    pub names: BTreeSet<String>,
    /// Who ran it, where the records say.
    pub operators: BTreeSet<String>,
    /// When its first run began.
    pub first: String,
    /// When its last run began.
    pub last: String,
    /// Result files.
    pub files: Vec<Link>,
}

/// Longest chain that is followed.
const LONGEST_CHAIN: usize = 1000;

/// From nodes to the outputs that they are behind. The order of the joins is fixed, since the planner knows
/// no numbers of rows.
pub(super) const FROM_NODES: &str = "CROSS JOIN behind ON behind.node = node.id
     CROSS JOIN output ON output.id = behind.output
     CROSS JOIN entry ON entry.id = output.entry
     CROSS JOIN run ON run.id = entry.run";

impl Index {
    /// The outputs that used something, at most `limit`.
    ///
    /// # Errors
    /// [`IndexError::Unknown`] when nothing of this name is known; [`IndexError::Quantity`] when a value
    /// cannot be read.
    pub fn uses(&self, uses: &Uses, limit: usize) -> Result<Used, IndexError> {
        match uses {
            Uses::RecordingAt(path) => self.uses_of_recording(path, limit),
            Uses::RecordingOf(hash) => {
                // Between the prefix and what follows all texts that begin with it.
                let end = format!("{hash}g");
                let sql = format!(
                    "SELECT run.id, output.id, entry.name, output.name, 'input `' || node.name || '`'
                     FROM (SELECT node FROM sample WHERE hash BETWEEN ?1 AND ?2
                           UNION SELECT id FROM node WHERE key BETWEEN ?1 AND ?2) found
                     CROSS JOIN node ON node.id = found.node AND node.stage = 'input' {FROM_NODES}"
                );
                let used = self.outputs(&sql, &[&hash, &end], limit, true)?;
                self.known(used, "recording", hash, "SELECT path FROM recording")
            }
            Uses::Constant(name, value) => {
                let known = "SELECT DISTINCT name FROM constant";
                let select = format!(
                    "SELECT run.id, output.id, entry.name, output.name,
                            constant.name || ' = ' || constant.text || ' in `' || node.name || '`'
                     FROM constant CROSS JOIN node ON node.id = constant.node {FROM_NODES}
                     WHERE constant.name = ?1"
                );
                let Some(value) = value else {
                    let used = self.outputs(&select, &[name], limit, true)?;
                    return self.known(used, "constant", name, known);
                };
                let (unit, low, high) = value_of(value)?;
                let sql = format!(
                    "{select} AND constant.dimension = ?2 AND constant.value BETWEEN ?3 AND ?4"
                );
                let used = self.outputs(&sql, &[name, &unit, &low, &high], limit, true)?;
                // Of a constant that is known, no result need have used this value.
                match self.has("SELECT 1 FROM constant WHERE name = ?1", name)? {
                    true => Ok(used),
                    false => self.known(used, "constant", name, known),
                }
            }
            Uses::Kernel(name, version) => {
                let known = "SELECT DISTINCT stage FROM node";
                let select = format!(
                    "SELECT run.id, output.id, entry.name, output.name,
                            node.stage || '@' || node.version || ' as `' || node.name || '`'
                     FROM node {FROM_NODES} WHERE node.stage = ?1"
                );
                let Some(version) = version else {
                    let used = self.outputs(&select, &[name], limit, true)?;
                    return self.known(used, "stage", name, known);
                };
                let sql = format!("{select} AND node.version = ?2");
                let used = self.outputs(&sql, &[name, version], limit, true)?;
                match self.has("SELECT 1 FROM node WHERE stage = ?1", name)? {
                    true => Ok(used),
                    false => self.known(used, "stage", name, known),
                }
            }
        }
    }

    fn uses_of_recording(&self, path: &Path, limit: usize) -> Result<Used, IndexError> {
        let wanted = path.to_string_lossy();
        let name = file_name(&wanted).to_owned();
        let entries: Vec<(i64, String)> = self.read(|c| {
            c.prepare_cached("SELECT entry, path FROM recording WHERE file_name = ?1")?
                .query_map([&name], |r| Ok((r.get(0)?, r.get(1)?)))?
                .collect()
        })?;
        let mut used = Used::default();
        for (entry, recorded) in entries.iter().filter(|(_, p)| agree(Path::new(p), path)) {
            let sql = "SELECT run.id, output.id, entry.name, output.name, ?2 FROM entry
                       CROSS JOIN output ON output.entry = entry.id
                       CROSS JOIN run ON run.id = entry.run WHERE entry.id = ?1";
            let rest = limit - used.outputs.len();
            let here = self.outputs(sql, &[entry, recorded], rest, true)?;
            used.outputs.extend(here.outputs);
            used.more |= here.more;
            if used.more {
                break;
            }
        }
        self.known(used, "recording", &wanted, "SELECT path FROM recording")
    }

    /// The outputs that a query gives: run, output, names of entry and output, and what was used.
    pub(super) fn outputs(
        &self,
        sql: &str,
        parameters: &[&dyn ToSql],
        limit: usize,
        superseded: bool,
    ) -> Result<Used, IndexError> {
        self.read(|c| {
            let mut used = Used::default();
            let mut seen = BTreeSet::new();
            let mut runs: BTreeMap<i64, Origin> = BTreeMap::new();
            let mut statement = c.prepare_cached(sql)?;
            let mut rows = statement.query(parameters)?;
            while let Some(row) = rows.next()? {
                let output: i64 = row.get(1)?;
                if seen.contains(&output) {
                    continue;
                }
                let run: i64 = row.get(0)?;
                let origin = match runs.entry(run) {
                    Entry::Occupied(known) => known.into_mut(),
                    Entry::Vacant(new) => new.insert(origin(c, run)?),
                };
                if origin.superseded_by.is_some() && !superseded {
                    continue;
                }
                if used.outputs.len() == limit {
                    used.more = true;
                    break;
                }
                seen.insert(output);
                used.outputs.push(Use {
                    file: origin.place.file.clone(),
                    gone: origin.place.gone,
                    superseded_by: origin.superseded_by.as_ref().map(|l| l.file.clone()),
                    began: origin.began.clone(),
                    entry: row.get(2)?,
                    output: row.get(3)?,
                    what: row.get(4)?,
                });
            }
            Ok(used)
        })
    }

    fn has(&self, sql: &str, name: &str) -> Result<bool, IndexError> {
        self.read(|c| Ok(c.query_row(sql, [name], |_| Ok(())).optional()?.is_some()))
    }

    /// What was found; a message that offers a name that is known where nothing was.
    fn known(
        &self,
        used: Used,
        what: &'static str,
        name: &str,
        names: &str,
    ) -> Result<Used, IndexError> {
        if !used.outputs.is_empty() {
            return Ok(used);
        }
        let all: Vec<String> =
            self.read(|c| c.prepare(names)?.query_map([], |r| r.get(0))?.collect())?;
        Err(IndexError::Unknown {
            what,
            name: name.into(),
            nearest: nearest(name, all.iter().map(String::as_str)).map(str::to_owned),
        })
    }

    /// All runs, in the order in which they began.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn runs(&self) -> Result<Vec<Run>, IndexError> {
        Ok(self.newest(usize::MAX, false)?.0)
    }

    /// The newest runs, at most `limit`, in the order in which they began, and whether there are more; where `current`
    /// says so, without those that are superseded.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn newest(&self, limit: usize, current: bool) -> Result<(Vec<Run>, bool), IndexError> {
        self.read(|c| {
            let mut statement = c.prepare(
                "SELECT id, began, program, operator, recipe_version, identity, supersedes
                 FROM run ORDER BY began DESC, id DESC",
            )?;
            let mut rows = statement.query([])?;
            let mut runs = Vec::new();
            while let Some(row) = rows.next()? {
                let id: i64 = row.get(0)?;
                let superseded_by = superseded_by(c, &row.get::<_, String>(5)?)?;
                if current && superseded_by.is_some() {
                    continue;
                }
                if runs.len() == limit {
                    runs.reverse();
                    return Ok((runs, true));
                }
                let outputs: i64 = c
                    .prepare_cached(
                        "SELECT count(*) FROM entry JOIN output ON output.entry = entry.id WHERE entry.run = ?1",
                    )?
                    .query_row([id], |r| r.get(0))?;
                let titles = c
                    .prepare_cached("SELECT DISTINCT title FROM entry WHERE run = ?1")?
                    .query_map([id], |r| r.get(0))?
                    .collect::<rusqlite::Result<_>>()?;
                let left_out = c
                    .prepare_cached("SELECT said FROM left_out WHERE run = ?1 ORDER BY rowid")?
                    .query_map([id], |r| r.get(0))?
                    .collect::<rusqlite::Result<_>>()?;
                runs.push(Run {
                    left_out,
                    files: files(c, id)?,
                    began: row.get(1)?,
                    program: row.get(2)?,
                    operator: row.get(3)?,
                    recipe_version: row.get(4)?,
                    titles,
                    outputs: outputs.unsigned_abs(),
                    supersedes: chain(c, row.get(6)?)?,
                    superseded_by,
                });
            }
            runs.reverse();
            Ok((runs, false))
        })
    }

    /// The versions of a recipe that were run: those of this version, title or file name. A part of the
    /// title is enough.
    ///
    /// # Errors
    /// [`IndexError::Unknown`] when none was.
    pub fn recipes(&self, name: &str, version: &str) -> Result<Vec<RecipeUse>, IndexError> {
        let found = self.read(|c| {
            let mut statement = c.prepare(
                "SELECT DISTINCT run.id, recipe_version, recipe_name, operator, began, entry.title
                 FROM run JOIN entry ON entry.run = run.id ORDER BY began, run.id",
            )?;
            let mut rows = statement.query([])?;
            let mut found: Vec<(RecipeUse, BTreeSet<i64>)> = Vec::new();
            while let Some(row) = rows.next()? {
                let (run, own): (i64, String) = (row.get(0)?, row.get(1)?);
                let (file, title): (String, String) = (row.get(2)?, row.get(5)?);
                let titled = title.to_lowercase().contains(&name.to_lowercase());
                if own != version && !titled && file_name(&file) != file_name(name) {
                    continue;
                }
                let at = found.iter().position(|(u, _)| u.version == own);
                let at = at.unwrap_or(found.len());
                let began: String = row.get(4)?;
                if at == found.len() {
                    let new = RecipeUse {
                        version: own,
                        titles: BTreeSet::new(),
                        names: BTreeSet::new(),
                        operators: BTreeSet::new(),
                        first: began.clone(),
                        last: String::new(),
                        files: Vec::new(),
                    };
                    found.push((new, BTreeSet::new()));
                }
                let (used, runs) = &mut found[at];
                used.titles.insert(title);
                used.names.insert(file);
                let operator: String = row.get(3)?;
                used.operators
                    .extend(Some(operator).filter(|o| !o.is_empty()));
                used.last = began;
                if runs.insert(run) {
                    used.files.extend(files(c, run)?);
                }
            }
            Ok(found.into_iter().map(|(u, _)| u).collect::<Vec<_>>())
        })?;
        if found.is_empty() {
            self.known(
                Used::default(),
                "recipe",
                name,
                "SELECT DISTINCT title FROM entry",
            )?;
        }
        Ok(found)
    }
}

/// What is told of the run of an output.
pub(super) struct Origin {
    pub place: Link,
    pub superseded_by: Option<Link>,
    pub began: String,
}

pub(super) fn origin(c: &Connection, run: i64) -> rusqlite::Result<Origin> {
    let (identity, began): (String, String) = c
        .prepare_cached("SELECT identity, began FROM run WHERE id = ?1")?
        .query_row([run], |r| Ok((r.get(0)?, r.get(1)?)))?;
    let nowhere = Link {
        file: PathBuf::new(),
        gone: true,
    };
    Ok(Origin {
        place: files(c, run)?.into_iter().next().unwrap_or(nowhere),
        superseded_by: superseded_by(c, &identity)?,
        began,
    })
}

/// The files of a run; those that are there come first.
pub(super) fn files(c: &Connection, run: i64) -> rusqlite::Result<Vec<Link>> {
    c.prepare_cached("SELECT path, gone FROM place WHERE run = ?1 ORDER BY gone, path")?
        .query_map([run], |r| {
            let file = PathBuf::from(r.get::<_, String>(0)?);
            let gone = r.get::<_, bool>(1)? || !file.exists();
            Ok(Link { file, gone })
        })?
        .collect()
}

/// The newest run that supersedes results.
pub(super) fn superseded_by(c: &Connection, identity: &str) -> rusqlite::Result<Option<Link>> {
    let run: Option<i64> = c
        .prepare_cached(
            "SELECT id FROM run WHERE supersedes = ?1 ORDER BY began DESC, id DESC LIMIT 1",
        )?
        .query_row([identity], |r| r.get(0))
        .optional()?;
    let files = run.map(|run| files(c, run)).transpose()?;
    Ok(files.and_then(|f| f.into_iter().next()))
}

/// The results that are superseded, one by the other, beginning with those of an identity.
fn chain(c: &Connection, mut identity: Option<String>) -> rusqlite::Result<Vec<Link>> {
    let mut links = Vec::new();
    while let Some(known) = identity.take().filter(|_| links.len() < LONGEST_CHAIN) {
        let run: Option<(i64, Option<String>)> = c
            .prepare_cached("SELECT id, supersedes FROM run WHERE identity = ?1")?
            .query_row([known], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()?;
        let Some((run, before)) = run else {
            break;
        };
        links.extend(files(c, run)?.into_iter().next());
        identity = before;
    }
    Ok(links)
}

/// Whether two paths may be the same: from the end on, they agree until one of them is at its beginning.
fn agree(one: &Path, other: &Path) -> bool {
    let parts = |path: &Path| -> Vec<String> {
        let mut parts: Vec<String> = Vec::new();
        for component in path.components() {
            match component {
                Component::Normal(name) => parts.push(name.to_string_lossy().into_owned()),
                // What stands before may be anything.
                Component::ParentDir => parts.clear(),
                _ => {}
            }
        }
        parts.reverse();
        parts
    };
    let (one, other) = (parts(one), parts(other));
    !one.is_empty() && !other.is_empty() && one.iter().zip(&other).all(|(a, b)| a == b)
}

/// The SI unit and the range of values that a value of a constant may have been written as.
pub(super) fn value_of(text: &str) -> Result<(String, f64, f64), IndexError> {
    let quantity = Quantity::parse(text).map_err(|error| IndexError::Quantity {
        text: text.into(),
        error,
    })?;
    // The same value written in another unit may differ in the last bits.
    let slack = 4.0 * f64::EPSILON * quantity.value.abs();
    Ok((
        Unit::si_name(&quantity.unit.ascii()),
        quantity.value - slack,
        quantity.value + slack,
    ))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::agree;

    #[test]
    fn paths_agree_from_the_end() {
        for (one, other, same) in [
            ("a.h5", "a.h5", true),
            ("a.h5", "/data/a.h5", true),
            ("./data/a.h5", "/x/data/a.h5", true),
            ("../data/a.h5", "/x/data/a.h5", true),
            ("old/a.h5", "/x/data/a.h5", false),
            ("a.h5", "b.h5", false),
            ("", "a.h5", false),
        ] {
            assert_eq!(
                agree(Path::new(one), Path::new(other)),
                same,
                "{one} {other}"
            );
            assert_eq!(
                agree(Path::new(other), Path::new(one)),
                same,
                "{one} {other}"
            );
        }
    }
}
