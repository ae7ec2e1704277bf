//! What the files of the project keep to: headers, length, who names which library, generated texts.

use std::path::{Path, PathBuf};

use phasemill_engine::bench::Bench;
use phasemill_stages::REGISTRY;

use crate::support::{files, root, updating};

/// A longer file is split.
const LONGEST: usize = 700;

fn sources() -> Vec<(PathBuf, String)> {
    let found: Vec<(PathBuf, String)> = files(&root(), ".rs")
        .into_iter()
        .map(|f| (f.strip_prefix(root()).unwrap().to_path_buf(), read(&f)))
        .collect();
    assert!(found.len() > 50, "only {} sources", found.len());
    found
}

fn read(file: &Path) -> String {
    std::fs::read_to_string(file).unwrap()
}

#[test]
fn every_source_says_what_it_is() {
    for (file, text) in sources() {
        let first = text.lines().next().unwrap_or("");
        let said = first.strip_prefix("//! ").unwrap_or("");
        assert!(
            said.len() >= 20,
            "{}: begins with `{first}`",
            file.display()
        );
    }
}

#[test]
fn no_source_is_too_long() {
    let long: Vec<String> = sources()
        .iter()
        .filter(|(_, text)| text.lines().count() > LONGEST)
        .map(|(file, text)| format!("{}: {} lines", file.display(), text.lines().count()))
        .collect();
    assert!(long.is_empty(), "more than {LONGEST} lines: {long:#?}");
}

/// The part of the engine that may name a library; recordings are also made by the demo data and by
/// these checks.
const HOMES: [(&str, &[&str]); 5] = [
    ("ron", &["engine/src/text"]),
    ("petgraph", &["engine/src/graph.rs"]),
    ("rayon", &["engine/src/run"]),
    ("rusqlite", &["engine/src/index"]),
    (
        "hdf5",
        &[
            "engine/src/store",
            "demo-data",
            "tests/suite",
            "engine/build.rs",
        ],
    ),
];

#[test]
fn each_library_is_named_in_one_place() {
    let mut wrong = Vec::new();
    for (library, homes) in HOMES {
        let mut at_home = false;
        for (file, text) in sources() {
            if !text.lines().any(|line| names(code(line), library)) {
                continue;
            }
            match homes.iter().any(|h| file.starts_with(h)) {
                true => at_home = true,
                false => wrong.push(format!("{}: names `{library}`", file.display())),
            }
        }
        assert!(at_home, "nothing names `{library}`");
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// A line without its comment.
fn code(line: &str) -> &str {
    line.split("//").next().unwrap_or("")
}

/// Whether code names a crate in a path or an import.
fn names(line: &str, library: &str) -> bool {
    let starts_word = |at: usize| {
        let before = line[..at].chars().next_back();
        !before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == '/' || c == '.' || c == '"')
    };
    line.match_indices(library).any(|(at, _)| {
        let rest = &line[at + library.len()..];
        let imported = line.trim_start().starts_with("use ") || line.contains("extern crate");
        starts_word(at)
            && (rest.starts_with("::") || imported && rest.starts_with([';', ' ', ',', '}']))
    })
}

#[test]
fn names_of_libraries_are_recognised() {
    for line in [
        "use oak::Value;",
        "    oak::from_str(x)",
        "use {a, oak};",
        "use oak as o;",
    ] {
        assert!(names(line, "oak"), "{line}");
    }
    for line in [
        "let x = \"a.oak\";",
        "soak::x()",
        "use cloak::x;",
        "my_oak::x()",
    ] {
        assert!(!names(line, "oak"), "{line}");
    }
}

/// Files that are the project's own: no folder of builds, nothing that begins with a dot.
fn texts() -> Vec<(PathBuf, String)> {
    let is_text = |f: &PathBuf| {
        let name = f.file_name().unwrap().to_string_lossy().into_owned();
        [
            ".rs",
            ".ron",
            ".md",
            ".toml",
            ".sh",
            ".expected",
            ".py",
            ".yml",
        ]
        .iter()
        .any(|ending| name.ends_with(ending))
    };
    files(&root(), "")
        .into_iter()
        .filter(is_text)
        .map(|f| (f.clone(), read(&f)))
        .collect()
}

#[test]
fn no_file_names_a_machine() {
    // Put together here, so that this file does not hold what it looks for.
    let forbidden: Vec<String> = [
        ["/ro", "ot/"],
        ["/wo", "rk/"],
        ["/ho", "me/"],
        ["/tm", "p/"],
        ["/Us", "ers/"],
        ["C:", "\\"],
        ["crates", ".io"],
        ["inde", "x.crates"],
        ["py", "pi.org"],
        ["file", ":///"],
    ]
    .iter()
    .map(|parts| parts.concat())
    .collect();
    let mut wrong = Vec::new();
    for (file, text) in texts() {
        for word in forbidden.iter().filter(|w| text.contains(w.as_str())) {
            wrong.push(format!("{}: holds `{word}`", file.display()));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn no_line_ends_in_blanks_and_no_file_lacks_its_last_line_end() {
    for (file, text) in texts() {
        if file.components().any(|c| c.as_os_str() == "cases") {
            continue;
        }
        let untidy = text.lines().position(|l| l.ends_with([' ', '\t']));
        assert_eq!(untidy, None, "{}: blanks at a line's end", file.display());
        let ended = text.is_empty() || text.ends_with('\n') && !text.ends_with("\n\n");
        assert!(ended, "{}: does not end in one line end", file.display());
    }
}

#[test]
fn the_catalogue_is_what_the_registry_says() {
    let file = root().join("pipelines/STAGES.md");
    let made = phasemill_engine::handbook::markdown(&REGISTRY);
    if updating() {
        std::fs::write(&file, &made).unwrap();
    }
    let found = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(
        found == made,
        "pipelines/STAGES.md is out of date; run the tests with PHASEMILL_UPDATE=1"
    );
}

#[test]
fn every_shipped_recipe_checks_without_a_word() {
    let library = files(&root().join("pipelines/library"), ".ron");
    let recipes: Vec<_> = library
        .iter()
        .filter(|f| {
            let name = f.to_string_lossy();
            !name.ends_with(".wiring.ron") && !name.ends_with(".bench.ron")
        })
        .collect();
    assert!(recipes.len() >= 8, "only {} recipes", recipes.len());
    let mut wrong = String::new();
    for recipe in recipes {
        let (_, found) = crate::support::checked(&recipe.display().to_string(), &read(recipe));
        if !found.is_empty() {
            wrong += &format!("{found}\n");
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn every_shipped_wiring_can_be_read() {
    for file in files(&root().join("pipelines/library"), ".wiring.ron") {
        let name = file.display().to_string();
        let (_, found) = phasemill_engine::recipe::Wiring::parse(&name, &read(&file));
        assert!(found.is_empty(), "{found}");
    }
}

#[test]
fn every_shipped_bench_can_be_read_and_written() {
    let benches = files(&root().join("pipelines/library"), ".bench.ron");
    assert!(benches.len() >= 2);
    for file in benches {
        let name = file.display().to_string();
        let (bench, found) = Bench::parse(&name, &read(&file));
        assert!(found.is_empty(), "{found}");
        let written = bench.as_ref().unwrap().to_ron();
        assert_eq!(Bench::parse(&name, &written).0, bench, "{written}");
    }
}
