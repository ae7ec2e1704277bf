//! `inspect --spectrum`: densities, lines and references of recordings whose truth is known, and of others.

use std::path::Path;

use phasemill_demo_data::{Settings, generate};
use phasemill_engine::bench::{Bench, Noise};
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::support::{Channel, Layout, noise, phasemill, record, sine, square};
use crate::support_reference::{near, published, python, reals};

/// Standard uncertainties that a deviation may reach; by chance once in 1.7 million.
const DEVIATES: f64 = 5.0;

/// What `inspect --json` says of the datasets of one recording.
#[track_caller]
fn inspected(folder: &Path, arguments: &[&str]) -> Vec<Value> {
    let all = ["inspect", "--spectrum", "--json"].iter().chain(arguments);
    let out = phasemill(folder, &all.collect::<Vec<_>>()).expect(0).out;
    let found: Value = serde_json::from_str(&out).unwrap();
    found["recordings"][0]["datasets"]
        .as_array()
        .unwrap()
        .clone()
}

fn dataset<'v>(datasets: &'v [Value], path: &str) -> &'v Value {
    &datasets.iter().find(|d| d["path"] == path).unwrap()["survey"]
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("expected a number, found {value}"))
}

fn truth(folder: &Path, name: &str) -> Value {
    let text = std::fs::read_to_string(folder.join(format!("{name}.truth.json"))).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The line that is nearest to a frequency.
fn line_at(survey: &Value, frequency: f64) -> &Value {
    let lines = survey["lines"].as_array().unwrap().iter();
    let off = |l: &Value| (number(&l["frequency"]) - frequency).abs();
    lines.min_by(|a, b| off(a).total_cmp(&off(b))).unwrap()
}

/// Frequency and peak amplitude of a line are those of the truth within their uncertainties, of which
/// `granted` Hz more are granted to the frequency.
#[track_caller]
fn is_line(survey: &Value, frequency: f64, granted: f64, amplitude: f64, name: &str) {
    let line = line_at(survey, frequency);
    let reach = DEVIATES * number(&line["frequency_u"]) + granted;
    near(name, number(&line["frequency"]), frequency, reach);
    let reach = DEVIATES * number(&line["rms_u"]) * std::f64::consts::SQRT_2;
    near(name, number(&line["peak"]), amplitude, reach);
    assert_eq!(line["names"][0], name, "{line}");
}

#[track_caller]
fn is_white(survey: &Value, density: f64, granted: f64) {
    let spectrum = &survey["spectrum"];
    let reach = DEVIATES * number(&spectrum["white_density_u"]) + granted * density;
    near(
        "white density",
        number(&spectrum["white_density"]),
        density,
        reach,
    );
}

/// The generator's 1/f noise is wavy by 0.3 %, and its two fastest relaxations, above half the rate, add
/// 12·ln 4/5000 = 0.33 % each to the white power.
#[test]
fn noise_corner_and_mains_of_the_quiet_detector() {
    let folder = TempDir::new().unwrap();
    generate(folder.path(), &Settings::default(), Some("noise")).unwrap();
    let truth = truth(folder.path(), "noise");
    let of = |name: &str| number(&truth["values"][name]["value"]);
    let found = inspected(folder.path(), &["noise.h5"]);
    let survey = dataset(&found, "/detector");
    is_white(survey, of("white_density"), 0.0033 + 0.0015);
    let spectrum = &survey["spectrum"];
    for (what, expected) in [("corner", of("flicker_corner")), ("exponent", 1.0)] {
        let reach = DEVIATES * number(&spectrum[&format!("{what}_u")]) + 0.01 * expected;
        near(what, number(&spectrum[what]), expected, reach);
    }
    assert_eq!(survey["lines"].as_array().unwrap().len(), 3);
    for (f, name) in [(50.0, "1st"), (100.0, "2nd"), (150.0, "3rd")] {
        let amplitude = of(&format!("mains_{f}_amplitude"));
        is_line(
            survey,
            f,
            0.0,
            amplitude,
            &format!("{name} harmonic of 50 Hz mains"),
        );
    }
    assert_eq!(survey["is_reference"], false);
}

/// The edges jitter by 4 us at 5190 of them, so that the jitter found scatters by 1/sqrt(2·5190) and some,
/// 2 %, and the frequency of a point of 10 s by sqrt(2)·4e-6/10 of it; the phase runs on unevenly in the part of a
/// period before the first and behind the last edge, 1/1730 of the time at 0.05 Hz off or less.
#[test]
fn the_chopper_and_its_jitter_at_all_points_of_a_sweep() {
    let folder = TempDir::new().unwrap();
    let settings = Settings {
        points: Some(3),
        ..Settings::default()
    };
    generate(folder.path(), &settings, Some("weak-light-sweep")).unwrap();
    let truth = truth(folder.path(), "weak-light-sweep");
    let found = inspected(folder.path(), &["weak-light-sweep.h5", "--all"]);
    let chopper = dataset(&found, "/chopper");
    let points = chopper["reference"].as_array().unwrap();
    assert_eq!(points.len(), 3);
    let frequencies = reals(&truth["points"]["chopper_frequency"]["values"]);
    for (point, expected) in points.iter().zip(frequencies) {
        let reach = 173.0 * DEVIATES * 1.42 * 4e-6 / 10.0 + 0.05 / 1730.0;
        near("chopper", number(&point["frequency"]), expected, reach);
        near(
            "jitter",
            number(&point["jitter_seconds"]),
            4e-6,
            DEVIATES * 0.02 * 4e-6,
        );
        near("duty", number(&point["duty"]), 0.5, 1e-3);
        assert_eq!((&point["missing"], &point["extra"]), (&json!(0), &json!(0)));
    }
    let detector = dataset(&found, "/detector");
    // The 1/f part is wavy by 5 % and ends at 100 Hz, where it has 40 % of the white power.
    is_white(detector, 500e-6, 0.01);
    let mains = &detector["mains"];
    assert_eq!(mains["nominal"], 50.0);
    let reach = DEVIATES * number(&mains["frequency_u"]);
    near("mains", number(&mains["frequency"]), 50.013, reach);
    is_line(detector, 50.013, 0.0, 8e-3, "1st harmonic of 50 Hz mains");
    is_line(detector, 150.039, 0.0, 3e-3, "3rd harmonic of 50 Hz mains");
}

#[test]
fn lines_of_two_references_are_told_apart() {
    let folder = TempDir::new().unwrap();
    generate(folder.path(), &Settings::default(), Some("two-tone")).unwrap();
    let truth = truth(folder.path(), "two-tone");
    let of = |name: &str| number(&truth["values"][name]["value"]);
    let found = inspected(folder.path(), &["two-tone.h5"]);
    let survey = dataset(&found, "/detector");
    is_white(survey, of("white_density"), 0.0);
    for name in ["first", "second"] {
        let (f, a) = (
            of(&format!("{name}_frequency")),
            of(&format!("{name}_amplitude")),
        );
        is_line(survey, f, 0.0, a, &format!("1st harmonic of `/{name}`"));
        let own = dataset(&found, &format!("/{name}"));
        assert_eq!(own["is_reference"], true);
        let reference = &own["reference"][0];
        let reach = DEVIATES * number(&reference["frequency_u"]);
        near("reference", number(&reference["frequency"]), f, reach);
    }
}

const WELCH: &str = r#"
import json, sys
import numpy as np
from scipy import signal
work = json.load(sys.stdin)
n = work["segment"]
window = signal.windows.general_cosine(n, work["window"], sym=False)
f, p = signal.welch(np.array(work["samples"]), work["rate"], window=window, noverlap=n - n // 3,
                    detrend="linear", scaling="density")
step = f[1] - f[0]
def power(centre):
    near = np.abs(f - centre) < 6.5 * step
    beside = (np.abs(f - centre) < 60 * step) & (np.abs(f - centre) > 10 * step)
    over = p[near] - p[beside].mean()
    return [float((over * step).sum()), float((f[near] * over).sum() / over.sum())]
free = (f > 0.1 * work["rate"]) & (f < 0.4 * work["rate"])
for line in work["lines"]:
    free &= np.abs(f - line) > 10 * step
json.dump({"white": float(p[free].mean()), "lines": [power(line) for line in work["lines"]]}, sys.stdout)
"#;

/// SciPy's `signal.welch` with the same window on the same samples: the mean of its bins away from the lines
/// against the floor, which is found by medians, and the power in a line over its surroundings.
///
/// The medians scatter π/2 as widely as the mean, both over some 9000/2.7 independent bins of 14 % or so: five
/// times 0.14·1.25·sqrt(2.7/9000)·2 = 3e-2, with the 1e-3 of Wilson and Hilferty. Of a line the floor under 13 bins is
/// found otherwise, by ±10 % of 13·floor·step in power; five of our own uncertainties are more.
#[test]
fn scipy_finds_the_same_density_and_lines() {
    let (rate, n) = (2000.0, 1 << 17);
    let lines = [(61.3, 4.0), (150.0, 2.0), (433.7, 0.5)];
    let mut samples = noise(n, 3.0, 11);
    for (f, a) in lines {
        let tone = sine(n, rate, f, a, 0.4);
        samples.iter_mut().zip(tone).for_each(|(x, t)| *x += t);
    }
    let folder = TempDir::new().unwrap();
    let channels = [Channel::volts("detector", &samples)];
    record(
        &folder.path().join("a.h5"),
        rate,
        Layout::Chunked(5000),
        &channels,
    );
    let found = inspected(folder.path(), &["a.h5"]);
    let survey = dataset(&found, "/detector");
    let segment = (number(&survey["spectrum"]["segment"]) * rate).round() as u64;
    let work = json!({
        "samples": samples,
        "rate": rate,
        "segment": segment,
        // Heinzel, Ruediger & Schilling 2002, Nuttall4c.
        "window": [0.3635819, 0.4891775, 0.1365995, 0.0106411],
        "lines": lines.map(|(f, _)| f),
    });
    let Some(theirs) = python(WELCH, &work) else {
        return;
    };
    let white = number(&theirs["white"]).sqrt();
    let ours = number(&survey["spectrum"]["white_density"]);
    near("white density", ours, white, 0.5 * 3.1e-2 * white);
    for ((f, _), theirs) in lines.iter().zip(theirs["lines"].as_array().unwrap()) {
        let line = line_at(survey, *f);
        let theirs = reals(theirs);
        let reach = DEVIATES * number(&line["rms_u"]);
        near("amplitude", number(&line["rms"]), theirs[0].sqrt(), reach);
        let reach = DEVIATES * number(&line["frequency_u"]);
        near("frequency", number(&line["frequency"]), theirs[1], reach);
    }
}

/// Sea level of Tuktoyaktuk 1975 (Foreman 1977): with its gaps only short segments are whole, in which the
/// semidiurnal and the diurnal tide are one line each, within half a bin or a fortnight's beat of M2 and K1;
/// and no tide is taken for mains.
#[test]
fn tides_are_lines_without_a_name() {
    let Some(table) = published("tide_hourly_1975.csv") else {
        return;
    };
    let value = |l: &str| {
        l.rsplit(',')
            .next()
            .and_then(|v| v.trim().parse::<f64>().ok())
    };
    let rows = table
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()));
    let levels: Vec<f64> = rows.map(|l| value(l).unwrap_or(f64::NAN)).collect();
    assert_eq!(levels.iter().filter(|x| x.is_finite()).count(), 1510);
    let folder = TempDir::new().unwrap();
    let channels = [Channel {
        unit: "m",
        ..Channel::volts("level", &levels)
    }];
    record(
        &folder.path().join("tides.h5"),
        1.0 / 3600.0,
        Layout::Contiguous,
        &channels,
    );
    let found = inspected(folder.path(), &["tides.h5"]);
    let survey = dataset(&found, "/level");
    let bin = number(&survey["spectrum"]["resolution"]);
    let semidiurnal = line_at(survey, 0.0805114 / 3600.0);
    let off = 0.5 * bin + (0.0833333 - 0.0805114) / 3600.0;
    near(
        "M2",
        number(&semidiurnal["frequency"]),
        0.0805114 / 3600.0,
        off,
    );
    assert_eq!(survey["mains"], Value::Null);
    for line in survey["lines"].as_array().unwrap() {
        assert_eq!(line["names"], json!([]), "{line}");
    }
}

