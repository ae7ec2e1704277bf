//! The command line: exit codes, help, completions, and what each command prints.

use std::path::Path;

use phasemill_stages::REGISTRY;

use crate::support::{Channel, Layout, noise, phasemill, record};

const COMMANDS: [&str; 15] = [
    "challenge",
    "check",
    "run",
    "trace",
    "differ",
    "sign",
    "verify",
    "catalogue",
    "export",
    "report",
    "inspect",
    "stages",
    "expect",
    "new",
    "completions",
];

const RECIPE: &str = r#"Recipe(
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

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.ron"), RECIPE).unwrap();
    let samples = noise(1000, 0.5, 7);
    let channel = Channel::volts("/x", &samples);
    record(
        &folder.path().join("a.h5"),
        1000.0,
        Layout::Contiguous,
        &[channel],
    );
    folder
}

fn here() -> &'static Path {
    Path::new(".")
}

#[test]
fn help_of_every_command_has_an_example() {
    let whole = phasemill(here(), &["--help"]).expect(0).out;
    for name in COMMANDS {
        assert!(whole.contains(&format!("  {name}")), "{whole}");
        let help = phasemill(here(), &[name, "--help"]).expect(0).out;
        assert!(
            help.contains(&format!("Example: phasemill {name}")),
            "{name}:\n{help}"
        );
    }
    assert!(whole.contains("Exit codes: 0"), "{whole}");
}

#[test]
fn every_argument_has_help() {
    for name in COMMANDS {
        let help = phasemill(here(), &[name, "--help"]).expect(0).out;
        let lines: Vec<&str> = help.lines().collect();
        for (k, line) in lines.iter().enumerate() {
            let line = line.trim_start();
            let argument = line.starts_with('-') || line.starts_with('[') || line.starts_with('<');
            if !argument || line.starts_with("Example") {
                continue;
            }
            let below = lines
                .get(k + 1)
                .is_some_and(|l| l.starts_with("          "));
            assert!(
                line.contains("  ") || below,
                "{name}: `{line}` is not explained"
            );
        }
    }
}

