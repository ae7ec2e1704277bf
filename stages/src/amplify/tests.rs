//! Tests of `Amplify`: worked by hand, against sums over a period, and what is refused.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::constant::{GainAndPhase, GainTable, TableUncertainty};
use phasemill_engine::testing;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{About, Part, Reach};

use super::*;

fn phasor() -> Flow {
    Flow {
        convention: Some(Convention::Peak),
        clock: Some(("clock".into(), 1, 1)),
        ..Flow::new(Kind::Phasor, Unit::parse("V").expect("a unit"))
    }
}

fn gain() -> Constant {
    let value = phasemill_engine::units::Quantity::parse("2e8 V/A").expect("a quantity");
    Constant {
        name: "gain".into(),
        standard_uncertainty: Some(2e6),
        ..Constant::exact(value)
    }
}

#[test]
fn volts_over_volts_per_ampere_are_amperes() {
    let z = [Complex64::new(4.0, -2.0)];
    let text = r#"Amplify(of: "x", divide_by: "gain")"#;
    let given = testing::run_every_way(
        &Amplify,
        text,
        &[gain()],
        &[phasor()],
        &[Samples::Phasor(&z)],
    )
    .expect("runs");
    assert_eq!(
        given.buffers[0].samples().phasor(),
        [Complex64::new(4.0, -2.0) / 2e8]
    );
    assert_eq!(given.ports[0].flow.unit, Unit::parse("A").expect("a unit"));
    let part = given.ports[0].flow.scalings[0].part(100.0.into());
    assert_eq!(part.expect("stated").effect, (-1.0).into());
}

/// A square of height H and 50 % duty has the fundamental 2H/π; at other duties and with flanks the
/// factor is checked against the Fourier integral of the waveform, summed slowly.
#[test]
fn the_full_step_is_found_again() {
    assert!((peak_of_unit_step(1, 0.5, 0.0) - 2.0 / PI).abs() < 1e-15);
    for (n, duty, flank) in [
        (1, 0.5, 0.1),
        (1, 0.3, 0.05),
        (3, 0.5, 0.02),
        (2, 0.4, 0.07),
    ] {
        let steps = 200_000;
        let sum: Complex64 = (0..steps)
            .map(|i| (f64::from(i) + 0.5) / f64::from(steps))
            .map(|t| Complex64::from_polar(trapezoid(t, duty, flank), -TAU * f64::from(n) * t))
            .sum();
        let slow = 2.0 * sum.norm() / f64::from(steps);
        // The midpoint rule on a waveform with kinks errs by about (1/steps)².
        assert!(
            (slow - peak_of_unit_step(n, duty, flank)).abs() < 1e-8,
            "{n} {duty} {flank}: {slow}"
        );
    }
}

/// A trapezoid, up between `flank/2` and `duty - flank/2`, with linear flanks around 0 and `duty`.
fn trapezoid(t: f64, duty: f64, flank: f64) -> f64 {
    let t = if t > 1.0 - 0.5 * flank { t - 1.0 } else { t };
    if t < 0.5 * flank {
        t / flank + 0.5
    } else if t < duty - 0.5 * flank {
        1.0
    } else if t < duty + 0.5 * flank {
        0.5 - (t - duty) / flank
    } else {
        0.0
    }
}

#[test]
fn peak_becomes_rms() {
    let z = [Complex64::new(SQRT_2, 0.0)];
    let text = r#"Amplify(of: "x", express_as: Rms)"#;
    let given = testing::run_every_way(&Amplify, text, &[], &[phasor()], &[Samples::Phasor(&z)])
        .expect("runs");
    assert!((given.buffers[0].samples().phasor()[0].re - 1.0).abs() < 1e-15);
    assert_eq!(given.ports[0].flow.convention, Some(Convention::Rms));
}

#[test]
fn an_even_harmonic_of_a_symmetric_square_has_no_step() {
    let flow = Flow {
        clock: Some(("clock".into(), 2, 1)),
        ..phasor()
    };
    let text = r#"Amplify(of: "x", express_as: FullStep(chopping: Square()))"#;
    let (found, _) = testing::check(&Amplify, text, &[], &[flow]);
    assert_eq!(
        found.iter().map(|d| d.code).collect::<Vec<_>>(),
        [Code::OutOfRange]
    );
}

/// An estimate with 3 % of its own and 4 % of the gain has 5 %, by hand.
#[test]
fn the_gain_adds_its_share() {
    let own = About::scatter("own", Reach::Node, 9.0);
    let parts = Some(vec![Part::new(&own, 0, 0.03)]);
    let z = Value::Estimate(Estimate {
        parts,
        ..Estimate::real(1.0)
    });
    let constant = Constant {
        standard_uncertainty: Some(8e6),
        ..gain()
    };
    let flow = Flow {
        kind: Kind::Estimate,
        ..phasor()
    };
    let text = r#"Amplify(of: "x", multiply_by: "gain")"#;
    let (_, values) = testing::evaluate(&Amplify, text, &[constant], &[flow], &[&z]).expect("runs");
    let scaled = values[0].estimate().expect("a value");
    let relative = scaled.standard_uncertainty().expect("evaluated").re / scaled.value.re;
    assert!((relative - 0.05).abs() < 1e-15, "{relative}");
}

/// 10 Hz: 4 V/A at 0; 1000 Hz: 1 V/A at -90 degrees; each to 3 %, all to 4 %, phases to 0.01 rad in common.
fn table() -> Constant {
    let unit = Unit::parse("V/A").expect("a unit");
    let pair = |gain, phase| GainAndPhase { gain, phase };
    let table = GainTable {
        frequency: vec![10.0, 1000.0],
        gain: vec![4.0, 1.0],
        phase: vec![0.0, -std::f64::consts::FRAC_PI_2],
        uncertainty: Some(TableUncertainty {
            own: pair(0.03, 0.0),
            common: pair(0.04, 0.01),
        }),
    };
    Constant {
        name: "preamplifier".into(),
        unit,
        table: Some(table.into()),
        ..Constant::one()
    }
}

