//! The record of a result file, opened: the lineage, its seal, and the tables of hashes beside it.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::first::First;
use super::layout::{Unread, hash_of, read};
use super::make::{RECORD, SEAL, contents_path, samples_path};
use super::{Lineage, VERSION};
use crate::store::{Hash, ResultReader, StoreError};

/// An opened result file and what it says of how it was made.
pub struct Record {
    /// The lineage.
    pub lineage: Lineage,
    /// The file.
    pub file: ResultReader,
    /// Its path as given.
    pub path: PathBuf,
    /// Hash of the text of the lineage as it is, in hexadecimal digits: what a signature covers. The text holds the
    /// hashes of the entries.
    pub digest: String,
    /// The seal that the file holds; `None` in version 1.
    pub seal: Option<String>,
    /// Whether the entries are those that the text of the lineage names.
    entries_fit: bool,
}

/// Why a record could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The file cannot be opened.
    #[error(transparent)]
    Open(StoreError),
    /// The file has no record.
    #[error("{}: expected a result file of `phasemill run`, found an HDF5 file without a lineage", file.display())]
    NoResults {
        /// The file.
        file: PathBuf,
    },
    /// A part of the record cannot be read.
    #[error(transparent)]
    Damaged(StoreError),
    /// The record is not what this program wrote.
    #[error("{}: the lineage cannot be read: {why}", file.display())]
    Unreadable {
        /// The file.
        file: PathBuf,
        /// What the reader says.
        why: String,
    },
    /// A later program wrote it.
    #[error("{}: expected a lineage of version {VERSION} or lower, found {found}; use a newer program", file.display())]
    Newer {
        /// The file.
        file: PathBuf,
        /// Version of the record.
        found: u32,
    },
}

#[derive(Deserialize)]
struct Version {
    version: u32,
}

impl RecordError {
    /// Whether the file is no result file at all, so that nothing can be said of it.
    pub fn is_no_results(&self) -> bool {
        matches!(self, RecordError::Open(_) | RecordError::NoResults { .. })
    }
}

/// Opens a result file.
///
/// # Errors
/// When it cannot be opened, or is no result file.
pub fn open_results(path: &Path) -> Result<ResultReader, RecordError> {
    let file = ResultReader::open(path).map_err(RecordError::Open)?;
    match file.names("/provenance").iter().any(|n| n == "lineage") {
        true => Ok(file),
        false => Err(RecordError::NoResults { file: path.into() }),
    }
}

impl Record {
    /// Opens the record of a result file, of any version up to the present one.
    ///
    /// # Errors
    /// When the file cannot be opened, or its record cannot be read.
    pub fn open(path: &Path) -> Result<Self, RecordError> {
        Self::open_for(path, None)
    }

    /// As [`Record::open`], for an output alone: where a text such as `recording:answer[17]` names an entry that the
    /// file holds, the lineage is without the others, which takes a small part of the time when there are thousands.
    ///
    /// # Errors
    /// As [`Record::open`].
    pub fn open_for(path: &Path, output: Option<&str>) -> Result<Self, RecordError> {
        let file = open_results(path)?;
        let text = file.text(RECORD).map_err(RecordError::Damaged)?;
        let unreadable = |e: serde_json::Error| RecordError::Unreadable {
            file: path.into(),
            why: e.to_string(),
        };
        let Version { version } = serde_json::from_str(&text).map_err(unreadable)?;
        let mut entries_fit = true;
        let lineage = match version {
            1 => serde_json::from_str::<First>(&text)
                .map_err(unreadable)?
                .into(),
            2 => serde_json::from_str(&text).map_err(unreadable)?,
            3 => {
                let (lineage, fit) = read(&file, &text, output).map_err(|why| match why {
                    Unread::Store(error) => RecordError::Damaged(error),
                    Unread::Text(error) => unreadable(error),
                })?;
                entries_fit = fit;
                lineage
            }
            found => {
                return Err(RecordError::Newer {
                    file: path.into(),
                    found,
                });
            }
        };
        Ok(Record {
            lineage,
            path: path.into(),
            digest: hash_of(&text),
            entries_fit,
            seal: (version > 1).then(|| file.text(SEAL).unwrap_or_default()),
            file,
        })
    }

    /// Whether the lineage is as it was written; version 1 cannot tell and counts as whole.
    pub fn is_whole(&self) -> bool {
        self.entries_fit && self.seal.as_ref().is_none_or(|seal| *seal == self.digest)
    }

    /// The hashes of the stored samples of all points of an input, zeros where they could not be read.
    ///
    /// # Errors
    /// When the table cannot be read.
    pub fn samples(&self, entry: &str, input: &str) -> Result<Vec<Hash>, StoreError> {
        let entries = self.lineage.entries.iter().filter(|e| e.name == entry);
        let facts = entries.filter_map(|e| e.node(input)?.input.as_ref()).next();
        match facts {
            Some(facts) if self.lineage.version == 1 => Ok(facts
                .points_in_text
                .iter()
                .map(|digits| blake3::Hash::from_hex(digits).map_or([0; 32], |h| *h.as_bytes()))
                .collect()),
            _ => self.file.hashes(&samples_path(entry, input)),
        }
    }

    /// The hashes of what the file holds of each point of an output.
    ///
    /// # Errors
    /// When the table cannot be read; version 1 has none.
    pub fn contents(&self, entry: &str, output: &str) -> Result<Vec<Hash>, StoreError> {
        self.file.hashes(&contents_path(entry, output))
    }

    /// As [`Record::samples`], of one point.
    ///
    /// # Errors
    /// When the table cannot be read or has no such point.
    pub fn sample_of(&self, entry: &str, input: &str, point: u64) -> Result<Hash, StoreError> {
        match self.lineage.version {
            1 => {
                let all = self.samples(entry, input)?;
                Ok(all.get(point as usize).copied().unwrap_or([0; 32]))
            }
            _ => self.file.hash_at(&samples_path(entry, input), point),
        }
    }

    /// As [`Record::contents`], of one point.
    ///
    /// # Errors
    /// When the table cannot be read or has no such point.
    pub fn content_of(&self, entry: &str, output: &str, point: u64) -> Result<Hash, StoreError> {
        self.file.hash_at(&contents_path(entry, output), point)
    }
}
