//! Noise bandwidths and settling times of filters, and noise bandwidths of windows, against published
//! and derived values, measured on recordings that pass the whole chain.

use std::f64::consts::PI;

use super::support::sine;
use super::support_reference::{Bench, U, near, published, rows};

const RATE: f64 = 1000.0;
/// Time constant or inverse corner in samples: so slow that the samples hardly matter.
const SLOW: f64 = 200.0;

/// The answer of a filter to a unit impulse that is the first sample, or to a step of one.
fn answer(filter: &str, input: &[f64]) -> Vec<f64> {
    let bench = Bench::new(RATE, &[("x", input)]);
    let stage = format!(r#""y": Filter(of: "x", kind: {filter})"#);
    bench.run(&stage, &["y"]).wave("y")
}

/// One-sided noise bandwidth in Hz: fs·Σh²/(2(Σh)²) (derived).
fn noise_bandwidth(filter: &str, length: usize) -> f64 {
    let mut impulse = vec![0.0; length];
    impulse[0] = 1.0;
    let h = answer(filter, &impulse);
    let (sum, squares) = h.iter().fold((0.0, 0.0), |(s, q), h| (s + h, q + h * h));
    RATE * squares / (2.0 * sum * sum)
}

/// Cascades of n equal poles: Γ(n-½)/(4√π·Γ(n)·τ), derived and given as exact fractions; as multiples
/// of the corner of one stage, 1/(2πτ), and of the whole cascade, in published tables (sources in the
/// file of published values).
#[test]
fn rc_cascades_have_their_noise_bandwidth() {
    let Some(table) = published("enbw_published.csv") else {
        return;
    };
    let tau = SLOW / RATE;
    let mut worst = 0.0f64;
    for row in rows(&table).iter().skip(1) {
        let n: f64 = row[0].parse().unwrap();
        let filter = format!(r#"RcCascade(poles: {n}, time_constant: "{tau} s")"#);
        let found = noise_bandwidth(&filter, 16_384) * tau;
        let (above, below) = row[4].split_once('/').unwrap();
        let exact = above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap();
        // The sampled pole a = exp(-x), x = 1/(rate·τ), has the bandwidth rate/2·(1 - a)/(1 + a), which is
        // 1/(4τ)·(1 - x²/12 + ...); a cascade of n loses no more than n times that. What lies behind the
        // end of the record is exp(-80) of it.
        let sampling = n / (12.0 * SLOW * SLOW);
        worst = worst.max(near("ENBW·τ", found, exact, 1.5 * sampling * exact) / exact);

        // The tables print six decimals, of multiples of the stage's corner and of the cascade's,
        // sqrt(2^(1/n) - 1) of it.
        let stage = found * 2.0 * PI;
        let printed = |k: usize| row[k].parse::<f64>().unwrap();
        near("re stage", stage, printed(3), 1e-6 + 1.5 * sampling * stage);
        let corner = (libm::exp2(1.0 / n) - 1.0).sqrt();
        let whole = stage / corner;
        near(
            "re cascade",
            whole,
            printed(2),
            1e-6 + 1.5 * sampling * whole,
        );
    }
    println!("RC noise bandwidth off by {worst:e} at most");
}

/// Butterworth filters of order n: π/(2n)/sin(π/(2n)) of the 3 dB corner (derived; tables in Winder,
/// Analog and Digital Filter Design, A.3). The bilinear transform squeezes all frequencies below half
/// the rate, so that with c = π·corner/rate and t = tan c the bandwidth over the corner is
/// (1/c)·∫ dθ/(1 + (tan θ/t)^2n) from 0 to π/2.
#[test]
fn butterworth_filters_have_their_noise_bandwidth() {
    let Some(table) = published("enbw_published.csv") else {
        return;
    };
    let corner = RATE / SLOW;
    let c = PI / SLOW;
    let t = libm::tan(c);
    let mut worst = 0.0f64;
    for row in rows(&table).iter().skip(1) {
        let n: f64 = row[0].parse().unwrap();
        let filter = format!(r#"Butterworth(order: {n}, band: Low("{corner} Hz"))"#);
        let found = noise_bandwidth(&filter, 16_384) / corner;
        // The midpoint rule converges exponentially for a smooth periodic function: its nearest
        // singularity, at c·sin(π/2n), is hundreds of steps away.
        const STEPS: u32 = 200_000;
        let term = |k: u32| {
            let angle = (f64::from(k) + 0.5) * 0.5 * PI / f64::from(STEPS);
            1.0 / (1.0 + libm::pow(libm::tan(angle) / t, 2.0 * n))
        };
        let integral = (0..STEPS).map(term).sum::<f64>() * 0.5 * PI / f64::from(STEPS) / c;
        // Coefficients rounded at U move poles that lie c from the unit circle by U/c² = 4000 U of that
        // distance, n times; the sum of the integral loses some hundred U.
        worst = worst.max(near(&filter, found, integral, n * 5000.0 * U * found));

        // With u = tan θ/t the integral is (t/c)·∫ du/((1 + u^2n)(1 + t²u²)): for n = 1 it falls short
        // of the analogue one by t/(1 + t), for larger n by less than t²·sin(π/2n)/sin(3π/2n), below t²,
        // while t/c adds c²/3.
        let bound = if row[0] == "1" { t } else { t * t };
        let printed: f64 = row[1].parse().unwrap();
        near(&filter, found, printed, printed * bound + 1e-6);
        let analogue = PI / (2.0 * n) / libm::sin(PI / (2.0 * n));
        near("table", printed, analogue, 1e-6);
    }
    println!("Butterworth noise bandwidth off by {worst:e} at most");
}

/// A step settles to 99 % after 4.61τ, 6.64τ, 8.41τ and 10.05τ (derived: regularised incomplete gamma
/// function), within the last digit printed and the sample in which it happens.
#[test]
fn rc_cascades_settle_in_their_time() {
    let tau = SLOW / RATE;
    let step = vec![1.0; 4096];
    for (poles, times) in [(1, 4.61), (2, 6.64), (3, 8.41), (4, 10.05)] {
        let filter = format!(r#"RcCascade(poles: {poles}, time_constant: "{tau} s")"#);
        let y = answer(&filter, &step);
        let settled = y.iter().position(|v| *v >= 0.99).unwrap() as f64 / SLOW;
        // A cascade of sampled poles, each with the RC's step response, gains half a sample a pole.
        near(
            &filter,
            settled,
            times,
            0.005 + (0.5 * f64::from(poles) + 1.0) / SLOW,
        );
    }
}

/// What the check of the recipe skips is at least what the filter needs: a step is averaged to within
/// the part stated.
#[test]
fn the_settling_time_that_is_skipped_is_enough() {
    let step = vec![1.0; 8192];
    for poles in 1..=4 {
        for part in [0.01, 1e-4] {
            let bench = Bench::new(RATE, &[("x", &step)]);
            let stages = format!(
                r#""y": Filter(of: "x", kind: RcCascade(poles: {poles}, time_constant: "0.2 s")),
                "level": Average(of: "y", skip: Settling("{part}"))"#
            );
            let found = bench.run(&stages, &["level", "y"]);
            let count = found.one("level", "count") as usize;
            let y = found.wave("y");
            let first = &y[y.len() - count];
            assert!((1.0 - first) <= part * 1.0001, "{poles} {part}: {first}");
            // Not longer than needed either, by more than a twentieth.
            let earlier = &y[(y.len() - count) * 19 / 20 - 2];
            assert!(1.0 - earlier > part, "{poles} {part}: {earlier}");
        }
    }
}

/// Noise bandwidths of windows (Heinzel, Rüdiger & Schilling 2002): a sine on a bin shows the density
/// A²/2 over the noise bandwidth at its peak.
#[test]
fn windows_have_their_published_noise_bandwidth() {
    let Some(table) = published("windows_heinzel2002.csv") else {
        return;
    };
    let rename = |name: &str| match name {
        "hanning" => Some("Hann".to_owned()),
        "blackman_harris_92db" => Some("BlackmanHarris".to_owned()),
        // Not made of cosines, and not offered.
        "bartlett" | "welch" => None,
        other => Some(other[..1].to_uppercase() + &other[1..]),
    };
    const SEGMENT: usize = 2048;
    let amplitude = 0.8;
    let bin = RATE / SEGMENT as f64;
    let x = sine(4 * SEGMENT, RATE, 300.0 * bin, amplitude, 0.5);
    let bench = Bench::new(RATE, &[("x", &x)]);
    let mut stages = String::new();
    let mut expected = Vec::new();
    for row in rows(&table).iter().skip(1) {
        let Some(name) = rename(row[0]) else { continue };
        stages += &format!(
            r#""{name}": Spectrum(of: "x", segment: "{} s", window: {name}, detrend: Nothing, quantity: Power),"#,
            SEGMENT as f64 / RATE
        );
        let number = |k: usize| row[k].parse::<f64>().unwrap();
        // Half of the last printed digit: the published column has two to four decimals, the computed
        // one six.
        let decimals = row[3].split_once('.').map_or(0, |(_, d)| d.len()) as f64;
        expected.push((name, number(3), 0.5 * libm::exp10(-decimals), number(8)));
    }
    assert_eq!(expected.len(), 18);
    let names: Vec<&str> = expected.iter().map(|(name, ..)| name.as_str()).collect();
    let found = bench.run(&stages, &names);
    for (name, printed, digit, computed) in &expected {
        let density = found.column(name, "value");
        let width = amplitude * amplitude / 2.0 / density[300] / bin;
        // Two published values are the fifth decimal rounded the other way, hence the tenth more.
        near(name, width, *printed, 1.1 * digit);
        near(name, width, *computed, 5.5e-7 * 1.01);
        // All of the sine's power is found again.
        let power: f64 = density.iter().sum::<f64>() * bin;
        near("power", power, amplitude * amplitude / 2.0, 1e-10);
    }
}
