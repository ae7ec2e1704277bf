//! Whether stated uncertainties are right and no more noise gets through than must: a small version of
//! the full study, which `sh tests/coverage.sh` runs.

use libm::sqrt;
use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use tempfile::TempDir;

use super::study::{
    LINE, Noise, Normal, RATE, SIGNAL, STRONG, chain, coverage, estimates, pair, record, scatter,
    studied,
};
use super::support::{Channel, Layout};
use super::support_reference::Bench;

/// Points of each case: 1600 intervals, of both parts.
const POINTS: usize = 800;

/// Four binomial standard errors, sqrt(p(1 - p)/n).
fn allowed(p: f64, n: usize) -> f64 {
    4.0 * sqrt(p * (1.0 - p) / n as f64)
}

fn recorded(points: usize, seconds: f64, signal: Complex64, noise: Noise, seed: u64) -> TempDir {
    let folder = TempDir::new().unwrap();
    let length = (seconds * RATE) as usize;
    record(
        &folder.path().join("x.h5"),
        points,
        length,
        signal,
        noise,
        seed,
    );
    folder
}

#[track_caller]
fn covers(noise: Noise, seconds: f64, filter: &str, seed: u64) {
    let folder = recorded(POINTS, seconds, SIGNAL, noise, seed);
    let found = estimates(&folder.path().join("x.h5"), &chain(filter, ""), "answer");
    let c = coverage(&found, SIGNAL);
    println!("{}, {seconds} s, {filter}: {c:?}", noise.text());
    assert_eq!((c.stated, c.unstated), (2 * POINTS, 0), "{c:?}");
    assert!((c.at_95 - 0.95).abs() <= allowed(0.95, c.stated), "{c:?}");
    assert!(
        (c.at_68 - 0.6827).abs() <= allowed(0.6827, c.stated),
        "{c:?}"
    );
    assert!(c.bias.abs() <= 4.0 / sqrt(c.stated as f64), "{c:?}");
    // From 3 stretches to 32, as `Average` says.
    assert!((2.0..=31.0).contains(&c.freedom), "{c:?}");
}

const RC: &str = r#"RcCascade(poles: 4, time_constant: "5 ms")"#;
const BUTTERWORTH: &str = r#"Butterworth(order: 4, band: Low("20 Hz"))"#;
const PERIODS: &str = r#"WholePeriods(clock: "clock", periods: 7)"#;

#[test]
fn intervals_hold_the_truth_in_white_noise() {
    covers(Noise::White, 0.25, RC, 1);
    covers(Noise::White, 0.5, BUTTERWORTH, 2);
    covers(Noise::White, 1.0, PERIODS, 3);
}

#[test]
fn intervals_hold_the_truth_in_noise_that_is_not_white() {
    covers(Noise::Flicker(50.0), 0.5, RC, 4);
    covers(Noise::Mains(1.0), 1.0, PERIODS, 5);
    covers(Noise::Drift(10.0), 0.5, BUTTERWORTH, 6);
}

/// The same with the intervals that stand in the result file.
#[test]
fn intervals_in_the_result_file_hold_the_truth() {
    let bench = Bench::empty(["x"]);
    record(&bench.recording(), POINTS, 600, SIGNAL, Noise::White, 12);
    let results = bench.run(&chain(RC, ""), &["answer"]);
    let mut held = 0;
    for (part, truth) in [("in_phase", SIGNAL.re), ("quadrature", SIGNAL.im)] {
        let end = |which: &str| results.column("answer", &format!("{part}_{which}"));
        let (low, high) = (end("low"), end("high"));
        assert_eq!((low.len(), high.len()), (POINTS, POINTS));
        let inside = low
            .iter()
            .zip(&high)
            .filter(|(l, h)| **l <= truth && truth <= **h);
        held += inside.count();
    }
    let part = held as f64 / (2 * POINTS) as f64;
    assert!((part - 0.95).abs() <= allowed(0.95, 2 * POINTS), "{part}");
}

/// Without a signal, an amplitude is detected at the 95 % level in 5 % of all cases: of 2000, three binomial
/// standard errors are 1.5 %.
#[test]
fn nothing_is_detected_once_in_twenty_times() {
    let points = 2000;
    let folder = recorded(points, 0.25, Complex64::ZERO, Noise::White, 13);
    let stages = chain(RC, "") + r#""polar": Polar(of: "answer"),"#;
    let found = estimates(&folder.path().join("x.h5"), &stages, "polar.detected");
    let detected = found.iter().filter(|e| e.as_ref().unwrap().value.re == 1.0);
    let part = detected.count() as f64 / points as f64;
    println!("detected without a signal: {part}");
    assert!((part - 0.05).abs() <= 0.015, "{part}");
}

