//! Random numbers: normal deviates, white noise and 1/f noise of a known density.

use std::f64::consts::PI;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use crate::Settings;

/// A stream of normal deviates (mean 0, standard deviation 1), by the transform of Box and Muller
/// (Ann. Math. Statist. 29, 1958).
#[derive(Debug, Clone)]
pub struct Normals {
    bits: ChaCha8Rng,
    spare: Option<f64>,
}

impl Normals {
    /// The stream of one channel of one point of one recording.
    #[must_use]
    pub fn new(settings: &Settings, recording: u16, point: usize, channel: u16) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&settings.seed.to_le_bytes());
        let mut bits = ChaCha8Rng::from_seed(key);
        bits.set_stream(u64::from(recording) << 48 | (point as u64) << 16 | u64::from(channel));
        Normals { bits, spare: None }
    }

    /// A number above 0 and up to 1, all multiples of 2⁻⁵³ alike.
    pub fn uniform(&mut self) -> f64 {
        ((self.bits.next_u64() >> 11) + 1) as f64 * (0.5 / (1_u64 << 52) as f64)
    }

    /// The next deviate.
    pub fn draw(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        let (sine, cosine) = libm::sincos(2.0 * PI * self.uniform());
        self.spare = Some(radius * sine);
        radius * cosine
    }
}

/// What the noise of a channel is, in its unit.
#[derive(Debug, Clone, Copy)]
pub struct Spectrum {
    /// One-sided density of the white part, in units per √Hz.
    pub white: f64,
    /// Frequency in Hz where the 1/f part has the density of the white part.
    pub corner: f64,
    /// Lowest and highest frequency in Hz between which the density of the 1/f part is right. Below
    /// it is flat, above it falls faster.
    pub flicker: (f64, f64),
    /// Ratio of neighbouring relaxation frequencies; the 1/f part is wavy by the fraction
    /// 2/cosh(π²/ln ratio): 0.3 % for 4, 5 % for 10.
    pub ratio: f64,
}

impl Spectrum {
    /// White noise alone, of `density` in units per √Hz.
    #[must_use]
    pub fn white(density: f64) -> Self {
        Spectrum {
            white: density,
            corner: 0.0,
            flicker: (1.0, 1.0),
            ratio: 4.0,
        }
    }

    /// Relaxation frequencies in Hz whose sum makes the 1/f part: two steps of `ratio` beyond both ends.
    fn relaxations(&self) -> Vec<f64> {
        let (lowest, highest) = self.flicker;
        let mut found = Vec::new();
        if self.corner > 0.0 {
            let mut frequency = lowest / (self.ratio * self.ratio);
            while frequency < highest * self.ratio * self.ratio * self.ratio {
                found.push(frequency);
                frequency *= self.ratio;
            }
        }
        found
    }

    /// Variance of each relaxation. A relaxation of variance σ² at f₀ has the one-sided density
    /// (2σ²/πf₀)/(1 + (f/f₀)²); spaced evenly in ln f₀ by ln r, their sum tends to σ²/(f·ln r), which
    /// is to be white²·corner/f.
    fn variance(&self) -> f64 {
        self.white * self.white * self.corner * libm::log(self.ratio)
    }
}

/// Samples of noise with a [`Spectrum`].
#[derive(Debug, Clone)]
pub struct Noise {
    normals: Normals,
    white: f64,
    relaxations: Vec<Relaxation>,
}

#[derive(Debug, Clone)]
struct Relaxation {
    state: f64,
    keep: f64,
    push: f64,
}

impl Noise {
    /// Noise at `rate` in Hz. It is stationary from the first sample on.
    #[must_use]
    pub fn new(mut normals: Normals, spectrum: &Spectrum, rate: f64) -> Self {
        let sigma = spectrum.variance().sqrt();
        let relaxations = spectrum
            .relaxations()
            .into_iter()
            .map(|frequency| {
                let keep = libm::exp(-2.0 * PI * frequency / rate);
                Relaxation {
                    state: sigma * normals.draw(),
                    keep,
                    push: sigma * (1.0 - keep * keep).sqrt(),
                }
            })
            .collect();
        Noise {
            normals,
            white: spectrum.white * (rate / 2.0).sqrt(),
            relaxations,
        }
    }

    /// The next sample, in the unit of the spectrum.
    pub fn draw(&mut self) -> f64 {
        let mut sum = self.white * self.normals.draw();
        for relaxation in &mut self.relaxations {
            sum += relaxation.state;
            relaxation.state =
                relaxation.keep * relaxation.state + relaxation.push * self.normals.draw();
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn normals(point: usize, channel: u16) -> Normals {
        Normals::new(&Settings::default(), 1, point, channel)
    }

    #[test]
    fn moments_of_the_deviates_are_those_of_a_normal_law() {
        let mut normals = normals(0, 0);
        let drawn: Vec<f64> = (0..100_000).map(|_| normals.draw()).collect();
        let moment = |n| drawn.iter().map(|x: &f64| x.powi(n)).sum::<f64>() / drawn.len() as f64;
        // Variances of x, x² and x⁴ are 1, 2 and 96; the limit is five standard deviations of the mean.
        for (order, expected, variance) in [(1, 0.0, 1.0_f64), (2, 1.0, 2.0), (4, 3.0, 96.0)] {
            let limit = 5.0 * (variance / drawn.len() as f64).sqrt();
            assert!((moment(order) - expected).abs() < limit, "moment {order}");
        }
    }

    #[test]
    fn streams_differ_and_repeat() {
        let first: Vec<u64> = (0..4).map(|_| normals(0, 0).draw().to_bits()).collect();
        assert!(first.windows(2).all(|w| w[0] == w[1]));
        assert_ne!(normals(0, 1).draw(), normals(0, 0).draw());
        assert_ne!(normals(1, 0).draw(), normals(0, 0).draw());
    }

    #[test]
    fn relaxations_add_up_to_one_over_f() {
        let spectrum = Spectrum {
            white: 3.0,
            corner: 12.0,
            flicker: (0.05, 200.0),
            ratio: 4.0,
        };
        for frequency in [0.05, 0.3, 2.0, 12.0, 77.0, 200.0] {
            let sum: f64 = spectrum
                .relaxations()
                .iter()
                .map(|f0| 2.0 * spectrum.variance() / (PI * f0) / (1.0 + (frequency / f0).powi(2)))
                .sum();
            let expected = 9.0 * 12.0 / frequency;
            // The waves are 0.3 %. The relaxations left out begin half a step beyond the last one kept,
            // at least 4²·√4 = 32 times from f, and would have added (2/π)·atan(1/32) = 2.0 %.
            assert!((sum / expected - 1.0).abs() < 0.023, "{frequency}: {sum}");
        }
    }

    #[test]
    fn white_noise_has_the_stated_density() {
        let mut noise = Noise::new(normals(3, 0), &Spectrum::white(0.02), 5_000.0);
        let mean_square = (0..50_000).map(|_| noise.draw().powi(2)).sum::<f64>() / 50_000.0;
        // Density² · rate/2 = 1; the mean of the squares has a standard deviation of √(2/50000).
        assert!((mean_square - 1.0).abs() < 5.0 * (2.0_f64 / 50_000.0).sqrt());
    }
}
