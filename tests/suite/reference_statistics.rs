//! Mean and standard deviation against certified values: the NIST Statistical Reference Datasets
//! (StRD), univariate summary statistics, each recorded as a channel and averaged by a recipe.

use super::support_reference::{Bench, U, near, published};

/// Values, certified mean and certified standard deviation (n - 1).
pub(super) fn certified(text: &str) -> (Vec<f64>, f64, f64) {
    let number = |label: &str| {
        let line = text.lines().find(|l| l.contains(label)).unwrap();
        let number = line.rsplit(':').next().unwrap().split_whitespace().next();
        number.unwrap().parse().unwrap()
    };
    let data = text.split_once("Data: Y").unwrap().1;
    let values = data.lines().filter_map(|l| l.trim().parse().ok()).collect();
    (
        values,
        number("Sample Mean"),
        number("Sample Standard Deviation"),
    )
}

fn check(name: &str, count: usize, printed: [f64; 2], held: f64) {
    let Some(text) = published(&format!("{name}.dat")) else {
        return;
    };
    let (values, mean, deviation) = certified(&text);
    assert_eq!(values.len(), count, "{name}");
    let bench = Bench::new(10.0, &[("y", &values)]);
    let found = bench.run(r#""level": Average(of: "y", skip: Nothing)"#, &["level"]);
    assert_eq!(found.one("level", "count"), count as f64);

    // `printed` is half of the last certified digit of mean and deviation, or nothing where they are
    // exact. A compensated sum leaves a rounding of the mean, and each value as a double is off by half
    // a rounding of its own, at most.
    let largest = values.iter().fold(mean.abs(), |m, v| m.max(v.abs()));
    let bound = printed[0] + 3.0 * U * largest;
    let off = near(name, found.value("level"), mean, bound);
    println!("{name}: mean off by {:e}", off / mean.abs().max(1.0));

    // `held` is what rounding the values to doubles changes. The rest is n - 1 additions of squares,
    // rounded once each and taken under a root: below n U.
    let bound = printed[1] + held + count as f64 * U * deviation;
    let off = near(name, found.one("level", "scatter"), deviation, bound);
    println!("{name}: standard deviation off by {:e}", off / deviation);
}

/// Means and deviations of measured data are certified to 15 digits.
#[test]
fn measured_data_have_their_certified_moments() {
    check("Lew", 200, [0.0, 5e-13], 0.0);
    check("Lottery", 218, [5e-13; 2], 0.0);
    // Values near 2 are doubles to within 2.2e-16 and cancel to a deviation of 4.3e-4; each changes the
    // sum of squares by twice its offset times that, so the deviation by no more than 2.2e-16.
    check("Mavro", 50, [0.0, 5e-19], 2.3e-16);
    // Values near 299.9 are doubles to within 2.9e-14.
    check("Michelso", 100, [0.0, 5e-17], 2.9e-14);
}

/// Constructed data: a pedestal of up to 1e7 times the deviation, whose values are exact in decimal
/// digits but not as doubles.
#[test]
fn constructed_data_keep_their_digits() {
    check("NumAcc1", 3, [0.0; 2], 0.0);
    // 1.1, 1.2 and 1.3 are doubles to within 1.1e-16.
    check("NumAcc2", 1001, [0.0; 2], 1.2e-16);
    // Doubles near 1e6 are 1.16e-10 apart, so values are off by up to 5.9e-11; near 1e7, by 9.4e-10.
    // The folder's notes say the same: about 1e-9 and 1e-8 relative to 0.1.
    check("NumAcc3", 1001, [0.0; 2], 5.9e-11);
    check("NumAcc4", 1001, [0.0; 2], 9.4e-10);
}
