//! Spectral density of samples that stream by, as the mean of the periodograms of segments.
//!
//! Welch, *IEEE Trans. Audio Electroacoust.* AU-15, 70 (1967); normalised to a one-sided density:
//! its integral from 0 to half the sample rate is the variance.

use std::collections::VecDeque;
use std::sync::Arc;

use num_complex::Complex64;
use rustfft::{Fft, FftPlannerScalar};

use super::windows::Window;

/// Longest segment in samples.
pub const LONGEST_SEGMENT: usize = 1 << 24;

/// Most segments that one sample may belong to.
pub const MOST_OVERLAP: usize = 32;

/// What is taken from each segment before it is transformed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Detrend {
    /// Nothing.
    Nothing,
    /// Its mean.
    Mean,
    /// Its least-squares straight line.
    Line,
}

/// How samples are cut and weighted.
#[derive(Clone, Debug, PartialEq)]
pub struct Segments {
    /// Samples of a segment.
    pub length: usize,
    /// Samples from the start of one to the start of the next.
    pub step: usize,
    /// The window.
    pub window: Window,
    /// What is taken away first.
    pub detrend: Detrend,
}

/// Why a density has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// A length that cannot be used.
    #[error(
        "expected segments of 2 to {LONGEST_SEGMENT} samples, found {0}; choose another length"
    )]
    Length(usize),
    /// A step that cannot be used.
    #[error("expected a step of {least} to {most} samples, found {found}; choose another overlap")]
    Step {
        /// Smallest step.
        least: usize,
        /// Largest step.
        most: usize,
        /// The step asked for.
        found: usize,
    },
    /// No whole segment without missing samples.
    #[error(
        "expected a whole segment without missing samples, found none ({skipped} with some); choose shorter segments"
    )]
    Empty {
        /// Segments with missing samples.
        skipped: u64,
    },
}

/// A one-sided density.
#[derive(Clone, Debug, PartialEq)]
pub struct Density {
    /// Frequencies in Hz, from 0 to at most half the sample rate.
    pub frequency: Vec<f64>,
    /// Density in the square of the samples' unit per Hz.
    pub density: Vec<f64>,
    /// Relative standard uncertainty of each, for Gaussian noise whose density is even over the width
    /// of the window (Welch 1967, which counts the overlap in); not for a line.
    pub relative_uncertainty: Vec<f64>,
    /// Segments averaged.
    pub segments: u64,
    /// Segments left out because a sample was missing.
    pub skipped: u64,
}

/// Averages the periodograms of segments.
#[derive(Clone)]
pub struct Welch {
    segments: Segments,
    rate: f64,
    weights: Vec<f64>,
    transform: Arc<dyn Fft<f64>>,
    buffer: Vec<f64>,
    work: Vec<Complex64>,
    scratch: Vec<Complex64>,
    sums: Vec<f64>,
    used: u64,
    skipped: u64,
    /// Whether each of the latest segments was used, the newest first.
    recent: VecDeque<bool>,
    /// Pairs of used segments 1, 2, ... steps apart.
    pairs: Vec<u64>,
}

impl Welch {
    /// For samples at `rate` per second.
    ///
    /// # Errors
    /// [`SpectrumError::Length`] or [`SpectrumError::Step`] out of range.
    pub fn new(segments: Segments, rate: f64) -> Result<Self, SpectrumError> {
        let length = segments.length;
        if !(2..=LONGEST_SEGMENT).contains(&length) {
            return Err(SpectrumError::Length(length));
        }
        let least = length.div_ceil(MOST_OVERLAP);
        if !(least..=length).contains(&segments.step) {
            return Err(SpectrumError::Step {
                least,
                most: length,
                found: segments.step,
            });
        }
        let transform = FftPlannerScalar::new().plan_fft_forward(length);
        Ok(Welch {
            rate,
            weights: segments.window.values(length),
            buffer: Vec::with_capacity(length),
            work: vec![Complex64::default(); length],
            scratch: vec![Complex64::default(); transform.get_inplace_scratch_len()],
            sums: vec![0.0; length / 2 + 1],
            used: 0,
            skipped: 0,
            recent: VecDeque::new(),
            pairs: vec![0; (length - 1) / segments.step],
            transform,
            segments,
        })
    }

