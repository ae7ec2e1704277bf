//! Tests of the spectral density: against a plain sum, by hand, and by the scatter of simulated noise.

use std::f64::consts::TAU;

use super::super::windows::WINDOWS;
use super::*;

fn segments(length: usize, step: usize, window: &str, detrend: Detrend) -> Segments {
    let window = *WINDOWS.iter().find(|w| w.name == window).expect("a window");
    Segments {
        length,
        step,
        window,
        detrend,
    }
}

fn density(segments: &Segments, rate: f64, samples: &[f64]) -> Result<Density, SpectrumError> {
    let mut welch = Welch::new(segments.clone(), rate)?;
    welch.push(samples);
    welch.finish()
}

/// Numbers of unit variance, nearly Gaussian (sums of twelve), by a congruential generator.
fn noise(n: usize, mut state: u64) -> Vec<f64> {
    let mut next = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..n)
        .map(|_| (0..12).map(|_| next()).sum::<f64>() - 6.0)
        .collect()
}

/// The definition, term by term: mean over segments of 2|Σ w·x·e^{-2πikj/N}|²/(rate·Σw²).
fn slow(s: &Segments, rate: f64, samples: &[f64]) -> Vec<f64> {
    let n = s.length;
    let w = s.window.values(n);
    let power: f64 = w.iter().map(|w| w * w).sum();
    let starts: Vec<usize> = (0..)
        .map(|k| k * s.step)
        .take_while(|start| start + n <= samples.len())
        .collect();
    let used: Vec<&[f64]> = starts
        .iter()
        .map(|i| &samples[*i..i + n])
        .filter(|x| !x.iter().any(|x| x.is_nan()))
        .collect();
    let bin = |k: usize| {
        let one = |x: &&[f64]| {
            let mean = x.iter().sum::<f64>() / n as f64;
            let t = |j: usize| j as f64 - 0.5 * (n as f64 - 1.0);
            let slope =
                (0..n).map(|j| t(j) * x[j]).sum::<f64>() / (0..n).map(|j| t(j) * t(j)).sum::<f64>();
            let rest = |j: usize| match s.detrend {
                Detrend::Nothing => x[j],
                Detrend::Mean => x[j] - mean,
                Detrend::Line => x[j] - mean - slope * t(j),
            };
            let sum: Complex64 = (0..n)
                .map(|j| w[j] * rest(j) * Complex64::cis(-TAU * (k * j % n) as f64 / n as f64))
                .sum();
            sum.norm_sqr()
        };
        let side = if k == 0 || 2 * k == n { 1.0 } else { 2.0 };
        side * used.iter().map(one).sum::<f64>() / (used.len() as f64 * rate * power)
    };
    (0..=n / 2).map(bin).collect()
}

/// A transform of length N rounds to about N·1.1e-16 of the largest bin; N = 60, densities near 1 with
/// a trend of 1e3 in the first bins: 60·1.1e-16·1e3 relative to the largest, taken as 1e-11.
#[test]
fn densities_agree_with_the_plain_sum() {
    let mut samples = noise(1000, 7);
    samples
        .iter_mut()
        .enumerate()
        .for_each(|(i, x)| *x += 3.0 + 0.1 * i as f64);
    samples[333] = f64::NAN;
    for (length, step) in [(60, 30), (61, 20), (16, 16), (2, 1)] {
        for detrend in [Detrend::Nothing, Detrend::Mean, Detrend::Line] {
            for window in ["Rectangular", "Hann", "Hft95"] {
                let s = segments(length, step, window, detrend);
                let (found, expected) = (
                    density(&s, 5.0, &samples).expect("a density"),
                    slow(&s, 5.0, &samples),
                );
                let largest = expected.iter().fold(0.0f64, |a, b| a.max(*b));
                for (a, b) in found.density.iter().zip(&expected) {
                    assert!((a - b).abs() <= 1e-11 * largest, "{s:?} {a} {b}");
                }
                assert_eq!(found.density.len(), expected.len());
            }
        }
    }
}

