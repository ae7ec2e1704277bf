//! Recordings and places that are not as they should be, through the program: one clear message, the
//! right exit code, no panic, nothing half-written, and the good recordings all the same.

use std::path::Path;

use crate::support::{
    Channel, Layout, MEAN, Outcome, attribute, finish, folder, names, noise, phasemill, record,
    root, sine, text_attribute,
};

const RATE: f64 = 1000.0;

fn good(folder: &Path, name: &str) {
    let samples = noise(1000, 0.5, 7);
    let channel = Channel::volts("/x", &samples);
    record(&folder.join(name), RATE, Layout::Contiguous, &[channel]);
}

fn run(folder: &Path, recordings: &[&str]) -> Outcome {
    let mut arguments = vec!["run", "recipe.ron", "--out", "out.h5"];
    arguments.extend(recordings);
    phasemill(folder, &arguments)
}

/// Runs a recipe over one bad recording: no result, and one fault that names the file and says all of `wanted`.
#[track_caller]
fn refused(recipe: &str, make: impl FnOnce(&Path), wanted: &[&str]) {
    let folder = folder(recipe);
    make(&folder.path().join("bad.h5"));
    let before = names(folder.path());
    let outcome = run(folder.path(), &["bad.h5"]).expect(2);
    for text in wanted.iter().chain(&["bad.h5"]) {
        assert!(
            outcome.err.contains(text),
            "expected `{text}` in:\n{}",
            outcome.err
        );
    }
    assert_eq!(names(folder.path()), before, "something was left behind");
    // The fault at its place, and that nothing else can be used.
    let told = outcome.err.lines().filter(|l| l.starts_with("error"));
    assert!(
        told.count() <= 2,
        "expected one message, found:\n{}",
        outcome.err
    );
    // `check` and `inspect` meet the same file, and end in order.
    let checked = phasemill(folder.path(), &["check", "recipe.ron", "bad.h5"]).expect(2);
    for text in wanted {
        assert!(
            checked.err.contains(text),
            "expected `{text}` in:\n{}",
            checked.err
        );
    }
    let inspected = phasemill(folder.path(), &["inspect", "bad.h5"]);
    assert!(matches!(inspected.code, Some(0 | 2)), "{inspected:#?}");
}

/// A file with one dataset, made by hand.
fn with(path: &Path, make: impl FnOnce(&hdf5::File)) {
    let file = crate::support::create(path);
    make(&file);
}

#[test]
fn missing_file() {
    refused(MEAN, |_| {}, &["no such file", "check the path"]);
}

#[test]
fn folder_instead_of_a_file() {
    refused(MEAN, |p| std::fs::create_dir(p).unwrap(), &["a folder"]);
}

#[test]
fn empty_file() {
    refused(MEAN, |p| std::fs::write(p, "").unwrap(), &["an empty file"]);
}

#[test]
fn not_hdf5() {
    let text = "time,x\n0,1\n".repeat(1000);
    refused(
        MEAN,
        |p| std::fs::write(p, text).unwrap(),
        &["expected an HDF5 file"],
    );
}

#[test]
fn truncated_file() {
    for part in [0.3, 0.6, 0.95] {
        refused(
            MEAN,
            |p| {
                good(p.parent().unwrap(), "bad.h5");
                let bytes = std::fs::read(p).unwrap();
                let kept = (bytes.len() as f64 * part) as usize;
                std::fs::write(p, &bytes[..kept]).unwrap();
            },
            &["expected"],
        );
    }
}

#[test]
fn dataset_missing() {
    refused(
        &MEAN.replace("\"x\"", "\"detector\""),
        |p| {
            let channel = Channel::volts("/detecter", &[0.0; 1000]);
            record(p, RATE, Layout::Contiguous, &[channel]);
        },
        &["/detector", "did you mean `/detecter`"],
    );
}

#[test]
fn wrong_rank() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                attribute(f, "sample_rate", RATE);
                f.new_dataset::<f64>().shape([2, 3, 4]).create("x").unwrap();
            })
        },
        &[
            "`/x`",
            "expected the shape [sample] or [point, sample]",
            "3 dimensions",
        ],
    );
}

#[test]
fn a_single_number_is_no_channel() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                attribute(f, "sample_rate", RATE);
                f.new_dataset::<f64>().create("x").unwrap();
            })
        },
        &["`/x`", "expected the shape"],
    );
}

#[test]
fn no_samples() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                attribute(f, "sample_rate", RATE);
                f.new_dataset::<f64>().shape([0]).create("x").unwrap();
            })
        },
        &["`/x`", "at least one point and one sample"],
    );
}

