//! Phases on either side of half a turn, which are near each other.

use crate::support::{Channel, Layout, noise, open, record, sine, text_attribute};
use crate::support_reference::{Bench, Results, near};

const RATE: f64 = 1000.0;
const F: f64 = 50.0;
const SAMPLES: usize = 4000;

/// A sweep against the angle in degrees, whose phases are these, in noise.
fn bench(phases: &[f64], places: &[f64]) -> Bench {
    let bench = Bench::empty(["x"]);
    let mut samples = Vec::new();
    for (k, phase) in phases.iter().enumerate() {
        let noise = noise(SAMPLES, 0.05, 100 + k as u64);
        let signal = sine(SAMPLES, RATE, F, 1.0, phase.to_radians());
        samples.extend(signal.iter().zip(noise).map(|(s, n)| s + n));
    }
    let channel = Channel {
        dataset: "/x",
        unit: "V",
        samples: &samples,
        points: phases.len(),
    };
    record(&bench.recording(), RATE, Layout::Contiguous, &[channel]);
    let file = open(&bench.recording());
    let axis = file.new_dataset::<f64>().shape([places.len()]);
    axis.create("/place").unwrap().write_raw(places).unwrap();
    text_attribute(&file.dataset("/x").unwrap(), "axis", "/place");
    bench
}

const STAGES: &str = r#""clock": Reference(of: "x", shape: Stated(frequency: "50 Hz")),
    "product": Mix(of: "x", with: "clock"),
    "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
    "z": Average(of: "smooth"), "polar": Polar(of: "z"),"#;

fn values(found: &Results, flow: &str) -> Vec<f64> {
    found.column(flow, "value")
}

/// Noise of 50 mV in 1 V over 4 s, behind filters, leaves some 0.1 deg of the phase, on whichever side of half a turn it
/// comes out: the interval is as narrow there as anywhere.
#[test]
fn uncertainties_of_phases_do_not_see_the_seam() {
    let phases = [180.0, -179.99, 179.99, 30.0, -179.95, 179.97];
    let bench = bench(&phases, &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0]);
    let found = bench.run(STAGES, &["polar"]);
    let (u, low, high) = (
        found.column("polar.phase", "value_errors"),
        found.column("polar.phase", "value_low"),
        found.column("polar.phase", "value_high"),
    );
    for point in 0..phases.len() {
        assert!(
            u[point] > 0.01 && u[point] < 0.5,
            "{point}: u = {}",
            u[point]
        );
        let width = high[point] - low[point];
        assert!(
            width > 3.9 * u[point] && width < 6.0 * u[point],
            "{point}: {width}"
        );
    }
}

/// A mean, a straight line over more than a turn, a difference and repeats, worked by hand.
#[test]
fn phases_are_averaged_and_compared_across_the_seam() {
    let near_the_seam = [179.9, -179.9, 179.8, -179.7, -179.9];
    let places = [0.0, 1.0, 2.0, 1.0, 0.0];
    let stages = format!(
        r#"{STAGES} "mean": WeightedMean(of: "polar.phase"), "again": Repeats(of: "polar.phase"),"#
    );
    let found = bench(&near_the_seam, &places).run(&stages, &["mean", "again"]);
    let mean = values(&found, "mean")[0].rem_euclid(360.0);
    // -0.1, 0.1, -0.2, 0.3 and 0.1 about 180, each to 0.1 or so.
    near("mean", mean, 180.04, 0.3);
    let differences = values(&found, "again.difference");
    near("difference", differences[3], 0.2, 0.6);
    near("difference", differences[4], 0.2, 0.6);
    let winding: Vec<f64> = (0..12).map(|k| 100.0 + 70.0 * f64::from(k)).collect();
    let places: Vec<f64> = (0..12).map(f64::from).collect();
    let stages = format!(r#"{STAGES} "line": PolynomialFit(of: "polar.phase"),"#);
    let found = bench(&winding, &places).run(&stages, &["line"]);
    near("slope", values(&found, "line.c1")[0], 70.0, 0.1);
    near("at zero", values(&found, "line.c0")[0], 100.0, 0.5);
}
