//! Allan deviations against Riley, NIST SP 1065 (2008), the test suite of nine frequency values.

use super::support_reference::{Bench, near};

const VALUES: [f64; 9] = [892., 809., 823., 798., 671., 644., 883., 903., 677.];

/// The values stand in Riley (2008), table 31 (number of the table from memory); half of the last
/// printed digit is the tolerance.
#[test]
fn nine_values_have_their_published_deviations() {
    let published = [
        ("Plain", [91.22945, 115.8082]),
        ("Overlapping", [91.22945, 85.95287]),
        ("Modified", [91.22945, 74.78849]),
    ];
    let bench = Bench::new(1.0, &[("y", &VALUES)]);
    for (kind, deviations) in published {
        let stage =
            format!(r#""s": Stability(of: "y", kind: {kind}, averages: Listed(["1 s", "2 s"]))"#);
        let found = bench.run(&stage, &["s"]).column("s", "value");
        assert_eq!(found.len(), 2);
        near(kind, found[0], deviations[0], 5e-6);
        let half_digit = if kind == "Plain" { 5e-5 } else { 5e-6 };
        near(kind, found[1], deviations[1], half_digit);
    }
}

/// A ramp of slope b has the Allan deviation b*tau/sqrt(2) (Riley 2008, 3.2, linear frequency drift),
/// for the modified one too; steps of 1 are exact, so only the last roundings are left.
#[test]
fn a_drift_rises_with_averaging_time() {
    let ramp: Vec<f64> = (0..64).map(f64::from).collect();
    let bench = Bench::new(2.0, &[("y", &ramp)]);
    for kind in ["Plain", "Overlapping", "Modified"] {
        let stage = format!(r#""s": Stability(of: "y", kind: {kind})"#);
        let found = bench.run(&stage, &["s"]).column("s", "value");
        for (k, deviation) in found.iter().enumerate() {
            let expected = f64::from(1u32 << k) / std::f64::consts::SQRT_2;
            near(kind, *deviation, expected, 1e-12 * expected);
        }
    }
}