#[test]
fn text_instead_of_numbers() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                attribute(f, "sample_rate", RATE);
                let made = f.new_dataset::<hdf5::types::VarLenUnicode>().shape([3]);
                made.create("x").unwrap();
            })
        },
        &["`/x`", "expected integers", "convert the dataset"],
    );
}

#[test]
fn rate_missing() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                f.new_dataset::<f64>().shape([1000]).create("x").unwrap();
            })
        },
        &[
            "`/x`",
            "expected an attribute `sample_rate` in Hz",
            "state `rate` in the wiring",
        ],
    );
}

#[test]
fn rate_unusable() {
    for (rate, shown) in [
        (0.0, "0"),
        (-5.0, "-5"),
        (f64::NAN, "NaN"),
        (f64::INFINITY, "inf"),
    ] {
        refused(
            MEAN,
            |p| {
                record(
                    p,
                    rate,
                    Layout::Contiguous,
                    &[Channel::volts("/x", &[1.0; 1000])],
                )
            },
            &[
                "`/x`",
                "expected a sample rate above 0 Hz",
                &format!("found {shown}"),
                "wiring",
            ],
        );
    }
}

#[test]
fn rate_is_a_text() {
    refused(
        MEAN,
        |p| {
            with(p, |f| {
                f.new_dataset::<f64>().shape([1000]).create("x").unwrap();
                text_attribute(f, "sample_rate", "fast");
            })
        },
        &["sample_rate", "fast"],
    );
}

#[test]
fn unit_of_another_kind() {
    refused(
        MEAN,
        |p| {
            let channel = Channel {
                unit: "A",
                ..Channel::volts("/x", &[1.0; 1000])
            };
            record(p, RATE, Layout::Contiguous, &[channel]);
        },
        &["`/x`", "expected a unit such as V, found A", "wiring"],
    );
}

#[test]
fn unit_that_cannot_be_read() {
    refused(
        MEAN,
        |p| {
            let channel = Channel {
                unit: "Volts per div.",
                ..Channel::volts("/x", &[1.0; 1000])
            };
            record(p, RATE, Layout::Contiguous, &[channel]);
        },
        &["units", "Volts per div."],
    );
}

#[test]
fn every_sample_missing() {
    let folder = folder(MEAN);
    let channel = Channel::volts("/x", &[f64::NAN; 1000]);
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[channel],
    );
    let outcome = run(folder.path(), &["a.h5"]).expect(2).says("`level`");
    assert!(outcome.err.contains("found none"), "{}", outcome.err);
}

#[test]
fn constant_samples() {
    let folder = folder(MEAN);
    let channel = Channel::volts("/x", &[0.25; 1000]);
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[channel],
    );
    let outcome = run(folder.path(), &["a.h5"]).expect(0);
    assert!(
        outcome.out.contains("250") && outcome.out.contains("uncertainty not evaluated"),
        "{}",
        outcome.out
    );
    outcome
        .says("all samples are 250")
        .says("no scatter tells it");
    let seen = phasemill(folder.path(), &["inspect", "a.h5"]).expect(0);
    assert!(seen.out.contains("constant at 250"), "{}", seen.out);
}

#[test]
fn infinite_samples_never_look_like_an_answer() {
    let mut samples = noise(1000, 0.1, 3);
    samples[500] = f64::INFINITY;
    let folder = folder(MEAN);
    let channel = Channel::volts("/x", &samples);
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[channel],
    );
    let outcome = run(folder.path(), &["a.h5"]);
    let told = format!("{}{}", outcome.out, outcome.err);
    assert!(matches!(outcome.code, Some(0 | 2)), "{told}");
    assert!(
        told.contains("missing") || told.contains("failed"),
        "{told}"
    );
    assert!(
        !outcome.out.contains("NaN") && !outcome.out.contains("inf V"),
        "{told}"
    );
}

fn gap_recipe(policy: &str) -> String {
    format!(
        r#"Recipe(
    title: "filtered level",
    inputs: {{ "x": Wave(unit: "V") }},
    stages: {{
        "smooth": Filter(of: "x", kind: RcCascade(poles: 1, time_constant: "2 ms"), gaps: {policy}),
        "level": Average(of: "smooth", over: Blocks("0.1 s")),
    }},
    results: ["level"],
)
"#
    )
}

fn gappy(path: &Path) {
    let mut samples = noise(1000, 0.1, 3);
    samples[500..505].fill(f64::NAN);
    let channel = Channel::volts("/x", &samples);
    record(path, RATE, Layout::Contiguous, &[channel]);
}

#[test]
fn gap_that_is_refused() {
    let folder = folder(&gap_recipe("Refuse"));
    gappy(&folder.path().join("a.h5"));
    let outcome = run(folder.path(), &["a.h5"]).expect(2);
    outcome.says("`smooth`").says("sample 500").says("Restart");
}

