//! Opening a crate again: where its results are, and whether its files are what it says.

use std::path::{Path, PathBuf};

use serde_json::Value as Json;

use super::crate_files::{METADATA, summed};
use super::{ExportError, unfit};

/// A crate, opened.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenedCrate {
    /// The result file in it.
    pub results: PathBuf,
    /// Files that are missing or not what the description says, with the reason.
    pub changed: Vec<(PathBuf, &'static str)>,
}

/// Opens a crate that [`super::write_crate`] wrote, and compares the SHA-256 of every file in it.
///
/// # Errors
/// [`ExportError::Unfit`] when the folder is no such crate.
pub fn open_crate(folder: &Path) -> Result<OpenedCrate, ExportError> {
    let fault = |why: &str| ExportError::Unfit {
        path: folder.into(),
        why: why.into(),
    };
    let text = std::fs::read_to_string(folder.join(METADATA)).map_err(|_| {
        fault("expected a result file or an exported crate, found a folder without ro-crate-metadata.json; name the result file in it")
    })?;
    let whole: Json = serde_json::from_str(&text).map_err(|_| {
        fault("expected JSON in ro-crate-metadata.json, found something else; copy the crate again")
    })?;
    let entities = whole["@graph"].as_array().map_or(&[][..], Vec::as_slice);
    let mut opened = OpenedCrate {
        results: PathBuf::new(),
        changed: Vec::new(),
    };
    for entity in entities {
        let (Some(id), Some(sum)) = (entity["@id"].as_str(), entity["sha256"].as_str()) else {
            continue;
        };
        let Some(name) = decoded(id) else {
            return Err(fault(
                "expected files below the crate, found one elsewhere; do not trust it",
            ));
        };
        let path = folder.join(name);
        if entity["exampleOfWork"]["@id"] == "#output-results" {
            opened.results = path.clone();
        }
        match path.is_file() {
            false => opened.changed.push((path, "it is missing")),
            true if summed(&path).map_err(|e| unfit(&path, &e))?.1 != sum => {
                opened
                    .changed
                    .push((path, "it is not what the crate says of it"));
            }
            true => {}
        }
    }
    match opened.results.as_os_str().is_empty() {
        true => Err(fault(
            "expected a crate with results of phasemill, found another; name the result file in it",
        )),
        false => Ok(opened),
    }
}

/// The path that a relative URI stands for; `None` for one that leads out of the crate.
fn decoded(id: &str) -> Option<String> {
    let mut bytes = Vec::new();
    let mut rest = id.bytes();
    while let Some(byte) = rest.next() {
        bytes.push(match byte {
            b'%' => {
                let digits = [rest.next()?, rest.next()?];
                u8::from_str_radix(std::str::from_utf8(&digits).ok()?, 16).ok()?
            }
            byte => byte,
        });
    }
    let path = String::from_utf8(bytes).ok()?;
    let below = |c: std::path::Component<'_>| matches!(c, std::path::Component::Normal(_));
    Path::new(&path).components().all(below).then_some(path)
}

#[cfg(test)]
mod tests {
    use super::decoded;

    #[test]
    fn a_uri_leads_to_a_path_below_the_crate_or_nowhere() {
        assert_eq!(
            decoded("recordings/a%20b.h5").as_deref(),
            Some("recordings/a b.h5")
        );
        assert_eq!(decoded("%C2%B5.h5").as_deref(), Some("\u{b5}.h5"));
        for bad in ["../a.h5", "%2E%2E/a.h5", "/a.h5", "a%2", "a%zz", "%ff"] {
            assert_eq!(decoded(bad), None, "{bad}");
        }
    }
}
