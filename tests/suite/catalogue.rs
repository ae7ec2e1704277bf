//! The catalogue of results from outside: taking in, asking, and making again what was corrected.

use std::path::Path;

use serde_json::Value;

use crate::support::{Channel, Layout, Outcome, command, finish, noise, open, phasemill, record};

const RECIPE: &str = r#"// Made up for these checks.
Recipe(
    title: "mean level",
    inputs: { "x": Wave(unit: "V") },
    constants: { "gain": Constant(value: "10 V/A", standard_uncertainty: "1 %", source: "made up") },
    stages: {
        "level": Average(of: "x", over: Blocks("0.1 s")),
        "current": Amplify(of: "level", divide_by: "gain"),
    },
    results: ["level", "current"],
)
"#;

/// Results to be made again can be limited to those of a folder, a recipe or a set-up, and several of these.
#[test]
fn what_is_made_again_can_be_limited() {
    let folder = folder();
    let at = folder.path();
    std::fs::write(
        at.join("other.ron"),
        RECIPE.replace("mean level", "another level"),
    )
    .unwrap();
    let wiring = r#"Wiring(channels: { "x": Channel(dataset: "/x") })"#;
    std::fs::write(at.join("bench.ron"), wiring).unwrap();
    std::fs::create_dir_all(at.join("film")).unwrap();
    let run = |more: &[&str]| {
        phasemill(at, &[&["run", "--quiet"], more].concat()).expect(0);
    };
    run(&["other.ron", "a.h5", "--out", "film/other.h5"]);
    run(&[
        "recipe.ron",
        "a.h5",
        "--wiring",
        "bench.ron",
        "--out",
        "film/wired.h5",
    ]);
    ask(at, &["add", "results", "film"]).expect(0);
    let corrected = ["stale", "--corrected", "gain", "10 V/A", "12 V/A"];
    let found = |more: &[&str]| -> Vec<String> {
        let answer = json(at, &[&corrected, more].concat());
        let files = answer.as_array().unwrap().iter();
        let name = |s: &Value| {
            s["file"]
                .as_str()
                .unwrap()
                .rsplit('/')
                .next()
                .unwrap()
                .to_owned()
        };
        files.map(name).collect()
    };
    assert_eq!(found(&[]), ["other.h5", "wired.h5", "a.h5", "b.h5"]);
    assert_eq!(found(&["--below", "film"]), ["other.h5", "wired.h5"]);
    assert_eq!(found(&["--of-recipe", "other.ron"]), ["other.h5"]);
    assert_eq!(found(&["--of-recipe", "Another"]), ["other.h5"]);
    assert_eq!(found(&["--of-wiring", "bench.ron"]), ["wired.h5"]);
    assert_eq!(
        found(&["--of-recipe", "mean", "--below", "film"]),
        ["wired.h5"]
    );
    assert!(found(&["--of-wiring", "elsewhere.ron"]).is_empty());
    let none = ask(
        at,
        &[&corrected[..], &["--of-wiring", "elsewhere.ron"]].concat(),
    )
    .expect(0);
    let told = "0 outputs to make again within the limits given, 4 outputs beyond; ";
    assert!(none.out.contains(told), "{}", none.out);
    let limited = ask(
        at,
        &[&corrected[..], &["--below", "film", "--limit", "1"]].concat(),
    )
    .expect(0);
    let out = limited.out;
    assert!(out.contains("more than 1 output to make again"), "{out}");
    assert!(
        out.contains("other.h5") && !out.contains("wired.h5"),
        "{out}"
    );
    ask(at, &[&corrected[..], &["--below", "films"]].concat())
        .expect(1)
        .says("expected a folder with results, found none of the name films");
    ask(
        at,
        &[&corrected[..], &["--of-recipe", "mean levle"]].concat(),
    )
    .expect(1)
    .says("mean levle");
    let again = [
        "rerun",
        "--corrected",
        "gain",
        "10 V/A",
        "12 V/A",
        "--below",
        "film",
        "--of-recipe",
        "mean level",
    ];
    let made = ask(at, &again).expect(0);
    assert!(made.out.contains("1 of 1 files made again"), "{}", made.out);
    assert!(at.join("film/wired-rerun-1.h5").exists());
    assert!(!at.join("results/a-rerun-1.h5").exists());
    near_ratio(&at.join("film/wired-rerun-1.h5"), &at.join("results/a.h5"));
}

