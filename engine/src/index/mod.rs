//! The index of the results of a lab, in one SQLite file; the only folder that names `rusqlite`.
//!
//! It keeps nothing that the result files do not say, so it can be made again from them at any time.
//! A run is known by a hash over its lineage and recipe, so files may be copied, moved and renamed.

mod add;
mod find;
mod query;
mod stale;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, TransactionBehavior};

use crate::saved::SavedError;
use crate::units::UnitError;

pub use add::{Added, Found, Scan, Stamp};
pub use find::{Hit, Hits, Wanted};
pub use query::{Link, RecipeUse, Run, Use, Used, Uses};
pub use stale::{Changed, Correction, Stale};

/// Version of the tables.
const TABLES: i64 = 2;
/// Marks the files of this program among those of SQLite ("phml" in ASCII).
const APPLICATION: i64 = 0x7068_6d6c;
/// How long another process may take to write before this one gives up.
const PATIENCE: Duration = Duration::from_secs(30);

/// Why the index cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum IndexError {
    /// The file cannot be used as an index.
    #[error("{}: expected an index of results, found {found}; {remedy}", file.display())]
    Unusable {
        /// The file.
        file: PathBuf,
        /// What was found.
        found: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A result file cannot be read.
    #[error(transparent)]
    Saved(#[from] SavedError),
    /// A folder cannot be read.
    #[error("{}: cannot be read: {why}; check the path", path.display())]
    Unreadable {
        /// The folder or file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// Nothing of this name is in the index.
    #[error("no {what} `{name}` in the index{}", hint(nearest))]
    Unknown {
        /// What was looked for.
        what: &'static str,
        /// Its name.
        name: String,
        /// A name that is spelt alike.
        nearest: Option<String>,
    },
    /// A value that corrects another is of another dimension.
    #[error("expected a corrected value of `{name}` in {unit}, as the old one, found `{new}`")]
    Correction {
        /// The constant.
        name: String,
        /// The SI unit of the old value.
        unit: String,
        /// The new value.
        new: String,
    },
    /// A quantity cannot be read.
    #[error("`{text}`: {error}")]
    Quantity {
        /// The text.
        text: String,
        /// What is wrong.
        error: UnitError,
    },
}

fn hint(nearest: &Option<String>) -> String {
    match nearest {
        Some(name) => format!("; did you mean `{name}`?"),
        None => "; `phasemill catalogue add` takes result files in".into(),
    }
}

/// An open index.
pub struct Index {
    connection: Connection,
    path: PathBuf,
}

const REBUILD: &str = "make it again with `phasemill catalogue rebuild FOLDER`";

impl Index {
    /// Opens an index; makes an empty one where there is none.
    ///
    /// # Errors
    /// [`IndexError::Unusable`] when the file is something else, damaged, or of a newer program.
    pub fn open(path: &Path) -> Result<Self, IndexError> {
        Self::connect(path).and_then(|mut index| {
            index.prepare()?;
            Ok(index)
        })
    }

    /// Opens an index that must be there.
    ///
    /// # Errors
    /// As [`Index::open`], and when there is no such file.
    pub fn existing(path: &Path) -> Result<Self, IndexError> {
        if !path.exists() {
            return Err(IndexError::Unusable {
                file: path.into(),
                found: "no such file".into(),
                remedy: "name it with `--index FILE`, or make it with `phasemill catalogue add FOLDER`",
            });
        }
        Self::open(path)
    }

    /// Makes an index anew and empty, whatever the file was; a file that is no SQLite file is kept and
    /// refused.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn anew(path: &Path) -> Result<(Self, Vec<PathBuf>), IndexError> {
        let known = Self::existing(path)
            .and_then(|index| index.folders())
            .unwrap_or_default();
        if path.exists() {
            if !is_sqlite(path) {
                return Err(unusable(
                    path,
                    "another kind of file",
                    "choose another name",
                ));
            }
            for ending in ["", "-journal", "-wal", "-shm"] {
                let mut name = path.as_os_str().to_owned();
                name.push(ending);
                match std::fs::remove_file(&name) {
                    Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                        let found = format!("a file that cannot be replaced: {e}");
                        return Err(unusable(path, found, "check the folder"));
                    }
                    _ => {}
                }
            }
        }
        Ok((Self::open(path)?, known))
    }

    fn connect(path: &Path) -> Result<Self, IndexError> {
        let connection = Connection::open(path).map_err(|e| damaged(path, &e))?;
        let index = Index {
            connection,
            path: path.into(),
        };
        // A rollback journal and no write-ahead log: the latter does not work on network file systems,
        // where the index of a lab is likely to be.
        let set = index.connection.busy_timeout(PATIENCE).and_then(|()| {
            index
                .connection
                .execute_batch("PRAGMA foreign_keys = ON; PRAGMA synchronous = NORMAL;")
        });
        set.map_err(|e| damaged(path, &e))?;
        Ok(index)
    }

    /// Makes the tables, unless they are there.
    fn prepare(&mut self) -> Result<(), IndexError> {
        let path = self.path.clone();
        let read = |c: &Connection| -> rusqlite::Result<(i64, i64, i64)> {
            let number = |sql: &str| c.query_row(sql, [], |r| r.get(0));
            Ok((
                number("PRAGMA application_id")?,
                number("PRAGMA user_version")?,
                number("SELECT count(*) FROM sqlite_schema")?,
            ))
        };
        let check = |(application, version, tables): (i64, i64, i64)| match (application, version) {
            (APPLICATION, TABLES) => Ok(true),
            (APPLICATION, v) if v > TABLES => {
                let found = format!("one of version {v}, and this program knows {TABLES}");
                Err(unusable(&path, found, "use a newer program"))
            }
            (APPLICATION, v) => Err(unusable(&path, format!("one of version {v}"), REBUILD)),
            _ if tables == 0 => Ok(false),
            _ => Err(unusable(
                &path,
                "a database of another program",
                "choose another name",
            )),
        };
        // In one transaction: between two reads another process may make the tables.
        let look = self.connection.transaction().and_then(|t| read(&t));
        if check(look.map_err(|e| damaged(&path, &e))?)? {
            return Ok(());
        }
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| damaged(&path, &e))?;
        // Another process may have been faster.
        if !check(read(&transaction).map_err(|e| damaged(&path, &e))?)? {
            let mark =
                format!("PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {TABLES};");
            transaction
                .execute_batch(include_str!("schema.sql"))
                .and_then(|()| transaction.execute_batch(&mark))
                .map_err(|e| damaged(&path, &e))?;
        }
        transaction.commit().map_err(|e| damaged(&path, &e))
    }

    fn fault(&self, error: &rusqlite::Error) -> IndexError {
        damaged(&self.path, error)
    }
}

