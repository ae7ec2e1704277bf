//! What `check` says a chain will do: against published values, and against what the chain then does to
//! tones, offsets, ramps, impulses and noise.

use phasemill_engine::flow::{Flow, Kind, Samples};
use phasemill_engine::response::{Element, Figures, Response};
use phasemill_engine::testing;
use phasemill_engine::units::Unit;
use phasemill_stages::REGISTRY;
use serde_json::Value;

use super::support::{Channel, Layout, noise, phasemill, record, root, sine, square};
use super::support_reference::{Bench, near, published, rows};

/// The recipe of a bench whose one input is `x`.
fn recipe(stages: &str, result: &str) -> String {
    format!(
        "Recipe(title: \"a check\", inputs: {{\"x\": Wave()}}, stages: {{{stages}}}, results: [{result:?}])"
    )
}

/// What `check --json` says of the one kept result.
#[track_caller]
fn said(bench: &Bench, stages: &str, result: &str) -> Value {
    let recording = bench.recording();
    let folder = recording.parent().unwrap();
    std::fs::write(folder.join("checked.ron"), recipe(stages, result)).unwrap();
    let arguments = ["check", "checked.ron", "recording.h5", "--json"];
    let outcome = phasemill(folder, &arguments).expect(0);
    let all: Value = serde_json::from_str(&outcome.out).unwrap();
    assert_eq!(all["accepted"], true, "{all:#}");
    assert_eq!(all["results"].as_array().unwrap().len(), 1, "{all:#}");
    all["results"][0]["figures"].clone()
}

#[track_caller]
fn number(figures: &Value, name: &str) -> f64 {
    figures[name]
        .as_f64()
        .unwrap_or_else(|| panic!("{name} in {figures:#}"))
}

/// The gain of a disturbance: of the samples or of the value.
#[track_caller]
fn rejected(figures: &Value, what: &str, of: &str) -> f64 {
    let list = figures["rejections"].as_array().unwrap();
    let found = list.iter().find(|r| r["what"] == what);
    let db = found.unwrap_or_else(|| panic!("{what} in {figures:#}"))[of].as_f64();
    libm::exp10(db.unwrap() / 20.0)
}

/// Every line that the README shows of a check is printed for what it says it is: the starter on a point of 10 s.
#[test]
fn the_sample_in_the_readme_is_what_is_printed() {
    let folder = tempfile::tempdir().unwrap();
    let starter = std::fs::read_to_string(root().join("pipelines/library/starter.ron")).unwrap();
    let expecting = starter.replace("Square()", "Square(), expect: \"173 Hz\"");
    assert_ne!(starter, expecting);
    std::fs::write(folder.path().join("my.ron"), expecting).unwrap();
    let (rate, length) = (50_000.0, 500_000);
    let (signal, chopper) = (
        sine(length, rate, 173.0, 0.01, 0.3),
        square(length, rate, 173.0),
    );
    let channels = [
        Channel::volts("detector", &signal),
        Channel::volts("chopper", &chopper),
    ];
    let recording = folder.path().join("point.h5");
    record(&recording, rate, Layout::Contiguous, &channels);
    let printed = phasemill(folder.path(), &["check", "my.ron", "point.h5"]).expect(0);
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let sample = readme
        .split("```\n  current, polar.amplitude")
        .nth(1)
        .unwrap();
    let sample = format!(
        "  current, polar.amplitude{}",
        sample.split("```").next().unwrap()
    );
    let shown = sample.lines().filter(|line| line.trim() != "...");
    for line in shown {
        assert!(
            printed.out.lines().any(|l| l == line),
            "{line}\n{}",
            printed.out
        );
    }
}

