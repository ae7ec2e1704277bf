//! Taking in, finding and forgetting, on records made up here.

use std::path::{Path, PathBuf};

use super::{Added, Correction, Found, Index, IndexError, Run, Uses, Wanted};
use crate::aspect::Aspect;
use crate::lineage::{ConstantFacts, Entry, Lineage, Node, Output, RecordedFile, Recording};
use crate::saved::{Column, Digest, Part, SavedValue};
use crate::stage::Registry;

fn node(name: &str, stage: &str, reads: &[&str]) -> Node {
    Node {
        name: name.into(),
        stage: stage.into(),
        numeric_version: 2,
        reads: reads.iter().map(|r| (*r).to_owned()).collect(),
        ..Node::default()
    }
}

fn number(part: Part, value: f64, uncertainty: Option<f64>) -> SavedValue {
    SavedValue {
        part,
        point: 0,
        axis: Some(540e-9),
        value,
        uncertainty,
    }
}

/// One entry with a current behind a gain, and a level that is behind nothing but the recording.
fn digest(identity: &str) -> Digest {
    let mut gain = node("current", "Amplify", &["level.mean"]);
    gain.constants.push(ConstantFacts {
        name: "gain".into(),
        value: "1.000e6 V/A".into(),
        ..ConstantFacts::default()
    });
    let output = |name: &str| Output {
        name: name.into(),
        node: name.into(),
        ..Output::default()
    };
    let file = RecordedFile {
        path: "../raw/day/a.h5".into(),
        ..RecordedFile::default()
    };
    let entry = Entry {
        name: "a".into(),
        title: "a made-up title".into(),
        recordings: vec![Recording {
            files: vec![file],
            ..Recording::default()
        }],
        nodes: vec![node("level", "Average", &["x"]), gain],
        outputs: vec![output("level"), output("current")],
        ..Entry::default()
    };
    let level = Column {
        unit: "V".into(),
        values: vec![number(Part::Number(Aspect::Value), 3.4e-3, None)],
        ..Column::default()
    };
    let current = Column {
        unit: "nA".into(),
        axis: "wavelength".into(),
        axis_unit: "nm".into(),
        values: vec![
            number(Part::Number(Aspect::InPhase), 3.418e-9, Some(0.049e-9)),
            number(Part::Number(Aspect::Quadrature), -0.2e-9, Some(0.049e-9)),
            number(Part::Number(Aspect::Amplitude), 3.4238e-9, Some(0.12e-9)),
            number(Part::Number(Aspect::Phase), -0.0584, Some(0.0143)),
        ],
    };
    Digest {
        identity: identity.into(),
        lineage: Lineage {
            began: "2026-01-02T03:04:05Z".into(),
            entries: vec![entry],
            ..Lineage::default()
        },
        recipe_name: "a.ron".into(),
        recipe_version: "1234".into(),
        supersedes: None,
        columns: vec![level, current],
        samples: Vec::new(),
    }
}

/// An index in a folder, and files with these records.
fn filled(files: &[(&str, Digest)]) -> (tempfile::TempDir, Index, Vec<Added>) {
    let folder = tempfile::tempdir().unwrap();
    let mut index = Index::open(&folder.path().join("i.sqlite")).unwrap();
    let added = files
        .iter()
        .map(|(name, digest)| put(&mut index, folder.path(), name, digest));
    let added = added.collect();
    (folder, index, added)
}

fn put(index: &mut Index, folder: &Path, name: &str, digest: &Digest) -> Added {
    let place = folder.join(name);
    std::fs::write(&place, "").unwrap();
    let found = Found {
        path: place.clone(),
        place,
        stamp: (0, 0),
        digest: digest.clone(),
    };
    index.insert(&[found]).unwrap().remove(0)
}

#[test]
fn files_may_be_copied_moved_and_replaced() {
    let (folder, mut index, added) = filled(&[("a.h5", digest("A")), ("b.h5", digest("A"))]);
    let at = |name: &str| folder.path().join(name);
    assert_eq!(added, [Added::New, Added::Copy(at("a.h5"))]);
    std::fs::remove_file(at("a.h5")).unwrap();
    std::fs::remove_file(at("b.h5")).unwrap();
    let moved = put(&mut index, folder.path(), "c.h5", &digest("A"));
    assert_eq!(moved, Added::Moved(at("a.h5")));
    assert_eq!(index.runs().unwrap()[0].files.len(), 1);
    let other = put(&mut index, folder.path(), "c.h5", &digest("B"));
    assert_eq!(other, Added::Replaced);
    let runs = index.runs().unwrap();
    assert_eq!(runs.len(), 1, "{runs:?}");
    assert_eq!(
        put(&mut index, folder.path(), "c.h5", &digest("B")),
        Added::Known
    );
}

#[test]
fn a_file_that_is_gone_is_told_of_as_such() {
    let (folder, index, _) = filled(&[("a.h5", digest("A"))]);
    std::fs::remove_file(folder.path().join("a.h5")).unwrap();
    let used = index
        .uses(&Uses::Kernel("Average".into(), None), 9)
        .unwrap();
    assert!(
        used.outputs.iter().all(|u| u.gone) && used.outputs.len() == 2,
        "{used:?}"
    );
}

