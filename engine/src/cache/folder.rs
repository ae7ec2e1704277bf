//! The files of a cache: entries that are complete or absent, and checked by a hash when they are read.

use std::fs::{File, OpenOptions};
use std::io::{BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use tempfile::NamedTempFile;

use super::CacheError;
use crate::store::beside;

/// By this file, tools for backups know that a folder need not be saved (Cache Directory Tagging Specification 0.6).
const TAG: &str = "CACHEDIR.TAG";
const TAGGED: &str = "Signature: 8a477f597d28d172789f06886806bc55\n\
    # Intermediate results of phasemill; this folder may be deleted at any moment.\n";
/// Says what the folder is, of which program.
const OWN: &str = "of phasemill";
/// How entries begin.
const MAGIC: &[u8; 8] = b"phm-kept";
/// Bytes before what an entry holds.
pub(super) const AHEAD: u64 = MAGIC.len() as u64;
const HASH: u64 = 32;
const ENDING: &str = "kept";
/// What a run left that ended in the middle of it.
const LOST: (&str, Duration) = (".partial", Duration::from_secs(24 * 3600));

/// What a cache holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Held {
    /// Entries.
    pub entries: u64,
    /// Their bytes.
    pub bytes: u64,
}

#[derive(Debug)]
pub(super) struct Folder {
    at: PathBuf,
}

/// What was found under a name.
pub(super) enum Found<T> {
    Nothing,
    /// It was damaged, and is gone.
    Damaged,
    Whole(T),
}

impl Folder {
    /// The cache in a folder, which is made where there is none.
    pub fn make(path: &Path) -> Result<Self, CacheError> {
        let fault = |why: String| CacheError {
            path: path.into(),
            why,
        };
        let broken = |e: std::io::Error| fault(format!("{}; choose another folder", system(&e)));
        std::fs::create_dir_all(path).map_err(broken)?;
        let tag = path.join(TAG);
        if !is_cache(path) {
            // Another run may be making the same cache: its mark is written first, and may not be complete yet.
            let inside = std::fs::read_dir(path).map_err(broken)?;
            let others = inside.flatten().any(|e| !is_own(&e.path()));
            let marked = std::fs::read(&tag).unwrap_or_default();
            let foreign = !TAGGED.as_bytes().starts_with(&marked);
            if foreign || (others && !is_cache(path)) {
                let why =
                    "expected a new or empty folder, found one with other files; name another";
                return Err(fault(why.into()));
            }
            // Not cut off first: whoever else reads it finds no less than before.
            let mut options = OpenOptions::new();
            let file = options.create(true).truncate(false).write(true).open(&tag);
            file.and_then(|mut file| file.write_all(TAGGED.as_bytes()))
                .map_err(broken)?;
        }
        Ok(Folder { at: path.into() })
    }

