//! The mathematics of filters against SciPy, run at test time on seeded random settings.
//!
//! References: `scipy.signal` butter, cheby1, cheby2, ellip, bessel, freqz_zpk, sosfilt, iirnotch,
//! lfilter, kaiserord and firwin.

use num_complex::Complex64;
use phasemill_stages::math::design::{Band, BesselNorm, Family, design, zeros_poles_gain};
use phasemill_stages::math::fir::{Fir, KaiserSpec, kaiser_fir};
use phasemill_stages::math::rc_notch::{notch, rc_cascade};
use phasemill_stages::math::section::{Section, frequency_response};
use phasemill_stages::math::sos::Cascade;
use serde_json::{Value, json};

use super::support_reference::{Random, U, deviation, python, reals};

const SCRIPT: &str = r#"
import json, sys
import numpy as np
from scipy import signal

def pairs(values):
    return [[float(v.real), float(v.imag)] for v in np.atleast_1d(values)]

def iir(c):
    n, wn, btype, fs = c["order"], c["corners"], c["btype"], c["fs"]
    wn = wn[0] if len(wn) == 1 else wn
    def make(output):
        o = dict(btype=btype, output=output, fs=fs)
        f = c["family"]
        if f == "butter": return signal.butter(n, wn, **o)
        if f == "cheby1": return signal.cheby1(n, c["ripple"], wn, **o)
        if f == "cheby2": return signal.cheby2(n, c["attenuation"], wn, **o)
        if f == "ellip": return signal.ellip(n, c["ripple"], c["attenuation"], wn, **o)
        return signal.bessel(n, wn, norm=c["norm"], **o)
    z, p, k = make("zpk")
    _, h = signal.freqz_zpk(z, p, k, worN=np.array(c["frequencies"]), fs=fs)
    return dict(zeros=pairs(z), poles=pairs(p), gain=float(k), response=pairs(h),
                same=signal.sosfilt(np.array(c["sos"]), x).tolist(),
                own=signal.sosfilt(make("sos"), x).tolist())

def notch(c):
    b, a = signal.iirnotch(c["f0"], c["q"], fs=c["fs"])
    return dict(b=b.tolist(), a=a.tolist())

def rc(c):
    a = np.exp(-1 / (c["fs"] * c["tau"]))
    y = x
    for _ in range(c["poles"]):
        y = signal.lfilter([1 - a], [1, -a], y)
    return dict(output=y.tolist())

def fir(c):
    fs = c["fs"]
    count, beta = signal.kaiserord(c["attenuation"], c["transition"] / (fs / 2))
    taps = signal.firwin(count | 1, c["cutoffs"], window=("kaiser", beta),
                         pass_zero=c["btype"], scale=True, fs=fs)
    return dict(taps=taps.tolist(), output=signal.lfilter(taps, 1, x).tolist())

work = json.load(sys.stdin)
x = np.array(work["input"])
makers = dict(iir=iir, notch=notch, rc=rc, fir=fir)
json.dump([makers[c["kind"]](c) for c in work["cases"]], sys.stdout)
"#;

fn ask(work: &Value) -> Option<Vec<Value>> {
    Some(python(SCRIPT, work)?.as_array().unwrap().clone())
}

fn complexes(value: &Value) -> Vec<Complex64> {
    let list = value.as_array().unwrap();
    let pair = |v: &Value| Complex64::new(v[0].as_f64().unwrap(), v[1].as_f64().unwrap());
    list.iter().map(pair).collect()
}

fn noise(random: &mut Random) -> Vec<f64> {
    (0..1500)
        .map(|_| random.between(-1.0, 1.0) + 0.25)
        .collect()
}

struct Case {
    family: Family,
    order: u32,
    band: Band,
    fs: f64,
    frequencies: Vec<f64>,
    sections: Vec<Section>,
    json: Value,
}

