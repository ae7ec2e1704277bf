//! Text cases: each `cases/**/NAME.ron` is a recipe (or `NAME.wiring.ron` a wiring, `NAME.bench.ron` a bench) and
//! `NAME.expected` what a user is shown for it. `PHASEMILL_UPDATE=1` rewrites the latter.
//!
//! Lines `//@ ROLE: RATE Hz, COUNT samples, UNIT` give headers, as if a recording had been given.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use phasemill_engine::bench::Bench;
use phasemill_engine::compare::alternatives;
use phasemill_engine::diagnostic::{Code, Diagnostic, Diagnostics, Severity};
use phasemill_engine::explain::made_up;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::store::ChannelHeader;
use phasemill_stages::REGISTRY;

use crate::support::{checked, files, updating};

/// Longest expected text, in bytes; a longer one is no longer read by anyone.
const LONGEST: usize = 20 << 10;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases")
}

fn cases() -> Vec<PathBuf> {
    files(&folder(), ".ron")
}

fn header(line: &str) -> ChannelHeader {
    made_up(line).unwrap_or_else(|| panic!("cannot read `{line}`"))
}

/// What the program would show for a case.
fn diagnostics(path: &Path) -> Diagnostics {
    let text = std::fs::read_to_string(path).unwrap();
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    if name.ends_with(".wiring.ron") {
        return Wiring::parse(&name, &text).1.sorted();
    }
    if name.ends_with(".bench.ron") {
        return Bench::parse(&name, &text).1;
    }
    let headers: Vec<ChannelHeader> = text
        .lines()
        .filter(|l| l.starts_with("//@"))
        .map(header)
        .collect();
    let (recipe, mut all) = Recipe::parse(&name, &text, &REGISTRY);
    if let Some(recipe) = &recipe {
        let known = |role: &str| headers.iter().find(|h| h.role == role);
        phasemill_engine::check::check(recipe, known, &mut all);
        alternatives::check_all(recipe, &REGISTRY, &headers, &mut all);
    }
    all.sorted()
}

fn shown(diagnostics: &Diagnostics) -> String {
    match diagnostics.is_empty() {
        true => "accepted\n".into(),
        false => format!("{diagnostics}\n"),
    }
}

#[test]
fn every_case_shows_what_is_expected() {
    let mut wrong = Vec::new();
    for case in cases() {
        let found = shown(&diagnostics(&case));
        let file = case.with_extension("expected");
        if updating() {
            std::fs::write(&file, &found).unwrap();
            continue;
        }
        let expected = std::fs::read_to_string(&file).unwrap_or_else(|_| "nothing".into());
        if expected != found {
            let name = case.display();
            wrong.push(format!(
                "{name}\n--- expected\n{expected}\n--- found\n{found}"
            ));
        }
    }
    assert!(
        wrong.is_empty(),
        "{} cases differ; if the new texts are right, run again with PHASEMILL_UPDATE=1\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn no_expected_text_is_orphaned_too_long_or_named_twice() {
    let mut names = BTreeSet::new();
    for case in cases() {
        let name = case.file_name().unwrap().to_owned();
        assert!(
            names.insert(name),
            "{}: two cases of one name",
            case.display()
        );
    }
    let known: BTreeSet<PathBuf> = cases()
        .iter()
        .map(|c| c.with_extension("expected"))
        .collect();
    for file in files(&folder(), "") {
        let is_case = file.extension().is_some_and(|e| e == "ron");
        assert!(
            is_case || known.contains(&file),
            "{}: belongs to no case",
            file.display()
        );
        let length = std::fs::metadata(&file).unwrap().len() as usize;
        assert!(length <= LONGEST, "{}: {length} bytes", file.display());
    }
    assert!(known.len() >= 60, "only {} cases", known.len());
}

#[test]
fn two_cases_never_hold_the_same_text() {
    let mut seen: BTreeMap<String, PathBuf> = BTreeMap::new();
    for case in cases() {
        let text = std::fs::read_to_string(&case).unwrap();
        if let Some(other) = seen.insert(text, case.clone()) {
            panic!("{} is a copy of {}", case.display(), other.display());
        }
    }
}

#[test]
fn every_code_occurs_in_a_case() {
    let seen: BTreeSet<Code> = cases()
        .iter()
        .flat_map(|case| diagnostics(case).iter().map(|d| d.code).collect::<Vec<_>>())
        .chain(too_long().iter().map(|d| d.code))
        .collect();
    let missing: Vec<&Code> = Code::ALL.iter().filter(|c| !seen.contains(c)).collect();
    assert!(missing.is_empty(), "codes in no case: {missing:?}");
}

fn too_long() -> Diagnostics {
    let text = format!("Recipe(title: \"{}\")", "x".repeat(1 << 20));
    checked("long.ron", &text).1
}

#[test]
fn a_text_of_more_than_a_mebibyte_is_a_diagnostic() {
    let found = too_long();
    let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
    assert_eq!(codes, [Code::Limit]);
    assert!(found.to_string().contains("long.ron"), "{found}");
    assert!(found.to_string().contains("1048576 bytes"), "{found}");
}

/// Every message is one clause in lower case, with its place, and in code marks what was written.
#[test]
fn every_message_keeps_the_house_rules() {
    let mut wrong = Vec::new();
    for case in cases() {
        for d in &diagnostics(&case) {
            complaints(d)
                .iter()
                .for_each(|c| wrong.push(format!("{}: {c}: {}", case.display(), d.message)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn complaints(d: &Diagnostic) -> Vec<&'static str> {
    let mut found = Vec::new();
    for text in std::iter::once(&d.message).chain(&d.help) {
        if text.starts_with(|c: char| c.is_ascii_uppercase()) {
            found.push("begins with a capital");
        }
        if text.ends_with(['.', '!']) {
            found.push("ends with a stop");
        }
        if text.contains('\n') || text.trim() != text || text.is_empty() {
            found.push("is not one line");
        }
        if text.matches('`').count() % 2 == 1 {
            found.push("leaves a back-tick open");
        }
    }
    match &d.place {
        None => found.push("has no place"),
        Some(place) if place.text().is_empty() && !place.source.text.is_empty() => {
            found.push("points at nothing");
        }
        Some(_) => {}
    }
    // Syntax faults say what the reader of the text expected; everything else says what to do.
    let instructs = d.message.starts_with("expected ") || d.message.starts_with("missing ");
    if d.severity == Severity::Error && d.code != Code::Syntax && d.help.is_empty() && !instructs {
        found.push("does not say what to do");
    }
    found
}
