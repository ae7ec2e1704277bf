//! Figures worked by hand.

use super::*;
use crate::flow::Kind;
use crate::response::Response;
use crate::response::decibels;
use crate::units::Unit;

fn flow(kind: Kind, rate: f64, elements: Vec<Element>) -> Flow {
    Flow {
        rate: Some(rate),
        length: Some(1000),
        response: Response { elements },
        ..Flow::new(kind, Unit::one())
    }
}

fn pole(a: f64, rate: f64) -> Element {
    Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], rate)
}

/// One pole has |H|² = (1 - a)²/(1 - 2a·cos x + a²), half at cos x = (4a - 1 - a²)/2a; worked by hand. Its
/// delay at zero is a/(1 - a) samples. Bisection ends at the last bits.
#[test]
fn one_pole_by_hand() {
    let figures =
        Figures::of(&flow(Kind::Wave, 100.0, vec![pole(0.9, 100.0)]), None).expect("a chain");
    let corner = libm::acos((4.0 * 0.9 - 1.0 - 0.81) / 1.8) * 100.0 / std::f64::consts::TAU;
    assert!((figures.half_power.expect("a corner") - corner).abs() < 1e-10);
    assert!((figures.delay.expect("a delay") - 0.09).abs() < 1e-12);
    let noise = 50.0 * 0.1 / 1.9;
    // The impulse response is followed to 1e-9 of a step.
    assert!((figures.noise_bandwidth.expect("short") - noise).abs() < 1e-8);
    assert!((figures.independent.expect("known") - 20.0 * noise).abs() < 1e-6);
}

#[test]
fn decimation_names_the_image_that_comes_through_best() {
    let elements = vec![
        Element::Mixed,
        pole(0.9, 100.0),
        Element::KeepEvery(4),
        Element::KeepEvery(5),
    ];
    let figures = Figures::of(&flow(Kind::Phasor, 5.0, elements), Some(12.0)).expect("a chain");
    let found: Vec<_> = figures
        .images
        .iter()
        .map(|i| (i.rate, i.images, i.worst_at))
        .collect();
    assert_eq!(found, [(25.0, 2, 25.0), (5.0, 10, 5.0)]);
    // At a quarter of the rate one pole has (1 - a)/sqrt(1 + a²).
    let quarter = decibels(0.1 / (1.81f64).sqrt());
    assert!((figures.images[0].worst_db - quarter).abs() < 1e-9);
}

/// A filter before the mixing acts at the frequency itself, against its gain at the signal.
#[test]
fn filters_before_the_mixing_count() {
    let elements = vec![
        Element::Taps(vec![0.5, -0.5], 1000.0),
        Element::Mixed,
        pole(0.5, 1000.0),
    ];
    let figures =
        Figures::of(&flow(Kind::Phasor, 1000.0, elements.clone()), Some(250.0)).expect("a chain");
    assert_eq!(figures.rejections[0].what, "offset");
    assert_eq!(figures.rejections[0].samples_db, -300.0);
    let mains = figures
        .rejections
        .iter()
        .find(|r| r.what == "mains 50 Hz")
        .expect("listed");
    let before = libm::sin(0.05 * std::f64::consts::PI) / libm::sin(0.25 * std::f64::consts::PI);
    let expected = decibels(before) + figures.chain.response(200.0).0;
    assert!((mains.samples_db - expected).abs() < 1e-9);
    assert_eq!(mains.seen_at, 200.0);
    let unknown = Figures::of(&flow(Kind::Phasor, 1000.0, elements), None).expect("a chain");
    assert!(unknown.carrier_left_out && unknown.signal_frequency.is_none());
    let offsets: Vec<f64> = unknown.rejections.iter().map(|r| r.seen_at).collect();
    assert_eq!(offsets, [1.0, 10.0, 100.0]);
}

#[test]
fn a_mean_over_unknown_periods_has_no_figures() {
    let periods = Element::Periods {
        samples: None,
        rate: 100.0,
        stated: false,
    };
    let figures = Figures::of(
        &flow(Kind::Phasor, 100.0, vec![Element::Mixed, periods]),
        None,
    );
    let figures = figures.expect("a chain");
    assert!(figures.needs_frequency && figures.noise_bandwidth.is_none());
    assert!(figures.rejections.is_empty() && figures.settling.is_empty());
}

#[test]
fn what_no_chain_leads_to_has_no_figures() {
    for (kind, elements) in [
        (Kind::Wave, vec![]),
        (Kind::Clock, vec![pole(0.5, 1.0)]),
        (Kind::Density, vec![pole(0.5, 1.0)]),
        (Kind::Estimate, vec![pole(0.5, 1.0)]),
    ] {
        assert!(
            Figures::of(&flow(kind, 1.0, elements), None).is_none(),
            "{kind}"
        );
    }
}

/// At 1000 Hz, 875 Hz are seen at 125 Hz; kept to 250 Hz, at 125 Hz as well, and 330 Hz at 80 Hz, 20 Hz from a signal
/// at 100 Hz, by hand. A pole of (1 - a)/(1 - a·z⁻¹) with a = 0.5 has the square gain 0.25/(1.25 - cos x).
#[test]
fn lines_arrive_where_sampling_puts_them() {
    let pole_gain =
        |turns: f64| decibels((0.25 / (1.25 - libm::cos(std::f64::consts::TAU * turns))).sqrt());
    let thinned = vec![
        pole(0.5, 1000.0),
        Element::KeepEvery(4),
        Element::Mixed,
        pole(0.5, 250.0),
    ];
    let figures = Figures::of(&flow(Kind::Phasor, 250.0, thinned), Some(100.0)).expect("a chain");
    assert_eq!(figures.chain.input_rate(), 1000.0);
    for (f, off, folded) in [
        (125.0, 25.0, false),
        (875.0, 25.0, true),
        (330.0, 20.0, true),
        (80.0, 20.0, false),
    ] {
        let arrival = figures.chain.arrival(f, f64::INFINITY).expect("a place");
        assert_eq!((arrival.seen_at, arrival.folded), (off, folded), "{f}");
        let expected = pole_gain(f / 1000.0) - pole_gain(0.1) + pole_gain(off / 250.0);
        assert!(
            (arrival.db - expected).abs() < 1e-9,
            "{f} {} {expected}",
            arrival.db
        );
    }
    // Behind the mixing: 149 Hz is 49 Hz from 100 Hz, and kept to 50 Hz it is seen at 1 Hz.
    let behind = vec![Element::Mixed, pole(0.5, 1000.0), Element::KeepEvery(20)];
    let figures = Figures::of(&flow(Kind::Phasor, 50.0, behind), Some(100.0)).expect("a chain");
    let arrival = figures
        .chain
        .arrival(149.0, f64::INFINITY)
        .expect("a place");
    assert!(arrival.folded && (arrival.seen_at - 1.0).abs() < 1e-9);
    assert!((arrival.db - pole_gain(0.049)).abs() < 1e-9);
}