fn is_sqlite(path: &Path) -> bool {
    let mut start = [0; 16];
    let read = std::fs::File::open(path).and_then(|mut f| {
        let length = f.metadata()?.len();
        match length {
            0 => Ok(0),
            _ => std::io::Read::read(&mut f, &mut start),
        }
    });
    // An index of which the first bytes are damaged still has its name; an empty file is none's.
    match read {
        Ok(0) => true,
        Ok(_) => &start == b"SQLite format 3\0",
        Err(_) => false,
    }
}

fn unusable(file: &Path, found: impl Into<String>, remedy: &'static str) -> IndexError {
    IndexError::Unusable {
        file: file.into(),
        found: found.into(),
        remedy,
    }
}

/// What SQLite says, and what to do.
fn damaged(file: &Path, error: &rusqlite::Error) -> IndexError {
    let (found, remedy) = match error.sqlite_error_code() {
        Some(ErrorCode::NotADatabase) => ("another kind of file".to_owned(), "choose another name"),
        Some(ErrorCode::CannotOpen) => (
            "a place where no file can be opened".to_owned(),
            "check the folder and its permissions",
        ),
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => (
            "a file that may not be written to".to_owned(),
            "check its permissions, or choose another with `--index FILE`",
        ),
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => (
            "one that another process has been writing to for long".to_owned(),
            "wait for it, and try again",
        ),
        Some(ErrorCode::DiskFull) => ("a full disk".to_owned(), "make room, and try again"),
        _ => (format!("a damaged one ({error})"), REBUILD),
    };
    IndexError::Unusable {
        file: file.into(),
        found,
        remedy,
    }
}

#[cfg(test)]
mod tests;
