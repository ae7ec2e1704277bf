//! What a reader of a number has to know goes with it: points that failed or carry a remark, recordings that the run
//! left out, and what was changed since it was written.

use std::path::Path;

use phasemill_engine::store::ResultReader;
use phasemill_engine::units::{Unit, format_uncertain};

use crate::lineage::{LENGTH, add, bench, run};
use crate::support::{Channel, Layout, attribute, folder, noise, open, phasemill, record, tabled};

/// As the bench of `lineage`, with a sample missing at point 1, and point 2 beyond full scale.
fn troubled() -> tempfile::TempDir {
    let folder = bench();
    let recording = folder.path().join("rec.h5");
    add(&recording, "detector", LENGTH + 900, f64::NAN);
    attribute(
        &open(&recording).dataset("detector").unwrap(),
        "full_scale",
        2.6,
    );
    folder
}

fn trace(folder: &Path, arguments: &[&str]) -> String {
    let told = phasemill(folder, &[&["trace"], arguments].concat());
    told.expect(0).out
}

fn page(folder: &Path, results: &str) -> String {
    let arguments = [
        "report",
        results,
        "--quick",
        "--out",
        "page.html",
        "--overwrite",
    ];
    phasemill(folder, &arguments).expect(0);
    std::fs::read_to_string(folder.join("page.html")).unwrap()
}

#[test]
fn points_with_a_remark_are_named_with_the_numbers() {
    let folder = troubled();
    let at = folder.path();
    let flagged = "3 of 3 points carry a remark: 0 (`clock`), 1 (failed), 2 (`clock`, clipped)";
    let (told, table) = tabled(at, "rec.h5", 2);
    assert!(told.out.contains(&format!("; {flagged}")), "{}", told.out);
    assert!(page(at, "out.h5").contains(flagged));
    // The table has a column for each, mostly empty.
    let rows: Vec<&str> = table.lines().collect();
    assert!(rows[0].ends_with(",failed,remarks"), "{table}");
    assert!(rows[1].contains("point 0, `clock`"), "{table}");
    assert!(rows[2].contains("point 1, `smooth`"), "{table}");
    assert!(rows[3].contains("samples at full scale"), "{table}");
    // So has the result file.
    let file = ResultReader::open(&at.join("out.h5")).unwrap();
    let remarks = file.texts("/provenance/remarks/rec").unwrap();
    assert_eq!(remarks.len(), 3);
    assert!(remarks[0].contains("`clock`") && remarks[2].contains("samples at full scale"));
    let told = trace(at, &["out.h5", "current", "--methods"]);
    for text in [
        "Something failed at 1 of 3 points (counted from 0: 1)",
        "Samples were cut off at 1 of 3 points (counted from 0: 2)",
    ] {
        assert!(told.contains(text), "expected `{text}` in\n{told}");
    }
    phasemill(at, &["verify", "out.h5"]).expect(0);
}

/// The story of a point is its own: its number as it is stored, its failure, and nothing of other points.
#[test]
fn a_point_is_told_of_by_itself() {
    let folder = troubled();
    let at = folder.path();
    let arguments = ["run", "recipe.ron", "rec.h5", "--out", "out.h5", "--quiet"];
    phasemill(at, &arguments).expect(2);
    let file = ResultReader::open(&at.join("out.h5")).unwrap();
    let number = |name: &str| file.floats(&format!("/rec/current/{name}")).unwrap()[0] * 1e-3;
    let milliampere = Unit::parse("mA").unwrap();
    let words = format_uncertain(
        number("amplitude"),
        number("amplitude_errors"),
        &milliampere,
    );
    let story = trace(at, &["out.h5", "current[0]"]);
    assert!(
        story.contains(&format!("amplitude  {words}; at 95 %")),
        "{words} in\n{story}"
    );
    assert!(story.contains("skip = Settling(0.0001)"), "{story}");
    assert!(
        !story.contains("point 1,") && !story.contains("point 2,"),
        "{story}"
    );
    let failed = trace(at, &["out.h5", "current[1]"]);
    assert!(failed.contains("no value, since it failed"), "{failed}");
    assert!(failed.contains("failed: point 1, `smooth`"), "{failed}");
    assert!(!failed.contains("full scale"), "{failed}");
    // One form at a time, and one output.
    for forms in [
        ["--json", "--dot"],
        ["--methods", "--json"],
        ["--json", "--recipe"],
    ] {
        let arguments = [&["trace", "out.h5"], &forms[..]].concat();
        phasemill(at, &arguments)
            .expect(1)
            .says("cannot be used with");
    }
    phasemill(at, &["trace", "out.h5:current", "smooth"])
        .expect(1)
        .says("expected one output, found `current` behind the file and `smooth`");
}

