//! Chains of stages that are computed together against the same stages one by one.

use std::path::Path;
use std::process::Command;
use std::sync::atomic::Ordering;

use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::run::{Finding, Job, Monitor};
use phasemill_engine::session::open_sets;
use phasemill_engine::value::Value;
use phasemill_stages::REGISTRY;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use crate::support::{
    Channel, Layout, command, finish, noise, on_an_old_processor, phasemill, record, sine, square,
};

const RATE: f64 = 20_000.0;

/// What a recipe gives: values of every result, and what failed.
type Given = (Vec<Option<num_complex::Complex64>>, Vec<Finding>);

/// Runs a recipe both ways.
fn both(recording: &Path, stages: &str, results: &str) -> [Given; 2] {
    let text = format!(
        "Recipe(title: \"both ways\", inputs: {{\"x\": Wave(), \"ref\": Wave()}}, stages: {{{stages}}}, results: [{results}])"
    );
    let (recipe, found) = Recipe::parse("both.ron", &text, &REGISTRY);
    let recipe = recipe.filter(|_| !found.has_errors());
    let recipe = recipe.unwrap_or_else(|| panic!("{found}\n{text}"));
    [true, false].map(|together| {
        let files = [recording.to_path_buf()];
        let sets = open_sets(&recipe, &Wiring::default(), &files, &[]);
        let mut found = Diagnostics::default();
        let job = Job::new(&recipe, sets, &mut found).unwrap_or_else(|| panic!("{found}\n{text}"));
        assert!(
            !job.plan.together.is_empty(),
            "nothing is computed together:\n{text}"
        );
        // What is passed over looks at nothing.
        let plan = job.plan.to_string();
        assert!(!plan.contains("by: ac"), "{plan}");
        let job = if together { job } else { job.one_by_one() };
        let monitor = Monitor::default();
        monitor.total.store(job.work(), Ordering::Relaxed);
        let outcome = job.run(&[], None, &monitor);
        // Progress is shown of all that is read; a point that has to be run again adds to what there is to do.
        let counters = [&monitor.done, &monitor.total];
        let [done, total] = counters.map(|counter| counter.load(Ordering::Relaxed));
        assert!(done <= total, "{done} of {total}\n{plan}");
        if outcome.failures.is_empty() && total == job.work() {
            assert_eq!(done, total, "{plan}");
        }
        let kept = job.typed.results.iter();
        let values = kept.flat_map(|k| outcome.values[k.node][k.port].clone());
        let values = values.map(|v| v.as_ref().and_then(Value::estimate).map(|e| e.value));
        (values.collect(), outcome.failures)
    })
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn below(&mut self, count: u64) -> u64 {
        self.0.next_u64() % count
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.0.next_u32() as f64 / 4_294_967_296.0)
    }
}

/// A recipe of a few chains with settings drawn at random, and its results.
fn drawn(random: &mut Draw, frequency: f64) -> (String, String) {
    let clock = match random.below(3) {
        0 => format!(
            "Reference(of: \"x\", shape: Stated(frequency: \"{frequency} Hz\", phase: \"40 deg\"))"
        ),
        1 => "Reference(of: \"ref\", shape: Square())".to_owned(),
        _ => format!("Reference(of: \"x\", shape: Free(near: \"{frequency} Hz\"))"),
    };
    let mut stages = format!("\"clock\": {clock},");
    let offset = random.below(4) > 0;
    if offset {
        stages += "\"ac\": RemoveOffset(of: \"x\"),";
    }
    let wave = if offset { "ac" } else { "x" };
    let mut results = Vec::new();
    for chain in 0..1 + random.below(3) {
        let harmonic = 1 + random.below(3);
        let steady = clock.contains("Stated");
        let filter = match random.below(if steady { 5 } else { 4 }) {
            0 => format!(
                "RcCascade(poles: {}, time_constant: \"{} ms\")",
                1 + random.below(8),
                random.between(1.0, 300.0)
            ),
            1 => format!(
                "Butterworth(order: {}, band: Low(\"{} Hz\"))",
                1 + random.below(6),
                random.between(20.0, 300.0)
            ),
            2 => format!(
                "Bessel(order: 4, band: Low(\"{} Hz\"))",
                random.between(30.0, 300.0)
            ),
            3 => format!(
                "Chebyshev2(order: 4, attenuation: \"50 dB\", band: Low(\"{} Hz\"))",
                random.between(50.0, 300.0)
            ),
            _ => format!(
                "Kaiser(band: Low(\"{} Hz\"), transition: \"{} Hz\")",
                random.between(10.0, 100.0),
                random.between(20.0, 200.0)
            ),
        };
        let every = [40, 100, 250, 999, 2000][random.below(5) as usize];
        let gain = ["", "gain"][random.below(2) as usize];
        stages +=
            &format!("\"p{chain}\": Mix(of: \"{wave}\", with: \"clock\", harmonic: {harmonic}),");
        stages += &format!("\"f{chain}\": Filter(of: \"p{chain}\", kind: {filter}),");
        let mut last = format!("f{chain}");
        if gain == "gain" {
            stages += &format!("\"g{chain}\": Amplify(of: \"{last}\", multiply_by: \"2.5\"),");
            last = format!("g{chain}");
        }
        stages += &format!("\"s{chain}\": Decimate(of: \"{last}\", by: {every}),");
        for (name, skip) in [("a", "Nothing"), ("b", "Time(\"1.5 s\")")] {
            let average = format!("Average(of: \"s{chain}\", skip: {skip}, uncertainty: Nothing)");
            stages += &format!("\"{name}{chain}\": {average},");
            results.push(format!("\"{name}{chain}\""));
        }
    }
    (stages, results.join(", "))
}

