//! Whether recordings scatter as `expect` said they would: seeded noise of known density, run through the
//! recipe that was planned.
//!
//! The scatter of n normal values is known to 1/sqrt(2(n - 1)) of itself (JCGM 100:2008, E.4.3). In-phase and
//! quadrature part of 3000 points are 6000 values: 0.9 %, so that the 5 % that are allowed are five of it.

use serde_json::Value;

use super::expect::recipe;
use super::support::{Channel, Layout, phasemill, record};
use super::support_reference::{Bench, Random, Results};

const POINTS: usize = 3000;

/// How far observed and predicted scatter may be apart.
const AGREE: f64 = 0.05;

/// What was said and what came out.
struct Trial {
    predicted: f64,
    observed: f64,
    /// Root mean square of the uncertainties that the results state.
    stated: f64,
    amplitudes: Vec<f64>,
    threshold: f64,
    smallest: f64,
}

/// Plans, then records points of `samples` and runs the same recipe over them.
fn trial(
    bench: &str,
    rate: f64,
    recipe: &str,
    samples: usize,
    point: impl FnMut() -> Vec<f64>,
) -> Trial {
    let all: Vec<f64> = std::iter::repeat_with(point)
        .take(POINTS)
        .flatten()
        .collect();
    assert_eq!(all.len(), POINTS * samples);
    let place = Bench::empty(["x"]);
    let channel = Channel {
        points: POINTS,
        ..Channel::volts("x", &all)
    };
    record(&place.recording(), rate, Layout::Contiguous, &[channel]);
    let folder = place.recording();
    let folder = folder.parent().unwrap();
    std::fs::write(folder.join("bench.ron"), bench).unwrap();
    std::fs::write(folder.join("planned.ron"), recipe).unwrap();
    let arguments = [
        "expect",
        "bench.ron",
        "planned.ron",
        "recording.h5",
        "--json",
    ];
    let outcome = phasemill(folder, &arguments).expect(0);
    let said: Value = serde_json::from_str(&outcome.out).unwrap();
    let answer = &said["averages"][0];
    let rows = answer["expected"].as_array().unwrap();
    let row = rows
        .iter()
        .find(|r| r["averaging_time_s"] == answer["point_s"]);
    let row = row.unwrap_or_else(|| panic!("the point in {answer:#}"));
    let number = |name: &str| row[name].as_f64().unwrap();

    let results: Results = place.run_recipe(recipe);
    let parts = ["in_phase", "quadrature"].map(|part| results.column("answer", part));
    let squares = parts.iter().map(|values| {
        let mean = values.iter().sum::<f64>() / POINTS as f64;
        values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>()
    });
    let observed = (squares.sum::<f64>() / (2 * (POINTS - 1)) as f64).sqrt();
    let stated = results.column("answer", "in_phase_errors");
    let stated = stated.iter().map(|u| u * u).sum::<f64>() / POINTS as f64;
    let pairs = parts[0].iter().zip(&parts[1]);
    Trial {
        stated: stated.sqrt(),
        predicted: number("standard_uncertainty_unit"),
        observed,
        amplitudes: pairs.map(|(x, y)| (x * x + y * y).sqrt()).collect(),
        threshold: number("threshold_unit"),
        smallest: number("smallest_amplitude_unit"),
    }
}

impl Trial {
    #[track_caller]
    fn agrees(&self, what: &str) {
        let ratio = self.observed / self.predicted;
        println!(
            "{what}: observed {:e} is {ratio:.4} of predicted",
            self.observed
        );
        assert!((ratio - 1.0).abs() < AGREE, "{what}: {ratio}");
    }

    /// Part of the points that count as detected.
    fn detected(&self) -> f64 {
        let found = self.amplitudes.iter().filter(|a| **a > self.threshold);
        found.count() as f64 / POINTS as f64
    }
}

