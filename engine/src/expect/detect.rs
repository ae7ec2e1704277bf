//! What counts as detected, in units of the standard deviation of one part of a phasor.
//!
//! L. A. Currie (Anal. Chem. 40, 586, 1968) tells two limits apart: the threshold that noise alone exceeds
//! with a small probability α, above which an answer counts as detected; and the smallest signal that exceeds it
//! with probability 1 - β. The noise is taken as normal and its size as known.

use serde::Serialize;

use crate::statistics::normal_quantile;

/// Both probabilities of error: a signal found that is not there, and one missed that is.
pub const ERROR: f64 = 0.05;

/// Threshold and smallest signal that is detected, as multiples of the standard deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// Noise alone exceeds it with a probability of 5 %.
    pub threshold: f64,
    /// A signal that exceeds the threshold with a probability of 95 %.
    pub smallest: f64,
}

/// The limits of an amplitude, and of the in-phase part where the phase of the signal is known.
///
/// Noise alone has an amplitude with Rayleigh's distribution, which exceeds x with probability e^{-x²/2}; with a
/// signal it has Rice's (Bell Syst. Tech. J. 24, 46, 1945). One part is normal, and twice the quantile is
/// Currie's 3.29.
pub fn limits() -> (Limits, Limits) {
    let threshold = (-2.0 * libm::log(ERROR)).sqrt();
    // The probability grows with the signal; fifty halvings end below the last bits.
    let (mut low, mut high) = (0.0, 10.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if exceeds(middle, threshold) < 1.0 - ERROR {
            low = middle;
        } else {
            high = middle;
        }
    }
    let amplitude = Limits {
        threshold,
        smallest: high,
    };
    let quantile = normal_quantile(1.0 - ERROR);
    let in_phase = Limits {
        threshold: quantile,
        smallest: 2.0 * quantile,
    };
    (amplitude, in_phase)
}

/// The probability that a signal `a` with noise of standard deviation 1 in each part has an amplitude
/// above `x`: its square is noncentral χ² with two degrees of freedom, a mixture of central ones with
/// weights of a Poisson distribution (Abramowitz & Stegun 1964, 26.4.25 and 26.4.21).
fn exceeds(a: f64, x: f64) -> f64 {
    let (mean, half) = (0.5 * a * a, 0.5 * x * x);
    let (mut weight, mut term) = (libm::exp(-mean), libm::exp(-half));
    let (mut tail, mut sum) = (0.0, 0.0);
    // The mean is at most 50; beyond 400 the weights are below 1e-200.
    for j in 1..=400 {
        tail += term;
        sum += weight * tail;
        term *= half / f64::from(j);
        weight *= mean / f64::from(j);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The threshold by hand, √(-2 ln 0.05) = 2.447747; without a signal it is exceeded with 5 %. The power
    /// of 95 % needs the noncentrality 15.443 of a χ² test with two degrees of freedom (from memory; checked
    /// against SciPy elsewhere).
    #[test]
    fn limits_by_hand() {
        let (amplitude, in_phase) = limits();
        assert!((amplitude.threshold - 2.447747).abs() < 1e-6);
        assert!((exceeds(0.0, amplitude.threshold) - ERROR).abs() < 1e-15);
        let noncentrality = amplitude.smallest * amplitude.smallest;
        assert!((noncentrality - 15.443).abs() < 1e-3, "{noncentrality}");
        assert!((in_phase.smallest - 3.29).abs() < 1e-3);
    }
}
