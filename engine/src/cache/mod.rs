//! Intermediate results, kept in a folder and found again by what they were made from.
//!
//! What is kept of each point: of every stage that runs over samples the values and remarks with which it ended, and
//! its samples where they come at most once per [`SLOWEST`] of the recording's. So a recipe of which the end changed
//! needs neither the recording nor the fast stages again.
//!
//! An entry is named by a key: a BLAKE3 hash over the program's version and everything that decides the numbers, which are
//! stage, numeric version, settings, flows in and out, and the keys of what is read; of an input its header and the
//! hash of its stored samples at the point. So nothing in the folder can become wrong; it can only become useless.
//!
//! The hash of samples is known only when all are read. To save that, a file is taken to be unchanged while its
//! path, inode, size, times of modification and of change, and its first and last 64 KiB are the same ([`Trust::File`]); or else it
//! is read through for its hash ([`Trust::Content`]).
//!
//! Every entry ends with a hash of its bytes and its name; one that does not fit is removed, computed again, and
//! told of. Entries are written beside and renamed, so that several runs may share a folder, and it may be deleted at
//! any moment.

mod closing;
mod folder;
mod keys;
#[cfg(test)]
mod tests;
mod visit;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, PoisonError};

use crate::run::Job;
use crate::store::{ChannelHeader, RecordingFile};
use folder::Folder;
pub use folder::Held;
use keys::FilePrint;
pub(crate) use visit::{LaneSource, Visit, Way};

/// Samples of a recording per sample of a flow that is kept, at least.
pub const SLOWEST: u64 = 50;

/// How recordings are known again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Trust {
    /// By path, size, times and ends of their files.
    #[default]
    File,
    /// By all of their samples, which are read.
    Content,
}

/// A folder that cannot serve as a cache.
#[derive(Debug, thiserror::Error)]
#[error("the cache {}: {why}", path.display())]
pub struct CacheError {
    /// The folder.
    pub path: PathBuf,
    /// What was expected and found, and what to do.
    pub why: String,
}

/// What a run had from a cache and left in it, as counts of stages at points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Served {
    /// Found.
    pub found: u64,
    /// Computed and kept.
    pub kept: u64,
    /// Entries that were damaged, and computed again.
    pub damaged: u64,
    /// Files that were taken to be unchanged and were not.
    pub deceived: u64,
}

/// An open cache, which runs and threads may share.
#[derive(Debug)]
pub struct Cache {
    folder: Folder,
    trust: Trust,
    served: [AtomicU64; 4],
}

/// A cache for one job: what of the keys does not depend on the point.
#[derive(Debug)]
pub(crate) struct Attached<'c> {
    pub cache: &'c Cache,
    /// For every node.
    pub stages: Vec<blake3::Hash>,
    /// Of each channel by file and dataset; `None` where its file does not tell whether it changed.
    prints: Mutex<BTreeMap<(PathBuf, String), Option<FilePrint>>>,
}

impl Attached<'_> {
    /// The print of the file behind a channel, where all its samples are in it.
    fn print(&self, file: &RecordingFile, header: &ChannelHeader) -> Option<FilePrint> {
        let key = (file.path().to_owned(), header.dataset.clone());
        let mut prints = self.prints.lock().unwrap_or_else(PoisonError::into_inner);
        let taken = || FilePrint::of(file.path()).filter(|_| file.holds(header));
        prints.entry(key).or_insert_with(taken).clone()
    }
}

impl Cache {
    /// Opens a cache in a folder, which is made where there is none.
    ///
    /// # Errors
    /// [`CacheError`] when it cannot be made, or holds something else.
    pub fn open(path: &Path, trust: Trust) -> Result<Self, CacheError> {
        Ok(Cache {
            folder: Folder::make(path)?,
            trust,
            served: Default::default(),
        })
    }

    /// Whether recordings are read for their hashes.
    pub(crate) fn reads_first(&self) -> bool {
        self.trust == Trust::Content
    }

    pub(crate) fn attach(&self, job: &Job<'_>) -> Attached<'_> {
        Attached {
            cache: self,
            stages: keys::of_stages(job),
            prints: Mutex::default(),
        }
    }

    /// What it did since it was opened.
    pub fn served(&self) -> Served {
        let [found, kept, damaged, deceived] = [0, 1, 2, 3].map(|i| self.served[i].load(Relaxed));
        Served {
            found,
            kept,
            damaged,
            deceived,
        }
    }

    /// Removes entries, those that were not used for longest first, until at most so many bytes are left.
    pub fn shrink(&self, bytes: u64) {
        self.folder.shrink(bytes);
    }

    /// What it holds.
    pub fn held(&self) -> Held {
        self.folder.held()
    }

    fn count(&self, change: Served) {
        let counts = [change.found, change.kept, change.damaged, change.deceived];
        for (sum, count) in self.served.iter().zip(counts) {
            sum.fetch_add(count, Relaxed);
        }
    }
}

/// What the cache in a folder holds.
///
/// # Errors
/// [`CacheError`] when the folder is no cache.
pub fn held(path: &Path) -> Result<Held, CacheError> {
    Ok(Folder::existing(path)?.held())
}

/// Removes what the cache in a folder holds beyond so many bytes, as [`Cache::shrink`] does; what is left.
///
/// # Errors
/// [`CacheError`] when the folder is no cache.
pub fn shrink(path: &Path, bytes: u64) -> Result<Held, CacheError> {
    let folder = Folder::existing(path)?;
    folder.shrink(bytes);
    Ok(folder.held())
}