/// Signals of up to 3 V on a level of 20 V, which is full scale. A stage by stage filter with poles at a distance of
/// 2π·20/20000 = 6e-3 from the unit circle and from each other gathers what it rounds to at most 1e4 times, in a mean
/// over hundreds of samples less.
#[test]
fn random_chains_agree_with_their_stages_one_by_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.h5");
    for seed in 0..24 {
        let mut random = Draw(ChaCha8Rng::seed_from_u64(seed));
        let length = 70_000 + random.below(230_000) as usize;
        let frequency = random.between(180.0, 1200.0);
        let tone = sine(length, RATE, frequency, 1.0, random.between(0.0, 6.0));
        let noise = noise(length, 0.5, seed);
        let x: Vec<f64> = tone.iter().zip(&noise).map(|(t, n)| 20.0 + t + n).collect();
        let reference = square(length, RATE, frequency);
        let channels = [Channel::volts("/x", &x), Channel::volts("/ref", &reference)];
        record(&path, RATE, Layout::Contiguous, &channels);
        let (stages, results) = drawn(&mut random, frequency);
        let [together, apart] = both(&path, &stages, &results);
        assert!(
            together.1.is_empty() && apart.1.is_empty(),
            "{:?}",
            together.1
        );
        for (a, b) in together.0.iter().zip(&apart.0) {
            let (a, b) = (a.unwrap(), b.unwrap());
            assert!(
                (a - b).norm() < 20.0 * 1e-12,
                "{seed}: {a} against {b}\n{stages}"
            );
        }
    }
}

/// Where a sample is missing, the stages deal with it as ever.
#[test]
fn a_missing_sample_is_dealt_with_by_the_stages() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.h5");
    let mut x = sine(300_000, RATE, 500.0, 1.0, 0.3);
    x[280_000] = f64::NAN;
    let reference = square(300_000, RATE, 500.0);
    let channels = [Channel::volts("/x", &x), Channel::volts("/ref", &reference)];
    record(&path, RATE, Layout::Chunked(10_000), &channels);
    let stages = |gaps: &str| {
        format!(
            r#""ac": RemoveOffset(of: "x"), "clock": Reference(of: "ref", shape: Square()),
            "p": Mix(of: "ac", with: "clock"),
            "f": Filter(of: "p", kind: RcCascade(poles: 2, time_constant: "20 ms"), gaps: {gaps}),
            "s": Decimate(of: "f", by: 100), "a": Average(of: "s", uncertainty: Nothing),"#
        )
    };
    let [together, apart] = both(&path, &stages("Refuse"), "\"a\"");
    assert_eq!(together, apart);
    assert!(
        together.1[0].message.contains("sample 280000"),
        "{:?}",
        together.1
    );
    let [together, apart] = both(&path, &stages("Restart"), "\"a\"");
    assert_eq!(together, apart);
    assert!((together.0[0].unwrap().norm() - 1.0).abs() < 1e-3);
}

