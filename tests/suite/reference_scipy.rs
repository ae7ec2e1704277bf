//! The program against NumPy and SciPy: seeded random settings, a recording, a recipe, and what was
//! kept compared sample by sample.
//!
//! References: `scipy.signal` butter, cheby1, cheby2, ellip, bessel, sosfilt, iirnotch, lfilter,
//! kaiserord, firwin, welch and detrend; `numpy.linalg.lstsq`; Allan deviations written out.

use serde_json::{Value, json};

use super::support::sine;
use super::support_reference::{Bench, Random, U, deviation, near, python, reals};

/// The functions of a case are named by its `kind`; all share the samples x.
const SCRIPT: &str = r#"
import json, sys
import numpy as np
from scipy import signal

def sections(c):
    wn = c["corners"][0] if len(c["corners"]) == 1 else c["corners"]
    o = dict(btype=c["btype"], output="sos", fs=c["fs"])
    n, f = c["order"], c["family"]
    if f == "Butterworth": sos = signal.butter(n, wn, **o)
    if f == "Chebyshev1": sos = signal.cheby1(n, c["ripple"], wn, **o)
    if f == "Chebyshev2": sos = signal.cheby2(n, c["attenuation"], wn, **o)
    if f == "Elliptic": sos = signal.ellip(n, c["ripple"], c["attenuation"], wn, **o)
    if f == "Bessel": sos = signal.bessel(n, wn, norm="phase", **o)
    return signal.sosfilt(sos, x)[::c.get("every", 1)]

def rc(c):
    a = np.exp(-1 / (c["fs"] * c["tau"]))
    y = x
    for _ in range(c["poles"]):
        y = signal.lfilter([1 - a], [1, -a], y)
    return y[::c.get("every", 1)]

def notches(c):
    y = x
    for k in range(1, c["harmonics"] + 1):
        # Every notch as wide as the first in proportion to its frequency.
        y = signal.lfilter(*signal.iirnotch(k * c["line"], c["q"], fs=c["fs"]), y)
    return y

def kaiser(c):
    count, beta = signal.kaiserord(c["attenuation"], c["transition"] / (c["fs"] / 2))
    taps = signal.firwin(count | 1, c["cutoffs"], window=("kaiser", beta),
                         pass_zero=c["btype"], scale=True, fs=c["fs"])
    return signal.lfilter(taps, 1, x)

def welch(c):
    f, p = signal.welch(x, c["fs"], window=tuple(c["window"]) if c["window"][0] == "general_cosine"
                        else c["window"][0], nperseg=c["length"], noverlap=c["overlap"],
                        detrend=c["detrend"], scaling="density")
    return np.concatenate([f, p])

def line(c):
    return signal.detrend(x)

def tones(c):
    t = np.arange(len(x)) / c["fs"] - c["origin"]
    columns = [np.ones_like(t), t]
    for f in c["lines"]:
        columns += [np.sin(2 * np.pi * f * t), np.cos(2 * np.pi * f * t)]
    m = np.array(columns).T
    p, rss = np.linalg.lstsq(m, x, rcond=None)[:2]
    s2 = rss[0] / (len(x) - len(p))
    u = np.sqrt(s2 * np.diag(np.linalg.inv(m.T @ m)))
    return np.concatenate([p, u, [np.sqrt(s2)]])

def stability(c):
    out = []
    for m in c["averages"]:
        phase = np.concatenate([[0.0], np.cumsum(x - x.mean())])
        d = phase[2 * m:] - 2 * phase[m:-m] + phase[:-2 * m]
        if c["variant"] == "Plain":
            d = d[::m]
        if c["variant"] == "Modified":
            s = np.concatenate([[0.0], np.cumsum(d)])
            d = (s[m:] - s[:-m]) / m
        out.append(np.sqrt(np.mean(d * d) / 2) / m)
    return np.array(out)

work = json.load(sys.stdin)
x = np.array(work["input"])
makers = dict(sections=sections, rc=rc, notches=notches, kaiser=kaiser, welch=welch, line=line,
              tones=tones, stability=stability)
json.dump([makers[c["kind"]](c).tolist() for c in work["cases"]], sys.stdout)
"#;