/// The corrected gain of 12 V/A makes 10/12 of the current.
fn near_ratio(new: &Path, old: &Path) {
    let ratio = value(new, "a/current/value") / value(old, "a/current/value");
    assert!((ratio - 10.0 / 12.0).abs() < 1e-14, "{ratio}");
}

/// A recording of a level with noise.
fn recording(path: &Path, level: f64, seed: u64) {
    let samples: Vec<f64> = noise(1000, 0.01, seed).iter().map(|x| x + level).collect();
    record(
        path,
        1000.0,
        Layout::Contiguous,
        &[Channel::volts("/x", &samples)],
    );
}

/// A folder with a recipe, two recordings and their results.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    std::fs::write(at.join("recipe.ron"), RECIPE).unwrap();
    for (name, level, seed) in [("a", 1.0, 1), ("b", 2.0, 2)] {
        recording(&at.join(format!("{name}.h5")), level, seed);
        run(at, name, &format!("results/{name}.h5"));
    }
    folder
}

fn run(at: &Path, recording: &str, out: &str) {
    std::fs::create_dir_all(at.join(out).parent().unwrap()).unwrap();
    let recording = format!("{recording}.h5");
    phasemill(
        at,
        &["run", "recipe.ron", &recording, "--out", out, "--quiet"],
    )
    .expect(0);
}

fn ask(at: &Path, arguments: &[&str]) -> Outcome {
    phasemill(at, &[&["catalogue"], arguments].concat())
}

fn json(at: &Path, arguments: &[&str]) -> Value {
    let outcome = ask(at, &[arguments, &["--json"]].concat()).expect(0);
    serde_json::from_str(&outcome.out).unwrap()
}

fn outputs(answer: &Value) -> Vec<String> {
    let list = answer["outputs"]
        .as_array()
        .unwrap_or_else(|| answer.as_array().unwrap());
    let name = |u: &Value| format!("{}:{}", u["entry"], u["output"]).replace('"', "");
    list.iter().map(name).collect()
}

/// The mean of an output's values in a result file.
fn value(file: &Path, path: &str) -> f64 {
    phasemill_engine::store::ResultReader::open(file)
        .unwrap()
        .floats(path)
        .unwrap()[0]
}

#[test]
fn what_used_a_recording_a_constant_or_a_kernel_is_found() {
    let folder = folder();
    let at = folder.path();
    let added = ask(at, &["add", "."]).expect(0);
    assert_eq!(
        added.out,
        "2 taken in, 0 known already, 2 other HDF5 files without results\n"
    );
    let again = ask(at, &["add", "."]).expect(0);
    assert!(
        again.out.starts_with("0 taken in, 2 known already"),
        "{}",
        again.out
    );

    let of = |what: &str, name: &str| outputs(&json(at, &["uses", what, name]));
    assert_eq!(of("--recording", "a.h5"), ["a:level", "a:current"]);
    assert_eq!(of("--constant", "gain"), ["a:current", "b:current"]);
    assert_eq!(of("--constant", "gain=10 V/A"), ["a:current", "b:current"]);
    assert!(of("--constant", "gain=11 V/A").is_empty());
    assert_eq!(of("--stage", "Amplify@1"), ["a:current", "b:current"]);
    assert_eq!(of("--stage", "Average").len(), 4);
    let record = phasemill_engine::lineage::Record::open(&at.join("results/b.h5")).unwrap();
    let hash: String = record.samples("b", "x").unwrap()[0]
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    assert_eq!(of("--recording", &hash[..10]), ["b:level", "b:current"]);

    ask(at, &["uses", "--constant", "gian"])
        .expect(1)
        .says("did you mean `gain`?");
    ask(at, &["uses", "--stage", "Amplify@one"])
        .expect(1)
        .says("Filter@1");
    ask(at, &["uses"]).expect(1).says("--recording");
    let table = ask(at, &["uses", "--constant", "gain"]).expect(0).out;
    assert!(
        table.contains("a:current  gain = 10 V/A in `current`"),
        "{table}"
    );
}

