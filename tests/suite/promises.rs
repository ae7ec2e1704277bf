//! What `check` says of headers is what a run meets.

use crate::support::{Channel, Layout, attribute, noise, open, phasemill, record};

/// In one file of a sweep the channels are of unequal length; the others of the set are not.
#[test]
fn a_file_whose_channels_differ_in_length_is_told_before_the_run() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = r#"Recipe(
    title: "a sum of channels, a file per point",
    inputs: { "a": Wave(), "b": Wave() },
    stages: { "sum": Combine(of: ["a", "b"], by: Sum), "mean": Average(of: "sum") },
    results: ["mean"],
)"#;
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    std::fs::write(
        folder.path().join("w.ron"),
        r#"Wiring(axis: Attribute("x"))"#,
    )
    .unwrap();
    let samples = noise(600, 1.0, 3);
    for (name, a, b) in [("p0.h5", 500, 500), ("p1.h5", 600, 550)] {
        let path = folder.path().join(name);
        let channels = [
            Channel::volts("a", &samples[..a]),
            Channel::volts("b", &samples[..b]),
        ];
        record(&path, 100.0, Layout::Contiguous, &channels);
        attribute(&open(&path), "x", 1.0);
    }
    let files = ["r.ron", "p0.h5", "p1.h5", "--wiring", "w.ron"];
    let check: Vec<&str> = ["check"].into_iter().chain(files).collect();
    phasemill(folder.path(), &check)
        .expect(0)
        .says("the point in p1.h5 will fail: expected equal lengths, found 600 samples in `a` and 550 in `b`");
    let run: Vec<&str> = ["run"]
        .into_iter()
        .chain(files)
        .chain(["--out", "o.h5"])
        .collect();
    let outcome = phasemill(folder.path(), &run)
        .expect(2)
        .says("point 1, `sum`");
    assert!(
        outcome.out.contains("failed at 1 of them"),
        "{}",
        outcome.out
    );
}
