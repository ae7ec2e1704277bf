//! A thousand single bits changed, in recordings, results and the texts in them: every change that a
//! reader of the files can see and that matters is found and located, and no other raises an alarm.
//!
//! What matters is decided here by reading the files before and after with the HDF5 library alone, and by
//! comparing texts without their comments and blanks. One kind of damage is left open: the key of a chunk
//! changed where only a search by coordinates looks, so that the library still lists the chunk and yet
//! reads zeros in its place.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use hdf5::types::{TypeDescriptor, VarLenAscii, VarLenUnicode};
use phasemill_engine::lineage::Record;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::run::Monitor;
use phasemill_engine::session::{Request, run};
use phasemill_engine::verify::{Options, Place, Report, verify_file};
use phasemill_stages::REGISTRY;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use crate::support::{attribute, create, noise, sine, square, text_attribute};

const POINTS: usize = 3;
const LENGTH: usize = 600;
const RATE: f64 = 1000.0;

const RECIPE: &str = r#"// Invented, for this check alone.
Recipe(
    title: "Three points",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") }, // two channels
    constants: { "gain": Constant(value: "2.5 kV/A", standard_uncertainty: "2 %", source: "made up") },
    stages: {
        /* the offset goes first */
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "8 ms")),
        "voltage": Average(of: "smooth", over: Blocks("0.1 s")),
        "current": Amplify(of: "voltage", divide_by: "gain"),
    },
    results: ["current", "smooth"],
    units: { "current": "mA" },
)
"#;

const WIRING: &str = r#"Wiring(
    channels: { "chopper": Channel(dataset: "/ref", scale: Stated("2 V")) }, // the square
)
"#;

/// Objects of the recording that nothing reads: their names or attributes.
const BESIDE_THE_POINT: [&str; 3] = ["/spare", "@comment", "@title"];

fn recorded(folder: &Path) {
    let file = create(&folder.join("recording.h5"));
    attribute(&file, "sample_rate", RATE);
    text_attribute(
        &file,
        "title",
        "an invented recording, for this check alone",
    );
    let mut codes: Vec<i16> = Vec::new();
    let mut reference: Vec<f64> = Vec::new();
    for point in 0..POINTS {
        let wave = sine(LENGTH, RATE, 37.0, 3000.0 * (point + 1) as f64, 0.4);
        let noise = noise(LENGTH, 50.0, point as u64);
        codes.extend(wave.iter().zip(noise).map(|(w, n)| (w + n + 200.0) as i16));
        reference.extend(square(LENGTH, RATE, 37.0));
    }
    let detector = file
        .new_dataset::<i16>()
        .shape((POINTS, LENGTH))
        .create("detector")
        .unwrap();
    detector.write_raw(&codes).unwrap();
    attribute(&detector, "scale", 3e-4);
    attribute(&detector, "offset", 0.01);
    text_attribute(&detector, "units", "V");
    text_attribute(&detector, "axis", "position");
    text_attribute(&detector, "comment", "nobody reads this");
    let builder = file
        .new_dataset::<f64>()
        .shape((POINTS, LENGTH))
        .chunk((1, LENGTH));
    let chopper = builder.shuffle().deflate(4).create("ref").unwrap();
    chopper.write_raw(&reference).unwrap();
    text_attribute(&chopper, "units", "V");
    let axis = file
        .new_dataset::<f64>()
        .shape(POINTS)
        .create("position")
        .unwrap();
    axis.write_raw(&[1.0, 2.5, 4.0]).unwrap();
    text_attribute(&axis, "units", "mm");
    let spare = file
        .new_dataset::<f64>()
        .shape(200)
        .create("spare")
        .unwrap();
    spare.write_raw(&vec![7.0; 200]).unwrap();
}

fn made(folder: &Path) {
    recorded(folder);
    let (recipe, found) = Recipe::parse("recipe.ron", RECIPE, &REGISTRY);
    assert!(found.is_empty(), "{found}");
    let (wiring, found) = Wiring::parse("wiring.ron", WIRING);
    assert!(found.is_empty(), "{found}");
    let request = Request {
        recipe: &recipe.unwrap(),
        wiring: &wiring,
        recordings: vec![folder.join("recording.h5")],
        with: Vec::new(),
        only: None,
        output: folder.join("results.h5"),
        overwrite: false,
        csv: None,
        budget: None,
        draws: None,
        threads: 1,
        strict: false,
        operator: Some("nobody".into()),
        supersedes: None,
    };
    run(&request, &Monitor::default()).unwrap();
}

