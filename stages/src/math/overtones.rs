//! What else a reference holds at multiples and parts of the frequency of the sine that was found in it.

use num_complex::Complex64;

use super::sinefit::SineFit;
use super::tones::Oscillator;

/// Chance of noise being taken for a line at one of the frequencies.
const CHANCE: f64 = 1e-6;

/// Parts of the found frequency at which the fundamental is looked for.
const PARTS: [u32; 2] = [2, 3];

/// Lines beside a sine, by their amplitudes over its own; none where noise may be all.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Overtones {
    /// At twice its frequency.
    pub second: Option<f64>,
    /// The larger one of those at a half and a third of its frequency, with the divisor.
    pub below: Option<(u32, f64)>,
}

impl Overtones {
    /// In the samples that a sine was fitted to, at `rate` Hz.
    ///
    /// What the fit leaves is looked at through a Hann window, so that what is two cycles of the record from a line does not count for
    /// it. Of white noise the square of a line is exponentially distributed about (3/2)·4s²/n for residuals of variance s² in n
    /// samples, 3/2 the noise bandwidth of the window (Harris, Proc. IEEE 66, 51 (1978)).
    pub fn of(samples: &[f64], fit: &SineFit, rate: f64) -> Self {
        let n = samples.len() as f64;
        let mut sine = Oscillator::new(fit.frequency, rate, 0.0);
        let (sin, cos) = libm::sincos(fit.phase);
        let own = Complex64::new(cos, sin) * fit.amplitude;
        let mut once = Oscillator::new(1.0, n, 0.0);
        let rest: Vec<f64> = (0u64..)
            .zip(samples)
            .map(|(i, x)| {
                let window = 1.0 - once.at(i).re;
                let left = x - fit.offset - (sine.at(i) * own).im;
                if left.is_nan() { 0.0 } else { window * left }
            })
            .collect();
        let least = -6.0 * libm::log(CHANCE) * fit.residual_sd * fit.residual_sd / n;
        let line = |frequency: f64| {
            let cycles = frequency * n / rate;
            // Closer to zero, half the rate or the sine itself than the window tells apart.
            let apart = (frequency - fit.frequency).abs() * n / rate;
            if cycles.min(apart) < 4.0 || cycles > 0.5 * n - 4.0 {
                return None;
            }
            let mut turn = Oscillator::new(frequency, rate, 0.0);
            let terms = (0u64..).zip(&rest).map(|(i, x)| turn.at(i).conj() * x);
            let size = 2.0 / n * terms.sum::<Complex64>().norm();
            (size * size > least).then_some(size / fit.amplitude)
        };
        let below = PARTS
            .iter()
            .filter_map(|k| Some((*k, line(fit.frequency / f64::from(*k))?)));
        Overtones {
            second: line(2.0 * fit.frequency),
            below: below.reduce(|a, b| if b.1 > a.1 { b } else { a }),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::math::sinefit::fit;

    /// Lines at f/3, f/2, f and 2f of these amplitudes, in noise that is even from -1/2 to 1/2 times `noise`.
    fn found(amplitudes: [f64; 4], noise: f64) -> Overtones {
        let (rate, f, n) = (10e3, 600.0, 20_000u64);
        let mut state = 1u64;
        let samples: Vec<f64> = (0..n)
            .map(|i| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                let chance = (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
                let lines = [f / 3.0, f / 2.0, f, 2.0 * f].into_iter().zip(amplitudes);
                let line = |(f, a): (f64, f64)| a * libm::sin(TAU * f * i as f64 / rate + a);
                lines.map(line).sum::<f64>() + 0.3 + noise * chance
            })
            .collect();
        let fit = fit(&samples, rate, Some(f)).expect("a sine");
        Overtones::of(&samples, &fit, rate)
    }

    /// Of whole cycles each line is its own projection to rounding; noise of standard deviation 0.29 moves it by some
    /// 0.29·sqrt(6/20000) = 0.005, and is no line by itself.
    #[test]
    fn lines_are_told_by_their_size() {
        let noisy = found([0.1, 0.4, 2.0, 0.6], 1.0);
        let second = noisy.second.expect("a line");
        assert!((second - 0.3).abs() < 0.01, "{noisy:?}");
        let (divisor, part) = noisy.below.expect("a line");
        assert!(divisor == 2 && (part - 0.2).abs() < 0.01, "{noisy:?}");
        assert_eq!(found([0.5, 0.1, 2.0, 0.0], 1.0).below.map(|b| b.0), Some(3));
        assert_eq!(found([0.0, 0.0, 2.0, 0.0], 1.0), Overtones::default());
    }
}
