//! How long the questions to an index take, with 100 000 outputs and 1 600 000 numbers in it.
//!
//! `cargo run --release -p phasemill-engine --example index_speed -- [FILE]`; with a name the index is kept, for
//! `phasemill catalogue --index FILE` to be timed as well.
#![allow(
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a program that measures and prints"
)]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use phasemill_engine::aspect::Aspect;
use phasemill_engine::index::{Correction, Found, Index, Uses, Wanted};
use phasemill_engine::lineage::{
    ConstantFacts, Entry, InputFacts, Lineage, Node, Output, RecordedFile, Recording,
};
use phasemill_engine::saved::{Column, Digest, Part, SavedValue};
use phasemill_engine::stage::Registry;

const RUNS: u64 = 10_000;
/// Runs that are taken in together.
const BATCH: u64 = 50;
const OUTPUTS: u64 = 10;
const POINTS: u64 = 4;
const PARTS: [Part; 4] = [
    Part::Number(Aspect::InPhase),
    Part::Number(Aspect::Quadrature),
    Part::Number(Aspect::Amplitude),
    Part::Number(Aspect::Phase),
];
/// How often each question is asked; the slowest answer counts.
const REPEATS: usize = 5;

fn main() {
    let folder = tempfile::tempdir().expect("a folder for the index");
    let kept = std::env::args_os().nth(1).map(PathBuf::from);
    let file = kept.unwrap_or_else(|| folder.path().join("index.sqlite"));
    let mut index = Index::open(&file).expect("an index");
    let began = Instant::now();
    for batch in 0..RUNS / BATCH {
        let runs = batch * BATCH..(batch + 1) * BATCH;
        index
            .insert(&runs.map(found).collect::<Vec<_>>())
            .expect("some runs");
    }
    println!(
        "{RUNS} runs taken in: {:.1} s",
        began.elapsed().as_secs_f64()
    );
    let gain = |value: Option<&str>| Uses::Constant("gain".into(), value.map(str::to_owned));
    let corrected = Correction {
        name: "gain".into(),
        old: Some("1.000e6 V/A".into()),
        new: "1.012e6 V/A".into(),
        written: None,
        title: None,
    };
    let uses = |uses: Uses| index.uses(&uses, 100).map_or(0, |u| u.outputs.len());
    let find = |number: &str, at: Option<&str>| {
        let wanted = Wanted::parse(number, at).expect("a number");
        index.find(&wanted, 50).map_or(0, |h| h.hits.len())
    };
    let recording = Path::new("day-77/recording-7777.h5");
    ask("recording, by path", || {
        uses(Uses::RecordingAt(recording.into()))
    });
    ask("recording, by hash", || {
        uses(Uses::RecordingOf(hex(7777)[..12].to_owned()))
    });
    ask("constant, any value", || uses(gain(None)));
    ask("constant, of a value", || uses(gain(Some("1.000e6 V/A"))));
    ask("kernel, any version", || {
        uses(Uses::Kernel("Filter".into(), None))
    });
    ask("kernel, no such version", || {
        uses(Uses::Kernel("Filter".into(), Some(9)))
    });
    ask("number with uncertainty", || find("3.4200(50) nA", None));
    ask("number of two digits", || find("3.4 nA", None));
    ask("number with a place", || find("3.42 nA", Some("542 nm")));
    ask("number that is nowhere", || find("3.42 kA", None));
    ask("recipe, by title", || {
        index.recipes("title 77", "").map_or(0, |r| r.len())
    });
    ask("stale, 1 in 100 runs", || {
        let registry = Registry::new(&[]);
        let stale = index.stale(std::slice::from_ref(&corrected), &registry);
        stale.map_or(0, |s| s.len())
    });
}

fn found(run: u64) -> Found {
    let place = PathBuf::from(format!("/data/run-{run}.h5"));
    Found {
        path: place.clone(),
        place,
        stamp: (0, 0),
        digest: digest(run),
    }
}

