//! A first look at the samples of a channel: noise density, 1/f corner, lines and what they may be, and
//! how steady a reference is. It is no stage; `phasemill inspect` shows it.
//!
//! The density is that of [`Welch`] with segments through a window of low side lobes (Heinzel, Rüdiger &
//! Schilling 2002), their straight lines taken out. The floor is found in it by medians, which lines do
//! not move; a line is what stands out of the floor by more than chance ([`lines`]).

pub mod floor;
pub mod lines;
pub mod names;
pub mod reference;

use crate::math::spectral::{Density, Detrend, Segments, SpectrumError, Welch};
use crate::math::tones::unit_vector;
use crate::math::windows::{WINDOWS, Window};

use floor::{Floor, Noise};
use lines::Line;

/// Longest segment in samples.
const LONGEST: usize = 1 << 16;

/// Shortest segment in samples, from which anything can be told; a point holds at least two.
const SHORTEST: usize = 32;

/// Segments that fit a point without overlap, as a rule.
const PARTS: u64 = 8;

/// Most rounds in which floor and lines are told apart.
const ROUNDS: usize = 3;

/// Bins next to zero that a level and a slope fill, of which the straight line that is taken off leaves a
/// little where there is a strong line.
pub(crate) const FIRST_BIN: usize = LOBE + 1;

/// Bins from the top of a line in which the window has its main lobe.
pub(crate) const LOBE: usize = 4;

/// Why there is nothing to be told.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SurveyError {
    /// Too few samples for a spectrum.
    #[error("expected at least 64 samples in a row for a spectrum, found {0}")]
    TooShort(u64),
    /// The samples do not vary.
    #[error("expected samples that vary, found a constant")]
    Constant,
    /// Gaps, or a rate that cannot be.
    #[error(transparent)]
    Spectrum(#[from] SpectrumError),
}

/// How what is found in an averaged density scatters.
///
/// With g(t) the mean of the squared windows of all segments, scaled to a sum of 1: the power of a line is the
/// mean of the squared samples weighted by g, and its frequency the mean slope of the phase weighted by g, so
/// that white noise of density S enters them with ∫g² dt and ∫(dg/dt)² dt (first order).
#[derive(Clone, Debug, PartialEq)]
pub struct Scatter {
    /// Degrees of freedom ν: the density found of Gaussian noise is χ²_ν/ν times the true one.
    pub freedom: f64,
    /// Correlation of the transforms of white noise 0, 1, 2, ... bins apart, up to its sign.
    pub correlation: Vec<f64>,
    /// ∫g² dt in Hz.
    pub weight: f64,
    /// ∫(dg/dt)² dt in Hz³.
    pub slope: f64,
}

impl Scatter {
    fn of(window: &[f64], step: usize, density: &Density, rate: f64) -> Scatter {
        let n = window.len();
        let squares: Vec<f64> = window.iter().map(|w| w * w).collect();
        let power: f64 = squares.iter().sum();
        let slopes: Vec<f64> = (0..n).map(|j| squares[(j + 1) % n] - squares[j]).collect();
        let apart = |m: usize| {
            let turned = squares
                .iter()
                .enumerate()
                .map(|(j, s)| s * unit_vector((m * j % n) as f64 / n as f64).re);
            (turned.sum::<f64>() / power).abs()
        };
        let used = density.segments as f64;
        // Sum over all pairs of segments that overlap.
        let pairs = |values: &[f64]| {
            let shared = |i: usize| {
                let later = values.iter().skip(i * step);
                values.iter().zip(later).map(|(a, b)| a * b).sum::<f64>()
            };
            let others = (1..).take_while(|i| i * step < n && (*i as f64) < used);
            let others = others.map(|i| 2.0 * (1.0 - i as f64 / used) * shared(i));
            (shared(0) + others.sum::<f64>()) / (used * power * power)
        };
        let relative = density.relative_uncertainty.get(1).copied().unwrap_or(1.0);
        Scatter {
            freedom: 2.0 / (relative * relative),
            correlation: (0..=2 * LOBE).map(apart).collect(),
            weight: rate * pairs(&squares),
            slope: rate * rate * rate * pairs(&slopes),
        }
    }

    /// Bins that tell as much as one that is independent of the others.
    pub fn bins_per_independent(&self) -> f64 {
        let apart = self.correlation.iter().skip(1);
        1.0 + 2.0 * apart.map(|r| r * r).sum::<f64>()
    }

    /// Relative standard deviation of a density found in one bin.
    pub fn relative(&self) -> f64 {
        (2.0 / self.freedom).sqrt()
    }

    /// Median of χ²_ν/ν (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17, 1931; within 1.5 % for ν = 2, and
    /// within 0.1 % from ν = 8 on).
    pub fn median(&self) -> f64 {
        let root = 1.0 - 2.0 / (9.0 * self.freedom);
        root * root * root
    }
}