const FILTERED: &str = r#"
    "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
    "slow": Decimate(of: "smooth", to: "100 Hz"),"#;

/// White noise, with averages of 0.16 s to 1.3 s behind a chain of two poles of 20 ms, and behind no filter. The
/// results state an uncertainty of their own, from the scatter within each point: over all points it has the
/// same size, but for what a few degrees of freedom leave open, which 3000 of them make less than a percent.
#[test]
fn white_noise_scatters_as_planned() {
    let bench = r#"Bench(title: "white", noise: { "white": White(density: "20 mV/sqrt(Hz)") },
        converter: Converter(rate: "1 kHz"))"#;
    // A density of 20 mV/√Hz up to 500 Hz.
    let sigma = 0.02 * 500.0f64.sqrt();
    let mut random = Random(1);
    for (samples, filters, last) in [
        (400, FILTERED, "slow"),
        (1500, FILTERED, "slow"),
        (300, "", "product"),
    ] {
        let point = || (0..samples).map(|_| sigma * random.normal()).collect();
        let recipe = recipe(130.0, filters, last, "Point");
        let trial = trial(bench, 1000.0, &recipe, samples, point);
        trial.agrees(&format!("white, {samples} samples"));
        let ratio = trial.stated / trial.predicted;
        println!("stated within points: {ratio:.4} of predicted");
        assert!((ratio - 1.0).abs() < AGREE, "stated: {ratio}");
    }
}

/// Noise alone is detected in 5 % of the points, and the smallest amplitude in 95 %. Of 3000 points those are
/// 5 % ± 0.4 %; four of it are allowed.
#[test]
fn detection_fails_as_often_as_it_may() {
    let bench = r#"Bench(title: "white", noise: { "white": White(density: "20 mV/sqrt(Hz)") },
        converter: Converter(rate: "1 kHz"))"#;
    let sigma = 0.02 * 500.0f64.sqrt();
    let recipe = recipe(125.0, FILTERED, "slow", "Point");
    let mut random = Random(2);
    let nothing = trial(bench, 1000.0, &recipe, 600, || {
        (0..600).map(|_| sigma * random.normal()).collect()
    });
    let off = nothing.detected() - 0.05;
    assert!(off.abs() < 0.016, "{off}");
    let signal = nothing.smallest;
    let there = trial(bench, 1000.0, &recipe, 600, || {
        let sine = |k: usize| libm::sin(std::f64::consts::TAU * 0.125 * k as f64 + 0.7);
        (0..600)
            .map(|k| signal * sine(k) + sigma * random.normal())
            .collect()
    });
    let off = there.detected() - 0.95;
    assert!(off.abs() < 0.016, "{off}");
    there.agrees("with a signal");
}

/// 1/f noise by fractional integration (Hosking, Biometrika 68, 165, 1981): white noise of standard deviation σ
/// through h₀ = 1, h_k = h_{k-1}(k - ½)/k has the one-sided density 2σ²/rate/|2 sin(πf/rate)|, which at 20 Hz
/// of 400 Hz is σ²/(πf) but for (π/20)²/6 = 0.4 % of the power. 600 taps before the point make all that is faster
/// than 0.7 Hz.
#[test]
fn flicker_noise_scatters_as_planned() {
    let (rate, line, samples, before) = (400.0, 20.0, 600, 600);
    let density = 1.0 / (std::f64::consts::PI * line).sqrt();
    let bench = format!(
        r#"Bench(title: "1/f", noise: {{ "slow": Flicker(density: "{density} V/sqrt(Hz)", corner: "{line} Hz") }},
        converter: Converter(rate: "{rate} Hz"))"#
    );
    let mut taps = vec![1.0];
    for k in 1..samples + before {
        taps.push(taps[k - 1] * (k as f64 - 0.5) / k as f64);
    }
    let mut random = Random(3);
    let mut point = || -> Vec<f64> {
        let white: Vec<f64> = (0..samples + before).map(|_| random.normal()).collect();
        let at = |i: usize| {
            taps[..=i]
                .iter()
                .zip(white[..=i].iter().rev())
                .map(|(h, w)| h * w)
                .sum()
        };
        (before..samples + before).map(at).collect()
    };
    for filters in [
        "",
        r#""smooth": Filter(of: "product", kind: RcCascade(poles: 3, time_constant: "30 ms")),"#,
    ] {
        let last = if filters.is_empty() {
            "product"
        } else {
            "smooth"
        };
        let recipe = recipe(line, filters, last, "Point");
        trial(&bench, rate, &recipe, samples, &mut point).agrees(&format!("1/f, behind `{last}`"));
    }
}

