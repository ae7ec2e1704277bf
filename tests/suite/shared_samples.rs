//! Whether means of the same samples know what they have in common: their differences, sums and ratios hold
//! the truth as often as they say; and whether it is said where that is not known.

use libm::sqrt;
use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::run::Draws;
use tempfile::TempDir;

use super::study::{
    COMBINED, Coverage, Noise, Normal, PAIRS, RATE, STRONG, chain, coverage, pair, record, studied,
};
use super::support::{Channel, Layout};

/// Recordings of each case: 800 parts.
const POINTS: usize = 400;

const RC: &str = r#"RcCascade(poles: 4, time_constant: "5 ms")"#;

/// Four binomial standard errors, sqrt(p(1 - p)/n).
fn allowed(p: f64, n: usize) -> f64 {
    4.0 * sqrt(p * (1.0 - p) / n as f64)
}

fn recorded(points: usize, seconds: f64, noise: Noise, seed: u64) -> TempDir {
    let folder = TempDir::new().unwrap();
    let (path, length) = (folder.path().join("x.h5"), (seconds * RATE) as usize);
    record(&path, points, length, STRONG, noise, seed);
    folder
}

#[track_caller]
fn right(what: &str, c: &Coverage) {
    println!("{what}: {c:?}");
    assert_eq!(c.unstated, 0, "{what}: {c:?}");
    let off = [c.at_95 - 0.95, c.at_68 - 0.6827].map(f64::abs);
    assert!(off[0] <= allowed(0.95, c.stated), "{what}: {c:?}");
    assert!(off[1] <= allowed(0.6827, c.stated), "{what}: {c:?}");
}

/// The difference of two filters is what their ends hold, a third or less of what each is uncertain by.
#[test]
fn differences_sums_and_ratios_hold_the_truth() {
    for (noise, seed) in [(Noise::White, 20), (Noise::Flicker(50.0), 21)] {
        let folder = recorded(POINTS, 1.0, noise, seed);
        for (name, first, second) in PAIRS {
            let results = ["answer", "other", "difference", "sum", "ratio"];
            let path = folder.path().join("x.h5");
            let ran = studied(&path, &pair(first, second), &results, "", None);
            assert_eq!(ran.warnings.iter().count(), 0, "{}", ran.warnings);
            let one = coverage(&ran.found[0], STRONG);
            right("one", &one);
            right("other", &coverage(&ran.found[1], STRONG));
            for ((what, truth), found) in COMBINED.iter().zip(&ran.found[2..]) {
                let c = coverage(found, *truth);
                right(&format!("{}, {name}: {what}", noise.text()), &c);
                // The mean over the shorter time tells how wide intervals are, independent of what the other has beyond it;
                // one in 200 is taken for one that wanders, with 3 degrees of freedom or more, and a difference is not.
                if name.contains("periods") {
                    let off = (c.freedom - one.freedom).abs();
                    assert!(off < 0.02 * one.freedom, "{c:?} {one:?}");
                }
                let small = c.scatter < 0.5 * one.scatter;
                assert_eq!(small, *what != "sum", "{c:?}");
            }
        }
    }
}

/// A mean of every twentieth sample, of every fourth without a filter, and of what is left after a longer time: all of
/// the same samples. The same filter twice differs by nothing, and says so.
#[test]
fn rates_and_times_left_out_are_known() {
    // Without a signal, whose own ripple the mean without a filter would see.
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("x.h5");
    record(
        &path,
        POINTS,
        RATE as usize,
        Complex64::ZERO,
        Noise::White,
        22,
    );
    let stages = chain(RC, "")
        + &format!(
            r#""slow": Decimate(of: "smooth", by: 20),
        "few": Decimate(of: "product", by: 4),
        "twin filter": Filter(of: "product", kind: {RC}),
        "decimated": Average(of: "slow"),
        "unfiltered": Average(of: "few"),
        "later": Average(of: "smooth", skip: Time("300 ms")),
        "twin": Average(of: "twin filter"),
        "a": Combine(of: ["answer", "decimated"], by: Difference),
        "b": Combine(of: ["answer", "unfiltered"], by: Difference),
        "c": Combine(of: ["later", "decimated"], by: Difference),
        "d": Combine(of: ["answer", "twin"], by: Difference),"#
        );
    let results = ["answer", "a", "b", "c", "d"];
    let ran = studied(&path, &stages, &results, "", None);
    let one = coverage(&ran.found[0], Complex64::ZERO);
    for (what, found) in results.iter().zip(&ran.found).skip(1).take(3) {
        right(what, &coverage(found, Complex64::ZERO));
    }
    let a = coverage(&ran.found[1], Complex64::ZERO);
    assert!(a.scatter < 0.05 * one.scatter, "{a:?}");
    for twin in ran.found[4].iter().flatten() {
        assert_eq!(twin.value, Complex64::ZERO);
        assert_eq!(twin.standard_uncertainty(), Some(Complex64::ZERO));
    }
}