#[test]
fn outputs_are_found_by_what_is_behind_them() {
    let (_folder, index, _) = filled(&[("a.h5", digest("A"))]);
    let names = |uses: Uses| -> Vec<String> {
        let used = index.uses(&uses, 9).unwrap();
        used.outputs.into_iter().map(|u| u.output).collect()
    };
    let gain = |value: Option<&str>| Uses::Constant("gain".into(), value.map(str::to_owned));
    assert_eq!(names(gain(None)), ["current"]);
    assert_eq!(names(gain(Some("1 V/uA"))), ["current"]);
    assert!(names(gain(Some("1.1e6 V/A"))).is_empty());
    assert_eq!(
        names(Uses::Kernel("Average".into(), None)),
        ["level", "current"]
    );
    assert_eq!(
        names(Uses::Kernel("Average".into(), Some(2))),
        ["level", "current"]
    );
    assert!(names(Uses::Kernel("Average".into(), Some(1))).is_empty());
    assert_eq!(
        names(Uses::RecordingAt("day/a.h5".into())),
        ["level", "current"]
    );
    let missing = |uses: Uses| index.uses(&uses, 9).unwrap_err().to_string();
    assert!(missing(Uses::RecordingAt("night/a.h5".into())).contains("no recording"));
    assert!(missing(Uses::Kernel("Averag".into(), None)).contains("did you mean `Average`?"));
    let limited = index
        .uses(&Uses::Kernel("Average".into(), None), 1)
        .unwrap();
    assert!(limited.more && limited.outputs.len() == 1);
}

#[test]
fn a_printed_number_is_found_within_half_a_digit() {
    let (_folder, index, _) = filled(&[("a.h5", digest("A"))]);
    let parts = |number: &str, at: Option<&str>| -> Vec<String> {
        let wanted = Wanted::parse(number, at).unwrap();
        let hits = index.find(&wanted, 9).unwrap().hits;
        hits.into_iter().map(|h| h.part).collect()
    };
    assert_eq!(parts("3.42 nA", None), ["in phase", "amplitude"]);
    assert_eq!(parts("0.00342 uA", None), ["in phase", "amplitude"]);
    assert_eq!(parts("3.42(5) nA", None), ["in phase"]);
    assert_eq!(parts("3.42 nA \u{b1} 0.10 nA (k = 2)", None), ["in phase"]);
    assert_eq!(parts("3.42(12) nA", None), ["amplitude"]);
    assert_eq!(parts("-0.20 nA", None), ["quadrature"]);
    assert!(parts("3.43 nA", None).is_empty());
    assert_eq!(parts("3.4 mV", None), ["value"]);
    assert!(parts("3.42 nV", None).is_empty());
    // -0.0584 rad is -3.346 deg, or 356.654 deg.
    assert_eq!(parts("-3.35 deg", None), ["phase"]);
    assert_eq!(parts("356.65 deg", None), ["phase"]);
    assert_eq!(parts("3.42 nA", Some("540 nm")), ["in phase", "amplitude"]);
    assert!(parts("3.42 nA", Some("541 nm")).is_empty());
    assert!(parts("3.42 nA", Some("540 K")).is_empty());
    assert!(matches!(
        Wanted::parse("3,42 nA", None),
        Err(IndexError::Quantity { .. })
    ));
}

#[test]
fn a_value_with_another_uncertainty_is_told_apart() {
    let (_folder, index, _) = filled(&[("a.h5", digest("A"))]);
    let hits = index
        .find(&Wanted::parse("3.42(9) nA", None).unwrap(), 9)
        .unwrap()
        .hits;
    assert_eq!(hits.len(), 2);
    assert!(
        hits.iter().all(|h| h.uncertainty_fits == Some(false)),
        "{hits:?}"
    );
}

