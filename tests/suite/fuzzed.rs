//! Replays the texts that fuzzing has found worth keeping: see `tests/fuzz.sh`.

use std::time::{Duration, Instant};

use crate::support::{files, root};

#[path = "../fuzz/target.rs"]
mod target;

/// Longest text, in bytes, and all together: what fuzzing finds is small, and so is this project.
const LONGEST: usize = 4096;
const ALL: usize = 300 << 10;

/// Longest time for one text. The slowest takes some hundredths of a second on an idle machine.
const PATIENCE: Duration = Duration::from_secs(10);

#[test]
fn no_text_of_the_corpus_panics_or_hangs() {
    let corpus = files(&root().join("tests/fuzz/corpus"), "");
    assert!(corpus.len() >= 100, "only {} texts", corpus.len());
    let mut bytes = 0;
    for file in corpus {
        let held = std::fs::read(&file).unwrap();
        assert!(held.len() <= LONGEST, "{}: too long", file.display());
        bytes += held.len();
        // What is no text at all is refused before it is parsed.
        let Ok(text) = String::from_utf8(held) else {
            continue;
        };
        let begun = Instant::now();
        target::take(&text);
        let took = begun.elapsed();
        assert!(took < PATIENCE, "{}: {took:?}", file.display());
    }
    assert!(bytes <= ALL, "{bytes} bytes");
}