#[test]
fn a_printed_number_leads_to_its_output() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["add", "results"]).expect(0);
    let current = value(&at.join("results/b.h5"), "/b/current/value");
    let spread = value(&at.join("results/b.h5"), "/b/current/value_errors");
    let printed = phasemill_engine::units::format_uncertain(
        current,
        spread,
        &phasemill_engine::units::Unit::parse("A").unwrap(),
    );
    let found = json(at, &["find", &printed]);
    let hits = found["hits"].as_array().unwrap();
    assert_eq!(hits.len(), 1, "{printed}: {found}");
    assert_eq!(
        (&hits[0]["entry"], &hits[0]["output"]),
        (&"b".into(), &"current".into())
    );
    assert_eq!(hits[0]["value"], current);
    assert_eq!(hits[0]["uncertainty_fits"], true);
    let none = ask(at, &["find", "7.77 kV"]).expect(0);
    assert!(none.out.contains("no output rounds to it"), "{}", none.out);
    ask(at, &["find", "seven"])
        .expect(1)
        .says("expected a finite number");
    let doubtful = ask(at, &["find", "0.20 A \u{b1} 0.17 A"]).expect(0);
    let doubtful = doubtful.says("not with this uncertainty");
    assert!(doubtful.out.contains("b:current"), "{}", doubtful.out);
}

/// One command makes again all that a correction affects; old results stay, and the chain is told.
#[test]
fn a_corrected_constant_is_made_again_in_one_command() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["add", "results"]).expect(0);
    let correction = ["--corrected", "gain", "10 V/A", "12.5 V/A"];
    let stale = outputs(&json(at, &[&["stale"], &correction[..]].concat()));
    assert_eq!(stale, ["a:current", "b:current"]);
    let rerun = |more: &[&str]| ask(at, &[&["rerun"], &correction[..], more].concat()).expect(0);
    let dry = rerun(&["--dry-run"]);
    assert!(
        dry.out.contains("would run again: results/a.h5"),
        "{}",
        dry.out
    );
    assert!(!at.join("results/a-rerun-1.h5").exists());
    let old = std::fs::read(at.join("results/a.h5")).unwrap();
    let other = ["rerun", "--corrected", "gain", "10 V/A", "12.5 V"];
    ask(at, &other)
        .expect(1)
        .says("expected a corrected value of `gain` in Ohm");
    let done = rerun(&[]);
    assert!(
        done.out
            .contains("results/a.h5 is superseded by results/a-rerun-1.h5"),
        "{}",
        done.out
    );
    assert!(done.err.is_empty(), "{}", done.err);
    assert_eq!(std::fs::read(at.join("results/a.h5")).unwrap(), old);
    let new = at.join("results/a-rerun-1.h5");
    // The same level, divided by 12.5 instead of 10: two divisions, each right to half a unit in the
    // last place, and the product with 1.25, exact.
    let (before, after) = (
        value(&at.join("results/a.h5"), "/a/current/value"),
        value(&new, "/a/current/value"),
    );
    assert!(
        (after * 1.25 - before).abs() <= 2.0 * f64::EPSILON * before.abs(),
        "{before} {after}"
    );
    let text = phasemill(at, &["trace", "results/a-rerun-1.h5", "--recipe"])
        .expect(0)
        .out;
    assert_eq!(text, RECIPE.replace("10 V/A", "12.5 V/A"));
    assert_eq!(rerun(&[]).out, "nothing to make again\n");

    // The chain survives the index, since the result files tell it.
    let told = |answer: &str| {
        let link = "results/a-rerun-1.h5: mean level, 2 outputs\n    supersedes results/a.h5\n";
        assert!(answer.contains(link), "{answer}");
        assert!(
            answer.contains("    superseded by results/a-rerun-1.h5\n"),
            "{answer}"
        );
    };
    told(&ask(at, &["list"]).expect(0).out);
    ask(at, &["rebuild"]).expect(0);
    told(&ask(at, &["list"]).expect(0).out);
    let current = json(at, &["list", "--current"]);
    assert_eq!(current.as_array().unwrap().len(), 2);
    let used = ask(at, &["uses", "--constant", "gain=10 V/A"])
        .expect(0)
        .out;
    assert!(
        used.contains("superseded by results/a-rerun-1.h5"),
        "{used}"
    );
    let second = ["rerun", "--corrected", "gain", "12.5 V/A", "13 V/A"];
    ask(at, &second).expect(0);
    let list = ask(at, &["list"]).expect(0).out;
    let chain = "    supersedes results/a-rerun-1.h5, which supersedes results/a.h5\n";
    assert!(list.contains(chain), "{list}");
    let newest = ask(at, &["list", "--limit", "1"]).expect(0).out;
    assert!(
        newest.lines().count() == 3 && newest.ends_with("the newest 1 run; `--limit` shows more\n"),
        "{newest}"
    );
    phasemill(at, &["trace", "results/a-rerun-2.h5"]).expect(0);
}