#[test]
fn gap_after_which_is_restarted() {
    let folder = folder(&gap_recipe("Restart"));
    gappy(&folder.path().join("a.h5"));
    run(folder.path(), &["a.h5"]).expect(0);
}

#[test]
fn one_broken_file_of_three() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    std::fs::write(folder.path().join("b.h5"), "nothing like HDF5").unwrap();
    good(folder.path(), "c.h5");
    let outcome = run(folder.path(), &["a.h5", "b.h5", "c.h5"]).expect(2);
    assert_eq!(outcome.err.matches("b.h5").count(), 1, "{}", outcome.err);
    let (a, c) = (
        outcome.out.contains("a: mean"),
        outcome.out.contains("c: mean"),
    );
    assert!(a && c, "{}", outcome.out);
    let file = crate::support::open(&folder.path().join("out.h5"));
    for entry in ["a", "c"] {
        let level = file.dataset(&format!("{entry}/level/value")).unwrap();
        assert!(level.read_raw::<f64>().unwrap()[0].is_finite());
    }
    assert!(!file.link_exists("b"));
}

#[test]
fn all_files_broken() {
    let folder = folder(MEAN);
    std::fs::write(folder.path().join("b.h5"), "nothing like HDF5").unwrap();
    let outcome = run(folder.path(), &["a.h5", "b.h5"]).expect(2);
    outcome.says("a.h5").says("b.h5");
    assert!(!folder.path().join("out.h5").exists());
}

#[test]
fn one_bad_point_of_a_sweep() {
    let folder = folder(&gap_recipe("Refuse"));
    let mut samples = noise(3000, 0.1, 3);
    samples[1500] = f64::NAN;
    let channel = Channel {
        points: 3,
        ..Channel::volts("/x", &samples)
    };
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &[channel],
    );
    let outcome = run(folder.path(), &["a.h5"]).expect(2);
    let outcome = outcome.says("point 1").says("sample 500");
    assert!(!outcome.err.contains("point 0") && !outcome.err.contains("point 2"));
    assert!(
        outcome.out.contains("3 points, something failed at 1"),
        "{}",
        outcome.out
    );
}

#[test]
fn output_that_exists_is_kept_unless_told_otherwise() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    let out = folder.path().join("out.h5");
    std::fs::write(&out, "precious").unwrap();
    run(folder.path(), &["a.h5"])
        .expect(1)
        .says("exists already")
        .says("--overwrite");
    assert_eq!(std::fs::read_to_string(&out).unwrap(), "precious");
    run(folder.path(), &["a.h5", "--overwrite"]).expect(0);
    drop(crate::support::open(&out));
    assert_eq!(names(folder.path()), ["a.h5", "out.h5", "recipe.ron"]);
}

#[test]
fn table_that_exists_is_kept_unless_told_otherwise() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    let table = folder.path().join("t.csv");
    std::fs::write(&table, "precious").unwrap();
    let outcome = run(folder.path(), &["a.h5", "--csv", "t.csv"]).expect(1);
    outcome.says("t.csv").says("exists already");
    assert_eq!(std::fs::read_to_string(&table).unwrap(), "precious");
    // The table is refused before anything is run, so no result file is there either.
    assert!(!folder.path().join("out.h5").exists());
    run(folder.path(), &["a.h5", "--csv", "t.csv", "--overwrite"]).expect(0);
    let text = std::fs::read_to_string(&table).unwrap();
    assert!(text.contains("level"), "{text}");
}

#[test]
fn an_output_never_replaces_what_it_is_made_from() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    for name in ["a.h5", "recipe.ron"] {
        let before = std::fs::read(folder.path().join(name)).unwrap();
        for outputs in [["./NAME", "t.csv"], ["out.h5", "./NAME"]] {
            let [out, csv] = outputs.map(|o| o.replace("NAME", name));
            let arguments = [
                "run",
                "recipe.ron",
                "a.h5",
                "--out",
                &out,
                "--csv",
                &csv,
                "--overwrite",
            ];
            phasemill(folder.path(), &arguments)
                .expect(1)
                .says(name)
                .says("which is read");
            assert_eq!(std::fs::read(folder.path().join(name)).unwrap(), before);
        }
    }
    let arguments = ["run", "recipe.ron", "a.h5", "--out", "x", "--csv", "./x"];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("the result file and the table of estimates have one name");
    let arguments = [
        "run",
        "recipe.ron",
        "a.h5",
        "--out",
        "x",
        "--csv",
        "t",
        "--budget",
        "./t",
    ];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("the table of estimates and the table of budgets have one name, ./t");
    assert_eq!(names(folder.path()), ["a.h5", "recipe.ron"]);
}