fn case(random: &mut Random, index: u32) -> Case {
    let fs = random.scale(10.0, 1e6);
    let ripple = random.scale(1e-2, 5.0);
    let attenuation = random.between(10.0, 120.0);
    let norm = if random.unit() < 0.5 {
        BesselNorm::Phase
    } else {
        BesselNorm::Magnitude
    };
    let (family, name) = match index % 5 {
        0 => (Family::Butterworth, "butter"),
        1 => (Family::Chebyshev1 { ripple_db: ripple }, "cheby1"),
        2 => (
            Family::Chebyshev2 {
                attenuation_db: attenuation,
            },
            "cheby2",
        ),
        3 => (
            Family::Elliptic {
                ripple_db: ripple,
                attenuation_db: attenuation,
            },
            "ellip",
        ),
        _ => (Family::Bessel { norm }, "bessel"),
    };
    // Every seventh setting may be extreme: a corner as low as 1 Hz at 100 kHz.
    let lowest = if index.is_multiple_of(7) { 1e-5 } else { 2e-3 };
    let low = fs * random.scale(lowest, 0.4);
    let (order, band, btype, corners) = match (index / 5) % 4 {
        0 => (1 + random.below(12), Band::Low(low), "lowpass", vec![low]),
        1 => (1 + random.below(12), Band::High(low), "highpass", vec![low]),
        kind => {
            let high = (low * random.scale(1.2, 20.0)).min(0.45 * fs);
            let order = 1 + random.below(6);
            let corners = vec![low, high];
            if kind == 2 {
                (order, Band::Pass(low, high), "bandpass", corners)
            } else {
                (order, Band::Stop(low, high), "bandstop", corners)
            }
        }
    };
    let mut frequencies: Vec<f64> = (0..40).map(|_| random.between(0.0, 0.5 * fs)).collect();
    frequencies.extend((0..80).map(|_| (low * random.scale(0.1, 30.0)).min(0.499 * fs)));
    // The most sensitive place, between 0 Hz (where zeros may lie) and the lower corner.
    frequencies.extend((0..=20).map(|i| low * (f64::from(i) / 20.0).max(1e-3)));
    let sections = design(family, order, band, fs).unwrap();
    let row = |s: &Section| {
        let ([b0, b1, b2], [a1, a2]) = (s.b(), s.a());
        [b0, b1, b2, 1.0, a1, a2]
    };
    let norm = if norm == BesselNorm::Phase {
        "phase"
    } else {
        "mag"
    };
    let json = json!({
        "kind": "iir", "family": name, "order": order, "ripple": ripple,
        "attenuation": attenuation, "norm": norm, "btype": btype, "corners": corners, "fs": fs,
        "frequencies": frequencies, "sos": sections.iter().map(row).collect::<Vec<_>>(),
    });
    Case {
        family,
        order,
        band,
        fs,
        frequencies,
        sections,
        json,
    }
}

/// What the cascade's response may differ by because its coefficients are doubles: a change of
/// each by a few roundings changes numerator and denominator by that over their own values.
fn coefficient_bound(sections: &[Section], z: Complex64) -> f64 {
    let weight = |c: [f64; 3]| {
        let value = z * z * c[0] + z * c[1] + c[2];
        (c[0].abs() + c[1].abs() + c[2].abs()) / value.norm()
    };
    sections
        .iter()
        .map(|s| weight(s.b()) + weight([1.0, s.a()[0], s.a()[1]]))
        .sum()
}

/// The same for zeros and poles, which the reference keeps as doubles.
fn root_bound(roots: &[Complex64], z: Complex64) -> f64 {
    roots.iter().map(|root| 1.0 / (z - root).norm()).sum()
}

/// Where the gain is stated, and every numerator scaled to it.
fn reference(band: Band, fs: f64) -> Complex64 {
    match band {
        Band::Low(_) | Band::Stop(..) => Complex64::new(1.0, 0.0),
        Band::High(_) => Complex64::new(-1.0, 0.0),
        Band::Pass(low, high) => {
            let warped = |f: f64| (std::f64::consts::PI * f / fs).tan();
            Complex64::cis(2.0 * (warped(low) * warped(high)).sqrt().atan())
        }
    }
}

