//! A result file read back: its texts, its lineage, its values, and what of them an index keeps.

mod budget;
mod values;

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::lineage::{Entry, Lineage, Output, Record, RecordError};
use crate::store::{Hash, StoreError};

pub use budget::{BudgetLine, budget};
pub use values::{Column, Part, SavedValue};

/// Where a result file keeps what it supersedes.
pub const SUPERSEDES: &str = "/provenance/supersedes";

/// Why a result file cannot be read back.
#[derive(Debug, thiserror::Error)]
pub enum SavedError {
    /// The file cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// It is no result file, or its lineage cannot be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// Another text of the file is damaged.
    #[error("{}: `{name}` cannot be read: {why}; run the recipe again", file.display())]
    Damaged {
        /// The file.
        file: PathBuf,
        /// The text.
        name: &'static str,
        /// What is wrong with it.
        why: String,
    },
}

/// What a run supersedes, as its result file says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Supersedes {
    /// Identity of the superseded results.
    pub identity: String,
    /// Name of their file, without its folder.
    pub file: String,
    /// Why, in words.
    pub reasons: Vec<String>,
}

/// A text with its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedText {
    /// Where the text came from, as the user named it.
    pub name: String,
    /// The text.
    pub text: String,
}

/// A result file, read back.
pub struct Saved {
    /// The record: the lineage, and hashes of samples and contents.
    pub record: Record,
    /// The recipe as it was run.
    pub recipe: NamedText,
    /// The wiring, if there was one.
    pub wiring: Option<NamedText>,
    /// What it supersedes, if anything.
    pub supersedes: Option<Supersedes>,
}

impl Saved {
    /// Opens a result file and reads all but its values.
    ///
    /// # Errors
    /// [`SavedError`], which says what to do.
    pub fn open(path: &Path) -> Result<Self, SavedError> {
        let record = Record::open(path)?;
        let held = record.file.names("/provenance");
        let has = |name: &str| held.iter().any(|n| n == name);
        let text = |name: &str| record.file.text(&format!("/provenance/{name}"));
        let recipe = NamedText {
            name: text("recipe_name")?,
            text: text("recipe")?,
        };
        let wiring = match has("wiring") {
            true => Some(NamedText {
                name: text("wiring_name")?,
                text: text("wiring")?,
            }),
            false => None,
        };
        let supersedes = match has("supersedes") {
            true => {
                let read = serde_json::from_str(&record.file.text(SUPERSEDES)?);
                Some(read.map_err(|e| SavedError::Damaged {
                    file: path.into(),
                    name: SUPERSEDES,
                    why: e.to_string(),
                })?)
            }
            false => None,
        };
        Ok(Saved {
            record,
            recipe,
            wiring,
            supersedes,
        })
    }

    /// Its path as given.
    pub fn path(&self) -> &Path {
        &self.record.path
    }

    /// The lineage.
    pub fn lineage(&self) -> &Lineage {
        &self.record.lineage
    }

    /// Tells these results from all others; copies share it.
    pub fn identity(&self) -> &str {
        &self.record.digest
    }

    /// The values of an output; none where its samples were kept instead.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn column(&self, entry: &Entry, output: &Output) -> Result<Column, StoreError> {
        let kind = entry.flow(output).map_or("", |f| f.kind.as_str());
        match ["wave", "phasor", "clock"]
            .iter()
            .any(|k| kind.starts_with(k))
        {
            true => Ok(Column::default()),
            false => values::read(
                &self.record.file,
                &format!("/{}/{}", entry.name, output.name),
            ),
        }
    }

    /// What an index keeps.
    ///
    /// # Errors
    /// [`StoreError`] when the values cannot be read.
    pub fn digest(&self) -> Result<Digest, StoreError> {
        let (mut columns, mut samples) = (Vec::new(), Vec::new());
        for entry in &self.lineage().entries {
            for output in &entry.outputs {
                columns.push(self.column(entry, output)?);
            }
            for node in entry.nodes.iter().filter(|n| n.input.is_some()) {
                samples.push(self.record.samples(&entry.name, &node.name)?);
            }
        }
        Ok(Digest {
            identity: self.identity().to_owned(),
            lineage: self.lineage().clone(),
            recipe_name: self.recipe.name.clone(),
            recipe_version: recipe_version(&self.recipe.text),
            supersedes: self.supersedes.as_ref().map(|s| s.identity.clone()),
            columns,
            samples,
        })
    }
}

/// Hash of a recipe's canonical form, in which comments and layout do not enter.
pub fn recipe_version(text: &str) -> String {
    let canonical = crate::text::canonical(text);
    let bytes = canonical.as_deref().unwrap_or(text).as_bytes();
    blake3::hash(bytes).to_hex().to_string()
}

/// What an index keeps of a result file.
#[derive(Clone, Debug, PartialEq)]
pub struct Digest {
    /// Identity of the results.
    pub identity: String,
    /// The lineage.
    pub lineage: Lineage,
    /// Where the recipe came from.
    pub recipe_name: String,
    /// Hash of the recipe's canonical form.
    pub recipe_version: String,
    /// Identity of what the results supersede.
    pub supersedes: Option<String>,
    /// The values of every output, in the order of entries and outputs.
    pub columns: Vec<Column>,
    /// The hashes of the samples of all points of every input, in the order of entries and nodes.
    pub samples: Vec<Vec<Hash>>,
}