/// What a reader sees: datasets, their values row by row, and attributes, by path; and what could not be
/// read.
type View = BTreeMap<String, Result<String, String>>;

fn view(path: &Path) -> View {
    let mut seen = View::new();
    let mut options = hdf5::File::with_options();
    options.fapl().file_locking(false);
    match options.open(path) {
        Ok(file) => {
            attributes(&file, "", &mut seen);
            look(&file, "", &mut seen);
        }
        Err(error) => drop(seen.insert("/".into(), Err(error.to_string()))),
    }
    seen
}

fn look(group: &hdf5::Group, path: &str, seen: &mut View) {
    let names = match group.member_names() {
        Ok(names) => names,
        Err(error) => return drop(seen.insert(format!("{path}/"), Err(error.to_string()))),
    };
    for name in names {
        let at = format!("{path}/{name}");
        match (
            group.loc_type_by_name(&name),
            group.dataset(&name),
            group.group(&name),
        ) {
            (Ok(hdf5::LocationType::Dataset), Ok(dataset), _) => {
                attributes(&dataset, &at, seen);
                let shape = dataset.shape();
                seen.insert(format!("{at}#"), Ok(format!("{shape:?}")));
                match values(&dataset) {
                    Ok(values) if !shape.is_empty() && shape[0] > 1 && shape[0] <= 1000 => {
                        for (row, part) in
                            values.chunks(values.len().div_ceil(shape[0])).enumerate()
                        {
                            seen.insert(format!("{at}[{row}]"), Ok(part.join(" ")));
                        }
                    }
                    Ok(values) => drop(seen.insert(format!("{at}[]"), Ok(values.join(" ")))),
                    Err(error) => drop(seen.insert(format!("{at}[]"), Err(error))),
                }
            }
            (Ok(hdf5::LocationType::Group), _, Ok(inner)) => {
                attributes(&inner, &at, seen);
                look(&inner, &at, seen);
            }
            _ => drop(seen.insert(at, Err("cannot be opened".into()))),
        }
    }
}

fn attributes(of: &hdf5::Location, path: &str, seen: &mut View) {
    match of.attr_names() {
        Ok(names) => {
            for name in names {
                let read = of.attr(&name).map_err(|e| e.to_string());
                let value = read.and_then(|a| values(&a)).map(|v| v.join(" "));
                seen.insert(format!("{path}@{name}"), value);
            }
        }
        Err(error) => drop(seen.insert(format!("{path}@"), Err(error.to_string()))),
    }
}

fn values(of: &hdf5::Container) -> Result<Vec<String>, String> {
    if of.size() > 1_000_000 {
        return Err("too large".into());
    }
    let text = |e: hdf5::Error| e.to_string();
    match of.dtype().and_then(|d| d.to_descriptor()).map_err(text)? {
        TypeDescriptor::Float(_) => of
            .read_raw::<f64>()
            .map_err(text)
            .map(|v| v.iter().map(|x| format!("{x:?}")).collect()),
        TypeDescriptor::Integer(_) => of
            .read_raw::<i64>()
            .map_err(text)
            .map(|v| v.iter().map(i64::to_string).collect()),
        TypeDescriptor::Unsigned(_) => of
            .read_raw::<u64>()
            .map_err(text)
            .map(|v| v.iter().map(u64::to_string).collect()),
        TypeDescriptor::VarLenUnicode => {
            let texts = of.read_raw::<VarLenUnicode>().map_err(text)?;
            let readable = |t: &VarLenUnicode| String::from_utf8_lossy(t.as_bytes()).into_owned();
            Ok(texts.iter().map(readable).collect())
        }
        TypeDescriptor::VarLenAscii => {
            let texts = of.read_raw::<VarLenAscii>().map_err(text)?;
            let readable = |t: &VarLenAscii| String::from_utf8_lossy(t.as_bytes()).into_owned();
            Ok(texts.iter().map(readable).collect())
        }
        other => Err(format!("of type {other}")),
    }
}