const RATE: f64 = 8000.0;
const SAMPLES: usize = 20_000;

/// What Python makes of every case.
fn opinions(input: &[f64], cases: &[Value]) -> Option<Vec<Vec<f64>>> {
    let answers = python(SCRIPT, &json!({ "input": input, "cases": cases }))?;
    Some(answers.as_array().unwrap().iter().map(reals).collect())
}

fn noise(random: &mut Random, count: usize) -> Vec<f64> {
    (0..count).map(|_| 0.25 + random.normal()).collect()
}

/// A setting of sections, as text of a recipe and as JSON.
fn sections(random: &mut Random, k: usize) -> (String, Value) {
    let family = [
        "Butterworth",
        "Chebyshev1",
        "Chebyshev2",
        "Elliptic",
        "Bessel",
    ][k % 5];
    let (ripple, attenuation) = (random.between(0.1, 3.0), random.between(20.0, 80.0));
    let settings = match family {
        "Chebyshev1" => format!(r#"ripple: "{ripple} dB","#),
        "Chebyshev2" => format!(r#"attenuation: "{attenuation} dB","#),
        "Elliptic" => format!(r#"ripple: "{ripple} dB", attenuation: "{attenuation} dB","#),
        _ => String::new(),
    };
    let low = RATE * random.scale(0.02, 0.2);
    let high = (low * random.scale(1.5, 4.0)).min(0.45 * RATE);
    let (band, btype, corners) = match (k / 5) % 4 {
        0 => (format!(r#"Low("{low} Hz")"#), "lowpass", vec![low]),
        1 => (format!(r#"High("{low} Hz")"#), "highpass", vec![low]),
        2 => (
            format!(r#"Pass(from: "{low} Hz", to: "{high} Hz")"#),
            "bandpass",
            vec![low, high],
        ),
        _ => (
            format!(r#"Stop(from: "{low} Hz", to: "{high} Hz")"#),
            "bandstop",
            vec![low, high],
        ),
    };
    let order = 1 + random.below(5);
    (
        format!("{family}(order: {order}, {settings} band: {band})"),
        json!({ "kind": "sections", "family": family, "order": order, "ripple": ripple,
            "attenuation": attenuation, "btype": btype, "corners": corners, "fs": RATE }),
    )
}

/// A mean band of Kaiser's filters: what is stated are pass-band edges, what SciPy takes lies in the
/// middle of the transition.
fn kaiser(random: &mut Random, k: usize) -> (String, Value) {
    let transition = RATE * random.scale(5e-3, 0.04);
    let attenuation = random.between(20.0, 100.0);
    let low = RATE * random.between(0.06, 0.2);
    let high = RATE * random.between(0.3, 0.42);
    let half = 0.5 * transition;
    let (band, btype, cutoffs) = match k % 2 {
        0 => (format!(r#"Low("{low} Hz")"#), "lowpass", vec![low + half]),
        _ => (
            format!(r#"Pass(from: "{low} Hz", to: "{high} Hz")"#),
            "bandpass",
            vec![low - half, high + half],
        ),
    };
    (
        format!(
            r#"Kaiser(band: {band}, transition: "{transition} Hz", attenuation: "{attenuation} dB")"#
        ),
        json!({ "kind": "kaiser", "transition": transition, "attenuation": attenuation,
            "cutoffs": cutoffs, "btype": btype, "fs": RATE }),
    )
}

#[test]
fn kept_filtered_samples_agree_with_scipy() {
    let mut random = Random(20_250_301);
    let input = noise(&mut random, SAMPLES);
    let mut settings: Vec<(String, Value)> = (0..20).map(|k| sections(&mut random, k)).collect();
    for k in 0..4 {
        settings.push(kaiser(&mut random, k));
        let (poles, tau) = (1 + random.below(8), random.scale(2.0, 400.0) / RATE);
        settings.push((
            format!(r#"RcCascade(poles: {poles}, time_constant: "{tau} s")"#),
            json!({ "kind": "rc", "poles": poles, "tau": tau, "fs": RATE }),
        ));
        let (line, q) = (random.between(40.0, 400.0), random.between(5.0, 60.0));
        let harmonics = 1 + random.below(4);
        settings.push((
            format!(r#"Notch(line: "{line} Hz", harmonics: {harmonics}, q: {q})"#),
            json!({ "kind": "notches", "line": line, "q": q, "harmonics": harmonics, "fs": RATE }),
        ));
    }
    // Every third one is decimated, too.
    let mut stages = String::new();
    for (k, (kind, case)) in settings.iter_mut().enumerate() {
        stages += &format!(r#""f{k}": Filter(of: "x", kind: {kind}),"#);
        let every = if k % 3 == 0 && k < 20 { 7 } else { 1 };
        case["every"] = json!(every);
        stages += &format!(r#""y{k}": Decimate(of: "f{k}", by: {every}),"#);
    }
    let cases: Vec<Value> = settings.iter().map(|(_, case)| case.clone()).collect();
    let Some(expected) = opinions(&input, &cases) else {
        return;
    };
    let bench = Bench::new(RATE, &[("x", &input)]);
    let names: Vec<String> = (0..settings.len()).map(|k| format!("y{k}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let found = bench.run(&stages, &names);
    let mut worst = 0.0f64;
    for ((name, (kind, _)), expected) in names.iter().zip(&settings).zip(&expected) {
        let off = deviation(&found.wave(name), expected);
        // Coefficients differ by roundings, U, which poles at a distance of some 1/100 from the unit
        // circle, in pairs and up to ten in a row, turn into no more than 1e5 or 1e6 of them.
        assert!(off < 1e-10, "{kind}: off by {off:e}");
        worst = worst.max(off);
    }
    println!(
        "{} filters through the program: off by {worst:e} at most",
        names.len()
    );
}

#[test]
fn densities_agree_with_scipy() {
    let mut random = Random(20_250_302);
    let mut input = noise(&mut random, SAMPLES);
    for (k, x) in input.iter_mut().enumerate() {
        *x += 1e-4 * k as f64;
    }
    let mut stages = String::new();
    let mut cases = Vec::new();
    for k in 0..12 {
        // Even and odd lengths; the odd ones have no bin at half the rate.
        let length = 200 + random.below(3000) as usize;
        // An overlap is a share; where it makes no whole number of samples the step is rounded.
        let share = [0.0, 0.5, 0.6, 0.75][k % 4];
        let step = (length as f64 * (1.0 - share)).round() as usize;
        let (name, window) = [
            ("Hann", json!(["hann"])),
            ("Rectangular", json!(["boxcar"])),
            ("Hamming", json!(["hamming"])),
            ("BlackmanHarris", json!(["blackmanharris"])),
            // Coefficients with alternating signs understood (Heinzel 2002, HFT95).
            (
                "Hft95",
                json!([
                    "general_cosine",
                    [1.0, 1.9383379, 1.3045202, 0.402827, 0.0350665]
                ]),
            ),
        ][k % 5]
            .clone();
        let (detrend, theirs) = [
            ("Mean", json!("constant")),
            ("Line", json!("linear")),
            ("Nothing", json!(false)),
        ][k % 3]
            .clone();
        stages += &format!(
            r#""s{k}": Spectrum(of: "x", segment: "{} s", overlap: "{share}", window: {name},
                detrend: {detrend}, quantity: Power),"#,
            length as f64 / RATE
        );
        cases.push(json!({ "kind": "welch", "fs": RATE, "length": length,
            "overlap": length - step, "window": window, "detrend": theirs }));
    }
    let Some(expected) = opinions(&input, &cases) else {
        return;
    };
    let bench = Bench::new(RATE, &[("x", &input)]);
    let names: Vec<String> = (0..cases.len()).map(|k| format!("s{k}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let found = bench.run(&stages, &names);
    let mut worst = 0.0f64;
    for ((name, expected), case) in names.iter().zip(&expected).zip(&cases) {
        let (f, p) = expected.split_at(expected.len() / 2);
        assert!(
            deviation(&found.column(name, "frequency"), f) < 4.0 * U,
            "{case}"
        );
        // A transform of N samples loses some log2(N) roundings of the largest line. At frequency 0 that
        // line is the pedestal, which a detrending leaves as rounding of up to 3 in size.
        let off = deviation(&found.column(name, "value"), p);
        assert!(off < 1e-12, "{case}: off by {off:e}");
        worst = worst.max(off);
    }
    println!("densities: off by {worst:e} at most");
}

#[test]
fn lines_and_tones_agree_with_least_squares() {
    let mut random = Random(20_250_303);
    let (f1, f2, origin) = (211.7, 215.3, 0.8);
    let tones = [
        sine(SAMPLES, RATE, f1, 0.7, 1.0),
        sine(SAMPLES, RATE, f2, 0.2, -2.0),
    ];
    let mut input = noise(&mut random, SAMPLES);
    for (k, x) in input.iter_mut().enumerate() {
        *x += 3.0 + 2e-4 * k as f64 + tones[0][k] + tones[1][k];
    }
    let cases = [
        json!({ "kind": "line" }),
        json!({ "kind": "tones", "fs": RATE, "lines": [f1, f2], "origin": origin }),
    ];
    let Some(expected) = opinions(&input, &cases) else {
        return;
    };
    let bench = Bench::new(RATE, &[("x", &input)]);
    let stages = format!(
        r#""flat": RemoveOffset(of: "x", method: Line),
        "fit": ToneFit(of: "x", lines: {{ "a": "{f1} Hz", "b": "{f2} Hz" }}, trend: Line, origin: "{origin} s")"#
    );
    let found = bench.run(&stages, &["flat", "fit"]);
    // What the line takes away is some units in size, so a rounding of it is all that may differ.
    let off = deviation(&found.wave("flat"), &expected[0]);
    assert!(off < 1e-13, "line: off by {off:e}");
    println!("straight line: off by {off:e}");

    // Level, slope, and sine and cosine of both lines; then their uncertainties; then the residuals. The
    // columns are correlated by less than a half once the origin is in the record, so sums over N
    // samples of size 10 lose about sqrt(N) roundings of 10.
    let e = &expected[1];
    let (a, b) = (found.complex("fit.a"), found.complex("fit.b"));
    let u = |flow: &str, column: &str| found.one(flow, column);
    let ours = [
        found.value("fit.constant"),
        found.value("fit.slope"),
        a.re,
        a.im,
        b.re,
        b.im,
        u("fit.constant", "value_errors"),
        u("fit.slope", "value_errors"),
        u("fit.a", "in_phase_errors"),
        u("fit.a", "quadrature_errors"),
        u("fit.b", "in_phase_errors"),
        u("fit.b", "quadrature_errors"),
        found.value("fit.residual"),
    ];
    let mut worst = 0.0f64;
    for (k, (ours, theirs)) in ours.iter().zip(e).enumerate() {
        worst = worst.max(near(&format!("number {k}"), *ours, *theirs, 1e-12));
    }
    println!("tones: off by {worst:e}");
}

#[test]
fn deviations_agree_with_their_formulas() {
    let mut random = Random(20_250_304);
    // White noise with a walk below it.
    let mut walk = 0.0;
    let step = |v: f64| {
        walk += 0.01 * v;
        walk + v
    };
    let input: Vec<f64> = noise(&mut random, 3001).into_iter().map(step).collect();
    let averages = [1, 2, 3, 10, 64, 500];
    let kinds = ["Plain", "Overlapping", "Modified"];
    let case = |kind| json!({ "kind": "stability", "variant": kind, "averages": averages });
    let Some(expected) = opinions(&input, &kinds.map(case)) else {
        return;
    };
    let bench = Bench::new(RATE, &[("x", &input)]);
    let times: Vec<String> = averages
        .iter()
        .map(|m| format!("\"{} s\"", f64::from(*m) / RATE))
        .collect();
    let times = times.join(", ");
    let stage = |kind| {
        format!(r#""{kind}": Stability(of: "x", kind: {kind}, averages: Listed([{times}])),"#)
    };
    let found = bench.run(&kinds.map(stage).concat(), &kinds);
    for (kind, expected) in kinds.iter().zip(&expected) {
        let off = deviation(&found.column(kind, "value"), expected);
        // The formulas' running sums reach some hundred and lose a rounding of it in each of three
        // places; the differences are larger than one.
        assert!(off < 1e-12, "{kind}: off by {off:e}");
        println!("{kind} deviation: off by {off:e}");
    }
}
