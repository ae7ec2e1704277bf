//! Points that are parts of one record: a table, a marker or a length says where they are.

use std::ops::Range;
use std::path::Path;

use serde_json::json;

use crate::support::{
    Channel, Layout, Outcome, attribute, create, folder, noise, numbers, open, phasemill, record,
    sine, square, text_attribute,
};
use crate::support_reference::{U, near, python, reals};

pub const RATE: f64 = 1000.0;
const F: f64 = 37.0;
/// Where points are in a record of `LENGTH` samples, of unlike length, the second right behind the first.
const POINTS: [Range<usize>; 4] = [700..3100, 3100..5300, 6011..8500, 9000..11000];
pub const LENGTH: usize = 11_400;

/// A clock from a channel, and one that is stated; chains that are computed together, and one that is not.
pub const RECIPE: &str = r#"Recipe(
    title: "points of one record",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "slow": Decimate(of: "smooth", to: "50 Hz"),
        "answer": Average(of: "slow"),
        "at full rate": Average(of: "smooth"),
        "steady": Reference(of: "detector", shape: Stated(frequency: "37 Hz", phase: "30 deg")),
        "other product": Mix(of: "ac", with: "steady", harmonic: 1),
        "other smooth": Filter(of: "other product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "other slow": Decimate(of: "other smooth", to: "50 Hz"),
        "stated": Average(of: "other slow"),
        "stated at full rate": Average(of: "other smooth"),
    },
    results: ["answer", "at full rate", "slow", "clock.frequency", "stated", "stated at full rate"],
)
"#;

fn detector() -> Vec<f64> {
    let signal = sine(LENGTH, RATE, F, 0.01, 0.7);
    let noise = noise(LENGTH, 0.002, 5);
    let rising = |i: usize| i as f64 / LENGTH as f64;
    (0..LENGTH)
        .map(|i| 0.3 + signal[i] * (1.0 + rising(i)) + noise[i])
        .collect()
}

pub fn is_inside(i: usize) -> bool {
    // The two that touch are one for a marker, unless it says where each begins.
    POINTS.iter().any(|p| p.contains(&i))
}

/// Everything that may say where the points are, beside the channels.
pub fn whole(path: &Path, layout: Layout) {
    let (x, r) = (detector(), square(LENGTH, RATE, F));
    let gate: Vec<f64> = (0..LENGTH)
        .map(|i| if is_inside(i) && i != 3099 { 4.0 } else { 0.1 })
        .collect();
    let pulse = |i: usize| POINTS.iter().any(|p| (p.start..p.start + 3).contains(&i));
    let pulses: Vec<f64> = (0..LENGTH)
        .map(|i| if pulse(i) { 5.0 } else { 0.0 })
        .collect();
    let channels = [
        Channel::volts("/detector", &x),
        Channel::volts("/chopper", &r),
        Channel::volts("/gate", &gate),
        Channel::volts("/pulses", &pulses),
    ];
    record(path, RATE, layout, &channels);
    let file = open(path);
    let each = |name: &str, of: &dyn Fn(&Range<usize>) -> f64, unit: &str| {
        let values: Vec<f64> = POINTS.iter().map(of).collect();
        numbers(&file, name, &values, unit);
    };
    each("begin", &|p| p.start as f64, "");
    each("end", &|p| p.end as f64, "samples");
    each("begin in s", &|p| p.start as f64 / RATE, "s");
    each("end in ms", &|p| p.end as f64, "ms");
    each("end in s", &|p| p.end as f64 / RATE, "s");
    each("wavelength", &|p| 500.0 + p.start as f64 / 1000.0, "nm");
    let flags: Vec<bool> = (0..LENGTH).map(|i| gate[i] > 1.0).collect();
    let dataset = file.new_dataset::<bool>().shape([LENGTH]);
    dataset.create("flags").unwrap().write_raw(&flags).unwrap();
}