#[test]
fn a_corrected_recipe_corrects_the_results_of_its_title() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["add", "results"]).expect(0);
    let corrected = RECIPE.replace(
        "\"10 V/A\", standard_uncertainty: \"1 %\"",
        "\"20 V/A\", standard_uncertainty: \"3 %\"",
    );
    std::fs::write(at.join("corrected.ron"), &corrected).unwrap();
    std::fs::write(
        at.join("other.ron"),
        corrected.replace("mean level", "another"),
    )
    .unwrap();
    let stale = |recipe: &str| outputs(&json(at, &["stale", "--against", recipe]));
    assert_eq!(stale("corrected.ron"), ["a:current", "b:current"]);
    assert!(stale("recipe.ron").is_empty() && stale("other.ron").is_empty());
    ask(at, &["rerun", "--against", "corrected.ron"]).expect(0);
    // The whole constant is taken over, its uncertainty included.
    let text = phasemill(at, &["trace", "results/b-rerun-1.h5", "--recipe"])
        .expect(0)
        .out;
    assert_eq!(text, corrected);
    assert!(stale("corrected.ron").is_empty());
    std::fs::write(at.join("broken.ron"), "Recipe(").unwrap();
    ask(at, &["stale", "--against", "broken.ron"])
        .expect(1)
        .says("rejected");
    let versions = json(at, &["recipe", "corrected.ron"]);
    assert_eq!(versions.as_array().unwrap().len(), 2, "{versions}");
    let told = ask(at, &["recipe", "corrected.ron"]).expect(0).out;
    assert!(told.contains("the file as it is now: mean level"), "{told}");
}

#[test]
fn a_comment_makes_no_new_version_of_a_recipe() {
    let folder = folder();
    let at = folder.path();
    let commented = RECIPE.replace("// Made up", "// Still made up");
    std::fs::write(at.join("recipe.ron"), &commented).unwrap();
    run(at, "a", "results/c.h5");
    std::fs::write(at.join("recipe.ron"), commented.replace("0.1 s", "0.2 s")).unwrap();
    run(at, "a", "results/d.h5");
    ask(at, &["add", "results"]).expect(0);
    let versions = json(at, &["recipe", "mean"]);
    let counts: Vec<usize> = versions
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v["files"].as_array().unwrap().len())
        .collect();
    assert_eq!(counts, [3, 1], "{versions}");
    ask(at, &["recipe", "maen level"])
        .expect(1)
        .says("did you mean `mean level`?");
}

