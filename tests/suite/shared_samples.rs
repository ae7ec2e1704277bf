//! Whether means of the same samples know what they have in common: their differences, sums and ratios hold
//! the truth as often as they say.

use libm::sqrt;
use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::value::Estimate;
use tempfile::TempDir;

use super::study::{
    COMBINED, Coverage, Noise, Normal, PAIRS, RATE, SIGNAL, chain, coverage, pair, record, studied,
};
use super::support::{Channel, Layout};

/// Recordings of each case: 800 parts.
const POINTS: usize = 20;

/// Four binomial standard errors, sqrt(p(1 - p)/n).
fn allowed(p: f64, n: usize) -> f64 {
    4.0 * sqrt(p * (1.0 - p) / n as f64)
}

fn recorded(points: usize, seconds: f64, noise: Noise, seed: u64) -> TempDir {
    let folder = TempDir::new().unwrap();
    let length = (seconds * RATE) as usize;
    record(
        &folder.path().join("x.h5"),
        points,
        length,
        SIGNAL,
        noise,
        seed,
    );
    folder
}

#[track_caller]
fn right(what: &str, c: &Coverage) {
    println!("{what}: {c:?}");
    assert_eq!(c.unstated, 0, "{what}: {c:?}");
    assert!(
        (c.at_95 - 0.95).abs() <= allowed(0.95, c.stated),
        "{what}: {c:?}"
    );
    let off = (c.at_68 - 0.6827).abs();
    assert!(off <= allowed(0.6827, c.stated), "{what}: {c:?}");
}

/// The difference of two filters is what their ends hold, a tenth or so of what each is uncertain by.
#[test]
fn differences_sums_and_ratios_hold_the_truth() {
    for (k, noise) in [Noise::White, Noise::Flicker(50.0)].into_iter().enumerate() {
        let folder = recorded(POINTS, 1.0, noise, 20 + k as u64);
        for (name, first, second) in PAIRS {
            let results = ["answer", "other", "difference", "sum", "ratio"];
            let ran = studied(
                &folder.path().join("x.h5"),
                &pair(first, second),
                &results,
                "",
            );
            println!(
                "{:?} {}",
                ran.remarks
                    .iter()
                    .map(|r| (&r.node, &r.message))
                    .collect::<std::collections::BTreeSet<_>>(),
                ran.warnings
            );
            assert_eq!(ran.warnings.iter().count(), 0, "{}", ran.warnings);
            let [one, other] = [0, 1].map(|i| coverage(&ran.found[i], SIGNAL));
            right("one", &one);
            right("other", &other);
            for ((what, truth), found) in COMBINED.iter().zip(&ran.found[2..]) {
                let c = coverage(found, *truth);
                right(&format!("{}, {name}: {what}", noise.text()), &c);
                if *what == "difference" {
                    assert!(c.scatter < 0.5 * one.scatter, "{c:?}");
                }
            }
        }
    }
}