/// Looks at the samples of a channel as they stream by.
#[derive(Clone)]
pub struct Survey {
    welch: Welch,
    window: Vec<f64>,
    step: usize,
    rate: f64,
    seen: u64,
}

impl Survey {
    /// For points of so many samples at a rate in Hz. A segment is the largest power of two of at most an
    /// eighth of a point, or half of one where that is very short, and at most 2^16 samples.
    ///
    /// # Errors
    /// [`SurveyError::TooShort`], or [`SurveyError::Spectrum`].
    pub fn new(rate: f64, samples: u64) -> Result<Self, SurveyError> {
        let part = (samples / PARTS).max((samples / 2).min(4 * SHORTEST as u64));
        if part < SHORTEST as u64 {
            return Err(SurveyError::TooShort(samples));
        }
        let longest = usize::try_from(part).unwrap_or(LONGEST).min(LONGEST);
        Self::with_segment(rate, 1 << longest.ilog2())
    }

    fn with_segment(rate: f64, length: usize) -> Result<Self, SurveyError> {
        let window = window();
        let segments = Segments {
            length,
            step: length / 3,
            window,
            detrend: Detrend::Line,
        };
        Ok(Survey {
            step: segments.step,
            window: window.values(length),
            welch: Welch::new(segments, rate)?,
            rate,
            seen: 0,
        })
    }

    /// One that looks anew, with segments an eighth as long, for samples with many gaps; `None` when they
    /// are as short as can be.
    pub fn shorter(&self) -> Option<Self> {
        let length = self.window.len() / 8;
        let fits = length >= SHORTEST;
        fits.then(|| Self::with_segment(self.rate, length).ok())
            .flatten()
    }

    /// Takes the next samples; NaN where one is missing.
    pub fn push(&mut self, samples: &[f64]) {
        self.seen += samples.len() as u64;
        self.welch.push(samples);
    }

    /// Another point follows, whose samples do not go on where these end.
    pub fn next_point(&mut self) {
        self.welch.restart();
    }

    /// What was seen.
    ///
    /// # Errors
    /// [`SurveyError`] when no segment is without a gap, or the samples do not vary.
    pub fn finish(&self) -> Result<Spectrum, SurveyError> {
        if self.seen < self.window.len() as u64 {
            return Err(SurveyError::TooShort(self.seen));
        }
        let density = self.welch.finish()?;
        let scatter = Scatter::of(&self.window, self.step, &density, self.rate);
        let largest = density.density.iter().copied().fold(0.0, f64::max);
        // What rounding leaves of a constant; a largest density of zero or NaN is none either.
        if largest < f64::MIN_POSITIVE || largest.is_nan() {
            return Err(SurveyError::Constant);
        }
        let mut mask = vec![false; density.density.len()];
        let look = |mask: &[bool]| {
            let noise = Noise::fit(&density, mask, &scatter);
            let floor = floor::curve(&density, mask, &noise, &scatter);
            let lines = lines::find(&density, &floor, &scatter);
            (floor, noise, lines)
        };
        let mut found = look(&mask);
        // Lines found in one round are left out of the floor in the next, until none is new.
        for _ in 1..ROUNDS {
            let before = std::mem::replace(&mut mask, vec![false; density.density.len()]);
            for line in &found.2 {
                mask[line.region.clone()].fill(true);
            }
            if mask == before {
                break;
            }
            found = look(&mask);
        }
        let (floor, noise, lines) = found;
        Ok(Spectrum {
            resolution: self.rate / self.window.len() as f64,
            segment: self.window.len() as f64 / self.rate,
            rate: self.rate,
            density,
            floor,
            noise,
            lines,
            scatter,
        })
    }
}

/// Side lobes 98 dB down, so that a strong line does not hide the floor.
fn window() -> Window {
    let first = Window {
        name: "",
        meaning: "",
        coefficients: &[1.0],
    };
    let named = WINDOWS.iter().find(|w| w.name == "Nuttall4c").copied();
    named.unwrap_or(first)
}

/// What a channel was seen to hold.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// The density, in the square of the samples' unit per Hz.
    pub density: Density,
    /// The density without lines.
    pub floor: Floor,
    /// White noise and 1/f noise.
    pub noise: Noise,
    /// Lines, by frequency.
    pub lines: Vec<Line>,
    /// Distance of two bins in Hz.
    pub resolution: f64,
    /// Length of a segment in s.
    pub segment: f64,
    /// Sample rate in Hz.
    pub rate: f64,
    /// How the density scatters.
    pub scatter: Scatter,
}

impl Spectrum {
    /// The floor at a frequency in Hz, in the square of the samples' unit per Hz; `None` beyond what was
    /// seen.
    pub fn floor_at(&self, frequency: f64) -> Option<f64> {
        let bin = (frequency / self.resolution).round();
        let all = &self.floor.density;
        let known = (0.0..all.len() as f64).contains(&bin);
        let floor = known.then(|| all[bin as usize]);
        floor.filter(|s| s.is_finite())
    }
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