#[test]
fn a_recording_whose_samples_changed_makes_its_results_stale() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["add", "results"]).expect(0);
    let stale = || outputs(&json(at, &["stale", "--recordings"]));
    assert!(stale().is_empty());
    // Stored otherwise, the samples are the same.
    let samples: Vec<f64> = noise(1000, 0.01, 1).iter().map(|x| x + 1.0).collect();
    let layout = Layout::Deflated(64);
    record(
        &at.join("a.h5"),
        1000.0,
        layout,
        &[Channel::volts("/x", &samples)],
    );
    assert!(stale().is_empty());
    recording(&at.join("a.h5"), 1.0, 3);
    assert_eq!(stale(), ["a:current", "a:level"]);
    let told = ask(at, &["stale", "--recordings"]).expect(0).out;
    assert!(
        told.contains("`x`, point 0: its samples are not those that were used"),
        "{told}"
    );
    let rerun = ask(at, &["rerun", "--recordings"]).expect(0);
    let rerun = rerun.says("a: x was made from other samples");
    assert!(
        rerun.out.contains("1 of 1 files made again"),
        "{}",
        rerun.out
    );
    assert!(stale().is_empty());
    std::fs::remove_file(at.join("b.h5")).unwrap();
    ask(at, &["stale", "--recordings"])
        .expect(2)
        .says("its recording b.h5 is not there; name a folder that holds it with `--in FOLDER`");
}

/// Recordings that were moved are found in a folder that is named, and the results moved as well.
#[test]
fn moved_files_are_found_again() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["add", "results"]).expect(0);
    std::fs::create_dir(at.join("archive")).unwrap();
    std::fs::create_dir(at.join("raw")).unwrap();
    std::fs::rename(at.join("results/a.h5"), at.join("archive/a.h5")).unwrap();
    std::fs::rename(at.join("a.h5"), at.join("raw/a.h5")).unwrap();
    let added = ask(at, &["add", "archive"]).expect(0);
    assert!(
        added.out.contains("moved: archive/a.h5, from results/a.h5"),
        "{}",
        added.out
    );
    let correction = ["rerun", "--corrected", "gain", "10 V/A", "11 V/A"];
    let lost = ask(at, &correction).expect(2);
    let lost = lost.says("its recording a.h5 is not there");
    assert!(lost.out.contains("1 of 2 files made again"), "{}", lost.out);
    let found = ask(at, &[&correction[..], &["--in", "raw"]].concat()).expect(0);
    assert!(found.out.contains("archive/a-rerun-1.h5"), "{}", found.out);
    std::fs::remove_file(at.join("results/b.h5")).unwrap();
    let gone = ask(at, &["add", "results"]).expect(0);
    assert!(gone.out.contains("gone: results/b.h5"), "{}", gone.out);
    let used = ask(at, &["uses", "--constant", "gain=10 V/A"])
        .expect(0)
        .out;
    assert!(used.contains("results/b.h5 (gone)"), "{used}");
}

