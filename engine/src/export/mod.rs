//! Exports by open standards: the lineage of a result file as W3C PROV, the whole run as an RO-Crate.
//!
//! Sources: PROV-DM, PROV-N and PROV-CONSTRAINTS (W3C Recommendations, 30 April 2013), PROV-JSON (W3C Member
//! Submission, 24 April 2013), RO-Crate 1.1 (Research Object Crate, 2020), Workflow RO-Crate 1.0, and the
//! Process, Workflow and Provenance Run Crate profiles 0.5.
//!
//! Nothing that is exported holds a user's name or a path unless it is asked for. What people wrote into
//! recipes, wirings and attributes of recordings is theirs, and stays as it is.

mod crate_check;
mod crate_entities;
mod crate_files;
mod crate_people;
mod crate_plots;
mod crate_steps;
mod document;
mod prov;
mod prov_json;
mod prov_n;

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::lineage::Lineage;
use crate::saved::{Saved, SavedError};
use crate::store::{StoreError, beside, publish};

pub use crate_check::{OpenedCrate, open_crate};
pub use crate_files::{CrateOptions, METADATA, write_crate};

/// Why nothing was exported.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The results cannot be read, or what is exported cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The results cannot be read back.
    #[error(transparent)]
    Saved(#[from] SavedError),
    /// A file or folder cannot be used.
    #[error("{}: {why}", path.display())]
    Unfit {
        /// The file or folder.
        path: PathBuf,
        /// What was expected and found, and what to do.
        why: String,
    },
}

/// The notations of PROV.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Notation {
    /// PROV-JSON, for programs.
    Json,
    /// PROV-N, for people.
    N,
}

/// Writes the lineage of a result file as a PROV document.
///
/// # Errors
/// [`ExportError`] when the results cannot be read or the file cannot be written.
pub fn write_prov(
    saved: &Saved,
    notation: Notation,
    with_names: bool,
    target: &Path,
    overwrite: bool,
) -> Result<(), ExportError> {
    let text = prov_text(&told(saved, with_names), saved, notation);
    write_text(target, &text, overwrite)
}

/// The lineage as it may leave.
fn told(saved: &Saved, with_names: bool) -> Lineage {
    match with_names {
        true => saved.lineage().clone(),
        false => saved.lineage().public(),
    }
}

fn prov_text(lineage: &Lineage, saved: &Saved, notation: Notation) -> String {
    let document = prov::document(lineage, saved);
    match notation {
        Notation::Json => prov_json::print(&document),
        Notation::N => prov_n::print(&document),
    }
}

/// Writes a text, complete or not at all.
fn write_text(target: &Path, text: &str, overwrite: bool) -> Result<(), ExportError> {
    if target.exists() && !overwrite {
        return Err(StoreError::Exists {
            file: target.into(),
        }
        .into());
    }
    let mut file = beside(target)?;
    file.write_all(text.as_bytes())
        .map_err(|e| unfit(target, &e))?;
    Ok(publish(file, target)?)
}

fn unfit(path: &Path, error: &std::io::Error) -> ExportError {
    ExportError::Unfit {
        path: path.into(),
        why: format!(
            "{}; check the disk and the path",
            error.to_string().to_lowercase()
        ),
    }
}

/// An identifier for what a hash in hexadecimal digits stands for: a UUID of version 8 (RFC 9562) of its
/// first bits.
fn uuid(digits: &str) -> String {
    let mut bytes: Vec<char> = digits
        .chars()
        .chain(std::iter::repeat('0'))
        .take(32)
        .collect();
    bytes[12] = '8';
    bytes[16] = match bytes[16].to_digit(16).unwrap_or(0) % 4 {
        0 => '8',
        1 => '9',
        2 => 'a',
        _ => 'b',
    };
    let part = |range: std::ops::Range<usize>| bytes[range].iter().collect::<String>();
    format!(
        "urn:uuid:{}-{}-{}-{}-{}",
        part(0..8),
        part(8..12),
        part(12..16),
        part(16..20),
        part(20..32)
    )
}

/// A name of letters, digits, `_`, `-` and `.` that no other name has got yet.
#[derive(Default)]
struct Names(std::collections::BTreeMap<String, u32>);

impl Names {
    fn of(&mut self, text: &str) -> String {
        let plain: String = text
            .chars()
            .map(|c| match c {
                c if c.is_ascii_alphanumeric() || "_-.".contains(c) => c,
                _ => '_',
            })
            .collect();
        // Neither notation lets a name begin or end with a dot.
        let plain = plain.trim_matches('.').to_owned();
        let count = self.0.entry(plain.to_lowercase()).or_insert(0);
        *count += 1;
        match *count {
            1 if !plain.is_empty() => plain,
            n => format!("{plain}_{n}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Names, uuid};

    #[test]
    fn a_uuid_states_its_version_and_variant() {
        let id = uuid("7a9e9f8294c5333523a4c0dddb387ea2d49c0270afbc63100a598aa7f80baaef");
        assert_eq!(id, "urn:uuid:7a9e9f82-94c5-8335-a3a4-c0dddb387ea2");
        assert_eq!(uuid(""), "urn:uuid:00000000-0000-8000-8000-000000000000");
    }

    #[test]
    fn names_are_plain_and_distinct() {
        let mut names = Names::default();
        let given = ["a b", "a_b", "A_b", "\u{b5}", ".x.", "\u{b5}"];
        let made: Vec<String> = given.iter().map(|n| names.of(n)).collect();
        assert_eq!(made, ["a_b", "a_b_2", "A_b_3", "_", "x", "__2"]);
    }
}
