//! What the trade knows of mixing and averaging. Where no source is named the fact is derived beside
//! the check, or is common practice without a source.

use std::f64::consts::{PI, SQRT_2, TAU};

use num_complex::Complex64;

use super::support::{sine, square};
use super::support_reference::{Bench, Random, U, near};

const RATE: f64 = 10e3;
const F: f64 = 100.0;
/// One second, a hundred whole cycles of a hundred samples.
const N: usize = 10_000;
/// A mean of N products, whose sines are off by the rounding of an argument of up to 630, 630 U, and a
/// few roundings more.
const EXACT: f64 = 1000.0 * U;

const STATED: &str = r#""clock": Reference(of: "x", shape: Stated(frequency: "100 Hz")),"#;

fn unit(phase_deg: f64) -> Vec<f64> {
    sine(N, RATE, F, 1.0, phase_deg.to_radians())
}

/// Mean of the product of two unit sines: cos θ / 2 (derived; common practice).
#[test]
fn a_product_of_two_sines_has_half_the_cosine_for_mean() {
    for (degrees, expected) in [(0.0, 0.5), (90.0, 0.0), (180.0, -0.5), (270.0, 0.0)] {
        let bench = Bench::new(RATE, &[("x", &unit(degrees)), ("r", &unit(0.0))]);
        let stages = r#""product": Combine(of: ["x", "r"], by: Product),
            "mean": Average(of: "product", skip: Nothing)"#;
        let found = bench.run(stages, &["mean"]);
        near("mean", found.value("mean"), expected, EXACT);
    }
}

/// Two phases in quadrature give amplitude and phase at once, in every quadrant (derived).
#[test]
fn quadrature_gives_amplitude_and_phase_in_every_quadrant() {
    for degrees in [-135.0, -90.0, -45.0, 0.0, 45.0, 90.0, 135.0, 180.0] {
        let bench = Bench::new(RATE, &[("x", &unit(degrees))]);
        let stages = format!(
            r#"{STATED} "product": Mix(of: "x", with: "clock"),
            "z": Average(of: "product"), "polar": Polar(of: "z")"#
        );
        let found = bench.run(&stages, &["z", "polar"]);
        let expected = Complex64::cis(degrees.to_radians());
        let off = (found.complex("z") - expected).norm();
        assert!(off < 2.0 * EXACT, "{degrees}: off by {off:e}");
        near(
            "amplitude",
            found.value("polar.amplitude"),
            1.0,
            2.0 * EXACT,
        );
        let turn = (found.value("polar.phase") - degrees).rem_euclid(360.0);
        near(
            "phase",
            turn.min(360.0 - turn),
            0.0,
            2.0 * EXACT * 180.0 / PI,
        );
    }
}

/// A ±1 product answers to the odd harmonic k with 1/k, to even ones not at all (derived, Fourier
/// series of a square wave). Of M samples of a cycle the first half is multiplied by 1 and the second by
/// -1, so the sum is twice that of sin(2πkj/M) over the half, 2 cot(πk/M) for odd k; the answer is
/// (π/M) cot(πk/M), which is below 1/k by less than the square of πk/M.
#[test]
fn switching_answers_to_odd_harmonics_only() {
    let per_cycle = RATE / F;
    for k in 1..=7u32 {
        let x = sine(N, RATE, f64::from(k) * F, 1.0, 0.0);
        let bench = Bench::new(RATE, &[("x", &x)]);
        let stages = format!(
            r#"{STATED} "product": Mix(of: "x", with: "clock", by: Switching()),
            "z": Average(of: "product")"#
        );
        let z = bench.run(&stages, &["z"]).complex("z");
        let half = PI * f64::from(k) / per_cycle;
        let odd = k % 2 == 1;
        let sampled = if odd {
            PI / per_cycle / libm::tan(half)
        } else {
            0.0
        };
        near(&format!("harmonic {k}"), z.re, sampled, 2.0 * EXACT);
        let weight = if odd { 1.0 / f64::from(k) } else { 0.0 };
        let bound = weight * half * half + 2.0 * EXACT;
        near(&format!("harmonic {k}"), z.re, weight, bound);
    }
}