#[test]
fn what_is_superseded_is_no_longer_stale() {
    let (folder, mut index, _) = filled(&[("a.h5", digest("A"))]);
    let corrected = |old: Option<&str>, title: Option<&str>| {
        [Correction {
            name: "gain".into(),
            old: old.map(str::to_owned),
            new: "2 V/uA".into(),
            written: None,
            title: title.map(str::to_owned),
        }]
    };
    let registry = Registry::new(&[]);
    for (old, title, count) in [
        (Some("1e6 V/A"), None, 1),
        (Some("2e6 V/A"), None, 0),
        (None, None, 1),
        (None, Some("a made-up title"), 1),
        (None, Some("another title"), 0),
    ] {
        let stale = index.stale(&corrected(old, title), &registry).unwrap();
        assert_eq!(stale.len(), count, "{old:?} {title:?}: {stale:?}");
    }
    let other = index.stale(&corrected(Some("1e6 V"), None), &registry);
    let other = other.unwrap_err().to_string();
    assert!(
        other.contains("in V, as the old one, found `2 V/uA`"),
        "{other}"
    );
    let newer = Digest {
        supersedes: Some("A".into()),
        ..digest("B")
    };
    put(&mut index, folder.path(), "b.h5", &newer);
    let stale = index.stale(&corrected(None, None), &registry).unwrap();
    let files: Vec<&PathBuf> = stale.iter().map(|s| &s.file).collect();
    assert_eq!(files, [&folder.path().join("b.h5")]);
    let runs = index.runs().unwrap();
    assert_eq!(runs[1].supersedes[0].file, folder.path().join("a.h5"));
    assert!(runs[0].superseded_by.is_some());
    // No more than asked for, and whether there are more.
    put(&mut index, folder.path(), "c.h5", &digest("C"));
    let stale = |limit| index.some_stale(&corrected(None, None), &registry, limit);
    let counted = [1, 2].map(|limit| stale(limit).unwrap());
    assert_eq!(
        counted.map(|(s, more)| (s.len(), more)),
        [(1, true), (2, false)]
    );
    let newest = |limit, current| {
        let (runs, more) = index.newest(limit, current).unwrap();
        let file = |run: &Run| run.files[0].file.file_name().unwrap().to_owned();
        (runs.iter().map(file).collect::<Vec<_>>(), more)
    };
    assert_eq!(newest(2, false), (vec!["b.h5".into(), "c.h5".into()], true));
    assert_eq!(newest(2, true), (vec!["b.h5".into(), "c.h5".into()], false));
}

#[test]
fn a_circle_of_what_supersedes_what_ends() {
    let circle = |own: &str, other: &str| Digest {
        supersedes: Some(other.into()),
        ..digest(own)
    };
    let (_folder, index, _) = filled(&[("a.h5", circle("A", "B")), ("b.h5", circle("B", "A"))]);
    assert_eq!(index.runs().unwrap().len(), 2);
}

#[test]
fn recipes_are_told_apart_by_version() {
    let other = Digest {
        recipe_version: "5678".into(),
        recipe_name: "lab/a.ron".into(),
        ..digest("B")
    };
    let (_folder, index, _) = filled(&[("a.h5", digest("A")), ("b.h5", other)]);
    for name in ["MADE-UP", "a.ron", "x/a.ron"] {
        assert_eq!(index.recipes(name, "").unwrap().len(), 2, "{name}");
    }
    assert_eq!(
        index.recipes("nothing of the kind", "5678").unwrap().len(),
        1
    );
    let unknown = index
        .recipes("a made-up titel", "")
        .unwrap_err()
        .to_string();
    assert!(
        unknown.contains("did you mean `a made-up title`?"),
        "{unknown}"
    );
}

#[test]
fn files_that_are_no_index_are_refused_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.txt");
    std::fs::write(&path, "twenty or more bytes of something else entirely").unwrap();
    for fault in [Index::open(&path).err(), Index::anew(&path).err()] {
        let fault = fault.unwrap().to_string();
        assert!(fault.contains("another kind of file"), "{fault}");
    }
    assert!(
        std::fs::read_to_string(&path)
            .unwrap()
            .starts_with("twenty")
    );
    let missing = Index::existing(&folder.path().join("none"))
        .err()
        .unwrap()
        .to_string();
    assert!(missing.contains("no such file"), "{missing}");
}

#[test]
fn indexes_of_others_and_of_newer_programs_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("i.sqlite");
    let foreign = rusqlite::Connection::open(&path).unwrap();
    foreign.execute_batch("CREATE TABLE t (x)").unwrap();
    let fault = Index::open(&path).err().unwrap().to_string();
    assert!(fault.contains("another program"), "{fault}");
    drop(foreign);
    std::fs::remove_file(&path).unwrap();
    let index = Index::open(&path).unwrap();
    index
        .connection
        .execute_batch("PRAGMA user_version = 99")
        .unwrap();
    drop(index);
    let fault = Index::open(&path).err().unwrap().to_string();
    assert!(fault.contains("newer program"), "{fault}");
}

#[test]
fn a_damaged_index_is_made_anew() {
    let (folder, index, _) = filled(&[("a.h5", digest("A"))]);
    let path = folder.path().join("i.sqlite");
    drop(index);
    let mut bytes = std::fs::read(&path).unwrap();
    let end = bytes.len();
    bytes[100..end].fill(0x55);
    std::fs::write(&path, &bytes).unwrap();
    let damaged = Index::open(&path).and_then(|i| i.runs());
    let fault = damaged.err().unwrap().to_string();
    assert!(fault.contains("catalogue rebuild"), "{fault}");
    let (index, known) = Index::anew(&path).unwrap();
    assert!(index.runs().unwrap().is_empty() && known.is_empty());
}

/// Who looks while another one makes the tables sees none of them or all, never a part.
#[test]
fn an_index_may_be_made_by_several_at_once() {
    for round in 0..50 {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("index.sqlite");
        let start = std::sync::Barrier::new(8);
        std::thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| {
                    start.wait();
                    if let Err(e) = Index::open(&path) {
                        panic!("round {round}: {e}");
                    }
                });
            }
        });
    }
}
