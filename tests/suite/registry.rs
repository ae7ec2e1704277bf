//! Every stage of the registry: its name, settings, file, and that its example checks and runs.

use std::collections::BTreeSet;

use phasemill_engine::handbook;
use phasemill_engine::recipe::Recipe;
use phasemill_engine::text::{Doc, Shape};
use phasemill_engine::units::Unit;
use phasemill_stages::REGISTRY;

use crate::support::{
    Channel, Layout, checked, files, noise, open, phasemill, record, root, sine, square,
    text_attribute,
};

/// A stage file that is longer moves its mathematics to `math/`.
const LONGEST_STAGE: usize = 500;

#[test]
fn names_are_legal_and_unique() {
    let mut seen = BTreeSet::new();
    for stage in REGISTRY.iter() {
        let name = stage.name();
        assert!(seen.insert(name), "two stages are called `{name}`");
        assert!(name.starts_with(|c: char| c.is_ascii_uppercase()), "{name}");
        assert!(name.chars().all(|c| c.is_ascii_alphanumeric()), "{name}");
        assert!(stage.numeric_version() >= 1, "{name}");
    }
    assert!(seen.len() >= 9, "only {} stages", seen.len());
}

#[test]
fn every_stage_is_documented() {
    for stage in REGISTRY.iter() {
        let (name, doc) = (stage.name(), stage.doc());
        let first = handbook::first_sentence(doc);
        assert!(first.ends_with('.'), "{name}: `{first}` is no sentence");
        assert!(first.len() <= 250, "{name}: the first sentence is too long");
        assert!(doc.len() >= 150, "{name}: says too little");
        let mut settings = BTreeSet::new();
        check_settings(name, &handbook::settings(stage), &mut settings);
        assert!(
            !settings.is_empty(),
            "{name}: has no settings, not even an input"
        );
    }
}

fn check_settings(path: &str, docs: &[Doc], paths: &mut BTreeSet<String>) {
    for doc in docs {
        let path = format!("{path}.{}", doc.name);
        assert!(paths.insert(path.clone()), "{path} is read twice");
        assert!(doc.doc.len() >= 4, "{path} is not documented");
        assert!(
            !doc.doc.ends_with('.'),
            "{path}: the doc is a clause, not a sentence"
        );
        let legal = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        assert!(doc.name.chars().all(legal), "{path}: not in lower case");
        assert!(
            !(doc.optional && doc.default.is_some()),
            "{path}: optional, and has a default"
        );
        check_shape(&path, &doc.shape, paths);
    }
}

fn check_shape(path: &str, shape: &Shape, paths: &mut BTreeSet<String>) {
    match shape {
        Shape::Quantity(unit, _) | Shape::Quantities(unit, _) => {
            let known = *unit == "dB" || Unit::parse(unit).is_ok();
            assert!(known && !unit.is_empty(), "{path}: unknown unit `{unit}`");
        }
        Shape::Integer(low, high) => assert!(low < high, "{path}: nothing to choose from"),
        Shape::Map(inner) => check_shape(path, inner, paths),
        Shape::Choice(variants) => {
            assert!(variants.len() >= 2, "{path}: nothing to choose from");
            for (name, meaning, settings) in variants {
                assert!(meaning.len() >= 4, "{path}.{name} is not documented");
                check_settings(&format!("{path}.{name}"), settings, paths);
            }
        }
        _ => {}
    }
}

#[test]
fn every_example_uses_its_stage_and_checks_without_a_word() {
    for stage in REGISTRY.iter() {
        let name = stage.name();
        let (recipe, found) = checked(name, stage.example());
        assert!(found.is_empty(), "the example of {name}:\n{found}");
        let used = recipe
            .unwrap()
            .stages
            .iter()
            .any(|s| s.stage.name() == name);
        assert!(used, "the example of {name} does not use it");
    }
}

#[test]
fn every_example_runs() {
    for stage in REGISTRY.iter() {
        let folder = tempfile::tempdir().unwrap();
        let recipe = folder.path().join("example.ron");
        std::fs::write(&recipe, stage.example()).unwrap();
        let (parsed, _) = checked(stage.name(), stage.example());
        let mut arguments = vec!["run".to_owned(), "example.ron".into()];
        let recordings = recordings(&parsed.unwrap(), folder.path());
        arguments.extend(recordings);
        arguments.extend(["--out", "out.h5"].map(String::from));
        let outcome = phasemill(folder.path(), &arguments);
        assert_eq!(outcome.code, Some(0), "{}: {outcome:#?}", stage.name());
        check_sentences(&folder.path().join("out.h5"), stage.name());
        let verified = phasemill(folder.path(), &["verify", "out.h5"]);
        assert_eq!(verified.code, Some(0), "{}: {verified:#?}", stage.name());
    }
}

