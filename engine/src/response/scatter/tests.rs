//! The scatter of means against another way to the same numbers, and by hand.

use super::*;
use crate::flow::{Flow, Kind};
use crate::response::Response;
use crate::units::Unit;

const WHITE: PowerLaw = PowerLaw {
    at_1_hz: 3.0,
    exponent: 0.0,
};

fn figures(elements: Vec<Element>, line: f64) -> Figures {
    let flow = Flow {
        clock: Some(("clock".into(), 1, 1)),
        response: Response { elements },
        ..Flow::new(Kind::ComplexEstimate, Unit::volt())
    };
    Figures::of(&flow, Some(line)).expect("a chain")
}

fn chain(n: u64) -> Vec<Element> {
    vec![
        Element::Mixed,
        Element::Sections(vec![[0.02, 0.0, 0.0, -0.98, 0.0]; 2], 1000.0),
        Element::KeepEvery(10),
        Element::Taps(vec![0.25; 4], 100.0),
        Element::Average(n, 100.0),
    ]
}

/// White noise against the sums over the impulse response, which are another way to the same number:
/// 2·S·B. What either forgets of the chain's memory is 1e-6 of a step.
#[test]
fn white_noise_has_the_noise_bandwidth_of_the_whole_chain() {
    for n in [1, 2, 7, 50, 90, 400, 100_000] {
        let figures = figures(chain(n), 130.0);
        let band = figures.value_noise_bandwidth.expect("a bandwidth");
        let scatter = figures.scatter(&[WHITE], 1e-3, false).expect("short");
        let found = scatter.variances(n as f64 / 100.0)[0];
        let expected = 2.0 * WHITE.at_1_hz * band;
        assert!(
            (found - expected).abs() < 4e-6 * expected,
            "{n}: {found} {expected}"
        );
    }
}

/// A long mean sees the density at the line alone: S(f₀)/T for noise of any colour. What the slope and
/// curvature of the density and the chain's memory add falls as 1/T; 1e5 s are 1e5 times the memory.
#[test]
fn a_long_mean_sees_the_density_at_the_line() {
    let flicker = PowerLaw {
        at_1_hz: 5.0,
        exponent: 1.0,
    };
    let scatter = figures(chain(100), 130.0).scatter(&[flicker], 1e-3, false);
    let found = scatter.expect("short").variances(1e5)[0];
    let expected = flicker.density(130.0) / 1e5;
    assert!(
        (found - expected).abs() < 1e-4 * expected,
        "{found} {expected}"
    );
}

/// A product with a sign lets in π²/8 of the white noise of a product with a sine (sum of all odd 1/k²).
#[test]
fn a_switched_product_lets_the_odd_harmonics_in() {
    let figures = figures(chain(100), 130.0);
    let one = |switched| {
        let scatter = figures.scatter(&[WHITE], 1e-3, switched).expect("short");
        scatter.variances(1.0)[0]
    };
    let ratio = one(true) / one(false);
    let expected = std::f64::consts::PI * std::f64::consts::PI / 8.0;
    assert!((ratio - expected).abs() < 1e-12, "{ratio}");
}

/// Antiderivatives by hand: ∫ 1/f from 1 to e is 1, ∫ f^-2 from 1 to 2 is ½, ∫ f^-½ from 1 to 4 is 2.
#[test]
fn power_between_frequencies_by_hand() {
    for (exponent, high, expected) in [
        (0.0, 3.0, 2.0),
        (1.0, std::f64::consts::E, 1.0),
        (2.0, 2.0, 0.5),
        (0.5, 4.0, 2.0),
    ] {
        let law = PowerLaw {
            at_1_hz: 1.0,
            exponent,
        };
        assert!(
            (law.between(1.0, high) - expected).abs() < 1e-15,
            "{exponent}"
        );
    }
}

#[test]
fn a_tone_at_the_line_comes_through_and_others_do_not() {
    let scatter = figures(chain(100), 130.0)
        .scatter(&[WHITE], 1e-3, false)
        .expect("short");
    // A tone at the line is one rotating phasor that stands still, ½ of its square in each part; the
    // one at 260 Hz from the line is at most 1e-3 of it.
    let own = scatter.tone(130.0, 10.0);
    assert!(
        (own - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-6,
        "{own}"
    );
    assert!(scatter.tone(150.0, 10.0) < 1e-2 * own);
}

#[test]
fn what_cannot_be_told_says_why() {
    let unknown = {
        let flow = Flow {
            clock: Some(("clock".into(), 1, 1)),
            response: Response {
                elements: chain(10),
            },
            ..Flow::new(Kind::ComplexEstimate, Unit::volt())
        };
        Figures::of(&flow, None).expect("a chain")
    };
    let error = unknown
        .scatter(&[WHITE], 1e-3, false)
        .expect_err("no frequency");
    assert_eq!(error, ScatterError::NoFrequency);
    // A difference of neighbours lets no steady signal through, before the mixing as little as behind it.
    let difference = Element::Taps(vec![1.0, -1.0], 1000.0);
    let blind = vec![difference, Element::Mixed, Element::Average(10, 1000.0)];
    let error = figures(blind, 0.0).scatter(&[WHITE], 1e-3, false);
    assert_eq!(error.expect_err("no signal"), ScatterError::NoSignal);
    let slow = vec![
        Element::Mixed,
        Element::Sections(vec![[3e-6, 0.0, 0.0, 3e-6 - 1.0, 0.0]], 1000.0),
        Element::Average(10, 1000.0),
    ];
    let error = figures(slow, 130.0).scatter(&[WHITE], 1e-3, false);
    assert_eq!(error.expect_err("too long"), ScatterError::TooLong);
}

/// Noise of one exponent is followed once, however many sources have it.
#[test]
fn many_sources_of_one_kind_share_their_cells() {
    let law = |k: u32| PowerLaw {
        at_1_hz: f64::from(k),
        exponent: f64::from(k % 2),
    };
    let laws: Vec<PowerLaw> = (0..1000).map(law).collect();
    let scatter = figures(chain(100), 130.0).scatter(&laws, 1e-3, false);
    let scatter = scatter.expect("short");
    assert_eq!(scatter.cells.len(), 2);
    let found = scatter.variances(1.0);
    assert_eq!(found.len(), 1000);
    for (k, v) in found.iter().enumerate() {
        // One product of what density 1 leaves with the density.
        let expected = found[1 + (k + 1) % 2] / law(1 + (k as u32 + 1) % 2).at_1_hz * k as f64;
        assert!((v - expected).abs() <= 4.0 * f64::EPSILON * expected, "{k}");
    }
}
