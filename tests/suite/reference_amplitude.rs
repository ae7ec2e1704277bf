//! What `Polar` says of an amplitude in noise, against SciPy's noncentral chi-square and F distributions and its
//! quadrature; and how it is told.

use num_complex::Complex64;
use phasemill_engine::value::{About, Estimate, Part, Reach};
use phasemill_stages::math::plane::Findings;
use serde_json::json;

use crate::support::{Channel, Layout, noise, phasemill, record, sine};
use crate::support_reference::{Random, near, python, reals};

/// With known unit variances the square of R is noncentral chi-square of two degrees of freedom (Rice); with
/// estimated ones it is that over an independent chi-square, which is integrated over.
const SCRIPT: &str = "
import json, sys
import numpy as np
from scipy import stats, optimize
NODES, WEIGHTS = np.polynomial.legendre.leggauss(300)
def beyond(c, r, dof):
    known = lambda w: stats.ncx2.sf(r*r*w, 2, c*c*w) if c > 0 else stats.chi2.sf(r*r*w, 2)
    if dof == 0: return known(1.0)
    low, high = stats.chi2.ppf(1e-17, dof), stats.chi2.isf(1e-17, dof)
    w = low + (high - low) * (NODES + 1) / 2
    return (high - low) / 2 * np.sum(WEIGHTS * stats.chi2.pdf(w, dof) * known(w / dof))
def one(r, dof):
    solve = lambda f, a, b: optimize.brentq(f, a, b, xtol=1e-12, rtol=1e-13)
    def exceeds(p):
        if beyond(0, r, dof) >= p: return 0.0
        return solve(lambda c: beyond(c, r, dof) - p, 0, r)
    bound = lambda p: solve(lambda u: beyond(r, u, dof) - p, r, r + 30)
    p = stats.chi2.sf(r*r, 2) if dof == 0 else stats.f.sf(r*r*(dof-1)/(2*dof), 2, dof-1)
    return [exceeds(0.5), exceeds(0.025) if p <= 0.05 else 0.0, bound(0.025), bound(0.05), p]
print(json.dumps([one(r, dof) for r, dof in json.load(sys.stdin)]))
";

#[test]
fn amplitudes_in_noise_agree_with_scipy() {
    let mut random = Random(20260301);
    let cases: Vec<[f64; 2]> = (0..24)
        .map(|k| {
            // Zero stands for infinitely many degrees of freedom.
            let dof = [0.0, f64::from(5 + random.below(60))][k % 2];
            [random.scale(0.3, 20.0), dof]
        })
        .collect();
    let Some(theirs) = python(SCRIPT, &json!(cases)) else {
        return;
    };
    let mut worst = 0.0f64;
    for ([r, dof], theirs) in cases.into_iter().zip(theirs.as_array().unwrap()) {
        let dof = if dof == 0.0 { f64::INFINITY } else { dof };
        let about = About::scatter("s", Reach::Node, dof);
        let turn = Complex64::from_polar(1.0, random.between(0.0, 6.0));
        let found = Findings::of(&Estimate {
            parts: Some(vec![
                Part::new(&about, 0, turn),
                Part::new(&about, 1, turn * Complex64::i()),
            ]),
            ..Estimate::bare(Complex64::from_polar(r, random.between(0.0, 6.0)))
        })
        .unwrap();
        let [low, high] = found.interval;
        let ours = [found.amplitude, low, high, found.limit, found.p];
        for (o, t) in ours.iter().zip(reals(theirs)) {
            // Their quadrature of 300 nodes over a density of a dozen standard deviations is good to 1e-12 or so, and a
            // density of 0.01 at the least stands between probability and amplitude: 1e-10.
            worst = worst.max(near(&format!("r {r}, dof {dof}"), *o, t, 1e-9 * t.max(1.0)));
        }
    }
    println!("largest deviation {worst:e}");
}

fn told(amplitude: f64) -> String {
    let folder = tempfile::tempdir().unwrap();
    let rate = 1000.0;
    let noise = noise(20_000, 0.5, 11);
    let signal = sine(20_000, rate, 50.0, amplitude, 0.3);
    let signal: Vec<f64> = signal.iter().zip(&noise).map(|(s, n)| s + n).collect();
    let reference = sine(20_000, rate, 50.0, 1.0, 0.0);
    let channels = [
        Channel::volts("/x", &signal),
        Channel::volts("/r", &reference),
    ];
    record(
        &folder.path().join("a.h5"),
        rate,
        Layout::Contiguous,
        &channels,
    );
    let recipe = r#"Recipe(
        title: "told",
        inputs: { "x": Wave(unit: "V"), "r": Wave(unit: "V") },
        stages: {
            "clock": Reference(of: "r", shape: Sine()),
            "product": Mix(of: "x", with: "clock"),
            "mean": Average(of: "product", over: Blocks("1 s")),
            "polar": Polar(of: "mean"),
        },
        results: ["polar"],
        units: { "polar.amplitude": "mV" },
    )"#;
    std::fs::write(folder.path().join("r.ron"), recipe).unwrap();
    phasemill(folder.path(), &["run", "r.ron", "a.h5", "-o", "o.h5"])
        .expect(0)
        .out
}

/// Noise of 0.5 V over 20 s at 1 kHz leaves 0.5·sqrt(2/20000) = 5 mV in each part.
#[test]
fn a_person_is_told_what_is_detected() {
    let out = told(0.1);
    assert!(
        out.contains("polar.amplitude (peak): ") && out.contains("; at 95 % "),
        "{out}"
    );
    assert!(
        !out.contains("polar.low") && !out.contains("polar.detected"),
        "{out}"
    );
    let out = told(0.0);
    assert!(
        out.contains("polar.amplitude (peak): not detected, below "),
        "{out}"
    );
    assert!(out.contains("polar.phase: undetermined"), "{out}");
}