/// The ripple after mixing lies at 2f with the amplitude of the signal, and at f with twice the offset
/// (derived: 2 sin² = 1 - cos 2x). A mean over whole periods removes both.
#[test]
fn ripple_lies_at_twice_the_frequency_and_an_offset_at_the_frequency_itself() {
    let offset = 0.3;
    let x: Vec<f64> = unit(20.0).iter().map(|v| v + offset).collect();
    let bench = Bench::new(RATE, &[("x", &x)]);
    let stages = format!(
        r#"{STATED} "product": Mix(of: "x", with: "clock"),
        "smooth": Filter(of: "product", kind: WholePeriods(clock: "clock", periods: 1)),
        "ac": RemoveOffset(of: "x"),
        "clean product": Mix(of: "ac", with: "clock")"#
    );
    let found = bench.run(&stages, &["product", "smooth", "clean product"]);
    let at = |flow: &str, f: f64| {
        let z = found.phasor(flow);
        let turned =
            |(i, z): (usize, &Complex64)| z.re * Complex64::cis(-TAU * f * i as f64 / RATE);
        2.0 * z.iter().enumerate().map(turned).sum::<Complex64>().norm() / N as f64
    };
    near("ripple at 2f", at("product", 2.0 * F), 1.0, 4.0 * EXACT);
    near("ripple at f", at("product", F), 2.0 * offset, 4.0 * EXACT);
    // Taking the offset away first leaves the ripple at 2f alone.
    near("ripple at f", at("clean product", F), 0.0, 4.0 * EXACT);
    near(
        "ripple at 2f",
        at("clean product", 2.0 * F),
        1.0,
        4.0 * EXACT,
    );

    let smooth = found.phasor("smooth");
    let settled: Vec<_> = smooth.iter().filter(|z| z.re.is_finite()).collect();
    assert!(settled.len() > N - 110);
    // Sums that run over N samples keep a rounding of each.
    let bound = EXACT + 4.0 * N as f64 * U;
    let expected = Complex64::cis(20f64.to_radians());
    let worst = settled
        .iter()
        .map(|z| (*z - expected).norm())
        .fold(0.0, f64::max);
    assert!(worst < bound, "whole periods leave a ripple of {worst:e}");
}

/// The product of two frequencies is a beat; its mean over T falls as 1/(π Δf T) between the whole
/// beats where it vanishes (derived).
#[test]
fn another_frequency_averages_out_over_whole_beats() {
    // 1 s holds ten beats of 110 Hz against 100 Hz, and 10.5 of 110.5 Hz.
    for (f, expected) in [(110.0, 0.0), (110.5, 2.0 / (TAU * 10.5))] {
        let bench = Bench::new(RATE, &[("x", &sine(N, RATE, f, 1.0, 0.0))]);
        let stages = format!(
            r#"{STATED} "product": Mix(of: "x", with: "clock"), "z": Average(of: "product")"#
        );
        let z = bench.run(&stages, &["z"]).complex("z");
        // The sum frequency leaves 2/(2π·210.5) at most, and sampling changes sums by 1/N.
        let bound = if expected == 0.0 {
            2.0 * EXACT
        } else {
            1.0 / (PI * 210.0) + 1e-4
        };
        near("beat", z.norm(), expected, bound);
    }
}

