//! Compares filter chains: alternatives that a recipe carries, or several recipes, run at once over the same
//! recordings.
//!
//! ```text
//! alternatives: {
//!     "fewer poles": Replace({ "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "50 ms")) }),
//!     "time constant": Step(set: ["smooth.kind.time_constant"], to: ["100 ms", "300 ms"]),
//! }
//! ```
//!
//! Alternatives are changes of the recipe's text ([`alternatives`]). All chains are joined to one recipe in which
//! what they say alike is there once (`merge`), so that reading, mixing and everything else that is shared is
//! done once, and `trace` and `verify` know the result like any other. The difference of each chain to the first,
//! the base, is a result too: its uncertainty follows from the sources that both have. What is found is in
//! [`Comparison`], in the result file under `/comparison` (`store/comparison.rs` documents it), and is read back
//! by [`saved`].

pub mod alternatives;
mod edited;
mod expand;
mod judge;
mod merge;
mod report;
mod run;
mod start;
mod table;
mod verdict;

use std::path::Path;

use crate::diagnostic::Diagnostics;
use crate::recipe::Recipe;
use crate::session::RunError;
use crate::store::{ResultReader, StoreError};
use crate::text::{Name, Piece};

pub use expand::{Expanded, ExpandedChain, Words, expand};
pub use merge::Given;
pub use report::{
    Agreement, Axis, Chain, Comparison, Difference, Largest, Need, PointValue, Recommendation,
    Start, StartTime,
};
pub use run::{Done, Request, run};

/// Name of the first chain, that of the recipe itself.
pub const BASE: &str = "base";

/// Where a result file keeps comparisons, one group per entry.
pub const GROUP: &str = "/comparison";

/// Why nothing was compared.
#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    /// The chains cannot be compared with each other.
    #[error("{0}")]
    Unlike(String),
    /// The recipe that holds all chains is at fault.
    #[error("{0}")]
    Rejected(Diagnostics),
    /// The run gave nothing.
    #[error(transparent)]
    Run(#[from] RunError),
}

/// Why a comparison cannot be read back.
#[derive(Debug, thiserror::Error)]
pub enum SavedError {
    /// The file cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What it holds was damaged, or written by a newer program.
    #[error("{file}: the comparison of `{entry}` cannot be read: {why}; compare again")]
    Damaged {
        /// The file.
        file: String,
        /// The entry.
        entry: String,
        /// What the reader says.
        why: String,
    },
}

/// The comparisons that a result file holds, by the name of the entry; none where nothing was compared.
///
/// # Errors
/// [`SavedError`].
pub fn saved(path: &Path) -> Result<Vec<(String, Comparison)>, SavedError> {
    let file = ResultReader::open(path)?;
    let one = |entry: String| {
        let text = file.text(&format!("{GROUP}/{entry}/record"))?;
        match serde_json::from_str(&text) {
            Ok(comparison) => Ok((entry, comparison)),
            Err(error) => Err(SavedError::Damaged {
                file: path.display().to_string(),
                entry,
                why: error.to_string(),
            }),
        }
    };
    file.names(GROUP).into_iter().map(one).collect()
}

/// The named values of a section of a recipe, as they are written.
fn section(recipe: &Recipe, name: &str) -> Vec<(Name, Piece)> {
    let fields = Piece::whole(recipe.source.clone()).and_then(|p| p.fields());
    let fields = fields.unwrap_or_default();
    let section = fields.into_iter().find(|(n, _)| n.text == name);
    section.map_or_else(Vec::new, |(_, p)| p.entries().unwrap_or_default())
}