/// Behind 0.2 s of settling, 0.05 s are no basis for an uncertainty, and none is stated.
#[test]
fn too_little_for_an_uncertainty_is_said() {
    let folder = recorded(3, 0.25, SIGNAL, Noise::White, 7);
    let found = estimates(
        &folder.path().join("x.h5"),
        &chain(BUTTERWORTH, ""),
        "answer",
    );
    let c = coverage(&found, SIGNAL);
    assert_eq!((c.stated, c.unstated), (0, 6));
}

/// Two channels with noise in common, behind alike filters: what they share cancels from their difference, and
/// what is stated of it knows that. The standard deviation of 1600 values is known to 1.8 %, and so is the mean
/// of stated ones: four of both together are a tenth.
#[test]
fn what_two_channels_share_cancels_from_their_difference() {
    let (length, folder) = (1500, TempDir::new().unwrap());
    let mut random = Normal::new(8);
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
    let stages = chain(RC, "")
        + &format!(
            r#""other product": Mix(of: "y", with: "clock"),
        "other smooth": Filter(of: "other product", kind: {RC}),
        "other": Average(of: "other smooth"),
        "difference": Combine(of: ["answer", "other"], by: Difference),"#
        );
    let of = |result| coverage(&estimates(&path, &stages, result), Complex64::ZERO);
    let (one, difference) = (of("answer"), of("difference"));
    println!("one {one:?}, difference {difference:?}");
    // Of a variance of 1.09 each, 0.18 is left.
    let expected = sqrt(0.18 / 1.09);
    assert!((difference.scatter / one.scatter / expected - 1.0).abs() < 0.1);
    assert!((difference.ratio - 1.0).abs() < 0.1, "{difference:?}");
    assert!((difference.at_95 - 0.95).abs() <= allowed(0.95, difference.stated));
}

/// A level that rises by 30 shifts the mean of 0.25 s without a filter by 2·30/(0.25·2π·175), three of its standard
/// uncertainties, which the run says; mains that beat with the signal are said by the check where they are let through.
#[test]
fn what_spoils_an_interval_is_said() {
    let folder = recorded(50, 0.25, SIGNAL, Noise::Slope(30.0), 14);
    let path = folder.path().join("x.h5");
    for (filter, often) in [("", true), (RC, false)] {
        let ran = studied(&path, &chain(filter, ""), &["answer"], "", None);
        let part = ran.remarked("answer", "shifts the mean");
        assert!(
            if often { part > 0.9 } else { part < 0.1 },
            "{filter}: {part}"
        );
    }
    let folder = recorded(1, 0.5, SIGNAL, Noise::Mains(1.0), 15);
    let path = folder.path().join("x.h5");
    for (filter, mains, level) in [("", 1, 1), (RC, 1, 0), (PERIODS, 0, 0)] {
        let stated = ", mains: \"50 Hz\"";
        let ran = studied(&path, &chain(filter, ""), &["answer"], stated, None);
        let told = [Code::Mains, Code::Ripple].map(|code| ran.warned(code));
        assert_eq!(told, [mains, level], "{filter}: {}", ran.warnings);
    }
}