/// A square between 0 and H has the fundamental 2H/π peak, √2·H/π = 0.450 H rms (derived, Fourier
/// series). M samples of a cycle hold it as a staircase, whose fundamental is (2H/M)/sin(π/M), which
/// is 2H/π within (π/M)²/6; its edges, halfway between samples, are half a sample late.
#[test]
fn a_chopped_step_is_recovered_from_its_fundamental() {
    let height = 0.7;
    let x: Vec<f64> = square(N, RATE, F)
        .iter()
        .map(|v| 0.5 * height * v)
        .collect();
    let per_cycle = RATE / F;
    let staircase = 2.0 * height / per_cycle / libm::sin(PI / per_cycle);
    let bench = Bench::new(RATE, &[("x", &x), ("c", &square(N, RATE, F))]);
    let stages = r#""clock": Reference(of: "c", shape: Square()),
        "product": Mix(of: "x", with: "clock"), "z": Average(of: "product"),
        "rms": Amplify(of: "z", express_as: Rms),
        "step": Amplify(of: "z", express_as: FullStep(chopping: Square()))"#;
    let found = bench.run(stages, &["z", "rms", "step"]);
    let peak = found.one("z", "amplitude");
    near("peak", peak, staircase, 10.0 * EXACT);
    let rest = (PI / per_cycle).powi(2) / 6.0 * 1.01;
    near("peak", peak, 2.0 * height / PI, rest * peak);
    near(
        "rms",
        found.one("rms", "amplitude"),
        SQRT_2 * height / PI,
        rest * peak,
    );
    near(
        "rms",
        found.one("rms", "amplitude"),
        0.450 * height,
        0.0005 * height,
    );
    near(
        "step",
        found.one("step", "amplitude"),
        height,
        rest * height,
    );
    // The chopper's own edges mark the phase, so none is left.
    near("phase", found.one("z", "phase"), 0.0, 10.0 * EXACT);
}

/// Flanks that each take the part r of a period multiply the fundamental by sin(πr)/(πr) (derived: a
/// trapezoid is a square averaged over the flank). Sampling a trapezoid folds its harmonics, which
/// fall as 1/n², near n = M: below 4/(M²·r·π²) of the fundamental in all.
#[test]
fn a_trapezoid_is_recovered_from_its_fundamental() {
    let (height, flank) = (0.7, 0.2);
    let per_cycle = RATE / F;
    let level = |i: usize| {
        // The flanks' middles lie at phase 0 and a half.
        let p = (i as f64 / per_cycle + 0.25).fract();
        let from_top = (p - 0.5).abs();
        height * ((0.25 - from_top) / flank + 0.5).clamp(0.0, 1.0)
    };
    let x: Vec<f64> = (0..N).map(level).collect();
    let bench = Bench::new(RATE, &[("x", &x)]);
    let stages = format!(
        r#"{STATED} "product": Mix(of: "x", with: "clock"), "z": Average(of: "product"),
        "step": Amplify(of: "z", express_as: FullStep(chopping: Trapezoid(flank: "20 %")))"#
    );
    let found = bench.run(&stages, &["z", "step"]);
    let factor = libm::sin(PI * flank) / (PI * flank);
    let folded = 4.0 / (per_cycle * per_cycle * flank * PI * PI);
    near(
        "z",
        found.one("z", "amplitude"),
        2.0 * height / PI * factor,
        height * folded,
    );
    near(
        "step",
        found.one("step", "amplitude"),
        height,
        2.0 * height * folded,
    );
}