#[test]
fn a_bench_is_written_that_reads_back() {
    let folder = TempDir::new().unwrap();
    let (rate, n) = (5000.0, 1 << 16);
    let mut detector = noise(n, 1e-3, 5);
    for (f, a) in [(50.0, 1e-3), (173.0, 5e-3), (346.0, 1e-3)] {
        let tone = sine(n, rate, f, a, 0.0);
        detector
            .iter_mut()
            .zip(tone)
            .for_each(|(x, t)| *x += t + 0.1);
    }
    let chopper = square(n, rate, 173.0);
    let channels = [
        Channel::volts("detector", &detector),
        Channel::volts("chopper", &chopper),
    ];
    record(
        &folder.path().join("a.h5"),
        rate,
        Layout::Contiguous,
        &channels,
    );
    let arguments = ["inspect", "a.h5", "--bench", "bench.ron", "--plot", "a.svg"];
    phasemill(folder.path(), &arguments).expect(0);
    phasemill(folder.path(), &["expect", "bench.ron"]).expect(0);
    let text = std::fs::read_to_string(folder.path().join("bench.ron")).unwrap();
    let (bench, found) = Bench::parse("bench.ron", &text);
    let bench = bench.unwrap_or_else(|| panic!("{found}"));
    // Scatter of 1e-3 at 5 kHz: 1e-3/sqrt(2500) = 20 uV/sqrt(Hz), found within 2 % or so.
    let Noise::White { density } = bench.sources[0].noise else {
        panic!("{text}");
    };
    near("white", density, 20e-6, 0.05 * 20e-6);
    near("signal", bench.signal.unwrap(), 5e-3, 1e-4);
    near("offset", bench.offset, 0.3, 1e-4);
    let names: Vec<&str> = bench.sources.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(names, ["white", "1st harmonic of 50 Hz mains"]);
    assert_eq!(bench.converter.rate, rate);
    let drawn = std::fs::read_to_string(folder.path().join("a.svg")).unwrap();
    assert!(
        drawn.starts_with("<svg") && drawn.contains(">f</text>"),
        "{drawn}"
    );
    // Neither is replaced by what it is not.
    phasemill(folder.path(), &arguments)
        .expect(1)
        .says("bench.ron: exists already");
    let wrong = ["inspect", "a.h5", "--plot", "bench.ron"];
    phasemill(folder.path(), &wrong)
        .expect(1)
        .says("expected a name that ends in .svg");
}

