//! The same samples and the same recipe give the same bits, however many threads work and however the
//! samples are stored; and a derivation key changes exactly when something that matters does.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::support::{
    Channel, Layout, attribute, command, finish, noise, on_an_old_processor, phasemill, record,
    sine, square, text_attribute,
};

/// Most stages, among them all kinds of work: streams, surveys, points, series, kept samples.
const RECIPE: &str = r#"Recipe(
    title: "most stages",
    inputs: { "x": Wave(unit: "V"), "ref": Wave(unit: "V") },
    constants: { "gain": Constant(value: "1.0e6 V/A", standard_uncertainty: "0.5 %", source: "made up") },
    stages: {
        "ac": RemoveOffset(of: "x"),
        "clock": Reference(of: "ref", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "5 ms")),
        "slow": Decimate(of: "smooth", to: "500 Hz"),
        "voltage": Average(of: "slow", over: Blocks("0.1 s")),
        "current": Amplify(of: "voltage", divide_by: "gain"),
        "polar": Polar(of: "current"),
        "net": Background(of: "current", point: Index(0)),
        "level": Average(of: "x", over: Blocks("0.1 s")),
    },
    results: ["slow", "voltage", "current", "polar", "net", "level"],
)
"#;

const RATE: f64 = 5000.0;
const POINTS: usize = 5;
const LENGTH: usize = 10_000;

/// Whole codes, so that every form of storage holds them exactly.
fn samples() -> (Vec<f64>, Vec<f64>) {
    let (mut x, mut reference) = (Vec::new(), Vec::new());
    for point in 0..POINTS {
        let tone = sine(LENGTH, RATE, 170.0, 300.0 + 50.0 * point as f64, 0.4);
        let noise = noise(LENGTH, 100.0, point as u64);
        x.extend(tone.iter().zip(noise).map(|(t, n)| (t + n + 40.0).round()));
        reference.extend(square(LENGTH, RATE, 170.0).iter().map(|r| 1000.0 * r));
    }
    (x, reference)
}

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("recipe.ron"), RECIPE).unwrap();
    let (x, reference) = samples();
    made(
        &folder.path().join("a.h5"),
        Layout::Contiguous,
        &x,
        &reference,
    );
    folder
}

fn made(path: &Path, layout: Layout, x: &[f64], reference: &[f64]) {
    let channel = |dataset, samples| Channel {
        points: POINTS,
        ..Channel::volts(dataset, samples)
    };
    let channels = [channel("/x", x), channel("/ref", reference)];
    record(path, RATE, layout, &channels);
}

/// Lineage of a run: outputs by name with key and content, and what every node's key is.
#[derive(Debug, PartialEq)]
struct Trace {
    keys: BTreeMap<String, String>,
    contents: BTreeMap<String, String>,
    nodes: BTreeMap<String, String>,
}

fn run(folder: &Path, recipe: &str, recording: &str, out: &str, threads: &str) -> Trace {
    let arguments = [
        "run",
        recipe,
        recording,
        "--out",
        out,
        "--overwrite",
        "--threads",
        threads,
    ];
    run_by(command(folder), folder, &arguments, out)
}

fn run_by(mut program: Command, folder: &Path, arguments: &[&str], out: &str) -> Trace {
    finish(program.args(arguments)).expect(0);
    let json = phasemill(folder, &["trace", out, "--json"]).expect(0).out;
    let json: Value = serde_json::from_str(&json).unwrap();
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    let outputs = json["outputs"].as_array().unwrap();
    let of = |what: &str| -> BTreeMap<String, String> {
        let pair = |o: &Value| (text(&o["output"]["name"]), text(&o["output"][what]));
        outputs.iter().map(pair).collect()
    };
    let nodes = outputs[0]["entry"]["nodes"].as_array().unwrap();
    Trace {
        keys: of("key"),
        contents: of("content"),
        nodes: nodes
            .iter()
            .map(|n| (text(&n["name"]), text(&n["key"])))
            .collect(),
    }
}

/// The bits of every dataset of numbers in a result file, by path.
fn bits(path: &Path) -> BTreeMap<String, Vec<u64>> {
    let mut found = BTreeMap::new();
    let file = crate::support::open(path);
    collect(&file, &mut found);
    assert!(found.len() > 20, "only {} datasets", found.len());
    found
}

