//! Published data for tests, read where they lie; a test that needs them says so when they are absent.

use std::path::PathBuf;

/// The text of a file of published data; `None`, with a line that says so, when it is absent.
pub fn read(name: &str) -> Option<String> {
    let folder = std::env::var_os("PHASEMILL_REFERENCE_DATA").map(PathBuf::from);
    let folder = folder.unwrap_or_else(|| {
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/reference-data")
    });
    let text = std::fs::read_to_string(folder.join(name));
    if text.is_err() {
        eprintln!("skipped: reference data not found: {name}");
    }
    text.ok()
}