#[test]
fn version_is_that_of_the_package() {
    let out = phasemill(here(), &["--version"]).expect(0).out;
    assert_eq!(
        out.trim(),
        format!("phasemill {}", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn wrong_arguments_are_rejected() {
    for arguments in [
        vec!["chek"],
        vec![],
        vec!["run"],
        vec!["run", "recipe.ron", "a.h5"],
        vec![
            "run",
            "recipe.ron",
            "a.h5",
            "--out",
            "x.h5",
            "--threads",
            "many",
        ],
        vec![
            "run",
            "recipe.ron",
            "a.h5",
            "--out",
            "x.h5",
            "--with",
            "blocked",
        ],
        vec!["completions", "teletype"],
        vec!["inspect"],
    ] {
        let outcome = phasemill(here(), &arguments);
        assert_eq!(outcome.code, Some(1), "{arguments:?}: {outcome:#?}");
        assert!(outcome.out.is_empty(), "{arguments:?}: {}", outcome.out);
        assert!(!outcome.err.is_empty());
    }
}

#[test]
fn completions_exist_for_the_usual_shells() {
    for shell in ["bash", "zsh", "fish"] {
        let out = phasemill(here(), &["completions", shell]).expect(0).out;
        for name in COMMANDS {
            assert!(out.contains(name), "{shell} does not complete {name}");
        }
        assert!(out.contains("overwrite"), "{shell}");
    }
}

#[test]
fn done_rejected_and_failed_have_their_codes() {
    let folder = folder();
    let run = |recipe: &str, recording: &str| {
        let arguments = ["run", recipe, recording, "--out", "out.h5", "--overwrite"];
        phasemill(folder.path(), &arguments)
    };
    run("recipe.ron", "a.h5").expect(0);
    std::fs::write(
        folder.path().join("bad.ron"),
        RECIPE.replace("of: \"x\"", "of: \"z\""),
    )
    .unwrap();
    run("bad.ron", "a.h5").expect(1).says("unknown flow `z`");
    run("none.ron", "a.h5").expect(1).says("none.ron");
    run("recipe.ron", "b.h5").expect(2).says("b.h5");
    std::fs::write(folder.path().join("latin.ron"), b"Recipe(title: \"\xb5\")").unwrap();
    run("latin.ron", "a.h5").expect(1).says("latin.ron");
}

#[test]
fn warnings_reject_only_when_asked_to() {
    let folder = folder();
    let unused = RECIPE.replace("results: [\"level\", \"current\"]", "results: [\"level\"]");
    std::fs::write(folder.path().join("unused.ron"), unused).unwrap();
    let check = |more: &[&str]| {
        let arguments = [&["check", "unused.ron"], more].concat();
        phasemill(folder.path(), &arguments)
    };
    let plain = check(&[]).expect(0).says("warning[unused]");
    assert!(plain.out.contains("accepted: 1 warning"), "{}", plain.out);
    let strict = check(&["--strict"]).expect(1);
    assert!(strict.out.contains("rejected: 1 warning"), "{}", strict.out);
    check(&["a.h5"]).expect(0);
    check(&["a.h5", "--strict"]).expect(1);
    let run = ["run", "unused.ron", "a.h5", "--out", "out.h5"];
    phasemill(folder.path(), &[&run[..], &["--strict"]].concat()).expect(1);
    assert!(!folder.path().join("out.h5").exists());
    phasemill(folder.path(), &run)
        .expect(0)
        .says("warning[unused]");
}

#[test]
fn a_new_recipe_checks_and_never_replaces_one() {
    let folder = tempfile::tempdir().unwrap();
    phasemill(folder.path(), &["new", "mine.ron"]).expect(0);
    let outcome = phasemill(folder.path(), &["check", "mine.ron", "--strict"]).expect(0);
    assert!(
        outcome.out.contains("accepted: no fault"),
        "{}",
        outcome.out
    );
    let file = folder.path().join("mine.ron");
    std::fs::write(&file, "mine").unwrap();
    phasemill(folder.path(), &["new", "mine.ron"])
        .expect(1)
        .says("choose a name that is free");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    phasemill(folder.path(), &["new", "nowhere/mine.ron"])
        .expect(1)
        .says("nowhere");
}

#[test]
fn stages_lists_and_explains_all() {
    let list = phasemill(here(), &["stages"]).expect(0).out;
    assert_eq!(list.lines().count(), REGISTRY.iter().count());
    let whole = phasemill(here(), &["stages", "--markdown"]).expect(0).out;
    for (stage, line) in REGISTRY.iter().zip(list.lines()) {
        let name = stage.name();
        assert!(line.starts_with(&format!("{name} ")), "{line}");
        let page = phasemill(here(), &["stages", name]).expect(0).out;
        assert!(
            page.starts_with(name) && page.contains("Settings\n"),
            "{page}"
        );
        assert!(page.contains(stage.example()), "{page}");
        assert!(whole.contains(&format!("\n## {name}\n")));
    }
    phasemill(here(), &["stages", "filtr"])
        .expect(1)
        .says("did you mean `Filter`?");
    phasemill(here(), &["stages", "xyzzy"])
        .expect(1)
        .says("`Average`");
}

#[test]
fn trace_tells_the_story_of_an_output() {
    let folder = folder();
    let run = [
        "run",
        "recipe.ron",
        "a.h5",
        "--out",
        "out.h5",
        "--csv",
        "t.csv",
    ];
    phasemill(folder.path(), &run).expect(0);
    let trace = |more: &[&str]| {
        let arguments = [&["trace", "out.h5"], more].concat();
        phasemill(folder.path(), &arguments)
    };
    let story = trace(&["current"]).expect(0).out;
    for text in [
        "- current: Amplify",
        "- level: Average",
        "- x: input",
        "a.h5",
        "gain",
        "made up",
    ] {
        assert!(story.contains(text), "expected `{text}` in\n{story}");
    }
    assert_eq!(trace(&["a:current"]).expect(0).out, story);
    assert_eq!(trace(&["--recipe"]).expect(0).out, RECIPE);
    trace(&["voltage"]).expect(1).says("a:level, a:current");
    trace(&["b:current"]).expect(1).says("a:current");

    let json: serde_json::Value = serde_json::from_str(&trace(&["--json"]).expect(0).out).unwrap();
    assert_eq!(json["version"], phasemill_engine::lineage::VERSION);
    let outputs = json["outputs"].as_array().unwrap();
    assert_eq!(outputs.len(), 2);
    let is_hash = |v: &serde_json::Value| {
        v.as_str()
            .is_some_and(|s| s.len() == 64 && s.chars().all(|c| c.is_ascii_hexdigit()))
    };
    for output in outputs {
        assert!(is_hash(&output["output"]["key"]) && is_hash(&output["output"]["content"]));
        let nodes = output["entry"]["nodes"].as_array().unwrap();
        assert!(nodes.iter().all(|n| is_hash(&n["key"])), "{nodes:?}");
    }
    let x = &outputs[0]["entry"]["nodes"][0];
    assert_eq!(x["stage"], "input");
    assert!(is_hash(&x["input"]["samples"]));

    phasemill(folder.path(), &["trace", "a.h5"])
        .expect(1)
        .says("expected a result file");
    phasemill(folder.path(), &["trace", "none.h5"])
        .expect(1)
        .says("no such file");
}

#[test]
fn inspect_shows_what_a_wiring_needs() {
    let folder = folder();
    let out = phasemill(folder.path(), &["inspect", "a.h5"]).expect(0).out;
    for text in [
        "/x",
        "1000",
        "sample_rate = 1000",
        "units = V",
        "float64",
        "1 s each",
    ] {
        assert!(out.contains(text), "expected `{text}` in\n{out}");
    }
    let headers = phasemill(folder.path(), &["inspect", "--headers", "a.h5"])
        .expect(0)
        .out;
    assert!(
        headers.contains("/x") && !headers.contains("from "),
        "{headers}"
    );
    let two = phasemill(folder.path(), &["inspect", "none.h5", "a.h5"]).expect(2);
    assert!(two.out.contains("/x"), "{}", two.out);
}

#[test]
fn the_plan_is_printed_on_request() {
    let folder = folder();
    let plain = phasemill(folder.path(), &["check", "recipe.ron", "a.h5"])
        .expect(0)
        .out;
    let plan = phasemill(folder.path(), &["check", "recipe.ron", "a.h5", "--plan"])
        .expect(0)
        .out;
    assert!(plan.len() > plain.len() && plan.contains("pass"), "{plan}");
}

#[test]
fn quiet_runs_say_nothing() {
    let folder = folder();
    let run = ["run", "recipe.ron", "a.h5", "--out", "out.h5", "--quiet"];
    let outcome = phasemill(folder.path(), &run).expect(0);
    assert!(
        outcome.out.is_empty() && outcome.err.is_empty(),
        "{outcome:?}"
    );
}

/// Not on a terminal, as here, nothing is coloured, whatever the environment says.
#[test]
fn colours_are_for_terminals() {
    let folder = folder();
    let bad = RECIPE.replace("of: \"x\"", "of: \"z\"");
    std::fs::write(folder.path().join("bad.ron"), bad).unwrap();
    for (name, value) in [("NO_COLOR", "1"), ("TERM", "xterm-256color")] {
        for arguments in [
            vec!["check", "bad.ron"],
            vec![
                "run",
                "recipe.ron",
                "a.h5",
                "--out",
                "out.h5",
                "--overwrite",
            ],
            vec!["--help"],
            vec!["chek"],
        ] {
            let mut command = crate::support::command(folder.path());
            let outcome = crate::support::finish(command.args(&arguments).env(name, value));
            let printed = format!("{}{}", outcome.out, outcome.err);
            assert!(!printed.contains('\u{1b}'), "{arguments:?}: {printed:?}");
            assert!(!printed.contains('\r'), "{arguments:?}: {printed:?}");
        }
    }
}

/// Numbers of the table are those of the file, with their units in the header.
#[test]
fn the_table_has_the_numbers_of_the_file() {
    let folder = folder();
    let run = [
        "run",
        "recipe.ron",
        "a.h5",
        "--out",
        "out.h5",
        "--csv",
        "t.csv",
    ];
    phasemill(folder.path(), &run).expect(0);
    let text = std::fs::read_to_string(folder.path().join("t.csv")).unwrap();
    let (header, row) = text.split_once('\n').unwrap();
    assert!(
        header.contains("level") && header.contains("level.u [V]"),
        "{header}"
    );
    let file = phasemill_engine::store::ResultReader::open(&folder.path().join("out.h5")).unwrap();
    let level = file.floats("/a/level/value").unwrap()[0];
    let found: Vec<f64> = row
        .trim()
        .split(',')
        .filter_map(|v| v.parse().ok())
        .collect();
    assert!(found.contains(&level), "{level:?} is not in {row}");
}

/// A pipe that is closed early, as by `head`, is no reason to fail loudly.
#[cfg(unix)]
#[test]
fn closed_pipes_are_no_panic() {
    let script = format!(
        "'{}' stages --markdown 2>err.txt | head -n 1 >/dev/null",
        crate::support::program().display()
    );
    let folder = folder();
    let mut shell = std::process::Command::new("sh");
    crate::support::finish(shell.args(["-c", &script]).current_dir(folder.path())).expect(0);
    let err = std::fs::read_to_string(folder.path().join("err.txt")).unwrap();
    assert!(err.is_empty(), "{err}");
}