fn at(frequency: Option<f64>, harmonic: u32) -> Flow {
    Flow {
        kind: Kind::ComplexEstimate,
        frequency,
        clock: Some(("clock".into(), harmonic, 1)),
        ..phasor()
    }
}

fn exact(value: Complex64) -> Value {
    Value::Estimate(Estimate {
        parts: Some(Vec::new()),
        ..Estimate::bare(value)
    })
}

/// At twice 50 Hz the gain is sqrt(4·1) = 2 at -45 degrees, so that 2 at 45 degrees over it is i. Of the gain,
/// sqrt(0.04² + 2(0.03/2)²) acts along the value, here the imaginary axis, and 0.01 rad across; by hand.
#[test]
fn a_table_is_taken_at_the_harmonic() {
    let text = r#"Amplify(of: "x", divide_by: "preamplifier")"#;
    let z = exact(Complex64::from_polar(2.0, std::f64::consts::FRAC_PI_4));
    let flows = [at(Some(50.0), 2)];
    let (found, values) =
        testing::evaluate(&Amplify, text, &[table()], &flows, &[&z]).expect("runs");
    assert!(found.is_empty(), "{found}");
    let made = values[0].estimate().expect("a value");
    // Some ten roundings of logarithm, exponential, sine and cosine, each below 2e-16.
    assert!(
        (made.value - Complex64::i()).norm() < 2e-15,
        "{}",
        made.value
    );
    let u = made.standard_uncertainty().expect("evaluated");
    let along = (0.04f64 * 0.04 + 2.0 * 0.015 * 0.015).sqrt();
    assert!(
        (u.im - along).abs() < 1e-15 && (u.re - 0.01).abs() < 1e-15,
        "{u}"
    );
}

/// ln|G| falls by ln 4 and the phase by 90 degrees in ln 100; a measured 100 Hz to 1 % moves the value by a
/// hundredth of that, against the power -1; by hand.
#[test]
fn a_measured_frequency_brings_its_uncertainty() {
    let text = r#"Amplify(of: "x", divide_by: "preamplifier", frequency: "clock.frequency")"#;
    let z = exact(1.0.into());
    let source = About::scatter("frequency", Reach::Node, 9.0);
    let frequency = Value::Estimate(Estimate {
        parts: Some(vec![Part::new(&source, 0, 1.0)]),
        ..Estimate::real(100.0)
    });
    let flows = [at(None, 1), Flow::new(Kind::Estimate, Unit::hertz())];
    let (found, values) =
        testing::evaluate(&Amplify, text, &[table()], &flows, &[&z, &frequency]).expect("runs");
    assert!(found.is_empty(), "{found}");
    let made = values[0].estimate().expect("a value");
    let parts = made.parts.as_ref().expect("evaluated");
    let part = parts.iter().find(|p| p.source.about == source);
    let slope = Complex64::new(-libm::log(4.0), -std::f64::consts::FRAC_PI_2) / libm::log(100.0);
    let expected = -made.value * slope * 0.01;
    assert!((part.expect("a part").effect - expected).norm() < 1e-16);
}

#[test]
fn nothing_is_known_outside_the_table() {
    let text = r#"Amplify(of: "x", divide_by: "preamplifier", frequency: "clock.frequency")"#;
    let flows = [at(None, 1), Flow::new(Kind::Estimate, Unit::hertz())];
    let (z, frequency) = (exact(1.0.into()), Value::Estimate(Estimate::real(5.0)));
    let fault = testing::evaluate(&Amplify, text, &[table()], &flows, &[&z, &frequency])
        .expect_err("outside");
    assert_eq!(
        fault.to_string(),
        "gain of the table: expected a frequency from 10 Hz to 1 kHz, found 5 Hz"
    );
}

/// A pulse train has the fundamental 2 sin(pi d)/pi of its step (Fourier series): of what is up for a fifth of a cycle
/// and told for half of one, sin(0.2 pi) = 0.588 is told. What is within the error of the measured part, or off by less
/// than 1 %, as sin(0.48 pi) = 0.998, is not told of; at the third harmonic sin(1.44 pi) is 0.982 of what it should be.
#[test]
fn another_duty_than_that_of_the_reference_is_remarked_on() {
    let beside = |duty, up, harmonic| {
        let settings = Settings {
            multiply: None,
            divide: None,
            express: Some(Express::Step { duty, flank: 0.0 }),
            tables: Vec::new(),
        };
        let flow = Flow {
            clock: Some(("clock".into(), harmonic, 1)),
            ..phasor()
        };
        let clock = ClockFound {
            up,
            ..ClockFound::default()
        };
        settings.beside(&flow, &clock)
    };
    let told = beside(0.5, Some((0.2, 0.01)), 1).expect("a remark");
    assert!(
        told.contains("0.588 of the true one") && told.contains("`duty: \"20.0 %\"`"),
        "{told}"
    );
    let told = beside(0.5, Some((0.48, 0.005)), 3).expect("a remark");
    assert!(told.contains("0.982"), "{told}");
    for (duty, up, harmonic) in [
        (0.5, None, 1),
        (0.5, Some((0.48, 0.005)), 1),
        (0.5, Some((0.48, 0.03)), 3),
        (0.2, Some((0.8, 0.001)), 1),
    ] {
        assert_eq!(beside(duty, up, harmonic), None, "{duty} {up:?} {harmonic}");
    }
}