/// x = 1, -1, 1, -1 at 4 Hz, no window: X = (0, 0, 4, 0), density 16/(4·4) = 1 at 2 Hz; by hand.
#[test]
fn the_highest_frequency_has_one_side() {
    let s = segments(4, 4, "Rectangular", Detrend::Nothing);
    let found = density(&s, 4.0, &[1.0, -1.0, 1.0, -1.0, 9.0]).expect("a density");
    assert_eq!(
        (found.frequency, found.density),
        (vec![0.0, 1.0, 2.0], vec![0.0, 0.0, 1.0])
    );
    assert_eq!((found.segments, found.skipped), (1, 0));
    assert_eq!(found.relative_uncertainty, [2f64.sqrt(), 1.0, 2f64.sqrt()]);
}

/// The integral of the density over frequency is the mean square (Parseval, no window, no overlap);
/// 4096 terms near 1 round to 4096·1.1e-16.
#[test]
fn the_integral_is_the_mean_square() {
    let samples = noise(4096, 3);
    let s = segments(64, 64, "Rectangular", Detrend::Nothing);
    let found = density(&s, 1000.0, &samples).expect("a density");
    let integral: f64 = found.density.iter().sum::<f64>() * 1000.0 / 64.0;
    let square = samples.iter().map(|x| x * x).sum::<f64>() / 4096.0;
    assert!(
        (integral / square - 1.0).abs() < 5e-13,
        "{integral} {square}"
    );
}

/// The stated relative uncertainty against the scatter of 400 simulated records of 20 segments
/// overlapping by half (Hann, so ρ₁ = 1/36: u² = (1 + 2·(19/20)/36)/20). A variance from 400 values scatters by
/// sqrt(2/399), 7 %, less by averaging over 20 bins; each bin's values are near a χ² of 40, whose kurtosis adds
/// 6/20: bins averaged, below 2.5 %, and four times that is allowed in the variance.
#[test]
fn the_uncertainty_is_the_scatter() {
    let s = segments(64, 32, "Hann", Detrend::Nothing);
    let runs: Vec<Density> = (0..400)
        .map(|seed| density(&s, 1.0, &noise(64 + 19 * 32, 1 + 77 * seed)).expect("a density"))
        .collect();
    let stated = runs[0].relative_uncertainty[10];
    assert!(
        (stated * stated - (1.0 + 2.0 * 0.95 / 36.0) / 20.0).abs() < 1e-12,
        "{stated}"
    );
    let variance = |k: usize| {
        let mean = runs.iter().map(|r| r.density[k]).sum::<f64>() / 400.0;
        runs.iter()
            .map(|r| (r.density[k] - mean) * (r.density[k] - mean))
            .sum::<f64>()
            / 399.0
            / (mean * mean)
    };
    let seen = (6..26).map(variance).sum::<f64>() / 20.0;
    assert!(
        (seen / (stated * stated) - 1.0).abs() < 0.1,
        "{seen} {stated}"
    );
}

#[test]
fn any_slicing_gives_the_same_bits() {
    let mut samples = noise(777, 5);
    samples[400] = f64::NAN;
    let s = segments(50, 20, "Nuttall4c", Detrend::Line);
    let whole = density(&s, 3.0, &samples).expect("a density");
    assert_eq!((whole.segments, whole.skipped), (34, 3));
    for slice in [1, 3, 49, 50, 51, 776] {
        let mut welch = Welch::new(s.clone(), 3.0).expect("settings");
        samples.chunks(slice).for_each(|part| welch.push(part));
        assert_eq!(welch.finish().expect("a density"), whole, "{slice}");
    }
}

#[test]
fn what_cannot_be_done_is_refused() {
    assert_eq!(
        density(&segments(1, 1, "Hann", Detrend::Mean), 1.0, &[]),
        Err(SpectrumError::Length(1))
    );
    let step = SpectrumError::Step {
        least: 4,
        most: 100,
        found: 3,
    };
    assert_eq!(
        density(&segments(100, 3, "Hann", Detrend::Mean), 1.0, &[]),
        Err(step)
    );
    let s = segments(4, 4, "Hann", Detrend::Mean);
    assert_eq!(
        density(&s, 1.0, &[1.0, 2.0, 3.0, f64::NAN, 1.0]),
        Err(SpectrumError::Empty { skipped: 1 })
    );
}
