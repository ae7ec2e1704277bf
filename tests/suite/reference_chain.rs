//! The whole job on a small chopped recording, against a twin in NumPy that was written from the
//! stages' descriptions: edges, phases, product, RC cascade, decimation, and mean of what has settled.

use serde_json::json;

use super::support_reference::{Bench, Random, near, python, reals};

const TWIN: &str = r#"
import json, sys
import numpy as np
from scipy import signal

w = json.load(sys.stdin)
detector, chopper, fs = np.array(w["detector"]), np.array(w["chopper"]), w["fs"]

# Threshold midway between the medians of the low and the high samples.
middle = (chopper.min() + chopper.max()) / 2
low = np.sort(chopper[chopper < middle])
high = np.sort(chopper[chopper >= middle])
threshold = (low[len(low) // 2] + high[len(high) // 2]) / 2

# Rising edges, placed between two samples by a straight line.
k = np.flatnonzero((chopper[:-1] <= threshold) & (chopper[1:] > threshold))
edges = k + (threshold - chopper[k]) / (chopper[k + 1] - chopper[k])

# Phase in cycles: a whole number at each edge, straight lines between, and for the ends the slope of the
# outermost eight periods.
i = np.arange(len(detector), dtype=float)
phase = np.interp(i, edges, np.arange(len(edges)))
first, last = i < edges[0], i > edges[-1]
phase[first] = (i[first] - edges[0]) * 8 / (edges[8] - edges[0])
phase[last] = len(edges) - 1 + (i[last] - edges[-1]) * 8 / (edges[-1] - edges[-9])

ac = detector - detector.mean()
z = 2 * ac * (np.sin(2 * np.pi * phase) + 1j * np.cos(2 * np.pi * phase))
a = np.exp(-1 / (fs * w["tau"]))
y = z
for _ in range(w["poles"]):
    y = signal.lfilter([1 - a], [1, -a], y)
slow = y[::w["every"]]

# Blocks of what has settled.
count = (len(slow) - w["skip"]) // w["block"]
blocks = slow[w["skip"]:w["skip"] + count * w["block"]].reshape(count, w["block"]).mean(axis=1)
mean = blocks.mean()
u = [blocks.real.std(ddof=1) / np.sqrt(count), blocks.imag.std(ddof=1) / np.sqrt(count)]
step = mean * np.pi / 2 * (np.pi * w["flank"]) / np.sin(np.pi * w["flank"]) / w["gain"]
frequency = (len(edges) - 1) / (edges[-1] - edges[0]) * fs
json.dump(dict(real=slow.real.tolist(), imag=slow.imag.tolist(),
               numbers=[mean.real, mean.imag, *u, step.real, step.imag, abs(step),
                        np.degrees(np.angle(step)), frequency]), sys.stdout)
"#;

const RATE: f64 = 5000.0;
const SAMPLES: usize = 20_000;
const TAU: f64 = 0.05;
const GAIN: f64 = 1e6;

/// A trapezoid between 0 and 1 whose middle of the rising flank is at phase 0.
fn trapezoid(phase: f64, flank: f64) -> f64 {
    let from_top = ((phase - 0.25).rem_euclid(1.0) - 0.5).abs();
    ((from_top - 0.25) / flank + 0.5).clamp(0.0, 1.0)
}

/// A chopper whose speed wanders, a detector that follows late, with offset and noise.
fn recording() -> (Vec<f64>, Vec<f64>) {
    let mut random = Random(20_250_401);
    let (mut detector, mut chopper) = (Vec::new(), Vec::new());
    let mut phase = 0.37;
    for i in 0..SAMPLES {
        let seconds = i as f64 / RATE;
        phase += (137.3 + 0.4 * libm::sin(2.0 * seconds)) / RATE;
        chopper.push(0.1 + 4.8 * trapezoid(phase, 0.06) + 0.003 * random.normal());
        let light = trapezoid(phase - 0.07, 0.02);
        detector.push(0.4 + 2e-3 * light + 5e-3 * random.normal());
    }
    (detector, chopper)
}

#[test]
fn the_whole_job_agrees_with_an_independent_twin() {
    let (detector, chopper) = recording();
    let bench = Bench::new(RATE, &[("detector", &detector), ("chopper", &chopper)]);
    let stages = format!(
        r#""ac": RemoveOffset(of: "detector"),
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "ac", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "{TAU} s")),
        "slow": Decimate(of: "smooth", by: 25),
        "voltage": Average(of: "slow", skip: Time("0.7 s"), over: Blocks("0.4 s")),
        "current": Amplify(of: "voltage", divide_by: "{GAIN} V/A",
            express_as: FullStep(chopping: Trapezoid(flank: "2 %"))),
        "polar": Polar(of: "current")"#
    );
    let results = ["slow", "voltage", "current", "polar", "clock.frequency"];
    let found = bench.run(&stages, &results);

    // 0.7 s and 0.4 s of 200 samples a second.
    let work = json!({ "detector": detector, "chopper": chopper, "fs": RATE, "tau": TAU, "poles": 4,
        "every": 25, "skip": 140, "block": 80, "flank": 0.02, "gain": GAIN });
    let Some(twin) = python(TWIN, &work) else {
        return;
    };
    // A phase of n cycles is known to n U by the twin, 550 here, which turns a product of 0.02 by
    // 2π·550·U·0.02 = 8e-15; means of samples of 0.4 lose as much. Answers are 1e-3, so 1e-10 of them.
    let scale = 2e-3;
    let mut worst = 0.0f64;
    let slow = found.phasor("slow");
    for (z, (x, y)) in slow
        .iter()
        .zip(reals(&twin["real"]).iter().zip(reals(&twin["imag"])))
    {
        worst = worst.max(near("in phase", z.re, *x, 1e-10 * scale) / scale);
        worst = worst.max(near("quadrature", z.im, y, 1e-10 * scale) / scale);
    }
    assert_eq!(slow.len(), SAMPLES / 25);
    println!("kept samples: off by {worst:e} of the signal at most");

    let expected = reals(&twin["numbers"]);
    let (z, current) = (found.complex("voltage"), found.complex("current"));
    let ours = [
        z.re,
        z.im,
        found.one("voltage", "in_phase_errors"),
        found.one("voltage", "quadrature_errors"),
        current.re,
        current.im,
        libm::hypot(current.re, current.im),
        found.value("polar.phase"),
        found.value("clock.frequency"),
    ];
    let mut worst = 0.0f64;
    for (k, (ours, theirs)) in ours.iter().zip(&expected).enumerate() {
        worst = worst
            .max(near(&format!("number {k}"), *ours, *theirs, 1e-9 * theirs.abs()) / theirs.abs());
    }
    println!("numbers: off by {worst:e} relative at most");

    // And both are right: the light's full step is 2 mV over the gain, 0.07 of a cycle late. White noise
    // of 5 mV over 3.2 s leaves 2·5e-3/sqrt(2·16000)·π/2 = 0.09 mV, of which four.
    near(
        "full step",
        found.value("polar.amplitude"),
        2e-3 / GAIN,
        4.0 * 0.09e-3 / GAIN,
    );
    near(
        "phase",
        found.value("polar.phase"),
        -360.0 * 0.07,
        4.0 * 2.6,
    );
}
