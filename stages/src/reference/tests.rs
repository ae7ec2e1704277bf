//! Tests of `Reference`.

use phasemill_engine::constant::Distribution;
use phasemill_engine::flow::{Phase, Samples};
use phasemill_engine::stage::ClockFound;
use phasemill_engine::testing::{self, Given};

use super::*;

const RATE: f64 = 10e3;

fn given(text: &str, samples: &[f64]) -> Result<Given, Fault> {
    let flow = Flow {
        rate: Some(RATE),
        ..Flow::new(Kind::Wave, Unit::parse("V").expect("a unit"))
    };
    testing::run_every_way(&Reference, text, &[], &[flow], &[Samples::Wave(samples)])
}

fn value(given: &Given, k: usize) -> f64 {
    given.closing.values[k]
        .estimate()
        .expect("a value")
        .value
        .re
}

fn square(frequency: f64, duty: f64, samples: u32) -> Vec<f64> {
    (0..samples)
        .map(|i| {
            if (f64::from(i) * frequency / RATE + 0.3) % 1.0 < duty {
                5.0
            } else {
                0.0
            }
        })
        .collect()
}

/// An edge between two samples is placed midway, so a phase is right within half a sample; up to 1.5
/// periods beyond the outermost edges the slope over eight periods adds 1.5/8 of a sample.
#[test]
fn a_square_of_any_duty_gives_its_phase() {
    for duty in [0.5, 0.1, 0.8] {
        let given = given(
            r#"Reference(of: "x", shape: Square())"#,
            &square(123.0, duty, 5000),
        )
        .expect("a clock");
        assert!(
            (value(&given, 0) - 123.0).abs() < 0.02,
            "{}",
            value(&given, 0)
        );
        let off = |(i, p): (usize, &Phase)| {
            let exact = i as f64 * 123.0 / RATE + 0.3;
            let off = p.cycle as f64 + p.fraction - exact;
            (off - off.round()).abs()
        };
        let worst = given.buffers[0]
            .samples()
            .clock()
            .iter()
            .enumerate()
            .map(off)
            .fold(0.0, f64::max);
        assert!(worst <= 0.69 * 123.0 / RATE, "{duty}: {worst}");
    }
}

#[test]
fn a_falling_edge_is_where_the_pulse_ends() {
    let text = r#"Reference(of: "x", shape: Square(edge: Falling))"#;
    let given = given(text, &square(100.0, 0.25, 5000)).expect("a clock");
    // The pulse ends at phase 0.25 of the square, which begins at 0.3: whole cycles at 0.95 periods.
    let phase = given.buffers[0].samples().clock()[95];
    let off = phase.fraction - phase.fraction.round();
    assert!(off.abs() <= 0.0051, "{phase:?}");
}

#[test]
fn a_sine_a_stated_and_a_free_reference_agree() {
    let samples: Vec<f64> = (0..5000)
        .map(|i| libm::sin(TAU * (100.0 * f64::from(i) / RATE + 0.2)))
        .collect();
    for text in [
        r#"Reference(of: "x", shape: Sine())"#,
        r#"Reference(of: "x", shape: Stated(frequency: "100 Hz", phase: "72 deg"))"#,
        r#"Reference(of: "x", shape: Free(near: "95 Hz"))"#,
    ] {
        let given = given(text, &samples).expect("a clock");
        for i in [0usize, 1234, 4999] {
            let p = given.buffers[0].samples().clock()[i];
            let off = p.fraction - (100.0 * i as f64 / RATE + 0.2);
            // Fits of exact samples leave rounding only.
            assert!((off - off.round()).abs() < 1e-9, "{text}: {off}");
        }
    }
}

#[test]
fn what_is_no_reference_is_refused() {
    let mut state = 1u64;
    let noise: Vec<f64> = (0..5000)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64
        })
        .collect();
    let text = r#"Reference(of: "x", shape: Square())"#;
    for samples in [&vec![1.0; 5000], &vec![f64::NAN; 5000], &noise] {
        let fault = given(text, samples).expect_err("no reference");
        assert!(matches!(fault, Fault::Reference { .. }), "{fault}");
    }
    let text = r#"Reference(of: "x", shape: Square(), expect: "150 Hz")"#;
    let fault = given(text, &square(123.0, 0.5, 5000)).expect_err("another frequency");
    assert!(fault.to_string().contains("found 123"), "{fault}");
}

#[test]
fn a_frequency_above_half_the_rate_is_refused() {
    let flow = Flow {
        rate: Some(RATE),
        ..Flow::new(Kind::Wave, Unit::one())
    };
    let text = r#"Reference(of: "x", shape: Stated(frequency: "6 kHz"))"#;
    let (found, _) = testing::check(&Reference, text, &[], &[flow]);
    assert_eq!(
        found.iter().map(|d| d.code).collect::<Vec<_>>(),
        [Code::Rate]
    );
}

/// Sums of twelve uniform numbers: nearly normal, of unit variance.
fn noise(count: usize) -> Vec<f64> {
    let mut state = 11u64;
    let mut uniform = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..count)
        .map(|_| (0..12).map(|_| uniform()).sum::<f64>() - 6.0)
        .collect()
}