    /// Takes the next samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        let length = self.segments.length;
        while !samples.is_empty() {
            let (now, later) = samples.split_at(samples.len().min(length - self.buffer.len()));
            self.buffer.extend_from_slice(now);
            samples = later;
            if self.buffer.len() == length {
                self.take();
                self.buffer.drain(..self.segments.step);
            }
        }
    }

    /// What follows does not go on where the samples so far end: no segment holds both.
    pub fn restart(&mut self) {
        self.buffer.clear();
        self.recent.clear();
    }

    /// Takes the segment in the buffer.
    fn take(&mut self) {
        let usable = !self.buffer.iter().any(|x| x.is_nan());
        if usable {
            self.used += 1;
            self.recent
                .iter()
                .zip(&mut self.pairs)
                .for_each(|(used, pairs)| *pairs += u64::from(*used));
            let (level, slope) = trend(&self.buffer, self.segments.detrend);
            let middle = 0.5 * (self.buffer.len() - 1) as f64;
            let values = self.buffer.iter().zip(&self.weights).enumerate();
            for (z, (j, (x, w))) in self.work.iter_mut().zip(values) {
                *z = Complex64::new(w * (x - level - slope * (j as f64 - middle)), 0.0);
            }
            self.transform
                .process_with_scratch(&mut self.work, &mut self.scratch);
            self.sums
                .iter_mut()
                .zip(&self.work)
                .for_each(|(sum, z)| *sum += z.norm_sqr());
        } else {
            self.skipped += 1;
        }
        self.recent.push_front(usable);
        self.recent.truncate(self.pairs.len());
    }

    /// The density. Samples behind the last whole segment are left out.
    ///
    /// # Errors
    /// [`SpectrumError::Empty`] without a segment.
    pub fn finish(&self) -> Result<Density, SpectrumError> {
        if self.used == 0 {
            return Err(SpectrumError::Empty {
                skipped: self.skipped,
            });
        }
        let length = self.segments.length;
        let power: f64 = self.weights.iter().map(|w| w * w).sum();
        let scale = 1.0 / (self.rate * power * self.used as f64);
        // Frequencies 0 and half the rate have no twin at the negative side.
        let alone = |k: usize| k == 0 || 2 * k == length;
        let correlated: f64 = self
            .pairs
            .iter()
            .enumerate()
            .map(|(i, pairs)| {
                let lag = (i + 1) * self.segments.step;
                let overlap: f64 = self
                    .weights
                    .iter()
                    .zip(self.weights.iter().skip(lag))
                    .map(|(a, b)| a * b)
                    .sum();
                2.0 * *pairs as f64 * (overlap / power) * (overlap / power)
            })
            .sum();
        let variance = (self.used as f64 + correlated) / (self.used as f64 * self.used as f64);
        let bins = 0..self.sums.len();
        Ok(Density {
            frequency: bins
                .clone()
                .map(|k| k as f64 * self.rate / length as f64)
                .collect(),
            density: self
                .sums
                .iter()
                .enumerate()
                .map(|(k, s)| if alone(k) { s * scale } else { 2.0 * s * scale })
                .collect(),
            relative_uncertainty: bins
                .map(|k| (if alone(k) { 2.0 * variance } else { variance }).sqrt())
                .collect(),
            segments: self.used,
            skipped: self.skipped,
        })
    }
}

/// Level at the middle and slope per sample of what is to be taken away.
fn trend(samples: &[f64], detrend: Detrend) -> (f64, f64) {
    if detrend == Detrend::Nothing {
        return (0.0, 0.0);
    }
    let n = samples.len() as f64;
    let mean = samples.iter().sum::<f64>() / n;
    if detrend == Detrend::Mean {
        return (mean, 0.0);
    }
    let middle = 0.5 * (n - 1.0);
    let product: f64 = samples
        .iter()
        .enumerate()
        .map(|(j, x)| (j as f64 - middle) * (x - mean))
        .sum();
    // The sum of the squares of j - (n-1)/2 is n(n² - 1)/12.
    (mean, product / (n * (n * n - 1.0) / 12.0))
}

#[cfg(test)]
#[path = "spectral_tests.rs"]
mod tests;