/// Where the reference stops, its phase is unknown, and samples mixed with it are missing.
#[test]
fn a_reference_that_stops_is_dealt_with_by_the_stages() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.h5");
    let x = sine(400_000, RATE, 500.0, 1.0, 0.3);
    let mut reference = square(400_000, RATE, 500.0);
    reference[300_000..330_000].fill(0.0);
    let channels = [Channel::volts("/x", &x), Channel::volts("/ref", &reference)];
    record(&path, RATE, Layout::Contiguous, &channels);
    let stages = r#""ac": RemoveOffset(of: "x"), "clock": Reference(of: "ref", shape: Square()),
        "p": Mix(of: "ac", with: "clock"),
        "f": Filter(of: "p", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "s": Decimate(of: "f", by: 100), "a": Average(of: "s", uncertainty: Nothing),"#;
    let [together, apart] = both(&path, stages, "\"a\"");
    assert_eq!(together, apart);
    assert!(
        together.1[0].message.contains("sample 2999"),
        "{:?}",
        together.1
    );
}

/// Five slabs of samples: whoever works on them, and however they are stored, the bits are the same.
#[test]
fn a_long_record_gives_the_same_bits_for_any_threads_storage_and_processor() {
    let folder = tempfile::tempdir().unwrap();
    let length = 1_200_000;
    let tone = sine(length, RATE, 437.0, 300.0, 0.3);
    let noise = noise(length, 50.0, 5);
    let x: Vec<f64> = tone
        .iter()
        .zip(&noise)
        .map(|(t, n)| (t + n).round())
        .collect();
    let reference: Vec<f64> = square(length, RATE, 437.0)
        .iter()
        .map(|r| 500.0 * r)
        .collect();
    let recipe = r#"Recipe(
        title: "a long record",
        inputs: { "x": Wave(), "ref": Wave() },
        stages: {
            "ac": RemoveOffset(of: "x"),
            "steady": Reference(of: "x", shape: Stated(frequency: "437 Hz")),
            "clock": Reference(of: "ref", shape: Square()),
            "p1": Mix(of: "ac", with: "steady"),
            "p2": Mix(of: "ac", with: "clock", harmonic: 2),
            "f1": Filter(of: "p1", kind: RcCascade(poles: 4, time_constant: "200 ms")),
            "f2": Filter(of: "p2", kind: Butterworth(order: 4, band: Low("30 Hz"))),
            "f3": Filter(of: "p1", kind: Kaiser(band: Low("10 Hz"), transition: "20 Hz")),
            "s1": Decimate(of: "f1", to: "20 Hz"),
            "s2": Decimate(of: "f2", to: "200 Hz"),
            "s3": Decimate(of: "f3", to: "20 Hz"),
            "a1": Average(of: "s1"),
        },
        results: ["s1", "s2", "s3", "a1"],
    )"#;
    std::fs::write(folder.path().join("recipe.ron"), recipe).unwrap();
    let mut hashes = Vec::new();
    for (layout, threads, on) in [
        (Layout::Contiguous, "1", command as fn(&Path) -> Command),
        (Layout::Contiguous, "2", command),
        (Layout::Contiguous, "8", command),
        (Layout::Chunked(50_000), "3", command),
        (Layout::Deflated(300_000), "2", command),
        (Layout::Contiguous, "2", on_an_old_processor),
    ] {
        let channels = [Channel::volts("/x", &x), Channel::volts("/ref", &reference)];
        record(&folder.path().join("a.h5"), RATE, layout, &channels);
        let run = [
            "run",
            "recipe.ron",
            "a.h5",
            "-o",
            "r.h5",
            "--overwrite",
            "--quiet",
            "--threads",
            threads,
        ];
        finish(on(folder.path()).args(run)).expect(0);
        let trace = phasemill(folder.path(), &["trace", "r.h5", "--json"]).expect(0);
        let record: serde_json::Value = serde_json::from_str(&trace.out).unwrap();
        hashes.push(contents(&record));
    }
    assert!(hashes[0].len() >= 4, "{:?}", hashes[0]);
    hashes.iter().for_each(|h| assert_eq!(h, &hashes[0]));
}