#[test]
fn recursive_designs_agree_with_scipy() {
    let mut random = Random(20_250_101);
    let input = noise(&mut random);
    let cases: Vec<Case> = (0..240).map(|i| case(&mut random, i)).collect();
    let list: Vec<&Value> = cases.iter().map(|c| &c.json).collect();
    let Some(answers) = ask(&json!({ "input": input, "cases": list })) else {
        return;
    };
    assert_eq!(answers.len(), cases.len());
    let mut worst = Worst::default();
    for (case, answer) in cases.iter().zip(&answers) {
        let (zeros, poles) = (complexes(&answer["zeros"]), complexes(&answer["poles"]));
        let family = case.json["family"].as_str().unwrap();
        let at = format!("{family} {} {:?} at {} Hz", case.order, case.band, case.fs);

        // Roots are good to a few roundings, except where the reference itself cancels: two real
        // poles far apart (1 ± √(1 − x)), and elliptic prototypes with their long computation.
        let ours = zeros_poles_gain(case.family, case.order, case.band, case.fs).unwrap();
        let shift = distance(&ours.zeros, &zeros).max(distance(&ours.poles, &poles));
        assert!(shift < 1e-11, "{at}: roots differ by {shift:e}");
        let gain = (ours.gain / answer["gain"].as_f64().unwrap() - 1.0).abs();
        assert!(gain < 1e-10, "{at}: gains differ by {gain:e}");

        // What the responses may differ by: the measured shift of the roots, and some 16 roundings
        // in each coefficient and root, times the condition of the response there.
        let at_reference = coefficient_bound(&case.sections, reference(case.band, case.fs));
        let mut hardest = 0.0f64;
        for (&f, expected) in case.frequencies.iter().zip(&complexes(&answer["response"])) {
            let z = Complex64::cis(2.0 * std::f64::consts::PI * f / case.fs);
            let condition = coefficient_bound(&case.sections, z)
                + at_reference
                + root_bound(&zeros, z)
                + root_bound(&poles, z);
            let bound = condition * expected.norm() * (16.0 * U + shift);
            hardest = hardest.max(bound);
            let error = (frequency_response(&case.sections, f, case.fs) - expected).norm();
            assert!(error <= bound, "{at}, {f} Hz: {error:e} above {bound:e}");
            worst.response = worst.response.max(error);
            worst.response_of_bound = worst.response_of_bound.max(error / bound);
        }

        // Signals: what a change of the response by the bound can do, at any frequency at once.
        // The same coefficients must agree to the rounding of the samples, which passes through
        // the poles and therefore has the same condition.
        let mut output = input.clone();
        Cascade::new(&case.sections).process(&mut output);
        let kernel = deviation(&output, &reals(&answer["same"]));
        assert!(
            kernel <= 4.0 * hardest,
            "{at}: kernel {kernel:e} above {hardest:e}"
        );
        let whole = deviation(&output, &reals(&answer["own"]));
        assert!(
            whole <= 4.0 * hardest,
            "{at}: output {whole:e} above {hardest:e}"
        );
        worst.roots = worst.roots.max(shift);
        worst.gain = worst.gain.max(gain);
        worst.kernel = worst.kernel.max(kernel);
        worst.output = worst.output.max(whole);
        worst.output_of_bound = worst.output_of_bound.max(kernel.max(whole) / hardest);
        if hardest < 1e-10 {
            worst.tame += 1;
            // The target for every filter that is not extreme.
            assert!(whole < 1e-10, "{at}: output {whole:e}");
        }
    }
    println!("{worst:?}");
}

#[derive(Debug, Default)]
struct Worst {
    roots: f64,
    gain: f64,
    response: f64,
    response_of_bound: f64,
    kernel: f64,
    output: f64,
    output_of_bound: f64,
    tame: u32,
}

/// Largest distance of a root from its nearest counterpart.
fn distance(found: &[Complex64], expected: &[Complex64]) -> f64 {
    assert_eq!(found.len(), expected.len());
    let nearest = |z: &Complex64| {
        let gaps = expected.iter().map(|e| (e - z).norm());
        gaps.fold(f64::MAX, f64::min)
    };
    found.iter().map(nearest).fold(0.0, f64::max)
}

#[test]
fn notches_agree_with_scipy() {
    let mut random = Random(20_250_102);
    let settings: Vec<[f64; 3]> = (0..60)
        .map(|_| {
            let fs = random.scale(10.0, 1e6);
            [fs * random.scale(1e-4, 0.49), random.scale(1.0, 200.0), fs]
        })
        .collect();
    let cases: Vec<Value> = settings
        .iter()
        .map(|[f0, q, fs]| json!({ "kind": "notch", "f0": f0, "q": q, "fs": fs }))
        .collect();
    let Some(answers) = ask(&json!({ "input": [0.0], "cases": cases })) else {
        return;
    };
    let mut worst = 0.0f64;
    for (&[f0, q, fs], answer) in settings.iter().zip(&answers) {
        let section = notch(f0, q, fs).unwrap();
        let (b, a) = (reals(&answer["b"]), reals(&answer["a"]));
        let ours = [
            section.b()[0],
            section.b()[1],
            section.b()[2],
            section.a()[0],
            section.a()[1],
        ];
        let theirs = [b[0], b[1], b[2], a[1], a[2]];
        for (x, y) in ours.iter().zip(theirs) {
            // The largest coefficient is below 2, and ten roundings lead to it on each side. The
            // angle 2πf0/fs and its cosine are rounded too.
            worst = worst.max((x - y).abs());
            assert!((x - y).abs() < 2.0 * 20.0 * U, "{f0} {q} {fs}: {x} {y}");
        }
    }
    println!("notch coefficients {worst:e}");
}

