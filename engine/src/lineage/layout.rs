//! How a record stands in its file: a text of what there is one of, and a text for every entry, so that an output among
//! many thousands is told of without reading how the others were made.

use serde::{Deserialize, Serialize};

use super::make::{RECORD, SEAL};
use super::story::names_entry;
use super::{Entry, Lineage};
use crate::store::{ResultReader, ResultWriter, StoreError};

/// The text of what there is one of: a lineage without its entries, but with the name of each and the hash of its text.
#[derive(Serialize)]
struct Head<'l> {
    #[serde(flatten)]
    lineage: &'l Lineage,
    parts: &'l [(String, String)],
}

#[derive(Deserialize)]
struct Parts {
    parts: Vec<(String, String)>,
}

/// Why a record cannot be read.
pub(super) enum Unread {
    Store(StoreError),
    Text(serde_json::Error),
}

impl From<serde_json::Error> for Unread {
    fn from(error: serde_json::Error) -> Self {
        Unread::Text(error)
    }
}

/// Where the text of an entry stands.
pub fn entry_path(entry: &str) -> String {
    format!("/provenance/points/{entry}/lineage")
}

/// BLAKE3 of a text in hexadecimal digits.
pub(super) fn hash_of(text: &str) -> String {
    blake3::hash(text.as_bytes()).to_hex().to_string()
}

/// Writes the texts of entries; name and hash of each.
pub(super) fn write_entries(
    writer: &mut ResultWriter,
    entries: &[Entry],
) -> Result<Vec<(String, String)>, StoreError> {
    let write = |entry: &Entry| {
        // Texts, numbers and lists always have a JSON form.
        let text = serde_json::to_string_pretty(entry).unwrap_or_default();
        writer.text(&entry_path(&entry.name), &text)?;
        Ok((entry.name.clone(), hash_of(&text)))
    };
    entries.iter().map(write).collect()
}

/// Writes the text of what there is one of, and its seal.
pub(super) fn write_head(
    writer: &mut ResultWriter,
    lineage: &mut Lineage,
    parts: &[(String, String)],
) -> Result<(), StoreError> {
    let entries = std::mem::take(&mut lineage.entries);
    let text = serde_json::to_string_pretty(&Head { lineage, parts }).unwrap_or_default();
    lineage.entries = entries;
    writer.text(RECORD, &text)?;
    writer.text(SEAL, &hash_of(&text))
}

/// The lineage that a text begins, and whether its entries are those that it was sealed with: all of them, or those that
/// a wanted output such as `recording:answer[17]` names.
pub(super) fn read(
    file: &ResultReader,
    head: &str,
    wanted: Option<&str>,
) -> Result<(Lineage, bool), Unread> {
    let mut lineage: Lineage = serde_json::from_str(head)?;
    let Parts { parts } = serde_json::from_str(head)?;
    let named = |entry: &str| wanted.is_some_and(|text| names_entry(text, entry));
    let some = parts.iter().any(|(name, _)| named(name));
    let mut whole = true;
    lineage.entries.clear();
    for (name, hash) in &parts {
        if !some || named(name) {
            let text = file.text(&entry_path(name)).map_err(Unread::Store)?;
            whole &= hash_of(&text) == *hash;
            lineage.entries.push(serde_json::from_str(&text)?);
        }
    }
    Ok((lineage, whole))
}