/// Every stage says of itself what it did, in one sentence about what it read.
fn check_sentences(results: &std::path::Path, stage: &str) {
    let record = phasemill_engine::lineage::Record::open(results).unwrap();
    let nodes = record.lineage.entries.iter().flat_map(|e| &e.nodes);
    let own: Vec<_> = nodes.filter(|n| n.stage == stage).collect();
    assert!(!own.is_empty(), "{stage}");
    for node in own {
        let told = &node.method;
        assert!(
            told.ends_with('.') && !told.contains("  "),
            "{stage}: {told}"
        );
        assert!(
            !told.starts_with("The stage "),
            "{stage} only lists: {told}"
        );
        for read in &node.reads {
            let names = node.reads.len() == 1 || stage != "Amplify";
            assert!(
                !names || told.contains(read),
                "{stage}: no word of {read}: {told}"
            );
        }
        println!("{stage}: {told}");
    }
}

/// The frequency that a recipe expects its reference to have; 130 Hz where it leaves that open.
fn frequency(recipe: &Recipe) -> f64 {
    let stated = recipe.stages.iter().flat_map(|s| &s.described.settings);
    let mut stated = stated.filter(|(path, _)| path == "expect");
    let hertz = |text: &str| text.strip_suffix(" Hz")?.parse().ok();
    stated.find_map(|(_, text)| hertz(text)).unwrap_or(130.0)
}

/// Makes what a recipe needs: ten seconds and three points of every input, at 10 kHz. Inputs that
/// serve as a reference are squares or sines, the others hold that frequency in noise.
fn recordings(recipe: &Recipe, folder: &std::path::Path) -> Vec<String> {
    let (length, rate, points) = (100_000, 10_000.0, 3);
    let frequency = frequency(recipe);
    let names: BTreeSet<&str> = recipe.inputs.iter().map(|i| i.recording.as_str()).collect();
    let mut arguments = Vec::new();
    for (which, recording) in names.into_iter().enumerate() {
        let mut channels = Vec::new();
        for (k, input) in recipe.inputs.iter().enumerate() {
            if input.recording != recording {
                continue;
            }
            let read_as_clock = |kind: &str, square: bool| {
                recipe.stages.iter().any(|s| {
                    s.stage.name() == kind
                        && s.described.flows.iter().any(|f| f.text == input.name.text)
                        && s.described
                            .settings
                            .iter()
                            .any(|(p, v)| p == "shape" && v == "Square")
                            == square
                })
            };
            let one = if read_as_clock("Reference", true) {
                square(length, rate, frequency)
            } else {
                let mut wave = sine(length, rate, frequency, 1.0, 0.3 * k as f64);
                if !read_as_clock("Reference", false) {
                    let noise = noise(length, 0.1, (10 * which + k) as u64);
                    wave.iter_mut().zip(noise).for_each(|(w, n)| *w += n);
                }
                wave
            };
            let unit = input.unit.as_ref().map_or("V".into(), Unit::ascii);
            let dataset = input.channel.dataset.clone();
            let dataset = dataset.unwrap_or_else(|| format!("/{}", input.name.text));
            channels.push((dataset, unit, one.repeat(points)));
        }
        let file = format!("{which}.h5");
        let channels: Vec<Channel<'_>> = channels
            .iter()
            .map(|(dataset, unit, samples)| Channel {
                dataset,
                unit,
                samples,
                points,
            })
            .collect();
        record(&folder.join(&file), rate, Layout::Contiguous, &channels);
        along(&folder.join(&file), &channels, [400.0, 410.0, 400.0]);
        match recording {
            "" => arguments.insert(0, file),
            name => arguments.extend(["--with".into(), format!("{name}={file}")]),
        }
    }
    arguments
}

/// Gives a recording an axis of plain numbers, along which its points go there and back.
fn along(recording: &std::path::Path, channels: &[Channel<'_>], places: [f64; 3]) {
    let file = open(recording);
    let axis = file.new_dataset::<f64>().shape([places.len()]);
    let axis = axis.create("/places").unwrap();
    axis.write_raw(&places).unwrap();
    for channel in channels {
        let dataset = file.dataset(channel.dataset).unwrap();
        text_attribute(&dataset, "axis", "/places");
    }
}

#[test]
fn stage_files_are_the_entries_of_the_list() {
    let folder = root().join("stages/src");
    let list = std::fs::read_to_string(folder.join("lib.rs")).unwrap();
    let entries: BTreeSet<&str> = list
        .lines()
        .filter_map(|l| l.trim().strip_prefix('&')?.split_once("::"))
        .map(|(module, _)| module)
        .collect();
    let found: Vec<_> = files(&folder, ".rs")
        .into_iter()
        .filter(|f| f.parent() == Some(&folder) && !f.ends_with("lib.rs"))
        .collect();
    let stages: BTreeSet<&str> = found
        .iter()
        .map(|f| f.file_stem().unwrap().to_str().unwrap())
        .collect();
    assert_eq!(stages, entries, "files of stages, and the list");
    assert_eq!(entries.len(), REGISTRY.iter().count());
    for (file, text) in found
        .iter()
        .map(|f| (f, std::fs::read_to_string(f).unwrap()))
    {
        let file = file.display();
        let length = text.lines().count();
        assert!(length <= LONGEST_STAGE, "{file}: {length} lines");
        assert!(
            text.starts_with("//! `"),
            "{file}: does not begin with its stage's name"
        );
        assert!(text.contains("impl Stage for "), "{file}: is no stage");
    }
}