/// Two channels with noise in common, each behind two filters: all four know of each other.
#[test]
fn channels_and_filters_are_known_together() {
    let (length, folder) = (2000, TempDir::new().unwrap());
    let mut random = Normal::new(23);
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for _ in 0..POINTS * length {
        let common = random.draw();
        x.push(common + 0.3 * random.draw());
        y.push(common + 0.3 * random.draw());
    }
    let channel = |dataset, samples| Channel {
        dataset,
        unit: "V",
        samples,
        points: POINTS,
    };
    let path = folder.path().join("x.h5");
    let channels = [channel("x", &x), channel("y", &y)];
    crate::support::record(&path, RATE, Layout::Contiguous, &channels);
    let (_, first, second) = PAIRS[0];
    let stages = pair(first, second)
        + &format!(
            r#""y product": Mix(of: "y", with: "clock"),
        "y smooth": Filter(of: "y product", kind: {first}),
        "y answer": Average(of: "y smooth"),
        "y other smooth": Filter(of: "y product", kind: {second}),
        "y other": Average(of: "y other smooth"),
        "alike": Combine(of: ["other", "y other"], by: Difference),
        "across": Combine(of: ["answer", "y other"], by: Difference),"#
        );
    let results = ["difference", "alike", "across"];
    let ran = studied(&path, &stages, &results, "", None);
    for (what, found) in results.iter().zip(&ran.found) {
        right(what, &coverage(found, Complex64::ZERO));
    }
}

/// Drawn with their sources, differences scatter as they say: 4000 trials tell a standard deviation to 1.1 %, and the t
/// distribution of 17 degrees of freedom is wider by sqrt(17/15).
#[test]
fn drawing_knows_of_it_too() {
    let folder = recorded(3, 1.0, Noise::White, 24);
    let (_, first, second) = PAIRS[1];
    let draws = Draws {
        trials: 4000,
        seed: 1,
    };
    let path = folder.path().join("x.h5");
    let ran = studied(
        &path,
        &pair(first, second),
        &["difference"],
        "",
        Some(draws),
    );
    for (stated, drawn) in ran.found[0].iter().zip(&ran.drawn[0]) {
        let (u, freedom) = stated
            .as_ref()
            .unwrap()
            .uncertainty_along(Complex64::ONE)
            .unwrap();
        let drawn = drawn.as_ref().unwrap().aspects[0].1.u;
        let expected = u * sqrt(freedom / (freedom - 2.0));
        assert!((drawn / expected - 1.0).abs() < 0.06, "{drawn} {expected}");
    }
}

/// The mains get through without a filter, and hardly through a narrow one: the density is not the same, which is said.
#[test]
fn different_densities_are_said() {
    let folder = recorded(20, 1.0, Noise::Mains(5.0), 25);
    let narrow = r#"Butterworth(order: 4, band: Low("10 Hz"))"#;
    let stages = chain("", "")
        + &format!(
            r#""narrow": Filter(of: "product", kind: {narrow}),
        "other": Average(of: "narrow"),
        "difference": Combine(of: ["answer", "other"], by: Difference),"#
        );
    let ran = studied(
        &folder.path().join("x.h5"),
        &stages,
        &["difference"],
        "",
        None,
    );
    let both = ["answer", "other"].map(|node| ran.remarked(node, "count as independent"));
    println!("remarked {both:?}");
    assert!(both[0] + both[1] > 0.9, "{both:?}");
}

/// What cannot be known is warned of where it is combined, and nothing else is.
#[test]
fn what_is_not_known_is_warned_of() {
    let folder = recorded(1, 1.0, Noise::White, 26);
    let more = r#"
        "second product": Mix(of: "ac", with: "clock", harmonic: 2),
        "second": Average(of: "second product"),
        "again product": Mix(of: "ac", with: "clock"),
        "again": Average(of: "again product"),
        "narrowed": Filter(of: "x", kind: Butterworth(order: 1, band: Pass(from: "100 Hz", to: "300 Hz"))),
        "narrowed product": Mix(of: "narrowed", with: "clock"),
        "narrowed answer": Average(of: "narrowed product"),
        "fit": ToneFit(of: "x", lines: { "line": "175 Hz" }),
        "level": Average(of: "x"),
        "turned": Polar(of: "smooth"),
        "size": Average(of: "turned.amplitude"),
        "whole": Polar(of: "answer"),"#;
    for (a, b, unknown) in [
        ("answer", "again", false),
        ("answer", "narrowed answer", true),
        ("answer", "fit.line", true),
        ("whole.amplitude", "size", true),
        ("whole.amplitude", "level", true),
        ("answer", "answer", false),
    ] {
        let combined = format!(r#""both": Combine(of: ["{a}", "{b}"], by: Ratio),"#);
        let stages = chain(RC, "") + more + &combined;
        let kept = [
            "both",
            "second",
            "again",
            "narrowed answer",
            "fit.line",
            "level",
            "size",
            "whole.amplitude",
        ];
        let ran = studied(&folder.path().join("x.h5"), &stages, &kept, "", None);
        let found = ran.warned(Code::Uncertainty);
        assert_eq!(found, usize::from(unknown), "{a}, {b}: {}", ran.warnings);
    }
}
