//! Tests of `Filter`: slow twins, hand-worked values, gaps, refusals.

use std::f64::consts::TAU;

use phasemill_engine::flow::Phase;
use phasemill_engine::testing;
use phasemill_engine::units::Unit;

use super::*;

const RATE: f64 = 1000.0;

fn wave() -> Flow {
    Flow {
        rate: Some(RATE),
        length: Some(4000),
        ..Flow::new(Kind::Wave, Unit::one())
    }
}

fn filtered(kind: &str, samples: &[f64]) -> Result<Vec<f64>, Fault> {
    let text = format!(r#"Filter(of: "x", kind: {kind})"#);
    let given = testing::run_every_way(&Filter, &text, &[], &[wave()], &[Samples::Wave(samples)])?;
    assert!(given.diagnostics.is_empty(), "{}", given.diagnostics);
    Ok(given.buffers[0].samples().wave().to_vec())
}

/// A signal without a simple period, so that no error hides.
fn signal(samples: usize) -> Vec<f64> {
    (0..samples)
        .map(|i| i as f64)
        .map(|i| {
            0.3 + libm::sin(0.05 * i) + 0.5 * libm::sin(0.7 * i + 1.0) + 0.1 * libm::sin(2.9 * i)
        })
        .collect()
}

/// The recurrence of the documentation, one pole after the other. Both round each sample a few
/// times; over 2000 samples of size 2 the difference stays far below 2000 · 2 · 2^-52 ≈ 1e-12.
#[test]
fn an_rc_cascade_is_its_recurrence() {
    let samples = signal(2000);
    let a = libm::exp(-1.0 / (RATE * 0.02));
    let mut expected = samples.clone();
    for _ in 0..3 {
        let mut y = 0.0;
        for x in &mut expected {
            y = a * y + (1.0 - a) * *x;
            *x = y;
        }
    }
    let found = filtered(r#"RcCascade(poles: 3, time_constant: "20 ms")"#, &samples).expect("runs");
    assert!(
        found
            .iter()
            .zip(&expected)
            .all(|(a, b)| (a - b).abs() < 1e-12)
    );
}

/// A sine through a filter comes out with the gain that the definition of its kind states, found by
/// projecting whole periods after settling; the projection of 1000 samples rounds to about 1e-13, and
/// what has not settled after 3 s is far less.
fn gain(kind: &str, frequency: f64) -> f64 {
    let samples: Vec<f64> = (0..4000)
        .map(|i| libm::sin(TAU * frequency * f64::from(i) / RATE))
        .collect();
    let out = filtered(kind, &samples).expect("runs");
    let phasor: Complex64 = (3000..4000)
        .map(|i| Complex64::new(0.0, -TAU * frequency * i as f64 / RATE).exp() * out[i])
        .sum();
    2.0 * phasor.norm() / 1000.0
}

/// Definitions: half power at the corner of a Butterworth filter, the ripple at that of Chebyshev I and
/// elliptic ones, the attenuation at that of Chebyshev II (Oppenheim & Schafer, ch. 7).
#[test]
fn corners_are_where_the_definitions_put_them() {
    let db = |x: f64| libm::pow(10.0, -x / 20.0);
    let half = 0.5f64.sqrt();
    for (kind, frequency, expected) in [
        (r#"Butterworth(order: 5, band: Low("50 Hz"))"#, 50.0, half),
        (r#"Butterworth(order: 5, band: High("50 Hz"))"#, 50.0, half),
        (
            r#"Butterworth(order: 3, band: Pass(from: "40 Hz", to: "90 Hz"))"#,
            90.0,
            half,
        ),
        (
            r#"Butterworth(order: 3, band: Stop(from: "40 Hz", to: "90 Hz"))"#,
            40.0,
            half,
        ),
        (
            r#"Chebyshev1(order: 4, ripple: "1 dB", band: Low("50 Hz"))"#,
            50.0,
            db(1.0),
        ),
        (
            r#"Chebyshev2(order: 4, attenuation: "40 dB", band: Low("50 Hz"))"#,
            50.0,
            db(40.0),
        ),
        (
            r#"Elliptic(order: 4, ripple: "1 dB", attenuation: "40 dB", band: High("50 Hz"))"#,
            50.0,
            db(1.0),
        ),
        (r#"Notch(line: "50 Hz", harmonics: 3, q: 10)"#, 150.0, 0.0),
    ] {
        let found = gain(kind, frequency);
        assert!(
            (found - expected).abs() < 1e-9,
            "{kind}: {found} for {expected}"
        );
    }
    // A Bessel filter of first order is an RC pole: half power at its corner.
    let found = gain(r#"Bessel(order: 1, band: Low("50 Hz"))"#, 50.0);
    assert!((found - half).abs() < 1e-9, "{found}");
}

/// Kaiser's estimate of the length meets the attenuation to about a decibel (Kaiser 1974); the delay is
/// half the length, which a slow sine in the pass band shows.
#[test]
fn a_kaiser_filter_passes_and_stops() {
    let kind = r#"Kaiser(band: Low("50 Hz"), transition: "20 Hz", attenuation: "60 dB")"#;
    assert!(
        (gain(kind, 40.0) - 1.0).abs() < 1.1e-3,
        "{}",
        gain(kind, 40.0)
    );
    assert!(gain(kind, 80.0) < 1.2e-3, "{}", gain(kind, 80.0));
}

#[test]
fn both_parts_of_a_phasor_are_filtered_alike() {
    let (re, im) = (
        signal(500),
        signal(500).into_iter().rev().collect::<Vec<f64>>(),
    );
    let z: Vec<Complex64> = re
        .iter()
        .zip(&im)
        .map(|(x, y)| Complex64::new(*x, *y))
        .collect();
    let kind = r#"Butterworth(order: 4, band: Low("30 Hz"))"#;
    let text = format!(r#"Filter(of: "x", kind: {kind})"#);
    let flow = Flow {
        kind: Kind::Phasor,
        ..wave()
    };
    let given =
        testing::run_every_way(&Filter, &text, &[], &[flow], &[Samples::Phasor(&z)]).expect("runs");
    let (x, y) = (
        filtered(kind, &re).expect("runs"),
        filtered(kind, &im).expect("runs"),
    );
    let parts = given.buffers[0]
        .samples()
        .phasor()
        .iter()
        .zip(x.iter().zip(&y));
    assert!(
        parts
            .into_iter()
            .all(|(z, (x, y))| z.re == *x && z.im == *y)
    );
}

#[test]
fn gaps_are_refused_or_restarted_behind() {
    let mut samples = vec![1.0; 2000];
    samples[500] = f64::NAN;
    let rc = r#"RcCascade(time_constant: "10 ms")"#;
    let fault = filtered(rc, &samples).expect_err("a gap");
    assert!(matches!(fault, Fault::Gap { sample: 500, .. }), "{fault}");
    let text = format!(r#"Filter(of: "x", kind: {rc}, gaps: Restart)"#);
    let given = testing::run_every_way(&Filter, &text, &[], &[wave()], &[Samples::Wave(&samples)])
        .expect("restarts");
    let out = given.buffers[0].samples().wave();
    // One pole of 10 samples settles to 1e-4 after 10·ln(1e4) = 92.1 samples, by hand.
    assert!(
        out[499] > 0.999
            && out[500..592].iter().all(|x| x.is_nan())
            && (out[600] - 1.0).abs() < 1e-4
    );
}

/// The mean of three whole periods of a square clock's own ripple, with the clock given.
#[test]
fn whole_periods_need_a_clock_and_remove_its_ripple() {
    let samples: Vec<f64> = (0..400)
        .map(|i| 2.0 + libm::sin(TAU * f64::from(i) / 20.0))
        .collect();
    let clock: Vec<Phase> = (0..400)
        .map(|i| Phase {
            cycle: i / 20,
            fraction: f64::from(i as i32 % 20) / 20.0,
        })
        .collect();
    let text = r#"Filter(of: "x", kind: WholePeriods(clock: "c", periods: 3))"#;
    let flows = [
        wave(),
        Flow {
            rate: Some(RATE),
            ..Flow::new(Kind::Clock, Unit::one())
        },
    ];
    let inputs = [Samples::Wave(&samples), Samples::Clock(&clock)];
    let given = testing::run_every_way(&Filter, text, &[], &flows, &inputs).expect("runs");
    let out = given.buffers[0].samples().wave();
    // Sums of 60 values below 3 round to no worse than 60 · 3 · 2^-53 ≈ 2e-14.
    assert!(
        out[..60].iter().all(|x| x.is_nan()) && out[60..].iter().all(|x| (x - 2.0).abs() < 2e-14)
    );
}

#[test]
fn what_cannot_be_designed_is_refused() {
    for kind in [
        r#"Butterworth(order: 4, band: Low("500 Hz"))"#,
        r#"Butterworth(order: 4, band: Pass(from: "90 Hz", to: "40 Hz"))"#,
        r#"Elliptic(order: 4, ripple: "50 dB", attenuation: "40 dB", band: Low("50 Hz"))"#,
        r#"Notch(line: "60 Hz", harmonics: 9)"#,
        r#"Kaiser(band: Low("495 Hz"), transition: "20 Hz")"#,
    ] {
        let text = format!(r#"Filter(of: "x", kind: {kind})"#);
        let (found, _) = testing::check(&Filter, &text, &[], &[wave()]);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Design],
            "{kind}"
        );
    }
}
