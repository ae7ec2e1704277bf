//! Complex gain and group delay of a chain at a frequency.

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

use super::Element;

/// Complex gain of a chain for a tone of `f` Hz at its input, whatever frequency decimation folds it
/// to: the gain of each element repeats at its own rate (sampling theorem).
pub(super) fn gain(elements: &[Element], f: f64) -> Complex64 {
    elements.iter().map(|e| element_gain(e, f)).product()
}

/// Complex gain of one element for a tone of `f` Hz.
pub(super) fn element_gain(element: &Element, f: f64) -> Complex64 {
    match element {
        Element::Sections(sections, rate) => {
            let x = turns(f, *rate);
            sections
                .iter()
                .map(|[b0, b1, b2, a1, a2]| {
                    quadratic([*b0, *b1, *b2], x) / quadratic([1.0, *a1, *a2], x)
                })
                .product()
        }
        Element::Taps(taps, rate) => polynomial(taps.iter().copied(), turns(f, *rate)),
        Element::Average(n, rate) => geometric(*n, turns(f, *rate)) / *n as f64,
        Element::Periods {
            samples: Some(samples),
            rate,
            ..
        } => {
            let x = turns(f, *rate);
            let window = Window::new(*samples);
            let back = |n: u64| turn(-x * n as f64);
            let inner = geometric(window.whole - 1, x) * back(1);
            let ends =
                back(window.whole) * window.last[0] + back(window.whole + 1) * window.last[1];
            (inner + ends + 0.5) / window.samples
        }
        Element::Periods { .. } | Element::KeepEvery(_) | Element::Mixed => Complex64::ONE,
    }
}

/// The taps of a mean over a window that is not a whole number of samples: the integral of the straight
/// lines between samples is ½, then ones, then two that share what the last cell holds.
pub(super) struct Window {
    /// Samples, at least one.
    pub samples: f64,
    /// Whole cells.
    pub whole: u64,
    /// The taps number `whole` and `whole + 1`.
    pub last: [f64; 2],
}

impl Window {
    pub(super) fn new(samples: f64) -> Self {
        let samples = samples.max(1.0);
        let part = samples - samples.floor();
        Window {
            samples,
            whole: samples.floor() as u64,
            last: [0.5 + part - 0.5 * part * part, 0.5 * part * part],
        }
    }

    /// All taps.
    #[cfg(test)]
    pub(super) fn taps(&self) -> Vec<f64> {
        let mut taps = vec![1.0; self.whole as usize];
        taps[0] = 0.5;
        taps.extend(self.last);
        taps.iter().map(|t| t / self.samples).collect()
    }
}

/// Cycles per sample, from -1/2 to 1/2.
fn turns(f: f64, rate: f64) -> f64 {
    let x = f / rate;
    x - x.round()
}

/// e^{2πix}, the whole turns taken off first.
fn turn(x: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(TAU * (x - x.round()));
    Complex64::new(cos, sin)
}

/// z·(c0 + c1 z⁻¹ + c2 z⁻²) at z = e^{2πix}. Written with half angles, so that no digits are lost where
/// the plain sum nearly cancels, near zero and near half the rate.
fn quadratic(c: [f64; 3], x: f64) -> Complex64 {
    let (sin, cos) = libm::sincos(PI * x);
    let outer = 2.0 * (c[0] + c[2]);
    let re = if sin.abs() <= cos.abs() {
        ((c[0] + c[1]) + c[2]) - outer * (sin * sin)
    } else {
        ((c[1] - c[0]) - c[2]) + outer * (cos * cos)
    };
    Complex64::new(re, (c[0] - c[2]) * 2.0 * sin * cos)
}

/// Σ c_k z⁻ᵏ at z = e^{2πix}, by Horner's rule.
fn polynomial(coefficients: impl DoubleEndedIterator<Item = f64>, x: f64) -> Complex64 {
    let step = turn(-x);
    coefficients
        .rev()
        .fold(Complex64::ZERO, |sum, c| sum * step + c)
}

/// Σ z⁻ᵏ over k from 0 to n - 1 (geometric series).
fn geometric(n: u64, x: f64) -> Complex64 {
    let n = n as f64;
    let bottom = libm::sin(PI * x);
    if bottom == 0.0 {
        return n.into();
    }
    let half_turns = n * x;
    let top = libm::sin(PI * (half_turns - 2.0 * (0.5 * half_turns).round()));
    turn(-0.5 * (n - 1.0) * x) * (top / bottom)
}

