//! Records of every version, read; and one entry of them by itself.

use phasemill_engine::lineage::{Record, RecordError};
use phasemill_engine::run::Monitor;
use phasemill_engine::verify::{Kind, Options, Verdict, verify};
use phasemill_stages::REGISTRY;

use crate::lineage::{bench, rewrite, run};
use crate::support::{phasemill, root};

#[test]
fn records_of_earlier_versions_are_read_and_verified() {
    for version in [1, 2] {
        let path = root().join(format!("tests/records/version-{version}.h5"));
        let record = Record::open(&path).unwrap();
        assert_eq!(record.lineage.version, version);
        assert!(record.is_whole());
        let entry = &record.lineage.entries[0];
        assert_eq!(entry.outputs.len(), 2);
        let facts = entry.node("detector").unwrap().input.as_ref().unwrap();
        assert_eq!((facts.dataset.as_str(), facts.points), ("/detector", 3));
        let chosen = record.choose(Some("current[2]")).unwrap();
        let story = record.story(chosen[0]).unwrap();
        assert!(
            story.contains("constant gain = 1.000e6 V/A") && story.contains("hash of its samples"),
            "{story}"
        );
        let options = Options {
            registry: &REGISTRY,
            folders: &[],
            quick: false,
            threads: 1,
        };
        // Kernels may be of another version by now, which is said; nothing may differ.
        let report = verify(&record, &options, &Monitor::default());
        let problems = report
            .problems
            .iter()
            .chain(report.outputs.iter().flat_map(|o| &o.problems));
        let differs: Vec<_> = problems.filter(|p| p.kind == Kind::Differs).collect();
        assert!(differs.is_empty(), "{differs:#?}");
        let options = Options {
            quick: true,
            ..options
        };
        // The first version has no hashes of what it wrote.
        let quick = verify(&record, &options, &Monitor::default());
        let told = |o: &Verdict| !o.problems.is_empty();
        assert!(version > 1 || quick.outputs.iter().all(told), "{quick:#?}");
    }
}

/// Where an entry is named, the others are not read.
#[test]
fn one_entry_of_many_is_told_by_itself() {
    let folder = bench();
    std::fs::copy(folder.path().join("rec.h5"), folder.path().join("other.h5")).unwrap();
    let arguments = [
        "run",
        "recipe.ron",
        "rec.h5",
        "other.h5",
        "--out",
        "out.h5",
        "--quiet",
    ];
    phasemill(folder.path(), &arguments).expect(0);
    let path = folder.path().join("out.h5");
    let whole = Record::open(&path).unwrap();
    let names = |record: &Record| -> Vec<String> {
        record
            .lineage
            .entries
            .iter()
            .map(|e| e.name.clone())
            .collect()
    };
    assert_eq!(names(&whole), ["rec", "other"]);
    let own = Record::open_for(&path, Some("other:current[1]")).unwrap();
    assert_eq!(own.lineage.entries, whole.lineage.entries[1..]);
    for text in ["current[1]", "another:current"] {
        assert_eq!(
            names(&Record::open_for(&path, Some(text)).unwrap()),
            ["rec", "other"]
        );
    }
    drop((whole, own));
    rewrite(
        &path,
        "/provenance/points/rec/lineage",
        "made up",
        "made in",
    );
    for (entry, whole) in [("rec", false), ("other", true)] {
        let told = phasemill(
            folder.path(),
            &["trace", "out.h5", &format!("{entry}:current")],
        );
        assert_eq!(!told.expect(0).err.contains("not what was sealed"), whole);
    }
}

#[test]
fn a_newer_record_asks_for_a_newer_program() {
    let folder = bench();
    run(folder.path(), "recipe.ron", "rec.h5", "out.h5");
    let path = folder.path().join("out.h5");
    rewrite(
        &path,
        "/provenance/lineage",
        "\"version\": 3",
        "\"version\": 9",
    );
    assert!(matches!(
        Record::open(&path),
        Err(RecordError::Newer { found: 9, .. })
    ));
    for name in ["trace", "verify"] {
        let code = if name == "trace" { 1 } else { 2 };
        phasemill(folder.path(), &[name, "out.h5"])
            .expect(code)
            .says("use a newer program");
    }
}