#[test]
fn what_a_run_left_out_stays_on_record() {
    let folder = bench();
    let at = folder.path();
    let broken = at.canonicalize().unwrap().join("broken.h5");
    std::fs::write(&broken, "a text").unwrap();
    let given = broken.display().to_string();
    let arguments = [
        "run",
        "recipe.ron",
        &given,
        "rec.h5",
        "--out",
        "out.h5",
        "--quiet",
    ];
    phasemill(at, &arguments).expect(2);
    let verified = phasemill(at, &["verify", "out.h5"]).expect(0).out;
    for text in [
        "left out when it was run: `broken`",
        "expected an HDF5 file",
        "the run left out 1 recording",
    ] {
        assert!(verified.contains(text), "expected `{text}` in\n{verified}");
    }
    let json = phasemill(at, &["verify", "out.h5", "--json"]).expect(0).out;
    assert!(json.contains("\"name\": \"broken\""), "{json}");
    let told = trace(at, &["out.h5", "current"]);
    assert!(told.contains("left out of the run: `broken`"), "{told}");
    let public = trace(at, &["out.h5", "current", "--public"]);
    assert!(
        public.contains("broken.h5") && !public.contains(&given),
        "{public}"
    );
    let page = page(at, "out.h5");
    assert!(page.contains("left out another recording"), "{page}");
    assert!(!page.contains(&given));
    phasemill(at, &["catalogue", "add", "out.h5"]).expect(0);
    let listed = phasemill(at, &["catalogue", "list"]).expect(0).out;
    assert!(listed.contains("left out `broken`"), "{listed}");
}

/// Whoever looks at a number learns that it is not the one that was written, without asking for a proof.
#[test]
fn what_was_changed_since_is_told_of() {
    let folder = bench();
    let at = folder.path();
    run(at, "recipe.ron", "rec.h5", "out.h5");
    let clean = page(at, "out.h5");
    let said = "what is stored is not what was written";
    assert!(!clean.contains(said));
    add(&at.join("out.h5"), "rec/current/in_phase", 1, 1.0);
    let told = phasemill(at, &["trace", "out.h5", "current[1]"]).expect(0);
    assert!(
        told.out
            .contains("NOT AS IT WAS WRITTEN: `current`, point 1"),
        "{told:?}"
    );
    told.says(said);
    let other = phasemill(at, &["trace", "out.h5", "current[0]"]).expect(0);
    assert!(
        !other.out.contains("NOT AS") && other.err.is_empty(),
        "{other:?}"
    );
    assert!(page(at, "out.h5").contains(said));
    phasemill(at, &["export", "out.h5", "--crate", "crate"])
        .expect(0)
        .says(said);
    let guide = std::fs::read_to_string(at.join("crate/README.md")).unwrap();
    assert!(guide.contains(said), "{guide}");
}