/// No number is given where the reference is none.
#[test]
fn a_reference_that_is_none_is_refused() {
    let still = vec![1.0; N];
    let mut stopped = square(N, RATE, F);
    stopped[150..].fill(0.0);
    let mut random = Random(1);
    let noise: Vec<f64> = (0..N).map(|_| random.normal()).collect();
    let stages = |expect: &str| {
        format!(
            r#""clock": Reference(of: "c", shape: Square(){expect}),
            "product": Mix(of: "x", with: "clock"), "z": Average(of: "product")"#
        )
    };
    for (what, reference) in [("still", &still), ("stopped", &stopped), ("noise", &noise)] {
        let bench = Bench::new(RATE, &[("x", &unit(0.0)), ("c", reference)]);
        let said = bench.refused(&stages(""), &["z"]);
        assert!(said.contains("reference"), "{what}: {said}");
    }
    let bench = Bench::new(RATE, &[("x", &unit(0.0)), ("c", &square(N, RATE, F))]);
    let said = bench.refused(&stages(r#", expect: "83 Hz""#), &["z"]);
    assert!(
        said.contains("83 Hz") && said.contains("found 100"),
        "{said}"
    );
}

/// Scatter of the means of blocks of `length` seconds of a tone in white noise, and their number.
fn scatter(bench: &Bench, length: f64) -> ([f64; 2], f64) {
    let stages = format!(
        r#"{STATED} "product": Mix(of: "x", with: "clock"),
        "z": Average(of: "product", over: Blocks("{length} s"))"#
    );
    let found = bench.run(&stages, &["z"]);
    let scatter = found.column("z", "scatter");
    ([scatter[0], scatter[1]], found.one("z", "count"))
}

/// A whole-period mean of N samples of A sin in white noise σ is an efficient estimator: its in-phase
/// and quadrature parts each have the variance 2σ²/N, the Cramér-Rao bound for a known frequency (Rife
/// & Boorstyn, IEEE Trans. Inf. Theory 20, 1974). So the scatter falls as the root of the time.
#[test]
fn averaging_white_noise_reaches_the_bound_and_falls_as_the_root_of_time() {
    const SIGMA: f64 = 0.5;
    let mut random = Random(20_250_201);
    let samples = 800_000;
    let signal = sine(samples, RATE, F, 0.1, 0.0);
    let x: Vec<f64> = signal.iter().map(|s| s + SIGMA * random.normal()).collect();
    let bench = Bench::new(RATE, &[("x", &x)]);
    for length in [0.02, 0.08, 0.32] {
        let (found, count) = scatter(&bench, length);
        assert_eq!(count, 80.0 / length);
        let bound = (2.0 * SIGMA * SIGMA / (length * RATE)).sqrt();
        for s in found {
            // A scatter of n values is itself uncertain by 1/sqrt(2(n - 1)) (JCGM 100:2008, E.4.3);
            // five of those will not be exceeded by chance in this or any other seed worth trying.
            let chance = 5.0 / (2.0 * (count - 1.0)).sqrt();
            near("scatter over bound", s / bound, 1.0, chance);
        }
        println!("blocks of {length} s: scatter {found:?}, bound {bound}");
    }
}

/// For an unknown frequency, var(f) ≥ 24σ²/((2π)²A²T²N) (Rife & Boorstyn 1974, with ω per sample as
/// 24σ²/(A²N(N²-1))). The fit states that as its uncertainty, and its errors over repeated points
/// scatter by it.
#[test]
fn a_free_frequency_reaches_its_bound() {
    const SIGMA: f64 = 0.3;
    const POINTS: u64 = 40;
    let (n, f) = (1000usize, 103.4);
    let step_bound = 24.0 * SIGMA * SIGMA / (n as f64 * ((n * n) as f64 - 1.0));
    let bound = step_bound.sqrt() * RATE / TAU;
    let mut squares = 0.0;
    for seed in 0..POINTS {
        let mut random = Random(7000 + seed);
        let tone = sine(n, RATE, f, 1.0, random.between(0.0, TAU));
        let x: Vec<f64> = tone.iter().map(|s| s + SIGMA * random.normal()).collect();
        let bench = Bench::new(RATE, &[("x", &x)]);
        let stage = r#""clock": Reference(of: "x", shape: Free())"#;
        let found = bench.run(stage, &["clock.frequency"]);
        let off = (found.value("clock.frequency") - f) / bound;
        squares += off * off;
        // σ is estimated from 996 residuals: 2.2 %, of which five; the amplitude's own uncertainty of
        // 1.3 % and the finite record, 1/103 cycles, count on top.
        let stated = found.one("clock.frequency", "value_errors") / bound;
        near("stated uncertainty", stated, 1.0, 5.0 * 0.026 + 0.02);
    }
    // A mean of 40 squares of standard normal numbers is 1 ± sqrt(2/40); five of those above, and below
    // until nothing would be left.
    let mean = squares / POINTS as f64;
    assert!(
        (0.2..1.0 + 5.0 * (2.0 / POINTS as f64).sqrt()).contains(&mean),
        "{mean}"
    );
    println!("free frequency: errors over bound, mean square {mean}");
}