fn collect(group: &hdf5::Group, found: &mut BTreeMap<String, Vec<u64>>) {
    for dataset in group.datasets().unwrap() {
        use hdf5::types::TypeDescriptor::{Float, Integer, Unsigned};
        let kind = dataset.dtype().unwrap().to_descriptor().unwrap();
        // Hashes of samples are of the stored numbers, whatever they stand for.
        let hashes = dataset.name().starts_with("/provenance/");
        if !hashes && matches!(kind, Float(_) | Integer(_) | Unsigned(_)) {
            let values: Vec<f64> = dataset.read_raw().unwrap();
            found.insert(dataset.name(), values.iter().map(|v| v.to_bits()).collect());
        }
    }
    for group in group.groups().unwrap() {
        collect(&group, found);
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bits() {
    let folder = folder();
    let at = |out: &str| folder.path().join(out);
    let one = run(folder.path(), "recipe.ron", "a.h5", "one.h5", "1");
    assert!(one.contents["voltage"].len() == 64 && one.contents["level"].len() == 64);
    for threads in ["2", "8", "0"] {
        let many = run(folder.path(), "recipe.ron", "a.h5", "many.h5", threads);
        assert_eq!(one, many, "{threads} threads");
        assert_eq!(
            bits(&at("one.h5")),
            bits(&at("many.h5")),
            "{threads} threads"
        );
    }
}

#[test]
fn any_processor_gives_the_same_bits() {
    let folder = folder();
    let at = |out: &str| folder.path().join(out);
    let own = run(folder.path(), "recipe.ron", "a.h5", "own.h5", "2");
    let arguments = ["run", "recipe.ron", "a.h5", "--out", "old.h5"];
    let old = on_an_old_processor(folder.path());
    let old = run_by(old, folder.path(), &arguments, "old.h5");
    assert_eq!(own, old);
    assert_eq!(bits(&at("own.h5")), bits(&at("old.h5")));
}

#[test]
fn any_form_of_storage_gives_the_same_bits() {
    let folder = folder();
    let at = |out: &str| folder.path().join(out);
    let (x, reference) = samples();
    let one = run(folder.path(), "recipe.ron", "a.h5", "one.h5", "2");
    let same = |what: &str, keys: bool| {
        let other = run(folder.path(), "recipe.ron", "b.h5", "other.h5", "2");
        assert_eq!(one.contents, other.contents, "{what}");
        let (a, b) = (bits(&at("one.h5")), bits(&at("other.h5")));
        let renamed: BTreeMap<String, Vec<u64>> = b
            .into_iter()
            .map(|(path, values)| (path.replacen("/b/", "/a/", 1), values))
            .collect();
        assert!(a == renamed, "{what}: other bits");
        if keys {
            assert_eq!(one.keys, other.keys, "{what}");
        }
    };
    for layout in [
        Layout::Contiguous,
        Layout::Chunked(999),
        Layout::Chunked(1),
        Layout::Deflated(4096),
        Layout::Deflated(LENGTH),
    ] {
        made(&at("b.h5"), layout, &x, &reference);
        same(&format!("{layout:?}"), true);
    }
    big_endian(&at("b.h5"), &x, &reference);
    same("big-endian", true);
    // Stored as other numbers, the samples are others to a key; the results are the same.
    integers(&at("b.h5"), &x, &reference);
    same("int16", false);
}

/// The same doubles with their bytes in the other order. The library writes the machine's own order
/// only, so the bytes are turned before and the datatype's byte-order bit is set afterwards (HDF5 File
/// Format Specification 3.0, IV.A.2.d, class 1; the header has no checksum in the earliest format).
fn big_endian(path: &Path, x: &[f64], reference: &[f64]) {
    let turned = |samples: &[f64]| -> Vec<f64> {
        let turn = |s: &f64| f64::from_bits(s.to_bits().swap_bytes());
        samples.iter().map(turn).collect()
    };
    let mut options = hdf5::File::with_options();
    options.fapl().file_locking(false).libver_earliest();
    let file = options.create(path).unwrap();
    attribute(&file, "sample_rate", RATE as f32);
    for (name, samples) in [("x", x), ("ref", reference)] {
        let dataset = file
            .new_dataset::<f64>()
            .shape([POINTS, LENGTH])
            .create(name)
            .unwrap();
        dataset.write_raw(&turned(samples)).unwrap();
        text_attribute(&dataset, "units", "V");
    }
    drop(file);
    let little = [
        0x11, 0x20, 0x3f, 0, 8, 0, 0, 0, 0, 0, 64, 0, 52, 11, 0, 52, 0xff, 3, 0, 0,
    ];
    let mut bytes = std::fs::read(path).unwrap();
    let places: Vec<usize> = bytes
        .windows(little.len())
        .enumerate()
        .filter(|(_, w)| *w == little)
        .map(|(at, _)| at)
        .collect();
    assert_eq!(places.len(), 2, "one datatype per dataset");
    places.iter().for_each(|at| bytes[at + 1] |= 1);
    std::fs::write(path, bytes).unwrap();
    let seen = phasemill(path.parent().unwrap(), &["inspect", "--headers", "b.h5"]).expect(0);
    assert_eq!(
        seen.out.matches("float64 big-endian").count(),
        2,
        "{}",
        seen.out
    );
}

fn integers(path: &Path, x: &[f64], reference: &[f64]) {
    let file = crate::support::create(path);
    attribute(&file, "sample_rate", RATE);
    for (name, samples) in [("x", x), ("ref", reference)] {
        let dataset = file
            .new_dataset::<i16>()
            .shape([POINTS, LENGTH])
            .create(name)
            .unwrap();
        let codes: Vec<i16> = samples.iter().map(|s| *s as i16).collect();
        dataset.write_raw(&codes).unwrap();
        text_attribute(&dataset, "units", "V");
    }
}

#[test]
fn keys_do_not_change_with_what_does_not_matter() {
    let folder = folder();
    let path = folder.path();
    let one = run(path, "recipe.ron", "a.h5", "one.h5", "2");
    let same = |what: &str, recipe: &str, recording: &str| {
        std::fs::write(path.join("other.ron"), recipe).unwrap();
        let other = run(path, "other.ron", recording, "other.h5", "2");
        assert_eq!(one, other, "{what}");
    };
    let commented = RECIPE.replace("stages: {", "stages: { // as usual\n /* and */");
    same("comment", &commented, "a.h5");
    same(
        "white space",
        &RECIPE.replace("    ", "\t").replace(": ", ":\n"),
        "a.h5",
    );
    let turned = RECIPE
        .replace(
            "poles: 2, time_constant: \"5 ms\"",
            "time_constant: \"5 ms\", poles: 2",
        )
        .replace("of: \"product\", kind", "kind")
        .replace(
            "\"5 ms\", poles: 2))",
            "\"5 ms\", poles: 2), of: \"product\")",
        );
    assert!(turned.contains("poles: 2), of: \"product\")"), "{turned}");
    same("order of settings", &turned, "a.h5");
    same(
        "unit of a setting",
        &RECIPE.replace("5 ms", "0.005 s"),
        "a.h5",
    );
    same(
        "a default, written out",
        &RECIPE.replace("with: \"clock\"", "with: \"clock\", harmonic: 1"),
        "a.h5",
    );
    same(
        "title",
        &RECIPE.replace("most stages", "many stages"),
        "a.h5",
    );
    let first = "\"ac\": RemoveOffset(of: \"x\"),";
    let moved = RECIPE
        .replace(first, "")
        .replace("\"level\": Average", &format!("{first} \"level\": Average"));
    same("order of stages", &moved, "a.h5");
    std::fs::create_dir(path.join("elsewhere")).unwrap();
    std::fs::rename(path.join("a.h5"), path.join("elsewhere/renamed.h5")).unwrap();
    same("place of the file", RECIPE, "elsewhere/renamed.h5");
}

/// What a change must reach, and what it must leave alone.
#[test]
fn keys_change_with_what_matters_and_only_there() {
    let folder = folder();
    let path = folder.path();
    let one = run(path, "recipe.ron", "a.h5", "one.h5", "2");
    let changed = |what: &str, recipe: &str, recording: &str, reached: &[&str], left: &[&str]| {
        std::fs::write(path.join("other.ron"), recipe).unwrap();
        let other = run(path, "other.ron", recording, "other.h5", "2");
        for node in reached {
            assert_ne!(
                one.nodes[*node], other.nodes[*node],
                "{what}: {node} is not reached"
            );
        }
        for node in left {
            assert_eq!(
                one.nodes[*node], other.nodes[*node],
                "{what}: {node} is reached"
            );
        }
    };
    let behind = ["voltage", "current", "polar", "net"];
    changed(
        "a setting",
        &RECIPE.replace("5 ms", "5.1 ms"),
        "a.h5",
        &[&["smooth", "slow"], &behind[..]].concat(),
        &["x", "ref", "ac", "clock", "product", "level"],
    );
    changed(
        "a constant's value",
        &RECIPE.replace("1.0e6", "1.1e6"),
        "a.h5",
        &["current", "polar", "net"],
        &["voltage", "level"],
    );
    changed(
        "a constant's uncertainty",
        &RECIPE.replace("0.5 %", "0.6 %"),
        "a.h5",
        &["current", "polar", "net"],
        &["voltage", "level"],
    );
    changed(
        "a default, changed",
        &RECIPE.replace("with: \"clock\"", "with: \"clock\", harmonic: 2"),
        "a.h5",
        &["product"],
        &["ac", "clock"],
    );
    changed(
        "what is read",
        &RECIPE.replace(
            "\"level\": Average(of: \"x\"",
            "\"level\": Average(of: \"ref\"",
        ),
        "a.h5",
        &["level"],
        &["voltage"],
    );
    let (mut x, reference) = samples();
    x[LENGTH * POINTS - 1] += 1.0;
    made(&path.join("b.h5"), Layout::Contiguous, &x, &reference);
    let from_x = [&["x", "ac", "product", "level"], &behind[..]].concat();
    changed(
        "the last sample",
        RECIPE,
        "b.h5",
        &from_x,
        &["ref", "clock"],
    );
    let (x, reference) = samples();
    for (name, value) in [("scale", 1.0 + f64::EPSILON), ("offset", 1e-9)] {
        made(&path.join("b.h5"), Layout::Contiguous, &x, &reference);
        let file = crate::support::open(&path.join("b.h5"));
        attribute(&file.dataset("x").unwrap(), name, value);
        drop(file);
        changed(name, RECIPE, "b.h5", &from_x, &["ref", "clock"]);
    }
    made(&path.join("b.h5"), Layout::Contiguous, &x, &reference);
    let file = crate::support::open(&path.join("b.h5"));
    text_attribute(&file.dataset("x").unwrap(), "operator", "someone else");
    drop(file);
    changed(
        "an attribute that means nothing",
        RECIPE,
        "b.h5",
        &[],
        &from_x,
    );
}

#[test]
fn a_second_run_gives_the_same_bits() {
    let folder = folder();
    run(folder.path(), "recipe.ron", "a.h5", "one.h5", "2");
    run(folder.path(), "recipe.ron", "a.h5", "two.h5", "2");
    let at = |out: &str| bits(&folder.path().join(out));
    assert!(at("one.h5") == at("two.h5"));
}

/// Every part of a value that is written enters the hash of what was written.
#[test]
fn content_hashes_see_every_part_of_a_value() {
    use num_complex::Complex64;
    use phasemill_engine::flow::{Convention, Flow, Kind};
    use phasemill_engine::stage::SeriesAxis;
    use phasemill_engine::store::{ResultWriter, Rows};
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Estimate, Part, Table, Value as Written};
    let gain = About::constant("gain", None);
    let part = |re, im| Part::new(&gain, 0, Complex64::new(re, im));
    let plain = Estimate {
        value: Complex64::new(1.0, 2.0),
        parts: Some(vec![part(0.1, 0.2)]),
        scatter: Some(Complex64::new(0.3, 0.4)),
        count: Some(5),
        missing: 0,
        drawn: None,
    };
    let changed = |change: fn(&mut Estimate)| {
        let mut estimate = plain.clone();
        change(&mut estimate);
        vec![Some(Written::Estimate(estimate))]
    };
    let table = |y: f64, u: Option<Vec<f64>>| {
        let (x, y) = (vec![1.0], vec![y]);
        vec![Some(Written::Table(Table { x, y, u }))]
    };
    let all = [
        changed(|_| {}),
        changed(|e| e.value.re = 1.5),
        changed(|e| e.value.im = 2.5),
        changed(|e| e.parts.as_mut().unwrap()[0].effect.re = 0.15),
        changed(|e| e.parts.as_mut().unwrap()[0].effect.im = 0.25),
        changed(|e| e.scatter.as_mut().unwrap().im = 0.5),
        changed(|e| e.count = Some(6)),
        vec![None],
        vec![],
        [changed(|_| {}), vec![None]].concat(),
        table(1.0, None),
        table(2.0, None),
        table(1.0, Some(vec![0.5])),
    ];
    let (unit, axis) = (Unit::volt(), SeriesAxis::default());
    let flow = Flow {
        convention: Some(Convention::Peak),
        ..Flow::new(Kind::ComplexEstimate, unit.clone())
    };
    let content = |values: &[Option<Written>]| {
        let mut writer = ResultWriter::scratch().unwrap();
        writer.entry("e", "").unwrap();
        let points = values.len() as u64;
        match values.first() {
            Some(Some(Written::Table(_))) => {
                let table = |v: &Option<Written>| match v {
                    Some(Written::Table(table)) => Some(table.clone()),
                    _ => None,
                };
                let tables: Vec<Option<Table>> = values.iter().map(table).collect();
                let tables: Vec<Option<&Table>> = tables.iter().map(Option::as_ref).collect();
                writer
                    .table("e", "o", "x", &unit, &unit, &axis, &tables)
                    .unwrap();
            }
            _ => {
                let estimates = values
                    .iter()
                    .map(|v| v.as_ref().and_then(Written::estimate));
                let estimates: Vec<Option<&Estimate>> = estimates.collect();
                writer.series("e", "o", &flow, &axis, &estimates).unwrap();
            }
        }
        writer
            .digest("e", "o", points, &Rows::new())
            .unwrap()
            .content()
    };
    let hashes: Vec<String> = all.iter().map(|values| content(values)).collect();
    for (i, a) in hashes.iter().enumerate() {
        for (j, b) in hashes.iter().enumerate().skip(i + 1) {
            assert_ne!(a, b, "values {i} and {j}");
        }
    }
}