/// Rounding to steps q of noise of 0.55 q adds q²/12, a fifth of all: without it the prediction would be 11 % off.
#[test]
fn quantised_noise_scatters_as_planned() {
    let step = 2.0 / 256.0;
    let sigma = 0.55 * step;
    let density = sigma / 500.0f64.sqrt();
    let bench = format!(
        r#"Bench(title: "coarse", offset: "0.3 V", noise: {{ "white": White(density: "{density} V/sqrt(Hz)") }},
        converter: Converter(rate: "1 kHz", full_scale: "1 V", bits: 8))"#
    );
    let mut random = Random(4);
    let recipe = recipe(130.0, FILTERED, "slow", "Point");
    let point = || {
        let codes = (0..800).map(|_| ((0.3 + sigma * random.normal()) / step).round());
        codes.map(|code| code * step).collect()
    };
    let trial = trial(&bench, 1000.0, &recipe, 800, point);
    trial.agrees("quantised");
    let without = trial.predicted * (sigma * sigma / (sigma * sigma + step * step / 12.0)).sqrt();
    assert!(
        (trial.observed / without - 1.0).abs() > AGREE,
        "the step would not be seen"
    );
}

/// A product with signs; a decimation before the mixing that folds; a mean over whole periods. All behind
/// white noise at 60 Hz of 1 kHz, where the low-pass before the mixing has no effect on the signal: 1/sqrt(1 +
/// (60/400)^8), a ten-millionth less than one.
#[test]
fn other_chains_scatter_as_planned() {
    let bench = r#"Bench(title: "white", noise: { "white": White(density: "20 mV/sqrt(Hz)") },
        converter: Converter(rate: "1 kHz"))"#;
    let sigma = 0.02 * 500.0f64.sqrt();
    let mut random = Random(5);
    for (what, stages) in [
        (
            "signs",
            r#""product": Mix(of: "x", with: "clock", by: Switching()),
               "answer": Average(of: "product"),"#,
        ),
        (
            "folding",
            r#""low": Filter(of: "x", kind: Butterworth(order: 4, band: Low("400 Hz"))),
               "fewer": Decimate(of: "low", by: 2),
               "clock 2": Reference(of: "fewer", shape: Stated(frequency: "60 Hz")),
               "product": Mix(of: "fewer", with: "clock 2"),
               "answer": Average(of: "product", skip: Time("0.1 s")),"#,
        ),
        (
            "periods",
            r#""product": Mix(of: "x", with: "clock"),
               "smooth": Filter(of: "product", kind: WholePeriods(clock: "clock", periods: 6)),
               "answer": Average(of: "smooth"),"#,
        ),
    ] {
        let clock = match stages.contains("\"clock\"") {
            true => r#""clock": Reference(of: "x", shape: Stated(frequency: "60 Hz")),"#,
            false => "",
        };
        let recipe = format!(
            r#"Recipe(title: "a plan", inputs: {{ "x": Wave(unit: "V") }}, stages: {{ {clock} {stages} }},
                results: ["answer"])"#
        );
        let point = || (0..450).map(|_| sigma * random.normal()).collect();
        trial(bench, 1000.0, &recipe, 450, point).agrees(what);
    }
}
