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

/// Values, certified mean and certified standard deviation of a univariate NIST StRD file.
pub fn certified(text: &str) -> (Vec<f64>, f64, f64) {
    let number = |label: &str| {
        let line = text
            .lines()
            .find(|l| l.contains(label))
            .expect("a certified value");
        let number = line.rsplit(':').next().expect("a value").trim();
        number
            .split_whitespace()
            .next()
            .expect("a number")
            .parse()
            .expect("a number")
    };
    let data = text.split_once("Data: Y").expect("data").1;
    let values = data.lines().filter_map(|l| l.trim().parse().ok()).collect();
    (
        values,
        number("Sample Mean"),
        number("Sample Standard Deviation"),
    )
}
