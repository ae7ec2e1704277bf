//! Tables of what the index gives.

use std::path::Path;

use phasemill_engine::index::Link;

use super::super::say;

/// A path from the working directory on, where it is below it.
pub fn short(path: &Path) -> String {
    let here = std::env::current_dir().and_then(|d| d.canonicalize()).ok();
    let below = here.and_then(|here| path.strip_prefix(here).ok().map(Path::to_owned));
    below.unwrap_or_else(|| path.into()).display().to_string()
}

/// A file, and whether it is there no more.
pub fn place(file: &Path, gone: bool) -> String {
    let gone = if gone { " (gone)" } else { "" };
    format!("{}{gone}", short(file))
}

/// As [`place`].
pub fn link(link: &Link) -> String {
    place(&link.file, link.gone)
}

/// A file with what supersedes it.
pub fn superseded(file: &Path, gone: bool, by: Option<&Path>) -> String {
    let by = by.map_or(String::new(), |by| format!(", superseded by {}", short(by)));
    format!("{}{by}", place(file, gone))
}

/// Prints rows in columns; the last may be of any width.
pub fn table(rows: &[Vec<String>]) {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|r| r.get(column));
        cells.map(|c| c.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    for row in rows {
        let cells = row.iter().zip(&widths);
        let line: Vec<String> = cells
            .map(|(cell, width)| format!("{cell}{}", " ".repeat(width - cell.chars().count())))
            .collect();
        say(line.join("  ").trim_end());
    }
}

/// Prints what there is as JSON.
pub fn json(value: &impl serde::Serialize) {
    // Texts, numbers and lists always have a JSON form.
    say(serde_json::to_string_pretty(value).unwrap_or_default());
}

/// Lines that are shown where nobody says how many.
const SHOWN: usize = 100;

/// How much of what is there is given: to people not more than they asked for, to programs all.
pub fn limit(asked: Option<usize>, json: bool) -> usize {
    asked.unwrap_or(if json { usize::MAX } else { SHOWN })
}

/// The line below a table that was cut.
pub fn more(more: bool, limit: usize) {
    if more {
        say(format!("... and more than these {limit}; raise `--limit`"));
    }
}