fn ask(question: &str, answer: impl Fn() -> usize) {
    let mut slowest = Duration::ZERO;
    let mut found = 0;
    for _ in 0..REPEATS {
        let began = Instant::now();
        found = answer();
        slowest = slowest.max(began.elapsed());
    }
    let milliseconds = slowest.as_secs_f64() * 1e3;
    println!("{question:<26} {found:>5} found  {milliseconds:>8.2} ms");
}

fn hex(number: u64) -> String {
    hash(number).iter().map(|b| format!("{b:02x}")).collect()
}

/// Something like a hash, the same for the same number.
fn hash(number: u64) -> [u8; 32] {
    let mut state = number;
    std::array::from_fn(|_| {
        // Knuth's linear congruential generator (MMIX).
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 56) as u8
    })
}

fn node(name: &str, stage: &str, reads: &[&str]) -> Node {
    Node {
        name: name.into(),
        stage: stage.into(),
        numeric_version: 1,
        reads: reads.iter().map(|r| (*r).to_owned()).collect(),
        ..Node::default()
    }
}

/// One recording with ten outputs, each behind its own filter and gain.
fn digest(run: u64) -> Digest {
    let mut nodes = vec![Node {
        input: Some(InputFacts::default()),
        key: hex(run),
        ..node("detector", "input", &[])
    }];
    let (mut outputs, mut columns) = (Vec::new(), Vec::new());
    for output in 0..OUTPUTS {
        let (smooth, current) = (format!("smooth {output}"), format!("current {output}"));
        nodes.push(node(&smooth, "Filter", &["detector"]));
        let value = if run.is_multiple_of(100) {
            "1.000e6 V/A"
        } else {
            "1.012e6 V/A"
        };
        nodes.push(Node {
            constants: vec![ConstantFacts {
                name: "gain".into(),
                value: value.into(),
                ..ConstantFacts::default()
            }],
            ..node(&current, "Amplify", &[smooth.as_str()])
        });
        outputs.push(Output {
            name: current.clone(),
            node: current,
            ..Output::default()
        });
        columns.push(column(run, output));
    }
    let file = RecordedFile {
        path: format!("raw/day-{}/recording-{run}.h5", run % 100),
        ..RecordedFile::default()
    };
    let entry = Entry {
        name: format!("recording-{run}"),
        title: format!("title {}", run % 100),
        recordings: vec![Recording {
            files: vec![file],
            ..Recording::default()
        }],
        nodes,
        outputs,
        ..Entry::default()
    };
    Digest {
        identity: hex(run ^ u64::MAX),
        lineage: Lineage {
            began: format!(
                "2026-01-01T{:02}:{:02}:{:02}Z",
                run / 3600,
                run / 60 % 60,
                run % 60
            ),
            entries: vec![entry],
            ..Lineage::default()
        },
        recipe_name: format!("recipe-{}.ron", run % 100),
        recipe_version: hex(run % 300),
        supersedes: None,
        columns,
        samples: vec![vec![hash(run)]],
    }
}

fn column(run: u64, output: u64) -> Column {
    let mut values = Vec::new();
    for point in 0..POINTS {
        let random = hash((run * OUTPUTS + output) * POINTS + point);
        for (k, part) in PARTS.into_iter().enumerate() {
            let mut bytes = [0; 8];
            bytes.copy_from_slice(&random[8 * k..8 * k + 8]);
            // Evenly from 0 to 10 nA.
            let value = u64::from_le_bytes(bytes) as f64 / u64::MAX as f64 * 1e-8;
            values.push(SavedValue {
                part,
                point,
                axis: Some((500 + 14 * point) as f64 * 1e-9),
                value,
                uncertainty: Some(value * 0.0015),
            });
        }
    }
    Column {
        unit: "nA".into(),
        axis: "wavelength".into(),
        axis_unit: "nm".into(),
        values,
    }
}