#[test]
fn what_cannot_be_looked_at_is_told() {
    let folder = TempDir::new().unwrap();
    let detector = noise(1000, 1.0, 5);
    let (flat, short) = (vec![2.0; 1000], vec![1.0, 2.0, 1.0]);
    let channels = [
        Channel::volts("detector", &detector),
        Channel::volts("other", &detector),
        Channel::volts("flat", &flat),
        Channel::volts("short", &short),
    ];
    record(
        &folder.path().join("a.h5"),
        100.0,
        Layout::Contiguous,
        &channels,
    );
    let out = phasemill(folder.path(), &["inspect", "a.h5", "--spectrum"])
        .expect(0)
        .out;
    for text in [
        "no spectrum: expected samples that vary, found a constant",
        "no spectrum: expected at least 64 samples in a row for a spectrum, found 3",
        "no line stands out of the noise",
    ] {
        assert!(out.contains(text), "expected `{text}` in\n{out}");
    }
    for (arguments, text) in [
        (
            vec!["--point", "1"],
            "expected a point from 0 to 0, found 1",
        ),
        (
            vec!["--reference", "other"],
            "expected a steady reference in `other`",
        ),
        (vec!["--bench", "b.ron"], "choose one with `--channel`"),
        (
            vec!["--bench", "b.ron", "--channel", "flat"],
            "no bench of `/flat`",
        ),
        (
            vec!["--bench", "b.ron", "--channel", "none"],
            "found no channel `none`",
        ),
        (vec!["--plot", "none/b.svg"], "cannot write the plot"),
        (vec!["--wiring", "none.ron"], "cannot read the wiring"),
    ] {
        let all: Vec<&str> = ["inspect", "a.h5", "--spectrum"]
            .into_iter()
            .chain(arguments)
            .collect();
        phasemill(folder.path(), &all).expect(1).says(text);
    }
    assert!(!folder.path().join("b.ron").exists());
}

/// A recording that does not describe itself is looked at by what a wiring says of it.
#[test]
fn a_wiring_gives_rate_and_unit() {
    let folder = TempDir::new().unwrap();
    let file = crate::support::create(&folder.path().join("raw.h5"));
    let samples = sine(4096, 1000.0, 83.0, 2.0, 0.0);
    let made = file.new_dataset::<f64>().shape(4096).create("ch0").unwrap();
    made.write_raw(&samples).unwrap();
    drop((made, file));
    let wiring = r#"Wiring(channels: { "detector": Channel(dataset: "/ch0", rate: Stated("1 kHz"), unit: "mV") })"#;
    std::fs::write(folder.path().join("w.ron"), wiring).unwrap();
    let found = inspected(
        folder.path(),
        &["raw.h5", "--wiring", "w.ron", "--reference", "83 Hz"],
    );
    let survey = dataset(&found, "/ch0");
    let line = line_at(survey, 83.0);
    // Without noise only rounding and side lobes, 98 dB down, are left.
    near("frequency", number(&line["frequency"]), 83.0, 1e-4);
    near("amplitude", number(&line["peak"]), 2e-3, 1e-7);
    assert_eq!(line["names"], json!(["1st harmonic of `83 Hz`"]));
}