#[test]
fn noise_has_no_frequency() {
    for shape in ["Free()", "Free(near: \"300 Hz\")", "Sine()"] {
        let text = format!(r#"Reference(of: "x", shape: {shape})"#);
        let fault = given(&text, &noise(3000)).expect_err("no reference");
        assert!(matches!(fault, Fault::Reference { .. }), "{shape}: {fault}");
    }
}

/// A sine of a fifth of the noise, 3000 samples: its power over the noise's is 0.04/4·3000 = 30, and by
/// chance 3000/2 frequencies reach that with 1500·e^-30. Its frequency has the standard error
/// √24·σ/(A·N^1.5)·rate/2π = 0.24 Hz (Rife & Boorstyn 1974), four times which is allowed.
#[test]
fn a_weak_sine_has_one() {
    let mut samples = noise(3000);
    for (i, x) in samples.iter_mut().enumerate() {
        *x += 0.2 * libm::sin(TAU * 310.0 * i as f64 / RATE);
    }
    let given = given(r#"Reference(of: "x", shape: Free())"#, &samples).expect("a clock");
    assert!(
        (value(&given, 0) - 310.0).abs() < 1.0,
        "{}",
        value(&given, 0)
    );
    let u = given.closing.values[0]
        .estimate()
        .and_then(|e| e.standard_uncertainty());
    assert!((u.expect("evaluated").re / 0.24 - 1.0).abs() < 0.25);
}

#[test]
fn a_reference_that_begins_late_and_ends_early_says_so() {
    let mut samples = square(100.0, 0.5, 5000);
    samples[..1000].fill(0.0);
    samples[4000..].fill(0.0);
    let given = given(r#"Reference(of: "x", shape: Square())"#, &samples).expect("a clock");
    let remarks = given.closing.remarks.join("; ");
    assert!(
        remarks.contains("no reference before sample")
            && remarks.contains("no reference after sample"),
        "{remarks}"
    );
    let clock = given.buffers[0].samples().clock();
    let known = |i: usize| !clock[i].fraction.is_nan();
    assert_eq!(
        [700, 1000, 3990, 4300].map(known),
        [false, true, true, false]
    );
}

#[test]
fn an_expectation_that_contradicts_the_statement_is_refused() {
    let flow = Flow {
        rate: Some(RATE),
        ..Flow::new(Kind::Wave, Unit::one())
    };
    for (expect, faults) in [("100 Hz", 0), ("101 Hz", 0), ("110 Hz", 1)] {
        let text = format!(
            r#"Reference(of: "x", shape: Stated(frequency: "100 Hz"), expect: "{expect}")"#
        );
        let (found, _) = testing::check(&Reference, &text, &[], std::slice::from_ref(&flow));
        assert_eq!(found.iter().count(), faults, "{expect}");
    }
}

/// A hundred samples in every cycle: what edges are off by alike has the standard deviation 1/sqrt(12) of a sample, but
/// for harmonics left out, 0.3 %, and says nothing of a remark at 1 deg; a pulse is up for as long as it is, known to a
/// sample. Nothing is kept in step at 123 Hz, where 5000 samples hold 61.5 cycles of 81.3 samples; a stated clock has
/// no edges.
#[test]
fn what_edges_are_off_by_alike_goes_with_the_clock() {
    let text = r#"Reference(of: "x", shape: Square())"#;
    let found = |text: &str, samples: &[f64]| given(text, samples).expect("a clock").closing.clock;
    let clock = found(text, &square(100.0, 0.2, 5000)).expect("what was found");
    let part = clock.phase.expect("kept in step");
    assert!((part.effect.re / (0.01 / 12f64.sqrt()) - 1.0).abs() < 4e-3);
    assert_eq!(part.source.about.distribution, Distribution::Rectangular);
    let (up, off) = clock.up.expect("pulses");
    assert!((up - 0.2).abs() < 0.01 && (off - 0.01).abs() < 1e-6);
    let clock = found(text, &square(123.0, 0.5, 5000)).expect("what was found");
    assert!(clock.phase.is_none());
    let stated = r#"Reference(of: "x", shape: Stated(frequency: "100 Hz"))"#;
    assert_eq!(
        found(stated, &square(100.0, 0.5, 5000)),
        Some(ClockFound::default())
    );
}

#[test]
fn few_samples_per_cycle_of_a_square_are_warned_of() {
    let flow = Flow {
        rate: Some(RATE),
        ..Flow::new(Kind::Wave, Unit::one())
    };
    for (shape, expect, warned) in [
        ("Square()", 600, 1),
        ("Square()", 400, 0),
        ("Sine()", 600, 0),
    ] {
        let text = format!(r#"Reference(of: "x", shape: {shape}, expect: "{expect} Hz")"#);
        let (found, _) = testing::check(&Reference, &text, &[], std::slice::from_ref(&flow));
        assert_eq!(found.iter().count(), warned, "{shape} {expect}: {found}");
    }
}
