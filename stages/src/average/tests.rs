//! Tests of the average.

use num_complex::Complex64;
use phasemill_engine::flow::Samples;
use phasemill_engine::testing;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::*;

fn flow(rate: f64, length: u64) -> Flow {
    Flow {
        rate: Some(rate),
        length: Some(length),
        ..Flow::new(Kind::Wave, Unit::one())
    }
}

fn estimate(text: &str, rate: f64, samples: &[f64]) -> Result<Estimate, Fault> {
    let flows = [flow(rate, samples.len() as u64)];
    let given = testing::run_every_way(&Average, text, &[], &flows, &[Samples::Wave(samples)])?;
    assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
    match given.closing.values.as_slice() {
        [Value::Estimate(e)] => Ok(e.clone()),
        _ => panic!("expected one estimate"),
    }
}

/// 1, 2, 4, missing: mean 7/3, standard deviation sqrt(7/3), worked by hand.
#[test]
fn missing_samples_are_left_out_and_counted() {
    let e = estimate(r#"Average(of: "x")"#, 1.0, &[1.0, 2.0, f64::NAN, 4.0]).expect("a mean");
    assert!((e.value.re - 7.0 / 3.0).abs() < 1e-15);
    assert!((e.scatter.expect("a scatter").re - (7.0f64 / 3.0).sqrt()).abs() < 1e-15);
    assert_eq!((e.count, e.missing), (Some(3), 1));
}

/// Blocks (1, 3), (5, 7), and 9 left over: means 2 and 6, scatter sqrt(8), u = 2; by hand.
#[test]
fn blocks_give_an_uncertainty() {
    let e = estimate(
        r#"Average(of: "x", over: Blocks("2 s"))"#,
        1.0,
        &[1.0, 3.0, 5.0, 7.0, 9.0],
    )
    .expect("a mean");
    assert_eq!((e.value.re, e.count), (4.0, Some(2)));
    assert!((e.standard_uncertainty().expect("evaluated").re - 2.0).abs() < 1e-15);
}

/// Blocks (1, -), (-, -), (5, 7): means 1 and 6, three samples missing; by hand.
#[test]
fn samples_missing_in_blocks_are_counted() {
    let samples = [1.0, f64::NAN, f64::NAN, f64::NAN, 5.0, 7.0];
    let e = estimate(r#"Average(of: "x", over: Blocks("2 s"))"#, 1.0, &samples).expect("a mean");
    assert_eq!((e.value.re, e.count, e.missing), (3.5, Some(2), 3));
}

/// Three independent samples 3, 5, 10: u = sqrt(26/(3·2)) with 2 degrees of freedom, by hand. Two are too few,
/// and so is nothing at all when it is not wanted.
#[test]
fn the_mean_of_a_point_has_an_uncertainty() {
    let e = estimate(r#"Average(of: "x")"#, 1.0, &[3.0, 5.0, 10.0]).expect("a mean");
    let (u, freedom) = e.uncertainty_along(1.0.into()).expect("evaluated");
    assert!((u * u - 26.0 / 6.0).abs() < 1e-14 && (freedom - 2.0).abs() < 1e-14);
    for (text, samples) in [
        (r#"Average(of: "x")"#, &[3.0, 5.0][..]),
        (
            r#"Average(of: "x", uncertainty: Nothing)"#,
            &[3.0, 5.0, 10.0],
        ),
    ] {
        assert_eq!(estimate(text, 1.0, samples).expect("a mean").parts, None);
    }
}

/// A one-sided density of 2 V/sqrt(Hz) is 2 V²/Hz two-sided: over 8 s a variance of 2/8.
#[test]
fn a_stated_density_gives_an_uncertainty() {
    let text = r#"Average(of: "x", uncertainty: Density("2 1/sqrt(Hz)"))"#;
    let e = estimate(text, 1.0, &[1.0; 8]).expect("a mean");
    let u = e.standard_uncertainty().expect("evaluated").re;
    assert!((u - 0.5).abs() < 1e-15, "{u}");
}

/// Two channels averaged over the same stretches, or the same blocks, know their correlation: here one is
/// minus twice the other.
#[test]
fn channels_averaged_alike_are_correlated() {
    let x: Vec<f64> = (0..100).map(|i| libm::sin(f64::from(i * i))).collect();
    let y: Vec<f64> = x.iter().map(|x| -2.0 * x).collect();
    for text in [
        r#"Average(of: "x")"#,
        r#"Average(of: "x", over: Blocks("10 s"))"#,
    ] {
        let [a, b] = [&x, &y].map(|samples| estimate(text, 1.0, samples).expect("a mean"));
        let sum = Estimate::propagate(&[&a, &b], a.value + b.value, |_, d| d);
        let [u, v] = [&a, &sum].map(|e| e.standard_uncertainty().expect("evaluated").re);
        // Thirty products of rounding errors of 1e-16 each.
        assert!((u - v).abs() < 1e-14 * u && u > 0.0, "{u} {v}");
    }
}

#[test]
fn what_is_skipped_is_not_averaged() {
    let e = estimate(
        r#"Average(of: "x", skip: Time("2 s"))"#,
        1.0,
        &[100.0, 100.0, 1.0, 3.0],
    )
    .expect("a mean");
    assert_eq!((e.value.re, e.count), (2.0, Some(2)));
}

#[test]
fn nothing_but_missing_samples_is_a_fault() {
    let fault = estimate(r#"Average(of: "x")"#, 1.0, &[f64::NAN; 4]).expect_err("no mean");
    assert_eq!(
        fault,
        Fault::TooFew {
            what: "samples after the settling time",
            needed: 1,
            found: 0
        }
    );
}

#[test]
fn a_point_shorter_than_the_skip_is_refused() {
    let (found, _) = testing::check(
        &Average,
        r#"Average(of: "x", skip: Time("9 s"))"#,
        &[],
        &[flow(1.0, 5)],
    );
    assert_eq!(
        found.iter().map(|d| d.code).collect::<Vec<_>>(),
        [Code::Time]
    );
}

/// A dead channel has no scatter, which is no reason to take its level for exact.
#[test]
fn the_uncertainty_of_samples_that_are_all_alike_is_not_evaluated() {
    let dead = vec![0.3; 1000];
    for text in [
        r#"Average(of: "x")"#,
        r#"Average(of: "x", over: Blocks("10 s"))"#,
    ] {
        let e = estimate(text, 1.0, &dead).expect("a mean");
        assert_eq!(
            (e.value.re, e.standard_uncertainty()),
            (0.3, None),
            "{text}"
        );
    }
    let mut noisy = dead;
    noisy[500] = 0.4;
    let e = estimate(r#"Average(of: "x")"#, 1.0, &noisy).expect("a mean");
    assert!(e.standard_uncertainty().expect("evaluated").re > 0.0);
}

/// What is remarked on of a phasor in noise whose size and angle (in rad) run along lines by so much of 1 and so many rad.
fn remarked_of_a_drift(size: f64, angle: f64, level: f64) -> (Vec<String>, Estimate) {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let mut unit = || (random.next_u64() >> 11) as f64 * 2f64.powi(-53) - 0.5;
    let samples: Vec<Complex64> = (0..2000)
        .map(|i| {
            let along = f64::from(i) / 2000.0 - 0.5;
            let (sin, cos) = libm::sincos(0.7 + angle * along);
            Complex64::new(cos, sin) * (level + size * along)
                + Complex64::new(unit(), unit()) * 0.01
        })
        .collect();
    let flow = Flow {
        kind: Kind::Phasor,
        ..flow(100.0, 2000)
    };
    let text = r#"Average(of: "x")"#;
    let given = testing::run_every_way(&Average, text, &[], &[flow], &[Samples::Phasor(&samples)]);
    let closing = given.expect("a mean").closing;
    match closing.values.as_slice() {
        [Value::Estimate(e)] => (closing.remarks, e.clone()),
        _ => panic!("expected one estimate"),
    }
}

/// Ramps by 2 % and 3 deg: the slowest three waves of a line hold (8/PI^2)*(1 + 1/9) = 0.90 of its rise, and noise of
/// 0.01/sqrt(12)/sqrt(2000) = 0.0065 % moves that by 2*sqrt(2*2) of it at both ends, 0.03 % or 0.015 deg.
#[test]
fn a_drift_is_told_as_one_of_amplitude_or_phase() {
    for (size, angle, start) in [
        (
            0.02,
            0.0,
            "within the point the amplitude wanders by 1.8 %, and the phase no more",
        ),
        (
            0.0,
            3.0f64.to_radians(),
            "within the point the phase wanders by 2.7 deg, and the amplitude no more",
        ),
        (
            0.02,
            3.0f64.to_radians(),
            "within the point amplitude and phase wander by 1.8 % and 2.7 deg;",
        ),
        (0.0, 0.0, ""),
    ] {
        let (remarks, estimate) = remarked_of_a_drift(size, angle, 1.0);
        let told = remarks.first().map_or("", String::as_str);
        assert!(
            told.starts_with(start) && remarks.len() == usize::from(!start.is_empty()),
            "{remarks:?}"
        );
        // Along and across the mean, over the noise of both.
        let turned = Complex64::new(libm::cos(0.7), libm::sin(0.7));
        let noise = 0.01 / (12.0 * 2000.0f64).sqrt();
        for (drift, direction) in [(size, turned), (angle, turned * Complex64::I)] {
            let (u, freedom) = estimate.uncertainty_along(direction).expect("evaluated");
            // A line counts for 0.236 of its rise, by the factor for 1/f noise; noise for itself within 4/sqrt(2*28).
            let expected = libm::hypot(0.236 * drift, noise);
            assert!((u / expected - 1.0).abs() < 0.5, "{u} {expected}");
            assert!((freedom < 4.0) == (drift > 0.0), "{freedom}");
        }
    }
}

/// Where there is no signal to speak of, neither amplitude nor phase is.
#[test]
fn a_drift_about_zero_is_told_in_standard_uncertainties() {
    let (remarks, _) = remarked_of_a_drift(0.1, 0.0, 0.0);
    let [remark] = remarks.as_slice() else {
        panic!("{remarks:?}")
    };
    assert!(
        remark.starts_with("within the point what is averaged wanders by ")
            && remark.contains("of the standard uncertainties"),
        "{remark}"
    );
}