/// Cascades of equal poles and Butterworth filters against published noise bandwidths (sources in the file
/// of published values), as multiples of the corner.
#[test]
fn noise_bandwidths_are_the_published_ones() {
    let Some(table) = published("enbw_published.csv") else {
        return;
    };
    let rate = 1000.0;
    let bench = Bench::new(rate, &[("x", &[0.0; 100])]);
    for row in rows(&table).iter().skip(1) {
        let n: f64 = row[0].parse().unwrap();
        // A time constant of 200 samples: the sampled cascade differs by n/(12·200²) at most, as the poles
        // exp(-1/200) do from those of the analogue one.
        let filter =
            format!(r#""y": Filter(of: "x", kind: RcCascade(poles: {n}, time_constant: "0.2 s"))"#);
        let found = number(&said(&bench, &filter, "y"), "noise_bandwidth") * 0.2;
        let (above, below) = row[4].split_once('/').unwrap();
        let exact = above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap();
        near(
            "ENBW·τ",
            found,
            exact,
            1.5 * n / (12.0 * 200.0 * 200.0) * exact,
        );

        // The bilinear transform keeps the corner but squeezes what lies above it: with K = tan(π·corner/rate)
        // the bandwidth of one pole is smaller by a factor 1 + K, that of steeper ones by a part of order K²;
        // the table prints six decimals.
        let filter =
            format!(r#""y": Filter(of: "x", kind: Butterworth(order: {n}, band: Low("0.1 Hz")))"#);
        let found = number(&said(&bench, &filter, "y"), "noise_bandwidth") / 0.1;
        let k = libm::tan(std::f64::consts::PI * 0.1 / rate);
        let bound = if n == 1.0 { 2.0 * k } else { 4.0 * k * k };
        near("Butterworth", found, row[1].parse().unwrap(), bound + 1e-6);
    }
}

/// Settling of n equal poles to 1 % in time constants, 4.61, 6.64, 8.41, 10.05: the regularised incomplete
/// gamma function (Abramowitz & Stegun 1964, 6.5). A sampled cascade differs by two samples a pole at most.
#[test]
fn settling_times_are_the_derived_ones() {
    let bench = Bench::new(1000.0, &[("x", &[0.0; 100])]);
    for (n, expected) in [(1, 4.605), (2, 6.638), (3, 8.406), (4, 10.045)] {
        let filter =
            format!(r#""y": Filter(of: "x", kind: RcCascade(poles: {n}, time_constant: "1 s"))"#);
        let figures = said(&bench, &filter, "y");
        let found = figures["settling"][0][1].as_f64().unwrap();
        near("settling", found, expected, 5e-4 + 2e-3 * f64::from(n));
    }
}

const CHAIN: &str = r#"
    "clock": Reference(of: "x", shape: Stated(frequency: "80 Hz")),
    "product": Mix(of: "x", with: "clock"),
    "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "5 ms")),
    "slow": Decimate(of: "smooth", to: "200 Hz"),
    "value": Average(of: "slow", skip: Time("0.5 s")),
"#;

/// Tones at the mains and an offset, mixed with 80 Hz, filtered and averaged. Each tone gives two lines, at the
/// difference and the sum of the frequencies, so the size of the phasor swings by the gain of the weaker one
/// around that of the stronger, which alone is said. Two poles of 5 ms have 1/(1 + (2πfτ)²), a thousandth
/// part less at 2 kHz, where that is derived from the sampled pole. What is left of the start after 0.5 s
/// is e^-100.
#[test]
fn mains_and_offset_come_through_as_said() {
    let rate = 2000.0;
    let gain = |f: f64| {
        1.0 / (1.0 + (std::f64::consts::TAU * f * 0.005) * (std::f64::consts::TAU * f * 0.005))
    };
    for (what, f, size, other) in [
        ("offset", 0.0, 2.0, 0.0),
        ("mains 50 Hz", 50.0, 1.0, gain(130.0)),
        ("mains 60 Hz", 60.0, 1.0, gain(140.0)),
        ("mains 2 x 60 Hz", 120.0, 1.0, gain(200.0)),
    ] {
        // 1.7317 s: no whole number of periods of any of the lines.
        let tone: Vec<f64> = match f {
            0.0 => vec![1.0; 3463],
            f => sine(3463, rate, f, 1.0, 0.3),
        };
        let bench = Bench::new(rate, &[("x", &tone)]);
        let results = bench.run(CHAIN, &["slow", "value"]);
        let samples = results.phasor("slow");
        let sizes: Vec<f64> = samples[100..].iter().map(|z| z.norm()).collect();
        let (low, high) = (
            sizes.iter().copied().fold(f64::INFINITY, f64::min),
            sizes.iter().copied().fold(0.0, f64::max),
        );
        let expected = size * rejected(&said(&bench, CHAIN, "slow"), what, "samples_db");
        let bound = 1.02 * other + 1e-9 * expected;
        assert!(
            high >= expected - 1e-9 && low <= expected + 1e-9,
            "{what}: {low} {expected} {high}"
        );
        assert!(high - low <= 2.0 * bound, "{what}: {low} {high}");

        let figures = said(&bench, CHAIN, "value");
        let expected = size * rejected(&figures, what, "value_db");
        let most = size * rejected(&figures, what, "value_at_most_db");
        // The weaker line is averaged too: over n samples by 1/(n·sin(πf/rate)) at most.
        let n = samples.len() as f64 - 100.0;
        let averaged =
            1.02 * other / (n * libm::sin(std::f64::consts::PI * (f + 80.0) / 200.0).abs());
        let found = results.complex("value").norm();
        near(what, found, expected, averaged + 1e-9);
        assert!(found <= most + averaged + 1e-9, "{what}: {found} {most}");
    }
}

/// A slow ramp comes late by the delay, which is exact for a linear chain once it has settled; numbers up
/// to ten in rounding of 2^-53 over thousands of steps of memory stay below 1e-9.
#[test]
fn a_ramp_is_late_by_the_delay() {
    let rate = 500.0;
    let ramp: Vec<f64> = (0..5000).map(|i| f64::from(i) / rate).collect();
    let bench = Bench::new(rate, &[("x", &ramp)]);
    let stages = r#"
        "a": Filter(of: "x", kind: RcCascade(poles: 3, time_constant: "40 ms")),
        "b": Filter(of: "a", kind: Kaiser(band: Low("20 Hz"), transition: "10 Hz")),
        "c": Decimate(of: "b", by: 4),
        "d": Filter(of: "c", kind: Bessel(order: 4, band: Low("5 Hz"))),
    "#;
    let delay = number(&said(&bench, stages, "d"), "delay");
    let last = *bench.run(stages, &["d"]).wave("d").last().unwrap();
    near("ramp", last, 4996.0 / rate - delay, 1e-9);
}

/// Noise of standard deviation 1, folded by a decimation that comes too early, has the variance that the noise
/// bandwidth says: density 2/rate (one-sided) times bandwidth; of a phasor with peak amplitudes twice that in
/// each part, since 2·sin doubles the density. The variance over a time T of Gaussian noise in a band B has
/// the relative standard deviation 1/sqrt(T·B) at most (2/T·∫S²/(∫S)² with S ≤ 1); five of them.
#[test]
fn noise_has_the_variance_of_its_bandwidth() {
    let (rate, seconds) = (1000.0, 400.0f64);
    let bench = Bench::new(rate, &[("x", &noise(400_000, 1.0, 11))]);
    let stages = r#"
        "clock": Reference(of: "x", shape: Stated(frequency: "130 Hz")),
        "product": Mix(of: "x", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 1, time_constant: "4 ms")),
        "slow": Decimate(of: "smooth", by: 25),
        "smoother": Filter(of: "slow", kind: Butterworth(order: 2, band: Low("6 Hz"))),
    "#;
    let figures = said(&bench, stages, "smoother");
    let band = number(&figures, "noise_bandwidth");
    // Folding counts: without it the filters would leave 6 Hz times 1.11 at most.
    assert!(band > 1.2 * 6.0 * 1.11, "{band}");
    let samples = bench.run(stages, &["smoother"]).phasor("smoother");
    let settled = &samples[100..];
    let power = settled.iter().map(|z| z.norm_sqr()).sum::<f64>() / (2.0 * settled.len() as f64);
    let expected = 2.0 * (2.0 / rate) * band;
    // In-phase and quadrature part are two such records; the folded band holds at most 20 Hz.
    let deviation = 5.0 / (2.0 * seconds * 6.0).sqrt();
    near("variance", power, expected, deviation * expected);
    near(
        "independent",
        number(&figures, "independent"),
        2.0 * seconds * band,
        1e-9 * seconds * band,
    );
}

/// The weight of each sample in the mean, from impulses through the stages themselves: rate·Σw²/2 for weights
/// that add up to one. The start of the record is settled to 1e-9, and so is the figure.
#[test]
fn the_mean_of_blocks_has_its_bandwidth() {
    let (rate, length) = (100.0, 700);
    let input = Flow {
        rate: Some(rate),
        length: Some(length as u64),
        ..Flow::new(Kind::Wave, Unit::one())
    };
    let filter = REGISTRY.get("Filter").unwrap();
    let average = REGISTRY.get("Average").unwrap();
    let filter_text = r#"Filter(of: "x", kind: RcCascade(poles: 2, time_constant: "50 ms"))"#;
    let average_text = r#"Average(of: "y", skip: Time("3 s"), over: Blocks("0.9 s"))"#;
    let mut weights = Vec::new();
    let mut figures = None;
    for at in 0..length {
        let mut impulse = vec![0.0; length];
        impulse[at] = 1.0;
        let run = |stage, text, flow: &Flow, samples: &[f64]| {
            let samples = [Samples::Wave(samples)];
            testing::run(
                stage,
                text,
                &[],
                std::slice::from_ref(flow),
                &samples,
                length,
            )
            .unwrap()
        };
        let filtered = run(filter, filter_text, &input, &impulse);
        let flow = &filtered.ports[0].flow;
        let given = run(
            average,
            average_text,
            flow,
            filtered.buffers[0].samples().wave(),
        );
        weights.push(given.closing.values[0].estimate().unwrap().value.re);
        figures.get_or_insert_with(|| Figures::of(&given.ports[0].flow, None).unwrap());
    }
    let figures = figures.unwrap();
    let (sum, squares) = weights
        .iter()
        .fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    near("sum", sum, 1.0, 1e-9);
    near(
        "bandwidth",
        figures.value_noise_bandwidth.unwrap(),
        0.5 * rate * squares,
        1e-8,
    );
    // Four whole blocks of 0.9 s in the four seconds.
    near("duration", figures.duration.unwrap(), 3.6, 1e-12);
    let bare = Flow {
        response: Response::default().then(Element::Average(360, rate)),
        ..Flow::new(Kind::Estimate, Unit::one())
    };
    let alone = Figures::of(&bare, None)
        .unwrap()
        .value_noise_bandwidth
        .unwrap();
    assert!(figures.value_noise_bandwidth.unwrap() < alone);
}

/// The mean over whole periods takes what lies at the reference's harmonics: an offset is gone, as said.
#[test]
fn whole_periods_take_the_offset_as_said() {
    let rate = 1000.0;
    let bench = Bench::new(rate, &[("x", &vec![1.0; 2000])]);
    let stages = r#"
        "clock": Reference(of: "x", shape: Stated(frequency: "16.1 Hz")),
        "product": Mix(of: "x", with: "clock"),
        "smooth": Filter(of: "product", kind: WholePeriods(clock: "clock", periods: 3)),
    "#;
    let samples = bench.run(stages, &["smooth"]).phasor("smooth");
    let expected = 2.0 * rejected(&said(&bench, stages, "smooth"), "offset", "samples_db");
    // The window is cut at a varying place in a cell; the figure has it at one of them, for 186.3 samples. What
    // linear interpolation leaves is x³/12 of the window's 2π·3 at most, x = 2π·16.1/1000, twice for 2·sin.
    let bound =
        2.0 * libm::pow(std::f64::consts::TAU * 0.0161, 3.0) / (12.0 * std::f64::consts::TAU * 3.0);
    assert!(expected <= bound, "{expected} {bound}");
    let worst = samples[200..].iter().map(|z| z.norm()).fold(0.0, f64::max);
    assert!(
        worst <= bound && worst >= expected - 1e-12,
        "{worst} {expected} {bound}"
    );
}

fn demo() -> (Bench, &'static str) {
    let bench = Bench::new(1000.0, &[("x", &sine(3000, 1000.0, 80.0, 1.0, 0.0))]);
    let stages = r#"
        "clock": Reference(of: "x", shape: Sine(near: "80 Hz")),
        "product": Mix(of: "x", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "10 ms")),
        "value": Average(of: "smooth"),
        "polar": Polar(of: "value"),
    "#;
    (bench, stages)
}

#[test]
fn the_table_names_what_a_user_asks_for() {
    let (bench, stages) = demo();
    let recording = bench.recording();
    let folder = recording.parent().unwrap();
    std::fs::write(folder.join("a.ron"), recipe(stages, "polar")).unwrap();
    let out = phasemill(folder, &["check", "a.ron", "recording.h5"])
        .expect(0)
        .out;
    for text in [
        "polar.amplitude, polar.phase: line at f = 80 Hz, expected by `clock`",
        "noise bandwidth, one-sided",
        "3 dB bandwidth",
        "settles to 0.01 %",
        "delay of the signal",
        "independent samples in",
        "offset, seen at 80 Hz",
        "image of the signal, seen at 160 Hz",
        "mains 50 Hz, seen at 30 Hz",
        "mains 60 Hz, seen at 20 Hz",
    ] {
        assert!(out.contains(text), "expected `{text}` in:\n{out}");
    }
    std::fs::write(
        folder.join("a.ron"),
        recipe(&stages.replace("(near: \"80 Hz\")", "()"), "polar"),
    )
    .unwrap();
    let out = phasemill(folder, &["check", "a.ron", "recording.h5"])
        .expect(0)
        .out;
    for text in [
        "not known before the run",
        "10 Hz from the line",
        "note: state f",
    ] {
        assert!(out.contains(text), "expected `{text}` in:\n{out}");
    }
}

#[test]
fn a_plot_is_drawn_and_replaces_plots_only() {
    let (bench, stages) = demo();
    let recording = bench.recording();
    let folder = recording.parent().unwrap();
    std::fs::write(folder.join("a.ron"), recipe(stages, "value")).unwrap();
    let draw = |file: &str| phasemill(folder, &["check", "a.ron", "recording.h5", "--plot", file]);
    draw("a.svg").expect(0);
    draw("a.svg").expect(0);
    let svg = std::fs::read_to_string(folder.join("a.svg")).unwrap();
    for text in [
        "distance from the line, |frequency − f|, in Hz",
        "gain against the signal, in dB",
        "f (offset)",
        "2f (image)",
        ">50 Hz<",
        "noise bandwidth",
    ] {
        assert!(svg.contains(text), "{text}");
    }
    // Every element that is opened is closed.
    assert_eq!(svg.matches("<text").count(), svg.matches("</text>").count());
    assert_eq!(svg.matches("<g ").count(), svg.matches("</g>").count());
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
    draw("a.ron")
        .expect(1)
        .says("expected a name that ends in .svg");
    draw("recording.h5")
        .expect(1)
        .says("expected a name that ends in .svg");
    let alone = phasemill(folder, &["check", "a.ron", "--plot", "b.svg"]);
    alone.expect(1).says("nothing to draw");
}

#[test]
fn faults_are_told_as_json() {
    let (bench, _) = demo();
    let recording = bench.recording();
    let folder = recording.parent().unwrap();
    let text = "Recipe(\n    title: \"é\", inputs: { \"x\": Wave() },\n    stages: { \"a\": Averag(of: \"x\") },\n    results: [\"a\"],\n)\n";
    std::fs::write(folder.join("bad.ron"), text).unwrap();
    let out = phasemill(folder, &["check", "bad.ron", "--json"]).expect(1);
    assert_eq!(out.err, "");
    let all: Value = serde_json::from_str(&out.out).unwrap();
    assert_eq!(all["accepted"], false);
    let fault = &all["diagnostics"][0];
    assert_eq!(
        (fault["severity"].as_str(), fault["file"].as_str()),
        (Some("error"), Some("bad.ron"))
    );
    assert_eq!(
        (fault["line"].as_u64(), fault["column"].as_u64()),
        (Some(3), Some(20))
    );
    let [from, to] = [0, 1].map(|k| fault["bytes"][k].as_u64().unwrap() as usize);
    assert!(text[from..to].starts_with("Averag"), "{fault:#}");
    assert!(
        fault["message"]
            .as_str()
            .is_some_and(|m| m.contains("Averag")),
        "{fault:#}"
    );
    assert!(
        fault["help"][0]
            .as_str()
            .is_some_and(|h| h.contains("`Average`")),
        "{fault:#}"
    );
    assert!(fault["code"].is_string());

    let out = phasemill(folder, &["check", "absent.ron", "--json"])
        .expect(1)
        .out;
    let all: Value = serde_json::from_str(&out).unwrap();
    assert!(
        all["errors"][0]
            .as_str()
            .is_some_and(|e| e.contains("absent.ron")),
        "{all:#}"
    );
}