/// A text as its words: without comments and blanks, and without the comma that may end a list.
fn words(text: &str) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let length = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if c.is_whitespace() {
            c.len_utf8()
        } else if c == '"' {
            let end = rest[1..].find('"').map_or(rest.len(), |end| end + 2);
            found.push(rest[..end].to_owned());
            end
        } else if c.is_alphanumeric() || c == '_' {
            let end = rest
                .find(|c: char| !(c.is_alphanumeric() || c == '_'))
                .unwrap_or(rest.len());
            found.push(rest[..end].to_owned());
            end
        } else {
            if [')', ']', '}'].contains(&c) && found.last().is_some_and(|w| w == ",") {
                found.pop();
            }
            found.push(c.to_string());
            c.len_utf8()
        };
        rest = &rest[length..];
    }
    found
}

/// Paths at which two views differ in what matters.
fn changed(before: &View, after: &View, ignored: &[&str]) -> BTreeSet<String> {
    let paths: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let differs = |path: &&String| match (before.get(*path), after.get(*path)) {
        (Some(Ok(a)), Some(Ok(b)))
            if path.starts_with("/provenance/recipe[")
                || path.starts_with("/provenance/wiring[") =>
        {
            words(a) != words(b)
        }
        (a, b) => a != b,
    };
    paths
        .into_iter()
        .filter(|p| !ignored.iter().any(|i| p.contains(i)))
        .filter(differs)
        .cloned()
        .collect()
}

fn verified(results: &Path) -> Result<Report, String> {
    let options = Options {
        registry: &REGISTRY,
        folders: &[],
        quick: false,
        threads: 1,
    };
    verify_file(results, &options, &Monitor::default()).map_err(|e| e.to_string())
}

struct Counts {
    matters: usize,
    located: usize,
    silent: usize,
    undecided: usize,
}

/// The chunks of the reference as the file lists them, each with its place and its bytes.
fn chunks(path: &Path) -> Vec<(Vec<u64>, Vec<u8>)> {
    let bytes = std::fs::read(path).unwrap();
    let file = crate::support::open(path);
    let mut all = Vec::new();
    let listed = file.dataset("ref").and_then(|dataset| {
        dataset.chunks_visit(|chunk| {
            let stored = bytes.get(chunk.addr as usize..);
            let stored = stored.and_then(|b| b.get(..chunk.size as usize));
            all.push((chunk.offset.to_vec(), stored.unwrap_or(&[]).to_vec()));
            0
        })
    });
    listed.map(|()| all).unwrap_or_default()
}

/// Changes bits of `file` that `pick` chooses, and compares what is found with what a reader sees.
fn flip(
    folder: &Path,
    file: &str,
    count: usize,
    seed: u64,
    pick: impl Fn(&mut ChaCha8Rng, &[u8]) -> usize,
) -> Counts {
    let path = folder.join(file);
    let whole = std::fs::read(&path).unwrap();
    let before = view(&path);
    let listed = if file == "recording.h5" {
        chunks(&path)
    } else {
        Vec::new()
    };
    assert!(before.values().all(Result::is_ok), "{before:#?}");
    let ignored: &[&str] = if file == "recording.h5" {
        &BESIDE_THE_POINT
    } else {
        // Where the time went is nobody's number.
        &["/provenance/timings"]
    };
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    let mut counts = Counts {
        matters: 0,
        located: 0,
        silent: 0,
        undecided: 0,
    };
    for turn in 0..count {
        let bit = pick(&mut generator, &whole);
        let mut bytes = whole.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        std::fs::write(&path, &bytes).unwrap();
        if std::env::var_os("FLIPS_TRACE").is_some() {
            eprintln!("{file} {turn} bit {bit}");
        }
        let after = view(&path);
        let matters = changed(&before, &after, ignored);
        // Something that nobody needs cannot be read: the file is damaged, and whether it is refused for
        // that is left open.
        let damaged = after.values().any(Result::is_err);
        let report = verified(&folder.join("results.h5"));
        let place = format!("{file}, bit {} of byte {}", bit % 8, bit / 8);
        match (&report, matters.is_empty()) {
            (Ok(report), true) if report.is_identical() => counts.silent += 1,
            (_, true) if damaged => counts.undecided += 1,
            (report, true) => panic!("{place}: an alarm for nothing: {report:#?}"),
            // The samples are where they were, and only a search for them by their place misses them.
            (Ok(report), false)
                if report.is_identical()
                    && file == "recording.h5"
                    && matters.iter().all(|m| m.starts_with("/ref["))
                    && chunks(&path) == listed =>
            {
                counts.undecided += 1;
            }
            (Ok(report), false) if report.is_identical() => {
                panic!("{place}: not found: {matters:?}")
            }
            (report, false) => {
                counts.matters += 1;
                counts.located += usize::from(
                    report
                        .as_ref()
                        .map_or(true, |r| located(r, &matters, &place)),
                );
            }
        }
    }
    std::fs::write(&path, &whole).unwrap();
    counts
}

