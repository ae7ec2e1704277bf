//! Recordings whose channels, markers and points are unlike each other.

use std::ops::Range;

use crate::cut_points::{LENGTH, RATE, RECIPE, column, columns, is_inside, run, whole};
use crate::support::{
    Channel, Layout, attribute, create, folder, noise, numbers, open, phasemill, record, sine,
};
use crate::support_reference::near;

/// A background that was recorded in one go as well is subtracted point by point, and one without a marker as one point.
#[test]
fn another_recording_is_cut_where_it_was_made_alike() {
    let recipe = r#"Recipe(
    title: "less dark",
    inputs: { "detector": Wave(unit: "V"), "dark": Wave(unit: "V", recording: "blocked", dataset: "/detector") },
    stages: {
        "level": Average(of: "detector", over: Blocks("0.1 s")),
        "dark level": Average(of: "dark", over: Blocks("0.1 s")),
        "net": Combine(of: ["level", "dark level"], by: Difference),
    },
    results: ["dark level", "net"],
)"#;
    let folder = folder(recipe);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let dark = noise(LENGTH, 1e-3, 8);
    let gate: Vec<f64> = (0..LENGTH)
        .map(|i| if is_inside(i) && i != 3099 { 4.0 } else { 0.1 })
        .collect();
    let steady = [Channel::volts("/detector", &dark)];
    record(&at.join("steady.h5"), RATE, Layout::Contiguous, &steady);
    let marked = [
        Channel::volts("/detector", &dark),
        Channel::volts("/gate", &gate),
    ];
    record(&at.join("marked.h5"), RATE, Layout::Contiguous, &marked);
    // Whole blocks of 100 samples.
    let mean = |range: Range<usize>| {
        let count = range.len() / 100 * 100;
        dark[range.start..][..count].iter().sum::<f64>() / count as f64
    };
    let wiring =
        r#"Wiring(points: Gate(dataset: "/gate", above: "2 V"), axis: Dataset("/wavelength"))"#;
    let level = |blocked: &str| {
        let blocked = format!("blocked={blocked}");
        let outcome = run(at, &["whole.h5"], wiring, &["--with", &blocked]).expect(0);
        assert!(!outcome.err.contains("axis"), "{}", outcome.err);
        column(at, "dark level [V]")
    };
    let expected = [700..3099, 3100..5300, 6011..8500, 9000..11000].map(mean);
    for (found, expected) in level("marked.h5").iter().zip(expected) {
        near("dark", *found, expected, 1e-12);
    }
    let all = level("steady.h5");
    near("dark, whole", all[0], mean(0..LENGTH), 1e-12);
    assert_eq!(column(at, "net [V]").len(), 4);
}

/// Channels of unlike rate, each cut at its own samples; a clock goes on from the first sample of the channel it counts, in
/// whatever order the recipe names them.
#[test]
fn channels_of_unlike_rates_are_cut_at_the_same_times() {
    let folder = folder("");
    let at = folder.path();
    let fast = noise(40_000, 0.1, 3);
    let slow = sine(4000, 200.0, 7.3, 1.0, 0.5);
    let file = create(&at.join("x.h5"));
    for (name, samples, rate) in [("x", &fast, 2000.0), ("y", &slow, 200.0)] {
        numbers(&file, name, samples, "V");
        attribute(&file.dataset(name).unwrap(), "sample_rate", rate);
    }
    numbers(&file, "b", &[1.0, 6.025, 12.5], "s");
    numbers(&file, "e", &[5_900.0, 11_000.0, 19_000.0], "ms");
    numbers(&file, "first", &[100.0, 1000.0, 2000.0], "");
    drop(file);
    let recipe = |inputs: &str| {
        format!(
            r#"Recipe(
    title: "two rates",
    inputs: {{ {inputs} }},
    stages: {{
        "other": Average(of: "x", over: Blocks("0.1 s")),
        "clock": Reference(of: "y", shape: Stated(frequency: "7.3 Hz")),
        "product": Mix(of: "y", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "100 ms")),
        "slow": Decimate(of: "smooth", to: "4 Hz"),
        "together": Average(of: "slow"),
        "alone": Average(of: "smooth"),
    }},
    results: ["together", "alone", "other"],
)"#
        )
    };
    let wiring = r#"Wiring(points: Table(begin: "/b", end: "/e"))"#;
    let mut tables = Vec::new();
    for inputs in [r#""x": Wave(), "y": Wave()"#, r#""y": Wave(), "x": Wave()"#] {
        std::fs::write(at.join("recipe.ron"), recipe(inputs)).unwrap();
        run(at, &["x.h5"], wiring, &[]).expect(0);
        for name in ["together.phase [deg]", "alone.phase [deg]"] {
            for phase in column(at, name) {
                // Four poles of 100 ms leave 2.2e-3 of the ripple at 14.6 Hz.
                near(name, phase, 0.5f64.to_degrees(), 0.15);
            }
        }
        tables.push(std::fs::read_to_string(at.join("out.csv")).unwrap());
    }
    assert_eq!(tables[0], tables[1]);
    let wiring = r#"Wiring(points: Table(begin: "/first"))"#;
    run(at, &["x.h5"], wiring, &[])
        .expect(2)
        .says("expected 4000 samples at 200 Hz, as `/y` has, found 40000 at 2000 Hz")
        .says("state points by times");
}