/// A path whose parent is a file: no one can write there, not even the administrator.
#[test]
fn folder_that_cannot_be_written_to() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    let arguments = ["run", "recipe.ron", "a.h5", "--out", "recipe.ron/out.h5"];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("cannot be written");
    let arguments = ["run", "recipe.ron", "a.h5", "--out", "nowhere/out.h5"];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("no folder nowhere");
    let arguments = ["run", "recipe.ron", "a.h5", "--out", "."];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("folder");
    let arguments = [
        "run",
        "recipe.ron",
        "a.h5",
        "--out",
        "out.h5",
        "--csv",
        "recipe.ron/t.csv",
    ];
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("cannot be written");
    assert!(names(folder.path()).iter().all(|n| !n.contains("partial")));
}

/// Keeps filtered samples, so that much is written.
const KEEP: &str = r#"Recipe(
    title: "filtered samples",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "smooth": Filter(of: "x", kind: RcCascade(poles: 1, time_constant: "2 ms")),
        "level": Average(of: "smooth", over: Blocks("0.1 s")),
    },
    results: ["smooth", "level"],
)
"#;

/// Blocks of 512 bytes (POSIX, `ulimit -f`) stand in for a disk that is full: writing beyond them fails.
#[cfg(unix)]
#[test]
fn disk_full() {
    for blocks in [0, 1, 4, 16, 200, 3000] {
        let folder = folder(KEEP);
        let samples = noise(400_000, 0.1, 5);
        let channel = Channel::volts("/x", &samples);
        record(
            &folder.path().join("a.h5"),
            RATE,
            Layout::Contiguous,
            &[channel],
        );
        let script = format!(
            "trap '' XFSZ; ulimit -f {blocks}; exec '{}' run recipe.ron a.h5 --out out.h5 --csv t.csv",
            crate::support::program().display()
        );
        let mut shell = std::process::Command::new("sh");
        let outcome = finish(shell.args(["-c", &script]).current_dir(folder.path()));
        assert_eq!(outcome.code, Some(1), "{blocks} blocks: {outcome:#?}");
        assert!(!outcome.err.contains("panicked"), "{}", outcome.err);
        assert_eq!(outcome.err.matches("error").count(), 1, "{}", outcome.err);
        assert!(
            outcome.err.contains("out.h5: cannot be written"),
            "{}",
            outcome.err
        );
        assert_eq!(
            names(folder.path()),
            ["a.h5", "recipe.ron"],
            "{blocks} blocks"
        );
    }
}

#[cfg(unix)]
#[test]
fn interrupted_run_leaves_nothing() {
    let folder = folder(&gap_recipe("Refuse"));
    // Long enough to be met in the middle, and sparse on the disk: nothing is written into it.
    with(&folder.path().join("a.h5"), |f| {
        attribute(f, "sample_rate", RATE);
        let length = 2_000_000_000usize;
        f.new_dataset::<i16>().shape([length]).create("x").unwrap();
    });
    let arguments = [
        "run",
        "recipe.ron",
        "a.h5",
        "--out",
        "out.h5",
        "--csv",
        "t.csv",
    ];
    crate::support::interrupted(folder.path(), &arguments)
        .expect(130)
        .says("stopped; nothing was written");
    assert_eq!(names(folder.path()), ["a.h5", "recipe.ron"]);
}

#[test]
fn recordings_never_change() {
    let folder = folder(MEAN);
    good(folder.path(), "a.h5");
    let path = folder.path().join("a.h5");
    let before = (
        std::fs::read(&path).unwrap(),
        std::fs::metadata(&path).unwrap().modified().unwrap(),
    );
    run(folder.path(), &["a.h5"]).expect(0);
    phasemill(folder.path(), &["inspect", "a.h5"]).expect(0);
    phasemill(folder.path(), &["check", "recipe.ron", "a.h5"]).expect(0);
    let after = (
        std::fs::read(&path).unwrap(),
        std::fs::metadata(&path).unwrap().modified().unwrap(),
    );
    assert!(before == after);
}

#[test]
fn recording_that_the_recipe_needs_is_not_given() {
    let library = root().join("pipelines/library/chopped-light.ron");
    let folder = folder(&std::fs::read_to_string(library).unwrap());
    let tone = sine(1000, RATE, 50.0, 1.0, 0.0);
    let channels = [
        Channel::volts("/detector", &tone),
        Channel::volts("/chopper", &tone),
    ];
    record(
        &folder.path().join("a.h5"),
        RATE,
        Layout::Contiguous,
        &channels,
    );
    run(folder.path(), &["a.h5"])
        .expect(1)
        .says("--with blocked=FILE");
    run(folder.path(), &["a.h5", "--with", "dark=a.h5"])
        .expect(1)
        .says("blocked");
}