/// Whether the report names the place where something changed; where one row of a dataset did, it must.
fn located(report: &Report, changed: &BTreeSet<String>, place: &str) -> bool {
    let all = || {
        report
            .problems
            .iter()
            .chain(report.outputs.iter().flat_map(|o| &o.problems))
    };
    let [only] = changed.iter().collect::<Vec<_>>()[..] else {
        return all().next().is_some();
    };
    let Some((dataset, row)) = only.strip_suffix(']').and_then(|p| p.rsplit_once('[')) else {
        return all().next().is_some();
    };
    let row: Option<u64> = row.parse().ok();
    let node = |name: &str| Some(Place::Node(name.into()));
    let here = |wanted: Option<Place>| all().any(|p| p.place == wanted && p.point == row);
    let found = match dataset.split('/').collect::<Vec<_>>()[..] {
        ["", "detector"] => here(node("detector")),
        ["", "ref"] => here(node("chopper")),
        ["", "recording", output, column] if !column.contains("errors") && row.is_some() => {
            // Values of no other output are touched.
            let others = report.outputs.iter().filter(|o| o.output != output);
            others.clone().all(|o| o.problems.is_empty())
                && here(Some(Place::Output(output.into())))
        }
        _ => all().next().is_some(),
    };
    assert!(found, "{place}: {only} changed, and found was {report:#?}");
    found
}

fn anywhere(generator: &mut ChaCha8Rng, bytes: &[u8]) -> usize {
    (generator.next_u64() % (8 * bytes.len() as u64)) as usize
}

/// A bit of one of the two texts in the result file.
fn in_a_text(generator: &mut ChaCha8Rng, bytes: &[u8]) -> usize {
    let at = |text: &str| {
        bytes
            .windows(text.len())
            .position(|w| w == text.as_bytes())
            .unwrap()
    };
    let (recipe, wiring) = (at(RECIPE), at(WIRING));
    let index = (generator.next_u64() % (8 * (RECIPE.len() + WIRING.len()) as u64)) as usize;
    match index.checked_sub(8 * RECIPE.len()) {
        None => 8 * recipe + index,
        Some(index) => 8 * wiring + index,
    }
}

#[test]
fn a_thousand_single_bits_are_found_where_they_matter() {
    let folder = tempfile::tempdir().unwrap();
    made(folder.path());
    let report = verified(&folder.path().join("results.h5")).unwrap();
    assert!(report.is_identical(), "{report:#?}");
    assert!(
        Record::open(&folder.path().join("results.h5"))
            .unwrap()
            .is_whole()
    );
    let of_recording = flip(folder.path(), "recording.h5", 350, 1, anywhere);
    let of_results = flip(folder.path(), "results.h5", 350, 2, anywhere);
    let of_texts = flip(folder.path(), "results.h5", 300, 3, in_a_text);
    for (what, counts) in [
        ("recording", of_recording),
        ("results", of_results),
        ("texts", of_texts),
    ] {
        let Counts {
            matters,
            located,
            silent,
            undecided,
        } = counts;
        println!(
            "{what}: {matters} mattered and were found, {located} located, {silent} did not, {undecided} undecided"
        );
        assert!(
            matters > 50 && silent > 20,
            "{what}: {matters} mattered, {silent} did not"
        );
        assert_eq!(located, matters);
        assert!(undecided < 20, "{what}: {undecided}");
    }
}