/// What cannot be read is named, and the rest is taken in.
#[test]
fn broken_and_newer_files_do_not_stop_the_others() {
    let folder = folder();
    let at = folder.path();
    let whole = std::fs::read(at.join("results/a.h5")).unwrap();
    std::fs::write(at.join("results/cut.h5"), &whole[..whole.len() / 2]).unwrap();
    std::fs::write(at.join("results/empty.h5"), "").unwrap();
    std::fs::write(at.join("results/text.h5"), "no HDF5").unwrap();
    for (name, text) in [
        ("newer", r#"{"version": 99, "else": []}"#),
        ("odd", "{\"version\": 2, \"entries\": 7}"),
    ] {
        let path = at.join(format!("results/{name}.h5"));
        std::fs::write(&path, &whole).unwrap();
        let file = open(&path);
        file.unlink("provenance/lineage").unwrap();
        let text: hdf5::types::VarLenUnicode = text.parse().unwrap();
        let made = file
            .new_dataset::<hdf5::types::VarLenUnicode>()
            .create("provenance/lineage");
        made.unwrap().write_scalar(&text).unwrap();
    }
    let added = ask(at, &["add", "results"]).expect(2);
    assert!(
        added
            .out
            .contains("2 taken in, 0 known already, 5 that could not be read"),
        "{}",
        added.out
    );
    for (file, why) in [
        ("cut.h5", "the end is missing"),
        ("empty.h5", "an empty file"),
        ("text.h5", "expected an HDF5 file"),
        ("newer.h5", "found 99; use a newer program"),
        ("odd.h5", "the lineage cannot be read"),
    ] {
        let line = added.err.lines().find(|l| l.contains(file));
        assert!(
            line.is_some_and(|l| l.contains(why)),
            "{file}: {}",
            added.err
        );
    }
    let list = ask(at, &["list"]).expect(0).out;
    assert!(list.contains("2 runs"), "{list}");
    ask(at, &["add", "a.h5"])
        .expect(1)
        .says("found an HDF5 file without a lineage");
    ask(at, &["add", "nowhere"]).expect(1).says("no such file");
}

#[test]
fn an_index_that_cannot_be_used_is_told_of() {
    let folder = folder();
    let at = folder.path();
    ask(at, &["list"])
        .expect(1)
        .says("phasemill catalogue add FOLDER");
    std::fs::write(
        at.join("notes.txt"),
        "no index, but something that somebody wrote",
    )
    .unwrap();
    ask(at, &["add", "results", "--index", "notes.txt"])
        .expect(1)
        .says("another kind of file");
    ask(at, &["rebuild", "results", "--index", "notes.txt"])
        .expect(1)
        .says("choose another name");
    ask(at, &["rebuild"])
        .expect(1)
        .says("phasemill catalogue rebuild results/");
    ask(at, &["add", "results", "--index", "none/i.sqlite"])
        .expect(1)
        .says("check the folder");
    let mut named = command(at);
    named
        .args(["catalogue", "add", "results"])
        .env("PHASEMILL_CATALOGUE", "lab.sqlite");
    finish(&mut named).expect(0);
    assert!(at.join("lab.sqlite").is_file());
    let bytes = std::fs::read(at.join("lab.sqlite")).unwrap();
    std::fs::write(at.join("lab.sqlite"), &bytes[..bytes.len() / 2]).unwrap();
    let list = ask(at, &["list", "--index", "lab.sqlite"]);
    list.expect(1).says("phasemill catalogue rebuild");
    ask(at, &["rebuild", "results", "--index", "lab.sqlite"]).expect(0);
    ask(at, &["list", "--index", "lab.sqlite"]).expect(0);
}

/// Several processes may take in files at once: nothing is lost, and nobody gives up.
#[test]
fn several_processes_add_at_once() {
    let folder = folder();
    let at = folder.path();
    let mut children = Vec::new();
    for worker in 0..4 {
        let own = at.join(format!("worker-{worker}"));
        std::fs::create_dir(&own).unwrap();
        for copy in 0..8 {
            run(at, "a", &format!("worker-{worker}/{copy}.h5"));
        }
    }
    for worker in 0..4 {
        let mut add = command(at);
        add.args(["catalogue", "add", &format!("worker-{worker}"), "results"]);
        add.stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped());
        children.push(add.spawn().unwrap());
    }
    for child in children {
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && said.is_empty(), "{said}");
    }
    let runs = json(at, &["list"]);
    let files: usize = runs
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["files"].as_array().unwrap().len())
        .sum();
    // Runs within one second that gave the same results are one, with several files.
    assert_eq!(files, 4 * 8 + 2, "{runs}");
}

#[test]
fn every_question_has_help_with_an_example() {
    for name in [
        "add", "rebuild", "list", "uses", "recipe", "find", "stale", "rerun",
    ] {
        let help = ask(Path::new("."), &[name, "--help"]).expect(0).out;
        assert!(
            help.contains(&format!("Example: phasemill catalogue {name}")),
            "{help}"
        );
    }
}