/// Behind a band of 20 Hz in front of the mixing noise falls from the signal on, as one that flickers would; behind a decimation
/// to 2.5 times the corner what is folded lies at the edge of the band, as a line would; and a strong signal leaves a ripple
/// behind a filter of one pole. None of it is what wanders or lies beside the signal: of 400 points chance gives a remark once
/// in 100 runs or so.
#[test]
fn white_noise_behind_any_chain_is_not_remarked_on() {
    let behind = |filter: &str, slow: &str| {
        chain(filter, "").replace("Average(of: \"smooth\"", &format!("Average(of: \"{slow}\""))
    };
    let band = r#""band": Filter(of: "ac", kind: Butterworth(order: 2, band: Pass(from: "165 Hz", to: "186 Hz"))),"#;
    let before = chain(RC, "").replace("Mix(of: \"ac\"", "Mix(of: \"band\"");
    let decimated = format!(
        r#"{} "slow": Decimate(of: "smooth", to: "50 Hz"),"#,
        behind(BUTTERWORTH, "slow")
    );
    let one = chain(r#"RcCascade(poles: 1, time_constant: "5 ms")"#, "");
    for (stages, signal, seed) in [
        (format!("{band}{before}"), SIGNAL, 21),
        (decimated, SIGNAL, 22),
        (one, STRONG * 20.0, 23),
    ] {
        let folder = recorded(400, 4.0, signal, Noise::White, seed);
        let ran = studied(&folder.path().join("x.h5"), &stages, &["answer"], "", None);
        for words in ["wander", "a line of"] {
            assert_eq!(ran.remarked("answer", words), 0.0, "{stages}: {words}");
        }
    }
}

/// An amplitude that flickers by 20 % in every octave from 0.2 Hz on. What is slower than a point of 6 s moves its mean too and
/// is in no part of it, so that intervals hold the truth in less than 95 % of all cases, but in more than the 80 % or less that
/// the scatter of stretches alone would give (200 points: within 0.03 of either), and the run remarks on it at most points.
/// Means behind two filters wander alike, so that their difference is as certain as without.
#[test]
fn an_amplitude_that_flickers_is_seen() {
    let points = 200;
    let folder = recorded(points, 6.0, SIGNAL, Noise::Unsteady(0.2), 16);
    let path = folder.path().join("x.h5");
    let stages = pair(RC, BUTTERWORTH);
    let ran = studied(&path, &stages, &["answer", "difference"], "", None);
    let c = coverage(&ran.found[0], SIGNAL);
    let remarked = ran.remarked("answer", "the amplitude wanders by");
    let answers = ran.found[0].iter().flatten();
    let stretches = answers.filter(|e| {
        let [variance, ..] = e.contributions()[0].covariance;
        (e.value - SIGNAL).re.abs() < 2.04 * sqrt(variance)
    });
    let stretches = stretches.count() as f64 / points as f64;
    let difference = coverage(&ran.found[1], Complex64::ZERO);
    println!("{c:?}, {remarked} remarked, {stretches} with stretches alone; {difference:?}");
    assert!(c.at_95 > 0.86 && stretches < 0.8, "{c:?} {stretches}");
    assert!(remarked > 0.7, "{remarked}");
    assert!((difference.at_95 - 0.95).abs() < 0.05, "{difference:?}");
    assert!(difference.ratio < 2.0, "{difference:?}");
}

/// Points whose scatter is known to 1/sqrt(2·10000) = 0.7 %.
const MANY: usize = 10_000;

/// N samples of a tone of amplitude A and known frequency in white noise of standard deviation 1 tell its
/// amplitude to sqrt(2/N) and its phase to sqrt(2/N)/A at best (Rife & Boorstyn 1974), here 0.05. At 20
/// standard deviations the curvature of amplitude and phase adds 1/(4·20²) to their scatter. Four standard
/// errors of it are 2.8 %.
#[test]
fn nothing_is_lost_by_a_mean_over_whole_periods_or_by_a_fit() {
    let samples = 800;
    let folder = recorded(MANY, samples as f64 / RATE, SIGNAL, Noise::White, 9);
    let path = folder.path().join("x.h5");
    let bound = sqrt(2.0 / samples as f64);
    let fit =
        format!(r#""fit": ToneFit(of: "x", lines: {{ "line": "{LINE} Hz" }}, trend: Nothing),"#);
    for (stages, result) in [(chain("", ""), "answer"), (fit, "fit.line")] {
        let [amplitude, phase] = scatter(&estimates(&path, &stages, result));
        println!(
            "{result}: amplitude {:.4}, phase {:.4} of the bound",
            amplitude / bound,
            phase / bound
        );
        assert!(
            (amplitude / bound - 1.0).abs() < 0.03,
            "{amplitude} {bound}"
        );
        assert!((phase / bound - 1.0).abs() < 0.028, "{phase} {bound}");
    }
}

/// One settled sample behind n poles of 5 ms has the variance 2·S·B of each part, S = 2/RATE, with B of 1/(4τ),
/// 1/(8τ), 3/(32τ) and 5/(64τ) (derived; Γ(n - ½)/(4√π·Γ(n)·τ)). Poles of ten samples are wider than that by
/// n/(12·10²) or so, and 20 000 values tell the standard deviation to 0.5 %: four of these are 2 %. (There is
/// no signal, whose ripple one pole would let through.)
#[test]
fn a_cascade_lets_through_what_its_bandwidth_says() {
    let folder = recorded(MANY, 0.1, Complex64::ZERO, Noise::White, 10);
    let path = folder.path().join("x.h5");
    for (poles, bandwidth) in [(1, 50.0), (2, 25.0), (3, 18.75), (4, 15.625)] {
        let filter = format!(r#"RcCascade(poles: {poles}, time_constant: "5 ms")"#);
        let last = r#", skip: Time("99.5 ms"), uncertainty: Nothing"#;
        let found = estimates(&path, &chain(&filter, last), "answer");
        let sum: f64 = found
            .iter()
            .map(|e| e.as_ref().unwrap().value.norm_sqr())
            .sum();
        let ratio = sqrt(sum / (2.0 * found.len() as f64) / (4.0 / RATE * bandwidth));
        println!("{poles} poles: {ratio:.4} of the expected scatter");
        assert!(
            (ratio - 1.0).abs() < 0.02 + 0.5 * f64::from(poles) / 1200.0,
            "{poles}: {ratio}"
        );
    }
}