/// A file for each point.
fn apart(folder: &Path, points: &[Range<usize>]) -> Vec<String> {
    let (x, r) = (detector(), square(LENGTH, RATE, F));
    let names = points.iter().enumerate().map(|(i, point)| {
        let name = format!("p{i}.h5");
        let channels = [
            Channel::volts("/detector", &x[point.clone()]),
            Channel::volts("/chopper", &r[point.clone()]),
        ];
        record(&folder.join(&name), RATE, Layout::Contiguous, &channels);
        let file = open(&folder.join(&name));
        attribute(&file, "wavelength", 500.0 + point.start as f64 / 1000.0);
        text_attribute(&file, "wavelength_units", "nm");
        name
    });
    names.collect()
}

pub fn run(folder: &Path, files: &[&str], wiring: &str, more: &[&str]) -> Outcome {
    std::fs::write(folder.join("w.ron"), wiring).unwrap();
    let mut arguments = vec!["run", "recipe.ron"];
    arguments.extend(files);
    arguments.extend(["--wiring", "w.ron", "--out", "out.h5", "--overwrite"]);
    arguments.extend(["--csv", "out.csv"]);
    arguments.extend(more);
    phasemill(folder, &arguments)
}

/// The columns of the table that are not about the name, the place or a stated clock, nor what is remarked on.
pub fn columns(folder: &Path) -> Vec<String> {
    let table = std::fs::read_to_string(folder.join("out.csv")).unwrap();
    let names: Vec<&str> = table.lines().next().unwrap().split(',').collect();
    let failed = names.iter().position(|name| *name == "failed").unwrap();
    let wanted = (3..failed).filter(|c| !names[*c].starts_with("stated"));
    let wanted: Vec<usize> = wanted.collect();
    let pick = |row: &str| {
        let cells: Vec<&str> = row.split(',').collect();
        wanted
            .iter()
            .map(|c| cells[*c])
            .collect::<Vec<_>>()
            .join(",")
    };
    table.lines().map(pick).collect()
}

pub fn column(folder: &Path, name: &str) -> Vec<f64> {
    let table = std::fs::read_to_string(folder.join("out.csv")).unwrap();
    let rows: Vec<Vec<&str>> = table.lines().map(|l| l.split(',').collect()).collect();
    let at = rows[0].iter().position(|c| *c == name);
    let at = at.unwrap_or_else(|| panic!("no {name} in {:?}", rows[0]));
    rows[1..].iter().map(|r| r[at].parse().unwrap()).collect()
}

/// Hashes of the kept samples and of the values, by dataset.
fn sealed(folder: &Path) -> String {
    let outcome = phasemill(folder, &["verify", "out.h5"]).expect(0);
    assert!(
        outcome.out.contains("identical, bit by bit"),
        "{}",
        outcome.out
    );
    let traced = phasemill(folder, &["trace", "out.h5", "slow"]).expect(0);
    let content = traced.out.lines().find(|l| l.contains("content"));
    content.unwrap().trim().to_owned()
}

