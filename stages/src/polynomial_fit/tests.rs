//! Tests of `PolynomialFit`: certified values, and lines worked by hand.

use phasemill_engine::testing;
use phasemill_engine::value::{About, Part, Reach};

use super::*;

fn point(value: f64, u: f64, which: usize) -> Option<Value> {
    let about = About::scatter(format!("point {which}"), Reach::Node, 9.0);
    Some(Value::Estimate(Estimate {
        parts: Some(vec![Part::new(&about, 0, u)]),
        ..Estimate::real(value)
    }))
}

/// NIST StRD linear regression, "Norris" (public domain), pairs x and y from memory, which the certified values
/// confirm: intercept, slope, their standard deviations and the residual standard deviation s. With s as the
/// uncertainty of every point the fit must give these, and chi-square 34, the degrees of freedom.
#[test]
fn norris_has_its_certified_line() {
    let data = [
        (0.2, 0.1),
        (337.4, 338.8),
        (118.2, 118.1),
        (884.6, 888.0),
        (10.1, 9.2),
        (226.5, 228.1),
        (666.3, 668.5),
        (996.3, 998.5),
        (448.6, 449.1),
        (777.0, 778.9),
        (558.2, 559.2),
        (0.4, 0.3),
        (0.6, 0.1),
        (775.5, 778.1),
        (666.9, 668.8),
        (338.0, 339.3),
        (447.5, 448.9),
        (11.6, 10.8),
        (556.0, 557.7),
        (228.1, 228.3),
        (995.8, 998.0),
        (887.6, 888.8),
        (120.2, 119.6),
        (0.3, 0.3),
        (0.3, 0.6),
        (556.8, 557.6),
        (339.1, 339.3),
        (887.2, 888.0),
        (999.0, 998.5),
        (779.0, 778.9),
        (11.1, 10.2),
        (118.3, 117.6),
        (229.2, 228.9),
        (669.1, 668.4),
        (448.9, 449.2),
        (0.5, 0.2),
    ];
    let s = 0.884796396144373;
    let series: Vec<_> = data
        .iter()
        .enumerate()
        .map(|(k, (_, y))| point(*y, s, k))
        .collect();
    let places: Vec<f64> = data.iter().map(|(x, _)| *x).collect();
    let found = fitted(&series, &places, 1, None).expect("a line");
    let u = |k: usize| found[k].standard_uncertainty().expect("evaluated").re;
    // Certified to 15 digits; sums of 36 values of 1000 lose three or so, of which the intercept is 1/1000.
    let near = |found: f64, certified: f64, part: f64| {
        assert!(
            (found / certified - 1.0).abs() < part,
            "{found} {certified}"
        );
    };
    near(found[0].value.re, -0.262323073774029, 1e-10);
    near(found[1].value.re, 1.00211681802045, 1e-13);
    near(u(0), 0.232818234301152, 1e-13);
    near(u(1), 4.29796848199937e-4, 1e-13);
    near(found[2].value.re, 34.0, 1e-11);
}

/// Through 1, 3, 5 at 10, 11, 12 the line is 2x - 19, 31 at 25; with u = 0.1 each u(c1) = 0.1/sqrt(2) and, at 25,
/// 0.1·sqrt(1/3 + 14²/2), by hand.
#[test]
fn a_line_is_extrapolated_with_its_uncertainty() {
    let series: Vec<_> = [1.0, 3.0, 5.0]
        .iter()
        .enumerate()
        .map(|(k, y)| point(*y, 0.1, k))
        .collect();
    let found = fitted(&series, &[10.0, 11.0, 12.0], 1, Some(25.0)).expect("a line");
    let u = |k: usize| found[k].standard_uncertainty().expect("evaluated").re;
    for (k, expected) in [(0, -19.0), (1, 2.0), (2, 31.0)] {
        assert!(
            (found[k].value.re - expected).abs() < 1e-12,
            "{}",
            found[k].value
        );
    }
    assert!((u(1) - 0.1 / 2f64.sqrt()).abs() < 1e-14);
    assert!((u(2) - 0.1 * (1.0 / 3.0 + 98.0f64).sqrt()).abs() < 1e-13);
    // One degree of freedom and no residual: by chance always as much.
    assert!(found[3].value.re < 1e-20 && (found[4].value.re - 1.0).abs() < 1e-9);
}

/// x² - 3x + 2 through four points, one of which failed and one has no place.
#[test]
fn a_parabola_passes_through_three_points() {
    let y = |x: f64| x * x - 3.0 * x + 2.0;
    let places = [0.0, 1.0, f64::NAN, 4.0, 6.0];
    let mut series: Vec<_> = (0..5)
        .map(|k| point(y(places[k].max(0.0)), 0.1, k))
        .collect();
    series[1] = None;
    let found = fitted(&series, &places, 2, None).expect("a parabola");
    for (k, expected) in [(0, 2.0), (1, -3.0), (2, 1.0)] {
        assert!(
            (found[k].value.re - expected).abs() < 1e-12,
            "{}",
            found[k].value
        );
    }
    assert!(found[4].value.re.is_nan());
    let fault = fitted(&series, &places, 3, None).expect_err("too few");
    assert_eq!(
        fault.to_string(),
        "expected at least 4 points with a value, found 3"
    );
}

#[test]
fn coefficients_have_their_units() {
    let flow = Flow {
        evaluated: true,
        points: Some(5),
        ..Flow::new(Kind::Estimate, Unit::volt())
    };
    let text = r#"PolynomialFit(of: "x", order: 2, axis: "nm", at: "0.5 um")"#;
    let (found, ports) = testing::check(&PolynomialFit, text, &[], &[flow]);
    assert!(found.is_empty(), "{found}");
    let shown: Vec<String> = ports
        .iter()
        .map(|p| format!("{} {}", p.name(), p.flow.unit.ascii()))
        .collect();
    assert_eq!(
        shown,
        [
            "c0 V",
            "c1 V/nm",
            "c2 V/nm^2",
            "value V",
            "chi_square 1",
            "p 1",
            "birge 1"
        ]
    );
}

#[test]
fn an_axis_that_does_not_fit_is_told_with_its_cure() {
    let settings = Settings {
        order: 1,
        unit: Unit::parse("K").expect("a unit"),
        at: None,
    };
    for (unit, values, told) in [
        (
            "",
            vec![],
            "found none; leave `axis` out, and x is the number of the point",
        ),
        (
            "V",
            vec![1.0, 2.0],
            "found one in V; state its unit as `axis`",
        ),
        (
            "banana",
            vec![1.0, 2.0],
            "found `banana`, write it in SI units; correct the unit of the axis",
        ),
    ] {
        let axis = SeriesAxis {
            unit: unit.into(),
            values,
            ..SeriesAxis::default()
        };
        let fault = settings.places(&axis, 2).expect_err("another axis");
        assert_eq!(
            fault.to_string(),
            format!("polynomial: expected an axis in K, {told}")
        );
    }
}