/// A marker at a rate of its own, a shorter one, and one whose unit nobody states.
#[test]
fn a_marker_need_not_be_sampled_as_the_channels_are() {
    let folder = folder(
        r#"Recipe(
    title: "levels",
    inputs: { "x": Wave(unit: "V") },
    stages: { "level": Average(of: "x", over: Blocks("0.1 s")) },
    results: ["level"],
)"#,
    );
    let at = folder.path();
    let ramp: Vec<f64> = (0..10_000).map(f64::from).collect();
    record(
        &at.join("x.h5"),
        1000.0,
        Layout::Contiguous,
        &[Channel::volts("/x", &ramp)],
    );
    let file = open(&at.join("x.h5"));
    let high = |from: usize, to: usize, i: usize| if (from..to).contains(&i) { 5.0 } else { 0.0 };
    let marker = |name: &str, rate: Option<f64>, unit: &str, samples: Vec<f64>| {
        numbers(&file, name, &samples, unit);
        rate.into_iter()
            .for_each(|rate| attribute(&file.dataset(name).unwrap(), "sample_rate", rate));
    };
    let slow = (0..1000)
        .map(|i| high(100, 300, i) + high(500, 900, i))
        .collect();
    marker("slow", Some(100.0), "V", slow);
    let fast = |i| high(1000, 3000, i) + high(5000, 9000, i);
    marker("shorter", None, "V", (0..9990).map(fast).collect());
    marker("odd unit", None, "TTL", (0..10_000).map(fast).collect());
    marker("no unit", None, "", (0..10_000).map(fast).collect());
    let missing = |i| {
        if (300..307).contains(&i) {
            f64::NAN
        } else {
            high(100, 900, i)
        }
    };
    marker("open", Some(100.0), "V", (0..800).map(missing).collect());
    drop(file);
    for name in ["slow", "shorter", "odd unit", "no unit"] {
        let wiring = format!(r#"Wiring(points: Gate(dataset: "{name}", above: "2.5 V"))"#);
        run(at, &["x.h5"], &wiring, &[]).expect(0);
        assert_eq!(column(at, "begin [s]"), [1.0, 5.0], "{name}");
        assert_eq!(column(at, "level [V]"), [1999.5, 6999.5], "{name}");
    }
    // A gate that ends before the channels do is high at its own last sample.
    let wiring = r#"Wiring(points: Gate(dataset: "open", above: "2.5 V"))"#;
    run(at, &["x.h5"], wiring, &[])
        .expect(0)
        .says("`/open` is high at its last sample: point 0 may be cut off")
        .says("7 samples of `/open` are missing, and taken to be as the one before");
    for above in ["50 %", "3 dB", "gain"] {
        let wiring = format!(r#"Wiring(points: Gate(dataset: "slow", above: "{above}"))"#);
        run(at, &["x.h5"], &wiring, &[]).expect(1).says("w.ron:1:");
    }
}

/// A short point, one in a gap of the times and one that is not there fail by themselves; what is odd about a marker is
/// told.
#[test]
fn points_fail_one_by_one() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let file = open(&at.join("whole.h5"));
    let table = |name: &str, values: &[f64]| numbers(&file, name, values, "");
    table("some", &[700.0, 3100.0, 6011.0, 9000.0]);
    table("brief", &[3100.0, 3150.0, 8500.0, 11_000.0]);
    table("from zero", &[0.0, 3100.0]);
    table("nothing", &[0.0, 6000.0]);
    let seconds = |name: &str, values: &[f64]| numbers(&file, name, values, "s");
    seconds("early", &[-0.1, 3.1, 6.0, 9.0]);
    seconds("empty", &[2.9, 5.3, 6.0, 11.0]);
    let gate: Vec<f64> = (0..LENGTH)
        .map(|i| f64::from(u8::from(!(3000..=8000).contains(&i))))
        .collect();
    table("edges", &gate);
    drop(file);
    let wiring = r#"Wiring(points: Table(begin: "some", end: "brief"))"#;
    let outcome = run(at, &["whole.h5"], wiring, &[]).expect(2);
    outcome
        .says("1 point of 4 will fail, since shorter than all that fit, the shortest of them point 1 of 50 ms")
        .says("1 point is shorter than a tenth of the others: point 1 of 50 samples from sample 3100 on")
        .says("failed: whole: point 1: whole.h5: expected a point long enough for the recipe, which fits those of 2 s");
    assert_eq!(columns(at).len(), 5);
    phasemill(at, &["verify", "out.h5"]).expect(0);
    // One that begins before the record, and one that has no sample, do not stop the others.
    let wiring = r#"Wiring(points: Table(begin: "early", end: "empty"))"#;
    let outcome = run(at, &["whole.h5"], wiring, &[]).expect(2);
    outcome
        .says("found that point 0 of `/detector` meets a record that begins later; 1 more lacks samples as well")
        .says("failed: whole: point 0")
        .says("failed: whole: point 2");
    assert_eq!(column(at, "begin [s]").len(), 4);
    let wiring = r#"Wiring(points: Table(begin: "from zero", end: "nothing"))"#;
    run(at, &["whole.h5"], wiring, &[])
        .expect(2)
        .says("found that point 0 at samples 0 to 0 of `/detector` meets no sample");
    let wiring = r#"Wiring(points: Gate(dataset: "edges", above: "0.5"))"#;
    run(at, &["whole.h5"], wiring, &[])
        .expect(0)
        .says("`/edges` is high at its first sample: point 0 may be the rest of one")
        .says("`/edges` is high at its last sample: point 1 may be cut off");
    // No recipe fits points of a millisecond: what is wrong is an error then.
    run(at, &["whole.h5"], r#"Wiring(points: Every("10 ms"))"#, &[])
        .expect(1)
        .says("error[time]");
}

/// Times of two channels that begin apart: a marker with a rate of its own goes with the first, and cuts both at one time.
#[test]
fn channels_that_begin_apart_are_cut_at_the_same_times() {
    let folder = folder(
        r#"Recipe(
    title: "levels",
    inputs: { "x": Wave(unit: "V"), "y": Wave(unit: "V") },
    stages: {
        "x level": Average(of: "x", over: Blocks("0.1 s")),
        "y level": Average(of: "y", over: Blocks("0.1 s")),
    },
    results: ["x level", "y level"],
)"#,
    );
    let at = folder.path();
    let file = create(&at.join("x.h5"));
    // Samples are the time since 1000 s in units of 1 ms; y begins 2.5 s later.
    for (name, first) in [("x", 0), ("y", 2500)] {
        let values: Vec<f64> = (first..10_000).map(f64::from).collect();
        let times: Vec<f64> = values.iter().map(|ms| 1000.0 + ms / 1000.0).collect();
        for (name, values, unit) in [
            (name.to_owned(), &values, "V"),
            (format!("t{name}"), &times, "s"),
        ] {
            numbers(&file, &name, values, unit);
        }
    }
    let gate: Vec<f64> = (0..1000)
        .map(|i| if (400..700).contains(&i) { 5.0 } else { 0.0 })
        .collect();
    numbers(&file, "gate", &gate, "");
    attribute(&file.dataset("gate").unwrap(), "sample_rate", 100.0);
    drop(file);
    let channels =
        r#"channels: { "x": Channel(rate: Times("/tx")), "y": Channel(rate: Times("/ty")) }"#;
    let wiring = format!(r#"Wiring({channels}, points: Gate(dataset: "gate", above: "2.5"))"#);
    let outcome = run(at, &["x.h5"], &wiring, &[]).expect(0);
    assert!(!outcome.err.contains("begins"), "{}", outcome.err);
    for name in ["x level [V]", "y level [V]"] {
        assert_eq!(column(at, name), [5499.5], "{name}");
    }
    // Without points, samples of one number are 2.5 s apart.
    run(at, &["x.h5"], &format!("Wiring({channels})"), &[])
        .expect(0)
        .says("by the times of their samples `/y` begins 2.5 s after `/x`");
}

/// One short point stops neither alternatives, a plan, a challenge nor a page; stages over the whole sweep are no matter of
/// the single points that are computed for these.
#[test]
fn a_short_point_stops_no_command() {
    let recipe = r#"Recipe(
    title: "with alternatives",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "answer": Average(of: "smooth"),
        "mean": WeightedMean(of: "answer"),
    },
    results: ["answer", "mean"],
    alternatives: { "slower": Step(set: ["smooth.kind.time_constant"], to: ["40 ms"]) },
)"#;
    let folder = folder(recipe);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let file = open(&at.join("whole.h5"));
    for (name, values) in [
        ("some", [700.0, 3100.0, 6011.0, 9000.0]),
        ("brief", [3100.0, 3150.0, 8500.0, 11_000.0]),
    ] {
        numbers(&file, name, &values, "");
    }
    drop(file);
    let wiring = r#"Wiring(points: Table(begin: "some", end: "brief"))"#;
    run(at, &["whole.h5"], wiring, &[]).expect(2);
    let warned = "1 point of 4 will fail, since shorter than all that fit";
    let wired = ["whole.h5", "--wiring", "w.ron"];
    let ask = |arguments: &[&str]| phasemill(at, &[arguments, &wired[..]].concat());
    let checked = ask(&["check", "recipe.ron"]).expect(0);
    checked.says(warned);
    let compared = ask(&["compare", "recipe.ron"]).expect(2);
    assert!(compared.out.contains("slower"), "{}", compared.out);
    compared.says("point 1: whole.h5: expected a point long enough");
    let challenged = ask(&[
        "challenge",
        "recipe.ron",
        "--result",
        "answer",
        "--points",
        "0,3",
    ]);
    assert!(
        challenged.out.contains("passed"),
        "{}\n{}",
        challenged.out,
        challenged.err
    );
    phasemill(at, &["new", "--bench", "bench.ron"]).expect(0);
    ask(&["expect", "bench.ron", "recipe.ron"]).expect(0);
    phasemill(at, &["report", "out.h5", "--out", "page.html"]).expect(0);
    let page = std::fs::read_to_string(at.join("page.html")).unwrap();
    assert!(!page.contains("could not be computed again") && !page.contains("Failed: `mean`"));
}

/// A look takes segments as long as the point allows that it is of, however short another one is.
#[test]
fn spectra_are_those_of_the_point() {
    let folder = folder(RECIPE);
    let at = folder.path();
    whole(&at.join("whole.h5"), Layout::Contiguous);
    let file = open(&at.join("whole.h5"));
    numbers(&file, "first", &[0.0, 2000.0, 2010.0], "");
    drop(file);
    let look = |wiring: &str| {
        std::fs::write(at.join("w.ron"), wiring).unwrap();
        let arguments = ["inspect", "whole.h5", "--wiring", "w.ron", "--spectrum"];
        let told = phasemill(at, &arguments).expect(0).out;
        let lines = told
            .lines()
            .filter(|l| l.contains("spectrum of 2000 samples of point 0"));
        lines.map(str::to_owned).collect::<Vec<_>>()
    };
    let uneven = look(r#"Wiring(points: Table(begin: "first"))"#);
    let even = look(r#"Wiring(points: Every("2 s"))"#);
    assert!(!even.is_empty() && uneven == even, "{uneven:?} {even:?}");
}