/// What is no result file is refused by all commands in the same words, and with the same code.
#[test]
fn one_fault_has_one_wording_and_one_code() {
    let folder = bench();
    let at = folder.path();
    run(at, "recipe.ron", "rec.h5", "out.h5");
    let commands: [&[&str]; 8] = [
        &["trace", "rec.h5"],
        &["trace", "rec.h5", "--recipe"],
        &["verify", "rec.h5"],
        &["differ", "out.h5:current", "rec.h5"],
        &["sign", "rec.h5", "--message"],
        &["report", "rec.h5", "--out", "page.html"],
        &["export", "rec.h5", "--prov-n", "x.provn"],
        &["catalogue", "add", "rec.h5"],
    ];
    for command in commands {
        phasemill(at, command)
            .expect(1)
            .says("rec.h5: expected a result file of `phasemill run`, found an HDF5 file without a lineage");
    }
    // A recording that cannot be read failed, whoever reads it.
    std::fs::write(at.join("text.h5"), "a text").unwrap();
    let commands: [&[&str]; 4] = [
        &["check", "recipe.ron", "text.h5"],
        &["inspect", "text.h5"],
        &["run", "recipe.ron", "text.h5", "--out", "none.h5"],
        &["compare", "recipe.ron", "recipe.ron", "text.h5"],
    ];
    for command in commands {
        phasemill(at, command)
            .expect(2)
            .says("expected an HDF5 file");
    }
}

/// A file copied, given twice, or given as its own background; points that are merely alike in one channel are none.
#[test]
fn samples_that_come_twice_are_remarked_on() {
    let folder = folder(
        r#"Recipe(
    title: "level less dark",
    inputs: { "x": Wave(unit: "V"), "r": Wave(unit: "V"), "dark": Wave(unit: "V", recording: "blocked", dataset: "/x"),
        "dark r": Wave(unit: "V", recording: "blocked", dataset: "/r") },
    stages: {
        "level": Average(of: "x", over: Blocks("0.1 s")),
        "other": Average(of: "r", over: Blocks("0.1 s")),
        "dark level": Average(of: "dark", over: Blocks("0.1 s")),
        "dark other": Average(of: "dark r", over: Blocks("0.1 s")),
    },
    results: ["level", "other", "dark level", "dark other"],
)"#,
    );
    let at = folder.path();
    let steady = noise(1000, 1.0, 99).repeat(4);
    let file = |name: &str, points: [u64; 4]| {
        let samples: Vec<f64> = points
            .iter()
            .flat_map(|seed| noise(1000, 1.0, *seed))
            .collect();
        let channel = |dataset, samples| Channel {
            dataset,
            unit: "V",
            samples,
            points: 4,
        };
        let channels = [channel("/x", samples.as_slice()), channel("/r", &steady)];
        record(&at.join(name), 1000.0, Layout::Contiguous, &channels);
    };
    file("a.h5", [1, 2, 3, 2]);
    file("b.h5", [5, 6, 3, 7]);
    file("dark.h5", [8, 9, 10, 11]);
    let run = |files: &[&str], blocked: &str| {
        let mut arguments = vec!["run", "recipe.ron"];
        arguments.extend(files);
        let blocked = format!("blocked={blocked}");
        arguments.extend(["--with", &blocked, "--out", "out.h5", "--overwrite"]);
        phasemill(at, &arguments).expect(0).err
    };
    let told = run(&["a.h5", "b.h5"], "dark.h5");
    let said: Vec<&str> = told
        .lines()
        .filter(|l| l.contains("its samples are those of"))
        .collect();
    assert_eq!(said.len(), 2, "{told}");
    assert!(
        said[0].contains("a: point 3, `x`: its samples are those of point 1, and"),
        "{told}"
    );
    assert!(
        said[1].contains("b: point 2, `x`: its samples are those of point 2 of `a`, and"),
        "{told}"
    );
    let told = run(&["b.h5"], "b.h5");
    assert_eq!(told.matches("blocked, point").count(), 4, "{told}");
    assert!(!run(&["b.h5"], "dark.h5").contains("its samples are"));
}