    /// The cache in a folder.
    pub fn existing(path: &Path) -> Result<Self, CacheError> {
        match is_cache(path) {
            true => Ok(Folder { at: path.into() }),
            false => Err(CacheError {
                path: path.into(),
                why: format!("expected a folder with {TAG} {OWN}, found none; check the path"),
            }),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        let shelf = name.get(..2).unwrap_or("00");
        self.at.join(shelf).join(format!("{name}.{ENDING}"))
    }

    /// All of a small entry.
    pub fn read(&self, name: &str) -> Found<Vec<u8>> {
        match self.open(name) {
            Found::Nothing => Found::Nothing,
            Found::Damaged => Found::Damaged,
            Found::Whole((mut file, length)) => {
                let mut bytes = Vec::new();
                match file.by_ref().take(length).read_to_end(&mut bytes) {
                    Ok(_) => Found::Whole(bytes),
                    Err(_) => self.damaged(name),
                }
            }
        }
    }

    /// An entry to be read from its beginning, and its length. What was opened stays readable when its file is removed.
    pub fn open(&self, name: &str) -> Found<(BufReader<File>, u64)> {
        let path = self.path(name);
        let Ok(file) = File::open(&path) else {
            return Found::Nothing;
        };
        let mut file = BufReader::new(file);
        match checked(&mut file, name) {
            Ok(Some(length)) => {
                // What was used lately goes last.
                let _ = file.get_ref().set_modified(SystemTime::now());
                Found::Whole((file, length))
            }
            _ => self.damaged(name),
        }
    }

    fn damaged<T>(&self, name: &str) -> Found<T> {
        self.forget(name);
        Found::Damaged
    }

    /// Removes an entry.
    pub fn forget(&self, name: &str) {
        // Another run may have removed it.
        let _ = std::fs::remove_file(self.path(name));
    }

    /// Begins an entry whose name is not known yet.
    pub fn begin(&self) -> Option<Entry> {
        let mut entry = Entry {
            file: BufWriter::new(beside(&self.at.join("entry")).ok()?),
            hasher: blake3::Hasher::new(),
        };
        entry.write(MAGIC)?;
        Some(entry)
    }

    /// Gives an entry its name. That it cannot be kept is no fault of a run.
    pub fn keep(&self, entry: Entry, name: &str) -> bool {
        entry.finish(&self.path(name), name).is_some()
    }

    /// Keeps a small entry.
    pub fn keep_bytes(&self, name: &str, bytes: &[u8]) -> bool {
        let entry = self.begin().and_then(|mut entry| {
            entry.write(bytes)?;
            Some(entry)
        });
        entry.is_some_and(|entry| self.keep(entry, name))
    }

    /// All entries: when they were used last, size, path.
    fn entries(&self) -> Vec<(SystemTime, u64, PathBuf)> {
        let list = |at: &Path| std::fs::read_dir(at).into_iter().flatten().flatten();
        let mut all = Vec::new();
        for shelf in list(&self.at).filter(|s| s.path().is_dir()) {
            for file in list(&shelf.path()) {
                let path = file.path();
                if let (Some(ENDING), Ok(data)) =
                    (path.extension().and_then(|e| e.to_str()), file.metadata())
                {
                    let used = data.modified().unwrap_or(SystemTime::UNIX_EPOCH);
                    all.push((used, data.len(), path));
                }
            }
        }
        all.sort();
        all
    }

    pub fn held(&self) -> Held {
        let sizes = self.entries().into_iter().map(|(_, size, _)| size);
        sizes.fold(Held::default(), |held, size| Held {
            entries: held.entries + 1,
            bytes: held.bytes + size,
        })
    }

    pub fn shrink(&self, bytes: u64) {
        let entries = self.entries();
        let mut total: u64 = entries.iter().map(|(_, size, _)| size).sum();
        for (_, size, path) in entries {
            if total <= bytes {
                break;
            }
            // Another run may have removed it.
            let _ = std::fs::remove_file(&path);
            total -= size;
        }
        for file in std::fs::read_dir(&self.at).into_iter().flatten().flatten() {
            let age = file.metadata().and_then(|d| d.modified());
            let age = age.ok().and_then(|m| m.elapsed().ok());
            let name = file.file_name();
            if name.to_string_lossy().ends_with(LOST.0) && age.is_some_and(|age| age > LOST.1) {
                let _ = std::fs::remove_file(file.path());
            }
        }
    }
}

fn is_cache(path: &Path) -> bool {
    std::fs::read_to_string(path.join(TAG)).is_ok_and(|tag| tag.contains(OWN))
}

/// Whether a cache made this file or folder. A cache that is deleted while a run fills it may lose its mark alone.
fn is_own(path: &Path) -> bool {
    let ends = |path: &Path, end: &str| path.extension().is_some_and(|e| e == end);
    let name = path.file_name().map(|name| name.to_string_lossy());
    let is_shelf = |name: &str| name.len() == 2 && name.bytes().all(|b| b.is_ascii_hexdigit());
    match std::fs::read_dir(path) {
        Ok(mut shelf) => {
            let own = shelf.all(|e| e.is_ok_and(|e| ends(&e.path(), ENDING)));
            own && name.is_some_and(|name| is_shelf(&name))
        }
        Err(_) => name.is_some_and(|name| name == TAG || name.ends_with(LOST.0)),
    }
}

fn system(error: &std::io::Error) -> String {
    let text = error.to_string().to_lowercase();
    text.split(" (os error").next().unwrap_or(&text).to_owned()
}

/// The length of what an entry holds, to whose beginning the file is set; `None` when it is not whole.
fn checked(file: &mut BufReader<File>, name: &str) -> std::io::Result<Option<u64>> {
    let size = file.get_ref().metadata()?.len();
    let Some(body) = size.checked_sub(HASH).filter(|b| *b >= AHEAD) else {
        return Ok(None);
    };
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; 1 << 16];
    let mut left = body;
    while left > 0 {
        let some = left.min(block.len() as u64) as usize;
        file.read_exact(&mut block[..some])?;
        if left == body && !block.starts_with(MAGIC) {
            return Ok(None);
        }
        hasher.update(&block[..some]);
        left -= some as u64;
    }
    hasher.update(name.as_bytes());
    let mut stated = [0; HASH as usize];
    file.read_exact(&mut stated)?;
    if *hasher.finalize().as_bytes() != stated {
        return Ok(None);
    }
    file.seek(SeekFrom::Start(AHEAD))?;
    Ok(Some(body - AHEAD))
}

/// An entry that is being written. Dropped, it leaves nothing.
pub(super) struct Entry {
    file: BufWriter<NamedTempFile>,
    hasher: blake3::Hasher,
}

impl Entry {
    pub fn write(&mut self, bytes: &[u8]) -> Option<()> {
        self.hasher.update(bytes);
        self.file.write_all(bytes).ok()
    }

    fn finish(mut self, path: &Path, name: &str) -> Option<()> {
        self.hasher.update(name.as_bytes());
        let hash = self.hasher.finalize();
        self.file.write_all(hash.as_bytes()).ok()?;
        let file = self.file.into_inner().ok()?;
        std::fs::create_dir_all(path.parent()?).ok()?;
        // Not synced: what a power cut leaves half written does not fit its hash.
        file.persist(path).ok().map(drop)
    }
}