/// The same samples give the same numbers, wherever they lie, bit by bit.
#[test]
fn cut_points_are_those_of_files_of_their_own() {
    let folder = folder(RECIPE);
    let at = folder.path();
    let files = apart(at, &POINTS);
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    run(at, &files, r#"Wiring(axis: Attribute("wavelength"))"#, &[]).expect(0);
    let (expected, kept) = (columns(at), sealed(at));
    assert_eq!(expected.len(), 1 + POINTS.len());
    let tables = [
        r#"Table(begin: "/begin", end: "/end")"#,
        r#"Table(begin: "begin in s", end: "end in s")"#,
    ];
    for layout in [
        Layout::Contiguous,
        Layout::Chunked(1000),
        Layout::Deflated(777),
    ] {
        let name = "whole.h5";
        let _ = std::fs::remove_file(at.join(name));
        whole(&at.join(name), layout);
        for points in tables {
            let wiring = format!(r#"Wiring(points: {points}, axis: Dataset("/wavelength"))"#);
            run(at, &[name], &wiring, &[]).expect(0);
            assert!(columns(at) == expected, "{layout:?} {points}");
            assert_eq!(sealed(at), kept, "{layout:?} {points}");
            assert_eq!(
                column(at, "wavelength [nm]"),
                [500.7, 503.1, 506.011, 509.0]
            );
        }
    }
    let wiring = format!("Wiring(points: {})", tables[0]);
    for threads in ["1", "2", "5"] {
        run(at, &["whole.h5"], &wiring, &["--threads", threads]).expect(0);
        assert!(columns(at) == expected, "{threads} threads");
    }
    // Without another axis, points lie where they begin.
    assert_eq!(column(at, "begin [s]"), [0.7, 3.1, 6.011, 9.0]);
    let arguments = ["--cache", "kept"];
    for _ in 0..2 {
        run(at, &["whole.h5"], &wiring, &arguments).expect(0);
        assert!(columns(at) == expected, "with a cache");
    }
}

#[test]
fn markers_and_lengths_say_where_points_are() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    // A gate is low for one sample between the points that touch; pulses make points that reach to the next one.
    let gated = [700..3099, 3100..5300, 6011..8500, 9000..11000];
    let pulsed = [700..3100, 3100..6011, 6011..9000, 9000..LENGTH];
    let lasting = [0..2500, 2500..5000, 5000..7500, 7500..10000];
    let cases = [
        (r#"Gate(dataset: "/gate", above: "2.5 V")"#, &gated),
        (r#"Gate(dataset: "/gate", above: "2.5")"#, &gated),
        (r#"Gate(dataset: "/flags", above: "0.5")"#, &gated),
        (r#"Pulses(dataset: "/pulses", above: "2500 mV")"#, &pulsed),
        (r#"Every("2.5 s")"#, &lasting),
    ];
    for (points, expected) in cases {
        let files = apart(at, expected);
        let files: Vec<&str> = files.iter().map(String::as_str).collect();
        run(at, &files, r#"Wiring(axis: Attribute("wavelength"))"#, &[]).expect(0);
        let expected = columns(at);
        run(at, &["whole.h5"], &format!("Wiring(points: {points})"), &[]).expect(0);
        assert!(columns(at) == expected, "{points}");
    }
}

/// The mean of products of a point with sine and cosine of a phase that is counted from the first sample of the record,
/// in NumPy on what h5py reads; the chain through filters and decimation differs by what settles, so the phase is held
/// to that of the products alone.
const PRODUCTS: &str = "
import json, sys, h5py, numpy as np
work = json.load(sys.stdin)
x = h5py.File(work['file'], 'r')['detector']
found = []
for first, end in work['points']:
    part = x[first:end]
    part = part - part.mean()
    cycles = np.mod(work['f']*np.arange(first, end)/work['rate'] + 30/360, 1)
    z = 2*np.mean(part*(np.sin(2*np.pi*cycles) + 1j*np.cos(2*np.pi*cycles)))
    found += [z.real, z.imag]
json.dump(found, sys.stdout)
";

#[test]
fn a_stated_clock_goes_on_through_the_record() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let wiring = r#"Wiring(points: Table(begin: "/begin", end: "/end"))"#;
    run(at, &["whole.h5"], wiring, &[]).expect(0);
    // 0.7 rad less the 30 deg of the clock, whatever the place of the point; the mean of 2 s or more of noise of 2 mV
    // leaves 2 mV·√2/√2000 of 10 mV, 0.4 deg.
    let expected = 0.7f64.to_degrees() - 30.0;
    for name in ["stated.phase [deg]", "stated at full rate.phase [deg]"] {
        for (point, phase) in column(at, name).into_iter().enumerate() {
            near(&format!("{name} of {point}"), phase, expected, 2.0);
        }
    }
    let together = column(at, "stated.phase [deg]");
    let one_by_one = column(at, "stated at full rate.phase [deg]");
    for (a, b) in together.iter().zip(one_by_one) {
        near("the other way to compute", *a, b, 0.3);
    }
    std::fs::write(
        at.join("recipe.ron"),
        r#"Recipe(
    title: "products alone",
    inputs: { "detector": Wave(unit: "V") },
    stages: {
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "detector", shape: Stated(frequency: "37 Hz", phase: "30 deg")),
        "product": Mix(of: "ac", with: "clock"),
        "mean": Average(of: "product", skip: Nothing),
    },
    results: ["mean"],
)"#,
    )
    .unwrap();
    run(at, &["whole.h5"], wiring, &[]).expect(0);
    let work = json!({
        "file": at.join("whole.h5"),
        "f": F,
        "rate": RATE,
        "points": POINTS.map(|p| [p.start, p.end]),
    });
    let Some(found) = python(PRODUCTS, &work) else {
        return;
    };
    let found = reals(&found);
    let (real, imaginary) = (
        column(at, "mean.in_phase [V peak]"),
        column(at, "mean.quadrature [V peak]"),
    );
    for point in 0..POINTS.len() {
        // Arguments of up to 2π·422 cycles are rounded by NumPy to 2700 U; the samples are below 0.05 V.
        near("in phase", real[point], found[2 * point], 0.05 * 3000.0 * U);
        near(
            "quadrature",
            imaginary[point],
            found[2 * point + 1],
            0.05 * 3000.0 * U,
        );
    }
}

/// A clock at a lower rate, which begins between two of its samples, tells the phase of the same sample.
#[test]
fn a_stated_clock_of_fewer_samples_tells_the_same_phase() {
    let recipe = r#"Recipe(
    title: "fewer samples",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "few": Decimate(of: "x", by: 7),
        "clock": Reference(of: "few", shape: Stated(frequency: "3 Hz")),
        "product": Mix(of: "few", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 1, time_constant: "100 ms")),
        "slow": Decimate(of: "smooth", by: 20),
        "level": Average(of: "product", skip: Nothing),
        "slow level": Average(of: "slow", skip: Settling("1e-9")),
    },
    results: ["level", "slow level"],
)"#;
    let folder = folder(recipe);
    let at = folder.path();
    // 3 Hz at 1050 samples/s: 350 samples a cycle, 50 of every seventh. All points are whole cycles long.
    let x = sine(42_000, 1050.0, 3.0, 1.0, 0.5);
    record(
        &at.join("x.h5"),
        1050.0,
        Layout::Contiguous,
        &[Channel::volts("/x", &x)],
    );
    let file = open(&at.join("x.h5"));
    for (name, values) in [
        ("begin", [3.0, 10_504.0, 23_110.0]),
        ("end", [10_503.0, 21_004.0, 33_610.0]),
    ] {
        numbers(&file, name, &values, "");
    }
    drop(file);
    let wiring = r#"Wiring(points: Table(begin: "/begin", end: "/end"))"#;
    run(at, &["x.h5"], wiring, &[]).expect(0);
    let expected = 0.5f64.to_degrees();
    for phase in column(at, "level.phase [deg]") {
        near("phase", phase, expected, 1e-9);
    }
    // One pole of 100 ms leaves a ripple at 6 Hz of 1/√(1 + (2π·6·0.1)²) = 0.26 of the amplitude, which the mean of
    // some 60 kept samples takes to a percent or two of it.
    for phase in column(at, "slow level.phase [deg]") {
        near("phase behind a filter", phase, expected, 3.0);
    }
}

/// Missing samples are told of the point that they are in, and the others go on.
#[test]
fn gaps_and_times_of_the_samples_count() {
    let recipe = r#"Recipe(
    title: "levels",
    inputs: { "x": Wave(unit: "V") },
    stages: { "level": Average(of: "x", over: Blocks("0.1 s")) },
    results: ["level"],
)"#;
    let folder = folder(recipe);
    let at = folder.path();
    // Samples 1000 to 1099 of the grid were lost; the clock of the times begins at 50 s.
    let stored: Vec<usize> = (0..4000).filter(|i| !(1000..1100).contains(i)).collect();
    let file = create(&at.join("x.h5"));
    let dataset = |name: &str, values: Vec<f64>, unit: &str| numbers(&file, name, &values, unit);
    dataset("x", stored.iter().map(|i| *i as f64).collect(), "V");
    dataset(
        "t",
        stored.iter().map(|i| 50.0 + *i as f64 / 1000.0).collect(),
        "s",
    );
    dataset("begin", vec![50.0, 50.9, 52.0], "s");
    dataset("end", vec![50.8, 51.8, 53.6], "s");
    // The second has no sample at all, and takes nobody else's.
    dataset("lost", vec![50.0, 51.01, 52.0], "s");
    dataset("lost end", vec![50.8, 51.09, 53.6], "s");
    // The same in samples as they are stored.
    dataset("first", vec![0.0, 900.0, 1900.0], "");
    dataset("last", vec![800.0, 1700.0, 3500.0], "");
    drop(file);
    let channel = r#"channels: { "x": Channel(rate: Times("/t")) }"#;
    let wiring = format!(r#"Wiring({channel}, points: Table(begin: "lost", end: "lost end"))"#);
    run(at, &["x.h5"], &wiring, &[])
        .expect(2)
        .says("found that point 1 at samples 1010 to 1090 of `/x` meets a gap of the sample times")
        .says("failed: x: point 1");
    for (begin, end) in [("begin", "end"), ("first", "last")] {
        let wiring = format!(r#"Wiring({channel}, points: Table(begin: "{begin}", end: "{end}"))"#);
        run(at, &["x.h5"], &wiring, &[]).expect(0);
        assert_eq!(column(at, "level.missing"), [0.0, 100.0, 0.0]);
        assert_eq!(column(at, "begin [s]"), [0.0, 0.9, 2.0]);
        let present = (900..1000).chain(1100..1800).map(|i| i as f64);
        let mean = present.clone().sum::<f64>() / present.count() as f64;
        let expected = [399.5, mean, 2799.5];
        for (found, expected) in column(at, "level [V]").iter().zip(expected) {
            near("level", *found, expected, 1e-9 * expected);
        }
    }
}

#[test]
fn what_cannot_be_cut_is_told_at_its_place() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let file = open(&at.join("whole.h5"));
    let numbers = |name: &str, values: &[f64], unit: &str| numbers(&file, name, values, unit);
    numbers("late", &[3000.0, 5000.0, 8000.0, LENGTH as f64 + 1.0], "");
    numbers("crossed", &[3200.0, 5000.0, 8000.0, 11000.0], "");
    numbers("odd", &[0.5, 3000.0], "");
    numbers("volts", &[1.0, 3.0], "V");
    numbers("none", &[f64::NAN], "");
    numbers("far", &[1e9], "");
    numbers("level", &[0.0; LENGTH], "V");
    drop(file);
    let faults = [
        (
            r#"Table(begin: "begin", end: "crossed")"#,
            "points that follow one another, found point 0 from 700 to 3200",
        ),
        (
            r#"Table(begin: "odd")"#,
            "samples counted from 0, found 0.5",
        ),
        (r#"Table(begin: "volts")"#, "a unit of time, found `V`"),
        (
            r#"Table(begin: "none")"#,
            "a number for each point, found NaN at point 0",
        ),
        (
            r#"Table(begin: "far")"#,
            "at least one of the points, found 11400 samples",
        ),
        (
            r#"Table(begin: "begin", end: "end in s")"#,
            "4 numbers of samples as in `/begin`, found 4 times",
        ),
        (r#"Table(begin: "begins")"#, "did you mean `/begin`"),
        (
            r#"Gate(dataset: "/level", above: "1 V")"#,
            "samples above `1 V`, found 0 to 0",
        ),
        (
            r#"Gate(dataset: "/gate", above: "1 A")"#,
            "`above` in V, as its samples are, found `1 A`",
        ),
        (r#"Gate(dataset: "/gate")"#, "missing setting `above`"),
        (r#"Every("1 h")"#, "at least one of the points"),
        (r#"Every("1 ns")"#, "at most 1048576 points"),
        (r#"Each("1 s")"#, "unknown choice `Each` for `points`"),
    ];
    for (points, expected) in faults {
        let wiring = format!("Wiring(points: {points})");
        let outcome = run(at, &["whole.h5"], &wiring, &[]);
        outcome.says(expected).says("w.ron:1:");
        assert!(!at.join("out.h5").exists(), "{points}");
    }
    let wiring = r#"Wiring(points: Table(begin: "begin", end: "end"), axis: Dataset("odd"))"#;
    run(at, &["whole.h5"], wiring, &[])
        .expect(2)
        .says("expected 4 numbers, one per point, found the shape [2]")
        .says("correct `points`");
    // A record that was broken off: its last point fails, with a warning before, and the others are done.
    let wiring = r#"Wiring(points: Table(begin: "begin", end: "late"))"#;
    let outcome = run(at, &["whole.h5"], wiring, &[]).expect(2);
    outcome
        .says("found that point 3 at samples 9000 to 11401 of `/detector` meets the end of the record at 11400")
        .says("failed: whole: point 3")
        .says("found the end of the record at 11400");
    assert_eq!(columns(at).len(), 1 + POINTS.len());
    // What has points of its own is not cut.
    let x = detector();
    let rows = |name| Channel {
        dataset: name,
        unit: "V",
        samples: &x[..10_000],
        points: 4,
    };
    record(
        &at.join("rows.h5"),
        RATE,
        Layout::Contiguous,
        &[rows("/detector"), rows("/chopper")],
    );
    run(at, &["rows.h5"], r#"Wiring(points: Every("1 s"))"#, &[])
        .expect(2)
        .says("expected one record, since `points` cuts it, found 4 rows of their own");
}

#[test]
fn what_was_cut_is_told_and_verified() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let wiring = r#"Wiring(points: Gate(dataset: "/gate", above: "2 V"))"#;
    run(at, &["whole.h5"], wiring, &[]).expect(0);
    let traced = phasemill(at, &["trace", "out.h5", "at full rate[2]"])
        .expect(0)
        .out;
    assert!(
        traced.contains(
            "its points were cut from one record, each as long as \"/gate\" is above 2 V"
        ),
        "{traced}"
    );
    assert!(
        traced.contains("point 2 of whole.h5: samples 6") && traced.contains(" to 8499 count"),
        "{traced}"
    );
    let methods = phasemill(at, &["trace", "out.h5", "answer", "--methods"])
        .expect(0)
        .out;
    let words = "recorded at 1 kHz in one go and cut into 4 points of the axis \"begin\" of 2000 to 2489 samples (2 s to 2.489 s), each as long as \"/gate\" is above 2 V.";
    assert!(methods.contains(words), "{methods}");
    let arguments = ["trace", "out.h5", "stated", "--methods"];
    let methods = phasemill(at, &arguments).expect(0).out;
    assert!(
        methods.contains("above 2 V; phases of stated frequencies are counted from its first"),
        "{methods}"
    );
    let looked = phasemill(at, &["inspect", "whole.h5", "--wiring", "w.ron"])
        .expect(0)
        .out;
    assert!(
        looked.contains(
            "4 points of 2000 to 2489 samples at 1000 Hz, 2 to 2.489 s, cut from one record"
        ),
        "{looked}"
    );
    assert!(looked.contains("where points are"), "{looked}");
    phasemill(at, &["verify", "out.h5", "--quick"]).expect(0);
    // A marker that changed moves a point, which is named.
    let file = open(&at.join("whole.h5"));
    let gate = file.dataset("gate").unwrap();
    let mut values = gate.read_raw::<f64>().unwrap();
    values[8499] = 0.0;
    gate.write_raw(&values).unwrap();
    drop((gate, file));
    for more in [&["--quick"][..], &[]] {
        let arguments = [&["verify", "out.h5"][..], more].concat();
        let outcome = phasemill(at, &arguments).expect(2);
        let words = "point 2 of the record is samples 6011 to 8499, it was samples 6011 to 8500";
        assert!(outcome.out.contains(words), "{}", outcome.out);
    }
}