#[test]
fn rc_cascades_agree_with_scipy() {
    let mut random = Random(20_250_103);
    let input = noise(&mut random);
    let settings: Vec<(u32, f64, f64)> = (0..40)
        .map(|_| {
            let fs = random.scale(10.0, 1e6);
            (1 + random.below(8), random.scale(0.3, 1e4) / fs, fs)
        })
        .collect();
    let cases: Vec<Value> = settings
        .iter()
        .map(|(n, tau, fs)| json!({ "kind": "rc", "poles": n, "tau": tau, "fs": fs }))
        .collect();
    let Some(answers) = ask(&json!({ "input": input, "cases": cases })) else {
        return;
    };
    let mut worst = 0.0f64;
    for (&(poles, tau, fs), answer) in settings.iter().zip(&answers) {
        let mut output = input.clone();
        Cascade::new(&rc_cascade(poles, tau, fs).unwrap()).process(&mut output);
        let error = deviation(&output, &reals(&answer["output"]));
        // The pole is rounded by U, its gain 1 − a = about 1/(fs·τ) by as much, and each of three
        // operations for a sample is summed over fs·τ samples: five roundings for each pole. The
        // steepest part of the step response makes up to `poles` times as much of them.
        let n = f64::from(poles);
        let bound = 5.0 * n * n * U * (1.0 + fs * tau);
        worst = worst.max(error);
        assert!(
            error < bound,
            "{poles} {tau} {fs}: {error:e} above {bound:e}"
        );
    }
    println!("rc output {worst:e}");
}

#[test]
fn kaiser_designs_agree_with_scipy() {
    let mut random = Random(20_250_104);
    let input = noise(&mut random);
    let settings: Vec<(KaiserSpec, Band, f64)> = (0..60)
        .map(|i| {
            let fs = random.scale(10.0, 1e6);
            let transition = fs * random.scale(2e-3, 0.04);
            let attenuation_db = random.between(10.0, 150.0);
            let low = random.between(1.1 * transition, 0.25 * fs);
            let high = random.between(low + 2.2 * transition, 0.49 * fs - transition);
            let band = match i % 4 {
                0 => Band::Low(low),
                1 => Band::High(low),
                2 => Band::Pass(low, high),
                _ => Band::Stop(low, high),
            };
            (
                KaiserSpec {
                    transition,
                    attenuation_db,
                },
                band,
                fs,
            )
        })
        .collect();
    let cases: Vec<Value> = settings
        .iter()
        .map(|(spec, band, fs)| {
            let out = 0.5 * spec.transition;
            let (btype, cutoffs) = match *band {
                Band::Low(f) => ("lowpass", vec![f + out]),
                Band::High(f) => ("highpass", vec![f - out]),
                Band::Pass(low, high) => ("bandpass", vec![low - out, high + out]),
                Band::Stop(low, high) => ("bandstop", vec![low + out, high - out]),
            };
            json!({
                "kind": "fir", "btype": btype, "cutoffs": cutoffs, "fs": fs,
                "transition": spec.transition, "attenuation": spec.attenuation_db,
            })
        })
        .collect();
    let Some(answers) = ask(&json!({ "input": input, "cases": cases })) else {
        return;
    };
    let mut worst = [0.0f64; 2];
    for (&(spec, band, fs), answer) in settings.iter().zip(&answers) {
        let taps = kaiser_fir(spec, band, fs).unwrap();
        let mut output = input.clone();
        Fir::new(&taps).process(&mut output);
        let at = format!("{spec:?} {band:?} {fs}");
        let tap_error = deviation(&taps, &reals(&answer["taps"]));
        let error = deviation(&output, &reals(&answer["output"]));
        // The reference rounds π·m before it takes sines that ought to vanish, so each tap is
        // wrong by about U times one. These add up in the sum that scales the taps: N times U. Some
        // sixty other roundings on each side.
        let bound = (64.0 + taps.len() as f64) * U;
        assert!(
            tap_error < bound,
            "{at}: taps {tap_error:e} above {bound:e}"
        );
        // Sums of N products: each term may lose N U, and the largest output is at least the
        // average one, about the largest tap; N is at most 3000 here.
        let bound = 64.0 * U * taps.len() as f64;
        assert!(error < bound, "{at}: output {error:e} above {bound:e}");
        worst = [worst[0].max(tap_error), worst[1].max(error)];
    }
    println!("kaiser taps and output {worst:?}");
}