/// Largest gain of a mean near `f` Hz, its zeros filled: 1/(n·|sin(πf/rate)|), at most 1.
pub(super) fn envelope(element: &Element, f: f64) -> f64 {
    match element {
        Element::Average(n, rate) => {
            (1.0 / (*n as f64 * libm::sin(PI * turns(f, *rate)).abs())).min(1.0)
        }
        other => element_gain(other, f).norm(),
    }
}

/// Group delay -dφ/dω in seconds at `f` Hz; `None` where the gain is zero.
pub(super) fn delay(elements: &[Element], f: f64) -> Option<f64> {
    elements
        .iter()
        .map(|element| {
            let (samples, rate) = match element {
                Element::Sections(sections, rate) => {
                    let x = turns(f, *rate);
                    let each = sections.iter().map(|[b0, b1, b2, a1, a2]| {
                        centre([*b0, *b1, *b2].as_slice(), x) - centre(&[1.0, *a1, *a2], x)
                    });
                    (each.sum(), rate)
                }
                Element::Taps(taps, rate) => (centre(taps, turns(f, *rate)), rate),
                Element::Average(n, rate) => (0.5 * (*n as f64 - 1.0), rate),
                Element::Periods {
                    samples: Some(samples),
                    rate,
                    ..
                } => (0.5 * samples, rate),
                Element::Periods { .. } | Element::KeepEvery(_) | Element::Mixed => (0.0, &1.0),
            };
            let seconds: f64 = samples / rate;
            seconds.is_finite().then_some(seconds)
        })
        .sum()
}

/// The delay in samples of Σ c_k z⁻ᵏ: the real part of Σ k c_k z⁻ᵏ over Σ c_k z⁻ᵏ, from the derivative of
/// the logarithm.
fn centre(coefficients: &[f64], x: f64) -> f64 {
    let weighted = coefficients.iter().enumerate().map(|(k, c)| k as f64 * c);
    (polynomial(weighted, x) / polynomial(coefficients.iter().copied(), x)).re
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The gain of taps by its definition, of compact elements by their taps. Sums of a thousand terms
    /// up to 1/1000 in rounding of 2^-53 each, and phases up to 500 turns times 2^-53: below 2e-12.
    #[test]
    fn compact_means_equal_their_taps() {
        for f in [0.0, 0.013, 0.1, 1.0, 3.3, 49.9, 50.0, 77.0, 100.0, 251.0] {
            let mean = Element::Taps(vec![1.0 / 1000.0; 1000], 100.0);
            let found = element_gain(&Element::Average(1000, 100.0), f);
            assert!((found - element_gain(&mean, f)).norm() < 2e-12, "{f}");
            for samples in [1.0, 1.5, 2.0, 62.5, 1000.0, 999.75] {
                let periods = Element::Periods {
                    samples: Some(samples),
                    rate: 100.0,
                    stated: true,
                };
                let taps = Element::Taps(Window::new(samples).taps(), 100.0);
                let (a, b) = (element_gain(&periods, f), element_gain(&taps, f));
                assert!((a - b).norm() < 2e-12, "{samples} {f}: {a} {b}");
            }
        }
    }

    /// Group delay against the difference of phases 1e-4 of a hertz apart: the phase is smooth on a scale
    /// of a hertz, so the error is below (1e-4)² of the delay, and rounding gives 1e-15/(2π·2e-4) s.
    #[test]
    fn delay_is_the_slope_of_the_phase() {
        let chain = [
            Element::Sections(
                vec![[0.1, 0.2, 0.1, -0.8, 0.3], [0.5, 0.0, 0.0, -0.5, 0.0]],
                100.0,
            ),
            Element::KeepEvery(4),
            Element::Taps(vec![0.1, 0.4, 0.3, 0.2], 25.0),
            Element::Average(7, 25.0),
        ];
        for f in [0.01, 0.7, 1.3] {
            let step = 1e-4;
            let turned = (gain(&chain, f + step) / gain(&chain, f - step)).arg();
            let slope = -turned / (TAU * 2.0 * step);
            let found = delay(&chain, f).expect("a gain");
            assert!((found - slope).abs() < 1e-7, "{f}: {found} {slope}");
        }
    }

    /// Linear interpolation leaves of a sine of 62.5 samples a period (2π/62.5)³/12·1/2π at most, by the
    /// error h³/12·f'' of the trapezoidal rule in the cell that the window cuts, over the window.
    #[test]
    fn whole_periods_take_the_harmonics_away() {
        let periods = Element::Periods {
            samples: Some(62.5),
            rate: 5000.0,
            stated: true,
        };
        let left = element_gain(&periods, 80.0).norm();
        assert!(left < libm::pow(TAU / 62.5, 3.0) / (12.0 * TAU), "{left}");
    }
}