/// A reference whose edges are found slab by slab, as no one else reads it, and block by block, as its level is taken
/// too; pulses begin behind the first levels and stop for a while, and the last slab is not full.
#[test]
fn a_reference_alone_is_found_as_one_that_is_shared() {
    let folder = tempfile::tempdir().unwrap();
    let length = 3_000_000;
    let noise = noise(length, 20.0, 7);
    let pulses = square(length, RATE, 437.0)
        .into_iter()
        .zip(&noise)
        .enumerate();
    let reference: Vec<f64> = pulses
        .map(|(n, (up, noise))| match n {
            0..1_100_000 | 2_000_000..2_400_000 => noise.round(),
            _ => (1000.0 * up + noise).round(),
        })
        .collect();
    let clock = r#""clock": Reference(of: "ref", shape: Square()),"#;
    let told =
        ["frequency", "spread", "jitter", "missing", "extra"].map(|port| format!("clock.{port}"));
    let mut found = Vec::new();
    for (more, layout, threads) in [
        ("", Layout::Contiguous, "1"),
        ("", Layout::Chunked(50_000), "3"),
        (r#""level": Average(of: "ref"),"#, Layout::Contiguous, "2"),
    ] {
        let level = if more.is_empty() { "" } else { "\"level\"," };
        let recipe = format!(
            "Recipe(title: \"edges\", inputs: {{\"ref\": Wave()}}, stages: {{{clock}{more}}}, results: [{level}{}])",
            told.iter()
                .map(|name| format!("{name:?}"))
                .collect::<Vec<_>>()
                .join(", "),
        );
        std::fs::write(folder.path().join("recipe.ron"), recipe).unwrap();
        record(
            &folder.path().join("a.h5"),
            RATE,
            layout,
            &[Channel::volts("/ref", &reference)],
        );
        let run = [
            "run",
            "recipe.ron",
            "a.h5",
            "-o",
            "r.h5",
            "--overwrite",
            "--threads",
            threads,
        ];
        let said = finish(command(folder.path()).args(run)).expect(0);
        assert!(said.err.contains("no pulses from sample"), "{}", said.err);
        let trace = phasemill(folder.path(), &["trace", "r.h5", "--json"]).expect(0);
        let record: serde_json::Value = serde_json::from_str(&trace.out).unwrap();
        let outputs = record["outputs"].as_array().unwrap().iter();
        let own = outputs.filter(|o| o["output"]["name"] != "level");
        found.push(own.map(|o| o["output"].clone()).collect::<Vec<_>>());
    }
    assert_eq!(found[0].len(), 5);
    found.iter().for_each(|f| assert_eq!(f, &found[0]));
}

/// Every hash of an output's content and of samples in a record.
fn contents(record: &serde_json::Value) -> Vec<String> {
    let mut found = Vec::new();
    let mut pending = vec![record];
    while let Some(value) = pending.pop() {
        match value {
            serde_json::Value::Object(map) => {
                for (name, value) in map {
                    match value.as_str() {
                        Some(text) if name == "content" => found.push(text.to_owned()),
                        _ => pending.push(value),
                    }
                }
            }
            serde_json::Value::Array(list) => pending.extend(list),
            _ => {}
        }
    }
    found.sort();
    found
}

/// Of two chains that are kept at one rate, one keeps few of what another one kept: they are delivered side by side.
/// Signals below 5, in double precision through some thousand steps.
#[test]
fn chains_behind_each_other_keep_time_with_direct_ones() {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("a.h5");
    let (x, reference) = (noise(300_000, 1.0, 5), square(300_000, RATE, 173.0));
    let channels = [Channel::volts("x", &x), Channel::volts("ref", &reference)];
    record(&recording, RATE, Layout::Contiguous, &channels);
    let stages = r#"
        "a": Filter(of: "x", kind: RcCascade(poles: 2, time_constant: "5 ms")),
        "slow": Decimate(of: "a", by: 50),
        "b": Filter(of: "slow", kind: RcCascade(poles: 2, time_constant: "50 ms")),
        "slower": Decimate(of: "b", by: 40),
        "c": Filter(of: "x", kind: RcCascade(poles: 4, time_constant: "50 ms")),
        "other": Decimate(of: "c", by: 2000),
        "sum": Combine(of: ["slower", "other"], by: Sum),
        "mean": Average(of: "sum", skip: Time("1 s"), uncertainty: Nothing),
    "#;
    let [(together, failures), (apart, _)] = both(&recording, stages, r#""mean""#);
    assert!(failures.is_empty(), "{failures:?}");
    let (together, apart) = (together[0].unwrap(), apart[0].unwrap());
    assert!((together - apart).norm() < 5e-12, "{together} {apart}");
}
